"""Setups of one block through all phases: cars one by one, limits of their corners side by side (`lanes`)."""

from __future__ import annotations

import numpy as np

from explorer.model.bumps import bump_level
from explorer.model.car import car_at, fault_of, phase_at
from explorer.model.clearance import axle_height, chassis_clearance
from explorer.model.compiled import inner
from explorer.model.cornering import corner_limits
from explorer.model.direct import direct_limits
from explorer.model.fill import fill_bumps, fill_phase, fill_response, fill_steady, fill_worst
from explorer.model.grip import corner_of, wheels_at
from explorer.model.lanes import WIDTH, get_lane, get_lanes, put_lane, put_lanes
from explorer.model.metrics import CAR_COLUMN, N_CAR, N_PHASE, PHASE_COLUMN
from explorer.model.slots import PHASE_COLUMNS, SLOT
from explorer.model.tyre import tyre_at

_CASTER, _KPI, _ACKERMANN = SLOT["caster"], SLOT["kingpin_inclination"], SLOT["ackermann_share"]
_ROUGHNESS, _BUMP = SLOT["roughness"], SLOT["bump_height"]
_HALF, _FRONT_EDGE, _REAR_EDGE = SLOT["chassis_half_width"], SLOT["front_edge_offset"], SLOT["rear_edge_offset"]
_WEIGHT, _TURN_IN = PHASE_COLUMNS.index("weight"), PHASE_COLUMNS.index("is_turn_in")
_GRIP, _C_MEAN = PHASE_COLUMN["grip_margin_pct"], CAR_COLUMN["mean_grip_margin_pct"]
ROOM = 128 * WIDTH
"""Numbers that one corner, or what was found about it, may take in work space."""


@inner
def corner_at(vector, car, phase_row):
    """(`Corner`, front and rear `BumpLevel`) of a car, `(body, front, rear, tyre)`, in a phase."""
    body, front, rear, tyre = car
    phase = phase_at(vector, phase_row, body)
    roughness = vector[_ROUGHNESS]
    front_bumps = bump_level(front, body.roll_inertia, body.sprung_mass, roughness, phase.speed)
    rear_bumps = bump_level(rear, body.roll_inertia, body.sprung_mass, roughness, phase.speed)
    steering = vector[_ACKERMANN], vector[_CASTER], vector[_KPI]
    corner = corner_of(body, front, rear, phase, tyre, *steering, front_bumps.load, rear_bumps.load)
    return corner, front_bumps, rear_bumps


@inner
def fill_setup(vector, corner, front_bumps, rear_bumps, limits, phase_row, first, out, block):
    """Metrics of one setup in one phase, and what its car metrics take from it."""
    car = out[:N_CAR]
    state = limits.required
    wheels = wheels_at(corner, state, limits.rolled_over)
    clearance = chassis_clearance(
        axle_height(corner.front, state.front, front_bumps.travel),
        axle_height(corner.rear, state.rear, rear_bumps.travel),
        corner.body.wheelbase,
        vector[_FRONT_EDGE],
        vector[_REAR_EDGE],
        vector[_HALF],
        state.front_roll,
        state.rear_roll,
    )
    fill_phase(corner, limits, wheels, clearance, block)
    if phase_row[_TURN_IN] > 0.5:
        fill_response(corner, limits, wheels, car)
    fill_worst(block, first, car)
    car[_C_MEAN] += phase_row[_WEIGHT] * block[_GRIP]


@inner
def evaluate_block(vectors, count, phases, tables, which, out, faults):
    """Fill `count` rows of metrics, at most `WIDTH`, from parameter vectors (WIDTH, slots); lanes without a setup hold
    copies. A row whose fault number (see `car.FAULTS`) is not 0 is left at zero. `tables` (kinds, steps, 2), `which`
    (WIDTH,) the kind of each row."""
    flat = tables.reshape(-1)
    size = tables.shape[1] * tables.shape[2]
    cars, corners, found = np.empty(ROOM), np.empty(ROOM), np.empty(ROOM)
    fastest = np.zeros(WIDTH)
    for lane in range(WIDTH):
        body, front, rear = car_at(vectors[lane])
        car = body, front, rear, tyre_at(vectors[lane])
        put_lane(cars, lane, car)
        if lane < count:
            faults[lane] = fault_of(vectors[lane], body, front, rear)
            if faults[lane] == 0:
                fill_steady(body, front, rear, out[lane, :N_CAR])
    weights = phases[:, _WEIGHT].sum()
    for p in range(phases.shape[0]):
        for lane in range(WIDTH):
            cornering = corner_at(vectors[lane], get_lane(cars, lane, car), phases[p])
            put_lane(corners, lane, (cornering, float(which[lane] * size)))
        (corner_lanes, _, _), starts = get_lanes(corners, (cornering, 1.0))
        direct = direct_limits(corner_lanes, flat, starts)
        put_lanes(found, direct)
        for lane in range(count):
            if faults[lane] != 0:
                continue
            corner, front_bumps, rear_bumps = get_lane(corners, lane, cornering)
            vector, row = vectors[lane], out[lane]
            if corner.phase.speed > fastest[lane]:
                fastest[lane] = corner.phase.speed
                fill_bumps(corner.front, 0, front_bumps, vector[_BUMP], row)
                fill_bumps(corner.rear, 1, rear_bumps, vector[_BUMP], row)
            limits = corner_limits(corner, tables[which[lane]], get_lane(found, lane, direct))
            if not limits.converged:
                row[:] = 0.0
                faults[lane] = 6
                continue
            block = row[N_CAR + p * N_PHASE : N_CAR + (p + 1) * N_PHASE]
            fill_setup(vector, corner, front_bumps, rear_bumps, limits, phases[p], p == 0, row, block)
    for lane in range(count):
        out[lane, _C_MEAN] /= weights
