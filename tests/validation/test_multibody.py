"""The multibody car on beam axles by hand statics, and the model beside it.

"Seen red" names the line that was broken once to see each test fail.
"""

from __future__ import annotations

from dataclasses import replace

import mujoco
import numpy as np
import pytest

from explorer.domain.errors import ModelError
from explorer.model.car.slots import SLOT
from explorer.validation.fleet import RANGES, corner_cases, drawn_cases, middle_car, plausible_cars, put
from explorer.validation.multibody import GRAVITY, Car, Path, chassis_of
from explorer.validation.results import ProofSection
from explorer.validation.wheel_loads import compare_case, compare_state, multibody_section, ours_at, states_of


@pytest.fixture(scope="module")
def section() -> ProofSection:
    return multibody_section(quick=True)


def test_fleet_is_seeded_and_stays_in_its_ranges() -> None:
    """Catches a fleet that changes between runs or leaves the published ranges.
    Seen red: `wheel_rate` of the fleet drawn up to 700 N/m."""
    cars = plausible_cars(5, 50)
    assert np.array_equal(cars, plausible_cars(5, 50)) and not np.array_equal(cars, plausible_cars(6, 50))
    for name, stem in (("spring_rate", "wheel_rate"), ("tyre_rate", "tyre_rate"), ("track", "track")):
        low, high = RANGES[stem]
        for end in ("front", "rear"):
            column = cars[:, SLOT[f"{end}_{name}"]]
            assert low <= column.min() and column.max() <= high
            assert column.max() - column.min() > 0.8 * (high - low)


def test_standing_car_carries_its_weight_at_the_axles() -> None:
    """Catches a car whose preload or masses do not sum to the static loads. Seen red: `_strut` without the preload."""
    rest = Car(middle_car(), 0.0).standing()
    front, rear = (end.weight for end in chassis_of(middle_car()).ends)
    assert rest.loads == pytest.approx([0.5 * front, 0.5 * front, 0.5 * rear, 0.5 * rear], abs=1e-6)
    assert abs(rest.roll) < 1e-9 and abs(rest.pitch) < 1e-9


def test_tyres_hold_the_whole_car_against_overturning() -> None:
    """Moments about the track's middle by masses and places MuJoCo reports: catches unsprung masses without inertial
    force and a lateral reaction off the ground. Seen red: `_ground` with contact points at z = 0.01."""
    case = corner_cases()[4]
    car = Car(case.parameters, 0.0)
    path = Path(car)
    for _, lateral in states_of(path):
        rest = path.at(lateral)
        assert rest is not None
        car.unbalanced(rest)
        mujoco.mj_comPos(car.model, car.data)
        centre = car.data.subtree_com[car._body]
        points = np.array(car._ground()[1])
        moment = float(rest.loads @ points[:, 1])
        weight = car.chassis.mass * GRAVITY
        assert rest.loads.sum() == pytest.approx(weight, abs=1e-6)
        assert moment == pytest.approx(weight * centre[1] - car.chassis.mass * lateral * centre[2], abs=1e-7)


def test_rigid_car_rolls_over_at_half_track_over_height() -> None:
    """`a = g t/(2 h)` for a rigid car (Gillespie, Fundamentals of Vehicle Dynamics, ch. 9): catches a threshold read at
    the first lift or past the maximum. Seen red: `thresholds.rollover` set to the first lift."""
    car = put(middle_car(), both_track=0.22, cg_height=0.05, both_spring_rate=4e4, both_tyre_rate=4e5)
    threshold = Path(Car(car)).thresholds.rollover
    assert threshold == pytest.approx(GRAVITY * 0.22 / (2 * 0.05), rel=2e-3)


def test_small_roll_is_arm_over_stiffness() -> None:
    """Roll of a car on rigid tyres, roll centres on the ground: `m_s h a/(K - m_s g h)`, `K = sum t^2 (k_w + k_b)/2`
    (Gillespie, ch. 6): catches a bar counted once or four times. Seen red: `0.5 * end.bar` made `1.0 * end.bar`."""
    car = put(middle_car(), both_roll_centre_height=0.0, both_tyre_rate=1e7)
    lateral = 0.2
    chassis = chassis_of(car)
    stiffness = sum(0.5 * end.track**2 * (end.spring + end.bar) for end in chassis.ends)
    arm = chassis.sprung * chassis.height
    rest = Path(Car(car)).at(lateral)
    assert rest is not None
    assert rest.roll == pytest.approx(arm * lateral / (stiffness - arm * GRAVITY), rel=2e-3)


def test_right_turn_mirrors_left_turn() -> None:
    """Catches a sign that knows only left turns. Seen red: the left turn's order of wheels in `_rest`
    kept for right turns."""
    case = corner_cases()[5]
    left, right = (Path(Car(case.parameters, case.longitudinal), turn) for turn in (1.0, -1.0))
    lateral = 0.9 * left.thresholds.lift
    one, two = left.at(lateral), right.at(lateral)
    assert one is not None and two is not None
    assert one.loads == pytest.approx(two.loads, abs=1e-6)
    assert left.thresholds.rollover == pytest.approx(right.thresholds.rollover, rel=1e-7)


def test_time_stepping_ends_where_newton_says() -> None:
    """Catches a root of the equations at which the car does not stay. Seen red: `AT_REST` of 0.5."""
    case = corner_cases()[4]
    path = Path(Car(case.parameters, 0.0))
    lateral = 0.5 * (path.thresholds.lift + path.thresholds.rollover)
    rest = path.at(lateral)
    assert rest is not None and any(rest.lifted)
    settled = Car(case.parameters, 0.0).settle(lateral, 2.0)
    assert settled.loads == pytest.approx(rest.loads, abs=3e-3)
    assert settled.roll == pytest.approx(rest.roll, rel=2e-3)


def test_what_the_car_cannot_have_is_refused() -> None:
    """Catches a flexible chassis silently taken as rigid. Seen red: the check in `chassis_of` taken out."""
    with pytest.raises(ModelError, match="rigid chassis"):
        Car(put(middle_car(), chassis_compliance=0.01))


def test_wheels_that_lift_and_rollover_agree(section: ProofSection) -> None:
    """Catches a wheel that lifts at the wrong end and a rollover threshold that ignores what lifts. Every state.
    Seen red: `axle.lifted_mass` left out of `elastic_lifted` in the model."""
    for quantity in ("lifted wheels", "rollover threshold", "rolled over"):
        rows = [one for one in section.comparisons if one.quantity == quantity]
        assert rows and all(one.passed for one in rows), quantity


def test_loads_and_roll_lie_within_their_bars(section: ProofSection) -> None:
    """Catches transfer shared wrongly after a lift or on a stop, tyres left out of the roll, and a body that neither
    sinks nor rises with its load. Every state.
    Seen red: the unsprung masses left out of `roll_moment_mass` in the model; `weight - axle.weight` left out of
    `extended`."""
    judged = [one for one in section.comparisons if one.quantity == "roll" or one.unit == "N"]
    assert judged and all(one.passed for one in judged)


def test_bars_are_tight_enough_to_see_a_wrong_model() -> None:
    """A model whose tyres were ten times too stiff fails, the true one passes: catches bars too wide to mean anything.
    Seen red: `ROLL_BAR` of 0.5."""
    case = drawn_cases(1, 1)[0]
    _, pairs, _, _ = compare_case(case)
    pair = pairs[0]
    stiff = put(case.parameters, both_tyre_rate=5e4)
    wrong = replace(pair, ours=ours_at(stiff, pair.other.lateral, case.longitudinal))
    assert all(row.passed for row in compare_state(pair))
    assert not next(row for row in compare_state(wrong) if row.quantity == "roll").passed


@pytest.mark.long
def test_whole_fleet_settles_and_every_check_is_within_its_bar() -> None:
    """Eighty drawn cars and all corner cases. Catches a car left out because the solver gave up.
    Seen red: `_softly` gives up at once."""
    whole = multibody_section(quick=False)
    assert not [row for row in whole.comparisons if row.quantity == "settles"]
    assert all(row.passed for row in whole.comparisons)
