"""Lag, bite and stability of the yaw-roll model against matrices: eigenvalues, the matrix exponential, solves."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from scipy.linalg import expm

from explorer.model.car.car import Body
from explorer.model.corner.response import STEP_TIME, UNSTABLE_LAG, AxleForces, Response, RollMode, response_of

COUNT = 300


class Linear(NamedTuple):
    """A linear car: what the model is asked with, and `x' = A x + B` by its own equations, x = (v, r, phi, p)."""

    asked: tuple
    a: np.ndarray
    b: np.ndarray


def linear_car(rng: np.random.Generator) -> Linear:
    """A random car of the size in question, some with the rear softer than the front, some that fall over."""
    mass, base, share = rng.uniform(1.4, 1.8), rng.uniform(0.26, 0.31), rng.uniform(0.35, 0.65)
    arm = rng.uniform(0.02, 0.05)
    sprung, yaw, inertia = 0.8 * mass, rng.uniform(0.01, 0.03), rng.uniform(0.002, 0.006)
    stiff, damping = rng.uniform(-0.5, 8.0), np.exp(rng.uniform(-7.0, -2.0))
    front, rear, speed = rng.uniform(20.0, 120.0), rng.uniform(20.0, 120.0), rng.uniform(1.0, 9.0)
    thrust_f, thrust_r = rng.uniform(-12.0, 12.0, 2)
    body = Body(mass, base, share, 0.05, sprung, 0.05, 0.5, arm, yaw, inertia, 0.0)
    about_axis = inertia + sprung * arm**2
    a, b, h = base * (1.0 - share), base * share, sprung * arm
    inertias = np.array([[mass, 0, 0, -h], [0, yaw, 0, 0], [0, 0, 1, 0], [-h, 0, 0, about_axis]])
    forces = np.array([
        [-(front + rear) / speed, -mass * speed - (a * front - b * rear) / speed, thrust_f + thrust_r, 0],
        [-(a * front - b * rear) / speed, -(a**2 * front + b**2 * rear) / speed, a * thrust_f - b * thrust_r, 0],
        [0, 0, 0, 1],
        [0, h * speed, -stiff, -damping],
    ])  # fmt: skip
    steer = np.array([front, a * front, 0.0, 0.0])
    asked = body, RollMode(stiff, damping, about_axis), speed, AxleForces(front, thrust_f), AxleForces(rear, thrust_r)
    return Linear(asked, np.linalg.solve(inertias, forces), np.linalg.solve(inertias, steer))


CARS = [linear_car(np.random.default_rng(seed)) for seed in range(COUNT)]


@pytest.fixture(scope="module")
def answers() -> list[Response]:
    """What the model says of each car."""
    return [response_of(*car.asked) for car in CARS]


def level_of(car: Linear) -> np.ndarray:
    """The steady turn."""
    return -np.linalg.solve(car.a, car.b)


def test_a_car_is_unstable_where_an_eigenvalue_says_so(answers: list[Response]) -> None:
    """Catches a condition of Hurwitz's left out or turned round, also the one that sees a car which swings itself up
    (every coefficient of its polynomial above zero all the same), and a car that leans into the turn called stable."""
    clear, agree, unstable, swings = 0, 0, 0, 0
    for car, found in zip(CARS, answers, strict=True):
        fastest = np.linalg.eigvals(car.a).real.max()
        if abs(fastest) < 1e-6:
            continue
        clear += 1
        bad = bool(fastest > 0.0 or level_of(car)[2] <= 0.0)
        unstable += bad
        swings += bad and bool((np.poly(car.a) > 0.0).all())
        agree += bad == bool(found.unstable)
    assert clear > 0.95 * COUNT and agree == clear and 0.1 * COUNT < unstable < 0.9 * COUNT and swings > 10


def test_an_unstable_car_has_defined_numbers(answers: list[Response]) -> None:
    """Catches infinity or a number that looks like a quick car's."""
    for found in answers:
        if found.unstable:
            assert (found.lag, found.bite) == (UNSTABLE_LAG, 0.0)


def test_lag_is_the_slope_of_the_transfer_function_and_bite_its_step(answers: list[Response]) -> None:
    """Catches a cofactor in the wrong place, a series cut off too early or halved too rarely, and a wrong sign of what
    the wheels' lean adds. `H(0) = -C A^-1 B`, `H'(0) = -C A^-2 B`, step by the matrix exponential."""
    stable = 0
    for car, found in zip(CARS, answers, strict=True):
        if found.unstable:
            continue
        stable += 1
        level = level_of(car)
        slope = -np.linalg.solve(car.a, np.linalg.solve(car.a, car.b))
        assert found.lag == pytest.approx(min(-slope[2] / level[2], UNSTABLE_LAG), rel=1e-7)
        step = level - expm(car.a * STEP_TIME) @ level
        assert found.bite == pytest.approx(step[2] / level[2], rel=1e-7, abs=1e-9)
    assert stable > 0.1 * COUNT


def test_damping_ratio_of_roll_alone(answers: list[Response]) -> None:
    """Catches a root or a factor left out, and a ratio of a car that falls over: `C/(2 sqrt(K I))`."""
    for car, found in zip(CARS, answers, strict=True):
        mode = car.asked[1]
        firm = mode.stiffness > 0.0
        ratio = mode.damping / (2.0 * np.sqrt(mode.stiffness * mode.inertia)) if firm else 0.0
        assert found.damping_ratio == pytest.approx(ratio, rel=1e-12)
