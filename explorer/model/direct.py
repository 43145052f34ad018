"""Limits of a corner by Newton's method on roll, lateral acceleration and handed load together.

For a rigid chassis and a path that rises to the second lift and ends there, as on nearly every car. Where a condition
fails, `direct_limits` says so and the path must be followed (`followed`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.model.compiled import inner
from explorer.model.followed import SCAN_POWER, SCAN_STEPS, CornerLimits
from explorer.model.grip import calm_between, grip_point
from explorer.model.loads import residual_at
from explorer.model.path import (
    FRONT_LIFT,
    REAR_LIFT,
    REQUIRED,
    SMALL_STEP,
    SMALLER_STEP,
    SMALLEST_STEP,
    PathPoint,
    along,
    between,
    path_law,
    path_step,
    point_after,
    solve_path,
    upright,
)

BESIDE = 1e-7
"""How far beside a lift the slope of the path is looked at, as a share of the roll angle."""
MEETS = 1e-8
"""Share of the demand within which capacity must meet it before the last interpolation."""
LEFT = 1e-15
"""What that interpolation may leave: the square of the product of both points' misses, as shares of the demand."""
FIRST_LOOK = 0.7
"""Share of the straight-line estimate of an axle's limit at which the search starts."""


class Route(NamedTuple):
    """The path from the upright car to its end in two smooth stretches: `start` to `before`, `after` to `end`, the first
    wheel lifting between `before` and `after`.

    `end` is where the second wheel lifts or, before that, where lateral acceleration is greatest (`crest`). `found` is
    False where the path is neither.
    """

    start: PathPoint
    before: PathPoint
    after: PathPoint
    end: PathPoint
    front_first: bool
    crest: bool
    found: bool


@inner
def side_of(law, point, share):
    """(the point with the slopes the path has beside it, at `1 + share` of its roll; front and rear contact excess
    there)."""
    there = point.roll * share
    up, along_path = point.lateral_slope * there, point.handed_slope * there
    step = path_step(law, point.roll + there, point.lateral + up, point.handed + along_path)
    back = point_after(law, step, point.roll, point.lateral, point.handed, -there, -up, -along_path, point.found)
    return back, step.front.excess, step.rear.excess


@inner
def crest_between(law, low, high):
    """(point of greatest lateral acceleration between two points, found): where the slope of the path is nought, by
    false position on the slope (Illinois) down to the rounding of lateral acceleration."""
    a, fa, b, fb = low, low.lateral_slope, high, high.lateral_slope
    side = 0
    for _ in range(80):
        roll = (a.roll * fb - b.roll * fa) / (fb - fa)
        if not (a.roll < roll < b.roll):
            roll = 0.5 * (a.roll + b.roll)
        point = between(law, a, b, roll, SMALLEST_STEP)
        if not point.found:
            return point, False
        value = point.lateral_slope
        # what is left to gain is the slope times half the way to the crest
        if abs(value) * (b.roll - a.roll) <= 1e-15 * point.lateral:
            return point, True
        if value > 0.0:
            a, fa = point, value
            if side > 0:
                fb *= 0.5
            side = 1
        else:
            b, fb = point, value
            if side < 0:
                fa *= 0.5
            side = -1
    return low, False


@inner
def route_of(law):
    """The first wheel up from the straight path, the second from just past the first; lateral acceleration must rise up
    to the end and fall after it."""
    start = upright(law)
    guess_f = -start.front_excess / start.front_excess_slope
    guess_r = -start.rear_excess / start.rear_excess_slope
    front_first = guess_f <= guess_r
    guess = min(guess_f, guess_r)
    event = FRONT_LIFT if front_first else REAR_LIFT
    first = solve_path(law, event, 0.0, guess, start.lateral_slope * guess, start.handed, SMALLEST_STEP)
    event = REAR_LIFT if front_first else FRONT_LIFT
    past = first.roll * (1.0 + BESIDE)
    second = solve_path(law, event, 0.0, past, first.lateral, first.handed, SMALLEST_STEP)
    found = start.lateral_slope > 0.0 and guess > 0.0 and first.found and second.found and second.roll <= 0.8
    if second.roll < first.roll:
        first, second = second, first
        front_first = not front_first
    before, front_0, rear_0 = side_of(law, first, -BESIDE)
    after, front_1, rear_1 = side_of(law, first, BESIDE)
    end, front_2, rear_2 = side_of(law, second, -BESIDE)
    fallen, front_3, rear_3 = side_of(law, second, BESIDE)
    if not front_first:
        front_0, rear_0, front_1, rear_1 = rear_0, front_0, rear_1, front_1
        front_2, rear_2, front_3, rear_3 = rear_2, front_2, rear_3, front_3
    # the wheels of the end that lifts first are named front here
    first_lifts = front_0 < 0.0 and rear_0 < 0.0 and front_1 > 0.0 and rear_1 < 0.0
    second_lifts = front_2 > 0.0 and rear_2 < 0.0 and front_3 > 0.0 and rear_3 > 0.0
    rises = before.lateral_slope > 0.0 and after.lateral_slope > 0.0 and fallen.lateral_slope < 0.0
    found = found and first_lifts and second_lifts and rises
    crest = found and end.lateral_slope <= 0.0
    if crest:
        end, found = crest_between(law, after, end)
    return Route(start, before, after, end, front_first, crest, found)


@inner
def on_route(law, route, roll, small_step):
    """The path at a roll angle, first guess from the stretch it lies in."""
    low, high = (route.start, route.before) if roll <= route.before.roll else (route.after, route.end)
    return between(law, low, high, roll, small_step)


@inner
def asked_point(law, route, required):
    """(point of the path at the lateral acceleration asked for, found)."""
    low, high = (route.start, route.before) if required <= route.before.lateral else (route.after, route.end)
    share = (required - low.lateral) / (high.lateral - low.lateral)
    roll = low.roll + (high.roll - low.roll) * share
    handed = low.handed + (high.handed - low.handed) * share
    asked = solve_path(law, REQUIRED, required, roll, required, handed, SMALLEST_STEP)
    return asked, asked.found and low.roll <= asked.roll <= high.roll and asked.lateral_slope > 0.0


@inner
def scan_index(roll, end_roll):
    """Scan point at or below a roll angle."""
    return int(SCAN_STEPS * np.exp(np.log(roll / end_roll) / SCAN_POWER))


@inner
def scan_roll(index, end_roll):
    """Roll angle of a scan point. [rad]"""
    return end_roll * (index / SCAN_STEPS) ** SCAN_POWER


@inner
def meeting(low, low_grip, high, high_grip):
    """(roll, lateral acceleration) where demand meets capacity, by the cubic of the inverse function through two points
    with their slopes."""
    width = high_grip.lacking - low_grip.lacking
    s = -low_grip.lacking / width
    rest = 1.0 - s
    at_low, at_high = (1.0 + 2.0 * s) * rest * rest, s * s * (3.0 - 2.0 * s)
    up_low = s * rest * rest * width / low_grip.lacking_slope
    up_high = -s * s * rest * width / high_grip.lacking_slope
    roll = at_low * low.roll + at_high * high.roll + up_low + up_high
    lateral = at_low * low.lateral + at_high * high.lateral
    return roll, lateral + up_low * low.lateral_slope + up_high * high.lateral_slope


@inner
def grip_crossing(corner, law, end, old, old_grip, last, last_grip, top, bracketed, table):
    """(roll where demand meets capacity, lateral acceleration there, found) from two points of the path.

    Inverse cubic interpolation through the last two points and their slopes; halving the stretch between the last point
    below and the first above where that leaves it. Not found beyond `top` while nothing above is known.
    """
    a, b = (last, top) if last_grip.lacking < 0.0 else (old, last)
    for step in range(60):
        roll, lateral = meeting(old, old_grip, last, last_grip)
        scale = 1.0 / abs(last_grip.demand)
        miss, miss_before = last_grip.lacking * scale, old_grip.lacking * scale
        inside = a.roll < roll < b.roll
        if abs(miss) <= MEETS and (miss * miss_before) ** 2 <= LEFT and (inside or abs(miss) <= 1e-13):
            return roll, lateral, True
        if not inside or step % 8 == 7:
            if not bracketed:
                return 0.0, 0.0, False
            roll = 0.5 * (a.roll + b.roll)
        near = between(law, old, last, roll, SMALLER_STEP)
        if not near.found:
            near = along(law, a, roll)
        if not near.found:
            return 0.0, 0.0, False
        old, old_grip = last, last_grip
        last, last_grip = near, grip_point(corner, end, near, table)
        if last_grip.lacking < 0.0:
            a = near
        else:
            b, bracketed = near, True
        if b.roll - a.roll <= 1e-14 * b.roll:
            return near.roll, near.lateral, True
    return 0.0, 0.0, False


@inner
def calm_up_to(corner, law, route, end, low, low_grip, index, table):
    """True where no scan point from `low` up to number `index` sees demand meet capacity: stretches ruled out by
    `calm_between`, halved where it cannot, down to neighbouring scan points."""
    low_index, reach = scan_index(low.roll, route.end.roll) if low.roll > 0.0 else 0, index
    if low_index >= index:
        return True
    for _ in range(2 * SCAN_STEPS):
        point = on_route(law, route, scan_roll(reach, route.end.roll), SMALL_STEP)
        grip = grip_point(corner, end, point, table)
        if not point.found or grip.lacking >= 0.0:
            return False
        if reach == low_index + 1 or calm_between(corner, end, low_grip, grip, point.lateral):
            if reach == index:
                return True
            low_grip, low_index, reach = grip, reach, index
        else:
            reach = (low_index + reach) // 2
    return False


@inner
def axle_limit(corner, law, route, end, table):
    """(first scanned lateral acceleration where an axle's demand meets its capacity, found): the meeting point from the
    straight-line estimate, then proof that the scan would not have stopped before it."""
    start, top = route.start, route.end
    share = corner.body.front_share if end == 0 else 1.0 - corner.body.front_share
    start_grip = grip_point(corner, end, start, table)
    if start_grip.lacking >= 0.0:
        return 0.0, True
    look = -FIRST_LOOK * start_grip.lacking / (corner.body.mass * share * start.lateral_slope)
    if look < top.roll:
        low = on_route(law, route, look, SMALLER_STEP)
        if low.found:
            low_grip = grip_point(corner, end, low, table)
            if low_grip.lacking < 0.0:
                roll, lateral, found = grip_crossing(
                    corner, law, end, start, start_grip, low, low_grip, top, False, table
                )
                index = scan_index(roll, top.roll) - 1
                if found and (
                    calm_between(corner, end, start_grip, low_grip, low.lateral)
                    or calm_up_to(
                        corner, law, route, end, start, start_grip, min(scan_index(look, top.roll), index), table
                    )
                ):
                    if calm_up_to(corner, law, route, end, low, low_grip, index, table):
                        return lateral, True
    return scanned_limit(corner, law, route, end, start_grip, table)


@inner
def scanned_limit(corner, law, route, end, start_grip, table):
    """`axle_limit` by the scan points of `followed.followed_limits`, without those that `calm_between` rules out."""
    start, top = route.start, route.end
    share = corner.body.front_share if end == 0 else 1.0 - corner.body.front_share
    low, low_grip, low_index = start, start_grip, 0
    high, high_grip, high_index = top, start_grip, SCAN_STEPS + 1
    reach = SCAN_STEPS
    for _ in range(4 * SCAN_STEPS):
        # where the forces would meet if capacity stayed as it is; nearer while the stretch is long
        guess = low.roll - FIRST_LOOK * low_grip.lacking / (corner.body.mass * share * low.lateral_slope)
        index = SCAN_STEPS if not 0.0 < guess < top.roll else scan_index(guess, top.roll)
        if high_index <= SCAN_STEPS:
            meet = low.roll - (high.roll - low.roll) * low_grip.lacking / (high_grip.lacking - low_grip.lacking)
            index = scan_index(meet, top.roll)
            index = index + 1 if index <= low_index else index
        index = max(min(min(index, reach), high_index - 1), low_index + 1)
        point = top if index == SCAN_STEPS else on_route(law, route, scan_roll(index, top.roll), SMALLER_STEP)
        if not point.found:
            return 0.0, False
        grip = grip_point(corner, end, point, table)
        if grip.lacking >= 0.0:
            high, high_grip, high_index = point, grip, index
            reach = SCAN_STEPS
        elif index == low_index + 1 or calm_between(corner, end, low_grip, grip, point.lateral):
            low, low_grip, low_index = point, grip, index
            reach = SCAN_STEPS
        else:
            reach = (low_index + index) // 2
        if low_index == SCAN_STEPS:
            return route.end.lateral, True
        if high_index == low_index + 1:
            _, lateral, found = grip_crossing(corner, law, end, low, low_grip, high, high_grip, high, True, table)
            return lateral, found
    return 0.0, False


@inner
def direct_limits(corner, table):
    """(`CornerLimits`, True); the second value is False, and the first means nothing, where a condition fails."""
    law = path_law(corner.front, corner.rear, corner.phase)
    route = route_of(law)
    done = route.found
    rollover = route.end.lateral
    rolled_over = corner.phase.lateral >= rollover
    front_grip = rear_grip = 0.0
    asked = route.end
    if done:
        front_grip, front_found = axle_limit(corner, law, route, 0, table)
        rear_grip, rear_found = axle_limit(corner, law, route, 1, table)
        done = front_found and rear_found
    if done and not rolled_over:
        asked, done = asked_point(law, route, corner.phase.lateral)
    # at a second lift the tangent stiffness jumps: the side with the wheel still down is taken
    back = 1e-13 * asked.roll if rolled_over and not route.crest else 0.0
    _, _, state = residual_at(
        corner.body,
        corner.front,
        corner.rear,
        corner.phase,
        asked.roll - back,
        asked.lateral - back * asked.lateral_slope,
        asked.handed - back * asked.handed_slope,
    )
    front_lift = route.before.lateral if route.front_first else route.end.lateral
    rear_lift = route.end.lateral if route.front_first else route.before.lateral
    return CornerLimits(
        front_grip=front_grip,
        rear_grip=rear_grip,
        front_lift=front_lift,
        rear_lift=rear_lift,
        rollover=rollover,
        rolled_over=rolled_over,
        required=state,
        converged=True,
    ), done
