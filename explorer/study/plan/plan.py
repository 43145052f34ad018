"""The plan of a study: what holds over the unknown, what practice taught, what to measure next, what to change.

Only the order of the questions is here; each is answered in its own module.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from explorer.domain import seeds
from explorer.domain.errors import ExplorerError, SpaceError
from explorer.domain.space import BoolArray, FloatArray, Space
from explorer.domain.unknowns import Planning
from explorer.study.everything.evaluate import Progress
from explorer.study.everything.front import Front
from explorer.study.everything.limits import ResolvedLimit
from explorer.study.everything.stream import PartMaker, one_by_one
from explorer.study.everything.wishes import resolve_wishes
from explorer.study.pits.ladder import Ladder, ladder
from explorer.study.pits.symptoms import SYMPTOMS
from explorer.study.plan.change_plan import ChangePlan, change_plan
from explorer.study.plan.learning import Learned, learn, systematic, weighed
from explorer.study.plan.narrowing import picked
from explorer.study.plan.robust import Robust, robust_front, robust_of, split_of
from explorer.study.plan.robust_shortlist import RobustShortlist, robust_shortlist
from explorer.study.plan.scenario_pass import outcomes_of
from explorer.study.plan.scenarios import Draws, bounds_in, draw, draws_at
from explorer.study.plan.split import Split
from explorer.study.plan.worth import Knowing, knowing

LEARNING_SCENARIOS = 1_024
"""Scenarios that are weighed by what was seen, and that the worth of knowing is worked out on; few setups are asked."""


@dataclass(frozen=True)
class Plan:
    """Everything a plan found.

    `front` is that of the figure the shortlist is taken on. `draws` are the scenarios the plan stands on; with
    observations they are what is left of `learned.draws`, and `before` (setups, knobs) is the shortlist without them.
    `worth` is None where `worth_note` says why; so are `changes` and `changes_note`. `ladders`
    hold every symptom this study can have.
    """

    planning: Planning
    limits: tuple[ResolvedLimit, ...]
    draws: Draws
    robust: Robust
    front: Front
    shortlist: RobustShortlist
    before: FloatArray | None
    split: Split
    learned: Learned | None
    worth: Knowing | None
    worth_note: str
    changes: ChangePlan | None
    changes_note: str
    ladders: tuple[Ladder, ...]


def thinned(space: Space, draws: Draws, count: int) -> Draws:
    """About `count` scenarios of equal standing out of many weighted ones, by systematic resampling; one drawn twice
    stands once with twice the weight."""
    if len(draws) <= count and np.ptp(draws.weights) == 0.0:
        return draws
    rng = np.random.default_rng(seeds.stage_seed(space.seed, seeds.THINNING))
    at = rng.permutation(len(draws))
    kept, times = np.unique(at[systematic(draws.weights[at], rng, count)], return_counts=True)
    return draws_at(space, draws.points[kept], times.astype(np.float64))


def believed(space: Space, count: int) -> Draws:
    """About `count` scenarios of what is thought today: as drawn, or weighed by what was seen."""
    if not space.planning.seen:
        return draw(space, count)
    many = draw(space, max(count, LEARNING_SCENARIOS))
    return thinned(space, weighed(space, space.planning.seen, many), count)


def make_plan(
    space: Space,
    limits: tuple[ResolvedLimit, ...],
    progress: Progress | None = None,
    maker: PartMaker = one_by_one,
) -> Plan:
    """Answer every question of a plan. `maker` says where every setup is asked in every scenario.

    Raises SpaceError where the space cannot be listed or is too big for its scenarios, ModelError where the baseline
    has no answer.
    """
    if not space.exhaustive:
        raise SpaceError("a plan asks every setup in every scenario, and this study's setups cannot be listed")
    asked = space.planning
    draws = draw(space, asked.scenarios)
    learned: Learned | None = None
    before: FloatArray | None = None
    many = draw(space, max(asked.scenarios, LEARNING_SCENARIOS))
    if asked.seen:
        before = picked(space, draws, asked.shortlist_on, progress, maker)
        learned = learn(space, asked.seen, many, progress)
        many = learned.draws
        draws = thinned(space, many, asked.scenarios)
    outcomes = outcomes_of(space, draws, progress, maker=maker)
    robust, split = robust_of(space, outcomes, asked.quantile), split_of(space, outcomes)
    del outcomes
    found = robust_shortlist(robust, space, asked.shortlist_on, wishes=resolve_wishes(space))
    front = robust_front(robust, space, asked.shortlist_on)
    setups = np.array([pick.positions for pick in found.picks]).reshape(len(found.picks), len(space.knobs))
    worth, worth_note = _worth(space, limits, many, setups, robust, progress)
    changes: ChangePlan | None = None
    changes_note = "no setup to visit"
    if len(setups):
        try:
            changes, changes_note = change_plan(space, setups, limits), ""
        except ExplorerError as fault:
            changes_note = str(fault)
    return Plan(
        planning=asked,
        limits=limits,
        draws=draws,
        robust=robust,
        front=front,
        shortlist=found,
        before=before,
        split=split,
        learned=learned,
        worth=worth,
        worth_note=worth_note,
        changes=changes,
        changes_note=changes_note,
        ladders=ladders(space, limits, None, draws),
    )


def ladders(
    space: Space, limits: tuple[ResolvedLimit, ...], current: FloatArray | None, draws: Draws | None
) -> tuple[Ladder, ...]:
    """A ladder for every symptom that this study can have."""
    found = []
    for key, _ in SYMPTOMS:
        try:
            found.append(ladder(space, limits, current, key, None if draws is None else draws.scenarios))
        except SpaceError:
            continue  # named in the `not_asked` of every other ladder
    return tuple(found)


def candidates(robust: Robust, picks: FloatArray, space: Space, most: int = 60) -> FloatArray:
    """Setups to choose among when asking what to measure: the shortlist, and those most often on the front."""
    order = np.lexsort((np.arange(len(robust.front_share)), -robust.front_share))
    ahead: BoolArray = robust.front_share[order[:most]] > 0.0
    rows = np.sort(order[:most][ahead])
    both = np.concatenate([picks, space.positions_of(rows), np.array([space.baseline])])
    _, first = np.unique(both, axis=0, return_index=True)
    return both[np.sort(first)]


def _worth(
    space: Space,
    limits: tuple[ResolvedLimit, ...],
    draws: Draws,
    setups: FloatArray,
    robust: Robust,
    progress: Progress | None,
) -> tuple[Knowing | None, str]:
    try:
        bounds = bounds_in(space, draws)
        if not bounds.valid.all():
            kept = np.flatnonzero(bounds.valid)
            draws = draws_at(space, draws.points[kept], draws.weights[kept])
            bounds = replace(bounds, values=bounds.values[kept], valid=bounds.valid[kept])
        return knowing(space, candidates(robust, setups, space), draws, limits, bounds.values, progress=progress), ""
    except ExplorerError as fault:
        return None, str(fault)
