"""Grip of the two axles: what each can give, must give, and a bound on both between two points of the path.

`grip_at` is the readable form, for a state of the whole car; `grip_point` the same for one axle from a point of the
path, in the pieces that `calm_between` needs.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.model.car import Axle, Body, Phase
from explorer.model.compiled import inner
from explorer.model.inclination import lean_from_roll, steer_angle, steered_lean
from explorer.model.tyre import (
    Tyre,
    bump_factor,
    bump_log,
    friction_ellipse,
    inclination_factor,
    patch_offset,
    peak_force,
)


class Corner(NamedTuple):
    """Everything that stays fixed along the path of one setup in one phase."""

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


class WheelSet(NamedTuple):
    """Loads [N] and inclinations, positive into the turn [rad], of the four wheels."""

    front_inner_load: float
    front_outer_load: float
    rear_inner_load: float
    rear_outer_load: float
    front_inner_lean: float
    front_outer_lean: float
    rear_inner_lean: float
    rear_outer_lean: float


class GripState(NamedTuple):
    """Lateral force that each axle can give and must give. [N]"""

    front_capacity: float
    rear_capacity: float
    front_demand: float
    rear_demand: float


class GripPoint(NamedTuple):
    """One axle at a point of the path: `lacking` is the lateral force asked less the one given [N], `lacking_slope` its
    derivative by roll along the path; force of the upright wheels [N], their inclination factors [-], and the patch
    shifts of both axles' wheels [m]."""

    demand: float
    lacking: float
    lacking_slope: float
    inner_force: float
    outer_force: float
    inner_factor: float
    outer_factor: float
    front_shift_low: float
    front_shift_high: float
    rear_shift_low: float
    rear_shift_high: float


class PatchPush(NamedTuple):
    """Yaw moment of a driven axle's shifted contact patches [N m], its slope by roll, least and most shift [m]."""

    moment: float
    slope: float
    shift_low: float
    shift_high: float


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
        front_rms_log=np.log(front_rms / tyre.reference_load) if front_rms > 0.0 else 0.0,
        rear_rms_log=np.log(rear_rms / tyre.reference_load) if rear_rms > 0.0 else 0.0,
    )


@inner
def wheels_at(corner, state, rolled_over):
    """Loads and inclinations at a point of the path; a car that has rolled over stands on its outer wheels."""
    front_roll = lean_from_roll(corner.front, state.front)
    rear_roll = lean_from_roll(corner.rear, state.rear)
    front_transfer = 0.5 * state.front.weight if rolled_over else state.front.transfer
    rear_transfer = 0.5 * state.rear.weight if rolled_over else state.rear.transfer
    return WheelSet(
        front_inner_load=0.5 * state.front.weight - front_transfer,
        front_outer_load=0.5 * state.front.weight + front_transfer,
        rear_inner_load=0.5 * state.rear.weight - rear_transfer,
        rear_outer_load=0.5 * state.rear.weight + rear_transfer,
        front_inner_lean=corner.front_inner_lean - front_roll,
        front_outer_lean=corner.front_outer_lean - front_roll,
        rear_inner_lean=corner.rear.camber - rear_roll,
        rear_outer_lean=-corner.rear.camber - rear_roll,
    )


@inner
def axle_capacity(tyre, grip, load_rms, longitudinal_force, inner_load, inner_lean, outer_load, outer_lean, table):
    """Lateral force an axle can give beside its longitudinal share. [N]"""
    n, f0 = tyre.load_sensitivity, tyre.reference_load
    inner = inclination_factor(inner_lean, tyre.best_lean, tyre.lean_width)
    outer = inclination_factor(outer_lean, tyre.best_lean, tyre.lean_width)
    if load_rms > 0.0:
        inner *= bump_factor(inner_load, load_rms, n, table)
        outer *= bump_factor(outer_load, load_rms, n, table)
    lateral = peak_force(grip, f0, n, inner_load, inner) + peak_force(grip, f0, n, outer_load, outer)
    return friction_ellipse(lateral, longitudinal_force, tyre.longitudinal_ratio)


@inner
def axle_yaw_moment(tyre, longitudinal_force, inner_load, inner_lean, outer_load, outer_lean):
    """Yaw moment into the turn of an axle's longitudinal force, split by load and acting at the shifted contact
    patches: `-F_x sum (F_j/W) e_j`. Wheels that lean out under power turn the car in. The half-track arm is left out,
    as for an open differential. [N m]"""
    weight = inner_load + outer_load
    if weight <= 0.0:
        return 0.0
    inner = inner_load * patch_offset(inner_lean, tyre.patch_shift, tyre.patch_lean)
    outer = outer_load * patch_offset(outer_lean, tyre.patch_shift, tyre.patch_lean)
    return -longitudinal_force * (inner + outer) / weight


@inner
def grip_at(corner, state, wheels, table):
    """Capacity and demand of both axles. Force and yaw balance give `m a_y w_f - M/L` at the front and
    `m a_y (1 - w_f) + M/L` at the rear, `M` the yaw moment into the turn."""
    body, phase, tyre = corner.body, corner.phase, corner.tyre
    w = wheels
    yaw = 0.0
    if phase.front_force != 0.0:
        yaw += axle_yaw_moment(
            tyre, phase.front_force, w.front_inner_load, w.front_inner_lean, w.front_outer_load, w.front_outer_lean
        )
    if phase.rear_force != 0.0:
        yaw += axle_yaw_moment(
            tyre, phase.rear_force, w.rear_inner_load, w.rear_inner_lean, w.rear_outer_load, w.rear_outer_lean
        )
    lateral = body.mass * state.lateral
    return GripState(
        front_capacity=axle_capacity(
            tyre,
            corner.front.grip,
            corner.front_load_rms,
            phase.front_force,
            w.front_inner_load,
            w.front_inner_lean,
            w.front_outer_load,
            w.front_outer_lean,
            table,
        ),
        rear_capacity=axle_capacity(
            tyre,
            corner.rear.grip,
            corner.rear_load_rms,
            phase.rear_force,
            w.rear_inner_load,
            w.rear_inner_lean,
            w.rear_outer_load,
            w.rear_outer_lean,
            table,
        ),
        front_demand=lateral * body.front_share - yaw / body.wheelbase,
        rear_demand=lateral * (1.0 - body.front_share) + yaw / body.wheelbase,
    )


@inner
def wheel_force(tyre, grip, load, load_rms, rms_log, table):
    """(lateral force of an upright wheel, bumps counted [N], its elasticity by load [-]); `rms_log` is
    `ln(load_rms/F_0)`."""
    if load <= 0.0:
        return 0.0, 0.0
    n, f0 = tyre.load_sensitivity, tyre.reference_load
    if load_rms > 0.0:
        y = np.log(load / load_rms)
        bumped, bumped_slope = bump_log(y, n, table)
        return grip * f0 * np.exp((1.0 - n) * (y + rms_log) + bumped), 1.0 - n + bumped_slope
    return grip * f0 * np.exp((1.0 - n) * np.log(load / f0)), 1.0 - n


@inner
def leaned(tyre, lean):
    """(inclination factor, its slope by lean)."""
    factor = inclination_factor(lean, tyre.best_lean, tyre.lean_width)
    return factor, -2.0 * (lean - tyre.best_lean) / tyre.lean_width**2 * factor * factor


@inner
def patch_push(tyre, force, half, half_slope, transfer, transfer_slope, inner_lean, outer_lean, lean_slope):
    """`axle_yaw_moment` with its slope, from half the axle weight and the transfer."""
    if force == 0.0:
        return PatchPush(0.0, 0.0, 0.0, 0.0)
    inner = patch_offset(inner_lean, tyre.patch_shift, tyre.patch_lean)
    outer = patch_offset(outer_lean, tyre.patch_shift, tyre.patch_lean)
    part = 0.5 * transfer / half
    part_slope = (0.5 * transfer_slope - part * half_slope) / half
    # d(e_max tanh x) = (e_max - e^2/e_max) dx
    steep = lean_slope / tyre.patch_lean
    shift = max(tyre.patch_shift, 1e-300)
    inner_slope, outer_slope = (shift - inner * inner / shift) * steep, (shift - outer * outer / shift) * steep
    return PatchPush(
        moment=-force * ((0.5 - part) * inner + (0.5 + part) * outer),
        slope=-force * (part_slope * (outer - inner) + (0.5 - part) * inner_slope + (0.5 + part) * outer_slope),
        shift_low=min(inner, outer),
        shift_high=max(inner, outer),
    )


@inner
def grip_point(corner, end, point, table):
    """`grip_at` for one axle (0 front, 1 rear) from a point of the path, with the derivative by roll and in the pieces
    that bound a stretch of the path."""
    body, phase, tyre = corner.body, corner.phase, corner.tyre
    front, rear = corner.front, corner.rear
    # lean by roll: X/t (1 - gain t/2) + (roll - X/t), see `lean_from_roll`
    front_roll = point.roll - 0.5 * front.camber_gain * point.front_travel
    rear_roll = point.roll - 0.5 * rear.camber_gain * point.rear_travel
    front_lean_slope = 0.5 * front.camber_gain * point.front_travel_slope - 1.0
    rear_lean_slope = 0.5 * rear.camber_gain * point.rear_travel_slope - 1.0
    front_half, half_slope = 0.5 * point.front_weight, 0.5 * point.handed_slope
    rear_half = 0.5 * (phase.front_weight + phase.rear_weight) - front_half
    front_transfer = front_half + min(point.front_excess, 0.0)
    rear_transfer = rear_half + min(point.rear_excess, 0.0)
    front_transfer_slope = half_slope + (point.front_excess_slope if point.front_excess < 0.0 else 0.0)
    rear_transfer_slope = (point.rear_excess_slope if point.rear_excess < 0.0 else 0.0) - half_slope
    front_inner, front_outer = corner.front_inner_lean - front_roll, corner.front_outer_lean - front_roll
    rear_inner, rear_outer = rear.camber - rear_roll, -rear.camber - rear_roll
    pull = patch_push(
        tyre,
        phase.front_force,
        front_half,
        half_slope,
        front_transfer,
        front_transfer_slope,
        front_inner,
        front_outer,
        front_lean_slope,
    )
    push = patch_push(
        tyre,
        phase.rear_force,
        rear_half,
        -half_slope,
        rear_transfer,
        rear_transfer_slope,
        rear_inner,
        rear_outer,
        rear_lean_slope,
    )
    yaw, yaw_slope = (pull.moment + push.moment) / body.wheelbase, (pull.slope + push.slope) / body.wheelbase
    if end == 0:
        grip, rms, rms_log = front.grip, corner.front_load_rms, corner.front_rms_log
        half, transfer, transfer_slope = front_half, front_transfer, front_transfer_slope
        inner_lean, outer_lean, lean_slope = front_inner, front_outer, front_lean_slope
        force, mass = phase.front_force, body.mass * body.front_share
        yaw, yaw_slope = -yaw, -yaw_slope
    else:
        grip, rms, rms_log = rear.grip, corner.rear_load_rms, corner.rear_rms_log
        half, transfer, transfer_slope = rear_half, rear_transfer, rear_transfer_slope
        inner_lean, outer_lean, lean_slope = rear_inner, rear_outer, rear_lean_slope
        force, mass = phase.rear_force, body.mass * (1.0 - body.front_share)
        half_slope = -half_slope
    inner_load, outer_load = half - transfer, half + transfer
    inner, inner_power = wheel_force(tyre, grip, inner_load, rms, rms_log, table)
    outer, outer_power = wheel_force(tyre, grip, outer_load, rms, rms_log, table)
    inner_factor, inner_fall = leaned(tyre, inner_lean)
    outer_factor, outer_fall = leaned(tyre, outer_lean)
    peak = inner * inner_factor + outer * outer_factor
    peak_slope = (inner * inner_fall + outer * outer_fall) * lean_slope
    peak_slope += outer * outer_factor * outer_power / outer_load * (half_slope + transfer_slope)
    if inner_load > 0.0:
        peak_slope += inner * inner_factor * inner_power / inner_load * (half_slope - transfer_slope)
    capacity = friction_ellipse(peak, force, tyre.longitudinal_ratio)
    capacity_slope = peak * peak_slope / capacity if capacity > 0.0 else 0.0
    demand = mass * point.lateral + yaw
    return GripPoint(
        demand=demand,
        lacking=demand - capacity,
        lacking_slope=mass * point.lateral_slope + yaw_slope - capacity_slope,
        inner_force=inner,
        outer_force=outer,
        inner_factor=inner_factor,
        outer_factor=outer_factor,
        front_shift_low=pull.shift_low,
        front_shift_high=pull.shift_high,
        rear_shift_low=push.shift_low,
        rear_shift_high=push.shift_high,
    )


@inner
def calm_between(corner, end, low, high, lateral):
    """True where demand cannot meet capacity anywhere between two points of the path, `lateral` that of the higher.

    Along the path lateral acceleration, leans and outer loads go one way and inner loads the other, so each piece is
    bounded by its values at the two points: the least inner and outer force, the least inclination factors, the most
    demand and the worst patch shift.
    """
    if not (low.inner_force >= high.inner_force and low.outer_force <= high.outer_force):
        return False
    body, phase = corner.body, corner.phase
    peak = high.inner_force * min(low.inner_factor, high.inner_factor) + low.outer_force * min(
        low.outer_factor, high.outer_factor
    )
    sign = 1.0 if end == 0 else -1.0
    front, rear = sign * phase.front_force, sign * phase.rear_force
    front_shift = (
        max(low.front_shift_high, high.front_shift_high)
        if front > 0.0
        else min(low.front_shift_low, high.front_shift_low)
    )
    rear_shift = (
        max(low.rear_shift_high, high.rear_shift_high) if rear > 0.0 else min(low.rear_shift_low, high.rear_shift_low)
    )
    share = body.front_share if end == 0 else 1.0 - body.front_share
    demand = body.mass * lateral * share + (front * front_shift + rear * rear_shift) / body.wheelbase
    force = phase.front_force if end == 0 else phase.rear_force
    return demand < friction_ellipse(peak, force, corner.tyre.longitudinal_ratio)
