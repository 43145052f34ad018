"""A metric over two knobs, the others at the baseline or at their best, with where the limits run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain import seeds
from explorer.domain.errors import SpaceError
from explorer.domain.space import BoolArray, FloatArray, IntArray, Knob, Space
from explorer.model.metrics import describe, metric_columns
from explorer.study.everything.evaluate import MetricTable, table_of
from explorer.study.everything.front import normalised, objective_values, scores_of
from explorer.study.everything.limits import ResolvedLimit, feasible, margins, violations

CONTINUOUS_POINTS = 21
"""Points along a continuous knob."""

DRAWS = 200
"""Settings of the other knobs tried per cell when the space cannot be listed."""


@dataclass(frozen=True)
class MetricMap:
    """One metric over a grid; the first index runs along knob `y`, the second along `x`, both by rising value.

    `values` (ny, nx) in the metric's unit; `allowed`: the setup can be built and the model answered; `feasible`: it
    also keeps every limit; `broken`: number of the limit broken most, -1 where none is; `margins` (ny, nx, limits)
    in resolutions, positive where kept, so that its zero line is the limit; `positions` (ny, nx, knobs) the setup
    shown. Where `allowed` is False nothing but that must be read, unless a rule alone is the cause and `others` is
    "baseline". `choice` says in words what the other knobs were set to.
    """

    x: str
    y: str
    metric: str
    others: str
    choice: str
    x_labels: tuple[str, ...]
    y_labels: tuple[str, ...]
    x_values: FloatArray
    y_values: FloatArray
    values: FloatArray
    allowed: BoolArray
    feasible: BoolArray
    broken: IntArray
    margins: FloatArray
    positions: FloatArray
    limits: tuple[ResolvedLimit, ...]


def map_metric(
    space: Space,
    x: str,
    y: str,
    metric: str,
    others: str = "baseline",
    limits: tuple[ResolvedLimit, ...] = (),
    table: MetricTable | None = None,
) -> MetricMap:
    """Map a metric over knobs `x` and `y`.

    `others="baseline"` leaves the other knobs there. `others="best"` shows, per cell, the feasible setup with the
    best value of the metric in the objective's or catalogue's direction; a metric without direction is shown at the
    setup closest to the best of every objective at once (least largest distance, each axis from 0 at the best to 1
    at the worst feasible value). A cell without a feasible setup shows the least violating one. "best" looks through
    `table` when every knob has levels and the table is given (it must hold every setup), else through 200 random
    settings of the other knobs and the baseline's.

    Raises SpaceError for an unknown knob or metric, x equal to y, or another word for `others`.
    """
    columns = (space.knob_index(x), space.knob_index(y))
    if columns[0] == columns[1]:
        raise SpaceError("a map needs two different knobs")
    if metric not in metric_columns(space.phase_names):
        describe(metric)
        raise SpaceError(f"no metric is called {metric!r}; the phases are {', '.join(space.phase_names)}")
    if others not in ("baseline", "best"):
        raise SpaceError(f"other knobs can be at 'baseline' or 'best', not {others!r}")
    axes = (axis_positions(space.knobs[columns[0]]), axis_positions(space.knobs[columns[1]]))
    shape = (len(axes[1]), len(axes[0]))
    if others == "baseline":
        found = table_of(space, _cells(space, columns, axes, np.array([space.baseline], dtype=np.float64)))
        chosen = np.arange(len(found))
        choice = "other knobs at the baseline"
    else:
        found, cell, seen = _candidates(space, columns, axes, table)
        chosen, rule = _best(found, cell, shape[0] * shape[1], metric, limits)
        choice = f"other knobs at their best ({rule}; {seen})"
    return _assemble(space, (x, y), metric, others, choice, axes, found, chosen, limits)


def axis_positions(knob: Knob) -> FloatArray:
    """Positions along a map axis by rising value: every level, or 21 points of a continuous knob."""
    if knob.continuous:
        return np.linspace(0.0, 1.0, CONTINUOUS_POINTS)
    return np.argsort(knob.values, kind="stable").astype(np.float64)


def _cells(
    space: Space, columns: tuple[int, int], axes: tuple[FloatArray, FloatArray], settings: FloatArray
) -> FloatArray:
    """Positions of every cell with every setting of the other knobs, cell by cell (y outer, x inner)."""
    grid_y, grid_x = np.meshgrid(axes[1], axes[0], indexing="ij")
    cells = np.stack([grid_x.ravel(), grid_y.ravel()], axis=1)
    result = np.tile(settings, (len(cells), 1))
    result[:, list(columns)] = np.repeat(cells, len(settings), axis=0)
    return result


def _candidates(
    space: Space, columns: tuple[int, int], axes: tuple[FloatArray, FloatArray], table: MetricTable | None
) -> tuple[MetricTable, IntArray, str]:
    """Setups to choose from, the cell of each, and in words where they come from."""
    if table is not None and space.enumerable:
        if len(table) != space.size:
            raise SpaceError("a map at the best of the other knobs needs the table of every setup")
        places = []
        for column, axis in zip(columns, axes, strict=True):
            place = np.empty(len(axis), dtype=np.int64)
            place[axis.astype(np.int64)] = np.arange(len(axis))
            places.append(place[table.positions[:, column].astype(np.int64)])
        return table, places[1] * len(axes[0]) + places[0], "every setup looked at"
    rng = np.random.default_rng(seeds.stage_seed(space.seed, seeds.MAPS))
    draws = np.empty((DRAWS + 1, len(space.knobs)))
    for column, knob in enumerate(space.knobs):
        draws[:, column] = rng.random(len(draws)) if knob.continuous else rng.integers(knob.size, size=len(draws))
    draws[0] = space.baseline
    positions = _cells(space, columns, axes, draws)
    cell = np.repeat(np.arange(len(axes[0]) * len(axes[1])), len(draws))
    allowed = space.allowed(positions)
    return table_of(space, positions[allowed]), cell[allowed], f"{DRAWS} random settings tried"


def _best(
    table: MetricTable, cell: IntArray, cells: int, metric: str, limits: tuple[ResolvedLimit, ...]
) -> tuple[IntArray, str]:
    """Row to show in each cell, -1 where a cell has none, and the rule in words."""
    space = table.space
    good = feasible(limits, table)
    direction = describe(metric).direction
    for objective in space.objectives:
        if objective.metric == metric:
            direction = objective.direction
    if direction != 0 or not space.objectives:
        key = -direction * table.column(metric)
        rule = {1: "highest", -1: "lowest", 0: "first"}[direction] + " feasible value"
    else:
        scores = scores_of(objective_values(table), space.objectives)
        key = normalised(scores, scores[good] if good.any() else scores).max(axis=1)
        rule = "closest to the best of every objective, among feasible setups"
    key = np.where(good, key, violations(limits, table).sum(axis=1))
    key = np.where(table.valid, key, np.inf)
    order = np.lexsort((np.arange(len(table)), key, ~good, cell))
    first = np.ones(len(order), dtype=bool)
    first[1:] = cell[order[1:]] != cell[order[:-1]]
    chosen = np.full(cells, -1, dtype=np.int64)
    chosen[cell[order[first]]] = order[first]
    return chosen, rule


def _assemble(
    space: Space,
    names: tuple[str, str],
    metric: str,
    others: str,
    choice: str,
    axes: tuple[FloatArray, FloatArray],
    table: MetricTable,
    chosen: IntArray,
    limits: tuple[ResolvedLimit, ...],
) -> MetricMap:
    shape = (len(axes[1]), len(axes[0]))
    present = chosen >= 0
    shown = table.take(np.maximum(chosen, 0))
    good = feasible(limits, shown)
    room = np.where(shown.valid[:, None], margins(limits, shown), 0.0)
    allowed = present & shown.valid & space.allowed(shown.positions)
    broken = np.full(len(chosen), -1, dtype=np.int64)
    if limits:
        broken = np.where(shown.valid & (room.min(axis=1) < 0.0), room.argmin(axis=1), -1)
    knobs = [space.knobs[space.knob_index(name)] for name in names]
    labels = [tuple(knob.label_at(float(p)) for p in axis) for knob, axis in zip(knobs, axes, strict=True)]
    values = [np.array([knob.value_at(float(p)) for p in axis]) for knob, axis in zip(knobs, axes, strict=True)]
    return MetricMap(
        x=names[0],
        y=names[1],
        metric=metric,
        others=others,
        choice=choice,
        x_labels=labels[0],
        y_labels=labels[1],
        x_values=values[0],
        y_values=values[1],
        values=np.where(present & shown.valid, shown.column(metric), 0.0).reshape(shape),
        allowed=allowed.reshape(shape),
        feasible=(allowed & good).reshape(shape),
        broken=np.where(present, broken, -1).reshape(shape),
        margins=np.where(present[:, None], room, 0.0).reshape(*shape, len(limits)),
        positions=shown.positions.reshape(*shape, -1),
        limits=limits,
    )
