"""The plan as a whole on a small real study: its parts fit together, and what practice showed reaches everything."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest

from explorer.domain.errors import SpaceError
from explorer.domain.space import Limit, Space
from explorer.inputs.load import load_study
from explorer.report import plan_sections, plan_tables
from explorer.report.answers import comparison_answer, ladder_answer
from explorer.study.compare.setups import compare
from explorer.study.everything.limits import resolve_limits
from explorer.study.pits.carry_over import carry_over
from explorer.study.pits.ladder import ladder
from explorer.study.plan.decision import thinned
from explorer.study.plan.kinds import Lateral
from explorer.study.plan.plan import LADDER_SCENARIOS, Plan, believed, make_plan
from explorer.study.plan.scenarios import draw, weighted
from explorer.study.questions.assumptions import thinned_space

CONFIGS = Path(__file__).parents[3] / "configs"


@pytest.fixture(scope="module")
def turf() -> Space:
    """The plan study with few setups, few scenarios and few unknowns; one report says the grip is low."""
    space = thinned_space(load_study(CONFIGS / "plan_turf.toml").space, 120)
    kept = tuple(u for u in space.unknowns if u.key in ("grip", "front_grip_ratio", "bump_height_mm"))
    slow = Lateral("sweep", space.baseline, "10.7 m/s2 in the sweep", value=10.7, error=0.3)
    planning = dataclasses.replace(space.planning, scenarios=64, seen=(slow,))
    bumps = tuple(Limit(f"{end}_bump_step_n", "at_most", 1.3) for end in ("front", "rear"))
    return dataclasses.replace(space, unknowns=kept, planning=planning, limits=(*space.limits, *bumps))


@pytest.fixture(scope="module")
def plan(turf: Space) -> Plan:
    return make_plan(turf, resolve_limits(turf))


def test_what_was_seen_reaches_scenarios_shortlist_and_ladders(turf: Space, plan: Plan) -> None:
    """Catches a plan that learns and then goes on with the scenarios drawn before."""
    assert plan.learned is not None
    grip = [u.key for u in turf.unknowns].index("grip")
    before, after = plan.learned.before, plan.learned.after
    assert after.mean[grip] < before.mean[grip] - 0.2 * before.half_width[grip]
    used = float(plan.draws.weights @ plan.draws.numbers[:, grip])
    assert abs(used - after.mean[grip]) < 0.6 * after.half_width[grip]
    assert np.isclose(plan.draws.weights.sum(), 1.0) and len(plan.draws) == 64
    assert plan.robust.weights.tolist() == plan.draws.weights[plan.draws.weights > 0.0].tolist()
    plain = dataclasses.replace(turf, planning=dataclasses.replace(turf.planning, seen=()))
    untaught = make_plan(plain, resolve_limits(plain))
    assert untaught.learned is None and untaught.decision.practised is None
    both = [one.robust.figure("mean")[0] for one in (untaught, plan)]  # of the baseline, which stands first in both
    assert [tuple(one.robust.positions[0]) for one in (untaught, plan)] == [turf.baseline] * 2
    assert not np.allclose(both[0], both[1], rtol=1e-3)
    assert {one.symptom.key for one in plan.ladders} >= {"inner-rear-lifts", "hairpin-push", "slow", "skips"}
    assert 1 < plan.ladders[0].scenarios <= LADDER_SCENARIOS


def test_thinning_keeps_what_the_weights_say(turf: Space) -> None:
    """Catches resampling that ignores weights, and one that depends on where a scenario stands in the list."""
    many = draw(turf, 512)
    grip = [u.key for u in turf.unknowns].index("grip")
    heavy = weighted(many, np.exp(8.0 * many.numbers[:, grip]))
    few = thinned(turf, heavy, 64)
    wanted = float(heavy.weights @ heavy.numbers[:, grip])
    spread = float(np.sqrt(heavy.weights @ (heavy.numbers[:, grip] - wanted) ** 2))
    assert wanted - float(many.numbers[:, grip].mean()) > 0.3 * spread
    assert abs(float(few.weights @ few.numbers[:, grip]) - wanted) < 0.35 * spread
    assert 32 <= len(few) <= 64 and thinned(turf, draw(turf, 16), 16).points.shape == (16, len(turf.unknowns))
    assert len(believed(turf, 16)) <= 16


def test_what_is_looked_at_longest_is_listed_once_and_holds_what_is_known(turf: Space, plan: Plan) -> None:
    """Catches a choice that leaves out the baseline, the nominal picks or what the plan itself recommends, and a setup
    that is asked twice."""
    found = plan.robust.positions
    assert len(np.unique(found, axis=0)) == len(found) and tuple(found[0]) == turf.baseline
    rows = {tuple(row) for row in found}
    assert {tuple(pick.positions) for pick in plan.shortlist.picks} <= rows
    known = turf.positions_of(np.arange(turf.size))[[3, 50, 3]]
    plain = dataclasses.replace(turf, planning=dataclasses.replace(turf.planning, seen=()))
    again = make_plan(plain, resolve_limits(plain), known=known).robust.positions
    assert {tuple(row) for row in known} <= {tuple(row) for row in again}
    assert len(np.unique(again, axis=0)) == len(again)
    assert plan.worth is not None and np.array_equal(plan.worth.candidates, found)


def test_tables_and_report_say_what_the_plan_found(turf: Space, plan: Plan) -> None:
    """Catches a table that lost rows, a number that is not finite in words, and a setup named with other parts."""
    tables = plan_tables.plan_tables(plan, turf)
    listed = tables["plan_shortlist"]
    assert len(tables["plan_front"]) == len(plan.front)
    measured = {pick.row for pick in plan.shortlist.picks if not {"safest", "headline"} & set(pick.kinds)}
    assert measured <= set(plan.front.rows.tolist())
    assert len(listed) == len(plan.shortlist.picks) >= 1
    for row, pick in zip(listed.itertuples(index=False), plan.shortlist.picks, strict=True):
        assert tuple(row[2 : 2 + len(turf.knobs)]) == pick.labels
    assert len(tables["plan_ladder"]) == sum(len(one.rungs) for one in plan.ladders)
    assert list(tables["plan_unknowns"]["unknown"]) == [u.key for u in turf.unknowns]
    assert len(tables["plan_setups"]) == len(plan.robust.positions)
    text = "\n".join(plan_sections.plan_report(plan, turf))
    assert "nan" not in text.lower() and "inf" not in text.lower().replace("information", "")
    assert plan.ladders[0].broken_now and "_n at most" not in text.replace("\\", "")  # limits in words, not in keys
    for pick in plan.shortlist.picks:
        assert "| " + " | ".join(pick.labels) + " |" in text
    assert "drawn anew" in text or "carry the weight" in text
    carried = carry_over(turf, resolve_limits(turf))
    said = "\n".join(plan_sections.carried_report(carried, resolve_limits(turf), turf))
    assert "Liked on" in said and len(plan_tables.carry_over_table(carried, turf)) == len(carried.feel) * (
        len(carried.closest) + len(carried.closest_kept)
    )


def test_a_hostile_name_stays_text(turf: Space) -> None:
    """Catches a limit's reason, an unknown or a report from practice that writes markup into the report."""
    first, *others = turf.unknowns
    bad = dataclasses.replace(first, unit="<b>x</b> |")
    evil = Lateral("sweep", turf.baseline, "<script>alert(1)</script> | x", value=2.0, error=0.05)
    hostile = dataclasses.replace(
        turf,
        unknowns=(bad, *others),
        planning=dataclasses.replace(turf.planning, seen=(evil, *turf.planning.seen)),
    )
    text = "\n".join(plan_sections.plan_report(make_plan(hostile, resolve_limits(hostile)), hostile))
    assert "alert" in text and "b\\>x" in text  # both are shown
    assert "<script>" not in text and "<b>" not in text


def test_answers_for_a_terminal_are_valid_json(turf: Space) -> None:
    """Catches an array or a tuple key that json refuses, and a better side told the wrong way round."""
    limits = resolve_limits(turf)
    found = ladder(turf, limits, None, "hairpin-push")
    answer = ladder_answer(found, turf, {"front_bar": "1.2"})
    facts = json.loads(json.dumps(answer.facts, allow_nan=False))
    assert len(facts["rungs"]) == len(found.rungs) and "1." in answer.text
    here, there = np.array(turf.baseline), np.array(turf.baseline)
    there[0] = 0.0
    one = comparison_answer(compare(turf, here, turf, there, limits, limits), every=False)
    json.dumps(one.facts, allow_nan=False)
    assert "first" in one.text and turf.knobs[0].name in one.text
    same = comparison_answer(compare(turf, here, turf, here, limits, limits), every=False)
    assert "no metric differs" in same.text and "the same parts" in same.text


def test_a_space_that_cannot_be_listed_needs_candidates(turf: Space) -> None:
    """Catches a continuous knob enumerated, and candidates that are not those chosen among."""
    knob = dataclasses.replace(turf.knobs[0], labels=(), values=(0.0, 1.0), settings=turf.knobs[0].settings[:2],
                               continuous=True)  # fmt: skip
    smooth = dataclasses.replace(
        turf, knobs=(knob, *turf.knobs[1:]), rules=(), baseline=(0.25, *turf.baseline[1:]), references=(),
        planning=dataclasses.replace(turf.planning, scenarios=16, seen=(), carry_over=""),
    )  # fmt: skip
    known = ("", "baseline")
    smooth = dataclasses.replace(
        smooth, limits=tuple(limit for limit in smooth.limits if limit.relative_to in known),
        wishes=tuple(wish for wish in smooth.wishes if wish.relative_to in known),
    )  # fmt: skip
    with pytest.raises(SpaceError, match="no candidates"):
        make_plan(smooth, resolve_limits(smooth))
    rng = np.random.default_rng(4)
    some = np.stack([np.full(40, at) for at in smooth.baseline], axis=1)
    some[:, 0] = rng.random(40)
    found = make_plan(smooth, resolve_limits(smooth), candidates=some)
    given = {tuple(row) for row in some} | {smooth.baseline}
    assert {tuple(row) for row in found.robust.positions} <= given and len(found.robust.positions) > 1
