"""Lanes against floats: the same functions compiled for several setups side by side and for one at a time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from cars import corner_phases, put, random_cars
from explorer.model.corner.path_axle import axle_law
from numba import njit

from explorer.inputs.load import load_study
from explorer.model.block import ROOM, corner_at, levels_at
from explorer.model.car.car import car_at
from explorer.model.car.slots import SLOT
from explorer.model.car.tyre import tyre_at
from explorer.model.corner.direct import direct_limits, route_of
from explorer.model.corner.path import path_law
from explorer.model.kernel import bump_tables, evaluate_parameters
from explorer.model.machine.lane_math import (
    arcsine,
    arctangent,
    exponential,
    hyperbolic_tangent,
    logarithm,
    sine_cosine,
)
from explorer.model.machine.lanes import WIDTH, get_lanes, put_lane, put_lanes, where
from explorer.model.metrics import N_CAR, N_PHASE

DEMO = Path(__file__).parents[3] / "configs" / "demo.toml"
NONE = np.zeros(0, dtype=np.int64)
FOUND = 11
"""Numbers in `DirectLimits`; the last three are truths."""


@njit(error_model="numpy")
def elementary(numbers, out):
    """Rows e^x, ln e^x, sin, cos, tanh, arctan and arcsin of x, `WIDTH` numbers at a time."""
    work, found = np.empty(WIDTH), np.empty(7 * WIDTH)
    for start in range(0, len(numbers), WIDTH):
        for lane in range(WIDTH):
            put_lane(work, lane, (numbers[start + lane],))
        (x,) = get_lanes(work, (1.0,))
        power = exponential(x)
        put_lanes(
            found,
            (power, logarithm(power), *sine_cosine(x), hyperbolic_tangent(x), arctangent(x), arcsine(x)),
        )
        for lane in range(WIDTH):
            for k in range(7):
                out[k, start + lane] = found[k * WIDTH + lane]


@njit(error_model="numpy")
def both_forms(vectors, phase, flat, side_by_side, single):
    """`DirectLimits` of every car as rows of numbers: from lanes, and one at a time."""
    work, found, alone = np.empty(ROOM), np.empty(ROOM), np.empty(ROOM)
    for start in range(0, len(vectors), WIDTH):
        for lane in range(WIDTH):
            vector = vectors[start + lane]
            car = (*car_at(vector), tyre_at(vector))
            corner, _, _ = corner_at(vector, car, levels_at(*car[:3]), phase)
            put_lane(work, lane, corner)
            law = path_law(axle_law(corner.front), axle_law(corner.rear), corner.phase)
            one = direct_limits(corner, law, route_of(law), flat, 0.0)
            numbers = (
                one.front_grip,
                one.rear_grip,
                one.front_lift,
                one.rear_lift,
                one.rollover,
                one.asked_roll,
                one.asked_lateral,
                one.asked_handed,
                where(one.front_first, 1.0, 0.0),
                where(one.rolled_over, 1.0, 0.0),
                where(one.done, 1.0, 0.0),
            )
            put_lane(alone, lane, numbers)
        lanes = get_lanes(work, corner)
        laws = path_law(axle_law(lanes.front), axle_law(lanes.rear), lanes.phase)
        put_lanes(found, direct_limits(lanes, laws, route_of(laws), flat, 0.0 * lanes.body.mass))
        for lane in range(WIDTH):
            for k in range(FOUND):
                side_by_side[start + lane, k] = found[k * WIDTH + lane]
                single[start + lane, k] = alone[k * WIDTH + lane]


@njit(error_model="numpy")
def dips_and_done(vectors, phase, flat, dips, done):
    """1 where a car's path dips past its first lift at a lift that was found, and where the direct road answers."""
    for i in range(len(vectors)):
        car = (*car_at(vectors[i]), tyre_at(vectors[i]))
        corner, _, _ = corner_at(vectors[i], car, levels_at(*car[:3]), phase)
        law = path_law(axle_law(corner.front), axle_law(corner.rear), corner.phase)
        route = route_of(law)
        higher = route.first.lateral < route.second.lateral
        found = route.first.found and route.second.found and route.first.roll < route.second.roll
        dips[i] = 1.0 if route.dips and found and higher else 0.0
        done[i] = 1.0 if direct_limits(corner, law, route, flat, 0.0).done else 0.0


def hard_cars(count: int, roughness: float, droop: float | None) -> np.ndarray:
    """Random cars on grips up to 2.5: wheels lift, cars roll over."""
    cars = put(random_cars(77, count), grip=np.linspace(0.6, 2.5, count), cg_height=0.07, load_sensitivity=0.2)
    cars = put(cars, roughness=roughness)
    return cars if droop is None else put(cars, front_droop=droop, rear_droop=1.5 * droop)


def test_elementary_functions_on_lanes() -> None:
    """Catches a wrong coefficient: within two roundings of numpy's; tanh to two roundings of 1."""
    x = np.linspace(-0.8, 0.8, 4000 // WIDTH * WIDTH)
    out = np.empty((7, len(x)))
    elementary(x, out)
    rights = np.exp(x), np.sin(x), np.cos(x), np.arctan(x), np.arcsin(x)
    for found, right in zip(out[[0, 2, 3, 5, 6]], rights, strict=True):
        assert (np.abs(found - right) <= 2.0 * np.spacing(np.abs(right))).all()
    assert np.abs(out[1] - x).max() < 5e-16 and np.abs(out[4] - np.tanh(x)).max() < 5e-16
    far = np.linspace(-40.0, 40.0, 4000 // WIDTH * WIDTH)
    out = np.empty((7, len(far)))
    elementary(far, out)
    np.testing.assert_allclose(out[0], np.exp(far), rtol=5e-16)
    np.testing.assert_allclose(out[1], far, rtol=5e-16, atol=5e-16)
    np.testing.assert_allclose(out[4], np.tanh(far), rtol=0.0, atol=5e-16)
    np.testing.assert_allclose(out[5], np.arctan(far), rtol=5e-16)


@pytest.mark.parametrize("roughness", [0.0, 1.5e-6])
@pytest.mark.parametrize("droop", [None, 0.002])
def test_lanes_equal_one_at_a_time(roughness: float, droop: float | None) -> None:
    """Catches a mask that lets a finished car move on, and a stage chosen for a neighbour."""
    count = 50 * WIDTH
    cars = hard_cars(count, roughness, droop)
    tables, _ = bump_tables(cars, NONE, np.ones((1, 0)), np.zeros((1, 0)))
    for phase in corner_phases(0.9):
        lanes, single = np.empty((count, FOUND)), np.empty((count, FOUND))
        both_forms(cars, phase, tables[0].reshape(-1), lanes, single)
        np.testing.assert_array_equal(lanes[:, -3:], single[:, -3:])
        done = single[:, -1] == 1.0
        assert done.mean() > 0.9
        np.testing.assert_allclose(lanes[done], single[done], rtol=1e-11, atol=1e-13)


def test_results_do_not_depend_on_neighbours() -> None:
    """Bit for bit: in any cut of the rows, in any order, in two scenarios. Catches a lane that looks across, a last
    block that is padded wrongly, and the bump table of a neighbour."""
    count = 61
    cars = hard_cars(count, 1.5e-6, 0.002)
    cars[:, SLOT["load_sensitivity"]] = np.linspace(0.1, 0.3, count)
    cars[::7, SLOT["chassis_compliance"]] = 1e-3
    cars[5, SLOT["mass"]] = np.nan
    slots = np.array([SLOT["grip"]])
    factor, offset = np.array([[1.0], [0.9]]), np.zeros((2, 1))
    whole, valid = evaluate_parameters(cars, corner_phases(0.9), slots, factor, offset)
    assert valid.sum() == 2 * (count - 1)
    rng = np.random.default_rng(3)
    for cut in (1, 3, 7, 16):
        order = rng.permutation(count)
        for start in range(0, count, cut):
            rows = order[start : start + cut]
            part, _ = evaluate_parameters(cars[rows], corner_phases(0.9), slots, factor, offset)
            np.testing.assert_array_equal(part, whole[:, rows])


def test_results_do_not_depend_on_the_order_of_the_phases() -> None:
    """Bit for bit; steady turns of one setup share their path. Catches a path kept from a phase of other pulls or,
    with downforce, of another speed, where only some lanes of a block differ."""
    cars = hard_cars(4 * WIDTH, 0.0, 0.002)
    cars[::3, SLOT["downforce_coefficient"]] = 0.02
    phases = corner_phases(0.9)
    own, valid = evaluate_parameters(cars, phases, NONE, np.ones((1, 0)), np.zeros((1, 0)))
    assert valid.all()
    for order in ([1, 2, 0, 3], [3, 0, 1, 2], [2, 1, 3, 0]):
        other, _ = evaluate_parameters(cars, phases[order], NONE, np.ones((1, 0)), np.zeros((1, 0)))
        for place, phase in enumerate(order):
            here = slice(N_CAR + place * N_PHASE, N_CAR + (place + 1) * N_PHASE)
            there = slice(N_CAR + phase * N_PHASE, N_CAR + (phase + 1) * N_PHASE)
            np.testing.assert_array_equal(other[..., here], own[..., there])


def test_a_path_that_dips_stays_on_the_direct_road() -> None:
    """Past the first lift lateral acceleration may fall before it climbs on a stop: up to the first lift that changes
    nothing. Catches such cars sent to the followed road, fifty times slower, because the slope found at the lift was
    that past it (seen: 0.4 % of the demo's phases took a tenth of its time)."""
    space = load_study(DEMO).space
    cars = space.parameters(space.positions(0, 4096))
    tables, _ = bump_tables(cars, NONE, np.ones((1, 0)), np.zeros((1, 0)))
    dips, done = np.zeros((4, len(cars))), np.zeros((4, len(cars)))
    for k, phase in enumerate(space.phases):
        dips_and_done(cars, phase, tables[0].reshape(-1), dips[k], done[k])
    assert 20 < dips.sum() < 2000
    assert done[dips > 0.0].mean() > 0.9 and done.mean() > 0.999
