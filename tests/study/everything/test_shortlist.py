from dataclasses import replace

import numpy as np
import pytest
import study_toy as toy

from explorer.domain.space import Limit
from explorer.model.car.slots import SLOT
from explorer.study.everything.evaluate import table_of
from explorer.study.everything.limits import feasible, resolve_limits
from explorer.study.everything.shortlist import NothingFeasible, Shortlist, build_share, build_vectors, make_shortlist

OBJECTIVES = (toy.LAG, toy.GRIP, toy.LIFT)
FORMULAS = {
    "lag_ms": lambda p: 20 - p[:, 0] - p[:, 1],
    "grip_margin_pct": lambda p: 30 - np.maximum(p[:, 0], 0) ** 1.5 - 0.5 * p[:, 2],
    "lift_margin_pct": lambda p: 20 - 2 * p[:, 1] + 0.2 * p[:, 2],
    "sweep.roll_deg": lambda p: 8 - p[:, 0] - p[:, 1],
}


def study(limits=(), size=5, **more):
    knobs = [toy.knob(i, range(7), tolerance_absolute=0.5 if i == 0 else 0.0) for i in range(3)]
    return toy.space(knobs, objectives=OBJECTIVES, limits=limits, baseline=(3.0, 3.0, 3.0), shortlist_size=size, **more)


def answer(where):
    table = table_of(where, where.positions(0, where.size))
    limits = resolve_limits(where)
    return table, limits, make_shortlist(table, limits)


def test_shortlist_holds_the_extremes_the_balanced_and_diverse_setups(use_model):
    """Catches: extremes of the wrong direction, the balanced one by distance in mixed units, the same point twice."""
    use_model(FORMULAS)
    where = study()
    table, _, found = answer(where)
    assert isinstance(found, Shortlist) and len(found.picks) == 5
    kinds = [pick.kinds for pick in found.picks]
    assert kinds[-1] == ("diverse",) and sum("balanced" in kind for kind in kinds) == 1
    for column, objective in enumerate(OBJECTIVES):
        best = (table.column(objective.metric) * objective.direction).max() * objective.direction
        assert abs(found.picks[column].values[column] - best) < objective.resolution
        assert ("highest" if objective.direction > 0 else "lowest") in found.picks[column].reason
    values = np.array([pick.values for pick in found.picks])
    rounded = np.floor(values / [o.resolution for o in OBJECTIVES] + 0.5)
    assert len(np.unique(rounded, axis=0)) == 5
    balanced = next(pick for pick in found.picks if "balanced" in pick.kinds)
    assert balanced.distance == min(pick.distance for pick in found.picks) < 1.0


def test_nothing_that_breaks_a_limit_is_listed(use_model):
    """Catches: the front taken before the limits, margins with the wrong sign or in resolutions, changes or minutes
    counted from the first level instead of the baseline."""
    use_model(FORMULAS)
    where = study([Limit("sweep.roll_deg", "at_most", 4.25), Limit("grip_margin_pct", "at_least", 20.0)])
    table, limits, found = answer(where)
    good = feasible(limits, table)
    assert 0 < good.sum() < len(table) and found.feasible == good.sum()
    for pick in found.picks:
        assert good[pick.row] and (pick.margins >= 0).all()
        np.testing.assert_array_equal(table.positions[pick.row], pick.positions)
        assert pick.margins[0] == pytest.approx(4.25 - table.column("sweep.roll_deg")[pick.row])
        moved = [k for k in range(3) if pick.positions[k] != 3.0]
        assert [change[0] for change in pick.changes] == [f"k{k}" for k in moved]
        assert pick.minutes == 5.0 * len(moved)


@pytest.mark.parametrize("size", [1, 2, 3, 8])
def test_size_is_kept_and_the_balanced_one_comes_first_to_stay(use_model, size):
    """Catches: a short list that drops the balanced setup, or one longer than asked for."""
    use_model(FORMULAS)
    _, _, found = answer(study(size=size))
    assert len(found.picks) == size
    assert any("balanced" in pick.kinds for pick in found.picks)


def test_one_point_front_is_one_pick_with_every_reason(use_model):
    """Catches: the same setup listed once per reason, and division by an empty range."""
    worse = {name: lambda p: -p[:, 0] for name in ("grip_margin_pct", "lift_margin_pct")}
    use_model({"lag_ms": lambda p: p[:, 0], **worse})
    _, _, found = answer(study())
    assert len(found.picks) == 1 and found.groups == 1
    assert found.picks[0].kinds == ("balanced", "extreme") and found.picks[0].reason.count(";") == 3
    assert found.picks[0].ties == 49 and found.picks[0].labels == ("0", "3", "3")


def test_build_share_of_a_known_edge(use_model):
    """Catches: tolerance as full width, applied twice, or a share over limits one by one. lag <= 20 - 3 - 3 + 0.25
    keeps deviations of k0 above -0.25: 3/4 of -0.5..0.5."""
    use_model(FORMULAS)
    where = study([Limit("lag_ms", "at_most", 14.25), Limit("sweep.roll_deg", "at_least", 1.875)], build_samples=1000)
    builds = build_share(where, np.array([3.0, 3.0, 3.0]), resolve_limits(where))
    assert builds.by_limit == pytest.approx([0.75, 0.625], abs=0.002)
    assert builds.share == pytest.approx(0.375, abs=0.002)
    assert builds.samples == 1000 and builds.varied == ("k0",)


def test_build_vectors_spread_within_tolerance_and_stay_physical():
    """Catches: a relative tolerance taken as SI, "no bar" built with a negative rate, fixed knobs moved."""
    bar, spring, camber = (SLOT[name] for name in ("front_bar_rate", "front_spring_rate", "front_camber"))
    knobs = [
        replace(toy.knob(bar, (0, 100)), tolerance_absolute=10.0),
        replace(toy.knob(spring, (2000,)), tolerance_relative=0.05),
        replace(toy.knob(camber, (0,)), tolerance_absolute=0.01),
        toy.knob(SLOT["rear_bar_rate"], (7,)),
    ]
    where = toy.space(knobs, build_samples=200)
    vectors, varied = build_vectors(where, np.zeros(4))
    assert varied == tuple(knob.name for knob in knobs[:3])
    assert vectors[:, bar].min() == 0.0 and 9.0 < vectors[:, bar].max() <= 10.0
    assert 1900 <= vectors[:, spring].min() < 1902 and 2098 < vectors[:, spring].max() <= 2100
    assert vectors[:, camber].min() < -0.0098 and vectors[:, camber].max() > 0.0098
    assert (vectors[:, SLOT["rear_bar_rate"]] == 7.0).all()
    again, _ = build_vectors(where, np.zeros(4))
    assert again.tobytes() == vectors.tobytes()
    assert len(build_vectors(toy.space(knobs[3:]), np.zeros(1))[0]) == 1


def test_unanswered_builds_count_as_failed(use_model):
    """Catches: builds that the model cannot answer left out of the share."""
    use_model(FORMULAS, valid=lambda p: p[:, 0] < 3.25)
    builds = build_share(study(build_samples=1000), np.array([3.0, 3.0, 3.0]), ())
    assert builds.share == pytest.approx(0.75, abs=0.002)


def test_nothing_feasible_names_what_binds(use_model):
    """Catches: blaming a limit whose removal would free nothing, or ranking by the metric's unit."""
    use_model(FORMULAS)
    limits = [
        Limit("lag_ms", "at_most", 10.0),  # k0 + k1 >= 10
        Limit("grip_margin_pct", "at_least", 25.0),  # k0 <= 2: contradicts the first
        Limit("lift_margin_pct", "at_least", 0.0),  # always kept
    ]
    where = study(limits)
    table, resolved, found = answer(where)
    assert isinstance(found, NothingFeasible)
    assert found.share[2] == 0.0 and found.sole_removal[2] == 0
    for index in (0, 1):
        others = tuple(limit for i, limit in enumerate(resolved) if i != index)
        assert found.sole_removal[index] == feasible(others, table).sum() > 0
        assert found.share[index] == pytest.approx(1 - feasible((resolved[index],), table).mean())
    missed = np.maximum(table.column("lag_ms") - 10, 0) / 0.5
    missed += np.maximum(25 - table.column("grip_margin_pct"), 0) / 0.5
    assert found.missed_by[0] == pytest.approx(missed.min())
    assert (np.diff(found.missed_by) >= 0).all() and len(found.least) == 5
    assert found.least[0].builds is None and "breaks" in found.least[0].reason


def test_no_answer_anywhere_is_said(use_model):
    """Catches: a crash, or an unanswered setup listed as least violating."""
    use_model(FORMULAS, valid=lambda p: p[:, 0] > 99)
    _, _, found = answer(study())
    assert isinstance(found, NothingFeasible)
    assert found.least == () and found.counts.invalid == 343
