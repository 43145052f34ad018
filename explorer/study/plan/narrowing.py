"""The shortlist of some scenarios and nothing else: a setup that can no longer be picked is not asked any further.

Who may be picked hangs on the share of the scenarios in which every limit holds, and that share is at most one less
what was lost so far. So a few scenarios come first; those that lost least there are asked in full, which bounds the
share that a pick needs from below; then the others are asked batch by batch until they have lost too much. Nothing is
guessed: `robust_shortlist` is handed every setup that can reach the bound, with the numbers of the whole pass, bit for
bit, and picks the same setups. Regret is measured against setups that are never picked, so it needs the whole pass.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain.space import BoolArray, FloatArray, IntArray, Space
from explorer.study.everything.evaluate import Progress, Scenarios, evaluate_positions
from explorer.study.everything.stream import PartMaker, chunks, one_by_one
from explorer.study.plan.robust import ROUNDING, lowered_bar, robust_of
from explorer.study.plan.robust_shortlist import robust_shortlist
from explorer.study.plan.scenario_pass import (
    Outcomes,
    Question,
    kept_columns,
    objective_columns,
    outcomes_from,
    outcomes_of,
    question,
    verdicts,
)
from explorer.study.plan.scenarios import Draws
from explorer.study.plan.split import SplitSums

BATCH = 8
"""Scenarios asked at once before setups are dropped."""

PROBED = 256
"""Setups that are asked in full to learn what share a pick needs."""


@dataclass(frozen=True)
class Answers:
    """What setups say in some cases: `values` (cases, rows, objectives), `answered` (cases, rows), `keeps` (cases,
    rows, limits)."""

    values: FloatArray
    answered: BoolArray
    keeps: BoolArray

    @property
    def good(self) -> BoolArray:
        """Where there is an answer and every limit holds. (cases, rows)"""
        return np.asarray(self.answered & self.keeps.all(axis=2))


@dataclass(frozen=True)
class Left:
    """Setups `rows` that lost no more than they may, with all their answers."""

    rows: IntArray
    answers: Answers


@dataclass(frozen=True)
class _First:
    """Weight lost in the first batch of scenarios, for every row of a chunk; can be sent to another process."""

    asked: Question

    def __call__(self, start: int, stop: int) -> tuple[int, FloatArray]:
        rows = np.arange(start, stop)
        return start, _lost(self.asked, _ask(self.asked, rows, 1, 1 + BATCH), 1)


@dataclass(frozen=True)
class _Further:
    """Setups asked on until they have lost more than `may_lose`; can be sent to another process.

    `rows` (setups,) in the space, `lost` (setups,) in the first batch. A chunk counts these setups.
    """

    asked: Question
    rows: IntArray
    lost: FloatArray
    may_lose: float

    def __call__(self, start: int, stop: int) -> Left:
        asked, rows, lost = self.asked, self.rows[start:stop], self.lost[start:stop]
        found: list[Answers] = []
        for first in range(1 + BATCH, len(asked.cases.weights), BATCH):
            found.append(_ask(asked, rows, first, first + BATCH))
            lost = lost + _lost(asked, found[-1], first)
            stay = lost <= self.may_lose + 2.0 * ROUNDING
            rows, lost, found = rows[stay], lost[stay], [_taken(one, stay) for one in found]
        return Left(rows, _joined([_ask(asked, rows, 0, 1 + BATCH), *found], 0))


def picked(
    space: Space, draws: Draws, on: str, progress: Progress | None = None, maker: PartMaker = one_by_one
) -> FloatArray:
    """Positions of the setups on the study's robust shortlist taken on the figure `on`, in order: (setups, knobs).

    Raises as `outcomes_of`, `robust_of` and `robust_shortlist` do.
    """
    if on == "regret":
        outcomes = outcomes_of(space, draws, progress, maker=maker)
    else:
        outcomes = _narrowed(space, draws, progress, maker)
    found = robust_shortlist(robust_of(space, outcomes), space, on)
    return np.array([pick.positions for pick in found.picks]).reshape(len(found.picks), len(space.knobs))


def _narrowed(space: Space, draws: Draws, progress: Progress | None, maker: PartMaker) -> Outcomes:
    """Outcomes of the whole space in which setups that cannot be picked have no answer."""
    asked = question(space, draws)
    size = space.size
    step = max(1, asked.rows_at_once * len(asked.cases.weights) // BATCH)
    lost = np.zeros(size)
    done = 0
    for start, part in maker(chunks(size, step), _First(asked)):
        lost[start : start + len(part)] = part
        done += len(part)
        if progress is not None:
            progress("shortlist before practice", done, 2 * size)
    order = np.lexsort((np.arange(size), lost))
    probe = _Further(asked, order[:PROBED], lost[order[:PROBED]], 1.0)(0, min(PROBED, size))
    may_lose = 1.0 - _needed(space, asked, probe)
    rows = np.flatnonzero(lost <= may_lose + 2.0 * ROUNDING)
    parts = []
    for left in maker(chunks(len(rows), asked.rows_at_once), _Further(asked, rows, lost[rows], may_lose)):
        parts.append(left)
        if progress is not None:
            progress("shortlist before practice", min(size + len(parts) * asked.rows_at_once, 2 * size), 2 * size)
    parts.sort(key=lambda left: int(left.rows[0]) if len(left.rows) else -1)
    return _outcomes(asked, np.concatenate([left.rows for left in parts]), _joined([p.answers for p in parts], 1))


def _needed(space: Space, asked: Question, probe: Left) -> float:
    """A share of kept limits that every pick reaches, from setups asked in full; 0 where they say nothing."""
    whole = probe.answers.answered.all(axis=0)
    if not whole.any():
        return 0.0
    most = float((asked.weights @ probe.answers.good[1:, whole]).max())
    level = 1.0 - space.planning.quantile
    return level if most >= level else min(level, lowered_bar(most, asked.weights))


def _ask(asked: Question, rows: IntArray, first: int, last: int) -> Answers:
    """Cases `first` to `last` of some rows."""
    cases, here = asked.cases, slice(first, last)
    some = Scenarios(cases.slots, cases.factor[here], cases.offset[here], cases.weights[here])
    answers, valid = evaluate_positions(asked.space, asked.space.positions_of(rows), some)
    kept = kept_columns(asked, answers)
    keeps = verdicts(asked.limits, asked.metrics, kept, valid, asked.limit_at[here])
    return Answers(objective_columns(asked, kept), valid, keeps)


def _lost(asked: Question, answers: Answers, first: int) -> FloatArray:
    """Weight of the cases from `first` on in which a limit breaks. (rows,)"""
    bad = ~answers.good
    return np.asarray(asked.cases.weights[first : first + len(bad)] @ bad)


def _taken(answers: Answers, rows: BoolArray) -> Answers:
    return Answers(answers.values[:, rows], answers.answered[:, rows], answers.keeps[:, rows])


def _joined(parts: list[Answers], axis: int) -> Answers:
    return Answers(
        np.concatenate([part.values for part in parts], axis=axis),
        np.concatenate([part.answered for part in parts], axis=axis),
        np.concatenate([part.keeps for part in parts], axis=axis),
    )


def _outcomes(asked: Question, rows: IntArray, left: Answers) -> Outcomes:
    """Outcomes over the whole space, with answers for some rows only."""
    size, count = asked.space.size, len(asked.cases.weights)
    values = np.zeros((count, size, left.values.shape[2]))
    answered = np.zeros((count, size), dtype=bool)
    keeps = np.zeros((count, size, left.keeps.shape[2]), dtype=bool)
    values[:, rows], answered[:, rows], keeps[:, rows] = left.values, left.answered, left.keeps
    return outcomes_from(asked, values, answered, keeps, SplitSums(asked.metrics, asked.weights, size))
