"""What was seen in practice: a file of `[[seen]]` tables, one per thing seen with a stated setup, every fault located.

Each holds `setup` (what differs from the baseline), where its kind needs one a `phase`, and the keys of exactly one
kind of report (`explorer.study.plan.kinds`). Errors are one standard deviation; without one the usual error is taken.
"""

from __future__ import annotations

import datetime
import math
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import BeforeValidator, Field

from explorer.domain.errors import ConfigError
from explorer.domain.space import Space
from explorer.inputs.fields import Flag, Number, Positive, Quantity, Remark, Table, Text, one_of, refuse, show
from explorer.inputs.knobs import level_at
from explorer.inputs.source import Enough, Source, near
from explorer.inputs.toml_lines import KeyPath
from explorer.study.plan.kinds import FEELS, KINDS
from explorer.study.plan.reports import Report, Unfit

SEEN_LIMIT = 1_000
"""Most observations of one file."""

Positions = tuple[float, ...]


def _setup_table(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise refuse(show(value), 'a table of knobs and levels, like { front_bar = "1.2" }')
    return value


def _moment(value: Any) -> datetime.datetime:
    if not isinstance(value, datetime.datetime):
        raise refuse(show(value), "a day and time without quotes, like 2026-05-02T10:15:00")
    return value


SetupTable = Annotated[dict[str, Any], BeforeValidator(_setup_table)]
Moment = Annotated[datetime.datetime, BeforeValidator(_moment)]
End = Annotated[str, one_of("front", "rear")]


class Seen(Table):
    """[[seen]]"""

    at: Moment | None = Field(None, description="when `setup-space seen` wrote it")
    setup: SetupTable = {}
    phase: Text | None = Field(None, description="a phase of the surface")
    lateral: Annotated[float | None, Quantity("acceleration", 0.1, 40.0)] = None
    speed: Annotated[float | None, Quantity("speed", 0.1, 25.0)] = None
    radius: Annotated[float | None, Quantity("length", 0.2, 50.0, "of the circle that was driven")] = None
    turn: Annotated[str, one_of("left", "right")] | None = None
    roll: Annotated[float | None, Quantity("angle", 0.0, math.radians(30.0))] = None
    lifted: End | None = None
    stayed_down: End | None = None
    touched: Flag | None = None
    feel: Annotated[str, one_of(*FEELS)] | None = None
    better_than: SetupTable | None = None
    as_good_as: SetupTable | None = None
    lap_s: Positive | None = None
    other_lap_s: Positive | None = None
    than: SetupTable | None = Field(None, description="the setup of other_lap_s")
    unknown: Text | None = Field(None, description="an unknown of the study, read directly")
    value: Number | None = Field(None, description="what was read, in the unit of the unknown")
    error: Positive | None = None
    error_m_per_s2: Positive | None = None
    error_m_per_s: Positive | None = None
    error_km_per_h: Positive | None = None
    error_deg: Positive | None = None
    error_pct: Positive | None = None
    error_mm: Positive | None = None
    error_s: Positive | None = None
    remark: Remark = ""


REPORTS = tuple(key for kind in KINDS for key in kind.keys)
"""Stems of which an entry holds exactly one."""

BELONG = {"radius": "speed", "turn": "speed and lateral", "other_lap_s": "lap_s", "than": "lap_s", "value": "unknown"}
"""Keys beside the one that says what was seen, and whose they are."""


def load_practice(path: Path | str, space: Space) -> tuple[Report, ...]:
    """Reports of a file of its own, for a study that is already read. Raises ConfigError with every problem."""
    return reports_in(Source(str(path), []), space)


def reports_in(source: Source, space: Space, data: bytes | None = None) -> tuple[Report, ...]:
    """Reports of a practice file as it stands, or as it would stand with these bytes.

    Raises ConfigError with every problem.
    """
    found: tuple[Report, ...] = ()
    try:
        source.read(data)
        if source.readable:
            found = read_practice(source, space)
    except Enough:
        pass
    if source.problems:
        raise ConfigError(source.problems)
    return found


def read_practice(source: Source, space: Space) -> tuple[Report, ...]:
    """The `[[seen]]` tables of a file in order; those at fault are left out and noted at the source."""
    source.known_tops(("seen",))
    entries = source.entries(("seen",))
    if len(entries) > SEEN_LIMIT:
        source.report(("seen",), f"{len(entries):,} entries", f"at most {SEEN_LIMIT:,}")
        return ()
    read = [(path, source.check(Seen, raw, path)) for path, raw in entries]
    found = [_report(source, path, seen, space) for path, seen in read if seen is not None]
    return tuple(report for report in found if report is not None)


def _positions(source: Source, path: KeyPath, raw: dict[str, Any], space: Space) -> Positions:
    """Positions of the baseline with the named levels changed; faults are noted at the source."""
    positions = list(space.baseline)
    before = len(source.problems)
    for name, value in raw.items():
        if name not in space.knob_names:
            source.report((*path, name), "no knob of this study", near(name, space.knob_names))
            continue
        column = space.knob_index(name)
        position = level_at(source, (*path, name), space.knobs[column], value)
        if position is not None:
            positions[column] = position
    if len(source.problems) == before and not space.allowed(np.array([positions], dtype=np.float64))[0]:
        source.report(path, "a setup that a rule of the study forbids", "a setup that can be built")
    return tuple(float(position) for position in positions)


def _report(source: Source, path: KeyPath, seen: Seen, space: Space) -> Report | None:
    """One entry, or None with its faults noted."""
    before = len(source.problems)
    setup = _positions(source, (*path, "setup"), seen.setup, space)
    given = [key for key in REPORTS if getattr(seen, key) is not None]
    if len(given) != 1:
        found = " and ".join(source.actual(path, key) for key in given) or "nothing that was seen"
        known = ", ".join(Seen.key_example(key) for key in REPORTS)
        source.report(path, found, f"exactly one of {known}")
        return None
    what = given[0]
    kind = next(kind for kind in KINDS if what in kind.keys)
    for key, owner in BELONG.items():
        if getattr(seen, key) is not None and what not in owner.split():
            source.report((*path, source.actual(path, key)), f"beside {what}", f"only beside {owner}")
    _phase(source, path, seen, kind, space)
    error = _error(source, path, seen, kind)
    try:
        said = kind.read(seen, space)
    except Unfit as fault:
        source.report((*path, fault.key), fault.found, fault.allowed)
        return None
    other: Positions = ()
    if kind.compares:
        key = "than" if what == "lap_s" else what
        other = _positions(source, (*path, key), said.pop("other"), space)
        if other == setup:
            source.report((*path, key), "the same setup", "a setup that differs from the one under setup")
    if len(source.problems) > before:
        return None
    fields: dict[str, Any] = {"phase": seen.phase or "", "text": "", "error": error, "other": other} | said
    report = kind(positions=setup if kind.modelled else (), line=source.line(path), **fields)
    return report.told(space, seen.turn or "", seen.remark)


def _phase(source: Source, path: KeyPath, seen: Seen, kind: type[Report], space: Space) -> None:
    """Notes a phase that is missing, that nobody knows, or that is none of its kind's business."""
    place = (*path, "phase")
    if seen.phase is None and kind.phased:
        source.report(place, "", f"this key is needed: a phase of the surface; {near('', space.phase_names)}")
    elif seen.phase is not None and kind.phased is False:
        source.report(place, show(seen.phase), f"no phase beside {kind.keys[0]}: it is of the whole lap or of the car")
    elif seen.phase is not None and seen.phase not in space.phase_names:
        source.report(place, show(seen.phase), f"a phase of the surface; {near(seen.phase, space.phase_names)}")


def _error(source: Source, path: KeyPath, seen: Seen, kind: type[Report]) -> float:
    """One standard deviation as given, or the usual one, in the unit of the kind."""
    given = [key for key in Seen.model_fields if key.startswith("error") and getattr(seen, key) is not None]
    for key in given:
        if key not in kind.errors:
            allowed = f"{' or '.join(kind.errors)}, the error of {kind.keys[0]}"
            source.report((*path, key), "an error of another kind", allowed)
    if len(given) > 1:
        source.report(path, " and ".join(given), "give the error only once, in one unit")
    if len(given) != 1 or given[0] not in kind.errors:
        return kind.usual
    written = float(getattr(seen, given[0]))
    error = kind.scaled(given[0], written, seen)
    factor = error / written
    if not kind.least <= error <= kind.largest:
        allowed = f"one standard deviation: at least {kind.least / factor:g}, at most {kind.largest / factor:g}"
        source.report((*path, given[0]), show(written), allowed)
    return error
