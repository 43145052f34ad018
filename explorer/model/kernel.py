"""The loop over setups, phases and scenarios: calls one function per equation and fills the metric table."""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from explorer.errors import ModelError
from explorer.model.bumps import bump_level, bump_step
from explorer.model.car import G, car_at, fault_of, phase_at
from explorer.model.clearance import axle_height, chassis_clearance
from explorer.model.cornering import corner_limits
from explorer.model.grip import corner_of, wheels_at
from explorer.model.metrics import CAR_COLUMN, N_CAR, N_PHASE, PHASE_COLUMN
from explorer.model.response import lean_per_roll, load_scaled, response_of, roll_mode
from explorer.model.slots import PHASE_COLUMNS, SLOT, SLOTS
from explorer.model.tyre import bump_table, bump_tables_at, tyre_at

_CASTER, _KPI, _ACKERMANN = SLOT["caster"], SLOT["kingpin_inclination"], SLOT["ackermann_share"]
_ROUGHNESS, _BUMP = SLOT["roughness"], SLOT["bump_height"]
_HALF, _FRONT_EDGE, _REAR_EDGE = SLOT["chassis_half_width"], SLOT["front_edge_offset"], SLOT["rear_edge_offset"]
_N = SLOT["load_sensitivity"]
_WEIGHT, _TURN_IN = PHASE_COLUMNS.index("weight"), PHASE_COLUMNS.index("is_turn_in")

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
_C_STATE, _C_GRIP, _C_LIFT = (CAR_COLUMN[name] for name in ("response_state", "grip_margin_pct", "lift_margin_pct"))
_C_OVER, _C_CLEAR, _C_MEAN = (
    CAR_COLUMN[name] for name in ("rollover_margin_pct", "clearance_mm", "mean_grip_margin_pct")
)
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
    compliance = 2.0 / (axle.wheel_rate + axle.bar_rate) if axle.droop > 0.0 else 1.0 / rate
    kappa = 2.0 / (axle.tyre_rate * (1.0 - 2.0 * axle.roll_moment_mass * G / (axle.tyre_rate * axle.track**2)))
    return axle.track**2 / (compliance + kappa), kappa * axle.roll_moment_mass / (compliance + kappa)


@njit(cache=True, error_model="numpy")
def fill_steady(body, front, rear, car):
    """Roll gradient (Gillespie, ch. 6: `W h / (K_f + K_r - W h)`, tyres included) and front roll-stiffness share."""
    front_k, front_direct = initial_roll_stiffness(front)
    rear_k, rear_direct = initial_roll_stiffness(rear)
    arm = body.sprung_mass * body.roll_arm
    net = front_k + rear_k - arm * G
    car[_C_GRADIENT] = (arm + front_direct + rear_direct) / net * G * _DEG if net > 0.0 else 90.0
    car[_C_SHARE] = 100.0 * front_k / (front_k + rear_k)


@njit(cache=True, error_model="numpy")
def fill_bumps(axle, end, level, height, car):
    """Bump figures of one end."""
    car[_C_LOAD + end] = level.load
    car[_C_UPSET + end] = level.body_acceleration
    car[_C_STEP + end] = bump_step(axle.wheel_rate, axle.bar_rate, axle.tyre_rate, height)


@njit(cache=True, error_model="numpy")
def fill_phase(corner, limits, wheels, clearance, out):
    """Metrics of one phase, in edge units."""
    required = corner.phase.lateral
    lowest = min(limits.front_grip, limits.rear_grip)
    lift = min(limits.front_lift, limits.rear_lift)
    out[_ROLL] = limits.required.roll * _DEG
    out[_GRIP] = margin_pct(lowest, required)
    out[_FRONT_GRIP] = margin_pct(limits.front_grip, required)
    out[_REAR_GRIP] = margin_pct(limits.rear_grip, required)
    out[_BALANCE] = 100.0 * (limits.front_grip - limits.rear_grip) / required
    out[_LIFT] = margin_pct(lift, required)
    out[_OVER] = margin_pct(limits.rollover, required)
    out[_CLEAR] = 1000.0 * clearance
    out[_LOADS] = wheels.front_inner_load
    out[_LOADS + 1] = wheels.front_outer_load
    out[_LOADS + 2] = wheels.rear_inner_load
    out[_LOADS + 3] = wheels.rear_outer_load
    out[_LEANS] = wheels.front_inner_lean * _DEG
    out[_LEANS + 1] = wheels.front_outer_lean * _DEG
    out[_LEANS + 2] = wheels.rear_inner_lean * _DEG
    out[_LEANS + 3] = wheels.rear_outer_lean * _DEG
    out[_LIFT_AXLE] = 0.0 if limits.front_lift <= limits.rear_lift else 1.0
    if lowest >= limits.rollover:
        out[_LIMITED_BY] = 2.0
    else:
        out[_LIMITED_BY] = 0.0 if limits.front_grip <= limits.rear_grip else 1.0
    if limits.rolled_over:
        out[_STATE] = 2.0
    elif limits.required.front.contact_excess > 0.0 or limits.required.rear.contact_excess > 0.0:
        out[_STATE] = 1.0
    else:
        out[_STATE] = 0.0


@njit(cache=True, error_model="numpy")
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
    car[_C_LAG] = 1000.0 * response.lag
    car[_C_BITE] = 100.0 * response.bite
    car[_C_DAMP] = response.damping_ratio
    car[_C_STATE] = 1.0 if response.unstable else 0.0


@njit(cache=True, error_model="numpy")
def evaluate_setup(parameters, phases, table, out):
    """Fill one row of metrics; returns 0, or the number of the fault (see `car.FAULTS`) with the row left at zero."""
    body, front, rear = car_at(parameters)
    fault = fault_of(parameters, body, front, rear)
    if fault != 0:
        return fault
    tyre = tyre_at(parameters)
    car = out[:N_CAR]
    fill_steady(body, front, rear, car)
    roughness = parameters[_ROUGHNESS]
    fastest, weight_sum, weighted = 0.0, 0.0, 0.0
    for p in range(phases.shape[0]):
        phase = phase_at(parameters, phases[p], body)
        front_bumps = bump_level(front, body.roll_inertia, body.sprung_mass, roughness, phase.speed)
        rear_bumps = bump_level(rear, body.roll_inertia, body.sprung_mass, roughness, phase.speed)
        if phase.speed > fastest:
            fastest = phase.speed
            fill_bumps(front, 0, front_bumps, parameters[_BUMP], car)
            fill_bumps(rear, 1, rear_bumps, parameters[_BUMP], car)
        corner = corner_of(
            body,
            front,
            rear,
            phase,
            tyre,
            parameters[_ACKERMANN],
            parameters[_CASTER],
            parameters[_KPI],
            front_bumps.load,
            rear_bumps.load,
        )
        limits = corner_limits(corner, table)
        if not limits.converged:
            out[:] = 0.0
            return 6
        state = limits.required
        wheels = wheels_at(corner, state, limits.rolled_over)
        clearance = chassis_clearance(
            axle_height(front, state.front, front_bumps.travel),
            axle_height(rear, state.rear, rear_bumps.travel),
            body.wheelbase,
            parameters[_FRONT_EDGE],
            parameters[_REAR_EDGE],
            parameters[_HALF],
            state.front_roll,
            state.rear_roll,
        )
        block = out[N_CAR + p * N_PHASE : N_CAR + (p + 1) * N_PHASE]
        fill_phase(corner, limits, wheels, clearance, block)
        if phases[p, _TURN_IN] > 0.5:
            fill_response(corner, limits, wheels, car)
        car[_C_GRIP] = block[_GRIP] if p == 0 else min(car[_C_GRIP], block[_GRIP])
        car[_C_LIFT] = block[_LIFT] if p == 0 else min(car[_C_LIFT], block[_LIFT])
        car[_C_OVER] = block[_OVER] if p == 0 else min(car[_C_OVER], block[_OVER])
        car[_C_CLEAR] = block[_CLEAR] if p == 0 else min(car[_C_CLEAR], block[_CLEAR])
        weighted += phases[p, _WEIGHT] * block[_GRIP]
        weight_sum += phases[p, _WEIGHT]
    car[_C_MEAN] = weighted / weight_sum
    return 0


@njit(cache=True, parallel=True, error_model="numpy")
def evaluate_rows(parameters, phases, slots, factor, offset, tables, which_table, out, faults):
    """The parallel loop: row `i` in scenario `s` is `parameters[i]` with its uncertain slots scaled and shifted; its
    bump table is `tables[which_table[s, i]]`."""
    rows = parameters.shape[0]
    scenarios = factor.shape[0]
    for job in prange(rows * scenarios):
        s = job // rows
        i = job - s * rows
        vector = parameters[i].copy()
        for j in range(slots.shape[0]):
            vector[slots[j]] = vector[slots[j]] * factor[s, j] + offset[s, j]
        faults[s, i] = evaluate_setup(vector, phases, tables[which_table[s, i]], out[s, i])


def bump_tables(
    parameters: NDArray[np.float64],
    slots: NDArray[np.int64],
    factor: NDArray[np.float64],
    offset: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """One bump table per load sensitivity that occurs: tables (kinds, steps, 2) and which one (scenarios, rows).

    On smooth ground no table is read and a single one stands in.
    """
    rough, _ = np.broadcast_arrays(parameters[None, :, _ROUGHNESS], np.empty((len(factor), len(parameters))))
    exponent = np.broadcast_to(parameters[None, :, _N], rough.shape)
    for j in range(len(slots)):
        if slots[j] == _ROUGHNESS:
            rough = rough * factor[:, j, None] + offset[:, j, None]
        if slots[j] == _N:
            exponent = exponent * factor[:, j, None] + offset[:, j, None]
    if not np.any(rough > 0.0):
        return bump_table(float(exponent.flat[0]))[None].copy(), np.zeros(rough.shape, dtype=np.int64)
    kinds, which = np.unique(exponent, return_inverse=True)
    return bump_tables_at(kinds), which.reshape(rough.shape).astype(np.int64)


def evaluate_with_faults(
    parameters: NDArray[np.float64],
    phases: NDArray[np.float64],
    slots: NDArray[np.int64],
    factor: NDArray[np.float64],
    offset: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Metrics and fault numbers of parameter vectors.

    `parameters` (rows, slots) SI, `phases` (phases, columns) SI, `slots` (J,), `factor` and `offset` (scenarios, J) ->
    values (scenarios, rows, metrics) in edge units, zero where a fault is not 0, and faults (scenarios, rows).

    Raises ModelError for arrays of the wrong shape, no phase, not exactly one turn-in phase or a phase that asks for
    nothing.
    """
    if parameters.ndim != 2 or parameters.shape[1] != len(SLOTS):
        raise ModelError(f"parameters must have shape (rows, {len(SLOTS)}), not {parameters.shape}")
    if phases.ndim != 2 or phases.shape[1] != len(PHASE_COLUMNS) or len(phases) == 0:
        raise ModelError(f"phases must have shape (at least 1, {len(PHASE_COLUMNS)}), not {phases.shape}")
    if np.count_nonzero(phases[:, _TURN_IN] > 0.5) != 1:
        raise ModelError("exactly one phase must be the turn-in")
    if not (np.isfinite(phases).all() and np.all(np.maximum(phases[:, 1], phases[:, 2]) > 0.0)):
        raise ModelError("every phase needs a finite speed or grip share above zero")
    if np.any(phases[:, 0] <= 0.0) or np.any(phases[:, _WEIGHT] < 0.0) or phases[:, _WEIGHT].sum() <= 0.0:
        raise ModelError("every phase needs a radius above zero and a weight not below zero, one of them above")
    scenarios, rows = len(factor), len(parameters)
    columns = N_CAR + N_PHASE * len(phases)
    values = np.zeros((scenarios, rows, columns))
    faults = np.zeros((scenarios, rows), dtype=np.int64)
    if rows == 0:
        return values, faults
    tables, which_table = bump_tables(parameters, slots, factor, offset)
    evaluate_rows(
        np.ascontiguousarray(parameters, dtype=np.float64),
        np.ascontiguousarray(phases, dtype=np.float64),
        np.ascontiguousarray(slots, dtype=np.int64),
        np.ascontiguousarray(factor, dtype=np.float64),
        np.ascontiguousarray(offset, dtype=np.float64),
        tables,
        which_table,
        values,
        faults,
    )
    return values, faults


def evaluate_parameters(
    parameters: NDArray[np.float64],
    phases: NDArray[np.float64],
    slots: NDArray[np.int64],
    factor: NDArray[np.float64],
    offset: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """As `evaluate_with_faults`, with a boolean `valid` (scenarios, rows) in place of the fault numbers."""
    values, faults = evaluate_with_faults(parameters, phases, slots, factor, offset)
    return values, faults == 0
