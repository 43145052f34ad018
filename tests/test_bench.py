"""The benchmark's own arithmetic: ratios judged on the right side, spaces grown to size, failures loud."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from explorer.bench import Figures, Ratio, command_times, grown, measure
from explorer.bench_page import page, ratio_of, ratios_table
from explorer.config import load_study
from explorer.errors import ExplorerError
from explorer.study.evaluate import table_of

DEMO = Path(__file__).parents[1] / "configs" / "demo.toml"


def test_ratios_are_judged_on_their_side() -> None:
    """Catches a bar met by missing it, and a median over the wrong task."""
    fast = Figures("a", (1.0, 2.0, 1.5), (1.0, 1.0, 1.0), 0, {})
    slow = Figures("b", (16.0, 15.0, 30.0), (1.0, 1.0, 1.0), 0, {})
    under = ratio_of("a over b", fast, slow, 1 / 8, True)
    assert under.value == pytest.approx(1.5 / 16) and under.met
    assert (under.low, under.high) == (pytest.approx(1 / 30), pytest.approx(2 / 15))
    assert not Ratio("x", 0.2, 0.2, 0.2, 1 / 8, True).met
    assert Ratio("x", 2.0, 2.0, 2.0, 1.8, False).met and not Ratio("x", 1.7, 1.7, 1.7, 1.8, False).met
    missed = Ratio("slow thing", 0.2, 0.2, 0.2, 1 / 8, True)
    assert ratios_table([missed])["met"].tolist() == [False]
    text = page([missed], [], ["10^8: not run"], "demo.toml")
    assert "| slow thing | 0.2 | 0.2 to 0.2 | at most 0.125 | missed |" in text and "- 10^8: not run" in text


def test_a_grown_space_has_its_size_and_still_answers() -> None:
    """Catches levels outside the old range and a baseline that is lost."""
    space = load_study(DEMO).space
    large = grown(space, 1_000_000)
    assert 0.9e6 < large.size < 1.1e6
    for knob, old in zip(large.knobs, space.knobs, strict=True):
        assert (knob.settings[0], knob.settings[-1]) == (old.settings[0], old.settings[-1])
    assert table_of(large, np.array([large.baseline])).valid.all()


def test_a_task_or_command_that_fails_is_loud() -> None:
    """Catches a quick failure counted as a quick command."""
    with pytest.raises(ExplorerError, match="benchmark front failed"):
        measure("front", "no_such_study.toml", repeats=1)
    with pytest.raises(ExplorerError, match="failed with code 2"):
        command_times(["show", "no_such_study.toml"], repeats=1)
