"""What a car file asks of an end, measured on the mechanism: exactly, and as a ruler and a camber gauge give it.

Roll-centre height from the instant centre (Milliken & Milliken, *Race Car Vehicle Dynamics*, ch. 17, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from explorer.domain.errors import ModelError
from explorer.domain.space import FloatArray
from explorer.model.car.links import PLACES, USED
from explorer.validation.wishbone.cars import Car, End, contact, instant_centre, raised_end
from explorer.validation.wishbone.kinetics import linkage

BUMPED = 1e-5
"""Change of travel by which exact rates are taken. [m]"""
REACHED = 0.95
"""Share of the droop up to which the roll centre is read."""
LIFTED = 0.007
"""Rise of the body over which a roll centre's rate is read in one go. [m]"""
READ_AT = 0.010
"""Travel in bump and droop at which camber is read. [m]"""
_DEG = math.pi / 180.0
RULER, RATIO, GAUGE = 0.001, 0.01, 0.25 * _DEG
"""Finest that is read: roll centre [m], motion ratio [-], camber [rad]."""
USUAL_ROLL_CENTRE_RATE, USUAL_INERTIA, USUAL_CROWN = 1.3, 0.35, 0.030
"""What is taken for an end nobody measured further: per ride height; of unsprung mass times radius squared; [m]."""


@dataclass(frozen=True)
class EndInputs:
    """One end as a car file has it. SI; names as in the file where it has them.

    `wheel_rate` and `wheel_rate_slope` are of the force at the wheel over travel; `bar_rate` at the wheel, per wheel in
    opposite motion; `camber` negative with the top inward, `camber_gain` top inward per bump, its tangent at rest;
    `droop` travel of the wheel.
    """

    track: float
    wheel_radius: float
    unsprung_mass: float
    wheel_rate: float
    wheel_rate_slope: float
    spring_rate: float
    spring_motion_ratio: float
    spring_motion_ratio_slope: float
    bar_rate: float
    tyre_rate: float
    roll_centre_height: float
    roll_centre_rate: float
    camber: float
    camber_gain: float
    camber_gain_slope: float
    droop: float
    wheel_inertia: float
    tyre_crown: float


@dataclass(frozen=True)
class CarInputs:
    """A whole car as a car file has it. SI."""

    mass: float
    wheelbase: float
    front_share: float
    cg_height: float
    front: EndInputs
    rear: EndInputs

    @property
    def ends(self) -> tuple[EndInputs, EndInputs]:
        """Front and rear."""
        return self.front, self.rear


def roll_centre(end: End) -> float:
    """Height where the line from the contact to the instant centre meets the middle of the car. [m]"""
    u, v = instant_centre(end)
    half = contact(end)
    return half * v / (half - u)


def pose_at(row: FloatArray, travel: float) -> tuple[float, ...]:
    """Pose of `kinetics.linkage` at a bump travel of the wheel's centre [m]."""
    rest = linkage(row, 0.0)
    guess = travel / rest[4]
    turn = brentq(lambda q: linkage(row, q)[1] - rest[1] - travel, guess - 0.12, guess + 0.12, xtol=1e-15)
    return tuple(linkage(row, float(turn)))


def spring_ratio(row: FloatArray, travel: float) -> float:
    """Travel of the coil-over per travel of the wheel. [-]"""
    pose = pose_at(row, travel)
    return -pose[7] / pose[4]


def mean_roll_centre_rate(end: End, load: float) -> float:
    """Change of the roll centre's height per rise of the body, by least squares over the travel that is used, or over
    the part of it that the arms reach. [-]"""
    low, high = -USED[1], min(-USED[0], REACHED * end.droop)
    for _ in range(8):
        rises = np.linspace(low, high, PLACES + 1)
        try:
            heights = [roll_centre(raised_end(end, float(rise), load)) for rise in rises]
        except (ModelError, ValueError):
            low, high = 0.5 * low, 0.5 * high
        else:
            return float(np.polyfit(rises, heights, 1)[0])
    raise ModelError("the arms of an end do not reach at all")


def measured_end(end: End, load: float) -> EndInputs:
    """Exact readings of an end under a static load of one wheel [N]."""
    row = end.row(load)
    rest = linkage(row, 0.0)
    high, low = pose_at(row, BUMPED), pose_at(row, -BUMPED)
    free = row[-2]
    forces = [-end.spring_rate * (free - pose[6]) * pose[7] / pose[4] for pose in (low, rest, high)]
    gains = [pose[5] / pose[4] for pose in (low, rest, high)]
    ratio = -rest[7] / rest[4]
    return EndInputs(
        track=2.0 * contact(end),
        wheel_radius=end.centre[1],
        unsprung_mass=end.unsprung,
        wheel_rate=(forces[2] - forces[0]) / (2.0 * BUMPED),
        wheel_rate_slope=(forces[2] - 2.0 * forces[1] + forces[0]) / BUMPED**2,
        spring_rate=end.spring_rate,
        spring_motion_ratio=ratio,
        spring_motion_ratio_slope=(spring_ratio(row, BUMPED) - spring_ratio(row, -BUMPED)) / (2.0 * BUMPED),
        bar_rate=2.0 * end.bar_torsion * (rest[9] / rest[4]) ** 2,
        tyre_rate=end.tyre_rate,
        roll_centre_height=roll_centre(end),
        roll_centre_rate=mean_roll_centre_rate(end, load),
        camber=end.camber,
        camber_gain=gains[1],
        camber_gain_slope=(gains[2] - gains[0]) / (2.0 * BUMPED),
        droop=end.droop,
        wheel_inertia=end.wheel_inertia,
        tyre_crown=end.crown,
    )


def _to(value: float, step: float) -> float:
    return round(value / step) * step


def rounded_end(end: End, load: float) -> EndInputs:
    """An end as a person reads it who measures no more than is asked: whole millimetres of roll centre, motion ratio to
    0.01, camber on a gauge of 0.25 degrees at `READ_AT` in bump and in droop, no curvature, the rest as usual."""
    exact = measured_end(end, load)
    row = end.row(load)
    bump, droop = (_to(pose_at(row, travel)[2], GAUGE) for travel in (READ_AT, -READ_AT))
    ratio = _to(exact.spring_motion_ratio, RATIO)
    return replace(
        exact,
        wheel_rate=end.spring_rate * ratio**2,
        wheel_rate_slope=0.0,
        spring_motion_ratio=ratio,
        spring_motion_ratio_slope=0.0,
        roll_centre_height=_to(exact.roll_centre_height, RULER),
        roll_centre_rate=USUAL_ROLL_CENTRE_RATE,
        camber_gain=(bump - droop) / (2.0 * READ_AT),
        camber_gain_slope=0.0,
        wheel_inertia=USUAL_INERTIA * end.unsprung * end.centre[1] ** 2,
        tyre_crown=USUAL_CROWN,
    )


def measured(car: Car, rounded: bool = False) -> CarInputs:
    """All inputs of a car, exact or as a person reads them."""
    read = rounded_end if rounded else measured_end
    front, rear = (read(end, 0.5 * weight) for end, weight in zip(car.ends, car.weights, strict=True))
    return CarInputs(car.mass, car.wheelbase, car.front_share, car.cg_height, front, rear)


def measured_raised(car: Car) -> CarInputs:
    """As `measured`, but the roll centre's rate as a person reads it: its height again with the body raised by
    `LIFTED`, over that. Where the droop does not reach so far, the tangent stands."""
    exact = measured(car)
    ends = []
    for end, weight, read in zip(car.ends, car.weights, exact.ends, strict=True):
        if end.droop > LIFTED:
            higher = roll_centre(raised_end(end, LIFTED, 0.5 * weight))
            read = replace(read, roll_centre_rate=(higher - roll_centre(end)) / LIFTED)
        ends.append(read)
    return replace(exact, front=ends[0], rear=ends[1])


def spread(values: list[float]) -> tuple[float, float, float]:
    """(5 %, median, 95 %) of some values."""
    low, middle, high = np.percentile(np.array(values), [5.0, 50.0, 95.0])
    return float(low), float(middle), float(high)
