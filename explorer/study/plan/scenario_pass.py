"""What setups say in many scenarios: objectives, verdicts on the limits, and the loss of the driver's wishes.

Every scenario holds the numbers that nobody knows, and the parts as they may come out of the pits. `ask` answers for
some setups and some cases and is pure, so chunk size, threads and machines cannot change a byte. Scenarios of weight
zero are not asked.

The loss is that of `wishes`, with the targets of the scenario. A study without wishes takes the distance from the best
of every objective at once (Chebyshev): how far the worst placed objective lies below the best of the front at the best
guesses, in tenths of the front's range or in felt steps, whichever are longer, with what the scenario does to the
baseline taken off.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.felt import most_noticed
from explorer.domain.space import BoolArray, FloatArray, Space
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import Progress, Scenarios, evaluate_positions
from explorer.study.everything.limits import SLACK, ResolvedLimit, resolve_limits
from explorer.study.everything.stream import PartMaker, chunks, one_by_one
from explorer.study.everything.wishes import ResolvedWish, losses_in, resolve_wishes
from explorer.study.plan.scenarios import Draws, bounds_in, with_builds

BLOCK_BYTES = 100_000_000
"""One answer of the model is kept below this size."""

TENTHS = 10.0
"""Loss of a setup without wishes that is worst of the front in some objective; the front counts as so many felt steps
wide at least."""


@dataclass(frozen=True)
class Ideal:
    """What a study without wishes is held against: `best` and `width` (objectives,) of the front at the best guesses,
    turned so that more is better; an objective of width 0 takes no part."""

    best: FloatArray
    width: FloatArray


@dataclass(frozen=True)
class Question:
    """What is asked of a setup.

    `cases` are the scenarios with a weight above zero, after one that changes nothing and weighs nothing; `limit_at`
    (cases, limits) the bound of each limit in each and `target_at` (cases, wishes) the target of each wish; `shift`
    (cases, objectives) what the case does to the baseline, turned so that more is better. `metrics` that are kept: of
    objectives, limits, wishes. `points` and `numbers` (scenarios, unknowns) as in `Draws`, without the first case;
    `lost` names the scenarios in which a limit or wish could not be set, which count with weight zero, and
    `lost_weight` what they had.
    """

    space: Space
    cases: Scenarios
    limits: tuple[ResolvedLimit, ...]
    limit_at: FloatArray
    wishes: tuple[ResolvedWish, ...]
    target_at: FloatArray
    ideal: Ideal | None
    shift: FloatArray
    metrics: tuple[str, ...]
    points: FloatArray
    numbers: FloatArray
    lost: tuple[str, ...]
    lost_weight: float

    @property
    def weights(self) -> FloatArray:
        """Weights of the scenarios, summing to one; the case at the best guesses is left out. (scenarios,)"""
        return self.cases.weights[1:]

    @property
    def numbers_of_a_row(self) -> int:
        """Numbers that the model answers of one setup in one case."""
        return len(metric_columns(self.space.phase_names))


@dataclass(frozen=True)
class Answers:
    """What setups say in some cases: `metrics` (cases, rows, metrics), `values` (cases, rows, objectives), both in edge
    units, and `losses` (cases, rows), all 0 where `answered` (cases, rows) is False; `keeps` (cases, rows, limits),
    False there."""

    metrics: FloatArray
    values: FloatArray
    answered: BoolArray
    keeps: BoolArray
    losses: FloatArray

    @property
    def good(self) -> BoolArray:
        """Where there is an answer and every limit holds. (cases, rows)"""
        return np.asarray(self.answered & self.keeps.all(axis=2))


@dataclass(frozen=True)
class Outcomes:
    """Setups at `positions` (rows, knobs) over the scenarios with a weight above zero.

    `weights` (scenarios,) sum to one; `points` and `numbers` (scenarios, unknowns) as in `Draws`; `told` over the
    scenarios, `nominal` (rows, objectives) and `nominal_answered` (rows,) at the best guesses. `lost` and
    `lost_weight` as in `Question`.
    """

    positions: FloatArray
    weights: FloatArray
    points: FloatArray
    numbers: FloatArray
    told: Answers
    nominal: FloatArray
    nominal_answered: BoolArray
    lost: tuple[str, ...]
    lost_weight: float

    @property
    def effective(self) -> float:
        """Scenarios of equal weight that would say as much (Kish 1965; from memory)."""
        return 1.0 / float(np.sum(self.weights**2))


def question(space: Space, draws: Draws, ideal: Ideal | None = None) -> Question:
    """What to ask of each setup over some scenarios and builds.

    Raises SpaceError for a space without objectives, ModelError where no scenario with a weight has a bound for every
    limit and a target for every wish.
    """
    if not space.objectives:
        raise SpaceError("the study names no objective")
    limits, wishes = resolve_limits(space), resolve_wishes(space)
    bounds = bounds_in(space, draws)
    weights = np.where(bounds.valid, draws.weights, 0.0)
    used = weights > 0.0
    if not used.any():
        raise ModelError("every scenario with a weight is one in which a limit or wish cannot be set")
    named = [objective.metric for objective in space.objectives] + [limit.metric for limit in limits]
    named += [wish.metric for wish in wishes if wish.metric]
    known = metric_columns(space.phase_names)
    for name in named:
        if name not in known:
            raise SpaceError(f"no metric is called {name!r}; this study has {', '.join(known)}")
    cases = _with_nominal(with_builds(space, draws.scenarios), used, weights[used] / weights[used].sum())
    return Question(
        space=space,
        cases=cases,
        limits=limits,
        limit_at=np.concatenate([[[limit.bound for limit in limits]], bounds.values[used]]),
        wishes=wishes,
        target_at=np.concatenate([[[wish.target for wish in wishes]], bounds.targets[used]]),
        ideal=None if wishes else ideal,
        shift=_shift(space, cases) if ideal is not None and not wishes else np.zeros((0, len(space.objectives))),
        metrics=tuple(dict.fromkeys(named)),
        points=draws.points[used],
        numbers=draws.numbers[used],
        lost=bounds.failed,
        lost_weight=float(draws.weights[~bounds.valid].sum()),
    )


def _shift(space: Space, cases: Scenarios) -> FloatArray:
    """What each case does to the baseline's objectives, 0 where it has no answer. (cases, objectives)"""
    values, valid = evaluate_positions(space, np.array([space.baseline], dtype=np.float64), cases)
    columns = metric_columns(space.phase_names)
    own = turned(space, values[:, 0][:, [columns.index(one.metric) for one in space.objectives]])
    return np.where(valid[:, :1] & valid[0, 0], own - own[0], 0.0)


def turned(space: Space, values: FloatArray) -> FloatArray:
    """Objectives as far as anyone notices them, more is better. (..., objectives) -> same shape."""
    most = [most_noticed(objective.metric) for objective in space.objectives]
    return np.asarray(np.minimum(values, most) * [float(objective.direction) for objective in space.objectives])


def ask(asked: Question, positions: FloatArray, first: int = 0, last: int | None = None) -> Answers:
    """Cases `first` up to `last` of setups at `positions` (rows, knobs). Raises ModelError for a number that is not
    finite."""
    cases, here, space = asked.cases, slice(first, last), asked.space
    some = Scenarios(cases.slots, cases.factor[here], cases.offset[here], cases.weights[here])
    columns = metric_columns(space.phase_names)
    wanted = [columns.index(name) for name in asked.metrics]
    values, valid = evaluate_positions(space, positions, some)
    kept = values[:, :, wanted]
    del values
    objectives = kept[:, :, [asked.metrics.index(objective.metric) for objective in space.objectives]]
    losses = np.zeros(valid.shape)
    if asked.wishes:
        losses = losses_in(asked.wishes, space, positions, asked.metrics, kept, asked.target_at[here])
    elif asked.ideal is not None:
        live = asked.ideal.width > 0.0
        away = asked.ideal.best - turned(space, objectives) + asked.shift[here, None]
        if live.any():
            losses = TENTHS * (away[:, :, live] / asked.ideal.width[live]).max(axis=2)
    losses[~valid] = 0.0
    keeps = verdicts(asked.limits, asked.metrics, kept, valid, asked.limit_at[here])
    return Answers(kept, np.ascontiguousarray(objectives), valid, keeps, losses)


@dataclass(frozen=True)
class _Some:
    """Some setups in every case; can be sent to another process."""

    asked: Question
    positions: FloatArray

    def __call__(self, start: int, stop: int) -> tuple[int, Answers]:
        return start, ask(self.asked, self.positions[start:stop])


def outcomes_of(
    asked: Question, positions: FloatArray, progress: Progress | None = None, maker: PartMaker = one_by_one
) -> Outcomes:
    """Ask about setups at `positions` (rows, knobs) in every case; `maker` says where. Raises as `ask` does."""
    size, count = len(positions), len(asked.cases.weights)
    if size == 0:
        raise SpaceError("no setup to ask about")
    step = max(1, BLOCK_BYTES // (8 * count * asked.numbers_of_a_row))
    parts: list[tuple[int, Answers]] = []
    for part in maker(chunks(size, step), _Some(asked, positions)):
        parts.append(part)
        if progress is not None:
            progress("the last look", min(len(parts) * step, size), size)
    parts.sort(key=lambda one: one[0])
    told = joined([answers for _, answers in parts], 1)
    return Outcomes(
        positions=positions,
        weights=asked.weights,
        points=asked.points,
        numbers=asked.numbers,
        told=Answers(*(getattr(told, one.name)[1:] for one in fields(Answers))),
        nominal=told.values[0],
        nominal_answered=told.answered[0],
        lost=asked.lost,
        lost_weight=asked.lost_weight,
    )


def joined(parts: list[Answers], axis: int) -> Answers:
    """Answers of other setups (`axis` 1) or other cases (0) in one."""
    return Answers(*(np.concatenate([getattr(part, one.name) for part in parts], axis=axis) for one in fields(Answers)))


def verdicts(
    limits: tuple[ResolvedLimit, ...],
    columns: tuple[str, ...],
    values: FloatArray,
    valid: BoolArray,
    bounds: FloatArray,
) -> BoolArray:
    """Which limits hold: the rule of `limits.margins` with a bound per scenario. Shape (scenarios, rows, limits)."""
    result = np.empty((*valid.shape, len(limits)), dtype=bool)
    for index, limit in enumerate(limits):
        sign = 1.0 if limit.sense == "at_least" else -1.0
        margin = sign * (values[:, :, columns.index(limit.metric)] - bounds[:, index, None]) / limit.resolution
        result[:, :, index] = (margin > -SLACK) & valid
    return result


def _with_nominal(scenarios: Scenarios, used: BoolArray, weights: FloatArray) -> Scenarios:
    """The used scenarios after one that changes nothing and weighs nothing."""
    still = np.ones((1, len(scenarios.slots)))
    return Scenarios(
        scenarios.slots,
        np.concatenate([still, scenarios.factor[used]]),
        np.concatenate([0.0 * still, scenarios.offset[used]]),
        np.concatenate([[0.0], weights]),
    )
