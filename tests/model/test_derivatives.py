"""The closed derivatives that the path is followed by, against differences of the very functions.

A wrong one changes no answer: the solver stops short, the slower road takes over and gives the same numbers. So the
answers cannot catch it.
"""

from __future__ import annotations

import numpy as np
import pytest
from cars import corner_phases, put, random_cars
from numba import njit

from explorer.model.block import corner_at, levels_at
from explorer.model.car import car_at, phase_at
from explorer.model.direct import look_at, path_near, route_of
from explorer.model.kernel import bump_tables
from explorer.model.path import path_law, path_step
from explorer.model.path_axle import axle_law, axle_point
from explorer.model.path_grip import FRONT, REAR, grip_law
from explorer.model.slots import SLOT
from explorer.model.tyre import tyre_at

NONE = np.zeros(0, dtype=np.int64)
NAMES = ("moment", "rise", "excess", "travel")


@njit(error_model="numpy")
def point_numbers(vectors, states, out):
    """Moment, rise, excess and travel of a front axle at states (roll, lateral, weight), then their slopes by each."""
    for i in range(len(vectors)):
        _, front, _ = car_at(vectors[i])
        roll, lateral, weight = states[i, 0], states[i, 1], states[i, 2] * front.weight
        p = axle_point(axle_law(front), np.sin(roll), np.cos(roll), roll, lateral, weight)
        out[i, 0], out[i, 1], out[i, 2], out[i, 3] = p.moment, p.rise, p.excess, p.travel
        out[i, 4], out[i, 5], out[i, 6], out[i, 7] = p.moment_p, p.rise_p, p.excess_p, p.travel_p
        out[i, 8], out[i, 9], out[i, 10], out[i, 11] = p.moment_a, p.rise_a, p.excess_a, p.travel_a
        out[i, 12], out[i, 13], out[i, 14], out[i, 15] = p.moment_w, p.rise_w, p.excess_w, p.travel_w
        out[i, 16] = front.weight


def numbers_at(cars: np.ndarray, states: np.ndarray) -> np.ndarray:
    """(values (cars, 4), slopes (cars, 3, 4), front weights) at states."""
    out = np.zeros((len(cars), 17))
    point_numbers(cars, states, out)
    return out


@pytest.mark.parametrize("droop", [0.02, 0.0008])
def test_slopes_of_an_axle_are_its_differences(droop: float) -> None:
    """Free, on the droop stop and lifted, with more and less weight than at rest. Catches a term left out of a
    derivative or of the wrong sign in any stage; differences that straddle a change of stage are left out, and few."""
    count, step = 120, 1e-6
    cars = put(random_cars(41, count), front_droop=droop)
    rng = np.random.default_rng(42)
    low, high = np.array([0.005, 0.5, 0.7]), np.array([0.16, 11.0, 1.4])
    states = rng.uniform(low, high, (count, 3))
    here = numbers_at(cars, states)
    lifted = here[:, 2] > 0.0
    assert 0.15 < lifted.mean() < 0.85
    for k in range(3):
        ahead, behind = states.copy(), states.copy()
        ahead[:, k] += step
        behind[:, k] -= step
        scale = here[:, 16] if k == 2 else np.ones(count)
        after, before = numbers_at(cars, ahead), numbers_at(cars, behind)
        found = (after[:, :4] - before[:, :4]) / (2.0 * step * scale[:, None])
        said = here[:, 4 + 4 * k : 8 + 4 * k]
        one_stage = np.isclose(after[:, 4:16], before[:, 4:16], rtol=1e-3, atol=1e-6).all(axis=1)
        assert one_stage.mean() > 0.97
        size = np.abs(said[one_stage]).max(axis=0)
        worst = np.abs(found - said)[one_stage].max(axis=0) / np.maximum(size, 1e-12)
        assert (worst < 1e-6).all(), dict(zip(NAMES, worst, strict=True))
        assert (size > 0.0).all()


@njit(error_model="numpy")
def path_numbers(vectors, phase_row, rolls, out):
    """Lateral acceleration and handed load of the path at a roll, what a last step would change, and their slopes."""
    for i in range(len(vectors)):
        body, front, rear = car_at(vectors[i])
        law = path_law(axle_law(front), axle_law(rear), phase_at(vectors[i], phase_row, body))
        lateral, handed = 5.0, 0.0
        for _ in range(40):
            step = path_step(law, rolls[i], lateral, handed)
            lateral += step.lateral
            handed += step.handed
        out[i, 0], out[i, 1], out[i, 2], out[i, 3] = lateral, handed, step.lateral, step.handed
        out[i, 4], out[i, 5] = step.lateral_slope, step.handed_slope


def test_slopes_of_the_path_are_its_differences() -> None:
    """Catches a Newton step with a coefficient of the wrong sign or place, which still ends, slowly or elsewhere, and
    slopes along the path that only the first guess of the next point uses."""
    count, step = 60, 1e-6
    cars = random_cars(43, count)
    rolls = np.random.default_rng(44).uniform(0.01, 0.06, count)
    for phase in corner_phases(0.9)[2:]:
        found = []
        for moved in (-step, 0.0, step):
            out = np.zeros((count, 6))
            path_numbers(cars, phase, rolls + moved, out)
            found.append(out)
        before, here, after = found
        settled = (np.abs(np.stack(found)[:, :, 2:4]) < 1e-9).all(axis=(0, 2))
        one_stage = settled & np.isclose(after[:, 4:], before[:, 4:], rtol=1e-3, atol=1e-6).all(axis=1)
        assert one_stage.mean() > 0.9
        slopes = ((after[:, :2] - before[:, :2]) / (2.0 * step))[one_stage]
        np.testing.assert_allclose(here[one_stage, 4:], slopes, rtol=2e-6, atol=1e-6 * np.abs(slopes).max())
        assert np.abs(slopes[:, 1]).max() > 0.1


@njit(error_model="numpy")
def looks_numbers(vectors, phase_row, places, dips, flat, out):
    """Place, what is missing at the front and rear axle and the slopes of both, at places beside the middle of a path
    up to its first lift; then whether that was found."""
    for i in range(len(vectors)):
        car = (*car_at(vectors[i]), tyre_at(vectors[i]))
        corner, _, _ = corner_at(vectors[i], car, levels_at(*car[:3]), phase_row)
        law = path_law(axle_law(corner.front), axle_law(corner.rear), corner.phase)
        route = route_of(law)
        front, rear = grip_law(corner, FRONT, 0.0), grip_law(corner, REAR, 0.0)
        start, _ = look_at(front, FRONT, dips, route.start, flat)
        end = route.first.roll if dips else route.first.lateral
        near = path_near(law, dips, start, start, False, 0.5 * end * places[i], True)
        at_front, _ = look_at(front, FRONT, dips, near, flat)
        at_rear, _ = look_at(rear, REAR, dips, near, flat)
        out[i, 0], out[i, 1], out[i, 2] = at_front.place, at_front.missing, at_rear.missing
        out[i, 3], out[i, 4], out[i, 5] = at_front.slope, at_rear.slope, at_front.lateral
        out[i, 6], out[i, 7], out[i, 8] = at_front.lateral_slope, at_front.roll, at_front.roll_slope
        out[i, 9], out[i, 10] = at_front.handed, at_front.handed_slope
        out[i, 11] = 1.0 if near.found and route.found else 0.0


@pytest.mark.parametrize("roughness", [0.0, 1.5e-6])
@pytest.mark.parametrize("dips", [False, True])
def test_slopes_of_a_look_are_its_differences(roughness: float, dips: bool) -> None:
    """Catches a term left out of what an axle misses more of along the path: the search for its limit would judge a
    stretch by a wrong slope and could pass a crossing; and a slope by roll where the place is lateral acceleration."""
    count, step = 80, 1e-5
    cars = put(random_cars(47, count), roughness=roughness)
    flat = bump_tables(cars, NONE, np.ones((1, 0)), np.zeros((1, 0)))[0][0].reshape(-1)
    cars[:, SLOT["load_sensitivity"]] = cars[0, SLOT["load_sensitivity"]]
    for phase in corner_phases(0.9):
        found = []
        for moved in (-step, 0.0, step):
            out = np.zeros((count, 12))
            looks_numbers(cars, phase, np.full(count, 1.0 + moved), dips, flat, out)
            found.append(out)
        before, here, after = found
        width = after[:, 0] - before[:, 0]
        for value, slope in ((1, 3), (2, 4), (5, 6), (7, 8), (9, 10)):
            one_stage = np.isclose(after[:, slope], before[:, slope], rtol=1e-3, atol=1e-9)
            good = one_stage & (np.stack(found)[:, :, 11] == 1.0).all(axis=0)
            assert good.mean() > 0.9
            differences = ((after[:, value] - before[:, value]) / width)[good]
            scale = np.abs(differences).max()
            np.testing.assert_allclose(here[good, slope], differences, rtol=1e-5, atol=1e-6 * max(scale, 1e-6))
