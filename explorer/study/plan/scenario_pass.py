"""One pass over the model: every setup at the best guesses and in every scenario, in chunks.

Of each chunk only the objectives, the verdicts on the limits and the sums for `split` are kept. `part_of` answers for
one chunk and is pure; `Outcomes` are put together from parts in whatever order they come back, so chunk size, threads
and machines cannot change a byte. Scenarios of weight zero are not asked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import BoolArray, FloatArray, Space
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import Progress, Scenarios, evaluate
from explorer.study.everything.limits import SLACK, ResolvedLimit, resolve_limits
from explorer.study.everything.stream import PartMaker, chunks, one_by_one
from explorer.study.plan.scenarios import Draws, bounds_in
from explorer.study.plan.split import SplitPart, SplitSums, split_part

BLOCK_BYTES = 100_000_000
"""One answer of the model is kept below this size."""

KEPT_BYTES = 1_500_000_000
"""What is kept of every setup and scenario must stay below this size."""


@dataclass(frozen=True)
class Question:
    """What a pass asks of every setup.

    `cases` are the scenarios with a weight above zero, after one that changes nothing and weighs nothing; `limit_at`
    (cases, limits) the bound of each limit in each. `metrics` that are kept: the objectives', then the limits'.
    `points` and `numbers` (scenarios, unknowns) as in `Draws`, without the first case; `lost` names the scenarios in
    which a limit could not be set, which count with weight zero, and `lost_weight` what they had.
    """

    space: Space
    cases: Scenarios
    limits: tuple[ResolvedLimit, ...]
    limit_at: FloatArray
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
    def rows_at_once(self) -> int:
        """Rows whose answers stay below `BLOCK_BYTES`."""
        return max(1, BLOCK_BYTES // (8 * len(self.cases.weights) * len(metric_columns(self.space.phase_names))))

    def __call__(self, start: int, stop: int) -> ScenarioPart:
        """`part_of` with its study bound; can be sent to another process."""
        return part_of(self, start, stop)


@dataclass(frozen=True)
class ScenarioPart:
    """What one chunk of rows `start` to `stop` contributes: `values` (cases, rows, objectives) in edge units,
    `answered` (cases, rows), `keeps` (cases, rows, limits), and its share of the split."""

    start: int
    stop: int
    values: FloatArray
    answered: BoolArray
    keeps: BoolArray
    split: SplitPart


@dataclass(frozen=True)
class Outcomes:
    """What is kept of the pass, over the scenarios with a weight above zero.

    `weights` (scenarios,) sum to one; `numbers` (scenarios, unknowns) as in `Draws`; `values` (scenarios, rows,
    objectives) in edge units and `answered` (scenarios, rows), values 0 where False; `keeps` (scenarios, rows, limits),
    False where there is no answer. `nominal` (rows, objectives) and `nominal_answered` (rows,) at the best guesses.
    `lost` names the scenarios in which a limit could not be set, which count with weight zero, and `lost_weight` what
    they had. `split` holds the sums for `split_of`.
    """

    weights: FloatArray
    points: FloatArray
    numbers: FloatArray
    values: FloatArray
    answered: BoolArray
    keeps: BoolArray
    nominal: FloatArray
    nominal_answered: BoolArray
    lost: tuple[str, ...]
    lost_weight: float
    split: SplitSums


def question(space: Space, draws: Draws) -> Question:
    """What to ask of each setup over some scenarios.

    Raises SpaceError for a space without objectives, with a continuous knob or too big for `KEPT_BYTES`, ModelError
    where no scenario with a weight has a bound for every limit.
    """
    if not space.enumerable:
        raise SpaceError("every setup can be tried in every scenario only where every knob has levels")
    if not space.objectives:
        raise SpaceError("the study names no objective")
    _refuse_too_many(space, len(draws))
    limits = resolve_limits(space)
    bounds = bounds_in(space, draws)
    weights = np.where(bounds.valid, draws.weights, 0.0)
    used = weights > 0.0
    if not used.any():
        raise ModelError("every scenario with a weight is one in which a limit cannot be set")
    metrics = (*(objective.metric for objective in space.objectives), *(limit.metric for limit in space.limits))
    known = metric_columns(space.phase_names)
    for name in metrics:
        if name not in known:
            raise SpaceError(f"no metric is called {name!r}; this study has {', '.join(known)}")
    return Question(
        space=space,
        cases=_with_nominal(draws.scenarios, used, weights[used] / weights[used].sum()),
        limits=limits,
        limit_at=np.concatenate([[[limit.bound for limit in limits]], bounds.values[used]]),
        metrics=tuple(dict.fromkeys(metrics)),
        points=draws.points[used],
        numbers=draws.numbers[used],
        lost=bounds.failed,
        lost_weight=float(draws.weights[~bounds.valid].sum()),
    )


def part_of(asked: Question, start: int, stop: int) -> ScenarioPart:
    """One chunk, evaluated and boiled down. Raises ModelError for a number that is not finite."""
    answers, valid = evaluate(asked.space, start, stop, asked.cases)
    kept = kept_columns(asked, answers)
    del answers
    keeps = verdicts(asked.limits, asked.metrics, kept, valid, asked.limit_at)
    every = keeps[1:].all(axis=2) & valid[1:]
    return ScenarioPart(
        start=start,
        stop=stop,
        values=objective_columns(asked, kept),
        answered=valid,
        keeps=keeps,
        split=split_part(asked.weights, start, kept[1:], valid[1:], every),
    )


def outcomes_of(
    space: Space,
    draws: Draws,
    progress: Progress | None = None,
    chunk: int | None = None,
    maker: PartMaker = one_by_one,
) -> Outcomes:
    """Ask the model about every allowed setup at the best guesses and in every scenario.

    `chunk` rows are asked for at once, by default as many as stay below `BLOCK_BYTES`; `maker` says where. Raises as
    `question` does.
    """
    asked = question(space, draws)
    size, count = space.size, len(asked.cases.weights)
    values = np.empty((count, size, len(space.objectives)))
    answered = np.empty((count, size), dtype=bool)
    keeps = np.empty((count, size, len(space.limits)), dtype=bool)
    sums = SplitSums(asked.metrics, asked.weights, size)
    done = 0
    for part in maker(chunks(size, chunk or asked.rows_at_once), asked):
        here = slice(part.start, part.stop)
        values[:, here], answered[:, here], keeps[:, here] = part.values, part.answered, part.keeps
        sums.add(part.split)
        done += part.stop - part.start
        if progress is not None:
            progress("scenarios", done, size)
    return outcomes_from(asked, values, answered, keeps, sums)


def outcomes_from(
    asked: Question, values: FloatArray, answered: BoolArray, keeps: BoolArray, split: SplitSums
) -> Outcomes:
    """Answers of every case as outcomes: the first case is the one at the best guesses. Shapes as in `ScenarioPart`,
    over all rows."""
    return Outcomes(
        weights=asked.weights,
        points=asked.points,
        numbers=asked.numbers,
        values=values[1:],
        answered=answered[1:],
        keeps=keeps[1:],
        nominal=values[0],
        nominal_answered=answered[0],
        lost=asked.lost,
        lost_weight=asked.lost_weight,
        split=split,
    )


def kept_columns(asked: Question, answers: FloatArray) -> FloatArray:
    """The metrics that are kept, of every metric. (cases, rows, columns) -> (cases, rows, metrics)."""
    names = metric_columns(asked.space.phase_names)
    return np.asarray(answers[:, :, [names.index(name) for name in asked.metrics]])


def objective_columns(asked: Question, kept: FloatArray) -> FloatArray:
    """The objectives, of the metrics that are kept. (cases, rows, metrics) -> (cases, rows, objectives)."""
    return np.asarray(kept[:, :, [asked.metrics.index(objective.metric) for objective in asked.space.objectives]])


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


def bytes_kept(space: Space, scenarios: int) -> int:
    """Size of what is kept of every setup and scenario."""
    return (scenarios + 1) * space.size * (8 * len(space.objectives) + len(space.limits) + 1)


def _refuse_too_many(space: Space, scenarios: int) -> None:
    objectives, limits = len(space.objectives), len(space.limits)
    need = bytes_kept(space, scenarios)
    if need > KEPT_BYTES:
        raise SpaceError(
            f"{scenarios:,} scenarios of {space.size:,} setups with {objectives} objectives and {limits} limits need "
            f"{need / 1e9:.1f} GB, more than {KEPT_BYTES / 1e9:g}; ask for fewer scenarios or narrow the knobs"
        )


def _with_nominal(scenarios: Scenarios, used: BoolArray, weights: FloatArray) -> Scenarios:
    """The used scenarios after one that changes nothing and weighs nothing."""
    still = np.ones((1, len(scenarios.slots)))
    return Scenarios(
        scenarios.slots,
        np.concatenate([still, scenarios.factor[used]]),
        np.concatenate([0.0 * still, scenarios.offset[used]]),
        np.concatenate([[0.0], weights]),
    )
