"""The compiled kernel against the slow independent twin: plain Python, scipy root finding, written from the equations.

Catches any slip in the kernel's algebra, path following, event finding or tables: 1e-8 relative or 1e-9 absolute.
"""

from __future__ import annotations

import numpy as np
import pytest
import twin

from explorer.model.kernel import evaluate_parameters
from explorer.model.metrics import metric_columns
from explorer.model.slots import PHASE_COLUMNS, SLOTS

COUNT = 125
"""Setups of four phases each: 500 setup-phases."""


def compare(seed: int, count: int) -> tuple[int, list[str]]:
    """(metrics compared, those that differ)."""
    rng = np.random.default_rng(seed)
    compared, different = 0, []
    for number in range(count):
        car, phases = twin.random_car(rng), twin.random_phases(rng)
        truth = twin.solve(car, phases)
        vector = np.array([[car[name] for name in SLOTS]])
        rows = np.array([[float(phase[name]) for name in PHASE_COLUMNS] for phase in phases])
        none = np.zeros(0, dtype=np.int64)
        values, valid = evaluate_parameters(vector, rows, none, np.ones((1, 0)), np.zeros((1, 0)))
        assert valid.all()
        names = metric_columns(tuple(phase["name"] for phase in phases))
        assert set(names) == set(truth)
        for name, value in zip(names, values[0, 0], strict=True):
            compared += 1
            if not np.isclose(value, truth[name], rtol=1e-8, atol=1e-9):
                different.append(f"car {number} {name}: {value!r} against {truth[name]!r}")
    return compared, different


def test_kernel_equals_twin() -> None:
    """A slice of the 500 for every run."""
    compared, different = compare(seed=11, count=15)
    assert compared > 1000 and not different, "\n".join(different[:40])


@pytest.mark.long
def test_kernel_equals_twin_over_500() -> None:
    """All 500 setup-phases."""
    compared, different = compare(seed=12, count=COUNT)
    assert compared > 10_000 and not different, "\n".join(different[:40])
