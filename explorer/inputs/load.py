"""The only reader: a study file with its car and surfaces, checked whole, turned into a `Space`.

Every problem in every file is reported at once, with file, line, key, what was found and what is allowed.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from explorer.domain.errors import ConfigError, Problem
from explorer.domain.space import Space
from explorer.inputs.car_and_surface import CarDefinition, SurfaceDefinition, build_car, build_surface
from explorer.inputs.fields import show
from explorer.inputs.practice import read_practice
from explorer.inputs.source import SIZE_LIMIT, Enough, InputFile, Refused, Source, ordinary
from explorer.inputs.study import StudyBuilder
from explorer.inputs.tables import PracticeTable, StudyHead
from explorer.inputs.toml_lines import KeyPath
from explorer.inputs.tyre import TyreDefinition, build_tyre
from explorer.model.car.slots import SLOT

HEAD_KEYS = ("name", "car", "surface", "seed")
STUDY_TABLES = ("knobs", "rules", "objectives", "limits", "wishes", "liked", "baseline", "method", "maps")
PLAN_TABLES = ("uncertainty", "unknowns", "carry_over", "pits", "practice")

ALL_FILES_LIMIT = 2 * SIZE_LIMIT
"""Largest size of all files of a study together. [bytes]"""


@dataclass(frozen=True)
class LoadedStudy:
    """A study read without a fault: its space, and the files it came from (study, car, surface, then tyres and
    liked surfaces). `practice` is the file of what was seen, or where it would stand: without a [practice] table
    `practice/STUDY.toml` beside the study, named like it."""

    space: Space
    files: tuple[InputFile, ...]
    path: Path
    practice: Path

    @property
    def car_name(self) -> str:
        """What the team calls the car."""
        return self.space.car

    @property
    def surface_name(self) -> str:
        """What the team calls the surface."""
        return self.space.surface


def load_study(path: Path | str, *, allow_outside: bool = False) -> LoadedStudy:
    """Read a study file and the car and surface files it names, found from the study file's folder.

    They must lie in that folder or below it unless `allow_outside`. Raises ConfigError with the problems found in any
    of them (the first `PROBLEM_LIMIT`), and nothing else for any content of the files.
    """
    problems: list[Problem] = []
    study = Source(str(path), problems)
    try:
        return _load(study, Path(path), allow_outside)
    except Enough:
        raise ConfigError(problems) from None


def _load(study: Source, path: Path, allow_outside: bool) -> LoadedStudy:
    problems = study.problems
    study.read()
    if not study.readable:
        raise ConfigError(problems)
    files = _Files(study, None if allow_outside else os.path.dirname(study.path) or ".")
    study.known_tops(HEAD_KEYS + STUDY_TABLES + PLAN_TABLES)
    head = study.check(StudyHead, {key: study.raw[key] for key in HEAD_KEYS if key in study.raw}, ())
    car = files.car(study.raw.get("car"))
    surface = files.surface(study.raw.get("surface"), ("surface",), car)
    builder = StudyBuilder(study, car, surface, lambda name, key: files.surface(name, key, car))
    space = builder.space(head)
    practice = study.table(PracticeTable, ("practice",))
    name = practice.file if practice is not None else ""
    usual = f"practice/{path.stem}.toml"
    if "practice" not in study.raw and os.path.lexists(_place(study, usual)):
        name = usual
    if space is not None and name:
        space = files.practice(name, space)
        if name == usual and space.planning.seen:
            space = replace(space, notes=(*space.notes, f"practice was read from {name}, found beside the study"))
    if problems or space is None:
        raise ConfigError(problems or [Problem(study.path, 0, "", "", "this study cannot be read; please report it")])
    read = tuple(InputFile(item.path, item.sha256) for item in files.sources)
    return LoadedStudy(space, read, path, Path(_place(study, name or usual)))


class _Files:
    """Files that a study names; each is read once, below the folder `root` where there is one."""

    def __init__(self, study: Source, root: str | None):
        self.study = study
        self.root = root
        self.sources = [study]
        self.surfaces: dict[str, SurfaceDefinition] = {}
        self.tyres: dict[str, TyreDefinition] = {}

    def _open(self, name: Any, key: KeyPath, owner: Source | None = None) -> Source | None:
        """The file of that name, seen from the file that names it at `key`: the study, or its `owner`."""
        owner = owner or self.study
        if not isinstance(name, str) or not name.strip() or any(ord(char) < 32 for char in name):
            return None
        path = _place(owner, name)
        try:
            real = ordinary(path, self.root)
            size = os.path.getsize(real) + sum(source.size for source in self.sources)
            if size > ALL_FILES_LIMIT:
                raise Refused("too much to read", f"files of at most {ALL_FILES_LIMIT:,} bytes together")
        except Refused as refused:
            if refused.found in ("no such file", "a directory", "File name too long"):
                refused = Refused("", f"a TOML file; there is none at {path[:200]!r}")
            also = f", {refused.found}" if refused.found else ""
            owner.report(key, show(name) + also, refused.allowed)
            return None
        except OSError as error:
            owner.report(key, show(name), f"a file that can be read: {error.strerror}")
            return None
        source = Source(path, self.study.problems, self.root)
        source.read()
        self.sources.append(source)
        return source

    def practice(self, name: str, space: Space) -> Space:
        """The study with what was seen in practice, from the file of that name."""
        source = self._open(name, ("practice", "file"))
        if source is None or not source.readable:
            return space
        seen = read_practice(source, space)
        return replace(space, planning=replace(space.planning, seen=seen))

    def car(self, name: Any) -> CarDefinition:
        """Car by the name of its file."""
        source = self._open(name, ("car",))
        return CarDefinition() if source is None else build_car(source)

    def surface(self, name: Any, key: KeyPath, car: CarDefinition) -> SurfaceDefinition:
        """Surface by the name of its file, which stands at `key`."""
        place = _place(self.study, name) if isinstance(name, str) else ""
        known = self.surfaces.get(place)
        if known is not None:
            return known
        source = self._open(name, key)
        track = float(np.max(car.base[[SLOT["front_track"], SLOT["rear_track"]]])) if car.complete else 0.0
        surface = SurfaceDefinition() if source is None else build_surface(source, track, self.tyre)
        self.surfaces[place] = surface
        return surface

    def tyre(self, owner: Source, name: str) -> TyreDefinition:
        """Tyre by the name of its file, which stands in a surface file, its `owner`."""
        place = _place(owner, name)
        if place not in self.tyres:
            source = self._open(name, ("surface", "tyre"), owner)
            self.tyres[place] = TyreDefinition() if source is None else build_tyre(source)
        return self.tyres[place]


def _place(owner: Source, name: str) -> str:
    """Path of a file by its name, seen from the folder of the file that names it."""
    return os.path.normpath(Path(owner.path).parent / name.strip())
