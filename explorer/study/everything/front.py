"""The Pareto front on rounded objectives, and hypervolume. The only importer of moocore.

Two setups whose objectives differ by less than a resolution are the same to the driver, so dominance is decided on
floor(value / resolution + 0.5), turned so that less is better. Setups with the same rounded objectives tie: all are
kept, grouped, and the one that changes least from the baseline gives the group its name. An objective that takes one
value within its resolution over all setups is saturated: nobody could feel it, so it takes no part.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import moocore
import numpy as np

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.felt import most_noticed
from explorer.domain.space import BoolArray, FloatArray, IntArray, Objective
from explorer.study.everything.evaluate import MetricTable

REFERENCE = 1.1
"""Hypervolume reference on every normalised axis, where 0 is the best and 1 the worst value on the front."""

CELLS_PER_ROW = 4
"""With more cells than this for each row a front is found by sorting: going through the cells would cost more."""


@dataclass(frozen=True)
class Front:
    """Members of a Pareto front, group by group, best first objective first.

    `rows` (members,) number the table's rows; `positions` (members, knobs); `values` (members, objectives) in edge
    units; `scores` (members, objectives) rounded, in resolutions, less is better; `group` (members,) counts up from 0
    and members of one group tie; `named` marks the first of each group: fewest changes from the baseline, then
    fewest minutes, then lowest row. `exact` says that the table held every allowed setup. `dropped` names the saturated
    objectives; their scores are all 0.
    """

    objectives: tuple[Objective, ...]
    rows: IntArray
    positions: FloatArray
    values: FloatArray
    scores: FloatArray
    group: IntArray
    named: BoolArray
    exact: bool
    dropped: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def groups(self) -> int:
        """Number of groups: points that differ."""
        return int(self.named.sum())


def scores_of(values: FloatArray, objectives: tuple[Objective, ...]) -> FloatArray:
    """Rounded objectives in resolutions, less is better. (rows, objectives) -> same shape.

    What lies above the largest value that anyone notices counts as that value.

    >>> scores_of(np.array([[10.2, 3.0]]), (Objective("lag_ms", -1, 0.5), Objective("grip_margin_pct", 1, 1.0)))
    array([[20., -3.]])

    Raises ModelError for a non-finite value, which would delete points in silence.
    """
    _finite(values)
    scores = _noticed(values, objectives)
    scores /= np.array([objective.resolution for objective in objectives])
    scores += 0.5
    np.floor(scores, out=scores)
    scores *= np.array([-float(objective.direction) for objective in objectives])
    scores += 0.0  # no minus zero
    return scores


def _noticed(values: FloatArray, objectives: tuple[Objective, ...]) -> FloatArray:
    """Values no larger than anyone notices. (..., objectives) -> same shape."""
    result: FloatArray = np.minimum(values, [most_noticed(objective.metric) for objective in objectives])
    return result


def objective_values(table: MetricTable) -> FloatArray:
    """Objective columns of a table in edge units. Shape (rows, objectives)."""
    if not table.space.objectives:
        raise SpaceError("the study names no objective")
    return np.array([table.column(objective.metric) for objective in table.space.objectives]).T


def nondominated(scores: FloatArray) -> BoolArray:
    """Which points no other point beats, ties kept. (rows, objectives), less is better -> (rows,)."""
    _finite(scores)
    if len(scores) == 0:
        return np.zeros(0, dtype=bool)
    in_cells = _in_cells(scores)
    if in_cells is not None:
        return in_cells
    unique, inverse = distinct(scores)
    keep: BoolArray = moocore.is_nondominated(unique, keep_weakly=True)
    return keep[inverse]


def _in_cells(scores: FloatArray) -> BoolArray | None:
    """As `nondominated`, without a sort: the best of one objective in every cell of the others, then the cells that no
    cell as good in the others beats. None where scores are no whole numbers or the cells outnumber the rows."""
    columns = np.ascontiguousarray(scores.T)
    low = columns.min(axis=1)
    widths = columns.max(axis=1) - low + 1.0
    last = int(np.argmax(widths))  # fewest cells
    others = [column for column in range(len(columns)) if column != last]
    cells = widths[others].prod()
    if not cells <= CELLS_PER_ROW * len(scores):
        return None
    cell, first, place = np.zeros(len(scores)), 0.0, columns[last]
    for column in others:
        if (columns[column] != np.floor(columns[column])).any():
            return None
        cell *= widths[column]
        cell += columns[column]
        first = first * widths[column] + low[column]
    number = (cell - first).astype(np.int64)
    best = np.full(int(cells), np.inf)
    np.minimum.at(best, number, place)
    best = best.reshape(widths[others].astype(np.int64))
    reached, before = best.copy(), np.full(best.shape, np.inf)
    for axis in range(best.ndim):
        np.minimum.accumulate(reached, axis=axis, out=reached)
    for axis in range(best.ndim):
        ahead, behind = np.moveaxis(before, axis, 0)[1:], np.moveaxis(reached, axis, 0)[:-1]
        np.minimum(ahead, behind, out=ahead)
    kept = np.where(best < before, best, -np.inf).ravel()
    result: BoolArray = place == kept[number]
    return result


def saturated(objectives: tuple[Objective, ...], low: FloatArray, high: FloatArray) -> tuple[str, ...]:
    """Metrics of the objectives whose values span less than their resolution; none where all do, for then nothing would
    be left to choose by. `low` and `high` (objectives,) over the setups in question.

    >>> lag, grip = Objective("lag_ms", -1, 5.0), Objective("grip_margin_pct", 1, 1.0)
    >>> saturated((lag, grip), np.array([80.0, 10.0]), np.array([84.0, 12.0]))
    ('lag_ms',)
    """
    span = _noticed(high, objectives) - _noticed(low, objectives)
    flat = [one.metric for one, width in zip(objectives, span, strict=True) if width < one.resolution]
    return tuple(flat) if len(flat) < len(objectives) else ()


def felt_scores(values: FloatArray, objectives: tuple[Objective, ...], dropped: tuple[str, ...]) -> FloatArray:
    """As `scores_of`, with the saturated objectives at 0."""
    taking_part = (replace(one, direction=0) if one.metric in dropped else one for one in objectives)
    return scores_of(values, tuple(taking_part))


def pareto_front(
    table: MetricTable, among: BoolArray | None = None, exact: bool = True, dropped: tuple[str, ...] | None = None
) -> Front:
    """Front of the rows marked in `among` (rows,), by default of all rows; invalid rows never take part.

    `dropped` names the objectives that take no part, by default those that are saturated over these rows. Without any
    such row the front is empty. Raises ModelError for a non-finite objective.
    """
    space = table.space
    rows = np.flatnonzero(table.valid if among is None else table.valid & among)
    values = objective_values(table)[rows]
    if dropped is None:
        dropped = saturated(space.objectives, values.min(axis=0), values.max(axis=0)) if len(rows) else ()
    scores = felt_scores(values, space.objectives, dropped)
    keep = nondominated(scores)
    rows, values, scores = rows[keep], values[keep], scores[keep]
    positions = table.positions[rows]
    changes = (positions != np.asarray(space.baseline)).sum(axis=1)
    keys = (rows, space.minutes(positions), changes, *scores.T[::-1])
    order = np.lexsort(keys)
    scores = scores[order]
    named = np.ones(len(order), dtype=bool)
    named[1:] = (scores[1:] != scores[:-1]).any(axis=1)
    group = np.cumsum(named) - 1
    return Front(space.objectives, rows[order], positions[order], values[order], scores, group, named, exact, dropped)


def normalised(scores: FloatArray, front_scores: FloatArray) -> FloatArray:
    """Scores with 0 at the best and 1 at the worst value on the front, axis by axis; an axis without range counts 1."""
    if len(front_scores) == 0:
        raise SpaceError("an empty front has no range to normalise by")
    best = front_scores.min(axis=0)
    width = front_scores.max(axis=0) - best
    result: FloatArray = (scores - best) / np.where(width > 0.0, width, 1.0)
    return result


def hypervolume(points: FloatArray, reference: float | FloatArray = REFERENCE) -> float:
    """Volume that the points dominate below the reference; less is better. (points, objectives) -> volume."""
    _finite(points)
    if len(points) == 0:
        return 0.0
    ref = np.broadcast_to(np.asarray(reference, dtype=np.float64), (points.shape[1],))
    return float(moocore.hypervolume(points, ref=ref.copy()))


def greedy_subset(points: FloatArray, size: int, start: tuple[int, ...] = ()) -> tuple[int, ...]:
    """Up to `size` points, each the one that adds most hypervolume to those before it, after those in `start`.

    `points` (points, objectives) are normalised, less is better. Stops early when nothing adds volume. A gain only
    shrinks as points are added, so a stale gain bounds the true one and most need no second look. Ties go to the
    lowest number.
    """
    chosen = list(start)
    bound = np.full(len(points), np.inf)
    bound[chosen] = -np.inf
    while len(chosen) < size:
        base = hypervolume(points[chosen]) if chosen else 0.0
        best, best_gain = -1, 1e-12
        for candidate in np.lexsort((np.arange(len(points)), -bound)):
            if bound[candidate] < best_gain - 1e-12:
                break
            bound[candidate] = hypervolume(points[[*chosen, candidate]]) - base
            if bound[candidate] > best_gain + 1e-12 or (bound[candidate] > best_gain - 1e-12 and candidate < best):
                best, best_gain = int(candidate), float(bound[candidate])
        if best < 0:
            break
        chosen.append(best)
        bound[best] = -np.inf
    return tuple(chosen)


def distinct(points: FloatArray) -> tuple[FloatArray, IntArray]:
    """Distinct rows and, for each row, the number of its distinct one."""
    order = np.lexsort(points.T)
    fresh = np.ones(len(points), dtype=bool)
    fresh[1:] = (points[order[1:]] != points[order[:-1]]).any(axis=1)
    inverse = np.empty(len(points), dtype=np.int64)
    inverse[order] = np.cumsum(fresh) - 1
    return np.ascontiguousarray(points[order[fresh]]), inverse


def _finite(values: FloatArray) -> None:
    if not np.isfinite(values).all():
        raise ModelError("an objective holds a number that is not finite; no front can be given")
