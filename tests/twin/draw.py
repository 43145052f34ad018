"""Random cars and phases over the published ranges of plausible 1:10-scale cars."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from twin.car import make_car
from twin.tyre import bumps


def random_car(rng: np.random.Generator) -> dict[str, float]:
    """A plausible 1/10 touring car over the published ranges."""

    def u(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    def chance(share: float) -> bool:
        return bool(rng.random() < share)

    p = {
        "mass": u(1.4, 1.8),
        "wheelbase": u(0.26, 0.30),
        "front_weight_share": u(0.36, 0.52),
        "cg_height": u(0.040, 0.060),
        "ballast_mass": u(0.0, 0.1),
        "ballast_shift": u(-0.05, 0.05),
    }
    shared_track = u(0.20, 0.25)
    for end in ("front", "rear"):
        motion, bar_motion = u(0.55, 0.75), u(0.5, 0.9)
        bar = 0.0 if chance(0.25) else u(50.0, 2500.0)
        reference = u(0.006, 0.010)
        droop = 0.0 if chance(0.05) else u(0.002, 0.020)
        p |= {
            f"{end}_track": min(max(shared_track + u(-0.005, 0.005), 0.20), 0.25),
            f"{end}_unsprung_mass": u(0.05, 0.09),
            f"{end}_wheel_radius": u(0.041, 0.045),
            f"{end}_spring_rate": u(120.0, 600.0) / motion**2,
            f"{end}_spring_motion_ratio": motion,
            f"{end}_bar_rate": bar / bar_motion**2,
            f"{end}_bar_motion_ratio": bar_motion,
            f"{end}_tyre_rate": u(2500.0, 6000.0),
            f"{end}_ride_height": reference + u(-0.002, 0.002),
            f"{end}_ride_height_reference": reference,
            f"{end}_roll_centre_height": u(0.0, 0.020),
            f"{end}_roll_centre_rate": u(0.8, 2.0),
            f"{end}_droop": droop,
            f"{end}_camber": math.radians(u(-3.0, 0.0)),
            f"{end}_camber_gain": u(0.0, 4.0),
            f"{end}_damping": u(3.0, 12.0),
            f"{end}_tyre_grip": u(0.85, 1.1) if end == "front" else u(0.95, 1.2),
        }
    p |= {
        "yaw_inertia": u(0.015, 0.030),
        "roll_inertia": u(0.002, 0.005),
        "caster": math.radians(u(5.0, 28.0)),
        "kingpin_inclination": math.radians(u(0.0, 10.0)),
        "ackermann_share": u(0.0, 1.0),
        "front_drive_share": 0.0 if chance(0.3) else u(0.3, 0.6),
        "front_brake_share": u(0.3, 0.7),
        "chassis_compliance": 0.0 if chance(0.6) else u(0.0, 0.05),
        "downforce_coefficient": 0.0 if chance(0.4) else u(0.0, 0.03),
        "front_downforce_share": u(0.3, 0.6),
        "load_sensitivity": u(0.08, 0.30),
        "reference_load": u(3.0, 5.0),
        "front_best_lean": math.radians(u(0.0, 3.0)),
        "front_lean_width": math.radians(u(6.0, 14.0)),
        "patch_shift": u(0.0, 0.005),
        "patch_lean": math.radians(u(2.0, 5.0)),
        "longitudinal_grip_ratio": u(0.9, 1.2),
        "front_cornering_stiffness": u(20.0, 70.0),
        "cornering_exponent": u(0.7, 1.0),
        "camber_stiffness": u(0.5, 6.0),
        "chassis_half_width": u(0.04, 0.09),
        "front_edge_offset": u(0.02, 0.07),
        "rear_edge_offset": u(0.02, 0.07),
        "grip": u(0.5, 2.0),
        "front_grip_ratio": u(0.9, 1.1),
        "roughness": 1e-6,
        "bump_height": u(0.0, 0.004),
    }
    p |= _links(rng.spawn(1)[0], p)
    p |= _other_tyres(rng.spawn(1)[0])
    car = make_car(p, "beam")
    unit = max(bumps(car, axle, 3.0)[0] for axle in car.axles)
    p["roughness"] = 0.0 if chance(0.15) else 1e-6 * (u(0.0, 2.0) / unit) ** 2
    return p


def _links(rng: np.random.Generator, p: dict[str, float]) -> dict[str, float]:
    """What double wishbones and their wheels need beside: a stream of its own, so that the other draws stay."""
    found = {}
    for end in ("front", "rear"):
        disc = 0.35 * p[f"{end}_unsprung_mass"] * p[f"{end}_wheel_radius"] ** 2
        found |= {
            f"{end}_camber_gain_slope": float(rng.uniform(-20.0, 120.0)),
            f"{end}_spring_motion_ratio_slope": float(rng.uniform(-3.0, 3.0)),
            f"{end}_wheel_inertia": disc * float(rng.uniform(0.7, 1.3)),
            f"{end}_tyre_crown": float(rng.uniform(0.025, 0.040)),
            f"{end}_tyre_side_compliance": 0.0 if rng.random() < 0.5 else float(rng.uniform(0.0, 2.5e-4)),
        }
    return found


def _other_tyres(rng: np.random.Generator) -> dict[str, float]:
    """The rear tyres, unlike the front ones, and how stiffness goes with grip: again a stream of its own."""
    return {
        "rear_best_lean": math.radians(float(rng.uniform(0.0, 3.0))),
        "rear_lean_width": math.radians(float(rng.uniform(6.0, 14.0))),
        "rear_cornering_stiffness": float(rng.uniform(20.0, 70.0)),
        "stiffness_grip_exponent": float(rng.uniform(0.0, 1.0)),
    }


def beams_as_they_were(
    numbers: range,
) -> Iterator[tuple[str, dict[str, float], list[dict[str, Any]], dict[str, float]]]:
    """(Name, car, phases, metrics) of cars on beam axles as an earlier kernel answered them, balance and response as
    the twin does. What came into the model since does nothing in them."""
    frozen = json.loads(Path(__file__).with_name("beam_frozen.json").read_text(encoding="utf-8"))
    for number in numbers:
        rng = np.random.default_rng(frozen["first_seed"] + number)
        car, phases = random_car(rng), random_phases(rng)
        car |= {f"rear_{name}": car[f"front_{name}"] for name in ("best_lean", "lean_width", "cornering_stiffness")}
        car |= {"stiffness_grip_exponent": 0.0}
        yield f"car {number}", car, phases, dict(zip(frozen["metrics"], frozen["cars"][number], strict=True))


def random_phases(rng: np.random.Generator) -> list[dict[str, Any]]:
    """Four phases of a lap: a fast sweep, a hairpin, a braked entry (the turn-in) and an exit on power.

    Now and then a phase asks for far more than the grip, so that a car on a high-grip surface rolls over.
    """

    def u(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    def phase(name: str, radius: float, share: float, longitudinal_share: float) -> dict[str, Any]:
        made = {
            "name": name,
            "radius": radius,
            "speed": 0.0,
            "grip_share": share,
            "longitudinal": 0.0,
            "longitudinal_share": longitudinal_share,
            "weight": u(0.2, 1.0),
            "is_turn_in": name == "entry",
        }
        if rng.random() < 0.2:
            made |= {"speed": math.sqrt(radius * u(4.0, 14.0)), "grip_share": 0.0}
        elif rng.random() < 0.08:
            made["grip_share"] = 2.0 * share
        if rng.random() < 0.1:
            made |= {"longitudinal": 5.0 * longitudinal_share, "longitudinal_share": 0.0}
        return made

    return [
        phase("sweep", u(2.5, 5.0), u(0.6, 1.0), 0.0 if rng.random() < 0.5 else u(-0.1, 0.2)),
        phase("hairpin", u(0.6, 1.2), u(0.6, 1.0), 0.0 if rng.random() < 0.5 else u(-0.2, 0.2)),
        phase("entry", u(0.8, 3.0), u(0.5, 0.8), u(-0.5, 0.0)),
        phase("exit", u(0.8, 3.0), u(0.6, 0.9), u(0.0, 0.5)),
    ]
