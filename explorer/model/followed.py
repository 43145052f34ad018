"""Limits of a corner by following the equilibrium path from roll to roll: for every car.

The path is followed by the rear roll angle, for which the lateral acceleration is single-valued; it ends at the
rollover threshold, beyond which no equilibrium exists. (On a few cars with a flexible chassis or late stops the path
dips by some tenths of a per cent after the first lift and climbs again on a stop: the car snaps a little further over
and stands; that is no rollover.) Along it radius, speed and longitudinal acceleration are held. An axle's limit is the
first point where demand meets capacity: found by a scan of `SCAN_STEPS` points that lie closer at small roll and of
the first lift, then bracketed to rounding.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.model.compiled import inner
from explorer.model.grip import grip_at, wheels_at
from explorer.model.loads import Equilibrium, equilibrium_at

SCAN_STEPS = 32.0
"""Points of the path at which axle demand is compared with capacity before bracketing."""
STEEPEST_ROLL = 1.2
"""Largest roll angle looked at. [rad]"""
NO_HIGHER = 1e-10
"""A crest past the first lift that is higher by less than this share is the lift itself, to rounding."""
CREST_STEPS = 8
"""Steps between the lifts in which a crest is looked for on a path that is lower at the second."""
MOST_BISECTIONS = 200
JUST_BEFORE = 1e-12
"""How far before the rollover a car that has rolled over is looked at, as a share of the roll angle."""

FRONT_LIFT, REAR_LIFT, FRONT_GRIP, REAR_GRIP, REQUIRED = 0.0, 1.0, 2.0, 3.0, 4.0
"""Events; no whole numbers, for each of which the compiler would make a copy of its own."""


class CornerLimits(NamedTuple):
    """Lateral accelerations [m/s2] at the ends of a corner, whether the front inner wheel lifts first (True where none
    does), and the state at what the phase asks."""

    front_grip: float
    rear_grip: float
    front_lift: float
    rear_lift: float
    rollover: float
    front_first: bool
    rolled_over: bool
    required: Equilibrium
    converged: bool


@inner
def scan_roll(index, end_roll):
    """Roll angle of a scan point: its share `index/SCAN_STEPS` to the power 3/2 of the rollover's. [rad]"""
    share = index / SCAN_STEPS
    return end_roll * share * np.sqrt(share)


@inner
def point_at(corner, rear_roll, lateral, handed):
    """Equilibrium at a rear roll angle, from a first guess."""
    return equilibrium_at(corner.body, corner.front, corner.rear, corner.phase, rear_roll, lateral, handed)


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
            guess_low.handed + share * (guess_high.handed - guess_low.handed),
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
    left = point_at(corner, b - ratio * (b - a), low.lateral, low.handed)
    right = point_at(corner, a + ratio * (b - a), high.lateral, high.handed)
    for _ in range(80):
        if left.lateral >= right.lateral:
            b = right.rear_roll
            right = left
            left = point_at(corner, b - ratio * (b - a), right.lateral, right.handed)
        else:
            a = left.rear_roll
            left = right
            right = point_at(corner, a + ratio * (b - a), left.lateral, left.handed)
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
        high = point_at(corner, roll, max(low.lateral * grow, 1.0), low.handed)
        value = event_at(which, corner, high, table)
        if value >= 0.0:
            return crossing(which, corner, low, low_value, high, value, table), True
        low, low_value = high, value
        roll *= 1.6
    return low, False


@inner
def lift_threshold(lift, up, end):
    """Lateral acceleration of a lift; that of the rollover where no wheel is `up` before the path ends. [m/s2]"""
    return min(lift.lateral, end.lateral) if up else end.lateral


@inner
def rollover_state(corner, start, first, second, found):
    """End of the path, where lateral acceleration is largest: where the second inner wheel lifts, or the first where it
    stays lower past that, or between, where the path bends over; `found` both lifts."""
    step = 1e-7
    if not found:
        steep = point_at(corner, STEEPEST_ROLL, second.lateral, second.handed)
        return highest_between(corner, start, steep)
    before = point_at(corner, second.rear_roll * (1.0 - step), second.lateral, second.handed)
    after = point_at(corner, second.rear_roll * (1.0 + step), second.lateral, second.handed)
    end = second
    if before.lateral > second.lateral:
        end = highest_between(corner, first, second)
    elif after.lateral > second.lateral:
        steep = point_at(corner, STEEPEST_ROLL, second.lateral, second.handed)
        end = highest_between(corner, start, steep)
    if first.lateral * (1.0 + NO_HIGHER) < end.lateral:
        return end
    # lower at the second lift than at the first: highest there, or between on a stop, or where it bends over before
    top, at = first, 0
    width = (second.rear_roll - first.rear_roll) / CREST_STEPS
    for k in range(1, CREST_STEPS):
        state = point_at(corner, first.rear_roll + k * width, top.lateral, top.handed)
        if state.lateral > top.lateral:
            top, at = state, k
    if at > 0:
        low = point_at(corner, first.rear_roll + (at - 1) * width, top.lateral, top.handed)
        high = point_at(corner, first.rear_roll + (at + 1) * width, top.lateral, top.handed)
        return highest_between(corner, low, high)
    before = point_at(corner, first.rear_roll * (1.0 - step), first.lateral, first.handed)
    return first if before.lateral <= first.lateral else highest_between(corner, start, first)


@inner
def followed_limits(corner, table):
    """`corner_limits` by following the path from roll to roll: for a flexible chassis, a path that dips or bends over,
    an axle without weight, or a Newton solve that does not settle."""
    start = point_at(corner, 0.0, 0.0, 0.0)
    front_lift, front_found = lift_state(FRONT_LIFT, corner, start, table)
    rear_lift, rear_found = lift_state(REAR_LIFT, corner, start, table)
    if front_lift.rear_roll <= rear_lift.rear_roll:
        end = rollover_state(corner, start, front_lift, rear_lift, front_found and rear_found)
    else:
        end = rollover_state(corner, start, rear_lift, front_lift, front_found and rear_found)
    rollover = end.lateral
    # at the end of the path counts: it may end because a wheel lifts
    reach = end.rear_roll * (1.0 + 1e-9)
    front_up, rear_up = front_found and front_lift.rear_roll <= reach, rear_found and rear_lift.rear_roll <= reach

    front_limit, rear_limit = rollover, rollover
    front_open, rear_open = True, True
    low = start
    low_front = event_at(FRONT_GRIP, corner, start, table)
    low_rear = event_at(REAR_GRIP, corner, start, table)
    if low_front >= 0.0:
        front_limit, front_open = 0.0, False
    if low_rear >= 0.0:
        rear_limit, rear_open = 0.0, False
    # grip has a kink where the first wheel lifts: looked at beside the scan points
    first = front_lift if front_lift.rear_roll <= rear_lift.rear_roll else rear_lift
    k = 1
    while (front_open or rear_open) and k <= SCAN_STEPS:
        roll = scan_roll(k, end.rear_roll)
        if low.rear_roll < first.rear_roll < min(roll, end.rear_roll):
            high = first
        elif k == SCAN_STEPS:
            high = end
            k += 1
        else:
            guess = low.lateral * roll / low.rear_roll if low.rear_roll > 0.0 else rollover * roll / end.rear_roll
            high = point_at(corner, roll, min(guess, rollover), low.handed)
            k += 1
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
    if rolled_over:
        # at the rollover itself the tangent stiffness jumps: the side with the wheel still down is taken
        state = point_at(corner, end.rear_roll * (1.0 - JUST_BEFORE), end.lateral, end.handed)
    else:
        # where the path dips after the first lift, the smaller of the roots lies before it
        upper = first if first.lateral > required and first.rear_roll < end.rear_roll else end
        state = crossing(REQUIRED, corner, start, -required, upper, upper.lateral - required, table)
    return CornerLimits(
        front_grip=front_limit,
        rear_grip=rear_limit,
        front_lift=lift_threshold(front_lift, front_up, end),
        rear_lift=lift_threshold(rear_lift, rear_up, end),
        rollover=rollover,
        front_first=not (rear_up and (not front_up or rear_lift.rear_roll < front_lift.rear_roll)),
        rolled_over=rolled_over,
        required=state,
        converged=state.converged and end.converged and front_lift.converged and rear_lift.converged,
    )
