"""An axle's front view from hardpoints: two arms, the upright and the shock as an exact four-bar chain.

The chain is closed by where two circles meet, at small steps of wheel travel; finite differences of the contact's path,
of the wheel's lean and of the shock's length then give what the axle law asks for. To first order these are the
instant centre's: the roll centre lies where the line from contact to instant centre meets the car's middle, and camber
gain is one over the distance to it (Milliken & Milliken, Race Car Vehicle Dynamics, ch. 17; Dixon, Suspension Geometry
and Computation; from memory). What a wheel steers or swings fore and aft is left out.

Points are (y, z) in metres: y from the car's middle outwards, z over the road, at ride height.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np

Point = tuple[float, float]

STEP = 1e-4
"""Travel between points of the finite differences. [m]"""

USED = (-0.010, 0.004)
"""Wheel travel over which the roll centre's rate is a mean, droop and bump [m]: it grows towards droop, where jacking
and lifting wheels go, and the law has one number for it. With its tangent at ride height, roll on a droop stop is off
by half as much again (`validation.wishbone`)."""
PLACES = 8
"""Stretches of that travel whose ends are looked at."""

RULER = 2.0 * 0.0005 / math.sqrt(3.0)
"""Half width (two standard deviations) of a coordinate read to the whole millimetre. [m]"""


class LinksError(ValueError):
    """Links that cannot carry a wheel; the text says why."""


@dataclass(frozen=True)
class Links:
    """Hardpoints of one side. [m] The shock runs from the body (`shock_inner`) to the lower arm (`shock_outer`)."""

    lower_inner: Point
    lower_outer: Point
    upper_inner: Point
    upper_outer: Point
    wheel_centre: Point
    shock_inner: Point | None = None
    shock_outer: Point | None = None


@dataclass(frozen=True)
class FrontView:
    """What an axle's links give at ride height, or how far off each may be. SI; the last two are nan without a shock.

    `roll_centre_rate` is the change of the roll centre's height per ride height with the track held, its mean over the
    travel that is `USED`: what the contact's path bends by. Camber gain is top inward per bump; each `_slope` is a
    change per bump of the wheel's centre.
    """

    track: float
    wheel_radius: float
    roll_centre_height: float
    roll_centre_rate: float
    camber_gain: float
    camber_gain_slope: float
    spring_motion_ratio: float
    spring_motion_ratio_slope: float


@dataclass(frozen=True)
class Pose:
    """One wheel at some travel: contact (lowest point of a thin wheel) and centre [m], lean top inward [rad], shock's
    length [m]."""

    contact: Point
    centre: Point
    lean: float
    shock: float


class FourBar:
    """The moving chain of one side; `camber` [rad] is the wheel's at ride height, minus when the top leans inward.

    Raises LinksError for points of which two that a link joins are one, or for arms that lie in one line.
    """

    def __init__(self, links: Links, camber: float) -> None:
        at = {one.name: complex(*getattr(links, one.name)) for one in fields(links) if getattr(links, one.name)}
        self._lower_pivot, self._lower = at["lower_inner"], at["lower_outer"] - at["lower_inner"]
        self._upper_pivot, self._upper = at["upper_inner"], abs(at["upper_outer"] - at["upper_inner"])
        self._ball, self._upright = at["lower_outer"], at["upper_outer"] - at["lower_outer"]
        self._centre = at["wheel_centre"]
        self._lean = -camber
        self._radius = self._centre.imag / math.cos(camber)
        self._shock = (at["shock_inner"], at["shock_outer"]) if {"shock_inner", "shock_outer"} <= set(at) else None
        if min(abs(self._lower), self._upper, abs(self._upright)) < 1e-3:
            raise LinksError("a link of no length: two of its ends are one point")
        reach = at["upper_inner"] - at["lower_outer"]
        self._side = math.copysign(1.0, (reach.conjugate() * self._upright).imag)
        if abs((reach.conjugate() * self._upright).imag) < 1e-3 * abs(reach) * abs(self._upright):
            raise LinksError("the upper arm lies in one line with the upright")
        if abs((self._lower.conjugate() * self._upright).imag) < 1e-3 * abs(self._lower) * abs(self._upright):
            raise LinksError("the lower arm lies in one line with the upright")

    def _turned(self, angle: float) -> tuple[complex, complex]:
        """(wheel centre, turn of the upright as a unit number) with the lower arm turned by an angle [rad]."""
        ball = self._lower_pivot + self._lower * cmath.exp(1j * angle)
        reach, upright = self._upper_pivot - ball, abs(self._upright)
        along = (abs(reach) ** 2 + upright**2 - self._upper**2) / (2.0 * abs(reach))
        if abs(along) > upright:
            raise LinksError("the arms do not reach as far as the wheel travels")
        across = self._side * math.sqrt(upright**2 - along**2)
        turn = reach / abs(reach) * complex(along, across) / self._upright
        return ball + (self._centre - self._ball) * turn, turn

    def _angle(self, travel: float) -> float:
        """Turn of the lower arm that lifts the wheel's centre by `travel` [m], by the secant method."""
        before, angle = 0.0, travel / self._lower.real if self._lower.real > 1e-3 else travel / abs(self._lower)
        missed_before = -travel
        for _ in range(60):
            missed = (self._turned(angle)[0] - self._centre).imag - travel
            if abs(missed) < 1e-15 or missed == missed_before:
                return angle
            before, angle = angle, angle - missed * (angle - before) / (missed - missed_before)
            missed_before = missed
        if abs(missed) > 1e-10:
            raise LinksError("the arms do not reach as far as the wheel travels")
        return angle

    def at(self, travel: float) -> Pose:
        """The wheel at a travel of its centre in the body, bump positive. [m]

        Raises LinksError where the arms do not reach.
        """
        angle = 0.0 if travel == 0.0 else self._angle(travel)
        centre, turn = self._turned(angle)
        lean = self._lean + cmath.phase(turn)
        contact = (centre.real + self._radius * math.sin(lean), centre.imag - self._radius * math.cos(lean))
        shock = math.nan
        if self._shock is not None:
            inner, outer = self._shock
            shock = abs(self._lower_pivot + (outer - self._lower_pivot) * cmath.exp(1j * angle) - inner)
        return Pose(contact, (centre.real, centre.imag), lean, shock)


def front_view(links: Links, camber: float) -> FrontView:
    """What the axle law needs of the links at ride height. `camber` [rad], minus when the top leans inward.

    Raises LinksError as `FourBar`.
    """
    chain = FourBar(links, camber)
    down, rest, up = (chain.at(travel) for travel in (-STEP, 0.0, STEP))

    def rates(of: Callable[[Pose], float]) -> tuple[float, float]:
        return (of(up) - of(down)) / (2.0 * STEP), (of(up) - 2.0 * of(rest) + of(down)) / STEP**2

    slope, _ = rates(lambda pose: pose.contact[0])
    bend = _mean_bend(chain)
    gain, gain_slope = rates(lambda pose: pose.lean)
    ratio, ratio_slope = rates(lambda pose: -pose.shock)
    half = rest.contact[0]
    height = links.wheel_centre[1]
    return FrontView(2.0 * half, height, half * slope, -half * bend, gain, gain_slope, ratio, ratio_slope)


def _mean_bend(chain: FourBar) -> float:
    """Change of the slope of the contact's path per travel, by least squares over what is `USED`; over less where the
    arms do not reach so far. [1/m]"""
    low, high = USED
    while True:
        try:
            places = np.linspace(low, high, PLACES + 1)
            slopes = [
                (chain.at(float(place) + STEP).contact[0] - chain.at(float(place) - STEP).contact[0]) / (2.0 * STEP)
                for place in places
            ]
            return float(np.polyfit(places, slopes, 1)[0])
        except LinksError:
            if high - low < 8.0 * STEP:
                raise
            low, high = 0.5 * low, 0.5 * high


def front_view_errors(links: Links, camber: float, ruler: float = RULER) -> FrontView:
    """Half width of each number when every coordinate is off by up to `ruler` [m], independently (root of the sum of
    squares of the first-order parts)."""
    nominal = front_view(links, camber)
    total = dict.fromkeys((one.name for one in fields(FrontView)), 0.0)
    for one in fields(Links):
        point = getattr(links, one.name)
        if point is None:
            continue
        for moved in ((point[0] + ruler, point[1]), (point[0], point[1] + ruler)):
            there = front_view(replace(links, **{one.name: moved}), camber)
            for name in total:
                total[name] += (getattr(there, name) - getattr(nominal, name)) ** 2
    return FrontView(**{name: math.sqrt(square) for name, square in total.items()})
