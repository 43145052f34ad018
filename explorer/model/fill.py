"""Metrics in edge units, written into a row of the metric table, or of several setups side by side (`lanes.put_at`)."""

from __future__ import annotations

import numpy as np

from explorer.model.car.bumps import bump_step
from explorer.model.car.car import G
from explorer.model.corner.axle_point import LATERAL, SIGMA
from explorer.model.corner.grip import balance_at
from explorer.model.corner.path import PathState, axles_at
from explorer.model.corner.response import axle_forces, response_of, roll_mode, steady_transfer
from explorer.model.machine.compiled import inner, njit
from explorer.model.machine.jets import part
from explorer.model.machine.lanes import least, put_at, value_at, where
from explorer.model.metrics import CAR_COLUMN, PHASE_COLUMN

_ROLL, _GRIP, _FRONT_GRIP, _REAR_GRIP = (
    PHASE_COLUMN[name] for name in ("roll_deg", "grip_margin_pct", "front_grip_margin_pct", "rear_grip_margin_pct")
)
_BALANCE, _LIFT, _OVER, _CLEAR = (
    PHASE_COLUMN[name] for name in ("balance_pct", "lift_margin_pct", "rollover_margin_pct", "clearance_mm")
)
_LOADS, _LEANS = PHASE_COLUMN["front_inner_load_n"], PHASE_COLUMN["front_inner_inclination_deg"]
_LIFT_AXLE, _LIMITED_BY, _STATE = (PHASE_COLUMN[name] for name in ("lift_axle", "limited_by", "state"))

_C_LAG, _C_BITE, _C_FORCE, _C_DAMP = (
    CAR_COLUMN[name] for name in ("lag_ms", "bite_pct", "bite_n", "roll_damping_ratio")
)
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


@inner
def fill_steady(law, car):
    """Roll gradient (Gillespie, ch. 6: `W h / (K_f + K_r - W h)`, tyres included) and front roll-stiffness share, of a
    car that stands still; `law` is its path's, with nothing but its weight."""
    none = 0.0 * law.front_weight
    front, rear = axles_at(law, 0.0, PathState(none, none, none, none, none, none, none, none))
    net = part(front.moment, SIGMA) + part(rear.moment, SIGMA)
    tipping = part(front.moment, LATERAL) + part(rear.moment, LATERAL)
    put_at(car, _C_GRADIENT, where(net > 0.0, -tipping / net * (G * _DEG), 90.0))
    put_at(car, _C_SHARE, 100.0 * front.roll_stiffness / (front.roll_stiffness + rear.roll_stiffness))


@inner
def fill_bumps(axle, end, level, height, car):
    """Bump figures of one end."""
    put_at(car, _C_LOAD + end, level.load)
    put_at(car, _C_UPSET + end, level.body_acceleration)
    put_at(car, _C_STEP + end, bump_step(axle.wheel_rate, axle.bar_rate, axle.tyre_rate, height))


@inner
def fill_phase(corner, limits, state, wheels, clearance, tables, table_start, out):
    """Metrics of one phase, in edge units; the bump tables are for the balance, see `grip.balance_at`."""
    required = corner.phase.lateral
    lowest = least(limits.front_grip, limits.rear_grip)
    put_at(out, _ROLL, state.roll * _DEG)
    put_at(out, _GRIP, margin_pct(lowest, required))
    put_at(out, _FRONT_GRIP, margin_pct(limits.front_grip, required))
    put_at(out, _REAR_GRIP, margin_pct(limits.rear_grip, required))
    put_at(out, _BALANCE, 100.0 * balance_at(corner, wheels, limits.asked.lateral, tables, table_start))
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
    raised = (state.front.excess > 0.0) | (state.rear.excess > 0.0)
    put_at(out, _STATE, where(limits.rolled_over, 2.0, where(raised, 1.0, 0.0)))


@inner
def fill_response(corner, upright, car):
    """Lag, bite and damping of the car that drives straight on in the turn-in phase, `upright` its `CarState`; the
    force of the bite is the share reached of the transfer that the phase's lateral acceleration brings."""
    body, front, rear = corner.body, corner.front, corner.rear
    mode = roll_mode(body, front, rear, upright.front, upright.rear)
    response = response_of(
        body,
        mode,
        corner.phase.speed,
        axle_forces(corner.tyre, front, upright.front),
        axle_forces(corner.tyre, rear, upright.rear),
    )
    transfer = steady_transfer(body, mode, front, rear, upright.front, upright.rear, corner.phase.lateral)
    put_at(car, _C_LAG, 1000.0 * response.lag)
    put_at(car, _C_BITE, 100.0 * response.bite)
    put_at(car, _C_FORCE, response.bite * transfer)
    put_at(car, _C_DAMP, response.damping_ratio)
    put_at(car, _C_STATE, where(response.unstable, 1.0, 0.0))


@inner
def fill_worst(block, first, car):
    """Keep the lowest of each margin over the phases."""
    for k in range(len(_WORST_OF_CAR)):
        value = value_at(block, _WORST_OF_PHASE[k])
        place = _WORST_OF_CAR[k]
        put_at(car, place, where(first, value, least(value_at(car, place), value)))
