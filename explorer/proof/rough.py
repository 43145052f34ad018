"""Rough ground, worked out again: variances of tyre load, body acceleration and suspension travel.

Three other ways to a variance: the Lyapunov equation of the state space, the integral of the squared frequency response
(built from impedances, not from the state space), and a long seeded simulation whose step is exact. A whole axle with a
track on each side checks how heave and roll are put together, and a tyre that only pushes shows what linear leaves out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import expm, solve_continuous_lyapunov

from explorer.model.bumps import (
    body_acceleration_variance,
    bump_level,
    travel_variance,
    tyre_load_variance,
    velocity_intensity,
)
from explorer.model.car import car_at
from explorer.model.slots import END_SLOTS, SLOT
from explorer.model.tyre import bump_factor, bump_table
from explorer.proof.fleet import RANGES, plausible_cars
from explorer.proof.results import Comparison, Drawing, ProofSection, Series
from explorer.space import FloatArray
from explorer.study.evaluate import Progress
from explorer.units import STANDARD_GRAVITY

SEED = 6011
ROUGHNESS, SPEED = 256e-6, 6.0
"""ISO 8608 class C, geometric mean [m3], and a model car's speed [m/s]."""
LYAPUNOV, INTEGRAL = 1e-9, 1e-4
"""Largest differences that pass, as a share of the value."""
SIGMAS = 3.0
SHOWN_SENSITIVITY = 0.15


@dataclass(frozen=True)
class QuarterCar:
    """Body on spring and damper on wheel on tyre, over white vertical velocity of an intensity [m2/s]. SI."""

    mass: float
    unsprung: float
    rate: float
    tyre_rate: float
    damping: float
    intensity: float = 1.0


@dataclass(frozen=True)
class Variances:
    """Tyre load [N2], body acceleration [m2/s4], suspension travel [m2]."""

    load: float
    acceleration: float
    travel: float


PUBLISHED = QuarterCar(mass=0.34, unsprung=0.06, rate=300.0, tyre_rate=5000.0, damping=5.0)
"""The quarter car of the derived reference values."""

_QUANTITIES = (("load", "tyre load variance", "N2"), ("acceleration", "body acceleration variance", "m2/s4"),
               ("travel", "suspension travel variance", "m2"))  # fmt: skip


def quarter_cars(seed: int, count: int) -> tuple[QuarterCar, ...]:
    """Seeded quarter cars over the fleet's ranges, with and without part of a bar, on class C ground."""
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    intensity = float(velocity_intensity(ROUGHNESS, SPEED))

    def one() -> QuarterCar:
        unsprung = rng.uniform(*RANGES["unsprung_mass"])
        bar = math.exp(rng.uniform(*np.log(RANGES["bar_rate"]))) if rng.random() < 0.5 else 0.0
        return QuarterCar(
            mass=0.25 * rng.uniform(*RANGES["mass"]) - unsprung,
            unsprung=unsprung,
            rate=rng.uniform(*RANGES["wheel_rate"]) + bar,
            tyre_rate=rng.uniform(*RANGES["tyre_rate"]),
            damping=rng.uniform(*RANGES["damping"]),
            intensity=intensity,
        )

    return tuple(one() for _ in range(count))


def ours(car: QuarterCar) -> Variances:
    """The closed forms under test."""
    s, k, m, mu, kt, c = car.intensity, car.rate, car.mass, car.unsprung, car.tyre_rate, car.damping
    return Variances(
        load=float(tyre_load_variance(s, k, m, mu, kt, c)),
        acceleration=float(body_acceleration_variance(s, k, m, mu, kt, c)),
        travel=float(travel_variance(s, m, mu, c)),
    )


def state_space(car: QuarterCar) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(drift (4, 4), push (4,), outputs (3, 4)): states travel, tyre deflection, body and wheel velocity; outputs tyre
    load, body acceleration, travel."""
    k, m, mu, kt, c = car.rate, car.mass, car.unsprung, car.tyre_rate, car.damping
    drift = np.array(
        [
            [0.0, 0.0, 1.0, -1.0],
            [0.0, 0.0, 0.0, 1.0],
            [-k / m, 0.0, -c / m, c / m],
            [k / mu, -kt / mu, c / mu, -c / mu],
        ]
    )
    push = np.array([0.0, -1.0, 0.0, 0.0])
    return drift, push, np.array([[0.0, -kt, 0.0, 0.0], drift[2], [1.0, 0.0, 0.0, 0.0]])


def lyapunov(car: QuarterCar) -> Variances:
    """From `A P + P A' + S b b' = 0`."""
    drift, push, outputs = state_space(car)
    covariance = solve_continuous_lyapunov(drift, -car.intensity * np.outer(push, push))
    load, acceleration, travel = np.einsum("ij,jk,ik->i", outputs, covariance, outputs)
    return Variances(float(load), float(acceleration), float(travel))


def integrated(car: QuarterCar) -> Variances:
    """From `S/pi` times the integral of the squared response over the frequency, 1e-4 rad/s to where it has died away;
    the responses are those of two masses on complex springs."""
    frequency = np.exp(np.linspace(math.log(1e-4), math.log(1e8), 40001))
    strut = car.rate + 1j * frequency * car.damping
    road = 1.0 / (1j * frequency)
    body_over_wheel = strut / (strut - car.mass * frequency**2)
    wheel = car.tyre_rate * road / (car.tyre_rate + strut * (1.0 - body_over_wheel) - car.unsprung * frequency**2)
    body = body_over_wheel * wheel

    def variance(response: np.ndarray) -> float:
        density = np.abs(response) ** 2 * frequency
        return float(car.intensity / math.pi * np.trapezoid(density, np.log(frequency)))

    return Variances(
        load=variance(car.tyre_rate * (wheel - road)),
        acceleration=variance(body * frequency**2),
        travel=variance(body - wheel),
    )


def exact_step(drift: FloatArray, noise: FloatArray, step: float) -> tuple[FloatArray, FloatArray]:
    """(transition, covariance added) of `dx = A x dt + dw` over a step, both exact: Van Loan, IEEE Trans. Automatic
    Control 23 (1978) 395-404 (from memory). `noise` is the covariance of w per second."""
    n = len(drift)
    block = np.zeros((2 * n, 2 * n))
    block[:n, :n], block[:n, n:], block[n:, n:] = -drift, noise, drift.T
    both = expm(block * step)
    transition = both[n:, n:].T
    added = transition @ both[:n, n:]
    return transition, 0.5 * (added + added.T)


@dataclass(frozen=True)
class Simulated:
    """Variances (3,) and their standard errors (3,) from a simulation: load, acceleration, travel."""

    variance: FloatArray
    error: FloatArray
    seconds: float

    @property
    def effective(self) -> FloatArray:
        """Independent samples that would give the same error, `2 v^2/e^2` (variance of a Gaussian's variance). (3,)"""
        return 2.0 * self.variance**2 / self.error**2


def simulated(car: QuarterCar, seed: int, steps: int, runs: int = 256, step: float = 0.004) -> Simulated:
    """Sample variances along `runs` independent runs from rest, the start left out until it has died away (exp(-24)).

    The standard error is the spread of the runs' own variances over the root of their number: no theory in it.
    """
    drift, push, outputs = state_space(car)
    transition, added = exact_step(drift, car.intensity * np.outer(push, push), step)
    values, vectors = np.linalg.eigh(added)
    spread = vectors * np.sqrt(np.maximum(values, 0.0))
    settle = math.ceil(12.0 / (step * -np.linalg.eigvals(drift).real.max()))
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    state = np.zeros((4, runs))
    total = np.zeros((3, runs))
    for k in range(settle + steps):
        state = transition @ state + spread @ rng.standard_normal((4, runs))
        if k >= settle:
            total += (outputs @ state) ** 2
    each = total / steps
    return Simulated(
        variance=each.mean(axis=1), error=each.std(axis=1, ddof=1) / math.sqrt(runs), seconds=runs * steps * step
    )


def axle_levels(parameters: FloatArray, end: int) -> Variances:
    """Variances at the left wheel of a whole axle: body with heave and roll, two wheels, a bar between them, the two
    tracks of the road independent of each other. By the Lyapunov equation in eight states.

    Masses and rates from the parameter vector; the body's inertia is shared between the ends as its mass is."""
    p = {name: float(parameters[SLOT[f"front_{name}"] + end * END_SLOTS]) for name in
         ("track", "unsprung_mass", "spring_rate", "bar_rate", "tyre_rate", "damping")}  # fmt: skip
    share = float(parameters[SLOT["front_weight_share"]])
    mass = float(parameters[SLOT["mass"]])
    unsprung = [float(parameters[SLOT["front_unsprung_mass"] + k * END_SLOTS]) for k in (0, 1)]
    sprung = mass * (share if end == 0 else 1.0 - share) - 2.0 * unsprung[end]
    inertia = float(parameters[SLOT["roll_inertia"]]) * sprung / (mass - 2.0 * sum(unsprung))
    half = 0.5 * p["track"]
    # coordinates: heave, roll, left wheel, right wheel; suspension travel = body over the wheel less wheel
    travel = np.array([[1.0, half, -1.0, 0.0], [1.0, -half, 0.0, -1.0]])
    wheels = np.array([[0.0, 0.0, 1.0, 0.0], [0.0, 0.0, 0.0, 1.0]])
    masses = np.diag([sprung, inertia, p["unsprung_mass"], p["unsprung_mass"]])
    struts = p["spring_rate"] * np.eye(2) + 0.5 * p["bar_rate"] * np.array([[1.0, -1.0], [-1.0, 1.0]])
    # states: travel left, right; tyre deflection left, right; four velocities
    drift = np.zeros((8, 8))
    drift[:2, 4:], drift[2:4, 4:] = travel, wheels
    drift[4:, :2] = -np.linalg.solve(masses, travel.T @ struts)
    drift[4:, 2:4] = -np.linalg.solve(masses, p["tyre_rate"] * wheels.T)
    drift[4:, 4:] = -np.linalg.solve(masses, p["damping"] * travel.T @ travel)
    push = np.zeros((8, 2))
    push[2, 0] = push[3, 1] = -1.0
    intensity = 2.0 * math.pi**2 * 0.1**2 * ROUGHNESS * SPEED
    covariance = solve_continuous_lyapunov(drift, -intensity * push @ push.T)
    acceleration = drift[4] + half * drift[5]
    return Variances(
        load=p["tyre_rate"] ** 2 * float(covariance[2, 2]),
        acceleration=float(acceleration @ covariance @ acceleration),
        travel=float(covariance[0, 0]),
    )


@dataclass(frozen=True)
class Hopping:
    """A quarter car whose tyre only pushes. Mean load and RMS about it [N], share of the time in the air, and mean of the
    load's power over the power of the mean load."""

    load_rms: float
    airborne: float
    mean_load: float
    grip_factor: float


def hopping(car: QuarterCar, sensitivity: float, seed: int, steps: int, runs: int = 256, step: float = 1e-4) -> Hopping:
    """The same car with a tyre that leaves the ground, by small steps (semi-implicit Euler), from its static state."""
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    weight = (car.mass + car.unsprung) * STANDARD_GRAVITY
    travel, squash, body, wheel = np.zeros((4, runs))
    settle = steps // 5
    sums = np.zeros(4)
    for k in range(settle + steps):
        load = np.maximum(weight - car.tyre_rate * squash, 0.0)
        strut = car.rate * travel + car.damping * (body - wheel)
        body = body - step * strut / car.mass
        wheel = wheel + step * (strut + load - weight) / car.unsprung
        travel = travel + step * (body - wheel)
        squash = squash + step * wheel - math.sqrt(car.intensity * step) * rng.standard_normal(runs)
        if k >= settle:
            sums += (load.sum(), (load**2).sum(), (load == 0.0).sum(), (load ** (1.0 - sensitivity)).sum())
    mean, square, airborne, power = sums / (steps * runs)
    return Hopping(
        load_rms=math.sqrt(square - mean**2),
        airborne=airborne,
        mean_load=mean,
        grip_factor=power / mean ** (1.0 - sensitivity),
    )


def bumps_section(quick: bool, progress: Progress | None = None) -> ProofSection:
    """Our variances against Lyapunov, the frequency integral, a long simulation and a whole axle."""
    cars = (PUBLISHED, *quarter_cars(SEED, 7 if quick else 39))
    simulated_cars = cars[:1] if quick else cars[:5]
    steps = 2000 if quick else 20000
    done, jobs = 0, len(cars) + len(simulated_cars)
    comparisons: list[Comparison] = []

    def compare(case: str, means: str, mine: Variances, other: Variances, bar: float) -> None:
        for field, quantity, unit in _QUANTITIES:
            value, against = getattr(mine, field), getattr(other, field)
            comparisons.append(Comparison(case, f"{quantity}, {means}", unit, value, against, bar * against))

    def step_on() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress("bumps", done, jobs)

    names = ["reference quarter car", *(f"quarter car {k}" for k in range(1, len(cars)))]
    for name, car in zip(names, cars, strict=True):
        compare(name, "Lyapunov", ours(car), lyapunov(car), LYAPUNOV)
        compare(name, "frequency integral", ours(car), integrated(car), INTEGRAL)
        step_on()
    shares, effective, seconds = [], [], 0.0
    for k, (name, car) in enumerate(zip(names, simulated_cars, strict=False)):
        run = simulated(car, seed=SEED + 1 + k, steps=steps)
        for j, (field, quantity, unit) in enumerate(_QUANTITIES):
            mine, error = getattr(ours(car), field), float(run.error[j])
            found = float(run.variance[j])
            comparisons.append(Comparison(name, f"{quantity}, simulation", unit, mine, found, SIGMAS * error))
            shares.append((mine - found) / error)
        effective.append(float(run.effective.min()))
        seconds += run.seconds
        step_on()
    vectors = plausible_cars(SEED, 5 if quick else 20)
    for k, vector in enumerate(vectors):
        body, front, rear = car_at(vector)
        for end, (place, axle) in enumerate((("front", front), ("rear", rear))):
            level = bump_level(axle, body.roll_inertia, body.sprung_mass, ROUGHNESS, SPEED)
            mine = Variances(level.load**2, level.body_acceleration**2, level.travel**2)
            compare(f"car {k + 1}, {place} axle", "whole axle", mine, axle_levels(vector, end), LYAPUNOV)
    return ProofSection(
        stem="proof_bumps",
        title="Load, body acceleration and travel over rough ground",
        claim="White vertical velocity under the wheels, linear springs, dampers and tyres: closed-form variances.",
        source=(
            "scipy's Lyapunov solver, the integral of the frequency response and a long seeded simulation with an "
            "exact step; model of Thompson, Vehicle System Dynamics 5 (1976)"
        ),
        comparisons=tuple(comparisons),
        facts=(
            *_worst(comparisons),
            (
                "simulation",
                f"{seconds:,.0f} s of driving; differences up to {max(map(abs, shares)):.1f} standard errors in "
                f"{len(shares)} variances, root mean square {math.sqrt(float(np.mean(np.square(shares)))):.2f}",
            ),
            ("effective sample size", f"{min(effective):,.0f} independent samples at least"),
        ),
        notes=(
            f"A simulated variance passes within {SIGMAS:g} standard errors. The standard error is the spread between "
            "256 independent runs, and the effective sample size is what it amounts to.",
            *_hop_notes(quick),
        ),
        drawings=(_variance_drawing(comparisons),),
    )


def _hop_notes(quick: bool) -> tuple[str, ...]:
    """What linear tyres leave out: the wheel that leaves the ground."""
    weight = (PUBLISHED.mass + PUBLISHED.unsprung) * STANDARD_GRAVITY
    notes = []
    for roughness, name in ((4e-6, "a quarter of class A"), (16e-6, "class A"), (256e-6, "class C")):
        intensity = float(velocity_intensity(roughness, SPEED))
        car = replace(PUBLISHED, intensity=intensity)
        found = hopping(car, SHOWN_SENSITIVITY, SEED + 90, 4000 if quick else 15000)
        rms = math.sqrt(ours(car).load)
        factor = float(bump_factor(weight, rms, SHOWN_SENSITIVITY, bump_table(SHOWN_SENSITIVITY)))
        notes.append(
            f"{name}: load variation {rms:.2f} N by the linear form, {found.load_rms:.2f} N with a tyre that only "
            f"pushes ({100.0 * found.airborne:.0f} % of the time in the air, {weight:.2f} N standing); grip factor "
            f"{factor:.4f} by ours, {found.grip_factor:.4f} there."
        )
    head = f"The linear form has no lift-off. The reference quarter car at {SPEED:g} m/s, load sensitivity "
    return (head + f"{SHOWN_SENSITIVITY:g}: " + " ".join(notes),)


def _worst(comparisons: list[Comparison]) -> tuple[tuple[str, str], ...]:
    """Largest relative difference per way."""
    rows = []
    for means in ("Lyapunov", "frequency integral", "whole axle"):
        chosen = [one for one in comparisons if one.quantity.endswith(means)]
        worst = max(abs(one.difference / one.other) for one in chosen)
        rows.append((means, f"{len(chosen)} variances, differences up to {worst:.1e} of the value"))
    return tuple(rows)


def _variance_drawing(comparisons: list[Comparison]) -> Drawing:
    series = []
    for _, quantity, _ in _QUANTITIES:
        chosen = [one for one in comparisons if one.quantity == f"{quantity}, Lyapunov"]
        series.append(
            Series(
                label=f"{quantity} [{chosen[0].unit}]",
                x=np.array([one.other for one in chosen]),
                y=np.array([one.ours for one in chosen]),
            )
        )
    return Drawing(
        stem="proof_bump_variances",
        title="Bump variances: closed form over Lyapunov",
        x_label="Lyapunov equation",
        y_label="closed form",
        kind="points",
        series=tuple(series),
        diagonal=True,
        log=True,
    )
