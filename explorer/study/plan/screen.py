"""Which setups are worth a long look: all of them in a few scenarios, those that can still be among the best in more.

A race (Maron & Moore 1997, Artificial Intelligence Review 11:193; from memory). Each setup is scored by its loss and by
each objective, all as differences from the baseline in the same scenario, so that what a scenario does to every setup
cancels. A setup is dropped once, by every score, its mean lies more than `SURE` standard errors above that of the last
of the `BEST` among those that surely keep the limits often enough, or once it keeps them too seldom by as much. The
nearer to a limit the better the score, as a rule: so that setups just below the bar do not crowd out those above it,
the best are taken at several degrees of `DOUBT`. After the last round the best by each score are left, those that keep
the limits most often, and those that lost least of all in one of the first scenarios: a handful taken together may want
them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from explorer.domain.space import FloatArray, IntArray
from explorer.study.everything.evaluate import Progress
from explorer.study.everything.front import greedy_subset, nondominated, normalised
from explorer.study.everything.stream import PartMaker, chunks, one_by_one
from explorer.study.plan.robust import BROKEN_LOSS
from explorer.study.plan.scenario_pass import BLOCK_BYTES, Question, ask, turned

ROUNDS = (8, 16, 32, 64, 256)
"""Scenarios that have been asked after each round."""

SURE = 4.0
"""Standard errors by which a setup must be behind to be dropped: one in 30,000 by chance, were the law normal; with
eight scenarios nearer to one in 500."""

DOUBT = (SURE, 2.5, 0.0)
"""Standard errors by which a setup may keep the limits too seldom and still be counted among those that may be taken;
the best of each are kept. The middle one is a little more than what the last look allows."""

BEST = 32
"""Setups that stay by each score whatever the standard errors; of these `LEFT` after the last round."""

CROWDS = (4_096, 1_024, 512, 128, 64)
"""Setups that go on after each round at most, the best by each score."""

WINNERS = 32
"""Scenarios whose best setup is left; in the first eight of them it is the best of all setups, later of those that went
on."""

LEFT = 24
"""Setups left by the loss at each degree of doubt but the first, and on the front of the objectives; a third as many by
the share of kept limits."""


@dataclass(frozen=True)
class Sums:
    """What the rows from `start` on say in some scenarios, weighted: `weight` (rows,) of those with an answer, `good`
    (rows,) of those in which every limit holds, `first` and `second` (rows, scores) of the scores and their squares.
    `won` (scenarios,) is the setup that loses least in each, `least` (scenarios,) that loss, infinite where there is
    none."""

    start: int
    weight: FloatArray
    good: FloatArray
    first: FloatArray
    second: FloatArray
    won: IntArray
    least: FloatArray


@dataclass(frozen=True)
class _Round:
    """Setups `rows`, all where None, in scenarios `first` up to `last`; `own` (cases, scores) is the baseline's."""

    asked: Question
    places: Callable[[IntArray], FloatArray]
    rows: IntArray | None
    own: FloatArray
    first: int
    last: int

    def __call__(self, start: int, stop: int) -> Sums:
        rows = np.arange(start, stop) if self.rows is None else self.rows[start:stop]
        answers = ask(self.asked, self.places(rows), self.first, self.last)
        scores = _scores(self.asked, answers.values, answers.losses) - self.own[self.first : self.last, None]
        scores[~answers.answered] = 0.0
        weights = self.asked.cases.weights[self.first : self.last]
        lost = np.where(answers.answered, answers.losses + BROKEN_LOSS * ~answers.good, np.inf)
        at = lost.argmin(axis=1)
        return Sums(
            start,
            _weighed(weights, answers.answered.astype(np.float64)),
            _weighed(weights, answers.good.astype(np.float64)),
            _weighed(weights, scores),
            _weighed(weights, scores**2),
            rows[at],
            lost[np.arange(len(lost)), at],
        )


def _weighed(weights: FloatArray, values: FloatArray) -> FloatArray:
    """Weighted sum over the first axis, one scenario after the other: the same bits whatever the shape."""
    total = np.zeros(values.shape[1:])
    for weight, part in zip(weights, values, strict=True):
        total += weight * part
    return total


def _scores(asked: Question, values: FloatArray, losses: FloatArray) -> FloatArray:
    """Loss, then objectives in felt differences; less is better. (cases, rows, 1 + objectives)"""
    felt = np.array([objective.resolution for objective in asked.space.objectives])
    return np.concatenate([losses[:, :, None], -turned(asked.space, values) / felt], axis=2)


def screened(
    asked: Question,
    size: int,
    places: Callable[[IntArray], FloatArray],
    bar: float,
    progress: Progress | None = None,
    maker: PartMaker = one_by_one,
) -> IntArray:
    """Numbers of the setups worth a long look, in order, out of `size` setups at `places(numbers)`.

    `bar` is the share of scenarios in which every limit should hold. The cases of `asked` beyond the last round are not
    used.
    """
    base = ask(asked, np.array([asked.space.baseline], dtype=np.float64))
    own = np.where(base.answered[:, :1], _scores(asked, base.values, base.losses)[:, 0], 0.0)
    rows: IntArray | None = None
    count, cases = size, len(asked.cases.weights)
    sums = _nothing(size, own.shape[1])
    won = np.zeros(cases, dtype=np.int64)
    least = np.full(cases, np.inf)
    first = 1
    for number, until in enumerate(ROUNDS):
        last = min(until + 1, cases)
        if first >= last:
            break
        step = max(1, BLOCK_BYTES // (8 * (last - first) * asked.numbers_of_a_row))
        for part in maker(chunks(count, step), _Round(asked, places, rows, own, first, last)):
            here = slice(part.start, part.start + len(part.weight))
            for name in ("weight", "good", "first", "second"):
                getattr(sums, name)[here] += getattr(part, name)
            ahead = part.least < least[first:last]
            ahead |= (part.least == least[first:last]) & (part.won < won[first:last])
            won[first:last], least[first:last] = np.where(
                ahead, [part.won, part.least], [won[first:last], least[first:last]]
            )
            if progress is not None:
                progress(f"screen, round {number + 1}", here.stop, count)
        told = asked.cases.weights[1:last]
        most = CROWDS[number]
        stay = _staying(sums, told, bar, most)
        rows = stay if rows is None else rows[stay]
        sums = Sums(0, sums.weight[stay], sums.good[stay], sums.first[stay], sums.second[stay], won, least)
        count, first = len(rows), last
    assert rows is not None
    left = rows[_left(asked, sums, asked.cases.weights[1:first], bar)]
    winners = won[1 : WINNERS + 1][np.isfinite(least[1 : WINNERS + 1])]
    return np.unique(np.concatenate([left, winners]))


def _nothing(size: int, scores: int) -> Sums:
    flat, wide = np.zeros((2, size)), np.zeros((2, size, scores))
    return Sums(0, flat[0], flat[1], wide[0], wide[1], np.zeros(0, dtype=np.int64), np.zeros(0))


def _means(sums: Sums, told: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Mean scores and their standard errors (rows, scores), share of kept limits (rows,), scenarios of equal weight.

    A standard error is no less than half the middle one of its score: few scenarios often agree by chance.
    """
    total = float(told.sum())
    weight = np.maximum(sums.weight, 1e-300)[:, None]
    mean = np.where(sums.weight[:, None] > 0.0, sums.first / weight, np.inf)
    spread = np.where(sums.weight[:, None] > 0.0, sums.second / weight - (sums.first / weight) ** 2, 0.0)
    number = total**2 / float(np.sum(told**2))
    error = np.sqrt(np.maximum(spread, 0.0) / max(number - 1.0, 1.0))
    error = np.maximum(error, 0.5 * np.median(error, axis=0))
    share = np.minimum(sums.good / total, 1.0)
    return mean, error, share, number


def _end(share: FloatArray, number: float, errors: float) -> FloatArray:
    """The end of a share's interval so many standard errors above it, or below where negative (Wilson 1927, J. American
    Statistical Association 22:209; from memory). (rows,)"""
    z = errors**2 / number
    half = np.sqrt(z * share * (1.0 - share) + 0.25 * z**2)
    return np.asarray((share + 0.5 * z + np.copysign(half, errors)) / (1.0 + z))


def _staying(sums: Sums, told: FloatArray, bar: float, most: int) -> IntArray:
    """Places of the setups that can still be among the best, `most` by each score."""
    mean, error, share, number = _means(sums, told)
    rows = len(share)
    best = min(BEST, rows)
    needed = min(bar, float(np.sort(share)[-best]))
    sure = _end(share, number, -SURE) >= needed
    stay = np.zeros(rows, dtype=bool)
    for score in range(mean.shape[1]):
        order = np.lexsort((np.arange(rows), mean[:, score]))
        leading = order[sure[order]]
        close = np.ones(rows, dtype=bool)
        if len(leading) >= best:
            last = leading[best - 1]
            close = mean[:, score] - mean[last, score] <= SURE * np.hypot(error[:, score], error[last, score])
        for doubt in DOUBT:
            stay[order[(close & (_end(share, number, doubt) >= needed))[order]][:most]] = True
    stay[np.lexsort((np.arange(rows), mean[:, 0], -share))[:best]] = True
    return np.flatnonzero(stay)


def _left(asked: Question, sums: Sums, told: FloatArray, bar: float) -> IntArray:
    """Places of the setups that go into the last look."""
    mean, _, share, count = _means(sums, told)
    number = np.arange(len(share))
    needed = min(bar, float(share.max()))
    order = np.lexsort((number, mean[:, 0]))
    found = [order[(_end(share, count, doubt) >= needed)[order]][:LEFT] for doubt in DOUBT[1:]]
    found.append(np.lexsort((number, mean[:, 0], -share))[: LEFT // 3])
    among = np.flatnonzero((_end(share, count, DOUBT[1]) >= needed) & np.isfinite(mean).all(axis=1))
    if len(among):
        felt = np.floor(mean[among, 1:] + 0.5)
        front = among[nondominated(felt)]
        unit = normalised(mean[front, 1:], mean[front, 1:])
        ends = tuple(dict.fromkeys(int(np.lexsort((unit.sum(axis=1), unit[:, c]))[0]) for c in range(unit.shape[1])))
        found.append(front[list(greedy_subset(unit, LEFT, ends))])
    return np.unique(np.concatenate(found))
