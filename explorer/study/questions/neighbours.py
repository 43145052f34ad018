"""Pareto local search: from the front found so far every change of one knob and of two, until none improves it.

What counts as better is what decides dominance on listed spaces: felt steps, saturated objectives left out, limits
kept. Ties are plateaus to cross, so they are tried too, after the setups that stand for their points. Everything is
worked in whole batches and ends after a number of setups, so the same seed gives the same bytes. Paquete, Chiarandini,
Stuetzle 2004, in Metaheuristics for Multiobjective Optimisation, 177-199.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from explorer.domain import seeds
from explorer.domain.space import BoolArray, FloatArray, IntArray, Knob, Space
from explorer.study.everything.evaluate import CHUNK, MetricTable, Progress, table_of
from explorer.study.everything.front import (
    distinct,
    felt_scores,
    nondominated,
    objective_values,
    pareto_front,
    saturated,
    scores_of,
)
from explorer.study.everything.limits import ResolvedLimit, counts_of, margins
from explorer.study.everything.shortlist import least_violating
from explorer.study.everything.stream import by_level
from explorer.study.everything.wishes import LOSS_STEP, ResolvedWish, best_rows, loss_of, shortfalls
from explorer.study.questions.search_results import LocalSearch, SearchResult

MANY = 32
"""A knob with more places than this is changed by 1, 2, 4, ... places and back to the baseline, not to every place."""

FEWEST, MOST, USUAL = 16, 1024, 256
"""Least, most and usual number of steps in a range; as many as make a step no wider than the build tolerance."""

FINER = 8
"""Members to cross are chosen by steps so much smaller than felt ones: they lead where a felt step is just reached."""

QUIET = 8
"""So many chunks of crossed setups in a row without a new point end the crossing."""

KeyArray = NDArray[np.uint64]

KEPT = 4096
"""Candidates kept with all their metrics; members of the front are kept beside them, however many."""


def steps_in(knob: Knob) -> int:
    """Steps that a continuous knob is searched in: a power of two, `USUAL` without a build tolerance.

    >>> fitted = Knob("height", "mm", (), (20.0, 24.0), (0,), ((0.02,), (0.024,)), True, tolerance_absolute=0.0002)
    >>> steps_in(fitted)  # 0.2 mm in 4 mm: a twentieth
    32
    """
    low, high = np.abs(np.array(knob.settings))
    width = np.abs(np.array(knob.settings[1]) - np.array(knob.settings[0]))
    fitting = knob.tolerance_absolute + knob.tolerance_relative * np.minimum(low, high)
    moved = width > 0.0
    share = float((fitting[moved] / width[moved]).min()) if moved.any() else 1.0
    if share <= 0.0:
        return USUAL
    return int(np.clip(2.0 ** np.ceil(np.log2(1.0 / share)), FEWEST, MOST))


class Grid:
    """The places that a search may put every knob at, numbered: all levels, or steps in a range and the baseline.

    A setup is a row of whole numbers, its *codes*. `jumping` says that some knob has too many of them to try each.
    """

    def __init__(self, space: Space) -> None:
        self.places = tuple(
            np.union1d(np.arange(steps_in(knob) + 1) / steps_in(knob), [home]) if knob.continuous
            else np.arange(knob.size, dtype=np.float64)
            for knob, home in zip(space.knobs, space.baseline, strict=True)
        )  # fmt: skip
        self.home = np.array([np.searchsorted(p, b) for p, b in zip(self.places, space.baseline, strict=True)])
        self.jumping = any(len(places) > MANY for places in self.places)
        rng = np.random.default_rng(len(space.knobs))
        self._odd = rng.integers(1, 2**62, len(space.knobs), dtype=np.uint64) * np.uint64(2) + np.uint64(1)

    def positions(self, codes: FloatArray) -> FloatArray:
        """Positions of setups. (rows, knobs) -> same shape."""
        columns = [places[column.astype(np.int64)] for places, column in zip(self.places, codes.T, strict=True)]
        return np.stack(columns, axis=1)

    def keys(self, codes: FloatArray) -> KeyArray:
        """A number for every setup. (rows, knobs) -> (rows,). Two of a million share one with a chance below 1e-7."""
        with np.errstate(over="ignore"):
            result: KeyArray = (codes.astype(np.uint64) * self._odd).sum(axis=1, dtype=np.uint64)
        return result

    def around(self, one: FloatArray, changes: int) -> FloatArray:
        """Every setup that differs from one, `one` (knobs,), in so many knobs. (setups, knobs)"""
        choices = [self._choices(knob, int(code)) for knob, code in enumerate(one)]
        found = [np.zeros((0, len(one)))]
        for columns in combinations(range(len(one)), changes):
            options = np.meshgrid(*(choices[column] for column in columns), indexing="ij")
            more = np.repeat(one[None, :], options[0].size, axis=0)
            for column, option in zip(columns, options, strict=True):
                more[:, column] = option.ravel()
            found.append(more)
        return np.concatenate(found)

    def _choices(self, knob: int, code: int) -> IntArray:
        size = len(self.places[knob])
        if size <= MANY:
            return np.delete(np.arange(size), code)
        jumps = 2 ** np.arange(int(np.log2(size)) + 1)
        reached = np.unique(np.concatenate([code - jumps, code + jumps, self.home[knob : knob + 1]]))
        return reached[(reached >= 0) & (reached < size) & (reached != code)]


@dataclass(frozen=True)
class _Best:
    """Some of the setups looked at: `rows` (setups,) in the order asked, `codes` (setups, knobs), and `told` (setups,
    numbers), what decided that they are among these."""

    rows: IntArray
    codes: FloatArray
    told: FloatArray

    def take(self, which: IntArray | BoolArray) -> _Best:
        return _Best(self.rows[which], self.codes[which], self.told[which])

    def and_these(self, more: _Best) -> _Best:
        return _Best(
            np.concatenate([self.rows, more.rows]),
            np.concatenate([self.codes, more.codes]),
            np.concatenate([self.told, more.told]),
        )


class _Facts(NamedTuple):
    """What is kept of every setup: `valid` (setups,), `broken` (setups, limits), `missed` (setups,) in resolutions,
    `values` of the objectives in edge units, `short` of the wishes."""

    codes: FloatArray
    valid: BoolArray
    broken: BoolArray
    missed: FloatArray
    values: FloatArray
    short: FloatArray


class Looked:
    """Every setup that a search handed to the model, in the order asked, with what decides about it but without its
    metrics; and the best so far: the front, those nearest to the wishes, those that miss the limits by least."""

    def __init__(self, space: Space, limits: tuple[ResolvedLimit, ...], wishes: tuple[ResolvedWish, ...]) -> None:
        self.space, self.limits, self.wishes, self.grid = space, limits, wishes, Grid(space)
        self._parts: list[_Facts] = []
        self._keys = np.zeros(0, dtype=np.uint64)
        n = len(space.objectives)
        self._dropped: tuple[str, ...] = ()
        self._low, self._high = np.full(n, np.inf), np.full(n, -np.inf)
        nothing, codes = np.zeros(0, dtype=np.int64), np.zeros((0, len(space.knobs)))
        self._front = _Best(nothing, codes, np.zeros((0, n)))
        self._fine = self._front
        self._wished = _Best(nothing, codes, np.zeros((0, len(wishes))))
        self._least = _Best(nothing, codes, np.zeros((0, 1 + n)))

    def __len__(self) -> int:
        return len(self._keys)

    def ask(self, codes: FloatArray) -> MetricTable:
        """Metrics of setups that no rule forbids and that were not asked before. Raises ModelError for a number that is
        not finite."""
        table = table_of(self.space, self.grid.positions(codes))
        kept = margins(self.limits, table)
        missed = np.maximum(-kept, 0.0).sum(axis=1)
        values, short = objective_values(table), shortfalls(self.wishes, table)
        rows = np.arange(len(self), len(self) + len(codes))
        self._parts.append(_Facts(codes, table.valid, kept < 0.0, missed, values, short))
        self._keys = np.sort(np.concatenate([self._keys, self.grid.keys(codes)]), kind="stable")
        good = table.valid & (kept >= 0.0).all(axis=1)
        if good.any():
            self._better(rows[good], codes[good], values[good], short[good])
        elif not len(self._front.rows):
            told = np.column_stack([missed, felt_scores(values, self.space.objectives, ())])
            least = self._least.and_these(_Best(rows, codes, told).take(table.valid))
            positions = self.grid.positions(least.codes)
            self._least = least.take(
                least_violating(self.space, positions, least.rows, least.told[:, 0], least.told[:, 1:])
            )
        return table

    def _better(self, rows: IntArray, codes: FloatArray, values: FloatArray, short: FloatArray) -> None:
        """Takes feasible setups into the front and among those nearest to the wishes."""
        objectives = self.space.objectives
        self._low = np.minimum(self._low, values.min(axis=0))
        self._high = np.maximum(self._high, values.max(axis=0))
        dropped = saturated(objectives, self._low, self._high)
        if dropped == self._dropped:
            front = self._front.and_these(_Best(rows, codes, felt_scores(values, objectives, dropped)))
        else:  # one more objective can be felt, or the first setups are feasible: the front of all so far
            self._dropped = dropped
            facts = self._facts()
            good = np.flatnonzero(facts.valid & ~facts.broken.any(axis=1))
            front = _Best(good, facts.codes[good], felt_scores(facts.values[good], objectives, dropped))
        self._front = front.take(nondominated(front.told))
        finer = tuple(replace(one, resolution=one.resolution / FINER) for one in objectives)
        fine = self._fine.and_these(_Best(rows, codes, scores_of(values, finer)))
        self._fine = fine.take(nondominated(fine.told))
        near = self._wished.and_these(_Best(rows, codes, short))
        positions = self.grid.positions(near.codes)
        self._wished = near.take(np.unique(best_rows(self.space, self.wishes, positions, near.rows, near.told)))

    def _facts(self) -> _Facts:
        return _Facts(*(np.concatenate(column) for column in zip(*self._parts, strict=True)))

    def fresh(self, codes: FloatArray) -> FloatArray:
        """Those that no rule forbids and that were not asked yet, once each, in order."""
        keys, first = np.unique(self.grid.keys(codes), return_index=True)
        new = codes[np.sort(first[~np.isin(keys, self._keys, assume_unique=True)])]
        return new[self.space.allowed(self.grid.positions(new))]

    def members(self) -> tuple[_Best, _Best]:
        """The setups to start from, in two groups: those that stand for the points of the front, with those nearest to
        the wishes, and those that tie with them, first the ones on the front by finer steps. Where nothing is feasible:
        those that miss by least, and none."""
        front = self._front
        if not len(front.rows):
            return self._least, self._least.take(np.zeros(0, dtype=np.int64))
        positions = self.grid.positions(front.codes)
        changes = (positions != np.asarray(self.space.baseline)).sum(axis=1)
        order = np.lexsort((front.rows, self.space.minutes(positions), changes, *front.told.T))
        front = front.take(order)
        named = np.ones(len(order), dtype=bool)
        named[1:] = (front.told[1:] != front.told[:-1]).any(axis=1)
        near = self._wished.take(~np.isin(self._wished.rows, front.rows[named]))
        standing = front.take(named).and_these(replace(near, told=np.zeros((len(near.rows), front.told.shape[1]))))
        ties = front.take(~named & ~np.isin(front.rows, near.rows))
        return standing, ties.take(np.argsort(~np.isin(ties.rows, self._fine.rows), kind="stable"))

    def points(self) -> FloatArray:
        """The front's points. (points, objectives)"""
        return distinct(self._front.told)[0]

    def untried(self, group: _Best, changes: int, tried: set[int]) -> tuple[int, list[int], FloatArray]:
        """Some of a group on whom so many changes were not tried: the changes, their rows, and the setups that come of
        it, a chunk or a little more."""
        rows: list[int] = []
        near, many = [np.zeros((0, len(self.space.knobs)))], 0
        for row, codes in zip(group.rows.tolist(), group.codes, strict=True):
            if row not in tried and many < CHUNK:
                rows.append(row)
                near.append(self.grid.around(codes, changes))
                many += len(near[-1])
        return changes, rows, np.concatenate(near)

    def crossed(self, rng: np.random.Generator) -> FloatArray:
        """A chunk of setups that take each knob from one of two members of the front by finer steps, a few knobs
        anywhere. Every point of that front is as likely to lend a member as any other."""
        codes, which = self._fine.codes, distinct(self._fine.told)[1]
        order, many = np.argsort(which, kind="stable"), np.bincount(which)
        first = np.cumsum(many) - many
        points = rng.integers(0, len(many), (2, CHUNK))
        lent = codes[order[first[points] + np.floor(rng.random(points.shape) * many[points]).astype(np.int64)]]
        sizes = [len(places) for places in self.grid.places]
        anywhere = np.floor(rng.random((CHUNK, len(sizes))) * sizes)
        draw = rng.random((CHUNK, len(sizes)))
        strange = 1.0 / len(sizes)
        return np.where(draw < strange, anywhere, np.where(draw < 0.5 + 0.5 * strange, lent[0], lent[1]))

    def result(self, generations: int, asked: int, repeats: int, forbidden: int, local: LocalSearch) -> SearchResult:
        """What the search found: `KEPT` candidates and the front, with all metrics."""
        codes, valid, broken, missed, values, short = self._facts()
        good = valid & ~broken.any(axis=1)
        positions = self.grid.positions(codes)
        ranked = self._ranked(positions, good, values, short)
        rest = np.flatnonzero(valid & ~good)
        ranked = np.concatenate([ranked, rest[np.argsort(missed[rest], kind="stable")]])[:KEPT]
        rows = np.concatenate([ranked, self._front.rows, self._wished.rows, self._least.rows])
        rows = rows[np.sort(np.unique(rows, return_index=True)[1])]
        tables = [table_of(self.space, positions[rows[s : s + CHUNK]]) for s in range(0, max(len(rows), 1), CHUNK)]
        table = replace(
            tables[0],
            positions=positions[rows],
            values=np.concatenate([part.values for part in tables]),
            valid=np.concatenate([part.valid for part in tables]),
        )
        return SearchResult(
            table=table,
            front=pareto_front(table, good[rows], exact=False, dropped=self._dropped),
            looked=len(self),
            counts=counts_of(self.limits, broken, valid),
            asked_by_level=by_level(self.space, positions),
            failed=positions[~valid],
            generations=generations,
            asked=asked,
            repeats=repeats,
            forbidden=forbidden,
            local=local,
        )

    def _ranked(self, positions: FloatArray, good: BoolArray, values: FloatArray, short: FloatArray) -> IntArray:
        """Feasible rows, best first: by turns from two orders, how many fronts have to be taken away before a setup is
        on one (a tie counts one more for each that stands before it), and the loss."""
        rows = np.flatnonzero(good)
        places = positions[rows]
        minutes, changes = self.space.minutes(places), (places != np.asarray(self.space.baseline)).sum(axis=1)
        points, which = distinct(felt_scores(values[rows], self.space.objectives, self._dropped))
        depth, left, settled = np.zeros(len(points), dtype=np.int64), np.arange(len(points)), 0
        while len(left) and settled < KEPT:
            best = nondominated(points[left])
            settled += int(best.sum())
            left = left[~best]
            depth[left] += 1
        order = np.lexsort((rows, minutes, changes, which))
        first = np.searchsorted(which[order], np.arange(len(points)))
        tie = np.empty(len(rows), dtype=np.int64)
        tie[order] = np.arange(len(rows)) - first[which[order]]
        loss = np.floor(loss_of(self.wishes, short[rows]) / LOSS_STEP + 0.5)
        turns = np.empty((2, len(rows)), dtype=np.int64)
        for turn, last in zip(turns, (depth[which] + tie, loss), strict=True):
            turn[np.lexsort((rows, minutes, changes, depth[which], last))] = np.arange(len(rows))
        return rows[np.lexsort((turns[0], turns.min(axis=0) if self.wishes else turns[0]))]


def improve(looked: Looked, progress: Progress | None = None) -> LocalSearch:
    """Every change of one knob, then of two, of the setups that stand for the front's points, then of those that tie
    with them, until none of them improves the front or `search_budget` setups were looked at. Between one knob and two,
    members of the front are crossed until that finds no new point."""
    budget, before = looked.space.settings.search_budget, len(looked)
    tried: dict[int, set[int]] = {1: set(), 2: set()}
    rng = np.random.default_rng([seeds.stage_seed(looked.space.seed, seeds.SEARCH), 1])
    near = looked.grid.home[None, :].astype(np.float64)
    changes, rows, quiet = 0, [0], 0
    while rows and (left := budget - (len(looked) - before)) > 0:
        points = looked.points()
        near = looked.fresh(near)
        for start in range(0, min(len(near), left), CHUNK):
            looked.ask(near[start : min(start + CHUNK, left)])
        if changes and len(near) <= left:
            tried[changes].update(rows)
        if progress is not None:
            progress("single and double changes", len(looked) - before, budget)
        if not np.array_equal(points, looked.points()):
            quiet = 0
        elif not changes:
            quiet += 1
        standing, ties = looked.members()
        last, found = changes, looked.untried(standing, 1, tried[1])
        if not found[1] and quiet < QUIET and len(points):
            found = 0, [0], looked.crossed(rng)
        for group, number in ((standing, 2), (ties, 1), (ties, 2)):
            if not found[1]:
                found = looked.untried(group, number, tried[number])
                if found[1] and group is ties and last:  # by turns: so many ties are seldom tried to the end
                    found = 0, [0], looked.crossed(rng)
        changes, rows, near = found
    done = tried[1] & tried[2]
    standing, ties = looked.members()
    return LocalSearch(
        looked=len(looked) - before,
        budget=budget,
        standing=len(standing.rows),
        standing_tried=len(done.intersection(standing.rows.tolist())),
        ties=len(ties.rows),
        ties_tried=len(done.intersection(ties.rows.tolist())),
        jumping=looked.grid.jumping,
    )
