"""Tangents of the axles, and the response to the steering from the state matrices.

The bicycle model with a roll degree of freedom (Milliken & Milliken, Race Car Vehicle Dynamics, ch. 5; Gillespie,
Fundamentals of Vehicle Dynamics, ch. 6), each tyre at small slip and its own load.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.linalg import eigvals, expm

from twin.car import ENDS, Axle, Car, G
from twin.laws import Demand, Stage, Wheels, derivative, elastic, moment, rates
from twin.statics import AxleState, Point

if TYPE_CHECKING:
    from twin.corner import Corner

BITE_TIME = 0.020
LONGEST_LAG = 1.0
ROLL = Demand(1.0, 0.0, 0.0)
LATERAL = Demand(0.0, 1.0, 0.0)


class Tangent(NamedTuple):
    """Per roll of the body at a fixed lateral acceleration and axle load: moment [N m], travels of the outer and the
    inner wheel [m], lean into the turn of the inner and the outer wheel, damping [N m s], transfer per wheel [N]."""

    stiffness: float
    x_outer: float
    x_inner: float
    leans: tuple[float, float]
    damping: float
    transfer: float


def tangent(axle: Axle, state: AxleState) -> Tangent:
    """How an axle answers a small roll.

    Wishbones: the whole moment on the body, weight and jacking included. Beam: what springs and bar carry, the lift of
    the body by the hinge held as it is.
    """
    w, stage = state.wheels, state.stage
    d = state.demand
    if axle.law == "beam":
        d = d._replace(held=d.phi)
    dw = rates(axle, w, d, stage, ROLL)
    if axle.law == "beam":
        stiffness = axle.track * derivative(elastic, axle, w, d, stage, dw, ROLL)
        lean = 0.5 * axle.camber_gain * (dw.x_outer - dw.x_inner) - 1.0
        leans, transfer = (lean, lean), stiffness / axle.track
    else:
        stiffness = derivative(moment, axle, w, d, stage, dw, ROLL)
        c1, c2, transfer = axle.camber_gain, axle.camber_slope, dw.transfer
        leans = (-1.0 - (c1 + c2 * w.x_inner) * dw.x_inner, (c1 + c2 * w.x_outer) * dw.x_outer - 1.0)
    damping = axle.damping * (dw.x_outer**2 + dw.x_inner**2)
    return Tangent(stiffness, dw.x_outer, dw.x_inner, leans, damping, transfer)


def roll_gradient(car: Car) -> tuple[float, float]:
    """Initial roll per lateral acceleration (rad per m/s^2, rigid chassis, static loads) and front share of roll
    stiffness: what the wheels transfer for wishbones, what springs and bar do for beams."""
    overturning = stiffness = 0.0
    shares = []
    for axle in car.axles:
        w = Wheels(0.0, 0.0, 0.5 * axle.static_load, 0.5 * axle.static_load, 0.0)
        d, stage = Demand(0.0, 0.0, axle.static_load), Stage(inner_stop=axle.droop == 0.0)
        by_roll, by_lateral = (rates(axle, w, d, stage, along) for along in (ROLL, LATERAL))
        overturning -= derivative(moment, axle, w, d, stage, by_lateral, LATERAL)
        stiffness += derivative(moment, axle, w, d, stage, by_roll, ROLL)
        if car.law == "beam":
            shares.append(axle.track * derivative(elastic, axle, w, d, stage, by_roll, ROLL))
        else:
            shares.append(axle.track * by_roll.transfer)
    return overturning / stiffness, shares[0] / sum(shares)


class Response(NamedTuple):
    """Linear yaw-roll response near straight ahead; `bite` in per cent, `bite_force` in newtons."""

    lag: float
    bite: float
    bite_force: float
    damping_ratio: float
    unstable: bool


def state_space(corner: Corner, point: Point) -> tuple[np.ndarray, np.ndarray, float, float, float]:
    """Matrices of x' = A x + B delta with x = (v_y, r, p, phi), and roll damping, net stiffness and inertia."""
    car, p, u = corner.car, corner.car.p, corner.speed
    grip = corner.grip(point)
    slip, camber, stiffness, damping = [], [], 0.0, 0.0
    by_grip = p["grip"] ** p["stiffness_grip_exponent"]
    for end, axle, state, loads in zip(ENDS, car.axles, point.axles, grip.loads, strict=True):
        answer = tangent(axle, state)
        stiffness += answer.stiffness
        damping += answer.damping
        scales = [(load / p["reference_load"]) ** p["cornering_exponent"] if load > 0.0 else 0.0 for load in loads]
        slip.append(p[f"{end}_cornering_stiffness"] * by_grip * sum(scales))
        thrust = sum(scale * lean for scale, lean in zip(scales, answer.leans, strict=True))
        camber.append(p["camber_stiffness"] * by_grip * thrust)
    a, b = car.wheelbase * (1.0 - car.front_weight), car.wheelbase * car.front_weight
    arm, m, m_s = car.arm, car.mass, car.sprung
    net = stiffness - (m_s * G * arm if car.law == "beam" else 0.0)
    inertia = p["roll_inertia"] + m_s * arm**2
    front = np.array([-slip[0] / u, -slip[0] * a / u, 0.0, camber[0]])
    rear = np.array([-slip[1] / u, slip[1] * b / u, 0.0, camber[1]])
    turning = np.array([0.0, u, 0.0, 0.0])
    masses = np.array(
        [[m, 0.0, -m_s * arm, 0.0], [0.0, p["yaw_inertia"], 0.0, 0.0], [-m_s * arm, 0.0, inertia, 0.0], [0, 0, 0, 1.0]]
    )
    right = np.array(
        [
            front + rear - m * turning,
            a * front - b * rear,
            m_s * arm * turning - np.array([0.0, 0.0, damping, net]),
            [0.0, 0.0, 1.0, 0.0],
        ]
    )
    steer = np.array([slip[0], a * slip[0], 0.0, 0.0])
    return np.linalg.solve(masses, right), np.linalg.solve(masses, steer), damping, net, inertia


def response(corner: Corner) -> Response:
    """Lag of the roll behind a steady ramp of steer, and the share of its final value 20 ms after a step; the load
    transferred by then, the step being the steer that brings the phase's lateral acceleration in the end. The car
    drives straight on as the phase brakes it.

    A car whose front wheels carry nothing does not answer the steering at all and counts as unstable.
    """
    first = corner.path.pieces[0]
    point = corner.path.point(first.low, first.bearing)
    a, b, damping, net, inertia = state_space(corner, point)
    ratio = damping / (2.0 * math.sqrt(net * inertia)) if net > 0.0 else 0.0
    if not b.any() or float(np.max(eigvals(a).real)) >= 0.0:
        return Response(LONGEST_LAG, 0.0, 0.0, ratio, True)
    once = np.linalg.solve(a, b)
    twice = np.linalg.solve(a, once)
    final = -once[3]
    augmented = np.zeros((5, 5))
    augmented[:4, :4] = a
    augmented[:4, 4] = b
    stepped = expm(augmented * BITE_TIME)[3, 4]
    lag = float(twice[3] / final)
    steer = corner.required / (corner.speed * -once[1])
    per_roll = sum(tangent(*pair).transfer for pair in zip(corner.car.axles, point.axles, strict=True))
    force = float(stepped * steer) * per_roll
    return Response(min(lag, LONGEST_LAG), 100.0 * float(stepped / final), force, ratio, False)
