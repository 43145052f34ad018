"""What a sensitivity analysis answers, exact or sampled, and the guards that every analysis runs first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain.errors import ModelError
from explorer.domain.space import BoolArray, FloatArray
from explorer.model.metrics import describe

CONSTANT = 1e-12
"""A metric whose whole spread is below this share of its size is constant."""


@dataclass(frozen=True)
class Sensitivity:
    """Shares of each metric's variance that come from each knob.

    `first`, `total`, `shapley` have shape (metrics, knobs); `pairs` (metrics, knobs, knobs), symmetric, zero on the
    diagonal, holds the pure interaction of two knobs. Any of them is None where it has no meaning or was not worked
    out; `reason` then says why. `exact` means without sampling error for the levels listed. A `constant` metric has
    zeros: it is constant, not insensitive. Sampled results carry 95 % half widths in `*_interval`; `noise_floor`
    (metrics,) is what a knob that does nothing can read as first order index, `pairs_noise_floor` as a pair.
    `mean` and `variance` (metrics,) are in the metric's unit, and its square.
    """

    metrics: tuple[str, ...]
    knobs: tuple[str, ...]
    method: str
    exact: bool
    reason: str
    mean: FloatArray
    variance: FloatArray
    constant: BoolArray
    evaluations: int
    first: FloatArray | None = None
    total: FloatArray | None = None
    pairs: FloatArray | None = None
    shapley: FloatArray | None = None
    first_interval: FloatArray | None = None
    total_interval: FloatArray | None = None
    pairs_interval: FloatArray | None = None
    shapley_interval: FloatArray | None = None
    noise_floor: FloatArray | None = None
    pairs_noise_floor: FloatArray | None = None
    converged: bool = True


def analysed(columns: tuple[str, ...], metrics: tuple[str, ...] | None) -> tuple[str, ...]:
    """The metrics asked for, without repeats; by default every column that is a quantity and not a code."""
    if metrics is None:
        return tuple(name for name in columns if not describe(name).codes)
    return tuple(dict.fromkeys(metrics))


def checked(values: FloatArray, name: str) -> FloatArray:
    """The values, once none of them can spoil an index in silence. Raises ModelError for a non-finite one."""
    bad = int((~np.isfinite(values)).sum())
    if bad:
        raise ModelError(f"{name}: {bad} of {values.size} values are not finite; no index can be given")
    return values


def refuse_invalid(valid: BoolArray) -> None:
    """Raises ModelError with the count when the model could not answer somewhere: a grid with holes is no grid."""
    missing = int((~valid).sum())
    if missing:
        raise ModelError(
            f"the model has no answer for {missing} of {valid.size} setups, so the indices would describe another "
            "space; narrow the knobs that lead there"
        )


def is_constant(values: FloatArray) -> bool:
    """True when the spread is rounding noise beside the size of the values."""
    low, high = float(values.min()), float(values.max())
    return high - low <= CONSTANT * max(abs(low), abs(high))
