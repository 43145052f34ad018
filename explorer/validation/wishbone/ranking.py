"""Setups of a wishbone car ranked by worst-phase grip margin, lift margin and lag, all on the reference's own states.

A setup is a parameter vector of `explorer.model.car.slots`: its springs, bars and ride heights are put on the
mechanism, its tyre, steering, damping and surface are used as they are. Nothing of the model is called; the same
vectors, with what is measured on the car in them, go to `explorer.model.kernel.evaluate_parameters` for comparison.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from explorer.domain.errors import ModelError
from explorer.domain.space import FloatArray
from explorer.model.car.slots import SLOT
from explorer.validation.wishbone.cars import BAR_RATE, BARLESS_SHARE, WHEEL_RATE, Car, End, contact
from explorer.validation.wishbone.grip import Corner, asked, corner_of, excess, longitudinal_of, value
from explorer.validation.wishbone.kinetics import linkage
from explorer.validation.wishbone.lag import lag_of
from explorer.validation.wishbone.measured import CarInputs, EndInputs, roll_centre
from explorer.validation.wishbone.planar import Path, State

RIDE_SPREAD = 0.003
"""Ride heights of drawn setups lie within this of the car's. [m]"""
ALIKE = 0.03
"""Axle limits of a balanced car lie within this share of each other."""
_DIRECT = (
    "track", "unsprung_mass", "wheel_radius", "spring_rate", "spring_motion_ratio", "tyre_rate", "roll_centre_height",
    "roll_centre_rate", "droop", "camber", "camber_gain",
)  # fmt: skip


@dataclass(frozen=True)
class Ranking:
    """Objectives of setups (setups,): worst-phase margins [%], `lag` [ms]; `worst` the phase of least grip; margins of
    grip by phase and axle (setups, phases, 2) [%], of lift by phase (setups, phases) [%]."""

    grip: FloatArray
    lift: FloatArray
    lag: FloatArray
    worst: FloatArray
    grip_by_axle: FloatArray
    lift_by_phase: FloatArray


def _bar_torsion(end: End, load: float, rate: float) -> float:
    """Torsion between the levers that gives a bar rate at the wheel, per wheel in opposite motion. [N m/rad]"""
    pose = linkage(end.row(load), 0.0)
    return 0.5 * rate / (pose[9] / pose[4]) ** 2


def setup_of(car: Car, vector: FloatArray) -> Car:
    """The car with the springs, bars, ride heights and drive of a parameter vector."""
    ends = []
    for stem, end, weight in zip(("front", "rear"), car.ends, car.weights, strict=True):
        rate = value(vector, f"{stem}_bar_rate") * value(vector, f"{stem}_bar_motion_ratio") ** 2
        ends.append(
            replace(
                end,
                spring_rate=value(vector, f"{stem}_spring_rate"),
                bar_torsion=_bar_torsion(end, 0.5 * weight, rate),
            )
        )
    changed = replace(
        car,
        front=ends[0],
        rear=ends[1],
        front_drive_share=value(vector, "front_drive_share"),
        front_brake_share=value(vector, "front_brake_share"),
    )
    raised = [
        value(vector, f"{stem}_ride_height") - value(vector, f"{stem}_ride_height_reference")
        for stem in ("front", "rear")
    ]
    return changed.raised(*raised) if any(raised) else changed


def roll_arm(car: Car) -> float:
    """Height of the sprung centre over the roll axis. [m]"""
    sprung = car.sprung
    axis = sum(mass * roll_centre(end) for mass, end in zip(sprung, car.ends, strict=True)) / sum(sprung)
    return car.sprung_height - axis


def grip_limit(vector: FloatArray, corner: Corner, path: Path, end: int) -> float:
    """Lateral acceleration at which an axle's demand first meets its capacity, else rollover. [m/s2]"""
    points = sorted([*path.points, *(lift for lift in path.lifts if lift is not None)], key=lambda s: s.place)
    low, low_value = points[0], excess(vector, corner, points[0], end)
    if low_value >= 0.0:
        return 0.0
    best = 0.0
    for high in points[1:]:
        if high.lateral < best:  # past a crest: the car does not come here by turning harder
            continue
        best = high.lateral
        high_value = excess(vector, corner, high, end)
        if high_value >= 0.0:
            return _crossing(vector, corner, path, end, low, high).lateral
        low = high
    return path.rollover


def _crossing(vector: FloatArray, corner: Corner, path: Path, end: int, low: State, high: State) -> State:
    """The state between two at which demand meets capacity."""
    return path.between(low, high, lambda state: excess(vector, corner, state, end))


def corners_of(car: Car, vector: FloatArray, phases: FloatArray) -> list[Corner]:
    """What the phases ask of a setup already on the car."""
    cambers = car.front.camber, car.rear.camber
    return [corner_of(vector, row, cambers, 2.0 * contact(car.front)) for row in phases]


def rank(car: Car, setups: FloatArray, phases: FloatArray) -> Ranking:
    """Objectives of parameter vectors (setups, slots) of one car over phases (phases, PHASE_COLUMNS), all SI.

    Raises ModelError where a car does not settle, or for what the reference does not have.
    """
    count, corners = len(setups), len(phases)
    grip, lift, lag = np.empty((count, corners, 2)), np.empty((count, corners)), np.full(count, math.nan)
    for number, vector in enumerate(setups):
        now = setup_of(car, vector)
        paths: dict[float, Path] = {}
        for k, (row, corner) in enumerate(zip(phases, corners_of(now, vector, phases), strict=True)):
            path = paths.setdefault(corner.longitudinal, Path(now, corner.longitudinal))
            for end in range(2):
                grip[number, k, end] = grip_limit(vector, corner, path, end) / corner.lateral - 1.0
            lift[number, k] = path.first_lift.lateral / corner.lateral - 1.0
            if asked(row, "is_turn_in") > 0.5:
                upright = path.standing
                lag[number] = lag_of(vector, upright, path.tangent(upright), corner.speed, roll_arm(now))
    least = grip.min(axis=2)
    return Ranking(
        grip=100.0 * least.min(axis=1),
        lift=100.0 * lift.min(axis=1),
        lag=1000.0 * lag,
        worst=least.argmin(axis=1).astype(float),
        grip_by_axle=100.0 * grip,
        lift_by_phase=100.0 * lift,
    )


def put_measured(vector: FloatArray, inputs: CarInputs) -> FloatArray:
    """A copy of a parameter vector with what was measured on a car in it; slots that the model does not have are left
    out. Bars: rate at the wheel, motion ratio 1."""
    result = vector.copy()

    def put(name: str, number: float) -> None:
        if name in SLOT:
            result[SLOT[name]] = number

    whole = ("mass", inputs.mass), ("wheelbase", inputs.wheelbase), ("cg_height", inputs.cg_height)
    for name, number in (*whole, ("front_weight_share", inputs.front_share)):
        put(name, number)
    for stem, end in zip(("front", "rear"), inputs.ends, strict=True):
        for name in (*_DIRECT, *(field for field in EndInputs.__dataclass_fields__ if field not in _DIRECT)):
            put(f"{stem}_{name}", float(getattr(end, name)))
        put(f"{stem}_bar_motion_ratio", 1.0)
    return result


def drawn_setups(vector: FloatArray, inputs: CarInputs, seed: int, count: int) -> FloatArray:
    """Setups of a car (count, slots): bars evenly in their logarithm or none, springs, ride heights."""
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    rows = np.tile(vector, (count, 1))
    for stem, end in zip(("front", "rear"), inputs.ends, strict=True):
        bars = np.exp(rng.uniform(math.log(BAR_RATE[0]), math.log(BAR_RATE[1]), count))
        rows[:, SLOT[f"{stem}_bar_rate"]] = np.where(rng.random(count) < BARLESS_SHARE, 0.0, bars)
        rows[:, SLOT[f"{stem}_bar_motion_ratio"]] = 1.0
        rows[:, SLOT[f"{stem}_spring_rate"]] = rng.uniform(*WHEEL_RATE, count) / end.spring_motion_ratio**2
        rows[:, SLOT[f"{stem}_ride_height"]] += rng.uniform(-RIDE_SPREAD, RIDE_SPREAD, count)
    return rows


def balanced(car: Car, vector: FloatArray, phases: FloatArray) -> FloatArray:
    """The vector with the grip ratio of its front tyres such that both ends give way within `ALIKE` of each other,
    each in its own worst phase. Raises ModelError where no ratio does that."""
    now = setup_of(car, vector)
    paths = {pull: Path(now, pull) for pull in {longitudinal_of(vector, row) for row in phases}}

    def apart(ratio: float) -> float:
        trial = vector.copy()
        trial[SLOT["front_grip_ratio"]] = ratio
        front, rear = (
            min(
                grip_limit(trial, corner, paths[corner.longitudinal], end) / corner.lateral
                for corner in corners_of(now, trial, phases)
            )
            for end in range(2)
        )
        return front / rear - 1.0 if rear > 0.0 else 1.0

    low, high = 0.5, 2.0
    for _ in range(40):
        ratio = math.sqrt(low * high)
        gap = apart(ratio)
        if abs(gap) < ALIKE / 3.0:
            result = vector.copy()
            result[SLOT["front_grip_ratio"]] = ratio
            return result
        low, high = (ratio, high) if gap < 0.0 else (low, ratio)
    raise ModelError("no ratio of grip makes both ends give way together")
