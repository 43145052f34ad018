"""Edges of the questions: what stands where nothing is, where a bound is met, and what is said on the way."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
import study_toy as toy
from scipy.special import ndtri

from explorer.domain.errors import SpaceError
from explorer.domain.space import Limit, Rule, Space
from explorer.domain.unknowns import Planning, Unknown
from explorer.model.car.slots import PHASE_COLUMNS, SLOT
from explorer.study.everything.evaluate import evaluate_all, evaluate_positions, nominal, table_of
from explorer.study.everything.limits import margins, resolve_limits
from explorer.study.everything.shortlist import least_violating
from explorer.study.pits.ladder import ladder
from explorer.study.pits.symptoms import bump_disturbance
from explorer.study.plan.change_plan import MOST_CHANGES, Change, Stop, _notes, _sets
from explorer.study.plan.decision import thinned
from explorer.study.plan.kinds import Better, Lateral, Roll, Speed, lift_margin
from explorer.study.plan.learning import _alone, excluding_pairs, learn, rejuvenate
from explorer.study.plan.practice import Predicted, predict
from explorer.study.plan.reports import Report
from explorer.study.plan.robust import FIGURES, figure_table
from explorer.study.plan.scenario_pass import outcomes_of, question
from explorer.study.plan.scenarios import draw, draws_at, weighted
from explorer.study.plan.split import GROUPS, first_order
from explorer.study.plan.worth import worth_of
from explorer.study.questions.assumptions import _cut_rules, _levels, movers
from explorer.study.questions.exact import exact_indices
from explorer.study.questions.maps import map_metric
from explorer.study.questions.sanity import suspicions
from explorer.study.questions.sobol import sampled_indices

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


def reading(value: float, error: float, kind: type[Report] = Roll, phase: str = "sweep") -> Report:
    return kind(phase, (0.0,), f"{kind.__name__} {value:g}", value, error)


def test_readings_are_opposite_past_three_joint_errors() -> None:
    """Catches errors added instead of joined, and another number of them: 3 and 4 joined are 5."""
    first = reading(10.0, 3.0)
    for apart, told in ((14.9, False), (15.1, True), (-14.9, False), (-15.1, True)):
        assert first.opposite(reading(10.0 + apart, 4.0)) is told
    assert not first.opposite(reading(99.0, 4.0, phase="exit")) and not first.opposite(reading(99.0, 4.0, Lateral))
    setup = dataclasses.replace(reading(99.0, 4.0), positions=(1.0,))
    assert not first.opposite(setup)


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
    grip_seen = Lateral("sweep", tuple(space.baseline), "a circle", 0.8 * best * 9.8, 0.15)
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
    assert [text.split(":")[0] for text in found.left_out] == [
        f"front_bar to {knob.label_at(base + 1)}",
        f"front_bar to {knob.label_at(base + 1)} and rear_bar to {knob.label_at(base + 1)}",
    ]
    assert "no answer" in found.left_out[0] and found.rungs


def test_every_assumption_is_moved_both_ways(bars_and_springs: Space) -> None:
    """Catches an end that is moved the wrong way or not at all; the tyres by the 15 % that the text says."""
    found = {mover.name: mover for mover in movers(bars_and_springs)}
    for mover in found.values():
        assert (mover.low_factor <= 1.0).all() and (mover.high_factor >= 1.0).all() or (mover.high_factor <= 1.0).all()
        factors = (mover.low_factor != 1.0).any() or (mover.high_factor != 1.0).any()
        assert factors or ((mover.low_offset < 0.0) | (mover.high_offset > 0.0)).all()
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


# ---- seams between the parts


def test_a_change_of_many_parts_is_tried_in_every_order_up_to_nine() -> None:
    """Catches the last number of changes that is tried whole left out of it."""
    assert len(_sets(MOST_CHANGES)) == 2**MOST_CHANGES - 1
    assert len(_sets(MOST_CHANGES + 1)) == MOST_CHANGES + 1


def test_as_many_stops_as_there_are_runs_is_no_complaint() -> None:
    """Catches a plan that fits exactly and says that runs are missing."""
    change = Change("k0", "1", "2", 5.0)
    stop = Stop((change,), np.array([1.0]), ("2",), "first", 5.0, False, True, ())
    assert _notes((stop, stop), [], 10.0, 2) == ()
    assert _notes((stop, stop), [], 10.0, 1) == ("2 runs are needed and there are 1",)


def test_better_than_a_setup_without_an_answer_is_not_answered(use_model, monkeypatch) -> None:
    """Catches a comparison of two setups counted where only one of them has an answer: its zero would be read."""
    where = toy.space([toy.knob(0, range(3)), toy.knob(1, range(3))])
    phase = where.phase_names[0]
    use_model({f"{phase}.grip_margin_pct": lambda p: 1.0 + p[:, 0]})

    def half(space, positions, scenarios=None, parameters=None):
        values, valid = evaluate_positions(space, positions, scenarios, parameters)
        return values, valid & (positions[:, 0] < 2.0)[None, :]

    monkeypatch.setattr("explorer.study.plan.practice.evaluate_positions", half)
    for own, other in (((0.0, 0.0), (2.0, 0.0)), ((2.0, 0.0), (0.0, 0.0))):
        seen = Better(phase, own, "better", other=other)
        told = predict(where, (seen,), nominal())
        assert not told.answered.any() and told.unanswered == (1,) and not told.numbers.any()
    told = predict(where, (Better(phase, (1.0, 0.0), "better", other=(0.0, 0.0)),), nominal())
    assert told.answered.all() and told.numbers.any()


def test_a_map_has_no_room_where_the_model_has_no_answer(use_model, monkeypatch) -> None:
    """Catches a margin shown for a setup without an answer."""
    use_model(PLAIN, lambda p: p[:, 0] < 2.5)
    where = toy.space([toy.knob(0, range(4)), toy.knob(1, range(3))], limits=(Limit("lag_ms", "at_most", 100.0),))
    found = map_metric(where, "k0", "k1", "lag_ms", limits=resolve_limits(where))
    assert (found.margins[:, 3] == 0.0).all() and (found.margins[:, :3] > 0.0).all()


def test_a_bound_that_is_no_number_is_refused(use_model) -> None:
    """Catches a limit that every setup keeps because nothing compares with its bound."""
    use_model(PLAIN)
    for value in (np.inf, -np.inf, np.nan):
        limit = Limit("lag_ms", "at_most", float(value))
        where = toy.space([toy.knob(0, range(3)), toy.knob(1, range(2))], limits=(limit,))
        with pytest.raises(SpaceError, match="lag_ms: the bound is not a finite number"):
            resolve_limits(where)


def test_a_figure_stands_beside_its_own_setup() -> None:
    """Catches a table of figures whose setups are the next ones'."""
    where = toy.space([toy.knob(0, range(3)), toy.knob(1, range(2))])
    figures = np.arange(len(FIGURES) * 4 * len(where.objectives), dtype=float).reshape(len(FIGURES), 4, -1)
    positions = where.positions_of(np.array([4, 1, 0, 5]))
    robust = SimpleNamespace(figure=lambda on: figures[FIGURES.index(on)], positions=positions)
    table = figure_table(robust, where, FIGURES[0])
    np.testing.assert_array_equal(table.positions, positions)
    np.testing.assert_array_equal(table.values, figures[0])


def test_the_best_guess_keeps_its_own_verdict_of_the_model(use_model) -> None:
    """Catches the first scenario's answers taken for those at the best guesses, and a scenario's for the next one's."""
    where = dataclasses.replace(toy.space([toy.knob(0, range(3))]), unknowns=(toy_unknown(10),))
    use_model({"lag_ms": lambda p: 10.0 * p[:, 0] + 3.0})
    draws = draws_at(where, np.array([[0.25], [0.75]]), np.ones(2))

    def model(parameters, phases, slots, factor, offset):
        values, valid = own(parameters, phases, slots, factor, offset)
        values = np.concatenate([values + case for case in range(len(factor))])
        valid = np.array([[True, False, True], [False, True, True], [True, True, False]])[: len(factor)]
        return np.where(valid[:, : len(parameters), None], values, 0.0), valid[:, : len(parameters)]

    own = use_model({"lag_ms": lambda p: 10.0 * p[:, 0] + 3.0})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("explorer.study.everything.evaluate.evaluate_parameters", model)
        found = outcomes_of(question(where, draws), where.positions(0, 3))
    np.testing.assert_array_equal(found.nominal_answered, [True, False, True])
    np.testing.assert_array_equal(found.nominal[:, 0], [3.0, 0.0, 23.0])
    np.testing.assert_array_equal(found.told.answered, [[False, True, True], [True, True, False]])
    np.testing.assert_array_equal(found.told.values[:, :, 0], [[0.0, 14.0, 24.0], [5.0, 15.0, 0.0]])


def test_a_report_without_an_answer_excludes_nothing() -> None:
    """Catches a scenario without an answer whose zero is read as what the model says: two reports that agree wherever
    there is an answer would be named as excluding each other."""
    count = 400
    there = np.arange(count) < count // 2
    numbers = np.array([np.where(there, 3.0, 0.0), np.where(there, 0.3, 0.0)])
    one = Speed("sweep", (0.0, 0.0), "three", value=3.0, error=0.1)
    two = Speed("sweep", (1.0, 0.0), "none", value=0.0, error=0.1)
    told = Predicted(numbers, np.tile(there, (2, 1)))
    assert excluding_pairs((one, two), told, np.full(count, 1.0 / count)) == []


def test_bumps_are_counted_in_felt_differences() -> None:
    """By hand: steps of 0.1 N and upsets of 0.5 m/s2 are felt. Catches a mean that is a sum, and ends or
    quantities that weigh by their unit."""
    one = {"front_bump_step_n": 1.0, "rear_bump_step_n": 2.0}
    two = {"front_bump_upset_m_per_s2": 3.0, "rear_bump_upset_m_per_s2": 5.0}
    found = bump_disturbance(lambda name: np.array([{**one, **two}[name]]))
    np.testing.assert_allclose(found, ((1.0 + 2.0) / 0.1 + (3.0 + 5.0) / 0.5) / 4.0)


def test_a_report_that_fits_nothing_is_named_by_its_line() -> None:
    """Catches a line number that is left out, and one that nobody wrote."""
    told = Predicted(np.array([[2.0, 2.0]]), np.ones((1, 2), dtype=bool))
    seen = Speed("sweep", (0.0,), "fast", value=9.0, error=0.1, line=7)
    said = _alone(seen, told, 0, np.full(2, 0.5))
    assert said == "line 7: fast: everything else taken as true, the model expects 2 m/s"
    assert _alone(dataclasses.replace(seen, line=0), told, 0, np.full(2, 0.5)) == said.removeprefix("line 7: ")


def test_near_misses_of_the_same_objectives_are_listed_once(use_model) -> None:
    """Catches a list of near misses filled with setups that nobody can tell apart."""
    where = toy.space([toy.knob(0, range(4)), toy.knob(1, range(2))])
    rows = np.arange(where.size)
    scores = np.repeat(np.arange(4.0), 2)[:, None] * np.ones((1, 2))
    found = least_violating(where, where.positions_of(rows), rows, np.arange(8.0), scores)
    assert found.tolist() == [0, 2, 4, 6][: where.settings.shortlist_size]


def test_a_thinned_knob_has_as_many_levels_as_were_asked_for() -> None:
    """Catches a knob thinned to fewer levels than there is room for, whatever levels must be held."""
    for size in range(2, 9):
        knob = toy.knob(0, range(size))
        for count in range(2, size + 2):
            for held in ((), (0.0,), (1.0,), (float(size - 1), 1.0)):
                found = _levels(knob, count, held)
                assert len(found) == min(max(count, len(set(held))), size) and set(held) <= set(found)
