"""The hard lines: what the program promises of plausible cars, each with the least share of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain.space import BoolArray
from explorer.validation.trade.asking import COLUMNS, Asked
from explorer.validation.trade.judged import Verdict

LIFTS, PUSHES, BITES, ORDERED, THINNER, FRONT_FIRST = 97.0, 95.0, 95.0, 90.0, 95.0, 80.0
"""Least shares of the cars. [%]"""

LIFT_LINES = (
    "inner-rear-front-stiffer",
    "inner-rear-rear-softer",
    "inner-rear-front-stiffer-entry",
    "inner-rear-rear-softer-entry",
    "inner-front-front-softer",
    "inner-front-rear-stiffer",
)


@dataclass(frozen=True)
class Hard:
    """A promise about a kind of car: `share` and least share `bar` of the cars [%]."""

    name: str
    kind: str
    share: float
    bar: float

    @property
    def met(self) -> bool:
        """Whether the share reaches its bar."""
        return self.share >= self.bar


def hard_lines(asked: Asked, verdicts: list[Verdict]) -> list[Hard]:
    """The promises of one kind of car."""
    by_name = {verdict.name: verdict for verdict in verdicts}
    kind = asked.fleet.kind

    def line(name: str, words: str, bar: float) -> Hard:
        return Hard(words, kind, 100.0 * by_name[name].share, bar)

    def cars(words: str, held: BoolArray, bar: float) -> Hard:
        return Hard(words, kind, 100.0 * float(held.mean()), bar)

    polished = asked.of_liked("polished")
    pushes = {name: polished[:, COLUMNS.index(f"{name}.balance_pct")] < 0.0 for name in ("hairpin", "entry")}
    carpet, wet = asked.bars("carpet").mean(axis=1), asked.bars("polished").mean(axis=1)
    return [
        *(line(name, by_name[name].words, LIFTS) for name in LIFT_LINES),
        line("low-grip-pushes-hairpin", "on low grip the liked setup pushes more than at home: hairpin", PUSHES),
        line("low-grip-pushes-entry", "on low grip the liked setup pushes more than at home: entry", PUSHES),
        cars("on low grip the liked setup pushes: hairpin", pushes["hairpin"], PUSHES),
        cars("on low grip the liked setup pushes: entry", pushes["entry"], PUSHES),
        line("low-grip-lazy", "less bite in newtons on low grip: polished", BITES),
        line("medium-grip-lazier", "less bite in newtons on low grip: medium slick floor", BITES),
        cars("bars in strict order: carpet, turf, low grip", ordered(asked, "turf"), ORDERED),
        cars("bars in strict order: carpet, medium slick floor, low grip", ordered(asked, "dusty"), ORDERED),
        cars("carried over to wet ground: thinner", wet < carpet - 1e-9, THINNER),
        line("low-grip-front-first", "carried over to wet ground: front first, or both off", FRONT_FIRST),
    ]


def ordered(asked: Asked, between: str) -> BoolArray:
    """Cars (cars,) whose wished bars, mean of both ends, get thinner from carpet over a venue to low grip; the last two
    may both be none."""
    thick, middle, thin = (asked.bars(venue).mean(axis=1) for venue in ("carpet", between, "polished"))
    lower = (thin < middle - 1e-9) | ((thin == 0.0) & (middle == 0.0))
    return np.asarray((middle < thick - 1e-9) & lower)
