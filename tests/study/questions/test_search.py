from dataclasses import replace

import numpy as np
import pytest
import study_toy as toy

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import Limit, Rule
from explorer.study.everything.front import hypervolume, pareto_front
from explorer.study.everything.limits import feasible, resolve_limits
from explorer.study.questions.search import agreement, search_function, search_space

FORMULAS = {
    "lag_ms": lambda p: (p[:, 0] - 3) ** 2 + p[:, 1] + 0.5 * p[:, 2],
    "grip_margin_pct": lambda p: p[:, 1] * 1.5 + p[:, 0] - 0.1 * p[:, 2] ** 2,
    "lift_margin_pct": lambda p: p[:, 2] * 2.0 - p[:, 0],
}
OBJECTIVES = (toy.LAG, toy.GRIP, toy.LIFT)
GENERATIONS = {"search_trials": 400, "search_budget": 0}
"""Settings of a search by generations alone."""


def knobs():
    return [toy.knob(i, range(8)) for i in range(3)]


def exact_front(where):
    x = toy.inputs(where)
    table = toy.table(where, **{name: formula(x) for name, formula in FORMULAS.items()})
    return pareto_front(table, feasible(resolve_limits(where), table))


def zdt(second):
    def batch(x):
        g = 1 + 9 * x[:, 1:].mean(axis=1)
        return np.stack([x[:, 0], g * second(x[:, 0] / g)], axis=1), np.zeros((len(x), 0))

    return batch


@pytest.mark.parametrize(
    ("second", "whole"), [(lambda r: 1 - np.sqrt(r), 1.1**2 - 1 / 3), (lambda r: 1 - r**2, 1.1**2 - 2 / 3)]
)
def test_zdt_fronts_are_found(second, whole):
    """Catches: parents that are not selected (a random search of this size stays far away) and maximising.
    (Zitzler, Deb, Thiele 2000), 4 variables, 1200 points, at least 93 % of the hypervolume."""
    bounds = ((0.0, 1.0, False),) * 4
    found = search_function(zdt(second), bounds, 2, trials=1200, population=40, seed=5)
    random = zdt(second)(np.random.default_rng(0).random((1200, 4)))[0]
    assert hypervolume(found.objectives, 1.1) > 0.93 * whole
    assert hypervolume(random, 1.1) < 0.5 * whole
    assert len(found.points) == 1200 and found.generations == 30


def test_dtlz2_front_is_found():
    """Catches: only two objectives being told. (Deb et al. 2002), 3 objectives, 5 variables."""

    def batch(x):
        g = 1 + ((x[:, 2:] - 0.5) ** 2).sum(axis=1)
        a, b = x[:, 0] * np.pi / 2, x[:, 1] * np.pi / 2
        sphere = np.stack([np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)], axis=1)
        return g[:, None] * sphere, np.zeros((len(x), 0))

    found = search_function(batch, ((0.0, 1.0, False),) * 5, 3, trials=2000, population=100, seed=5)
    assert hypervolume(found.objectives, 1.1) > 0.9 * 0.8074012


def test_a_small_front_is_found_and_nothing_is_evaluated_twice(use_model):
    """Catches: a search no better than chance (a tenth of this space holds a tenth of its six best setups), a cache
    that does not hold, recall counted against itself."""

    def off(p):
        return (p[:, 1] - 4) ** 2 + (p[:, 2] - 1) ** 2 + p[:, 3]

    formulas = {
        "lag_ms": lambda p: (p[:, 0] - 1) ** 2 + off(p),
        "grip_margin_pct": lambda p: -((p[:, 0] - 6) ** 2) - off(p),
    }
    model = use_model(formulas)
    where = toy.space([toy.knob(i, range(8)) for i in range(4)], **GENERATIONS, search_population=40, seed=1)
    found = search_space(where, ())
    searched = model.rows[: -len(found.table)]  # then the candidates once more, with all metrics
    assert len(np.unique(searched, axis=0)) == len(searched) == len(found.table) == found.looked == 400
    x = toy.inputs(where)
    exact = pareto_front(toy.table(where, **{name: formula(x) for name, formula in formulas.items()}))
    judged = agreement(found.front, exact)
    assert len(exact) == 6 and where.size == 4096
    assert judged.recall >= 5 / 6 and judged.hypervolume_ratio > 0.98
    assert not found.front.exact and found.forbidden == 0 and found.counts.feasible == 400
    assert found.asked == 400 + found.repeats


def test_whole_space_within_reach_gives_the_exact_front(use_model):
    """Catches: a search that never ends once every setup is known, or that misses setups for good."""
    use_model(FORMULAS)
    where = toy.space(
        [toy.knob(i, range(4)) for i in range(3)], objectives=OBJECTIVES, search_trials=5000, search_population=16
    )
    found = search_space(where, ())
    judged = agreement(found.front, exact_front(where))
    assert len(found.table) <= 64
    assert (judged.recall, judged.setup_recall, judged.hypervolume_ratio) == (1.0, 1.0, pytest.approx(1.0))


def test_limits_steer_the_search(use_model):
    """Catches: limits kept from the optimiser, or told with the sign turned. 35 of 4096 setups keep this one, on
    a metric that is no objective, so that 400 random ones hold about three."""
    use_model({**FORMULAS, "bite_pct": lambda p: p[:, 0] + p[:, 1] + p[:, 2]})
    limits = (Limit("bite_pct", "at_least", 41.0),)
    fine = [toy.knob(i, range(16)) for i in range(3)]
    where = toy.space(fine, objectives=OBJECTIVES, limits=limits, **GENERATIONS, search_population=20, seed=4)
    assert (toy.inputs(where).sum(axis=1) >= 41).sum() == 35
    found = search_space(where, resolve_limits(where))
    assert found.counts.feasible >= 15
    assert (found.table.column("bite_pct")[found.front.rows] >= 41.0).all() and len(found.front) > 0


def test_forbidden_setups_are_never_evaluated(use_model):
    """Catches: evaluating or ranking what a rule forbids, and telling the optimiser that it is fine (its scores are
    0 then, the best lag there is)."""
    model = use_model(FORMULAS)
    rule = Rule("they clash", (("k0", ("2", "3", "4", "5")),), (("k1", ("6", "7")),))  # 3 of 8 setups
    where = toy.space(knobs(), [rule], objectives=OBJECTIVES, **{**GENERATIONS, "search_trials": 200})
    found = search_space(where, ())
    assert where.allowed(model.rows[:, :3]).all() and where.allowed(found.table.positions).all()
    assert 0 < found.forbidden < 0.3 * (found.forbidden + len(found.table))
    assert agreement(found.front, exact_front(where)).hypervolume_ratio > 0.9
    changed = search_space(replace(where, settings=replace(where.settings, search_budget=400)), ())
    assert where.allowed(model.rows[:, :3]).all() and changed.forbidden == found.forbidden < changed.looked
    never = toy.space(
        knobs(), [Rule("never", (("k0", tuple("01234567")),))], objectives=OBJECTIVES, search_trials=40,
        search_population=20,
    )  # fmt: skip
    with pytest.raises(SpaceError, match="forbidden"):
        search_space(never, ())


def test_invalid_setups_stay_out_of_the_front(use_model):
    """Catches: the zeros stored for an unanswered setup winning as the lowest lag."""
    use_model(FORMULAS, valid=lambda p: p[:, 0] != 3)
    where = toy.space(knobs(), objectives=OBJECTIVES, search_trials=200, search_population=20)
    found = search_space(where, ())
    assert 0 < found.counts.invalid == len(found.failed) <= 64 and (found.failed[:, 0] == 3).all()
    assert found.counts.valid + found.counts.invalid == found.looked and found.table.valid.all()
    assert found.table.valid[found.front.rows].all() and (found.front.positions[:, 0] != 3).all()


def test_a_space_without_answers_is_no_crash(use_model):
    """Catches: tables of no rows that cannot be put together."""
    use_model(FORMULAS, valid=lambda p: p[:, 0] < 0)
    found = search_space(toy.space(knobs(), objectives=OBJECTIVES, search_trials=40, search_population=20), ())
    assert len(found.front) == len(found.table) == found.counts.valid == 0 and len(found.failed) == found.looked


def test_continuous_and_fixed_knobs(use_model):
    """Catches: a knob of one level breaking the sampler, continuous positions outside 0 to 1, and steps of a range that
    are coarser than said, or that the changes of one and two knobs leave out."""
    use_model(FORMULAS)
    mixed = [toy.knob(0, (0.0, 7.0), continuous=True), toy.knob(1, range(8)), toy.knob(2, (5,))]
    where = toy.space(mixed, objectives=OBJECTIVES, search_trials=200, search_population=20)
    found = search_space(where, ())
    share = found.table.positions[:, 0]
    assert share.min() >= 0.0 and share.max() <= 1.0 and (share * 256 == np.floor(share * 256)).all()
    best = found.table.column("lag_ms").min()
    assert best == pytest.approx(2.5, abs=(7 / 256) ** 2)  # (k0 - 3)^2 + k1 + 2.5 has its least there
    assert found.local.jumping and found.local.standing_tried == found.local.standing


def test_same_seed_same_search(use_model):
    """Catches: seed 0 read as "none" by optuna, and a seed that is not handed on."""
    use_model(FORMULAS)
    settings = {"search_trials": 80, "search_population": 20, "search_budget": 200}
    runs = [search_space(toy.space(knobs(), objectives=OBJECTIVES, seed=seed, **settings), ()) for seed in (0, 0, 9)]
    positions = [run.table.positions.tobytes() for run in runs]
    assert positions[0] == positions[1] != positions[2]


def test_agreement_by_hand():
    """Catches: recall of setups passed off as recall of points, or the ratio taken the wrong way round."""
    where = toy.space([toy.knob(0, range(5))])
    lag, grip = np.array([0.0, 1.0, 1.0, 2.0, 9.0]), np.array([0.0, 1.0, 1.0, 2.0, 0.0])
    table = toy.table(where, lag_ms=lag, grip_margin_pct=grip)
    exact = pareto_front(table)
    part = pareto_front(table, np.array([True, True, False, False, True]), exact=False)
    judged = agreement(part, exact)
    assert judged.recall == pytest.approx(2 / 3) and judged.setup_recall == pytest.approx(2 / 4)
    # points (0, 1) (.5, .5) (1, 0) below (1.1, 1.1): 0.11 + 0.6 * 0.5 + 0.05 = 0.46; without the last 0.41
    assert judged.hypervolume_ratio == pytest.approx((1.1 * 0.1 + 0.6 * 0.5) / (1.1 * 0.1 + 0.6 * 0.5 + 0.1 * 0.5))
    with pytest.raises(SpaceError, match="empty"):
        agreement(part, pareto_front(table, np.zeros(5, dtype=bool)))


def test_bad_numbers_and_senseless_sizes_are_loud():
    """Catches: a NaN told to the optimiser, which would drop the trial in silence; seed 0."""
    bounds = ((0.0, 1.0, False),)
    with pytest.raises(ModelError, match="not finite"):
        search_function(lambda x: (x * np.nan, x[:, :0]), bounds, 1, trials=4, population=2, seed=1)
    for wrong in ({"population": 1}, {"trials": 0}, {"seed": 0}):
        with pytest.raises(SpaceError):
            search_function(lambda x: (x, x[:, :0]), bounds, 1, **{"trials": 4, "population": 2, "seed": 1, **wrong})
