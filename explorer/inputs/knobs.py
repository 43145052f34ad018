"""One [knobs.NAME] table to one `Knob`: part labels, a list, from/to/step or a continuous range, with tolerance."""

from __future__ import annotations

from typing import Any

from explorer.domain.errors import SpaceError
from explorer.domain.space import Knob
from explorer.domain.units import to_si, unit_of
from explorer.inputs.fields import KINDS, LEVEL_LIMIT, Quantity, fit_to_print, show
from explorer.inputs.parts_box import PLACES, Part, part_slots
from explorer.inputs.source import Source, near
from explorer.inputs.tables import BALLAST_SHIFT, CAMBER, CASTER, DROOP, RIDE_HEIGHT, ROLL_CENTRE, KnobTable
from explorer.inputs.toml_lines import KeyPath
from explorer.model.car.slots import SLOT

PART_KNOBS = PLACES
"""Knobs that choose a part."""

NUMBER_KNOBS: dict[str, tuple[str, Quantity]] = {
    f"{end}_{name}": (f"{end}_{stem}", quantity)
    for name, stem, quantity in (
        ("ride_height_mm", "ride_height", RIDE_HEIGHT),
        ("camber_deg", "camber", CAMBER),
        ("droop_mm", "droop", DROOP),
        ("roll_centre_mm", "roll_centre_height", ROLL_CENTRE),
    )
    for end in ("front", "rear")
} | {"caster_deg": ("caster", CASTER), "ballast_position_mm": ("ballast_shift", BALLAST_SHIFT)}
"""Knobs that set a number: name with the unit -> (model parameter, its range)."""

_PART_UNITS = {"bar": "mm", "spring": "N/mm", "damper": "N s/m", "tyre": ""}
_TOLERANCES = {
    "bar": ("pct", *KINDS["rate"]),
    "spring": ("pct", *KINDS["rate"]),
    "damper": ("pct", *KINDS["damping"]),
    "tyre": (),
    "mm": ("mm",),
    "deg": ("deg",),
}


def _tolerance(source: Source, path: KeyPath, table: KnobTable, kind: str) -> tuple[float, float]:
    """(absolute [SI], relative) half widths."""
    given, suffixes = table.tolerance, _TOLERANCES[kind]
    if given is None:
        return 0.0, 0.0
    if given.suffix not in suffixes:
        wanted = " or ".join(f"tolerance_{suffix}" for suffix in suffixes) or "no tolerance for this knob"
        source.report((*path, given.key), show(given.raw), wanted)
    elif given.suffix == "pct" and given.si >= 1.0:
        source.report((*path, given.key), show(given.raw), "less than 100")
    return (0.0, given.si) if given.suffix == "pct" else (given.si, 0.0)


def _ways(table: KnobTable) -> list[str]:
    """Ways of giving levels that stand in the table."""
    ways = [name for name, value in (("parts", table.parts), ("values", table.values)) if value is not None]
    if any(item is not None for item in (table.start, table.stop, table.step)):
        ways.append("from, to, step")
    return ways + (["range"] if table.ends is not None else [])


def position_at(source: Source, path: KeyPath, knob: Knob, label: str, found: Any) -> float | None:
    """Position of a level by its label, or None with the fault noted; `found` is what stands in the file."""
    try:
        return knob.position_of(label)
    except SpaceError:
        if knob.continuous:
            allowed = f"{knob.values[0]:g} to {knob.values[1]:g} {knob.unit}".rstrip()
        else:
            allowed = f"a level of {knob.name}; {near(label, knob.labels)}"
        source.report(path, show(found), allowed)
        return None


def level_at(source: Source, path: KeyPath, knob: Knob, value: Any) -> float | None:
    """Position of one level as a person writes it, text or number; None with the fault noted."""
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        source.report(path, show(value), "one level's label")
        return None
    if isinstance(value, str) and not fit_to_print(value):
        source.report(path, show(value), "one level's label")
        return None
    try:
        label = value if isinstance(value, str) else f"{value:.10g}"
    except OverflowError:
        label = "a very large number"
    return position_at(source, path, knob, label, value)


def part_knob(source: Source, path: KeyPath, name: str, table: KnobTable, box: tuple[Part, ...] | None) -> Knob | None:
    """Knob over parts of a box; None when it is at fault, or when there is no box because the car was not read."""
    ways = _ways(table)
    kind = name.split("_")[1]
    absolute, relative = _tolerance(source, path, table, kind)
    if ways != ["parts"]:
        found = " and ".join(ways) or "no levels"
        source.report(path, found, f'parts = "all" or a list of labels of [[parts.{name}s]] in the car file')
        return None
    if box is None or table.parts is None:
        return None
    known = {part.label: part for part in box}
    every = table.parts == ("all",) and "all" not in known
    wanted = list(known) if every else list(table.parts)
    if not wanted:
        source.report((*path, "parts"), "an empty parts box", f"one or more [[parts.{name}s]] in the car file")
    chosen: list[Part] = []
    taken: set[str] = set()
    for label in wanted:
        if label not in known:
            source.report((*path, "parts"), show(label), f"a label of [[parts.{name}s]]; {near(label, known)}")
        elif label in taken:
            source.report((*path, "parts"), f"{show(label)} twice", "every label only once")
        else:
            taken.add(label)
            chosen.append(known[label])
    if len(chosen) != len(wanted) or not chosen:
        return None
    places = [part.value for part in chosen if part.value is not None]
    on_axis = len(places) == len(chosen) and len(set(places)) == len(places)
    return Knob(
        name=name,
        unit=_PART_UNITS[kind] if on_axis else "",
        labels=tuple(part.label for part in chosen),
        values=tuple(places) if on_axis else tuple(float(index) for index in range(len(chosen))),
        slots=part_slots(name),
        settings=tuple(part.settings for part in chosen),
        tolerance_absolute=absolute,
        tolerance_relative=relative,
        minutes=table.minutes,
    )


def _steps(source: Source, path: KeyPath, table: KnobTable) -> tuple[float, ...]:
    """Levels of from/to/step; empty when they make no sense."""
    start, stop, step = table.start, table.stop, table.step
    if start is None or stop is None or step is None:
        missing = [key for key, value in (("from", start), ("to", stop), ("step", step)) if value is None]
        source.report(path, f"no {' and no '.join(missing)}", "from, to and step together")
        return ()
    if stop < start:
        source.report((*path, "to"), show(stop), f"not below from, {start:g}")
        return ()
    count = (stop - start) / step
    if count > LEVEL_LIMIT - 1:
        source.report((*path, "step"), show(step), f"a step that gives at most {LEVEL_LIMIT:,} levels")
        return ()
    if abs(count - round(count)) > 1e-6 * max(1.0, count):
        last = start + int(count) * step
        source.report(
            (*path, "to"), show(stop), f"a whole number of steps from {start:g}, like {last:.6g} or {last + step:.6g}"
        )
        return ()
    return tuple(float(f"{start + index * step:.10g}") for index in range(round(count) + 1))


def number_knob(source: Source, path: KeyPath, name: str, table: KnobTable) -> Knob | None:
    """Knob over numbers in the unit that its name ends in; None when it is at fault."""
    slot, quantity = NUMBER_KNOBS[name]
    unit = unit_of(name)
    assert unit is not None
    ways = _ways(table)
    absolute, relative = _tolerance(source, path, table, unit.suffix)
    most = 0.5 * (quantity.high - quantity.low)
    if table.tolerance is not None and table.tolerance.suffix == unit.suffix and absolute > most:
        allowed = f"at most {most / to_si(1.0, unit.suffix):.6g}, half the range of this knob"
        source.report((*path, table.tolerance.key), show(table.tolerance.raw), allowed)
    if len(ways) != 1 or ways == ["parts"]:
        found = " and ".join(ways) or "no levels"
        source.report(path, found, "one of values = [...], from with to and step, or range = [lowest, highest]")
        return None
    key = {"values": "values", "range": "range"}.get(ways[0], "from")
    levels = table.values or table.ends or _steps(source, path, table)
    if not levels:
        return None
    continuous = table.ends is not None
    if continuous and (len(levels) != 2 or levels[0] >= levels[1]):
        source.report((*path, key), f"[{', '.join(f'{level:g}' for level in levels[:5])}]", "[lowest, highest]")
        return None
    labels = tuple(f"{level:.10g}" for level in levels)
    before = len(source.problems)
    for label in sorted({label for label in labels if labels.count(label) > 1}) if len(labels) < 500 else ():
        source.report((*path, key), f"{label} twice", "every level only once")
    if len(labels) >= 500 and len(set(labels)) != len(labels):
        source.report((*path, key), "a level twice", "every level only once")
    slack = 1e-9 * (quantity.high - quantity.low)
    for level in levels:
        if not quantity.low - slack <= to_si(level, unit.suffix) <= quantity.high + slack:
            source.report((*path, key), f"{level:g}", f"allowed: {quantity.span(unit.suffix)}")
            break
    if len(source.problems) > before:
        return None
    return Knob(
        name=name,
        unit=unit.label,
        labels=() if continuous else labels,
        values=levels,
        slots=(SLOT[slot],),
        settings=tuple((to_si(level, unit.suffix),) for level in levels),
        continuous=continuous,
        tolerance_absolute=absolute,
        tolerance_relative=relative,
        minutes=table.minutes,
    )


def check_owners(source: Source, knobs: tuple[Knob, ...]) -> None:
    """Refuse two knobs that set the same model parameter."""
    owner: dict[int, str] = {}
    for knob in knobs:
        for slot in knob.slots:
            if slot in owner:
                source.report(("knobs", knob.name), f"the same setting as {owner[slot]}", "one knob for one setting")
            owner[slot] = knob.name
