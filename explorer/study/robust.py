"""Advice that holds over what is not known: every setup in every scenario, its figures, and the front on them.

One pass over the model serves this and `split`: of each chunk only the objectives and the verdicts on the limits are
kept, for every setup and scenario, before any choice. A setup's figures per objective:

* nominal: at the best guesses; mean: weighted over the scenarios; worst: the worst value in any scenario;
* quantile: scenarios sorted from the worst value up, the first value at which the cumulated weight reaches q: the low
  quantile where more is better, the high one where less is better;
* regret: the largest amount, over the scenarios, by which it falls short of the best value among the setups that keep
  every limit in that scenario (Savage 1951, J. American Statistical Association 46, 55-67; from memory), in the
  objective's unit, never below zero. Scenarios in which nothing keeps every limit are counted and left out of it.

Rows are the space's rows. Scenarios of weight zero are not asked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from explorer.errors import ModelError, SpaceError
from explorer.model.metrics import metric_columns
from explorer.planning import FIGURES
from explorer.space import BoolArray, FloatArray, IntArray, Space
from explorer.study.evaluate import MetricTable, Progress, Scenarios, evaluate
from explorer.study.front import Front, nondominated, normalised, pareto_front, scores_of
from explorer.study.limits import SLACK, ResolvedLimit, resolve_limits
from explorer.study.scenarios import Draws, bounds_in
from explorer.study.shortlist import reasons_for
from explorer.study.split import Split, SplitSums
from explorer.study.stream import chunks

BLOCK_BYTES = 100_000_000
"""One answer of the model is kept below this size."""

KEPT_BYTES = 1_500_000_000
"""What is kept of every setup and scenario must stay below this size."""

ROUNDING = 1e-9
"""Sums of weights are compared with this slack."""


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


@dataclass(frozen=True)
class Robust:
    """Every setup over the scenarios.

    `figures` (figures, rows, objectives) in the order of `FIGURES` and edge units, zero and not to be used where
    `answered` (rows,) is False: such a setup has no answer in some scenario (`unanswered` setups). `share` (rows,) is
    the weighted share of scenarios in which every limit holds, `share_by_limit` (rows, limits) in which each does,
    `front_share` (rows,) in which the setup is on the front of those that keep every limit there. `nothing` scenarios,
    of weight `nothing_weight`, have no setup that keeps every limit; they are out of the regret. `lost` names the
    scenarios in which a limit could not be set, of weight `lost_weight` before the others were scaled up.
    """

    quantile: float
    weights: FloatArray
    figures: FloatArray
    answered: BoolArray
    unanswered: int
    share: FloatArray
    share_by_limit: FloatArray
    front_share: FloatArray
    nothing: int
    nothing_weight: float
    lost: tuple[str, ...]
    lost_weight: float

    def figure(self, on: str) -> FloatArray:
        """One figure of every setup, (rows, objectives). Raises SpaceError for a figure that does not exist."""
        if on not in FIGURES:
            raise SpaceError(f"no figure is called {on!r}; known: {', '.join(FIGURES)}")
        return self.figures[FIGURES.index(on)]


@dataclass(frozen=True)
class RobustPick:
    """One setup worth building over the scenarios.

    `kinds` and `reason` as in a `shortlist.Pick`; `row` in the space; `figures` (figures, objectives) in the order of
    `FIGURES` and edge units; `share` of scenarios in which every limit holds, `share_by_limit` (limits,), `front_share`
    in which it is on the front; `changes` from the baseline as (knob, from, to), `minutes` of work [min]; `ties` setups
    with the same rounded figures, itself included; `distance` 0 to 1, the largest distance to the best of an objective
    over the front's range. The "safest" need not be on the front and is not measured there: ties 1, distance 1.
    """

    kinds: tuple[str, ...]
    reason: str
    row: int
    positions: FloatArray
    labels: tuple[str, ...]
    figures: FloatArray
    share: float
    share_by_limit: FloatArray
    front_share: float
    changes: tuple[tuple[str, str, str], ...]
    minutes: float
    ties: int
    distance: float


@dataclass(frozen=True)
class RobustShortlist:
    """Picks taken on the figure `on` among the `eligible` setups, which keep every limit in a share `bar` of the
    scenarios or more; `groups` distinct points on the front. `note` says where the bar could not be kept. No pick where
    nothing keeps every limit in any scenario."""

    on: str
    bar: float
    eligible: int
    groups: int
    note: str
    picks: tuple[RobustPick, ...]


def outcomes_of(space: Space, draws: Draws, progress: Progress | None = None, chunk: int | None = None) -> Outcomes:
    """Ask the model about every allowed setup at the best guesses and in every scenario.

    `chunk` rows are asked for at once, by default as many as stay below `BLOCK_BYTES`. Raises SpaceError for a space
    without objectives or with a continuous knob, or when the answers would not fit into `KEPT_BYTES`.
    """
    if not space.enumerable:
        raise SpaceError("every setup can be tried in every scenario only where every knob has levels")
    if not space.objectives:
        raise SpaceError("the study names no objective")
    size, names = space.size, metric_columns(space.phase_names)
    _refuse_too_many(space, len(draws))
    limits = resolve_limits(space)
    bounds = bounds_in(space, draws)
    weights = np.where(bounds.valid, draws.weights, 0.0)
    used = weights > 0.0
    if not used.any():
        raise ModelError("every scenario with a weight is one in which a limit cannot be set")
    lost_weight = float(draws.weights[~bounds.valid].sum())
    weights = weights[used] / weights[used].sum()
    cases = _with_nominal(draws.scenarios, used, weights)
    limit_at = np.concatenate([[[limit.bound for limit in limits]], bounds.values[used]])
    wanted = tuple(dict.fromkeys([*(o.metric for o in space.objectives), *(limit.metric for limit in space.limits)]))
    columns = [_column(names, name) for name in wanted]
    chosen = [wanted.index(objective.metric) for objective in space.objectives]
    sums = SplitSums(wanted, weights, size)
    count = len(cases.weights)
    values = np.empty((count, size, len(chosen)))
    answered = np.empty((count, size), dtype=bool)
    keeps = np.empty((count, size, len(space.limits)), dtype=bool)
    rows = chunk or max(1, BLOCK_BYTES // (8 * count * len(names)))
    for start, stop in chunks(size, rows):
        answer, valid = evaluate(space, start, stop, cases)
        part = answer[:, :, columns]
        del answer
        here = slice(start, stop)
        values[:, here], answered[:, here] = part[:, :, chosen], valid
        keeps[:, here] = _verdicts(limits, wanted, part, valid, limit_at)
        sums.add(part[1:], valid[1:], keeps[1:, here].all(axis=2) & valid[1:])
        if progress is not None:
            progress("scenarios", stop, size)
    return Outcomes(
        weights=weights,
        points=draws.points[used],
        numbers=draws.numbers[used],
        values=values[1:],
        answered=answered[1:],
        keeps=keeps[1:],
        nominal=values[0],
        nominal_answered=answered[0],
        lost=bounds.failed,
        lost_weight=lost_weight,
        split=sums,
    )


def split_of(space: Space, outcomes: Outcomes) -> Split:
    """Knobs against what is not known, from the same pass. Raises ModelError when no setup is always answered."""
    return outcomes.split.finish(space, outcomes.points)


def robust_of(space: Space, outcomes: Outcomes, quantile: float | None = None) -> Robust:
    """Figures, shares of kept limits and shares on the front of every setup; `quantile` by default the study's.

    Raises SpaceError for a quantile outside 0 to 0.5, 0 left out.
    """
    q = space.planning.quantile if quantile is None else quantile
    if not 0.0 < q <= 0.5:
        raise SpaceError(f"the quantile must lie above 0 and not above 0.5, not {q:g}")
    weights, answered = outcomes.weights, outcomes.answered
    direction = np.array([float(objective.direction) for objective in space.objectives])
    good = answered & outcomes.keeps.all(axis=2)
    best, known = _best(outcomes.values, good, direction)
    size = answered.shape[1]
    figures = np.zeros((len(FIGURES), size, len(direction)))
    for start, stop in chunks(size, 4096):
        figures[:, start:stop] = _figures(outcomes.values[:, start:stop], weights, direction, q, best, known)
    figures[FIGURES.index("nominal")] = outcomes.nominal
    whole = answered.all(axis=0) & outcomes.nominal_answered
    figures[:, ~whole] = 0.0
    return Robust(
        quantile=q,
        weights=weights,
        figures=figures,
        answered=whole,
        unanswered=int((~whole).sum()),
        share=np.minimum(_weighted(weights, good), 1.0),
        share_by_limit=np.minimum(_weighted(weights, outcomes.keeps), 1.0),
        front_share=_front_share(space, outcomes.values, good, weights),
        nothing=int((~known).sum()),
        nothing_weight=float(weights[~known].sum()),
        lost=outcomes.lost,
        lost_weight=outcomes.lost_weight,
    )


def robust_front(robust: Robust, space: Space, on: str = "quantile", bar: float | None = None) -> Front:
    """Front of the setups on one figure, rounded to each objective's resolution; less regret is better.

    Only setups that keep every limit in a share `bar` of the scenarios (default: one less the quantile) take part, or
    those near the largest share where none does; without any share at all the front is empty.

    Raises SpaceError for an unknown figure or a regret without meaning, ModelError when no setup is always answered.
    """
    among, _, _ = _eligible(robust, bar)
    return pareto_front(_table(robust, space, on), among, exact=True)


def robust_shortlist(
    robust: Robust, space: Space, on: str = "quantile", bar: float | None = None, size: int | None = None
) -> RobustShortlist:
    """A handful of setups on one figure: extremes, the balanced one, then those that add most. As `robust_front`.

    `size` is by default the study's.
    """
    among, level, note = _eligible(robust, bar)
    if not among.any():
        return RobustShortlist(on, level, 0, 0, note, ())
    table = _table(robust, space, on)
    front = pareto_front(table, among, exact=True)
    named = np.flatnonzero(front.named)
    unit = normalised(front.scores[named], front.scores[named])
    distance = unit.max(axis=1)
    wanted = reasons_for(front.objectives, front.scores[named], distance, unit, size or space.settings.shortlist_size)
    sizes = np.bincount(front.group)
    picks = []
    for point, (kinds, text) in wanted.items():
        member = int(named[point])
        reason, ties = _reason(on, robust.quantile, text), int(sizes[front.group[member]])
        picks.append(_pick(robust, space, int(front.rows[member]), kinds, reason, ties, float(distance[point])))
    if note:
        picks = _with_safest(robust, space, picks, size or space.settings.shortlist_size)
    return RobustShortlist(on, level, int(among.sum()), front.groups, note, tuple(picks))


def _with_safest(robust: Robust, space: Space, picks: list[RobustPick], size: int) -> list[RobustPick]:
    """Where the bar had to be lowered, the setup that keeps every limit most often stands on the list too, whatever its
    figures; the last pick gives way where the list is full. Ties: fewest changes, least work, first row."""
    share = np.where(robust.answered, robust.share, 0.0)
    rows = np.flatnonzero(share >= share.max() - ROUNDING)
    if any(pick.row in rows for pick in picks):
        return picks
    positions = space.positions_of(rows)
    changes = (positions != np.asarray(space.baseline)).sum(axis=1)
    first = int(np.lexsort((rows, space.minutes(positions), changes))[0])
    safest = _pick(robust, space, int(rows[first]), ("safest",), "keeps every limit in most scenarios", 1, 1.0)
    return [*picks[: max(size - 1, 1)], safest]


def _refuse_too_many(space: Space, scenarios: int) -> None:
    objectives, limits = len(space.objectives), len(space.limits)
    need = (scenarios + 1) * space.size * (8 * objectives + limits + 1)
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


def _column(names: tuple[str, ...], name: str) -> int:
    if name not in names:
        raise SpaceError(f"no metric is called {name!r}; this study has {', '.join(names)}")
    return names.index(name)


def _verdicts(
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


def _best(values: FloatArray, good: BoolArray, direction: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Best of each objective among the setups that keep every limit, turned so that more is better, and in which
    scenarios there is any: (scenarios, objectives) and (scenarios,)."""
    known = np.asarray(good.any(axis=1))
    best = np.zeros((len(values), len(direction)))
    for s in np.flatnonzero(known):
        best[s] = (values[s, good[s]] * direction).max(axis=0)
    return best, known


def _figures(
    values: FloatArray, weights: FloatArray, direction: FloatArray, q: float, best: FloatArray, known: BoolArray
) -> FloatArray:
    """Figures of some rows, those at the best guesses left at zero. (scenarios, rows, objectives) -> (figures, ...)."""
    result = np.zeros((len(FIGURES), *values.shape[1:]))
    turned = values * direction
    order = np.argsort(turned, axis=0, kind="stable")
    reached = np.cumsum(weights[order], axis=0) >= q - ROUNDING
    place = np.take_along_axis(order, reached.argmax(axis=0)[None], axis=0)
    result[FIGURES.index("mean")] = _weighted(weights, values)
    result[FIGURES.index("quantile")] = np.take_along_axis(values, place, axis=0)[0]
    result[FIGURES.index("worst")] = np.take_along_axis(values, order[:1], axis=0)[0]
    regret = result[FIGURES.index("regret")]
    for s in np.flatnonzero(known):
        np.maximum(regret, best[s] - turned[s], out=regret)
    return result


def _weighted(weights: FloatArray, values: FloatArray | BoolArray) -> FloatArray:
    """Weighted mean over the first axis, one scenario after the other: the same bits whatever the shape."""
    total = np.zeros(values.shape[1:])
    for weight, part in zip(weights, values, strict=True):
        total += weight * part
    return total


def _front_share(space: Space, values: FloatArray, good: BoolArray, weights: FloatArray) -> FloatArray:
    share = np.zeros(good.shape[1])
    for s, weight in enumerate(weights):
        rows: IntArray = np.flatnonzero(good[s])
        on_front = nondominated(scores_of(values[s, rows], space.objectives))
        share[rows[on_front]] += weight
    return np.minimum(share, 1.0)


def _eligible(robust: Robust, bar: float | None) -> tuple[BoolArray, float, str]:
    """Who may be picked (rows,), the share of kept limits they have, and a note where that had to be lowered."""
    level = 1.0 - robust.quantile if bar is None else bar
    if not 0.0 <= level <= 1.0:
        raise SpaceError(f"the share of scenarios must lie between 0 and 1, not {level:g}")
    if not robust.answered.any():
        raise ModelError("no setup has an answer in every scenario, so no robust front can be given")
    among = robust.answered & (robust.share >= level - ROUNDING)
    if among.any():
        return among, level, ""
    most = float(robust.share[robust.answered].max())
    if most <= 0.0:
        return among, level, "no setup keeps every limit in any scenario"
    # as often as the best, as far as this many scenarios can tell: two standard errors of a share
    error = np.sqrt(most * (1.0 - most) * float(np.sum(robust.weights**2)))
    lower = max(most - 2.0 * float(error), 0.5 * most)
    note = (
        f"no setup keeps every limit in {100 * level:.0f} % of the scenarios; the best do in {100 * most:.0f} %, so "
        f"those that do in {100 * lower:.0f} % or more are taken: so few scenarios cannot tell them apart"
    )
    return robust.answered & (robust.share >= lower - ROUNDING), lower, note


def _table(robust: Robust, space: Space, on: str) -> MetricTable:
    """One figure as a table of objectives; a regret is better lower, whatever its objective."""
    values = robust.figure(on)
    objectives = space.objectives
    if on == "regret":
        if robust.nothing == len(robust.weights):
            raise SpaceError("nothing keeps every limit in any scenario, so there is nothing to regret against")
        objectives = tuple(replace(objective, direction=-1) for objective in objectives)
    columns = tuple(objective.metric for objective in objectives)
    asked = replace(space, objectives=objectives)
    return MetricTable(asked, space.positions(0, space.size), columns, values, robust.answered)


def _reason(on: str, quantile: float, text: str) -> str:
    """The reason of a pick with the figure it was taken on."""
    if on == "regret":
        return text.replace("lowest ", "least regret in ")
    where = {
        "nominal": "at the best guesses",
        "mean": "on average over the scenarios",
        "quantile": f"in the worse {100 * quantile:.3g} % of the scenarios",
        "worst": "in the worst scenario",
    }[on]
    return f"{text}, {where}"


def _pick(
    robust: Robust, space: Space, row: int, kinds: tuple[str, ...], reason: str, ties: int, distance: float
) -> RobustPick:
    place = space.positions_of(np.array([row]))[0]
    return RobustPick(
        kinds=kinds,
        reason=reason,
        row=row,
        positions=place,
        labels=space.labels(place),
        figures=robust.figures[:, row],
        share=float(robust.share[row]),
        share_by_limit=robust.share_by_limit[row],
        front_share=float(robust.front_share[row]),
        changes=space.changes(place),
        minutes=float(space.minutes(place[None])[0]),
        ties=ties,
        distance=distance,
    )
