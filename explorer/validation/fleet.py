"""Plausible 1:10-scale cars as parameter vectors, drawn by seed over published ranges, and named corner cases.

The ranges are common practice, no source: they are what a ruler and scales give on such cars. Every vector is SI and
laid out as `explorer.model.car.slots` says.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from explorer.domain.space import FloatArray
from explorer.model.car.slots import SLOT, SLOTS

_DEG = math.pi / 180.0

RANGES: dict[str, tuple[float, float]] = {
    "mass": (1.4, 1.8),
    "wheelbase": (0.27, 0.29),
    "front_weight_share": (0.38, 0.50),
    "cg_height": (0.040, 0.060),
    "yaw_inertia": (0.015, 0.030),
    "roll_inertia": (0.002, 0.005),
    "caster": (5 * _DEG, 28 * _DEG),
    "kingpin_inclination": (0.0, 4 * _DEG),
    "ackermann_share": (0.3, 1.0),
    "load_sensitivity": (0.08, 0.30),
    "best_lean": (0.0, 3 * _DEG),
    "lean_width": (6 * _DEG, 14 * _DEG),
    "patch_shift": (0.001, 0.005),
    "patch_lean": (2 * _DEG, 5 * _DEG),
    "longitudinal_grip_ratio": (0.9, 1.1),
    "cornering_stiffness": (30.0, 60.0),
    "cornering_exponent": (0.6, 0.9),
    "camber_stiffness": (2.0, 6.0),
    "track": (0.20, 0.25),
    "unsprung_mass": (0.05, 0.09),
    "wheel_radius": (0.041, 0.045),
    "wheel_rate": (120.0, 600.0),
    "bar_rate": (50.0, 2500.0),
    "tyre_rate": (2500.0, 6000.0),
    "roll_centre_height": (0.0, 0.020),
    "droop": (0.004, 0.016),
    "camber": (-3 * _DEG, 0.0),
    "camber_gain": (50.0 * _DEG, 350.0 * _DEG),
    "damping": (4.0, 12.0),
}
"""Ranges of plausible cars: wheel and bar rate at the wheel. SI (camber gain rad/m, angles rad)."""

TYRES_ALIKE = ("best_lean", "lean_width", "cornering_stiffness")
"""Constants of an end's tyres that are drawn once for both ends."""

BARLESS_SHARE = 0.1
"""Share of the ends that carry no bar."""

DRAWN_PER_END = (
    "track",
    "unsprung_mass",
    "wheel_radius",
    "tyre_rate",
    "roll_centre_height",
    "droop",
    "camber",
    "camber_gain",
    "damping",
)
_FIXED_PER_END = {
    "spring_motion_ratio": 1.0,
    "bar_motion_ratio": 1.0,
    "roll_centre_rate": 1.3,
    "tyre_grip": 1.0,
    "ride_height": 0.022,
    "ride_height_reference": 0.022,
}
_FIXED = {
    "reference_load": 4.0,
    "front_downforce_share": 0.4,
    "chassis_half_width": 0.06,
    "front_edge_offset": 0.05,
    "rear_edge_offset": 0.05,
    "grip": 1.0,
    "stiffness_grip_exponent": 0.5,
    "front_grip_ratio": 1.0,
    "bump_height": 0.004,
}

BRAKING, POWER = -2.5, 3.0
"""Longitudinal acceleration of the corner cases and the limits of the drawn ones. [m/s2]"""


@dataclass(frozen=True)
class Case:
    """A car and what it does: `parameters` (slots,) SI, `longitudinal` [m/s2]; `corner` marks a named corner case."""

    name: str
    parameters: FloatArray
    longitudinal: float = 0.0
    corner: bool = False


def put(car: FloatArray, **values: float | FloatArray) -> FloatArray:
    """Copy of a vector or of many (cars, slots) with slots set; `both_<slot>` sets front and rear.

    >>> float(put(middle_car(), both_bar_rate=0.0)[SLOT["rear_bar_rate"]])
    0.0

    Raises KeyError for an unknown slot.
    """
    result = car.copy()
    for name, value in values.items():
        stems = (
            (name.replace("both_", "front_"), name.replace("both_", "rear_")) if name.startswith("both_") else (name,)
        )
        for stem in stems:
            result[..., SLOT[stem]] = value
    return result


def plausible_cars(seed: int, count: int) -> FloatArray:
    """Parameter vectors (count, slots) drawn over `RANGES`; bar rates evenly in their logarithm, one end in ten
    without a bar; rear- and four-wheel drive half and half; smooth ground, no downforce, rigid chassis."""
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    cars = np.zeros((count, len(SLOTS)))
    for name, (low, high) in RANGES.items():
        if name in SLOT:
            cars[:, SLOT[name]] = rng.uniform(low, high, count)
        if name in TYRES_ALIKE:
            cars = put(cars, **{f"both_{name}": rng.uniform(low, high, count)})
    for end in ("front", "rear"):
        for name in DRAWN_PER_END:
            cars[:, SLOT[f"{end}_{name}"]] = rng.uniform(*RANGES[name], count)
        cars[:, SLOT[f"{end}_spring_rate"]] = rng.uniform(*RANGES["wheel_rate"], count)
        low, high = RANGES["bar_rate"]
        bars = np.exp(rng.uniform(np.log(low), np.log(high), count))
        cars[:, SLOT[f"{end}_bar_rate"]] = np.where(rng.random(count) < BARLESS_SHARE, 0.0, bars)
    cars = put(cars, **{f"both_{name}": value for name, value in _FIXED_PER_END.items()}, **_FIXED)
    driven = np.where(rng.random(count) < 0.5, 0.0, 0.5)
    cars[:, SLOT["front_drive_share"]] = driven
    cars[:, SLOT["front_brake_share"]] = driven
    return cars


def middle_car() -> FloatArray:
    """The car in the middle of every range (bar rates: of their logarithm), four-wheel drive; (slots,)."""
    car = np.zeros(len(SLOTS))
    middle = {name: 0.5 * (low + high) for name, (low, high) in RANGES.items()}
    middle["bar_rate"] = math.sqrt(RANGES["bar_rate"][0] * RANGES["bar_rate"][1])
    ends = {f"both_{name}": middle[name] for name in (*DRAWN_PER_END, *TYRES_ALIKE)} | {
        "both_spring_rate": middle["wheel_rate"],
        "both_bar_rate": middle["bar_rate"],
    }
    whole = {name: value for name, value in middle.items() if name in SLOT}
    fixed = {f"both_{name}": value for name, value in _FIXED_PER_END.items()} | _FIXED
    return put(car, **whole, **ends, **fixed, front_drive_share=0.5, front_brake_share=0.5)


def drawn_cases(seed: int, count: int) -> tuple[Case, ...]:
    """Seeded cases: half of them without longitudinal acceleration, the rest between braking and power."""
    cars = plausible_cars(seed, count)
    rng = np.random.default_rng(np.random.SeedSequence((seed, 1)))
    longitudinal = np.where(np.arange(count) % 2 == 0, 0.0, rng.uniform(BRAKING, POWER, count))
    return tuple(Case(f"car {k + 1}", cars[k], float(longitudinal[k])) for k in range(count))


def corner_cases() -> tuple[Case, ...]:
    """The corners of the field that a shortcut in a load model gets wrong."""
    car = middle_car()
    stiff = RANGES["bar_rate"][1]

    def case(name: str, longitudinal: float = 0.0, **values: float) -> Case:
        return Case(name, put(car, **values), longitudinal, corner=True)

    return (
        case("no bars", both_bar_rate=0.0),
        case("front bar stiff, none at the rear", front_bar_rate=stiff, rear_bar_rate=0.0),
        case("rear bar stiff, none at the front", front_bar_rate=0.0, rear_bar_rate=stiff),
        case("both bars stiff", both_bar_rate=stiff, both_spring_rate=600.0),
        case("inner rear lifts", front_bar_rate=0.0, front_spring_rate=200.0, rear_bar_rate=stiff, cg_height=0.06),
        case("inner front lifts under power", POWER, front_bar_rate=stiff, rear_bar_rate=0.0, front_weight_share=0.38),
        case(
            "inner rear lifts under braking", BRAKING, front_bar_rate=0.0, rear_bar_rate=stiff, front_weight_share=0.5
        ),
        case("both ends on the droop stop", both_droop=0.0015, both_bar_rate=0.0),
        case("soft springs, no bars, long droop", both_bar_rate=0.0, both_spring_rate=120.0, both_droop=0.016),
        case("soft springs, late stops", both_bar_rate=100.0, both_spring_rate=120.0, both_droop=0.010, cg_height=0.06),
        case("soft tyres, stiff suspension", both_tyre_rate=2500.0, both_bar_rate=stiff, both_spring_rate=600.0),
        case("roll centres raised", both_roll_centre_height=0.020),
        case("roll centres far up", both_roll_centre_height=0.035, both_bar_rate=100.0),
        case("roll axis rising to the rear", front_roll_centre_height=0.0, rear_roll_centre_height=0.030),
        case("roll axis falling to the rear", front_roll_centre_height=0.030, rear_roll_centre_height=0.0),
        case("tall, narrow, heavy", cg_height=0.060, both_track=0.20, mass=1.8),
    )
