"""Advice that holds over what is not known: figures of every setup over the scenarios, and the front on them.

What the model says of every setup in every scenario comes from `scenario_pass`. A setup's figures per objective:

* nominal: at the best guesses; mean: weighted over the scenarios; worst: the worst value in any scenario;
* quantile: scenarios sorted from the worst value up, the first value at which the cumulated weight reaches q: the low
  quantile where more is better, the high one where less is better;
* regret: the largest amount, over the scenarios, by which it falls short of the best value among the setups that keep
  every limit in that scenario (Savage 1951, J. American Statistical Association 46, 55-67; from memory), in the
  objective's unit, never below zero. Scenarios in which nothing keeps every limit are counted and left out of it.

Rows are the space's rows.
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
from explorer.study.everything.stream import chunks
from explorer.study.plan.scenario_pass import Outcomes
from explorer.study.plan.split import Split

FIGURED_AT_ONCE = 1_024
"""Setups whose figures are worked out together: few enough to stay in the cache."""

ROUNDING = 1e-9
"""Sums of weights are compared with this slack."""


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
    most = np.array([most_noticed(objective.metric) for objective in space.objectives])
    best, known = _best(np.minimum(outcomes.values, most), good, direction)
    size = answered.shape[1]
    figures = np.zeros((len(FIGURES), size, len(direction)))
    for start, stop in chunks(size, FIGURED_AT_ONCE):
        figures[:, start:stop] = _figures(outcomes.values[:, start:stop], weights, direction, q, best, known, most)
    figures[FIGURES.index("nominal")] = outcomes.nominal
    whole = answered.all(axis=0) & outcomes.nominal_answered
    figures[:, ~whole] = 0.0
    return Robust(
        quantile=q,
        weights=weights,
        figures=figures,
        answered=whole,
        unanswered=int((~whole).sum()),
        share=np.minimum(weighted_mean(weights, good), 1.0),
        share_by_limit=np.minimum(weighted_mean(weights, outcomes.keeps), 1.0),
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
) -> FloatArray:
    """Figures of some rows, those at the best guesses left at zero. (scenarios, rows, objectives) -> (figures, ...).

    Nobody regrets what lies above the largest noticed values `most` (objectives,)."""
    result = np.zeros((len(FIGURES), *values.shape[1:]))
    turned = np.ascontiguousarray((values * direction).transpose(1, 2, 0))  # scenarios side by side: sorted far faster
    order = np.argsort(turned, axis=2)
    reached = np.cumsum(weights[order], axis=2) >= q - ROUNDING
    place = np.take_along_axis(order, reached.argmax(axis=2)[:, :, None], axis=2)
    result[FIGURES.index("mean")] = weighted_mean(weights, values)
    result[FIGURES.index("quantile")] = direction * np.take_along_axis(turned, place, axis=2)[:, :, 0]
    result[FIGURES.index("worst")] = direction * turned.min(axis=2)
    if known.any():
        noticed = (np.minimum(values[known], most) * direction).transpose(1, 2, 0)
        short = (best[known].T[None] - noticed).max(axis=2)
        result[FIGURES.index("regret")] = np.maximum(short, 0.0)
    return result


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
    return MetricTable(asked, space.positions(0, space.size), columns, values, robust.answered)
