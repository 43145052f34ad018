"""Words: rounding, units, and names that try to break a table."""

from dataclasses import replace

import numpy as np
import pytest
from sample_run import BAR, HEIGHT, HOSTILE, LIMITS, metric_map, run, space, table

from explorer.domain.space import Limit, Objective
from explorer.report import words
from explorer.study.everything.wishes import Nearest, ResolvedWish, WishLine


def test_hostile_names_stay_one_harmless_cell():
    """Catches a part name with | or a newline that splits a table row, and a tag that reaches the page."""
    assert words.escape(HOSTILE) == r"soft \| \<b\> =x"
    assert words.escape("a\\|b") == r"a\\\|b"
    assert words.escape("[x](javascript:1) `c` _d_ #e") == r"\[x\](javascript:1) \`c\` \_d\_ \#e"
    assert words.escape("left\u202eright\x1b[1m") == r"leftright\[1m"


def test_a_table_has_as_many_cells_as_headers_in_every_row():
    """Catches unescaped cells and a short row that markdown would pad in silence."""
    text = words.table(["knob | x", "n"], [["a|b", 1], ["c\nd", 2]], right=(1,))
    assert text.splitlines() == ["| knob \\| x | n |", "| --- | ---: |", "| a\\|b | 1 |", "| c d | 2 |"]
    with pytest.raises(ValueError, match="1 cells under 2"):
        words.table(["a", "b"], [["only"]])


def test_file_stems_hold_no_path():
    """Catches a knob name that climbs out of the results folder."""
    assert words.file_stem("../../etc/passwd") == "etc_passwd"
    assert words.file_stem("a b|c.d") == "a_b_c_d"
    assert words.file_stem("|||") == "unnamed"
    assert len(words.file_stem("x" * 500)) == 120


def test_two_maps_of_one_kind_get_two_stems():
    """Catches a second map that overwrites the first."""
    one = metric_map(table(space()))
    stems = words.map_stems((one, one, replace(one, others="best")))
    assert stems[0] == "map_front_bar_rear_spring_hairpin_balance_pct" and len(set(stems)) == 3
    assert stems[2].endswith("_best")


def test_numbers_are_rounded_to_what_can_be_felt():
    """Catches "-0.0", eight digits of lag, and a code shown as a number."""
    assert words.metric_value("lag_ms", 20.04999) == "20.0 ms"
    assert words.metric_value("lag_ms", -0.01, sign=True) == "0.0 ms"
    assert words.metric_value("hairpin.balance_pct", 1.26, sign=True) == "+1.3 %"
    assert words.metric_value("hairpin.front_inner_load_n", 1.2345) == "1.23 N"
    assert words.metric_value("hairpin.limited_by", 1.0) == "rear grip"


def test_limits_and_levels_in_words():
    """Catches a bound rounded to the wrong side of sense, a wrong sign of the offset, and "none mm"."""
    assert words.resolved_text(replace(LIMITS[0], bound=3.25)) == "hairpin: roll angle at most 3.25 deg"
    assert words.resolved_text(replace(LIMITS[1], bound=100.0)) == "clearance (worst phase) at least 100 mm"
    assert words.origin_text(Limit("lag_ms", "at_most", -2.0, "baseline")) == "2.0 ms below the baseline's"
    assert words.origin_text(Limit("lag_ms", "at_most", 2.0, "liked")) == "2.0 ms above that of the liked setup liked"
    quarter = words.origin_text(Limit("sweep.roll_deg", "at_most", 0.25, "baseline"))
    assert quarter == "0.25 deg above the baseline's"  # not rounded to the metric's resolution
    assert words.origin_text(Limit("lag_ms", "at_most", 2.0)) == ""
    assert words.setting_label(BAR, "none") == "none" and words.setting_label(BAR, "1.2") == "1.2 mm"
    assert words.knob_label(HEIGHT, unit=True) == "ride height, mm"


def test_tolerances_in_the_units_of_the_knob():
    """Catches 0.2 mm shown as 0.0002, and a bar's tolerance in N/m passed off as millimetres."""
    assert words.tolerance_text(HEIGHT) == "± 0.2 mm"
    assert (
        words.tolerance_text(replace(BAR, settings=((0.0,),) * 3 + ((900.0,),), tolerance_absolute=50.0)) == "± 50 (SI)"
    )
    assert words.tolerance_text(replace(BAR, tolerance_relative=0.05)) == "± 5 %"
    assert words.tolerance_text(BAR) == "none given"


def test_room_that_rounds_to_nothing_is_not_called_nothing():
    """Catches "0.0 deg to spare" on a setup that keeps its limit."""
    assert words.room_text("hairpin.roll_deg", 0.004) == "under 0.1 deg"
    assert words.room_text("hairpin.roll_deg", 0.26) == "0.3 deg"
    assert words.room_text("hairpin.balance_pct", 0.1) == "under 0.5 %"


def test_key_metrics_start_with_objectives_and_limits_without_repeats():
    """Catches a list that leaves out what the study asks about."""
    names = words.key_metrics(run().space, 6)
    assert names[:4] == ("lag_ms", "grip_margin_pct", "hairpin.roll_deg", "clearance_mm")
    assert len(names) == len(set(names)) == 6


def test_few_is_not_none_and_most_is_not_all():
    """Catches "0 %" for one setup in a million and "100 %" with some left out."""
    assert words.share_text(1, 1_000_000) == "under 0.1 %"
    assert words.share_text(999_999, 1_000_000) == "over 99.9 %"
    assert words.share_text(0, 0) == "0 %"


def test_wishes_in_words():
    """Catches a wish that is met called missed, an amount without its side, and a share without its owner."""
    where = space()
    roll = ResolvedWish("sweep.roll_deg", "", "at_least", 2.4, 0.3, 1.0, "deg", 3.0, "home", 0.8)
    lag = ResolvedWish("lag_ms", "", "near", 90.0, 5.0, 1.0, "ms", 80.0, "home", None)
    bar = ResolvedWish("", BAR.name, "at_most", 1.2, 0.1, 1.0, "mm", None, "", None)
    assert words.wish_text(roll, where) == "sweep: roll angle at least 0.8 of that of home (2.40 deg)"
    assert words.wish_text(bar, where) == "front bar at most 1.20 mm"
    line = WishLine(roll, 1.65, 2.5, 0.55)
    assert words.short_text(line) == "0.75 deg short" and words.short_text(WishLine(roll, 3.0, 0.0, 1.0)) == "met"
    assert words.wish_line(line, where).endswith("(2.40 deg): not met, 0.75 deg short at 1.65 deg, 0.55 of it")
    told = words.wish_line(WishLine(lag, 80.0, 2.0, 1.0), where)
    assert told == "response lag near 90.0 ms (from home): not met, 10.0 ms under at 80.0 ms"
    little = words.wish_line(WishLine(lag, 88.0, 0.4, 1.0), where)
    assert little.endswith("met as far as is felt, 2.0 ms under at 88.0 ms")
    found = Nearest(line, np.zeros(2), ((BAR.name, BAR.labels[1], BAR.labels[0]),))
    said = words.nearest_text(found, where)
    assert "cannot be had here within the limits: the nearest is the baseline with front bar" in said
    assert said.endswith("with 1.65 deg, 0.55 of it")


def test_what_takes_no_part_is_said():
    """Catches an objective that vanishes without a word."""
    objectives = (Objective("lag_ms", -1, 5.0), Objective("lift_margin_pct", 1, 2.0))
    assert words.dropped_text((), objectives) == ""
    assert words.dropped_text(("lag_ms",), objectives).endswith("response lag (felt from 5 ms on), which takes no part")
    assert "counted up to 25 %" in words.dropped_text(("lift_margin_pct",), objectives)
