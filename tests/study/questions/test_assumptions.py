"""Which assumption would change the advice."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from explorer.domain.space import Assumption, Rule, Space
from explorer.model.car.slots import SLOT, WISHBONE
from explorer.study.everything.evaluate import Scenarios, evaluate, evaluate_all
from explorer.study.questions.assumptions import assumption_effects, moved_space, movers, thinned_space
from explorer.study.questions.exact import exact_indices


@pytest.fixture
def dusty(bars_and_springs: Space) -> Space:
    return bars_and_springs


def test_thinned_space_keeps_ends_and_baseline(dusty: Space) -> None:
    """Catches a baseline lost between levels, ends cut off, and settings that no longer belong to their label.

    Seen red: the held levels left out of `_levels`."""
    small = thinned_space(dusty, 200)
    assert small.size <= 200 < dusty.size and small.size > 100
    for knob, old, place, was in zip(small.knobs, dusty.knobs, small.baseline, dusty.baseline, strict=True):
        assert knob.labels[0] == old.labels[0] and knob.labels[-1] == old.labels[-1]
        assert knob.label_at(place) == old.label_at(was)
        for label, setting in zip(knob.labels, knob.settings, strict=True):
            assert setting == old.settings[old.labels.index(label)]
    liked = small.references[0].positions
    assert small.labels(np.array(liked)) == dusty.labels(np.array(dusty.references[0].positions))
    assert thinned_space(dusty, 10**9).size == dusty.size


def test_thinned_space_of_a_continuous_knob(dusty: Space) -> None:
    """Catches a continuous knob that drops out of the question, and a level off its setting."""
    low, high = dusty.knobs[2].settings[0], dusty.knobs[2].settings[-1]
    slope = dataclasses.replace(
        dusty.knobs[2], continuous=True, labels=(), values=(0.55, 0.88), settings=(low, high), unit="N/mm"
    )
    open_ended = dataclasses.replace(
        dusty,
        knobs=(*dusty.knobs[:2], slope, dusty.knobs[3]),
        baseline=(*dusty.baseline[:2], 0.3, dusty.baseline[3]),
        references=(),
    )
    small = thinned_space(open_ended, 300)
    assert small.enumerable and small.knobs[2].size >= 3
    at = int(small.baseline[2])
    assert small.knobs[2].settings[at][0] == pytest.approx(low[0] + 0.3 * (high[0] - low[0]), rel=1e-12)


def test_thinned_rules_speak_of_levels_that_are_left(dusty: Space) -> None:
    """Catches a rule over a level that was thinned away, which nothing could look up."""
    rules = (
        Rule("gone", (("front_bar", ("1.3",)),), (("rear_bar", ("1.3",)),)),
        Rule("stays", (("front_bar", ("none", "1.3")),), (("rear_bar", ("none", "2.4")),)),
    )
    small = thinned_space(dataclasses.replace(dusty, rules=rules), 100)
    assert "1.3" not in small.knobs[0].labels, small.knobs[0].labels
    assert [rule.reason for rule in small.rules] == ["stays"]
    assert small.rules[0].when == (("front_bar", ("none",)),) and 0 < small.size < small.full_size


def test_moving_the_space_is_a_scenario(dusty: Space) -> None:
    """The moved study and the scenario axis of `evaluate` are two roads to the same numbers. Catches a factor that
    knobs overwrite. Seen red: knob settings left unscaled in `moved_space`."""
    slots = (SLOT["load_sensitivity"], SLOT["front_bar_rate"], SLOT["cg_height"])
    factor = np.array([1.3, 0.8, 1.05])
    moved = evaluate_all(moved_space(dusty, slots, factor))
    case = Scenarios(np.array(slots), factor[None, :], np.zeros((1, 3)), np.ones(1))
    values, valid = evaluate(dusty, 0, dusty.size, case)
    assert valid.all() and moved.valid.all()
    np.testing.assert_allclose(moved.values, values[0], rtol=1e-12, atol=1e-12)


def test_movers_cover_every_spread_in_si(dusty: Space) -> None:
    """Catches a spread in the file's unit added to SI, an end forgotten, and a spread of zero asked about."""
    assumptions = (
        Assumption("front_damping_n_s_per_m", 8.0, 4.0, ""),
        Assumption("rear_damping_n_s_per_m", 10.0, 4.0, ""),
        Assumption("patch_lean_deg", 1.0, 1.0, ""),
        Assumption("reference_load_n", 4.0, 0.0, ""),
        Assumption("front_camber_gain_deg_per_mm", 0.2, 0.1, ""),
    )
    found = {one.name: one for one in movers(dataclasses.replace(dusty, assumptions=assumptions))}
    damping = found["damping"]
    assert damping.slots == (SLOT["front_damping"], SLOT["rear_damping"])
    np.testing.assert_allclose(damping.low_factor, [0.5, 0.6])
    np.testing.assert_allclose(damping.high_factor, [1.5, 1.4])
    assert found["patch lean"].low_factor[0] == pytest.approx(0.1)  # never to nothing
    assert found["front camber gain"].slots == (SLOT["front_camber_gain"],)
    assert (damping.low_offset == 0.0).all() and (damping.high_offset == 0.0).all()
    measured = {"height of the centre of gravity", "tyre stiffness"}  # wheels lean with the body only on beams
    assert set(found) == {"damping", "patch lean", "front camber gain"} | measured


def test_a_best_guess_of_nothing_moves_by_an_offset(dusty: Space) -> None:
    """Catches an assumption of 0 left out or moved by a factor, an offset left in degrees and millimetres, a tyre that
    gives less than nothing, and the stand-in for leaning wheels on a car whose wheels do lean."""
    assumptions = (
        Assumption("front_camber_gain_slope_deg_per_mm2", 0.0, 0.008, ""),
        Assumption("rear_camber_gain_slope_deg_per_mm2", 0.004, 0.008, ""),
        Assumption("front_tyre_side_compliance_mm_per_n", 0.0, 0.125, ""),
    )
    base = dusty.base.copy()
    base[SLOT["axle_law"]] = WISHBONE
    base[SLOT["rear_camber_gain_slope"]] = np.radians(0.004) * 1e6
    links = dataclasses.replace(dusty, base=base, assumptions=assumptions)
    found = {one.name: one for one in movers(links)}
    assert "wheels that lean with the body" not in found
    slope, give = found["camber gain slope"], found["front tyre side compliance"]
    assert slope.text == "-0.008 to 0.008 deg/mm2 at both ends" and give.text == "0 to 0.125 mm/N"
    ends = [moved_space(links, slope.slots, *pair).base for pair in (
        (slope.low_factor, slope.low_offset), (slope.high_factor, slope.high_offset)
    )]  # fmt: skip
    for end, front, rear in zip(ends, (-0.008, 0.008), (0.0004, 0.012), strict=True):
        assert end[SLOT["front_camber_gain_slope"]] == pytest.approx(np.radians(front) * 1e6)
        assert end[SLOT["rear_camber_gain_slope"]] == pytest.approx(np.radians(rear) * 1e6)
    assert give.low_offset[0] == 0.0 and give.high_offset[0] == pytest.approx(0.125e-3)


def test_effects_of_a_few_assumptions(dusty: Space) -> None:
    """An input that does nothing costs nothing; the change of an index equals the indices worked out anew. Catches a
    comparison of the moved study with itself. Seen red: `_advice(space)` for `_advice(there)` in `_effect`."""
    few = dataclasses.replace(
        dusty,
        assumptions=(
            Assumption("front_downforce_share_pct", 40.0, 20.0, ""),
            Assumption("load_sensitivity", 0.15, 0.08, ""),
        ),
    )
    found = assumption_effects(few)
    effects = {one.name: one for one in found.effects}
    idle = effects["front downforce share"]
    assert idle.largest == 0.0 and idle.shortlist_kept == idle.limits_kept == 1.0 and idle.best_moved == ()
    assert found.whole and found.setups == few.size == 1521

    small = thinned_space(few)
    metrics = tuple(objective.metric for objective in few.objectives)
    nominal = exact_indices(evaluate_all(small), metrics).shapley
    ends = [
        exact_indices(evaluate_all(moved_space(small, (SLOT["load_sensitivity"],), np.array([f]))), metrics).shapley
        for f in (0.07 / 0.15, 0.23 / 0.15)
    ]
    by_hand = np.maximum(*(np.abs(end - nominal) for end in ends))
    np.testing.assert_allclose(effects["load sensitivity"].index_change, by_hand, atol=1e-12)
    assert effects["load sensitivity"].largest > 0.02
    assert [one.shortlist_kept for one in found.effects] == sorted(one.shortlist_kept for one in found.effects)


def test_a_typical_number_is_moved_once(dusty: Space) -> None:
    """Catches the usual spread of a measured number asked beside that of a typical one."""
    why = "typical of such cars, not measured: a ruler"
    typical = (Assumption("cg_height_mm", 46.0, 5.0, why), Assumption("rear_tyre_rate_n_per_mm", 3.9, 0.9, why))
    moved = movers(dataclasses.replace(dusty, assumptions=(*dusty.assumptions, *typical)))
    for slot in ("cg_height", "rear_tyre_rate", "front_tyre_rate"):
        assert sum(SLOT[slot] in one.slots for one in moved) == 1
    height = next(one for one in moved if SLOT["cg_height"] in one.slots)
    assert height.high_factor == pytest.approx([51.0 / 46.0])
