"""Metrics in edge units, written into a row of the metric table, or of several setups side by side (`lanes.put_at`)."""

from __future__ import annotations

import numpy as np

from explorer.model.bumps import bump_step
from explorer.model.car import G
from explorer.model.compiled import inner, njit
from explorer.model.lanes import least, put_at, value_at, where
from explorer.model.metrics import CAR_COLUMN, PHASE_COLUMN
from explorer.model.response import lean_per_roll, load_scaled, response_of, roll_mode

_ROLL, _GRIP, _FRONT_GRIP, _REAR_GRIP = (
    PHASE_COLUMN[name] for name in ("roll_deg", "grip_margin_pct", "front_grip_margin_pct", "rear_grip_margin_pct")
)
_BALANCE, _LIFT, _OVER, _CLEAR = (
    PHASE_COLUMN[name] for name in ("balance_pct", "lift_margin_pct", "rollover_margin_pct", "clearance_mm")
)
_LOADS, _LEANS = PHASE_COLUMN["front_inner_load_n"], PHASE_COLUMN["front_inner_inclination_deg"]
_LIFT_AXLE, _LIMITED_BY, _STATE = (PHASE_COLUMN[name] for name in ("lift_axle", "limited_by", "state"))

_C_LAG, _C_BITE, _C_DAMP = CAR_COLUMN["lag_ms"], CAR_COLUMN["bite_pct"], CAR_COLUMN["roll_damping_ratio"]
_C_LOAD, _C_UPSET, _C_STEP = (
    CAR_COLUMN[name] for name in ("front_bump_load_n", "front_bump_upset_m_per_s2", "front_bump_step_n")
)
_C_GRADIENT, _C_SHARE = CAR_COLUMN["roll_gradient_deg_per_g"], CAR_COLUMN["front_roll_stiffness_share_pct"]
_C_STATE = CAR_COLUMN["response_state"]
_WORST = ("grip_margin_pct", "lift_margin_pct", "rollover_margin_pct", "clearance_mm")
_WORST_OF_CAR = tuple(CAR_COLUMN[name] for name in _WORST)
_WORST_OF_PHASE = tuple(PHASE_COLUMN[name] for name in _WORST)
_DEG = 180.0 / np.pi


@njit(cache=True, error_model="numpy")
def margin_pct(limit, required):
    """How far a limit lies above what is required; negative past it. [%]

    >>> round(float(margin_pct(9.0, 6.0)), 12)
    50.0
    """
    return 100.0 * (limit / required - 1.0)


@njit(cache=True, error_model="numpy")
def initial_roll_stiffness(axle):
    """(stiffness [N m/rad], roll the axle's direct transfer adds as `kappa A/(c + kappa)`) near zero acceleration."""
    rate = axle.wheel_rate + 0.5 * axle.bar_rate
    square = axle.track * axle.track
    compliance = where(axle.droop > 0.0, 2.0 / (axle.wheel_rate + axle.bar_rate), 1.0 / rate)
    kappa = 2.0 / (axle.tyre_rate * (1.0 - 2.0 * axle.roll_moment_mass * G / (axle.tyre_rate * square)))
    return square / (compliance + kappa), kappa * axle.roll_moment_mass / (compliance + kappa)


@inner
def fill_steady(body, front, rear, car):
    """Roll gradient (Gillespie, ch. 6: `W h / (K_f + K_r - W h)`, tyres included) and front roll-stiffness share."""
    front_k, front_direct = initial_roll_stiffness(front)
    rear_k, rear_direct = initial_roll_stiffness(rear)
    arm = body.sprung_mass * body.roll_arm
    net = front_k + rear_k - arm * G
    gradient = (arm + front_direct + rear_direct) / net * (G * _DEG)
    put_at(car, _C_GRADIENT, where(net > 0.0, gradient, 90.0))
    put_at(car, _C_SHARE, 100.0 * front_k / (front_k + rear_k))


@inner
def fill_bumps(axle, end, level, height, car):
    """Bump figures of one end."""
    put_at(car, _C_LOAD + end, level.load)
    put_at(car, _C_UPSET + end, level.body_acceleration)
    put_at(car, _C_STEP + end, bump_step(axle.wheel_rate, axle.bar_rate, axle.tyre_rate, height))


@inner
def fill_phase(corner, limits, wheels, clearance, out):
    """Metrics of one phase, in edge units."""
    required, state = corner.phase.lateral, limits.required
    lowest = least(limits.front_grip, limits.rear_grip)
    put_at(out, _ROLL, state.roll * _DEG)
    put_at(out, _GRIP, margin_pct(lowest, required))
    put_at(out, _FRONT_GRIP, margin_pct(limits.front_grip, required))
    put_at(out, _REAR_GRIP, margin_pct(limits.rear_grip, required))
    put_at(out, _BALANCE, 100.0 * (limits.front_grip - limits.rear_grip) / required)
    put_at(out, _LIFT, margin_pct(least(limits.front_lift, limits.rear_lift), required))
    put_at(out, _OVER, margin_pct(limits.rollover, required))
    put_at(out, _CLEAR, 1000.0 * clearance)
    put_at(out, _LOADS, wheels.front_inner_load)
    put_at(out, _LOADS + 1, wheels.front_outer_load)
    put_at(out, _LOADS + 2, wheels.rear_inner_load)
    put_at(out, _LOADS + 3, wheels.rear_outer_load)
    put_at(out, _LEANS, wheels.front_inner_lean * _DEG)
    put_at(out, _LEANS + 1, wheels.front_outer_lean * _DEG)
    put_at(out, _LEANS + 2, wheels.rear_inner_lean * _DEG)
    put_at(out, _LEANS + 3, wheels.rear_outer_lean * _DEG)
    put_at(out, _LIFT_AXLE, where(limits.front_first, 0.0, 1.0))
    axle = where(limits.front_grip <= limits.rear_grip, 0.0, 1.0)
    put_at(out, _LIMITED_BY, where(lowest >= limits.rollover, 2.0, axle))
    raised = (state.front.contact_excess > 0.0) | (state.rear.contact_excess > 0.0)
    put_at(out, _STATE, where(limits.rolled_over, 2.0, where(raised, 1.0, 0.0)))


@inner
def fill_response(corner, limits, wheels, car):
    """Lag, bite and damping about the working point of the turn-in phase."""
    state, tyre = limits.required, corner.tyre
    q, f0 = tyre.cornering_exponent, tyre.reference_load
    front_scale = load_scaled(1.0, q, f0, wheels.front_inner_load, wheels.front_outer_load)
    rear_scale = load_scaled(1.0, q, f0, wheels.rear_inner_load, wheels.rear_outer_load)
    response = response_of(
        corner.body,
        roll_mode(corner.body, corner.front, corner.rear, state.front, state.rear),
        corner.phase.speed,
        tyre.cornering_stiffness * front_scale,
        tyre.cornering_stiffness * rear_scale,
        tyre.camber_stiffness * front_scale * lean_per_roll(corner.front, state.front),
        tyre.camber_stiffness * rear_scale * lean_per_roll(corner.rear, state.rear),
    )
    put_at(car, _C_LAG, 1000.0 * response.lag)
    put_at(car, _C_BITE, 100.0 * response.bite)
    put_at(car, _C_DAMP, response.damping_ratio)
    put_at(car, _C_STATE, where(response.unstable, 1.0, 0.0))


@inner
def fill_worst(block, first, car):
    """Keep the lowest of each margin over the phases."""
    for k in range(len(_WORST_OF_CAR)):
        value = value_at(block, _WORST_OF_PHASE[k])
        place = _WORST_OF_CAR[k]
        put_at(car, place, where(first, value, least(value_at(car, place), value)))
