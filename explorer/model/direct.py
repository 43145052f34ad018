"""Limits of a corner by Newton's method on everything that balances, one event of the path after the other.

For a path that rises to the second lift, but for a dip, and ends there, as on nearly every car. Where a condition
fails, `DirectLimits.done` says so and the path must be followed (`followed`). Written for floats and for lanes alike:
`wanted` and `going` are the cars that a search is still about, the rest compute along and are not looked at.
"""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.axle_point import SIGMA
from explorer.model.compiled import inner, woven
from explorer.model.grip import FRONT, REAR, grip_law, missing_at
from explorer.model.jets import part, seeded
from explorer.model.lanes import any_of, least, negated, where
from explorer.model.path import (
    GRIPPING,
    LIFT,
    REACH,
    TIPPING,
    PathPoint,
    PathState,
    moved,
    path_step,
    place_of,
    solve_path,
    state_ahead,
    upright,
    values_of,
)

BESIDE = 1e-7
"""How far beside a lift the slope of the path is looked at, as a share of sigma."""
PEAK_LOOKS = 8
"""Stretches between the lifts at whose ends a path that is lower at the second is looked at for a peak."""
JUST_BEFORE = 1e-12
"""How far before the rollover a car that has rolled over is looked at, as a share of sigma."""
MEETS_AT_ONCE, MEETS = 3e-8, 1e-10
"""Share of the demand within which capacity meets it; a last Newton step follows."""
SHORT = 1.0 / 64.0
"""A stretch of this share of the path up to the second lift is passed whatever its slopes are."""
MOST_LOOKS = 60
CREST_STRIDE, CREST_WIDTH = 1.3, 1e-10
"""How far a crest is looked for from one point to the next, and when it is found, as shares of sigma."""
STEEPEST_DIRECT = 0.8
"""Largest sigma of the second lift that is trusted here. [rad]"""


class Route(NamedTuple):
    """The path: the upright car, the first inner wheel up, the same just past it, and the end: the second wheel up, the
    first again where it ends there, or a crest between; `dips` where lateral acceleration falls past the first and
    climbs higher again, `bends` where it ends on a crest, `found` is False where the path is another."""

    start: PathPoint
    first: PathPoint
    past: PathPoint
    second: PathPoint
    front_first: bool
    dips: bool
    bends: bool
    found: bool


class DirectLimits(NamedTuple):
    """Lateral accelerations [m/s2] at the ends of a corner, and the point of the path at what the phase asks; nothing
    of it counts where not `done`."""

    front_grip: float
    rear_grip: float
    front_lift: float
    rear_lift: float
    rollover: float
    asked: PathState
    front_first: bool
    rolled_over: bool
    done: bool


@woven
def lateral_at(point):
    """Lateral acceleration of a point. [m/s2]"""
    return part(point.state.lateral, 0)


@woven
def rising_at(point):
    """Lateral acceleration per sigma at a point. [m/(s2 rad)]"""
    return part(point.state.lateral, SIGMA)


@woven
def tip_at(point):
    """The place of a point by tip (see `path.place_of`). [rad]"""
    return part(point.state.roll, 0) + TIPPING * lateral_at(point)


@inner
def beside(law, per_lateral, point, share):
    """The path a `share` of roll beside a lift, on that side's branch: turned with nothing else moved, the wheel is on
    the ground or off it, whatever the tangent at the lift itself says."""
    state = values_of(point.state)
    near = path_step(law, per_lateral, PathState(
        state.roll * (1.0 + share), state.lateral, state.handed, state.twist,
        state.front_outer, state.front_inner, state.rear_outer, state.rear_inner,
    ))  # fmt: skip
    return moved(near, 0.0 * share, point.found)


@woven
def one_up(front_first, point):
    """True where the wheel that lifts first is up and the other down."""
    front, rear = part(point.front_excess, 0), part(point.rear_excess, 0)
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
def falls_at(front, point):
    """True where lateral acceleration falls as the inner wheel of the front axle, or else of the rear one, rises from
    the ground: along sigma, or back along it where the path folds."""
    rising = rising_at(point)
    excess = where(front, part(point.front_excess, SIGMA), part(point.rear_excess, SIGMA))
    return where(excess > 0.0, rising, -rising) < 0.0


@inner
def crest_of(law, low, high, bracketed, wanted):
    """(Point between `low` and `high` where lateral acceleration is largest, found), for the `wanted`; `high` counts
    where `bracketed`. Illinois variant of false position (Dowell & Jarratt, BIT 11, 1971) on the slope."""
    a, b = tip_at(low), where(bracketed, tip_at(high), STEEPEST_DIRECT)
    rise, fall = rising_at(low), where(bracketed, rising_at(high), 0.0)
    side = 0.0 * a
    stride = side + 1.0
    going, found = wanted, wanted & negated(wanted)
    always = wanted | negated(wanted)
    for k in range(MOST_LOOKS):
        c = (a * fall - b * rise) / (fall - rise)
        c = where((a < c) & (c < b) & (k % 8 < 7), c, 0.5 * (a + b))
        c = where(bracketed, c, least(CREST_STRIDE * a, STEEPEST_DIRECT))
        c = a + stride * (c - a)
        look = solve_path(law, TIPPING, REACH, always, c, values_of(state_ahead(low.state, c - a)), going)
        stride = where(look.found, 1.0, 0.3 * stride)
        slope = rising_at(look)
        up, down = going & look.found & (slope > 0.0), going & look.found & negated(slope > 0.0)
        fall = where(up & (side > 0.0), 0.5 * fall, where(down, slope, fall))
        rise = where(down & (side < 0.0), 0.5 * rise, where(up, slope, rise))
        side = where(up, 1.0, where(down, -1.0, side))
        low = where(up, look, low)
        a, b, bracketed = where(up, c, a), where(down, c, b), bracketed | down
        met = (up | down) & bracketed & (b - a <= CREST_WIDTH * b)
        found = found | met
        going = going & negated(met) & (a < STEEPEST_DIRECT) & (stride > 1e-3)
        if not any_of(going):
            break
    return low, found


@inner
def no_peak(law, past, second, height, wanted):
    """True for the `wanted` where no look between the lifts finds more lateral acceleration than `height`. [m/s2]"""
    none, always = wanted, wanted | negated(wanted)
    width = (tip_at(second) - tip_at(past)) / PEAK_LOOKS
    point = past
    for k in range(1, PEAK_LOOKS):
        place = tip_at(past) + k * width
        state = values_of(state_ahead(point.state, place - tip_at(point)))
        look = solve_path(law, TIPPING, REACH, always, place, state, none)
        none = none & look.found & (lateral_at(look) <= height)
        point = where(none, look, point)
        if not any_of(none):
            break
    return none


@woven
def first_lift(law, start, guess_f, guess_r):
    """(the first inner wheel up, the front one?), from the straight path."""
    front_first = guess_f <= guess_r
    guess = least(guess_f, guess_r)
    straight_on = values_of(state_ahead(start.state, guess))
    first = solve_path(law, GRIPPING, LIFT, front_first, guess, straight_on, start.found & (guess > 0.0))
    other = where(front_first, first.rear_excess, first.front_excess)
    late = first.found & (part(other, 0) > 0.0)
    if any_of(late):  # the other wheel was up before
        front_first = where(late, negated(front_first), front_first)
        again = solve_path(law, GRIPPING, LIFT, front_first, guess, between(start, first, 0.9 + 0.0 * guess), late)
        first = where(late, again, first)
    return first, front_first


@woven
def route_of(law):
    """The first wheel up from the straight path, the second from just past the first; checked to end the path there:
    lateral acceleration must rise up to the second lift, but for a dip past the first, and fall after it. Where it only
    falls past the first, the path ends at that; where it bends over between them, on the crest."""
    start, guess_f, guess_r = upright(law)
    first, front_first = first_lift(law, start, guess_f, guess_r)
    past = beside(law, TIPPING, first, BESIDE)
    other = negated(front_first)
    second = solve_path(law, TIPPING, LIFT, other, guess_f, values_of(past.state), first.found)
    both = first.found & second.found & (tip_at(second) <= STEEPEST_DIRECT) & (tip_at(second) >= tip_at(first))
    before, after = beside(law, TIPPING, second, -BESIDE), beside(law, TIPPING, second, BESIDE)
    dips = negated(rising_at(past) > 0.0)
    rising = rising_at(first) > 0.0
    if any_of(dips):  # the slope found at the first lift may be that past it
        rising = where(dips, rising_at(beside(law, GRIPPING, first, -BESIDE)) > 0.0, rising)
    rising = rising & (rising_at(start) > 0.0)
    weight = law.front_weight + part(start.state.handed, 0)
    carried = (weight > 0.0) & (weight < law.total_weight)
    # where it falls all the way to the second lift, the path ends at the first; a crest between may be higher
    at_first, at_second, width = lateral_at(first), lateral_at(second), tip_at(second) - tip_at(first)
    lower = dips & (at_first >= at_second)
    drop, fall_0, fall_1 = at_first - at_second, -rising_at(past) * width, -rising_at(before) * width
    climbs = (rising_at(before) > 0.0) & (at_first < at_second)
    known = climbs | (lower & grows_evenly(drop, fall_0, fall_1))
    doubtful = both & lower & negated(known)
    if any_of(doubtful):
        known = known | no_peak(law, past, second, at_first, doubtful)
    found = both & one_up(front_first, before) & known & falls_at(other, after)
    # where it bends over before the second wheel lifts, or none does
    bends = first.found & negated(dips) & negated(both & (rising_at(before) > 0.0)) & negated(found)
    end = second
    if any_of(bends):
        crest, crested = crest_of(law, past, before, both, bends)
        bends = bends & crested & one_up(front_first, crest) & negated(both & (at_second > lateral_at(crest)))
        end = where(bends, crest, end)
    found = (found | bends) & first.found & one_up(front_first, past) & rising & carried
    return Route(start, first, past, where(lower, first, end), front_first, dips & negated(lower), bends, found)


@inner
def no_route(none):
    """A `Route` of zeros, none of it found."""
    never = none < none
    jet = 0.0 * seeded(none, SIGMA)
    state = PathState(jet, jet, jet, jet, jet, jet, jet, jet)
    point = PathPoint(state, jet, jet, jet, jet, jet, jet, never)
    return Route(point, point, point, point, never, never, never, never)


@woven
def bent(low, high, per, share):
    """The value at a share of the way between two jets, by the parabola that leaves the first on its tangent; `per` is
    sigma over the whole way along that tangent."""
    a, b, start = part(low, 0), part(high, 0), part(low, SIGMA) * per
    return a + share * (start + share * (b - a - start))


@woven
def between(low, high, share):
    """First guess of the path at a share of the lateral acceleration between two of its points: wheel travels grow with
    its square (jacking)."""
    a, b = low.state, high.state
    per = (lateral_at(high) - lateral_at(low)) / rising_at(low)
    return PathState(
        bent(a.roll, b.roll, per, share),
        bent(a.lateral, b.lateral, per, share),
        bent(a.handed, b.handed, per, share),
        bent(a.twist, b.twist, per, share),
        bent(a.front_outer, b.front_outer, per, share),
        bent(a.front_inner, b.front_inner, per, share),
        bent(a.rear_outer, b.rear_outer, per, share),
        bent(a.rear_inner, b.rear_inner, per, share),
    )


@woven
def asked_point(law, route, required, wanted):
    """The point of the path at the lateral acceleration asked for."""
    early = required < lateral_at(route.first)
    low, high = where(early, route.start, route.past), where(early, route.first, route.second)
    share = (required - lateral_at(low)) / (lateral_at(high) - lateral_at(low))
    never = wanted & negated(wanted)
    per_lateral = where(early, GRIPPING, TIPPING)
    asked = solve_path(law, per_lateral, REACH, never, required, between(low, high, share), wanted)
    right = (tip_at(asked) <= tip_at(high)) & (early | (tip_at(low) <= tip_at(asked))) & (rising_at(asked) > 0.0)
    return asked, asked.found & right & (early | negated(route.dips))


class Look(NamedTuple):
    """An axle at a point of the path, along which `place` grows (see `path.place_of`).

    `missing` is demand less capacity [N] and `slope` its slope by place; `per` is sigma per place, `tip` the place by
    tip. SI.
    """

    place: float
    missing: float
    slope: float
    per: float
    tip: float
    state: PathState


@woven
def look_at(corner, grip, end, path, by_tip, point, tables):
    """(`Look` at an axle, its demand [N])."""
    missing, demand = missing_at(corner, grip, end, path, point, tables)
    place = place_of(point.state, by_tip)
    per = 1.0 / part(place, SIGMA)
    return Look(part(place, 0), part(missing, 0), part(missing, SIGMA) * per, per, tip_at(point), point.state), demand


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
def cubic_between(s, width, low, high, low_per, high_per):
    """Hermite's cubic at the share `s` of a stretch from jets at both ends."""
    a, b, rest = part(low, 0), part(high, 0), 1.0 - s
    bend = rest * (part(low, SIGMA) * low_per * width - (b - a)) - s * (part(high, SIGMA) * high_per * width - (b - a))
    return a + s * (b - a + rest * bend)


@woven
def state_near(low, high, bracketed, place):
    """First guess of the path at a place, by the cubic between two looks, or by the tangent at the first."""
    step, width = place - low.place, where(bracketed, high.place - low.place, 1.0)
    s, p, q, a, b = step / width, low.per, high.per, low.state, high.state
    cubic = PathState(
        cubic_between(s, width, a.roll, b.roll, p, q),
        cubic_between(s, width, a.lateral, b.lateral, p, q),
        cubic_between(s, width, a.handed, b.handed, p, q),
        cubic_between(s, width, a.twist, b.twist, p, q),
        cubic_between(s, width, a.front_outer, b.front_outer, p, q),
        cubic_between(s, width, a.front_inner, b.front_inner, p, q),
        cubic_between(s, width, a.rear_outer, b.rear_outer, p, q),
        cubic_between(s, width, a.rear_inner, b.rear_inner, p, q),
    )
    return where(bracketed, cubic, values_of(state_ahead(low.state, step * low.per)))


@woven
def axle_limit(corner, law, end, route, asked, ask, tables, table_start):
    """(first lateral acceleration where an axle's demand meets its capacity, found); that of the second lift where it
    never does.

    Newton's method along the path from the point asked for, where the mask `ask` holds, with a bracket as soon as
    there is one. No stretch is passed that is neither `straight` nor shorter than `SHORT` of the path, so that the
    crossing is the first. The first lift, where slopes jump, is looked at before anything beyond it. A last Newton
    step follows from within `MEETS` of the demand, or within `MEETS_AT_ONCE` of it at a root that both sides foretold:
    a kink in between would have spoilt that.
    """
    grip = grip_law(corner, end, table_start)
    dips, top, by_tip = route.dips, route.second, route.dips | route.bends
    past_place = part(place_of(route.past.state, by_tip), 0)
    top_place = part(place_of(top.state, by_tip), 0)
    asked_place = part(place_of(asked.state, by_tip), 0)
    low, _ = look_at(corner, grip, end, law, by_tip, route.start, tables)
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
            guess = state_near(low, high, bracketed, place)
            per_lateral = where(by_tip | (place >= past_place), TIPPING, GRIPPING)
            point = where(known, point, solve_path(law, per_lateral, REACH, by_tip, place, guess, solve))
        # beyond the second lift lateral acceleration falls again: a point there is another
        onward = (place < past_place) | ((low.tip <= tip_at(point)) & (tip_at(point) <= tip_at(top)))
        seen = known | (point.found & onward)
        look, demand = look_at(corner, grip, end, law, by_tip, point, tables)
        short = look.place - low.place <= SHORT * top_place
        # past a dip lateral acceleration turns twice, which its slopes at the ends do not tell
        told = negated(dips) | (place <= past_place)
        passed = seen & (short | (told & straight(low, look, at_past | at_top)))
        near = abs(look.missing) <= where(bracketed & negated(known), MEETS_AT_ONCE, MEETS) * abs(demand)
        below, over = look.missing < 0.0, seen & (look.missing >= 0.0)
        narrow = bracketed & (high.place - low.place <= 1e-14 * top_place)
        met = going & passed & ((near & (look.slope > 0.0)) | narrow)
        back = where(look.slope > 0.0, look.missing / look.slope, 0.0) * look.per
        last = lateral_at(point) - rising_at(point) * back
        ended = going & passed & below & at_top & negated(met)
        limit = where(met, last, where(ended, lateral_at(top), limit))
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
    first, second = lateral_at(route.first), lateral_at(route.second)
    rolled_over = required >= second
    asked, asked_found = asked_point(law, route, required, route.found & negated(rolled_over))
    ask = asked_found & negated(rolled_over)
    front_grip, front_found = axle_limit(corner, law, FRONT, route, asked, ask, tables, table_start)
    rear_grip, rear_found = axle_limit(corner, law, REAR, route, asked, ask, tables, table_start)
    # at the rollover itself the tangent stiffness jumps: the side with the wheel still down is taken
    fallen = values_of(state_ahead(route.second.state, -JUST_BEFORE * tip_at(route.second)))
    first_lift = least(first, second)
    return DirectLimits(
        front_grip=front_grip,
        rear_grip=rear_grip,
        front_lift=where(route.front_first, first_lift, second),
        rear_lift=where(route.front_first, second, first_lift),
        rollover=second,
        asked=where(rolled_over, fallen, values_of(asked.state)),
        front_first=route.front_first,
        rolled_over=rolled_over,
        done=route.found & front_found & rear_found & (rolled_over | asked_found),
    )
