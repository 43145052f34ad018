"""The setups to take over what is not known: a handful off the front of one figure, and the one that is safest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from explorer.domain.space import FloatArray, Space
from explorer.study.everything.evaluate import table_of
from explorer.study.everything.front import normalised, pareto_front
from explorer.study.everything.shortlist import reasons_for
from explorer.study.everything.wishes import LOSS_STEP, WishLine, resolve_wishes, wish_lines
from explorer.study.plan.robust import BROKEN_LOSS, ROUNDING, Robust, eligible, figure_table, filled
from explorer.study.plan.rules import Box, best_box
from explorer.study.plan.scenario_pass import Outcomes

COVERS = 2
"""Setups that cover what the headline does not, at most."""


@dataclass(frozen=True)
class Cover:
    """A setup that is better than those before it in a share `better` of the scenarios, by more than is felt; `gain` is
    what is lost less, on average, if it is taken there. `where` is the best rule for that, None where none is found."""

    row: int
    gain: float
    better: float
    where: Box | None


@dataclass(frozen=True)
class RobustPick:
    """One setup worth building over the scenarios.

    `kinds` and `reason` as in a `shortlist.Pick`; `row` among the setups of `Robust`; `figures` and `errors` (figures,
    objectives) in the order of `FIGURES` and edge units; `share` of scenarios in which every limit holds,
    `share_by_limit` (limits,), `front_share` in which it is on the front; `loss` expected, with its `loss_error`;
    `changes` from the baseline as (knob, from, to), `minutes` of work [min]; `ties` setups with the same rounded
    figures, itself included; `distance` 0 to 1, the largest distance to the best of an objective over the front's
    range. `wishes` stand for the best guesses. The "headline" and the "safest" need not be on the front and are not
    measured there: ties 1, distance 1.
    """

    kinds: tuple[str, ...]
    reason: str
    row: int
    positions: FloatArray
    labels: tuple[str, ...]
    figures: FloatArray
    errors: FloatArray
    share: float
    share_error: float
    share_by_limit: FloatArray
    front_share: float
    loss: float
    loss_error: float
    changes: tuple[tuple[str, str, str], ...]
    minutes: float
    ties: int
    distance: float
    wishes: tuple[WishLine, ...] = ()


@dataclass(frozen=True)
class RobustShortlist:
    """Picks taken on the figure `on` among the `eligible` setups, which keep every limit in a share `bar` of the
    scenarios or more; `groups` distinct points on the front. `note` says where the bar could not be kept. No pick where
    nothing keeps every limit in any scenario."""

    on: str
    bar: float
    eligible: int
    groups: int
    note: str
    picks: tuple[RobustPick, ...]


def portfolio(outcomes: Outcomes, robust: Robust, space: Space, first: int, bar: float | None = None) -> list[Cover]:
    """Setups that together with the one in row `first` lose least, were the right one of them taken in each scenario:
    each adds most to those before it, as long as that is more than a driver feels or a tenth of what is lost. A broken
    limit counts as `BROKEN_LOSS`."""
    among, _, _ = eligible(robust, bar)
    told = filled(space, outcomes)
    lost = told.losses + BROKEN_LOSS * ~told.good
    now, found = lost[:, first], []
    least = min(LOSS_STEP, 0.1 * float(outcomes.weights @ now))
    for _ in range(COVERS):
        gain = outcomes.weights @ np.maximum(now[:, None] - lost, 0.0)
        best = int(np.argmax(np.where(among, gain, -1.0)))
        if gain[best] <= max(least, ROUNDING):
            break
        better = lost[:, best] < now - LOSS_STEP
        box = best_box(outcomes.numbers, outcomes.weights, better)
        found.append(Cover(best, float(gain[best]), float(outcomes.weights @ better), box))
        now = np.minimum(now, lost[:, best])
    return found


def failing(outcomes: Outcomes, row: int) -> Box | None:
    """Where the setup in a row breaks a limit; None where that is too seldom to tell."""
    return best_box(outcomes.numbers, outcomes.weights, ~outcomes.told.good[:, row])


def robust_shortlist(
    robust: Robust,
    space: Space,
    first: int = -1,
    covers: Sequence[Cover] = (),
    on: str = "quantile",
    bar: float | None = None,
    size: int | None = None,
) -> RobustShortlist:
    """A handful of setups: the one in row `first` where there is one, then on one figure extremes, the balanced one,
    and those that add most. As `robust_front`; `size` is by default the study's."""
    among, level, note = eligible(robust, bar)
    if not among.any():
        return RobustShortlist(on, level, 0, 0, note, ())
    front = pareto_front(figure_table(robust, space, on), among, exact=True)
    named = np.flatnonzero(front.named)
    unit = normalised(front.scores[named], front.scores[named])
    distance = unit.max(axis=1)
    most = size or space.settings.shortlist_size
    wanted = reasons_for(front.objectives, front.scores[named], distance, unit, most, front.dropped)
    sizes = np.bincount(front.group)
    picks = []
    for point, (kinds, text) in wanted.items():
        member = int(named[point])
        reason, ties = _reason(on, robust.quantile, text), int(sizes[front.group[member]])
        picks.append(_pick(robust, space, int(front.rows[member]), kinds, reason, ties, float(distance[point])))
    for one in reversed(covers):
        text = f"better than those before it in {100.0 * one.better:.0f} % of the scenarios"
        picks = _in_front(robust, space, picks, most, one.row, "cover", text)
    if first >= 0:
        why = "comes nearest to the wishes" if space.wishes else "least short of the best of every objective"
        picks = _in_front(robust, space, picks, most, first, "headline", f"{why}, on average")
    if note:
        picks = _with_safest(robust, space, picks, most)
    wishes = resolve_wishes(space)
    if wishes:
        picks = [replace(pick, wishes=wish_lines(wishes, table_of(space, pick.positions[None, :]))) for pick in picks]
    return RobustShortlist(on, level, int(among.sum()), front.groups, note, tuple(picks))


def _in_front(
    robust: Robust, space: Space, picks: list[RobustPick], size: int, row: int, kind: str, why: str
) -> list[RobustPick]:
    """The picks with one setup in front; the last gives way where the list is full."""
    same = next((pick for pick in picks if pick.row == row), None)
    if same is None:
        return [_pick(robust, space, row, (kind,), why, 1, 1.0), *picks[: size - 1]]
    named = replace(same, kinds=(kind, *same.kinds), reason=f"{why}; {same.reason}")
    return [named, *(pick for pick in picks if pick is not same)]


def _with_safest(robust: Robust, space: Space, picks: list[RobustPick], size: int) -> list[RobustPick]:
    """Where the bar had to be lowered, the setup that keeps every limit most often stands on the list too, whatever its
    figures; the last pick gives way where the list is full. Ties: fewest changes, least work, first row."""
    share = np.where(robust.answered, robust.share, 0.0)
    rows = np.flatnonzero(share >= share.max() - ROUNDING)
    if any(pick.row in rows for pick in picks):
        return picks
    positions = robust.positions[rows]
    changes = (positions != np.asarray(space.baseline)).sum(axis=1)
    first = int(np.lexsort((rows, space.minutes(positions), changes))[0])
    safest = _pick(robust, space, int(rows[first]), ("safest",), "keeps every limit in most scenarios", 1, 1.0)
    return [*picks[: max(size - 1, 1)], safest]


def _reason(on: str, quantile: float, text: str) -> str:
    """The reason of a pick with the figure it was taken on."""
    if on == "regret":
        return text.replace("lowest ", "least regret in ")
    where = {
        "nominal": "at the best guesses",
        "mean": "on average over the scenarios",
        "quantile": f"at the value that all but the worst {100 * quantile:.3g} % of the scenarios reach",
        "worst": "in the worst scenario",
    }[on]
    return f"{text}, {where}"


def _pick(
    robust: Robust, space: Space, row: int, kinds: tuple[str, ...], reason: str, ties: int, distance: float
) -> RobustPick:
    place = robust.positions[row]
    return RobustPick(
        kinds=kinds,
        reason=reason,
        row=row,
        positions=place,
        labels=space.labels(place),
        figures=robust.figures[:, row],
        errors=robust.errors[:, row],
        share=float(robust.share[row]),
        share_error=float(robust.share_error[row]),
        share_by_limit=robust.share_by_limit[row],
        front_share=float(robust.front_share[row]),
        loss=float(robust.loss[row]),
        loss_error=float(robust.loss_error[row]),
        changes=space.changes(place),
        minutes=float(space.minutes(place[None])[0]),
        ties=ties,
        distance=distance,
    )
