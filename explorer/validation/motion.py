"""Response and bumps against a control library, the Lyapunov equation, a long simulation and quadrature.

The only importer of python-control. The car's equations of motion are written out again here from the text (Segel's
three-degree-of-freedom car; Gillespie, ch. 6), and turned into first order by solving for the accelerations.
"""

from __future__ import annotations

import math
from typing import Any

import control
import numpy as np
import scipy.integrate
import scipy.linalg
import scipy.optimize
import scipy.special

from explorer.domain.space import FloatArray
from explorer.model.car.bumps import body_acceleration_variance, travel_variance, tyre_load_variance
from explorer.model.car.car import Body
from explorer.model.car.tyre import bump_factor, bump_table
from explorer.model.corner.response import STEP_TIME, AxleForces, RollMode, response_of
from explorer.report.drawing import Drawing, Series
from explorer.study.everything.evaluate import Progress
from explorer.validation.results import Comparison, ProofSection

SEED = 20_260
SIMULATED_SECONDS, SIMULATED_STEP = 4_000.0, 0.002
RESPONSE_BAR = 1e-6
"""Largest difference of a response figure that passes, as a share of its size."""


def motion_sections(quick: bool = False, progress: Progress | None = None) -> tuple[ProofSection, ...]:
    """Response, bumps, and grip over bumps."""
    parts = (response_section, bumps_section, grip_section)
    found = []
    for done, part in enumerate(parts, start=1):
        found.append(part(quick))
        if progress is not None:
            progress("motion", done, len(parts))
    return tuple(found)


def random_linear_car(rng: np.random.Generator) -> tuple[Body, RollMode, tuple[float, float, float, float, float]]:
    """A plausible linear car: body, roll mode, and (speed, cornering stiffnesses, thrusts per roll)."""
    mass, wheelbase, share = rng.uniform(1.4, 1.8), rng.uniform(0.27, 0.29), rng.uniform(0.38, 0.5)
    sprung = mass - rng.uniform(0.24, 0.34)
    arm = rng.uniform(0.02, 0.05)
    body = Body(
        mass=mass,
        wheelbase=wheelbase,
        front_share=share,
        cg_height=0.05,
        sprung_mass=sprung,
        sprung_height=0.05,
        roll_arm=arm,
        yaw_inertia=rng.uniform(0.015, 0.03),
        roll_inertia=rng.uniform(0.002, 0.005),
        chassis_compliance=0.0,
        front_sprung_share=0.5,
    )
    mode = RollMode(
        stiffness=rng.uniform(6.0, 40.0), damping=rng.uniform(0.1, 0.6), inertia=body.roll_inertia + sprung * arm**2
    )
    front = rng.uniform(45.0, 90.0)
    rear = front * rng.uniform(0.95, 1.6)
    return body, mode, (rng.uniform(2.5, 7.0), front, rear, -rng.uniform(2.0, 8.0), -rng.uniform(2.0, 8.0))


def yaw_roll_system(
    body: Body, mode: RollMode, speed: float, front: float, rear: float, lean: tuple[float, float]
) -> Any:
    """python-control state space from steer to (roll, yaw rate): sideslip velocity, yaw rate, roll, roll rate."""
    m, u, iz = body.mass, speed, body.yaw_inertia
    sh = body.sprung_mass * body.roll_arm
    a, b = body.wheelbase * (1.0 - body.front_share), body.wheelbase * body.front_share
    # forces of the axles as rows over (v, r, phi, p) and their part per steer angle
    front_row = np.array([-front / u, -front * a / u, lean[0], 0.0])
    rear_row = np.array([-rear / u, rear * b / u, lean[1], 0.0])
    inertia = np.array([[m, 0, 0, -sh], [0, iz, 0, 0], [0, 0, 1, 0], [-sh, 0, 0, mode.inertia]], dtype=float)
    drive = np.array(
        [
            front_row + rear_row + np.array([0, -m * u, 0, 0]),
            a * front_row - b * rear_row,
            [0, 0, 0, 1],
            np.array([0, sh * u, -mode.stiffness, -mode.damping]),
        ]
    )
    push = np.array([[front], [a * front], [0.0], [0.0]])
    outputs = np.array([[0.0, 0.0, 1.0, 0.0], [0.0, 1.0, 0.0, 0.0]])
    return control.ss(np.linalg.solve(inertia, drive), np.linalg.solve(inertia, push), outputs, np.zeros((2, 1)))


def ramp_lag(system: Any) -> float:
    """How late the roll runs behind a steady ramp of steer, from a ramp response after its transients. [s]"""
    slowest = -max(control.poles(system).real)
    times = np.linspace(0.0, 40.0 / slowest, 4001)
    roll = control.forced_response(system, times, times).outputs[0]
    gain = float(control.dcgain(system)[0, 0])
    return float(times[-1] - roll[-1] / gain)


def response_section(quick: bool = False) -> ProofSection:
    """Lag, bite and stability of the linear car against python-control."""
    rng = np.random.default_rng(SEED)
    comparisons: list[Comparison] = []
    agree, unstable = 0, 0
    count = 10 if quick else 200
    ours_lag, other_lag = [], []
    for number in range(count):
        body, mode, (speed, front, rear, front_lean, rear_lean) = random_linear_car(rng)
        if number % 4 == 3:  # some that oversteer and may be unstable
            rear, speed = 0.6 * front, 2.0 * speed
        system = yaw_roll_system(body, mode, speed, front, rear, (front_lean, rear_lean))
        ours = response_of(body, mode, speed, AxleForces(front, front_lean), AxleForces(rear, rear_lean))
        stable = bool(max(control.poles(system).real) < 0.0) and float(control.dcgain(system)[0, 0]) > 0.0
        agree += stable != ours.unstable
        unstable += not stable
        if not stable:
            continue
        times = np.array([0.0, 0.5 * STEP_TIME, STEP_TIME])
        step = control.step_response(system, times).outputs[0, 0]
        bite = float(step[-1] / control.dcgain(system)[0, 0])
        lag = min(ramp_lag(system), 1.0)
        case = f"car {number + 1}"
        comparisons.append(Comparison(case, "bite", "-", ours.bite, bite, RESPONSE_BAR))
        comparisons.append(Comparison(case, "lag", "s", ours.lag, lag, RESPONSE_BAR * max(lag, 0.01)))
        ours_lag.append(1e3 * ours.lag)
        other_lag.append(1e3 * lag)
    comparisons.append(
        Comparison(f"{count} cars", "stable or not, same answer", "cars", float(agree), float(count), 0.0)
    )
    comparisons += _published()
    return ProofSection(
        stem="proof_response",
        title="Response",
        claim="Lag behind a ramp of steer, share of the roll reached 20 ms after a step, and which cars are unstable.",
        source="python-control on equations of motion written out again; Gillespie ch. 6 (from memory) for the bicycle",
        comparisons=tuple(comparisons),
        facts=(("cars", f"{count}, {unstable} of them unstable, all told apart" if agree == count else f"{count}"),),
        drawings=(
            Drawing(
                "proof_response_lag",
                "Lag of the roll behind a ramp of steer",
                "ours, ms",
                "python-control, ms",
                "points",
                (Series("cars", np.array(ours_lag), np.array(other_lag)),),
                diagonal=True,
            ),
        ),
    )


def _published() -> list[Comparison]:
    """Rows of the linear bicycle: poles, yaw gain, characteristic and critical speed."""
    found = []
    for name, (m, a, b, front, rear, iz, speed), real, imaginary, gain in (
        ("full-size car", (1500.0, 1.2, 1.5, 8e4, 9e4, 2500.0, 20.0), -6.0103333, 3.8036684, 5.1233397),
        ("model car", (1.6, 0.15, 0.13, 60.0, 80.0, 0.02, 6.0), -18.55, 7.2501149, 17.6470588),
    ):
        body, mode = _without_roll(m, a + b, a, iz)
        system = yaw_roll_system(body, mode, speed, front, rear, (0.0, 0.0))
        poles = sorted(control.poles(system), key=lambda pole: abs(pole))[:2]
        found.append(Comparison(name, "pole, real part", "1/s", real, float(poles[0].real), 1e-4 * abs(real)))
        found.append(Comparison(name, "pole, imaginary part", "1/s", imaginary, float(abs(poles[0].imag)), 1e-3))
        found.append(Comparison(name, "yaw gain", "1/s", gain, float(control.dcgain(system)[1, 0]), 1e-6 * gain))
    body, mode = _without_roll(1500.0, 2.7, 1.2, 2500.0)

    def growth(speed: float) -> float:
        return float(max(control.poles(yaw_roll_system(body, mode, speed, 9e4, 7e4, (0.0, 0.0))).real))

    critical = float(scipy.optimize.brentq(growth, 60.0, 140.0, xtol=1e-9))
    low, high = 60.0, 140.0
    axles = AxleForces(9e4, 0.0), AxleForces(7e4, 0.0)
    while high - low > 1e-7:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if response_of(body, mode, middle, *axles).unstable else (middle, high)
    found.append(Comparison("oversteering car", "critical speed, published", "m/s", low, 101.024749, 1.01e-4))
    found.append(Comparison("oversteering car", "critical speed, control library", "m/s", low, critical, 1e-5))
    return found


def _without_roll(mass: float, wheelbase: float, a: float, yaw_inertia: float) -> tuple[Body, RollMode]:
    """A car whose roll does not act back on its path."""
    body = Body(
        mass=mass,
        wheelbase=wheelbase,
        front_share=1.0 - a / wheelbase,
        cg_height=0.05,
        sprung_mass=mass,
        sprung_height=0.05,
        front_sprung_share=0.5,
        roll_arm=1e-6,
        yaw_inertia=yaw_inertia,
        roll_inertia=1e-9,
        chassis_compliance=0.0,
    )
    return body, RollMode(stiffness=1e3, damping=1e-3, inertia=1e-7)


def quarter_car(
    mass: float, unsprung: float, rate: float, tyre: float, damping: float
) -> tuple[FloatArray, FloatArray]:
    """Travel, tyre deflection, body and wheel velocity on a road of white vertical velocity: (A, B)."""
    away = np.array(
        [
            [0.0, 0.0, 1.0, -1.0],
            [0.0, 0.0, 0.0, 1.0],
            [-rate / mass, 0.0, -damping / mass, damping / mass],
            [rate / unsprung, -tyre / unsprung, damping / unsprung, -damping / unsprung],
        ]
    )
    return away, np.array([[0.0], [-1.0], [0.0], [0.0]])


def bumps_section(quick: bool = False) -> ProofSection:
    """Variances on white road velocity: Lyapunov equation, frequency integral, long seeded simulation."""
    rng = np.random.default_rng(SEED + 1)
    comparisons: list[Comparison] = []
    worst_share = 0.0
    for number in range(5 if quick else 60):
        mass, unsprung = rng.uniform(0.05, 0.4), rng.uniform(0.05, 0.09)
        rate, tyre, damping = rng.uniform(120.0, 2500.0), rng.uniform(2500.0, 6000.0), rng.uniform(4.0, 12.0)
        away, push = quarter_car(mass, unsprung, rate, tyre, damping)
        force = np.array([-rate / mass, 0.0, -damping / mass, damping / mass])
        load = np.array([0.0, tyre, 0.0, 0.0])
        travel = np.array([1.0, 0.0, 0.0, 0.0])
        covariance = scipy.linalg.solve_continuous_lyapunov(away, -push @ push.T)
        ours = (
            tyre_load_variance(1.0, rate, mass, unsprung, tyre, damping),
            body_acceleration_variance(1.0, rate, mass, unsprung, tyre, damping),
            travel_variance(1.0, mass, unsprung, damping),
        )
        case = f"quarter car {number + 1}"
        names = (("tyre load variance", "N2"), ("body acceleration variance", "m2/s4"), ("travel variance", "m2"))
        rows = (load, force, travel)
        for (name, unit), row, value in zip(names, rows, ours, strict=True):
            comparisons.append(
                Comparison(case, f"{name}, Lyapunov", unit, value, float(row @ covariance @ row), 1e-9 * value)
            )
        if number < (1 if quick else 4):
            for (name, unit), row, value in zip(names, rows, ours, strict=True):
                other = _frequency_variance(away, push, row)
                comparisons.append(Comparison(case, f"{name}, frequency integral", unit, value, other, 1e-4 * value))
            seconds = 200.0 if quick else SIMULATED_SECONDS
            measured, bars = _simulated(away, push, rows, covariance, seconds, rng)
            for (name, unit), value, other, bar in zip(names, ours, measured, bars, strict=True):
                comparisons.append(Comparison(case, f"{name}, {seconds:g} s simulated", unit, value, other, bar))
                worst_share = max(worst_share, abs(value - other) / bar)
    return ProofSection(
        stem="proof_bumps",
        title="Bumps",
        claim="Variances of tyre load, body acceleration and suspension travel on a rough road, in closed form.",
        source="scipy's Lyapunov solver, integration over frequency, and an exactly discretised simulation; closed "
        "forms after Thompson (1976) and Gobbi and Mastinu (2001), from memory; road of ISO 8608, waviness 2",
        comparisons=tuple(comparisons),
        facts=(("simulation", f"differs by at most {worst_share:.2f} of four standard errors"),),
    )


def _frequency_variance(away: FloatArray, push: FloatArray, row: FloatArray) -> float:
    """`1/pi` times the integral of `|H(i w)|^2` over positive frequencies, on a logarithmic axis."""
    identity = np.eye(len(away))

    def squared(log_w: float) -> float:
        w = math.exp(log_w)
        gain = row @ np.linalg.solve(1j * w * identity - away, push)
        return float(abs(gain[0]) ** 2) * w

    total = 0.0
    for low, high in ((-9.2, 2.0), (2.0, 4.0), (4.0, 6.0), (6.0, 9.0), (9.0, 18.0)):
        total += scipy.integrate.quad(squared, low, high, limit=400, epsrel=1e-8)[0]
    return total / math.pi


def _simulated(
    away: FloatArray, push: FloatArray, rows: tuple[FloatArray, ...], covariance: FloatArray, seconds: float,
    rng: np.random.Generator,
) -> tuple[list[float], list[float]]:  # fmt: skip
    """Variances over a long run and four standard errors of each.

    Exact discretisation of the white-noise input (Van Loan, IEEE Trans. Automatic Control 23, 1978), started in the
    stationary state, so only chance separates it from the closed form. The standard error counts how long each signal
    remembers itself: `2 s^4 / T` times the integral of its squared autocorrelation.
    """
    n = len(away)
    block = np.zeros((2 * n, 2 * n))
    block[:n, :n], block[:n, n:], block[n:, n:] = -away, push @ push.T, away.T
    grown = scipy.linalg.expm(block * SIMULATED_STEP)
    ahead = grown[n:, n:].T
    noise = scipy.linalg.cholesky(ahead @ grown[:n, n:], lower=True)
    steps = int(seconds / SIMULATED_STEP)
    state = scipy.linalg.cholesky(covariance, lower=True) @ rng.standard_normal(n)
    kicks = rng.standard_normal((steps, n)) @ noise.T
    path = np.empty((steps, n))
    for step in range(steps):
        state = ahead @ state + kicks[step]
        path[step] = state
    measured, bars = [], []
    for row in rows:
        signal = path @ row
        variance = float(row @ covariance @ row)
        memory, moved = 0.0, covariance.copy()
        for _ in range(4000):
            correlation = float(row @ moved @ row) / variance
            memory += (1.0 if memory == 0.0 else 2.0) * correlation**2
            moved = ahead @ moved
            if abs(correlation) < 1e-9 and memory > 5.0:
                break
        measured.append(float(np.mean(signal**2)))
        bars.append(4.0 * variance * math.sqrt(2.0 * memory / steps))
    return measured, bars


def grip_section(quick: bool = False) -> ProofSection:
    """Mean of the force law over a load that varies, the wheel leaving the ground: table against quadrature."""
    comparisons = []
    gain = 0.0
    ratios = (0.1, 0.5, 2.0) if quick else (0.05, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 5.0)
    for n in (0.15,) if quick else (0.05, 0.1, 0.15, 0.2, 0.3):
        table = bump_table(n)
        for ratio in ratios:
            ours = float(bump_factor(1.0, ratio, n, table))
            other = quadrature(ratio, n)
            case = f"load sensitivity {n:g}, variation {ratio:g} of the load"
            comparisons.append(Comparison(case, "mean grip kept", "-", ours, other, 1e-8))
            gain = max(gain, truncated(ratio, n) - 1.0)
    return ProofSection(
        stem="proof_grip_over_bumps",
        title="Grip over bumps",
        claim="Mean grip of a wheel whose load varies and may leave the ground, the mean load kept.",
        source="scipy's adaptive quadrature and root finding",
        comparisons=tuple(comparisons),
        facts=(
            (
                "the wrong model, a Gaussian simply cut off at zero",
                f"would make bumps add up to {100 * gain:.0f} % of grip",
            ),
        ),
    )


def _mean_positive(place: float, power: float) -> float:
    """E[max(0, Z)^power] of a unit Gaussian placed at `place`."""

    def density(z: float) -> float:
        return z**power * math.exp(-0.5 * (z - place) ** 2) / math.sqrt(2.0 * math.pi)

    low, high = max(0.0, place - 12.0), max(0.0, place) + 12.0
    middle = min(max(low + 1e-3, place), high)
    found = 0.0
    for start, stop in ((low, 0.5 * (low + middle)), (0.5 * (low + middle), middle), (middle, high)):
        found += scipy.integrate.quad(density, start, stop, epsabs=0.0, epsrel=1e-12, limit=400)[0]
    return found


def quadrature(ratio: float, n: float) -> float:
    """Share of grip kept at an RMS variation of `ratio` mean loads, the mean load kept."""
    target = 1.0 / ratio

    def excess(place: float) -> float:
        mean = place * scipy.special.ndtr(place) + math.exp(-0.5 * place * place) / math.sqrt(2.0 * math.pi)
        return mean - target

    place = scipy.optimize.brentq(excess, -12.0, target + 12.0, xtol=1e-14, rtol=1e-15)
    return _mean_positive(place, 1.0 - n) * ratio ** (1.0 - n)


def truncated(ratio: float, n: float) -> float:
    """The same with the Gaussian placed at the mean load and cut off at zero: its mean load drifts up."""
    return _mean_positive(1.0 / ratio, 1.0 - n) * ratio ** (1.0 - n)
