"""A toy world for tests of the questions: knobs that write straight into slots, and a model given by formulas."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from explorer.domain.space import Knob, Limit, Objective, Rule, Settings, Space
from explorer.model.car.slots import SLOTS
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import MetricTable

Formula = Callable[[np.ndarray], np.ndarray]

PHASES = ("sweep",)
LAG, GRIP, LIFT = (
    Objective("lag_ms", -1, 0.5),
    Objective("grip_margin_pct", 1, 0.5),
    Objective("lift_margin_pct", 1, 1.0),
)


def knob(index: int, values: Sequence[float], continuous: bool = False, **more: float) -> Knob:
    """Knob `k<index>` that writes its value into slot `index`."""
    return Knob(
        name=f"k{index}",
        unit="",
        labels=() if continuous else tuple(f"{value:g}" for value in values),
        values=tuple(values),
        slots=(index,),
        settings=tuple((float(value),) for value in values),
        continuous=continuous,
        **more,
    )


def space(
    knobs: Sequence[Knob],
    rules: Sequence[Rule] = (),
    objectives: Sequence[Objective] = (LAG, GRIP),
    limits: Sequence[Limit] = (),
    baseline: Sequence[float] | None = None,
    seed: int = 0,
    **settings: object,
) -> Space:
    """A space over the given knobs; the baseline is the first level of each."""
    return Space(
        name="toy", car="toy", surface="toy", seed=seed, knobs=tuple(knobs), rules=tuple(rules),
        objectives=tuple(objectives), limits=tuple(limits),
        baseline=tuple(baseline) if baseline is not None else (0.0,) * len(knobs), base=np.zeros(len(SLOTS)),
        phase_names=PHASES, phases=np.zeros((1, 7)), settings=Settings(**settings),  # type: ignore[arg-type]
    )  # fmt: skip


class Model:
    """Stands in for the kernel: metrics by formula of the parameter vectors; keeps every row it was asked for."""

    def __init__(self, formulas: dict[str, Formula], valid: Formula | None = None):
        self.formulas = formulas
        self.valid = valid
        self.asked: list[np.ndarray] = []

    def __call__(self, parameters, phases, slots, factor, offset):
        columns = metric_columns(PHASES)
        values = np.zeros((1, len(parameters), len(columns)))
        for name, formula in self.formulas.items():
            values[0, :, columns.index(name)] = formula(parameters)
        valid = np.ones((1, len(parameters)), dtype=bool)
        if self.valid is not None:
            valid[0] = self.valid(parameters)
            values[~valid] = 0.0
        self.asked.append(parameters.copy())
        return values, valid

    @property
    def rows(self) -> np.ndarray:
        """Every parameter vector asked for, in order."""
        return np.concatenate(self.asked)


def table(where: Space, **metrics: np.ndarray) -> MetricTable:
    """Table of every allowed setup with the named metrics filled in and the others 0."""
    positions = where.positions(0, where.size)
    columns = metric_columns(where.phase_names)
    values = np.zeros((len(positions), len(columns)))
    for name, column in metrics.items():
        values[:, columns.index(name)] = column
    return MetricTable(where, positions, columns, values, np.ones(len(positions), dtype=bool))


def inputs(where: Space) -> np.ndarray:
    """Knob values of every allowed setup. Shape (rows, knobs)."""
    positions = where.positions(0, where.size).astype(int)
    return np.stack([np.array(k.values)[positions[:, i]] for i, k in enumerate(where.knobs)], axis=1)
