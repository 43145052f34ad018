"""What is not known as scenarios: laws, bounds, and what each limit means in each of them."""

from dataclasses import replace

import numpy as np
import pytest
import scenario_toy as toys
import study_toy as toy
from scipy import stats

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.seeds import SCENARIOS, SCREEN
from explorer.domain.space import Limit, Reference
from explorer.domain.wishes import Wish
from explorer.model.car.slots import SLOT, SLOTS
from explorer.study.everything.evaluate import table_of
from explorer.study.everything.limits import resolve_limits
from explorer.study.plan.scenarios import (
    bounds_in,
    draw,
    draws_at,
    quantiles,
    reference_scenarios,
    weighted,
    with_builds,
)

LAWS = {
    "normal": stats.norm(2.0, 0.4),
    "lognormal": stats.lognorm(0.2, scale=2.0),
    "uniform": stats.uniform(1.2, 1.6),
    "triangular": stats.triang(0.5, 1.2, 1.6),
}
"""What a best guess of 2 with a half width of 0.8 stands for."""


def simple(*unknowns, **more):
    return toys.with_unknowns(toy.space([toy.knob(0, range(3)), toy.knob(1, range(2))], **more), *unknowns)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("bounds", [(-np.inf, np.inf), (1.5, 2.2)])
def test_draws_follow_the_law_cut_at_its_bounds(law, bounds):
    """Catches: the half width read as one standard deviation, bounds by clipping (which heaps draws on the bound),
    a lognormal about its mean, the wrong spread of the logarithm. Judge: scipy's law given that it lies within."""
    low, high = bounds
    where = simple(toys.unknown(10, 2.0, 0.8, law, low=(low,), high=(high,)))
    numbers = np.sort(draw(where, 4096).numbers[:, 0])
    own = LAWS[law]
    share = (own.cdf(numbers) - own.cdf(low)) / (own.cdf(high) - own.cdf(low))
    middle = (np.arange(4096) + 0.5) / 4096
    assert np.abs(share - middle).max() < 1e-3
    assert low <= numbers.min() and numbers.max() <= high
    lowest, highest = max(low, own.support()[0]), min(high, own.support()[1])
    assert numbers.mean() == pytest.approx(own.expect(lb=lowest, ub=highest, conditional=True), rel=2e-3)


def test_points_are_a_scrambled_low_discrepancy_set_of_the_study_seed():
    """Catches: plain random numbers, one point for all axes, a seed that is ignored, counts that are cut down."""
    where = simple(toys.unknown(10, 1.0, 0.5), toys.unknown(11, 1.0, 0.5), toys.unknown(12, 1.0, 0.5))
    found = draw(where, 33)
    assert found.points.shape == (64, 3) and np.array_equal(found.weights, np.full(64, 1 / 64))
    for axis in found.points.T:
        assert np.array_equal(np.sort((axis * 64).astype(int)), np.arange(64))
    assert abs(np.corrcoef(found.points.T)[0, 1]) < 0.2
    assert np.array_equal(draw(where, 64).points, found.points)
    assert not np.array_equal(draw(replace(where, seed=where.seed + 1), 64).points, found.points)
    assert len(draw(where, 1)) == 1


def test_both_ends_move_by_the_same_quantile_as_factor_or_as_offset():
    """Catches: an own point per slot, a factor on a best guess of zero (which never moves), an offset added to a
    factor, a wrong sign for a negative best guess, numbers left in SI."""
    pair = toys.unknown((20, 30), 0.002, 0.001, key="height_mm")
    pair = replace(pair, values=(0.002, -0.004), spread=(0.001, 0.002))
    zero = toys.unknown(40, 0.0, 0.3)
    where = simple(pair, zero)
    found = draws_at(where, np.array([[0.75, 0.25], [0.5, 0.5]]), np.array([3.0, 1.0]))
    assert list(found.scenarios.slots) == [20, 30, 40]
    np.testing.assert_allclose(found.scenarios.factor, [[1.25, 0.75, 1.0], [1.0, 1.0, 1.0]])
    np.testing.assert_allclose(found.scenarios.offset, [[0.0, 0.0, -0.15], [0.0, 0.0, 0.0]], atol=1e-15)
    np.testing.assert_allclose(found.numbers, [[2.5, -0.15], [2.0, 0.0]], atol=1e-15)
    np.testing.assert_allclose(found.weights, [0.75, 0.25])
    assert "height_mm = 2.5" in found.words(0)
    np.testing.assert_allclose(weighted(found, np.array([0.0, 2.0])).weights, [0.0, 1.0])


def test_without_spread_or_unknowns_nothing_moves():
    """Catches: a division by a spread of zero, and a study without unknowns that cannot be asked at all."""
    assert np.array_equal(draw(simple(toys.unknown(10, 3.0, 0.0, "lognormal")), 8).scenarios.factor, np.ones((8, 1)))
    nothing = draw(simple(), 64)
    assert len(nothing) == 1 and nothing.scenarios.factor.shape == (1, 0)


def test_a_liked_setup_at_home_is_moved_by_the_car_only():
    """Catches: today's grip put on the surface where the liked setup was driven, or a car unknown dropped with it."""
    where = simple(toys.unknown((10, 11), 1.0, 0.5), toys.unknown((12, 13), 2.0, 0.5, of_surface=False))
    found = draw(where, 8)
    own = reference_scenarios(where, found)
    assert list(own.slots) == [12, 13]
    assert np.array_equal(own.factor, found.scenarios.factor[:, 2:]) and own.weights is found.scenarios.weights


LIMITS = (
    Limit("sweep.roll_deg", "at_most", 4.25),
    Limit("sweep.roll_deg", "at_most", 0.5, "baseline"),
    Limit("lag_ms", "at_least", -1.0, "home"),
)
FORMULAS = {
    "sweep.roll_deg": lambda p: (p[:, 0] + 1) * p[:, 10] + p[:, 12] + p[:, 5],
    "lag_ms": lambda p: p[:, 0] * p[:, 12] + p[:, 10] + p[:, 5],
}


def leaning(limits=LIMITS):
    """A baseline, a liked setup at home (slot 5 marks the place), one surface and one car unknown."""
    where = simple(
        toys.unknown(10, 2.0, 0.5), toys.unknown(12, 3.0, 1.0, of_surface=False), limits=limits, baseline=(1.0, 0.0)
    )
    home = where.base.copy()
    home[5], home[10] = 100.0, 7.0
    return replace(where, references=(Reference("home", "home", (2.0, 1.0), home, toy.PHASES, where.phases),))


def test_bounds_are_those_of_the_same_scenario(monkeypatch):
    """Catches: a bound taken at the best guess, the baseline's bound in another scenario, the liked setup put on
    today's surface or with the best-guess car, the value left out. Judge: the formulas by hand."""
    toys.install(monkeypatch, FORMULAS)
    where = leaning()
    found = draw(where, 16)
    bounds = bounds_in(where, found)
    grip, car = found.numbers.T
    assert bounds.valid.all() and bounds.failed == ()
    np.testing.assert_allclose(bounds.values[:, 0], 4.25)
    np.testing.assert_allclose(bounds.values[:, 1], 2 * grip + car + 0.5)
    np.testing.assert_allclose(bounds.values[:, 2], 2 * car + 7.0 + 100.0 - 1.0)


def test_wishes_have_the_target_of_the_same_scenario(monkeypatch):
    """Catches: a target taken at the best guess or on today's surface, a share that is added or a value that is
    multiplied, a knob's target that moves, columns of limits and wishes exchanged. Judge: the formulas by hand."""
    toys.install(monkeypatch, FORMULAS)
    wishes = (
        Wish("sweep.roll_deg", "", "near", 4.0, 0.3),
        Wish("sweep.roll_deg", "", "at_most", -0.5, 0.3, relative_to="baseline"),
        Wish("lag_ms", "", "at_least", 0.8, 1.0, share=True, relative_to="home"),
        Wish("lag_ms", "", "near", 2.0, 1.0, relative_to="home"),
        Wish("", "k0", "near", 1.0, 1.0, relative_to="home"),
    )
    where = replace(leaning(), wishes=wishes)
    found = draw(where, 16)
    bounds = bounds_in(where, found)
    assert bounds.targets.shape == (16, 5) and bounds.valid.all()
    for (grip, car), row in zip(found.numbers, bounds.targets, strict=True):
        there = 2 * car + 7.0 + 100.0
        np.testing.assert_allclose(row, [4.0, 2 * grip + car - 0.5, 0.8 * there, there + 2.0, 2.0 + 1.0])
    np.testing.assert_allclose(bounds.values, bounds_in(leaning(), found).values)
    toys.install(monkeypatch, FORMULAS, valid=lambda p: (p[:, 10] < 2.2) | (p[:, 5] > 0))
    lost = bounds_in(replace(where, limits=()), found)  # the wishes alone lean on the baseline
    bad = found.numbers[:, 0] >= 2.2
    assert np.array_equal(lost.valid, ~bad) and len(lost.failed) == bad.sum() > 0 and not lost.targets[bad].any()


BUILT = (
    toy.knob(0, (1.0, 2.0)),
    replace(toy.knob(1, (10.0, 20.0)), slots=(SLOT["front_spring_rate"], SLOT["rear_spring_rate"]),
            settings=((900.0, 450.0), (1800.0, 500.0)), tolerance_relative=0.08),
    replace(toy.knob(2, (10.0, 20.0)), slots=(SLOT["front_ride_height"],), settings=((0.02,), (0.03,)),
            tolerance_absolute=0.004),
    replace(toy.knob(3, (0.0, 1.0)), slots=(SLOT["front_camber"],), settings=((-0.01,), (0.0,)),
            tolerance_absolute=0.02),
    replace(toy.knob(4, (0.0, 1.0, 2.0)), slots=(SLOT["front_bar_rate"],), settings=((0.0,), (100.0,), (300.0,)),
            tolerance_absolute=50.0),
    replace(toy.knob(5, (0.0, 1.0)), slots=(SLOT["rear_bar_rate"],), settings=((20.0,), (300.0,)),
            tolerance_absolute=50.0),
    replace(toy.knob(6, (0.0,)), slots=(SLOT["front_droop"],), settings=((0.0,),), tolerance_absolute=1.0),
)  # fmt: skip
"""A knob without tolerance, a relative one over two slots, absolute ones: well above 0, of a number that may be
negative, of a part that may be absent, of one weaker than its tolerance, and of one that is always absent."""


def test_parts_are_off_by_their_tolerance_and_never_less_than_nothing():
    """Catches: a share taken for a number or the other way round, an own error for each slot of a knob, one error for
    all knobs, errors that go with an unknown, half the tolerance, a knob without tolerance that moves, a bar that is
    not there weaker than none, a camber that is cut at 0."""
    where = toys.with_unknowns(toy.space(BUILT), toys.unknown(SLOT["grip"], 1.0, 0.1))
    plain = draw(where, 64)
    found = with_builds(where, plain.scenarios)
    assert found.weights is plain.weights and len(found.factor) == len(found.offset) == 64
    assert np.array_equal(found.slots[:1], plain.scenarios.slots)
    assert np.array_equal(found.factor[:, :1], plain.scenarios.factor)
    column = {int(slot): k for k, slot in enumerate(found.slots)}
    assert set(column) == {SLOT["grip"], *(slot for knob in BUILT[1:] for slot in knob.slots)} and 0 not in column

    def off(slot, setting):
        k = column[SLOT[slot]]
        return setting * found.factor[:, k] + found.offset[:, k] - setting

    shares = [off("front_spring_rate", 1800.0) / (0.08 * 1800.0), off("front_ride_height", 0.02) / 0.004,
              off("front_camber", 0.0) / 0.02]  # fmt: skip
    for share in shares:  # evenly spread over the whole of the tolerance: one in each of 64 strata
        assert np.array_equal(np.sort(np.floor((share + 1.0) * 32.0).astype(int)), np.arange(64))
    np.testing.assert_allclose(off("rear_spring_rate", 450.0), shares[0] * 0.08 * 450.0)
    np.testing.assert_allclose(off("front_camber", -0.01), shares[2] * 0.02, atol=1e-15)
    assert np.abs(np.corrcoef([*shares, plain.points[:, 0]]) - np.eye(4)).max() < 0.35
    for knob in BUILT[1:]:
        for setting in knob.settings:
            for slot, own in zip(knob.slots, setting, strict=True):
                built = own * found.factor[:, column[slot]] + found.offset[:, column[slot]]
                if slot != SLOT["front_camber"]:
                    assert built.min() >= 0.0 and (own > 0.0 or not built.any())
    # no bar among them: 50 of 200 on average; the weaker bar is off by no more than itself
    assert np.abs(off("front_bar_rate", 300.0)).max() == pytest.approx(0.25 * 300.0, rel=0.05)
    assert np.abs(off("rear_bar_rate", 300.0)).max() == pytest.approx(20.0, rel=0.05)
    exact = toys.with_unknowns(toy.space(BUILT[:1]), *where.unknowns)
    assert with_builds(exact, plain.scenarios) is plain.scenarios
    more = with_builds(where, draw(where, 64, SCREEN).scenarios)
    assert np.array_equal(more.offset[:, 1:], found.offset[:, 1:]) and not np.array_equal(more.factor, found.factor)


def test_scenarios_in_which_the_baseline_fails_are_marked_and_named(monkeypatch):
    """Catches: zeros of an unanswered baseline taken as a bound, the fault dropped in silence, or one bad scenario
    stopping everything."""
    toys.install(monkeypatch, FORMULAS, valid=lambda p: (p[:, 10] < 2.2) | (p[:, 5] > 0))
    where = leaning()
    found = draw(where, 16)
    bad = found.numbers[:, 0] >= 2.2
    bounds = bounds_in(where, found)
    assert np.array_equal(bounds.valid, ~bad) and 0 < bad.sum() < 16
    assert len(bounds.failed) == bad.sum() and "baseline" in bounds.failed[0] and "u10 = 2." in bounds.failed[0]
    toys.install(monkeypatch, FORMULAS, valid=lambda p: p[:, 5] > 0)
    with pytest.raises(ModelError, match="any of 16 scenarios.*baseline"):
        bounds_in(where, found)
    assert bounds_in(leaning(LIMITS[:1]), found).valid.all()


def test_real_bounds_at_the_best_guess_are_those_of_the_study(bars_and_springs):
    """Catches: a second reading of the same limits: scenarios that move nothing must give the known bounds bit for
    bit, a moved car must give those of a study about that car."""
    slot = SLOT["cg_height"]
    best = float(bars_and_springs.base[slot])
    unknown = toys.unknown(slot, best, 0.2 * best, of_surface=False)
    where = replace(bars_and_springs, unknowns=(unknown,))
    found = draws_at(where, np.array([[0.5], [0.9]]), np.ones(2))
    bounds = bounds_in(where, found)
    assert np.array_equal(bounds.values[0], [limit.bound for limit in resolve_limits(bars_and_springs)])
    scale = np.ones(len(SLOTS))
    scale[slot] = 1.16
    other = replace(
        where,
        base=where.base * scale,
        references=tuple(replace(liked, base=liked.base * scale) for liked in where.references),
    )
    np.testing.assert_allclose(bounds.values[1], [limit.bound for limit in resolve_limits(other)], rtol=1e-9)
    assert np.abs(bounds.values[1] - bounds.values[0]).max() > 0.1
    assert table_of(other, np.array([other.baseline])).valid.all()


def test_what_cannot_be_drawn_is_refused_with_its_name():
    """Catches: a wrong law taken for another, a lognormal of a negative number, NaN from bounds beyond the law, one
    slot moved twice, points on the edge (infinite), weights that cannot be scaled."""
    with pytest.raises(SpaceError, match="u10.*'gamma'.*normal"):
        draw(simple(toys.unknown(10, 1.0, 0.5, "gamma")), 4)
    with pytest.raises(SpaceError, match="u10.*lognormal.*above zero"):
        draw(simple(toys.unknown(10, -1.0, 0.5, "lognormal")), 4)
    with pytest.raises(SpaceError, match="u10.*between its bounds 5 and 6"):
        draw(simple(toys.unknown(10, 1.0, 0.5, low=(5.0,), high=(6.0,))), 4)
    with pytest.raises(SpaceError, match="u10 and u11 both"):
        draw(simple(toys.unknown(10, 1.0, 0.5), toys.unknown((11, 10), 1.0, 0.5)), 4)
    where = simple(toys.unknown(10, 1.0, 0.5))
    for points in (np.array([[0.0]]), np.array([[np.nan]]), np.zeros((2, 2)), np.zeros((0, 1))):
        with pytest.raises(SpaceError, match="points"):
            draws_at(where, points, np.ones(len(points)))
    for weights in (np.zeros(2), np.array([1.0, -1.0]), np.ones(3), np.array([np.nan, 1.0])):
        with pytest.raises(SpaceError, match="2 finite numbers"):
            draws_at(where, np.full((2, 1), 0.5), weights)
    with pytest.raises(SpaceError, match="at least 1"):
        draw(where, 0)
    with pytest.raises(SpaceError, match="other unknowns"):
        bounds_in(simple(toys.unknown(11, 1.0, 0.5)), draw(where, 4))
    with pytest.raises(SpaceError, match="'nowhere'.*baseline"):
        bounds_in(replace(where, limits=(Limit("lag_ms", "at_most", 1.0, "nowhere"),)), draw(where, 4))
    assert np.isfinite(quantiles(toys.unknown(0, 1.0, 0.5, "normal"), np.array([2.0**-40, 1 - 2.0**-40]))).all()


@pytest.mark.parametrize("stage", [SCENARIOS, SCREEN])
def test_how_parts_come_out_says_nothing_of_what_is_not_known(stage):
    """Catches: errors of building that are drawn on the axes of the unknowns: the same axis scrambled twice takes its
    halves in the same order, and every unknown would be tied to a part."""
    knobs = [replace(toy.knob(k, (1.0, 2.0)), tolerance_relative=0.1) for k in range(6)]
    where = toys.with_unknowns(toy.space(knobs), *(toys.unknown(slot, 1.0, 0.5) for slot in range(20, 30)))
    for seed in range(3):
        found = draw(replace(where, seed=seed), 256, stage)
        built = with_builds(replace(where, seed=seed), found.scenarios).factor[:, 10:]
        assert np.abs(np.corrcoef(built.T, found.points.T) - np.eye(16)).max() < 0.2
