"""What to do next: the value of an answer against closed forms, its error, and what is told of it."""

import numpy as np
import pytest
from scipy.stats import norm

from explorer.study.plan.actions import sample_information

COUNT = 4_096
EVEN = np.full(COUNT, 1.0 / COUNT)


def two_setups(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """A number z ~ N(0, 1), and losses 0 and z."""
    z = np.random.default_rng(seed).permutation(norm.ppf((np.arange(COUNT) + 0.5) / COUNT))
    return z, np.stack([np.zeros(COUNT), z], axis=1)


@pytest.mark.parametrize("seed", range(4))
def test_a_perfect_answer_is_worth_the_perfect_information(seed: int) -> None:
    """Catches: a sign turned, the best setup after an answer taken for the best before. Knowing the sign of z before
    choosing between losses 0 and z saves E[max(0, -z)] = phi(0)."""
    z, lost = two_setups(seed)
    gain, error, choices = sample_information(lost, EVEN, np.stack([z < 0.0, z >= 0.0]).astype(float))
    assert gain == pytest.approx(norm.pdf(0.0), abs=4.0 * error) and 0.0 < error < 0.02
    assert choices.tolist() == [1, 0]


def test_a_blurred_answer_is_worth_less_by_the_closed_form() -> None:
    """Catches: an answer's law left out. Told the sign of z + e, e ~ N(0, s): the gain is phi(0)/sqrt(1 + s^2)."""
    for blur in (0.5, 1.0, 2.0):
        z, lost = two_setups(7)
        below = norm.cdf(-z / blur)
        gain, error, _ = sample_information(lost, EVEN, np.stack([below, 1.0 - below]))
        assert gain == pytest.approx(norm.pdf(0.0) / np.hypot(1.0, blur), abs=4.0 * error)


def test_an_answer_that_says_nothing_gains_nothing() -> None:
    """Catches: a gain made by choosing and judging on the same scenarios, among forty setups of pure noise."""
    gains = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        lost = rng.normal(size=(512, 40))
        chances = rng.dirichlet(np.ones(3), size=512).T
        gain, error, _ = sample_information(lost, np.full(512, 1.0 / 512), chances)
        gains.append(gain / error)
    assert abs(np.mean(gains)) < 3.0 / np.sqrt(20) and np.abs(gains).max() < 4.0
