"""From validated tables to the model's numbers: a car's parameter vector, its parts, a surface with its phases."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from explorer.config_assumed import ASSUMED, ISO_ROUGHNESS_MM3, SURFACE_SPREADS, CarFacts
from explorer.config_fields import show
from explorer.config_schema import (
    Assumed,
    Bar,
    CarHead,
    Damper,
    End,
    Fitted,
    Geometry,
    Mass,
    Phase,
    Spring,
    Steering,
    SurfaceHead,
    Tyre,
    Underside,
)
from explorer.config_source import KeyPath, Source, near
from explorer.model.parts import bar_end_rate, coil_rate, wire_moduli
from explorer.model.slots import SLOT, SLOTS
from explorer.space import Assumption, FloatArray
from explorer.units import STANDARD_GRAVITY, to_si

CAR_TOPS = ("car", "mass", "geometry", "front", "rear", "steering", "underside", "assumed", "fitted", "parts")
PART_KINDS = ("bar", "spring", "damper", "tyre")
ENDS = ("front", "rear")


@dataclass(frozen=True)
class Part:
    """A part as the space sees it: label, place on an axis, and SI numbers for its slots."""

    label: str
    value: float
    settings: tuple[float, ...]


@dataclass
class CarDefinition:
    """A car read: base vector (SI), parts by place ("front_bar"), slots by place, assumptions."""

    name: str = ""
    base: FloatArray = field(default_factory=lambda: np.zeros(len(SLOTS)))
    parts: dict[str, tuple[Part, ...]] = field(default_factory=dict)
    slots: dict[str, tuple[int, ...]] = field(default_factory=dict)
    fitted: dict[str, str] = field(default_factory=dict)
    assumptions: tuple[Assumption, ...] = ()
    ballast: float = 0.0


@dataclass
class SurfaceDefinition:
    """A surface read: its four numbers by slot name (SI), phases (phases, columns) SI, assumptions."""

    name: str = ""
    numbers: dict[str, float] = field(default_factory=dict)
    phase_names: tuple[str, ...] = ()
    phases: FloatArray = field(default_factory=lambda: np.zeros((0, 7)))
    assumptions: tuple[Assumption, ...] = ()


def _bar(source: Source, path: KeyPath, bar: Bar, end: End) -> Part | None:
    given = [name for name in ("wire", "measured_rate") if getattr(bar, name) is not None]
    nothing = bar.none or (bar.label == "none" and not given)
    if nothing and given:
        source.report(path, "none beside a wire or a rate", "a bar that is not there has neither")
        return None
    if nothing:
        return Part(bar.label, 0.0, (0.0,))
    if len(given) != 1:
        source.report(path, " and ".join(given) or "neither", "give one of wire_mm and a measured rate")
        return None
    if bar.measured_rate is not None:
        return Part(bar.label, bar.measured_rate / 1000.0, (bar.measured_rate,))
    shape = end.bar
    wire = bar.wire
    assert wire is not None
    if shape is None:
        source.report(path, "a wire thickness", f"the bar's shape is needed too: the table [{path[1][:-5]}.bar]")
        return None
    moduli = wire_moduli(bar.material or shape.material, wire)
    rate = bar_end_rate(
        diameter=wire,
        straight=shape.straight,
        bearing_span=shape.bearing_span,
        arm=shape.arm,
        lever=shape.lever,
        elastic_modulus=moduli.elastic,
        shear_modulus=moduli.shear,
    )
    return Part(bar.label, wire * 1000.0, (float(rate),))


def _spring(source: Source, path: KeyPath, spring: Spring) -> Part | None:
    wire_data = (spring.wire, spring.mean_diameter, spring.active_coils)
    if spring.rate is not None:
        if any(item is not None for item in wire_data):
            source.report(path, "a rate beside wire data", "give the measured rate or the wire data, not both")
            return None
        return Part(spring.label, spring.rate / 1000.0, (spring.rate,))
    wire, diameter, coils = wire_data
    if wire is None or diameter is None or coils is None:
        source.report(path, "", "give a rate, or wire, mean_diameter and active_coils")
        return None
    if diameter <= 2.0 * wire:
        source.report(path, f"mean diameter {diameter * 1000:g} mm", "a mean diameter above twice the wire")
        return None
    rate = float(
        coil_rate(
            wire=wire,
            mean_diameter=diameter,
            active_coils=coils,
            shear_modulus=wire_moduli(spring.material or "A228", wire).shear,
        )
    )
    return Part(spring.label, rate / 1000.0, (rate,))


def _parts(source: Source, place: str, end: End, radius: float, tyre_rate: float) -> tuple[Part, ...]:
    kind = place.split("_")[1]
    model = {"bar": Bar, "spring": Spring, "damper": Damper, "tyre": Tyre}[kind]
    found: list[Part] = []
    for path, raw in source.entries(("parts", place + "s")):
        entry: Any = source.check(model, raw, path)
        if entry is None:
            continue
        if entry.label in [part.label for part in found]:
            source.report((*path, "label"), show(entry.label), "each label only once")
            continue
        part: Part | None
        if kind == "bar":
            part = _bar(source, path, entry, end)
        elif kind == "spring":
            part = _spring(source, path, entry)
        elif kind == "damper":
            part = Part(entry.label, entry.damping, (entry.damping,))
        else:
            numbers = (entry.grip_factor, entry.rate or tyre_rate, entry.radius or radius)
            part = Part(entry.label, entry.grip_factor, numbers)
        if part is not None:
            found.append(part)
    return tuple(found)


PLACE_SLOTS = {
    "bar": ("bar_rate",),
    "spring": ("spring_rate",),
    "damper": ("damping",),
    "tyre": ("tyre_grip", "tyre_rate", "wheel_radius"),
}


def _tyre_rate(source: Source, name: str, end: End) -> float:
    squash = end.tyre_squash is not None and end.tyre_squash_weight is not None
    if (end.tyre_rate is not None) == squash:
        source.report((name,), "", "give tyre_rate_n_per_mm, or tyre_squash_mm with tyre_squash_weight_g")
        return 1000.0
    if end.tyre_rate is not None:
        return end.tyre_rate
    assert end.tyre_squash is not None and end.tyre_squash_weight is not None
    return end.tyre_squash_weight * STANDARD_GRAVITY / end.tyre_squash


def build_car(source: Source) -> CarDefinition | None:
    """Car of a file that was read; None when it is at fault (every problem is noted)."""
    before = len(source.problems)
    source.known_tops(CAR_TOPS)
    head = source.table(CarHead, ("car",), "the car's name and drive")
    mass = source.table(Mass, ("mass",), "total_g, front_weight_share_pct, cg_height_mm")
    geometry = source.table(Geometry, ("geometry",), "wheelbase_mm")
    ends = {name: source.table(End, (name,), "the measures of this end") for name in ENDS}
    steering = source.table(Steering, ("steering",), "caster_deg, kingpin_inclination_deg")
    underside = source.table(Underside, ("underside",), "half_width_mm and the edges")
    assumed: Any = source.table(Assumed, ("assumed",)) or Assumed()
    fitted = source.table(Fitted, ("fitted",)) or Fitted()
    known = tuple(f"{end}_{kind}s" for end in ENDS for kind in PART_KINDS)
    for name in source.at(("parts",)) or {}:
        if name not in known:
            source.report(("parts", name), "an unknown key", near(name, known))
    if None in (head, mass, geometry, steering, underside, *ends.values()):
        return None
    assert head and mass and geometry and steering and underside
    car = CarDefinition(name=head.name, ballast=mass.ballast)
    put = {
        "mass": mass.total,
        "front_weight_share": mass.front_weight_share,
        "cg_height": mass.cg_height,
        "ballast_mass": mass.ballast,
        "wheelbase": geometry.wheelbase,
        "caster": steering.caster,
        "kingpin_inclination": steering.kingpin_inclination,
        "chassis_half_width": underside.half_width,
        "front_edge_offset": underside.front_edge_offset,
        "rear_edge_offset": underside.rear_edge_offset,
    }
    for name, end in ends.items():
        assert end is not None
        rate = _tyre_rate(source, name, end)
        put |= {
            f"{name}_track": end.track,
            f"{name}_unsprung_mass": end.unsprung_mass,
            f"{name}_wheel_radius": end.wheel_radius,
            f"{name}_spring_motion_ratio": end.spring_motion_ratio,
            f"{name}_bar_motion_ratio": end.bar_motion_ratio or 0.0,
            f"{name}_tyre_rate": rate,
            f"{name}_tyre_grip": 1.0,
            f"{name}_ride_height": end.ride_height,
            f"{name}_ride_height_reference": end.ride_height,
            f"{name}_roll_centre_height": end.roll_centre_height,
            f"{name}_droop": end.droop,
            f"{name}_camber": end.camber,
        }
        for kind in PART_KINDS:
            place = f"{name}_{kind}"
            car.slots[place] = tuple(SLOT[f"{name}_{stem}"] for stem in PLACE_SLOTS[kind])
            car.parts[place] = _parts(source, place, end, end.wheel_radius, rate)
        if car.parts[f"{name}_bar"] and end.bar_motion_ratio is None:
            source.report((name,), "", "bar_motion_ratio is needed: travel of the bar's end over wheel travel")
    facts = CarFacts(
        mass=mass.total,
        sprung_mass=mass.total - 2.0 * sum(end.unsprung_mass for end in ends.values() if end is not None),
        wheelbase=geometry.wheelbase,
        track=0.5 * (put["front_track"] + put["rear_track"]),
        driven_front={"rear": 0.0, "front": 1.0, "all": 0.5}[head.drive],
    )
    assumptions = []
    for key in ASSUMED:
        factor = to_si(1.0, key.suffix) if key.suffix else 1.0
        given, spread = getattr(assumed, key.stem), getattr(assumed, f"{key.stem}_spread")
        value = key.value(facts) if given is None else given / factor
        width = spread / factor if spread is not None else key.spread * (abs(value) if key.relative else 1.0)
        put[key.stem] = value * factor
        if given is None:
            assumptions.append(Assumption(key.key, value, width, key.reason))
    put["chassis_compliance"] = 0.0 if assumed.chassis_torsion_rate is None else 1.0 / assumed.chassis_torsion_rate
    car.assumptions = tuple(assumptions)
    for name, value in put.items():
        car.base[SLOT[name]] = value
    _fit(source, car, fitted)
    _refuse_nonsense(source, car)
    return car if len(source.problems) == before else None


def _fit(source: Source, car: CarDefinition, fitted: Fitted) -> None:
    for place, parts in car.parts.items():
        label = getattr(fitted, place)
        if label is None:
            continue
        chosen = [part for part in parts if part.label == label]
        if not chosen:
            names = ", ".join(part.label for part in parts) or "no part at all"
            source.report(("fitted", place), show(label), f"a label from [[parts.{place}s]]: {names}")
            continue
        car.fitted[place] = label
        car.base[list(car.slots[place])] = chosen[0].settings


def _refuse_nonsense(source: Source, car: CarDefinition) -> None:
    def slot(name: str) -> float:
        return float(car.base[SLOT[name]])

    mass, share = slot("mass"), slot("front_weight_share")
    for name, part in (("front", share), ("rear", 1.0 - share)):
        sprung = mass * part - 2.0 * slot(f"{name}_unsprung_mass")
        if sprung <= 0.0:
            source.report(
                (name, "unsprung_mass_g"),
                f"{slot(f'{name}_unsprung_mass') * 1000:g} g a wheel",
                f"less than half of what this end weighs ({mass * part * 1000:.0f} g)",
            )
            return
    unsprung = [2.0 * slot(f"{n}_unsprung_mass") for n in ENDS]
    total = mass - sum(unsprung)
    moment = sum(u * slot(f"{n}_wheel_radius") for u, n in zip(unsprung, ENDS, strict=True))
    height = (mass * slot("cg_height") - moment) / total
    front = (mass * share - unsprung[0]) / total
    axis = front * slot("front_roll_centre_height") + (1.0 - front) * slot("rear_roll_centre_height")
    if axis >= height:
        source.report(
            ("mass", "cg_height_mm"),
            f"roll axis at {axis * 1000:.1f} mm, sprung centre of gravity at {height * 1000:.1f} mm",
            "the roll axis must lie below the sprung centre of gravity",
        )


def build_surface(source: Source, track: float = 0.0) -> SurfaceDefinition | None:
    """Surface of a file that was read; None when it is at fault. `track` [m] bounds the corner radii from below."""
    before = len(source.problems)
    source.known_tops(("surface", "phases"))
    head = source.table(SurfaceHead, ("surface",), "name, grip, bump_height_mm")
    rows, names = [], []
    for path, raw in source.entries(("phases",)):
        phase = source.check(Phase, raw, path)
        if phase is None:
            continue
        if phase.name in names:
            source.report((*path, "name"), show(phase.name), "each phase name only once")
        if (phase.speed is None) == (phase.grip_share is None):
            source.report(path, "both" if phase.speed else "neither", "give one of speed_m_per_s and grip_share")
        if phase.longitudinal is not None and phase.longitudinal_share is not None:
            source.report(path, "both", "give one of longitudinal_m_per_s2 and longitudinal_share")
        if phase.radius <= 0.5 * track:
            source.report((*path, "radius_m"), f"{phase.radius:g}", f"more than half the track, {0.5 * track:g} m")
        names.append(phase.name)
        rows.append(
            [
                phase.radius,
                phase.speed or 0.0,
                phase.grip_share or 0.0,
                phase.longitudinal or 0.0,
                phase.longitudinal_share or 0.0,
                phase.weight,
                float(phase.turn_in),
            ]
        )
    if not source.entries(("phases",)):
        source.report(("phases",), "", "at least one [[phases]]: a fast sweep, a hairpin, an entry, an exit")
    elif len(rows) == len(source.entries(("phases",))):
        if sum(row[6] for row in rows) != 1:
            source.report(("phases",), f"{int(sum(row[6] for row in rows))} turn-ins", "exactly one turn_in = true")
        if sum(row[5] for row in rows) <= 0.0:
            source.report(("phases",), "weights that are all 0", "at least one weight above 0")
    if head is not None and (head.roughness is None) == (head.iso_class is None):
        source.report(("surface",), "", "give one of roughness_mm3 and iso_class")
    if head is None or len(source.problems) != before:
        return None
    rough = head.roughness if head.roughness is not None else ISO_ROUGHNESS_MM3[head.iso_class or "A"] * 1e-9
    numbers = {
        "grip": head.grip,
        "front_grip_ratio": head.front_grip_ratio,
        "roughness": rough,
        "bump_height": head.bump_height,
    }
    assumptions = []
    for spread in SURFACE_SPREADS:
        factor = 1e-9 if spread.key.endswith("_mm3") else 1e-3 if spread.key.endswith("_mm") else 1.0
        value = numbers[spread.stem] / factor
        given = getattr(head, f"{spread.stem}_spread")
        width = given / factor if given is not None else spread.share * value
        assumptions.append(Assumption(spread.key, value, width, spread.reason))
    return SurfaceDefinition(head.name, numbers, tuple(names), np.array(rows), tuple(assumptions))
