"""In which order to try a handful of setups, and what to change in each pit stop.

The work between two setups is the sum of the minutes of the parts that differ, the same both ways. The order that
visits every setup with the least work is found exactly (Held and Karp 1962, J. SIAM 10:196). The way from one setup to
the next is then cut into pit stops: every stop ends with a run, so a setup that cannot be built or that breaks a limit
is not where a stop should end. That too is exact, over every order and grouping of the changes of a leg.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from explorer.domain.errors import SpaceError
from explorer.domain.space import FloatArray, Space
from explorer.study.everything.evaluate import table_of
from explorer.study.everything.limits import ResolvedLimit, margins

MOST_SETUPS = 12
"""Setups that an exact order is found for."""

MOST_CHANGES = 9
"""Changes of one leg whose every order and grouping is tried; beyond this they are made in the order of the knobs."""

NO_ANSWER = "the model has no answer for this setup"
_TIE = 1e-9

_Cost = tuple[int, float, int]
"""Stops that end at a setup that cannot be built; minutes over the time; stops that end with a broken limit."""
_NO_COST: _Cost = (0, 0.0, 0)


@dataclass(frozen=True)
class Change:
    """One part swapped: labels `old` and `new`, work in `minutes` [min]."""

    knob: str
    old: str
    new: str
    minutes: float


@dataclass(frozen=True)
class Stop:
    """One pit stop and the setup that is run after it.

    `positions` (knobs,) and `labels` of that setup; `reaches` names the shortlisted setup it is, "" for one on the way.
    `minutes` of work [min], `run_at` when it runs, from the start on [min]; `too_long` where the work exceeds the time
    between runs. `allowed` is False where a rule forbids the setup; `broken` names the limits it breaks.
    """

    changes: tuple[Change, ...]
    positions: FloatArray
    labels: tuple[str, ...]
    reaches: str
    minutes: float
    too_long: bool
    allowed: bool
    broken: tuple[str, ...]
    run_at: float = 0.0


@dataclass(frozen=True)
class ChangePlan:
    """Stops in order. `order` numbers the setups as they are visited, `names` name them as they were given.

    `minutes` of work in all, `own_order_minutes` for the order they were given in, `saved` the difference [min].
    `runs` is how many runs there are, 0 where nobody counted. `notes` say what could not be had.
    """

    stops: tuple[Stop, ...]
    order: tuple[int, ...]
    names: tuple[str, ...]
    minutes: float
    own_order_minutes: float
    saved: float
    minutes_between_runs: float
    runs: int
    notes: tuple[str, ...]

    @property
    def elapsed(self) -> float:
        """From the start to the last run, with the time between runs. [min]"""
        return self.stops[-1].run_at


def work_between(space: Space, one: FloatArray, other: FloatArray) -> FloatArray:
    """Minutes to turn one setup into another: (rows, knobs) and (columns, knobs) -> (rows, columns) [min]."""
    cost = np.array([knob.minutes for knob in space.knobs])
    differs = np.asarray(one)[:, None, :] != np.asarray(other)[None, :, :]
    work: FloatArray = differs @ cost
    return work


def cheapest_order(first: FloatArray, between: FloatArray) -> tuple[tuple[int, ...], float]:
    """Order that visits every setup with the least work, and that work [min].

    `first` (setups,) is the work from where the car stands, `between` (setups, setups); the path does not return. Held
    and Karp 1962, J. SIAM 10:196, run backwards: `left[S, j]` is the least work still to come when the set S has been
    visited, j last. Of orders that cost the same, the one is taken that keeps closest to the given order: lowest number
    first, stop by stop.

    >>> cheapest_order(np.array([5.0, 1.0]), np.array([[0.0, 2.0], [2.0, 0.0]]))
    ((1, 0), 3.0)

    Raises SpaceError above `MOST_SETUPS` setups.
    """
    count = len(first)
    if count > MOST_SETUPS:
        raise SpaceError(f"an exact order is found for {MOST_SETUPS} setups at most, not for {count}; leave some out")
    if count == 0:
        return (), 0.0
    full = (1 << count) - 1
    left = np.zeros((1 << count, count))
    for visited in range(full - 1, 0, -1):
        rest = [k for k in range(count) if not visited >> k & 1]
        onward = np.array([left[visited | 1 << k, k] for k in rest])
        left[visited] = (between[:, rest] + onward).min(axis=1)
    order: list[int] = []
    visited, onward = 0, first
    while visited != full:
        rest = [k for k in range(count) if not visited >> k & 1]
        total = np.array([onward[k] + left[visited | 1 << k, k] for k in rest])
        chosen = rest[int(np.flatnonzero(total <= total.min() + _TIE)[0])]
        order.append(chosen)
        visited, onward = visited | 1 << chosen, between[chosen]
    return tuple(order), _path(first, between, tuple(order))


def _path(first: FloatArray, between: FloatArray, order: tuple[int, ...]) -> float:
    legs = [first[order[0]], *(between[a, b] for a, b in zip(order, order[1:], strict=False))]
    return float(sum(legs))


@dataclass(frozen=True)
class _Site:
    """What is known of one setup a stop may end at."""

    allowed: bool
    broken: tuple[str, ...]


@dataclass(frozen=True)
class _Leg:
    """The way from one setup to the next: `columns` of the knobs that differ, and every setup between by subset."""

    start: FloatArray
    end: FloatArray
    name: str
    columns: tuple[int, ...]
    sites: dict[int, _Site]

    def at(self, done: int) -> FloatArray:
        """Positions once the changes in the set `done` are made. (knobs,)"""
        return _made(self.start, self.end, self.columns, done)


_Way = tuple[_Cost, tuple[tuple[int, ...], ...]]
"""Cost of a leg and its groups of changes, stop by stop, each change by its place in the leg's columns."""


def change_plan(
    space: Space,
    setups: FloatArray,
    limits: tuple[ResolvedLimit, ...] = (),
    current: FloatArray | None = None,
    names: tuple[str, ...] = (),
    minutes_between_runs: float | None = None,
    runs: int | None = None,
) -> ChangePlan:
    """How to try `setups` (n, knobs), best first, starting from `current` (knobs,), by default the baseline: every one,
    or where the study says how many minutes there are, as many of the first as can be run by then.

    Stops are chosen by, in this order: none ends at a setup that a rule forbids; work beyond the time between runs,
    except where one change alone takes longer, which is flagged; no more stops than `runs` where that is counted;
    fewest runs with a broken limit; as many stops as possible, so that one change is tried at a time; changes in the
    order of the knobs. Where a forbidden setup lies on every way, the changes around it share one stop, however long.
    `names` default to "setup 1", ...; `minutes_between_runs` to the study's own.

    Raises SpaceError for no setup or more than `MOST_SETUPS`, or a time or number of runs that is not above zero.
    """
    setups = np.asarray(setups, dtype=np.float64)
    start = np.array(space.baseline if current is None else current, dtype=np.float64)
    limit = space.planning.minutes_between_runs if minutes_between_runs is None else float(minutes_between_runs)
    there_are = space.planning.minutes
    names = names or tuple(f"setup {number}" for number in range(1, len(setups) + 1))
    _refuse(space, setups, start, names, limit, runs)
    if not there_are:
        return _way_through(space, setups, limits, start, names, limit, runs)
    slots = max(1, int(there_are // limit))
    for count in range(len(setups), 0, -1):
        wanted = slots if runs is None else min(slots, runs)
        found = _way_through(space, setups[:count], limits, start, names[:count], limit, wanted)
        if found.elapsed <= there_are:
            break
    late = [f"no time for {', '.join(names[count:])}: there are {there_are:g} minutes"] if count < len(setups) else []
    if found.elapsed > there_are:
        late.append(f"{names[0]} alone takes {found.elapsed:g} minutes until it has run, and there are {there_are:g}")
    return replace(found, notes=(*late, *found.notes))


def _way_through(
    space: Space,
    setups: FloatArray,
    limits: tuple[ResolvedLimit, ...],
    start: FloatArray,
    names: tuple[str, ...],
    limit: float,
    runs: int | None,
) -> ChangePlan:
    """The way through every setup, however long it takes."""
    first, between = work_between(space, start[None, :], setups)[0], work_between(space, setups, setups)
    order, minutes = cheapest_order(first, between)
    own = _path(first, between, tuple(range(len(setups))))
    legs = _legs(space, limits, start, setups, order, names)
    chosen = _choose([_ways(space, leg, limit) for leg in legs], runs)
    stops: list[Stop] = []
    for leg, (_, groups) in zip(legs, chosen, strict=True):
        for stop in _stops(space, leg, groups, limit):
            stops.append(replace(stop, run_at=(stops[-1].run_at if stops else 0.0) + max(stop.minutes, limit)))
    notes = _notes(tuple(stops), legs, limit, runs)
    return ChangePlan(tuple(stops), order, names, minutes, own, own - minutes, limit, runs or 0, notes)


def _refuse(
    space: Space, setups: FloatArray, start: FloatArray, names: tuple[str, ...], limit: float, runs: int | None
) -> None:
    if setups.ndim != 2 or len(setups) == 0 or setups.shape[1] != len(space.knobs):
        raise SpaceError(f"a plan needs setups of shape (at least 1, {len(space.knobs)}), not {setups.shape}")
    if start.shape != (len(space.knobs),):
        raise SpaceError(f"the current setup needs {len(space.knobs)} positions, not {start.shape}")
    if len(names) != len(setups):
        raise SpaceError(f"{len(setups)} setups were given {len(names)} names")
    if not (np.isfinite(limit) and limit > 0.0):
        raise SpaceError(f"the time between runs must be above zero minutes, not {limit:g}")
    if runs is not None and runs < 1:
        raise SpaceError(f"the number of runs must be 1 or more, not {runs}")


def _made(start: FloatArray, end: FloatArray, columns: tuple[int, ...], done: int) -> FloatArray:
    result = start.copy()
    for place, column in enumerate(columns):
        if done >> place & 1:
            result[column] = end[column]
    return result


def _legs(
    space: Space,
    limits: tuple[ResolvedLimit, ...],
    start: FloatArray,
    setups: FloatArray,
    order: tuple[int, ...],
    names: tuple[str, ...],
) -> list[_Leg]:
    """Every leg with what is known of the setups along it, all asked of the model at once."""
    ends = [(a, b) for a, b in zip([start, *(setups[k] for k in order)], (setups[k] for k in order), strict=False)]
    columns = [tuple(int(c) for c in np.flatnonzero(a != b)) for a, b in ends]
    places = [(leg, done) for leg, moving in enumerate(columns) for done in _sets(len(moving))]
    positions = np.array([_made(*ends[leg], columns[leg], done) for leg, done in places])
    table = table_of(space, positions)
    allowed, broken = space.allowed(positions), margins(limits, table) < 0.0
    sites: list[dict[int, _Site]] = [{} for _ in ends]
    for row, (leg, done) in enumerate(places):
        words = tuple(one.text for one, bad in zip(limits, broken[row], strict=True) if bad)
        sites[leg][done] = _Site(bool(allowed[row]), words if table.valid[row] else (NO_ANSWER,))
    return [
        _Leg(a, b, names[number], moving, known)
        for (a, b), number, moving, known in zip(ends, order, columns, sites, strict=True)
    ]


def _sets(changes: int) -> list[int]:
    """Sets of changes made so far that a stop may end with; only those along the order of the knobs for many."""
    if changes == 0:
        return [0]
    if changes <= MOST_CHANGES:
        return list(range(1, 1 << changes))
    return [(1 << place) - 1 for place in range(1, changes + 1)]


def _groups(changes: int, done: int) -> Iterator[tuple[int, ...]]:
    """What may be changed next, together: any of what is left, or for many changes the next ones in order."""
    rest = [place for place in range(changes) if not done >> place & 1]
    for size in range(1, len(rest) + 1):
        if changes <= MOST_CHANGES:
            yield from combinations(rest, size)
        else:
            yield tuple(rest[:size])


def _ways(space: Space, leg: _Leg, limit: float) -> dict[int, _Way]:
    """The best way along a leg for each number of stops: dynamic programming over the changes already made.

    A leg without a change is one stop without work: the setup still gets its run.
    """
    changes = len(leg.columns)
    if changes == 0:
        return {1: (_NO_COST, ((),))}
    minutes = [space.knobs[column].minutes for column in leg.columns]
    full = (1 << changes) - 1
    best: dict[int, dict[int, _Way]] = {full: {0: (_NO_COST, ())}}
    for done in sorted({0, *leg.sites} - {full}, reverse=True):
        found: dict[int, _Way] = {}
        for group in _groups(changes, done):
            work = sum(minutes[place] for place in group)
            reached = done | sum(1 << place for place in group)
            site = leg.sites[reached]
            over = max(0.0, work - limit) if len(group) > 1 and work > limit + _TIE else 0.0
            here = int(not site.allowed), over, int(bool(site.broken))
            for stops, (cost, rest) in best[reached].items():
                way = (_added(here, cost), (group, *rest))
                if stops + 1 not in found or way < found[stops + 1]:
                    found[stops + 1] = way
        best[done] = found
    return best[0]


def _added(one: _Cost, other: _Cost) -> _Cost:
    return one[0] + other[0], round(one[1] + other[1], 9), one[2] + other[2]


def _choose(ways: list[dict[int, _Way]], runs: int | None) -> list[_Way]:
    """One way per leg, so that all stops together are the best there is (see `change_plan`)."""
    totals: dict[int, tuple[_Cost, list[_Way]]] = {0: (_NO_COST, [])}
    for leg in ways:
        grown: dict[int, tuple[_Cost, list[_Way]]] = {}
        for stops, (cost, taken) in sorted(totals.items()):
            for more, way in sorted(leg.items()):
                entry = (_added(cost, way[0]), [*taken, way])
                if stops + more not in grown or entry[0] < grown[stops + more][0]:
                    grown[stops + more] = entry
        totals = grown

    def rank(stops: int) -> tuple[int, float, int, int, int]:
        forbidden, over, broken = totals[stops][0]
        return forbidden, over, max(0, stops - runs) if runs is not None else 0, broken, -stops

    return totals[min(totals, key=rank)][1]


def _stops(space: Space, leg: _Leg, groups: tuple[tuple[int, ...], ...], limit: float) -> Iterator[Stop]:
    done, before = 0, leg.start
    for number, group in enumerate(groups, start=1):
        done |= sum(1 << place for place in group)
        after = leg.at(done)
        changes = tuple(_change(space, leg.columns[place], before, after) for place in group)
        minutes = float(sum(change.minutes for change in changes))
        site = leg.sites[done]
        yield Stop(
            changes=changes,
            positions=after,
            labels=space.labels(after),
            reaches=leg.name if number == len(groups) else "",
            minutes=minutes,
            too_long=minutes > limit + _TIE,
            allowed=site.allowed,
            broken=site.broken,
        )
        before = after


def _change(space: Space, column: int, before: FloatArray, after: FloatArray) -> Change:
    knob = space.knobs[column]
    return Change(knob.name, knob.label_at(float(before[column])), knob.label_at(float(after[column])), knob.minutes)


def _notes(stops: tuple[Stop, ...], legs: list[_Leg], limit: float, runs: int | None) -> tuple[str, ...]:
    """What could not be had, in words."""
    notes = []
    for number, stop in enumerate(stops, start=1):
        work = ", ".join(f"{change.knob} to {change.new}" for change in stop.changes)
        if stop.too_long and len(stop.changes) == 1:
            notes.append(
                f"stop {number}: {work} alone takes {stop.minutes:g} min, more than the {limit:g} between runs"
            )
        elif stop.too_long:
            notes.append(
                f"stop {number}: a rule forbids every setup on the way, so {work} are changed together: "
                f"{stop.minutes:g} min; there are {limit:g} between runs"
            )
        where = stop.reaches or "on the way"
        if not stop.changes:
            notes.append(f"stop {number} ({where}): nothing to change, the car stands so already")
        if not stop.allowed:
            notes.append(f"stop {number} ({where}): a rule forbids this setup")
        if stop.broken:
            avoid = "" if stop.reaches else ", which no order within the time and the runs avoids"
            notes.append(f"stop {number} ({where}): {'; '.join(stop.broken)}{avoid}")
    if runs is not None and len(stops) > runs:
        notes.append(f"{len(stops)} runs are needed and there are {runs}")
    for leg in legs:
        if len(leg.columns) > MOST_CHANGES:
            notes.append(f"{leg.name}: {len(leg.columns)} changes are too many to try every order; made knob by knob")
    return tuple(notes)
