"""Observations of practice: a file of `[[seen]]` tables, one per thing seen with a stated setup, every fault located.

Each holds `setup` (what differs from the baseline), `phase`, and exactly one of: a reading at the limit of grip
(`lateral_m_per_s2`, `speed_m_per_s` or `speed_km_per_h`), `roll_deg` off a photo, `lifted` or `stayed_down` for an
inner wheel, `feel`, or `better_than` another setup. Errors are one standard deviation; the usual ones, where a file
states none, stand in `explorer.study.plan.practice`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import BeforeValidator, Field

from explorer.domain.errors import ConfigError, Problem
from explorer.domain.space import Space
from explorer.domain.units import to_si
from explorer.domain.unknowns import FEELS, Observation
from explorer.inputs.fields import Positive, Quantity, Remark, Table, Text, one_of, refuse, show
from explorer.inputs.knobs import level_at
from explorer.inputs.source import Enough, Source, near
from explorer.inputs.toml_lines import KeyPath
from explorer.study.plan.practice import JUDGING_PCT, READING_ERROR, READING_SPAN

SEEN_LIMIT = 1_000
"""Most observations of one file."""

LARGEST_ERROR = {"lateral": 10.0, "speed": 5.0, "roll": 10.0, "judged": 100.0}
"""An error above this says nothing. [m/s2], [m/s], [deg], [%]"""

LEAST_ERROR = {"lateral": 0.01, "speed": 0.005, "roll": 0.01, "judged": 0.1}
"""Nobody reads or judges to less than this. [m/s2], [m/s], [deg], [%]"""

Positions = tuple[float, ...]
SetupReader = Callable[[Source, KeyPath, dict[str, Any]], Positions | None]
"""Positions of the baseline with the named levels changed, or None with the faults noted at the source."""


def _setup_table(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise refuse(show(value), 'a table of knobs and levels, like { front_bar = "1.2" }')
    return value


SetupTable = Annotated[dict[str, Any], BeforeValidator(_setup_table)]


class Seen(Table):
    """[[seen]]"""

    setup: SetupTable = {}
    phase: Text = Field(description="a phase of the surface")
    lateral: Annotated[float | None, Quantity("acceleration", 0.1, READING_SPAN["lateral"])] = None
    speed: Annotated[float | None, Quantity("speed", 0.1, READING_SPAN["speed"])] = None
    roll: Annotated[float | None, Quantity("angle", 0.0, math.radians(READING_SPAN["roll"]))] = None
    lifted: Annotated[str, one_of("front", "rear")] | None = None
    stayed_down: Annotated[str, one_of("front", "rear")] | None = None
    feel: Annotated[str, one_of(*FEELS)] | None = None
    better_than: SetupTable | None = None
    error_m_per_s2: Positive | None = None
    error_m_per_s: Positive | None = None
    error_km_per_h: Positive | None = None
    error_deg: Positive | None = None
    error_pct: Positive | None = None
    remark: Remark = ""


REPORTS = ("lateral", "speed", "roll", "lifted", "stayed_down", "feel", "better_than")
ONE_OF = "exactly one of lateral_m_per_s2, speed_m_per_s, roll_deg, lifted, stayed_down, feel and better_than"
ERROR_KEYS = {
    "lateral": ("error_m_per_s2",),
    "speed": ("error_m_per_s", "error_km_per_h"),
    "roll": ("error_deg",),
}
"""Keys of the error of a reading; anything judged takes `error_pct`."""


def load_practice(path: Path | str, space: Space) -> tuple[Observation, ...]:
    """Observations of a file of its own, for a study that is already read. Raises ConfigError with every problem."""
    problems: list[Problem] = []
    source = Source(str(path), problems)
    found: tuple[Observation, ...] = ()
    try:
        source.read()
        if source.readable:
            source.known_tops(("seen",))
            found = read_practice(source, space.phase_names, setups_of(space))
    except Enough:
        raise ConfigError(problems) from None
    if problems:
        raise ConfigError(problems)
    return found


def read_practice(source: Source, phase_names: tuple[str, ...], setup_reader: SetupReader) -> tuple[Observation, ...]:
    """The `[[seen]]` tables of a file in order; those at fault are left out and noted at the source."""
    entries = source.entries(("seen",))
    if len(entries) > SEEN_LIMIT:
        source.report(("seen",), f"{len(entries):,} entries", f"at most {SEEN_LIMIT:,}")
        return ()
    found = []
    for path, raw in entries:
        seen = source.check(Seen, raw, path)
        observation = None if seen is None else _observation(source, path, seen, phase_names, setup_reader)
        if observation is not None:
            found.append(observation)
    return tuple(found)


def setups_of(space: Space) -> SetupReader:
    """Reader of the setups of a study."""

    def read(source: Source, path: KeyPath, raw: dict[str, Any]) -> Positions | None:
        positions = list(space.baseline)
        before = len(source.problems)
        for name, value in raw.items():
            if name not in space.knob_names:
                source.report((*path, name), "no knob of this study", near(name, space.knob_names))
                continue
            column = space.knob_index(name)
            knob = space.knobs[column]
            position = level_at(source, (*path, name), knob, value)
            if position is not None:
                positions[column] = position
        if len(source.problems) > before:
            return None
        if not space.allowed(np.array([positions], dtype=np.float64))[0]:
            source.report(path, "a setup that a rule of the study forbids", "a setup that can be built")
            return None
        return tuple(float(position) for position in positions)

    return read


def _observation(
    source: Source, path: KeyPath, seen: Seen, phase_names: tuple[str, ...], setup_reader: SetupReader
) -> Observation | None:
    """One entry, or None with its faults noted."""
    before = len(source.problems)
    given = [name for name in REPORTS if getattr(seen, name) is not None]
    if seen.phase not in phase_names:
        source.report((*path, "phase"), show(seen.phase), f"a phase of the surface; {near(seen.phase, phase_names)}")
    positions = setup_reader(source, (*path, "setup"), seen.setup)
    if len(given) != 1:
        found = " and ".join(source.actual(path, name) for name in given) or "nothing that was seen"
        source.report(path, found, ONE_OF)
        return None
    what = given[0]
    other = setup_reader(source, (*path, "better_than"), seen.better_than) if seen.better_than is not None else ()
    if what == "better_than" and positions is not None and positions == other:
        source.report((*path, "better_than"), "the same setup", "a setup that differs from the one under setup")
    error = _error(source, path, seen, what)
    if len(source.problems) > before or positions is None or other is None:
        return None
    kind, value, wheel = _said(seen, what)
    return Observation(
        kind=kind,
        phase=seen.phase,
        positions=positions,
        text=_text(seen, what),
        value=value,
        error=error,
        wheel=wheel,
        other=other,
        line=source.line(path),
    )


def _said(seen: Seen, what: str) -> tuple[str, float, str]:
    """(kind, value, wheel) of an observation."""
    if what == "roll":
        return "roll", math.degrees(seen.roll or 0.0), ""
    if what in ("lateral", "speed"):
        return what, float(getattr(seen, what)), ""
    if what in ("lifted", "stayed_down"):
        return "lifted", float(what == "lifted"), str(getattr(seen, what))
    if what == "feel":
        return "feel", float(FEELS.index(str(seen.feel))), ""
    return "better", 1.0, ""


def _error(source: Source, path: KeyPath, seen: Seen, what: str) -> float:
    """One standard deviation: as given, or the usual one of its kind. m/s2, m/s, deg or %."""
    kind = {"stayed_down": "lifted", "better_than": "better"}.get(what, what)
    fitting = ERROR_KEYS.get(what, ("error_pct",))
    every = ("error_m_per_s2", "error_m_per_s", "error_km_per_h", "error_deg", "error_pct")
    given = [key for key in every if getattr(seen, key) is not None]
    for key in given:
        if key not in fitting:
            source.report((*path, key), "an error of another kind", f"{' or '.join(fitting)}, the error of {what}")
    if len(given) > 1:
        source.report(path, " and ".join(given), "give the error only once, in one unit")
    usual = READING_ERROR.get(kind, JUDGING_PCT.get(kind, 0.0))
    if len(given) != 1 or given[0] not in fitting:
        return usual
    error = float(getattr(seen, given[0]))
    if given[0] == "error_km_per_h":
        error = to_si(error, "km_per_h")
    lowest, highest = (span.get(kind, span["judged"]) for span in (LEAST_ERROR, LARGEST_ERROR))
    if not lowest <= error <= highest:
        factor = to_si(1.0, "km_per_h") if given[0] == "error_km_per_h" else 1.0
        allowed = f"one standard deviation: at least {lowest / factor:g}, at most {highest / factor:g}"
        source.report((*path, given[0]), show(getattr(seen, given[0])), allowed)
    return error


def _text(seen: Seen, what: str) -> str:
    """What was seen, in words."""

    def words(setup: dict[str, Any]) -> str:
        return ", ".join(f"{name} {value}" for name, value in setup.items()) or "baseline"

    said = {
        "lateral": f"{seen.lateral or 0.0:.3g} m/s2 at the limit",
        "speed": f"{seen.speed or 0.0:.3g} m/s at the limit",
        "roll": f"{math.degrees(seen.roll or 0.0):.3g} deg of roll",
        "lifted": f"{seen.lifted} inner wheel lifted",
        "stayed_down": f"{seen.stayed_down} inner wheel stayed down",
        "feel": str(seen.feel),
        "better_than": f"better than {words(seen.better_than or {})}",
    }[what]
    return f"{seen.phase}, {words(seen.setup)}: {said}" + (f" ({seen.remark})" if seen.remark else "")
