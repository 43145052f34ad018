"""Sampled sensitivity for spaces too large to list or with a continuous knob. SALib's only importer but for the bench.

Without rules: first-order, pair and total indices from a scrambled Sobol sample (Saltelli et al. 2010, Comput. Phys.
Commun. 181, 259-270), doubled until the intervals are narrow. With rules: Shapley effects from random orders of the
knobs (Song, Nelson, Staum 2016, SIAM/ASA J. Uncertainty Quantification 4, 1060-1083) with c(u) read from pairs of
setups that share the knobs u. All of these are estimates and are never called exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from SALib.analyze import sobol as salib_analyze
from SALib.sample import sobol as salib_sample

from explorer.domain import seeds
from explorer.domain.errors import SpaceError
from explorer.domain.space import FloatArray, Space
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import CHUNK, Progress, evaluate_positions
from explorer.study.questions.sensitivity import Sensitivity, analysed, checked, is_constant, refuse_invalid

NO_SHAPLEY = "sampled: estimates with 95 % intervals; Shapley effects are not worked out here"
ESTIMATE = (
    "estimate: compatibility rules make the knobs dependent, so only Shapley effects keep their meaning; sampled over "
    "random orders of the knobs, with 95 % intervals"
)

_LEAST_BASE = 8
_LEAST_SETUPS = 64
_MAX_DRAWS = 200


@dataclass(frozen=True)
class _Sobol:
    """Indices of one metric, the dummy last: `first`, `total` (2, knobs + 1) and `pairs` (2, knobs + 1, knobs + 1)
    hold value and half width."""

    first: FloatArray
    total: FloatArray
    pairs: FloatArray
    noise: float


def sampled_indices(
    space: Space, metrics: tuple[str, ...] | None = None, progress: Progress | None = None
) -> Sensitivity:
    """Estimated indices of the metrics (default: those of the objectives) by the method the space allows.

    Knob inputs are uniform on 0 to 1, mapped to equally likely levels. The sample doubles from `sobol_start` until
    every 95 % half width of first and total order is below `sobol_tolerance`, or until `sobol_budget` evaluations
    would be passed; `converged` says which. Doubling keeps every point already evaluated.

    Raises SpaceError for an unknown metric or a budget too small for one sample, ModelError where the model has no
    answer or a value is not finite.
    """
    names = analysed(_columns(space), metrics or tuple(objective.metric for objective in space.objectives))
    unknown = [name for name in names if name not in _columns(space)]
    if unknown:
        raise SpaceError(f"no metric is called {unknown[0]!r}; this study has {', '.join(_columns(space))}")
    return _sampled_shapley(space, names, progress) if space.rules else _sampled_sobol(space, names, progress)


def unit_to_positions(space: Space, unit: FloatArray) -> FloatArray:
    """Uniform numbers 0 to 1 as positions: level floor(u * levels), or u itself on a continuous knob. Same shape."""
    result = unit.copy()
    for column, knob in enumerate(space.knobs):
        if not knob.continuous:
            result[:, column] = np.minimum(np.floor(unit[:, column] * knob.size), knob.size - 1)
    return result


def _columns(space: Space) -> tuple[str, ...]:
    return metric_columns(space.phase_names)


def _values(space: Space, positions: FloatArray, names: tuple[str, ...]) -> FloatArray:
    """The named metrics of setups, checked. (rows, knobs) -> (rows, metrics)."""
    wanted = [_columns(space).index(name) for name in names]
    result = np.empty((len(positions), len(names)))
    for start in range(0, len(positions), CHUNK):
        values, valid = evaluate_positions(space, positions[start : start + CHUNK])
        refuse_invalid(valid[0])
        result[start : start + CHUNK] = values[0][:, wanted]
    for column, name in enumerate(names):
        checked(result[:, column], name)
    return result


def _sampled_sobol(space: Space, names: tuple[str, ...], progress: Progress | None) -> Sensitivity:
    k, settings = len(space.knobs), space.settings
    per_base = 2 * k + 2
    base = _LEAST_BASE
    while base < settings.sobol_start and 2 * base * per_base <= settings.sobol_budget:
        base *= 2
    if base * per_base > settings.sobol_budget:
        raise SpaceError(f"a budget of {settings.sobol_budget} evaluations is too small for {k} knobs")
    problem = {
        "num_vars": k + 1,
        "names": [*space.knob_names, "dummy"],
        "bounds": [[0.0, 1.0]] * (k + 1),
    }
    seed = seeds.stage_seed(space.seed, seeds.SOBOL)
    values = np.empty((0, 2 * k + 4, len(names)))
    while True:
        old = len(values)  # the sequence goes on where it stopped, so nothing already evaluated is lost
        sample = salib_sample.sample(problem, base - old, calc_second_order=True, seed=seed, skip_values=old)
        blocks = sample.reshape(base - old, 2 * k + 4, k + 1)[:, :, :k]
        values = np.concatenate([values, _evaluate_blocks(space, blocks, names)])
        spread = values.reshape(-1, len(names))
        constant = np.array([is_constant(spread[:, i]) for i in range(len(names))])
        moving = np.flatnonzero(~constant).tolist()
        checks = [_analyse(problem, values[..., i], seed, with_pairs=False) for i in moving]
        widest = max((max(one.first[1, :k].max(), one.total[1, :k].max()) for one in checks), default=0.0)
        done = base * per_base
        if progress is not None:
            progress("sampled indices", done, settings.sobol_budget)
        if widest < settings.sobol_tolerance or 2 * done > settings.sobol_budget:
            break
        base *= 2
    n = len(names)
    first, total, pairs = np.zeros((2, n, k)), np.zeros((2, n, k)), np.zeros((2, n, k, k))
    noise, pair_noise = np.zeros(n), np.zeros(n)
    for i in moving:
        one = _analyse(problem, values[..., i], seed, with_pairs=True)
        first[:, i], total[:, i] = one.first[:, :k], one.total[:, :k]
        pairs[:, i] = one.pairs[:, :k, :k]
        noise[i], pair_noise[i] = one.noise, np.abs(one.pairs[0, :k, k]).max()
    independent = values[:, [0, -1]].reshape(-1, n)
    return Sensitivity(
        metrics=names, knobs=space.knob_names, method="sampled Sobol", exact=False, reason=NO_SHAPLEY,
        mean=independent.mean(axis=0), variance=np.where(constant, 0.0, independent.var(axis=0)), constant=constant,
        evaluations=done, first=first[0], total=total[0], pairs=pairs[0], first_interval=first[1],
        total_interval=total[1], pairs_interval=pairs[1], noise_floor=noise, pairs_noise_floor=pair_noise,
        converged=bool(widest < settings.sobol_tolerance),
    )  # fmt: skip


def _evaluate_blocks(space: Space, blocks: FloatArray, names: tuple[str, ...]) -> FloatArray:
    """Metrics of sample blocks ordered A, AB_1.., AB_dummy, BA_1.., BA_dummy, B. (n, 2k + 4, k) -> (n, 2k + 4, m).

    The dummy changes nothing, so its two rows are A and B again and cost no evaluation.
    """
    n, rows, k = blocks.shape
    real = [row for row in range(rows) if row not in (k + 1, 2 * k + 2)]
    result = np.empty((n, rows, len(names)))
    positions = unit_to_positions(space, blocks[:, real].reshape(-1, k))
    result[:, real] = _values(space, positions, names).reshape(n, len(real), -1)
    result[:, k + 1], result[:, 2 * k + 2] = result[:, 0], result[:, -1]
    return result


def _analyse(problem: dict[str, object], values: FloatArray, seed: int, with_pairs: bool) -> _Sobol:
    """SALib's indices of one metric, 95 % half widths, and the chance level of a knob that does nothing.

    `values` (n, 2k + 4) in the order of `_evaluate_blocks`. Pairs are slow and stay zero unless asked for. The half
    widths are 1.96 standard errors of the ratio mean(term)/V by the delta method: SALib's own resampling agrees (a
    test says how well) but takes minutes here. Points of a Sobol sequence err less than independent ones from N = 512
    on, so the intervals are wide there; below that some were seen too narrow, hence the start at 512. The first and
    total estimators give a dummy exactly 0, because its rows repeat A: that shows no noise. So the floor is what
    Jansen's first-order form 1 - mean((fB - fA)^2)/(2V) reads for it, and its pair indices are kept.
    """
    d = values.shape[1] // 2 - 1
    used = values if with_pairs else values[:, [*range(d + 1), -1]]
    found = salib_analyze.analyze(problem, used.ravel(), calc_second_order=with_pairs, num_resamples=2, seed=seed)
    y = (values - used.mean()) / used.std()
    a, ab, ba, b = y[:, :1], y[:, 1 : d + 1], y[:, d + 1 : 2 * d + 1], y[:, -1:]
    both = np.concatenate([a, b])
    variance = float(both.var())
    square = ((a - both.mean()) ** 2 + (b - both.mean()) ** 2) / 2.0
    first = b * (ab - a) - found["S1"] * square
    total = (a - ab) ** 2 / 2.0 - found["ST"] * square
    pairs = np.zeros((2, d, d))
    for i in range(d if with_pairs else 0):
        for j in range(i + 1, d):
            closed = ba[:, i] * ab[:, j] - a[:, 0] * b[:, 0]
            share = found["S2"][i, j] + found["S1"][i] + found["S1"][j]
            term = closed - share * square[:, 0] - first[:, i] - first[:, j]
            pairs[:, i, j] = pairs[:, j, i] = found["S2"][i, j], _half_width(term, variance)
    return _Sobol(
        first=np.stack([found["S1"], _half_width(first, variance)]),
        total=np.stack([found["ST"], _half_width(total, variance)]),
        pairs=pairs,
        noise=abs(1.0 - float(np.mean((b - a) ** 2)) / (2.0 * variance)),
    )


def _half_width(terms: FloatArray, variance: float) -> FloatArray:
    """95 % half width of mean(terms)/variance, column by column. (n, ...) -> (...)."""
    result: FloatArray = 1.96 * terms.std(axis=0) / variance / np.sqrt(len(terms))
    return result


def _sampled_shapley(space: Space, names: tuple[str, ...], progress: Progress | None) -> Sensitivity:
    """Shapley effects under rules, estimated without bias.

    Each line of the sample draws an allowed setup X and an order of the knobs; along the order, X'_u keeps the knobs
    met so far and draws the others afresh among allowed setups. E[Y Y'_u] - mean^2 = c(u), so Y (Y'_{u+i} - Y'_u)
    averages to V times the Shapley effect of knob i. Lines are independent: the intervals need no resampling.
    """
    k, settings = len(space.knobs), space.settings
    rng = np.random.default_rng(seeds.stage_seed(space.seed, seeds.SHAPLEY))
    lines = max(_LEAST_SETUPS, settings.sobol_start)
    if lines * (k + 1) > settings.sobol_budget:
        raise SpaceError(f"a budget of {settings.sobol_budget} evaluations is too small for {k} knobs")
    own, increments = np.empty((0, len(names))), np.empty((0, k, len(names)))
    while True:
        more_own, more = _shapley_lines(space, names, lines - len(own), rng)
        own, increments = np.concatenate([own, more_own]), np.concatenate([increments, more])
        mean, variance = own.mean(axis=0), own.var(axis=0)
        constant = np.array([is_constant(own[:, i]) for i in range(len(names))])
        scale = np.where(constant, 1.0, variance)
        centred = own - mean
        terms = centred[:, None, :] * increments
        effect = np.where(constant, 0.0, terms.mean(axis=0) / scale)
        residual = terms - effect * (centred**2)[:, None, :]
        half = np.where(constant, 0.0, 1.96 * residual.std(axis=0) / scale / np.sqrt(len(own)))
        done = len(own) * (k + 1)
        if progress is not None:
            progress("sampled Shapley effects", done, settings.sobol_budget)
        if half.max() < settings.sobol_tolerance or 2 * done > settings.sobol_budget:
            break
        lines *= 2
    return Sensitivity(
        metrics=names, knobs=space.knob_names, method="sampled Shapley", exact=False, reason=ESTIMATE, mean=mean,
        variance=np.where(constant, 0.0, variance), constant=constant, evaluations=done, shapley=effect.T,
        shapley_interval=half.T, converged=bool(half.max() < settings.sobol_tolerance),
    )  # fmt: skip


def _shapley_lines(
    space: Space, names: tuple[str, ...], lines: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Y of new lines (lines, metrics) and what each knob's turn adds to Y' (lines, knobs, metrics)."""
    k = len(space.knobs)
    nothing = np.zeros((lines, k), dtype=bool)
    setups = _redraw(space, np.zeros((lines, k)), nothing, rng)
    turn = rng.permuted(np.tile(np.arange(k), (lines, 1)), axis=1)  # turn[line, knob]: when its turn comes
    chain = [_redraw(space, setups, turn < met, rng) for met in range(k)] + [setups]
    values = _values(space, np.concatenate(chain), names).reshape(k + 1, lines, len(names))
    picked = np.arange(lines)[:, None]
    increments = values[turn + 1, picked] - values[turn, picked]
    return values[-1], increments


def _redraw(space: Space, setups: FloatArray, keep: np.ndarray, rng: np.random.Generator) -> FloatArray:
    """Allowed setups uniform among those that agree with `setups` where `keep` is True (rejection). Same shape.

    Raises SpaceError when the rules leave so little that rejection does not get there.
    """
    result = setups.copy()
    open_rows = np.arange(len(setups))
    for _ in range(_MAX_DRAWS):
        fresh = unit_to_positions(space, rng.random((len(open_rows), setups.shape[1])))
        result[open_rows] = np.where(keep[open_rows], setups[open_rows], fresh)
        open_rows = open_rows[~space.allowed(result[open_rows])]
        if len(open_rows) == 0:
            return result
    raise SpaceError("the rules leave too few setups to sample; no sensitivity is available for this space")
