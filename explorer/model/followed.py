"""Limits of a corner by following the equilibrium path from point to point: the last resort, for every car.

The path is followed by its variable sigma, for which lateral acceleration is single-valued; it ends at the rollover
threshold, beyond which no equilibrium exists. (On a few cars the path dips by some tenths of a per cent after the first
lift and climbs again on a stop: the car snaps a little further over and stands; that is no rollover.) Along it radius,
speed and longitudinal acceleration are held. An axle's limit is the first point where demand meets capacity: found by a
scan of `SCAN_STEPS` points that lie closer at small sigma and of the first lift, then bracketed to rounding.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.model.compiled import inner
from explorer.model.direct import JUST_BEFORE, DirectLimits, lateral_at, sigma_at
from explorer.model.grip import FRONT, REAR, grip_law, missing_at
from explorer.model.jets import part
from explorer.model.path import REACH, solve_path, state_ahead, upright, values_of

SCAN_STEPS = 32.0
"""Points of the path at which axle demand is compared with capacity before bracketing."""
STEEPEST = 1.2
"""Largest sigma looked at. [rad]"""
NO_HIGHER = 1e-10
"""A crest past the first lift that is higher by less than this share is the lift itself, to rounding."""
CREST_STEPS = 8
"""Steps between the lifts in which a crest is looked for on a path that is lower at the second."""
MOST_BISECTIONS = 200
MOST_STRIDES = 400
"""Newton solves from one point of the path to another, each from as near as the last one needed."""

FRONT_LIFT, REAR_LIFT, FRONT_GRIP, REAR_GRIP, REQUIRED = 0.0, 1.0, 2.0, 3.0, 4.0
"""Events; no whole numbers, for each of which the compiler would make a copy of its own."""


class Track(NamedTuple):
    """A corner's path and where its bump table starts in the flat array of tables."""

    corner: object
    law: object
    table_start: float


@inner
def scan_place(index, end):
    """Sigma of a scan point: its share `index/SCAN_STEPS` to the power 3/2 of the end's. [rad]"""
    share = index / SCAN_STEPS
    return end * share * np.sqrt(share)


@inner
def point_at(track, sigma, near):
    """The point of the path at a sigma, from one that is near, in strides that Newton's method can take; where that
    cannot be had, `found` is False."""
    reached, target = near, sigma
    point = near
    for _ in range(MOST_STRIDES):
        step = target - sigma_at(reached)
        point = solve_path(track.law, REACH, True, target, values_of(state_ahead(reached.state, step)), True)
        if not point.found:
            point = solve_path(track.law, REACH, True, target, values_of(reached.state), True)
        if point.found:
            reached = point
            if target == sigma:
                break
            target = sigma
        else:
            target = 0.5 * (sigma_at(reached) + target)
            if abs(target - sigma_at(reached)) <= 1e-12 * sigma:
                break
    return point


@inner
def event_at(which, track, point, tables):
    """A quantity that rises through zero at the event `which`."""
    if which == FRONT_LIFT:
        return part(point.front_excess, 0)
    if which == REAR_LIFT:
        return part(point.rear_excess, 0)
    if which == REQUIRED:
        return lateral_at(point) - track.corner.phase.lateral
    end = FRONT if which == FRONT_GRIP else REAR
    grip = grip_law(track.corner, end, track.table_start)
    missing, _ = missing_at(track.corner, grip, end, track.law, point, tables)
    return part(missing, 0)


@inner
def crossing(which, track, low, low_value, high, high_value, tables):
    """Point of the path where an event happens between points `low` (value below zero) and `high` (above).

    Illinois variant of false position (Dowell & Jarratt, BIT 11, 1971), halving where it stalls, to rounding in sigma.
    """
    a, b = sigma_at(low), sigma_at(high)
    fa, fb = low_value, high_value
    near, point = low, high
    side = 0
    for step in range(MOST_BISECTIONS):
        if b - a <= 1e-14 * b:
            break
        c = (a * fb - b * fa) / (fb - fa)
        if step % 12 == 11 or not (a < c < b):
            c = 0.5 * (a + b)
        point = point_at(track, c, near)
        value = event_at(which, track, point, tables)
        if value == 0.0:
            break
        if value < 0.0:
            a, fa, near = c, value, point
            if side < 0:
                fb *= 0.5
            side = -1
        else:
            b, fb = c, value
            if side > 0:
                fa *= 0.5
            side = 1
    return point


@inner
def highest_between(track, low, high):
    """Point of largest lateral acceleration between two, by golden section; used only where the path bends over
    smoothly before the second wheel lifts (very soft cars)."""
    ratio = 0.5 * (np.sqrt(5.0) - 1.0)
    a, b = sigma_at(low), sigma_at(high)
    left = point_at(track, b - ratio * (b - a), low)
    right = point_at(track, a + ratio * (b - a), left)
    for _ in range(80):
        if lateral_at(left) >= lateral_at(right):
            b = sigma_at(right)
            right = left
            left = point_at(track, b - ratio * (b - a), right)
        else:
            a = sigma_at(left)
            left = right
            right = point_at(track, a + ratio * (b - a), left)
    return left if lateral_at(left) >= lateral_at(right) else right


@inner
def lift_point(which, track, start, tables):
    """(point, found) where an inner wheel first leaves the ground."""
    value = event_at(which, track, start, tables)
    if value >= 0.0:
        return start, True
    low, low_value = start, value
    place = 0.02
    while place < STEEPEST:
        high = point_at(track, place, low)
        value = event_at(which, track, high, tables)
        if value >= 0.0:
            return crossing(which, track, low, low_value, high, value, tables), True
        low, low_value = high, value
        place *= 1.6
    return low, False


@inner
def rollover_point(track, start, first, second, found):
    """End of the path, where lateral acceleration is largest: where the second inner wheel lifts, or the first where it
    stays lower past that, or between, where the path bends over; `found` both lifts."""
    step = 1e-7
    if not found:
        return highest_between(track, start, point_at(track, STEEPEST, second))
    before = point_at(track, sigma_at(second) * (1.0 - step), second)
    after = point_at(track, sigma_at(second) * (1.0 + step), second)
    end = second
    if lateral_at(before) > lateral_at(second):
        end = highest_between(track, first, second)
    elif lateral_at(after) > lateral_at(second):
        end = highest_between(track, start, point_at(track, STEEPEST, second))
    if lateral_at(first) * (1.0 + NO_HIGHER) < lateral_at(end):
        return end
    # lower at the second lift than at the first: highest there, or between on a stop, or where it bends over before
    top, at = first, 0
    width = (sigma_at(second) - sigma_at(first)) / CREST_STEPS
    point = first
    for k in range(1, CREST_STEPS):
        point = point_at(track, sigma_at(first) + k * width, point)
        if lateral_at(point) > lateral_at(top):
            top, at = point, k
    if at > 0:
        low = point_at(track, sigma_at(first) + (at - 1) * width, top)
        high = point_at(track, sigma_at(first) + (at + 1) * width, top)
        return highest_between(track, low, high)
    before = point_at(track, sigma_at(first) * (1.0 - step), first)
    return first if lateral_at(before) <= lateral_at(first) else highest_between(track, start, first)


@inner
def followed_limits(corner, law, tables, table_start):
    """`DirectLimits` by following the path: for one that dips or bends over, an axle without weight, or a Newton solve
    that does not settle."""
    track = Track(corner, law, table_start)
    start, _, _ = upright(law)
    front_lift, front_found = lift_point(FRONT_LIFT, track, start, tables)
    rear_lift, rear_found = lift_point(REAR_LIFT, track, start, tables)
    front_is_first = sigma_at(front_lift) <= sigma_at(rear_lift)
    first, second = (front_lift, rear_lift) if front_is_first else (rear_lift, front_lift)
    end = rollover_point(track, start, first, second, front_found and rear_found)
    rollover = lateral_at(end)
    # at the end of the path counts: it may end because a wheel lifts
    reach = sigma_at(end) * (1.0 + 1e-9)
    front_up, rear_up = front_found and sigma_at(front_lift) <= reach, rear_found and sigma_at(rear_lift) <= reach

    front_limit, rear_limit = rollover, rollover
    front_open, rear_open = True, True
    low = start
    low_front = event_at(FRONT_GRIP, track, start, tables)
    low_rear = event_at(REAR_GRIP, track, start, tables)
    if low_front >= 0.0:
        front_limit, front_open = 0.0, False
    if low_rear >= 0.0:
        rear_limit, rear_open = 0.0, False
    # grip has a kink where the first wheel lifts: looked at beside the scan points
    k = 1
    while (front_open or rear_open) and k <= SCAN_STEPS:
        place = scan_place(k, sigma_at(end))
        if sigma_at(low) < sigma_at(first) < min(place, sigma_at(end)):
            high = first
        elif k == SCAN_STEPS:
            high = end
            k += 1
        else:
            high = point_at(track, place, low)
            k += 1
        if front_open:
            value = event_at(FRONT_GRIP, track, high, tables)
            if value >= 0.0:
                front_limit = lateral_at(crossing(FRONT_GRIP, track, low, low_front, high, value, tables))
                front_open = False
            low_front = value
        if rear_open:
            value = event_at(REAR_GRIP, track, high, tables)
            if value >= 0.0:
                rear_limit = lateral_at(crossing(REAR_GRIP, track, low, low_rear, high, value, tables))
                rear_open = False
            low_rear = value
        low = high

    required = corner.phase.lateral
    rolled_over = required >= rollover
    if rolled_over:
        # at the rollover itself the tangent stiffness jumps: the side with the wheel still down is taken
        asked = point_at(track, sigma_at(end) * (1.0 - JUST_BEFORE), end)
    else:
        # where the path dips after the first lift, the smaller of the roots lies before it
        early = lateral_at(first) > required and sigma_at(first) < sigma_at(end)
        upper = first if early else end
        asked = crossing(REQUIRED, track, start, -required, upper, lateral_at(upper) - required, tables)
    front_first = not (rear_up and (not front_up or sigma_at(rear_lift) < sigma_at(front_lift)))
    return DirectLimits(
        front_grip=front_limit,
        rear_grip=rear_limit,
        front_lift=min(lateral_at(front_lift), rollover) if front_up else rollover,
        rear_lift=min(lateral_at(rear_lift), rollover) if rear_up else rollover,
        rollover=rollover,
        asked=values_of(asked.state),
        front_first=front_first,
        rolled_over=rolled_over,
        done=asked.found and end.found and front_lift.found and rear_lift.found,
    )
