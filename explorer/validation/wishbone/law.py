"""The model under its wishbone law beside the planar reference: the same cars at the same states, with what a car file
asks measured on the mechanism."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.stats import spearmanr

from explorer.domain.errors import ModelError
from explorer.domain.space import BoolArray, FloatArray
from explorer.model.car.slots import WISHBONE
from explorer.model.kernel import evaluate_parameters
from explorer.model.metrics import CAR_COLUMN, N_CAR, PHASE_COLUMN
from explorer.validation.fleet import middle_car, put
from explorer.validation.wishbone.agreement import drawn_states
from explorer.validation.wishbone.cars import Car, drawn_cars
from explorer.validation.wishbone.grip import leans_of
from explorer.validation.wishbone.measured import CarInputs, measured
from explorer.validation.wishbone.planar import Path, State
from explorer.validation.wishbone.ranking import balanced, corners_of, drawn_setups, put_measured, rank

SHARES = (0.3, 0.6, 0.85, 0.97, 1.05, 1.2)
"""States compared, as shares of the lateral acceleration at the reference's first lift."""
RADIUS = 2.0
"""Of every corner; loads do not depend on it. [m]"""
DOWN, STOP, UP = "wheels down", "on a stop", "a wheel up"
CLASSES = (DOWN, STOP, UP)
PHASES = np.array(
    [
        [4.0, 0.0, 0.8, 0.0, 0.0, 1.0, 0.0],
        [0.9, 0.0, 0.8, 0.0, 0.0, 1.0, 0.0],
        [2.0, 0.0, 0.6, 0.0, -0.20, 1.0, 1.0],
        [1.5, 0.0, 0.64, 0.0, 0.30, 1.0, 0.0],
    ]
)
"""Fast sweep, hairpin, entry under braking (turn-in), exit under power; columns as `PHASE_COLUMNS`."""
OBJECTIVES = ("grip_margin_pct", "lift_margin_pct", "lag_ms")
SIGNS = (-1.0, -1.0, 1.0)
"""Best first, by each objective."""
BEST = 0.1
"""Share of the setups that count as the best."""

_LOADS, _LEANS = PHASE_COLUMN["front_inner_load_n"], PHASE_COLUMN["front_inner_inclination_deg"]
_ROLL, _LIFT, _AXLE = (PHASE_COLUMN[name] for name in ("roll_deg", "lift_margin_pct", "lift_axle"))


@dataclass(frozen=True)
class Seen:
    """One state seen by both, model less reference: `roll` [%], largest difference of a `load` [N] and of an
    inclination `lean` [deg]; `kind` one of `CLASSES`, of the reference."""

    car: int
    share: float
    kind: str
    roll: float
    load: float
    lean: float
    same_lifted: bool


@dataclass(frozen=True)
class Lift:
    """First lift of one car: `off` model over reference, less one [%], and whether the same axle lifts first."""

    off: float
    same_axle: bool


@dataclass(frozen=True)
class Compared:
    """States and first lifts of drawn cars; `lost` says in words what the model did not answer."""

    states: tuple[Seen, ...]
    lifts: tuple[Lift, ...]
    lost: tuple[str, ...]


@dataclass(frozen=True)
class Ranked:
    """How the setups of one car rank, by objective (3,): correlation of ranks, best setups shared, of how many, and
    the largest difference in the objective's own unit. `unanswered` counts setups without an answer of the model,
    `unsettled` those with which the reference does not settle; both are left out of the ranks."""

    correlation: tuple[float, ...]
    shared: tuple[int, ...]
    best: int
    apart: tuple[float, ...]
    setups: int
    unanswered: int
    unsettled: int


def vector_of(car: Car, inputs: CarInputs) -> FloatArray:
    """Parameter vector (slots,) of a car under the wishbone law; tyre and steering those of the middle car."""
    vector = put_measured(middle_car(), inputs)
    drive, brake = car.front_drive_share, car.front_brake_share
    return put(vector, axle_law=WISHBONE, front_drive_share=drive, front_brake_share=brake)


def answers(vectors: FloatArray, phases: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Metrics (rows, metrics) of the model and which rows have an answer (rows,)."""
    none = np.zeros(0, dtype=np.int64)
    values, valid = evaluate_parameters(vectors, phases, none, np.ones((1, 0)), np.zeros((1, 0)))
    return values[0], valid[0]


def phase_of(lateral: float, longitudinal: float) -> FloatArray:
    """One phase (1, columns) that asks for a lateral acceleration. [m/s2]"""
    return np.array([[RADIUS, math.sqrt(lateral * RADIUS), 0.0, longitudinal, 0.0, 1.0, 1.0]])


def block_at(vector: FloatArray, lateral: float, longitudinal: float) -> FloatArray | None:
    """Phase metrics (metrics,) of one car at a lateral acceleration [m/s2]; None where the model has no answer."""
    values, valid = answers(vector[None], phase_of(lateral, longitudinal))
    return values[0, N_CAR:] if valid[0] else None


def kind_of(path: Path, state: State) -> str:
    """Which of `CLASSES` a state of the reference is in."""
    if any(state.lifted):
        return UP
    return STOP if any(path.on_stop(state)) else DOWN


def _seen(number: int, share: float, path: Path, state: State, vector: FloatArray, block: FloatArray) -> Seen:
    """One state of the reference beside the model's answer."""
    leans = leans_of(corners_of(path.car, vector, phase_of(state.lateral, path.longitudinal))[0], state)
    loads = block[_LOADS : _LOADS + 4]
    return Seen(
        car=number,
        share=share,
        kind=kind_of(path, state),
        roll=100.0 * (float(block[_ROLL]) / math.degrees(state.roll) - 1.0),
        load=float(np.abs(loads - state.loads).max()),
        lean=float(np.abs(block[_LEANS : _LEANS + 4] - np.degrees(leans)).max()),
        same_lifted=[bool(load <= 0.0) for load in loads] == list(state.lifted),
    )


def compare_car(number: int, path: Path, inputs: CarInputs) -> Compared:
    """A car along its path to past first lift, both at the same lateral acceleration."""
    first = path.first_lift
    vector = vector_of(path.car, inputs)
    seen: list[Seen] = []
    lifts: list[Lift] = []
    lost: list[str] = []
    for share in SHARES:
        state = path.at(share * first.lateral)
        if state is None:
            continue
        block = block_at(vector, state.lateral, path.longitudinal)
        if block is None:
            lost.append(f"car {number} at {share:g} of its first lift")
            continue
        seen.append(_seen(number, share, path, state, vector, block))
        if not lifts:
            ours = state.lateral * (1.0 + float(block[_LIFT]) / 100.0)
            lifts.append(Lift(100.0 * (ours / first.lateral - 1.0), bool(block[_AXLE] == 0.0) == path.front_first))
    return Compared(tuple(seen), tuple(lifts), tuple(lost))


def compare_cars(
    seed: int, count: int, read: Callable[[Car], CarInputs] = measured, step: Callable[[], None] = lambda: None
) -> Compared:
    """Drawn cars, some braking or under power, with what `read` measures on them."""
    found = []
    for number, (car, pull) in enumerate(drawn_states(seed, count), start=1):
        step()
        found.append(compare_car(number, Path(car, pull), read(car)))
    return Compared(
        states=tuple(one for car in found for one in car.states),
        lifts=tuple(one for car in found for one in car.lifts),
        lost=tuple(one for car in found for one in car.lost),
    )


def ranked(car: Car, seed: int, count: int) -> Ranked:
    """Setups of one car, its ends made to give way together, ranked by both. Raises ModelError where no ratio of grip
    balances the car."""
    inputs = measured(car)
    vector = balanced(car, vector_of(car, inputs), PHASES)
    setups = drawn_setups(vector, inputs, seed, count)
    values, valid = answers(setups, PHASES)
    rows, settled = [], valid.copy()
    for number in np.flatnonzero(valid):
        try:
            one = rank(car, setups[number][None], PHASES)
        except ModelError:
            settled[number] = False
            continue
        rows.append((one.grip[0], one.lift[0], one.lag[0]))
    theirs = np.array(rows)
    ours = values[settled][:, [CAR_COLUMN[name] for name in OBJECTIVES]]
    best = max(round(BEST * len(rows)), 1)
    tops = [
        [set(np.argsort(sign * table[:, k])[:best].tolist()) for k, sign in enumerate(SIGNS)]
        for table in (ours, theirs)
    ]
    return Ranked(
        correlation=tuple(float(spearmanr(one, other).statistic) for one, other in zip(ours.T, theirs.T, strict=True)),
        shared=tuple(len(one & other) for one, other in zip(*tops, strict=True)),
        best=best,
        apart=tuple(float(worst) for worst in np.abs(ours - theirs).max(axis=0)),
        setups=count,
        unanswered=count - int(valid.sum()),
        unsettled=int(valid.sum()) - len(rows),
    )


def rank_cars(seed: int, cars: int, setups: int, step: Callable[[], None] = lambda: None) -> list[Ranked]:
    """Rankings of drawn cars; one that no ratio of grip balances is drawn again."""
    found: list[Ranked] = []
    for number, car in enumerate(drawn_cars(seed, 2 * cars), start=1):
        if len(found) == cars:
            break
        step()
        try:
            found.append(ranked(car, seed + number, setups))
        except ModelError:
            continue
    return found
