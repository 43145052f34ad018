"""The plan of a study: what holds over the unknown, what practice taught, what to measure next, what to change.

Only the order of the questions is here; each is answered in its own module.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain import seeds
from explorer.domain.errors import ExplorerError, SpaceError
from explorer.domain.space import FloatArray, Space
from explorer.domain.unknowns import Planning
from explorer.study.everything.evaluate import Progress
from explorer.study.everything.front import Front
from explorer.study.everything.limits import ResolvedLimit
from explorer.study.everything.stream import PartMaker, one_by_one
from explorer.study.everything.wishes import LOSS_STEP
from explorer.study.pits.ladder import Ladder, ladder
from explorer.study.pits.symptoms import SYMPTOMS
from explorer.study.plan.actions import Action, actions
from explorer.study.plan.change_plan import ChangePlan, change_plan
from explorer.study.plan.decision import PRACTISED, Decision, decide, thinned
from explorer.study.plan.learning import Learned, weighed
from explorer.study.plan.robust import Robust
from explorer.study.plan.robust_shortlist import RobustShortlist
from explorer.study.plan.scenario_pass import ask, question
from explorer.study.plan.scenarios import Draws, draw
from explorer.study.plan.split import Split, split_of
from explorer.study.plan.worth import Knowing, knowing

SPLIT_SETUPS, SPLIT_SCENARIOS = 1_024, 64
"""Setups and scenarios over which what the knobs do is held against what nobody knows."""

LADDER_SCENARIOS = 64
"""Scenarios in which each symptom's cures are tried."""


@dataclass(frozen=True)
class Plan:
    """Everything a plan found.

    `decision` holds the headline, the shortlist and what they stand on. `worth` is None where `worth_note` says why; so
    are `split`, `changes` and their notes. `actions` are runs and readings, most gain per minute first. `ladders` hold
    every symptom this study can have.
    """

    planning: Planning
    limits: tuple[ResolvedLimit, ...]
    decision: Decision
    split: Split | None
    split_note: str
    worth: Knowing | None
    worth_note: str
    actions: tuple[Action, ...]
    changes: ChangePlan | None
    changes_note: str
    ladders: tuple[Ladder, ...]

    @property
    def draws(self) -> Draws:
        """The scenarios after practice."""
        return self.decision.draws

    @property
    def robust(self) -> Robust:
        """The setups that were looked at longest, over the scenarios."""
        return self.decision.robust

    @property
    def front(self) -> Front:
        """The front of the figure that the shortlist is taken on."""
        return self.decision.front

    @property
    def shortlist(self) -> RobustShortlist:
        """The setups to take, the headline's first."""
        return self.decision.shortlist

    @property
    def learned(self) -> Learned | None:
        """What practice taught, None without any."""
        return None if self.decision.practised is None else self.decision.practised.learned

    @property
    def next_action(self) -> Action | None:
        """The run or reading of most gain per minute among those that surely gain what is felt; None without any."""
        return next((one for one in self.actions if one.sure and one.gain >= LOSS_STEP), None)

    @property
    def telling(self) -> tuple[str, ...]:
        """Keys of the unknowns that would surely gain what is felt, were they known exactly; most first."""
        if self.worth is None:
            return ()
        clear = [one for one in self.worth.worth.asked if one.clear and one.held_out >= LOSS_STEP]
        return tuple(self.worth.keys[one.unknown] for one in clear)


def believed(space: Space, count: int) -> Draws:
    """About `count` scenarios of what is thought today: as drawn, or weighed by what was seen."""
    if not space.planning.seen:
        return draw(space, count)
    return thinned(space, weighed(space, space.planning.seen, draw(space, 4 * PRACTISED)), count)


def make_plan(
    space: Space,
    limits: tuple[ResolvedLimit, ...],
    progress: Progress | None = None,
    maker: PartMaker = one_by_one,
    known: FloatArray | None = None,
    front: Front | None = None,
    candidates: FloatArray | None = None,
) -> Plan:
    """Answer every question of a plan; arguments as for `decide`.

    Raises SpaceError where the space cannot be listed and there are no candidates, ModelError where the baseline has no
    answer.
    """
    none = np.zeros((0, len(space.knobs)))
    found = decide(space, none if known is None else known, front, progress, maker, candidates)
    split, split_note = _split(space, found.draws, candidates)
    worth, worth_note = _worth(space, found)
    setups = np.array([pick.positions for pick in found.shortlist.picks]).reshape(-1, len(space.knobs))
    changes: ChangePlan | None = None
    changes_note = "no setup to visit"
    if len(setups):
        try:
            changes, changes_note = change_plan(space, setups, limits), ""
        except ExplorerError as fault:
            changes_note = str(fault)
    return Plan(
        planning=space.planning,
        limits=limits,
        decision=found,
        split=split,
        split_note=split_note,
        worth=worth,
        worth_note=worth_note,
        actions=actions(space, found),
        changes=changes,
        changes_note=changes_note,
        ladders=ladders(space, limits, None, thinned(space, found.draws, LADDER_SCENARIOS)),
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


def _split(space: Space, draws: Draws, candidates: FloatArray | None) -> tuple[Split | None, str]:
    """Over setups drawn from all of them, or from the candidates."""
    size = space.size if candidates is None else len(candidates)
    rng = np.random.default_rng(seeds.stage_seed(space.seed, seeds.SAMPLE))
    rows = np.sort(rng.choice(size, min(size, SPLIT_SETUPS), replace=False))
    positions = space.positions_of(rows) if candidates is None else candidates[rows]
    try:
        asked = question(space, thinned(space, draws, SPLIT_SCENARIOS))
        return split_of(asked, positions, ask(asked, positions, 1)), ""
    except ExplorerError as fault:
        return None, str(fault)


def _worth(space: Space, found: Decision) -> tuple[Knowing | None, str]:
    try:
        return knowing(space, found.outcomes), ""
    except ExplorerError as fault:
        return None, str(fault)
