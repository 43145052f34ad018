"""Whether the decision moves with the seed, and whether its errors are those it states: the shipped studies, long."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from explorer.domain.space import FloatArray, Space
from explorer.inputs.load import load_study
from explorer.study.everything.evaluate import evaluate_all
from explorer.study.everything.limits import feasible, resolve_limits
from explorer.study.everything.wishes import best_rows, resolve_wishes, shortfalls
from explorer.study.plan.decision import Decision, decide
from explorer.study.plan.robust import BROKEN_LOSS, robust_of
from explorer.study.plan.scenario_pass import outcomes_of, question
from explorer.study.plan.scenarios import draw

CONFIGS = Path(__file__).parents[3] / "configs"
pytestmark = pytest.mark.long


def study(name: str, seed: int) -> Space:
    space = load_study(CONFIGS / f"{name}.toml").space
    return replace(space, seed=seed, planning=replace(space.planning, scenarios=4_096, seen=()))


def decided(space: Space) -> Decision:
    return decide(space, np.zeros((0, len(space.knobs))))


@pytest.mark.parametrize("name", ["demo", "2wd_turf", "4wd_dusty", "4wd_turf"])
def test_the_headline_does_not_move_with_the_seed(name: str) -> None:
    """Catches: a headline that hangs on the draws. Five seeds: the same setup in four at least, and where it is another
    the report calls the two equal and 65,536 other scenarios cannot tell their losses apart."""
    found = [decided(study(name, seed)) for seed in range(1, 6)]
    takes = [one.headline.take for one in found if one.headline is not None]
    assert len(takes) == 5
    names, counts = np.unique([" ".join(take.labels) for take in takes], return_counts=True)
    usual = names[int(np.argmax(counts))]
    common = next(take for take in takes if " ".join(take.labels) == usual)
    odd = [one for one in found if one.headline is not None and " ".join(one.headline.take.labels) != usual]
    for one in odd:
        assert one.headline is not None
        assert usual in [" ".join(equal.labels) for equal in one.headline.equal]
        both = np.stack([common.positions, one.headline.take.positions])
        outcomes = outcomes_of(question(study(name, 1), draw(study(name, 1), 65_536, 99)), both)
        losses = robust_of(study(name, 1), outcomes)
        assert abs(float(np.diff(losses.loss)[0])) <= 2.0 * float(losses.loss_error.max())
    assert counts.max() >= 4 or odd


@pytest.mark.parametrize("name", ["4wd_dusty", "4wd_turf"])
def test_figures_lie_within_their_errors(name: str) -> None:
    """Catches: standard errors that are too small. Judge: 65,536 scenarios of another draw; nine figures in ten within
    two stated standard errors."""
    space = study(name, 11)
    few = decided(space)
    outcomes = outcomes_of(question(space, draw(space, 65_536, 99)), few.robust.positions)
    many = robust_of(space, outcomes)

    def inside(one: FloatArray, other: FloatArray, error: FloatArray) -> list[bool]:
        told = error > 0.0
        return list((np.abs(one - other)[told] <= 2.0 * error[told]).ravel())

    found = inside(few.robust.share, many.share, few.robust.share_error)
    found += inside(few.robust.loss, many.loss, few.robust.loss_error)
    for on in ("mean", "quantile"):
        found += inside(few.robust.figure(on), many.figure(on), few.robust.error(on))
    assert np.mean(found) >= 0.9 and len(found) > 100


def test_the_headline_loses_less_than_the_setup_of_the_best_guess() -> None:
    """Catches: a decision over the unknown that is no better than none. Hidden cars drawn from what is assumed, four
    studies: regret against the best setup of each car, a broken limit as `BROKEN_LOSS`. Measured: 0.154 and 0.242,
    0.078 and 0.163, 0.147 and 0.265, 0.176 and 0.176 (the same setup)."""
    headline, nominal = [], []
    for name in ("2wd_turf", "4wd_dusty", "4wd_turf", "4wd_carpet"):
        space = study(name, 20261)
        table = evaluate_all(space)
        good = np.flatnonzero(feasible(resolve_limits(space), table))
        wishes, places = resolve_wishes(space), table.positions[good]
        best = places[best_rows(space, wishes, places, good, shortfalls(wishes, table.take(good)))[0]]
        found = decide(space, best[None])
        assert found.headline is not None
        some = good[np.random.default_rng(3).choice(len(good), 600, replace=False)]
        both = np.stack([found.headline.take.positions, best])
        every = np.concatenate([both, found.robust.positions, space.positions_of(some)])
        told = outcomes_of(question(space, draw(space, 64, 777)), every).told
        lost = told.losses + BROKEN_LOSS * ~told.good
        regret = (lost[:, :2] - lost.min(axis=1, keepdims=True)).mean(axis=0)
        headline.append(regret[0])
        nominal.append(regret[1])
    assert np.mean(headline) == pytest.approx(0.14, abs=0.01) and np.mean(nominal) == pytest.approx(0.21, abs=0.01)
    assert max(a - b for a, b in zip(headline, nominal, strict=True)) < 0.02
