"""Limits of a corner by Newton's method on roll, lateral acceleration and handed load together.

For a rigid chassis and a path that rises to the second lift and ends there, as on nearly every car. Where a condition
fails, `direct_limits` says so and the path must be followed (`followed`).
"""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.compiled import inner
from explorer.model.followed import SCAN_STEPS, CornerLimits, scan_index, scan_roll
from explorer.model.grip import calm_between, grip_point
from explorer.model.loads import residual_at
from explorer.model.path import (
    FRONT_LIFT,
    REAR_LIFT,
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


@inner
def slope_beside(law, point, share):
    """(slope of lateral acceleration over roll, front and rear contact excess) at `1 + share` of a point's roll."""
    step = point.roll * share
    moved = path_step(
        law, point.roll + step, point.lateral + point.lateral_slope * step, point.handed + point.handed_slope * step
    )
    return moved.lateral_slope, moved.front.excess, moved.rear.excess


@inner
def route_of(law):
    """The first wheel up from the straight path, the second from just past the first; checked to end the path there:
    lateral acceleration must rise up to the second lift and fall after it."""
    start, guess_f, guess_r = upright(law)
    front_first = guess_f <= guess_r
    guess = min(guess_f, guess_r)
    event = FRONT_LIFT if front_first else REAR_LIFT
    first = solve_path(law, event, 0.0, guess, guess * start.lateral_slope, start.handed, SMALLEST_STEP)
    event = REAR_LIFT if front_first else FRONT_LIFT
    second = solve_path(law, event, 0.0, first.roll * (1.0 + BESIDE), first.lateral, first.handed, SMALLEST_STEP)
    found = guess > 0.0 and first.found and second.found and second.roll <= STEEPEST_DIRECT
    if second.roll < first.roll:
        first, second = second, first
        front_first = not front_first
    slope_0, front_0, rear_0 = slope_beside(law, first, BESIDE)
    slope_1, front_1, rear_1 = slope_beside(law, second, -BESIDE)
    slope_2, front_2, rear_2 = slope_beside(law, second, BESIDE)
    if not front_first:
        front_0, rear_0, front_1, rear_1 = rear_0, front_0, rear_1, front_1
    # "front" is the end that lifts first here
    between_lifts = front_0 > 0.0 and rear_0 < 0.0 and front_1 > 0.0 and rear_1 < 0.0
    both_up = front_2 > 0.0 and rear_2 > 0.0
    rises = start.lateral_slope > 0.0 and first.lateral_slope > 0.0 and slope_0 > 0.0 and slope_1 > 0.0
    carried = 0.0 < start.front_weight < law.total_weight
    found = found and between_lifts and both_up and rises and slope_2 < 0.0 and carried
    return Route(start, first, second, front_first, found)


@inner
def asked_point(law, route, required):
    """(point of the path at the lateral acceleration asked for, found)."""
    low, high = (route.start, route.first) if required < route.first.lateral else (route.first, route.second)
    share = (required - low.lateral) / (high.lateral - low.lateral)
    roll = low.roll + (high.roll - low.roll) * share
    handed = low.handed + (high.handed - low.handed) * share
    asked = solve_path(law, REQUIRED, required, roll, required, handed, SMALLEST_STEP)
    return asked, asked.found and low.roll <= asked.roll <= high.roll and asked.lateral_slope > 0.0


@inner
def grip_crossing(corner, law, end, low, low_value, high, high_value, table):
    """(lateral acceleration where demand meets capacity between two points, found).

    Secant through the last two points inside a bracket, by Illinois false position where it leaves it; a last linear
    step from within `MEETS` of the demand.
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
        near = between(law, a, b, c)
        if not near.found:
            return 0.0, False
        grip = grip_point(corner, end, near, table)
        value = grip.demand - grip.capacity
        old, f_old, last, f_last = last, f_last, near, value
        if abs(value) <= MEETS * abs(grip.demand):
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
            # at an end of the stretch, which is known roughly only, the crossing may lie outside
            return near.lateral, low.roll < a.roll and b.roll < high.roll
    return 0.0, False


@inner
def axle_limit(corner, law, end, route, table):
    """(first scanned lateral acceleration where an axle's demand meets its capacity, found): the scan points of
    `followed.followed_limits`, without those that `calm_between` rules out."""
    share = corner.body.front_share if end == 0 else 1.0 - corner.body.front_share
    top = route.second
    low, low_grip, low_index = route.start, grip_point(corner, end, route.start, table), 0
    if low_grip.demand >= low_grip.capacity:
        return 0.0, True
    high, high_value, high_index = top, 0.0, SCAN_STEPS + 1
    reach = SCAN_STEPS
    for _ in range(4 * SCAN_STEPS):
        # where the forces would meet if capacity stayed as it is; nearer while the stretch is long
        spare = (low_grip.capacity - low_grip.demand) / (corner.body.mass * share)
        guess = low.roll + FIRST_LOOK * spare / low.lateral_slope
        index = SCAN_STEPS if not 0.0 < guess < top.roll else scan_index(guess, top.roll)
        if high_index <= SCAN_STEPS:
            meet = low.roll + (high.roll - low.roll) * (low_grip.capacity - low_grip.demand) / (
                high_value + low_grip.capacity - low_grip.demand
            )
            index = scan_index(meet, top.roll)
            index = index + 1 if index <= low_index else index
        index = max(min(min(index, reach), high_index - 1), low_index + 1)
        point = top if index == SCAN_STEPS else along(law, low, scan_roll(index, top.roll))
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
            below = low_grip.demand - low_grip.capacity
            return grip_crossing(corner, law, end, low, below, high, high_value, table)
    return 0.0, False


@inner
def direct_limits(corner, table):
    """(`CornerLimits`, True); the second value is False, and the first means nothing, where a condition fails."""
    law = path_law(corner.front, corner.rear, corner.phase)
    route = route_of(law)
    done = route.found
    rollover = route.second.lateral
    rolled_over = corner.phase.lateral >= rollover
    front_grip = rear_grip = 0.0
    asked = route.second
    if done:
        front_grip, front_found = axle_limit(corner, law, 0, route, table)
        rear_grip, rear_found = axle_limit(corner, law, 1, route, table)
        done = front_found and rear_found
    if done and not rolled_over:
        asked, done = asked_point(law, route, corner.phase.lateral)
    # at the rollover itself the tangent stiffness jumps: the side with the wheel still down is taken
    back = 1e-13 * asked.roll if rolled_over else 0.0
    _, _, state = residual_at(
        corner.body,
        corner.front,
        corner.rear,
        corner.phase,
        asked.roll - back,
        asked.lateral - back * asked.lateral_slope,
        asked.handed - back * asked.handed_slope,
    )
    first_lift = min(route.first.lateral, rollover)
    return CornerLimits(
        front_grip=front_grip,
        rear_grip=rear_grip,
        front_lift=first_lift if route.front_first else rollover,
        rear_lift=rollover if route.front_first else first_lift,
        rollover=rollover,
        rolled_over=rolled_over,
        required=state,
        converged=True,
    ), done
