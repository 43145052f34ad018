"""A hand-made run over 4 x 3 setups, small enough to check every cell by eye. No model is called."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from explorer.domain.space import Assumption, FloatArray, Knob, Limit, Objective, Rule, Settings, Space
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import MetricTable
from explorer.study.everything.front import objective_values, pareto_front
from explorer.study.everything.limits import ResolvedLimit, count_limits, feasible, margins
from explorer.study.everything.shortlist import Builds, NothingFeasible, Pick, Shortlist
from explorer.study.questions.assumptions import AssumptionEffect, AssumptionEffects
from explorer.study.questions.exact import StepEffects, exact_indices, step_effects
from explorer.study.questions.maps import MetricMap
from explorer.study.questions.one_change import OneChange, Step
from explorer.study.questions.search_results import Agreement, LocalSearch, SearchResult
from explorer.study.results import Failures, LevelShares, RunResult

PHASES = ("sweep", "hairpin")
HOSTILE = "soft | <b>\n=x"

BAR = Knob("front_bar", "mm", ("none", "1.0", "1.2", "1.4"), (0.0, 1.0, 1.2, 1.4), (0,), ((0.0,),) * 4, minutes=4.0)
SPRING = Knob("rear_spring", "", ("0.45", HOSTILE, "0.72"), (2.0, 2.5, 3.0), (1,), ((0.0,),) * 3, minutes=6.0)
HEIGHT = Knob("ride_height_mm", "mm", ("20", "22"), (20.0, 22.0), (2,), ((0.020,), (0.022,)), tolerance_absolute=2e-4)


def space(knobs: tuple[Knob, ...] = (BAR, SPRING), **changes: object) -> Space:
    """The study; baseline is bar 1.0 with the hostile spring."""
    return replace(
        Space(
            name="club | night",
            car="two wheel",
            surface="carpet",
            seed=3,
            knobs=knobs,
            rules=(),
            objectives=(Objective("lag_ms", -1, 0.5), Objective("grip_margin_pct", 1, 0.5)),
            limits=(
                Limit("hairpin.roll_deg", "at_most", 3.0, reason="drivers | say"),
                Limit("clearance_mm", "at_least", 0.5, "baseline"),
            ),
            baseline=(1.0, 1.0),
            base=np.zeros(3),
            phase_names=PHASES,
            phases=np.zeros((2, 7)),
            assumptions=(Assumption("caster_deg", 20.0, 2.0, "typical | kit"),),
            settings=Settings(),
        ),
        **changes,  # type: ignore[arg-type]
    )


def table(one: Space) -> MetricTable:
    """Metrics by plain formulas: lag falls with the bar, grip falls with the bar and rises with the spring."""
    columns = metric_columns(one.phase_names)
    positions = one.positions(0, one.size)
    bar, spring = positions[:, 0], positions[:, 1]
    values = np.zeros((len(positions), len(columns)))
    for name, column in {
        "lag_ms": 30.0 - 2.0 * bar - 0.5 * spring,
        "grip_margin_pct": 10.0 - bar - bar * spring + 3.0 * spring,
        "hairpin.roll_deg": 4.0 - bar,
        "clearance_mm": 1.0 + spring,
        "hairpin.balance_pct": spring - bar,
    }.items():
        values[:, columns.index(name)] = column
    return MetricTable(one, positions, columns, values, np.ones(len(positions), dtype=bool))


LIMITS = (
    ResolvedLimit("hairpin.roll_deg", "at_most", 3.0, "x", 0.1, "drivers | say"),
    ResolvedLimit("clearance_mm", "at_least", 2.0, "y", 0.2),
)


def pick(whole: MetricTable, row: int, reason: str, kinds: tuple[str, ...], share: float | None) -> Pick:
    """One setup of the table."""
    one, at = whole.take(np.array([row])), whole.positions[row]
    builds = None if share is None else Builds(share, np.array([share, 1.0]), 200, ("front_bar",))
    room = margins(LIMITS, one)[0] * np.array([limit.resolution for limit in LIMITS])
    return Pick(
        kinds=kinds,
        reason=reason,
        row=row,
        positions=at,
        labels=whole.space.labels(at),
        values=objective_values(one)[0],
        margins=room,
        changes=whole.space.changes(at),
        minutes=float(whole.space.minutes(one.positions)[0]),
        ties=1,
        distance=0.5,
        builds=builds,
    )


LEVELS = LevelShares(setups=(np.full(4, 3), np.full(3, 4)), feasible=(np.array([0, 1, 2, 3]), np.array([2, 2, 2])))
ASSUMED = AssumptionEffects(
    objectives=("lag_ms", "grip_margin_pct"),
    knobs=("front_bar", "rear_spring"),
    kind="Shapley effect",
    setups=12,
    whole=True,
    levels=(4, 3),
    effects=(
        AssumptionEffect(
            "grip | level", "0.9 to 1.1", np.array([[0.1, 0.3], [0.0, 0.2]]), 0.5, 0.0,
            (("front_bar", "1.0", "none"),), "high end: nothing keeps every limit",
        ),
        AssumptionEffect("yaw inertia", "1 to 2 kg m2", np.zeros((2, 2)), 1.0, 1.0, ()),
    ),
)  # fmt: skip


def changes(whole: MetricTable) -> OneChange:
    """Bar one up (answered), bar one down (breaks a limit), spring up (no answer), spring down (forbidden)."""
    start = whole.space.row_of(np.asarray(whole.space.baseline))
    rows = [start + 3, start - 3, start + 1, start - 1]
    limit = LIMITS[0].text
    steps = (
        Step("front_bar", 1, "1.0", "1.2", 4.0, True, True, ()),
        Step("front_bar", -1, "1.0", "none", 4.0, True, True, (limit,)),
        Step("rear_spring", 1, HOSTILE, "0.72", 6.0, True, False, ()),
        Step("rear_spring", -1, HOSTILE, "0.45", 6.0, False, True, ()),
    )
    change = whole.values[rows] - whole.values[start]
    change[2] = 0.0
    usable = np.array([True, True, False, False])
    values = whole.values[rows]
    return OneChange(whole.columns, whole.values[start], steps, whole.positions[rows], values, change, usable)


def metric_map(whole: MetricTable) -> MetricMap:
    """Balance over bar and spring; the corner at bar 1.4 and spring 0.72 has no answer."""
    shape = (3, 4)

    def grid(values: FloatArray) -> FloatArray:
        return values.reshape(4, 3, *values.shape[1:]).swapaxes(0, 1)

    room = grid(margins(LIMITS, whole))
    allowed = np.ones(shape, dtype=bool)
    allowed[2, 3] = False
    worst = np.where(room.min(axis=2) < 0.0, room.argmin(axis=2), -1)
    return MetricMap(
        x="front_bar",
        y="rear_spring",
        metric="hairpin.balance_pct",
        others="baseline",
        choice="other knobs at the baseline",
        x_labels=BAR.labels,
        y_labels=SPRING.labels,
        x_values=np.array(BAR.values),
        y_values=np.array(SPRING.values),
        values=grid(whole.column("hairpin.balance_pct")),
        allowed=allowed,
        feasible=allowed & (room.min(axis=2) >= 0.0),
        broken=worst,
        margins=room,
        positions=grid(whole.positions),
        limits=LIMITS,
    )


def run(**changed: object) -> RunResult:
    """The whole run: 12 setups, 6 of them feasible."""
    one = space()
    whole = table(one)
    good = feasible(LIMITS, whole)
    front = pareto_front(whole, good)
    effects: StepEffects = step_effects(whole, ("lag_ms", "grip_margin_pct", "hairpin.roll_deg"))
    found = Shortlist(
        one.objectives,
        LIMITS,
        (
            pick(whole, 11, "lowest response lag", ("extreme",), 0.55),
            pick(whole, 5, "highest grip", ("extreme", "balanced"), 1.0),
        ),
        int(good.sum()),
        front.groups,
    )
    result = RunResult(
        space=one,
        exact=True,
        table=whole,
        baseline=whole.take(np.array([one.row_of(np.asarray(one.baseline))])),
        limits=LIMITS,
        counts=count_limits(LIMITS, whole),
        indices=exact_indices(whole, ("lag_ms", "grip_margin_pct", "hairpin.roll_deg", "bite_pct")),
        indices_note="",
        steps=effects,
        front=front,
        search=None,
        agreement=None,
        shortlist=found,
        nominal=found,
        one_change=changes(whole),
        maps=(metric_map(whole),),
        failures=Failures(0),
        timings=(("front", 0.1),),
        assumed=ASSUMED,
        setups=len(whole),
        whole=whole,
        levels=LEVELS,
    )
    return replace(result, **changed)  # type: ignore[arg-type]


def nothing(**changed: object) -> RunResult:
    """The same run with limits that no setup keeps."""
    result = run()
    counts = replace(
        result.counts,
        broken=np.array([12, 6], dtype=np.int64),
        only=np.array([6, 0], dtype=np.int64),
        feasible=0,
    )
    answer = NothingFeasible(
        objectives=result.space.objectives,
        limits=LIMITS,
        counts=counts,
        share=np.array([1.0, 0.5]),
        sole_removal=np.array([6, 0], dtype=np.int64),
        least=(pick(result.table, 0, "breaks x", ("least violating",), None),),
        missed_by=np.array([15.0]),
    )
    empty = pareto_front(result.table, np.zeros(len(result.table), dtype=bool))
    return replace(result, counts=counts, shortlist=answer, nominal=answer, front=empty, **changed)  # type: ignore[arg-type]


def ruled() -> RunResult:
    """A run under a rule: dependent knobs, Shapley effects only."""
    rule = Rule("no thick bar | with 0.45", (("front_bar", ("1.4",)),), (("rear_spring", ("0.72",)),))
    whole = table(space(rules=(rule,)))
    names = ("lag_ms", "grip_margin_pct")
    base = run()
    return replace(
        base,
        space=whole.space,
        table=whole,
        indices=exact_indices(whole, names),
        steps=step_effects(whole, names),
        counts=count_limits(LIMITS, whole),
        front=pareto_front(whole, feasible(LIMITS, whole)),
        maps=(),
        shortlist=replace(base.shortlist, picks=(pick(whole, 5, "highest grip", ("extreme",), 1.0),)),
    )


def sampled() -> RunResult:
    """A run by search, with intervals on the indices and the search held against the exact front."""
    base = run()
    assert base.indices is not None and base.indices.first is not None
    half = np.full(base.indices.first.shape, 0.04)
    indices = replace(
        base.indices,
        exact=False,
        method="sampled Sobol",
        shapley=None,
        first_interval=half,
        total_interval=half,
        pairs_interval=np.full(base.indices.pairs.shape, 0.04),  # type: ignore[union-attr]
        noise_floor=np.full(4, 0.01),
        converged=False,
        reason="sampled: no Shapley",
    )
    front = replace(base.front, exact=False)
    local = LocalSearch(looked=4, budget=400_000, standing=2, standing_tried=2, ties=0, ties_tried=0, jumping=False)
    search = SearchResult(
        base.table, front, 12, base.counts, LEVELS.setups, base.table.positions[:0], 4, 8, 0, 0, local
    )
    judged = Agreement(0.9, 0.8, 0.97)
    return replace(base, exact=False, indices=indices, steps=None, front=front, search=search, agreement=judged)
