"""The slope of the grip that bumps leave, which the search for a limit goes by, against differences of its value."""

from __future__ import annotations

import numpy as np
from numba import njit

from explorer.model.car.tyre import TABLE_HIGH, TABLE_LOW, bump_tables_at
from explorer.model.corner.grip import bump_log_at


@njit(error_model="numpy")
def bump_log(y, load_sensitivity, flat):
    """Value and slope."""
    return bump_log_at(y, load_sensitivity, flat, 0.0)


def test_the_slope_of_the_bump_table_is_that_of_its_value() -> None:
    """Catches a slope of the neighbouring interval, and one left at the cubic's beyond either end of the table."""
    flat = bump_tables_at(np.array([0.2]))[0].reshape(-1)
    for y in (TABLE_LOW - 1.3, TABLE_LOW + 0.013, 0.377, 1.91, TABLE_HIGH - 0.011, TABLE_HIGH + 0.2):
        (low, _), (high, _), (_, slope) = (bump_log(y + step, 0.2, flat) for step in (-1e-5, 1e-5, 0.0))
        difference = (high - low) / 2e-5
        assert abs(slope - difference) < 1e-9 + 1e-6 * abs(difference), y
        assert slope > 0.0
