"""What a result hangs on: the knobs, what is not known, or both together; and what can be built where.

Over all setups (equal weight) and all scenarios (with their weights) the variance of a metric Y splits exactly, since
the two are crossed (law of total variance; two-factor analysis of variance, Hoeffding 1948; from memory):

    Var(Y) = Var_x(E_s[Y]) + Var_s(E_x[Y]) + rest

with x the setup and s the scenario: the knobs' share, the unknowns' share, and what only both together make, which is
where the best setup depends on what is not known.

The share of one unknown is rough, for it has only as many points as there are scenarios. It is estimated from the mean
over the setups in each scenario: one weighted least-squares fit of a sum of parabolas, one in the quantile of each
unknown (lines where the scenarios are too few for parabolas, nothing where they are too few for lines); the share is
the variance of its parabola (Sudret 2008, Reliability Engineering & System Safety 93, 964-979, cut after the additive
terms; from memory), less what chance alone gives it. What unknowns make together is not seen. The interval is two
standard errors of a delete-a-group jackknife (Shao & Wu 1989; from memory); no bootstrap, for scenarios drawn twice
make a fit look better than it is. Scenarios drawn anew after observations are no longer independent in their unknowns:
single shares then need not add up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain.errors import ModelError
from explorer.domain.space import BoolArray, FloatArray, IntArray, Knob
from explorer.study.plan.scenario_pass import Answers, Question

KEPT = "every limit kept"
"""Name under which keeping every limit (1) or not (0) is split."""

GROUPS = 32
"""Groups of scenarios left out in turn by the jackknife, at most."""

SPARE = 2.0
"""Effective scenarios per number fitted, at least."""

CONSTANT = 1e-11
"""A spread below this share of a metric's size is rounding: the metric is called constant."""


@dataclass(frozen=True)
class Split:
    """Shares of variance per metric, `KEPT` last where there are limits.

    `mean` and `variance` (metrics,) in the metric's unit and its square; `knobs`, `unknowns` and `both` (metrics,) sum
    to 1, or are all 0 where `constant` (metrics,). `first` (metrics, unknowns) is each unknown's own rough share of the
    variance with `first_low` and `first_high`, or None where the scenarios are too few; `fitted` says "parabolas",
    "lines" or "". `setups` took part; `left_out` have no answer in some scenario (they take part in `KEPT` and the
    levels, as keeping no limit there).

    `ahead` (objectives, knobs) is the weighted share of the scenarios in which a knob moves an objective most, by the
    variance of the means over its levels; `ahead_per_minute` the same of that variance's root over the knob's minutes.

    `kept` is the weighted share of (setup, scenario) pairs in which every limit holds; `kept_by_level` the same at
    each level of each knob, (levels,) per knob, 0 at a level that no allowed setup has.
    """

    metrics: tuple[str, ...]
    unknown_keys: tuple[str, ...]
    mean: FloatArray
    variance: FloatArray
    knobs: FloatArray
    unknowns: FloatArray
    both: FloatArray
    constant: BoolArray
    first: FloatArray | None
    first_low: FloatArray | None
    first_high: FloatArray | None
    fitted: str
    setups: int
    left_out: int
    ahead: FloatArray
    ahead_per_minute: FloatArray
    kept: float
    kept_by_level: tuple[FloatArray, ...]


def split_of(asked: Question, positions: FloatArray, told: Answers) -> Split:
    """The split over setups at `positions` (rows, knobs); `told` are their answers, without the case at the best
    guesses.

    Raises ModelError when no setup has an answer in every scenario.
    """
    weights, space = asked.weights, asked.space
    whole = np.asarray(told.answered.all(axis=0))
    rows, answered = len(whole), int(whole.sum())
    if answered == 0:
        raise ModelError("no setup has an answer in every scenario, so nothing can be split")
    kept = told.good.astype(np.float64)
    parts = [_crossed(weights, told.metrics[:, whole])]
    if space.limits:
        parts.append(_crossed(weights, kept[:, :, None]))
    mean, knobs, inside, unknowns, by_scenario = (np.concatenate(one, axis=-1) for one in zip(*parts, strict=True))
    variance = knobs + inside
    constant = np.sqrt(variance) <= CONSTANT * np.maximum(np.abs(mean), CONSTANT)
    scale = np.where(constant, 0.0, 1.0 / np.where(constant, 1.0, variance))
    first = first_order(asked.points, by_scenario, weights)
    shares = [None if first is None else part * (unknowns * scale)[:, None] for part in first or (None,) * 3]
    share = weights @ kept
    return Split(
        metrics=asked.metrics + ((KEPT,) if space.limits else ()),
        unknown_keys=tuple(unknown.key for unknown in space.unknowns),
        mean=mean,
        variance=np.where(constant, 0.0, variance),
        knobs=knobs * scale,
        unknowns=unknowns * scale,
        both=np.maximum(inside - unknowns, 0.0) * scale,
        constant=constant,
        first=shares[0],
        first_low=shares[1],
        first_high=shares[2],
        fitted=("", "lines", "parabolas")[_degree(asked.points, weights)],
        setups=answered,
        left_out=rows - answered,
        ahead=first_knobs(asked, positions[whole], told.values[:, whole], False),
        ahead_per_minute=first_knobs(asked, positions[whole], told.values[:, whole], True),
        kept=float(share.mean()),
        kept_by_level=tuple(
            mean_by_level(knob, positions[:, column], share) for column, knob in enumerate(space.knobs)
        ),
    )


def first_knobs(asked: Question, positions: FloatArray, values: FloatArray, per_minute: bool) -> FloatArray:
    """In what share of the scenarios each knob moves an objective most. `positions` (rows, knobs), `values` (scenarios,
    rows, objectives) -> (objectives, knobs); 0 for an objective that nothing moves."""
    knobs = asked.space.knobs
    spread = np.zeros((*values.shape[::2], len(knobs)))
    middle = values.mean(axis=1)
    for column, knob in enumerate(knobs):
        levels, at = np.unique(positions[:, column], return_inverse=True)
        number = np.bincount(at).astype(np.float64)
        if len(levels) < 2 or len(levels) > len(positions) // 4:
            continue  # a knob without levels has no means over them
        sums = np.stack([values[:, at == level].sum(axis=1) for level in range(len(levels))])
        means = sums / number[:, None, None] - middle
        spread[:, :, column] = np.sqrt((number[:, None, None] * means**2).sum(axis=0) / number.sum())
        if per_minute:
            spread[:, :, column] /= max(knob.minutes, 1e-9)
    best = spread.argmax(axis=2)
    moved = spread.max(axis=2) > CONSTANT
    return np.stack([asked.weights @ ((best == k) & moved) for k in range(len(knobs))], axis=1)


def _crossed(
    weights: FloatArray, values: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Mean, variance of the setups' means, mean variance within a setup, variance of the scenarios' means, each
    (metrics,), and these means (scenarios, metrics). `values` (scenarios, rows, metrics)."""
    means = np.einsum("s,srm->rm", weights, values)
    within = np.einsum("s,srm->rm", weights, (values - means) ** 2)
    mean, by_scenario = means.mean(axis=0), values.mean(axis=1)
    knobs = ((means - mean) ** 2).mean(axis=0)
    unknowns = weights @ (by_scenario - weights @ by_scenario) ** 2
    return mean, knobs, within.mean(axis=0), unknowns, by_scenario


def mean_by_level(knob: Knob, levels: FloatArray, values: FloatArray) -> FloatArray:
    """Mean of a number per setup (rows,) over the setups at each level; 0 where there is none. (levels,), nothing for a
    continuous knob."""
    if knob.continuous:
        return np.zeros(0)
    at: IntArray = levels.astype(np.int64)
    number = np.bincount(at, minlength=knob.size)
    sums = np.bincount(at, weights=values, minlength=knob.size)
    result: FloatArray = sums / np.maximum(number, 1)
    return result


def first_order(
    points: FloatArray, outcome: FloatArray, weights: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Share of the outcome's variance that each unknown explains alone, and both ends of its interval.

    `points` (scenarios, unknowns) in (0, 1), `outcome` (scenarios, metrics), `weights` (scenarios,) summing to one ->
    three arrays (metrics, unknowns) from 0 to 1, or None where there are too few scenarios or no unknown.
    """
    degree = _degree(points, weights)
    if degree == 0:
        return None
    groups = min(GROUPS, len(points))
    group = np.arange(len(points)) % groups
    whole = _explained(points, outcome, weights, degree)
    left = np.stack(
        [_explained(points[group != g], outcome[group != g], weights[group != g], degree) for g in range(groups)]
    )
    error = np.sqrt((groups - 1.0) / groups * ((left - left.mean(axis=0)) ** 2).sum(axis=0))
    low, high = whole - 2.0 * error, whole + 2.0 * error
    return np.clip(whole, 0.0, 1.0), np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0)


def _degree(points: FloatArray, weights: FloatArray) -> int:
    """Degree of the fit that the scenarios can bear: 2, 1, or 0 for none."""
    unknowns = points.shape[1]
    able = [degree for degree in (2, 1) if effective(weights) >= SPARE * (1 + degree * unknowns)]
    return able[0] if able and unknowns else 0


def effective(weights: FloatArray) -> float:
    """Effective number of scenarios, one over the sum of squared normalised weights (Kish 1965; from memory).

    >>> effective(np.array([0.5, 0.5, 0.0]))
    2.0
    """
    share = weights / weights.sum()
    return float(1.0 / (share**2).sum())


def _explained(points: FloatArray, outcome: FloatArray, weights: FloatArray, degree: int) -> FloatArray:
    """Share of variance of each unknown's own part of an additive fit, less chance. -> (metrics, unknowns).

    With columns of mean zero and weighted products `M`, coefficients `b` and rest `s^2` per effective scenario, the
    own part of unknown j has the variance `b_j' M_jj b_j`, of which `s^2 trace(M_jj (M^-1)_jj)` is expected by chance.
    """
    weight = weights / weights.sum()
    number = effective(weight)
    x = 2.0 * points - 1.0
    columns = np.stack([x, 1.5 * x**2 - 0.5][:degree], axis=2).reshape(len(x), -1)
    columns = columns - weight @ columns
    target = outcome - weight @ outcome
    total = weight @ target**2
    flat = total <= CONSTANT * CONSTANT
    products = columns.T @ (weight[:, None] * columns)
    inverse = np.linalg.pinv(products)
    fit = inverse @ (columns.T @ (weight[:, None] * target))
    rest = weight @ (target - columns @ fit) ** 2 / max(number - 1.0 - columns.shape[1], 1.0)
    result = np.zeros((outcome.shape[1], points.shape[1]))
    for j in range(points.shape[1]):
        own = slice(degree * j, degree * (j + 1))
        found = ((products[own, own] @ fit[own]) * fit[own]).sum(axis=0)
        result[:, j] = found - rest * np.trace(products[own, own] @ inverse[own, own])
    return np.where(flat[:, None], 0.0, result / np.where(flat, 1.0, total)[:, None])
