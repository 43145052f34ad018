"""The feel of a car as a driver can tell it, and how far two feels are apart.

Feel is what the wishes are about: balance and roll in each phase as the liked setup had them at home; how the car
responds, as load transfer reached in 20 ms relative to what the surface allows (where the model gives only lags, the
lag); and inner wheels that come nearer to leaving the ground than they did. A lift margin that nobody notices counts
for nothing, and neither does one larger than at home.

Two setups are as far apart as the weighted root mean square of these differences, each counted in felt differences. The
measure and the weights are ours: roll counts in full, response and balance little. Where the study wishes to stay near
the parts of the liked setup, leaving them counts as well when setups are put in order.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from explorer.domain.errors import ModelError
from explorer.domain.felt import felt_step, most_noticed
from explorer.domain.space import BoolArray, FloatArray, Reference, Space
from explorer.model.car.slots import SLOT
from explorer.model.metrics import describe, metric_columns
from explorer.study.everything.evaluate import fault_words, table_of
from explorer.study.everything.wishes import ResolvedWish, knob_shortfall, resolve_wishes

RESPONSE = ("bite_n", "lag_ms")
"""Metrics of the response; the first that the model knows is compared."""

PHASE_FEEL = ("balance_pct", "roll_deg", "lift_margin_pct")
PRICES = {"balance_pct": 0.03, "lag_ms": 0.1, "bite_n": 0.1}
"""Weight of a metric where it is not 1. With one tyre the balance at home and here differs by what the surfaces do, not
by what the parts do, so more weight on it answers the surface."""

AT_LEAST = ("lift_margin_pct",)
"""Metrics of which more than at home is never missed."""

WITH_GRIP = ("bite_n",)
"""Metrics that the surface allows in proportion to its grip: load transfer goes with lateral acceleration."""


@dataclass(frozen=True)
class FeelLine:
    """One metric of one setup: `then` of the liked setup on its surface, `wanted` here, `now` here, `unit` of all;
    `missed` is what it differs by in felt differences, `share` its part of the squared distance, 0 to 1."""

    metric: str
    label: str
    unit: str
    then: float
    wanted: float
    now: float
    missed: float
    share: float


@dataclass(frozen=True)
class WantedFeel:
    """What is looked for: columns, what they were at home (metrics,) and what is looked for here, their felt
    differences, prices, largest noticed values, whether more is never missed, and the liked setup's positions. `parts`
    are the study's wishes about its parts."""

    columns: tuple[str, ...]
    then: FloatArray
    wanted: FloatArray
    felt: FloatArray
    price: FloatArray
    most: FloatArray
    at_least: BoolArray
    liked: FloatArray
    parts: tuple[ResolvedWish, ...]

    def missed(self, now: FloatArray) -> FloatArray:
        """Signed differences in felt differences. (rows, metrics) -> same shape."""
        short: FloatArray = (np.minimum(now, self.most) - self.wanted) / self.felt
        return np.where(self.at_least, np.minimum(short, 0.0), short)

    def distance(self, now: FloatArray) -> FloatArray:
        """Weighted root mean square of what is missed. (rows, metrics) -> (rows,) [felt differences]"""
        distance: FloatArray = np.sqrt(self._squares(now) / self.price.sum())
        return distance

    def order(self, now: FloatArray, space: Space, positions: FloatArray) -> FloatArray:
        """What setups are put in order by: their distance, with what it costs to leave the liked parts. (rows,)"""
        total = self._squares(now)
        for wish in self.parts:
            total += wish.price * knob_shortfall(wish, space, positions) ** 2
        result: FloatArray = np.sqrt(total / self.price.sum())
        return result

    def _squares(self, now: FloatArray) -> FloatArray:
        missed = self.missed(now)
        squares: FloatArray = (self.price * missed * missed).sum(axis=1)
        return squares

    def rounded(self, now: FloatArray) -> FloatArray:
        """Metrics in whole felt differences: setups with the same feel the same. (rows, metrics) -> same shape."""
        result: FloatArray = np.floor(np.minimum(now, self.most) / self.felt + 0.5) + 0.0
        return result


def feel_columns(phase_names: tuple[str, ...]) -> tuple[str, ...]:
    """Metrics that make the feel of a car over these phases.

    >>> feel_columns(("exit",))[1:]
    ('exit.balance_pct', 'exit.roll_deg', 'exit.lift_margin_pct')
    """
    known = metric_columns(phase_names)
    response = tuple(metric for metric in RESPONSE if metric in known)[:1]
    return response + tuple(f"{phase}.{metric}" for phase in phase_names for metric in PHASE_FEEL)


def wanted_feel(space: Space, liked: Reference) -> tuple[WantedFeel, tuple[str, ...]]:
    """How the liked setup felt on its own surface and what of it is looked for here, over the phases both have."""
    shared = tuple(phase for phase in space.phase_names if phase in liked.phase_names)
    columns = feel_columns(shared)
    there = replace(space, base=liked.base, phase_names=liked.phase_names, phases=liked.phases)
    positions = np.array(liked.positions, dtype=np.float64)
    table = table_of(there, positions[None, :])
    if not table.valid[0]:
        word = fault_words(there, positions[None, :])[0]
        raise ModelError(f"the model has no answer for {liked.name} on {liked.surface}: {word}")
    then = np.array([table.column(column)[0] for column in columns])
    stems = [column.rsplit(".", 1)[-1] for column in columns]
    most = np.array([most_noticed(column) for column in columns])
    at_home = liked.base[SLOT["grip"]]
    allowed = space.base[SLOT["grip"]] / at_home if at_home > 0.0 else 1.0
    here = np.where([stem in WITH_GRIP for stem in stems], then * allowed, then)
    about_parts = tuple(wish for wish in space.wishes if wish.knob and wish.relative_to == liked.name)
    wanted = WantedFeel(
        columns=columns,
        then=then,
        wanted=np.minimum(here, most),
        felt=np.array([felt_step(column, describe(column).resolution) for column in columns]),
        price=np.array([PRICES.get(stem, 1.0) for stem in stems]),
        most=most,
        at_least=np.array([stem in AT_LEAST for stem in stems]),
        liked=positions,
        parts=resolve_wishes(replace(space, wishes=about_parts)),
    )
    return wanted, shared


def feel_lines(wanted: WantedFeel, now: FloatArray) -> tuple[FeelLine, ...]:
    """Every metric of a setup here, `now` (metrics,), beside what is looked for."""
    missed = wanted.missed(now)
    parts = wanted.price * missed * missed
    total = float(parts.sum())
    return tuple(
        FeelLine(
            metric=column,
            label=_label(column),
            unit=describe(column).unit,
            then=float(wanted.then[k]),
            wanted=float(wanted.wanted[k]),
            now=float(now[k]),
            missed=float(missed[k]),
            share=float(parts[k]) / total if total > 0.0 else 0.0,
        )
        for k, column in enumerate(wanted.columns)
    )


def _label(column: str) -> str:
    label = describe(column).label
    return f"{column.split('.', 1)[0]}: {label}" if "." in column else label
