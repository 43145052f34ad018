"""What setups lose in each scenario, by hand: wishes whose targets move, and the distance from the best without any."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scenario_toy as toys
import study_toy as toy

from explorer.domain.errors import ModelError
from explorer.domain.space import Limit
from explorer.domain.wishes import Wish
from explorer.study.everything.evaluate import evaluate_all
from explorer.study.everything.front import pareto_front
from explorer.study.everything.limits import feasible, resolve_limits
from explorer.study.everything.wishes import losses, resolve_wishes
from explorer.study.plan.decision import _ideal
from explorer.study.plan.scenario_pass import Ideal, ask, outcomes_of, question
from explorer.study.plan.scenarios import draw, weighted

FORMULAS = {
    "lag_ms": lambda p: 20 - p[:, 0] * p[:, 10] + 0.3 * p[:, 1] * p[:, 11],
    "grip_margin_pct": lambda p: 30 - np.abs(p[:, 0] - 3 * p[:, 11]) - 0.7 * p[:, 1] * p[:, 10],
    "lift_margin_pct": lambda p: 16 + 3 * p[:, 1] * p[:, 11] - p[:, 0] + 2 * p[:, 10],
    "sweep.roll_deg": lambda p: 3 * p[:, 10] + 0.8 * p[:, 0] + 0.01 * p[:, 1],
}
GOALS = (toy.LAG, toy.GRIP, toy.LIFT)


def study(**more):
    where = toy.space(
        [toy.knob(0, range(5)), replace(toy.knob(1, range(4)), tolerance_absolute=0.5)], objectives=GOALS,
        limits=(Limit("sweep.roll_deg", "at_most", 6.0),), baseline=(1.0, 2.0), **more,
    )  # fmt: skip
    return toys.with_unknowns(where, toys.unknown(10, 1.0, 0.6), toys.unknown(11, 1.0, 0.5, "normal"))


def vectors(where, asked, case):
    """Parameter vectors of every setup in one case, built as the question says."""
    rows = np.zeros((where.size, 12))
    rows[:, :2] = toy.inputs(where)
    rows[:, 10:12] = 1.0
    for k, slot in enumerate(asked.cases.slots):
        rows[:, slot] = rows[:, slot] * asked.cases.factor[case, k] + asked.cases.offset[case, k]
    return rows


def test_the_first_case_changes_nothing_and_weighs_nothing(monkeypatch):
    """Catches: the baseline's build in the best guess, weights that do not sum to one, the order of the cases."""
    toys.install(monkeypatch, FORMULAS)
    where = study()
    draws = weighted(draw(where, 16), np.arange(16.0))
    asked = question(where, draws)
    assert len(asked.cases.weights) == 16 and asked.cases.weights[0] == 0.0  # one has no weight
    np.testing.assert_allclose(asked.weights, draws.weights[1:])
    assert np.array_equal(asked.points, draws.points[1:]) and np.array_equal(asked.numbers, draws.numbers[1:])
    assert (asked.cases.factor[0] == 1.0).all() and not asked.cases.offset[0].any()
    assert np.abs(asked.cases.offset[1:, -1]).max() > 0.3  # the knob with a tolerance
    found = outcomes_of(asked, where.positions(0, where.size))
    np.testing.assert_array_equal(found.nominal[:, 0], evaluate_all(where).column("lag_ms"))
    np.testing.assert_allclose(found.told.values[4, :, 0], FORMULAS["lag_ms"](vectors(where, asked, 5)))


WISHES = (
    Wish("lag_ms", "", "near", 18.0, 1.0, price=2.0),
    Wish("grip_margin_pct", "", "at_least", 1.0, 0.5, relative_to="baseline"),
    Wish("lift_margin_pct", "", "at_most", 0.9, 2.0, share=True, relative_to="baseline"),
    Wish("", "k0", "near", 1.0, 1.0, price=0.5, relative_to="baseline"),
)


def test_what_is_lost_is_counted_by_hand(monkeypatch):
    """Catches: targets of another scenario or at the best guess, the baseline of the target built with a tolerance
    (nobody limits against a mistake), prices or felt differences left out, a wish that is met and pays, a knob's wish
    read off its setting."""
    toys.install(monkeypatch, FORMULAS)
    where = replace(study(), wishes=WISHES)
    asked = question(where, draw(where, 16))
    found = ask(asked, where.positions(0, where.size))
    for case in range(len(asked.cases.weights)):
        built = vectors(where, asked, case)
        base = np.zeros((1, 12))
        base[0, :2] = where.baseline
        base[0, 10:12] = 1.0 if case == 0 else asked.numbers[case - 1]
        there = {name: float(formula(base)[0]) for name, formula in FORMULAS.items()}
        for row in range(where.size):
            own = {name: float(formula(built[row : row + 1])[0]) for name, formula in FORMULAS.items()}
            total = 2.0 * abs(own["lag_ms"] - 18.0)
            total += max(0.0, there["grip_margin_pct"] + 1.0 - own["grip_margin_pct"]) / 0.5
            total += max(0.0, own["lift_margin_pct"] - 0.9 * there["lift_margin_pct"]) / 2.0
            total += 0.5 * abs(toy.inputs(where)[row, 0] - (where.baseline[0] + 1.0))
            assert found.losses[case, row] == pytest.approx(total, abs=1e-9)
    np.testing.assert_allclose(
        found.losses[0], losses(resolve_wishes(where), evaluate_all(replace(where, unknowns=()))), atol=1e-12
    )
    assert np.ptp(found.losses) > 5.0


def test_without_wishes_the_distance_from_the_best_is_lost(monkeypatch):
    """Catches: a best or a range over all setups instead of the front, more than anyone notices of a lift margin, a
    scenario that is bad for everybody counted against each setup, an objective that nothing moves divided by 0, a mean
    in place of the worst. Judge: the definition, setup by setup."""
    toys.install(monkeypatch, FORMULAS)
    where = study()
    table = evaluate_all(where)
    front = pareto_front(table, feasible(resolve_limits(where), table))
    ideal = _ideal(where, front)
    assert ideal is not None
    asked = question(where, draw(where, 16), ideal)
    found = ask(asked, where.positions(0, where.size))
    way, names = np.array([-1.0, 1.0, 1.0]), [goal.metric for goal in GOALS]

    def turned(rows):
        seen = np.stack([FORMULAS[name](rows) for name in names], axis=1)
        seen[:, 2] = np.minimum(seen[:, 2], 25.0)
        return seen * way

    nominal = turned(vectors(where, asked, 0))
    best, worst = nominal[front.rows].max(axis=0), nominal[front.rows].min(axis=0)
    assert (best > worst).all() and nominal[:, 0].max() > best[0]  # a faster setup breaks the limit
    width = np.maximum(best - worst, [10.0 * goal.resolution for goal in GOALS])
    assert (width > best - worst).any()  # a narrow front counts in felt steps
    start = where.row_of(np.array(where.baseline))
    for case in range(len(asked.cases.weights)):
        own = turned(vectors(where, asked, case))
        for row in range(where.size):
            short = [(best[j] - own[row, j] + own[start, j] - nominal[start, j]) / width[j] for j in range(3)]
            assert found.losses[case, row] == pytest.approx(10.0 * max(short), abs=1e-9)
    flat = question(where, draw(where, 4), Ideal(ideal.best, np.array([0.0, ideal.width[1], 0.0])))
    only = ask(flat, where.positions(0, where.size), 0, 1).losses[0]
    np.testing.assert_allclose(only, 10.0 * (best[1] - nominal[:, 1]) / ideal.width[1], atol=1e-9)
    assert not ask(question(where, draw(where, 4)), where.positions(0, 2)).losses.any()
    wishing = question(replace(where, wishes=WISHES), draw(where, 4), ideal)
    assert wishing.ideal is None and _ideal(where, None) is None


def test_where_there_is_no_answer_nothing_is_lost_and_nothing_kept(monkeypatch):
    """Catches: a loss worked out from zeros, or a limit called kept; weights that are all on lost scenarios."""
    toys.install(monkeypatch, FORMULAS, valid=lambda p: p[:, 0] < 3)
    where = replace(study(), wishes=WISHES)
    found = ask(question(where, draw(where, 4)), where.positions(0, where.size))
    silent = toy.inputs(where)[:, 0] >= 3
    assert not found.answered[:, silent].any() and not found.losses[:, silent].any()
    assert not found.keeps[:, silent].any() and not found.good[:, silent].any() and found.answered[:, ~silent].all()
    toys.install(monkeypatch, FORMULAS, valid=lambda p: p[:, 10] <= 1.0)
    draws = draw(where, 4)
    on_lost = weighted(draws, (draws.numbers[:, 0] > 1.0).astype(float))
    with pytest.raises(ModelError, match="limit or wish cannot be set"):
        question(where, on_lost)
