"""From validated tables to the model's numbers: a car's parameter vector, its parts, a surface with its phases."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from explorer.domain.space import Assumption, FloatArray
from explorer.domain.units import STANDARD_GRAVITY, to_si
from explorer.domain.unknowns import UNLIKE_ENDS
from explorer.inputs.assumed import (
    ASSUMED,
    ISO_ROUGHNESS_MM3,
    NO_TYRE_DATA,
    SURFACE_SPREADS,
    WISHBONE_ONLY,
    CarFacts,
)
from explorer.inputs.feasible import mass_faults, sprung_heights
from explorer.inputs.fields import show
from explorer.inputs.geometry import refuse_impossible_geometry
from explorer.inputs.links import Computed, EndLinks, computed, end_links, measured_or_computed, readings_from_links
from explorer.inputs.parts_box import ENDS, PLACE_SLOTS, PLACEHOLDER, PLACES, Part, read_box
from explorer.inputs.readings import Reading, droop_travel, readings
from explorer.inputs.source import Source, near
from explorer.inputs.tables import (
    BALANCED,
    TYPICAL,
    Assumed,
    CarHead,
    End,
    Fitted,
    Geometry,
    Mass,
    Phase,
    Steering,
    SurfaceHead,
    Suspension,
    Underside,
)
from explorer.inputs.toml_lines import KeyPath
from explorer.inputs.typical import bar_assumption, fill_typical
from explorer.inputs.tyre import IN_THE_CAR_FILE, TyreDefinition
from explorer.model.car.slots import BEAM, PHASE_COLUMNS, SLOT, SLOTS, WISHBONE

_NEEDED_TOPS = ("car", "mass", "geometry", "front", "rear", "steering", "underside")
CAR_TOPS = (*_NEEDED_TOPS, "suspension", "assumed", "fitted", "parts")
OR_TYPICAL = f'each a number or "{TYPICAL}"'
PHASE_LIMIT = 40
"""Most phases of one surface."""


@dataclass
class CarDefinition:
    """A car as read: base vector [SI], parts and the fitted label by place ("front_bar"), assumptions, and what its
    links give.

    `complete` is False while any problem stands; labels are then still good for checking a study against.
    """

    name: str = ""
    base: FloatArray = field(default_factory=lambda: np.zeros(len(SLOTS)))
    parts: dict[str, tuple[Part, ...]] = field(default_factory=dict)
    fitted: dict[str, str] = field(default_factory=dict)
    assumptions: tuple[Assumption, ...] = ()
    notes: tuple[str, ...] = ()
    computed: tuple[Computed, ...] = ()
    complete: bool = False


@dataclass
class SurfaceDefinition:
    """A surface as read: numbers by slot name [SI], phases (phases, phase columns) [SI], assumptions, its tyre.

    Where it is `balanced` its ratio of front to rear grip is still to be found (`balanced.py`).
    """

    name: str = ""
    numbers: dict[str, float] = field(default_factory=dict)
    phase_names: tuple[str, ...] = ()
    phases: FloatArray = field(default_factory=lambda: np.zeros((0, len(PHASE_COLUMNS))))
    assumptions: tuple[Assumption, ...] = ()
    tyre: TyreDefinition | None = None
    balanced: bool = False
    source: Source | None = None
    complete: bool = False


def _tyre_rate(source: Source, name: str, end: End) -> float:
    squash, weight = end.tyre_squash, end.tyre_squash_weight
    if end.tyre_rate is not None and squash is None and weight is None:
        return end.tyre_rate
    if end.tyre_rate is None and squash is not None and weight is not None:
        return weight * STANDARD_GRAVITY / squash
    found = "too much" if end.tyre_rate is not None else "too little"
    allowed = "tyre_squash_mm with tyre_squash_weight_g (press one tyre on a scale), or else tyre_rate_n_per_mm"
    source.report((name, "tyre_rate"), f"{found} about the tyre's stiffness", allowed)
    return PLACEHOLDER


def _end_numbers(
    source: Source, name: str, end: End, links: EndLinks | None, box: tuple[Part, ...], tyre_rate: float
) -> dict[str, float]:
    if end.bar is not None:
        for stem, other in (("bearing_span", "straight"), ("lever", "arm")):
            value, bound = getattr(end.bar, stem), getattr(end.bar, other)
            if value > bound * (1.0 + 1e-9):
                key = source.actual((name, "bar"), stem)
                source.report((name, "bar", key), f"{1000 * value:g} mm", f"at most the {other}, {1000 * bound:g} mm")
    if end.bar_motion_ratio is None and any(part.settings[0] > 0.0 for part in box):
        allowed = End.how_to_give("bar_motion_ratio").replace("needed", "needed with a bar", 1)
        source.report((name, "bar_motion_ratio"), "", allowed)
    numbers = {
        "track": end.track,
        "unsprung_mass": end.unsprung_mass,
        "wheel_radius": end.wheel_radius,
        "spring_motion_ratio": measured_or_computed(source, name, end, links, "spring_motion_ratio"),
        "bar_motion_ratio": end.bar_motion_ratio or 1.0,
        "tyre_rate": tyre_rate,
        "tyre_grip": 1.0,
        "ride_height": end.ride_height,
        "ride_height_reference": end.ride_height,
        "roll_centre_height": measured_or_computed(source, name, end, links, "roll_centre_height"),
        "camber": end.camber,
    }
    return {f"{name}_{stem}": value for stem, value in numbers.items()}


def _assume(
    assumed: Any, facts: CarFacts, measured: dict[str, Reading], beams: bool
) -> tuple[dict[str, float], tuple[Assumption, ...]]:
    """Assumed numbers by slot name [SI] and as they are listed; what was `measured` another way goes before a default.

    What only an axle on links needs is not listed for `beams`.
    """
    numbers: dict[str, float] = {}
    assumptions = []
    for key in ASSUMED:
        factor = to_si(1.0, key.suffix) if key.suffix else 1.0
        given, spread = _given(assumed, key.stem, ""), _given(assumed, key.stem, "_spread")
        reading = measured.get(key.stem)
        if reading is not None:
            value, width, reason = reading.value / factor, reading.spread / factor, reading.reason
            width = width if spread is None else spread / factor
        else:
            value = key.value(facts) if given is None else given / factor
            width = key.spread * (abs(value) if key.relative else 1.0) if spread is None else spread / factor
            reason = key.reason
            if given is not None:
                reason = IN_THE_CAR_FILE + ("" if spread is not None else ", with the usual spread")
        numbers[key.stem] = value * factor
        if not (beams and key.stem.split("_", 1)[1] in WISHBONE_ONLY):
            assumptions.append(Assumption(key.key, value, width, reason))
    numbers["chassis_compliance"] = 0.0
    if assumed.chassis_torsion_rate is not None:
        numbers["chassis_compliance"] = 1.0 / assumed.chassis_torsion_rate
    return numbers, tuple(assumptions)


def _given(assumed: Any, stem: str, tail: str) -> float | None:
    """What a car file says under [assumed], of this end or else of both. SI."""
    own = getattr(assumed, stem + tail)
    both = stem.split("_", 1)[1]
    return getattr(assumed, both + tail) if own is None and both in UNLIKE_ENDS else own


def _notes(source: Source, beams: bool, rigid: bool) -> tuple[str, ...]:
    """What goes with every answer about this car: what was taken for granted without a number."""
    notes: tuple[str, ...] = (NO_TYRE_DATA,)
    if rigid:
        notes += ("The chassis is taken as rigid between the axles.",)
    if beams:
        notes += ("Both axles are taken as beams: wheels that stay square to the road, as the car file says.",)
    elif source.at(("suspension", "axle")) is None:
        notes += (
            "Both axles are taken as double wishbones, for the car file does not say: "
            'axle = "wishbone" or "beam" under [suspension].',
        )
        if any(source.at((name, key)) is not None for name in ENDS for key in ("droop_mm", "droop_m")):
            notes += ("Droop is taken as wheel travel in the chassis; if the chassis was lifted, use droop_lift_mm.",)
    return notes


def _squash(car: CarDefinition, name: str, load: float, tyre_rate: float) -> float:
    """How far a tyre gives under what it carries [N], on the fitted tyre or the end's own rate. [m]"""
    box = car.parts.get(f"{name}_tyre", ())
    fitted = [part for part in box if part.label == car.fitted.get(f"{name}_tyre")] or (box if len(box) == 1 else ())
    rate = fitted[0].settings[PLACE_SLOTS["tyre"].index("tyre_rate")] if fitted else tyre_rate
    return load / rate


def build_car(source: Source) -> CarDefinition:
    """Car of a file; every problem is noted at the source, and then `complete` is False."""
    car = CarDefinition()
    if not source.readable:
        return car
    before = len(source.problems)
    source.known_tops(CAR_TOPS)
    filled = fill_typical(source)
    head = source.table(CarHead, ("car",), "name and drive")
    suspension = source.check(Suspension, source.raw.get("suspension", {}), ("suspension",))
    mass = source.table(Mass, ("mass",), f"total_g, front_weight_share_pct, cg_height_mm; {OR_TYPICAL}")
    geometry = source.table(Geometry, ("geometry",), f"wheelbase_mm; {OR_TYPICAL}")
    ends = {name: source.table(End, (name,), f"the measures of this end; {OR_TYPICAL}") for name in ENDS}
    steering = source.table(Steering, ("steering",), f"caster_deg, kingpin_inclination_deg; {OR_TYPICAL}")
    plate = f"half_width_mm, front_edge_offset_mm, rear_edge_offset_mm; {OR_TYPICAL}"
    underside = source.table(Underside, ("underside",), plate)
    assumed = source.check(Assumed, source.raw.get("assumed", {}), ("assumed",))
    fitted = source.check(Fitted, source.raw.get("fitted", {}), ("fitted",))
    for name, path, _ in source.members(("parts",)):
        boxes = [place + "s" for place in PLACES]
        if name not in boxes:
            source.report(path, "an unknown key", near(name, boxes))
    put: dict[str, float] = {}
    links: dict[str, EndLinks] = {}
    for name, end in ends.items():
        rate = _tyre_rate(source, name, end) if end else PLACEHOLDER
        for kind in PLACE_SLOTS:
            car.parts[f"{name}_{kind}"] = read_box(source, f"{name}_{kind}", end, rate)
        if end is not None:
            found = end_links(source, name, end)
            links |= {} if found is None else {name: found}
            put |= _end_numbers(source, name, end, found, car.parts[f"{name}_bar"], rate)
    if fitted is not None:
        _fit(source, car, fitted)
    if head is None or mass is None or geometry is None or steering is None or underside is None or assumed is None:
        return car
    whole = {name: end for name, end in ends.items() if end is not None}
    if len(whole) < len(ENDS) or suspension is None:
        return car
    beams = suspension.axle == "beam"
    for name, share in (("front", mass.front_weight_share), ("rear", 1.0 - mass.front_weight_share)):
        load = 0.5 * mass.total * STANDARD_GRAVITY * share
        squash = _squash(car, name, load, put[f"{name}_tyre_rate"])
        put[f"{name}_droop"] = droop_travel(source, name, whole[name], squash)
    put |= {
        "axle_law": BEAM if beams else WISHBONE,
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
    facts = CarFacts(
        mass=mass.total,
        sprung_mass=mass.total - 2.0 * (whole["front"].unsprung_mass + whole["rear"].unsprung_mass),
        wheelbase=geometry.wheelbase,
        track=0.5 * (whole["front"].track + whole["rear"].track),
        driven_front={"rear": 0.0, "front": 1.0, "all": 0.5}[head.drive],
        unsprung_mass=(whole["front"].unsprung_mass, whole["rear"].unsprung_mass),
        wheel_radius=(whole["front"].wheel_radius, whole["rear"].wheel_radius),
    )
    read = readings(source, assumed, whole)
    guessed, car.assumptions = _assume(assumed, facts, read | readings_from_links(assumed, links, read), beams)
    bars = (
        bar_assumption(
            name, end.bar, car.parts[f"{name}_bar"], car.fitted.get(f"{name}_bar"), filled.shapes.get(name, {})
        )
        for name, end in whole.items()
    )
    car.assumptions += (*filled.assumptions, *(bar for bar in bars if bar is not None))
    car.computed = computed(source, whole, links, assumed, read)
    car.notes = _notes(source, beams, guessed["chassis_compliance"] == 0.0) + tuple(filled.asked)
    for stem, number in (put | guessed).items():
        car.base[SLOT[stem]] = number
    car.name = head.name
    _refuse_impossible_masses(source, car)
    if len(source.problems) == before:
        refuse_impossible_geometry(source, car.base, whole, car.parts)
    car.complete = len(source.problems) == before
    return car


def _fit(source: Source, car: CarDefinition, fitted: Fitted) -> None:
    for place, box in car.parts.items():
        label = getattr(fitted, place)
        if label is None:
            continue
        labels = [part.label for part in box]
        if label in labels:
            car.fitted[place] = label
        else:
            source.report(("fitted", place), show(label), f"a label of [[parts.{place}s]]; {near(label, labels)}")


def _refuse_impossible_masses(source: Source, car: CarDefinition) -> None:
    def slot(name: str) -> float:
        return float(car.base[SLOT[name]])

    if slot("ballast_mass") >= slot("mass"):
        key = source.actual(("mass",), "ballast")
        source.report(("mass", key), f"{slot('ballast_mass') * 1000:g} g", "less than the whole car's mass")
    faults = mass_faults(car.base[None, :])[0]
    for name, share in (("front", slot("front_weight_share")), ("rear", 1.0 - slot("front_weight_share"))):
        if f"{name} sprung mass" in faults:
            allowed = f"less than half of what this end carries, {500 * slot('mass') * share:.4g} g"
            key = source.actual((name,), "unsprung_mass")
            source.report((name, key), f"{slot(f'{name}_unsprung_mass') * 1000:g} g per wheel", allowed)
    if "sprung height" in faults:
        key = source.actual(("mass",), "cg_height")
        found = f"{slot('cg_height') * 1000:g} mm"
        source.report(("mass", key), found, "higher: the wheels alone would put the chassis below the ground")
    elif "roll axis" in faults:
        height, axis = (1000 * float(v[0]) for v in sprung_heights(car.base[None, :]))
        found = f"roll axis at {axis:.1f} mm under a sprung centre of gravity at {height:.1f} mm"
        name = max(ENDS, key=lambda end: slot(f"{end}_roll_centre_height"))
        key = source.actual((name,), "roll_centre_height")
        source.report((name, key), found, "the roll axis must lie below the sprung centre of gravity")


def build_surface(
    source: Source, track: float = 0.0, read_tyre: Callable[[Source, str], TyreDefinition] | None = None
) -> SurfaceDefinition:
    """Surface of a file; every problem is noted at the source, and then `complete` is False.

    `track` [m] is the wider of the car's two: a corner's radius must exceed half of it. `read_tyre` reads the tyre
    file of that name; without it the tyre is left out.
    """
    surface = SurfaceDefinition(source=source)
    if not source.readable:
        return surface
    before = len(source.problems)
    source.known_tops(("surface", "phases"))
    head = source.table(SurfaceHead, ("surface",), "name, grip, roughness_mm3, bump_height_mm")
    entries = source.entries(("phases",))
    if len(entries) > PHASE_LIMIT:
        source.report(("phases",), f"{len(entries)} phases", f"at most {PHASE_LIMIT}")
        entries = entries[:PHASE_LIMIT]
    rows: list[list[float]] = []
    names: list[str] = []
    for path, raw in entries:
        phase = source.check(Phase, raw, path)
        name = phase.name if phase else raw.get("name") if isinstance(raw, dict) else None
        if isinstance(name, str):
            if name in names:
                source.report((*path, "name"), show(name), "every phase name only once")
            names.append(name)
        if phase is not None:
            rows.append(_phase(source, path, phase, track))
    if not entries and len(source.problems) == before:
        source.report(("phases",), "", "at least one [[phases]]: a fast sweep, a hairpin, an entry, an exit")
    if entries and len(rows) == len(entries):
        turns = sum(1 for row in rows if row[PHASE_COLUMNS.index("is_turn_in")] > 0.0)
        if turns != 1:
            source.report(("phases",), f"turn_in = true in {turns} phases", "turn_in = true in exactly one phase")
        if sum(row[PHASE_COLUMNS.index("weight")] for row in rows) <= 0.0:
            source.report(("phases",), "no phase with a weight above 0", "at least one weight above 0")
    surface.phase_names = tuple(names)
    if head is not None and (head.roughness is None) == (head.iso_class is None):
        found = "both" if head.iso_class else "neither"
        source.report(("surface", "roughness_mm3"), found, "one of roughness_mm3 and iso_class")
    if head is not None and head.tyre is not None and read_tyre is not None:
        surface.tyre = read_tyre(source, head.tyre)
    if head is None or len(source.problems) != before:
        return surface
    rough = head.roughness if head.roughness is not None else ISO_ROUGHNESS_MM3[head.iso_class or "A"] * 1e-9
    surface.name = head.name
    surface.phases = np.array(rows)
    surface.numbers = {
        "grip": head.grip,
        "front_grip_ratio": 1.0 if isinstance(head.front_grip_ratio, str) else head.front_grip_ratio,
        "roughness": rough,
        "bump_height": head.bump_height,
    }
    assumptions = []
    for usual in SURFACE_SPREADS:
        factor = to_si(1.0, usual.suffix) if usual.suffix else 1.0
        value = surface.numbers[usual.stem] / factor
        spread = getattr(head, f"{usual.stem}_spread")
        width = usual.share * value if spread is None else spread / factor
        assumptions.append(Assumption(usual.key, value, width, usual.reason))
    surface.assumptions = tuple(assumptions)
    surface.balanced = head.front_grip_ratio == BALANCED
    surface.complete = surface.tyre is None or surface.tyre.complete
    return surface


def _phase(source: Source, path: KeyPath, phase: Phase, track: float) -> list[float]:
    if (phase.speed is None) == (phase.grip_share is None):
        found = "both" if phase.speed is not None else "neither"
        source.report(path, found, "one of speed_m_per_s and grip_share")
    if phase.longitudinal is not None and phase.longitudinal_share is not None:
        source.report(path, "both", "one of longitudinal_m_per_s2 and longitudinal_share")
    if phase.radius <= 0.5 * track:
        key = source.actual(path, "radius")
        source.report((*path, key), f"{phase.radius:g} m", f"more than half the car's track, {0.5 * track:g} m")
    values = {
        "radius": phase.radius,
        "speed": phase.speed or 0.0,
        "grip_share": phase.grip_share or 0.0,
        "longitudinal": phase.longitudinal or 0.0,
        "longitudinal_share": phase.longitudinal_share or 0.0,
        "weight": phase.weight,
        "is_turn_in": float(phase.turn_in),
    }
    return [values[column] for column in PHASE_COLUMNS]
