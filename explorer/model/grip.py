"""Grip of the two axles: what each can give and must give, for a state of the whole car.

`path_grip` has the same for one axle from a point of the path.
"""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.car import Axle, Body, Phase
from explorer.model.compiled import inner
from explorer.model.inclination import lean_from_roll, steer_angle, steered_lean
from explorer.model.lane_math import logarithm
from explorer.model.lanes import where
from explorer.model.tyre import (
    Tyre,
    bump_factor,
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
def wheels_at(corner, state, rolled_over):
    """Loads and inclinations at a point of the path; a car that has rolled over stands on its outer wheels."""
    front_roll = lean_from_roll(corner.front, state.front)
    rear_roll = lean_from_roll(corner.rear, state.rear)
    front_transfer = where(rolled_over, 0.5 * state.front.weight, state.front.transfer)
    rear_transfer = where(rolled_over, 0.5 * state.rear.weight, state.rear.transfer)
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
