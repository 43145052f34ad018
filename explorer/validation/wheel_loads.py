"""Roll, wheel loads, lift and rollover of the model beside the multibody car with beam axles."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from explorer.domain.errors import ModelError
from explorer.domain.space import FloatArray
from explorer.model.kernel import evaluate_with_faults
from explorer.model.metrics import N_CAR, PHASE_COLUMN
from explorer.report.drawing import Drawing, Series
from explorer.study.everything.evaluate import Progress
from explorer.validation.fleet import Case, corner_cases, drawn_cases
from explorer.validation.multibody import Car, Path, Rest
from explorer.validation.results import Comparison, ProofSection

SEED = 20_303
RADIUS = 2.0
"""Radius of every corner; loads do not depend on it. [m]"""
ROLL_BAR, STEEP_ROLL_BAR, STEEP_ROLL = 0.015, 0.025, 4.0
"""Allowed relative difference in roll, below and above `STEEP_ROLL` degrees."""
LOAD_BAR, LIFTED_LOAD_BAR, REFERENCE_MASS = 0.03, 0.06, 1.6
"""Allowed difference of a wheel load with all wheels down and all suspensions free, and otherwise, for a car of the
reference mass. [N, kg]"""
THRESHOLD_BAR = 0.005
REST_BAR = 1e-6
"""Largest generalised force that may be left in a state called rest. [N or N m]"""
WHEELS = ("front inner load", "front outer load", "rear inner load", "rear outer load")
SMALL, TILTED, BETWEEN, LATE = "well below lift", "just below lift", "one wheel up", "near rollover"

_LOADS = PHASE_COLUMN["front_inner_load_n"]


@dataclass(frozen=True)
class Ours:
    """What the model says: `roll` [deg], `loads` (4,) [N], thresholds [m/s2], `rolled_over`."""

    roll: float
    loads: FloatArray
    lift: float
    rollover: float
    rolled_over: bool


@dataclass(frozen=True)
class Pair:
    """One state seen by both: `kind` names where on the path; `strained` when a wheel is up or a stop is met."""

    case: Case
    kind: str
    ours: Ours
    other: Rest
    strained: bool


def ours_at(parameters: FloatArray, lateral: float, longitudinal: float = 0.0) -> Ours:
    """The model at a lateral and longitudinal acceleration [m/s2]. Raises ModelError where it cannot answer."""
    phases = np.array([[RADIUS, math.sqrt(lateral * RADIUS), 0.0, longitudinal, 0.0, 1.0, 1.0]])
    none = np.zeros(0, dtype=np.int64)
    values, faults = evaluate_with_faults(parameters[None], phases, none, np.ones((1, 0)), np.zeros((1, 0)))
    if faults[0, 0] != 0:
        raise ModelError(f"the model has no answer for a car of the proof (fault {faults[0, 0]})")
    block = values[0, 0, N_CAR:]
    return Ours(
        roll=float(block[PHASE_COLUMN["roll_deg"]]),
        loads=block[_LOADS : _LOADS + 4].copy(),
        lift=lateral * (1.0 + float(block[PHASE_COLUMN["lift_margin_pct"]]) / 100.0),
        rollover=lateral * (1.0 + float(block[PHASE_COLUMN["rollover_margin_pct"]]) / 100.0),
        rolled_over=bool(block[PHASE_COLUMN["state"]] == 2.0),
    )


def states_of(path: Path) -> tuple[tuple[str, float], ...]:
    """Where on a path to compare: (kind, lateral acceleration [m/s2])."""
    lift, rollover = path.thresholds.lift, path.thresholds.rollover
    states = [(SMALL, 0.4 * lift), (TILTED, 0.9 * lift)]
    if rollover - lift > 0.02 * rollover:
        states += [(BETWEEN, lift + 0.5 * (rollover - lift)), (LATE, lift + 0.85 * (rollover - lift))]
    return tuple(states)


def strained(path: Path, rest: Rest) -> bool:
    """Whether a wheel is off the ground or a suspension on its droop stop."""
    ends = path.car.chassis.ends
    on_stop = any(-rest.travel[k] >= ends[k // 2].droop for k in range(4))
    return on_stop or any(rest.lifted)


def mask(lifted: Sequence[bool]) -> float:
    """Which wheels are off the ground, as a number: 1 front inner, 2 front outer, 4 rear inner, 8 rear outer."""
    return float(sum(2**k for k in range(4) if lifted[k]))


def compare_state(pair: Pair) -> list[Comparison]:
    """Roll, four loads and the lifted wheels of one state."""
    roll = math.degrees(pair.other.roll)
    name = f"{pair.case.name}, {pair.kind}"
    share = STEEP_ROLL_BAR if roll > STEEP_ROLL else ROLL_BAR
    bar = _load_bar(pair)
    rows = [Comparison(name, "roll", "deg", pair.ours.roll, roll, share * roll)]
    for k, wheel in enumerate(WHEELS):
        rows.append(Comparison(name, wheel, "N", float(pair.ours.loads[k]), float(pair.other.loads[k]), bar))
    up = mask([load <= 0.0 for load in pair.ours.loads])
    rows.append(Comparison(name, "lifted wheels", "code", up, mask(pair.other.lifted), 0.0))
    return rows


def _load_bar(pair: Pair) -> float:
    mass = float(pair.case.parameters[0])
    return (LIFTED_LOAD_BAR if pair.strained else LOAD_BAR) * mass / REFERENCE_MASS


def compare_case(case: Case) -> tuple[list[Comparison], list[Pair], float, Path]:
    """One car along its whole path: (comparisons, pairs, largest force left, path)."""
    path = Path(Car(case.parameters, case.longitudinal))
    over = path.thresholds.rollover
    rows, pairs, left = [], [], 0.0
    for kind, lateral in states_of(path):
        rest = path.at(lateral)
        if rest is None:
            raise ModelError(f"{case.name}: the multibody car has no rest below its own rollover")
        left = max(left, path.car.unbalanced(rest))
        ours = ours_at(case.parameters, lateral, case.longitudinal)
        pair = Pair(case, kind, ours, rest, strained(path, rest))
        pairs.append(pair)
        rows += compare_state(pair)
    past = ours_at(case.parameters, 1.02 * over, case.longitudinal)
    rows.append(Comparison(case.name, "rollover threshold", "m/s2", past.rollover, over, THRESHOLD_BAR * over))
    rows.append(Comparison(case.name, "first wheel up", "m/s2", past.lift, path.thresholds.lift))
    rows.append(Comparison(f"{case.name}, past rollover", "rolled over", "code", float(past.rolled_over), 1.0, 0.0))
    return rows, pairs, left, path


def mirrored(case: Case, path: Path) -> tuple[list[Comparison], float]:
    """The same car in a right turn: our left-turn answer beside the mirrored one, and MuJoCo's own two turns."""
    other = Path(Car(case.parameters, case.longitudinal), turn=-1.0)
    lateral = 0.9 * path.thresholds.lift
    left, right = path.at(lateral), other.at(lateral)
    if left is None or right is None:
        raise ModelError(f"{case.name}: no rest below the first lift")
    pair = Pair(case, "right turn", ours_at(case.parameters, lateral, case.longitudinal), right, strained(other, right))
    return compare_state(pair), float(np.abs(left.loads - right.loads).max())


def _worst(pairs: list[Pair]) -> tuple[tuple[str, str], ...]:
    """Worst differences in words."""
    facts = []
    for label, steep in ((f"up to {STEEP_ROLL:g} deg", False), (f"above {STEEP_ROLL:g} deg", True)):
        off = [
            100.0 * (p.ours.roll / math.degrees(p.other.roll) - 1.0)
            for p in pairs
            if (math.degrees(p.other.roll) > STEEP_ROLL) == steep
        ]
        if off:
            worst = max(off, key=abs)
            facts.append((f"roll {label}", f"worst {worst:+.2f} %, median {np.median(np.abs(off)):.3f} %"))
    for label, hard in (("all wheels down, no stop met", False), ("wheel up or stop met", True)):
        off = [
            float(np.abs(p.ours.loads - p.other.loads).max()) * REFERENCE_MASS / float(p.case.parameters[0])
            for p in pairs
            if p.strained == hard
        ]
        if off:
            facts.append((f"wheel load, {label}", f"worst {max(off):.4f} N, median {np.median(off):.4f} N for 1.6 kg"))
    return tuple(facts)


def _variants(cases: tuple[Case, ...]) -> tuple[tuple[str, str], ...]:
    """What the unstated choices of the mechanism are worth: seat of the springs, pitching axles, loose springs."""
    seats, pitched, loose, slack = [], [], [], 0
    for case in cases:
        plain = Path(Car(case.parameters, case.longitudinal))
        lift, rollover = plain.thresholds.lift, plain.thresholds.rollover
        early, late = 0.9 * lift, lift + 0.85 * (rollover - lift)
        rest, up = plain.at(early), plain.at(late)
        seated = Path(Car(case.parameters, case.longitudinal, seat=1.0)).at(early)
        tilted = Path(Car(case.parameters, case.longitudinal, square=False)).at(late)
        if rest is not None and seated is not None:
            seats.append(100.0 * (seated.roll / rest.roll - 1.0))
        if up is not None and tilted is not None:
            pitched.append(float(np.abs(up.loads - tilted.loads).max()))
        if rest is not None and plain.car.slack(rest):
            slack += 1
            free = Path(Car(case.parameters, case.longitudinal, captive=False)).at(early)
            if free is not None:
                loose.append(float(np.abs(rest.loads - free.loads).max()))
    words = f"{slack} of {len(cases)} cars just below lift"
    if loose:
        words += f"; left loose there, a load moves by up to {max(loose):.3f} N"
    return (
        ("springs seated at wheel-centre height", f"roll {np.median(seats):+.2f} %, most {max(seats, key=abs):+.2f} %"),
        ("axles that pitch with the body, near rollover", f"a load moves by up to {max(pitched):.3f} N"),
        ("springs past their free length", words),
    )


def _drawings(pairs: list[Pair], path: Path, case: Case) -> tuple[Drawing, ...]:
    loads = []
    for label, hard in (("all wheels down", False), ("wheel up or stop met", True)):
        chosen = [p for p in pairs if p.strained == hard]
        if chosen:
            loads.append(
                Series(
                    label,
                    np.concatenate([p.other.loads for p in chosen]),
                    np.concatenate([p.ours.loads - p.other.loads for p in chosen]),
                )
            )
    rolls = np.array([math.degrees(p.other.roll) for p in pairs])
    off = np.array([100.0 * (p.ours.roll / math.degrees(p.other.roll) - 1.0) for p in pairs])
    lines = []
    known = [rest for rest in path.points if 0.0 < rest.lateral < 0.995 * path.thresholds.rollover]
    known.sort(key=lambda rest: rest.lateral)
    lateral = np.array([rest.lateral for rest in known])
    apart = np.array([ours_at(case.parameters, rest.lateral, case.longitudinal).loads - rest.loads for rest in known])
    for k, wheel in enumerate(WHEELS):
        lines.append(Series(wheel, lateral, apart[:, k]))
    return (
        Drawing("proof_loads", "Wheel loads", "multibody, N", "model less multibody, N", "points", tuple(loads)),
        Drawing(
            "proof_roll",
            "Roll",
            "multibody roll, deg",
            "model over multibody, %",
            "points",
            (Series("states", rolls, off),),
        ),
        Drawing(
            "proof_path",
            f"Loads up to rollover: {case.name}",
            "lateral acceleration, m/s2",
            "model less multibody, N",
            "lines",
            tuple(lines),
        ),
    )


def multibody_section(quick: bool, progress: Progress | None = None) -> ProofSection:
    """Section (a): the model beside the multibody car on beam axles, over a seeded fleet and the corner cases."""
    corners = corner_cases()
    cases = (*corners[4:6], corners[8], *drawn_cases(SEED, 5)) if quick else (*corners, *drawn_cases(SEED, 80))
    rows: list[Comparison] = []
    pairs: list[Pair] = []
    left, turned = 0.0, 0.0
    paths: dict[str, Path] = {}
    unsettled: list[str] = []
    for done, case in enumerate(cases):
        if progress is not None:
            progress("multibody", done, len(cases))
        try:
            found, new, force, path = compare_case(case)
        except ModelError as fault:
            unsettled.append(f"{case.name}: {fault}")
            rows.append(Comparison(case.name, "settles", "code", 1.0, 0.0, 0.0))
            continue
        rows += found
        pairs += new
        left = max(left, force)
        if case.corner:
            paths[case.name] = path
            found, apart = mirrored(case, path)
            rows += found
            turned = max(turned, apart)
    rows.append(Comparison("all states", "largest force left at rest", "N or N m", left, 0.0, REST_BAR))
    rows.append(Comparison("corner cases", "left turn less mirrored right turn, loads", "N", turned, 0.0, REST_BAR))
    stepped = [case for case in cases if case.name in paths][: 1 if quick else 6]
    for case in stepped:
        path = paths[case.name]
        lateral = path.thresholds.lift + 0.5 * (path.thresholds.rollover - path.thresholds.lift)
        rest = path.at(lateral)
        if rest is None:
            raise ModelError(f"{case.name}: no rest between lift and rollover")
        moved = Car(case.parameters, case.longitudinal).settle(lateral, 1.5 if quick else 3.0)
        apart = float(np.abs(moved.loads - rest.loads).max())
        rows.append(Comparison(case.name, "loads by stepping in time less Newton's", "N", apart, 0.0, 0.005))
    shown = next(case for case in cases if case.name in paths)
    over = [row for row in rows if row.quantity == "rollover threshold"]
    worst = max((100.0 * (row.ours / row.other - 1.0) for row in over), key=abs)
    first = [row for row in rows if row.quantity == "first wheel up"]
    earliest = max((100.0 * (row.ours / row.other - 1.0) for row in first), key=abs)
    missed = sum(not row.passed for row in rows if row.quantity == "lifted wheels")
    facts = (
        ("cars and states", f"{len(cases)} cars, {len(pairs)} states of rest, {len(rows)} comparisons"),
        *_worst(pairs),
        ("rollover threshold", f"worst {worst:+.2f} %"),
        ("first wheel up", f"worst {earliest:+.2f} % (no bar set)"),
        ("lifted wheels", "the same everywhere" if missed == 0 else f"different in {missed} states"),
        ("largest force left at rest, by inverse dynamics", f"{left:.1e} N"),
        *_variants(cases[:4] if quick else corners),
    )
    return ProofSection(
        stem="proof_multibody",
        title="Loads, roll, lift and rollover against a multibody car",
        claim="Static rest of the model is that of a sprung body on two hinged beam axles with one-sided tyres.",
        source="MuJoCo: kinematics and inertial forces; springs, bars, stops and tyres of our own, written separately",
        comparisons=tuple(rows),
        facts=facts,
        notes=(*_notes(rows), *(f"Left out: {text}." for text in unsettled)),
        drawings=_drawings(pairs, paths[shown.name], shown),
    )


def _notes(rows: list[Comparison]) -> tuple[str, ...]:
    notes = [
        "Springs, bars and stops are linear, act along the body's vertical at half the track and level with the roll "
        "centre; springs hold on past their free length. Beams stay upright when the body pitches.",
        "The lateral force of each axle is what force and yaw balance ask; how its wheels share it does not matter.",
    ]
    failed = [row for row in rows if not row.passed]
    if failed:
        worst = max(failed, key=lambda row: abs(row.difference) / max(row.bar, 1e-12))
        notes.append(
            f"{len(failed)} of {len(rows)} comparisons are outside their bar; the worst: {worst.case}, "
            f"{worst.quantity}: {worst.ours:.4f} against {worst.other:.4f} {worst.unit}, allowed {worst.bar:.4f}."
        )
    return tuple(notes)
