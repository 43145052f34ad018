"""Advice that holds over what is not known: figures of every setup over the scenarios, and the front on them.

What the model says of some setups in every scenario comes from `scenario_pass`. A setup's figures per objective:

* nominal: at the best guesses; mean: weighted over the scenarios; worst: the worst value in any scenario;
* quantile: scenarios sorted from the worst value up, the first value at which the cumulated weight reaches q: the low
  quantile where more is better, the high one where less is better;
* regret: the largest amount, over the scenarios, by which it falls short of the best value among those of the setups
  that keep every limit in that scenario (Savage 1951, J. American Statistical Association 46, 55-67; from memory), in
  the objective's unit, never below zero. Scenarios in which nothing keeps every limit are counted and left out of it.

Rows are those of the setups that were asked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.felt import most_noticed
from explorer.domain.space import BoolArray, FloatArray, IntArray, Space
from explorer.domain.unknowns import FIGURES
from explorer.study.everything.evaluate import MetricTable
from explorer.study.everything.front import Front, nondominated, pareto_front, scores_of
from explorer.study.plan.scenario_pass import Answers, Outcomes

BROKEN_LOSS = 10.0
"""A setup that breaks a limit in a scenario loses this much there: more than good setups differ by. By choice. [felt
differences at price 1]"""

ROUNDING = 1e-9
"""Sums of weights are compared with this slack."""


@dataclass(frozen=True)
class Robust:
    """The setups at `positions` (rows, knobs) over the scenarios.

    `figures` (figures, rows, objectives) in the order of `FIGURES` and edge units, with `errors` of the same shape, one
    standard error where a sample has one and 0 elsewhere. A setup without an answer in some scenario (`unanswered`
    setups) has there the worst value and loss of any other, and keeps no limit; one without an answer at the best
    guesses, `answered` (rows,) False, cannot be picked. `share`
    (rows,) is the weighted share of scenarios in which every limit holds, `share_by_limit` (rows, limits) in which each
    does, `front_share` (rows,) in which the setup is on the front of those that keep every limit there. `loss` (rows,)
    is the expected loss. `share_error` and `loss_error` (rows,) are standard errors. `nothing` scenarios, of weight
    `nothing_weight`, have no setup that keeps every limit; they are out of the regret. `lost` names the scenarios in
    which a limit or wish could not be set, of weight `lost_weight` before the others were scaled up.
    """

    quantile: float
    positions: FloatArray
    weights: FloatArray
    figures: FloatArray
    errors: FloatArray
    answered: BoolArray
    unanswered: int
    share: FloatArray
    share_error: FloatArray
    share_by_limit: FloatArray
    front_share: FloatArray
    loss: FloatArray
    loss_error: FloatArray
    nothing: int
    nothing_weight: float
    lost: tuple[str, ...]
    lost_weight: float

    def figure(self, on: str) -> FloatArray:
        """One figure of every setup, (rows, objectives). Raises SpaceError for a figure that does not exist."""
        return self.figures[_place(on)]

    def error(self, on: str) -> FloatArray:
        """Standard error of `figure(on)`, 0 where it has none. (rows, objectives)"""
        return self.errors[_place(on)]


def _place(on: str) -> int:
    if on not in FIGURES:
        raise SpaceError(f"no figure is called {on!r}; known: {', '.join(FIGURES)}")
    return FIGURES.index(on)


def robust_of(space: Space, outcomes: Outcomes, quantile: float | None = None) -> Robust:
    """Figures, shares of kept limits and shares on the front of every setup; `quantile` by default the study's.

    Raises SpaceError for a quantile outside 0 to 0.5, 0 left out.
    """
    q = space.planning.quantile if quantile is None else quantile
    if not 0.0 < q <= 0.5:
        raise SpaceError(f"the quantile must lie above 0 and not above 0.5, not {q:g}")
    told = filled(space, outcomes)
    weights, good = outcomes.weights, told.good
    direction = np.array([float(objective.direction) for objective in space.objectives])
    most = np.array([most_noticed(objective.metric) for objective in space.objectives])
    best, known = _best(np.minimum(told.values, most), good, direction)
    figures, errors = _figures(told.values, weights, direction, q, best, known, most)
    figures[FIGURES.index("nominal")] = outcomes.nominal
    share = np.minimum(weighted_mean(weights, good), 1.0)
    loss = weighted_mean(weights, told.losses)
    whole = told.answered.all(axis=0)
    return Robust(
        quantile=q,
        positions=outcomes.positions,
        weights=weights,
        figures=figures,
        errors=errors,
        answered=outcomes.nominal_answered,
        unanswered=int((~whole).sum()),
        share=share,
        share_error=np.sqrt(share * (1.0 - share) / outcomes.effective),
        share_by_limit=np.minimum(weighted_mean(weights, told.keeps), 1.0),
        front_share=_front_share(space, told.values, good, weights),
        loss=loss,
        loss_error=standard_error(weights, told.losses),
        nothing=int((~known).sum()),
        nothing_weight=float(weights[~known].sum()),
        lost=outcomes.lost,
        lost_weight=outcomes.lost_weight,
    )


def filled(space: Space, outcomes: Outcomes) -> Answers:
    """The answers over the scenarios, with the worst of the other setups where a setup has none.

    Raises ModelError where no setup has an answer at the best guesses.
    """
    told = outcomes.told
    if not outcomes.nominal_answered.any():
        raise ModelError("no setup has an answer at the best guesses")
    if told.answered.all():
        return told
    lost = ~told.answered
    worse = -np.array([float(objective.direction) for objective in space.objectives])
    each = np.where(lost[:, :, None], -np.inf, told.values * worse).max(axis=1)
    loss = np.where(lost, -np.inf, told.losses).max(axis=1)
    none = lost.all(axis=1)
    each[none], loss[none] = 0.0, 0.0
    return replace(
        told,
        values=np.where(lost[:, :, None], (each * worse)[:, None], told.values),
        losses=np.where(lost, loss[:, None], told.losses),
    )


def standard_error(weights: FloatArray, values: FloatArray) -> FloatArray:
    """Standard error of the weighted mean over the first axis, `sqrt(sum w^2 (x - mean)^2)`."""
    mean = weighted_mean(weights, values)
    return np.asarray(np.sqrt(weighted_mean(weights**2, (values - mean) ** 2)))


def robust_front(robust: Robust, space: Space, on: str = "quantile", bar: float | None = None) -> Front:
    """Front of the setups on one figure, rounded to each objective's resolution; less regret is better.

    Only setups that keep every limit in a share `bar` of the scenarios (default: one less the quantile) take part, or
    those near the largest share where none does; without any share at all the front is empty.

    Raises SpaceError for an unknown figure or a regret without meaning, ModelError when no setup is always answered.
    """
    among, _, _ = eligible(robust, bar)
    return pareto_front(figure_table(robust, space, on), among, exact=True)


def _best(values: FloatArray, good: BoolArray, direction: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Best of each objective among the setups that keep every limit, turned so that more is better, and in which
    scenarios there is any: (scenarios, objectives) and (scenarios,)."""
    known = np.asarray(good.any(axis=1))
    best = np.zeros((len(values), len(direction)))
    for s in np.flatnonzero(known):
        best[s] = (values[s, good[s]] * direction).max(axis=0)
    return best, known


def _figures(
    values: FloatArray,
    weights: FloatArray,
    direction: FloatArray,
    q: float,
    best: FloatArray,
    known: BoolArray,
    most: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Figures of the rows, those at the best guesses left at zero, and their standard errors, both (figures, rows,
    objectives). `values` (scenarios, rows, objectives).

    Nobody regrets what lies above the largest noticed values `most` (objectives,). The error of a quantile is half the
    distance of the quantiles one standard error of a share to either side (from memory)."""
    result, errors = np.zeros((2, len(FIGURES), *values.shape[1:]))
    turned = np.ascontiguousarray((values * direction).transpose(1, 2, 0))  # scenarios side by side: sorted far faster
    order = np.argsort(turned, axis=2)
    reached = np.cumsum(weights[order], axis=2)

    def at(share: float) -> FloatArray:
        place = np.take_along_axis(order, (reached >= share - ROUNDING).argmax(axis=2)[:, :, None], axis=2)
        return np.asarray(direction * np.take_along_axis(turned, place, axis=2)[:, :, 0])

    side = float(np.sqrt(q * (1.0 - q) * np.sum(weights**2)))
    result[FIGURES.index("mean")] = weighted_mean(weights, values)
    errors[FIGURES.index("mean")] = standard_error(weights, values)
    result[FIGURES.index("quantile")] = at(q)
    errors[FIGURES.index("quantile")] = 0.5 * np.abs(at(min(q + side, 1.0)) - at(max(q - side, 0.0)))
    result[FIGURES.index("worst")] = direction * turned.min(axis=2)
    if known.any():
        noticed = (np.minimum(values[known], most) * direction).transpose(1, 2, 0)
        short = (best[known].T[None] - noticed).max(axis=2)
        result[FIGURES.index("regret")] = np.maximum(short, 0.0)
    return result, errors


def weighted_mean(weights: FloatArray, values: FloatArray | BoolArray) -> FloatArray:
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


def eligible(robust: Robust, bar: float | None) -> tuple[BoolArray, float, str]:
    """Who may be picked (rows,), the share of kept limits they have as far as the scenarios can tell, and a note where
    that had to be lowered."""
    level = 1.0 - robust.quantile if bar is None else bar
    if not 0.0 <= level <= 1.0:
        raise SpaceError(f"the share of scenarios must lie between 0 and 1, not {level:g}")
    among = robust.answered & (robust.share >= level - 2.0 * robust.share_error - ROUNDING)
    if among.any():
        return among, level, ""
    most = float(robust.share[robust.answered].max())
    if most <= 0.0:
        return among, level, "no setup keeps every limit in any scenario"
    lower = lowered_bar(most, robust.weights)
    note = (
        f"no setup keeps every limit in {100 * level:.0f} % of the scenarios; the best do in {100 * most:.0f} %, so "
        f"those that do in {100 * lower:.0f} % or more are taken: so few scenarios cannot tell them apart"
    )
    return robust.answered & (robust.share >= lower - ROUNDING), lower, note


def lowered_bar(most: float, weights: FloatArray) -> float:
    """The share of kept limits that is asked for where the best setup's, `most`, lies below the bar: as often as the
    best, as far as this many scenarios can tell: two standard errors of a share, and not below half. It grows with
    `most`."""
    error = np.sqrt(most * (1.0 - most) * float(np.sum(weights**2)))
    return max(most - 2.0 * float(error), 0.5 * most)


def figure_table(robust: Robust, space: Space, on: str) -> MetricTable:
    """One figure as a table of objectives; a regret is better lower, whatever its objective."""
    values = robust.figure(on)
    objectives = space.objectives
    if on == "regret":
        if robust.nothing == len(robust.weights):
            raise SpaceError("nothing keeps every limit in any scenario, so there is nothing to regret against")
        objectives = tuple(replace(objective, direction=-1) for objective in objectives)
    columns = tuple(objective.metric for objective in objectives)
    asked = replace(space, objectives=objectives)
    return MetricTable(asked, robust.positions, columns, values, np.ones(len(values), dtype=bool))
