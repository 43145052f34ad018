import numpy as np
import pytest
import study_toy as toy
from SALib.analyze import sobol as salib_analyze
from SALib.sample import sobol as salib_sample
from scipy.stats import qmc, sobol_indices

from explorer.domain import seeds
from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import Rule
from explorer.study.questions.exact import exact_indices
from explorer.study.questions.sobol import sampled_indices

ISHIGAMI = {"lag_ms": lambda p: np.sin(p[:, 0]) + 7 * np.sin(p[:, 1]) ** 2 + 0.1 * p[:, 2] ** 4 * np.sin(p[:, 0])}
ANGLES = [toy.knob(i, (-np.pi, np.pi), continuous=True) for i in range(3)]
MIXED = {
    "lag_ms": lambda p: p[:, 0] * p[:, 1] + np.exp(0.3 * p[:, 2]) + 0.2 * p[:, 0] ** 2,
    "grip_margin_pct": lambda p: 3 * p[:, 0] - p[:, 2],
    "bite_pct": lambda p: np.full(len(p), 7.7),
}


def levels():
    return [toy.knob(0, (0, 1, 2, 5)), toy.knob(1, (-1, 0, 2)), toy.knob(2, range(5))]


def test_ishigami_through_the_projects_own_path(use_model):
    """Catches: knob columns swapped, a wrong sample layout, continuous knobs scaled twice.
    N = 4096 costs 32768 runs at D = 3 and lies within 0.02."""
    model = use_model(ISHIGAMI)
    where = toy.space(ANGLES, sobol_start=4096, sobol_tolerance=1.0, seed=3)
    found = sampled_indices(where, ("lag_ms",))
    assert found.evaluations == len(model.rows) == 32768
    np.testing.assert_allclose(found.first[0], [0.3139, 0.4424, 0.0], atol=0.02)
    np.testing.assert_allclose(found.total[0], [0.5576, 0.4424, 0.2437], atol=0.02)
    np.testing.assert_allclose(found.pairs[0][[0, 0, 1], [1, 2, 2]], [0.0, 0.2437, 0.0], atol=0.03)
    assert found.mean[0] == pytest.approx(3.5, abs=0.05)
    assert found.variance[0] == pytest.approx(13.8446, rel=0.02)
    assert not found.exact and found.method == "sampled Sobol" and found.shapley is None


def test_total_order_equals_jansens_formula_and_intervals_salibs_resampling(use_model):
    """Catches: pairing a row with the wrong base point. ST by hand to 1e-8. The half widths follow
    SALib's bootstrap within 30 %."""
    use_model(ISHIGAMI)
    where = toy.space(ANGLES, sobol_start=1024, sobol_tolerance=1.0)
    found = sampled_indices(where, ("lag_ms",))
    problem = {"num_vars": 4, "names": list("abcd"), "bounds": [[0.0, 1.0]] * 4}
    seed = seeds.stage_seed(where.seed, seeds.SOBOL)
    unit = salib_sample.sample(problem, 1024, seed=seed)
    y = ISHIGAMI["lag_ms"]((2 * unit - 1) * np.pi)
    blocks = y.reshape(1024, 10)
    variance = blocks[:, [0, -1]].var()
    np.testing.assert_allclose(
        found.total[0], ((blocks[:, :1] - blocks[:, 1:4]) ** 2).mean(axis=0) / (2 * variance), atol=1e-8
    )
    theirs = salib_analyze.analyze(problem, y, num_resamples=400, seed=1)
    np.testing.assert_allclose(found.first_interval[0], theirs["S1_conf"][:3], rtol=0.3)
    np.testing.assert_allclose(found.total_interval[0], theirs["ST_conf"][:3], rtol=0.3)
    np.testing.assert_allclose(found.pairs_interval[0, 0, 1], theirs["S2_conf"][0, 1], rtol=0.3)


def test_levels_agree_with_the_exact_indices_and_with_scipy(use_model):
    """Catches: levels drawn unevenly (rounding instead of floor), and an error shared by the exact path: scipy's own
    estimator is run on the same function."""
    use_model(MIXED)
    where = toy.space(levels(), sobol_start=4096, sobol_tolerance=1.0)
    x = toy.inputs(where)
    exact = exact_indices(toy.table(where, lag_ms=MIXED["lag_ms"](x)), ("lag_ms",))
    found = sampled_indices(where, ("lag_ms",))
    np.testing.assert_allclose(found.first, exact.first, atol=0.02)
    np.testing.assert_allclose(found.total, exact.total, atol=0.02)
    np.testing.assert_allclose(found.pairs, exact.pairs, atol=0.03)
    values = [np.array(knob.values) for knob in where.knobs]

    unit = qmc.Sobol(d=6, scramble=False).random(4096)
    first, second = unit[:, :3], unit[:, 3:]

    def function(u):
        placed = [v[(u[:, i] * len(v)).astype(int)] for i, v in enumerate(values)]
        return MIXED["lag_ms"](np.stack(placed, axis=1))[None]

    mixed = np.stack([function(np.where(np.arange(3) == i, second, first)) for i in range(3)])
    scipys = sobol_indices(func={"f_A": function(first), "f_B": function(second), "f_AB": mixed}, n=4096)
    np.testing.assert_allclose(scipys.first_order.ravel(), exact.first[0], atol=0.02)
    np.testing.assert_allclose(scipys.total_order.ravel(), exact.total[0], atol=0.02)


def test_doubling_keeps_earlier_points_and_stops_at_the_tolerance(use_model):
    """Catches: starting over at each doubling, evaluating a point twice, or stopping on the first metric only."""
    model = use_model(MIXED)
    knobs = [toy.knob(i, (0.0, 2.0), continuous=True) for i in range(3)]
    where = toy.space(knobs, sobol_start=64, sobol_tolerance=0.1)
    grown = sampled_indices(where, ("grip_margin_pct", "lag_ms"))
    base = grown.evaluations // 8
    assert base > 64 and grown.converged and len(model.rows) == grown.evaluations
    assert max(grown.first_interval.max(), grown.total_interval.max()) < 0.1
    assert len(np.unique(model.rows, axis=0)) == grown.evaluations
    at_once = sampled_indices(toy.space(knobs, sobol_start=base, sobol_tolerance=0.1), ("grip_margin_pct", "lag_ms"))
    np.testing.assert_array_equal(at_once.first, grown.first)
    np.testing.assert_array_equal(at_once.pairs, grown.pairs)


def test_budget_is_kept_and_said(use_model):
    """Catches: overspending, and calling an unfinished answer converged."""
    model = use_model(MIXED)
    where = toy.space(levels(), sobol_start=64, sobol_budget=1500, sobol_tolerance=1e-4)
    found = sampled_indices(where)
    assert found.evaluations == len(model.rows) == 128 * 8
    assert not found.converged
    with pytest.raises(SpaceError, match="too small"):
        sampled_indices(toy.space(levels(), sobol_budget=60))
    ruled = toy.space(levels(), rules=[CLASH], sobol_budget=1500, sobol_start=64, sobol_tolerance=1e-4)
    assert sampled_indices(ruled).evaluations <= 1500


def test_noise_floor_is_not_zero_and_bounds_an_idle_knob(use_model):
    """Catches: taking the dummy's own index, which is 0 by construction and proves nothing."""
    use_model(ISHIGAMI)
    where = toy.space([*ANGLES, toy.knob(3, range(4))], sobol_start=256, sobol_tolerance=1.0)
    found = sampled_indices(where, ("lag_ms",))
    assert 0.0 < found.noise_floor[0] < 0.2 and 0.0 < found.pairs_noise_floor[0] < 0.4
    assert found.first[0, 3] == found.total[0, 3] == 0.0


def test_constant_and_spoilt_outputs(use_model):
    """Catches: a constant or a hole giving all-zero indices without a word (SALib, scipy)."""
    use_model(MIXED)
    where = toy.space(levels(), sobol_start=64, sobol_tolerance=1.0)
    found = sampled_indices(where, ("bite_pct", "lag_ms"))
    assert found.constant.tolist() == [True, False]
    assert (found.total[0] == 0.0).all() and found.total[1].max() > 0.1 and found.variance[0] == 0.0
    only = sampled_indices(where, ("bite_pct",))
    assert only.converged and only.constant.all()
    use_model(MIXED, valid=lambda p: p[:, 0] < 5)
    with pytest.raises(ModelError, match="no answer for"):
        sampled_indices(where)
    use_model({"lag_ms": lambda p: np.where(p[:, 0] < 5, 1.0, np.nan)})
    with pytest.raises(ModelError, match="not finite"):
        sampled_indices(where)
    with pytest.raises(SpaceError, match="no metric is called"):
        sampled_indices(where, ("sweep.nothing",))


def test_same_seed_same_bytes(use_model):
    """Catches: seed 0 handed to SALib, which reads it as "none"; and a seed that is not used."""
    use_model(MIXED)
    kinds = ((), (CLASH,))
    for rules in kinds:
        runs = [
            sampled_indices(toy.space(levels(), rules=rules, sobol_start=64, sobol_tolerance=1.0, seed=seed))
            for seed in (0, 0, 1)
        ]
        shares = [run.shapley if rules else run.first for run in runs]
        widths = [run.shapley_interval if rules else run.first_interval for run in runs]
        assert shares[0].tobytes() == shares[1].tobytes() != shares[2].tobytes()
        assert widths[0].tobytes() == widths[1].tobytes()


CLASH = Rule("they clash", (("k0", ("0", "1")),), (("k1", ("2",)),))
OTHER = Rule("they clash too", (("k0", ("5",)),), (("k1", ("-1", "0")),))


def test_shapley_under_rules_is_estimated_and_near_the_exact_one(use_model):
    """Catches: redrawing the free knobs without their condition (which gives the effects of independent knobs)."""
    model = use_model(MIXED)
    where = toy.space(levels(), rules=[CLASH, OTHER], sobol_start=4096, sobol_tolerance=1.0, seed=2)
    x = toy.inputs(where)
    names = ("lag_ms", "grip_margin_pct", "bite_pct")
    table = toy.table(where, **{name: MIXED[name](x) for name in names})
    exact = exact_indices(table, names)
    found = sampled_indices(where, names)
    error = np.abs(found.shapley - exact.shapley)
    assert error.max() < 0.06
    assert (error[:2] < 2.0 * found.shapley_interval[:2]).all()
    assert found.constant.tolist() == [False, False, True]
    assert found.first is None and found.total is None and found.pairs is None and not found.exact
    assert "estimate" in found.reason and "dependent" in found.reason
    places = [np.searchsorted(k.values, model.rows[:, i]) for i, k in enumerate(where.knobs)]
    assert where.allowed(np.stack(places, axis=1)).all()
    assert exact.shapley[1, 1] > 0.1  # grip does not read k1: with independent knobs its effect would be 0


def test_rules_that_leave_next_to_nothing(use_model):
    """Catches: an endless rejection loop."""
    use_model(MIXED)
    never = [Rule("never", (("k0", tuple("0125")),))]
    with pytest.raises(SpaceError, match="too few setups"):
        sampled_indices(toy.space(levels(), rules=never, sobol_start=64))
