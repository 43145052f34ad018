"""Limits of a corner by following the path of equilibria along its own length: the last resort, for every car.

The path may turn back in roll, in lateral acceleration or in both, and has a kink wherever a wheel meets a stop or
lifts. It is followed in steps along its tangent, each corrected across it (Keller's pseudo-arclength; Riks, Int. J.
Solids Structures 15, 1979; both from memory), from the upright car over the first lift up to the second, or to where
the car has long tipped. The rollover threshold is the largest lateral acceleration on it. Where the path dips and
climbs higher again the car snaps a little further over and stands: that is no rollover. An axle's limit is the first
point along the path where demand meets capacity.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from explorer.model.corner.axle_point import SIGMA
from explorer.model.corner.direct import (
    BESIDE,
    JUST_BEFORE,
    LARGEST_ROLL,
    TIPPED,
    DirectLimits,
    beside,
    excess_at,
    lateral_at,
)
from explorer.model.corner.grip import FRONT, REAR, grip_law, missing_at
from explorer.model.corner.path import GRIPPING, PathPoint, held, held_back, moved, path_step, state_ahead, upright
from explorer.model.corner.path import values_of as values
from explorer.model.machine.compiled import inner
from explorer.model.machine.jets import part

PER_LATERAL, PER_TRAVEL = 1.0 / 150.0, 10.0
"""What makes lateral acceleration [rad s2/m] and wheel travel [rad/m] as long as roll: some 0.1 rad at rollover."""
STEEPEST = 20.0
"""A step across the path keeps at least one part in so many of roll."""
FIRST, LONGEST, SHORTEST, LEAST, AHEAD = 0.01, 0.04, 1e-3, 1e-11, 1e-6
"""Steps along the path: the first, the longest, one that may turn over a kink, one too short to go on with, and how far
ahead of where it got stuck the path is looked at. [rad]"""
FINEST = 2e-3
"""Down to this step [rad] a stretch is cut where an event may happen and be undone inside."""
LONGER, SHORTER = 2.5, 0.15
"""The next step after one that was taken, and in place of one that was not."""
STRAIGHT, SAME, ASIDE = 0.9, 0.999, 0.25
"""Cosines of how far the tangent may turn in a longer step and may have turned on one branch beside a kink, and the
share of a longer step that its correction may be."""
MOST_STEPS, MOST_CORRECTIONS, MOST_LOOKS = 1000, 12, 80
CORRECTED = 1e-7
"""A correction as small as this is the last: what it leaves is its square. [rad]"""
FRONT_MEETS, REAR_MEETS, ASKED, FRONT_UP, REAR_UP, CREST, LIES = 0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0
"""Events; no whole numbers, for each of which the compiler would make a copy of its own."""


class Track(NamedTuple):
    """A corner's path, and where its bump table starts in the flat array of tables."""

    corner: Any
    law: Any
    table_start: float


class Place(NamedTuple):
    """A point of the path and how far its own variable goes per length along the path."""

    point: PathPoint
    way: float


@inner
def tangent_of(point):
    """Changes of roll, lateral acceleration and the four travels along a point's own variable, all in rad."""
    state = point.state
    return (
        part(state.roll, SIGMA),
        PER_LATERAL * part(state.lateral, SIGMA),
        PER_TRAVEL * part(state.front_outer, SIGMA),
        PER_TRAVEL * part(state.front_inner, SIGMA),
        PER_TRAVEL * part(state.rear_outer, SIGMA),
        PER_TRAVEL * part(state.rear_inner, SIGMA),
    )


@inner
def chord_of(old, new):
    """The way from one state of numbers to another, as `tangent_of`."""
    return (
        new.roll - old.roll,
        PER_LATERAL * (new.lateral - old.lateral),
        PER_TRAVEL * (new.front_outer - old.front_outer),
        PER_TRAVEL * (new.front_inner - old.front_inner),
        PER_TRAVEL * (new.rear_outer - old.rear_outer),
        PER_TRAVEL * (new.rear_inner - old.rear_inner),
    )


@inner
def along(a, b):
    """Scalar product of two ways."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2] + a[3] * b[3] + a[4] * b[4] + a[5] * b[5]


@inner
def placed(point, forward):
    """`Place` of a point, its tangent turned to the side of `forward`."""
    tangent = tangent_of(point)
    length = np.sqrt(along(tangent, tangent))
    return Place(point, (1.0 if along(tangent, forward) >= 0.0 else -1.0) / length)


@inner
def across(place):
    """Lateral acceleration's share of the variable whose level is most nearly square to the path."""
    turn, rise = part(place.point.state.roll, SIGMA), PER_LATERAL * part(place.point.state.lateral, SIGMA)
    least = abs(rise) / STEEPEST
    if abs(turn) < least:
        turn = least if turn >= 0.0 else -least
    return PER_LATERAL * rise / turn


@inner
def corrected(law, per_lateral, state):
    """The point of the path at the variable's level of a state of numbers, by Newton's method."""
    found = False
    for k in range(MOST_CORRECTIONS):
        point = path_step(law, per_lateral, state)
        new = values(point.state)
        change = chord_of(state, new)
        handed = abs(new.handed - state.handed) / law.total_weight + abs(new.twist - state.twist)
        if found:
            break
        found = np.sqrt(along(change, change)) + handed <= CORRECTED
        state = new if found else held_back(law, state, new, 0.5 if k >= 6 and k % 3 == 0 else 1.0)
    return moved(point, 0.0, found)


@inner
def onward(law, low, high, length):
    """A `Place` just past a kink with its way turned onward: on the wrong way the path that led to the kink is met
    again, told by its tangent."""
    trial = corrected(law, across(high), values(state_ahead(high.point.state, high.way * length)))
    there, old, new = tangent_of(trial), tangent_of(low.point), tangent_of(high.point)
    as_old, as_new = abs(along(there, old) * low.way), abs(along(there, new) * high.way)
    back = trial.found and as_old > as_new and as_old > SAME * np.sqrt(along(there, there))
    return Place(high.point, -high.way) if back else high


@inner
def stepped(law, low, length):
    """(`Place` a length further along the path, True where it is on the same stretch)."""
    guess = values(state_ahead(low.point.state, low.way * length))
    point = corrected(law, across(low), guess)
    if not point.found:
        return low, False
    state = values(point.state)
    off, chord = chord_of(guess, state), chord_of(values(low.point.state), state)
    high = placed(point, chord)
    straight = low.way * high.way * along(tangent_of(low.point), tangent_of(point)) >= STRAIGHT
    near = along(off, off) <= (ASIDE * length) ** 2
    if straight and near:
        return high, True
    short = length <= SHORTEST and along(chord, chord) <= (2.0 * length) ** 2
    return onward(law, low, high, 1.2 * length) if short else high, short


@inner
def other_branch(law, low, onward):
    """`Place` on the branch that the path goes on along from the stop just ahead, turned `onward` or back: a little
    past the stop that branch's equations hold."""
    point = path_step(law, across(low), values(state_ahead(low.point.state, low.way * AHEAD)))
    place = placed(moved(point, 0.0, True), tangent_of(low.point))
    forward = low.way * place.way * along(tangent_of(low.point), tangent_of(point)) > 0.0
    return Place(place.point, place.way if forward == onward else -place.way)


@inner
def event_at(which, track, place, tables):
    """(A quantity that rises through zero at the event `which`, its slope along the path; zero where that is not known)
    at a place."""
    point = place.point
    lateral, roll = point.state.lateral, point.state.roll
    if which == CREST:
        return -part(lateral, SIGMA) * place.way, 0.0
    if which == FRONT_UP or which == REAR_UP:
        jet = point.front_excess if which == FRONT_UP else point.rear_excess
    elif which == ASKED:
        jet = lateral - track.corner.phase.lateral
    elif which == LIES:
        jet = roll - LARGEST_ROLL
    else:
        end = FRONT if which == FRONT_MEETS else REAR
        grip = grip_law(track.corner, end, track.table_start)
        jet, _ = missing_at(track.corner, grip, end, track.law, point, tables)
    return part(jet, 0), part(jet, SIGMA) * place.way


@inner
def crossing(which, track, low, high, length, tables):
    """(`Place` of an event between two places a `length` apart, how far it is past the first), to rounding.

    Newton's method along the path inside a bracket; else the Illinois variant of false position (Dowell & Jarratt, BIT
    11, 1971), halving where it stalls. Every place looked at lies at a level of the variable that is square to the path
    at `low`, in which the length is counted.
    """
    per_lateral, turn = across(low), tangent_of(low.point)
    per_length = low.way * (turn[0] + per_lateral * part(low.point.state.lateral, SIGMA))
    (fa, slope), (fb, _) = event_at(which, track, low, tables), event_at(which, track, high, tables)
    a, b, at, value, side = 0.0, length, 0.0, fa, 0
    start, place, chord = values(low.point.state), low, chord_of(values(low.point.state), values(high.point.state))
    for step in range(MOST_LOOKS):
        old, newton = at, at - value / slope if slope > 0.0 else -1.0
        at = newton if a < newton < b else (a * fb - b * fa) / (fb - fa)
        if step % 12 == 11 or not (a < at < b):
            at = 0.5 * (a + b)
        # along the tangent at the last place, to this level
        state = values(place.point.state)
        level = state.roll + per_lateral * state.lateral
        own = part(place.point.state.roll, SIGMA) + per_lateral * part(place.point.state.lateral, SIGMA)
        goal = start.roll + per_lateral * start.lateral + per_length * at
        guess = values(state_ahead(place.point.state, (goal - level) / own))
        place = placed(corrected(track.law, per_lateral, guess), chord)
        value, slope = event_at(which, track, place, tables)
        if value == 0.0 or b - a <= 1e-15 + 1e-13 * length or abs(at - old) <= 1e-14 * length:
            break
        if value < 0.0:
            a, fa = at, value
            fb *= 0.5 if side < 0 else 1.0
            side = -1
        else:
            b, fb = at, value
            fa *= 0.5 if side > 0 else 1.0
            side = 1
    return place, at


@inner
def may_hide(which, track, low, high, length, tables):
    """True where an event that is ahead at both ends of a stretch may happen twice in between: the cubic from the
    values and slopes at both lies below its Bernstein points only."""
    (fa, rising), (fb, falling) = event_at(which, track, low, tables), event_at(which, track, high, tables)
    third = length * (1.0 / 3.0)
    return fa < 0.0 and fb < 0.0 and max(fa + rising * third, fb - falling * third) >= 0.0


@inner
def past_lift(law, front_first, lift):
    """(The path's law and its `Place` past the first lift, True where it goes on from there): the wheel is up, and the
    way is where it rises."""
    law = held(law, not front_first, front_first)
    point = beside(law, GRIPPING, lift.point, BESIDE)
    excess = part(point.front_excess if front_first else point.rear_excess, SIGMA)
    place = placed(point, tangent_of(point))
    if excess < 0.0:
        place = Place(point, -place.way)
    return law, place, excess != 0.0 and excess_at(not front_first, lift.point) < 0.0


@inner
def followed_limits(corner, law, tables, table_start):
    """`DirectLimits` by following the path; not `done` where it is lost before its end. A wheel that does not lift
    before the rollover lifts there."""
    track = Track(corner, held(law, True, True), table_start)
    start = upright(law)
    low = placed(start, tangent_of(start))
    if part(start.state.lateral, SIGMA) * low.way < 0.0:
        low = Place(start, -low.way)
    # of either axle's limit and of the point asked for: lateral acceleration, and length along the path
    met, when = np.zeros(3), np.full(3, np.inf)
    for k in range(3):  # an axle may ask for more than it has from the start
        if event_at(FRONT_MEETS + k, track, low, tables)[0] >= 0.0:
            met[k], when[k] = lateral_at(start), 0.0
    asked, best, first = values(start.state), low, low
    so_far, best_at, step = 0.0, 0.0, FIRST
    lifted, front_first, ended, lost, stuck, before = False, False, False, False, 0, low
    for _ in range(MOST_STEPS):
        high, good = stepped(track.law, low, step)
        if not good:
            step *= SHORTER
            if step < LEAST:
                if stuck == 0:
                    before = low
                stuck, step = stuck + 1, SHORTEST
                lost = stuck > 2
                if lost:
                    break
                low = other_branch(track.law, before, stuck == 1)
            continue
        hidden = False
        for which in (FRONT_MEETS, REAR_MEETS, FRONT_UP, REAR_UP):
            if which == FRONT_UP or which == REAR_UP:
                open_yet = not (lifted and (which == FRONT_UP) == front_first)
            else:
                open_yet = when[0 if which == FRONT_MEETS else 1] == np.inf
            if step > FINEST and open_yet:
                hidden = hidden or may_hide(which, track, low, high, step, tables)
        if hidden:
            step *= 0.5
            continue
        stuck = stuck if step < SHORTEST else 0
        length, at_lift = step, False
        # up to what ends this stretch
        for which in (FRONT_UP, REAR_UP, LIES):
            own = which != LIES and lifted and (which == FRONT_UP) == front_first
            value, _ = event_at(which, track, high, tables)
            if value >= 0.0 and not own:
                high, length = crossing(which, track, low, high, length, tables)
                lost = lost or not high.point.found
                at_lift, ended = which != LIES, lifted or which == LIES
                if not lifted:
                    front_first = which == FRONT_UP
        bottom, at, top, to = low, 0.0, high, length
        rise, fall = event_at(CREST, track, low, tables)[0], event_at(CREST, track, high, tables)[0]
        if rise < 0.0 and fall > 0.0:
            top, to = crossing(CREST, track, low, high, length, tables)
            lost = lost or not top.point.found
        while at < length:  # up to a crest, and from there
            for k in range(3):
                which = FRONT_MEETS + k
                if when[k] == np.inf and event_at(which, track, top, tables)[0] >= 0.0:
                    place, past = bottom, 0.0
                    if event_at(which, track, bottom, tables)[0] < 0.0:
                        place, past = crossing(which, track, bottom, top, to - at, tables)
                        lost = lost or not place.point.found
                    met[k], when[k] = lateral_at(place.point), so_far + at + past
                    if which == ASKED:
                        asked = values(place.point.state)
            if lateral_at(top.point) > lateral_at(best.point):
                best, best_at = top, so_far + to
            bottom, at, top, to = top, to, high, length
        so_far += length
        low = high
        ended = ended or lateral_at(high.point) < TIPPED * lateral_at(best.point)
        if ended or lost:
            break
        step = min(LONGER * step, LONGEST)
        if at_lift:
            lifted, first, step = True, high, FIRST
            after, low, goes_on = past_lift(law, front_first, high)
            track = Track(corner, after, table_start)
            ended = not goes_on
            if ended:
                break
    rollover = lateral_at(best.point)
    at_first = lateral_at(first.point) if lifted else rollover
    rolled_over = corner.phase.lateral >= rollover or when[2] > best_at
    if rolled_over:
        # at the rollover itself the tangent stiffness jumps: the side with the wheel still down is taken
        asked = values(state_ahead(best.point.state, -JUST_BEFORE * best.way))
    front_first = front_first or not lifted
    first_lift = min(at_first, rollover)
    return DirectLimits(
        front_grip=met[0] if when[0] <= best_at else rollover,
        rear_grip=met[1] if when[1] <= best_at else rollover,
        front_lift=first_lift if front_first else rollover,
        rear_lift=rollover if front_first else first_lift,
        rollover=rollover,
        asked=asked,
        front_first=front_first,
        rolled_over=rolled_over,
        done=ended and not lost,
    )
