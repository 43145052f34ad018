"""The setups to take over what is not known: a handful off the front of one figure, and the one that is safest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain.space import FloatArray, Space
from explorer.study.everything.front import normalised, pareto_front
from explorer.study.everything.shortlist import reasons_for
from explorer.study.plan.robust import ROUNDING, Robust, eligible, figure_table


@dataclass(frozen=True)
class RobustPick:
    """One setup worth building over the scenarios.

    `kinds` and `reason` as in a `shortlist.Pick`; `row` in the space; `figures` (figures, objectives) in the order of
    `FIGURES` and edge units; `share` of scenarios in which every limit holds, `share_by_limit` (limits,), `front_share`
    in which it is on the front; `changes` from the baseline as (knob, from, to), `minutes` of work [min]; `ties` setups
    with the same rounded figures, itself included; `distance` 0 to 1, the largest distance to the best of an objective
    over the front's range. The "safest" need not be on the front and is not measured there: ties 1, distance 1.
    """

    kinds: tuple[str, ...]
    reason: str
    row: int
    positions: FloatArray
    labels: tuple[str, ...]
    figures: FloatArray
    share: float
    share_by_limit: FloatArray
    front_share: float
    changes: tuple[tuple[str, str, str], ...]
    minutes: float
    ties: int
    distance: float


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


def robust_shortlist(
    robust: Robust, space: Space, on: str = "quantile", bar: float | None = None, size: int | None = None
) -> RobustShortlist:
    """A handful of setups on one figure: extremes, the balanced one, then those that add most. As `robust_front`.

    `size` is by default the study's.
    """
    among, level, note = eligible(robust, bar)
    if not among.any():
        return RobustShortlist(on, level, 0, 0, note, ())
    table = figure_table(robust, space, on)
    front = pareto_front(table, among, exact=True)
    named = np.flatnonzero(front.named)
    unit = normalised(front.scores[named], front.scores[named])
    distance = unit.max(axis=1)
    wanted = reasons_for(front.objectives, front.scores[named], distance, unit, size or space.settings.shortlist_size)
    sizes = np.bincount(front.group)
    picks = []
    for point, (kinds, text) in wanted.items():
        member = int(named[point])
        reason, ties = _reason(on, robust.quantile, text), int(sizes[front.group[member]])
        picks.append(_pick(robust, space, int(front.rows[member]), kinds, reason, ties, float(distance[point])))
    if note:
        picks = _with_safest(robust, space, picks, size or space.settings.shortlist_size)
    return RobustShortlist(on, level, int(among.sum()), front.groups, note, tuple(picks))


def _with_safest(robust: Robust, space: Space, picks: list[RobustPick], size: int) -> list[RobustPick]:
    """Where the bar had to be lowered, the setup that keeps every limit most often stands on the list too, whatever its
    figures; the last pick gives way where the list is full. Ties: fewest changes, least work, first row."""
    share = np.where(robust.answered, robust.share, 0.0)
    rows = np.flatnonzero(share >= share.max() - ROUNDING)
    if any(pick.row in rows for pick in picks):
        return picks
    positions = space.positions_of(rows)
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
        "quantile": f"in the worse {100 * quantile:.3g} % of the scenarios",
        "worst": "in the worst scenario",
    }[on]
    return f"{text}, {where}"


def _pick(
    robust: Robust, space: Space, row: int, kinds: tuple[str, ...], reason: str, ties: int, distance: float
) -> RobustPick:
    place = space.positions_of(np.array([row]))[0]
    return RobustPick(
        kinds=kinds,
        reason=reason,
        row=row,
        positions=place,
        labels=space.labels(place),
        figures=robust.figures[:, row],
        share=float(robust.share[row]),
        share_by_limit=robust.share_by_limit[row],
        front_share=float(robust.front_share[row]),
        changes=space.changes(place),
        minutes=float(space.minutes(place[None])[0]),
        ties=ties,
        distance=distance,
    )
