"""Wishes made into numbers: the target of each, by how much a setup falls short of it, and the loss of a setup.

The loss is the sum over the wishes of price * shortfall / felt, where the shortfall is what is missing to the target
and nothing beyond it. It is linear: two felt differences short cost twice as much as one, so a price is what somebody
would give for one felt difference, however far off the target lies. (A square would forgive small misses and let one
target out of reach drown every other wish.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain.errors import SpaceError
from explorer.domain.space import FloatArray, IntArray, Space
from explorer.domain.wishes import SENSES, Wish
from explorer.model.metrics import describe
from explorer.study.everything.evaluate import MetricTable
from explorer.study.everything.limits import anchor

LOSS_STEP = 0.1
"""Losses are compared after rounding to this, a tenth of what one felt difference costs at price 1: below it less work
decides."""

MET = 1e-9
"""A wish missed by less than this share of a felt difference is met: that is rounding."""


@dataclass(frozen=True)
class ResolvedWish:
    """A wish with its target as a number, in `unit`. `own` is the value of the setup it is relative to, None where it
    is absolute; `of` names that setup, `share` the share of `own` asked for, None where the wish is not a share."""

    metric: str
    knob: str
    sense: str
    target: float
    felt: float
    price: float
    unit: str
    own: float | None
    of: str
    share: float | None
    reason: str = ""


@dataclass(frozen=True)
class WishLine:
    """How one setup stands to a wish: its `value`, and `missed` in felt differences, 0 where met; `share` is the value
    over the own value of the setup that the wish is relative to, None where that has no meaning."""

    wish: ResolvedWish
    value: float
    missed: float
    share: float | None


@dataclass(frozen=True)
class Nearest:
    """A wish that no setup within the limits meets: the `line` of the one that comes nearest, at `positions`
    (knobs,)."""

    line: WishLine
    positions: FloatArray
    changes: tuple[tuple[str, str, str], ...]


def resolve_wishes(space: Space) -> tuple[ResolvedWish, ...]:
    """Every wish of the study with its target worked out.

    Raises SpaceError for an unknown metric, knob or reference and for a share of a value that is not above 0;
    ModelError when the model has no answer for the setup that a wish is relative to.
    """
    tables: dict[str, MetricTable] = {}
    return tuple(_resolve(space, wish, tables) for wish in space.wishes)


def _resolve(space: Space, wish: Wish, tables: dict[str, MetricTable]) -> ResolvedWish:
    what = wish.metric or wish.knob
    if wish.sense not in SENSES:
        raise SpaceError(f"wish on {what}: {wish.sense!r} is none of {', '.join(SENSES)}")
    unit = describe(wish.metric).unit if wish.metric else space.knobs[space.knob_index(wish.knob)].unit
    own = None
    target = wish.value
    if wish.relative_to:
        if wish.relative_to not in tables:
            tables[wish.relative_to] = anchor(space, wish.relative_to)
        own = float(_values(wish, tables[wish.relative_to], space)[0])
        if wish.share and own <= 0.0:
            raise SpaceError(
                f"wish on {what}: a share of {own:.4g}, the value of {wish.relative_to}, has no meaning; "
                "use at_least, at_most or near"
            )
        target = own * wish.value if wish.share else own + wish.value
    if not np.isfinite(target):
        raise SpaceError(f"wish on {what}: the target is not a finite number")
    share = wish.value if wish.share else None
    return ResolvedWish(
        wish.metric,
        wish.knob,
        wish.sense,
        target,
        wish.felt,
        wish.price,
        unit,
        own,
        wish.relative_to,
        share,
        wish.reason,
    )


def _values(wish: Wish | ResolvedWish, table: MetricTable, space: Space) -> FloatArray:
    """What the wish is about, of every row, in its unit. (rows,)"""
    return table.column(wish.metric) if wish.metric else _places(wish.knob, space, table.positions)


def _places(name: str, space: Space, positions: FloatArray) -> FloatArray:
    """Where setups stand on the axis of a knob, in its unit. (rows, knobs) -> (rows,)"""
    column = space.knob_index(name)
    knob, places = space.knobs[column], positions[:, column]
    if knob.continuous:
        low, high = knob.values
        return low + places * (high - low)
    return np.asarray(knob.values)[places.astype(np.int64)]


def _short(wish: ResolvedWish, values: FloatArray, target: FloatArray | None = None) -> FloatArray:
    """What is missing to a wish in felt differences, 0 where met; `target` in place of the wish's own."""
    over = (values - (wish.target if target is None else target)) / wish.felt
    short = {"at_least": -over, "at_most": over, "near": np.abs(over)}[wish.sense]
    return np.where(short > MET, short, 0.0)


def knob_shortfall(wish: ResolvedWish, space: Space, positions: FloatArray) -> FloatArray:
    """What is missing to a wish about a knob in felt differences. (rows, knobs) -> (rows,)"""
    return _short(wish, _places(wish.knob, space, positions))


def shortfalls(wishes: tuple[ResolvedWish, ...], table: MetricTable) -> FloatArray:
    """What is missing to each wish in felt differences, 0 where met. (rows, wishes), inf where the model has no
    answer."""
    result = np.zeros((len(table), len(wishes)))
    for index, wish in enumerate(wishes):
        result[:, index] = _short(wish, _values(wish, table, table.space))
    result[~table.valid] = np.inf
    return result


def losses_in(
    wishes: tuple[ResolvedWish, ...],
    space: Space,
    positions: FloatArray,
    metrics: tuple[str, ...],
    values: FloatArray,
    targets: FloatArray,
) -> FloatArray:
    """The loss of setups where the targets move: `positions` (rows, knobs), `values` (cases, rows, metrics), `targets`
    (cases, wishes) -> (cases, rows)."""
    total = np.zeros(values.shape[:2])
    for index, wish in enumerate(wishes):
        own = values[:, :, metrics.index(wish.metric)] if wish.metric else _places(wish.knob, space, positions)[None]
        total += wish.price * _short(wish, own, targets[:, index, None])
    return total


def loss_of(wishes: tuple[ResolvedWish, ...], missed: FloatArray) -> FloatArray:
    """The loss of setups by their shortfalls. (rows, wishes) -> (rows,), wish by wish in the order of the study."""
    total = np.zeros(len(missed))
    for index, wish in enumerate(wishes):
        total += wish.price * missed[:, index]
    return total


def losses(wishes: tuple[ResolvedWish, ...], table: MetricTable) -> FloatArray:
    """The loss of every row of a table. (rows,), inf where the model has no answer."""
    return loss_of(wishes, shortfalls(wishes, table))


def best_rows(
    space: Space, wishes: tuple[ResolvedWish, ...], positions: FloatArray, rows: IntArray, missed: FloatArray
) -> IntArray:
    """Places of the setup of least loss, then for each wish of the one that comes nearest to it; (1 + wishes,).

    Order: loss rounded to `LOSS_STEP` (for one wish: its shortfall), then changes from the baseline, work [min], the
    loss itself to a billionth, row.
    The order is total, so the best of a union lie within the union of the bests and chunks can be merged. Nothing comes
    back where there are no setups or no wishes.
    """
    if len(rows) == 0 or not wishes:
        return np.zeros(0, dtype=np.int64)
    changes = (positions != np.asarray(space.baseline)).sum(axis=1)
    work = space.minutes(positions)
    loss = np.round(loss_of(wishes, missed), 9)
    rounded = np.floor(loss / LOSS_STEP + 0.5)
    amounts = [rounded, *(np.round(missed[:, index], 9) for index in range(len(wishes)))]
    return np.array([np.lexsort((rows, loss, work, changes, amount))[0] for amount in amounts], dtype=np.int64)


def wish_lines(wishes: tuple[ResolvedWish, ...], one: MetricTable) -> tuple[WishLine, ...]:
    """How the one setup of a table stands to every wish."""
    missed = shortfalls(wishes, one)[0]
    found = []
    for wish, short in zip(wishes, missed, strict=True):
        value = float(_values(wish, one, one.space)[0])
        share = value / wish.own if wish.metric and wish.own is not None and wish.own > 0.0 else None
        found.append(WishLine(wish, value, float(short), share))
    return tuple(found)


def nearest_to(wishes: tuple[ResolvedWish, ...], table: MetricTable, places: IntArray) -> tuple[Nearest, ...]:
    """The wishes that none of the setups meets to `LOSS_STEP`, with the one that comes nearest; `places` (wishes,) as
    `best_rows` gives them after its first."""
    found = []
    for index, place in enumerate(places):
        one = table.take(np.array([place]))
        line = wish_lines(wishes, one)[index]
        if line.missed > LOSS_STEP:
            found.append(Nearest(line, one.positions[0], table.space.changes(one.positions[0])))
    return tuple(found)
