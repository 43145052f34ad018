"""Setups of one block through all phases, side by side (`lanes`); those that need the last resort one by one."""

from __future__ import annotations

import numpy as np

from explorer.model.car.bumps import bump_level, level_at
from explorer.model.car.car import car_at, fault_of, phase_at
from explorer.model.car.clearance import axle_height, chassis_clearance
from explorer.model.car.slots import PHASE_COLUMNS, SLOT
from explorer.model.car.tyre import tyre_at
from explorer.model.corner.cornering import car_state, wheels_at
from explorer.model.corner.direct import direct_limits, no_route, route_of
from explorer.model.corner.followed import followed_limits
from explorer.model.corner.grip import corner_of
from explorer.model.corner.path import PathLaw, law_of, path_law, unlike, values_of
from explorer.model.fill import fill_bumps, fill_phase, fill_response, fill_steady, fill_worst
from explorer.model.machine.compiled import inner, spliced
from explorer.model.machine.lanes import (
    WIDTH,
    any_of,
    get_lane,
    get_lanes,
    most,
    negated,
    put_at,
    put_lane,
    put_lanes,
    value_at,
)
from explorer.model.metrics import CAR_COLUMN, N_CAR, N_PHASE, PHASE_COLUMN

_CASTER, _KPI, _ACKERMANN = SLOT["caster"], SLOT["kingpin_inclination"], SLOT["ackermann_share"]
_ROUGHNESS, _BUMP = SLOT["roughness"], SLOT["bump_height"]
_HALF, _FRONT_EDGE, _REAR_EDGE = SLOT["chassis_half_width"], SLOT["front_edge_offset"], SLOT["rear_edge_offset"]
_WEIGHT, _TURN_IN = PHASE_COLUMNS.index("weight"), PHASE_COLUMNS.index("is_turn_in")
_GRIP, _C_MEAN = PHASE_COLUMN["grip_margin_pct"], CAR_COLUMN["mean_grip_margin_pct"]
SPACE = 256 * WIDTH
"""Numbers that one corner and its path, or what was found about it, may take in work space."""
NO_EQUILIBRIUM = 6
"""Fault number of a setup whose equilibrium did not converge, see `car.FAULTS`."""


@inner
def levels_at(body, front, rear):
    """Front and rear `bump_level` of a car."""
    return (
        bump_level(front, body.roll_inertia, body.sprung_mass),
        bump_level(rear, body.roll_inertia, body.sprung_mass),
    )


@inner
def corner_at(vector, car, levels, phase_row, pitch_arm):
    """(`Corner`, front and rear `BumpLevel`) of a car, `(body, front, rear, tyre)` with its `levels_at`, in a phase."""
    body, front, rear, tyre = car
    phase = phase_at(vector, phase_row, body, pitch_arm)
    roughness = value_at(vector, _ROUGHNESS)
    front_bumps = level_at(levels[0], roughness, phase.speed)
    rear_bumps = level_at(levels[1], roughness, phase.speed)
    steering = value_at(vector, _ACKERMANN), value_at(vector, _CASTER), value_at(vector, _KPI)
    corner = corner_of(body, front, rear, phase, tyre, *steering, front_bumps.load, rear_bumps.load)
    return corner, front_bumps, rear_bumps


@inner
def follow(corner, law, limits, count, tables, starts, faults):
    """`DirectLimits` with those lanes filled in by the last resort that are not `done`."""
    corners, found, places = np.empty(SPACE), np.empty(SPACE), np.empty(WIDTH)
    put_lanes(corners, (corner, law))
    put_lanes(found, limits)
    put_lanes(places, (starts,))
    for lane in range(count):
        if faults[lane] == 0 and not get_lane(found, lane, limits).done:
            one, its_law = get_lane(corners, lane, (corner, law))
            followed = followed_limits(one, its_law, tables, places[lane])
            put_lane(found, lane, followed)
            if not followed.done:
                faults[lane] = NO_EQUILIBRIUM
    return get_lanes(found, limits)


@inner
def clearance_at(vector, corner, state, front_bumps, rear_bumps):
    """Lowest point of the chassis edge. [m]"""
    return chassis_clearance(
        axle_height(corner.front, state.front, front_bumps.travel),
        axle_height(corner.rear, state.rear, rear_bumps.travel),
        corner.body.wheelbase,
        value_at(vector, _FRONT_EDGE),
        value_at(vector, _REAR_EDGE),
        value_at(vector, _HALF),
        state.front_roll,
        state.rear_roll,
    )


@spliced
def evaluate_block(axles_of, vectors, count, phases, tables, which, out, faults):
    """Fill `count` rows of metrics, at most `WIDTH`, from parameter vectors (slots, WIDTH); lanes without a setup hold
    copies. `axles_of` is the axle law, see `path`. A row whose fault number (see `car.FAULTS`) is not 0 holds zeros.
    `tables` (kinds, steps, 2), `which` (WIDTH,) the kind of each row."""
    flat = tables.reshape(-1)
    size = float(tables.shape[1] * tables.shape[2])
    metrics, work = np.empty((out.shape[1], WIDTH)), np.empty((2, WIDTH))
    body, front, rear = car_at(vectors)
    car = body, front, rear, tyre_at(vectors)
    put_at(work, 0, fault_of(vectors, body, front, rear))
    for lane in range(WIDTH):
        work[1, lane] = which[lane] * size
        if lane < count:
            faults[lane] = int(work[0, lane])
    starts = value_at(work, 1)
    levels = levels_at(body, front, rear)
    axles, arm = law_of(axles_of, front, rear, body)
    none = 0.0 * starts
    total = front.weight + rear.weight
    fill_steady(PathLaw(axles[0], axles[1], front.weight, total, none, none, none, none, none), metrics[:N_CAR])
    fastest = mean = none
    last, route = PathLaw(axles[0], axles[1], none, none, none, none, none, none, none), no_route(none)
    for p in range(phases.shape[0]):
        corner, front_bumps, rear_bumps = corner_at(vectors, car, levels, phases[p], arm)
        fastest = most(fastest, corner.phase.speed)
        law = path_law(axles, corner.phase, body)
        if any_of(unlike(law, last)):  # steady turns of one setup share their path
            last, route = law, route_of(law)
        limits = direct_limits(corner, law, route, flat, starts)
        if any_of(negated(limits.done)):
            limits = follow(corner, law, limits, count, flat, starts, faults)
        state = car_state(law, body, limits.asked)
        wheels = wheels_at(corner, state, limits.rolled_over)
        clearance = clearance_at(vectors, corner, state, front_bumps, rear_bumps)
        block = metrics[N_CAR + p * N_PHASE : N_CAR + (p + 1) * N_PHASE]
        fill_phase(corner, limits, state, wheels, clearance, flat, starts, block)
        if phases[p, _TURN_IN] > 0.5:
            fill_response(corner, car_state(law, body, values_of(route.start.state)), metrics[:N_CAR])
        fill_worst(block, p == 0, metrics[:N_CAR])
        mean = mean + phases[p, _WEIGHT] * value_at(block, _GRIP)
    put_at(metrics, _C_MEAN, mean / phases[:, _WEIGHT].sum())
    roughness, bump = value_at(vectors, _ROUGHNESS), value_at(vectors, _BUMP)
    fill_bumps(front, 0, level_at(levels[0], roughness, fastest), bump, metrics[:N_CAR])
    fill_bumps(rear, 1, level_at(levels[1], roughness, fastest), bump, metrics[:N_CAR])
    for lane in range(count):
        answered = faults[lane] == 0
        for column in range(out.shape[1]):
            out[lane, column] = metrics[column, lane] if answered else 0.0
