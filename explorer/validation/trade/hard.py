"""The hard lines: what the program promises of plausible cars, each with the least share of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain.space import BoolArray
from explorer.validation.trade.asking import COLUMNS, Asked
from explorer.validation.trade.judged import Decides, Verdict, deciding, unknowns_of

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
    """A promise about a kind of car: `share` and least share `bar` of the cars [%], and the unknown that decides it."""

    name: str
    kind: str
    share: float
    bar: float
    decides: Decides | None

    @property
    def met(self) -> bool:
        """Whether the share reaches its bar."""
        return self.share >= self.bar


def hard_lines(asked: Asked, verdicts: list[Verdict]) -> list[Hard]:
    """The promises of one kind of car. Lines of the file count the cars in which they are felt, the others all cars."""
    by_name = {verdict.name: verdict for verdict in verdicts}
    kind = asked.fleet.kind

    def line(name: str, words: str, bar: float) -> Hard:
        return Hard(words, kind, 100.0 * by_name[name].share, bar, by_name[name].decides)

    def cars(words: str, held: BoolArray, bar: float, venue: str = "polished") -> Hard:
        most = deciding(held, ~held, unknowns_of(asked, venue))
        return Hard(words, kind, 100.0 * float(held.mean()), bar, most)

    polished = asked.of_liked("polished")
    pushes = {name: polished[:, COLUMNS.index(f"{name}.balance_pct")] < 0.0 for name in ("hairpin", "entry")}
    carpet, wet = asked.bars("carpet").mean(axis=1), asked.bars("polished").mean(axis=1)
    return [
        *(line(name, by_name[name].words, LIFTS) for name in LIFT_LINES),
        line("low-grip-pushes-hairpin", "on low grip the liked setup pushes, more than at home: hairpin", PUSHES),
        line("low-grip-pushes-entry", "on low grip the liked setup pushes, more than at home: entry", PUSHES),
        cars("on low grip the liked setup pushes, balance below 0: hairpin", pushes["hairpin"], PUSHES),
        cars("on low grip the liked setup pushes, balance below 0: entry", pushes["entry"], PUSHES),
        line("low-grip-lazy", "less bite in newtons on low grip", BITES),
        cars("bars in strict order: carpet, turf, low grip (or the last two none)", ordered(asked, "turf"), ORDERED),
        cars(
            "bars in strict order: carpet, medium slick floor, low grip (or the last two none)",
            ordered(asked, "dusty"),
            ORDERED,
            "dusty",
        ),
        cars("carried over to wet ground: thinner", wet < carpet - 1e-9, THINNER),
        line("low-grip-front-first", "carried over to wet ground: front first, or both off", FRONT_FIRST),
    ]


def ordered(asked: Asked, between: str) -> BoolArray:
    """Cars (cars,) whose wished bars, mean of both ends, get thinner from carpet over a venue to low grip; the last two
    may both be none."""
    thick, middle, thin = (asked.bars(venue).mean(axis=1) for venue in ("carpet", between, "polished"))
    lower = (thin < middle - 1e-9) | ((thin == 0.0) & (middle == 0.0))
    return np.asarray((middle < thick - 1e-9) & lower)


def asides(asked: Asked, verdicts: list[Verdict]) -> tuple[str, ...]:
    """What the misses of two promises go with, in numbers."""
    bite = next(verdict for verdict in verdicts if verdict.name == "low-grip-lazy")
    stiffness = [asked.fleet.unknowns("polished")[f"{end}_cornering_stiffness"] for end in ("front", "rear")]
    stiff = stiffness[1] >= stiffness[0]
    held, missed = int((bite.held & stiff).sum()), int((bite.missed & stiff).sum())
    thin, thick = asked.bars("polished"), asked.bars("carpet")
    more = (1.0 - thin / thick) @ np.array([1.0, -1.0])
    off = (thin == 0.0).all(axis=1)
    alike = int((~off & (np.abs(more) <= 1e-9)).sum())
    return (
        f"less bite on low grip: {held} of the {held + missed} cars in which it is felt and whose rear tyres are at "
        "least as stiff as the front ones, as in all four published pairs of axle fits (Lyons et al., DART, IEEE "
        "10588526; github.com/ForzaETH/race_stack and On-Track-SysID)",
        f"front first on wet ground: both bars off in {int(off.sum())} of {len(off)} cars, the front softened more in "
        f"{int((~off & (more > 1e-9)).sum())}, both alike in {alike}, the rear more in {int((more < -1e-9).sum())}",
    )
