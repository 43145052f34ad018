"""The catalogue of metrics: entries that make sense beside each other."""

from __future__ import annotations

import pytest

from explorer.domain.errors import SpaceError
from explorer.model.metrics import CAR_METRICS, PHASE_METRICS, describe, metric_columns

EVERY = (*PHASE_METRICS, *CAR_METRICS)


@pytest.mark.parametrize("metric", EVERY, ids=lambda metric: metric.name)
def test_an_entry_of_the_catalogue_makes_sense(metric) -> None:
    """Catches a direction that is none, a code that is called better when its number is higher, a difference nobody can
    feel of zero, and a name whose unit is not the one shown."""
    assert metric.direction in (-1, 0, 1)
    assert not metric.codes or (metric.direction, metric.resolution, metric.unit) == (0, 1.0, "")
    assert metric.resolution > 0.0 and metric.label and metric.meaning
    if metric.unit and metric.unit != "%":
        stem = metric.unit.replace("/", "_per_").lower()
        assert metric.name.endswith(f"_{stem}"), metric
    if metric.name.endswith("_margin_pct"):
        assert metric.direction == 1


def test_margins_are_better_high_and_delays_low() -> None:
    """Catches a front turned round: what any driver would call better."""
    better = {metric.name: metric.direction for metric in EVERY}
    assert all(better[name] == -1 for name in ("lag_ms", "front_bump_upset_m_per_s2", "rear_bump_step_n"))
    assert all(better[name] == 1 for name in ("bite_pct", "clearance_mm", "rollover_margin_pct"))
    assert better["balance_pct"] == better["roll_deg"] == 0


def test_columns_are_named_by_phase_and_described_alike() -> None:
    """Catches columns out of order and a phase's metric described as another one."""
    columns = metric_columns(("sweep", "exit"))
    assert len(set(columns)) == len(columns) == len(CAR_METRICS) + 2 * len(PHASE_METRICS)
    assert columns[: len(CAR_METRICS)] == tuple(metric.name for metric in CAR_METRICS)
    assert describe("exit.roll_deg").unit == "deg" and describe("lag_ms").label == "response lag"
    with pytest.raises(SpaceError, match="nothing_like_it"):
        describe("nothing_like_it")


def test_what_is_better_is_said_only_where_the_trade_agrees() -> None:
    """Common practice, no source: response and margins have a better side, what describes the car has none. Catches a
    load, a lean or the roll that a shortlist would chase, and a lag that it would make long."""
    lower = {metric.name for metric in EVERY if metric.direction == -1}
    higher = {metric.name for metric in EVERY if metric.direction == 1}
    assert {"lag_ms", "front_bump_load_n", "rear_bump_load_n"} <= lower
    assert {"bite_pct", "grip_margin_pct", "lift_margin_pct", "rollover_margin_pct", "clearance_mm"} <= higher
    assert all("bump" in name or name == "lag_ms" for name in lower)
    assert all("margin" in name or name in ("bite_pct", "bite_n", "clearance_mm") for name in higher)
