"""Tables: what each cell holds, checked by hand on 12 setups."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from sample_run import HOSTILE, nothing, ruled, run, sampled

from explorer.report import tables
from explorer.runs.artefacts import csv_bytes


def test_the_front_by_hand():
    """Catches a front with the wrong sign of grip, lost labels, or work counted per row and not from the baseline."""
    frame = tables.front_table(run().table, run().front, run().limits)
    # Feasible: bar 1.0 to 1.4 with the second or third spring. Lag 30 - 2b - s/2; grip 10 - b - bs + 3s.
    assert frame["front_bar"].tolist() == ["1.4", "1.2", "1.0"]
    assert frame["rear_spring"].tolist() == ["0.72"] * 3
    assert frame["lag_ms"].tolist() == [23.0, 25.0, 27.0]
    assert frame["grip_margin_pct"].tolist() == [7.0, 10.0, 13.0]
    assert frame["point"].tolist() == [1, 2, 3] and frame["named"].all()
    assert frame["changes"].tolist() == [2, 2, 1] and frame["minutes"].tolist() == [10.0, 10.0, 6.0]
    assert np.allclose(frame["margin hairpin.roll_deg at most 3"], [2.0, 1.0, 0.0])


def test_sensitivity_is_long_and_says_constant():
    """Catches a constant metric reported as insensitive, and knobs attached to the wrong rows."""
    frame = tables.sensitivity_table(run().indices, None)
    assert len(frame) == 4 * 2
    lag = frame[frame.metric == "lag_ms"].set_index("knob")
    # Additive: variance 4 * 5/4 of the bar, 1/4 * 2/3 of the spring.
    share = 5.0 / (5.0 + 1.0 / 6.0)
    assert lag.loc["front_bar", "first"] == pytest.approx(share, abs=1e-12)
    assert lag.loc["front_bar", "shapley"] == pytest.approx(share, abs=1e-12)
    assert lag.loc["rear_spring", "total"] == pytest.approx(1 - share, abs=1e-12)
    flat = frame[frame.metric == "bite_pct"]
    assert flat.constant.all() and flat["first"].isna().all() and flat["shapley"].isna().all()
    assert frame["first_low"].isna().all() and frame["effect_per_step"].isna().all()
    assert set(frame["method"]) == {"exact"}


def test_effects_are_matched_by_name():
    """Catches effects pasted by position when the metric lists differ in order."""
    result = run()
    indices = replace(result.indices, metrics=result.indices.metrics[:3], constant=result.indices.constant[:3])
    for name in ("first", "total", "shapley"):
        indices = replace(indices, **{name: getattr(result.indices, name)[:3]})
    backwards = replace(
        result.steps,
        metrics=result.steps.metrics[::-1],
        absolute=result.steps.absolute[::-1],
        signed=result.steps.signed[::-1],
        per_minute=result.steps.per_minute[::-1],
    )
    frame = tables.sensitivity_table(indices, backwards).set_index(["metric", "knob"])
    assert frame.loc[("lag_ms", "front_bar"), "effect_per_step"] == pytest.approx(2.0)
    assert frame.loc[("lag_ms", "front_bar"), "signed_effect_per_step"] == pytest.approx(-2.0)
    assert frame.loc[("lag_ms", "front_bar"), "effect_per_minute"] == pytest.approx(0.5)
    assert frame.loc[("hairpin.roll_deg", "rear_spring"), "effect_per_step"] == pytest.approx(0.0, abs=1e-12)


def test_sampled_indices_carry_their_interval():
    """Catches half widths written as bounds."""
    frame = tables.sensitivity_table(sampled().indices, None)
    row = frame[(frame.metric == "lag_ms") & (frame.knob == "rear_spring")].iloc[0]
    assert row["first_low"] == pytest.approx(row["first"] - 0.04)
    assert row["first_high"] == pytest.approx(row["first"] + 0.04)
    assert row["noise_floor"] == pytest.approx(0.01) and pd.isna(row["shapley"])


def test_under_rules_only_shapley_is_given():
    """Catches zeros in place of indices that have no meaning."""
    frame = tables.sensitivity_table(ruled().indices, ruled().steps)
    assert frame["first"].isna().all() and frame["total"].isna().all() and frame["shapley"].notna().all()
    assert "sensitivity_pairs" not in tables.all_tables(ruled())


def test_an_index_that_is_not_finite_is_loud():
    """Catches a NaN index that turns into a missing cell."""
    indices = run().indices
    bad = indices.first.copy()
    bad[0, 0] = np.nan
    with pytest.raises(ValueError, match="not finite"):
        tables.sensitivity_table(replace(indices, first=bad), None)


def test_each_pair_once():
    """Catches pairs counted twice or with themselves."""
    frame = tables.pairs_table(run().indices)
    assert frame[["metric", "knob_a", "knob_b"]].values.tolist() == [
        [name, "front_bar", "rear_spring"] for name in ("lag_ms", "grip_margin_pct", "hairpin.roll_deg")
    ]
    # bar * spring centred: variance 5/4 * 2/3, of grip -b - bs + 3s with main effects -2b and 3/2 s.
    interaction = 5 / 4 * 2 / 3
    whole = 4 * 5 / 4 + 2.25 * 2 / 3 + interaction
    assert frame["pair"].tolist() == pytest.approx([0.0, interaction / whole, 0.0], abs=1e-12)


def test_one_change_leaves_out_codes_and_answers_it_does_not_have():
    """Catches a zero where the model had no answer, and a change of a code."""
    frame = tables.one_change_table(run().one_change)
    assert not frame.metric.str.contains("limited_by|state|lift_axle").any()
    up = frame[(frame.to == "1.2") & (frame.metric == "lag_ms")].iloc[0]
    assert (up["baseline"], up["value"], up["change"], up["change_in_resolutions"]) == (27.5, 25.5, -2.0, -4.0)
    missing = frame[frame.to == "0.72"]
    assert missing["change"].isna().all() and missing["value"].isna().all() and not missing["answered"].any()
    assert not frame[frame.to == "0.45"]["allowed"].any()


def test_the_shortlist_holds_parts_margins_and_metrics():
    """Catches margins in resolutions where metric units are promised, and metrics read from another row."""
    frame = tables.shortlist_table(run())
    assert frame["rank"].tolist() == [1, 2] and frame["front_bar"].tolist() == ["1.4", "1.0"]
    assert frame["margin hairpin.roll_deg at most 3"].tolist() == pytest.approx([2.0, 0.0])
    assert frame["hairpin.balance_pct"].tolist() == [-1.0, 1.0]
    assert frame["build_share"].tolist() == [0.55, 1.0] and frame["kind"].tolist() == ["extreme", "extreme, balanced"]
    assert frame["changes"][1] == f"rear spring {HOSTILE} to 0.72"


def test_nothing_feasible_has_no_rank():
    """Catches a setup that breaks a limit and yet is ranked."""
    frame = tables.shortlist_table(nothing())
    assert frame["rank"].isna().all() and frame["missed_by"].tolist() == [15.0] and frame["build_share"].isna().all()
    assert len(tables.all_tables(nothing())["front"]) == 0


def test_a_map_row_says_where_it_stands():
    """Catches x and y swapped, and a value in the cell that has none."""
    frame = tables.map_table(run().maps[0], run().space)
    assert frame["front_bar"].tolist()[:5] == ["none", "1.0", "1.2", "1.4", "none"]
    assert frame["hairpin.balance_pct"].tolist()[:5] == [0.0, -1.0, -2.0, -3.0, 1.0]
    assert pd.isna(frame["hairpin.balance_pct"].iloc[-1]) and not frame["allowed"].iloc[-1]
    assert frame["breaks_most"].iloc[0] == "hairpin: roll angle at most 3 deg"
    assert frame["feasible"].sum() == 5


def test_metrics_table_has_every_setup_with_categories():
    """Catches level codes in place of labels, and a dropped column."""
    frame = tables.metrics_table(run().table)
    assert len(frame) == 12 and list(frame["front_bar"].cat.categories) == ["none", "1.0", "1.2", "1.4"]
    assert list(frame.columns[3:]) == list(run().table.columns) and frame["valid"].all()
    assert frame["front_bar"].tolist()[3] == "1.0" and frame["lag_ms"].tolist()[3] == 28.0


def test_limits_count_what_meets_them():
    """Catches the count of those that break a limit given as those that meet it."""
    frame = tables.limits_table(run().counts)
    assert frame["meet"].tolist() == [9, 8] and frame["break"].tolist() == [3, 4]
    assert frame["break_only_this"].tolist() == [2, 3] and frame["setups"].tolist() == [12, 12]


@pytest.mark.parametrize("make", [run, nothing, ruled, sampled])
def test_the_same_run_gives_the_same_bytes(make):
    """Catches tables whose order or digits depend on the hour or on a hash seed."""
    once = {stem: csv_bytes(frame) for stem, frame in tables.all_tables(make()).items()}
    again = {stem: csv_bytes(frame) for stem, frame in tables.all_tables(make()).items()}
    assert once == again and {"front", "shortlist", "one_change", "limits", "sensitivity"} <= set(once)


def test_every_assumption_is_in_the_table():
    """Catches a cut after the rows the report shows, and an index change at the wrong knob."""
    frame = tables.assumptions_table(run().assumed)
    assert len(frame) == 2 * 2 * 2
    grip = frame[(frame.assumption == "grip | level") & (frame.objective == "lag_ms") & (frame.knob == "rear_spring")]
    assert grip["index_change"].tolist() == [0.3] and grip["balanced_setup_moves"].tolist() == ["front_bar 1.0 to none"]
    assert grip["shortlist_still_on_front"].tolist() == [0.5]
