"""Two setups side by side: signs, matching by name, and what differs in the box."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import study_toy as toy

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import Limit, Space
from explorer.inputs.load import load_study
from explorer.study.compare.setups import Comparison, compare, compare_studies
from explorer.study.everything.evaluate import table_of
from explorer.study.everything.limits import feasible, resolve_limits

CONFIGS = Path(__file__).parents[3] / "configs"


def lines(found: Comparison) -> dict:
    return {line.metric: line for line in found.lines}


def exchanged(found: Comparison) -> Comparison:
    """What the comparison the other way round must be."""
    turned = {"a": "b", "b": "a", "": ""}

    def part(one):
        return dataclasses.replace(one, a=one.b, b=one.a)

    return Comparison(
        name_a=found.name_b,
        name_b=found.name_a,
        labels_a=found.labels_b,
        labels_b=found.labels_a,
        lines=tuple(
            dataclasses.replace(
                one,
                a=one.b,
                b=one.a,
                difference=-one.difference,
                resolutions=-one.resolutions,
                better=turned[one.better],
                word_a=one.word_b,
                word_b=one.word_a,
            )
            for one in found.lines
        ),
        parts=tuple(part(one) for one in found.parts),
        minutes=found.minutes,
        only_a=found.only_b,
        only_b=found.only_a,
        knobs_only_a=tuple(part(one) for one in found.knobs_only_b),
        knobs_only_b=tuple(part(one) for one in found.knobs_only_a),
        other_numbers=found.other_numbers,
        kept_a=found.kept_b,
        kept_b=found.kept_a,
        broken_a=found.broken_b,
        broken_b=found.broken_a,
    )


@pytest.fixture(scope="module")
def turf() -> Space:
    return load_study(CONFIGS / "4wd_turf.toml").space


def test_exchanging_the_two_turns_every_sign(bars_and_springs, turf):
    """Catches a difference, a verdict or a list that favours one side. Across cars, grounds and boxes of parts."""
    rng = np.random.default_rng(2)
    limits, other_limits = resolve_limits(bars_and_springs), resolve_limits(turf)
    verdicts = 0
    for _ in range(8):
        one = bars_and_springs.positions_of(rng.integers(0, bars_and_springs.size, 1))[0]
        two = bars_and_springs.positions_of(rng.integers(0, bars_and_springs.size, 1))[0]
        away = turf.positions_of(rng.integers(0, turf.size, 1))[0]
        for first, second in (
            ((bars_and_springs, one, limits), (bars_and_springs, two, limits)),
            ((bars_and_springs, one, limits), (turf, away, other_limits)),
        ):
            found = compare(first[0], first[1], second[0], second[1], first[2], second[2])
            back = compare(second[0], second[1], first[0], first[1], second[2], first[2])
            assert back == exchanged(found)
            verdicts += found.better_a + found.better_b
            assert (found.better_a, found.better_b) == (back.better_b, back.better_a)
            for line in found.lines:
                assert np.isfinite([line.a, line.b, line.difference, line.resolutions]).all()
            for space, place, said, kept, broken in (
                (*first[:2], first[2], found.kept_a, found.broken_a),
                (*second[:2], second[2], found.kept_b, found.broken_b),
            ):
                assert kept == feasible(said, table_of(space, place[None, :]))[0] == (not broken)
    assert verdicts > 50


def test_a_setup_beside_itself_differs_in_nothing(bars_and_springs):
    """Catches rounding called a difference, and a part listed that stands the same."""
    start = np.array(bars_and_springs.baseline)
    found = compare(bars_and_springs, start, bars_and_springs, start)
    assert found.parts == () and found.minutes == 0.0 and found.other_numbers == ()
    assert all(line.difference == 0.0 and line.better == "" for line in found.lines)
    assert len(found.lines) == len(table_of(bars_and_springs, start[None, :]).columns)


def test_values_verdicts_and_work(use_model):
    """Catches b less a turned round, a difference too small to feel called better, a metric without a direction given
    one, work at the wrong knob's minutes, and a code without its word."""
    use_model(
        {
            "lag_ms": lambda p: 40 + p[:, 0],
            "bite_pct": lambda p: p[:, 1],
            "roll_damping_ratio": lambda p: p[:, 1],
            "response_state": lambda p: (p[:, 0] > 2).astype(float),
            "sweep.clearance_mm": lambda p: -0.01 * p[:, 0],
        }
    )
    where = toy.space(
        [toy.knob(0, (1, 3), minutes=4.0), toy.knob(1, (0, 8), minutes=7.0), toy.knob(2, (0, 1), minutes=9.0)],
        limits=[Limit("lag_ms", "at_most", 42.0)],
    )
    limits = resolve_limits(where)
    found = compare(where, np.zeros(3), where, np.array([1.0, 1.0, 0.0]), limits, limits)
    lag, bite, damping = (lines(found)[name] for name in ("lag_ms", "bite_pct", "roll_damping_ratio"))
    assert (lag.a, lag.b, lag.difference, lag.resolutions, lag.better) == (41.0, 43.0, 2.0, 0.4, "")
    assert (bite.difference, bite.better, damping.resolutions, damping.better) == (8.0, "b", 400.0, "")
    clearance = lines(found)["sweep.clearance_mm"]
    assert clearance.resolutions == pytest.approx(-0.04) and clearance.better == ""
    assert clearance.label == "sweep: clearance" and clearance.unit == "mm"
    state = lines(found)["response_state"]
    assert (state.word_a, state.word_b, lag.word_a) == ("stable", "unstable", "")
    assert [(part.knob, part.a, part.b, part.minutes) for part in found.parts] == [
        ("k0", "1", "3", 4),
        ("k1", "0", "8", 7),
    ]
    assert found.minutes == 11.0 and found.kept_a and not found.kept_b and "lag_ms" in found.broken_b[0]


def test_what_has_no_partner_is_named(bars_and_springs):
    """Catches phases paired by place, and a knob that one study lacks counted as work or passed over."""
    names = ("sweep", "entry", "hairpin", "kink")
    other = dataclasses.replace(bars_and_springs, phase_names=names)
    knobs = list(other.knobs)
    knobs[0] = dataclasses.replace(knobs[0], name="front_roll_bar")
    knobs[1] = dataclasses.replace(knobs[1], minutes=30.0)
    knobs[2] = dataclasses.replace(knobs[2], settings=tuple((2 * s[0],) for s in knobs[2].settings))
    other = dataclasses.replace(other, knobs=tuple(knobs), limits=())
    start = np.array(other.baseline)
    moved = start.copy()
    moved[1] += 1
    found = compare(bars_and_springs, start, other, moved)
    assert found.only_a == ("exit",) and found.only_b == ("kink",)
    there = table_of(other, moved[None, :])
    here = table_of(bars_and_springs, start[None, :])
    for metric in ("hairpin.balance_pct", "entry.roll_deg"):
        assert lines(found)[metric].a == here.column(metric)[0] and lines(found)[metric].b == there.column(metric)[0]
    assert not any(line.metric.startswith(("exit.", "kink.")) for line in found.lines)
    assert [part.knob for part in found.knobs_only_a] == ["front_bar"]
    assert [part.knob for part in found.knobs_only_b] == ["front_roll_bar"]
    assert [(part.knob, part.minutes) for part in found.parts] == [(other.knobs[1].name, 30.0)]
    assert found.minutes == 30.0 and found.other_numbers == (other.knobs[2].name,)


def test_studies_as_a_whole(use_model):
    """Catches levels paired by place, a number written in another way taken for another level, a range passed over,
    and a knob of one study lost."""
    use_model({"lag_ms": lambda p: 40 + p[:, 0]})
    first = toy.space([toy.knob(0, (1, 2, 3)), toy.knob(1, (0, 5), continuous=True), toy.knob(2, (0, 1))])
    written = dataclasses.replace(toy.knob(0, (2, 3, 4)), labels=("2.0", "3.00", "4"))
    second = toy.space([toy.knob(4, (0, 1)), toy.knob(1, (0, 5), continuous=True), written], baseline=(0.0, 0.5, 1.0))
    found = compare_studies(first, second)
    assert found.knobs_only_a == ("k2",) and found.knobs_only_b == ("k4",)
    assert [(one.knob, one.only_a, one.only_b, one.both) for one in found.levels] == [
        ("k0", ("1",), ("4",), ("2", "3")),
        ("k1", (), (), ("0 to 5",)),
    ]
    assert lines(found.baselines)["lag_ms"].difference == 2.0
    assert [(part.knob, part.a, part.b) for part in found.baselines.parts] == [("k0", "1", "3.00"), ("k1", "0", "2.5")]
    same = compare(first, np.array([1.0, 0.0, 0.0]), second, np.array([0.0, 0.0, 0.0]))
    assert same.parts == ()


def test_no_answer_is_said(use_model):
    """Catches the zeros of a setup without an answer compared as if they were its metrics."""
    use_model({}, valid=lambda p: p[:, 0] < 2)
    where = toy.space([toy.knob(0, (1, 3))])
    where = dataclasses.replace(where, phases=np.array([[2.0, 0.0, 0.5, 0.0, 0.0, 1.0, 1.0]]))
    with pytest.raises(ModelError, match="no answer for the second setup"):
        compare(where, np.array([0.0]), where, np.array([1.0]))
    with pytest.raises(SpaceError, match="the first setup needs 1 positions"):
        compare(where, np.zeros(2), where, np.array([0.0]))
