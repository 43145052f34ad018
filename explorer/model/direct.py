"""Limits of a corner by Newton's method on roll, lateral acceleration and handed load together.

For a rigid chassis and a path that rises to the second lift, but for a dip, and ends there, as on nearly every car.
Where a condition fails, `DirectLimits.done` says so and the path must be followed (`followed`). Written for floats and
for lanes alike: `wanted` and `going` are the cars that a search is still about, the rest compute along and are not
looked at.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.model.compiled import inner
from explorer.model.followed import SCAN_STEPS, scan_roll
from explorer.model.lane_math import exponential, logarithm
from explorer.model.lanes import any_of, least, most, negated, where
from explorer.model.path import (
    LIFT,
    REQUIRED,
    SMALLEST_STEP,
    PathPoint,
    along,
    between,
    path_law,
    path_step,
    solve_path,
    upright,
)
from explorer.model.path_grip import FRONT, REAR, calm_between, grip_law, grip_point

BESIDE = 1e-7
"""How far beside a lift the slope of the path is looked at, as a share of the roll angle."""
MEETS_AT_ONCE, MEETS = 3e-7, 1e-10
"""Share of the demand within which capacity meets it; a last Newton step follows."""
STEEPEST_DIRECT = 0.8
"""Largest roll of the second lift that is trusted to this road. [rad]"""
LOOK = 0.95
"""Share of the way to where demand would meet capacity, did the outer wheel's force not grow, at which to look next."""


class Route(NamedTuple):
    """The path: the upright car, the first inner wheel up, the second, where it ends; `dips` where lateral acceleration
    falls past the first, `found` is False where the path is another."""

    start: PathPoint
    first: PathPoint
    second: PathPoint
    front_first: bool
    dips: bool
    found: bool


class DirectLimits(NamedTuple):
    """Lateral accelerations [m/s2] at the ends of a corner, and the point of the path at what the phase asks; nothing
    of it counts where not `done`."""

    front_grip: float
    rear_grip: float
    front_lift: float
    rear_lift: float
    rollover: float
    asked_roll: float
    asked_lateral: float
    asked_handed: float
    rolled_over: bool
    done: bool


@inner
def slope_beside(law, point, share):
    """(slope of lateral acceleration over roll, front and rear contact excess) at `1 + share` of a point's roll."""
    step = point.roll * share
    moved = path_step(
        law, point.roll + step, point.lateral + point.lateral_slope * step, point.handed + point.handed_slope * step
    )
    return moved.lateral_slope, moved.front.excess, moved.rear.excess


@inner
def one_up(front_first, front_excess, rear_excess):
    """True where the wheel that lifts first is up and the other down."""
    leading, other = where(front_first, front_excess, rear_excess), where(front_first, rear_excess, front_excess)
    return (leading > 0.0) & (other < 0.0)


@inner
def route_of(law):
    """The first wheel up from the straight path, the second from just past the first; checked to end the path there:
    lateral acceleration must rise up to the second lift, but for a dip past the first, and fall after it."""
    start, guess_f, guess_r = upright(law)
    front_first = guess_f <= guess_r
    guess = least(guess_f, guess_r)
    lateral = guess * start.lateral_slope
    first = solve_path(law, LIFT, front_first, guess, guess, lateral, start.handed, SMALLEST_STEP, guess > 0.0)
    other, beyond = negated(front_first), first.roll * (1.0 + BESIDE)
    second = solve_path(law, LIFT, other, guess, beyond, first.lateral, first.handed, SMALLEST_STEP, first.found)
    found = first.found & second.found & (second.roll <= STEEPEST_DIRECT)
    swapped = second.roll < first.roll
    front_first = where(swapped, other, front_first)
    first, second = where(swapped, second, first), where(swapped, first, second)
    slope_0, front_0, rear_0 = slope_beside(law, first, BESIDE)
    slope_1, front_1, rear_1 = slope_beside(law, second, -BESIDE)
    slope_2, front_2, rear_2 = slope_beside(law, second, BESIDE)
    between_lifts = one_up(front_first, front_0, rear_0) & one_up(front_first, front_1, rear_1)
    both_up = (front_2 > 0.0) & (rear_2 > 0.0)
    dips = negated(slope_0 > 0.0)
    rises = (start.lateral_slope > 0.0) & (first.lateral_slope > 0.0) & (slope_1 > 0.0)
    rises = rises & (negated(dips) | (first.lateral < second.lateral))
    carried = (start.front_weight > 0.0) & (start.front_weight < law.total_weight)
    found = found & between_lifts & both_up & rises & (slope_2 < 0.0) & carried
    return Route(start, first, second, front_first, dips, found)


@inner
def asked_point(law, route, required, wanted):
    """The point of the path at the lateral acceleration asked for."""
    early = required < route.first.lateral
    low, high = where(early, route.start, route.first), where(early, route.first, route.second)
    share = (required - low.lateral) / (high.lateral - low.lateral)
    roll = low.roll + (high.roll - low.roll) * share
    handed = low.handed + (high.handed - low.handed) * share
    asked = solve_path(law, REQUIRED, wanted, required, roll, required, handed, SMALLEST_STEP, wanted)
    right = (low.roll <= asked.roll) & (asked.roll <= high.roll) & (asked.lateral_slope > 0.0)
    return asked, asked.found & right & (early | negated(route.dips))


@inner
def root_between(a, fa, slope_a, b, fb, slope_b):
    """Where a function that is `fa` < 0 at `a` and `fb` > 0 at `b` is zero: the inverse function's cubic from its
    values and slopes at both ends, or the line through both where that leaves them."""
    rise, width = fb - fa, b - a
    s = -fa / rise
    rest = 1.0 - s
    line = a + s * width
    steep = (slope_a * width > 0.25 * rise) & (slope_b * width > 0.25 * rise)
    bent = s * rest * (rest * (rise / slope_a - width) - s * (rise / slope_b - width))
    cubic = line + where(steep, bent, 0.0)
    return where((a < cubic) & (cubic < b), cubic, where((a < line) & (line < b), line, 0.5 * (a + b)))


@inner
def grip_crossing(law, grip, end, low, low_grip, high, high_grip, tables, wanted):
    """(lateral acceleration where demand meets capacity between two points, found).

    Inside the bracket by `root_between`, whose ends move in; a last Newton step from within `MEETS` of the demand, or
    within `MEETS_AT_ONCE` where the first guess was as good as that, which it is where no stage changes in between.
    """
    fa, fb = low_grip.demand - low_grip.capacity, high_grip.demand - high_grip.capacity
    a, slope_a, b, slope_b = low, low_grip.slope, high, high_grip.slope
    met = 0.0 * fa
    found, going = wanted & negated(wanted), wanted
    near_enough = MEETS_AT_ONCE
    for step in range(60):
        c = root_between(a.roll, fa, slope_a, b.roll, fb, slope_b)
        if step % 5 == 4:
            c = 0.5 * (a.roll + b.roll)
        near = between(law, a, b, c, going)
        going = going & near.found
        point = grip_point(grip, end, near, tables)
        value = point.demand - point.capacity
        meets = (abs(value) <= near_enough * abs(point.demand)) & (point.slope > 0.0)
        near_enough = MEETS
        below = value < 0.0
        fa, slope_a = where(below, value, fa), where(below, point.slope, slope_a)
        fb, slope_b = where(below, fb, value), where(below, slope_b, point.slope)
        a, b = where(below, near, a), where(below, b, near)
        narrow = negated(meets) & (b.roll - a.roll <= 1e-14 * b.roll)
        # at an end of the stretch, which is known roughly only, the crossing may lie outside
        inside = (low.roll < a.roll) & (b.roll < high.roll)
        last = near.lateral - near.lateral_slope * (value / point.slope)
        met = where(going & meets, last, where(going & narrow, near.lateral, met))
        found = found | (going & (meets | (narrow & inside)))
        going = going & negated(meets | narrow)
        if not any_of(going):
            break
    return met, found


@inner
def scan_index(roll, end_roll):
    """Scan point at or below a roll angle, a whole number."""
    return np.floor(SCAN_STEPS * exponential(logarithm(roll / end_roll) / 1.5))


@inner
def next_index(low, low_grip, end_roll, low_index, high, high_grip, high_index, reach):
    """Scan point to look at next: as far as `calm_between` may reach; between two points of opposite sign, where
    `root_between` says."""
    spare = low_grip.capacity - low_grip.demand
    guess = low.roll + LOOK * spare / low_grip.cautious_slope
    over = high_grip.demand - high_grip.capacity
    meet = root_between(low.roll, -spare, low_grip.slope, high.roll, over, high_grip.slope)
    bracketed = high_index <= SCAN_STEPS
    looked = where(bracketed, meet, guess)
    ahead = (looked > 0.0) & (looked < end_roll)
    index = where(ahead, scan_index(where(ahead, looked, end_roll), end_roll), SCAN_STEPS)
    index = where(bracketed & (index <= low_index), index + 1.0, index)
    return most(least(least(index, reach), high_index - 1.0), low_index + 1.0)


@inner
def axle_limit(law, grip, end, route, tables):
    """(first scanned lateral acceleration where an axle's demand meets its capacity, found): the scan points of
    `followed.followed_limits`, without those that `calm_between` rules out."""
    top = route.second
    low, low_grip = route.start, grip_point(grip, end, route.start, tables)
    at_once = route.found & (low_grip.demand >= low_grip.capacity)
    limit, found = 0.0 * top.lateral, at_once
    going = route.found & negated(at_once)
    crossed = going & at_once
    low_index, high, high_grip = limit, top, low_grip
    high_index, reach = limit + (SCAN_STEPS + 1.0), limit + SCAN_STEPS
    for _ in range(4 * int(SCAN_STEPS)):
        if not any_of(going):
            break
        index = next_index(low, low_grip, top.roll, low_index, high, high_grip, high_index, reach)
        last = index == SCAN_STEPS
        point = where(last, top, along(law, low, scan_roll(index, top.roll), going & negated(last)))
        going = going & point.found
        looked = grip_point(grip, end, point, tables)
        value = looked.demand - looked.capacity
        over = going & (value >= 0.0)
        # where the path dips, only neighbours may follow each other past the dip
        even = negated(route.dips) | (point.roll <= route.first.roll)
        calm = (index == low_index + 1.0) | (even & calm_between(grip, low_grip, looked, point.lateral))
        up = going & (value < 0.0) & calm
        reach = where(over | up, SCAN_STEPS, np.floor(0.5 * (low_index + index)))
        high, high_grip = where(over, point, high), where(over, looked, high_grip)
        high_index, low_index = where(over, index, high_index), where(up, index, low_index)
        low, low_grip = where(up, point, low), where(up, looked, low_grip)
        ended = going & (low_index == SCAN_STEPS)
        limit, found = where(ended, top.lateral, limit), found | ended
        met = going & negated(ended) & (high_index == low_index + 1.0)
        crossed, going = crossed | met, going & negated(ended | met)
    if any_of(crossed):
        lateral, inside = grip_crossing(law, grip, end, low, low_grip, high, high_grip, tables, crossed)
        limit, found = where(crossed, lateral, limit), found | (crossed & inside)
    return limit, found


@inner
def direct_limits(corner, tables, table_start):
    """`DirectLimits` of a corner; its bump table starts at `table_start` of the flat array `tables`."""
    required = corner.phase.lateral
    law = path_law(corner.front, corner.rear, corner.phase)
    route = route_of(law)
    first, second = route.first, route.second
    front_grip, front_found = axle_limit(law, grip_law(corner, FRONT, table_start), FRONT, route, tables)
    rear_grip, rear_found = axle_limit(law, grip_law(corner, REAR, table_start), REAR, route, tables)
    done = route.found & front_found & rear_found
    rolled_over = required >= second.lateral
    asked, asked_found = asked_point(law, route, required, done & negated(rolled_over))
    # at the rollover itself the tangent stiffness jumps: the side with the wheel still down is taken
    back = 1e-13 * second.roll
    first_lift = least(first.lateral, second.lateral)
    return DirectLimits(
        front_grip=front_grip,
        rear_grip=rear_grip,
        front_lift=where(route.front_first, first_lift, second.lateral),
        rear_lift=where(route.front_first, second.lateral, first_lift),
        rollover=second.lateral,
        asked_roll=where(rolled_over, second.roll - back, asked.roll),
        asked_lateral=where(rolled_over, second.lateral - back * second.lateral_slope, asked.lateral),
        asked_handed=where(rolled_over, second.handed - back * second.handed_slope, asked.handed),
        rolled_over=rolled_over,
        done=done & (rolled_over | asked_found),
    )
