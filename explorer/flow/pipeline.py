"""The stages of a study in order: from a loaded study to results, and from results to files."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

import numpy as np

from explorer.domain.errors import ExplorerError, ModelError, SpaceError
from explorer.domain.space import FloatArray, Space
from explorer.inputs.load import LoadedStudy
from explorer.model.metrics import describe, metric_columns
from explorer.runs.kept import Kept
from explorer.study.everything.columns import ColumnStore
from explorer.study.everything.evaluate import (
    CHUNK,
    MetricTable,
    Progress,
    evaluate_all,
    failed_setups,
    fault_words,
    joined,
    table_of,
)
from explorer.study.everything.front import Front, objective_values
from explorer.study.everything.limits import ResolvedLimit, feasible, resolve_limits
from explorer.study.everything.rounding import stay_share
from explorer.study.everything.shortlist import NothingFeasible, Shortlist, make_shortlist, picks_of, restated
from explorer.study.everything.stream import EXAMPLES, PartMaker, Streamed, by_level, one_by_one, stream
from explorer.study.everything.wishes import resolve_wishes
from explorer.study.pits.carry_over import CarryOver, carry_over
from explorer.study.pits.ladder import Ladder
from explorer.study.plan.change_plan import MOST_SETUPS, ChangePlan, change_plan
from explorer.study.plan.plan import Plan, ladders, make_plan
from explorer.study.questions.assumptions import AssumptionEffects, assumption_effects
from explorer.study.questions.exact import StepEffects, exact_indices, step_effects
from explorer.study.questions.maps import MetricMap, map_metric
from explorer.study.questions.one_change import one_change
from explorer.study.questions.search_results import Agreement, SearchResult
from explorer.study.questions.sensitivity import Sensitivity
from explorer.study.results import Failures, LevelShares, RunResult

METRICS_FILE_ROWS = 1_000_000
"""`tables/metrics.parquet` is written below this many setups unless the study says otherwise."""

CANDIDATES = 4_096
"""Setups of a search that are asked again over what nobody knows, the best it found."""

Result = TypeVar("Result")


class Clock:
    """Times the stages by name."""

    def __init__(self) -> None:
        self.stages: list[tuple[str, float]] = []

    def run(self, name: str, work: Callable[[], Result]) -> Result:
        """Do the work and note how long it took. [s]"""
        start = time.perf_counter()
        result = work()
        self.stages.append((name, time.perf_counter() - start))
        return result


def failures_of(found: Streamed | SearchResult) -> Failures:
    """Setups the model could not answer, with the knob levels most tied to them. Nothing is dropped in silence."""
    space, count = found.table.space, found.counts.invalid
    if isinstance(found, Streamed):
        failed, setups = found.failed_by_level, found.setups_by_level
        examples, reasons = found.failed_examples, found.failed_words
    else:
        bad = found.failed
        failed, setups = by_level(space, bad), found.asked_by_level
        examples = failed_setups(space, bad[:EXAMPLES])
        reasons = tuple(Counter(fault_words(space, bad)).most_common())
    if not count:
        return Failures(0)
    tied = [
        (knob.name, label, float(missing / present))
        for knob, all_missing, all_present in zip(space.knobs, failed, setups, strict=True)
        for label, missing, present in zip(knob.labels, all_missing, all_present, strict=True)
        if present
    ]
    tied.sort(key=lambda entry: -entry[2])
    return Failures(count, examples, tuple(tied[:5]), reasons)


def refuse_unanswered(failures: Failures, setups: int) -> None:
    """Raises ModelError with the reasons where the model answered for no setup at all."""
    if setups and failures.count == setups:
        why = "; ".join(f"{text} ({count:,})" for text, count in failures.reasons)
        raise ModelError(f"the model has no answer for any of {setups:,} setups: {why}")


def default_maps(
    space: Space, indices: Sensitivity | None, others: str = "baseline"
) -> tuple[tuple[str, str, str, str], ...]:
    """Maps asked for in the study, else each objective over its two strongest knobs; `others` as for `map_metric`."""
    if space.settings.maps:
        return tuple((x, y, metric, others) for x, y, metric in space.settings.maps)
    wanted = []
    for objective in space.objectives:
        order = list(range(len(space.knobs)))
        if indices is not None and objective.metric in indices.metrics:
            shares = indices.total if indices.shapley is None else indices.shapley
            if shares is not None:
                order = list(np.argsort(-shares[indices.metrics.index(objective.metric)], kind="stable"))
        if len(order) >= 2:
            x, y = (space.knobs[k].name for k in order[:2])
            wanted.append((x, y, objective.metric, others))
    return tuple(wanted)


def asked_metrics(space: Space) -> tuple[str, ...]:
    """Metrics that the indices speak of: objectives, limits, and what the driver feels in each phase."""
    names = [objective.metric for objective in space.objectives]
    names += [limit.metric for limit in space.limits]
    names += [wish.metric for wish in space.wishes if wish.metric]
    names += ["bite_pct", "front_bump_upset_m_per_s2", "rear_bump_upset_m_per_s2", "roll_gradient_deg_per_g"]
    for phase in space.phase_names:
        names += [f"{phase}.{stem}" for stem in ("grip_margin_pct", "balance_pct", "lift_margin_pct", "roll_deg")]
    known = metric_columns(space.phase_names)
    return tuple(dict.fromkeys(name for name in names if name in known and not describe(name).codes))


def _indices(
    space: Space, table: MetricTable | ColumnStore | None, progress: Progress | None
) -> tuple[Sensitivity | None, str]:
    try:
        if table is not None:
            return exact_indices(table, asked_metrics(space), progress), ""
        from explorer.study.questions.sobol import sampled_indices  # the sampling library takes a second to load

        return sampled_indices(space, asked_metrics(space), progress), ""
    except ExplorerError as fault:
        return None, str(fault)


def _assumed(space: Space, progress: Progress | None) -> tuple[AssumptionEffects | None, str]:
    try:
        return assumption_effects(space, progress), ""
    except ExplorerError as fault:
        return None, str(fault)


def _planned(
    space: Space,
    limits: tuple[ResolvedLimit, ...],
    progress: Progress | None,
    maker: PartMaker,
    known: FloatArray,
    front: Front,
    candidates: FloatArray | None,
) -> tuple[Plan | None, str]:
    try:
        return make_plan(space, limits, progress, maker, known, front, candidates), ""
    except ExplorerError as fault:
        return None, str(fault)


def _visits(
    space: Space, limits: tuple[ResolvedLimit, ...], found: Shortlist | NothingFeasible
) -> tuple[ChangePlan | None, str]:
    """The way through the shortlist, and why there is none."""
    if not isinstance(found, Shortlist):
        return None, "nothing keeps every limit"
    picks = np.array([pick.positions for pick in found.picks[:MOST_SETUPS]])
    note = f"only the first {MOST_SETUPS} setups are visited" if len(found.picks) > MOST_SETUPS else ""
    return change_plan(space, picks, limits), note


def sensitivity(study: LoadedStudy, progress: Progress | None = None) -> tuple[Sensitivity | None, str, MetricTable]:
    """Only the question which knob matters: (indices, why there are none, table)."""
    space = study.space
    table = evaluate_all(space, progress) if space.exhaustive else None
    indices, note = _indices(space, table, progress)
    return indices, note, table if table is not None else table_of(space, np.array([space.baseline]))


@contextmanager
def parts_from(address: str = "", workers: int = 0) -> Iterator[PartMaker]:
    """Where the chunks of an exhaustive run are evaluated: here, on a cluster at an address, or on worker processes.

    Raises ExplorerError when a cluster is asked for and the extra is not installed.
    """
    if not address and not workers:
        yield one_by_one
        return
    try:
        from explorer.study.everything.cluster import cluster
    except ImportError as fault:
        raise ExplorerError(
            f"a cluster needs {fault.name}, which is not installed: install the extra, pip install '.[cluster]'"
        ) from fault
    with cluster(address, workers) as maker:
        yield maker


def answer(
    study: LoadedStudy,
    progress: Progress | None = None,
    assumptions: bool = True,
    maker: PartMaker = one_by_one,
    plans: bool = True,
    kept: Kept | None = None,
    chunk: int = CHUNK,
) -> RunResult:
    """Ask every question of a study; that of the assumptions and the plan only where wanted.
    `maker` says where chunks of `chunk` setups are run; what `kept` holds is not worked out again.

    Raises SpaceError or ModelError where a question cannot be answered at all; setups the model could not answer are
    counted in `failures`.
    """
    space = study.space
    clock = Clock()

    def once(name: str, work: Callable[[], Result]) -> Result:
        return clock.run(name, lambda: work() if kept is None else kept.once(name.replace(" ", "-"), work))

    baseline = table_of(space, np.array([space.baseline]))
    limits = clock.run("limits", lambda: resolve_limits(space))
    wishes = resolve_wishes(space)
    found: SearchResult | None = None
    against: Agreement | None = None
    steps: StepEffects | None = None
    front: Front
    whole: MetricTable | None
    levels: LevelShares | None = None
    stays: FloatArray | None = None
    if space.exhaustive:
        asked = asked_metrics(space)
        keep_all = save_every_setup(space) and space.size < METRICS_FILE_ROWS
        make = maker if kept is None else kept.made("every-setup", maker)
        passed = clock.run("every setup", lambda: stream(space, limits, asked, keep_all, progress, make, chunk, wishes))
        with passed.store as store:
            indices, note = clock.run("indices", lambda: _indices(space, store, progress))
            if store.valid.all():
                steps = clock.run("effect per step", lambda: step_effects(store, asked))
        table, front, whole, counts, setups = passed.table, passed.front, passed.whole, passed.counts, passed.setups
        levels = LevelShares(passed.setups_by_level, passed.feasible_by_level)
        failures = failures_of(passed)
        if whole is not None and len(front):
            able = objective_values(whole.take(feasible(limits, whole)))
            stays = clock.run("rounding", lambda: stay_share(front, able))
    else:
        from explorer.study.questions.search import search_space

        found = once("search", lambda: search_space(space, limits, progress, wishes))
        table, front = found.table, found.front
        whole, counts, setups, failures = table, found.counts, found.looked, failures_of(found)
        indices, note = once("indices", lambda: _indices(space, None, progress))
        against = once("search against the exact front", lambda: judged(space, limits, front, progress))
    nominal = clock.run("shortlist", lambda: make_shortlist(table, limits, front, counts, wishes))
    changes = clock.run("one change", lambda: one_change(space, limits))
    rest = "best" if whole is not None and space.exhaustive else "baseline"
    maps = clock.run(
        "maps",
        lambda: tuple(
            map_metric(space, x, y, metric, others, limits, whole if others == "best" and space.exhaustive else None)
            for x, y, metric, others in default_maps(space, indices, rest)
        ),
    )
    assumed, assumed_note = None, "not asked"
    if assumptions:
        assumed, assumed_note = once("assumptions", lambda: _assumed(space, progress))
    plan, plan_note, carried = None, "", None
    wanted = space.planning
    if plans and wanted.carry_over:
        carried = once("carry-over", lambda: carry_over(space, limits, progress=progress))
    shortlist = nominal
    if plans:
        asking = maker if kept is None else kept.made("plan", maker)
        known = np.array([one.positions for one in picks_of(nominal)]).reshape(-1, len(space.knobs))
        some = None if found is None else found.candidates(CANDIDATES)
        plan, plan_note = clock.run("plan", lambda: _planned(space, limits, progress, asking, known, front, some))
        if plan is not None and isinstance(nominal, Shortlist):
            chosen = plan.decision.shortlist.picks
            table = joined(table, table_of(space, np.array([one.positions for one in chosen])))
            shortlist = restated(nominal, table, wishes, chosen)
    visits, visits_note = None, ""
    symptoms: tuple[Ladder, ...] = ()
    if plan is None:
        visits, visits_note = clock.run("pit stops", lambda: _visits(space, limits, nominal))
        symptoms = clock.run("ladders", lambda: ladders(space, limits, None, None) if baseline.valid[0] else ())
    return RunResult(
        space=space,
        exact=space.exhaustive,
        table=table,
        baseline=baseline,
        limits=limits,
        wishes=wishes,
        counts=counts,
        indices=indices,
        indices_note=note,
        steps=steps,
        front=front,
        search=found,
        agreement=against,
        shortlist=shortlist,
        nominal=nominal,
        stays=stays,
        one_change=changes,
        maps=maps,
        failures=failures,
        timings=tuple(clock.stages),
        assumed=assumed,
        assumed_note=assumed_note,
        setups=setups,
        whole=whole,
        levels=levels,
        plan=plan,
        plan_note=plan_note,
        carried=carried,
        visits=visits,
        visits_note=visits_note,
        ladders=symptoms,
    )


def planned(
    study: LoadedStudy, progress: Progress | None = None, maker: PartMaker = one_by_one
) -> tuple[Plan, CarryOver | None]:
    """The plan of a study, and the liked feel carried over where the study names one. `maker` says where setups are
    asked.

    Raises SpaceError or ModelError where the plan cannot be made.
    """
    result = answer(study, progress, assumptions=False, maker=maker)
    if result.plan is None:
        raise SpaceError(result.plan_note)
    return result.plan, result.carried


def save_every_setup(space: Space) -> bool:
    """Whether `tables/metrics.parquet` is wanted: below a million rows, or as the study says."""
    wanted = space.settings.save_every_setup
    return (not space.exhaustive or space.size < METRICS_FILE_ROWS) if wanted is None else wanted


def judged(
    space: Space, limits: tuple[ResolvedLimit, ...], front: Front, progress: Progress | None = None
) -> Agreement | None:
    """A searched front held against the exact one; None where the space cannot be listed or no setup was found."""
    if not (space.enumerable and space.full_size <= space.settings.exhaustive_up_to and len(front)):
        return None
    from explorer.study.questions.search import agreement

    whole = stream(space, limits, (), progress=progress)
    with whole.store:
        return agreement(front, whole.front)


def one_map(
    study: LoadedStudy, x: str, y: str, metric: str, others: str = "baseline", progress: Progress | None = None
) -> MetricMap:
    """A single map of a study."""
    space = study.space
    table = evaluate_all(space, progress) if others == "best" and space.exhaustive else None
    return map_metric(space, x, y, metric, others, resolve_limits(space), table)


def searched(study: LoadedStudy, progress: Progress | None = None) -> tuple[SearchResult, Agreement | None]:
    """The search alone, whatever the size; with its agreement with the exact front where that can be had."""
    space = study.space
    from explorer.study.questions.search import search_space  # the search library is loaded once it is needed

    limits = resolve_limits(space)
    found = search_space(space, limits, progress, resolve_wishes(space))
    refuse_unanswered(failures_of(found), found.looked)
    return found, judged(space, limits, found.front, progress)
