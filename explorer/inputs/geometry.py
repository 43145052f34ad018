"""What no car can be, told at its place: wheels that overlap, tyres squashed flat, a plate without length, a bar
wider than the track. Each is within its own range; together they are impossible."""

from __future__ import annotations

from explorer.domain.space import FloatArray
from explorer.domain.units import STANDARD_GRAVITY
from explorer.inputs.parts_box import ENDS, Part
from explorer.inputs.source import Source
from explorer.inputs.tables import End
from explorer.model.car.slots import SLOT


def refuse_impossible_geometry(
    source: Source, base: FloatArray, ends: dict[str, End], boxes: dict[str, tuple[Part, ...]]
) -> None:
    """Note what contradicts itself in a car's measures. `base` (slots,) SI, `boxes` the parts by place."""
    number = {name: float(base[slot]) for name, slot in SLOT.items()}
    _wheels(source, number)
    _plate(source, number)
    for name in ENDS:
        _bar(source, name, ends[name], number["wheelbase"])
        share = number["front_weight_share"] if name == "front" else 1.0 - number["front_weight_share"]
        load = 0.5 * number["mass"] * STANDARD_GRAVITY * share
        _squash(source, name, load, number[f"{name}_tyre_rate"], number[f"{name}_wheel_radius"])
        _tyres(source, name, load, boxes[f"{name}_tyre"])


def _wheels(source: Source, number: dict[str, float]) -> None:
    together = number["front_wheel_radius"] + number["rear_wheel_radius"]
    if number["wheelbase"] <= together:
        key = source.actual(("geometry",), "wheelbase")
        allowed = f"more than the two wheel radii together, {1000 * together:g} mm: the wheels would overlap"
        source.report(("geometry", key), f"{1000 * number['wheelbase']:g} mm", allowed)


def _plate(source: Source, number: dict[str, float]) -> None:
    length = number["wheelbase"] + number["front_edge_offset"] + number["rear_edge_offset"]
    if length <= 0.0:
        key = source.actual(("underside",), "front_edge_offset")
        found = f"a chassis plate {1000 * length:g} mm long"
        source.report(("underside", key), found, "edges with some plate between them; minus is towards the middle")


def _bar(source: Source, name: str, end: End, wheelbase: float) -> None:
    if end.bar is None:
        return
    if end.bar.straight > end.track:
        key = source.actual((name, "bar"), "straight")
        found, bound = f"{1000 * end.bar.straight:g} mm", f"{1000 * end.track:g} mm"
        source.report((name, "bar", key), found, f"at most the track, {bound}: it lies between the wheels")
    if end.bar.arm > wheelbase:
        key = source.actual((name, "bar"), "arm")
        found, bound = f"{1000 * end.bar.arm:g} mm", f"{1000 * wheelbase:g} mm"
        source.report((name, "bar", key), found, f"at most the wheelbase, {bound}")


def _squash(source: Source, name: str, load: float, rate: float, radius: float) -> None:
    if load / rate >= radius:
        stem = "tyre_squash" if isinstance(source.at((name, "tyre_squash_mm")), (int, float)) else "tyre_rate"
        allowed = (
            f"a stiffer one: standing, it would give {1000 * load / rate:.3g} mm of its {1000 * radius:g} mm radius"
        )
        source.report((name, source.actual((name,), stem)), "a tyre squashed flat", allowed)


def _tyres(source: Source, name: str, load: float, box: tuple[Part, ...]) -> None:
    for index, part in enumerate(box):
        _, rate, radius = part.settings
        if load / rate >= radius:
            allowed = (
                f"a stiffer one: standing, it would give {1000 * load / rate:.3g} mm of {1000 * radius:g} mm radius"
            )
            source.report(("parts", f"{name}_tyres", index), f"a tyre squashed flat ({part.label})", allowed)
