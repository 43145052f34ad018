"""Limits of a corner by following the equilibrium path from point to point: the last resort, for every car.

The path is followed by its variable sigma (see `path`), up to the first lift by one, past it by another; it ends at the
rollover threshold, beyond which no equilibrium exists. (On a few cars the path dips by some tenths of a per cent after
the first lift and climbs again on a stop: the car snaps a little further over and stands; that is no rollover.) Along
it radius, speed and longitudinal acceleration are held. An axle's limit is the first point where demand meets capacity:
found by a scan of `SCAN_STEPS` points that lie closer at small sigma and of the first lift, then bracketed to rounding.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from explorer.model.corner.direct import (
    JUST_BEFORE,
    LARGEST_ROLL,
    DirectLimits,
    beside,
    lateral_at,
    one_up,
    roll_at,
    tip_at,
)
from explorer.model.corner.grip import FRONT, REAR, grip_law, missing_at
from explorer.model.corner.path import (
    GRIPPING,
    REACH,
    TIPPING,
    held,
    moved,
    solve_path,
    state_ahead,
    upright,
    values_of,
)
from explorer.model.machine.compiled import inner
from explorer.model.machine.jets import part

SCAN_STEPS = 32
"""Points of either stretch of the path at which axle demand is compared with capacity before bracketing."""
STRIDE = 0.05
"""First stride along the path. [rad]"""
FARTHEST = 4.0
"""Largest sigma up to the first lift. [rad]"""
NO_HIGHER = 1e-10
"""A crest past the first lift that is higher by less than this share is the lift itself, to rounding."""
CREST_STEPS = 8
"""Steps between the lifts in which a crest is looked for on a path that is lower at the second."""
MOST_BISECTIONS = 60
MOST_STRIDES = 12
"""Newton solves from one point of the path to another, each from as near as the last one needed."""

FRONT_LIFT, REAR_LIFT, FRONT_GRIP, REAR_GRIP, REQUIRED = 0.0, 1.0, 2.0, 3.0, 4.0
"""Events; no whole numbers, for each of which the compiler would make a copy of its own."""


class Track(NamedTuple):
    """A corner's path, how much of lateral acceleration its variable has, and where its bump table starts in the flat
    array of tables."""

    corner: Any
    law: Any
    table_start: float
    per_lateral: float


@inner
def sigma_at(track, point):
    """The variable that a path is followed by, at a point. [rad]"""
    return part(point.state.roll, 0) + track.per_lateral * lateral_at(point)


@inner
def point_at(track, sigma, near):
    """The point of the path at a sigma, from one that is near, in strides that Newton's method can take; where that
    cannot be had, `found` is False."""
    law, per_lateral = track.law, track.per_lateral
    reached, target = near, sigma
    point = near
    for _ in range(MOST_STRIDES):
        step = target - sigma_at(track, reached)
        point = solve_path(law, per_lateral, REACH, True, target, values_of(state_ahead(reached.state, step)), True)
        if not point.found:
            point = solve_path(law, per_lateral, REACH, True, target, values_of(reached.state), True)
        if point.found:
            reached = point
            if target == sigma:
                break
            target = sigma
        else:
            target = sigma_at(track, reached) + 0.5 * step
            if abs(step) <= 1e-6 * sigma:
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
    a, b = sigma_at(track, low), sigma_at(track, high)
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
    a, b = sigma_at(track, low), sigma_at(track, high)
    left = point_at(track, b - ratio * (b - a), low)
    right = point_at(track, a + ratio * (b - a), left)
    for _ in range(44):
        if lateral_at(left) >= lateral_at(right):
            b = sigma_at(track, right)
            right = left
            left = point_at(track, b - ratio * (b - a), right)
        else:
            a = sigma_at(track, left)
            left = right
            right = point_at(track, a + ratio * (b - a), left)
    return left if lateral_at(left) >= lateral_at(right) else right


@inner
def lift_point(which, track, start, stride, tables):
    """(point, found) where an inner wheel first leaves the ground, from a point before that, in strides that grow."""
    value = event_at(which, track, start, tables)
    if value >= 0.0:
        return start, True
    low, low_value = start, value
    while sigma_at(track, low) < FARTHEST and roll_at(low) < LARGEST_ROLL:
        high = point_at(track, sigma_at(track, low) + stride, low)
        if not high.found:
            break
        value = event_at(which, track, high, tables)
        if value >= 0.0:
            return crossing(which, track, low, low_value, high, value, tables), True
        low, low_value = high, value
        stride *= 1.3
    return low, False


@inner
def rollover_point(track, first, past, second, found):
    """End of the path, where lateral acceleration is largest: where the second inner wheel lifts, or the first where it
    stays lower past that, or between, where the path bends over; `found` the second lift."""
    step = 1e-7
    if not found:
        end = highest_between(track, past, second)
    else:
        before = point_at(track, sigma_at(track, second) * (1.0 - step), second)
        end = highest_between(track, past, second) if lateral_at(before) > lateral_at(second) else second
    if lateral_at(first) * (1.0 + NO_HIGHER) < lateral_at(end):
        return end
    # lower there than at the first lift: highest at that, or between on a stop
    top, at = first, 0
    width = (sigma_at(track, second) - sigma_at(track, past)) / CREST_STEPS
    point = past
    for k in range(1, CREST_STEPS):
        point = point_at(track, sigma_at(track, past) + k * width, point)
        if lateral_at(point) > lateral_at(top):
            top, at = point, k
    if at == 0:
        return first
    low = point_at(track, sigma_at(track, past) + (at - 1) * width, top) if at > 1 else past
    high = point_at(track, sigma_at(track, past) + (at + 1) * width, top)
    return highest_between(track, low, high)


@inner
def end_limit(which, track, low, value, high, steps, tables):
    """(point where an axle's demand first meets its capacity between two points, found, value at the second): a scan of
    so many steps that lie closer at small sigma, then bracketed."""
    if value >= 0.0:
        return low, True, value
    bottom, width = sigma_at(track, low), sigma_at(track, high) - sigma_at(track, low)
    for k in range(1, steps + 1):
        share = k / steps
        point = high if k == steps else point_at(track, bottom + width * share * np.sqrt(share), low)
        new = event_at(which, track, point, tables)
        if new >= 0.0:
            return crossing(which, track, low, value, point, new, tables), True, new
        low, value = point, new
    return low, False, value


@inner
def axle_limit_along(which, gripping, tipping, start, first, past, end, tables):
    """Lateral acceleration at which an axle's demand first meets its capacity along both stretches of the path; that of
    its end where it never does. [m/s2]"""
    ends_early = lateral_at(first) >= lateral_at(end)
    point, found, value = end_limit(
        which, gripping, start, event_at(which, gripping, start, tables), first, SCAN_STEPS, tables
    )
    if not found and not ends_early:
        point, found, value = end_limit(which, tipping, past, value, end, SCAN_STEPS, tables)
    return lateral_at(point) if found else lateral_at(end)


@inner
def followed_limits(corner, law, tables, table_start):
    """`DirectLimits` by following the path: for one that dips or bends over, an axle without weight, or a Newton solve
    that does not settle."""
    standing = held(law, True, True)
    gripping, tipping = Track(corner, standing, table_start, GRIPPING), Track(corner, law, table_start, TIPPING)
    start = upright(law)
    front_lift, front_found = lift_point(FRONT_LIFT, gripping, start, STRIDE, tables)
    rear_lift, rear_found = lift_point(REAR_LIFT, gripping, start, STRIDE, tables)
    front_first = front_found
    if front_found and rear_found:
        front_first = sigma_at(gripping, front_lift) <= sigma_at(gripping, rear_lift)
    first = front_lift if front_first else rear_lift
    found = front_found or rear_found
    past = beside(law, TIPPING, first, 1e-7)
    end = first  # taken to end there where another path than is known here leads on
    if found and one_up(front_first, past):
        which = REAR_LIFT if front_first else FRONT_LIFT
        second, both = lift_point(which, tipping, past, STRIDE * 0.1, tables)
        last = rollover_point(tipping, first, past, second, both)
        end = last if last.found else first
    rollover, at_first = lateral_at(end), lateral_at(first)
    front_limit = axle_limit_along(FRONT_GRIP, gripping, tipping, start, first, past, end, tables)
    rear_limit = axle_limit_along(REAR_GRIP, gripping, tipping, start, first, past, end, tables)

    required = corner.phase.lateral
    rolled_over = required >= rollover
    if rolled_over:
        # at the rollover itself the tangent stiffness jumps: the side with the wheel still down is taken
        asked = moved(end, -JUST_BEFORE * tip_at(end), end.found)
    elif at_first > required:
        # where the path dips after the first lift, the smaller of the roots lies before it
        asked = crossing(REQUIRED, gripping, start, -required, first, at_first - required, tables)
    else:
        asked = crossing(REQUIRED, tipping, past, at_first - required, end, rollover - required, tables)
    first_lift = min(at_first, rollover)
    return DirectLimits(
        front_grip=front_limit,
        rear_grip=rear_limit,
        front_lift=first_lift if front_first else rollover,
        rear_lift=rollover if front_first else first_lift,
        rollover=rollover,
        asked=values_of(asked.state),
        front_first=front_first,
        rolled_over=rolled_over,
        done=asked.found and found,
    )
