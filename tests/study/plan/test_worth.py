"""What to measure next: closed forms of the value of information, its bias, and a real study."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.special import ndtri
from scipy.stats import norm, qmc

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import Space
from explorer.domain.unknowns import Unknown
from explorer.domain.wishes import Wish
from explorer.model.car.slots import SLOT
from explorer.study.plan.scenario_pass import Answers, Outcomes, outcomes_of, question
from explorer.study.plan.scenarios import draw
from explorer.study.plan.worth import BROKEN_LOSS, FOLDS, _fits, knowing, spline_basis, worth_of

COUNT = 1024


def scores(axes: int, seed: int = 7) -> np.ndarray:
    """Standard normal scenarios, low discrepancy."""
    return ndtri(np.clip(qmc.Sobol(axes, seed=seed).random(COUNT), 1e-12, 1.0 - 1e-12))


def normal_loss(mean: float, spread: float) -> float:
    """Gain of knowing X ~ N(mean, spread) before choosing between 0 and X: `s (phi(a) - a (1 - Phi(a)))`, `a = |m|/s`,
    the unit normal loss integral (Raiffa & Schlaifer 1961, ch. 5)."""
    a = abs(mean) / spread
    return spread * (norm.pdf(a) - a * norm.sf(a))


EVEN = np.full(COUNT, 1.0 / COUNT)


@pytest.mark.parametrize("mean", [0.0, 0.5, -1.2])
def test_two_setups_of_normal_worth_have_the_closed_form(mean: float) -> None:
    """Catches the inner mean left out (every unknown is then worth the ceiling), today's best counted wrongly, and a
    ceiling that is not the joint one."""
    z = scores(3)
    utilities = np.stack([np.zeros(COUNT), mean + 1.0 * z[:, 0] + 1.5 * z[:, 1]], axis=1)
    found = worth_of(utilities, z, EVEN)
    by_unknown = {one.unknown: one for one in found.asked}
    assert [one.unknown for one in found.asked][:2] == [1, 0]
    for unknown, spread in ((0, 1.0), (1, 1.5)):
        exact, one = normal_loss(mean, spread), by_unknown[unknown]
        assert one.value == pytest.approx(exact, abs=0.02)
        assert one.low <= exact <= one.high and one.clear
    assert found.everything == pytest.approx(normal_loss(mean, np.hypot(1.0, 1.5)), abs=0.02)
    assert by_unknown[2].value < 0.05 and not by_unknown[2].clear
    assert found.best == int(mean > 0.0) or mean == 0.0


def test_a_curved_gain_needs_more_than_a_straight_line() -> None:
    """Catches a regression that is always straight: U = z^2 - 1 has slope zero, yet knowing z is worth
    E[max(0, z^2 - 1)] = 2 phi(1)."""
    z = scores(2)
    found = worth_of(np.stack([np.zeros(COUNT), z[:, 0] ** 2 - 1.0], axis=1), z, EVEN)
    assert found.asked[0].unknown == 0 and found.asked[0].size > 1
    assert found.asked[0].value == pytest.approx(2.0 * norm.pdf(1.0), abs=0.03)


def test_an_unknown_through_a_product_is_worth_nothing_alone() -> None:
    """Catches a regression that reads the other unknown: U = z0 z1 has inner mean zero in each."""
    z = scores(2)
    found = worth_of(np.stack([np.zeros(COUNT), z[:, 0] * z[:, 1]], axis=1), z, EVEN)
    assert max(one.value for one in found.asked) < 0.05 and not any(one.clear for one in found.asked)
    assert found.everything == pytest.approx(1.0 / np.pi, abs=0.03)


def test_pure_noise_among_many_setups_shows_its_bias() -> None:
    """Catches a bias that is hidden: forty setups of noise make a worthless unknown look worth something; shuffled
    unknowns must look as good, and none may be called clear."""
    rng = np.random.default_rng(5)
    z = scores(3)
    found = worth_of(rng.normal(size=(COUNT, 40)), z, EVEN)
    values = np.array([one.value for one in found.asked])
    assert found.shuffled > 0.0 and values.max() < 3.0 * found.shuffled + 0.02
    assert not any(one.clear for one in found.asked)
    assert all(one.held_out < one.value for one in found.asked)


def test_intervals_hold_the_exact_value() -> None:
    """Catches intervals far too short: 20 independent samples, exact value known, 85 % must hold it."""
    held, exact = 0, normal_loss(0.4, 1.0)
    for seed in range(20):
        z = np.random.default_rng(seed).standard_normal((256, 2))
        utilities = np.stack([np.zeros(256), 0.4 + z[:, 0] + z[:, 1]], axis=1)
        one = next(one for one in worth_of(utilities, z[:, :1], np.full(256, 1 / 256)).asked)
        held += one.low <= exact <= one.high
    assert held >= 17


def test_weights_count() -> None:
    """Catches weights left out: scenarios of zero weight must not matter, and doubled ones count twice."""
    z = scores(2)
    utilities = np.stack([np.zeros(COUNT), 0.3 + z[:, 0]], axis=1)
    plain = worth_of(utilities, z, EVEN)
    more = np.concatenate([utilities, 50.0 + utilities[::2]]), np.concatenate([z, z[::2] - 9.0])
    padded = worth_of(*more, np.concatenate([EVEN, np.zeros(COUNT // 2)]))
    assert padded.everything == pytest.approx(plain.everything) and padded.utility == pytest.approx(plain.utility)
    assert padded.asked[0].value == pytest.approx(plain.asked[0].value, rel=0.02)
    tilted = np.exp(0.5 * z[:, 0])
    tilted /= tilted.sum()  # z0 ~ N(0.5, 1)
    found = worth_of(utilities, z, tilted)
    assert found.asked[0].value == pytest.approx(normal_loss(0.8, 1.0), abs=0.02)


def test_a_known_number_and_a_single_setup_are_worth_nothing() -> None:
    """Catches a division by a spread of zero, and a gain where there is no choice."""
    z = scores(1)
    fixed = np.column_stack([z, np.full(COUNT, 3.0)])
    found = worth_of(np.stack([np.zeros(COUNT), z[:, 0]], axis=1), fixed, EVEN)
    assert next(one for one in found.asked if one.unknown == 1).value == 0.0
    alone = worth_of(z.copy(), fixed, EVEN)
    assert alone.everything == 0.0 and all(one.value == one.high == 0.0 for one in alone.asked)


def test_spline_terms_are_straight_outside_and_survive_few_values() -> None:
    """Catches a spline that bends beyond its last knot, and equal knots that divide by zero."""
    x = np.linspace(-3.0, 3.0, 601)
    weights = np.full(601, 1 / 601)
    basis = spline_basis(x, weights, 4)
    assert basis.shape[1] == 5
    assert np.abs(np.diff(basis[:10], 2, axis=0)).max() < 1e-9 and np.abs(np.diff(basis[-10:], 2, axis=0)).max() < 1e-9
    assert np.abs(np.diff(basis, 2, axis=0)).max() > 1e-6
    assert np.isfinite(spline_basis(np.round(x), weights, 8)).all()


def test_nonsense_is_refused() -> None:
    """Catches NaN that goes in quietly, weights that do not sum to one, and a handful of scenarios."""
    z = scores(1)
    utilities = np.stack([np.zeros(COUNT), z[:, 0]], axis=1)
    with pytest.raises(ModelError, match="not finite"):
        worth_of(np.where(utilities > 2.0, np.nan, utilities), z, EVEN)
    with pytest.raises(SpaceError, match="sum to one"):
        worth_of(utilities, z, 2.0 * EVEN)
    with pytest.raises(SpaceError, match="effective"):
        worth_of(utilities[:8], z[:8], np.full(8, 0.125))
    with pytest.raises(SpaceError, match="scenarios differ"):
        worth_of(utilities[:-1], z, EVEN)


# ---- a real study


@pytest.fixture(scope="module")
def study(bars_and_springs: Space) -> Space:
    """The real study with grip balance, grip and tyre stiffness unknown."""

    def normal(key: str, slots: tuple[str, ...], share: float) -> Unknown:
        values = tuple(float(bars_and_springs.base[SLOT[name]]) for name in slots)
        return Unknown(
            key, "", tuple(SLOT[name] for name in slots), values, tuple(share * v for v in values),
            tuple(0.3 * v for v in values), tuple(3.0 * v for v in values), "normal", True, "test",
        )  # fmt: skip

    found = (
        normal("front_grip_ratio", ("front_grip_ratio",), 0.2),
        normal("grip", ("grip",), 0.05),
        normal("tyre_rate_n_per_mm", ("front_tyre_rate", "rear_tyre_rate"), 0.02),
    )
    wish = Wish("sweep.balance_pct", "", "near", 0.0, 1.0)
    return dataclasses.replace(bars_and_springs, unknowns=found, wishes=(wish,), limits=())


def setups(space: Space) -> np.ndarray:
    ends = ({}, {"front_bar": "none"}, {"rear_bar": "none"}, {"front_bar": "2.4"}, {"rear_bar": "2.4"})
    return np.array([space.setup(choice) for choice in ends])


def test_the_balance_of_grip_is_what_to_measure_where_it_is_what_is_not_known(study: Space) -> None:
    """Catches unknowns and their numbers taken in different orders: the widest unknown that splits front from rear must
    lead, and all of it stay under the ceiling; same seed, same answer."""
    outcomes = outcomes_of(question(study, draw(study, 256)), setups(study))
    found = knowing(study, outcomes)
    first = found.worth.asked[0]
    assert found.keys[first.unknown] == "front_grip_ratio" and first.clear
    assert all(0.0 <= one.value <= found.worth.everything for one in found.worth.asked)
    assert found.loss == BROKEN_LOSS and np.array_equal(found.candidates, setups(study))
    assert found.worth.utility == pytest.approx(-outcomes.told.losses.mean(axis=0).min())
    assert knowing(study, outcomes).worth == found.worth


def made_up(study: Space, losses: np.ndarray, good: np.ndarray, answered: np.ndarray) -> Outcomes:
    """Setups that answer so in scenarios of equal weight; the first unknown tells the even from the odd ones."""
    count, rows = losses.shape
    told = Answers(np.zeros((count, rows, 1)), np.zeros((count, rows, 1)), answered, good[:, :, None], losses)
    numbers = np.random.default_rng(2).random((count, len(study.unknowns)))
    numbers[:, 0] = np.arange(count) % 2
    shares = np.full(count, 1 / count)
    asked = setups(study)[:rows]
    return Outcomes(
        asked, shares, numbers, numbers, told, np.zeros((rows, 1)), np.ones(rows, dtype=bool), (), 0.0
    )  # fmt: skip


def test_a_broken_limit_costs_the_declared_loss_in_its_own_scenario(study: Space) -> None:
    """Catches a loss taken off everywhere or counted as a gain, and a broken limit that costs nothing: of two setups
    that lose 1 and 2 the first breaks a limit in every even scenario, which the first unknown tells: knowing it buys
    the first setup's lead of 1 in the odd half."""
    losses = np.tile([1.0, 2.0], (64, 1))
    good = np.ones((64, 2), dtype=bool)
    answered = good.copy()
    good[::2, 0] = False
    one = dataclasses.replace(study, objectives=study.objectives[:1])
    found = knowing(one, made_up(one, losses, good, answered)).worth
    assert found.best == 1 and found.utility == pytest.approx(-2.0)
    assert found.everything == pytest.approx(0.5)
    assert found.asked[0].unknown == 0 and found.asked[0].value == pytest.approx(0.5)
    assert found.asked[0].held_out == pytest.approx(0.5)
    whole = knowing(one, made_up(one, losses, np.ones_like(good), answered)).worth
    assert whole.best == 0 and whole.utility == pytest.approx(-1.0) and whole.everything == 0.0


def test_a_setup_without_an_answer_is_worth_no_more_than_any_that_answers(study: Space) -> None:
    """Catches zeros of a failed setup read as a loss of nothing: it loses what the worst of the others does there, and
    keeps no limit."""
    losses = np.tile([3.0, 4.0], (64, 1))
    answered = np.ones((64, 2), dtype=bool)
    answered[3:7, 0], losses[3:7, 0] = False, 0.0
    one = dataclasses.replace(study, objectives=study.objectives[:1])
    found = knowing(one, made_up(one, losses, answered.copy(), answered)).worth
    assert found.best == 0
    assert found.utility == pytest.approx(-(60 * 3.0 + 4 * (4.0 + BROKEN_LOSS)) / 64)


@pytest.mark.parametrize("size", [1, 4, 8])
def test_fits_are_those_of_a_plain_solver_part_by_part(size: int) -> None:
    """Catches a part left in its own fit, weights left out, terms that fall together (a number with three values)."""
    rng = np.random.default_rng(size)
    for number in (rng.normal(size=200), np.round(rng.random(200) * 2.0)):
        weights = rng.random(200) * (rng.random(200) < 0.8)
        weights /= weights.sum()
        ahead, fold = rng.normal(size=(200, 5)), rng.integers(0, FOLDS, 200)
        basis, root = spline_basis(number, weights, size), np.sqrt(weights)[:, None]
        fitted, told = _fits(ahead, basis, weights, fold)
        for part in (None, *range(FOLDS)):
            seen = fold != part
            solved = np.linalg.lstsq((basis * root)[seen], (ahead * root)[seen], rcond=1e-10)[0]
            rows = np.flatnonzero(weights > 0.0) if part is None else np.flatnonzero((fold == part) & (weights > 0.0))
            wanted = (basis @ solved)[rows]
            np.testing.assert_allclose((fitted if part is None else told)[rows], wanted, atol=1e-8)
