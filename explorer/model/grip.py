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

ROUGHLY = 1.0 + 1e-4
"""Demand is raised by this before a stretch is called calm: its ends are known roughly (`path.ROUGH_STEP`)."""


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
    """One axle at a point of the path: lateral force asked and given [N], force of the upright wheels [N], their
    inclination factors [-], and the patch shifts of both axles' wheels [m]."""

    demand: float
    capacity: float
    inner_force: float
    outer_force: float
    inner_factor: float
    outer_factor: float
    front_shift_low: float
    front_shift_high: float
    rear_shift_low: float
    rear_shift_high: float


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
    """Lateral force of an upright wheel, bumps counted; it grows with load. `rms_log` is `ln(load_rms/F_0)`. [N]"""
    if load <= 0.0:
        return 0.0
    n, f0 = tyre.load_sensitivity, tyre.reference_load
    if load_rms > 0.0:
        y = np.log(load / load_rms)
        return grip * f0 * np.exp((1.0 - n) * (y + rms_log) + bump_log(y, n, table))
    return grip * f0 * np.exp((1.0 - n) * np.log(load / f0))


@inner
def grip_point(corner, end, point, table):
    """`grip_at` for one axle (0 front, 1 rear) from a point of the path, in pieces that bound a stretch of it."""
    body, phase, tyre = corner.body, corner.phase, corner.tyre
    front, rear = corner.front, corner.rear
    # lean by roll: X/t (1 - gain t/2) + (roll - X/t), see `lean_from_roll`
    front_roll = point.roll - 0.5 * front.camber_gain * point.front_travel
    rear_roll = point.roll - 0.5 * rear.camber_gain * point.rear_travel
    front_half = 0.5 * point.front_weight
    rear_half = 0.5 * (phase.front_weight + phase.rear_weight) - front_half
    front_transfer = front_half + min(point.front_excess, 0.0)
    rear_transfer = rear_half + min(point.rear_excess, 0.0)
    front_inner, front_outer = corner.front_inner_lean - front_roll, corner.front_outer_lean - front_roll
    rear_inner, rear_outer = rear.camber - rear_roll, -rear.camber - rear_roll
    front_a = front_b = rear_a = rear_b = yaw = 0.0
    if phase.front_force != 0.0:
        front_a = patch_offset(front_inner, tyre.patch_shift, tyre.patch_lean)
        front_b = patch_offset(front_outer, tyre.patch_shift, tyre.patch_lean)
        part = 0.5 * front_transfer / front_half
        yaw -= phase.front_force * ((0.5 - part) * front_a + (0.5 + part) * front_b)
    if phase.rear_force != 0.0:
        rear_a = patch_offset(rear_inner, tyre.patch_shift, tyre.patch_lean)
        rear_b = patch_offset(rear_outer, tyre.patch_shift, tyre.patch_lean)
        part = 0.5 * rear_transfer / rear_half
        yaw -= phase.rear_force * ((0.5 - part) * rear_a + (0.5 + part) * rear_b)
    if end == 0:
        inner = wheel_force(
            tyre, front.grip, front_half - front_transfer, corner.front_load_rms, corner.front_rms_log, table
        )
        outer = wheel_force(
            tyre, front.grip, front_half + front_transfer, corner.front_load_rms, corner.front_rms_log, table
        )
        inner_factor = inclination_factor(front_inner, tyre.best_lean, tyre.lean_width)
        outer_factor = inclination_factor(front_outer, tyre.best_lean, tyre.lean_width)
        demand = body.mass * point.lateral * body.front_share - yaw / body.wheelbase
        force = phase.front_force
    else:
        inner = wheel_force(
            tyre, rear.grip, rear_half - rear_transfer, corner.rear_load_rms, corner.rear_rms_log, table
        )
        outer = wheel_force(
            tyre, rear.grip, rear_half + rear_transfer, corner.rear_load_rms, corner.rear_rms_log, table
        )
        inner_factor = inclination_factor(rear_inner, tyre.best_lean, tyre.lean_width)
        outer_factor = inclination_factor(rear_outer, tyre.best_lean, tyre.lean_width)
        demand = body.mass * point.lateral * (1.0 - body.front_share) + yaw / body.wheelbase
        force = phase.rear_force
    peak = inner * inner_factor + outer * outer_factor
    return GripPoint(
        demand=demand,
        capacity=friction_ellipse(peak, force, tyre.longitudinal_ratio),
        inner_force=inner,
        outer_force=outer,
        inner_factor=inner_factor,
        outer_factor=outer_factor,
        front_shift_low=min(front_a, front_b),
        front_shift_high=max(front_a, front_b),
        rear_shift_low=min(rear_a, rear_b),
        rear_shift_high=max(rear_a, rear_b),
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
    return demand * ROUGHLY < friction_ellipse(peak, force, corner.tyre.longitudinal_ratio)
