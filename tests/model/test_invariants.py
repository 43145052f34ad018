"""Statics that must hold whatever the car: 1e-9."""

from __future__ import annotations

import numpy as np
import pytest
from cars import PHASE_NAMES, Answers, corner_phases, put, random_cars

from explorer.domain.units import STANDARD_GRAVITY
from explorer.model.car.slots import SLOT
from explorer.model.kernel import evaluate_parameters

ENDS = ("front", "rear")
WHEELS = ("front_inner", "front_outer", "rear_inner", "rear_outer")


@pytest.fixture(scope="module")
def hard_cornering() -> tuple[np.ndarray, Answers]:
    """Cars pushed from level to rolled over."""
    cars = put(random_cars(seed=9, count=1500), grip=2.5)
    return cars, Answers(cars, corner_phases(1.0))


def test_loads_sum_to_weight(hard_cornering: tuple[np.ndarray, Answers]) -> None:
    """Catches load lost at lift or at the stop; none is negative; every state occurs."""
    cars, answers = hard_cornering
    weight = cars[:, SLOT["mass"]] * STANDARD_GRAVITY
    for phase in PHASE_NAMES:
        loads = [answers[f"{phase}.{wheel}_load_n"] for wheel in WHEELS]
        assert np.abs(sum(loads) - weight).max() < 1e-9
        assert min(load.min() for load in loads) >= -1e-12
    states = np.concatenate([answers[f"{phase}.state"] for phase in PHASE_NAMES])
    assert set(states.tolist()) == {0.0, 1.0, 2.0}


def test_longitudinal_transfer() -> None:
    """At a vanishing corner: the axle loads of a body that heaves and pitches on its springs and tyres (mass moved by
    `m a_x h / L`, Gillespie, ch. 1, with the centre of gravity where the body has gone), solved here as linear
    statics. Catches a sign, and a body that stays level: the control, rigid, differs by 0.02 N and more."""
    cars = random_cars(seed=4, count=50)
    power = 2.0
    answers = Answers(cars, np.array([[50.0, 0.0, 1e-6, power, 0.0, 1.0, 1.0]]), ("only",))
    front = answers["only.front_inner_load_n"] + answers["only.front_outer_load_n"]
    for car, found in zip(cars, front, strict=True):
        p = {name: float(car[column]) for name, column in SLOT.items()}
        mass, length, share, g = p["mass"], p["wheelbase"], p["front_weight_share"], STANDARD_GRAVITY
        unsprung = {end: 2.0 * p[f"{end}_unsprung_mass"] for end in ENDS}
        sprung = mass - sum(unsprung.values())
        ahead = (mass * share - unsprung["front"]) / sprung
        height = (mass * p["cg_height"] - sum(unsprung[end] * p[f"{end}_wheel_radius"] for end in ENDS)) / sprung
        arm = height - ahead * p["front_roll_centre_height"] - (1.0 - ahead) * p["rear_roll_centre_height"]
        # unknowns: load gained by the front, rise of the body at the front and at the rear
        give = [
            0.5 / (p[f"{end}_spring_rate"] * p[f"{end}_spring_motion_ratio"] ** 2) + 0.5 / p[f"{end}_tyre_rate"]
            for end in ENDS
        ]
        lost = sprung * power / length
        forward = sprung * g * arm / length**2
        statics = [
            [give[0], 1.0, 0.0],
            [-give[1], 0.0, 1.0],
            [1.0, forward + lost * ahead, lost * (1 - ahead) - forward],
        ]
        moved = mass * power * p["cg_height"] / length
        gained = np.linalg.solve(statics, [0.0, 0.0, -moved])[0]
        assert found == pytest.approx(mass * g * share + gained, abs=1e-6)
    rigid = cars[:, SLOT["mass"]] * power * cars[:, SLOT["cg_height"]] / cars[:, SLOT["wheelbase"]]
    weight = cars[:, SLOT["mass"]] * STANDARD_GRAVITY * cars[:, SLOT["front_weight_share"]]
    assert np.abs(front - (weight - rigid)).max() > 0.02


def test_rigid_car_rolls_over_at_the_static_threshold() -> None:
    """t/(2h): the static stability factor (NHTSA rollover notice, ch. V; Gillespie, ch. 9). A stiff car on stiff tyres
    comes within 0.5 %; catches a wrong arm or a lost unsprung mass."""
    cars = put(random_cars(seed=6, count=100), front_track=0.22, rear_track=0.22)
    for name, value in (("spring_rate", 1e6), ("bar_rate", 1e6), ("tyre_rate", 1e6)):
        cars = put(cars, **{f"front_{name}": value, f"rear_{name}": value})
    answers = Answers(cars)
    required = 0.8 * cars[:, SLOT["grip"]]
    threshold = required * (1.0 + answers["sweep.rollover_margin_pct"] / 100.0)
    assert np.abs(threshold / (0.11 / cars[:, SLOT["cg_height"]]) - 1.0).max() < 5e-3


def test_roll_gradient_of_the_textbook_car() -> None:
    """Gillespie, ch. 6 (from memory): W h/(K_f + K_r - W h) = 2.815933 deg/g for W = 1.36 g N, h = 0.051 m,
    K = 7.26 N m/rad at each axle: 300 N/m at the wheel on a track of 0.22 m. Stiff tyres, roll axis on the ground,
    unsprung mass next to nothing. Catches a track used for a half track."""
    car = random_cars(seed=1, count=1)
    car = put(car, mass=1.36, cg_height=0.051, front_weight_share=0.5)
    for end in ("front", "rear"):
        for name, value in (
            ("unsprung_mass", 1e-12), ("spring_rate", 300.0), ("bar_rate", 0.0), ("tyre_rate", 1e12), ("track", 0.22),
            ("roll_centre_height", 0.0), ("droop", 0.02),
        ):  # fmt: skip
            car = put(car, **{f"{end}_{name}": value})
    answers = Answers(car)
    assert answers["roll_gradient_deg_per_g"][0] == pytest.approx(2.815933, abs=1e-6)


def test_pure_and_independent_of_company(hard_cornering: tuple[np.ndarray, Answers]) -> None:
    """Catches state left over between rows: one at a time gives the same bits as all together."""
    cars, answers = hard_cornering
    none = np.zeros(0, dtype=np.int64)
    for row in range(0, 1500, 300):
        alone, _ = evaluate_parameters(cars[row : row + 1], corner_phases(1.0), none, np.ones((1, 0)), np.zeros((1, 0)))
        assert np.array_equal(alone[0, 0], answers.values[row])


def test_scenarios_scale_and_shift() -> None:
    """Catches a scenario axis that is ignored: factor and offset equal the changed vector."""
    cars = random_cars(seed=2, count=5)
    slots = np.array([SLOT["grip"], SLOT["front_bar_rate"]])
    values, _ = evaluate_parameters(
        cars, corner_phases(), slots, np.array([[1.0, 1.0], [1.1, 1.0]]), np.array([[0.0, 0.0], [0.0, 50.0]])
    )
    moved = cars.copy()
    moved[:, SLOT["grip"]] *= 1.1
    moved[:, SLOT["front_bar_rate"]] += 50.0
    direct, _ = evaluate_parameters(moved, corner_phases(), slots[:0], np.ones((1, 0)), np.zeros((1, 0)))
    assert np.array_equal(values[1], direct[0]) and not np.array_equal(values[0], direct[0])


def test_poison_row_is_loud() -> None:
    """Catches a NaN that is passed on as a number: the row is invalid and zero."""
    cars = random_cars(seed=2, count=3)
    cars[1, SLOT["mass"]] = np.nan
    none = np.zeros(0, dtype=np.int64)
    values, valid = evaluate_parameters(cars, corner_phases(), none, np.ones((1, 0)), np.zeros((1, 0)))
    assert valid[0].tolist() == [True, False, True] and not values[0, 1].any()
