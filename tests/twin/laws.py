"""Two laws of an axle as balances of forces: every wheel by itself, then the moment on the body.

Nothing is eliminated: travel and contact force of both wheels and the rise of the body are unknowns, and a law says
which five residuals they must bring to zero and what moment the axle then leaves on the body. All of it works on
floats, complex numbers and arrays alike, so that derivatives are complex steps through these very functions.

Wishbones: each wheel by virtual work along its own travel, bump positive (instant centres and jacking: Milliken &
Milliken, Race Car Vehicle Dynamics, ch. 17; Dixon, Suspension Geometry and Computation; Blundell & Harty, The
Multibody Systems Approach to Vehicle Dynamics). Beam: an axle square to the road, hinged to the body at its roll centre
(Gillespie, Fundamentals of Vehicle Dynamics, ch. 6; Milliken & Milliken, ch. 18).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from twin.car import Axle, G

STEP = 1e-30
"""Complex step of a derivative."""

Number = Any
"""A float, a complex number whose imaginary part carries a derivative, or an array of these."""


class Wheels(NamedTuple):
    """Unknowns of an axle: travel of the outer and the inner wheel, bump positive [m], their forces on the road [N],
    rise of the body over the road [m]."""

    x_outer: Number
    x_inner: Number
    n_outer: Number
    n_inner: Number
    rise: Number

    @property
    def half_difference(self) -> Number:
        return 0.5 * (self.x_outer - self.x_inner)

    @property
    def mean(self) -> Number:
        return 0.5 * (self.x_outer + self.x_inner)

    @property
    def transfer(self) -> Number:
        return 0.5 * (self.n_outer - self.n_inner)


@dataclass(frozen=True)
class Stage:
    """Which constraints of an axle bear: suspensions on their droop stops, the inner wheel off the road, and for a beam
    whether the body has risen by more than the droop (`spent`)."""

    outer_stop: bool = False
    inner_stop: bool = False
    up: bool = False
    spent: bool = False

    def flipped(self, flag: str) -> Stage:
        return replace(self, **{flag: not getattr(self, flag)})


class Demand(NamedTuple):
    """What is asked of an axle: roll of the body there [rad], lateral acceleration [m/s2], axle load [N]. `held` is
    another roll at which a beam's jacking is taken, where that must not change."""

    phi: Number
    a_y: Number
    load: Number
    held: Number = None


def _gap(axle: Axle, w: Wheels, phi: Number, side: float) -> Number:
    """Height of a wheel's tyre over the road, squashed by its load: zero where it touches. `side` +1 outer."""
    x, n = (w.x_outer, w.n_outer) if side > 0.0 else (w.x_inner, w.n_inner)
    squashed = (n - 0.5 * axle.static_load) / axle.tyre_rate
    if axle.law == "beam":
        return w.rise - side * phi * 0.5 * axle.track + x + squashed
    s1, s2, c1, c2, p = axle.path_slope, axle.path_curve, axle.camber_gain, axle.camber_slope, axle.crown
    wide = 0.5 * axle.track + (s1 - p * c1) * x + 0.5 * (s2 - p * c2) * x * x
    lean_in, gain = axle.lean_in + c1 * w.mean, c1 + c2 * w.mean
    leaning = side * (axle.radius - p) * lean_in * gain * w.half_difference
    return w.rise - side * phi * wide - 0.5 * p * phi * phi + x + leaning + squashed


def _road(axle: Axle, w: Wheels, d: Demand, stage: Stage) -> list[Number]:
    """Both wheels on the road, or the inner one without force; forces that carry the axle's load."""
    inner = w.n_inner if stage.up else axle.tyre_rate * _gap(axle, w, d.phi, -1.0)
    return [axle.tyre_rate * _gap(axle, w, d.phi, 1.0), inner, w.n_outer + w.n_inner - d.load]


# ------------------------------------------------------------------------------------------------- wishbones


def _side_share(d: Demand) -> Number:
    """Lateral force per newton on a wheel and per mass on the axle; none where the axle bears nothing."""
    return d.a_y / d.load if np.min(np.real(d.load)) > 0.0 else 0.0 * d.a_y


def wheel_balance(axle: Axle, w: Wheels, d: Demand, side: float) -> Number:
    """Spring and bar less what road, weight and inertia bring onto them along the wheel's own travel. [N]

    Zero where the suspension is free; above zero it is the pull of the droop stop.
    """
    x, n = (w.x_outer, w.n_outer) if side > 0.0 else (w.x_inner, w.n_inner)
    phi, a_y = d.phi, d.a_y
    s1, s2, c1, c2, p, r = (
        axle.path_slope,
        axle.path_curve,
        axle.camber_gain,
        axle.camber_slope,
        axle.crown,
        axle.radius,
    )
    f = (axle.sprung + 2.0 * axle.unsprung) * _side_share(d)
    lowered = c1 * w.transfer / axle.tyre_rate
    per_newton = (
        1.0
        + axle.tilted
        - 0.5 * phi * phi
        - side * (s1 - p * c1) * phi
        - f * (phi - lowered)
        - side * f * s1
        + ((r - p) * c1 * c1 - side * ((s2 - p * c2) * phi + s2 * f)) * x
        - side * c1 * f * n * axle.side_compliance
    )
    sideways = s1 - c1 * r + (s2 - c2 * r) * x
    own = axle.unsprung * (a_y * phi - G) + side * (
        axle.unsprung * (a_y + G * phi) * sideways - axle.spin * a_y * (c1 + c2 * x)
    )
    spring = axle.preload + axle.wheel_rate * x + 0.5 * axle.rate_slope * x * x
    return spring + side * axle.bar_rate * w.half_difference - n * per_newton - own


def _wishbone_equations(axle: Axle, w: Wheels, d: Demand, stage: Stage) -> list[Number]:
    outer, inner = (wheel_balance(axle, w, d, side) for side in (1.0, -1.0))
    if stage.outer_stop:
        outer = axle.wheel_rate * (w.x_outer + axle.droop)
    if stage.inner_stop:
        inner = axle.wheel_rate * (w.x_inner + axle.droop)
    return [outer, inner, *_road(axle, w, d, stage)]


def _wishbone_moment(axle: Axle, w: Wheels, d: Demand) -> Number:
    """Moment about the middle of the axle on the road: of the road on both wheels, less weights and inertias."""
    s1, s2, c1, c2 = axle.path_slope, axle.path_curve, axle.camber_gain, axle.camber_slope
    p, r = axle.crown, axle.radius
    phi, a_y = d.phi, d.a_y
    f = (axle.sprung + 2.0 * axle.unsprung) * _side_share(d)
    total = -axle.sprung * (a_y * w.rise + axle.sprung_height * (a_y * np.cos(phi) + G * np.sin(phi)))
    for side, x, n in ((1.0, w.x_outer, w.n_outer), (-1.0, w.x_inner, w.n_inner)):
        sideways = 0.5 * axle.track * (1.0 - 0.5 * phi * phi) + s1 * x + 0.5 * s2 * x * x
        contact = side * sideways + phi * x + p * (phi - side * (c1 * x + 0.5 * c2 * x * x))
        hub = (r + x) * phi + side * ((s1 - c1 * r) * x + 0.5 * (s2 - c2 * r) * x * x)
        high = r + x + w.rise
        total = total + n * (contact - f * n * axle.side_compliance)
        total = total - axle.unsprung * (a_y * high + G * hub) - axle.spin * a_y
    return total


# ------------------------------------------------------------------------------------------------------ beam


class _Hinged(NamedTuple):
    """Forces and place of a beam axle: springs and bar on the outer and the inner side, roll and rise of the beam."""

    f_outer: Number
    f_inner: Number
    slack: Number
    stop: Number
    psi: Number
    beam_rise: Number
    risen: Number


def _hinged(axle: Axle, w: Wheels, d: Demand, stage: Stage) -> _Hinged:
    """Vertical balance of the sprung mass on its two springs and on the hinge, which lifts it as it rolls."""
    held = d.phi if d.held is None else d.held
    hinge = axle.sprung * (d.a_y * np.sin(held) + G * (1.0 - np.cos(held)))
    body = axle.sprung * G + d.load - axle.static_load
    bar = axle.bar_rate * w.half_difference
    f_outer = axle.preload + axle.wheel_rate * w.x_outer + bar
    f_inner = body - hinge - f_outer
    risen = (hinge - d.load + axle.static_load) / (2.0 * axle.wheel_rate)
    return _Hinged(
        f_outer=f_outer,
        f_inner=f_inner,
        slack=axle.preload + axle.wheel_rate * w.x_inner - bar - f_inner,
        stop=risen if stage.spent else axle.droop,
        psi=d.phi - 2.0 * w.half_difference / axle.track,
        beam_rise=w.rise + w.mean,
        risen=risen,
    )


def _beam_equations(axle: Axle, w: Wheels, d: Demand, stage: Stage) -> list[Number]:
    """The inner suspension, moments about the middle of the road on the beam, and the road."""
    b = _hinged(axle, w, d, stage)
    suspension = axle.wheel_rate * (w.x_inner + b.stop) if stage.inner_stop else b.slack
    both = axle.sprung + 2.0 * axle.unsprung
    low = axle.sprung * axle.roll_centre + 2.0 * axle.unsprung * axle.radius
    sunk = -(d.load - axle.static_load) / (2.0 * axle.tyre_rate)
    overturning = low * (d.a_y + G * b.psi) + both * (d.a_y * b.beam_rise + G * b.psi * sunk)
    moment = w.transfer - 0.5 * (b.f_outer - b.f_inner) - overturning / axle.track
    return [suspension, moment, *_road(axle, w, d, stage)]


def _beam_moment(axle: Axle, w: Wheels, d: Demand, stage: Stage) -> Number:
    """Moment about the roll centre on the body: of springs and bar, less the sprung mass's own."""
    b = _hinged(axle, w, d, stage)
    carried = axle.arm * (d.a_y * np.cos(d.phi) + G * np.sin(d.phi)) - d.a_y * w.mean
    return 0.5 * axle.track * (b.f_outer - b.f_inner) - axle.sprung * carried


# ---------------------------------------------------------------------------------------------- either of them


def equations(axle: Axle, w: Wheels, d: Demand, stage: Stage) -> list[Number]:
    """Five residuals of an axle. [N]"""
    law = _wishbone_equations if axle.law == "wishbone" else _beam_equations
    return law(axle, w, d, stage)


def moment(axle: Axle, w: Wheels, d: Demand, stage: Stage) -> Number:
    """Restoring less overturning moment that an axle leaves on the body. [N m]"""
    if axle.law == "wishbone":
        return _wishbone_moment(axle, w, d)
    return _beam_moment(axle, w, d, stage)


def elastic(axle: Axle, w: Wheels, d: Demand, stage: Stage) -> Number:
    """Transfer per wheel that goes through a beam's springs and bar. [N]"""
    b = _hinged(axle, w, d, stage)
    return 0.5 * (b.f_outer - b.f_inner)


def tests_of(axle: Axle, w: Wheels, d: Demand, stage: Stage) -> dict[str, Number]:
    """One number per constraint of a stage, not below zero while the stage holds. [N]"""
    found = {"up": axle.tyre_rate * _gap(axle, w, d.phi, -1.0) if stage.up else w.n_inner}
    if axle.law == "wishbone":
        for flag, side, x in (("outer_stop", 1.0, w.x_outer), ("inner_stop", -1.0, w.x_inner)):
            stopped = getattr(stage, flag)
            found[flag] = wheel_balance(axle, w, d, side) if stopped else axle.wheel_rate * (x + axle.droop)
    else:
        b = _hinged(axle, w, d, stage)
        found["inner_stop"] = b.slack if stage.inner_stop else axle.wheel_rate * (w.x_inner + b.stop)
        over = axle.wheel_rate * (b.risen - axle.droop)
        found["spent"] = over if stage.spent else -over
    return found


def leans_out(axle: Axle, w: Wheels, phi: Number) -> tuple[Number, Number]:
    """How far (inner, outer) wheels have leaned out of the turn since the car stood: each by its own travel, or both
    by the roll of the suspension less its camber gain and the roll of the beam."""
    if axle.law == "wishbone":
        c1, c2 = axle.camber_gain, axle.camber_slope
        inner = phi + c1 * w.x_inner + 0.5 * c2 * w.x_inner**2
        return inner, phi - c1 * w.x_outer - 0.5 * c2 * w.x_outer**2
    both = phi - axle.camber_gain * w.half_difference
    return both, both


def rates(axle: Axle, w: Wheels, d: Demand, stage: Stage, along: Demand) -> Wheels:
    """How the unknowns follow a change of demand, the five residuals staying zero: complex steps, then one solution."""
    columns = np.eye(6, 5).T * (1j * STEP) + np.array(w, dtype=complex)[:, None]
    last = np.array([0.0, 0.0, 0.0, 0.0, 0.0, STEP]) * 1j
    moved = Demand(d.phi + along.phi * last, d.a_y + along.a_y * last, d.load + along.load * last, d.held)
    slopes = np.array([np.imag(value) / STEP for value in equations(axle, Wheels(*columns), moved, stage)])
    return Wheels(*np.linalg.solve(slopes[:, :5], -slopes[:, 5]))


def derivative(function: Any, axle: Axle, w: Wheels, d: Demand, stage: Stage, dw: Wheels, along: Demand) -> float:
    """Derivative of `moment` or `elastic` along a change of demand and of the unknowns with it."""
    moved = Wheels(*(complex(value, STEP * rate) for value, rate in zip(w, dw, strict=True)))
    demand = Demand(
        complex(d.phi, STEP * along.phi), complex(d.a_y, STEP * along.a_y), complex(d.load, STEP * along.load), d.held
    )
    return float(np.imag(function(axle, moved, demand, stage))) / STEP
