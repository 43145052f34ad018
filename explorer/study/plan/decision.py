"""From every setup to the one to take: scenarios, practice, screen, a long look at those left, the headline.

Every study goes this way: what is assumed is never known. After practice the same setups are held against both beliefs,
and the setup of before stays unless another is better by more than anyone feels and by more than the error.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from explorer.domain import seeds
from explorer.domain.errors import SpaceError
from explorer.domain.space import FloatArray, IntArray, Space
from explorer.study.everything.evaluate import Progress
from explorer.study.everything.front import Front
from explorer.study.everything.stream import PartMaker, one_by_one
from explorer.study.everything.wishes import LOSS_STEP
from explorer.study.plan.headline import BEYOND, Headline, against, chosen, headline, reweighed
from explorer.study.plan.learning import Learned, learn, systematic
from explorer.study.plan.practice import predict
from explorer.study.plan.reports import Judgement
from explorer.study.plan.robust import Robust, eligible, robust_front, robust_of
from explorer.study.plan.robust_shortlist import Cover, RobustShortlist, failing, portfolio, robust_shortlist
from explorer.study.plan.rules import Box
from explorer.study.plan.scenario_pass import TENTHS, Ideal, Outcomes, Question, outcomes_of, question, turned
from explorer.study.plan.scenarios import Draws, draw, draws_at
from explorer.study.plan.screen import ROUNDS, screened

PRACTISED = 1_024
"""Scenarios that are weighed by what was seen, at most: each is asked once for every setup that was driven, and again
for every move."""


@dataclass(frozen=True)
class Practised:
    """What practice did to the choice: `learned`, the headline's setup `before` (knobs,), and whether that `changed`:
    the new one loses `gain` less under what is thought now, `error` its standard error. Where nothing could be taken
    before or can be now, the baseline stands in."""

    learned: Learned
    before: FloatArray
    changed: bool
    gain: float
    error: float


@dataclass(frozen=True)
class Again:
    """What the driver complained of, `text`, is likely with the setup of place `pick` on the shortlist too: in a share
    `share` of the scenarios."""

    pick: int
    text: str
    share: float


@dataclass(frozen=True)
class Decision:
    """What to take. `draws` are the scenarios after practice, `asked` the question put to each setup, `outcomes` and
    `robust` of the setups that were looked at longest, `front` of the figure that the `shortlist` is taken on; its
    first is the headline's, then come the `covers`. `failing` are rules for where each setup of it breaks a limit, None
    where that is too seldom. `headline` is None where nothing keeps every limit in any scenario; `practised` None
    without practice; `again` are complaints of practice that come back."""

    draws: Draws
    asked: Question
    outcomes: Outcomes
    robust: Robust
    front: Front
    shortlist: RobustShortlist
    covers: tuple[Cover, ...]
    failing: tuple[Box | None, ...]
    headline: Headline | None
    practised: Practised | None
    again: tuple[Again, ...]


def decide(
    space: Space,
    known: FloatArray,
    front: Front | None = None,
    progress: Progress | None = None,
    maker: PartMaker = one_by_one,
    candidates: FloatArray | None = None,
) -> Decision:
    """Screen every setup, or `candidates` (rows, knobs) where they cannot be listed, and look long at those left.

    `known` (rows, knobs) are setups that are looked at whatever the screen says, `front` that of the best guesses.
    Raises SpaceError where a space that cannot be listed comes without candidates, ModelError where the baseline has no
    answer.
    """
    if candidates is None and not space.exhaustive:
        raise SpaceError("this study's setups cannot be listed, and no candidates were found to choose among")
    planning = space.planning
    ideal = _ideal(space, front)
    before = draw(space, planning.scenarios)
    draws, learned = before, None
    if planning.seen:
        learned = learn(space, planning.seen, draw(space, min(planning.scenarios, PRACTISED)), progress)
        draws = learned.draws
        before = draws if not learned.rejuvenated else draw(space, len(draws))
    size = space.size if candidates is None else len(candidates)
    places = space.positions_of if candidates is None else _Listed(candidates)
    kept = [np.array([space.baseline], dtype=np.float64), known]
    for some in (draw(space, ROUNDS[-1], seeds.SCREEN), *([draws] if learned else [])):
        few = question(space, thinned(space, some, ROUNDS[-1]), ideal)
        kept.append(places(screened(few, size, places, 1.0 - planning.quantile, progress, maker)))
    both = np.concatenate(kept)
    _, first = np.unique(both, axis=0, return_index=True)
    positions = both[np.sort(first)]
    asked = question(space, draws, ideal)
    outcomes = outcomes_of(asked, positions, progress, maker)
    robust = robust_of(space, outcomes)
    row, practised = chosen(space, outcomes, robust), None
    if learned is not None:
        if learned.rejuvenated:
            held = outcomes_of(question(space, before, ideal), positions, progress, maker)
        else:
            held = reweighed(outcomes, np.ones(len(outcomes.weights)))
        row, practised = _after(space, outcomes, robust, learned, row, chosen(space, held, robust_of(space, held)))
    covers = portfolio(outcomes, robust, space, row) if row >= 0 else []
    found = robust_shortlist(robust, space, row, covers, planning.shortlist_on)
    told = headline(space, outcomes, robust, 0, size, row) if row >= 0 else None
    return Decision(
        draws=draws,
        asked=asked,
        outcomes=outcomes,
        robust=robust,
        front=robust_front(robust, space, planning.shortlist_on),
        shortlist=found,
        covers=tuple(covers),
        failing=tuple(failing(outcomes, pick.row) for pick in found.picks),
        headline=told,
        practised=practised,
        again=_again(space, draws, found),
    )


def _again(space: Space, draws: Draws, found: RobustShortlist) -> tuple[Again, ...]:
    """The complaints of practice that more likely than not come back with a setup of the shortlist."""
    said = [one for one in space.planning.seen if isinstance(one, Judgement) and one.complains]
    pairs = [(place, one) for place, _ in enumerate(found.picks) for one in said]
    if not pairs:
        return ()
    asked = tuple(replace(one, positions=tuple(found.picks[place].positions)) for place, one in pairs)
    told = predict(space, asked, draws.scenarios)
    shares = [
        float(draws.weights @ (one.law(row) * ok))
        for one, row, ok in zip(asked, told.numbers, told.answered, strict=True)
    ]
    kept = {(place, one.phase, one.words()): share for (place, one), share in zip(pairs, shares, strict=True)}
    return tuple(
        Again(place, f"{phase}: {words}", share) for (place, phase, words), share in kept.items() if share > 0.5
    )


@dataclass(frozen=True)
class _Listed:
    """Setups by their number; can be sent to another process."""

    positions: FloatArray

    def __call__(self, rows: IntArray) -> FloatArray:
        return self.positions[rows]


def _ideal(space: Space, front: Front | None) -> Ideal | None:
    """The best of each objective and the range on a front, `TENTHS` felt steps at least; None without one."""
    if front is None or not len(front):
        return None
    own = turned(space, front.values)
    least = TENTHS * np.array([objective.resolution for objective in space.objectives])
    width = np.maximum(own.max(axis=0) - own.min(axis=0), least)
    gone = [one.metric in front.dropped for one in space.objectives]
    return Ideal(own.max(axis=0), np.where(gone, 0.0, width))


def _after(
    space: Space, outcomes: Outcomes, robust: Robust, learned: Learned, new: int, old: int
) -> tuple[int, Practised]:
    """The row to take after practice, and what it did. The old one stays where it may still be picked and the new one
    is no better beyond what is felt and beyond the error."""
    if old < 0 or new < 0:
        return new, Practised(learned, robust.positions[max(old, 0)], old != new, 0.0, 0.0)
    step = against(outcomes, space, new, old)
    among, _, _ = eligible(robust, None)
    sure = -step.loss > max(LOSS_STEP, BEYOND * step.loss_error) or any(one > 0 for one in step.felt(space))
    changed = new != old and (not bool(among[old]) or sure)
    return new if changed else old, Practised(learned, robust.positions[old], changed, -step.loss, step.loss_error)


def thinned(space: Space, draws: Draws, count: int) -> Draws:
    """About `count` scenarios of equal standing out of many weighted ones, by systematic resampling; one drawn twice
    stands once with twice the weight."""
    if len(draws) <= count and np.ptp(draws.weights) == 0.0:
        return draws
    rng = np.random.default_rng(seeds.stage_seed(space.seed, seeds.THINNING))
    at = rng.permutation(len(draws))
    kept, times = np.unique(at[systematic(draws.weights[at], rng, count)], return_counts=True)
    return draws_at(space, draws.points[kept], times.astype(np.float64))
