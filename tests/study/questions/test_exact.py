from dataclasses import replace
from itertools import combinations, permutations

import numpy as np
import pytest
import study_toy as toy

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import Rule
from explorer.study.questions.exact import conditional_variances, exact_indices, shapley_from_conditional, step_effects


def explained(values, positions, chosen, population=None):
    """Var(E[Y | X_u]) by plain grouping: dictionary of lists."""
    groups: dict[tuple, list[float]] = {}
    for y, row in zip(values, positions, strict=True):
        groups.setdefault(tuple(row[list(chosen)]), []).append(float(y))
    grand = sum(map(float, values)) / len(values)
    return sum(len(g) * (sum(g) / len(g) - grand) ** 2 for g in groups.values()) / len(values)


def midpoints(n, low=0.0, high=1.0):
    return low + (np.arange(n) + 0.5) / n * (high - low)


def uniform_space(knobs, levels, low=0.0, high=1.0):
    return toy.space([toy.knob(i, midpoints(levels, low, high)) for i in range(knobs)])


def lag_indices(where, values):
    return exact_indices(toy.table(where, lag_ms=values), ("lag_ms",))


def test_indices_equal_conditional_means_by_brute_force():
    """Catches: contrasts that are not orthogonal, bits assigned to the wrong knob, a Shapley split not by set size."""
    where = toy.space([toy.knob(i, range(n)) for i, n in enumerate((3, 2, 4, 1, 2))])
    table = toy.table(where, lag_ms=np.random.default_rng(3).normal(size=where.size))
    y, k = table.column("lag_ms"), 5
    found = exact_indices(table, ("lag_ms",))
    sets = [u for size in range(k + 1) for u in combinations(range(k), size)]
    c = {u: explained(y, table.positions, u) for u in sets}
    own = {}
    for u in sets:
        own[u] = c[u] - sum(own[w] for w in own if set(w) < set(u))
    total = y.var()
    for i in range(k):
        assert found.first[0, i] == pytest.approx(c[(i,)] / total, abs=1e-12)
        assert found.total[0, i] == pytest.approx(1 - c[tuple(j for j in range(k) if j != i)] / total, abs=1e-12)
        assert found.shapley[0, i] == pytest.approx(sum(own[u] / len(u) for u in sets if i in u) / total, abs=1e-12)
        for j in range(i + 1, k):
            assert found.pairs[0, i, j] == found.pairs[0, j, i] == pytest.approx(own[(i, j)] / total, abs=1e-12)
    assert found.variance[0] == pytest.approx(total, rel=1e-12)
    assert found.exact and found.method == "exact" and found.reason == ""


def test_additive_linear_model():
    """Catches: interactions out of nothing. Elementary: S = ST = c_i^2 / sum c^2, no pairs."""
    where = uniform_space(4, 5)
    found = lag_indices(where, toy.inputs(where) @ np.array([4.0, 3.0, 2.0, 1.0]))
    expected = np.array([16, 9, 4, 1]) / 30
    for got in (found.first, found.total, found.shapley):
        np.testing.assert_allclose(got[0], expected, atol=1e-12)
    assert (found.pairs == 0.0).all()


def test_product_of_two():
    """Catches: pairs that hold the main effects too. V 7/144, S 3/7, S12 1/7 as the grid fills."""
    levels = 400
    where = uniform_space(2, levels)
    found = lag_indices(where, toy.inputs(where).prod(axis=1))
    v = (1 - 1 / levels**2) / 12  # variance of equally spaced midpoints
    whole = (v + 0.25) ** 2 - 1 / 16
    np.testing.assert_allclose(found.first[0], v / 4 / whole, rtol=1e-10)
    np.testing.assert_allclose(found.pairs[0, 0, 1], v * v / whole, rtol=1e-10)
    np.testing.assert_allclose(found.variance[0], 7 / 144, rtol=1e-4)
    np.testing.assert_allclose(found.total[0], [4 / 7] * 2, rtol=1e-4)
    np.testing.assert_allclose(found.shapley[0], [0.5, 0.5], rtol=1e-12)


def test_g_function_on_a_grid():
    """Catches: total order without the higher interactions. Saltelli et al. (2010), by formula:
    on n midpoints each V_i of the continuous function shrinks by 1 - 4/n^2 exactly."""
    a, levels = np.array([0.0, 0.5, 3.0, 9.0, 99.0, 99.0]), 8
    where = uniform_space(6, levels)
    x = toy.inputs(where)
    found = lag_indices(where, ((np.abs(4 * x - 2) + a) / (1 + a)).prod(axis=1))
    part = (1 - 4 / levels**2) / (3 * (1 + a) ** 2)
    whole = np.prod(1 + part) - 1
    np.testing.assert_allclose(found.first[0], part / whole, rtol=1e-9)
    np.testing.assert_allclose(found.total[0], part * np.prod(1 + part) / (1 + part) / whole, rtol=1e-9)
    np.testing.assert_allclose(found.pairs[0, 0, 1], part[0] * part[1] / whole, rtol=1e-9)
    assert found.shapley[0].sum() == pytest.approx(1.0, abs=1e-12)


def test_ishigami_nears_the_printed_values():
    """Catches: a wrong level order or weight. Ishigami & Homma (1990); 64 midpoints leave 0.2 %."""
    where = uniform_space(3, 64, -np.pi, np.pi)
    x = toy.inputs(where)
    found = lag_indices(where, np.sin(x[:, 0]) + 7 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0]))
    np.testing.assert_allclose(found.mean[0], 3.5, atol=1e-9)
    np.testing.assert_allclose(found.variance[0], 13.84458794, rtol=3e-3)
    np.testing.assert_allclose(found.first[0], [0.3139051911, 0.4424111448, 0.0], atol=2e-3)
    np.testing.assert_allclose(found.total[0], [0.5575888552, 0.4424111448, 0.2436836641], atol=2e-3)
    np.testing.assert_allclose(found.pairs[0][[0, 0, 1], [1, 2, 2]], [0.0, 0.2436836641, 0.0], atol=2e-3)


def test_scale_and_offset_change_nothing():
    """Catches: variance as the difference of large squares. Indices are unchanged by y -> p y + q."""
    where = toy.space([toy.knob(i, range(4)) for i in range(3)])
    y = np.random.default_rng(1).normal(size=where.size)
    plain, moved = lag_indices(where, y), lag_indices(where, 1e-3 * y + 1e6)
    np.testing.assert_allclose(plain.total, moved.total, atol=1e-6)


def test_a_knob_that_does_nothing_reads_zero_and_a_constant_says_so():
    """Catches: rounding noise read as influence, and a constant metric passed off as insensitive."""
    where = toy.space([toy.knob(i, range(5)) for i in range(3)])
    x = toy.inputs(where)
    table = toy.table(where, lag_ms=np.sin(x[:, 0]) * np.exp(x[:, 1]), bite_pct=np.full(125, 33.3))
    found = exact_indices(table, ("lag_ms", "bite_pct"))
    assert found.first[0, 2] == found.total[0, 2] == found.shapley[0, 2] == 0.0
    assert found.constant.tolist() == [False, True]
    assert (found.total[1] == 0.0).all() and found.variance[1] == 0.0


RULE = Rule("they clash", (("k0", ("0",)),), (("k1", ("1", "2")),))


def test_shapley_under_rules_by_brute_force_over_orders():
    """Catches: wrong weights per set size, cells counted with equal weight, or rule-breaking setups counted."""
    where = toy.space([toy.knob(0, range(3)), toy.knob(1, range(3)), toy.knob(2, range(2))], rules=[RULE])
    y = np.random.default_rng(5).normal(size=where.size)
    table = toy.table(where, lag_ms=y, bite_pct=2 - 3 * y)
    found = exact_indices(table, ("lag_ms", "bite_pct"))
    expected = np.zeros(3)
    for order in permutations(range(3)):
        for place, knob in enumerate(order):
            before, after = sorted(order[:place]), sorted(order[: place + 1])
            expected[knob] += explained(y, table.positions, after) - explained(y, table.positions, before)
    np.testing.assert_allclose(found.shapley[0], expected / 6 / y.var(), atol=1e-12)
    np.testing.assert_allclose(found.shapley[1], found.shapley[0], atol=1e-12)
    assert found.first is None and found.total is None and found.pairs is None
    assert "dependent" in found.reason and found.exact


def test_two_knobs_tied_together_share_alike():
    """Catches: giving all the credit to the knob that appears in the formula. Y = X1 with X2 = X1: a half each."""
    rules = [Rule("same at both", (("k0", (str(i),)),), (("k1", (str(i),)),)) for i in range(4)]
    where = toy.space([toy.knob(0, range(4)), toy.knob(1, range(4))], rules=rules)
    found = lag_indices(where, toy.inputs(where)[:, 0])
    np.testing.assert_allclose(found.shapley[0], [0.5, 0.5], atol=1e-12)


def test_the_path_for_rules_agrees_with_the_product_path():
    """Catches: two definitions of one effect. Without a hole both must give the same Shapley effects."""
    shape = (3, 2, 4)
    where = toy.space([toy.knob(i, range(n)) for i, n in enumerate(shape)])
    y = np.random.default_rng(7).normal(size=where.size)
    parts = conditional_variances((y - y.mean()).reshape(*shape, 1), np.ones(shape))
    np.testing.assert_allclose(shapley_from_conditional(parts)[0], lag_indices(where, y).shapley[0], atol=1e-12)


def test_spoilt_tables_are_refused():
    """Catches: a NaN, a hole, a shuffled or partial table giving plausible indices."""
    where = toy.space([toy.knob(0, range(3)), toy.knob(1, range(3))])
    table = toy.table(where, lag_ms=np.arange(9.0))
    with pytest.raises(ModelError, match="2 of 9"):
        exact_indices(replace(table, valid=np.arange(9) > 1), ("lag_ms",))
    with pytest.raises(ModelError, match="not finite"):
        lag_indices(where, np.where(np.arange(9) == 4, np.nan, 1.0))
    for rows in (np.arange(8), np.arange(9)[::-1]):
        with pytest.raises(SpaceError, match="every one of the 9"):
            exact_indices(table.take(rows), ("lag_ms",))
    with pytest.raises(SpaceError, match="too many"):
        many = toy.space([toy.knob(i, (0,)) for i in range(21)])
        exact_indices(toy.table(many, lag_ms=np.zeros(1)), ("lag_ms",))
    with pytest.raises(SpaceError, match="continuous"):
        exact_indices(replace(table, space=toy.space([toy.knob(0, (0, 1), continuous=True)])), ("lag_ms",))


def test_step_effects_by_hand():
    """Catches: steps in listed order instead of by value, an average over levels instead of pairs, minutes ignored."""
    where = toy.space([toy.knob(0, (2, 0, 1), minutes=4.0), toy.knob(1, (0, 1), minutes=2.0)])
    x = toy.inputs(where)
    table = toy.table(where, lag_ms=x[:, 0] ** 2 - 5 * x[:, 1])
    found = step_effects(table, ("lag_ms",))
    np.testing.assert_allclose(found.absolute[0], [2.0, 5.0])  # 0 -> 1 is 1, 1 -> 2 is 3
    np.testing.assert_allclose(found.signed[0], [2.0, -5.0])
    np.testing.assert_allclose(found.per_minute[0], [0.5, 2.5])
    assert found.pairs.tolist() == [4, 3]


def test_step_effects_skip_setups_that_rules_forbid():
    """Catches: comparing with a setup that cannot be built (stored as 0)."""
    where = toy.space([toy.knob(0, range(3)), toy.knob(1, range(3))], rules=[RULE])
    x = toy.inputs(where)
    found = step_effects(toy.table(where, lag_ms=100 + x[:, 0] + 10 * x[:, 1]), ("lag_ms",))
    np.testing.assert_allclose(found.absolute[0], [1.0, 10.0])
    assert found.pairs.tolist() == [5, 5]
