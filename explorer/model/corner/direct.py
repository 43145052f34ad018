"""Limits of a corner by Newton's method on everything that balances, one event of the path after the other.

For a path that rises to the second lift, but for a dip, and ends there, as on nearly every car. Where a condition
fails, `DirectLimits.done` says so and the path must be followed (`followed`). Written for floats and for lanes alike:
`wanted` and `going` are the cars that a search is still about, the rest compute along and are not looked at.
"""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.corner.axle_point import SIGMA
from explorer.model.corner.grip import FRONT, REAR, grip_law, missing_at
from explorer.model.corner.path import (
    GRIPPING,
    LIFT,
    REACH,
    TIPPING,
    PathPoint,
    PathState,
    held,
    moved,
    path_step,
    place_of,
    solve_path,
    state_ahead,
    upright,
    values_of,
)
from explorer.model.machine.compiled import inner, woven
from explorer.model.machine.jets import part, seeded
from explorer.model.machine.lanes import any_of, least, most, negated, where

BESIDE = 1e-7
"""How far beside a lift the slope of the path is looked at, as a share of sigma."""
JUST_BEFORE = 1e-12
"""How far before the rollover a car that has rolled over is looked at, as a share of sigma."""
MEETS_AT_ONCE, MEETS = 3e-8, 1e-10
"""Share of the demand within which capacity meets it; a last Newton step follows."""
QUARTERS = 4
"""A path that does not climb all the way to its second lift is looked at between these parts of it."""
LIKELY = 1.05
"""A crest higher than this times what the slopes at both lifts lead to lies on another branch."""
NO_HIGHER = 1e-10
"""A point that is higher by less than this share is as high, to rounding."""
CLOSED = 1e-6
"""Share of the demand within which capacity meets it where a bracket has closed to rounding."""
SHORT = 1.0 / 64.0
"""A stretch of this share of the path up to the second lift is passed whatever its slopes are."""
MOST_LOOKS = 120
CREST_WIDTH = 1e-10
"""When a crest is found, as a share of its place."""
TIPPED = 0.85
"""A car has long tipped where lateral acceleration is less than this share of the largest."""
LARGEST_ROLL = 0.5
"""A car whose body leans so far has rolled over: some with one wheel up on soft springs never bend over. [rad]"""


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
def roll_at(point):
    """Roll of the rear of the body at a point. [rad]"""
    return part(point.state.roll, 0)


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
def stands(point):
    """True where all four wheels are on the ground."""
    return (part(point.front_excess, 0) <= 0.0) & (part(point.rear_excess, 0) <= 0.0)


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


@woven
def excess_at(front, point):
    """Contact excess of the front axle, or else of the rear one. [N]"""
    return part(where(front, point.front_excess, point.rear_excess), 0)


@inner
def crest_of(law, low, high, wanted):
    """(Point between `low`, past which lateral acceleration rises, and `high`, before which it falls, where it is
    largest, found), for the `wanted`. Illinois variant of false position (Dowell & Jarratt, BIT 11, 1971) on the slope.
    """
    a, b = tip_at(low), tip_at(high)
    rise, fall = rising_at(low), rising_at(high)
    side = 0.0 * a
    always = wanted | negated(wanted)
    going, found = wanted, wanted & negated(wanted)
    for k in range(MOST_LOOKS):
        c = (a * fall - b * rise) / (fall - rise)
        c = where((a < c) & (c < b) & (k % 8 < 7), c, 0.5 * (a + b))
        look = solve_path(law, TIPPING, REACH, always, c, values_of(state_ahead(low.state, c - a)), going)
        slope = rising_at(look)
        up, down = going & look.found & (slope > 0.0), going & look.found & negated(slope > 0.0)
        fall = where(up & (side > 0.0), 0.5 * fall, where(down, slope, fall))
        rise = where(down & (side < 0.0), 0.5 * rise, where(up, slope, rise))
        side = where(up, 1.0, where(down, -1.0, side))
        low = where(up, look, low)
        a, b = where(up, c, a), where(down, c, b)
        met = (up | down) & (b - a <= CREST_WIDTH * b)
        found = found | met
        going = (up | down) & negated(met)
        if not any_of(going):
            break
    return low, found


@woven
def first_lift(law, start):
    """(the first inner wheel up, the front one?, found), from the straight path with both wheels held to the road."""
    guess_f = -part(start.front_excess, 0) / part(start.front_excess, SIGMA)
    guess_r = -part(start.rear_excess, 0) / part(start.rear_excess, SIGMA)
    front_first = guess_f <= guess_r
    guess = least(guess_f, guess_r)
    asked = start.found & (guess > 0.0)
    law = held(law, asked | negated(asked), asked | negated(asked))
    first = solve_path(law, GRIPPING, LIFT, front_first, guess, values_of(state_ahead(start.state, guess)), asked)
    found = first.found & negated(excess_at(negated(front_first), first) > 0.0)
    other = asked & negated(found)
    if any_of(other):  # the other wheel was up before, or this one does not lift
        sooner = first.found & (guess > 0.0)
        later = where(front_first, guess_r, guess_f)
        later = where((later > 0.0) & (later < 2.0 * guess), later, guess)
        straight_on = values_of(state_ahead(start.state, later))
        trial = where(sooner, between(start, first, 0.9 + 0.0 * guess), straight_on)
        again = solve_path(law, GRIPPING, LIFT, negated(front_first), guess, trial, other)
        met = other & again.found & negated(excess_at(front_first, again) > 0.0)
        first, found = where(met, again, first), found | met
        front_first = where(met, negated(front_first), front_first)
    sigma = part(first.state.roll, 0) + GRIPPING * lateral_at(first)
    even = grows_evenly(lateral_at(first), rising_at(start) * sigma, rising_at(first) * sigma)
    doubtful = found & negated(even)
    if any_of(doubtful):  # it must lie on this path: half way there, the wheels are down
        always = asked | negated(asked)
        halved = values_of(state_ahead(start.state, 0.5 * sigma))
        half = solve_path(law, GRIPPING, REACH, always, 0.5 * sigma, halved, doubtful)
        found = found & (negated(doubtful) | (half.found & stands(half) & (rising_at(half) > 0.0)))
    return first, front_first, found


@woven
def stays_below(top, low, high):
    """True where lateral acceleration stays below `top` between two points, by the cubic from the values and slopes at
    both, which lies within its Bernstein points."""
    third = (tip_at(high) - tip_at(low)) * (1.0 / 3.0)
    top = top * (1.0 + NO_HIGHER)
    from_low, to_high = lateral_at(low) + rising_at(low) * third, lateral_at(high) - rising_at(high) * third
    return (most(lateral_at(low), from_low) <= top) & (most(lateral_at(high), to_high) <= top)


@woven
def route_of(law):
    """The first wheel up, the second from just past the first; checked to end the path there: lateral acceleration must
    rise up to the second lift, but for a dip past the first, and fall after it. Where it bends over between them, the
    path ends on the crest; where it falls past the first and stays below, at the first."""
    start = upright(law)
    first, front_first, found_first = first_lift(law, start)
    past = beside(law, TIPPING, first, BESIDE)
    other = negated(front_first)
    holding = held(law, other, front_first)
    second = solve_path(holding, TIPPING, LIFT, other, lateral_at(first), values_of(past.state), found_first)
    before, after = beside(law, TIPPING, second, -BESIDE), beside(law, TIPPING, second, BESIDE)
    both = second.found & (roll_at(second) <= LARGEST_ROLL) & (tip_at(second) >= tip_at(past))
    rising = rising_at(first) > 0.0
    dips = negated(rising_at(past) > 0.0)
    if any_of(dips):  # the slope found at the first lift may be that past it
        rising = where(dips, rising_at(beside(law, GRIPPING, first, -BESIDE)) > 0.0, rising)
    weight = law.front_weight + part(start.state.handed, 0)
    carried = (weight > 0.0) & (weight < law.total_weight)
    usual = found_first & rising & (rising_at(start) > 0.0) & carried & (excess_at(front_first, past) >= 0.0)
    at_first, at_second = lateral_at(first), lateral_at(second)
    # where the path folds at the first lift the car snaps over, and where it goes from there is another matter
    folds = where(front_first, part(past.front_excess, SIGMA), part(past.rear_excess, SIGMA)) <= 0.0
    known = usual & both & negated(folds) & one_up(front_first, before) & falls_at(other, after)
    climbs = (rising_at(before) > 0.0) & (at_first < at_second)
    width = tip_at(second) - tip_at(past)
    even = grows_evenly(at_second - at_first, rising_at(past) * width, rising_at(before) * width)
    falls = grows_evenly(at_first - at_second, -rising_at(past) * width, -rising_at(before) * width)
    doubtful = known & negated(climbs & even) & negated(dips & falls)
    low, highest = past, at_first
    if any_of(doubtful):  # the second lift found must be on this path, and nothing higher between
        always, top = dips | negated(dips), most(at_first, at_second)
        for k in range(1, QUARTERS):
            looked = doubtful & (negated(climbs) | (k == QUARTERS // 2))
            if any_of(looked):
                place = tip_at(past) + (k / QUARTERS) * width
                guess = values_of(state_ahead(low.state, place - tip_at(low)))
                look = solve_path(holding, TIPPING, REACH, always, place, guess, looked)
                passed = look.found & one_up(front_first, look)
                passed = passed & (stays_below(top, low, look) | negated(climbs | dips))
                known, low = known & (passed | negated(looked)), where(looked, look, low)
                highest = where(looked, most(highest, lateral_at(look)), highest)
        known = known & (stays_below(top, low, before) | negated(climbs | dips) | negated(doubtful))
    climbs = known & climbs
    # two ends alike lift together: no path leads on from there
    together = usual & (excess_at(other, past) >= 0.0)
    lower = (known & negated(climbs) & dips & (at_second < at_first)) | together
    bends = known & negated(dips) & negated(rising_at(before) > 0.0)
    if any_of(bends):
        crest, bends = crest_of(holding, past, before, bends)
        third = width * (1.0 / 3.0)
        most_there = most(at_first + rising_at(past) * third, at_second - rising_at(before) * third)
        # on the way it may have climbed past a first crest
        bends = bends & (lateral_at(crest) > highest) & (lateral_at(crest) <= LIKELY * most_there)
        second = where(bends, crest, second)
    found = (climbs & one_up(front_first, past)) | lower | bends
    return Route(start, first, past, where(lower, first, second), front_first, dips & negated(lower), bends, found)


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
    law = held(law, early, early)
    asked = solve_path(law, per_lateral, REACH, never, required, between(low, high, share), wanted)
    found = asked.found & in_order(low, asked, high, early)
    return asked, found & (early | negated(route.dips))


@woven
def in_order(low, point, high, early):
    """True where a point lies between two others, with all wheels down where `early`, and lateral acceleration
    rises."""
    beyond = (tip_at(low) <= tip_at(point)) & (tip_at(point) <= tip_at(high))
    return where(early, stands(point), beyond) & (rising_at(point) > 0.0)


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
def no_crossing(low, high, kinked):
    """True where what is missing meets nothing between two looks but once at most: it grows or falls about as its
    slopes at both say (as that at the first says where the second lies on a kink, `kinked`), or it stays far below
    nothing for its cubic, which leaves the chord by 4/27 of what each slope does."""
    rise, width = high.missing - low.missing, high.place - low.place
    at_low, at_high = low.slope * width, where(kinked, rise, high.slope * width)
    even = grows_evenly(rise, at_low, at_high) | grows_evenly(-rise, -at_low, -at_high)
    far = most(low.missing, high.missing) + 0.5 * (abs(at_low - rise) + abs(at_high - rise)) < 0.0
    return (width > 0.0) & (even | far)


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
    there is one. No stretch is passed that has neither `no_crossing` nor is shorter than `SHORT` of the path, so that
    the crossing is the first. The first lift, where slopes jump, is looked at before anything beyond it. A last Newton
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
    limit, reach, pace = 0.0 * top_place, top_place, 1e30 + 0.0 * top_place
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
        solve, early = going & negated(known), place < past_place
        if any_of(solve):
            guess = state_near(low, high, bracketed, place)
            per_lateral = where(by_tip | negated(early), TIPPING, GRIPPING)
            near = solve_path(held(law, early, early), per_lateral, REACH, by_tip, place, guess, solve)
            point = where(known, point, near)
        # beyond the second lift lateral acceleration falls again: a point there is another
        onward = (low.tip <= tip_at(point)) & (tip_at(point) <= tip_at(top))
        seen = known | (point.found & where(early, stands(point), onward))
        look, demand = look_at(corner, grip, end, law, by_tip, point, tables)
        short = look.place - low.place <= SHORT * top_place
        # past a dip lateral acceleration turns twice, which its slopes at the ends do not tell
        told = negated(dips) | (place <= past_place)
        passed = seen & (short | (told & no_crossing(low, look, at_past | at_top)))
        near = abs(look.missing) <= where(bracketed & negated(known), MEETS_AT_ONCE, MEETS) * abs(demand)
        below, over = look.missing < 0.0, seen & (look.missing >= 0.0)
        # a bracket that closes on a jump holds no root: what is missing there may be anything
        narrow = bracketed & (high.place - low.place <= 1e-14 * top_place) & (abs(look.missing) <= CLOSED * abs(demand))
        met = going & passed & ((near & (look.slope > 0.0)) | narrow)
        back = where(look.slope > 0.0, look.missing / look.slope, 0.0) * look.per
        last = lateral_at(point) - rising_at(point) * back
        ended = going & passed & below & at_top & negated(met)
        limit = where(met, last, where(ended, lateral_at(top), limit))
        found = found | met | ended
        going = going & negated(met | ended)
        if not any_of(going):
            break
        width = place - low.place
        pace = where(over | passed, 2.0 * pace, least(pace, 0.5 * width))
        high, bracketed = where(over, look, high), bracketed | (going & over)
        low = where(below & passed, look, low)
        reach = least(low.place + pace, top_place)
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
    front_grip = rear_grip = required
    done = route.found & (rolled_over | asked_found)
    for k in range(2):  # a loop, for the compiler to see its body once
        end = REAR if k == 1 else FRONT
        limit, met = axle_limit(corner, law, end, route, asked, ask, tables, table_start)
        done = done & met
        front_grip, rear_grip = rear_grip, limit
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
        done=done,
    )
