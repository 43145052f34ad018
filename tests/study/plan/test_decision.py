"""From practice to the setup to take: what says nothing changes nothing, what says much moves it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scenario_toy as toys

from explorer.domain.errors import SpaceError
from explorer.domain.seeds import SCREEN
from explorer.domain.space import Space
from explorer.domain.unknowns import Planning
from explorer.domain.wishes import Wish
from explorer.model.car.slots import SLOT
from explorer.study.plan.decision import Decision, decide, thinned
from explorer.study.plan.kinds import Feel, Lateral, Roll
from explorer.study.plan.reports import Report
from explorer.study.plan.scenario_pass import outcomes_of, question
from explorer.study.plan.scenarios import draw, weighted
from explorer.study.questions.assumptions import thinned_space


@pytest.fixture(autouse=True)
def shorter_race(monkeypatch: pytest.MonkeyPatch) -> None:
    """A race that ends after 32 scenarios: what is tested is what practice does, not how fine the screen is."""
    for room in ("screen", "decision"):
        monkeypatch.setattr(f"explorer.study.plan.{room}.ROUNDS", (8, 16, 32))


@pytest.fixture(scope="module")
def study(bars_and_springs: Space) -> Space:
    """Few setups of a real study; how the ends share grip is what decides, and nobody knows it."""
    unknowns = tuple(
        toys.unknown(SLOT[name], float(bars_and_springs.base[SLOT[name]]), share, "normal", key=name)
        for name, share in (("front_grip_ratio", 0.06), ("grip", 0.05), ("cg_height", 0.002))
    )
    wish = Wish("sweep.balance_pct", "", "near", 0.0, 1.0)
    small = thinned_space(bars_and_springs, 60)
    return replace(small, unknowns=unknowns, wishes=(wish,), limits=(), planning=Planning(scenarios=64))


def decided(space: Space, seed: int, *seen: Report) -> Decision:
    planning = replace(space.planning, seen=seen)
    return decide(replace(space, seed=seed, planning=planning), np.zeros((0, len(space.knobs))))


def taken(found: Decision) -> tuple[float, ...]:
    assert found.headline is not None
    return tuple(found.headline.take.positions)


def nothing_said(space: Space) -> tuple[Report, ...]:
    """Reports that say nothing: readings with an error beyond all sense, and a feel by the toss of a coin."""
    lateral = Lateral("sweep", space.baseline, "a guess", value=9.0, error=1e4)
    feel = Feel("sweep", space.baseline, "pushed, or not", value=-1.0, error=1e6)
    roll = Roll("hairpin", space.baseline, "leans", value=3.0, error=1e4)
    return (lateral, feel, roll)


def test_practice_that_says_nothing_leaves_the_setup_as_it_was(study: Space) -> None:
    """Catches a setup that moves with the draws and is called learnt: over 20 seeds the setup before and after is that
    of the study without practice."""
    for seed in range(20):
        found = decided(study, seed, *nothing_said(study))
        told = found.practised
        assert told is not None and not told.changed
        assert told.learned.effective_share > 0.99 and not told.learned.rejuvenated
        assert taken(found) == tuple(told.before)
        assert seed % 4 or taken(found) == taken(decided(study, seed))


def test_a_feel_as_likely_as_not_in_every_scenario_changes_nothing(
    study: Space, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Catches weights that hang on anything but the law of the report: probability one third whatever the scenario."""
    monkeypatch.setattr(Feel, "law", lambda seen, number: np.full(np.shape(number), 1 / 3))
    pushed = Feel("sweep", study.baseline, "pushed", value=-1.0)
    for seed in range(20):
        found = decided(study, seed, pushed, replace(pushed, phase="hairpin"))
        assert found.practised is not None and not found.practised.changed
        assert taken(found) == tuple(found.practised.before)


@pytest.mark.parametrize("way", ["rotated", "pushed"])
def test_practice_that_says_much_moves_the_setup(study: Space, way: str) -> None:
    """Catches a belief that reaches no setup, one that moves it the wrong way, a gain of the wrong sign, and a setup of
    before that is not held against the new one under what is thought now. A driver who says three times that the car
    rotates wants one that rotates less."""
    value = {"pushed": -1.0, "rotated": 1.0}[way]
    seen = [
        Feel(phase, study.baseline, way, value=value, error=0.5)
        for phase in ("sweep", "hairpin", "exit")
    ]
    moved = 0
    for seed in range(5):
        found = decided(study, seed, *seen)
        told, before = found.practised, decided(study, seed)
        assert told is not None and tuple(told.before) == taken(before)
        places = found.robust.positions
        rows = [int(np.flatnonzero((places == at).all(axis=1))[0]) for at in (taken(found), told.before)]
        assert told.gain == pytest.approx(found.robust.loss[rows[1]] - found.robust.loss[rows[0]], abs=1e-9)
        if told.changed:
            moved += 1
            assert told.gain > 0.0 and taken(found) != tuple(told.before)
            both = np.array([taken(found), tuple(told.before)])
            plain = replace(study, unknowns=())
            values = outcomes_of(question(plain, draw(plain, 1)), both).told.metrics[0]
            balance = question(plain, draw(plain, 1)).metrics.index("sweep.balance_pct")
            assert (values[0, balance] < values[1, balance]) == (way == "rotated")
        else:
            assert taken(found) == tuple(told.before)
    assert moved >= 4


def test_the_same_study_gives_the_same_bytes_and_each_seed_its_own(study: Space) -> None:
    """Catches a draw without the seed of the study, and one that hangs on what was asked before."""
    one, other, third = (decided(study, seed).robust for seed in (3, 3, 4))
    assert one.figures.tobytes() == other.figures.tobytes() and one.loss.tobytes() == other.loss.tobytes()
    assert one.positions.tobytes() == other.positions.tobytes()
    assert not np.array_equal(one.loss[0], third.loss[0])


def test_the_long_look_is_not_that_of_the_screen(study: Space) -> None:
    """Catches scenarios asked twice: a setup that was lucky in the screen would stay lucky."""
    found = decided(study, 5)
    assert len(found.draws) == 64 and found.headline is not None and found.headline.scenarios == 64
    screen = draw(replace(study, seed=5), 256, SCREEN)
    assert not np.isin(found.draws.points.round(12), screen.points.round(12)).any()


def test_thinning_says_how_often_each_was_drawn(study: Space) -> None:
    """Catches scenarios drawn twice that count once."""
    many = draw(study, 256)
    heavy = weighted(many, np.concatenate([np.full(4, 50.0), np.ones(252)]))
    few = thinned(study, heavy, 64)
    assert len(few) < 64 and few.weights.sum() == pytest.approx(1.0)
    at = [int(np.flatnonzero((few.points == point).all(axis=1))[0]) for point in many.points[:4]]
    np.testing.assert_allclose(few.weights[at], 50.0 / 452.0, atol=1.0 / 64.0)


def test_without_a_space_to_list_or_candidates_nothing_is_decided(study: Space) -> None:
    """Catches a search result passed over, and memory filled by a space that cannot be listed."""
    first = study.knobs[0]
    smooth = replace(first, labels=(), values=(0.0, 1.0), settings=first.settings[:2], continuous=True)
    where = replace(study, knobs=(smooth, *study.knobs[1:]))
    with pytest.raises(SpaceError, match="cannot be listed"):
        decide(where, np.zeros((0, len(where.knobs))))
