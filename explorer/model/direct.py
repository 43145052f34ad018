"""Limits of a corner by Newton's method on roll, lateral acceleration and handed load together.

For a rigid chassis and a path that rises to the second lift, but for a dip, and ends there, as on nearly every car.
Where a condition fails, `DirectLimits.done` says so and the path must be followed (`followed`). Written for floats and
for lanes alike: `wanted` and `going` are the cars that a search is still about, the rest compute along and are not
looked at.
"""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.compiled import inner, woven
from explorer.model.followed import JUST_BEFORE
from explorer.model.lanes import any_of, least, negated, where
from explorer.model.path import (
    LIFT,
    REACH,
    PathPoint,
    moved_by,
    path_step,
    solve_path,
    steps_of,
    upright,
)
from explorer.model.path_grip import FRONT, REAR, grip_law, grip_point

BESIDE = 1e-7
"""How far beside a lift the slope of the path is looked at, as a share of the roll angle."""
MEETS_AT_ONCE, MEETS = 3e-8, 1e-10
"""Share of the demand within which capacity meets it; a last Newton step follows."""
SHORT = 1.0 / 64.0
"""A stretch of this share of the path up to the second lift is passed whatever its slopes are."""
MOST_LOOKS = 60
STEEPEST_DIRECT = 0.8
"""Largest roll of the second lift that is trusted to this road. [rad]"""


class Route(NamedTuple):
    """The path: the upright car, the first inner wheel up, the same just past it, the second, where it ends (the first
    again where it ends there); `dips` where lateral acceleration falls past the first and climbs higher again, `found`
    is False where the path is another."""

    start: PathPoint
    first: PathPoint
    past: PathPoint
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
    front_first: bool
    rolled_over: bool
    done: bool


@inner
def beside(law, point, share):
    """The path at `1 + share` of a point's roll."""
    step = point.roll * share
    roll, lateral = point.roll + step, point.lateral + point.lateral_slope * step
    handed = point.handed + point.handed_slope * step
    moved = path_step(law, roll, lateral, handed)
    return moved_by(law, moved, roll, lateral, handed, steps_of(moved, 0.0 * step), point.found)


@woven
def one_up(front_first, point):
    """True where the wheel that lifts first is up and the other down."""
    front, rear = point.front_excess, point.rear_excess
    return (where(front_first, front, rear) > 0.0) & (where(front_first, rear, front) < 0.0)


@woven
def grows_evenly(rise, at_low, at_high):
    """True where something grows by `rise` along a stretch, and by half to twice that at the slopes at both ends.

    A cubic with these values and slopes then only grows (Fritsch & Carlson, SIAM J. Numerical Analysis 17, 1980: slopes
    up to three times the chord's), so that it meets a number once at most.
    """
    low, high = 0.5 * rise, 2.0 * rise
    return (rise > 0.0) & (at_low > low) & (at_low < high) & (at_high > low) & (at_high < high)


@woven
def route_of(law):
    """The first wheel up from the straight path, the second from just past the first; checked to end the path there:
    lateral acceleration must rise up to the second lift, but for a dip past the first, and fall after it. Where it only
    falls past the first, the path ends at that."""
    start, guess_f, guess_r = upright(law)
    front_first = guess_f <= guess_r
    guess = least(guess_f, guess_r)
    lateral = guess * start.lateral_slope
    first = solve_path(law, LIFT, front_first, guess, guess, lateral, start.handed, guess > 0.0)
    other, beyond = negated(front_first), first.roll * (1.0 + BESIDE)
    second = solve_path(law, LIFT, other, guess, beyond, first.lateral, first.handed, first.found)
    found = first.found & second.found & (second.roll <= STEEPEST_DIRECT)
    swapped = second.roll < first.roll
    front_first = where(swapped, other, front_first)
    first, second = where(swapped, second, first), where(swapped, first, second)
    past, before, after = beside(law, first, BESIDE), beside(law, second, -BESIDE), beside(law, second, BESIDE)
    between_lifts = one_up(front_first, past) & one_up(front_first, before)
    both_up = (after.front_excess > 0.0) & (after.rear_excess > 0.0)
    dips = negated(past.lateral_slope > 0.0)
    rising = first.lateral_slope > 0.0
    if any_of(dips):  # the slope found at the first lift may be that past it
        rising = where(dips, beside(law, first, -BESIDE).lateral_slope > 0.0, rising)
    rising = rising & (start.lateral_slope > 0.0)
    carried = (start.front_weight > 0.0) & (start.front_weight < law.total_weight)
    # where it falls all the way to the second lift, the path ends at the first; a crest between may be higher
    lower, width = dips & (first.lateral >= second.lateral), second.roll - first.roll
    drop, fall_0, fall_1 = first.lateral - second.lateral, -past.lateral_slope * width, -before.lateral_slope * width
    climbs = (before.lateral_slope > 0.0) & (first.lateral < second.lateral)
    known = climbs | (lower & grows_evenly(drop, fall_0, fall_1))
    found = found & between_lifts & both_up & rising & known & (after.lateral_slope < 0.0) & carried
    second, dips = where(lower, first, second), dips & negated(lower)
    return Route(start, first, past, second, front_first, dips, found)


@inner
def no_route(none):
    """A `Route` of zeros, none of it found."""
    never = none < none
    point = PathPoint(
        none, none, none, none, none, none, none, none, none, none, none, none, none, none, never
    )  # fmt: skip
    return Route(point, point, point, point, never, never, never)


@woven
def asked_point(law, route, required, wanted):
    """The point of the path at the lateral acceleration asked for."""
    early = required < route.first.lateral
    low, high = where(early, route.start, route.first), where(early, route.first, route.second)
    share = (required - low.lateral) / (high.lateral - low.lateral)
    roll = low.roll + (high.roll - low.roll) * share
    handed = low.handed + (high.handed - low.handed) * share
    never = wanted & negated(wanted)
    asked = solve_path(law, REACH, never, required, roll, required, handed, wanted)
    right = (low.roll <= asked.roll) & (asked.roll <= high.roll) & (asked.lateral_slope > 0.0)
    return asked, asked.found & right & (early | negated(route.dips))


class Look(NamedTuple):
    """An axle at a point of the path, along which `place` grows: lateral acceleration, or roll where the path dips.

    `missing` is demand less capacity [N]; slopes are by place. SI.
    """

    place: float
    missing: float
    slope: float
    roll: float
    roll_slope: float
    lateral: float
    lateral_slope: float
    handed: float
    handed_slope: float


@woven
def look_at(grip, end, dips, point, tables):
    """(`Look` at an axle, its demand [N])."""
    force = grip_point(grip, end, point, tables)
    per = where(dips, 1.0, 1.0 / point.lateral_slope)
    look = Look(
        place=where(dips, point.roll, point.lateral),
        missing=force.demand - force.capacity,
        slope=force.slope * per,
        roll=point.roll,
        roll_slope=per,
        lateral=point.lateral,
        lateral_slope=point.lateral_slope * per,
        handed=point.handed,
        handed_slope=point.handed_slope * per,
    )
    return look, force.demand


@woven
def straight(low, high, kinked):
    """True where what is missing grows between two looks about as its slopes at both say; as that at the first says
    where the second lies on a kink, `kinked`."""
    rise, width = high.missing - low.missing, high.place - low.place
    return (width > 0.0) & grows_evenly(rise, low.slope * width, where(kinked, rise, high.slope * width))


@woven
def root_between(low, high):
    """Place between two looks, of which the first misses less than nothing and the second more, where nothing is
    missing: the inverse function's cubic from the values and slopes at both, or the line through both where that leaves
    them."""
    a, b = low.place, high.place
    rise, width = high.missing - low.missing, b - a
    s = -low.missing / rise
    rest = 1.0 - s
    line = a + s * width
    steep = (low.slope * width > 0.25 * rise) & (high.slope * width > 0.25 * rise)
    bent = s * rest * (rest * (rise / low.slope - width) - s * (rise / high.slope - width))
    cubic = line + where(steep, bent, 0.0)
    return where((a < cubic) & (cubic < b), cubic, where((a < line) & (line < b), line, 0.5 * (a + b)))


@woven
def cubic_between(s, width, a, slope_a, b, slope_b):
    """Hermite's cubic at the share `s` of a stretch from its values and slopes at both ends."""
    rest = 1.0 - s
    bend = rest * (slope_a * width - (b - a)) - s * (slope_b * width - (b - a))
    return a + s * (b - a + rest * bend)


@woven
def path_near(law, dips, low, high, bracketed, place, wanted):
    """The path at a place, first guess by the cubic between two looks, or by the tangent at the first."""
    step, width = place - low.place, where(bracketed, high.place - low.place, 1.0)
    s = step / width
    roll = cubic_between(s, width, low.roll, low.roll_slope, high.roll, high.roll_slope)
    lateral = cubic_between(s, width, low.lateral, low.lateral_slope, high.lateral, high.lateral_slope)
    handed = cubic_between(s, width, low.handed, low.handed_slope, high.handed, high.handed_slope)
    roll = where(bracketed, roll, low.roll + low.roll_slope * step)
    lateral = where(bracketed, lateral, low.lateral + low.lateral_slope * step)
    handed = where(bracketed, handed, low.handed + low.handed_slope * step)
    return solve_path(law, REACH, dips, place, roll, lateral, handed, wanted)


@woven
def axle_limit(law, grip, end, route, asked, ask, tables):
    """(first lateral acceleration where an axle's demand meets its capacity, found); that of the second lift where it
    never does.

    Newton's method along the path from the point asked for, where the mask `ask` holds, with a bracket as soon as
    there is one. No stretch is passed that is neither `straight` nor shorter than `SHORT` of the path, so that the
    crossing is the first. The first lift, where slopes jump, is looked at before anything beyond it. A last Newton
    step follows from within `MEETS` of the demand, or within `MEETS_AT_ONCE` of it at a root that both sides foretold:
    a kink in between would have spoilt that.
    """
    dips, top = route.dips, route.second
    past_place = where(dips, route.past.roll, route.past.lateral)
    top_place, asked_place = where(dips, top.roll, top.lateral), where(dips, asked.roll, asked.lateral)
    low, _ = look_at(grip, end, dips, route.start, tables)
    high = low
    found = route.found & (low.missing >= 0.0)
    going = route.found & negated(found)
    bracketed = going & found
    limit, reach = 0.0 * top_place, top_place
    for step in range(MOST_LOOKS):
        newton = low.place - low.missing / low.slope
        place = where(bracketed, root_between(low, high), where(low.slope > 0.0, newton, top_place))
        place = where(bracketed & (step % 5 == 4), 0.5 * (low.place + high.place), place)
        place = least(place, reach)
        at_asked = ask & negated(bracketed) & (asked_place <= reach)
        place = where(at_asked, asked_place, place)
        at_past = (low.place < past_place) & (past_place <= place)
        place = where(at_past, past_place, place)
        at_asked, at_top = at_asked & negated(at_past), place >= top_place
        ask = ask & negated(at_asked)
        known = at_asked | at_past | at_top
        point = asked
        if any_of(going & (at_past | at_top)):
            point = where(at_top, top, where(at_past, route.past, asked))
        solve = going & negated(known)
        if any_of(solve):
            point = where(known, point, path_near(law, dips, low, high, bracketed, place, solve))
        # beyond the second lift lateral acceleration falls again: a point there is another
        seen = known | (point.found & (low.roll <= point.roll) & (point.roll <= top.roll))
        look, demand = look_at(grip, end, dips, point, tables)
        short = look.place - low.place <= SHORT * top_place
        # past a dip lateral acceleration turns twice, which its slopes at the ends do not tell
        told = negated(dips) | (look.roll <= route.past.roll)
        passed = seen & (short | (told & straight(low, look, at_past | at_top)))
        near = abs(look.missing) <= where(bracketed & negated(known), MEETS_AT_ONCE, MEETS) * abs(demand)
        below, over = look.missing < 0.0, seen & (look.missing >= 0.0)
        narrow = bracketed & (high.place - low.place <= 1e-14 * top_place)
        met = going & passed & ((near & (look.slope > 0.0)) | narrow)
        last = look.lateral - look.lateral_slope * where(look.slope > 0.0, look.missing / look.slope, 0.0)
        ended = going & passed & below & at_top & negated(met)
        limit = where(met, last, where(ended, top.lateral, limit))
        found = found | met | ended
        going = going & negated(met | ended)
        if not any_of(going):
            break
        reach = where(over | passed, top_place, 0.5 * (low.place + place))
        high, bracketed = where(over, look, high), bracketed | (going & over)
        low = where(below & passed, look, low)
    return limit, found


@woven
def direct_limits(corner, law, route, tables, table_start):
    """`DirectLimits` of a corner with its `PathLaw` and the `route_of` it; its bump table starts at `table_start` of
    the flat array `tables`."""
    required = corner.phase.lateral
    first, second = route.first, route.second
    rolled_over = required >= second.lateral
    asked, asked_found = asked_point(law, route, required, route.found & negated(rolled_over))
    ask = asked_found & negated(rolled_over)
    front_grip = rear_grip = 0.0 * required
    done = route.found
    for end in (FRONT, REAR):
        limit, found = axle_limit(law, grip_law(corner, end, table_start), end, route, asked, ask, tables)
        done = done & found
        if end == FRONT:
            front_grip = limit
        else:
            rear_grip = limit
    # at the rollover itself the tangent stiffness jumps: the side with the wheel still down is taken
    back = JUST_BEFORE * second.roll
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
        front_first=route.front_first,
        rolled_over=rolled_over,
        done=done & (rolled_over | asked_found),
    )
