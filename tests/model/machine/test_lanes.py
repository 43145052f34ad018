"""Lanes against floats: the same functions compiled for several setups side by side and for one at a time."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from cars import corner_phases, put, random_cars
from corner_limits import DIPS, DONE, TRUTHS, limits_on_floats, limits_on_lanes
from numba import njit

from explorer.model.car.slots import SLOT
from explorer.model.kernel import evaluate_parameters
from explorer.model.machine.lane_math import (
    arcsine,
    arctangent,
    exponential,
    hyperbolic_tangent,
    logarithm,
    sine_cosine,
)
from explorer.model.machine.lanes import WIDTH, get_lanes, put_lane, put_lanes
from explorer.model.metrics import N_CAR, N_PHASE

ROOT = Path(__file__).parents[3]
NONE = np.zeros(0, dtype=np.int64)


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


@pytest.mark.parametrize("law", [pytest.param(0.0, marks=pytest.mark.long), 1.0])
@pytest.mark.parametrize("droop", [None, 0.002])
def test_lanes_equal_one_at_a_time(law: float, droop: float | None) -> None:
    """Bit for bit. Catches a mask that lets a finished car move on, and a stage chosen for a neighbour."""
    cars = put(hard_cars(50 * WIDTH, 1.5e-6, droop), axle_law=law)
    lanes, single = limits_on_lanes(cars, corner_phases(0.9)), limits_on_floats(cars, corner_phases(0.9))
    np.testing.assert_array_equal(lanes[..., TRUTHS], single[..., TRUTHS])
    done = single[..., DONE] == 1.0
    assert done.mean() > 0.9
    np.testing.assert_array_equal(lanes[..., :DIPS][done], single[..., :DIPS][done])


def bytes_at(width: int, law: float) -> str:
    """Digest of the answers of 33 hard cars in a process with so many lanes."""
    run = subprocess.run(
        [sys.executable, "-c", AT_WIDTH, str(width), str(law)],
        cwd=ROOT, env=os.environ | {"SETUP_SPACE_LANES": str(width)}, capture_output=True, text=True,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    return run.stdout.strip()


AT_WIDTH = """
import hashlib, sys
sys.path[:0] = ["tests", "tests/model/machine"]
import numpy as np
from cars import corner_phases, put
from test_lanes import NONE, hard_cars
from explorer.model.car.slots import SLOT
from explorer.model.kernel import evaluate_parameters
from explorer.model.machine.lanes import WIDTH
assert WIDTH == int(sys.argv[1])
cars = put(hard_cars(33, 1.5e-6, 0.002), axle_law=float(sys.argv[2]))
cars[::3, SLOT["chassis_compliance"]] = 1e-3
values, valid = evaluate_parameters(cars, corner_phases(0.9), NONE, np.ones((1, 0)), np.zeros((1, 0)))
assert valid.mean() > 0.9
print(hashlib.sha256(values.tobytes()).hexdigest())
"""


@pytest.mark.long
@pytest.mark.parametrize("law", [0.0, 1.0])
def test_answers_are_the_same_bytes_at_every_width(law: float) -> None:
    """Catches a product fused with its sum at one width only, a block padded wrongly, and compiled code of another
    width taken from disk (seen: a crash)."""
    assert len({bytes_at(width, law) for width in (1, 2, 4, 8)}) == 1


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
