"""How much the idealised axle matters: the car with every wheel on its own slide beside the one with beam axles.

Roll, loads and thresholds over a seeded fleet, and whether the two mechanisms rank setups of one car alike. The
objectives of a mechanism come from its own multibody states: lift from its path; grip by the model's tyre and limit
equations with its loads and inclinations; lag by the model's yaw-roll equations with its tangent roll stiffness,
travels and loads. Smooth ground. In both the inclination keeps the car's camber curve: a beam axle's by the mean
travel of its wheels as the model has it, a slide's by the wheel's own travel.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
from scipy.stats import spearmanr

from explorer.domain.errors import ModelError
from explorer.domain.space import FloatArray
from explorer.model.car.car import car_at, phase_at
from explorer.model.car.slots import SLOT
from explorer.model.car.tyre import bump_table, tyre_at
from explorer.model.corner.grip import WheelSet, corner_of, grip_at
from explorer.model.corner.response import RollMode, load_scaled, response_of
from explorer.model.kernel import evaluate_parameters
from explorer.model.machine.compiled import njit
from explorer.model.metrics import CAR_COLUMN, describe
from explorer.report.drawing import Drawing, Series
from explorer.study.everything.evaluate import Progress
from explorer.validation.fleet import RANGES, drawn_cases, middle_car
from explorer.validation.multibody import BEAM, SLIDES, Car, Path, Rest
from explorer.validation.results import Comparison, ProofSection
from explorer.validation.wheel_loads import WHEELS, ours_at

SEED = 20_304
OBJECTIVES = {"lag_ms": "ms", "grip_margin_pct": "%", "lift_margin_pct": "%"}
TRUSTED = 0.9
"""A rank correlation below this is a headline."""
RIDE_SPREAD = 0.003
"""Ride heights of the setups lie within this of the car's. [m]"""
PHASES = np.array(
    [
        [4.0, 0.0, 0.8, 0.0, 0.0, 1.0, 0.0],
        [0.9, 0.0, 0.8, 0.0, 0.0, 1.0, 0.0],
        [2.0, 0.0, 0.6, 0.0, -0.20, 1.0, 1.0],
        [1.5, 0.0, 0.64, 0.0, 0.30, 1.0, 0.0],
    ]
)
"""Fast sweep, hairpin, entry under braking (turn-in), exit under power; columns as `PHASE_COLUMNS`."""


@dataclass(frozen=True)
class Objectives:
    """Objectives of one setup in one mechanism, in the units of the metric catalogue; `worst_phase` is where grip is
    least, `uncurved_grip_pct` the grip margin without a camber curve."""

    lag_ms: float
    grip_margin_pct: float
    lift_margin_pct: float
    worst_phase: int
    uncurved_grip_pct: float


def setups(seed: int, count: int) -> FloatArray:
    """Setups of the middle car (count, slots): bars evenly in their logarithm or none, springs, ride heights."""
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    rows = np.tile(middle_car(), (count, 1))
    for end in ("front", "rear"):
        softest, stiffest = np.log(RANGES["bar_rate"])
        bars = np.exp(rng.uniform(softest, stiffest, count))
        rows[:, SLOT[f"{end}_bar_rate"]] = np.where(rng.random(count) < 0.1, 0.0, bars)
        rows[:, SLOT[f"{end}_spring_rate"]] = rng.uniform(*RANGES["wheel_rate"], count)
        rows[:, SLOT[f"{end}_ride_height"]] += rng.uniform(-RIDE_SPREAD, RIDE_SPREAD, count)
    return rows


class _At(NamedTuple):
    """What the grip equations read of an equilibrium."""

    lateral: float


@njit(cache=True, error_model="numpy")
def _asked(parameters, row):
    """(required lateral, longitudinal acceleration) of a phase. [m/s2]"""
    body, _, _ = car_at(parameters)
    phase = phase_at(parameters, row, body)
    return phase.lateral, (phase.front_force + phase.rear_force) / body.mass


@njit(cache=True, error_model="numpy")
def _excess(parameters, row, table, steering, lateral, loads, leans):
    """(front, rear) lateral force demanded less what the axle can give, with given loads and leans by roll. [N]"""
    body, front, rear = car_at(parameters)
    phase = phase_at(parameters, row, body)
    corner = corner_of(body, front, rear, phase, tyre_at(parameters), steering[0], steering[1], steering[2], 0.0, 0.0)
    wheels = WheelSet(
        front_inner_load=loads[0],
        front_outer_load=loads[1],
        rear_inner_load=loads[2],
        rear_outer_load=loads[3],
        front_inner_lean=corner.front_inner_lean + leans[0],
        front_outer_lean=corner.front_outer_lean + leans[1],
        rear_inner_lean=rear.camber + leans[2],
        rear_outer_lean=-rear.camber + leans[3],
    )
    grip = grip_at(corner, _At(lateral), wheels, table)
    return grip.front_demand - grip.front_capacity, grip.rear_demand - grip.rear_capacity


@njit(cache=True, error_model="numpy")
def _lag(parameters, row, loads, stiffness, damping, thrust):
    """Lag of the yaw-roll model with a given roll mode; `thrust` (2,) is each axle's lean per roll. [s]"""
    body, _, _ = car_at(parameters)
    tyre = tyre_at(parameters)
    q, f0 = tyre.cornering_exponent, tyre.reference_load
    front = load_scaled(1.0, q, f0, loads[0], loads[1])
    rear = load_scaled(1.0, q, f0, loads[2], loads[3])
    response = response_of(
        body,
        RollMode(stiffness, damping, body.roll_inertia + body.sprung_mass * body.roll_arm**2),
        phase_at(parameters, row, body).speed,
        tyre.cornering_stiffness * front,
        tyre.cornering_stiffness * rear,
        tyre.camber_stiffness * front * thrust[0],
        tyre.camber_stiffness * rear * thrust[1],
    )
    return response.lag


def leans_of(path: Path, rest: Rest, curved: bool = True) -> FloatArray:
    """What roll adds to the inclination of the four wheels, positive into the turn (4,), with or without the camber
    curve. [rad]"""
    leans = np.empty(4)
    for k, end in enumerate(path.car.chassis.ends):
        inner, outer = 2 * k, 2 * k + 1
        apart = float(rest.travel[outer] - rest.travel[inner])
        gain = end.camber_gain if curved else 0.0
        if path.car.mechanism == BEAM:
            leans[[inner, outer]] = (0.5 * gain - 1.0 / end.track) * apart - rest.lean[inner]
        else:
            leans[inner] = -gain * rest.travel[inner] - rest.lean[inner]
            leans[outer] = gain * rest.travel[outer] - rest.lean[outer]
    return leans


def grip_limit(parameters: FloatArray, row: FloatArray, path: Path, table: FloatArray, curved: bool = True) -> float:
    """Lowest lateral acceleration on the path at which an axle's demand meets its capacity, else rollover. [m/s2]"""
    steering = np.array([parameters[SLOT[name]] for name in ("ackermann_share", "caster", "kingpin_inclination")])

    def excess(rest: Rest, end: int) -> float:
        leans = leans_of(path, rest, curved)
        return float(_excess(parameters, row, table, steering, rest.lateral, rest.loads, leans)[end])

    limits = [path.thresholds.rollover]
    for end in range(2):
        if excess(path.points[0], end) >= 0.0:
            return 0.0
        for low, high in zip(path.points, path.points[1:], strict=False):
            if excess(high, end) >= 0.0:
                limits.append(path.crossing(partial(excess, end=end), low, high, 1e-7).lateral)
                break
    return min(limits)


def lag_of(parameters: FloatArray, row: FloatArray, path: Path, rest: Rest) -> float:
    """Lag of the yaw-roll model about a multibody state. [ms]"""
    tangent = path.car.tangent(rest)
    damping, thrust = 0.0, np.empty(2)
    for k, (stem, end) in enumerate(zip(("front", "rear"), path.car.chassis.ends, strict=True)):
        inner, outer = float(tangent.travel[2 * k]), float(tangent.travel[2 * k + 1])
        damping += float(parameters[SLOT[f"{stem}_damping"]]) * (inner**2 + outer**2)
        thrust[k] = -1.0 + 0.5 * end.camber_gain * (outer - inner)
    return 1000.0 * float(_lag(parameters, row, rest.loads, tangent.stiffness, damping, thrust))


def objectives_of(parameters: FloatArray, mechanism: str) -> Objectives:
    """Objectives of one setup over `PHASES`, from multibody states. Raises ModelError where a car does not settle."""
    table = bump_table(float(parameters[SLOT["load_sensitivity"]])).copy()
    paths: dict[float, Path] = {}
    grip, uncurved, lift, lag = [], [], [], math.nan
    for row in PHASES:
        required, pull = (float(a) for a in _asked(parameters, row))
        if pull not in paths:
            paths[pull] = Path(Car(parameters, pull, mechanism))
        path = paths[pull]
        grip.append(100.0 * (grip_limit(parameters, row, path, table) / required - 1.0))
        uncurved.append(100.0 * (grip_limit(parameters, row, path, table, curved=False) / required - 1.0))
        lift.append(100.0 * (path.thresholds.lift / required - 1.0))
        if row[-1] > 0.5:
            lag = lag_of(parameters, row, path, path.at(required) or path.points[-1])
    return Objectives(lag, min(grip), min(lift), int(np.argmin(grip)), min(uncurved))


def _all_objectives(rows: FloatArray, mechanism: str, step: Callable[[], None]) -> list[Objectives]:
    found = []
    for row in rows:
        step()
        found.append(objectives_of(row, mechanism))
    return found


def _column(found: list[Objectives], name: str) -> FloatArray:
    return np.array([getattr(one, name) for one in found])


def _rank(one: FloatArray, two: FloatArray) -> float:
    return float(spearmanr(one, two).statistic)


def _model_table(rows: FloatArray) -> FloatArray:
    none = np.zeros(0, dtype=np.int64)
    values, valid = evaluate_parameters(rows, PHASES, none, np.ones((1, 0)), np.zeros((1, 0)))
    if not valid.all():
        raise ModelError("the model has no answer for a setup of the proof")
    return values[0][:, [CAR_COLUMN[name] for name in OBJECTIVES]]


def _fleet(count: int, step: Callable[[], None]) -> tuple[list[Comparison], list[tuple[str, str]]]:
    """The two mechanisms side by side over a seeded fleet, at the same share of the beam car's lift threshold."""
    rows: list[Comparison] = []
    roll, load, lift, over, same = [], [], [], [], 0
    cases = drawn_cases(SEED, count)
    for case in cases:
        step()
        beam = Path(Car(case.parameters, case.longitudinal, BEAM))
        slides = Path(Car(case.parameters, case.longitudinal, SLIDES))
        lateral = 0.6 * min(beam.thresholds.lift, slides.thresholds.lift)
        one, two = beam.at(lateral), slides.at(lateral)
        if one is None or two is None:
            raise ModelError(f"{case.name}: no rest well below its lift")
        ours = ours_at(case.parameters, lateral, case.longitudinal)
        rows.append(Comparison(case.name, "roll, wheels on slides", "deg", ours.roll, math.degrees(two.roll)))
        for k, wheel in enumerate(WHEELS):
            rows.append(Comparison(case.name, f"{wheel}, wheels on slides", "N", ours.loads[k], float(two.loads[k])))
        first = slides.thresholds.lift
        rows.append(Comparison(case.name, "first wheel up, wheels on slides", "m/s2", ours.lift, first))
        roll.append(two.roll / one.roll)
        load.append(float(np.abs(two.loads - one.loads).max()))
        lift.append(slides.thresholds.lift / beam.thresholds.lift)
        over.append(slides.thresholds.rollover / beam.thresholds.rollover)
        ahead = [path.thresholds.front_lift <= path.thresholds.rear_lift for path in (beam, slides)]
        same += ahead[0] == ahead[1]
    spread = [f"median {np.median(v):.3f}, {min(v):.3f} to {max(v):.3f}" for v in (roll, lift, over)]
    facts = [
        ("cars compared", f"{count}, at 0.6 of the lower lift threshold"),
        ("roll, slides over beams", spread[0]),
        ("wheel load, largest change per car", f"median {np.median(load):.3f} N, most {max(load):.3f} N"),
        ("first wheel up, slides over beams", spread[1]),
        ("rollover, slides over beams", spread[2]),
        ("same wheel lifts first", f"{same} of {count}"),
    ]
    return rows, facts


def mechanism_section(quick: bool, progress: Progress | None = None) -> ProofSection:
    """Section (b): what changes, and whether setups rank alike, when every wheel leans with the body. No pass bar on
    the differences; the objectives of the beam mechanism are held against the model's own."""
    count, cars = (6, 2) if quick else (200, 40)
    done, total = 0, 2 * count + cars

    def step() -> None:
        nonlocal done
        if progress is not None:
            progress("mechanism", done, total)
        done += 1

    rows, facts = _fleet(cars, step)
    vectors = setups(SEED, count)
    model = _model_table(vectors)
    beams, slides = (_all_objectives(vectors, kind, step) for kind in (BEAM, SLIDES))
    head = ("objective", "model and beams, rank", "largest difference", "beams and slides, rank", "median shift")
    table, drawings, weak = [], [], []
    few = max(count // 10, 2)
    for k, (name, unit) in enumerate(OBJECTIVES.items()):
        beam, slide = _column(beams, name), _column(slides, name)
        own, rho = _rank(model[:, k], beam), _rank(beam, slide)
        apart = float(np.abs(model[:, k] - beam).max())
        shift = float(np.median(slide - beam))
        sign = 1.0 if name == "lag_ms" else -1.0
        best = [set(np.argsort(sign * values)[:few].tolist()) for values in (beam, slide)]
        label = describe(name).label
        facts.append((f"rank correlation of {label}", f"{rho:.3f} over {count} setups"))
        facts.append((f"best {few} by {label} shared", f"{len(best[0] & best[1])} of {few}"))
        if rho < TRUSTED:
            weak.append(f"{label}, rank correlation {rho:.2f}")
        rows.append(Comparison(f"{count} setups", f"rank correlation of {name}, model and beams", "", own, 1.0, 0.01))
        table.append((name, f"{own:.4f}", f"{apart:.3g} {unit}", f"{rho:.4f}", f"{shift:+.3g} {unit}"))
        drawings.append(
            Drawing(
                f"proof_mechanism_{name}",
                f"Two mechanisms: {label}",
                f"beam axles, {unit}",
                f"wheels on slides, {unit}",
                "points",
                (Series("setups", beam, slide),),
                diagonal=True,
            )
        )
    same = sum(a.worst_phase == b.worst_phase for a, b in zip(beams, slides, strict=True))
    uncurved = _rank(_column(beams, "uncurved_grip_pct"), _column(slides, "uncurved_grip_pct"))
    spread = np.percentile(_column(beams, "grip_margin_pct"), [5, 95])
    facts += [
        ("same phase has the least grip", f"{same} of {count} setups"),
        ("rank correlation of grip margin, no camber curve in either", f"{uncurved:.3f}"),
        ("grip margins the setups span, 5 to 95 %", f"{spread[0]:.1f} to {spread[1]:.1f} %"),
    ]
    if weak and not quick:
        facts.insert(0, ("headline", f"wheels that lean with the body rank setups otherwise: {', '.join(weak)}"))
    return ProofSection(
        stem="proof_mechanism",
        title="Wheels square to the road or leaning with the body",
        claim="Absolute numbers depend on the mechanism of the axle; what is shown is by how much, and the ranking.",
        source="MuJoCo car with each wheel on an inclined slide beside the one with beam axles",
        comparisons=tuple(rows),
        facts=tuple(facts),
        notes=(
            "On slides the lateral force of an axle is shared between its wheels by load; the outer one then jacks the "
            "body up. The patch of a leaning wheel moves under its disc, which narrows the stance on the outer side.",
            "The setups are of one car, the middle of the ranges, on smooth ground.",
        ),
        head=head,
        rows=tuple(table),
        drawings=tuple(drawings),
    )
