"""Limits of corners by either way through the kernel: the fast one, on lanes and on floats, and the last resort."""

from __future__ import annotations

from typing import Any

import numpy as np

from explorer.model.block import SPACE, corner_at, levels_at
from explorer.model.car.car import car_at
from explorer.model.car.slots import SLOT, WISHBONE
from explorer.model.car.tyre import tyre_at
from explorer.model.corner.direct import direct_limits, route_of
from explorer.model.corner.followed import followed_limits
from explorer.model.corner.path import Beam, Wishbone, law_of, path_law
from explorer.model.kernel import bump_tables
from explorer.model.machine.compiled import inner, njit
from explorer.model.machine.lanes import WIDTH, put_lane, put_lanes, value_at

COUNT = 16
"""Numbers in `DirectLimits`."""
ROLLOVER, ASKED, TRUTHS, DONE = 4, slice(5, 13), slice(13, 16), 15
"""Where the rollover stands in a row of them, the state asked for, what is true or not, and whether it is known."""
DIPS = 16
"""Where the fast way says whether the path dips past the first lift, after the others."""


@njit(cache=True, error_model="numpy")
def _on_lanes(kind, vectors, phases, tables, which, out):
    flat, size = tables.reshape(-1), float(tables.shape[1] * tables.shape[2])
    block, place, work = np.empty((vectors.shape[1], WIDTH)), np.empty((1, WIDTH)), np.empty(SPACE)
    for start in range(0, len(vectors), WIDTH):
        count = min(WIDTH, len(vectors) - start)
        for lane in range(WIDTH):
            row = start + min(lane, count - 1)
            place[0, lane] = which[row] * size
            for slot in range(vectors.shape[1]):
                block[slot, lane] = vectors[row, slot]
        body, front, rear = car_at(block)
        car = body, front, rear, tyre_at(block)
        levels = levels_at(body, front, rear)
        axles, arm = law_of(kind, front, rear, body)
        for p in range(len(phases)):
            corner, _, _ = corner_at(block, car, levels, phases[p], arm)
            law = path_law(axles, corner.phase, body)
            route = route_of(law)
            put_lanes(work, (direct_limits(corner, law, route, flat, value_at(place, 0)), route.dips))
            for lane in range(count):
                for k in range(COUNT + 1):
                    out[p, start + lane, k] = work[k * WIDTH + lane]


@inner
def _corner_and_law(kind, vector, phase):
    """A corner of one car and the constants of its path."""
    body, front, rear = car_at(vector)
    axles, arm = law_of(kind, front, rear, body)
    car = body, front, rear, tyre_at(vector)
    corner, _, _ = corner_at(vector, car, levels_at(body, front, rear), phase, arm)
    return corner, path_law(axles, corner.phase, body)


@njit(cache=True, error_model="numpy")
def _on_floats(kind, vectors, phases, tables, which, out):
    flat, size, work = tables.reshape(-1), float(tables.shape[1] * tables.shape[2]), np.empty(SPACE)
    for row in range(len(vectors)):
        for p in range(len(phases)):
            corner, law = _corner_and_law(kind, vectors[row], phases[p])
            route = route_of(law)
            put_lane(work, 0, (direct_limits(corner, law, route, flat, which[row] * size), route.dips))
            for k in range(COUNT + 1):
                out[p, row, k] = work[k * WIDTH]


@njit(cache=True, error_model="numpy")
def _followed(kind, vectors, phases, tables, which, out):
    flat, size, work = tables.reshape(-1), float(tables.shape[1] * tables.shape[2]), np.empty(SPACE)
    for row in range(len(vectors)):
        for p in range(len(phases)):
            corner, law = _corner_and_law(kind, vectors[row], phases[p])
            put_lane(work, 0, followed_limits(corner, law, flat, which[row] * size))
            for k in range(COUNT):
                out[p, row, k] = work[k * WIDTH]


def _asked(way: Any, numbers: int, cars: np.ndarray, phases: np.ndarray) -> np.ndarray:
    kinds = cars[:, SLOT["axle_law"]] == WISHBONE
    assert kinds.all() or not kinds.any()
    none = np.zeros(0, dtype=np.int64)
    tables, which = bump_tables(cars, none, np.ones((1, 0)), np.zeros((1, 0)))
    out = np.zeros((len(phases), len(cars), numbers))
    way(Wishbone() if kinds.all() else Beam(), cars, phases, tables, which[0], out)
    return out


def limits_on_lanes(cars: np.ndarray, phases: np.ndarray) -> np.ndarray:
    """`DirectLimits` and whether the path dips, by the fast way on lanes: (phases, cars, numbers)."""
    return _asked(_on_lanes, COUNT + 1, cars, phases)


def limits_on_floats(cars: np.ndarray, phases: np.ndarray) -> np.ndarray:
    """As `limits_on_lanes`, one car at a time."""
    return _asked(_on_floats, COUNT + 1, cars, phases)


def limits_followed(cars: np.ndarray, phases: np.ndarray) -> np.ndarray:
    """`DirectLimits` by the last resort, one car at a time: (phases, cars, numbers)."""
    return _asked(_followed, COUNT, cars, phases)


def last_resort_share(cars: np.ndarray, phases: np.ndarray) -> float:
    """Share of the setups of which the fast way leaves a phase to the last resort."""
    return float((limits_on_lanes(cars, phases)[..., DONE] != 1.0).any(axis=0).mean())
