"""The one table of what is taken for granted when nobody measured it: default, spread and why.

A spread is a half width: the true value is thought to lie within plus or minus that much. Keys are the names of the
model's parameters with a unit suffix. A car file may give any of them, and a spread, under [assumed].
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

TYRE_REASON = "guess: nothing is published for small foam-filled tyres"
"""Why most tyre constants of this model are guesses."""

STIFFNESS_REASON = (
    "median of eight published axle fits of small cars on hard floors, 0.44 N/deg at 4 N; per wheel, at a grip of 1"
)
"""Cornering stiffness over load of rubber tyres, on the car: 6.1 and 9.5 (Lyons et al., DART, IEEE 10588526, 2024,
github.com/Lorenzo-Lyons/DART), 4.3, 6.4, 4.8 and 11.2 (github.com/ForzaETH/race_stack), 3.3 and 8.0
(github.com/ForzaETH/On-Track-SysID); front and rear each, the rears above the fronts. [1/rad]"""


@dataclass(frozen=True)
class CarFacts:
    """Measured numbers that some defaults are scaled from. SI; `driven_front` is the front share of the drive,
    `unsprung_mass` and `wheel_radius` are of one wheel, front and rear."""

    mass: float
    sprung_mass: float
    wheelbase: float
    track: float
    driven_front: float
    unsprung_mass: tuple[float, float]
    wheel_radius: tuple[float, float]


@dataclass(frozen=True)
class AssumedKey:
    """One assumption. `default` and `spread` are in the unit `suffix`; `low` and `high` bound the value in SI.

    `relative` makes `spread` a share of the value instead.
    """

    stem: str
    kind: str
    suffix: str
    default: float | Callable[[CarFacts], float]
    spread: float
    low: float
    high: float
    reason: str
    relative: bool = False

    @property
    def key(self) -> str:
        """Key as it stands in a file."""
        return f"{self.stem}_{self.suffix}" if self.suffix else self.stem

    def value(self, facts: CarFacts) -> float:
        """Default for a car, in the unit `suffix`."""
        return self.default if isinstance(self.default, (int, float)) else self.default(facts)


def yaw_inertia(facts: CarFacts) -> float:
    """Mass on a radius of 0.40 wheelbases. [kg m2]"""
    return facts.mass * (0.40 * facts.wheelbase) ** 2


def roll_inertia(facts: CarFacts) -> float:
    """Sprung mass on a radius of 0.20 mean tracks. [kg m2]"""
    return facts.sprung_mass * (0.20 * facts.track) ** 2


def _driven_front_pct(facts: CarFacts) -> float:
    return 100.0 * facts.driven_front


def _wheel_inertia(end: int) -> Callable[[CarFacts], float]:
    """0.35 times what an end's unsprung mass would have at the wheel's radius. [g mm2]"""
    return lambda facts: 1e9 * 0.35 * facts.unsprung_mass[end] * facts.wheel_radius[end] ** 2


def _both_ends(key: AssumedKey) -> tuple[AssumedKey, ...]:
    return tuple(replace(key, stem=f"{end}_{key.stem}") for end in ("front", "rear"))


_RAD = math.pi / 180.0

ASSUMED: tuple[AssumedKey, ...] = (
    *_both_ends(
        AssumedKey(
            "roll_centre_rate",
            "slope",
            "mm_per_mm",
            1.3,
            0.4,
            -3.0,
            6.0,
            "guess: with nearly parallel arms the roll centre moves a little more than the chassis does",
        )
    ),
    *_both_ends(
        AssumedKey(
            "camber_gain",
            "camber_gain",
            "deg_per_mm",
            0.15,
            0.1,
            -0.5 * _RAD * 1e3,
            1.0 * _RAD * 1e3,
            "guess: an upper arm somewhat shorter than the lower; measure with a camber gauge over 10 mm of travel",
        )
    ),
    *_both_ends(
        AssumedKey(
            "camber_gain_slope",
            "camber_gain_slope",
            "deg_per_mm2",
            0.0,
            0.008,
            -0.2 * _RAD * 1e6,
            0.2 * _RAD * 1e6,
            "guess: the camber gain of bump holds in droop too; read it there as well and its change is known",
        )
    ),
    *_both_ends(
        AssumedKey(
            "spring_motion_ratio_slope",
            "ratio_slope",
            "per_mm",
            0.0,
            0.004,
            -100.0,
            100.0,
            "guess: the spring's motion ratio of rest holds everywhere; read it in droop too and its change is known",
        )
    ),
    *(
        AssumedKey(
            f"{name}_wheel_inertia",
            "inertia",
            "g_mm2",
            _wheel_inertia(end),
            0.4,
            1e-8,
            0.05,
            "guess: 0.35 times unsprung mass times wheel radius squared, a rim and tyre with a hub that does not spin",
            relative=True,
        )
        for end, name in enumerate(("front", "rear"))
    ),
    *_both_ends(
        AssumedKey(
            "tyre_crown",
            "length",
            "mm",
            30.0,
            10.0,
            0.0,
            1.0,
            "guess: the radius of a usual tread across its width; hold coins or lids against it to measure it",
        )
    ),
    *_both_ends(
        AssumedKey(
            "tyre_side_compliance",
            "compliance",
            "mm_per_n",
            0.0,
            0.125,
            0.0,
            0.005,
            "guess: a tyre that is rigid sideways; twice the spread is a tyre of 4 N/mm",
        )
    ),
    *_both_ends(
        AssumedKey(
            "damping",
            "damping",
            "n_s_per_m",
            8.0,
            4.0,
            0.05,
            500.0,
            "guess: about a third to a half of critical for a corner of 0.3 to 0.4 kg on 300 N/m at the wheel",
        )
    ),
    AssumedKey(
        "yaw_inertia",
        "inertia",
        "kg_m2",
        yaw_inertia,
        0.25,
        1e-5,
        5.0,
        "guess: the mass on a radius of 0.40 wheelbases; swing the car on two strings to measure it",
        relative=True,
    ),
    AssumedKey(
        "roll_inertia",
        "inertia",
        "kg_m2",
        roll_inertia,
        0.3,
        1e-6,
        2.0,
        "guess: the sprung mass on a radius of 0.20 tracks; swing the car on two strings to measure it",
        relative=True,
    ),
    AssumedKey(
        "ackermann_share",
        "share",
        "pct",
        60.0,
        30.0,
        0.0,
        1.5,
        "guess: steering between parallel (0) and both wheels about one centre (100)",
    ),
    AssumedKey(
        "front_drive_share",
        "share",
        "pct",
        _driven_front_pct,
        0.0,
        0.0,
        1.0,
        "from the driven wheels: rear 0, front 100, all 50 with equal gearing",
    ),
    AssumedKey(
        "front_brake_share",
        "share",
        "pct",
        _driven_front_pct,
        0.0,
        0.0,
        1.0,
        "the motor brakes through the driven wheels: rear 0, front 100, all 50",
    ),
    AssumedKey(
        "downforce_coefficient",
        "downforce",
        "n_s2_per_m2",
        0.0,
        0.0,
        0.0,
        1.0,
        "left out: small at these speeds and nobody can measure it in the pits",
    ),
    AssumedKey("front_downforce_share", "share", "pct", 40.0, 20.0, 0.0, 1.0, "guess: more wing at the rear than nose"),
    AssumedKey(
        "load_sensitivity",
        "number",
        "",
        0.15,
        0.08,
        0.001,
        0.9,
        f"{TYRE_REASON}; full-size tyres lie near 0.1 to 0.3",
    ),
    AssumedKey(
        "reference_load",
        "force",
        "n",
        4.0,
        0.0,
        0.1,
        100.0,
        "by choice: the load at which the surface's grip level holds, about one wheel of a 1.6 kg car",
    ),
    AssumedKey(
        "front_best_lean",
        "angle",
        "deg",
        4.0,
        4.0,
        -15.0 * _RAD,
        15.0 * _RAD,
        f"{TYRE_REASON}; camber thrust of 2 % per degree at the limit moves the best lean by some 4 degrees",
    ),
    AssumedKey("rear_best_lean", "angle", "deg", 1.0, 1.0, -15.0 * _RAD, 15.0 * _RAD, TYRE_REASON),
    *_both_ends(AssumedKey("lean_width", "angle", "deg", 10.0, 4.0, 0.5 * _RAD, 90.0 * _RAD, TYRE_REASON)),
    AssumedKey("patch_shift", "length", "mm", 3.0, 2.0, 0.0, 0.05, f"{TYRE_REASON}; about a tenth of a tread's width"),
    AssumedKey("patch_lean", "angle", "deg", 3.5, 1.5, 0.1 * _RAD, 60.0 * _RAD, TYRE_REASON),
    AssumedKey(
        "longitudinal_grip_ratio", "number", "", 1.0, 0.15, 0.1, 3.0, f"{TYRE_REASON}; equal grip in both directions"
    ),
    *_both_ends(
        AssumedKey(
            "cornering_stiffness",
            "angle_stiffness",
            "n_per_deg",
            0.5,
            0.2,
            0.01 / _RAD,
            50.0 / _RAD,
            STIFFNESS_REASON,
        )
    ),
    AssumedKey("cornering_exponent", "number", "", 0.8, 0.2, 0.0, 1.5, TYRE_REASON),
    AssumedKey(
        "camber_stiffness",
        "angle_stiffness",
        "n_per_deg",
        0.07,
        0.05,
        0.0,
        50.0 / _RAD,
        f"{TYRE_REASON}; a tenth of the cornering stiffness, as textbooks give for radial tyres",
    ),
    AssumedKey(
        "stiffness_grip_exponent",
        "number",
        "",
        0.5,
        0.3,
        0.0,
        2.0,
        "guess: cornering and camber stiffness go with the surface's grip to this power; nothing is published",
    ),
)
"""Assumptions about a car, in the order in which reports list them."""

TYRE_STEMS = (
    "load_sensitivity",
    "best_lean",
    "lean_width",
    "patch_shift",
    "patch_lean",
    "longitudinal_grip_ratio",
    "cornering_stiffness",
    "cornering_exponent",
    "camber_stiffness",
)
"""What a tyre file may say, by the stem without its end."""

TYRE_KEYS = tuple(key for key in ASSUMED if key.stem.removeprefix("front_").removeprefix("rear_") in TYRE_STEMS)
"""Assumptions about the tyres: a surface may name the tyre that runs on it, and that tyre's numbers then count."""

WISHBONE_ONLY = (
    "camber_gain_slope",
    "spring_motion_ratio_slope",
    "wheel_inertia",
    "tyre_crown",
    "tyre_side_compliance",
)
"""What only an axle on links is asked for, by the stem without its end; on beams the defaults are not listed."""

TORSION_LOW, TORSION_HIGH = 0.1 / _RAD, 1e4 / _RAD
"""Range of `chassis_torsion_rate_n_m_per_deg` [N m/rad]; without the key the chassis is rigid."""

NO_TYRE_DATA = (
    "Load sensitivity, best lean, lean width, patch shift and camber stiffness are guesses: what is published on small "
    "cars' tyres is for rubber on hard floors, without lean. Trust the ranking more than any number."
)
"""Note that goes with every study."""


@dataclass(frozen=True)
class SurfaceSpread:
    """Default spread of one number of a surface, as a share of its value, and why."""

    key: str
    stem: str
    share: float
    reason: str

    @property
    def suffix(self) -> str:
        """Unit suffix of the key, "" for a plain number."""
        return self.key.removeprefix(self.stem).lstrip("_")


SURFACE_SPREADS: tuple[SurfaceSpread, ...] = (
    SurfaceSpread("grip", "grip", 0.10, "grip changes over the day with temperature, dust and tyre wear"),
    SurfaceSpread("front_grip_ratio", "front_grip_ratio", 0.05, "front and rear tyres seldom suit a surface alike"),
    SurfaceSpread("roughness_mm3", "roughness", 0.50, "judged by eye against the ISO 8608 scale"),
    SurfaceSpread("bump_height_mm", "bump_height", 0.30, "bumps differ along the line"),
)
"""Uncertain numbers of a surface."""

ISO_ROUGHNESS_MM3: dict[str, float] = {letter: 16_000.0 * 4.0**index for index, letter in enumerate("ABCDEFGH")}
"""Geometric means of G_d(0.1 cycle/m) of the classes of ISO 8608:2016: A 16e-6 m3, each next class four times that."""
