"""Two finished runs side by side, on records made by hand."""

from __future__ import annotations

from dataclasses import fields, replace

from explorer.report.run_answers import runs_answer
from explorer.study.compare.runs import LimitRecord, Listed, PlanRecord, RunRecord, compare_runs, matched

ROLL = LimitRecord("sweep.roll_deg", "at_most", "flat", 3.0, "deg", 100, 25)
BUMP = LimitRecord("front_bump_step_n", "at_most", "bump", 1.3, "N", 100, 0)


def listed(lag: float, kind: str = "extreme", **labels: str) -> Listed:
    return Listed(labels, {"lag_ms": lag}, kind)


def record(**changed: object) -> RunRecord:
    indices = {"lag_ms": {"front_bar": 0.6, "rear_bar": 0.3}, "clearance_mm": {"front_bar": 0.4, "rear_bar": 0.5}}
    made = RunRecord(
        folder="a", study="s", car="c", surface="carpet", seed=1, method="every setup",
        counts={"setups": 200, "feasible": 50}, inputs={"s.toml": "1", "car.toml": "2"}, versions={"numpy": "2.0"},
        knobs=("front_bar", "rear_bar"), objectives=("lag_ms",), indices={"shapley": indices, "total": {}},
        index_method="exact", nothing_feasible=False, ranges={"lag_ms": (20.0, 30.0)}, limits=(ROLL, BUMP), plan=None,
        shortlist=(listed(20.0, front_bar="1.2", rear_bar="none"), listed(25.0, front_bar="1.0", rear_bar="1.0")),
    )  # fmt: skip
    return replace(made, **changed)


def test_a_run_beside_itself_differs_in_nothing() -> None:
    """Catches a setup matched with another, a shift of nothing listed, equal files called different."""
    setup = listed(1.0, front_bar="1.2", rear_bar="none")
    one = record(plan=PlanRecord("quantile", (setup,), {"lag_ms": (0.5, 0.5, 0.0)}))
    found = compare_runs(one, one)
    assert not (found.shifts or found.inputs or found.versions or found.knobs_only_a or found.knobs_only_b)
    assert len(found.shortlist.both) == 2 and not (found.shortlist.only_a or found.shortlist.only_b)
    assert all(pair.a == pair.b for pair in found.limits) and all(r.a == r.b for r in found.ranges)
    assert found.plans is not None and len(found.plans.setups.both) == 1
    assert [(s.metric, s.knob_a, s.knob_b) for s in found.strongest] == [
        ("lag_ms", "front_bar", "front_bar"), ("clearance_mm", "rear_bar", "rear_bar")
    ]  # fmt: skip


def test_what_moved_is_listed_by_how_far() -> None:
    """Catches shifts signed the wrong way or in the order of the knobs, a knob of one run only counted as a shift, the
    strongest knob of the wrong run, the share of setups that break a limit turned into one that keeps it."""
    other = record(
        indices={
            "shapley": {
                "lag_ms": {"front_bar": 0.2, "rear_bar": 0.35, "droop": 0.45},
                "clearance_mm": {"front_bar": 0.402, "rear_bar": 0.5},
                "bite_pct": {"droop": 1.0},
            }
        },
        knobs=("front_bar", "rear_bar", "droop"),
        limits=(replace(BUMP, broken=50), replace(ROLL, sense="at_least")),
        inputs={"s.toml": "9", "other.toml": "3"},
        versions={"numpy": "2.1"},
    )
    found = compare_runs(record(), other)
    assert found.index_kind == "shapley" and found.knobs_only_b == ("droop",) and not found.knobs_only_a
    assert [(s.metric, s.knob, round(s.change, 9)) for s in found.shifts] == [
        ("lag_ms", "front_bar", -0.4), ("lag_ms", "rear_bar", 0.05)
    ]  # fmt: skip
    first = found.strongest[0]
    assert (first.knob_a, first.index_a, first.knob_b, first.index_b) == ("front_bar", 0.6, "droop", 0.45)
    assert found.strongest[-1].metric == "bite_pct" and found.strongest[-1].knob_a == ""
    assert [(p.metric, p.sense, p.a and p.a.share, p.b and p.b.share) for p in found.limits] == [
        ("sweep.roll_deg", "at_most", 0.25, None),
        ("front_bump_step_n", "at_most", 0.0, 0.5),
        ("sweep.roll_deg", "at_least", None, 0.25),
    ]
    assert {(d.name, d.a, d.b) for d in found.inputs} == {
        ("s.toml", "1", "9"), ("car.toml", "2", ""), ("other.toml", "", "3")
    }  # fmt: skip
    assert [(d.name, d.a, d.b) for d in found.versions] == [("numpy", "2.0", "2.1")]


def test_exchanging_the_runs_turns_everything() -> None:
    """Catches a side that is read from the other run."""
    one = record()
    two = record(
        folder="b", knobs=("front_bar",), indices={"shapley": {"lag_ms": {"front_bar": 0.1}}},
        ranges={"bite_pct": (1.0, 2.0)},
        shortlist=(listed(7.0, front_bar="1.0"), listed(8.0, front_bar="9")), limits=(BUMP,), inputs={}, versions={},
    )  # fmt: skip
    there, back = compare_runs(one, two), compare_runs(two, one)
    assert [(s.a, s.b) for s in there.shifts] == [(s.b, s.a) for s in back.shifts]
    assert there.knobs_only_a == back.knobs_only_b == ("rear_bar",)
    assert there.shortlist.only_a == back.shortlist.only_b and there.shortlist.only_b == back.shortlist.only_a
    assert {(r.metric, r.a, r.b) for r in there.ranges} == {(r.metric, r.b, r.a) for r in back.ranges}
    assert {(d.name, d.a, d.b) for d in there.inputs} == {(d.name, d.b, d.a) for d in back.inputs}
    assert {(p.metric, p.a, p.b) for p in there.limits} == {(p.metric, p.b, p.a) for p in back.limits}
    assert {f.name for f in fields(there)} == {f.name for f in fields(back)}


def test_setups_are_matched_once_on_the_knobs_both_vary() -> None:
    """Catches one setup matched with two, and two runs without a common knob whose setups are all "the same"."""
    a = [listed(1.0, x="1", y="1"), listed(2.0, x="1", y="2"), listed(3.0, x="3", y="1")]
    b = [listed(4.0, x="1"), listed(5.0, x="2")]
    found = matched(a, b, ("x",))
    assert [(pair.a, pair.b) for pair in found.both] == [(a[0], b[0])]
    assert found.only_a == tuple(a[1:]) and found.only_b == (b[1],)
    none = matched(a, b, ())
    assert not none.both and none.only_a == tuple(a) and none.only_b == tuple(b)


def test_indices_of_different_kinds_are_not_compared() -> None:
    """Catches a Shapley effect held against a first-order index."""
    sampled = record(indices={"total": {"lag_ms": {"front_bar": 0.9}}})
    found = compare_runs(record(), sampled)
    assert found.index_kind == "" and not found.strongest and not found.shifts
    one, two = (record(indices={"first": {"m": {"k": index}}}) for index in (1.0, 0.5))
    assert compare_runs(one, two).index_kind == "first" and compare_runs(one, two).shifts


def test_runs_of_two_laws_are_told_apart() -> None:
    """Catches figures of beams and of wishbones set side by side as if the car had changed."""
    alike, other = compare_runs(record(), record()), compare_runs(record(), record(axle="wishbone"))
    assert alike.one_law and not other.one_law
    assert "two axle laws" not in runs_answer(alike).text
    answer = runs_answer(other)
    assert "two axle laws: the first is of beams, the second of wishbones" in answer.text
    assert answer.facts["one_axle_law"] is False and answer.facts["second"]["axle"] == "wishbone"
