"""The model's equations against handbook values and worked examples; each check names its source.

"From memory" marks a source that was not opened; the number was then confirmed by the second method in the check.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.linalg
import scipy.optimize
import scipy.signal

from explorer.model.car import tyre
from explorer.model.car.bumps import (
    body_acceleration_variance,
    bump_step,
    travel_variance,
    tyre_load_variance,
    velocity_intensity,
)
from explorer.model.car.car import Body, G
from explorer.model.car.tyre import bump_factor, bump_table, friction_ellipse, peak_force
from explorer.model.corner.response import STEP_TIME, AxleForces, RollMode, response_of

QUARTER_CAR = {"mass": 0.34, "unsprung": 0.06, "tyre_rate": 5000.0}


def bicycle_body(*, mass: float, wheelbase: float, a: float, yaw_inertia: float, roll_arm: float = 1e-6) -> Body:
    """A car whose roll does not act back on its path: a vanishing arm under a stiff, quick roll mode."""
    return Body(
        mass=mass,
        wheelbase=wheelbase,
        front_share=1.0 - a / wheelbase,
        cg_height=0.05,
        sprung_mass=mass,
        sprung_height=0.05,
        roll_arm=roll_arm,
        yaw_inertia=yaw_inertia,
        roll_inertia=1e-9,
        chassis_compliance=0.0,
        front_sprung_share=0.5,
    )


QUICK_ROLL = RollMode(stiffness=1e3, damping=1e-3, inertia=1e-7)


def bicycle(*, mass: float, a: float, b: float, front: float, rear: float, yaw_inertia: float, speed: float):
    """Two-degree-of-freedom bicycle from steer to lateral acceleration (Gillespie, ch. 6), as a state space."""
    away = np.array(
        [
            [-(front + rear) / (mass * speed), -speed - (a * front - b * rear) / (mass * speed)],
            [-(a * front - b * rear) / (yaw_inertia * speed), -(a * a * front + b * b * rear) / (yaw_inertia * speed)],
        ]
    )
    push = np.array([[front / mass], [a * front / yaw_inertia]])
    out = away[:1] + np.array([[0.0, speed]])
    return scipy.signal.StateSpace(away, push, out, push[:1])


@pytest.mark.parametrize(
    ("car", "speed", "pole"),
    [
        ({"mass": 1500.0, "a": 1.2, "b": 1.5, "front": 8e4, "rear": 9e4, "yaw_inertia": 2500.0}, 20.0,
         -6.0103333 + 3.8036684j),
        ({"mass": 1.6, "a": 0.15, "b": 0.13, "front": 60.0, "rear": 80.0, "yaw_inertia": 0.02}, 6.0,
         -18.55 + 7.2501149j),
    ],
)  # fmt: skip
def test_response_of_the_bicycle(car: dict[str, float], speed: float, pole: complex) -> None:
    """Poles by `wn^2 = Cf Cr L^2 (1 + K V^2/L)/(m Iz V^2)` and `2 zeta wn = (Cf + Cr)/(m V) + (a^2 Cf + b^2 Cr)/(Iz V)`
    (Gillespie, ch. 6, from memory). Where roll merely follows lateral acceleration, lag and bite are those of the
    bicycle's lateral acceleration, here by scipy.signal. Catches a sign in the yaw rows and axle arms swapped."""
    system = bicycle(**car, speed=speed)
    poles = scipy.linalg.eigvals(system.A)
    assert sorted(poles, key=lambda p: p.imag)[1] == pytest.approx(pole, abs=1e-6)

    wheelbase = car["a"] + car["b"]
    body = bicycle_body(mass=car["mass"], wheelbase=wheelbase, a=car["a"], yaw_inertia=car["yaw_inertia"])
    found = response_of(body, QUICK_ROLL, speed, AxleForces(car["front"], 0.0), AxleForces(car["rear"], 0.0))
    assert not found.unstable
    _, step = scipy.signal.step(system, T=np.array([0.0, STEP_TIME]))
    final = float((system.D - system.C @ np.linalg.solve(system.A, system.B)).item())
    assert found.bite == pytest.approx(step[1] / final, abs=2e-4)
    slope = float((-system.C @ np.linalg.solve(system.A @ system.A, system.B)).item())  # H'(0)
    own = QUICK_ROLL.damping / QUICK_ROLL.stiffness
    assert found.lag == pytest.approx(-slope / final + own, abs=1e-6)


def test_understeer_gradient_sets_yaw_gain() -> None:
    """K = m (b/Cf - a/Cr)/L = 0.00166666667, characteristic speed 12.961481 m/s, gain V/(L + K V^2) = 17.6470588 1/s at
    6 m/s (Gillespie, ch. 6, from memory), through the bicycle that the response is checked with."""
    a, b, mass, front, rear, speed = 0.15, 0.13, 1.6, 60.0, 80.0, 6.0
    gradient = mass * (b / front - a / rear) / (a + b)
    assert gradient == pytest.approx(0.00166666667, rel=1e-8)
    assert math.degrees(gradient) * G == pytest.approx(0.936466, abs=5e-7)
    assert math.sqrt((a + b) / gradient) == pytest.approx(12.961481, rel=1e-6)
    system = bicycle(mass=mass, a=a, b=b, front=front, rear=rear, yaw_inertia=0.02, speed=speed)
    yaw_gain = -np.linalg.solve(system.A, system.B)[1, 0]
    assert yaw_gain == pytest.approx(17.6470588, rel=1e-8)


def test_critical_speed_of_an_oversteering_car() -> None:
    """`sqrt(-L/K)` = 101.024749 m/s (Gillespie, ch. 6): below it the car is stable, above it the named state. Catches a
    stability test that reads the wrong sign or leaves a coefficient out."""
    body = bicycle_body(mass=1500.0, wheelbase=2.7, a=1.2, yaw_inertia=2500.0)

    def unstable(speed: float) -> bool:
        return bool(response_of(body, QUICK_ROLL, speed, AxleForces(9e4, 0.0), AxleForces(7e4, 0.0)).unstable)

    low, high = 50.0, 150.0
    assert not unstable(low) and unstable(high)
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if unstable(middle) else (middle, high)
    assert low == pytest.approx(101.024749, rel=1e-6)


def test_roll_adds_its_own_lag() -> None:
    """Roll alone runs `c/k` behind a ramp, a first-order system's delay, and delays in series add. Catches a lag taken
    from the damping ratio or the period."""
    body = bicycle_body(mass=1.6, wheelbase=0.28, a=0.14, yaw_inertia=0.02)
    slow = RollMode(stiffness=10.0, damping=0.5, inertia=1e-3)
    forces = AxleForces(60.0, 0.0), AxleForces(70.0, 0.0)
    lags = [response_of(body, mode, 5.0, *forces).lag for mode in (slow, QUICK_ROLL)]
    assert lags[0] - lags[1] == pytest.approx(0.05 - QUICK_ROLL.damping / QUICK_ROLL.stiffness, rel=1e-6)


def _lyapunov(rate: float, damping: float, *, mass: float, unsprung: float, tyre_rate: float) -> np.ndarray:
    """Stationary covariance of (travel, tyre deflection, body velocity, wheel velocity) on unit white road velocity."""
    away = np.array(
        [
            [0.0, 0.0, 1.0, -1.0],
            [0.0, 0.0, 0.0, 1.0],
            [-rate / mass, 0.0, -damping / mass, damping / mass],
            [rate / unsprung, -tyre_rate / unsprung, damping / unsprung, -damping / unsprung],
        ]
    )
    push = np.array([[0.0], [-1.0], [0.0], [0.0]])
    return scipy.linalg.solve_continuous_lyapunov(away, -push @ push.T)


@pytest.mark.parametrize(("rate", "damping"), [(300.0, 5.0), (120.0, 2.0), (900.0, 12.0)])
def test_bump_variances_against_the_lyapunov_equation(rate: float, damping: float) -> None:
    """Closed forms of Thompson (1976) and Gobbi & Mastinu (2001), from memory, against scipy's Lyapunov solver, 1e-9;
    the first row also against derived values. Catches any term of the polynomials."""
    covariance = _lyapunov(rate, damping, **QUARTER_CAR)
    mass, kt = QUARTER_CAR["mass"], QUARTER_CAR["tyre_rate"]
    force = np.array([-rate / mass, 0.0, -damping / mass, damping / mass])
    load = tyre_load_variance(1.0, rate, mass, 0.06, kt, damping)
    acceleration = body_acceleration_variance(1.0, rate, mass, 0.06, kt, damping)
    travel = travel_variance(1.0, mass, 0.06, damping)
    assert load == pytest.approx(kt**2 * covariance[1, 1], rel=1e-9)
    assert acceleration == pytest.approx(force @ covariance @ force, rel=1e-9)
    assert travel == pytest.approx(covariance[0, 0], rel=1e-9)
    if (rate, damping) == (300.0, 5.0):
        assert load / kt**2 == pytest.approx(6.044290657e-3, rel=1e-9)
        assert (travel, acceleration) == pytest.approx((0.04, 139273.3564), rel=1e-9)
        assert math.sqrt(load) == pytest.approx(388.7251811, rel=1e-9)


def test_dampings_of_least_variance() -> None:
    """Least tyre load at 13.905035, least body acceleration at 2.6832816 N s/m: `c^2 = M k^2/kt - 2 mu k m/M + mu kt
    m^2/M^2` and `c = k sqrt(M/kt)`; found by scipy's minimiser. Catches swapped damper terms."""
    mass, kt = QUARTER_CAR["mass"], QUARTER_CAR["tyre_rate"]

    def least(variance) -> float:
        found = scipy.optimize.minimize_scalar(
            lambda c: variance(1.0, 300.0, mass, 0.06, kt, c), bounds=(0.5, 50.0), method="bounded",
            options={"xatol": 1e-9},
        )  # fmt: skip
        return float(found.x)

    assert least(tyre_load_variance) == pytest.approx(13.905035, rel=1e-6)
    assert least(body_acceleration_variance) == pytest.approx(2.6832816, rel=1e-6)


def test_spring_of_least_tyre_load() -> None:
    """`k = kt M m_u/(M + m_u)^2`: stiffer than that, a bar raises the load variation, softer it lowers it. Catches a
    stationary point at the wrong rate."""
    mass, kt = QUARTER_CAR["mass"], QUARTER_CAR["tyre_rate"]
    best = kt * mass * 0.06 / (mass + 0.06) ** 2
    at, below, above = (tyre_load_variance(1.0, f * best, mass, 0.06, kt, 5.0) for f in (1.0, 0.99, 1.01))
    assert at < below and at < above


def test_road_classes() -> None:
    """ISO 8608:2016, class C (256e-6 m3) at 6 m/s: S = 3.0319425e-4 m2/s. Catches radians for cycles. There the load
    variation of the quarter car is 6.7687 N against 3.92 N standing: the wheel leaves the ground."""
    intensity = velocity_intensity(256e-6, 6.0)
    assert intensity == pytest.approx(3.0319425e-4, rel=1e-7)
    load = math.sqrt(tyre_load_variance(intensity, 300.0, 0.34, 0.06, 5000.0, 5.0))
    assert load == pytest.approx(6.7687, abs=1e-4)
    assert load > 0.4 * G


def test_one_wheel_feels_half_the_bar() -> None:
    """One end held, the other loaded: half the rate of opposite ends (statics of a symmetrical bar). With no spring
    and a rigid tyre a bump meets `k_b/2`. Catches the whole bar counted on one wheel."""
    assert bump_step(0.0, 400.0, 1e15, 0.005) == pytest.approx(0.5 * 400.0 * 0.005, rel=1e-9)
    assert bump_step(300.0, 400.0, 500.0, 0.005) == pytest.approx(0.005 / (1.0 / 500.0 + 1.0 / 500.0), rel=1e-12)


@pytest.mark.parametrize(("moved", "kept", "digits"), [(2.0, 0.978756, 5e-7), (4.0, 0.870551, 5e-7)])
def test_axle_grip_lost_to_load_transfer(moved: float, kept: float, digits: float) -> None:
    """Power law of exponent 0.8 at 4 N a wheel: an axle keeps 0.978756 of its grip with 2 N moved, 2^(-0.2) = 0.870551
    with the inner wheel up (direct from the law; Milliken & Milliken, ch. 2, shows the effect on large tyres)."""

    def side(load: float) -> float:
        return float(peak_force(1.0, 4.0, 0.2, load, 1.0))

    assert (side(4.0 - moved) + side(4.0 + moved)) / (2.0 * side(4.0)) == pytest.approx(kept, abs=digits)


def test_load_exponent_of_printed_tyre_data() -> None:
    """Milliken & Milliken, fig. 2.9 (as quoted in an encyclopedia): F/N 1.10, 1.08, 0.97 at 900, 1350, 1800 lbf give
    exponents 0.954746 and 0.818553; the law with that sensitivity meets the second point from the first."""
    for low, high, ratio_low, ratio_high, exponent in (
        (900.0, 1350.0, 1.10, 1.08, 0.954746),
        (900.0, 1800.0, 1.10, 0.97, 0.818553),
    ):
        found = math.log(ratio_high * high / (ratio_low * low)) / math.log(high / low)
        assert found == pytest.approx(exponent, abs=1e-6)
        force = peak_force(ratio_low, low, 1.0 - found, high, 1.0)
        assert force == pytest.approx(ratio_high * high, rel=1e-12)


def test_friction_ellipse_of_the_textbook() -> None:
    """0.6 of the longitudinal peak leaves 0.8 of the lateral one (Gillespie, ch. 10; Milliken & Milliken, ch. 2)."""
    assert friction_ellipse(10.0, 0.6 * 9.0, 0.9) == pytest.approx(8.0, rel=1e-14)
    assert friction_ellipse(10.0, 9.5, 0.9) == 0.0


@pytest.mark.parametrize("ratio", [0.1, 0.35, 1.0])
def test_grip_over_bumps_never_gains(ratio: float) -> None:
    """Jensen's inequality for a concave law with the mean load kept, and its second-order term `n (1-n)/2 ratio^2`
    where the variation is small. Catches a truncated Gaussian whose mean drifts up."""
    found = bump_factor(4.0, 4.0 * ratio, 0.2, bump_table(0.2))
    assert found < 1.0
    if ratio == 0.1:
        assert 1.0 - found == pytest.approx(0.5 * 0.2 * 0.8 * 0.01, rel=0.02)


def test_bump_tables_between_load_sensitivities() -> None:
    """Catches too few Chebyshev points and a wrong weight: the interpolated table against its own quadrature, also at a
    node itself; scenarios with unknown load sensitivity read these."""
    nodes, _ = tyre._node_tables()
    asked = np.concatenate([np.linspace(0.001, 0.9, 13), nodes[[3, 11]]])
    own = np.stack([tyre.bump_table(float(n)) for n in asked])
    np.testing.assert_allclose(tyre.bump_tables_at(asked), own, rtol=0.0, atol=1e-12)
