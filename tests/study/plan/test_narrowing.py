"""The shortlist of some scenarios alone: the same setups as from the whole pass, with far fewer questions."""

from dataclasses import replace

import numpy as np
import pytest
import scenario_toy as toys
import study_toy as toy

from explorer.domain.errors import ModelError
from explorer.domain.space import Limit
from explorer.domain.unknowns import Planning
from explorer.study.plan import narrowing
from explorer.study.plan.robust import lowered_bar, robust_of
from explorer.study.plan.robust_shortlist import robust_shortlist
from explorer.study.plan.scenario_pass import outcomes_of
from explorer.study.plan.scenarios import draw, weighted

FORMULAS = {
    "lag_ms": lambda p: 20 - p[:, 0] * p[:, 10] + 0.3 * p[:, 1] * p[:, 11],
    "grip_margin_pct": lambda p: 30 - np.abs(p[:, 0] - 3 * p[:, 11]) - 0.7 * p[:, 2] * p[:, 10],
    "sweep.roll_deg": lambda p: 3 * p[:, 10] + p[:, 1] + 0.4 * p[:, 2],
    "clearance_mm": lambda p: 8 * p[:, 11] - p[:, 0] - p[:, 2],
}


class Counting(toys.World):
    """Counts the pairs of setup and scenario that are asked."""

    pairs = 0

    def __call__(self, parameters, phases, slots, factor, offset):
        self.pairs += len(parameters) * len(factor)
        return super().__call__(parameters, phases, slots, factor, offset)


def world(monkeypatch, valid=None):
    found = Counting(FORMULAS, valid)
    monkeypatch.setattr("explorer.study.everything.evaluate.evaluate_parameters", found)
    return found


def study(roll, on="quantile", quantile=0.2):
    where = toy.space([toy.knob(k, range(8)) for k in range(3)], baseline=(1.0, 2.0, 2.0), limits=(
        Limit("sweep.roll_deg", "at_most", roll), Limit("clearance_mm", "at_least", -0.5, "baseline")))  # fmt: skip
    where = replace(where, planning=Planning(quantile=quantile, shortlist_on=on))
    return toys.with_unknowns(where, toys.unknown(10, 1.0, 0.6), toys.unknown(11, 1.0, 0.5, "normal"))


def whole(where, draws):
    found = robust_shortlist(robust_of(where, outcomes_of(where, draws)), where, where.planning.shortlist_on)
    return found, np.array([pick.positions for pick in found.picks]).reshape(-1, 3)


@pytest.mark.parametrize("seed", [None, 5])
@pytest.mark.parametrize(("roll", "lowered", "asked"), [(7.0, False, 0.8), (3.6, True, 0.8), (2.2, True, 1.0)])
@pytest.mark.parametrize("on", ["quantile", "mean", "worst", "nominal", "regret"])
def test_the_same_setups_as_from_the_whole_pass(monkeypatch, on, roll, lowered, asked, seed):
    """Catches: a setup dropped that could still be picked, the safest one lost, a bar lowered too little, a quantile
    over the batches that were asked, weights left out of what was lost, a regret against survivors only."""
    where = study(roll, on)
    draws = draw(where, 64)
    if seed is not None:
        draws = weighted(draws, np.random.default_rng(seed).random(64) ** 3)
    monkeypatch.setattr(narrowing, "PROBED", 16)
    everything = world(monkeypatch)
    listed, positions = whole(where, draws)
    assert bool(listed.note) == lowered and len(positions)
    counted = world(monkeypatch)
    assert np.array_equal(narrowing.picked(where, draws, on), positions)
    if on != "regret":
        assert counted.pairs < asked * everything.pairs


def test_chunks_and_the_order_of_parts_change_nothing(monkeypatch):
    """Catches: survivors of a chunk numbered as rows of the space, parts joined in the order they come."""
    where = study(3.6)
    draws = draw(where, 32)
    world(monkeypatch)
    positions = whole(where, draws)[1]
    monkeypatch.setattr("explorer.study.plan.scenario_pass.BLOCK_BYTES", 200_000)

    def backwards(ranges, work):
        return [work(start, stop) for start, stop in list(ranges)[::-1]]

    assert np.array_equal(narrowing.picked(where, draws, "quantile", maker=backwards), positions)


def test_nothing_kept_nothing_picked_and_nothing_answered_is_said(monkeypatch):
    """Catches: a bound of zero kept limits that drops everything and then fails on an empty list."""
    where = study(-50.0)
    draws = draw(where, 32)
    world(monkeypatch)
    assert narrowing.picked(where, draws, "quantile").shape == (0, 3)
    world(monkeypatch, valid=lambda p: (p[:, 10] < 1.2) | ((p[:, 0] == 1) & (p[:, 1] == 2) & (p[:, 2] == 2)))
    alone = narrowing.picked(study(7.0), draws, "quantile")
    assert len(alone) <= 1 and np.array_equal(alone, whole(study(7.0), draws)[1])
    world(monkeypatch, valid=lambda p: p[:, 10] < 1.2)
    free = replace(study(7.0), limits=(Limit("sweep.roll_deg", "at_most", 7.0),))
    with pytest.raises(ModelError, match="no setup has an answer in every scenario"):
        narrowing.picked(free, draws, "quantile")


def test_the_lowered_bar_grows_with_the_best_share():
    """Catches: a bound taken from a setup that is not the best, and yet above the bound the best would give."""
    for effective in (1, 2, 9, 64, 1000):
        weights = np.full(effective, 1.0 / effective)
        bars = [lowered_bar(most, weights) for most in np.linspace(0.0, 1.0, 2001)]
        assert np.all(np.diff(bars) >= 0.0)
