"""Knobs against what is not known: closed forms, plain analysis of variance, shares of single unknowns."""

from dataclasses import replace

import numpy as np
import pytest
import scenario_toy as toys
import study_toy as toy
from scipy.stats import qmc

from explorer.domain.space import Limit, Rule
from explorer.study.plan.scenario_pass import ask, question
from explorer.study.plan.scenarios import draw, draws_at, weighted
from explorer.study.plan.split import KEPT, _explained, effective, first_order, mean_by_level, split_of


def split(where, draws, rows=None):
    """The split over every setup, or over some rows."""
    asked = question(where, draws)
    positions = where.positions_of(np.arange(where.size) if rows is None else rows)
    return split_of(asked, positions, ask(asked, positions, 1))


def test_a_sum_and_a_product_split_as_on_paper(monkeypatch):
    """Catches: means over the wrong axis, unweighted scenarios, a rest that swallows the main effects. With
    Y = a + 3 s + a s / 2 over a = 0, 1, 2, 3 and two-point s: Var_x = (1 + E s / 2)^2 Var a, Var_s = (3 + E a / 2)^2
    Var s, rest = Var a Var s / 4."""
    toys.install(monkeypatch, {"lag_ms": lambda p: 100 + p[:, 0] + 3 * p[:, 10] + p[:, 0] * p[:, 10] / 2})
    where = toys.with_unknowns(toy.space([toy.knob(0, range(4)), toy.knob(1, range(2))]), toys.unknown(10, 2.0, 2.0))
    found = split(where, draws_at(where, np.array([[0.25], [0.5]]), np.array([3.0, 1.0])))
    a, s = 1.25, 0.75 * 0.25 * 1.0**2
    mean = 0.75 * 1.0 + 0.25 * 2.0
    parts = np.array([(1 + mean / 2) ** 2 * a, (3 + 1.5 / 2) ** 2 * s, a * s / 4])
    assert found.metrics == ("lag_ms", "grip_margin_pct")
    assert found.variance[0] == pytest.approx(parts.sum(), rel=1e-12)
    np.testing.assert_allclose([found.knobs[0], found.unknowns[0], found.both[0]], parts / parts.sum(), rtol=1e-12)
    assert found.mean[0] == pytest.approx(100 + 1.5 + 3 * mean + 1.5 * mean / 2)
    assert found.constant.tolist() == [False, True] and found.knobs[1] == found.both[1] == found.variance[1] == 0.0
    assert found.first is None and found.fitted == ""


FORMULAS = {
    "lag_ms": lambda p: 1e4 + p[:, 0] * p[:, 10] + np.sin(p[:, 1] * p[:, 11]),
    "grip_margin_pct": lambda p: np.abs(p[:, 1] - p[:, 11]) + p[:, 10] ** 2,
    "sweep.roll_deg": lambda p: 2 * p[:, 10] + p[:, 1] + 0.4 * p[:, 0],
}


def study():
    rule = Rule("does not fit", when=(("k0", ("4",)),), only=(("k1", ("1",)),))
    where = toy.space([toy.knob(0, range(5)), toy.knob(1, range(4))], rules=(rule,), limits=(
        Limit("sweep.roll_deg", "at_most", 5.0), Limit("lag_ms", "at_least", 0.0)))  # fmt: skip
    return toys.with_unknowns(where, toys.unknown(10, 1.0, 0.6), toys.unknown(11, 2.0, 1.5, "normal"))


def test_any_table_splits_as_a_two_way_analysis_of_variance(monkeypatch):
    """Catches: cancellation far from zero, rule-breaking rows, a limit's metric left out, "every limit kept" split by
    another rule, levels weighted as if the grid were full. Judge: every cell of the crossed table."""
    toys.install(monkeypatch, FORMULAS)
    where = study()
    draws = weighted(draw(where, 64), np.random.default_rng(1).random(64))
    found = split(where, draws)
    x = np.zeros((where.size, 12))
    x[:, :2] = toy.inputs(where)
    cells = []
    for u, v in draws.numbers:
        x[:, 10], x[:, 11] = u, v
        cells.append([FORMULAS[name](x) for name in found.metrics[:3]])
    cells = np.moveaxis(np.array(cells), 1, 2)
    kept = (cells[:, :, 2] <= 5.0).astype(float)
    cells = np.concatenate([cells, kept[:, :, None]], axis=2)
    assert found.metrics[2:] == ("sweep.roll_deg", KEPT) and found.setups == where.size == 17
    w = draws.weights[:, None]
    for index in range(4):
        y = cells[:, :, index]
        mean = (w * y).sum() / 17
        over_x, over_s = (w * y).sum(axis=0) - mean, y.mean(axis=1) - mean
        rest = y - mean - over_x[None] - over_s[:, None]
        parts = np.array([(over_x**2).mean(), (w[:, 0] * over_s**2).sum(), (w * rest**2).sum() / 17])
        assert found.variance[index] == pytest.approx((w * (y - mean) ** 2).sum() / 17, rel=1e-9)
        shares = [found.knobs[index], found.unknowns[index], found.both[index]]
        np.testing.assert_allclose(shares, parts / parts.sum(), atol=1e-9)
    assert found.kept == pytest.approx((w * kept).sum() / 17) and 0.2 < found.kept < 0.9
    levels = where.positions(0, where.size)
    for column, share in enumerate(found.kept_by_level):
        own = [(w * kept)[:, levels[:, column] == level].sum(axis=0).mean() for level in range(len(share))]
        np.testing.assert_allclose(share, own, atol=1e-12)


def test_some_setups_split_as_a_study_of_these_setups(monkeypatch):
    """Catches: numbers of setups that were not asked, levels counted over all of them. The rows are those of a knob
    with two levels less."""
    toys.install(monkeypatch, FORMULAS)
    where = study()
    rows = np.flatnonzero(where.positions(0, where.size)[:, 0] < 3)
    few, fewer = split(where, draw(where, 16), rows), toy.space([toy.knob(0, range(3)), toy.knob(1, range(4))])
    own = split(toys.with_unknowns(replace(fewer, limits=where.limits), *where.unknowns), draw(where, 16))
    for name in ("mean", "variance", "knobs", "unknowns", "both", "kept", "setups"):
        np.testing.assert_allclose(getattr(few, name), getattr(own, name), rtol=1e-12, err_msg=name)
    np.testing.assert_allclose(few.kept_by_level[0], [*own.kept_by_level[0], 0.0, 0.0])


def test_setups_without_an_answer_do_not_bend_the_split(monkeypatch):
    """Catches: zeros of an unanswered setup taken for a metric (lag 0 against 5), or its broken limits forgotten."""
    where = toy.space([toy.knob(0, range(3))], limits=(Limit("lag_ms", "at_most", 9.0),))
    where = toys.with_unknowns(where, toys.unknown(10, 1.0, 1.0))
    toys.install(
        monkeypatch,
        {"lag_ms": lambda p: 4.5 + p[:, 0] + p[:, 10]},
        valid=lambda p: (p[:, 0] != 1) | (p[:, 10] <= 1.0),
    )
    found = split(where, draws_at(where, np.array([[0.25], [0.75]]), np.ones(2)))
    assert found.setups == 2 and found.left_out == 1
    assert found.mean[0] == pytest.approx(6.5) and found.variance[0] == pytest.approx(1.25)
    np.testing.assert_allclose([found.knobs[0], found.unknowns[0], found.both[0]], [0.8, 0.2, 0.0], atol=1e-12)
    np.testing.assert_allclose(found.kept_by_level[0], [1.0, 0.5, 1.0])
    assert found.kept == pytest.approx(5 / 6) == pytest.approx(found.mean[-1])


def sobol_points(count, axes, seed):
    return qmc.Sobol(axes, scramble=True, seed=seed).random(count)


def test_single_shares_are_found_and_their_intervals_hold_them():
    """Catches: a parabola's bend missed (a line sees nothing of (u - 1/2)^2), an unknown that moves nothing credited
    by chance, an interval too narrow. Y = 2 u1 + 6 (u2 - 1/2)^2 + sin-free product 2 (u3 - 1/2)(u4 - 1/2): variances
    4/12, 36/180, 4/144, of which the product is nobody's own. Intervals are counted over 30 sets of points."""
    own = np.array([4 / 12, 36 / 180, 0.0, 0.0, 0.0])
    own /= own.sum() + 4 / 144
    inside, off = 0, []
    for seed in range(30):
        u = sobol_points(64, 5, seed + 1)
        y = 2 * u[:, 0] + 6 * (u[:, 1] - 0.5) ** 2 + 2 * (u[:, 2] - 0.5) * (u[:, 3] - 0.5)
        found = first_order(u, y[:, None], np.full(64, 1 / 64))
        assert found is not None
        share, low, high = (part[0] for part in found)
        off.append(share - own)
        inside += ((low <= own + 0.01) & (own - 0.01 <= high)).sum()
    assert np.abs(np.mean(off, axis=0)).max() < 0.015
    assert np.abs(off).max() < 0.15
    assert inside >= 0.9 * 30 * 5


def test_chance_is_taken_off_and_the_interval_is_as_wide_as_the_error():
    """Catches: what 64 scenarios explain by chance left in (2/63 per unknown), an interval of half or twice the width.
    Half the variance is noise that belongs to no unknown; the judge counts how often the interval holds the truth."""
    rng = np.random.default_rng(7)
    chance, inside = [], []
    for _ in range(120):
        u = rng.random((64, 3))
        y = 2 * u[:, 0] + rng.normal(0.0, np.sqrt(1 / 3), 64)
        chance.append(_explained(u, y[:, None], np.full(64, 1 / 64), 2)[0, 1:])
        found = first_order(u, y[:, None], np.full(64, 1 / 64))
        assert found is not None
        inside.append(found[1][0, 0] <= 0.5 <= found[2][0, 0])
    assert abs(np.mean(chance)) < 0.005
    assert 0.85 < np.mean(inside) < 0.995


def test_weights_count_and_too_few_scenarios_give_no_single_share():
    """Catches: weights left out of the fit, a fit through as many numbers as there are scenarios, which explains
    everything. Points of the other half weigh nothing and would turn the answer round."""
    u = sobol_points(128, 2, 3)
    heavy = np.where(np.arange(128) < 64, 1 / 64, 0.0)
    y = np.where(heavy > 0, u[:, 0], 5 * u[:, 1])[:, None]
    found = first_order(u, y, heavy)
    assert found is not None and found[0][0, 0] > 0.97 and found[0][0, 1] < 0.02
    even = np.full(16, 1 / 16)
    assert first_order(u[:16], y[:16], even) is not None
    wide = sobol_points(16, 9, 3)
    assert first_order(wide, y[:16], even) is None
    assert effective(np.array([1.0, 1.0, 2.0])) == pytest.approx(16 / 6)


def test_a_level_that_nothing_has_is_zero_and_not_a_fault():
    """Catches: 0/0 at a level that rules leave without a setup."""
    means = mean_by_level(toy.knob(0, range(3)), np.array([0.0, 0.0, 2.0]), np.array([0.0, 1.0, 1.0]))
    np.testing.assert_allclose(means, [0.5, 0.0, 1.0])
