"""Plausible 1:10-scale cars for the behaviour tests, drawn over the proof's ranges, and helpers to change one thing.

The ranges are common practice, no source: they are what a ruler and scales give on such cars.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np

from explorer.model.car.slots import SLOT, SLOTS
from explorer.model.kernel import evaluate_parameters
from explorer.model.metrics import metric_columns
from explorer.validation.fleet import DRAWN_PER_END, RANGES, TYRES_ALIKE

DEG = math.pi / 180.0
PHASE_NAMES = ("sweep", "hairpin", "entry", "exit")
FROZEN = json.loads((Path(__file__).parent / "model" / "frozen_cars.json").read_text(encoding="utf-8"))
"""Cars by what is odd about them: once found among very many random ones, kept slot by slot."""


def frozen_car(name: str) -> np.ndarray:
    """Parameter vector of a kept car, what it does not name zero. Shape (1, slots)."""
    car = np.zeros((1, len(SLOTS)))
    for slot, value in FROZEN["cars"][name].items():
        car[0, SLOT[slot]] = value
    return car


def frozen_phases(name: str) -> list[dict[str, Any]]:
    """The phases that a kept car goes with, by name of column."""
    return FROZEN["phases"][name]


def random_cars(seed: int, count: int) -> np.ndarray:
    """Parameter vectors (count, slots); every car has bars; rear- and four-wheel drive half and half."""
    rng = np.random.default_rng(seed)
    cars = np.zeros((count, len(SLOTS)))

    def draw(name: str) -> np.ndarray:
        low, high = RANGES[name]
        return rng.uniform(low, high, count)

    for name in RANGES:
        if name in SLOT:
            cars[:, SLOT[name]] = draw(name)
        if name in TYRES_ALIKE:
            cars[:, [SLOT[f"front_{name}"], SLOT[f"rear_{name}"]]] = draw(name)[:, None]
    for end in ("front", "rear"):
        for name in DRAWN_PER_END:
            cars[:, SLOT[f"{end}_{name}"]] = draw(name)
        cars[:, SLOT[f"{end}_spring_rate"]] = draw("wheel_rate")
        cars[:, SLOT[f"{end}_bar_rate"]] = np.exp(rng.uniform(*np.log(RANGES["bar_rate"]), count))
        for name, value in (
            ("spring_motion_ratio", 1.0),
            ("bar_motion_ratio", 1.0),
            ("roll_centre_rate", 1.3),
            ("tyre_grip", 1.0),
            ("ride_height", 0.022),
            ("ride_height_reference", 0.022),
        ):
            cars[:, SLOT[f"{end}_{name}"]] = value
    drive = np.where(rng.random(count) < 0.5, 0.0, 0.5)
    for name, value in (
        ("front_drive_share", drive),
        ("front_brake_share", drive),
        ("reference_load", 4.0),
        ("front_downforce_share", 0.4),
        ("chassis_half_width", 0.06),
        ("front_edge_offset", 0.05),
        ("rear_edge_offset", 0.05),
        ("grip", rng.uniform(0.6, 1.5, count)),
        ("front_grip_ratio", 1.0),
        ("bump_height", 0.004),
        ("stiffness_grip_exponent", 0.5),
    ):
        cars[:, SLOT[name]] = value
    return cars


def corner_phases(share: float = 0.8) -> np.ndarray:
    """Fast sweep, hairpin, entry under braking (turn-in), exit under power."""
    return np.array(
        [
            [4.0, 0.0, share, 0.0, 0.0, 1.0, 0.0],
            [0.9, 0.0, share, 0.0, 0.0, 1.0, 0.0],
            [2.0, 0.0, 0.75 * share, 0.0, -0.20, 1.0, 1.0],
            [1.5, 0.0, 0.8 * share, 0.0, 0.30, 1.0, 0.0],
        ]
    )


def changed(cars: np.ndarray, **factors: float) -> np.ndarray:
    """Copies with slots scaled: `changed(cars, front_bar_rate=1.3)`."""
    result = cars.copy()
    for name, factor in factors.items():
        result[:, SLOT[name]] *= factor
    return result


def put(cars: np.ndarray, **values: float) -> np.ndarray:
    """Copies with slots set."""
    result = cars.copy()
    for name, value in values.items():
        result[:, SLOT[name]] = value
    return result


class Answers:
    """Metrics of parameter vectors by column name; `answers["exit.roll_deg"]` has one number per car."""

    def __init__(self, cars: np.ndarray, phases: np.ndarray | None = None, names: tuple[str, ...] = PHASE_NAMES):
        phases = corner_phases() if phases is None else phases
        none = np.zeros(0, dtype=np.int64)
        values, valid = evaluate_parameters(cars, phases, none, np.ones((1, 0)), np.zeros((1, 0)))
        self.valid = valid[0]
        self.values = values[0]
        self._columns = {name: values[0][:, k] for k, name in enumerate(metric_columns(names))}

    def __getitem__(self, name: str) -> np.ndarray:
        return self._columns[name]
