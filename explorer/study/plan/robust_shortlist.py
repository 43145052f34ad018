"""The setups to take over what is not known: a handful off the front of one figure, and the one that is safest."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from explorer.domain.space import BoolArray, FloatArray, Space
from explorer.study.everything.evaluate import CHUNK, table_of
from explorer.study.everything.front import normalised, pareto_front
from explorer.study.everything.shortlist import reasons_for
from explorer.study.everything.wishes import ResolvedWish, WishLine, best_rows, losses, shortfalls, wish_lines
from explorer.study.plan.robust import ROUNDING, Robust, eligible, figure_table


@dataclass(frozen=True)
class RobustPick:
    """One setup worth building over the scenarios.

    `kinds` and `reason` as in a `shortlist.Pick`; `row` in the space; `figures` (figures, objectives) in the order of
    `FIGURES` and edge units; `share` of scenarios in which every limit holds, `share_by_limit` (limits,), `front_share`
    in which it is on the front; `changes` from the baseline as (knob, from, to), `minutes` of work [min]; `ties` setups
    with the same rounded figures, itself included; `distance` 0 to 1, the largest distance to the best of an objective
    over the front's range. `loss` and `wishes` stand for the best guesses. The "safest" and the "wished" need not be on
    the front and is not measured there: ties 1, distance 1.
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
    loss: float = 0.0
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


def robust_shortlist(
    robust: Robust,
    space: Space,
    on: str = "quantile",
    bar: float | None = None,
    size: int | None = None,
    wishes: tuple[ResolvedWish, ...] = (),
) -> RobustShortlist:
    """A handful of setups on one figure: extremes, the balanced one, then those that add most. As `robust_front`.

    With `wishes` the first is the one of least loss at the best guesses, among those that keep the limits often enough.
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
    most = size or space.settings.shortlist_size
    wanted = reasons_for(front.objectives, front.scores[named], distance, unit, most, front.dropped)
    sizes = np.bincount(front.group)
    picks = []
    for point, (kinds, text) in wanted.items():
        member = int(named[point])
        reason, ties = _reason(on, robust.quantile, text), int(sizes[front.group[member]])
        picks.append(_pick(robust, space, int(front.rows[member]), kinds, reason, ties, float(distance[point])))
    if wishes:
        picks = _with_wished(robust, space, picks, most, among, wishes)
    if note:
        picks = _with_safest(robust, space, picks, most)
    if wishes:
        picks = [_wishing(space, pick, wishes) for pick in picks]
    return RobustShortlist(on, level, int(among.sum()), front.groups, note, tuple(picks))


def _with_wished(
    robust: Robust,
    space: Space,
    picks: list[RobustPick],
    size: int,
    among: BoolArray,
    wishes: tuple[ResolvedWish, ...],
) -> list[RobustPick]:
    """The picks with the setup of least loss in front; the last gives way where the list is full."""
    best, missed = np.zeros(0, dtype=np.int64), np.zeros((0, len(wishes)))
    allowed = np.flatnonzero(among)
    for start in range(0, len(allowed), CHUNK):
        more = allowed[start : start + CHUNK]
        rows = np.concatenate([best, more])
        short = np.concatenate([missed, shortfalls(wishes, table_of(space, space.positions_of(more)))])
        first = best_rows(space, wishes, space.positions_of(rows), rows, short)[:1]
        best, missed = rows[first], short[first]
    row, why = int(best[0]), "comes nearest to the wishes"
    same = next((pick for pick in picks if pick.row == row), None)
    if same is None:
        return [_pick(robust, space, row, ("wished",), f"{why} at the best guesses", 1, 1.0), *picks[: size - 1]]
    named = replace(same, kinds=("wished", *same.kinds), reason=f"{why}; {same.reason}")
    return [named, *(pick for pick in picks if pick is not same)]


def _wishing(space: Space, pick: RobustPick, wishes: tuple[ResolvedWish, ...]) -> RobustPick:
    one = table_of(space, pick.positions[None, :])
    return replace(pick, loss=float(losses(wishes, one)[0]), wishes=wish_lines(wishes, one))


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
