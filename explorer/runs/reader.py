"""The one reader of finished runs: a folder's `run.json` and the tables it vouches for, back as a `RunRecord`.

A table is read only where its bytes have the SHA-256 that `run.json` says. Every fault names its file, and its line
where there is one.
"""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from explorer.domain.errors import ArtefactError, SpaceError
from explorer.domain.unknowns import FIGURES
from explorer.model.metrics import describe
from explorer.runs import disk
from explorer.runs.artefacts import sha256_of
from explorer.runs.csv_text import cell_text
from explorer.runs.records import MANIFEST, WORK, Manifest, read_manifest
from explorer.study.compare.runs import KEPT_SHARE, KINDS, LimitRecord, Listed, PlanRecord, RunRecord

NEEDED = ("front", "shortlist", "limits")
"""Tables that every run of a study has."""


@dataclass(frozen=True)
class Table:
    """A CSV as it was written: `path` for messages, `columns`, `rows` of texts as long as the columns."""

    path: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def has(self, *names: str) -> None:
        """Raises ArtefactError with the columns that are missing."""
        missing = [name for name in names if name not in self.columns]
        if missing:
            raise ArtefactError(f"{self.path}:1: no column {', '.join(missing)}; this version cannot read the run")

    def text(self, row: int, name: str) -> str:
        """One cell."""
        return self.rows[row][self.columns.index(name)]

    def number(self, row: int, name: str) -> float:
        """One cell as a finite number. Raises ArtefactError with its line."""
        cell = self.text(row, name)
        try:
            found = float(cell)
        except ValueError:
            found = math.nan
        if not math.isfinite(found):
            raise ArtefactError(f"{self.path}: row {row + 1}, column {name}: {cell!r} is no finite number")
        return found


def read_run(folder: Path) -> RunRecord:
    """What a finished run left behind.

    Raises ArtefactError where the folder holds no finished run of a study, or where a table it needs is missing, was
    changed since, or cannot be read.
    """
    manifest = _manifest(folder)
    tables = {stem: _table(folder, manifest, stem) for stem in NEEDED if f"tables/{stem}.csv" in manifest.files}
    missing = [f"tables/{stem}.csv" for stem in NEEDED if stem not in tables]
    if missing:
        raise ArtefactError(f"{folder / MANIFEST}: lists no {', '.join(missing)}, so this is no run of a study")
    front, shortlist = tables["front"], tables["shortlist"]
    front.has("point", "named", "changes")
    shortlist.has("rank", "kind", "reason")
    knobs, objectives = _knobs_and_objectives(front)
    shortlist.has(*knobs, *objectives)
    sensitivity = _optional(folder, manifest, "sensitivity")
    return RunRecord(
        folder=folder.as_posix(),
        study=manifest.study,
        car=manifest.car,
        surface=manifest.surface,
        method=manifest.method,
        seed=manifest.seed,
        axle=manifest.axle,
        counts=manifest.counts,
        inputs=manifest.inputs,
        versions=manifest.versions,
        knobs=knobs,
        objectives=objectives,
        indices={} if sensitivity is None else _indices(sensitivity),
        index_method=sensitivity.text(0, "method") if sensitivity is not None and sensitivity.rows else "",
        shortlist=_listed(shortlist, knobs, _figures(shortlist, knobs), "kind"),
        nothing_feasible=any(not shortlist.text(row, "rank") for row in range(len(shortlist.rows))),
        ranges=_ranges(front, objectives),
        limits=_limits(tables["limits"]),
        plan=_plan(folder, manifest, knobs, objectives),
    )


def _manifest(folder: Path) -> Manifest:
    path = folder / MANIFEST
    if not os.path.lexists(path):
        why = "the run there did not finish" if (folder / WORK).exists() else "no run was finished there"
        raise ArtefactError(f"{path}: not found; {why if folder.is_dir() else 'there is no such folder'}")
    return read_manifest(path)


def _optional(folder: Path, manifest: Manifest, stem: str) -> Table | None:
    return _table(folder, manifest, stem) if f"tables/{stem}.csv" in manifest.files else None


def _table(folder: Path, manifest: Manifest, stem: str) -> Table:
    """One table, its bytes held against `run.json` first."""
    path = disk.place(folder, f"tables/{stem}.csv")
    try:
        data = disk.bytes_of(path)
    except ArtefactError as fault:
        raise ArtefactError(f"{path}: listed in {MANIFEST}, but {fault}") from fault
    if sha256_of(data) != manifest.files[f"tables/{stem}.csv"].sha256:
        raise ArtefactError(f"{path}: changed since the run was written (its sha256 is not that in {MANIFEST})")
    try:
        lines = list(csv.reader(io.StringIO(data.decode("utf-8"), newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as fault:
        raise ArtefactError(f"{path}: is no CSV: {fault}") from fault
    if not lines:
        return Table(str(path), (), ())
    for place, line in enumerate(lines[1:], start=1):
        if len(line) != len(lines[0]):
            raise ArtefactError(f"{path}: row {place} has {len(line)} cells, not {len(lines[0])}")
    head, *rows = (tuple(armed(cell) for cell in line) for line in lines)
    return Table(str(path), head, tuple(rows))


def armed(cell: str) -> str:
    """A cell without the apostrophe that keeps a spreadsheet from running it.

    >>> armed("'=1+1"), armed("'s"), armed("-1.5")
    ('=1+1', "'s", '-1.5')
    """
    return cell[1:] if cell.startswith("'") and cell_text(cell[1:]) == cell else cell


def _is_metric(name: str) -> bool:
    try:
        describe(name)
    except SpaceError:
        return False
    return True


def _knobs_and_objectives(front: Table) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names of the knobs and of the objectives: after "point" and "named" the front's table holds knobs, then
    objectives, then the room to each limit, then "changes" and "minutes"."""
    body = front.columns[2 : front.columns.index("changes")]
    body = tuple(name for name in body if not name.startswith("margin "))
    return tuple(n for n in body if not _is_metric(n)), tuple(n for n in body if _is_metric(n))


def _figures(table: Table, knobs: Iterable[str]) -> tuple[str, ...]:
    """Columns that hold a metric, and the work."""
    return tuple(n for n in table.columns if n not in knobs and (_is_metric(n) or n == "minutes"))


def _listed(table: Table, knobs: tuple[str, ...], figures: tuple[str, ...], kind: str) -> tuple[Listed, ...]:
    return tuple(
        Listed(
            {knob: table.text(row, knob) for knob in knobs},
            {name: table.number(row, name) for name in figures if table.text(row, name)},
            table.text(row, kind),
        )
        for row in range(len(table.rows))
    )


def _indices(table: Table) -> dict[str, dict[str, dict[str, float]]]:
    """Indices by kind, metric and knob, without those that have no meaning."""
    table.has("metric", "knob", "method", *KINDS)
    found: dict[str, dict[str, dict[str, float]]] = {}
    for row in range(len(table.rows)):
        for kind in KINDS:
            if table.text(row, kind):
                by_knob = found.setdefault(kind, {}).setdefault(table.text(row, "metric"), {})
                by_knob[table.text(row, "knob")] = table.number(row, kind)
    return found


def _ranges(front: Table, objectives: tuple[str, ...]) -> dict[str, tuple[float, float]]:
    found = {}
    for name in objectives:
        values = [front.number(row, name) for row in range(len(front.rows))]
        if values:
            found[name] = (min(values), max(values))
    return found


def _limits(table: Table) -> tuple[LimitRecord, ...]:
    if not table.rows:
        return ()
    table.has("limit", "metric", "sense", "bound", "unit", "setups", "break")
    return tuple(
        LimitRecord(
            metric=table.text(row, "metric"),
            sense=table.text(row, "sense"),
            text=table.text(row, "limit"),
            bound=table.number(row, "bound"),
            unit=table.text(row, "unit"),
            setups=int(table.number(row, "setups")),
            broken=int(table.number(row, "break")),
        )
        for row in range(len(table.rows))
    )


def _plan(folder: Path, manifest: Manifest, knobs: tuple[str, ...], objectives: tuple[str, ...]) -> PlanRecord | None:
    """The plan's shortlist and split of variance, None where the run made no plan."""
    listed, front, split = (
        _optional(folder, manifest, f"plan_{stem}") for stem in ("shortlist", "front", "knobs_against_unknowns")
    )
    if listed is None or front is None or split is None:
        return None
    figures: tuple[str, ...] = ()
    if listed.rows:
        listed.has("why", KEPT_SHARE, *knobs)
        wanted = [f"{metric} {figure}" for metric in objectives for figure in FIGURES]
        figures = (*(name for name in wanted if name in listed.columns), KEPT_SHARE)
    split.has("metric", "knobs", "unknowns", "both together")
    shares = ("knobs", "unknowns", "both together")
    return PlanRecord(
        on=next((figure for figure in FIGURES for metric in objectives if f"{metric} {figure}" in front.columns), ""),
        shortlist=_listed(listed, knobs, figures, "why") if listed.rows else (),
        variance={
            split.text(row, "metric"): (*(split.number(row, name) for name in shares),)  # type: ignore[misc]
            for row in range(len(split.rows))
        },
    )
