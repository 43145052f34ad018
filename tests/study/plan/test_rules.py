"""Rules of at most three numbers: planted boxes are found, and nothing is made of too little."""

import numpy as np
import pytest

from explorer.study.plan.rules import WORTH_A_SIDE, best_box

COUNT = 2_048
EVEN = np.full(COUNT, 1.0 / COUNT)


@pytest.mark.parametrize("seed", range(6))
def test_a_planted_box_is_found_through_noise(seed: int) -> None:
    """Catches: sides the wrong way round, a pair that shuts out the third side, coverage and density swapped."""
    rng = np.random.default_rng(seed)
    x = rng.normal(size=(COUNT, 20))
    inside = (x[:, 3] > 0.5) & (x[:, 17] < 0.3) & (x[:, 11] > -0.7)
    happens = inside ^ (rng.random(COUNT) < 0.03)
    box = best_box(x, EVEN, happens)
    sides = [] if box is None else [(side.unknown, side.above) for side in box.sides]
    assert box is not None and sides == [(3, True), (11, True), (17, False)]
    assert max(abs(side.value - at) for side, at in zip(box.sides, (0.5, -0.7, 0.3), strict=True)) < 0.2
    lies = np.ones(COUNT, dtype=bool)
    for side in box.sides:
        lies &= (x[:, side.unknown] > side.value) == side.above
    assert box.coverage == pytest.approx(lies[happens].mean()) and box.coverage > 0.75
    assert box.density == pytest.approx(happens[lies].mean()) and box.density > 0.9
    assert box.happens == pytest.approx(happens.mean())


def test_one_number_is_not_told_as_three() -> None:
    """Catches: sides that chance alone adds."""
    rng = np.random.default_rng(1)
    x = rng.normal(size=(COUNT, 8))
    box = best_box(x, EVEN, x[:, 5] > 0.32)
    assert box is not None and len(box.sides) == 1 and box.sides[0].unknown == 5
    assert min(box.coverage, box.density) > 1.0 - 5.0 * WORTH_A_SIDE


def test_weights_decide_and_too_little_is_no_rule() -> None:
    """Catches: scenarios counted in place of their weights; a rule for what happens in a handful, always or never; a
    rule on numbers that never vary."""
    rng = np.random.default_rng(2)
    x = rng.normal(size=(COUNT, 3))
    heavy = np.where(np.arange(COUNT) % 2 == 0, 1.9, 0.1) / COUNT
    happens = np.where(np.arange(COUNT) % 2 == 0, x[:, 0] > 0.0, x[:, 1] > 0.0)
    box = best_box(x, heavy / heavy.sum(), happens)
    assert box is not None and {side.unknown for side in box.sides} == {0}
    few = np.zeros(COUNT, dtype=bool)
    few[:9] = True
    for nothing in (few, ~few, np.zeros(COUNT, dtype=bool), np.ones(COUNT, dtype=bool)):
        assert best_box(x, EVEN, nothing) is None
    assert best_box(np.ones((COUNT, 2)), EVEN, happens) is None
