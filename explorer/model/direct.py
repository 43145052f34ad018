"""Limits of a corner by Newton's method on roll, lateral acceleration and handed load together.

For a rigid chassis and a path that rises to the second lift and ends there, as on nearly every car. Where a condition
fails, `DirectLimits.done` says so and the path must be followed (`followed`). Written for floats and for lanes alike:
`wanted` and `going` are the cars that a search is still about, the rest compute along and are not looked at.
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
from explorer.model.path_grip import calm_between, grip_law, grip_point

BESIDE = 1e-7
"""How far beside a lift the slope of the path is looked at, as a share of the roll angle."""
MEETS = 1e-11
"""Share of the demand within which capacity meets it; a last linear step follows."""
STEEPEST_DIRECT = 0.8
"""Largest roll of the second lift that is trusted to this road. [rad]"""
FIRST_LOOK = 0.7
"""Share of the straight-line estimate of an axle's limit at which the search starts."""


class Route(NamedTuple):
    """The path: the upright car, the first inner wheel up, the second, where it ends; `found` is False where it does
    not."""

    start: PathPoint
    first: PathPoint
    second: PathPoint
    front_first: bool
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
    lateral acceleration must rise up to the second lift and fall after it."""
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
    rises = (start.lateral_slope > 0.0) & (first.lateral_slope > 0.0) & (slope_0 > 0.0) & (slope_1 > 0.0)
    carried = (start.front_weight > 0.0) & (start.front_weight < law.total_weight)
    found = found & between_lifts & both_up & rises & (slope_2 < 0.0) & carried
    return Route(start, first, second, front_first, found)


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
    return asked, asked.found & right


@inner
def grip_crossing(law, grip, end, low, low_value, high, high_value, tables, wanted):
    """(lateral acceleration where demand meets capacity between two points, found).

    Secant through the last two points inside a bracket, by Illinois false position where it leaves it; a last linear
    step from within `MEETS` of the demand.
    """
    a, fa, b, fb = low, low_value, high, high_value
    old_roll, old_lateral, f_old = a.roll, a.lateral, fa
    last_roll, last_lateral, f_last = b.roll, b.lateral, fb
    side = 0.0 * fa
    met, found, going = side, wanted & negated(wanted), wanted
    for step in range(40):
        c = last_roll - f_last * (last_roll - old_roll) / (f_last - f_old)
        if step % 8 == 7:
            c = a.roll
        c = where((a.roll < c) & (c < b.roll), c, (a.roll * fb - b.roll * fa) / (fb - fa))
        c = where((a.roll < c) & (c < b.roll), c, 0.5 * (a.roll + b.roll))
        near = between(law, a, b, c, going)
        going = going & near.found
        point = grip_point(grip, end, near, tables)
        value = point.demand - point.capacity
        old_roll, old_lateral, f_old = last_roll, last_lateral, f_last
        last_roll, last_lateral, f_last = near.roll, near.lateral, value
        meets = abs(value) <= MEETS * abs(point.demand)
        last_step = where(value == f_old, 0.0, value * (near.lateral - old_lateral) / (value - f_old))
        below = value < 0.0
        again = where(below, side < 0.0, side > 0.0)
        fa, fb = where(below, value, where(again, 0.5 * fa, fa)), where(below, where(again, 0.5 * fb, fb), value)
        a, b = where(below, near, a), where(below, b, near)
        side = where(below, -1.0, 1.0)
        narrow = negated(meets) & (b.roll - a.roll <= 1e-14 * b.roll)
        # at an end of the stretch, which is known roughly only, the crossing may lie outside
        inside = (low.roll < a.roll) & (b.roll < high.roll)
        met = where(going & meets, near.lateral - last_step, where(going & narrow, near.lateral, met))
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
def next_index(low, spare, per_roll, end_roll, low_index, high, high_value, high_index, reach):
    """Scan point to look at next: where the forces would meet if capacity stayed as it is, nearer while the stretch is
    long; between two points of opposite sign, where the line through them says."""
    guess = low.roll + FIRST_LOOK * spare / per_roll
    meet = low.roll + (high.roll - low.roll) * spare / (high_value + spare)
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
    low_index, high, high_value = limit, top, limit
    high_index, reach = limit + (SCAN_STEPS + 1.0), limit + SCAN_STEPS
    for _ in range(4 * int(SCAN_STEPS)):
        if not any_of(going):
            break
        spare = low_grip.capacity - low_grip.demand
        per_roll = grip.demand_mass * low.lateral_slope
        index = next_index(low, spare, per_roll, top.roll, low_index, high, high_value, high_index, reach)
        last = index == SCAN_STEPS
        point = where(last, top, along(law, low, scan_roll(index, top.roll), going & negated(last)))
        going = going & point.found
        looked = grip_point(grip, end, point, tables)
        value = looked.demand - looked.capacity
        over = going & (value >= 0.0)
        calm = (index == low_index + 1.0) | calm_between(grip, low_grip, looked, point.lateral)
        up = going & (value < 0.0) & calm
        reach = where(over | up, SCAN_STEPS, np.floor(0.5 * (low_index + index)))
        high, high_value = where(over, point, high), where(over, value, high_value)
        high_index, low_index = where(over, index, high_index), where(up, index, low_index)
        low, low_grip = where(up, point, low), where(up, looked, low_grip)
        ended = going & (low_index == SCAN_STEPS)
        limit, found = where(ended, top.lateral, limit), found | ended
        met = going & negated(ended) & (high_index == low_index + 1.0)
        crossed, going = crossed | met, going & negated(ended | met)
    if any_of(crossed):
        below = low_grip.demand - low_grip.capacity
        lateral, inside = grip_crossing(law, grip, end, low, below, high, high_value, tables, crossed)
        limit, found = where(crossed, lateral, limit), found | (crossed & inside)
    return limit, found


@inner
def direct_limits(corner, tables, table_start):
    """`DirectLimits` of a corner; its bump table starts at `table_start` of the flat array `tables`."""
    required = corner.phase.lateral
    law = path_law(corner.front, corner.rear, corner.phase)
    route = route_of(law)
    first, second = route.first, route.second
    front_grip, front_found = axle_limit(law, grip_law(corner, 0, table_start), 0, route, tables)
    rear_grip, rear_found = axle_limit(law, grip_law(corner, 1, table_start), 1, route, tables)
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
