"""Edges of the questions: what stands where nothing is, where a bound is met, and what is said on the way."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import study_toy as toy
from scipy.special import ndtri

from explorer.errors import SpaceError
from explorer.model.slots import PHASE_COLUMNS, SLOT
from explorer.planning import Observation, Planning, Unknown
from explorer.space import Limit, Rule, Space
from explorer.study.assumptions import _cut_rules, movers
from explorer.study.evaluate import evaluate_all, table_of
from explorer.study.exact import exact_indices
from explorer.study.ladder import ladder
from explorer.study.learning import excluding_pairs, learn, opposite, rejuvenate
from explorer.study.limits import margins, resolve_limits
from explorer.study.maps import map_metric
from explorer.study.plan import thinned
from explorer.study.practice import Predicted, lift_margin
from explorer.study.sanity import suspicions
from explorer.study.scenarios import draw, draws_at, weighted
from explorer.study.sobol import sampled_indices
from explorer.study.split import GROUPS, first_order
from explorer.study.worth import worth_of

ONE = np.ones(1)
PLAIN = {"lag_ms": lambda p: 10.0 + p[:, 0] * p[:, 1], "grip_margin_pct": lambda p: p[:, 0] - p[:, 1]}


def toy_unknown(slot: int) -> Unknown:
    return Unknown(f"u{slot}", "", (slot,), (1.0,), (0.4,), (0.0,), (9.0,), "uniform", True, "made up")


# ---- what is said on the way


def steps_of(steps: list[tuple[str, int, int]]) -> None:
    """Progress that never goes back, never overshoots and ends at the whole."""
    assert steps and len({(text, whole) for text, _, whole in steps}) == 1
    done = [now for _, now, _ in steps]
    assert done == sorted(done) and done[0] >= 0 and done[-1] == steps[-1][2]


def test_progress_ends_at_the_whole(use_model) -> None:
    """Catches a bar that stands still, runs backwards or past its end."""
    use_model(PLAIN)
    rule = Rule("does not fit", when=(("k0", ("4",)),), only=(("k1", ("1", "2")),))
    steps: list[tuple[str, int, int]] = []
    for rules in ((), (rule,)):
        where = toy.space([toy.knob(0, range(5)), toy.knob(1, range(4))], rules=rules)
        table = evaluate_all(where, lambda *step: steps.append(step))
        steps_of(steps)
        steps.clear()
        exact_indices(table, ("lag_ms", "grip_margin_pct"), lambda *step: steps.append(step))
        steps_of(steps)
        steps.clear()
    rng = np.random.default_rng(5)
    points = rng.random((256, 2))
    found = rejuvenate(
        points, np.full(256, 1 / 256), lambda p: -20.0 * (ndtri(p) ** 2).sum(axis=1), rng, lambda *s: steps.append(s)
    )
    assert found.stages == len(steps) > 1
    steps_of(steps)


# ---- practice and learning


def reading(value: float, error: float, kind: str = "roll", phase: str = "sweep") -> Observation:
    return Observation(kind, phase, (0.0,), f"{kind} {value:g}", value, error)


def test_readings_are_opposite_past_three_joint_errors() -> None:
    """Catches errors added instead of joined, and another number of them: 3 and 4 joined are 5."""
    first = reading(10.0, 3.0)
    for apart, told in ((14.9, False), (15.1, True), (-14.9, False), (-15.1, True)):
        assert opposite(first, reading(10.0 + apart, 4.0)) is told
    assert not opposite(first, reading(99.0, 4.0, phase="exit")) and not opposite(first, reading(99.0, 4.0, "lateral"))
    setup = dataclasses.replace(reading(99.0, 4.0), positions=(1.0,))
    assert not opposite(first, setup)


def test_only_opposite_reports_of_one_thing_are_named() -> None:
    """Catches every pair of one group named as soon as any is, and a report held against itself: three readings that
    agree and one that does not."""
    seen = (reading(2.0, 0.5), reading(2.1, 0.5), reading(2.2, 0.5), reading(9.0, 0.5))
    numbers = np.tile(np.linspace(1.0, 10.0, 200), (4, 1))
    told = Predicted(numbers, np.ones(numbers.shape, dtype=bool))
    assert excluding_pairs(seen[:3], told_of(told, 3), np.full(200, 1 / 200)) == []
    named = {one.observations for one in excluding_pairs(seen, told, np.full(200, 1 / 200))}
    assert named == {(0, 3), (1, 3), (2, 3)}


def told_of(told: Predicted, count: int) -> Predicted:
    return Predicted(told.numbers[:count], told.answered[:count])


def test_a_wheel_that_is_up_lifted_before_the_rollover() -> None:
    """Catches the rollover taken from the wrong side of zero: past a rollover at -4 % a wheel that is up left the
    ground between the first lift at -10 % and that."""
    assert float(lift_margin(ONE < 0, -10 * ONE, -4 * ONE, 0 * ONE, 10 * ONE)[0]) == -7.0
    assert float(lift_margin(ONE < 0, -10 * ONE, 4 * ONE, 0 * ONE, 10 * ONE)[0]) == -5.0


def test_weighing_alone_takes_one_stage_and_leaves_the_points(bars_and_springs: Space) -> None:
    """Catches scenarios called drawn anew that were only weighed, and those drawn anew that are thrown away."""
    grip = SLOT["grip"]
    best = float(bars_and_springs.base[grip])
    what = Unknown("grip", "", (grip,), (best,), (0.2 * best,), (0.1,), (5.0,), "normal", True, "test")
    space = dataclasses.replace(bars_and_springs, unknowns=(what,))
    draws = draw(space, 32)
    grip_seen = Observation("lateral", "sweep", tuple(space.baseline), "a circle", 0.8 * best * 9.8, 0.15)
    for below, stages in ((0.0, 1), (1.0, 2)):
        found = learn(dataclasses.replace(space, planning=Planning(rejuvenate_below=below)), (grip_seen,), draws)
        assert found.rejuvenated == (below == 1.0) and (found.stages == 1 if stages == 1 else found.stages >= 1)
        assert np.array_equal(found.draws.points, draws.points) == (below == 0.0)
        assert np.ptp(found.draws.weights) == pytest.approx(0.0, abs=1e-12) or below == 0.0


def test_few_scenarios_of_equal_standing_are_left_alone() -> None:
    """Catches scenarios drawn again where nothing is gained, and weighted ones passed on as if they were equal."""
    space = dataclasses.replace(toy.space([toy.knob(0, range(3))]), unknowns=(toy_unknown(10),))
    draws = draw(space, 16)
    assert thinned(space, draws, 16) is draws and thinned(space, draws, 99) is draws
    assert len(thinned(space, draws, 8)) == 8
    heavy = weighted(draws, np.array([9.0, *np.ones(15)]))
    fewer = thinned(space, heavy, 24)
    assert fewer is not heavy and fewer.weights.max() == pytest.approx(9.0 / 24.0)


def test_points_on_the_rim_are_refused() -> None:
    """Catches an endless quantile: both ends are left out."""
    space = dataclasses.replace(toy.space([toy.knob(0, range(3))]), unknowns=(toy_unknown(10), toy_unknown(11)))
    inside = np.array([[0.5, 2.0**-40], [1.0 - 2.0**-40, 0.5]])
    assert len(draws_at(space, inside, np.ones(2))) == 2
    for rim in (0.0, 1.0, -0.1, np.nan):
        with pytest.raises(SpaceError, match="between 0 and 1"):
            draws_at(space, np.array([[0.5, rim], [0.5, 0.5]]), np.ones(2))


# ---- shares and worth


def test_the_interval_of_a_share_is_the_jackknife_of_its_groups() -> None:
    """Catches weights of a part that no longer sum to one, an end of the interval cut off, and a wrong factor: each
    group left out in turn, from the shares of the rest alone."""
    rng = np.random.default_rng(6)
    points, weights = rng.random((96, 2)), rng.uniform(0.5, 1.5, 96)
    weights /= weights.sum()
    outcome = (points[:, 0] + 0.9 * points[:, 1] ** 2 + 0.15 * rng.normal(size=96))[:, None]
    found = first_order(points, outcome, weights)
    assert found is not None
    parts = []
    for group in range(GROUPS):
        rest = np.arange(96) % GROUPS != group
        part = first_order(points[rest], outcome[rest], weights[rest] / weights[rest].sum())
        assert part is not None
        parts.append(part[0])
    left = np.stack(parts)
    error = np.sqrt((GROUPS - 1.0) / GROUPS * ((left - left.mean(axis=0)) ** 2).sum(axis=0))
    whole, low, high = found
    assert (low > 0.02).all() and (high < 0.98).all()
    np.testing.assert_allclose(low, whole - 2.0 * error, rtol=1e-9)
    np.testing.assert_allclose(high, whole + 2.0 * error, rtol=1e-9)


def test_nothing_unknown_is_worth_nothing() -> None:
    """Catches a crash where nothing can be asked."""
    found = worth_of(np.random.default_rng(7).random((64, 3)), np.zeros((64, 0)), np.full(64, 1 / 64))
    assert found.asked == () and found.shuffled == 0.0 and found.everything > 0.0


def test_sampled_shapley_effects_use_their_budget(use_model) -> None:
    """Catches lines that are never doubled: with a tolerance that nothing reaches, more than half the budget is spent,
    and none above it."""
    use_model(PLAIN)
    rule = Rule("does not fit", when=(("k0", ("4",)),), only=(("k1", ("1", "2")),))
    knobs = [toy.knob(0, range(5)), toy.knob(1, range(4))]
    where = toy.space(knobs, rules=[rule], sobol_start=64, sobol_budget=12000, sobol_tolerance=1e-9)
    found = sampled_indices(where)
    assert found.method == "sampled Shapley" and 6000 < found.evaluations <= 12000 and not found.converged


# ---- maps, swaps and assumptions


def test_a_cell_without_an_answer_is_zero_and_not_allowed(use_model) -> None:
    """Catches a number where the model has none."""
    use_model({"lag_ms": lambda p: 10 * p[:, 0] + p[:, 1] + 7}, valid=lambda p: p[:, 0] != 1.0)
    found = map_metric(toy.space([toy.knob(0, (0, 1, 2)), toy.knob(1, (0, 1))]), "k0", "k1", "lag_ms")
    np.testing.assert_array_equal(found.values, [[7, 0, 27], [8, 0, 28]])
    assert found.allowed.tolist() == [[True, False, True]] * 2


def test_a_swap_is_told_the_limits_it_breaks_and_no_others(bars_and_springs: Space) -> None:
    """Catches a limit called broken that is kept by little, judged from the table of the swapped setups."""
    space = bars_and_springs
    now = table_of(space, np.array([space.baseline])).row(0)
    near = dataclasses.replace(space, limits=(Limit("lag_ms", "at_most", now["lag_ms"] + 0.2),
                                              Limit("bite_pct", "at_least", now["bite_pct"] - 0.3)))  # fmt: skip
    limits = resolve_limits(near)
    found = ladder(near, limits, None, "slow")
    assert found.broken_now == ()
    broken = margins(limits, table_of(near, np.array([rung.positions for rung in found.rungs]))) < 0.0
    said = [tuple(one.text for one, bad in zip(limits, row, strict=True) if bad) for row in broken]
    assert [rung.broken for rung in found.rungs] == said
    assert any(said) and not all(said)


def test_a_swap_without_an_answer_is_left_out(use_model, bars_and_springs: Space) -> None:
    """Catches a rung of zeros: where the model has no answer there is no cure."""
    column = next(k for k, knob in enumerate(bars_and_springs.knobs) if knob.name == "front_bar")
    knob = bars_and_springs.knobs[column]
    base = float(bars_and_springs.baseline[column])
    dead = np.array(knob.settings)[int(base) + 1]

    def answered(parameters: np.ndarray) -> np.ndarray:
        return ~(np.abs(parameters[:, list(knob.slots)] - dead) < 1e-12).all(axis=1)

    use_model({"lag_ms": lambda p: p[:, SLOT["front_bar_rate"]] / 100.0}, valid=answered)
    space = dataclasses.replace(bars_and_springs, limits=())
    phases = space.phases[:1].copy()
    phases[0, PHASE_COLUMNS.index("is_turn_in")] = 1.0
    found = ladder(dataclasses.replace(space, phase_names=toy.PHASES, phases=phases), (), None, "slow")
    assert [text.split(":")[0] for text in found.left_out] == [f"front_bar to {knob.label_at(base + 1)}"]
    assert "no answer" in found.left_out[0] and found.rungs


def test_every_assumption_is_moved_both_ways(bars_and_springs: Space) -> None:
    """Catches an end that is moved the wrong way or not at all; the tyres by the 15 % that the text says."""
    found = {mover.name: mover for mover in movers(bars_and_springs)}
    for mover in found.values():
        assert (mover.low_factor <= 1.0).all() and (mover.high_factor >= 1.0).all() or (mover.high_factor <= 1.0).all()
        assert (mover.low_factor != 1.0).any() or (mover.high_factor != 1.0).any()
    tyres = found["tyre stiffness"]
    assert tyres.low_factor == pytest.approx(0.85) and tyres.high_factor == pytest.approx(1.15)


def test_rules_over_fewer_levels_forbid_what_they_forbade() -> None:
    """Catches a rule that loses what it leaves, or stays where it can no longer apply."""
    rule = Rule("does not fit", when=(("a", ("1", "2")),), only=(("b", ("x", "y")),))
    assert _cut_rules((rule,), {"a": ("2", "3"), "b": ("y", "z")}) == [
        Rule("does not fit", when=(("a", ("2",)),), only=(("b", ("y",)),))
    ]
    assert _cut_rules((rule,), {"a": ("3",), "b": ("y",)}) == []
    nothing_left = _cut_rules((rule,), {"a": ("1",), "b": ("z",)})
    assert [one.only for one in nothing_left] == [()]


def test_a_share_of_grip_above_what_the_surface_gives_is_odd(bars_and_springs: Space) -> None:
    """Catches a demand in the wrong unit: 300 % of a grip of 0.8 is 2.4 g; and what the hint says to look for."""
    base = bars_and_springs.base.copy()
    base[SLOT["grip"]] = 0.8
    phases = bars_and_springs.phases.copy()
    phases[:, PHASE_COLUMNS.index("speed")] = 0.0
    phases[:, PHASE_COLUMNS.index("grip_share")] = 0.5
    phases[1, PHASE_COLUMNS.index("grip_share")] = 3.0
    space = dataclasses.replace(bars_and_springs, base=base, phases=phases)
    found = [one for one in suspicions(space) if one.phase is not None]
    assert [(one.phase, one.slot, one.found) for one in found] == [(1, "grip_share", "2.4 g sideways")]


@pytest.mark.parametrize(("slot", "value", "words"), [
    ("mass", 0.0557, "was it typed in ounces?"), ("cg_height", 0.46, "is it a place of the decimal point off?"),
])  # fmt: skip
def test_a_slip_is_asked_about_in_words(bars_and_springs: Space, slot: str, value: float, words: str) -> None:
    """Catches "was it typed a place of the decimal point off?"."""
    base = bars_and_springs.base.copy()
    base[SLOT[slot]] = value
    found = [one for one in suspicions(dataclasses.replace(bars_and_springs, base=base)) if one.slot == slot]
    assert len(found) == 1 and found[0].hint.endswith(words), found
