"""Single and double changes: planted fronts, listed spaces searched all the same, a plain search of far more setups."""

from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest
import study_toy as toy

from explorer.bench.scale import grown
from explorer.domain.space import Limit, Objective, Rule, Space
from explorer.inputs.load import load_study
from explorer.report.words import local_text
from explorer.study.everything.evaluate import table_of
from explorer.study.everything.front import nondominated, objective_values, scores_of
from explorer.study.everything.limits import feasible, resolve_limits
from explorer.study.everything.stream import stream
from explorer.study.everything.wishes import resolve_wishes
from explorer.study.questions.neighbours import KEPT, MANY, Grid, steps_in
from explorer.study.questions.search import agreement, search_space

CONFIGS = Path(__file__).parents[3] / "configs"
STEPS = (Objective("lag_ms", -1, 1.0), Objective("grip_margin_pct", 1, 1.0))


def pairs(p):
    """0 where all pairs of knobs stand at 5; a knob moved without its pair loses more than it gains."""
    one, two = p[:, 1:9:2], p[:, 2:9:2]
    return (4.0 * np.abs(one - two) + np.abs(one - 5.0)).sum(axis=1)


PLANTED = {"lag_ms": lambda p: p[:, 0] + pairs(p), "grip_margin_pct": lambda p: p[:, 0] - pairs(p)}
"""The front is the ten setups with all pairs at 5: a point for every level of the first knob."""


def planted(**more):
    return toy.space(
        [toy.knob(i, range(10)) for i in range(9)], objectives=STEPS, method="sampled", search_trials=200,
        search_population=20, **more,
    )  # fmt: skip


def neighbours_of(where: Space, positions: np.ndarray) -> np.ndarray:
    """Every setup one or two knobs away from one of these, plainly."""
    found = set()
    for place in positions:
        for one, two in product(range(len(place)), repeat=2):
            for a, b in product(range(where.knobs[one].size), range(where.knobs[two].size)):
                other = place.copy()
                other[one], other[two] = a, b
                found.add(tuple(other))
    return np.array(sorted(found))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_planted_front_among_a_billion_is_found_whole(use_model, seed):
    """Catches: double changes left out (every single one loses here), a search that stops while something improves, and
    one that goes on once nothing does."""
    use_model(PLANTED)
    where = planted(seed=seed)
    found = search_space(where, ())
    assert where.full_size == 10**9 and found.front.groups == len(found.front) == 10
    assert (found.front.positions[:, 1:] == 5.0).all()
    local = found.local
    assert (local.standing, local.standing_tried, local.ties) == (10, 10, 0) and local.looked < local.budget
    assert local_text(found).startswith("No single or double change of a setup that stands for one of its points")
    alone = search_space(replace(where, settings=replace(where.settings, search_budget=0)), ())
    assert alone.front.scores[:, 0].min() > 0.0 and "not tried" in local_text(alone)


def test_no_single_or_double_change_improves_where_it_says_so(use_model):
    """Catches: a sentence that is not so. Every neighbour of every member is asked again, plainly; with a rule, a limit
    and ties."""
    formulas = {
        "lag_ms": lambda p: (p[:, 0] - 2) ** 2 + np.abs(p[:, 1] - p[:, 2]) + p[:, 3] // 3,
        "grip_margin_pct": lambda p: p[:, 0] + p[:, 1] // 2 - np.abs(p[:, 2] - p[:, 3]),
        "bite_pct": lambda p: p[:, 1] + p[:, 3],
    }
    use_model(formulas)
    rule = Rule("they clash", (("k0", ("4", "5")),), (("k1", ("0", "1", "2", "3")),))
    limits = (Limit("bite_pct", "at_least", 4.0),)
    where = toy.space(
        [toy.knob(i, range(6)) for i in range(4)], [rule], objectives=STEPS, limits=limits, search_trials=40,
        search_population=10, method="sampled",
    )  # fmt: skip
    resolved = resolve_limits(where)
    found = search_space(where, resolved)
    assert found.local.ties == found.local.ties_tried > 0 and "nor one of a setup that ties" in local_text(found)
    near = neighbours_of(where, found.front.positions)
    near = near[where.allowed(near)]
    table = table_of(where, near)
    scores = scores_of(objective_values(table), where.objectives)[feasible(resolved, table)]
    points = np.unique(found.front.scores, axis=0)
    both = np.unique(np.concatenate([points, scores]), axis=0)
    assert {tuple(s) for s in both[nondominated(both)]} == {tuple(s) for s in points}


def test_the_budget_is_kept_and_told(use_model):
    """Catches: more setups than allowed, work thrown away at the cut, and a sentence that claims what was not done."""
    model = use_model(PLANTED)
    found = search_space(planted(search_budget=3000), ())
    assert found.local.looked == 3000 and found.looked == 3200
    assert len(model.rows) == found.looked + len(found.table)
    assert found.local.standing_tried < found.local.standing
    assert "the budget of 3,000 setups was spent" in local_text(found)
    assert len(np.unique(model.rows[: found.looked], axis=0)) == found.looked


def test_where_nothing_is_feasible_the_limits_come_nearer(use_model):
    """Catches: no way on from setups that all break a limit. One setup of 10^9 keeps this one."""
    use_model({**PLANTED, "bite_pct": lambda p: -pairs(p) - np.abs(p[:, 0] - 7.0)})
    where = replace(planted(), limits=(Limit("bite_pct", "at_least", 0.0),))
    found = search_space(where, resolve_limits(where))
    assert found.counts.feasible == 1 and found.front.positions.tolist() == [[7.0] + [5.0] * 8]
    where = replace(where, limits=(Limit("bite_pct", "at_least", 1.0),))
    none = search_space(where, resolve_limits(where))
    assert len(none.front) == 0 and none.counts.feasible == 0 and "miss by least" in local_text(none)
    assert none.candidates(1).tolist() == [[7.0] + [5.0] * 8]


def test_candidates_are_the_best_of_all_looked_at(use_model):
    """Catches: candidates in the order they were met, a front that is not among the first, the loss left out, setups
    that break a limit before those that keep all."""
    use_model({**PLANTED, "bite_pct": lambda p: p[:, 8]})
    where = replace(planted(search_budget=20_000), limits=(Limit("bite_pct", "at_least", 3.0),))
    limits = resolve_limits(where)
    found = search_space(where, limits)
    good = feasible(limits, found.table)
    assert KEPT == len(found.table) < found.looked == found.counts.valid and good.all()
    assert found.counts.broken[0] == found.looked - found.counts.feasible > 0
    first = {tuple(place) for place in found.candidates(found.front.groups)}
    assert first == {tuple(place) for place in found.front.positions[found.front.named]}
    scores = scores_of(objective_values(found.table), where.objectives)
    assert scores[:100].sum() < scores[-100:].sum()
    assert np.array_equal(sum(found.asked_by_level[0]), found.looked)


def test_ranges_are_searched_in_steps_of_what_can_be_fitted():
    """Catches: steps coarser than the build tolerance, a baseline that cannot be gone back to, jumps out of range."""
    fine = toy.knob(0, (0.0, 10.0), continuous=True, tolerance_absolute=0.3)
    free = toy.knob(1, (0.0, 1.0), continuous=True)
    where = toy.space([fine, free, toy.knob(2, range(40))], baseline=(0.123, 0.5, 0.0))
    grid = Grid(where)
    assert (steps_in(fine), steps_in(free)) == (64, 256) and 10.0 / 64 <= 0.3 < 10.0 / 32
    assert [len(places) for places in grid.places] == [66, 257, 40] and grid.jumping and MANY < 40
    assert grid.positions(grid.home[None, :].astype(float))[0].tolist() == list(where.baseline)
    single = grid.around(np.array([3.0, 128.0, 39.0]), 1)
    assert sorted(single[(single[:, 1] == 128.0) & (single[:, 2] == 39.0), 0]) == [1, 2, 4, 5, 7, 8, 11, 19, 35]
    assert (np.count_nonzero(single != [3.0, 128.0, 39.0], axis=1) == 1).all()
    double = grid.around(np.array([3.0, 128.0, 39.0]), 2)
    assert (np.count_nonzero(double != [3.0, 128.0, 39.0], axis=1) == 2).all()
    assert len(np.unique(double, axis=0)) == len(double) == len(np.unique(grid.keys(double)))


def plain_search(where: Space, limits, total: int, seed: int) -> np.ndarray:
    """Points of the front that random setups find, a quarter of the total, then crossings of that front's members with
    two knobs in all drawn anew: no local search, no library. (points, objectives)"""
    rng = np.random.default_rng(seed)
    sizes = np.array([knob.size for knob in where.knobs])
    places, scores = np.zeros((0, len(sizes))), np.zeros((0, len(where.objectives)))
    for start in range(0, total, 8192):
        many = (min(8192, total - start), len(sizes))
        tried = np.floor(rng.random(many) * sizes)
        if len(places) and start > total // 4:
            one, two = places[rng.integers(0, len(places), (2, many[0]))]
            crossed = np.where(rng.random(many) < 0.5, one, two)
            tried = np.where(rng.random(many) < 2 / len(sizes), tried, crossed)
        table = table_of(where, tried)
        good = feasible(limits, table)
        places = np.concatenate([places, tried[good]])
        scores = np.concatenate([scores, scores_of(objective_values(table), where.objectives)[good]])
        best = nondominated(scores)
        places, scores = places[best], scores[best]
    return np.unique(scores, axis=0)


def beaten(ours: np.ndarray, theirs: np.ndarray) -> int:
    """How many of our points one of theirs dominates."""
    return sum(bool(((theirs <= p).all(axis=1) & (theirs < p).any(axis=1)).any()) for p in ours)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_plain_search_beats_no_point(use_model, seed):
    """Catches: a search whose points a plain one of 50,000 setups dominates, as the generations alone are."""
    use_model(PLANTED)
    where = planted(seed=seed, search_budget=100_000)
    theirs = plain_search(where, (), 50_000, seed)
    assert beaten(search_space(where, ()).front.scores, theirs) == 0
    alone = replace(where, settings=replace(where.settings, search_budget=0))
    assert beaten(search_space(alone, ()).front.scores, theirs) > 0


@pytest.fixture(scope="module")
def demo():
    """The demo's space and its exact front."""
    space = load_study(CONFIGS / "demo.toml").space
    whole = stream(space, resolve_limits(space), ())
    with whole.store:
        return space, whole.front


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_demos_own_front_is_found_without_listing_it(demo, seed):
    """Catches: a search that misses points of a front that is known, with ties, limits, rules, wishes and the compiled
    model: a fifth of the space, the whole front."""
    space, front = demo
    settings = replace(space.settings, method="sampled", search_trials=240, search_population=24, search_budget=20_000)
    space = replace(space, seed=seed, settings=settings)
    judged = agreement(search_space(space, resolve_limits(space), wishes=resolve_wishes(space)).front, front)
    assert judged.recall == 1.0 and judged.hypervolume_ratio == pytest.approx(1.0)


@pytest.mark.long
def test_a_plain_search_of_231094_beats_no_point_of_the_demo_at_a_billion():
    """Catches: the same on the compiled model, with ride heights of some 480 levels each."""
    where = grown(load_study(CONFIGS / "demo.toml").space, 10**9)
    limits = resolve_limits(where)
    found = search_space(where, limits, wishes=resolve_wishes(where))
    assert where.full_size > 0.9e9 and beaten(found.front.scores, plain_search(where, limits, 231_094, 1)) == 0
