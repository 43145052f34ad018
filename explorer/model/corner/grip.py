"""Grip of the two axles along the path: what each can give and must give, with its slope."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from explorer.model.car.car import Axle, Body, Phase
from explorer.model.car.inclination import steer_angle, steered_lean
from explorer.model.car.tyre import (
    TABLE_HIGH,
    TABLE_LOW,
    TABLE_STEPS_PER_UNIT,
    Tyre,
    friction_ellipse,
    hermite,
    inclination_share,
    patch_offset,
)
from explorer.model.machine.compiled import inner, woven
from explorer.model.machine.jets import chained, part
from explorer.model.machine.lane_math import exponential, four_from, logarithm
from explorer.model.machine.lanes import any_of, least, most, where

FRONT, REAR = 0.0, 1.0
"""Ends of the car; no whole numbers, for each of which the compiler would make a copy of its own."""
LEAST_DEMAND = 0.1
"""Least lateral force that an axle counts as asked for in the balance, as a share of its part of the car's."""
LAST_STEP = (TABLE_HIGH - TABLE_LOW) * TABLE_STEPS_PER_UNIT - 1.0
"""The last interval of the bump table."""


class Corner(NamedTuple):
    """Everything that stays fixed along the path of one setup in one phase. A lean is a wheel's inclination by camber
    and steering alone, positive into the turn [rad]; `rms` is the load variation over bumps [N], its logarithm that
    over the reference load."""

    body: Body
    front: Axle
    rear: Axle
    phase: Phase
    tyre: Tyre
    front_inner_lean: float
    front_outer_lean: float
    front_load_rms: float
    rear_load_rms: float
    front_rms_log: float
    rear_rms_log: float


class GripLaw(NamedTuple):
    """What stays fixed along the path for the grip of one axle. SI.

    `demand_mass` times lateral acceleration is the demand without yaw; a push is an axle's longitudinal force over the
    wheelbase, positive where it adds to this axle's demand; `load_scale` is the load variation over bumps, or the
    reference load on smooth ground, and `scale_log` its logarithm over the reference load; `per_width` is one over the
    width of the loss by lean.
    """

    demand_mass: float
    front_push: float
    rear_push: float
    force: float
    peak: float
    load_rms: float
    per_scale: float
    load_scale: float
    scale_log: float
    table_start: float
    best_lean: float
    per_width: float


class _Wheels(NamedTuple):
    """Loads [N] and inclinations, positive into the turn [rad], of an axle's wheels, as jets along the path."""

    inner_load: Any
    outer_load: Any
    inner_lean: Any
    outer_lean: Any


@inner
def rms_log(load_rms, reference_load):
    """Logarithm of the load variation over the reference load; zero on smooth ground. [-]"""
    return logarithm(where(load_rms > 0.0, load_rms / reference_load, 1.0))


@inner
def corner_of(body, front, rear, phase, tyre, ackermann_share, caster, kingpin_inclination, front_rms, rear_rms):
    """Corner with the steered wheels' leans worked out once: they depend on the radius only."""
    inner = steer_angle(body.wheelbase, front.track, phase.radius, ackermann_share, 1.0)
    outer = steer_angle(body.wheelbase, front.track, phase.radius, ackermann_share, -1.0)
    return Corner(
        body=body,
        front=front,
        rear=rear,
        phase=phase,
        tyre=tyre,
        front_inner_lean=steered_lean(front.camber, caster, kingpin_inclination, inner, 1.0),
        front_outer_lean=steered_lean(-front.camber, caster, kingpin_inclination, outer, -1.0),
        front_load_rms=front_rms,
        rear_load_rms=rear_rms,
        front_rms_log=rms_log(front_rms, tyre.reference_load),
        rear_rms_log=rms_log(rear_rms, tyre.reference_load),
    )


@inner
def grip_law(corner, end, table_start):
    """`GripLaw` of an axle (`FRONT` or `REAR`); its bump table starts at `table_start` of the flat array of tables."""
    body, phase, tyre = corner.body, corner.phase, corner.tyre
    if end == FRONT:
        sign, share, force, axle = 1.0, body.front_share, phase.front_force, corner.front
        rms, rms_log = corner.front_load_rms, corner.front_rms_log
    else:
        sign, share, force, axle = -1.0, 1.0 - body.front_share, phase.rear_force, corner.rear
        rms, rms_log = corner.rear_load_rms, corner.rear_rms_log
    scale = where(rms > 0.0, rms, tyre.reference_load)
    return GripLaw(
        demand_mass=body.mass * share,
        front_push=sign * phase.front_force / body.wheelbase,
        rear_push=sign * phase.rear_force / body.wheelbase,
        force=force,
        peak=axle.grip * tyre.reference_load,
        load_rms=rms,
        per_scale=1.0 / scale,
        load_scale=scale,
        scale_log=rms_log,
        table_start=table_start,
        best_lean=axle.best_lean,
        per_width=1.0 / axle.lean_width,
    )


@inner
def bump_log_at(y, load_sensitivity, tables, start):
    """Logarithm of the mean grip left under load variation, `y` the logarithm of mean load over RMS variation, from the
    `tyre.bump_table` that starts at `start` of a flat array of tables, and its slope by `y`. [-]

    Cubic Hermite interpolation; beyond the table's top `1 - n (1-n)/2 (s/F)^2`, the second-order term.
    """
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
def _wheel_force(law, load_sensitivity, load, tables):
    """Peak lateral force of an upright wheel, `mu F_0 (F/F_0)^(1-n)`, bumps counted; zero without load. [N]"""
    loaded, rough = load > 0.0, law.load_rms > 0.0
    y = logarithm(where(loaded, load, law.load_scale) * law.per_scale)
    power = (1.0 - load_sensitivity) * (y + law.scale_log)
    if any_of(rough):
        gain, gain_slope = bump_log_at(part(y, 0), load_sensitivity, tables, law.table_start)
        power = power + where(rough, chained(y, gain, gain_slope), 0.0)
    return where(loaded, law.peak * exponential(power), 0.0)


@woven
def _inclined(law, lean):
    """Share of the peak force left at an inclination. [-]"""
    return inclination_share((lean - law.best_lean) * law.per_width)


@woven
def _push(tyre, push, wheels):
    """What an axle's longitudinal force, split by load and acting at the shifted contact patches, adds to a demand.

    Its yaw moment into the turn is `-F_x sum (F_j/W) e_j`: wheels that lean out under power turn the car in. The
    half-track arm is left out, as for an open differential. [N]
    """
    none = 0.0 * wheels.inner_lean
    found = none
    pushed = push != 0.0
    if any_of(pushed):
        share = wheels.inner_load / (wheels.inner_load + wheels.outer_load)
        inner_shift = patch_offset(wheels.inner_lean, tyre.patch_shift, tyre.patch_lean)
        outer_shift = patch_offset(wheels.outer_lean, tyre.patch_shift, tyre.patch_lean)
        found = where(pushed, push * (outer_shift + share * (inner_shift - outer_shift)), 0.0) + none
    return found


@woven
def _wheels(half, excess, inner_lean, outer_lean, inner_out, outer_out):
    """`_Wheels` of an axle of half weight `half`, from leans by camber and steering and those out of the turn."""
    load = most(-excess, 0.0)
    return _Wheels(load, 2.0 * half - load, inner_lean - inner_out, outer_lean - outer_out)


@woven
def _held_and_asked(tyre, law, end, lateral, front, rear, tables):
    """(lateral force that an axle can give, lateral force that it must give) from the `_Wheels` of both. [N]"""
    pushed = _push(tyre, law.front_push, front) + _push(tyre, law.rear_push, rear)
    wheels = front if end == FRONT else rear
    inner_force = _wheel_force(law, tyre.load_sensitivity, wheels.inner_load, tables)
    outer_force = _wheel_force(law, tyre.load_sensitivity, wheels.outer_load, tables)
    peak = inner_force * _inclined(law, wheels.inner_lean) + outer_force * _inclined(law, wheels.outer_lean)
    return friction_ellipse(peak, law.force, tyre.longitudinal_ratio), law.demand_mass * lateral + pushed


@woven
def _reserve(corner, end, lateral, front, rear, tables, table_start):
    """Capacity over demand of an axle. [-]"""
    law = grip_law(corner, end, table_start)
    capacity, demand = _held_and_asked(corner.tyre, law, end, lateral, front, rear, tables)
    return capacity / most(demand, LEAST_DEMAND * law.demand_mass * lateral)


@inner
def balance_at(corner, wheels, lateral, tables, table_start):
    """Capacity over demand of the front axle less that of the rear, at a lateral acceleration with the loads and leans
    of its `cornering.WheelSet`: positive where the front has more in hand, so that the car rotates. [-]

    Both at one lateral acceleration. A difference of the axles' limits would be none of grip where one of them is the
    rollover: it is then one of lift points. An axle that the push of a driven one spares nearly everything counts as
    asked for `LEAST_DEMAND` of its share.
    """
    front = _Wheels(wheels.front_inner_load, wheels.front_outer_load, wheels.front_inner_lean, wheels.front_outer_lean)
    rear = _Wheels(wheels.rear_inner_load, wheels.rear_outer_load, wheels.rear_inner_lean, wheels.rear_outer_lean)
    ahead = _reserve(corner, FRONT, lateral, front, rear, tables, table_start)
    return ahead - _reserve(corner, REAR, lateral, front, rear, tables, table_start)


@woven
def missing_at(corner, law, end, path, point, tables):
    """(demand less capacity [N] as a jet along the path, demand [N]) of an axle (`FRONT` or `REAR`).

    Force and yaw balance ask `m a_y w_f - M/L` of the front and `m a_y (1 - w_f) + M/L` of the rear, `M` the yaw moment
    into the turn.
    """
    front_half = 0.5 * (path.front_weight + point.state.handed)
    rear_half = 0.5 * path.total_weight - front_half
    front = _wheels(
        front_half,
        point.front_excess,
        corner.front_inner_lean,
        corner.front_outer_lean,
        point.front_inner_lean,
        point.front_outer_lean,
    )
    rear = _wheels(
        rear_half,
        point.rear_excess,
        corner.rear.camber,
        -corner.rear.camber,
        point.rear_inner_lean,
        point.rear_outer_lean,
    )
    capacity, demand = _held_and_asked(corner.tyre, law, end, point.state.lateral, front, rear, tables)
    return demand - capacity, part(demand, 0)
