"""The planar solver held against the multibody car: drawn cars, states from well below first lift to past it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from explorer.validation.wishbone.cars import BRAKING, POWER, Car, drawn_cars
from explorer.validation.wishbone.multibody import MultibodyCar, Rest
from explorer.validation.wishbone.planar import Path, State

SHARES = (0.3, 0.6, 0.85, 0.97, 1.05, 1.15)
"""Of the lateral acceleration at first lift."""


@dataclass(frozen=True)
class Pair:
    """One state seen by both: relative difference in roll, largest ones in load [N] and lean [deg]; `on_stop`, `lifted`
    as the planar solver has it, `same_lifted` whether the same wheels are up."""

    car: int
    longitudinal: float
    share: float
    roll: float
    load: float
    lean: float
    on_stop: bool
    lifted: bool
    same_lifted: bool


def drawn_states(seed: int, count: int) -> list[tuple[Car, float]]:
    """Cars with a longitudinal acceleration each: half of them none, a quarter braking, a quarter power. [m/s2]"""
    rng = np.random.default_rng(np.random.SeedSequence((seed, 77)))
    pulls = [0.0, float(rng.uniform(BRAKING, -0.5)), 0.0, float(rng.uniform(0.5, POWER))]
    return [(car, pulls[number % 4]) for number, car in enumerate(drawn_cars(seed, count))]


def states_of(path: Path, shares: tuple[float, ...] = SHARES) -> list[tuple[float, State]]:
    """(share of first lift, state) up to the rollover."""
    lift = path.first_lift.lateral
    found = [(share, path.at(share * lift)) for share in shares]
    return [(share, state) for share, state in found if state is not None]


def settled(other: MultibodyCar, state: State) -> Rest | None:
    """The multibody car at a state's lateral acceleration, started from its pose."""
    u = state.unknowns
    start = other.guess(state.lateral, float(u[0]), float(u[1]), float(u[2]), u[3:7])
    return other.rest(state.lateral, start)


def compared(seed: int, count: int, shares: tuple[float, ...] = SHARES) -> tuple[list[Pair], list[str]]:
    """(pairs, what did not settle) over drawn cars."""
    pairs, lost = [], []
    for number, (car, pull) in enumerate(drawn_states(seed, count)):
        path, other = Path(car, pull), MultibodyCar(car, pull)
        for share, state in states_of(path, shares):
            rest = settled(other, state)
            if rest is None:
                lost.append(f"car {number + 1} at {share:g} of its first lift")
                continue
            pairs.append(
                Pair(
                    car=number,
                    longitudinal=pull,
                    share=share,
                    roll=state.roll / rest.roll - 1.0,
                    load=float(np.abs(state.loads - rest.loads).max()),
                    lean=math.degrees(float(np.abs(state.lean - rest.lean).max())),
                    on_stop=any(path.on_stop(state)),
                    lifted=any(state.lifted),
                    same_lifted=state.lifted == tuple(bool(load <= 0.0) for load in rest.loads),
                )
            )
    return pairs, lost
