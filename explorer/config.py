"""The only reader: a study file with its car and surface, checked whole, turned into a `Space`.

Every problem in every file is reported at once, with file, line, key, what was found and what is allowed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from explorer.config_assumed import NO_TYRE_DATA
from explorer.config_build import CarDefinition, SurfaceDefinition, build_car, build_surface
from explorer.config_fields import LEVEL_LIMIT, Given, show
from explorer.config_schema import (
    KnobTable,
    LikedTable,
    LimitTable,
    MapTable,
    MethodTable,
    ObjectiveTable,
    RuleTable,
    StudyHead,
)
from explorer.config_source import InputFile, KeyPath, Source, near
from explorer.errors import ConfigError, Problem, SpaceError
from explorer.model.metrics import describe, metric_columns
from explorer.model.slots import SLOT
from explorer.space import ENUMERATION_CEILING, Knob, Limit, Objective, Reference, Rule, Settings, Space

STUDY_TABLES = ("knobs", "rules", "objectives", "limits", "liked", "baseline", "method", "maps")
HEAD_KEYS = ("name", "car", "surface", "seed")

PART_KNOBS = tuple(f"{end}_{kind}" for end in ("front", "rear") for kind in ("bar", "spring", "damper", "tyre"))
NUMBER_KNOBS: dict[str, str] = {
    **{f"{end}_ride_height_mm": f"{end}_ride_height" for end in ("front", "rear")},
    **{f"{end}_camber_deg": f"{end}_camber" for end in ("front", "rear")},
    **{f"{end}_droop_mm": f"{end}_droop" for end in ("front", "rear")},
    **{f"{end}_roll_centre_mm": f"{end}_roll_centre_height" for end in ("front", "rear")},
    "caster_deg": "caster",
    "ballast_position_mm": "ballast_shift",
}
"""Knob with a number -> slot; the suffix is the unit."""
NUMBER_BOUNDS: dict[str, tuple[float, float]] = {
    "ride_height": (1.0, 100.0),
    "camber": (-15.0, 15.0),
    "droop": (0.0, 60.0),
    "roll_centre_height": (-50.0, 100.0),
    "caster": (0.0, 45.0),
    "ballast_shift": (-500.0, 500.0),
}
DEFAULT_OBJECTIVES = (("lag_ms", -1), ("grip_margin_pct", 1), ("lift_margin_pct", 1))


@dataclass(frozen=True)
class LoadedStudy:
    """A study read without a fault: its space, and the files it came from with their SHA-256."""

    space: Space
    files: tuple[InputFile, ...]
    path: Path


def load_study(path: Path | str) -> LoadedStudy:
    """Read a study file and the car and surface files it names.

    Raises ConfigError with every problem found in any of them.
    """
    problems: list[Problem] = []
    study = Source(str(path), problems)
    study.read()
    if not study.readable:
        raise ConfigError(problems)
    study.known_tops(HEAD_KEYS + STUDY_TABLES)
    head = study.check(StudyHead, {key: study.raw[key] for key in HEAD_KEYS if key in study.raw}, ())
    folder = Path(path).parent
    sources = [study]

    def opened(name: str, key: KeyPath) -> Source:
        source = Source(str(folder / name), problems)
        count = len(problems)
        source.read()
        if len(problems) > count and not source.readable and not Path(source.path).is_file():
            del problems[count:]
            study.report(key, show(name), "no such file beside this study")
        sources.append(source)
        return source

    car: CarDefinition | None = None
    surface: SurfaceDefinition | None = None
    if head is not None:
        car_source = opened(head.car, ("car",))
        car = build_car(car_source) if car_source.readable else None
        surface_source = opened(head.surface, ("surface",))
        track = float(car.base[SLOT["front_track"]]) if car is not None else 0.0
        surface = build_surface(surface_source, track) if surface_source.readable else None
    if head is None or car is None or surface is None:
        _tables_only(study)
        raise ConfigError(problems)
    builder = _Study(study, car, surface, opened, problems)
    space = builder.space(head)
    if problems or space is None:
        raise ConfigError(problems)
    files = tuple(InputFile(source.path, source.sha256) for source in sources)
    return LoadedStudy(space, files, Path(path))


def _tables_only(study: Source) -> None:
    """Check what can be checked of the study's own tables when the car or the surface is at fault."""
    for _, path, raw in study.members(("knobs",)):
        study.check(KnobTable, raw, path)
    for name, model in (("rules", RuleTable), ("objectives", ObjectiveTable), ("limits", LimitTable)):
        for path, raw in study.entries((name,)):
            study.check(model, raw, path)
    study.table(MethodTable, ("method",))


class _Study:
    """Builds the space from a study's tables, noting every problem on the way."""

    def __init__(
        self, study: Source, car: CarDefinition, surface: SurfaceDefinition, opened: Any, problems: list[Problem]
    ):
        self.study, self.car, self.surface, self.opened, self.problems = study, car, surface, opened, problems
        self.columns = metric_columns(surface.phase_names)

    def space(self, head: StudyHead) -> Space | None:
        before = len(self.problems)
        knobs = tuple(knob for knob in (self._knob(*item) for item in self.study.members(("knobs",))) if knob)
        if not self.study.at(("knobs",)):
            self.study.report(("knobs",), "no knob", "at least one [knobs.NAME] table")
        rules = self._rules(knobs)
        objectives, limits, liked = self._objectives(), self._limits(), self._liked_tables()
        method = self.study.table(MethodTable, ("method",))
        maps = self._maps(knobs)
        self._fixed_parts(knobs)
        baseline = self._baseline(knobs) if len(self.problems) == before else None
        if baseline is None or len(self.problems) != before:
            return None
        base = self._with_surface(self.surface)
        references = tuple(
            reference
            for reference in (self._reference(name, path, table, knobs, baseline) for name, path, table in liked)
            if reference is not None
        )
        fields = method.model_dump() if method is not None else {}
        try:
            space = Space(
                name=head.name,
                car=self.car.name,
                surface=self.surface.name,
                seed=head.seed,
                knobs=knobs,
                rules=rules,
                objectives=objectives,
                limits=limits,
                baseline=baseline,
                base=base,
                phase_names=self.surface.phase_names,
                phases=self.surface.phases,
                references=references,
                assumptions=self.car.assumptions + self.surface.assumptions,
                settings=Settings(**fields, maps=maps),
                notes=(NO_TYRE_DATA,),
            )
            if rules and space.enumerable and space.full_size > ENUMERATION_CEILING:
                self.study.report(
                    ("rules",), f"{space.full_size:,} setups", f"rules need a grid of at most {ENUMERATION_CEILING:,}"
                )
            elif rules and not space.allowed(np.array([baseline]))[0]:
                self.study.report(("baseline",), "a setup that a rule forbids", "a baseline that can be built")
            elif rules and space.enumerable and space.size == 0:
                self.study.report(("rules",), "no setup left", "rules that leave something to build")
            if space.settings.method == "exhaustive" and not space.enumerable:
                self.study.report(("method", "method"), '"exhaustive"', "a continuous knob can only be sampled")
        except SpaceError as fault:
            self.study.report((), "", str(fault))
            return None
        return space

    def _with_surface(self, surface: SurfaceDefinition) -> Any:
        base = self.car.base.copy()
        for name, value in surface.numbers.items():
            base[SLOT[name]] = value
        return base

    def _knob(self, name: str, path: KeyPath, raw: Any) -> Knob | None:
        if name not in PART_KNOBS and name not in NUMBER_KNOBS:
            self.study.report(path, "an unknown knob", near(name, PART_KNOBS + tuple(NUMBER_KNOBS)))
            return None
        table = self.study.check(KnobTable, raw, path)
        if table is None:
            return None
        return self._part_knob(name, path, table) if name in PART_KNOBS else self._number_knob(name, path, table)

    def _tolerance(self, path: KeyPath, given: Given | None, kind: str) -> tuple[float, float]:
        """(absolute SI, relative)."""
        if given is None:
            return 0.0, 0.0
        if given.suffix == "pct":
            return 0.0, given.si
        units = {
            "mm": ("mm",),
            "deg": ("deg",),
            "spring": ("n_per_mm", "n_per_m", "lbf_per_in", "gf_per_mm"),
            "bar": ("n_per_mm", "n_per_m", "lbf_per_in", "gf_per_mm"),
            "damper": ("n_s_per_m",),
            "tyre": (),
        }[kind]
        if given.suffix not in units:
            wanted = ", ".join(f"tolerance_{unit}" for unit in ("pct", *units))
            self.study.report((*path, given.key), show(given), f"for this knob one of {wanted}")
        return given.si, 0.0

    def _part_knob(self, name: str, path: KeyPath, table: KnobTable) -> Knob | None:
        parts = self.car.parts[name]
        kind = name.split("_")[1]
        if table.parts is None or table.values or table.ends or table.start is not None:
            self.study.report(path, "no list of parts", f'parts = "all" or a list of labels from [[parts.{name}s]]')
            return None
        known = [part.label for part in parts]
        labels = known if table.parts == ("all",) and "all" not in known else list(table.parts)
        chosen = []
        for label in labels:
            if label not in known:
                has = ", ".join(known) or "nothing"
                self.study.report((*path, "parts"), show(label), f"the parts box has {has} under [[parts.{name}s]]")
            elif label in [part.label for part in chosen]:
                self.study.report((*path, "parts"), show(label), "each label only once")
            else:
                chosen.append(parts[known.index(label)])
        if not chosen:
            if not labels:
                self.study.report((*path, "parts"), "no part", f"the car's file has no [[parts.{name}s]]")
            return None
        absolute, relative = self._tolerance(path, table.tolerance, kind)
        unit = {"bar": "mm", "spring": "N/mm", "damper": "N s/m", "tyre": ""}[kind]
        return Knob(
            name=name,
            unit=unit,
            labels=tuple(part.label for part in chosen),
            values=tuple(part.value for part in chosen),
            slots=self.car.slots[name],
            settings=tuple(part.settings for part in chosen),
            tolerance_absolute=absolute,
            tolerance_relative=relative,
            minutes=table.minutes,
        )

    def _number_knob(self, name: str, path: KeyPath, table: KnobTable) -> Knob | None:
        slot = NUMBER_KNOBS[name]
        unit = name.rsplit("_", 1)[1]
        factor = {"mm": 1e-3, "deg": math.pi / 180.0}[unit]
        stepped = [table.start is not None, table.stop is not None, table.step is not None]
        ways = (table.values is not None) + any(stepped) + (table.ends is not None)
        if table.parts is not None or ways != 1 or (any(stepped) and not all(stepped)):
            self.study.report(path, "", "one of: values = [...]; from, to and step; range = [low, high]")
            return None
        if name == "ballast_position_mm" and self.car.ballast <= 0.0:
            self.study.report(path, "a car without ballast", "the car's file needs [mass] ballast_g above 0")
        values = table.values or table.ends or ()
        if all(stepped):
            assert table.start is not None and table.stop is not None and table.step is not None
            span = (table.stop - table.start) / table.step
            if not 0 <= span < LEVEL_LIMIT:
                self.study.report(path, f"{span + 1:.3g} levels", f"to at or above from, at most {LEVEL_LIMIT:,} levels")
                return None
            values = tuple(round(table.start + k * table.step, 9) for k in range(int(math.floor(span + 1e-9)) + 1))
        stem = slot.removeprefix("front_").removeprefix("rear_")
        low, high = NUMBER_BOUNDS[stem]
        key = "values" if table.values else "range" if table.ends else "from"
        for value in values:
            if not low <= value <= high:
                self.study.report((*path, key), f"{value:g}", f"{low:g} to {high:g} {unit}")
                return None
        if table.ends is not None and (len(values) != 2 or values[0] >= values[1]):
            self.study.report((*path, "range"), show(list(values)), "two numbers, the lower first")
            return None
        if len(set(values)) != len(values):
            self.study.report((*path, key), "a value given twice", "each level only once")
            return None
        absolute, relative = self._tolerance(path, table.tolerance, unit)
        return Knob(
            name=name,
            unit=unit,
            labels=() if table.ends is not None else tuple(f"{value:.10g}" for value in values),
            values=tuple(values),
            slots=(SLOT[slot],),
            settings=tuple((value * factor,) for value in values),
            continuous=table.ends is not None,
            tolerance_absolute=absolute,
            tolerance_relative=relative,
            minutes=table.minutes,
        )

    def _fixed_parts(self, knobs: tuple[Knob, ...]) -> None:
        names = {knob.name for knob in knobs} | set(self.study.at(("knobs",)) or {})
        for place in PART_KNOBS:
            kind = place.split("_")[1]
            if place in names or place in self.car.fitted or kind in ("damper", "tyre"):
                continue
            if kind == "bar" and not self.car.parts[place]:
                continue
            self.study.report(
                ("knobs",), f"no {place}", f"a knob [knobs.{place}], or [fitted] {place} in the car's file"
            )

    def _pairs(
        self, path: KeyPath, choices: dict[str, tuple[str, ...]] | None, knobs: tuple[Knob, ...]
    ) -> tuple[tuple[str, tuple[str, ...]], ...]:
        by_name = {knob.name: knob for knob in knobs}
        pairs = []
        for name, labels in (choices or {}).items():
            if name not in by_name:
                if name not in (self.study.at(("knobs",)) or {}):
                    self.study.report((*path, name), "no knob of this study", near(name, tuple(by_name)))
                continue
            try:
                for label in labels:
                    by_name[name].position_of(label)
            except SpaceError as fault:
                self.study.report((*path, name), show(list(labels)), str(fault))
            if by_name[name].continuous:
                self.study.report((*path, name), "a continuous knob", "rules need knobs with levels")
            pairs.append((name, labels))
        return tuple(pairs)

    def _rules(self, knobs: tuple[Knob, ...]) -> tuple[Rule, ...]:
        rules = []
        for path, raw in self.study.entries(("rules",)):
            table = self.study.check(RuleTable, raw, path)
            if table is None:
                continue
            if (table.only is None) == (table.never is None):
                self.study.report(path, "", "one of only = {...} and never = {...}")
                continue
            when = self._pairs((*path, "when"), table.when, knobs)
            if table.never is not None:
                rules.append(Rule(table.reason, when + self._pairs((*path, "never"), table.never, knobs)))
            else:
                rules.append(Rule(table.reason, when, self._pairs((*path, "only"), table.only, knobs)))
        return tuple(rules)

    def _known_metric(self, path: KeyPath, name: str) -> bool:
        if name in self.columns:
            return True
        self.study.report((*path, "metric"), show(name), near(name, self.columns))
        return False

    def _objectives(self) -> tuple[Objective, ...]:
        entries = self.study.entries(("objectives",))
        if not entries:
            return tuple(Objective(name, way, describe(name).resolution) for name, way in DEFAULT_OBJECTIVES)
        found: list[Objective] = []
        for path, raw in entries:
            table = self.study.check(ObjectiveTable, raw, path)
            if table is None or not self._known_metric(path, table.metric):
                continue
            metric = describe(table.metric)
            way = metric.direction if table.direction is None else {"lower": -1, "higher": 1}[table.direction]
            if metric.codes:
                self.study.report((*path, "metric"), show(table.metric), "a quantity, not a state")
            elif way == 0:
                self.study.report((*path, "direction"), "", 'this key is needed here: "lower" or "higher"')
            elif table.metric in [objective.metric for objective in found]:
                self.study.report((*path, "metric"), show(table.metric), "each metric only once")
            else:
                found.append(Objective(table.metric, way, table.resolution or metric.resolution))
        return tuple(found)

    def _limits(self) -> tuple[Limit, ...]:
        found: list[Limit] = []
        liked = tuple(name for name, _, _ in self.study.members(("liked",)))
        for path, raw in self.study.entries(("limits",)):
            table = self.study.check(LimitTable, raw, path)
            if table is None or not self._known_metric(path, table.metric):
                continue
            if table.at_least is None and table.at_most is None:
                self.study.report(path, "", "at_least, at_most or both")
            if table.relative_to and table.relative_to not in ("baseline", *liked):
                self.study.report((*path, "relative_to"), show(table.relative_to), '"baseline" or a [liked.NAME]')
            for sense, value in (("at_least", table.at_least), ("at_most", table.at_most)):
                if value is not None:
                    limit = Limit(table.metric, sense, value, table.relative_to, table.reason)
                    for other in found:
                        same = (other.metric, other.relative_to) == (limit.metric, limit.relative_to)
                        low, high = (limit, other) if sense == "at_least" else (other, limit)
                        if same and other.sense != sense and low.value > high.value:
                            self.study.report(
                                (*path, sense), f"at least {low.value:g} and at most {high.value:g}",
                                "limits that do not contradict each other",
                            )  # fmt: skip
                    found.append(limit)
        return tuple(found)

    def _maps(self, knobs: tuple[Knob, ...]) -> tuple[tuple[str, str, str], ...]:
        found = []
        names = tuple(knob.name for knob in knobs)
        for path, raw in self.study.entries(("maps",)):
            table = self.study.check(MapTable, raw, path)
            if table is None or not self._known_metric(path, table.metric):
                continue
            for key, name in (("x", table.x), ("y", table.y)):
                if name not in names:
                    self.study.report((*path, key), show(name), near(name, names))
            if table.x == table.y:
                self.study.report((*path, "y"), show(table.y), "another knob than x")
            found.append((table.x, table.y, table.metric))
        return tuple(found)

    def _baseline(self, knobs: tuple[Knob, ...]) -> tuple[float, ...] | None:
        raw = self.study.at(("baseline",))
        if not isinstance(raw, dict):
            self.study.report(("baseline",), "", "this table is needed: a level for every knob")
            return None
        names = tuple(knob.name for knob in knobs)
        for name in raw:
            if name not in names:
                self.study.report(("baseline", name), "no knob of this study", near(name, names))
        positions = []
        for knob in knobs:
            if knob.name not in raw:
                self.study.report(("baseline", knob.name), "", "this key is needed: the level now on the car")
                continue
            value = raw[knob.name]
            if isinstance(value, bool) or not isinstance(value, (str, int, float)):
                self.study.report(("baseline", knob.name), show(value), "a level's label")
                continue
            try:
                positions.append(knob.position_of(str(value)))
            except SpaceError as fault:
                self.study.report(("baseline", knob.name), show(value), str(fault))
        return tuple(positions) if len(positions) == len(knobs) else None

    def _liked_tables(self) -> list[tuple[str, KeyPath, LikedTable]]:
        found = []
        for name, path, raw in self.study.members(("liked",)):
            table = self.study.check(LikedTable, raw, path)
            if name == "baseline":
                self.study.report(path, "the name baseline", "another name: baseline is taken")
            elif table is not None:
                found.append((name, path, table))
        return found

    def _reference(
        self, name: str, path: KeyPath, table: LikedTable, knobs: tuple[Knob, ...], baseline: tuple[float, ...]
    ) -> Reference | None:
        source = self.opened(table.surface, (*path, "surface"))
        surface = build_surface(source, float(self.car.base[SLOT["front_track"]])) if source.readable else None
        if surface is None:
            return None
        names = [knob.name for knob in knobs]
        positions = list(baseline)
        for knob_name, labels in table.setup.items():
            if knob_name not in names or len(labels) != 1:
                self.study.report((*path, "setup", knob_name), "", f"one level of a knob: {', '.join(names)}")
                continue
            column = names.index(knob_name)
            try:
                positions[column] = knobs[column].position_of(labels[0])
            except SpaceError as fault:
                self.study.report((*path, "setup", knob_name), show(labels[0]), str(fault))
        columns = metric_columns(surface.phase_names)
        for limit_path, raw in self.study.entries(("limits",)):
            if isinstance(raw, dict) and raw.get("relative_to") == name and raw.get("metric") not in columns:
                self.study.report((*limit_path, "metric"), show(raw.get("metric")), f"a metric of {table.surface} too")
        return Reference(
            name, surface.name, tuple(positions), self._with_surface(surface), surface.phase_names, surface.phases
        )
