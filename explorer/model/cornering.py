"""Limits of a corner along the equilibrium path: axle grip, first wheel up, rollover.

The path is followed by the rear roll angle, for which the lateral acceleration is single-valued; it ends at the
rollover threshold, beyond which no equilibrium exists. (On a few cars with a flexible chassis or late stops the path
dips by some tenths of a per cent after the first lift and climbs again on a stop: the car snaps a little further over
and stands; that is no rollover.) Along it radius, speed and longitudinal acceleration are
held. An axle's limit is the first point where demand meets capacity: found by a scan of `SCAN_STEPS` points that lie
closer at small roll, then bracketed to rounding.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.model.car import Axle, Body, Phase
from explorer.model.compiled import inner
from explorer.model.inclination import lean_from_roll, steer_angle, steered_lean
from explorer.model.loads import Equilibrium, equilibrium_at, residual_at
from explorer.model.path import FRONT_LIFT as FRONT_LIFTS
from explorer.model.path import REAR_LIFT as REAR_LIFTS
from explorer.model.path import REQUIRED as REACHED
from explorer.model.path import along, lift_guess, path_law, roll_per_lateral, solve_path, solve_start
from explorer.model.tyre import Tyre, bump_factor, friction_ellipse, inclination_factor, patch_offset, peak_force

SCAN_STEPS = 32
"""Points of the path at which axle demand is compared with capacity before bracketing."""
SCAN_POWER = 1.5
"""Scan point k lies at the share `(k/SCAN_STEPS)^SCAN_POWER` of the rollover roll angle."""
STEEPEST_ROLL = 1.2
"""Largest roll angle looked at. [rad]"""
MOST_BISECTIONS = 200

FRONT_LIFT, REAR_LIFT, FRONT_GRIP, REAR_GRIP, REQUIRED = 0, 1, 2, 3, 4


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


class CornerLimits(NamedTuple):
    """Lateral accelerations [m/s2] at the ends of a corner, and the state at what the phase asks."""

    front_grip: float
    rear_grip: float
    front_lift: float
    rear_lift: float
    rollover: float
    rolled_over: bool
    required: Equilibrium
    converged: bool


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
def point_at(corner, rear_roll, lateral, pitch_rise):
    """Equilibrium at a rear roll angle, from a first guess."""
    return equilibrium_at(corner.body, corner.front, corner.rear, corner.phase, rear_roll, lateral, pitch_rise)


@inner
def event_at(which, corner, state, table):
    """A quantity that rises through zero at the event `which`."""
    if which == FRONT_LIFT:
        return state.front.contact_excess
    if which == REAR_LIFT:
        return state.rear.contact_excess
    if which == REQUIRED:
        return state.lateral - corner.phase.lateral
    grip = grip_at(corner, state, wheels_at(corner, state, False), table)
    if which == FRONT_GRIP:
        return grip.front_demand - grip.front_capacity
    return grip.rear_demand - grip.rear_capacity


@inner
def crossing(which, corner, low, low_value, high, high_value, table):
    """Point of the path where an event happens between states `low` (value below zero) and `high` (above).

    Illinois variant of false position (Dowell & Jarratt, BIT 11, 1971), halving where it stalls, to rounding in roll.
    """
    a, b = low.rear_roll, high.rear_roll
    fa, fb = low_value, high_value
    guess_low, guess_high = low, high
    state = high
    side = 0
    for step in range(MOST_BISECTIONS):
        if b - a <= 1e-14 * b:
            break
        c = (a * fb - b * fa) / (fb - fa)
        if step % 12 == 11 or not (a < c < b):
            c = 0.5 * (a + b)
        share = (c - guess_low.rear_roll) / (guess_high.rear_roll - guess_low.rear_roll)
        state = point_at(
            corner,
            c,
            guess_low.lateral + share * (guess_high.lateral - guess_low.lateral),
            guess_low.pitch_rise + share * (guess_high.pitch_rise - guess_low.pitch_rise),
        )
        value = event_at(which, corner, state, table)
        if value == 0.0:
            break
        if value < 0.0:
            a, fa, guess_low = c, value, state
            if side < 0:
                fb *= 0.5
            side = -1
        else:
            b, fb, guess_high = c, value, state
            if side > 0:
                fa *= 0.5
            side = 1
    return state


@inner
def highest_between(corner, low, high):
    """State of largest lateral acceleration between two points, by golden section; used only where the path bends
    over smoothly before the second wheel lifts (very soft cars)."""
    ratio = 0.5 * (np.sqrt(5.0) - 1.0)
    a, b = low.rear_roll, high.rear_roll
    left = point_at(corner, b - ratio * (b - a), low.lateral, low.pitch_rise)
    right = point_at(corner, a + ratio * (b - a), high.lateral, high.pitch_rise)
    for _ in range(80):
        if left.lateral >= right.lateral:
            b = right.rear_roll
            right = left
            left = point_at(corner, b - ratio * (b - a), right.lateral, right.pitch_rise)
        else:
            a = left.rear_roll
            left = right
            right = point_at(corner, a + ratio * (b - a), left.lateral, left.pitch_rise)
    return left if left.lateral >= right.lateral else right


@inner
def lift_state(which, corner, start, table):
    """(state, found) where an inner wheel first leaves the ground."""
    value = event_at(which, corner, start, table)
    if value >= 0.0:
        return start, True
    low, low_value = start, value
    roll = 0.02
    while roll < STEEPEST_ROLL:
        grow = roll / max(low.rear_roll, 0.01)
        high = point_at(corner, roll, max(low.lateral * grow, 1.0), low.pitch_rise * grow)
        value = event_at(which, corner, high, table)
        if value >= 0.0:
            return crossing(which, corner, low, low_value, high, value, table), True
        low, low_value = high, value
        roll *= 1.6
    return low, False


@inner
def lift_threshold(lift, found, end):
    """Lateral acceleration of a lift; that of the rollover where the path ends at or before it. [m/s2]"""
    return min(lift.lateral, end.lateral) if found and lift.rear_roll <= end.rear_roll else end.lateral


@inner
def rollover_state(corner, start, first, second, second_found):
    """End of the path: where the second inner wheel lifts, or the maximum of lateral acceleration where the path bends
    over elsewhere."""
    step = 1e-7
    if second_found:
        before = point_at(corner, second.rear_roll * (1.0 - step), second.lateral, second.pitch_rise)
        if before.lateral > second.lateral:
            return highest_between(corner, first, second)
        after = point_at(corner, second.rear_roll * (1.0 + step), second.lateral, second.pitch_rise)
        if after.lateral <= second.lateral:
            return second
    steep = point_at(corner, STEEPEST_ROLL, second.lateral, second.pitch_rise)
    return highest_between(corner, start, steep)


@inner
def followed_limits(corner, table):
    """`corner_limits` by following the path from roll to roll: for a flexible chassis, a path that dips or bends over,
    an axle without weight, or a Newton solve that does not settle."""
    _, _, start = residual_at(corner.body, corner.front, corner.rear, corner.phase, 0.0, 0.0, 0.0)
    front_lift, front_found = lift_state(FRONT_LIFT, corner, start, table)
    rear_lift, rear_found = lift_state(REAR_LIFT, corner, start, table)
    if front_lift.rear_roll <= rear_lift.rear_roll:
        end = rollover_state(corner, start, front_lift, rear_lift, front_found and rear_found)
    else:
        end = rollover_state(corner, start, rear_lift, front_lift, front_found and rear_found)
    rollover = end.lateral

    front_limit, rear_limit = rollover, rollover
    front_open, rear_open = True, True
    low = start
    low_front = event_at(FRONT_GRIP, corner, start, table)
    low_rear = event_at(REAR_GRIP, corner, start, table)
    if low_front >= 0.0:
        front_limit, front_open = 0.0, False
    if low_rear >= 0.0:
        rear_limit, rear_open = 0.0, False
    for k in range(1, SCAN_STEPS + 1):
        if not (front_open or rear_open):
            break
        if k == SCAN_STEPS:
            high = end
        else:
            roll = end.rear_roll * (k / SCAN_STEPS) ** SCAN_POWER
            grow = roll / low.rear_roll if k > 1 else 1.0
            guess = low.lateral * grow if k > 1 else rollover * roll / end.rear_roll
            high = point_at(corner, roll, min(guess, rollover), low.pitch_rise * grow)
        grip = grip_at(corner, high, wheels_at(corner, high, False), table)
        if front_open:
            value = grip.front_demand - grip.front_capacity
            if value >= 0.0:
                front_limit = crossing(FRONT_GRIP, corner, low, low_front, high, value, table).lateral
                front_open = False
            low_front = value
        if rear_open:
            value = grip.rear_demand - grip.rear_capacity
            if value >= 0.0:
                rear_limit = crossing(REAR_GRIP, corner, low, low_rear, high, value, table).lateral
                rear_open = False
            low_rear = value
        low = high

    required = corner.phase.lateral
    rolled_over = required >= rollover
    state = end
    if not rolled_over:
        # where the path dips after the first lift, the smaller of the roots lies before it
        first = front_lift if front_lift.rear_roll <= rear_lift.rear_roll else rear_lift
        upper = first if first.lateral > required and first.rear_roll < end.rear_roll else end
        state = crossing(REQUIRED, corner, start, -required, upper, upper.lateral - required, table)
    return CornerLimits(
        front_grip=front_limit,
        rear_grip=rear_limit,
        front_lift=lift_threshold(front_lift, front_found, end),
        rear_lift=lift_threshold(rear_lift, rear_found, end),
        rollover=rollover,
        rolled_over=rolled_over,
        required=state,
        converged=state.converged and end.converged and front_lift.converged and rear_lift.converged,
    )


@inner
def wheel_force(tyre, grip, load, load_rms, table):
    """Lateral force of an upright wheel, bumps counted; it grows with load. [N]"""
    if load <= 0.0:
        return 0.0
    n = tyre.load_sensitivity
    force = grip * tyre.reference_load * np.exp((1.0 - n) * np.log(load / tyre.reference_load))
    return force * bump_factor(load, load_rms, n, table) if load_rms > 0.0 else force


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
        inner = wheel_force(tyre, front.grip, front_half - front_transfer, corner.front_load_rms, table)
        outer = wheel_force(tyre, front.grip, front_half + front_transfer, corner.front_load_rms, table)
        inner_factor = inclination_factor(front_inner, tyre.best_lean, tyre.lean_width)
        outer_factor = inclination_factor(front_outer, tyre.best_lean, tyre.lean_width)
        demand = body.mass * point.lateral * body.front_share - yaw / body.wheelbase
        force = phase.front_force
    else:
        inner = wheel_force(tyre, rear.grip, rear_half - rear_transfer, corner.rear_load_rms, table)
        outer = wheel_force(tyre, rear.grip, rear_half + rear_transfer, corner.rear_load_rms, table)
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
    return demand < friction_ellipse(peak, force, corner.tyre.longitudinal_ratio)


@inner
def grip_crossing(corner, law, end, low, low_value, high, high_value, table):
    """(lateral acceleration where demand meets capacity between two points, found).

    Secant through the last two points inside a bracket, by Illinois false position where it leaves it; a last linear
    step from within 1e-11 of the demand.
    """
    a, fa, b, fb = low, low_value, high, high_value
    old, f_old = a, fa
    last, f_last = b, fb
    side = 0
    for step in range(40):
        c = last.roll - f_last * (last.roll - old.roll) / (f_last - f_old)
        if not (a.roll < c < b.roll) or step % 8 == 7:
            c = (a.roll * fb - b.roll * fa) / (fb - fa)
        if not (a.roll < c < b.roll):
            c = 0.5 * (a.roll + b.roll)
        near = along(law, a if c - a.roll < b.roll - c else b, c)
        if not near.found:
            return 0.0, False
        grip = grip_point(corner, end, near, table)
        value = grip.demand - grip.capacity
        old, f_old, last, f_last = last, f_last, near, value
        if abs(value) <= 1e-11 * abs(grip.demand):
            if value == f_old:
                return near.lateral, True
            return near.lateral - value * (near.lateral - old.lateral) / (value - f_old), True
        if value < 0.0:
            a, fa = near, value
            if side < 0:
                fb *= 0.5
            side = -1
        else:
            b, fb = near, value
            if side > 0:
                fa *= 0.5
            side = 1
        if b.roll - a.roll <= 1e-14 * b.roll:
            return near.lateral, True
    return 0.0, False


@inner
def scan_index(roll, end_roll):
    """Scan point at or below a roll angle."""
    return int(SCAN_STEPS * np.exp(np.log(roll / end_roll) / SCAN_POWER))


@inner
def axle_limit(corner, law, end, start, top, table):
    """(first scanned lateral acceleration where an axle's demand meets its capacity, found).

    The same scan points as `followed_limits`, but stretches that `calm_between` rules out are skipped.
    """
    share = corner.body.front_share if end == 0 else 1.0 - corner.body.front_share
    low, low_grip, low_index = start, grip_point(corner, end, start, table), 0
    if low_grip.demand >= low_grip.capacity:
        return 0.0, True
    high, high_value, high_index = top, 0.0, SCAN_STEPS + 1
    reach = SCAN_STEPS
    for _ in range(4 * SCAN_STEPS):
        # where the forces would meet if capacity stayed as it is; nearer while the stretch is long
        spare = (low_grip.capacity - low_grip.demand) / (corner.body.mass * share)
        guess = low.roll + 0.7 * spare / low.lateral_slope
        index = SCAN_STEPS if not 0.0 < guess < top.roll else scan_index(guess, top.roll)
        if high_index <= SCAN_STEPS:
            meet = low.roll + (high.roll - low.roll) * (low_grip.capacity - low_grip.demand) / (
                high_value + low_grip.capacity - low_grip.demand
            )
            index = scan_index(meet, top.roll)
            index = index + 1 if index <= low_index else index
        index = max(min(min(index, reach), high_index - 1), low_index + 1)
        if index == SCAN_STEPS:
            point = top
        else:
            point = along(law, low, top.roll * (index / SCAN_STEPS) ** SCAN_POWER)
        if not point.found:
            return 0.0, False
        grip = grip_point(corner, end, point, table)
        value = grip.demand - grip.capacity
        if value >= 0.0:
            high, high_value, high_index = point, value, index
            reach = SCAN_STEPS
        elif index == low_index + 1 or calm_between(corner, end, low_grip, grip, point.lateral):
            low, low_grip, low_index = point, grip, index
            reach = SCAN_STEPS
        else:
            reach = (low_index + index) // 2
        if low_index == SCAN_STEPS:
            return top.lateral, True
        if high_index == low_index + 1:
            return grip_crossing(corner, law, end, low, low_grip.demand - low_grip.capacity, high, high_value, table)
    return 0.0, False


@inner
def direct_limits(corner, table):
    """(`corner_limits`, True) for the common case by Newton's method on roll, lateral acceleration and pitch together;
    the second value is False where a condition fails, and the path must be followed."""
    law = path_law(corner.body, corner.front, corner.rear, corner.phase)
    rear_weight = law.total_weight - law.front_weight
    slope = roll_per_lateral(law)
    _, _, start = residual_at(corner.body, corner.front, corner.rear, corner.phase, 0.0, 0.0, 0.0)
    failed = CornerLimits(0.0, 0.0, 0.0, 0.0, 0.0, False, start, False)
    if not (slope > 0.0 and law.front_weight > 0.0 and rear_weight > 0.0):
        return failed, False

    # first wheel up from the straight path, the second from the slope after the first
    guess_f = lift_guess(law.front, law.front_weight, slope)
    guess_r = lift_guess(law.rear, rear_weight, slope)
    first_which = FRONT_LIFTS if guess_f <= guess_r else REAR_LIFTS
    guess = min(guess_f, guess_r)
    if not guess > 0.0:
        return failed, False
    first = solve_path(law, first_which, 0.0, guess * slope, guess, 0.0)
    if not first.found:
        return failed, False
    beyond = along(law, first, first.roll * (1.0 + 1e-7))
    second = solve_path(
        law, FRONT_LIFTS + REAR_LIFTS - first_which, 0.0, beyond.roll, beyond.lateral, beyond.pitch_rise
    )
    if not (beyond.found and second.found):
        return failed, False
    front_lift = first if first_which == FRONT_LIFTS else second
    rear_lift = second if first_which == FRONT_LIFTS else first
    if second.roll < first.roll:
        first, second = second, first
        beyond = along(law, first, first.roll * (1.0 + 1e-7))
    before = along(law, second, second.roll * (1.0 - 1e-7))
    after = along(law, second, second.roll * (1.0 + 1e-7))
    rises = beyond.lateral_slope > 0.0 and before.lateral_slope > 0.0 and first.lateral_slope > 0.0
    if not (rises and beyond.found and before.found and after.found and after.lateral_slope < 0.0):
        return failed, False
    if second.roll > 0.8:
        return failed, False
    end, rollover = second, second.lateral

    required = corner.phase.lateral
    rolled_over = required >= rollover
    asked = end
    if not rolled_over:
        if required < first.lateral:
            roll = first.roll * required / first.lateral
            asked = solve_path(law, REACHED, required, roll, required, first.pitch_rise * required / first.lateral)
            inside = asked.roll <= first.roll
        else:
            roll = first.roll + (second.roll - first.roll) * (required - first.lateral) / (rollover - first.lateral)
            asked = along(law, first, roll)
            asked = solve_path(law, REACHED, required, asked.roll, asked.lateral, asked.pitch_rise)
            inside = first.roll <= asked.roll <= second.roll
        if not (asked.found and inside and asked.lateral_slope > 0.0):
            return failed, False
    # at the rollover itself the tangent stiffness jumps: the side with the wheel still down is taken
    back = 1e-13 * asked.roll if rolled_over else 0.0
    _, _, state = residual_at(
        corner.body,
        corner.front,
        corner.rear,
        corner.phase,
        asked.roll - back,
        asked.lateral - back * before.lateral_slope,
        asked.pitch_rise - back * before.pitch_slope,
    )
    upright = solve_start(law, slope)
    front_grip, front_found = axle_limit(corner, law, 0, upright, end, table)
    if not front_found:
        return failed, False
    rear_grip, rear_found = axle_limit(corner, law, 1, upright, end, table)
    if not rear_found:
        return failed, False
    return CornerLimits(
        front_grip=front_grip,
        rear_grip=rear_grip,
        front_lift=min(front_lift.lateral, rollover),
        rear_lift=min(rear_lift.lateral, rollover),
        rollover=rollover,
        rolled_over=rolled_over,
        required=state,
        converged=True,
    ), True


@inner
def corner_limits(corner, table):
    """All limits of one setup in one phase, and the state at the lateral acceleration the phase asks for."""
    if corner.body.chassis_compliance == 0.0:
        limits, done = direct_limits(corner, table)
        if done:
            return limits
    return followed_limits(corner, table)
