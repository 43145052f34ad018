"""Setups ranked on the wishbone reference: its own grip and lag formulas against hand sums and the model's.

"Seen red" names the line that was broken once to see each test fail.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from explorer.domain.errors import ModelError
from explorer.domain.space import FloatArray
from explorer.model.car.car import Body
from explorer.model.car.slots import SLOT
from explorer.model.car.tyre import inclination_factor, patch_offset, peak_force
from explorer.model.corner.response import AxleForces, RollMode, response_of
from explorer.validation.fleet import middle_car, put
from explorer.validation.wishbone.cars import drawn_cars
from explorer.validation.wishbone.grip import capacity, corner_of, excess, leans_of, value, yaw_moment
from explorer.validation.wishbone.lag import lag_of
from explorer.validation.wishbone.measured import measured
from explorer.validation.wishbone.planar import Path
from explorer.validation.wishbone.ranking import (  # fmt: skip
    ALIKE,
    balanced,
    corners_of,
    drawn_setups,
    grip_limit,
    put_measured,
    rank,
    roll_arm,
    setup_of,
)

PHASES = np.array(
    [
        [4.0, 0.0, 0.8, 0.0, 0.0, 1.0, 0.0],
        [2.0, 0.0, 0.6, 0.0, -0.20, 1.0, 1.0],
        [1.5, 0.0, 0.64, 0.0, 0.30, 1.0, 0.0],
    ]
)
CAR = drawn_cars(20_402, 1)[0]
INPUTS = measured(CAR)
VECTOR = put_measured(middle_car(), INPUTS)


def _pair() -> tuple[FloatArray, FloatArray]:
    return np.array([1.1, 5.3]), np.array([0.02, -0.05])


def test_capacity_is_the_tyre_formula_summed() -> None:
    """Two wheels by the model's own load law and inclination share, the ellipse by hand. Catches a load exponent of n,
    a grip ratio on the wrong end. Seen red: `n` for `1 - n`; the ratio on both ends."""
    loads, leans = _pair()
    vector = put(VECTOR, front_grip_ratio=0.9, grip=1.2)
    for end, (name, grip) in enumerate((("front", 1.2 * 0.9), ("rear", 1.2))):
        peak = 0.0
        for load, lean in zip(loads, leans, strict=True):
            share = inclination_factor(lean, value(vector, f"{name}_best_lean"), value(vector, f"{name}_lean_width"))
            peak += peak_force(grip, value(vector, "reference_load"), value(vector, "load_sensitivity"), load, share)
        along = value(vector, "longitudinal_grip_ratio") * peak
        assert capacity(vector, end, 2.0, loads, leans) == pytest.approx(peak * math.sqrt(1.0 - (2.0 / along) ** 2))
        assert capacity(vector, end, 1.01 * along, loads, leans) == 0.0


def test_wheels_that_lean_out_turn_the_car_in_under_power() -> None:
    """Catches a yaw moment of the wrong sign or not shared by load. Seen red: `moment +=`; equal shares."""
    corner = corner_of(VECTOR, PHASES[2], (-0.02, -0.03), 0.22)
    loads, leans = np.array([1.0, 4.0, 2.0, 6.0]), np.array([-0.01, -0.03, -0.02, -0.06])
    front, rear = (
        np.array(
            [patch_offset(lean, value(VECTOR, "patch_shift"), value(VECTOR, "patch_lean")) for lean in leans[pair]]
        )
        for pair in (slice(0, 2), slice(2, 4))
    )
    expected = -corner.forces[0] * float(loads[:2] @ front) / 5.0 - corner.forces[1] * float(loads[2:] @ rear) / 8.0
    assert yaw_moment(VECTOR, corner, loads, leans) == pytest.approx(expected) and expected > 0.0


def test_steered_wheels_lean_into_the_turn_by_their_caster() -> None:
    """Without camber and kingpin inclination: `asin(sin caster sin steer)`. Catches a kingpin leaned forward. Seen red:
    `tan caster` without its sign."""
    vector = put(VECTOR, kingpin_inclination=0.0, ackermann_share=0.0, caster=0.3)
    corner = corner_of(vector, PHASES[0], (0.0, 0.0), 0.22)
    steer = value(vector, "wheelbase") / 4.0
    assert corner.steered[:2] == pytest.approx(math.asin(math.sin(0.3) * math.sin(steer)), rel=1e-12)


def test_static_camber_of_the_rear_wheels_is_counted_once() -> None:
    """A standing car's rear wheels lean by their static camber, inner out of and outer into the turn. Catches camber
    taken twice or not at all. Seen red: `corner.static` left out of `leans_of`."""
    path = Path(CAR)
    corner = corners_of(CAR, VECTOR, PHASES[:1])[0]
    leans = leans_of(corner, path.standing)
    assert leans[2:] == pytest.approx([CAR.rear.camber, -CAR.rear.camber], abs=1e-12)


def test_lag_is_the_models_with_the_same_numbers() -> None:
    """Against the model's closed form of the same matrices. Catches a transposed matrix and a lag of the wrong sign.
    Seen red: `late` from one solve; the yaw row without `b`."""
    path = Path(CAR)
    state = path.at(0.6 * path.first_lift.lateral)
    assert state is not None
    tangent = path.tangent(state)
    power = (state.loads / value(VECTOR, "reference_load")) ** value(VECTOR, "cornering_exponent")
    stiffness, thrust = value(VECTOR, "front_cornering_stiffness") * power, -value(VECTOR, "camber_stiffness") * power
    thrust = thrust * tangent.lean
    damping = sum(
        value(VECTOR, f"{stem}_damping") * float((tangent.travel[k : k + 2] ** 2).sum())
        for stem, k in (("front", 0), ("rear", 2))
    )
    arm, sprung = roll_arm(CAR), sum(CAR.sprung)
    body = Body(
        mass=CAR.mass,
        wheelbase=CAR.wheelbase,
        front_share=CAR.front_share,
        cg_height=CAR.cg_height,
        sprung_mass=sprung,
        sprung_height=CAR.sprung_height,
        front_sprung_share=CAR.sprung[0] / sprung,
        roll_arm=arm,
        yaw_inertia=value(VECTOR, "yaw_inertia"),
        roll_inertia=value(VECTOR, "roll_inertia"),
        chassis_compliance=0.0,
    )
    mode = RollMode(tangent.stiffness, damping, body.roll_inertia + sprung * arm**2)
    axles = [AxleForces(float(stiffness[pair].sum()), float(thrust[pair].sum())) for pair in (slice(0, 2), slice(2, 4))]
    ours = response_of(body, mode, 4.0, *axles)
    assert not ours.unstable
    assert lag_of(VECTOR, state, tangent, 4.0, arm) == pytest.approx(ours.lag, rel=1e-9)


def test_setup_is_on_the_mechanism() -> None:
    """Springs and bars of the vector are read off the changed car again; ride heights raise its body. Catches a bar
    rate per lever in place of per wheel, a front change at the rear. Seen red: `_bar_torsion` without its half."""
    vector = put(VECTOR, front_bar_rate=700.0, rear_bar_rate=0.0, front_spring_rate=900.0)
    read = measured(setup_of(CAR, vector))
    assert read.front.bar_rate == pytest.approx(700.0) and read.rear.bar_rate == 0.0
    assert read.front.spring_rate == 900.0 and read.rear.spring_rate == value(VECTOR, "rear_spring_rate")
    vector[SLOT["front_ride_height"]] += 0.002
    higher = setup_of(CAR, vector)
    assert higher.sprung_height > CAR.sprung_height and higher.front.droop == pytest.approx(
        CAR.front.droop - 0.002, abs=1e-4
    )


def test_grip_limit_is_where_demand_meets_capacity_first() -> None:
    """Catches a limit read off the nearest state, and a later crossing. Seen red: `low` handed back by `_crossing`."""
    path = Path(CAR)
    for corner in corners_of(CAR, put(VECTOR, grip=0.9), PHASES[:1]):
        for end in range(2):
            vector = put(VECTOR, grip=0.9)
            limit = grip_limit(vector, corner, path, end)
            state = path.at(limit)
            assert state is not None and limit < path.rollover
            assert excess(vector, corner, state, end) == pytest.approx(0.0, abs=1e-5)
            before = [path.at(share * limit) for share in np.linspace(0.05, 0.99, 15)]
            assert all(one is not None and excess(vector, corner, one, end) < 0.0 for one in before)


def test_balanced_car_gives_way_at_both_ends_together() -> None:
    """Catches the ratio turned the wrong way. Seen red: `gap > 0.0`."""
    vector = balanced(CAR, VECTOR, PHASES)
    ranking = rank(CAR, vector[None], PHASES)
    front, rear = 1.0 + ranking.grip_by_axle[0].min(axis=0) / 100.0
    assert front / rear == pytest.approx(1.0, abs=ALIKE)


def test_ranking_takes_the_worst_phase() -> None:
    """Catches margins of the wrong phase or axle, lag in seconds. Seen red: `max` for `min` over the phases."""
    setups = drawn_setups(VECTOR, INPUTS, 3, 4)
    assert np.array_equal(setups, drawn_setups(VECTOR, INPUTS, 3, 4))
    ranking = rank(CAR, setups, PHASES)
    assert ranking.grip == pytest.approx(ranking.grip_by_axle.min(axis=(1, 2)))
    assert ranking.lift == pytest.approx(ranking.lift_by_phase.min(axis=1))
    assert (ranking.lag > 5.0).all() and (ranking.lag < 500.0).all()
    assert len(set(np.round(ranking.grip, 6))) == 4


def test_what_the_reference_does_not_have_is_refused() -> None:
    """Catches rough ground silently taken as smooth. Seen red: the loop over `_UNKNOWN` taken out."""
    with pytest.raises(ModelError, match="roughness"):
        rank(CAR, put(VECTOR, roughness=1e-6)[None], PHASES)
