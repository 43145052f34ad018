"""The page of the statements: every line, what decides it, and last what was met and what was not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from explorer.report import words
from explorer.validation.trade.hard import Hard
from explorer.validation.trade.judged import Decides, Verdict

GOAL = 75.0
"""Share of the cars that a line that can be felt should hold in: a goal, not a promise. [%]"""


@dataclass(frozen=True)
class Answers:
    """Of one kind of car: `cars` asked, of so many `drawn`; verdicts; promises, and the same where each tyre is drawn
    on its own (`apart`); `notes` say what misses go with."""

    kind: str
    cars: int
    drawn: int
    verdicts: list[Verdict]
    hard: list[Hard]
    apart: list[Hard]
    notes: tuple[str, ...]


INTRODUCTION = (
    "What experienced drivers say, line by line, asked of cars that nobody built. The lines are common practice, no "
    "source. They were written before any number of a surface, a tyre or a car was set, and came to stand in "
    "`explorer/validation/trade/statements.toml` unchanged."
)

HOW = (
    "**Cars.** Each number of a car is drawn evenly over the range of its kind (common practice, no source): mass, "
    "weight in front and caster by kind; bars are bent from spring wire, 0.8 to 2.4 mm, with arms, lengths and motion "
    "ratios drawn; wheels hang on links.",
    "**Tyres.** Best lean, lean width and cornering stiffness are drawn front and rear apart, over the spreads of the "
    "demo's tyre files. What these tell of every tyre alike (best lean, patch shift, cornering stiffness) is one guess "
    "and drawn once for a car; load sensitivity and lean widths are each tyre's own. The last table also gives the "
    "shares where every constant is each tyre's own.",
    "**Venues.** Grip, bumps and corners are the demo's. The liked setup is 1.1 front and 1.3 rear (2WD) or 1.8 and "
    "1.8 (4WD) on carpet. A driver picks tyres: front over rear grip is set on carpet so that the liked setup is "
    "neutral in the sweep, elsewhere so that it is as at home. A car with which that cannot be done, or whose liked "
    "setup breaks a limit on carpet (rollover, lift, touching), is turned away and another one drawn.",
    "**Advised bars** are those of least loss by the wishes of the demo's studies, exact over the 169 pairs of the "
    "box, within the limits; springs and ride heights stay. The wet ground of the carried-over setup is the polished "
    "floor.",
)

GLOSSARY = (
    ("holds", "cars in which the line holds, of those in which the difference is felt; of all cars for bars"),
    ("not felt", "cars in which the difference is less than a felt step, or has no answer: neither held nor missed"),
    (
        "size",
        "median over the cars, the way the line says; negative is against it. For advised bars in mm: how far outside "
        "the range (0 is inside), how much thinner; in % by how much more of its size the front is softened",
    ),
    ("felt step", "the smallest difference that a driver notices"),
    (
        "cannot be felt",
        "the median is less than a felt step: the line counts neither as held nor as missed",
    ),
    (
        "decides most",
        "of all that was drawn or found (front grip ratio), what differs most on average between cars that hold the "
        "line and cars that miss it, in standard deviations: with + more of it helps the line. Empty where fewer than "
        "4 cars stand on a side. It goes with the line, and need not cause it",
    ),
    ("sweep, hairpin, entry, exit", "fast corner, slow corner, turning in on the brakes, corner on power"),
    ("balance", "capacity over demand, front less rear [points of %]: positive rotates, negative pushes"),
    (
        "pushes",
        "read twice in the last table: as the line of the file has it, balance at least a felt step lower than at "
        "home; and balance below 0",
    ),
    ("strict order", "mean of both ends' bars, each surface thinner than the one before; the last two may be none"),
    ("each tyre on its own", "the share where what tyre files tell alike is drawn tyre by tyre: no bar"),
    ("bite", "share [%] or newtons [N] of load transfer reached 20 ms after a step of steer: more feels instant"),
)


def percent(share: float) -> str:
    """A share in per cent, down to the tenth below: nothing reads better than it is.

    >>> percent(0.9499), percent(1.0), percent(0.504)
    ('94.9 %', '100 %', '50.4 %')
    """
    if not math.isfinite(share):
        return "-"
    return f"{math.floor(1000.0 * share + 1e-9) / 10.0:g} %"


def page(answers: Sequence[Answers], quick: bool) -> str:
    """The whole page in markdown."""
    lines = ["# What the trade says, and what the model says", INTRODUCTION]
    if quick:
        lines.append("This is the quick run: fewer cars than the full one.")
    lines += [headline(answers), "## How it was asked", *HOW]
    lines.append("\n".join(f"- {_kind(one.kind)}: {one.cars} cars, of {one.drawn} drawn" for one in answers))
    lines += ["## Columns", words.table(["column or word", "meaning"], [list(row) for row in GLOSSARY])]
    for one in answers:
        lines += [f"## Line by line: {_kind(one.kind)}", _lines_table(one.verdicts)]
    lines += ["## Met and not met", goals(answers), "What misses go with:"]
    lines.append("\n".join(f"- {_kind(one.kind)}: {note}" for one in answers for note in one.notes))
    lines.append(_hard_table(answers))
    lines.append("Every number: [lines.csv](tables/lines.csv), [promises.csv](tables/promises.csv).")
    return "\n\n".join(lines) + "\n"


def headline(answers: Sequence[Answers]) -> str:
    """How many promises are kept."""
    hard = [one for answer in answers for one in answer.hard]
    missed = sum(not one.met for one in hard)
    if not missed:
        return f"**All {len(hard)} hard lines reach their share of the cars.**"
    return f"**{missed} of {len(hard)} hard lines fall short of their share of the cars:** see the last table."


def goals(answers: Sequence[Answers]) -> str:
    """How far the lines that can be felt hold on average, and how many reach the goal."""
    told = []
    for one in answers:
        felt = [verdict.share for verdict in one.verdicts if verdict.can_be_felt]
        good = sum(100.0 * share >= GOAL for share in felt)
        told.append(
            f"- {_kind(one.kind)}: {len(felt)} of {len(one.verdicts)} lines (each at each of its venues) can be felt. "
            f"They hold in {percent(float(np.mean(felt)))} of the cars on average, {good} of them in {GOAL:g} % or more"
        )
    return f"Goal for lines that can be felt: {GOAL:g} % of the cars.\n\n" + "\n".join(told)


def _kind(kind: str) -> str:
    return kind.upper()


def _lines_table(verdicts: Sequence[Verdict]) -> str:
    head = ["line", "venue", "holds", "not felt", "size", "felt step", "decides most"]
    return words.table(head, [_row(one) for one in verdicts], right=(2, 3, 4, 5))


def _row(one: Verdict) -> list[str]:
    share = percent(one.share)
    by_size = one.felt == 0.0
    return [
        one.words,
        one.venue,
        share if one.can_be_felt else "cannot be felt",
        "" if by_size else f"{one.unfelt}",
        _size(one),
        "" if by_size else f"{one.felt:g} {one.unit}",
        _decides(one.decides),
    ]


def _size(one: Verdict) -> str:
    value = one.size * (one.felt or 1.0)
    return f"{value:+.3g} {one.unit}" if value else f"0 {one.unit}"


def _decides(found: Decides | None) -> str:
    return "" if found is None else f"{words.spaced(found.name)} {found.apart:+.1f}"


def _hard_table(answers: Sequence[Answers]) -> str:
    head = ["hard line", "cars", "at least", "share", "", "each tyre on its own", "decides most"]
    rows = []
    for pairs in zip(*(zip(one.hard, one.apart, strict=True) for one in answers), strict=True):
        for own, apart in pairs:
            shares = [percent(one.share / 100.0) for one in (own, apart)]
            met = "met" if own.met else "missed"
            bar = f"{own.bar:g} %"
            rows.append([own.name, _kind(own.kind), bar, shares[0], met, shares[1], _decides(own.decides)])
    return words.table(head, rows, right=(2, 3, 5))


def lines_frame(answers: Sequence[Answers]) -> pd.DataFrame:
    """Every line at every venue, one row each; shares in per cent."""
    rows = [
        {
            "line": one.name,
            "cars": one.kind,
            "venue": one.venue,
            "held_cars": int(one.held.sum()),
            "missed_cars": int(one.missed.sum()),
            "not_felt_cars": one.unfelt,
            "held_of_felt_pct": 100.0 * one.share if math.isfinite(one.share) else None,
            "median_size": one.size * (one.felt or 1.0),
            "felt_step": one.felt or None,
            "unit": one.unit,
            "can_be_felt": one.can_be_felt,
            "decides_most": "" if one.decides is None else one.decides.name,
            "apart_sd": None if one.decides is None else one.decides.apart,
        }
        for answer in answers
        for one in answer.verdicts
    ]
    return pd.DataFrame(rows).astype({"held_of_felt_pct": "Float64", "felt_step": "Float64", "apart_sd": "Float64"})


def promises_frame(answers: Sequence[Answers]) -> pd.DataFrame:
    """Every hard line of every kind, one row each; shares in per cent."""
    rows = [
        {
            "line": one.name,
            "cars": one.kind,
            "share_pct": one.share,
            "share_each_tyre_on_its_own_pct": apart.share,
            "at_least_pct": one.bar,
            "met": one.met,
        }
        for answer in answers
        for one, apart in zip(answer.hard, answer.apart, strict=True)
    ]
    return pd.DataFrame(rows)
