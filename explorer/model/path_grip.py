"""Grip of one axle along the path, with its slope: `grip.grip_at` for floats and for lanes."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.model.compiled import inner, woven
from explorer.model.lane_math import exponential, four_from, hyperbolic_tangent, logarithm
from explorer.model.lanes import any_of, least, most, where
from explorer.model.tyre import (
    TABLE_HIGH,
    TABLE_LOW,
    TABLE_STEPS_PER_UNIT,
    friction_ellipse,
    hermite,
    inclination_share,
)

FRONT, REAR = 0.0, 1.0
"""Ends of the car; no whole numbers, for each of which the compiler would make a copy of its own."""
LAST_STEP = (TABLE_HIGH - TABLE_LOW) * TABLE_STEPS_PER_UNIT - 1.0
"""The last interval of the bump table."""


class GripLaw(NamedTuple):
    """What stays fixed along the path for the grip of one axle. SI.

    `demand_mass` times lateral acceleration is the demand without yaw; a push is the axle's longitudinal force over the
    wheelbase, positive where it adds to this axle's demand; `lean_gain` is half the camber gain; `load_scale` the load
    variation over bumps, or the reference load on smooth ground, and `scale_log` its logarithm over the reference load;
    `per_` is one over.
    """

    demand_mass: float
    front_push: float
    rear_push: float
    force: float
    front_inner_lean: float
    front_outer_lean: float
    front_lean_gain: float
    rear_camber: float
    rear_lean_gain: float
    total_weight: float
    peak: float
    load_rms: float
    load_scale: float
    per_scale: float
    scale_log: float
    load_sensitivity: float
    best_lean: float
    per_lean_width: float
    patch_shift: float
    per_patch_lean: float
    longitudinal_ratio: float
    table_start: float


class GripPoint(NamedTuple):
    """One axle at a point of the path: lateral force asked and given [N], slope of what is missing (asked less given)
    by roll along the path [N/rad]."""

    demand: float
    capacity: float
    slope: float


@inner
def grip_law(corner, end, table_start):
    """`GripLaw` of an axle (`FRONT` or `REAR`); its bump table starts at `table_start` of the flat array of tables."""
    body, phase, tyre = corner.body, corner.phase, corner.tyre
    if end == FRONT:
        sign, share, force, grip = 1.0, body.front_share, phase.front_force, corner.front.grip
        rms, rms_log = corner.front_load_rms, corner.front_rms_log
    else:
        sign, share, force, grip = -1.0, 1.0 - body.front_share, phase.rear_force, corner.rear.grip
        rms, rms_log = corner.rear_load_rms, corner.rear_rms_log
    scale = where(rms > 0.0, rms, tyre.reference_load)
    return GripLaw(
        demand_mass=body.mass * share,
        front_push=sign * phase.front_force / body.wheelbase,
        rear_push=sign * phase.rear_force / body.wheelbase,
        force=force,
        front_inner_lean=corner.front_inner_lean,
        front_outer_lean=corner.front_outer_lean,
        front_lean_gain=0.5 * corner.front.camber_gain,
        rear_camber=corner.rear.camber,
        rear_lean_gain=0.5 * corner.rear.camber_gain,
        total_weight=phase.front_weight + phase.rear_weight,
        peak=grip * tyre.reference_load,
        load_rms=rms,
        load_scale=scale,
        per_scale=1.0 / scale,
        scale_log=rms_log,
        load_sensitivity=tyre.load_sensitivity,
        best_lean=tyre.best_lean,
        per_lean_width=1.0 / tyre.lean_width,
        patch_shift=tyre.patch_shift,
        per_patch_lean=1.0 / tyre.patch_lean,
        longitudinal_ratio=tyre.longitudinal_ratio,
        table_start=table_start,
    )


class Force(NamedTuple):
    """Lateral force of an upright wheel [N] and its slope by load [-]."""

    value: float
    slope: float


class Push(NamedTuple):
    """What an axle's longitudinal force adds to a demand [N] and its slope by roll [N/rad]."""

    value: float
    slope: float


@inner
def bump_log_at(y, load_sensitivity, tables, start):
    """`tyre.bump_log` from the table that starts at `start` of a flat array of tables, and its slope by `y`. [-]"""
    place = (y - TABLE_LOW) * TABLE_STEPS_PER_UNIT
    held = least(where(place > 0.0, place, 0.0), LAST_STEP)
    k = np.floor(held)
    a, slope_a, b, slope_b = four_from(tables, start + 2.0 * k)
    s = place - k
    rest = 1.0 - s
    inside = 6.0 * s * rest * (b - a) * TABLE_STEPS_PER_UNIT + slope_a * rest * (1.0 - 3.0 * s)
    low = y <= TABLE_LOW
    value = where(low, a + slope_a * (y - TABLE_LOW), hermite(s, a, slope_a, b, slope_b))
    slope = where(low, slope_a, inside - slope_b * s * (2.0 - 3.0 * s))
    high = y >= TABLE_HIGH
    if any_of(high):
        small = -0.5 * load_sensitivity * (1.0 - load_sensitivity) * exponential(-2.0 * y)
        # ln(1 + x) for |x| below 1e-6
        value = where(high, small * (1.0 - small * (0.5 - small * (1.0 / 3.0))), value)
        slope = where(high, -2.0 * small * (1.0 - small), slope)
    return value, slope


@woven
def wheel_force(law, load, tables):
    """`Force` of a wheel, bumps counted; it grows with load; zero without."""
    n = law.load_sensitivity
    loaded, rough = load > 0.0, law.load_rms > 0.0
    carried = where(loaded, load, law.load_scale)
    y = logarithm(carried * law.per_scale)
    power, rate = (1.0 - n) * (y + law.scale_log), 1.0 - n
    if any_of(rough):
        gain, gain_slope = bump_log_at(y, n, tables, law.table_start)
        power, rate = power + where(rough, gain, 0.0), rate + where(rough, gain_slope, 0.0)
    value = where(loaded, law.peak * exponential(power), 0.0)
    return Force(value, value * rate / carried)


@woven
def push_of(law, push, half, half_slope, transfer, transfer_slope, inner_lean, outer_lean, lean_slope):
    """`Push` of an axle of half weight `half`, by `tyre.patch_offset`; slopes are by roll."""
    value = slope = 0.0 * half
    pushed = push != 0.0
    if any_of(pushed):
        inner_turn = hyperbolic_tangent(inner_lean * law.per_patch_lean)
        outer_turn = hyperbolic_tangent(outer_lean * law.per_patch_lean)
        inner_shift = where(pushed, law.patch_shift * inner_turn, 0.0)
        outer_shift = where(pushed, law.patch_shift * outer_turn, 0.0)
        per = 1.0 / half
        part = 0.5 * transfer * per
        part_slope = (0.5 * transfer_slope - part * half_slope) * per
        value = push * ((0.5 - part) * inner_shift + (0.5 + part) * outer_shift)
        turned = (0.5 - part) * (1.0 - inner_turn * inner_turn) + (0.5 + part) * (1.0 - outer_turn * outer_turn)
        moved = law.patch_shift * lean_slope * law.per_patch_lean * turned
        slope = push * (part_slope * (outer_shift - inner_shift) + moved)
    return Push(value, slope)


@woven
def grip_point(law, end, point, tables):
    """`grip.grip_at` for one axle (`FRONT` or `REAR`) from a point of the path."""
    # lean by roll: X/t (1 - gain t/2) + (roll - X/t), see `lean_from_roll`
    front_roll = point.roll - law.front_lean_gain * point.front_travel
    rear_roll = point.roll - law.rear_lean_gain * point.rear_travel
    front_turn = law.front_lean_gain * point.front_travel_slope - 1.0
    rear_turn = law.rear_lean_gain * point.rear_travel_slope - 1.0
    front_half = 0.5 * point.front_weight
    rear_half = 0.5 * law.total_weight - front_half
    half_slope = 0.5 * point.handed_slope
    front_inner_load, rear_inner_load = most(-point.front_excess, 0.0), most(-point.rear_excess, 0.0)
    front_gain = where(point.front_excess < 0.0, point.front_excess_slope, 0.0)
    rear_gain = where(point.rear_excess < 0.0, point.rear_excess_slope, 0.0)
    front_inner, front_outer = law.front_inner_lean - front_roll, law.front_outer_lean - front_roll
    rear_inner, rear_outer = law.rear_camber - rear_roll, -law.rear_camber - rear_roll
    front = push_of(
        law,
        law.front_push,
        front_half,
        half_slope,
        front_half - front_inner_load,
        half_slope + front_gain,
        front_inner,
        front_outer,
        front_turn,
    )
    rear = push_of(
        law,
        law.rear_push,
        rear_half,
        -half_slope,
        rear_half - rear_inner_load,
        rear_gain - half_slope,
        rear_inner,
        rear_outer,
        rear_turn,
    )
    demand = law.demand_mass * point.lateral + front.value + rear.value
    demand_slope = law.demand_mass * point.lateral_slope + front.slope + rear.slope
    if end == FRONT:
        inner_load, outer_load = front_inner_load, 2.0 * front_half - front_inner_load
        gain, outer_gain, turn = front_gain, point.handed_slope + front_gain, front_turn
        inner_lean, outer_lean = front_inner, front_outer
    else:
        inner_load, outer_load = rear_inner_load, 2.0 * rear_half - rear_inner_load
        gain, outer_gain, turn = rear_gain, rear_gain - point.handed_slope, rear_turn
        inner_lean, outer_lean = rear_inner, rear_outer
    inner_force, outer_force = wheel_force(law, inner_load, tables), wheel_force(law, outer_load, tables)
    inner_off = (inner_lean - law.best_lean) * law.per_lean_width
    outer_off = (outer_lean - law.best_lean) * law.per_lean_width
    inner_factor, outer_factor = inclination_share(inner_off), inclination_share(outer_off)
    inner_part, outer_part = inner_force.value * inner_factor, outer_force.value * outer_factor
    peak = inner_part + outer_part
    # d(factor)/d(lean) = -2 off factor^2/width
    bent = inner_part * inner_factor * inner_off + outer_part * outer_factor * outer_off
    lean_growth = -2.0 * bent * turn * law.per_lean_width
    peak_slope = outer_force.slope * outer_factor * outer_gain - inner_force.slope * inner_factor * gain + lean_growth
    capacity = friction_ellipse(peak, law.force, law.longitudinal_ratio)
    return GripPoint(demand, capacity, demand_slope - peak / capacity * peak_slope)
