"""Exact sensitivity indices over every setup: no sampling error, for the levels listed and equal weight on each.

Without rules the knobs are independent and the variance splits into one part V_u per set of knobs u (Hoeffding 1948;
Sobol 1993). The parts come from one orthonormal contrast per knob whose first row is constant: a squared coefficient
belongs to the set of knobs whose contrast is not the constant one. Then first_i = V_i/V, pair_ij = V_ij/V, total_i =
sum of V_u/V over u that hold i, and shapley_i = sum of V_u/(V |u|) (Owen 2014, SIAM/ASA J. Uncertainty
Quantification 2, 245-251).

With rules the knobs are dependent and only Shapley effects keep their meaning (Song, Nelson, Staum 2016, same
journal 4, 1060-1083): shapley_i averages c(u + i) - c(u) over all orders, with c(u) = Var(E[Y | X_u]).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import comb

import numpy as np

from explorer.domain.errors import SpaceError
from explorer.domain.space import FloatArray, IntArray, Space
from explorer.study.everything.columns import ColumnStore
from explorer.study.everything.evaluate import MetricTable, Progress
from explorer.study.questions.sensitivity import Sensitivity, analysed, checked, is_constant, refuse_invalid

MAX_KNOBS = 20
"""Knobs of a product grid: 2**20 sets is the most that is listed."""

MAX_DEPENDENT_KNOBS = 14
"""Knobs under rules: each of the 2**14 sets needs its own pass over the table."""

NOISE = 1e-12
"""Shares of variance below this are rounding and set to 0."""

LEAST_MINUTES = 0.1
"""A change never counts as quicker than this when effects are given per minute. [min]"""

DEPENDENT_REASON = (
    "compatibility rules make the knobs dependent: first-order, pair and total indices lose their meaning there, "
    "Shapley effects keep theirs"
)

_BLOCK = 4_000_000


@dataclass(frozen=True)
class StepEffects:
    """Change of each metric for one step of each knob, between neighbouring levels, averaged over all other knobs.

    `absolute` is the mean size and `signed` the mean change as the level's value rises, shape (metrics, knobs) in the
    metric's unit; `per_minute` is `absolute` over the knob's minutes; `pairs` (knobs,) counts the neighbours compared.
    """

    metrics: tuple[str, ...]
    knobs: tuple[str, ...]
    absolute: FloatArray
    signed: FloatArray
    per_minute: FloatArray
    pairs: IntArray


def exact_indices(
    table: MetricTable | ColumnStore, metrics: tuple[str, ...] | None = None, progress: Progress | None = None
) -> Sensitivity:
    """Exact indices of the metrics (default: every quantity) over a table of every allowed setup, in row order.

    Raises SpaceError when the table is not the whole space or has too many knobs, ModelError when a row is invalid
    or a value is not finite.
    """
    space = table.space
    full = _full_rows(table)
    names = analysed(table.columns, metrics)
    dependent = bool(space.rules)
    ceiling = MAX_DEPENDENT_KNOBS if dependent else MAX_KNOBS
    if len(space.knobs) > ceiling:
        raise SpaceError(
            f"{len(space.knobs)} knobs are too many for exact indices {'under rules ' if dependent else ''}"
            f"({ceiling} at most); fix some of them"
        )
    refuse_invalid(table.valid)
    shape = tuple(knob.size for knob in space.knobs)
    n, k = len(names), len(shape)
    mean, variance, constant = np.zeros(n), np.zeros(n), np.zeros(n, dtype=bool)
    for index, name in enumerate(names):
        values = checked(table.column(name), name)
        mean[index], constant[index] = values.mean(), is_constant(values)
        variance[index] = 0.0 if constant[index] else values.var()
    moving = np.flatnonzero(~constant)
    shapley = np.zeros((n, k))
    found = Sensitivity(
        metrics=names, knobs=space.knob_names, method="exact", exact=True, reason="", mean=mean, variance=variance,
        constant=constant, evaluations=len(table),
    )  # fmt: skip
    if dependent:
        counts = np.zeros(space.full_size)
        counts[full] = 1.0
        block = max(1, _BLOCK // space.full_size)
        for start in range(0, len(moving), block):
            chosen = moving[start : start + block]
            sums = np.zeros((space.full_size, len(chosen)))
            for column, index in enumerate(chosen):
                sums[full, column] = table.column(names[index]) - mean[index]
            parts = conditional_variances(sums.reshape(*shape, -1), counts.reshape(shape))
            shapley[chosen] = shapley_from_conditional(parts)
            _report(progress, start + len(chosen), len(moving))
        return replace(found, method="exact, dependent knobs", reason=DEPENDENT_REASON, shapley=shapley)
    first, total, pairs = np.zeros((n, k)), np.zeros((n, k)), np.zeros((n, k, k))
    masks = np.arange(2**k)
    member = (masks[:, None] >> np.arange(k)[::-1]) & 1
    size = member.sum(axis=1)
    weight = member / np.maximum(size, 1)[:, None]
    for done, index in enumerate(moving.tolist(), start=1):
        parts = variance_parts((table.column(names[index]) - mean[index]).reshape(shape))
        parts /= parts.sum()
        total[index], shapley[index] = parts @ member, parts @ weight
        first[index] = parts[1 << np.arange(k)[::-1]]
        for i, j in np.argwhere(np.triu(np.ones((k, k)), 1)):
            pairs[index, i, j] = pairs[index, j, i] = parts[(1 << (k - 1 - i)) | (1 << (k - 1 - j))]
        _report(progress, done, len(moving))
    for shares in (first, total, pairs, shapley):
        shares[shares < NOISE] = 0.0
    return replace(found, first=first, total=total, pairs=pairs, shapley=shapley)


def variance_parts(values: FloatArray) -> FloatArray:
    """Variance owned by each set of axes of a full grid, equal weights: shape (2**axes,), entry 0 is 0.

    Bit `axes - 1 - i` of the entry's number stands for axis i. `values` should be centred.
    """
    shape, size = values.shape, values.size
    flat = values
    del values  # at most two copies at a time
    for length in shape:  # each turn works on the first axis and moves it last: k turns restore the order
        flat = flat.reshape(length, -1).T @ _contrasts(length).T
    flat = flat.ravel()
    np.square(flat, out=flat)
    for length in shape:
        split = np.zeros((length, 2))
        split[0, 0], split[1:, 1] = 1.0, 1.0
        flat = flat.reshape(length, -1).T @ split
    parts: FloatArray = flat.ravel() / size
    parts[0] = 0.0
    return parts


def _contrasts(length: int) -> FloatArray:
    """Orthonormal (Helmert) rows, the first constant. Shape (length, length)."""
    matrix = np.tril(np.ones((length, length)), -1)
    matrix[0] = 1.0
    matrix[np.arange(1, length), np.arange(1, length)] = -np.arange(1, length, dtype=np.float64)
    result: FloatArray = matrix / np.sqrt((matrix**2).sum(axis=1, keepdims=True))
    return result


def conditional_variances(sums: FloatArray, counts: FloatArray) -> FloatArray:
    """c(u) = Var(E[Y | X_u]) for every set u of knobs over the rows that exist. Shape (2**knobs, metrics).

    `sums` (levels..., metrics) holds centred values, `counts` (levels...) 1 where the setup exists, else 0. Each
    group of setups that share u is reached by adding up one axis at a time, so all 2**knobs groupings cost
    prod(levels + 1) cells and not 2**knobs passes.
    """
    k = counts.ndim
    population = counts.sum()
    result = np.zeros((2**k, sums.shape[-1]))

    def visit(part: FloatArray, number: FloatArray, axis: int, mask: int) -> None:
        if axis == k:
            cells = number.reshape(-1, 1)
            squares = part.reshape(len(cells), -1) ** 2
            result[mask] = (squares / np.maximum(cells, 1.0)).sum(axis=0) / population
            return
        visit(part, number, axis + 1, mask | 1 << (k - 1 - axis))
        visit(part.sum(axis=axis, keepdims=True), number.sum(axis=axis, keepdims=True), axis + 1, mask)

    visit(sums, counts, 0, 0)
    result[0] = 0.0
    return result


def shapley_from_conditional(parts: FloatArray) -> FloatArray:
    """Shapley effects from c(u), shape (2**knobs, metrics) -> (metrics, knobs); each metric's sum is 1."""
    k = int(parts.shape[0]).bit_length() - 1
    masks = np.arange(2**k)
    size = ((masks[:, None] >> np.arange(k)) & 1).sum(axis=1)
    weight = np.array([1.0 / (k * comb(k - 1, s)) if s < k else 0.0 for s in range(k + 1)])
    result = np.zeros((parts.shape[1], k))
    for knob in range(k):
        bit = 1 << (k - 1 - knob)
        without = masks[(masks & bit) == 0]
        result[:, knob] = weight[size[without]] @ (parts[without | bit] - parts[without])
    result /= parts[-1][:, None]
    result[np.abs(result) < NOISE] = 0.0
    return result


def step_effects(table: MetricTable | ColumnStore, metrics: tuple[str, ...] | None = None) -> StepEffects:
    """Mean change of each metric per step of each knob, over all pairs of allowed setups one step apart.

    Levels are neighbours in the order of their values. Raises like `exact_indices`.
    """
    space = table.space
    full = _full_rows(table)
    refuse_invalid(table.valid)
    names = analysed(table.columns, metrics)
    shape = tuple(knob.size for knob in space.knobs)
    views = [(int(np.prod(shape[:i])), shape[i], int(np.prod(shape[i + 1 :]))) for i in range(len(shape))]
    orders = [np.argsort(knob.values, kind="stable") for knob in space.knobs]
    both: list[FloatArray | None] = [None] * len(shape)
    pairs = np.array([outer * (length - 1) * inner for outer, length, inner in views], dtype=np.int64)
    if space.rules:
        exists = np.zeros(space.full_size)
        exists[full] = 1.0
        for i, view in enumerate(views):
            grid = exists.reshape(view)[:, orders[i]]
            mask = grid[:, 1:] * grid[:, :-1]
            both[i], pairs[i] = mask, int(mask.sum())
    absolute, signed = np.zeros((len(names), len(shape))), np.zeros((len(names), len(shape)))
    dense = np.zeros(space.full_size)
    for row, name in enumerate(names):
        dense[full] = checked(table.column(name), name)
        for i, view in enumerate(views):
            if not pairs[i]:
                continue
            built = both[i]
            for outer, inner in _slabs(view):
                change = np.diff(dense.reshape(view)[outer, :, inner][:, orders[i]], axis=1)
                if built is not None:
                    change *= built[outer, :, inner]
                signed[row, i] += change.sum() / pairs[i]
                absolute[row, i] += np.abs(change, out=change).sum() / pairs[i]
    minutes = np.array([max(knob.minutes, LEAST_MINUTES) for knob in space.knobs])
    return StepEffects(names, space.knob_names, absolute, signed, absolute / minutes, pairs)


def _slabs(view: tuple[int, int, int]) -> Iterator[tuple[slice, slice]]:
    """Slices of the outer and inner axes that cover a grid in pieces of at most `_BLOCK` cells."""
    outer, length, inner = view
    deep, wide = max(1, _BLOCK // (length * inner)), max(1, min(inner, _BLOCK // length))
    for top in range(0, outer, deep):
        for left in range(0, inner, wide):
            yield slice(top, top + deep), slice(left, left + wide)


def _full_rows(table: MetricTable | ColumnStore) -> IntArray | slice:
    """Full-grid number of each row, once the table is known to be every allowed setup in order."""
    space: Space = table.space
    if not space.enumerable:
        raise SpaceError("exact indices need levels; a continuous knob has none")
    if isinstance(table, ColumnStore):
        return table.rows_of()
    rows = space.allowed_rows
    full = np.arange(space.full_size, dtype=np.int64) if rows is None else rows
    shape = tuple(knob.size for knob in space.knobs)
    if len(table) == len(full):
        found = np.ravel_multi_index(tuple(table.positions.astype(np.int64).T), shape)
        if np.array_equal(found, full):
            return full
    raise SpaceError(f"exact indices need every one of the {len(full):,} setups in order; the table has {len(table):,}")


def _report(progress: Progress | None, done: int, total: int) -> None:
    if progress is not None:
        progress("exact indices", done, total)
