"""Every bar of the box asked on every venue: metrics, the ratio of grip that balances, and the bars that are wished."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from explorer.domain.space import BoolArray, FloatArray, IntArray
from explorer.domain.wishes import Wish
from explorer.model.car.slots import PHASE_COLUMNS, SLOT
from explorer.model.kernel import evaluate_parameters
from explorer.model.metrics import metric_columns
from explorer.validation.fleet import put
from explorer.validation.trade.cars import HOME, PHASE_ROWS, PHASES, VENUES, WIRES, Fleet, drawn_fleet

COLUMNS = metric_columns(PHASES)
_WEIGHTS = {"felt": 0.1, "price": 0.01, "relative_to": HOME}
WISHES = (
    Wish("hairpin.roll_deg", "", "at_least", 0.8, felt=0.3, share=True, relative_to=HOME),
    Wish("sweep.balance_pct", "", "near", 0.0, felt=1.0, price=0.1, relative_to=HOME),
    Wish("", "front_bar", "near", 0.0, felt=0.1, price=0.01, relative_to=HOME),
    Wish("", "rear_bar", "near", 0.0, felt=0.1, price=0.01, relative_to=HOME),
)
"""What the demo's studies wish of metrics and bars; their springs and heights are held."""

LIMITS = ("rollover_margin_pct", "lift_margin_pct", "clearance_mm")
"""Not below 0, as in the demo's studies."""

RESPONSE = ("lag_ms", "bite_pct", "bite_n")
"""Metrics that an unstable car does not have."""

RATIOS = (0.5, 2.0)
_FAN, _FANS = 24, 4
"""Ratios of grip tried, so many at once, so often."""

_MOST_DRAWS = 40


@dataclass(frozen=True)
class Asked:
    """Answers for a kind's cars. `values` by venue: (cars, wires, wires, metrics) by front and rear bar; `valid`
    likewise without metrics; `wished` by venue: (cars, 2) places of the bars of least loss; `kept` by venue: (cars,)
    whether any bars keep the limits. `ratios` by venue: front over rear grip found. `turned_away` of `drawn` cars."""

    fleet: Fleet
    liked: tuple[int, int]
    values: dict[str, FloatArray]
    valid: dict[str, BoolArray]
    wished: dict[str, IntArray]
    kept: dict[str, BoolArray]
    ratios: dict[str, FloatArray]
    drawn: int

    def of_liked(self, venue: str, front: int = 0, rear: int = 0) -> FloatArray:
        """Metrics (cars, metrics) of the liked setup, bars so many steps thicker; NaN where there is no answer."""
        place = self.liked[0] + front, self.liked[1] + rear
        return answered(self.values[venue][:, *place], self.valid[venue][:, *place])

    def moved(self, venue: str, **steps: float) -> FloatArray:
        """Metrics (cars, metrics) of the liked setup with slots moved [SI]; NaN where there is no answer."""
        rows = with_bars(self.fleet, venue, *self.liked)
        for slot, step in steps.items():
            rows[:, SLOT[slot]] += step
        return answered(*answers(rows))

    def bars(self, venue: str) -> FloatArray:
        """Front and rear bar that are wished; (cars, 2) [mm]."""
        return np.array(WIRES)[self.wished[venue]]


def answers(rows: FloatArray, phases: FloatArray = PHASE_ROWS) -> tuple[FloatArray, BoolArray]:
    """Metrics (rows, metrics) and which rows have an answer (rows,)."""
    none = np.zeros(0, dtype=np.int64)
    values, valid = evaluate_parameters(rows, phases, none, np.ones((1, 0)), np.zeros((1, 0)))
    return values[0], valid[0]


def answered(values: FloatArray, valid: BoolArray) -> FloatArray:
    """Metrics (rows, metrics) with NaN where there is no answer; a car that is unstable has none about response."""
    found = np.where(valid[:, None], values, np.nan)
    unstable = values[:, COLUMNS.index("response_state")] > 0.5
    for name in RESPONSE:
        found[unstable, COLUMNS.index(name)] = np.nan
    return found


def with_bars(fleet: Fleet, venue: str, front: int, rear: int) -> FloatArray:
    """Parameter vectors (cars, slots) with bars by their places in the box."""
    return put(fleet.base[venue], front_bar_rate=fleet.bars[:, 0, front], rear_bar_rate=fleet.bars[:, 1, rear])


def balancing(rows: FloatArray, target: FloatArray) -> FloatArray:
    """Front over rear grip with which each car has this balance in the sweep; the crossing nearest to 1, NaN for none.

    `rows` (cars, slots), `target` (cars,) [%] -> (cars,)
    """
    phase = PHASE_ROWS[[PHASES.index("sweep")]].copy()
    phase[:, PHASE_COLUMNS.index("is_turn_in")] = 1.0
    column = metric_columns(("sweep",)).index("sweep.balance_pct")
    cars = np.arange(len(rows))
    low, high = np.full(len(rows), RATIOS[0]), np.full(len(rows), RATIOS[1])
    found = np.ones(len(rows), dtype=bool)
    for _ in range(_FANS):
        ratios = low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, _FAN)
        fan = np.repeat(rows, _FAN, axis=0)
        fan[:, SLOT["front_grip_ratio"]] = ratios.ravel()
        values, valid = answers(fan, phase)
        off = np.where(valid, values[:, column], np.nan).reshape(ratios.shape) - target[:, None]
        crossing = (off[:, :-1] <= 0.0) & (off[:, 1:] > 0.0)
        found &= crossing.any(axis=1)
        nearest = np.where(crossing, np.abs(ratios[:, :-1] - 1.0), np.inf).argmin(axis=1)
        low, high = ratios[cars, nearest], ratios[cars, nearest + 1]
    return np.where(found, 0.5 * (low + high), np.nan)


def plausible(
    kind: str, liked: tuple[int, int], seed: int, count: int, alike: bool = True
) -> tuple[Fleet, dict[str, FloatArray], int]:
    """`count` cars that can be driven at home as liked, the ratio of grip by venue, and how many were drawn for them.

    A driver picks tyres: at home until the liked setup is neutral in the sweep, elsewhere until it is as at home. A car
    is turned away where there is no such ratio, or where its liked setup breaks a limit at home.
    """
    kept: list[Fleet] = []
    have = drawn = 0
    for batch in range(_MOST_DRAWS):
        fleet = drawn_fleet(kind, seed + 1000 * batch, count, alike)
        good = np.ones(count, dtype=bool)
        for venue in VENUES:
            ratio = balancing(with_bars(fleet, venue, *liked), np.zeros(count))
            good &= np.isfinite(ratio)
            fleet.base[venue][:, SLOT["front_grip_ratio"]] = np.where(np.isfinite(ratio), ratio, 1.0)
        values, valid = answers(with_bars(fleet, HOME, *liked))
        good &= valid & within(values)
        good &= np.cumsum(good) <= count - have
        last = count if not good.any() or have + good.sum() < count else int(np.flatnonzero(good)[-1]) + 1
        kept.append(fleet.take(good))
        have, drawn = have + int(good.sum()), drawn + last
        if have == count:
            break
    whole = joined(kept)
    return whole, {name: base[:, SLOT["front_grip_ratio"]] for name, base in whole.base.items()}, drawn


def joined(parts: list[Fleet]) -> Fleet:
    """One fleet of several."""
    first = parts[0]
    return replace(
        first,
        base={name: np.concatenate([part.base[name] for part in parts]) for name in first.base},
        bars=np.concatenate([part.bars for part in parts]),
        drawn={name: np.concatenate([part.drawn[name] for part in parts]) for name in first.drawn},
        tyres={
            tyre: {name: np.concatenate([part.tyres[tyre][name] for part in parts]) for name in own}
            for tyre, own in first.tyres.items()
        },
    )


def within(values: FloatArray) -> BoolArray:
    """Which rows keep every limit; (..., metrics) -> (...)."""
    return np.asarray((values[..., [COLUMNS.index(name) for name in LIMITS]] >= 0.0).all(axis=-1))


def losses(values: FloatArray, home: FloatArray, liked: tuple[int, int]) -> FloatArray:
    """What every pair of bars misses of the wishes, each by its price; (cars, wires, wires).

    `values` (cars, wires, wires, metrics) here, `home` (cars, metrics) of the liked setup at home.
    """
    wires = np.array(WIRES)
    places = {"front_bar": wires[:, None] - wires[liked[0]], "rear_bar": wires[None, :] - wires[liked[1]]}
    total = np.zeros(values.shape[:3])
    for wish in WISHES:
        if wish.knob:
            off = places[wish.knob][None] - wish.value
        else:
            column = COLUMNS.index(wish.metric)
            own = home[:, column]
            target = own * wish.value if wish.share else own + wish.value
            off = values[..., column] - target[:, None, None]
        short = np.maximum(-off, 0.0) if wish.sense == "at_least" else np.abs(off)
        total += wish.price * short / wish.felt
    return total


def wished_bars(
    values: FloatArray, valid: BoolArray, home: FloatArray, liked: tuple[int, int]
) -> tuple[IntArray, BoolArray]:
    """Places of the bars of least loss within the limits, of all bars where none keeps them; (cars, 2), and which cars
    have any that do (cars,)."""
    good = valid & within(values)
    kept = np.asarray(good.any(axis=(1, 2)))
    among = np.where(kept[:, None, None], good, valid)
    loss = np.where(among, losses(values, home, liked), np.inf).reshape(len(values), -1)
    return np.stack(np.unravel_index(loss.argmin(axis=1), values.shape[1:3]), axis=1), kept


def ask(
    kind: str,
    liked_mm: tuple[float, float],
    seed: int,
    count: int,
    alike: bool = True,
    tell: Callable[[], None] | None = None,
) -> Asked:
    """Draw the cars of a kind (as `drawn_fleet`) and ask every pair of bars on every venue; `tell` after each."""
    liked = WIRES.index(liked_mm[0]), WIRES.index(liked_mm[1])
    fleet, ratios, drawn = plausible(kind, liked, seed, count, alike)
    cars, wires = len(fleet), len(WIRES)
    found = Asked(fleet, liked, {}, {}, {}, {}, ratios, drawn)
    for venue, base in fleet.base.items():
        rows = np.repeat(base, wires * wires, axis=0)
        rows[:, SLOT["front_bar_rate"]] = np.repeat(fleet.bars[:, 0], wires, axis=1).ravel()
        rows[:, SLOT["rear_bar_rate"]] = np.tile(fleet.bars[:, 1], (1, wires)).ravel()
        values, valid = answers(rows)
        found.values[venue] = values.reshape(cars, wires, wires, -1)
        found.valid[venue] = valid.reshape(cars, wires, wires)
        home = found.of_liked(HOME)
        found.wished[venue], found.kept[venue] = wished_bars(found.values[venue], found.valid[venue], home, liked)
        if tell is not None:
            tell()
    return found
