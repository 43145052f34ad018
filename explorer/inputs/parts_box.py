"""The parts box: bars, springs, dampers and tyres of a car file turned into SI numbers for the model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from explorer.domain.space import number_in
from explorer.inputs.fields import show
from explorer.inputs.source import Source
from explorer.inputs.tables import Bar, BarGeometry, Damper, End, Spring, Tyre
from explorer.inputs.toml_lines import KeyPath
from explorer.model.car.parts import bar_end_rate, coil_rate, wire_moduli
from explorer.model.car.slots import SLOT

ENDS = ("front", "rear")
PLACEHOLDER = 1.0
"""Stands for a number that could not be read; a problem has been noted, and no space is built from it."""

PART_LIMIT = 10_000
"""Most parts in one box."""

PLACE_SLOTS = {
    "bar": ("bar_rate",),
    "spring": ("spring_rate",),
    "damper": ("damping",),
    "tyre": ("tyre_grip", "tyre_rate", "wheel_radius"),
}
"""Model parameters that a part of each kind sets, in the order of `Part.settings`."""

PLACES = tuple(f"{end}_{kind}" for end in ENDS for kind in PLACE_SLOTS)
"""Where parts go: "front_bar" and so on; the box of a place is `[[parts.front_bars]]`."""

_MODELS: dict[str, Any] = {"bar": Bar, "spring": Spring, "damper": Damper, "tyre": Tyre}


@dataclass(frozen=True)
class Part:
    """A part as the space sees it: label, place on an axis [mm, N/mm, N s/m or none], SI numbers for its slots.

    `value` is None where the part has no place on that axis (a bar known by its rate only).
    """

    label: str
    value: float | None
    settings: tuple[float, ...]


def part_slots(place: str) -> tuple[int, ...]:
    """Columns that a part of a place sets.

    >>> len(part_slots("front_tyre"))
    3
    """
    end, kind = place.split("_")
    return tuple(SLOT[f"{end}_{stem}"] for stem in PLACE_SLOTS[kind])


def _thousands(value: float) -> float:
    """1000 times a value, without the dust of a unit factor (1.8, not 1.8000000000000003)."""
    return float(f"{value * 1000.0:.12g}")


def _bar(source: Source, path: KeyPath, place: str, bar: Bar, shape: BarGeometry | None, end_known: bool) -> Part:
    given = [name for name, value in (("wire", bar.wire), ("measured_rate", bar.measured_rate)) if value is not None]
    if bar.none or (bar.label == "none" and not given):
        if given:
            source.report(path, f"none = true beside {' and '.join(given)}", "no bar has neither wire nor rate")
        return Part(bar.label, 0.0, (0.0,))
    if len(given) != 1:
        found = "a wire and a rate" if given else "neither a wire nor a rate"
        source.report(path, found, "one of wire_mm and measured_rate_n_per_mm; for no bar write none = true")
        return Part(bar.label, None, (PLACEHOLDER,))
    if bar.wire is None:
        if bar.material is not None:
            source.report((*path, "material"), show(bar.material), "a material only goes with wire_mm")
        return Part(bar.label, None, (bar.measured_rate or PLACEHOLDER,))
    if shape is None:
        if end_known:
            table = f"[{place.split('_')[0]}.bar]"
            sizes = 'straight_mm, bearing_span_mm, arm_mm, lever_mm, each a number or "typical"'
            allowed = f"a wire needs the bar's shape in {table}: {sizes}"
            source.report((*path, source.actual(path, "wire")), show(bar.wire * 1000.0), allowed)
        return Part(bar.label, _thousands(bar.wire), (PLACEHOLDER,))
    moduli = wire_moduli(bar.material or shape.material, bar.wire)
    rate = bar_end_rate(
        diameter=bar.wire,
        straight=shape.straight,
        bearing_span=min(shape.bearing_span, shape.straight),
        arm=shape.arm,
        lever=min(shape.lever, shape.arm),
        elastic_modulus=moduli.elastic,
        shear_modulus=moduli.shear,
    )
    return Part(bar.label, _thousands(bar.wire), (float(rate),))


def _spring(source: Source, path: KeyPath, spring: Spring) -> Part:
    wire, diameter, coils = spring.wire, spring.mean_diameter, spring.active_coils
    any_wire = any(item is not None for item in (wire, diameter, coils, spring.material))
    if spring.rate is not None:
        if any_wire:
            source.report(path, "a rate and wire data", "the measured rate or the wire data, not both")
        return Part(spring.label, _thousands(spring.rate * 1e-6), (spring.rate,))
    if wire is None or diameter is None or coils is None:
        source.report(path, "no rate", "rate_n_per_mm, or all of wire_mm, mean_diameter_mm and active_coils")
        return Part(spring.label, 1.0, (PLACEHOLDER,))
    if diameter <= 2.0 * wire:
        key = source.actual(path, "mean_diameter")
        source.report((*path, key), f"{diameter * 1000:g} mm", f"more than twice the wire, {2000 * wire:g} mm")
    shear = wire_moduli(spring.material or "A228", wire).shear
    rate = float(coil_rate(wire=wire, mean_diameter=diameter, active_coils=coils, shear_modulus=shear))
    return Part(spring.label, _thousands(rate * 1e-6), (rate,))


def read_box(source: Source, place: str, end: End | None, tyre_rate: float) -> tuple[Part, ...]:
    """Parts of one place; a part at fault stays in as a label with placeholder numbers."""
    kind = place.split("_")[1]
    box: list[Part] = []
    labels: set[str] = set()
    numbers: dict[float, str] = {}
    entries = source.entries(("parts", place + "s"))
    if len(entries) > PART_LIMIT:
        source.report(("parts", place + "s"), f"{len(entries):,} parts", f"at most {PART_LIMIT:,}")
    for path, raw in entries[:PART_LIMIT]:
        entry = source.check(_MODELS[kind], raw, path)
        if entry is None:
            label = raw.get("label") if isinstance(raw, dict) else None
            if isinstance(label, str):
                labels.add(label.strip())
                box.append(Part(label.strip(), None, (PLACEHOLDER,) * len(PLACE_SLOTS[kind])))
            continue
        if entry.label in labels:
            source.report((*path, "label"), show(entry.label), "every label only once")
        number = number_in(entry.label)
        if number is not None and numbers.setdefault(number, entry.label) != entry.label:
            found = f"{show(entry.label)}, the same number as {show(numbers[number])}"
            source.report((*path, "label"), found, "labels that nobody takes for each other")
        labels.add(entry.label)
        if kind == "bar":
            box.append(_bar(source, path, place, entry, end.bar if end else None, end is not None))
        elif kind == "spring":
            box.append(_spring(source, path, entry))
        elif kind == "damper":
            box.append(Part(entry.label, entry.damping, (entry.damping,)))
        else:
            radius = entry.radius or (end.wheel_radius if end else PLACEHOLDER)
            box.append(Part(entry.label, None, (entry.grip_factor, entry.rate or tyre_rate, radius)))
    return tuple(box)
