"""Loads and roll of the model against a multibody car with beam axles."""

from __future__ import annotations

import pytest

from explorer.proof.wheel_loads import multibody_section


@pytest.fixture(scope="module")
def section():
    return multibody_section(quick=True)


def test_wheels_that_lift_and_rollover_agree(section) -> None:
    """Catches a wheel that lifts at the wrong end and a rollover threshold that ignores what lifts. Every state."""
    for quantity in ("lifted wheels", "rollover threshold", "rolled over"):
        rows = [one for one in section.comparisons if one.quantity == quantity]
        assert rows and all(one.passed for one in rows), quantity


def test_loads_and_roll_mostly_within_their_bars(section) -> None:
    """Catches transfer shared wrongly after a lift or on a stop, and tyres left out of the roll. The few misses lie
    past a lift, most of them on cars that also brake or pull; they are listed on the proof's page."""
    judged = [one for one in section.comparisons if one.quantity == "roll" or one.unit == "N"]
    assert sum(one.passed for one in judged) / len(judged) > 0.96
    level = [one for one in judged if "well below lift" in one.case]
    assert level and all(one.passed for one in level)
