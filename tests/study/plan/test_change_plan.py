"""The planner beside brute force: every order of the setups, every order and grouping of the changes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations, permutations, product

import numpy as np
import pytest
import study_toy as toy

from explorer.domain.errors import SpaceError
from explorer.domain.space import Limit, Rule, Space
from explorer.domain.unknowns import Planning
from explorer.study.everything.evaluate import table_of
from explorer.study.everything.limits import feasible, resolve_limits
from explorer.study.plan.change_plan import (
    MOST_CHANGES,
    NO_ANSWER,
    ChangePlan,
    change_plan,
    cheapest_order,
    work_between,
)

FORMULAS = {"lag_ms": lambda p: 3 * p[:, 0] + 2 * p[:, 1] - 4 * p[:, 2] + p[:, 0] * p[:, 3]}


def box(minutes: tuple[float, ...], levels: int = 3, **more: object) -> Space:
    """Knobs with these minutes of work, levels 0, 1, 2, ..."""
    return toy.space([toy.knob(k, range(levels), minutes=m) for k, m in enumerate(minutes)], **more)


def shortest(first: np.ndarray, between: np.ndarray) -> tuple[tuple[int, ...], float]:
    """The cheapest order by trying all, the first in dictionary order among equals."""
    found = []
    for order in permutations(range(len(first))):
        work = first[order[0]] + sum(between[a, b] for a, b in zip(order, order[1:], strict=False))
        found.append((round(float(work), 9), order))
    work, order = min(found)
    return order, work


@pytest.mark.parametrize("seed", range(12))
def test_order_is_the_cheapest_of_all(seed):
    """Catches a greedy order, a closed path, or a tie broken by accident: whole minutes make many ties."""
    rng = np.random.default_rng(seed)
    where = box(tuple(rng.integers(1, 4, 4).astype(float)))
    setups = rng.integers(0, 3, (int(rng.integers(1, 7)), 4)).astype(float)
    first, between = work_between(where, np.zeros((1, 4)), setups)[0], work_between(where, setups, setups)
    order, minutes = cheapest_order(first, between)
    assert (order, minutes) == shortest(first, between)
    np.testing.assert_array_equal(between, between.T)


def test_twelve_setups_are_ordered_and_thirteen_refused():
    """Catches a table too small, and a plan that is quietly not the cheapest. On a line the order is known."""
    places = np.random.default_rng(3).permutation(12).astype(float)
    order, minutes = cheapest_order(places + 1.0, np.abs(places[:, None] - places[None, :]))
    assert [places[k] for k in order] == list(range(12)) and minutes == 12.0
    with pytest.raises(SpaceError, match="12 setups at most"):
        cheapest_order(np.zeros(13), np.zeros((13, 13)))


def partitions(things: tuple[int, ...]) -> Iterator[tuple[tuple[int, ...], ...]]:
    """Every way to put things into groups in a row."""
    if not things:
        yield ()
    for size in range(1, len(things) + 1):
        for group in combinations(things, size):
            for rest in partitions(tuple(t for t in things if t not in group)):
                yield (group, *rest)


def costs_of_leg(where: Space, start: np.ndarray, end: np.ndarray, limit: float) -> Iterator[tuple]:
    """(forbidden stops, minutes over, stops with a broken limit, stops) of every way along a leg."""
    moving = tuple(np.flatnonzero(start != end))
    limits = resolve_limits(where)
    if not moving:
        yield 0, 0.0, 0, 1
        return
    for groups in partitions(moving):
        at, forbidden, over, broken = start.copy(), 0, 0.0, 0
        for number, group in enumerate(groups, start=1):
            at[list(group)] = end[list(group)]
            work = sum(where.knobs[k].minutes for k in group)
            over += max(0.0, work - limit) if len(group) > 1 else 0.0
            if number < len(groups):
                forbidden += not where.allowed(at[None, :])[0]
                broken += not feasible(limits, table_of(where, at[None, :]))[0]
        yield forbidden, over, broken, len(groups)


def cost_of_plan(where: Space, plan: ChangePlan) -> tuple:
    way = [stop for stop in plan.stops if not stop.reaches]
    return (
        sum(not stop.allowed for stop in way),
        sum(max(0.0, stop.minutes - plan.minutes_between_runs) for stop in plan.stops if len(stop.changes) > 1),
        sum(bool(stop.broken) for stop in way),
        len(plan.stops),
    )


def best_of(where: Space, legs: list[tuple[np.ndarray, np.ndarray]], limit: float, runs: int | None) -> tuple:
    def rank(cost: tuple) -> tuple:
        return cost[0], cost[1], max(0, cost[3] - runs) if runs else 0, cost[2], -cost[3]

    ways = [sorted(set(costs_of_leg(where, *leg, limit))) for leg in legs]
    return min((tuple(map(sum, zip(*way, strict=True))) for way in product(*ways)), key=rank)


@pytest.mark.parametrize("seed", range(10))
def test_stops_are_the_best_of_every_order_and_grouping(seed, use_model):
    """Catches a leg cut in the order of the knobs, a rule looked up at the wrong setup, a limit that outranks a rule,
    and stops merged where there were runs to spare."""
    use_model(FORMULAS, valid=lambda p: p[:, 1] + p[:, 3] < 3.5)
    rng = np.random.default_rng(100 + seed)
    rules = [
        Rule("no", (("k0", ("1",)), ("k1", ("0",)))),
        Rule("only", (("k2", ("2",)),), (("k3", ("1", "2")),)),
    ]
    minutes = tuple(rng.integers(2, 9, 4).astype(float))
    where = box(minutes, rules=rules, limits=[Limit("lag_ms", "at_most", 4.0)])
    setups = where.positions_of(rng.choice(where.size, 3, replace=False))
    limit, runs = float(rng.integers(4, 14)), (None, 3, 5)[seed % 3]
    plan = change_plan(where, setups, resolve_limits(where), minutes_between_runs=limit, runs=runs)
    visited = [np.zeros(4), *(setups[k] for k in plan.order)]
    legs = list(zip(visited, visited[1:], strict=False))
    assert cost_of_plan(where, plan) == pytest.approx(best_of(where, legs, limit, runs))
    assert plan.minutes == pytest.approx(sum(stop.minutes for stop in plan.stops))
    at = np.zeros(4)
    reached = []
    for stop in plan.stops:
        for change in stop.changes:
            column = where.knob_index(change.knob)
            assert where.knobs[column].label_at(at[column]) == change.old != change.new
            at[column] = where.knobs[column].position_of(change.new)
        np.testing.assert_array_equal(at, stop.positions)
        if stop.reaches:
            reached.append(stop.reaches)
            np.testing.assert_array_equal(at, setups[int(stop.reaches.split()[1]) - 1])
    assert sorted(reached) == ["setup 1", "setup 2", "setup 3"]


def test_one_change_at_a_time_or_as_few_runs_as_there_are(use_model):
    """Catches changes lumped together although each could have its own run, and a count of runs that is not heeded."""
    use_model(FORMULAS)
    where = box((4.0, 5.0, 6.0))
    far = np.array([[2.0, 1.0, 2.0]])
    alone = change_plan(where, far)
    assert [len(stop.changes) for stop in alone.stops] == [1, 1, 1] and alone.minutes_between_runs == 15.0
    assert [stop.reaches for stop in alone.stops] == ["", "", "setup 1"] and alone.notes == ()
    assert [stop.minutes for stop in change_plan(where, far, runs=1).stops] == [15.0]
    tight = change_plan(where, far, minutes_between_runs=10.0, runs=1)
    assert sorted(stop.minutes for stop in tight.stops) in ([4.0, 11.0], [5.0, 10.0], [6.0, 9.0])
    assert not any(stop.too_long for stop in tight.stops) and tight.notes == ("2 runs are needed and there are 1",)


def test_a_long_change_is_flagged_and_kept(use_model):
    """Catches a change that takes longer than the pit time being dropped, or passed over in silence."""
    use_model(FORMULAS)
    plan = change_plan(box((4.0, 20.0)), np.array([[1.0, 1.0]]))
    assert [(stop.minutes, stop.too_long) for stop in plan.stops] == [(4.0, False), (20.0, True)]
    assert "k1 to 1 alone takes 20 min" in plan.notes[0]


def test_rules_are_kept_even_where_that_takes_longer(use_model):
    """Catches a run on a car that cannot be built. Parts that only go together are changed together and said so; with
    time for both there is nothing to say."""
    use_model(FORMULAS)
    rules = [Rule("a", (("k0", ("1",)),), (("k1", ("1",)),)), Rule("b", (("k1", ("1",)),), (("k0", ("1",)),))]
    where = box((4.0, 5.0), levels=2, rules=rules)
    both = change_plan(where, np.array([[1.0, 1.0]]))
    assert [len(stop.changes) for stop in both.stops] == [2] and both.notes == ()
    short = change_plan(where, np.array([[1.0, 1.0]]), minutes_between_runs=6.0)
    assert [(len(stop.changes), stop.too_long) for stop in short.stops] == [(2, True)]
    assert "a rule forbids every setup on the way" in short.notes[0]
    blocked = change_plan(where, np.array([[0.0, 1.0]]))
    assert not blocked.stops[-1].allowed and "a rule forbids this setup" in blocked.notes[0]


def test_broken_limits_are_avoided_or_named(use_model):
    """Catches an order that runs a worse car than needed, an unavoidable one not said, and the zeros of a setup without
    an answer taken for a good one."""
    use_model({"lag_ms": lambda p: 5 * p[:, 1] - 6 * p[:, 0]})
    where = box((4.0, 12.0), levels=2, limits=[Limit("lag_ms", "at_most", 1.0)])
    plan = change_plan(where, np.array([[1.0, 1.0]]), resolve_limits(where))
    assert [stop.changes[0].knob for stop in plan.stops] == ["k0", "k1"] and plan.notes == ()
    back = change_plan(where, np.array([[0.0, 0.0]]), resolve_limits(where), current=np.array([1.0, 1.0]))
    assert [stop.changes[0].knob for stop in back.stops] == ["k1", "k0"]
    use_model({"lag_ms": lambda p: 5 * (p[:, 1] != p[:, 0])})
    stuck = change_plan(where, np.array([[1.0, 1.0]]), resolve_limits(where))
    assert stuck.stops[0].broken and "which no order within the time" in stuck.notes[0]
    roomy = change_plan(where, np.array([[1.0, 1.0]]), resolve_limits(where), minutes_between_runs=16.0)
    assert len(roomy.stops) == 1 and roomy.notes == ()
    use_model({}, valid=lambda p: p[:, 0] == p[:, 1])
    mute = change_plan(where, np.array([[1.0, 1.0]]), resolve_limits(where))
    assert mute.stops[0].broken == (NO_ANSWER,)


def test_the_saving_is_against_the_order_given(use_model):
    """Catches a saving against the wrong order, the study's own time ignored, and a setup the car already stands at or
    that is listed twice being left out."""
    use_model(FORMULAS)
    where = box((3.0, 3.0))
    where = replace(where, planning=Planning(minutes_between_runs=7.0))
    setups = np.array([[2.0, 2.0], [1.0, 0.0], [0.0, 0.0], [2.0, 2.0]])
    plan = change_plan(where, setups, names=("A", "B", "C", "D"))
    assert plan.order == (2, 1, 0, 3) and plan.minutes_between_runs == 7.0
    assert plan.own_order_minutes == 6 + 6 + 3 + 6 and plan.minutes == 9 and plan.saved == 12
    assert [stop.reaches for stop in plan.stops if stop.reaches] == ["C", "B", "A", "D"]
    assert sum("nothing to change" in note for note in plan.notes) == 2


def test_many_changes_and_wrong_questions(use_model):
    """Catches a leg with many parts that never ends or loses one, and a question without sense answered."""
    use_model(FORMULAS)
    wide = box((2.0,) * (MOST_CHANGES + 2), levels=2)
    plan = change_plan(wide, np.ones((1, MOST_CHANGES + 2)), runs=3)
    assert sum(len(stop.changes) for stop in plan.stops) == MOST_CHANGES + 2 and len(plan.stops) == 3
    assert "too many to try every order" in plan.notes[-1]
    where = box((2.0, 2.0))
    for bad in ({"setups": np.zeros((0, 2))}, {"minutes_between_runs": 0.0}, {"runs": 0}, {"names": ("a", "b")}):
        with pytest.raises(SpaceError):
            change_plan(where, **{"setups": np.ones((1, 2)), **bad})
    with pytest.raises(SpaceError, match="at most"):
        change_plan(where, np.ones((13, 2)))


def test_the_way_ends_at_the_minutes_there_are(use_model):
    """By hand: three setups a knob apart, a stop each of 15 minutes or of its work where that is longer. Catches work
    counted for time, the first setup given up before the last, a run after the end, and a cut without a word."""
    use_model({})
    where = toy.space([toy.knob(k, (0, 1, 2), minutes=m) for k, m in enumerate((4.0, 20.0))], baseline=(0.0, 0.0))
    setups = np.array([[1.0, 0.0], [2.0, 0.0], [2.0, 1.0]])
    whole = change_plan(where, setups)
    assert [stop.run_at for stop in whole.stops] == [15.0, 30.0, 50.0] and whole.elapsed == 50.0
    assert whole.minutes == 28.0
    for there_are, kept in ((50.0, 3), (49.0, 2), (29.0, 1)):
        found = change_plan(replace(where, planning=Planning(minutes=there_are)), setups)
        assert len(found.order) == kept and found.elapsed <= there_are
        assert ("no time for" in "; ".join(found.notes)) == (kept < 3)
    assert "no time for setup 2, setup 3: there are 29 minutes" in found.notes
    short = change_plan(replace(where, planning=Planning(minutes=5.0)), setups)
    assert short.notes[1] == "setup 1 alone takes 15 minutes until it has run, and there are 5"
    there = np.array([[1.0, 1.0]])
    one_run = replace(where, planning=Planning(minutes=29.0, minutes_between_runs=25.0))
    assert len(change_plan(one_run, there).stops) == 1 and len(change_plan(where, there).stops) == 2
