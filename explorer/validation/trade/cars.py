"""Plausible cars of each kind for the statements of the trade, on the tyres and venues of the demo.

A car is one of `fleet.plausible_cars`, narrowed to what belongs to its kind, with bars bent from wire. Tyre constants
are drawn front and rear apart. Ranges of cars are common practice, no source; tyre constants and venues
are those of the demo, where each says where it comes from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from explorer.domain.space import BoolArray, FloatArray
from explorer.domain.units import STANDARD_GRAVITY
from explorer.model.car.parts import bar_end_rate, wire_moduli
from explorer.model.car.slots import SLOT, WISHBONE
from explorer.validation.fleet import plausible_cars, put

_DEG = math.pi / 180.0
_PER_DEG = 180.0 / math.pi

KINDS = ("2wd", "4wd")
PHASES = ("sweep", "hairpin", "entry", "exit")
PHASE_ROWS = np.array(
    [
        # radius [m], speed, share of grip, longitudinal, longitudinal share, weight, turn-in
        [4.5, 0.0, 0.8, 0.0, 0.0, 1.0, 0.0],
        [0.9, 0.0, 0.75, 0.0, 0.0, 1.0, 0.0],
        [2.2, 0.0, 0.65, 0.0, -0.2, 1.0, 1.0],
        [1.6, 0.0, 0.65, 0.0, 0.25, 1.0, 0.0],
    ]
)
"""Corners of every venue, rows as `PHASES`, columns as `explorer.model.car.slots.PHASE_COLUMNS`."""


@dataclass(frozen=True)
class Venue:
    """Ground of the demo: its tyre by name, grip, roughness [m3], bump height [m]."""

    tyre: str
    grip: float
    roughness: float
    bump_height: float


VENUES = {
    "carpet": Venue("carpet_slicks", 1.85, 300e-9, 0.5e-3),
    "turf": Venue("turf_pins", 1.37, 10_000e-9, 5.0e-3),
    "dusty": Venue("low_grip_slicks", 1.10, 1500e-9, 1.5e-3),
    "polished": Venue("low_grip_slicks", 0.69, 300e-9, 0.5e-3),
}
HOME = "carpet"

ANY_TYRE = {
    "front_best_lean": (0.0, 8 * _DEG),
    "rear_best_lean": (0.0, 2 * _DEG),
    "patch_shift": (0.001, 0.005),
    "front_cornering_stiffness": (0.3 * _PER_DEG, 0.7 * _PER_DEG),
    "rear_cornering_stiffness": (0.3 * _PER_DEG, 0.7 * _PER_DEG),
}
"""What the demo's tyre files tell alike, for the same reason: one guess about small tyres rather than four. Lowest and
highest, SI."""

TYRES = {
    "carpet_slicks": {
        "load_sensitivity": (0.03, 0.13),
        "front_lean_width": (14 * _DEG, 25 * _DEG),
        "rear_lean_width": (6 * _DEG, 10 * _DEG),
    },
    "turf_pins": {
        "load_sensitivity": (0.07, 0.23),
        "front_lean_width": (10 * _DEG, 26 * _DEG),
        "rear_lean_width": (10 * _DEG, 26 * _DEG),
    },
    "low_grip_slicks": {
        "load_sensitivity": (0.07, 0.23),
        "front_lean_width": (25 * _DEG, 39 * _DEG),
        "rear_lean_width": (25 * _DEG, 39 * _DEG),
    },
}
"""The other constants of the demo's tyre files, each tyre's own: value less and plus its spread, SI."""

OF_KIND = {
    "2wd": {"mass": (1.50, 1.70), "front_weight_share": (0.36, 0.42), "caster": (15 * _DEG, 30 * _DEG)},
    "4wd": {"mass": (1.55, 1.75), "front_weight_share": (0.44, 0.49), "caster": (8 * _DEG, 20 * _DEG)},
}
OF_CLASS = {"cg_height": (0.040, 0.052), "wheelbase": (0.275, 0.290), "stiffness_grip_exponent": (0.2, 0.8)}
OF_END = {
    "track": (0.200, 0.212),
    "unsprung_mass": (0.055, 0.095),
    "wheel_radius": (0.041, 0.043),
    "spring_rate": (300.0, 1000.0),
    "spring_motion_ratio": (0.5, 0.8),
    "bar_motion_ratio": (0.2, 0.6),
    "roll_centre_height": (0.0, 0.025),
    "roll_centre_rate": (0.9, 1.7),
    "droop": (0.008, 0.016),
    "camber": (-2 * _DEG, 0.0),
    "camber_gain": (100 * _DEG, 250 * _DEG),
    "tyre_crown": (0.020, 0.040),
}
"""Ranges of the class as the demo's cars give them, where they are narrower than the fleet's or missing there. SI."""

SQUASH = (0.002, 0.003)
"""How far a tyre gives under 1 kg. [m]"""

BAR_STRAIGHT, BAR_ARM = (0.045, 0.075), (0.020, 0.040)
BEARINGS_INSIDE, ARM_SPLAY = 0.004, 0.93
"""Bearings are so much closer than the bends [m]; the lever is this share of the arm."""

WIRES = (0.0, 0.8, 1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4)
"""The box of bars at either end, none = 0. [mm]"""


@dataclass(frozen=True)
class Fleet:
    """Cars of a kind. `base` (cars, slots) by venue without bars, `bars` (cars, 2, wires) rates of the box at each end
    [N/m]; `drawn` (cars,) by name and `tyres` (cars,) by tyre and name: what was drawn, SI."""

    kind: str
    base: dict[str, FloatArray]
    bars: FloatArray
    drawn: dict[str, FloatArray]
    tyres: dict[str, dict[str, FloatArray]]

    def __len__(self) -> int:
        return len(self.bars)

    def take(self, rows: BoolArray) -> Fleet:
        """Some of the cars; rows (cars,)."""
        return replace(
            self,
            base={name: values[rows] for name, values in self.base.items()},
            bars=self.bars[rows],
            drawn={name: values[rows] for name, values in self.drawn.items()},
            tyres={tyre: {name: values[rows] for name, values in own.items()} for tyre, own in self.tyres.items()},
        )

    def unknowns(self, venue: str) -> dict[str, FloatArray]:
        """What was drawn of a car and of the tyres that it runs on at a venue; (cars,) by name."""
        return self.drawn | self.tyres[VENUES[venue].tyre]


def drawn_fleet(kind: str, seed: int, count: int, alike: bool = True) -> Fleet:
    """`count` cars of a kind, front over rear grip still 1 everywhere.

    `alike`: what the tyre files tell alike is drawn once for a car, on whatever tyre it runs; else tyre by tyre.
    """
    rng = np.random.default_rng(np.random.SeedSequence((seed, KINDS.index(kind))))
    cars = plausible_cars(int(rng.integers(2**31)), count)
    drawn = {name: cars[:, SLOT[name]].copy() for name in _KEPT}

    def draw(name: str, limits: tuple[float, float]) -> FloatArray:
        drawn[name] = rng.uniform(*limits, count)
        return drawn[name]

    whole = {name: draw(name, limits) for name, limits in (OF_KIND[kind] | OF_CLASS).items()}
    cars = put(cars, **whole)
    bars = np.zeros((count, 2, len(WIRES)))
    for index, end in enumerate(("front", "rear")):
        cars = put(cars, **{f"{end}_{name}": draw(f"{end}_{name}", limits) for name, limits in OF_END.items()})
        rate = STANDARD_GRAVITY / draw(f"{end}_tyre_squash", SQUASH)
        inertia = 0.35 * cars[:, SLOT[f"{end}_unsprung_mass"]] * cars[:, SLOT[f"{end}_wheel_radius"]] ** 2
        cars = put(cars, **{f"{end}_tyre_rate": rate, f"{end}_wheel_inertia": inertia})
        straight, arm = draw(f"{end}_bar_straight", BAR_STRAIGHT), draw(f"{end}_bar_arm", BAR_ARM)
        bars[:, index] = [bar_rates(one, other) for one, other in zip(straight, arm, strict=True)]
    share = 0.0 if kind == "2wd" else 0.5
    cars = put(cars, both_bar_rate=0.0, front_drive_share=share, front_brake_share=share, axle_law=WISHBONE)
    tyres = {tyre: {name: rng.uniform(*limits, count) for name, limits in own.items()} for tyre, own in TYRES.items()}
    for name, limits in ANY_TYRE.items():
        once = rng.uniform(*limits, count)
        for own in tyres.values():
            own[name] = once if alike else rng.uniform(*limits, count)
    base = {name: on_venue(cars, venue, tyres[venue.tyre]) for name, venue in VENUES.items()}
    return Fleet(kind, base, bars, drawn, tyres)


_KEPT = (
    "yaw_inertia",
    "roll_inertia",
    "kingpin_inclination",
    "ackermann_share",
    "patch_lean",
    "longitudinal_grip_ratio",
    "cornering_exponent",
    "camber_stiffness",
    "front_damping",
    "rear_damping",
)
"""Drawn by the fleet and kept as it draws them."""


def on_venue(cars: FloatArray, venue: Venue, tyre: dict[str, FloatArray]) -> FloatArray:
    """Parameter vectors (cars, slots) on a ground and its tyre."""
    ground = {"grip": venue.grip, "roughness": venue.roughness, "bump_height": venue.bump_height}
    return put(cars, **ground, **tyre)


def bar_rates(straight: float, arm: float) -> FloatArray:
    """Rate at its end of every bar of the box, of spring wire (A228), bent so. [m] -> (wires,) [N/m]"""
    rates = np.zeros(len(WIRES))
    for place, wire in enumerate(WIRES):
        if wire > 0.0:
            moduli = wire_moduli("A228", wire / 1000.0)
            rates[place] = bar_end_rate(
                diameter=wire / 1000.0,
                straight=straight,
                bearing_span=straight - BEARINGS_INSIDE,
                arm=arm,
                lever=arm * ARM_SPLAY,
                elastic_modulus=moduli.elastic,
                shear_modulus=moduli.shear,
            )
    return rates
