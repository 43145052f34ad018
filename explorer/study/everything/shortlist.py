"""A handful of setups to take to the event: distinct, buildable, keeping every limit, each with its reason.

Where the study states wishes the first is the setup of least loss. Then come the extremes of each objective, the
balanced one, and those that add most hypervolume to the picks before them. When nothing keeps every limit the answer
names the limits that bind and the setups that miss by least.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from explorer.domain import seeds
from explorer.domain.space import FloatArray, IntArray, Objective, Space
from explorer.model.car.slots import SLOTS
from explorer.model.metrics import describe, metric_columns
from explorer.study.everything.evaluate import MetricTable, evaluate_positions
from explorer.study.everything.front import (
    Front,
    felt_scores,
    greedy_subset,
    normalised,
    objective_values,
    pareto_front,
    scores_of,
)
from explorer.study.everything.limits import LimitCounts, ResolvedLimit, count_limits, feasible, margins, violations
from explorer.study.everything.wishes import (
    Nearest,
    ResolvedWish,
    WishLine,
    best_rows,
    losses,
    nearest_to,
    shortfalls,
    wish_lines,
)

_NEVER_NEGATIVE = ("spring_rate", "bar_rate", "tyre_rate", "damping", "droop", "ride_height", "tyre_grip")


@dataclass(frozen=True)
class Builds:
    """Setups built within tolerance: the share that keeps every limit, and each limit's own share (limits,).

    `varied` names the knobs with a tolerance; without one the share is that of the nominal setup.
    """

    share: float
    by_limit: FloatArray
    samples: int
    varied: tuple[str, ...]


@dataclass(frozen=True)
class Pick:
    """One setup worth building, or one that misses by least.

    `kinds` among "headline", "wished", "extreme", "balanced", "diverse", "safest", "least violating"; `reason` in
    words; `row` in the table; `positions` (knobs,), `labels` in knob order; `values` (objectives,) in edge units;
    `margins` (limits,) in each metric's unit, positive where kept; `changes` as (knob, from, to); `minutes` of work
    [min]; `ties` setups with the same rounded objectives on the front, itself included; `distance` 0 to 1, largest
    distance to the best of an objective over the front's range; `builds` None for a setup that breaks a limit (its
    distance counts as 1). `loss` and `wishes` as in `wishes`, 0 and nothing where the study states none.
    """

    kinds: tuple[str, ...]
    reason: str
    row: int
    positions: FloatArray
    labels: tuple[str, ...]
    values: FloatArray
    margins: FloatArray
    changes: tuple[tuple[str, str, str], ...]
    minutes: float
    ties: int
    distance: float
    builds: Builds | None
    loss: float = 0.0
    wishes: tuple[WishLine, ...] = ()


class Chosen(Protocol):
    """What a setup that was chosen elsewhere says of itself: as in `Pick`."""

    @property
    def kinds(self) -> tuple[str, ...]: ...
    @property
    def reason(self) -> str: ...
    @property
    def ties(self) -> int: ...
    @property
    def distance(self) -> float: ...


@dataclass(frozen=True)
class Shortlist:
    """The picks, in order, out of `feasible` setups and a front of `groups` distinct points. `out_of_reach` holds the
    wishes that no setup within the limits meets, `dropped` the objectives that are saturated."""

    objectives: tuple[Objective, ...]
    limits: tuple[ResolvedLimit, ...]
    picks: tuple[Pick, ...]
    feasible: int
    groups: int
    out_of_reach: tuple[Nearest, ...] = ()
    dropped: tuple[str, ...] = ()


@dataclass(frozen=True)
class NothingFeasible:
    """Why no setup keeps every limit.

    `counts` per limit; `share` (limits,) of valid setups that break it; `sole_removal` (limits,) setups that would
    be feasible if that limit alone were dropped, so a limit with more than 0 is one that binds; `least` the setups
    that miss by least (sum over limits in resolutions, `missed_by` (least,)).
    """

    objectives: tuple[Objective, ...]
    limits: tuple[ResolvedLimit, ...]
    counts: LimitCounts
    share: FloatArray
    sole_removal: IntArray
    least: tuple[Pick, ...]
    missed_by: FloatArray


def picks_of(found: Shortlist | NothingFeasible) -> tuple[Pick, ...]:
    """The setups of a shortlist, or the least violating ones."""
    return found.picks if isinstance(found, Shortlist) else found.least


def make_shortlist(
    table: MetricTable,
    limits: tuple[ResolvedLimit, ...],
    front: Front | None = None,
    counts: LimitCounts | None = None,
    wishes: tuple[ResolvedWish, ...] = (),
) -> Shortlist | NothingFeasible:
    """Shortlist of a table's setups; `front` may hand in the front of its feasible rows.

    `counts` speak of the whole space where the table holds only what was kept of it: the front's members with the
    setups that come nearest to the wishes, or the setups that miss by least.

    Raises SpaceError without objectives, ModelError for a non-finite objective.
    """
    space = table.space
    good = feasible(limits, table)
    known = count_limits(limits, table) if counts is None else counts
    if not good.any():
        return _nothing(table, limits, known, wishes)
    best = pareto_front(table, good) if front is None else front
    named = np.flatnonzero(best.named)
    scores = best.scores[named]
    unit = normalised(scores, scores)
    distance = unit.max(axis=1)
    reasons = reasons_for(space.objectives, scores, distance, unit, space.settings.shortlist_size, best.dropped)
    sizes = np.bincount(best.group)
    picks = []
    for point, (kinds, reason) in reasons.items():
        member = int(named[point])
        row = int(best.rows[member])
        builds = build_share(space, best.positions[member], limits)
        ties = int(sizes[best.group[member]])
        picks.append(_pick(table, limits, row, kinds, reason, ties, float(distance[point]), builds, wishes))
    out_of_reach: tuple[Nearest, ...] = ()
    if wishes:
        rows = np.flatnonzero(good)
        places = rows[best_rows(space, wishes, table.positions[rows], rows, shortfalls(wishes, table.take(rows)))]
        out_of_reach = nearest_to(wishes, table, places[1:])
        picks = _with_wished(table, limits, wishes, best, int(places[0]), picks)
    return Shortlist(space.objectives, limits, tuple(picks), known.feasible, best.groups, out_of_reach, best.dropped)


def _with_wished(
    table: MetricTable,
    limits: tuple[ResolvedLimit, ...],
    wishes: tuple[ResolvedWish, ...],
    front: Front,
    row: int,
    picks: list[Pick],
) -> list[Pick]:
    """The picks with the setup of least loss in front; the last gives way where the list is full."""
    space = table.space
    why = "comes nearest to the wishes"
    same = next((pick for pick in picks if pick.row == row), None)
    if same is not None:
        first = replace(same, kinds=("wished", *same.kinds), reason=f"{why}; {same.reason}")
        return [first, *(pick for pick in picks if pick is not same)]
    one = table.take(np.array([row]))
    score = felt_scores(objective_values(one), space.objectives, front.dropped)
    ties = int((front.scores == score).all(axis=1).sum())
    distance = min(1.0, float(normalised(score, front.scores).max()))
    builds = build_share(space, one.positions[0], limits)
    first = _pick(table, limits, row, ("wished",), why, max(ties, 1), distance, builds, wishes)
    return [first, *picks[: space.settings.shortlist_size - 1]]


def restated(
    nominal: Shortlist, table: MetricTable, wishes: tuple[ResolvedWish, ...], chosen: Sequence[Chosen]
) -> Shortlist:
    """The same shortlist with other setups, those in the last rows of a table, in order."""
    picks = []
    for row, one in enumerate(chosen, start=len(table) - len(chosen)):
        builds = build_share(table.space, table.positions[row], nominal.limits)
        picks.append(_pick(table, nominal.limits, row, one.kinds, one.reason, one.ties, one.distance, builds, wishes))
    return replace(nominal, picks=tuple(picks))


def reasons_for(
    objectives: tuple[Objective, ...],
    scores: FloatArray,
    distance: FloatArray,
    unit: FloatArray,
    size: int,
    dropped: tuple[str, ...] = (),
) -> dict[int, tuple[tuple[str, ...], str]]:
    """Front points to list, in order, with their kinds and reason. Ties go to the more balanced, then the first. The
    `dropped` objectives have no extreme."""
    found: dict[int, list[tuple[str, str]]] = {}
    number = np.arange(len(scores))
    middle = int(np.lexsort((number, unit.sum(axis=1), distance))[0])
    wanted = [(middle, "balanced", "closest to the best of every objective at once")]
    for column, objective in enumerate(objectives):
        if objective.metric in dropped:
            continue
        point = int(np.lexsort((number, unit.sum(axis=1), distance, scores[:, column]))[0])
        way = "highest" if objective.direction > 0 else "lowest"
        wanted.append((point, "extreme", f"{way} {describe(objective.metric).label}"))
    for point, kind, reason in wanted:
        if point in found or len(found) < size:
            found.setdefault(point, []).append((kind, reason))
    order = [point for point, kind, _ in wanted if kind == "extreme" and point in found and point != middle]
    order = [*dict.fromkeys([*order, middle])]
    for point in greedy_subset(unit, size, tuple(order))[len(order) :]:
        found[point] = [("diverse", "adds most to what the setups above it cover")]
        order.append(point)
    return {
        point: (tuple(dict.fromkeys(kind for kind, _ in found[point])), "; ".join(text for _, text in found[point]))
        for point in order
    }


def _pick(
    table: MetricTable,
    limits: tuple[ResolvedLimit, ...],
    row: int,
    kinds: tuple[str, ...],
    reason: str,
    ties: int,
    distance: float,
    builds: Builds | None,
    wishes: tuple[ResolvedWish, ...],
) -> Pick:
    space = table.space
    one = table.take(np.array([row]))
    positions = one.positions[0]
    return Pick(
        kinds=kinds,
        reason=reason,
        row=row,
        positions=positions,
        labels=space.labels(positions),
        values=objective_values(one)[0],
        margins=margins(limits, one)[0] * np.array([limit.resolution for limit in limits]),
        changes=space.changes(positions),
        minutes=float(space.minutes(one.positions)[0]),
        ties=ties,
        distance=distance,
        builds=builds,
        loss=float(losses(wishes, one)[0]),
        wishes=wish_lines(wishes, one),
    )


def never_negative(slot: str) -> bool:
    """Whether a number of the car is 0 or more, whatever the tolerance of the part that sets it."""
    return slot.removeprefix("front_").removeprefix("rear_") in _NEVER_NEGATIVE


def build_vectors(space: Space, positions: FloatArray) -> tuple[FloatArray, tuple[str, ...]]:
    """Parameter vectors of one setup as it may come out of the pits: (samples, slots) SI, and the knobs varied.

    Each knob with a tolerance gets one uniform deviation (Latin hypercube, `build_samples` rows) that moves all its
    slots: by up to the absolute tolerance [SI] and by up to the relative one of the setting. A rate, damping, droop,
    height or grip that is not negative stays so.
    """
    varied = [k for k, knob in enumerate(space.knobs) if knob.tolerance_absolute > 0 or knob.tolerance_relative > 0]
    nominal = space.parameters(positions[None, :])
    if not varied:
        return nominal, ()
    samples = max(1, space.settings.build_samples)
    rng = np.random.default_rng(seeds.stage_seed(space.seed, seeds.BUILDS))
    strata = rng.permuted(np.tile(np.arange(samples), (len(varied), 1)), axis=1).T  # one build per stratum and knob
    spread = 2.0 * (strata + rng.random(strata.shape)) / samples - 1.0
    result = np.repeat(nominal, samples, axis=0)
    for column, index in enumerate(varied):
        knob = space.knobs[index]
        for slot in knob.slots:
            own = nominal[0, slot]
            half = knob.tolerance_absolute + knob.tolerance_relative * abs(own)
            result[:, slot] = own + spread[:, column] * half
            if own >= 0.0 and never_negative(SLOTS[slot]):
                result[:, slot] = np.maximum(result[:, slot], 0.0)
    return result, tuple(space.knobs[index].name for index in varied)


def build_share(space: Space, positions: FloatArray, limits: tuple[ResolvedLimit, ...]) -> Builds:
    """Share of builds within tolerance that keep every limit; a build without an answer keeps none."""
    vectors, varied = build_vectors(space, positions)
    repeated = np.repeat(positions[None, :], len(vectors), axis=0)
    values, valid = evaluate_positions(space, repeated, parameters=vectors)
    table = MetricTable(space, repeated, metric_columns(space.phase_names), values[0], valid[0])
    kept = margins(limits, table) >= 0.0
    return Builds(float(feasible(limits, table).mean()), kept.mean(axis=0), len(vectors), varied)


def _nothing(
    table: MetricTable, limits: tuple[ResolvedLimit, ...], counts: LimitCounts, wishes: tuple[ResolvedWish, ...]
) -> NothingFeasible:
    """Which limits are to blame, and the distinct setups that miss by least."""
    space = table.space
    rows = np.flatnonzero(table.valid)
    missed = violations(limits, table)[rows].sum(axis=1)
    positions = table.positions[rows]
    scores = scores_of(objective_values(table)[rows], space.objectives)
    picks, amounts = [], []
    for index in least_violating(space, positions, rows, missed, scores):
        row = int(rows[index])
        one = table.take(np.array([row]))
        broken = [limit.text for limit, m in zip(limits, margins(limits, one)[0], strict=True) if m < 0.0]
        picks.append(
            _pick(table, limits, row, ("least violating",), "breaks " + "; ".join(broken), 1, 1.0, None, wishes)
        )
        amounts.append(float(missed[index]))
    return NothingFeasible(
        objectives=space.objectives,
        limits=limits,
        counts=counts,
        share=counts.broken / max(1, counts.valid),
        sole_removal=counts.only,
        least=tuple(picks),
        missed_by=np.array(amounts),
    )


def least_violating(
    space: Space, positions: FloatArray, rows: IntArray, missed: FloatArray, scores: FloatArray
) -> IntArray:
    """Places of the setups that miss by least and differ in their rounded objectives, `shortlist_size` at most.

    Order: amount missed [resolutions], changes from the baseline, minutes, row. The best of a union lie within the
    union of the bests, so chunks can be merged.
    """
    changes = (positions != np.asarray(space.baseline)).sum(axis=1)
    order = np.lexsort((rows, space.minutes(positions), changes, missed))
    seen: set[bytes] = set()
    found: list[int] = []
    for index in order:
        key = scores[index].tobytes()
        if key not in seen:
            seen.add(key)
            found.append(int(index))
        if len(found) == space.settings.shortlist_size:
            break
    return np.array(found, dtype=np.int64)
