"""The one bridge between a space and the model: pure, by chunks of row numbers, over a scenario axis."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import BoolArray, FloatArray, IntArray, Space
from explorer.model.car.car import FAULTS
from explorer.model.kernel import evaluate_parameters, evaluate_with_faults
from explorer.model.metrics import metric_columns

Progress = Callable[[str, int, int], None]
"""Called with (stage, done, total)."""

CHUNK = 16_384
"""Rows handed to the kernel at once."""


@dataclass(frozen=True)
class Scenarios:
    """What is not known: in scenario s slot `slots[j]` becomes `value * factor[s, j] + offset[s, j]`, after the knobs.

    `factor` and `offset` have shape (scenarios, slots), `weights` (scenarios,) and sums to one.
    """

    slots: IntArray
    factor: FloatArray
    offset: FloatArray
    weights: FloatArray


def nominal() -> Scenarios:
    """One scenario that changes nothing."""
    return Scenarios(np.zeros(0, dtype=np.int64), np.ones((1, 0)), np.zeros((1, 0)), np.ones(1))


@dataclass(frozen=True)
class MetricTable:
    """Metrics of setups. `positions` (rows, knobs), `values` (rows, columns) in edge units, `valid` (rows,).

    A row is invalid when the model could not answer there; its values are zero and must not be used.
    """

    space: Space
    positions: FloatArray
    columns: tuple[str, ...]
    values: FloatArray
    valid: BoolArray

    def __len__(self) -> int:
        return len(self.positions)

    def column(self, name: str) -> FloatArray:
        """One metric of every row. Raises SpaceError with the known names."""
        if name not in self.columns:
            raise SpaceError(f"no metric is called {name!r}; this study has {', '.join(self.columns)}")
        return self.values[:, self.columns.index(name)]

    def row(self, index: int) -> dict[str, float]:
        """All metrics of one row by name."""
        return dict(zip(self.columns, (float(v) for v in self.values[index]), strict=True))

    def take(self, rows: IntArray | BoolArray) -> MetricTable:
        """The chosen rows only."""
        return MetricTable(self.space, self.positions[rows], self.columns, self.values[rows], self.valid[rows])


def evaluate_positions(
    space: Space,
    positions: FloatArray,
    scenarios: Scenarios | None = None,
    parameters: FloatArray | None = None,
) -> tuple[FloatArray, BoolArray]:
    """Metrics of given setups: values (scenarios, rows, columns) and valid (scenarios, rows).

    `parameters` (rows, slots) overrides the vectors that the positions stand for (build tolerance uses it).
    Raises ModelError if any row holds a number that is not finite: that is a bug, for invalid rows hold zeros.
    """
    cases = nominal() if scenarios is None else scenarios
    vectors = space.parameters(positions) if parameters is None else parameters
    values, valid = evaluate_parameters(vectors, space.phases, cases.slots, cases.factor, cases.offset)
    if not np.isfinite(values).all():
        raise ModelError("the model returned a number that is not finite; please report this setup")
    return values, valid


def evaluate(space: Space, start: int, stop: int, scenarios: Scenarios | None = None) -> tuple[FloatArray, BoolArray]:
    """Metrics of the allowed setups number `start` to `stop`: as `evaluate_positions`."""
    return evaluate_positions(space, space.positions(start, stop), scenarios)


def evaluate_all(space: Space, progress: Progress | None = None) -> MetricTable:
    """Every allowed setup in the nominal scenario, chunk by chunk."""
    size = space.size
    columns = metric_columns(space.phase_names)
    values = np.empty((size, len(columns)))
    valid = np.empty(size, dtype=bool)
    for start in range(0, size, CHUNK):
        stop = min(start + CHUNK, size)
        chunk_values, chunk_valid = evaluate(space, start, stop)
        values[start:stop], valid[start:stop] = chunk_values[0], chunk_valid[0]
        if progress is not None:
            progress("every setup", stop, size)
    return MetricTable(space, space.positions(0, size), columns, values, valid)


def table_of(space: Space, positions: FloatArray) -> MetricTable:
    """Metric table of any setups in the nominal scenario."""
    values, valid = evaluate_positions(space, positions)
    return MetricTable(space, positions, metric_columns(space.phase_names), values[0], valid[0])


def joined(table: MetricTable, more: MetricTable) -> MetricTable:
    """The rows of one table after those of another of the same study."""
    if table.columns != more.columns:
        raise SpaceError("tables with other columns cannot be joined")
    parts = ((getattr(table, name), getattr(more, name)) for name in ("positions", "values", "valid"))
    positions, values, valid = (np.concatenate(pair) for pair in parts)
    return MetricTable(table.space, positions, table.columns, values, valid)


def failed_setups(space: Space, positions: FloatArray) -> tuple[str, ...]:
    """Setups without an answer in words, each with its reason."""
    return tuple(
        ", ".join(f"{k}={v}" for k, v in zip(space.knob_names, space.labels(place), strict=True)) + f": {word}"
        for place, word in zip(positions, fault_words(space, positions), strict=True)
    )


def fault_words(space: Space, positions: FloatArray) -> tuple[str, ...]:
    """What keeps the model from answering each of these setups, in words; "" where it answers."""
    case = nominal()
    _, faults = evaluate_with_faults(space.parameters(positions), space.phases, case.slots, case.factor, case.offset)
    return tuple(FAULTS[number] for number in faults[0])


def reason_of(space: Space, place: FloatArray) -> str:
    """Why the model has no answer for one setup, `place` (knobs,), in words; "" where it has one."""
    try:
        return fault_words(space, place[None, :])[0]
    except ModelError as fault:  # it refuses the phases, whatever the setup
        return str(fault)
