"""What each single step of each knob does to every metric, from the baseline: the table for the pit wall."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain.errors import ModelError
from explorer.domain.space import BoolArray, FloatArray, Knob, Space
from explorer.study.everything.evaluate import MetricTable, reason_of, table_of
from explorer.study.everything.limits import ResolvedLimit, margins

CONTINUOUS_STEPS = 20
"""A step of a continuous knob is its range over this number."""


@dataclass(frozen=True)
class Step:
    """One knob moved by one level: `direction` +1 to the next higher value, -1 to the next lower.

    `minutes` [min]. `allowed` is False when a rule forbids the setup, `valid` False when the model has no answer for
    it; `broken` names the limits it breaks.
    """

    knob: str
    direction: int
    old: str
    new: str
    minutes: float
    allowed: bool
    valid: bool
    broken: tuple[str, ...]


@dataclass(frozen=True)
class OneChange:
    """Steps from the baseline and what they do.

    `baseline` (columns,), `values` and `change` (steps, columns) in edge units, `positions` (steps, knobs). The
    change of an invalid step is zero and must not be read; `usable` (steps,) marks the steps that can be built and
    that the model answered. Codes (`state` and the like) change by the difference of their numbers.
    """

    columns: tuple[str, ...]
    baseline: FloatArray
    steps: tuple[Step, ...]
    positions: FloatArray
    values: FloatArray
    change: FloatArray
    usable: BoolArray


def neighbours(knob: Knob, position: float) -> tuple[tuple[int, float], ...]:
    """(direction, position) of the next lower and next higher level by value, where there is one."""
    if knob.continuous:
        step = 1.0 / CONTINUOUS_STEPS
        below, above = max(position - step, 0.0), min(position + step, 1.0)
        return tuple((d, p) for d, p in ((-1, below), (1, above)) if p != position)
    order = list(np.argsort(knob.values, kind="stable"))
    place = order.index(int(position))
    found = [(-1, order[place - 1])] if place > 0 else []
    found += [(1, order[place + 1])] if place + 1 < len(order) else []
    return tuple((direction, float(level)) for direction, level in found)


def one_change(space: Space, limits: tuple[ResolvedLimit, ...] = ()) -> OneChange:
    """Every single step of every knob from the baseline. Raises ModelError when the baseline has no answer."""
    start = np.array(space.baseline, dtype=np.float64)
    moves = [
        (column, direction, position)
        for column, knob in enumerate(space.knobs)
        for direction, position in neighbours(knob, float(start[column]))
    ]
    positions = np.repeat(start[None, :], len(moves) + 1, axis=0)
    for row, (column, _, position) in enumerate(moves, start=1):
        positions[row, column] = position
    table = table_of(space, positions)
    if not table.valid[0]:
        why = reason_of(space, start)
        raise ModelError(f"the model has no answer for the baseline, so no change from it can be given: {why}")
    allowed = space.allowed(positions)
    broken = margins(limits, table) < 0.0
    steps = tuple(
        _step(space, table, limits, row, move, bool(allowed[row]), broken[row])
        for row, move in enumerate(moves, start=1)
    )
    change = np.where(table.valid[1:, None], table.values[1:] - table.values[0], 0.0)
    return OneChange(
        columns=table.columns,
        baseline=table.values[0],
        steps=steps,
        positions=positions[1:],
        values=table.values[1:],
        change=change,
        usable=allowed[1:] & table.valid[1:],
    )


def _step(
    space: Space,
    table: MetricTable,
    limits: tuple[ResolvedLimit, ...],
    row: int,
    move: tuple[int, int, float],
    allowed: bool,
    broken: BoolArray,
) -> Step:
    column, direction, position = move
    knob = space.knobs[column]
    valid = bool(table.valid[row])
    return Step(
        knob=knob.name,
        direction=direction,
        old=knob.label_at(space.baseline[column]),
        new=knob.label_at(position),
        minutes=knob.minutes,
        allowed=allowed,
        valid=valid,
        broken=tuple(limit.text for limit, b in zip(limits, broken, strict=True) if b) if valid else (),
    )
