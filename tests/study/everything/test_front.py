import time
from dataclasses import replace

import numpy as np
import pytest
import study_toy as toy
from hypothesis import given, settings
from hypothesis import strategies as st

from explorer.domain.errors import ModelError
from explorer.domain.space import Objective
from explorer.study.everything import front
from explorer.study.everything.front import (
    greedy_subset,
    hypervolume,
    nondominated,
    normalised,
    objective_values,
    pareto_front,
    scores_of,
)


def brute_force(points):
    """Every pair compared: kept when no other is nowhere worse and somewhere better."""
    return np.array([not any((q <= p).all() and (q < p).any() for q in points) for p in points])


@pytest.mark.parametrize("objectives", [1, 2, 3, 4, 5, 6])
def test_nondominated_equals_brute_force_on_tied_grids(objectives):
    """Catches: ties dropped (moocore's default), and a wrong map from distinct points back to rows."""
    rng = np.random.default_rng(objectives)
    for size, top in ((1, 3), (40, 3), (150, 5), (300, 3)):
        points = rng.integers(0, top, size=(size, objectives)).astype(float)
        assert nondominated(points).tolist() == brute_force(points).tolist()


def sorted_front(points):
    """By the sort alone, as where cells cannot be had: a half in a column with other values keeps it from them."""
    return nondominated(points * 0.5 + 0.25)


@settings(max_examples=200, deadline=None)
@given(
    st.integers(1, 4).flatmap(
        lambda n: st.lists(st.tuples(*[st.integers(-3, 5)] * n), min_size=1, max_size=60).map(
            lambda rows: np.array(rows, dtype=float)
        )
    ),
    st.floats(1.0, 1e6).map(np.floor),
)
def test_cells_give_the_members_of_the_sort(points, far):
    """Catches: a cell that beats itself, one that is beaten by a better neighbour and kept, ties dropped, cells mixed
    up where scores are negative or far from 0, a column of one value."""
    expected = brute_force(points).tolist()
    assert nondominated(points).tolist() == sorted_front(points).tolist() == expected
    assert nondominated(points * [1.0, *[-1.0] * (points.shape[1] - 1)] * far).tolist() == (
        brute_force(points * [1.0, *[-1.0] * (points.shape[1] - 1)]).tolist()
    )
    assert nondominated(points + far).tolist() == expected


@pytest.mark.parametrize("objectives", [1, 2, 3, 4])
def test_cells_and_sort_agree_on_a_chunk(monkeypatch, objectives):
    """Catches: other members on as many rows as a pass hands over, and cells never used (the sort is taken away)."""
    rng = np.random.default_rng(objectives)
    mixed = rng.normal(size=(16_384, 6)) @ rng.normal(size=(6, objectives))
    points = np.floor(mixed * 40.0 / np.ptp(mixed, axis=0).max())
    expected = sorted_front(points)
    monkeypatch.setattr(front, "distinct", None)
    assert nondominated(points).tolist() == expected.tolist() and 0 < expected.sum() < 16_384


def test_cells_cost_a_fraction_of_the_sort():
    """Catches: cells slower than what they replace. A ninth to a fourteenth of its CPU time when measured, held to a
    third: least of several, both in this process."""
    mixed = np.random.default_rng(1).normal(size=(16_384, 3))
    points = np.asfortranarray(np.floor(mixed * 8.0))

    def least(work):
        found = []
        for _ in range(7):
            start = time.process_time()
            work(points)
            found.append(time.process_time() - start)
        return min(found)

    assert least(nondominated) < least(sorted_front) / 3


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(*[st.integers(0, 4)] * 3), min_size=1, max_size=30))
def test_front_properties(rows):
    """Catches: order dependence. The front of a front is itself; order and repeats change nothing."""
    points = np.array(rows, dtype=float)
    best = points[nondominated(points)]
    assert nondominated(best).all()
    assert sorted(map(tuple, points[::-1][nondominated(points[::-1])])) == sorted(map(tuple, best))
    volume = hypervolume(points, 6.0)
    assert hypervolume(best, 6.0) == pytest.approx(volume, abs=1e-9)
    assert hypervolume(np.concatenate([points, points])[::-1], 6.0) == pytest.approx(volume, abs=1e-9)
    assert hypervolume(points[:-1], 6.0) <= volume + 1e-9


def test_tiny_front_by_hand():
    """Catches: a wrong turn of the axes. 5+8+2+1 by hand."""
    points = np.array([(1, 5), (2, 3), (4, 2), (5, 1), (3, 4), (6, 6)], dtype=float)
    assert nondominated(points).tolist() == [True] * 4 + [False] * 2
    assert hypervolume(points, 6.0) == pytest.approx(16.0, abs=1e-12)


@pytest.mark.parametrize("r", [1.0, 1.1, 2.0, 11.0])
def test_hypervolume_of_zdt_fronts(r):
    """Catches: a reference on the wrong side or scaled. Zitzler, Deb, Thiele (2000): r^2 - 1/3 and
    r^2 - 2/3; 20001 points fall 2.5e-5 short."""
    f1 = np.linspace(0, 1, 20001)
    assert r * r - 1 / 3 - hypervolume(np.stack([f1, 1 - np.sqrt(f1)], 1), r) == pytest.approx(2.5e-5, abs=1e-5)
    assert r * r - 2 / 3 - hypervolume(np.stack([f1, 1 - f1**2], 1), r) == pytest.approx(2.5e-5, abs=1e-5)


def test_hypervolume_of_spheres():
    """Catches: errors of the third dimension. Deb, Thiele, Laumanns, Zitzler (2002)."""
    u = np.linspace(0, np.pi / 2, 121)
    a, b = (angle.ravel() for angle in np.meshgrid(u, u))
    sphere = np.stack([np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)], 1)
    assert hypervolume(sphere, 1.1) == pytest.approx(0.80181, abs=1e-5)
    v = np.linspace(0, np.pi / 2, 20001)
    assert hypervolume(np.stack([np.cos(v), np.sin(v)], 1), 1.1) == pytest.approx(0.4246018, abs=1e-4)


def test_scores_round_half_up_and_turn():
    """Catches: banker's rounding (np.round puts 0.5 and 1.5 apart by 2), and a higher-is-better axis left as it is."""
    objectives = (Objective("lag_ms", -1, 1.0), Objective("grip_margin_pct", 1, 0.5))
    values = np.array([[0.5, 0.74], [1.5, 0.76], [-0.5, -0.26]])
    assert scores_of(values, objectives).tolist() == [[1.0, -1.0], [2.0, -2.0], [0.0, 1.0]]


def test_front_names_the_least_change_of_each_tie():
    """Catches: dominance on raw values, ties split, or the tie named by row instead of by work from the baseline."""
    knobs = [toy.knob(0, (0, 1, 2), minutes=10.0), toy.knob(1, (0, 1), minutes=1.0)]
    where = toy.space(knobs, baseline=(2.0, 1.0))
    # rows: (0,0) (0,1) (1,0) (1,1) (2,0) (2,1); rounded to 0.5: all but rows 0 and 5 tie
    lag = np.array([9.0, 5.1, 5.0, 5.2, 5.05, 1.0])
    grip = np.array([1.0, 8.0, 8.0, 8.1, 7.9, 2.0])
    front = pareto_front(toy.table(where, lag_ms=lag, grip_margin_pct=grip))
    assert front.rows.tolist() == [5, 4, 1, 3, 2]
    assert front.group.tolist() == [0, 1, 1, 1, 1]
    assert front.named.tolist() == [True, True, False, False, False]
    assert front.groups == 2 and front.exact
    assert front.values[0].tolist() == [1.0, 2.0]


def test_fewest_changes_come_before_fewest_minutes():
    """Catches: naming a tie by minutes first: one slow change beats two quick ones, two quick ones beat two slow."""
    knobs = [toy.knob(0, (0, 1), minutes=10.0), toy.knob(1, (0, 1), minutes=1.0), toy.knob(2, (0, 1), minutes=2.0)]
    where = toy.space(knobs)
    among = np.isin(np.arange(8), (0b011, 0b100, 0b110))
    front = pareto_front(toy.table(where, lag_ms=np.zeros(8)), among)
    assert front.rows.tolist() == [0b100, 0b011, 0b110]


def test_front_leaves_out_invalid_and_unmarked_rows():
    """Catches: the zeros stored for an unanswered setup winning as the lowest lag."""
    where = toy.space([toy.knob(0, range(4))])
    table = toy.table(where, lag_ms=np.array([0.0, 5.0, 4.0, 3.0]), grip_margin_pct=np.full(4, 1.0))
    table = replace(table, valid=np.array([False, True, True, True]))
    assert pareto_front(table).rows.tolist() == [3]
    assert pareto_front(table, np.array([True, True, True, False])).rows.tolist() == [2]
    empty = pareto_front(table, np.zeros(4, dtype=bool))
    assert len(empty) == 0 and empty.groups == 0


def test_front_of_a_table_equals_brute_force():
    """Catches: rows, groups and scores coming apart when sorted."""
    where = toy.space([toy.knob(0, range(20)), toy.knob(1, range(20))], objectives=(toy.LAG, toy.GRIP, toy.LIFT))
    rng = np.random.default_rng(2)
    table = toy.table(
        where, lag_ms=rng.random(400) * 4, grip_margin_pct=rng.random(400) * 4, lift_margin_pct=rng.random(400) * 6
    )
    front = pareto_front(table)
    scores = scores_of(objective_values(table), where.objectives)
    assert sorted(front.rows) == np.flatnonzero(brute_force(scores)).tolist()
    np.testing.assert_array_equal(scores[front.rows], front.scores)
    assert len({tuple(s) for s in front.scores}) == front.groups == front.group[-1] + 1
    for group in range(front.groups):
        assert len({tuple(s) for s in front.scores[front.group == group]}) == 1


def test_one_bad_number_is_loud():
    """Catches: a NaN that deletes the front in silence (moocore does) or passes through the hypervolume."""
    bad = np.array([[1.0, 2.0], [np.nan, 1.0], [2.0, 1.0]])
    for call in (nondominated, hypervolume):
        with pytest.raises(ModelError, match="not finite"):
            call(bad)
    where = toy.space([toy.knob(0, range(3))])
    with pytest.raises(ModelError, match="not finite"):
        pareto_front(toy.table(where, lag_ms=bad[:, 0], grip_margin_pct=bad[:, 1]))


def test_greedy_subset_equals_plain_greedy():
    """Catches: a stale gain taken for a fresh one, and points that add nothing being listed."""
    rng = np.random.default_rng(4)
    for objectives in (2, 3, 4):
        raw = rng.integers(0, 12, size=(80, objectives)).astype(float)
        front = np.unique(raw[brute_force(raw)], axis=0)
        points = normalised(front, front)
        chosen: list[int] = [1] if len(points) > 1 else []
        start = tuple(chosen)
        while len(chosen) < 5:
            base = hypervolume(points[chosen]) if chosen else 0.0
            gains = [hypervolume(points[[*chosen, i]]) - base for i in range(len(points))]
            if max(gains) <= 1e-12:
                break
            chosen.append(int(np.argmax(np.array(gains) > max(gains) - 1e-12)))
        assert greedy_subset(points, 5, start) == tuple(chosen)
    assert greedy_subset(np.zeros((1, 2)), 5) == (0,)


def test_a_saturated_objective_drops_out():
    """Catches a front that trades what nobody can feel: lag spans less than its resolution, though it rounds to two
    values, and grip decides alone. With all of them saturated nothing drops out."""
    where = toy.space([toy.knob(0, range(4))], objectives=(Objective("lag_ms", -1, 5.0), toy.GRIP))
    lag, grip = np.array([82.0, 82.4, 83.0, 84.0]), np.array([1.0, 2.0, 3.0, 4.0])
    front = pareto_front(toy.table(where, lag_ms=lag, grip_margin_pct=grip))
    assert front.dropped == ("lag_ms",) and front.rows.tolist() == [3] and front.scores[0].tolist() == [0.0, -8.0]
    wide = pareto_front(toy.table(where, lag_ms=lag * 10, grip_margin_pct=grip))
    assert wide.dropped == () and len(wide) == 4
    none = pareto_front(toy.table(where, lag_ms=lag, grip_margin_pct=np.zeros(4)))
    assert none.dropped == () and none.rows.tolist() == [0, 1]


def test_what_nobody_notices_does_not_count():
    """Catches setups told apart by lift margins that are both far above anything noticed."""
    where = toy.space([toy.knob(0, range(3))], objectives=(toy.GRIP, toy.LIFT))
    grip, lift = np.array([1.0, 1.0, 9.0]), np.array([400.0, 60.0, 10.0])
    front = pareto_front(toy.table(where, grip_margin_pct=grip, lift_margin_pct=lift))
    assert front.group.tolist() == [0, 1, 1] and front.values[:, 1].tolist() == [10.0, 400.0, 60.0]
