"""Sanity of the slow twin itself: balances, limits of the formulas, and independent checks of its parts."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import twin
from scipy.linalg import solve_continuous_lyapunov
from scipy.special import gamma, pbdv


def _car(seed: int, **changes: float) -> dict[str, float]:
    p = twin.random_car(np.random.default_rng(seed))
    p |= {"grip": 1.2, "chassis_compliance": 0.0, "downforce_coefficient": 0.01}
    for end in ("front", "rear"):
        p[f"{end}_droop"] = max(p[f"{end}_droop"], 0.004)
    return p | changes


def _phase(**changes: Any) -> dict[str, Any]:
    base = {
        "name": "sweep",
        "radius": 2.0,
        "speed": 0.0,
        "grip_share": 0.8,
        "longitudinal": 0.0,
        "longitudinal_share": 0.0,
        "weight": 1.0,
        "is_turn_in": True,
    }
    return base | changes


def _both_ends(name: str, value: float) -> dict[str, float]:
    return {f"front_{name}": value, f"rear_{name}": value}


def _loads(out: dict[str, float], name: str = "sweep") -> list[float]:
    return [out[f"{name}.{end}_{side}_load_n"] for end in ("front", "rear") for side in ("inner", "outer")]


@pytest.mark.parametrize("seed", range(6))
def test_loads_sum_to_weight_and_no_wheel_pulls(seed: int) -> None:
    rng = np.random.default_rng(seed)
    p, phases = twin.random_car(rng), twin.random_phases(rng)
    out = twin.solve(p, phases)
    assert all(math.isfinite(value) for value in out.values())
    for phase in phases:
        corner = twin.Corner(twin.make_car(p), phase)
        total = p["mass"] * twin.G + p["downforce_coefficient"] * corner.speed**2
        loads = _loads(out, phase["name"])
        assert sum(loads) == pytest.approx(total, rel=1e-12)
        assert min(loads) >= 0.0


@pytest.mark.parametrize("compliance", [0.0, 0.02])
@pytest.mark.parametrize("seed", range(8))
def test_moments_of_the_rolled_car_balance(seed: int, compliance: float) -> None:
    """Transfer times track against all lateral forces at their heights and all weights at their offsets."""
    car = twin.make_car(_car(seed, chassis_compliance=compliance))
    corner = twin.Corner(car, _phase())
    for share in (0.3, 0.8, 0.97):
        a_y = share * corner.rollover
        point = corner.equilibrium(a_y)
        carried = overturning = 0.0
        for axle, state in zip(car.axles, point.axles, strict=True):
            carried += state.transfer * axle.track
            jack = axle.sprung * (a_y * math.sin(state.phi) + twin.G * (1.0 - math.cos(state.phi)))
            gained = state.load - axle.static_load
            rise = 0.5 * (state.x_inner - state.x_outer) + 0.5 * (jack - gained) / axle.wheel_rate
            both = axle.sprung + 2.0 * axle.unsprung
            sunk = 0.5 * gained / axle.tyre_rate
            beam = axle.sprung * axle.roll_centre + 2.0 * axle.unsprung * axle.radius - both * sunk
            overturning += axle.sprung * axle.arm * (a_y * math.cos(state.phi) + twin.G * math.sin(state.phi))
            overturning += axle.sprung * a_y * rise + beam * (a_y + twin.G * state.psi) + both * a_y * state.up
        assert carried == pytest.approx(overturning, rel=1e-11)


@pytest.mark.parametrize("seed", range(8))
def test_axle_relations_hold_in_every_stage(seed: int) -> None:
    rng = np.random.default_rng(seed)
    car = twin.make_car(_car(seed) | _both_ends("droop", 0.004))
    seen = set()
    for axle in car.axles:
        for _ in range(400):
            phi, a_y, load = rng.uniform(0.0, 0.2), rng.uniform(0.0, 18.0), rng.uniform(2.0, 10.0)
            s = twin.axle_state(axle, phi, a_y, load)
            seen.add((s.lifted, s.on_stop))
            t, k_w, k_b = axle.track, axle.wheel_rate, axle.bar_rate
            assert s.x_inner <= s.droop_left + 1e-15
            bar = 0.5 * k_b * (s.x_inner + s.x_outer)
            assert k_w * s.x_outer + bar == pytest.approx(s.elastic, rel=1e-9, abs=1e-12)
            assert (s.x_inner + s.x_outer) / t + s.psi == pytest.approx(phi, rel=1e-12, abs=1e-15)
            mass = axle.sprung + 2.0 * axle.unsprung
            beam = axle.low_moment - mass * (load - axle.static_load) / (2.0 * axle.tyre_rate)
            rest = (beam * (a_y + twin.G * s.psi) + mass * a_y * s.up) / t
            assert s.elastic + rest == pytest.approx(s.transfer, rel=1e-9, abs=1e-11)
            assert 0.5 * s.psi * t - s.transfer / axle.tyre_rate == pytest.approx(s.up, rel=1e-9, abs=1e-15)
    assert len(seen) >= 3


@pytest.mark.parametrize("seed", range(10))
def test_answer_is_the_smallest_root_and_the_rollover_the_first_crest(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)
    car = twin.make_car(twin.random_car(rng))
    corner = twin.Corner(car, twin.random_phases(rng)[seed % 4])
    fine = np.linspace(0.0, corner.phi_roll, 200)
    path, guess = [], 0.0
    for phi in fine:
        guess = corner.on_path(float(phi), guess).a_y
        path.append(guess)
    assert all(b > a for a, b in zip(path[:-1], path[1:], strict=True))
    assert path[-1] == corner.rollover
    beyond = [corner.on_path(corner.phi_roll + step, corner.rollover).a_y for step in (1e-6, 1e-5)]
    assert max(beyond) <= corner.rollover
    for share in (0.1, 0.5, 0.9, 0.999):
        a_y = share * corner.rollover
        first = next(i for i, phi in enumerate(fine) if corner.residual(float(phi), a_y) <= 0.0)
        assert fine[first - 1] <= corner.equilibrium(a_y).rear.phi <= fine[first]


@pytest.mark.parametrize("seed", range(6))
def test_complex_step_matches_the_closed_form_tangents(seed: int) -> None:
    """Roll stiffness of an axle with both wheels down, and with the inner one up."""
    rng = np.random.default_rng(seed)
    for axle in twin.make_car(_car(seed)).axles:
        for _ in range(50):
            phi, a_y, load = rng.uniform(0.0, 0.2), rng.uniform(0.0, 18.0), rng.uniform(2.0, 10.0)
            s = twin.axle_state(axle, phi, a_y, load)
            tangent = twin.roll_tangent(axle, s, a_y)
            c = axle.stop_compliance if s.on_stop else axle.free_compliance
            both = axle.sprung + 2.0 * axle.unsprung
            beam = axle.low_moment - both * (load - axle.static_load) / (2.0 * axle.tyre_rate)
            if s.lifted:
                e = beam * twin.G + both * a_y * axle.track / 2.0
                expected = -e * axle.track**2 / (axle.track**2 - e * c)
            else:
                eta = 2.0 * beam * twin.G / (axle.tyre_rate * axle.track**2)
                expected = axle.track**2 / (c + 2.0 / (axle.tyre_rate * (1.0 - eta)))
            assert tangent.stiffness == pytest.approx(expected, rel=1e-11)
            assert tangent.suspension_share == pytest.approx(c * expected / axle.track**2, rel=1e-11)


@pytest.mark.parametrize("seed", range(6))
def test_roll_gradient_is_the_start_of_the_path(seed: int) -> None:
    p = _car(seed, downforce_coefficient=0.0)
    corner = twin.Corner(twin.make_car(p), _phase())
    small = 1e-4
    expected = math.degrees(corner.equilibrium(small).rear.phi) / small * twin.G
    assert twin.solve(p, [_phase()])["roll_gradient_deg_per_g"] == pytest.approx(expected, rel=1e-6)


def test_a_soft_chassis_tends_to_the_rigid_one() -> None:
    rigid = twin.solve(_car(3), [_phase()])
    nearly = twin.solve(_car(3, chassis_compliance=1e-9), [_phase()])
    soft = twin.solve(_car(3, chassis_compliance=0.1), [_phase()])
    for name, value in rigid.items():
        assert nearly[name] == pytest.approx(value, rel=1e-5, abs=1e-6), name
    assert soft["sweep.front_outer_load_n"] != pytest.approx(rigid["sweep.front_outer_load_n"], rel=1e-4)


@pytest.mark.parametrize("seed", range(6))
def test_state_is_continuous_through_lift_and_up_to_rollover(seed: int) -> None:
    corner = twin.Corner(twin.make_car(_car(seed)), _phase())
    for end in range(2):
        lift = corner.lift_threshold(end)
        assert 0.0 < lift <= corner.rollover
        before, after = corner.equilibrium(lift * (1.0 - 1e-9)), corner.equilibrium(lift * (1.0 + 1e-9))
        assert not before.axles[end].lifted
        if lift * (1.0 + 1e-9) < corner.rollover:
            assert after.axles[end].lifted
        for a, b in zip(before.axles, after.axles, strict=True):
            assert a.load == pytest.approx(b.load, rel=1e-6)
            assert a.transfer == pytest.approx(b.transfer, rel=1e-6)
            assert a.rise == pytest.approx(b.rise, abs=1e-8)


def test_rolled_over_is_a_state_with_all_load_outside() -> None:
    p = _car(1, grip=3.0)
    out = twin.solve(p, [_phase(grip_share=1.0)])
    assert out["sweep.state"] == 2.0
    assert out["sweep.rollover_margin_pct"] < 0.0
    assert out["sweep.front_inner_load_n"] == out["sweep.rear_inner_load_n"] == 0.0
    assert all(math.isfinite(value) for value in out.values())
    beyond = twin.solve(p, [_phase(grip_share=1.3, radius=2.0 / 1.3)])
    assert beyond["sweep.roll_deg"] == pytest.approx(out["sweep.roll_deg"], rel=1e-9)


def test_too_much_braking_leaves_no_lateral_grip() -> None:
    braking = _phase(longitudinal_share=-1.6)
    out = twin.solve(_car(2, patch_shift=0.0), [braking])
    assert out["sweep.grip_margin_pct"] == -100.0
    assert out["sweep.limited_by"] in (0.0, 1.0)


def test_an_axle_without_load_has_defined_metrics() -> None:
    out = twin.solve(_car(2, grip=2.0, cg_height=0.06), [_phase(longitudinal=40.0)])
    assert all(math.isfinite(value) for value in out.values())
    assert out["sweep.front_inner_load_n"] == out["sweep.front_outer_load_n"] == 0.0
    assert out["sweep.lift_margin_pct"] == -100.0 and out["sweep.lift_axle"] == 0.0
    assert out["response_state"] == 1.0


@pytest.mark.parametrize("changes", [_both_ends("droop", 0.0), _both_ends("bar_rate", 0.0)])
def test_edges_of_the_setup(changes: dict[str, float]) -> None:
    plain = twin.solve(_car(4), [_phase()])
    out = twin.solve(_car(4) | changes, [_phase()])
    assert all(math.isfinite(value) for value in out.values())
    stiffer = "front_droop" in changes
    assert (out["sweep.roll_deg"] < plain["sweep.roll_deg"]) == stiffer


def test_stiffer_front_bar_moves_the_transfer_to_the_front() -> None:
    soft = twin.solve(_car(5, front_bar_rate=100.0), [_phase()])
    stiff = twin.solve(_car(5, front_bar_rate=1500.0), [_phase()])
    assert stiff["sweep.front_outer_load_n"] > soft["sweep.front_outer_load_n"]
    assert stiff["sweep.rear_outer_load_n"] < soft["sweep.rear_outer_load_n"]
    assert stiff["sweep.balance_pct"] < soft["sweep.balance_pct"]


def test_lean_of_a_steered_wheel() -> None:
    caster, kingpin, camber, steer = 0.3, 0.1, -0.03, 0.4
    assert twin.steered_lean(camber, 0.0, caster, kingpin, 1.0) == pytest.approx(camber, rel=1e-14)
    left = twin.steered_lean(camber, steer, caster, kingpin, 1.0)
    assert left == pytest.approx(-twin.steered_lean(-camber, -steer, caster, kingpin, -1.0), rel=1e-13)
    assert twin.steered_lean(0.0, steer, caster, 0.0, 1.0) > 0.0
    upright = twin.steered_lean(0.0, steer, caster, 0.0, -1.0)
    assert upright == pytest.approx(math.asin(math.sin(caster) * math.sin(steer)), rel=1e-13)


@pytest.mark.parametrize("ratio", [0.01, 0.3, 1.0, 2.5, 6.0, 20.0])
@pytest.mark.parametrize("n", [0.08, 0.3])
def test_bump_factor_against_parabolic_cylinder_functions(ratio: float, n: float) -> None:
    """Closed form of the mean of max(0, Z)^(1-n) for a Gaussian Z, and the mean load kept."""
    power, x = 1.0 - n, twin.underlying_mean(ratio)
    density = math.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
    cumulative = 0.5 * math.erfc(-x / math.sqrt(2.0))
    assert density + x * cumulative == pytest.approx(ratio, rel=1e-12)
    closed = (
        gamma(power + 1.0) / math.sqrt(2.0 * math.pi) * math.exp(-0.25 * x * x) * pbdv(-power - 1.0, -x)[0]
    ) / ratio**power
    factor = twin.bump_factor(3.0, 3.0 / ratio, n)
    assert factor == pytest.approx(closed, rel=1e-9)
    assert 0.0 < factor < 1.0


def test_bump_factor_limits() -> None:
    assert twin.bump_factor(3.0, 0.0, 0.2) == 1.0
    assert twin.bump_factor(0.0, 1.0, 0.2) == 0.0
    assert twin.bump_factor(3.0, 1e-3, 0.2) == pytest.approx(1.0 - 0.5 * 0.2 * 0.8 * 1e-6 / 9.0, rel=1e-12)


def test_quarter_car_variances_against_a_lyapunov_equation() -> None:
    """White road velocity of intensity S into the two-mass model: stationary covariance (Thompson 1976)."""
    k, mass, unsprung, k_t, c, s = 300.0, 0.35, 0.07, 4000.0, 6.0, 2e-3
    a = np.array(
        [  # suspension stretch, tyre squash, body velocity, wheel velocity
            [0.0, 0.0, 1.0, -1.0],
            [0.0, 0.0, 0.0, -1.0],
            [-k / mass, 0.0, -c / mass, c / mass],
            [k / unsprung, k_t / unsprung, c / unsprung, -c / unsprung],
        ]
    )
    b = np.array([[0.0], [1.0], [0.0], [0.0]])
    covariance = solve_continuous_lyapunov(a, -s * b @ b.T)
    load, acceleration, travel = twin.quarter_car(k, mass, unsprung, k_t, c, s)
    assert load == pytest.approx(k_t**2 * covariance[1, 1], rel=1e-9)
    assert acceleration == pytest.approx(a[2] @ covariance @ a[2], rel=1e-9)
    assert travel == pytest.approx(covariance[0, 0], rel=1e-9)


@pytest.mark.parametrize("seed", range(30))
def test_lag_and_bite_against_a_time_march(seed: int) -> None:
    """The lag is how late the roll runs behind a long ramp of steer."""
    corner = twin.Corner(twin.make_car(_car(seed)), _phase(grip_share=0.4))
    point = corner.equilibrium(corner.required)
    answer = twin.response(corner, point, False)
    if answer.unstable or answer.lag >= twin.LONGEST_LAG:
        assert answer.bite == 0.0 or answer.lag == twin.LONGEST_LAG
        return
    a, b, *_ = twin.state_space(corner, point, False)
    step = 1e-3
    gain = np.linalg.inv(np.eye(4) - 0.5 * step * a)
    advance, feed = gain @ (np.eye(4) + 0.5 * step * a), gain @ b * step
    x, at_bite = np.zeros(4), 0.0
    behind, final = 0.0, -np.linalg.solve(a, b)[3]
    for i in range(20000):
        before = x[3]
        x = advance @ x + feed
        behind += step * (1.0 - 0.5 * (before + x[3]) / final)
        if i == 19:
            at_bite = 100.0 * x[3] / final
    if abs(x[3] / final - 1.0) > 1e-9:
        pytest.skip("too slow to settle in the marched time")
    assert answer.lag == pytest.approx(behind, rel=1e-4, abs=1e-7)
    assert answer.bite == pytest.approx(at_bite, rel=2e-2, abs=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_axle_limit_is_a_crossing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    p, phases = twin.random_car(rng), twin.random_phases(rng)
    for phase in phases:
        corner = twin.Corner(twin.make_car(p), phase)
        for end, limit in enumerate(corner.axle_limits()):
            if 0.0 < limit < corner.rollover:
                below, above = (corner.grip(corner.equilibrium(limit * f)) for f in (1.0 - 1e-7, 1.0 + 1e-7))
                assert below.capacity[end] > below.demand[end]
                assert above.capacity[end] < above.demand[end]


def test_random_cars_fill_the_parameter_vector() -> None:
    slots = pytest.importorskip("explorer.model.slots")
    assert set(twin.random_car(np.random.default_rng(0))) == set(slots.SLOTS)
