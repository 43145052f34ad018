"""Cars on double wishbones: the reference against MuJoCo, the model against the reference, setups ranked by both."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from explorer.model.metrics import describe
from explorer.report.drawing import Drawing, Series
from explorer.study.everything.evaluate import Progress
from explorer.validation.results import Comparison, ProofSection
from explorer.validation.wishbone.agreement import compared
from explorer.validation.wishbone.law import (
    CLASSES,
    DOWN,
    OBJECTIVES,
    STOP,
    UP,
    Compared,
    Ranked,
    Seen,
    compare_cars,
    rank_cars,
)
from explorer.validation.wishbone.measured import LIFTED, measured, measured_raised

REFERENCE_SEED, SEED, RANKING_SEED = 20_500, 20_510, 20_600
AGREED_ROLL, AGREED_LOAD, AGREED_LEAN = 1e-6, 1e-5, 1e-5
"""Largest differences between the two references: share of the roll, N, degrees."""
MOST = 95.0
"""Per cent of the states that most bars are about."""
ROLL_BARS = {DOWN: 1.5, STOP: 3.0, UP: 5.0}
LOAD_BARS = {DOWN: 0.03, STOP: 0.06, UP: 0.10}
"""For `MOST` of the states with inputs measured exactly. [%, N]"""
WORST_ROLL_BAR, LEAN_BAR, LIFT_BAR = 3.0, 0.1, 2.0
"""Wheels down, all states: roll [%], inclination [deg]; first lift, median over the cars [%]."""
ROUNDED_ROLL_BAR, ROUNDED_LOAD_BAR = 7.0, 0.09
"""For `MOST` of all states with rounded inputs. [%, N]"""
SAME_AXLE, SAME_WHEELS = 95.0, 98.0
"""Least shares of cars whose same axle lifts first, and of states past it with the same wheels up. [%]"""
CORRELATION_BAR, SHARED = 0.01, 0.9
"""Largest lack of rank correlation, and least share of the best setups that both name."""

Step = Callable[[], None]


def wishbone_sections(quick: bool = False, progress: Progress | None = None, long: bool = False) -> list[ProofSection]:
    """The three sections; `long` ranks ten cars by 200 setups."""
    held, cars = (2, 6) if quick else (15, 40)
    ranked, setups = (10, 200) if long else (1, 20) if quick else (3, 50)
    done, total = 0, 1 + 3 * cars + ranked

    def step() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress("wishbones", min(done, total), total)

    step()
    return [reference_section(held), law_section(cars, step), ranking_section(ranked, setups, step)]


def reference_section(count: int) -> ProofSection:
    """The planar virtual-work solver against the multibody car."""
    pairs, lost = compared(REFERENCE_SEED, count)
    case = f"{count} cars, {len(pairs)} states"
    roll, load, lean = (max(abs(getattr(one, name)) for one in pairs) for name in ("roll", "load", "lean"))
    same = sum(one.same_lifted for one in pairs)
    return ProofSection(
        stem="proof_wishbone_reference",
        title="Double wishbones: the reference itself",
        claim="The planar virtual-work solver that the next two parts use is the multibody car, to rounding.",
        source="MuJoCo: arms, uprights, inclined coil-overs, droop stops, bar levers and links as bodies, round tyres",
        comparisons=(
            Comparison(case, "roll, largest relative difference", "-", roll, 0.0, AGREED_ROLL),
            Comparison(case, "wheel load, largest difference", "N", load, 0.0, AGREED_LOAD),
            Comparison(case, "inclination, largest difference", "deg", lean, 0.0, AGREED_LEAN),
            Comparison(case, "same wheels off the ground", "states", float(same), float(len(pairs)), 0.0),
            Comparison(case, "states that do not settle", "states", float(len(lost)), 0.0, 0.0),
        ),
        facts=(
            ("states", f"{case}; braking and power among them, {sum(one.lifted for one in pairs)} with a wheel up"),
        ),
    )


def _of(states: Sequence[Seen], kind: str) -> list[Seen]:
    return [one for one in states if one.kind == kind]


def _reached(states: Sequence[Seen], name: str, share: float) -> float:
    """What `share` per cent of the states do not exceed."""
    return float(np.percentile(np.abs([getattr(one, name) for one in states]), share))


def _judged(found: Compared) -> list[Comparison]:
    """Inputs measured exactly: every statistic beside zero, or beside all."""
    rows = []
    most = f"{MOST:g} % of"
    for kind in CLASSES:
        states = _of(found.states, kind)
        if not states:
            continue
        case = f"{len(states)} states, {kind}"
        roll, load = _reached(states, "roll", MOST), _reached(states, "load", MOST)
        rows.append(Comparison(case, f"roll, {most} states within", "%", roll, 0.0, ROLL_BARS[kind]))
        rows.append(Comparison(case, f"wheel load, {most} states within", "N", load, 0.0, LOAD_BARS[kind]))
        if kind == DOWN:
            roll, lean = _reached(states, "roll", 100.0), _reached(states, "lean", 100.0)
            rows.append(Comparison(case, "roll, all states within", "%", roll, 0.0, WORST_ROLL_BAR))
            rows.append(Comparison(case, "inclination, all states within", "deg", lean, 0.0, LEAN_BAR))
        if kind == UP:
            same = 100.0 * float(np.mean([one.same_lifted for one in states]))
            rows.append(Comparison(case, "same wheels up", "%", same, 100.0, 100.0 - SAME_WHEELS))
    cars = f"{len(found.lifts)} cars"
    off = float(np.median(np.abs([one.off for one in found.lifts])))
    same = 100.0 * float(np.mean([one.same_axle for one in found.lifts]))
    rows.append(Comparison(cars, "first lift, half of the cars within", "%", off, 0.0, LIFT_BAR))
    rows.append(Comparison(cars, "same axle lifts first", "%", same, 100.0, 100.0 - SAME_AXLE))
    rows.append(Comparison(cars, "states without an answer", "states", float(len(found.lost)), 0.0, 0.0))
    return rows


def _judged_rounded(found: Compared) -> list[Comparison]:
    case = f"{len(found.states)} states, rounded inputs"
    roll, load = _reached(found.states, "roll", MOST), _reached(found.states, "load", MOST)
    return [
        Comparison(case, f"roll, {MOST:g} % of states within", "%", roll, 0.0, ROUNDED_ROLL_BAR),
        Comparison(case, f"wheel load, {MOST:g} % of states within", "N", load, 0.0, ROUNDED_LOAD_BAR),
        Comparison(case, "states without an answer", "states", float(len(found.lost)), 0.0, 0.0),
    ]


def class_rows(label: str, found: Compared) -> list[tuple[str, ...]]:
    """Half, `MOST` and all of the states of each class, in words."""
    rows = []
    for kind in CLASSES:
        states = _of(found.states, kind)
        if states:
            cells = [
                " / ".join(f"{_reached(states, name, share):.{digits}f}" for share in (50.0, MOST, 100.0))
                for name, digits in (("roll", 2), ("load", 3), ("lean", 3))
            ]
            same = sum(one.same_lifted for one in states)
            rows.append((label, kind, f"{len(states)}", *cells, f"{same} of {len(states)}"))
    return rows


def lift_fact(found: Compared) -> str:
    """First lift in words."""
    half, most, all_of = np.percentile(np.abs([one.off for one in found.lifts]), [50.0, MOST, 100.0])
    same = sum(one.same_axle for one in found.lifts)
    return (
        f"within {half:.2f} % on half of the cars, {most:.2f} % on {MOST:g} %, {all_of:.1f} % on all; "
        f"the same axle first on {same} of {len(found.lifts)}"
    )


def _drawings(states: Sequence[Seen]) -> tuple[Drawing, ...]:
    drawings = []
    for name, title, unit in (("roll", "Roll", "%"), ("load", "Wheel load, largest difference", "N")):
        series = [
            Series(kind, np.array([one.share for one in chosen]), np.array([getattr(one, name) for one in chosen]))
            for kind in CLASSES
            if (chosen := _of(states, kind))
        ]
        drawings.append(
            Drawing(
                f"proof_wishbone_{name}",
                f"Double wishbones: {title.lower()}",
                "share of the lateral acceleration at first lift",
                f"model and reference, {unit}",
                "points",
                tuple(series),
            )
        )
    return tuple(drawings)


def law_section(count: int, step: Step = lambda: None) -> ProofSection:
    """The model's wishbone law against the reference, inputs measured exactly, raised and rounded."""
    exact = compare_cars(SEED, count, measured, step)
    raised = compare_cars(SEED, count, measured_raised, step)
    rounded = compare_cars(SEED, count, lambda car: measured(car, rounded=True), step)
    notes = [
        "Both sides at the same lateral acceleration; the largest difference of four wheels counts. Near a lift, or "
        "a stop met late, a small shift of it is a large difference in roll.",
        f"'Raised' reads the roll centre's rate over {1000.0 * LIFTED:g} mm of rise in one go instead of its tangent; "
        "no bar is set for it.",
        *(f"No answer with inputs measured exactly: {text}." for text in exact.lost),
        *(f"No answer with rounded inputs: {text}." for text in rounded.lost),
    ]
    return ProofSection(
        stem="proof_wishbone_law",
        title="Double wishbones: roll, loads, inclination and first lift",
        claim="The model's closed wishbone law gives what the linkage itself gives, from what a car file asks.",
        source="a planar virtual-work solver of the whole linkage, held against MuJoCo above; nothing of it is the law",
        comparisons=(*_judged(exact), *_judged_rounded(rounded)),
        facts=(
            ("cars and states", f"{count} cars, {len(exact.states)} states from 0.3 to 1.2 of first lift"),
            ("first lift, inputs exact", lift_fact(exact)),
            ("first lift, inputs rounded", lift_fact(rounded)),
        ),
        notes=tuple(notes),
        head=("inputs", "state", "states", "roll, %", "wheel load, N", "inclination, deg", "same wheels up"),
        rows=(*class_rows("exact", exact), *class_rows("raised", raised), *class_rows("rounded", rounded)),
        drawings=_drawings(exact.states),
    )


def _ranking_rows(found: Sequence[Ranked]) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for number, car in enumerate(found, start=1):
        for k, name in enumerate(OBJECTIVES):
            one = describe(name)
            rows.append(
                (
                    f"car {number}",
                    one.label,
                    f"{car.setups - car.unanswered - car.unsettled} of {car.setups}",
                    f"{car.correlation[k]:.4f}",
                    f"{car.shared[k]} of {car.best}",
                    f"{car.apart[k]:.3g} {one.unit}",
                )
            )
    return rows


def ranking_section(cars: int, setups: int, step: Step = lambda: None) -> ProofSection:
    """Setups of drawn cars ranked by the model and by the reference."""
    found = rank_cars(RANKING_SEED, cars, setups, step)
    case = f"{len(found)} cars by {setups} setups"
    rows = [Comparison(case, "cars ranked", "cars", float(len(found)), float(cars), 0.0)]
    facts = []
    best = sum(car.best for car in found)
    for k, name in enumerate(OBJECTIVES):
        label = describe(name).label
        least = min(car.correlation[k] for car in found)
        shared = sum(car.shared[k] for car in found)
        rows.append(Comparison(case, f"{label}, lowest rank correlation", "-", least, 1.0, CORRELATION_BAR))
        bar = (1.0 - SHARED) * best + 1e-9
        rows.append(Comparison(case, f"{label}, best tenth shared", "setups", float(shared), float(best), bar))
        facts.append((label, f"rank correlation {least:.4f} at least, {shared} of the best {best} shared"))
    unanswered = sum(car.unanswered for car in found)
    rows.append(Comparison(case, "setups without an answer", "setups", float(unanswered), 0.0, 0.0))
    unsettled = sum(car.unsettled for car in found)
    return ProofSection(
        stem="proof_wishbone_ranking",
        title="Double wishbones: setups ranked",
        claim="Setups rank by worst-phase grip margin, lift margin and lag as they do on the linkage itself.",
        source="the reference's own loads, inclinations and tangent; tyre formulas and yaw-roll matrices written apart",
        comparisons=tuple(rows),
        facts=tuple(facts),
        notes=(
            "Bars, springs and ride heights are drawn; each car's ends are made to give way together. Four corners on "
            "smooth ground: fast sweep, hairpin, entry under braking, exit under power. Inputs measured exactly.",
            f"Left out of the ranks: {unanswered} setups without an answer of the model, {unsettled} with which the "
            "reference does not settle.",
        ),
        head=("car", "objective", "setups", "rank correlation", "best tenth shared", "largest difference"),
        rows=tuple(_ranking_rows(found)),
    )
