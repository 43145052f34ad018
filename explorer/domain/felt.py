"""The least differences that a driver feels, by metric: one table for wishes, objectives and feel carried over.

Common practice, no source: what drivers and their engineers report when one part is changed and nobody says which. A
metric that is not in the table is felt from the resolution of its catalogue entry on.
"""

from __future__ import annotations

import math

FELT: dict[str, float] = {
    "lag_ms": 5.0,
    "bite_pct": 3.0,
    "bite_n": 0.2,
    "roll_deg": 0.3,
    "balance_pct": 1.0,
    "grip_margin_pct": 1.0,
    "mean_grip_margin_pct": 1.0,
    "front_grip_margin_pct": 1.0,
    "rear_grip_margin_pct": 1.0,
    "lift_margin_pct": 2.0,
    "rollover_margin_pct": 2.0,
    "front_bump_upset_m_per_s2": 0.5,
    "rear_bump_upset_m_per_s2": 0.5,
    "front_bump_step_n": 0.1,
    "rear_bump_step_n": 0.1,
    "clearance_mm": 0.5,
    "roll_gradient_deg_per_g": 0.3,
}
"""Least felt difference by metric, phase left out, in the metric's unit."""

NOTICED: dict[str, float] = {"lift_margin_pct": 25.0, "rollover_margin_pct": 25.0}
"""Largest value that is still noticed, by metric, phase left out: with a quarter in hand no wheel comes near to leaving
the ground, and more of it is worth nothing to anyone. Common practice, no source."""


def felt_step(column: str, usual: float) -> float:
    """Least felt difference of a metric column, with or without a phase before the dot; `usual` where none is known.

    >>> felt_step("hairpin.roll_deg", 0.1), felt_step("front_inner_load_n", 0.05)
    (0.3, 0.05)
    """
    return FELT.get(column.rsplit(".", 1)[-1], usual)


def most_noticed(column: str) -> float:
    """Largest value of a metric column that is still noticed, infinite where every value is.

    >>> most_noticed("hairpin.lift_margin_pct"), most_noticed("lag_ms")
    (25.0, inf)
    """
    return NOTICED.get(column.rsplit(".", 1)[-1], math.inf)
