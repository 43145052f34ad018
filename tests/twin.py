"""Slow, independent twin of the cornering model: the same equations, solved another way, for comparison only.

The equilibrium is found for a given lateral acceleration as the root of the roll residual in the roll angle;
derivatives are complex-step derivatives of the very functions that are solved; bump grip is integrated
numerically; the response comes from the state matrices. Nothing is shared with the fast kernel.

Axes and words are those of ISO 8855 (x forward, y left, z up); a corner is a left turn, inner = left. The
suspension and rollover statics follow Gillespie, "Fundamentals of Vehicle Dynamics" (chapters 6, 7 and 9), and
Milliken & Milliken, "Race Car Vehicle Dynamics" (chapters 16 to 18); the tyre laws follow Pacejka, "Tyre and
Vehicle Dynamics"; the variances on a rough road follow Thompson (1976) with the road spectrum of ISO 8608.
SI inside, engineering units with a suffix in the result.
"""

from __future__ import annotations

import cmath
import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from scipy.integrate import IntegrationWarning, quad
from scipy.linalg import eigvals, expm
from scipy.optimize import brentq
from scipy.special import erfcx

G = 9.80665
REFERENCE_WAVENUMBER = 0.1
"""n_0 of ISO 8608, cycles per metre."""
COMPLEX_STEP = 1e-30
TIGHTEST_RTOL = 4.0 * np.finfo(float).eps
LIMIT_SCAN = 160
"""Steps of lateral acceleration between 0 and the rollover in the search for an axle limit."""
LARGEST_ROLL = 1.4
"""Roll angle at which the search for a rollover ends, rad."""
BITE_TIME = 0.020
LONGEST_LAG = 1.0

Number = Any
"""A float, or a complex number whose imaginary part carries a derivative."""


def _sin(z: Number) -> Number:
    return cmath.sin(z) if isinstance(z, complex) else math.sin(z)


def _cos(z: Number) -> Number:
    return cmath.cos(z) if isinstance(z, complex) else math.cos(z)


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    return float(brentq(function, low, high, xtol=1e-17, rtol=TIGHTEST_RTOL, maxiter=300))


# ---------------------------------------------------------------------------------------------------- axle


@dataclass(frozen=True)
class Axle:
    """Constants of one axle in the given setup, at its actual ride height."""

    track: float
    wheel_rate: float
    bar_rate: float
    tyre_rate: float
    sprung: float
    unsprung: float
    radius: float
    roll_centre: float
    arm: float
    droop: float
    camber: float
    camber_gain: float
    damping: float
    static_load: float
    ride_height: float
    grip: float

    @property
    def low_moment(self) -> float:
        """First moment of the mass carried below and at the roll centre: m_s z_rc + 2 m_u r."""
        return self.sprung * self.roll_centre + 2.0 * self.unsprung * self.radius

    @property
    def free_compliance(self) -> float:
        """Travel of both wheels together per elastic transfer, both springs working."""
        return 2.0 / (self.wheel_rate + self.bar_rate)

    @property
    def stop_compliance(self) -> float:
        """The same with the inner suspension on its droop stop."""
        return 1.0 / (self.wheel_rate + 0.5 * self.bar_rate)

    @property
    def tyre_compliance(self) -> float:
        """kappa: roll of the beam on its tyres times the track, per elastic transfer."""
        eta = 2.0 * self.low_moment * G / (self.tyre_rate * self.track**2)
        return 2.0 / (self.tyre_rate * (1.0 - eta))


class AxleState(NamedTuple):
    """Equilibrium of one axle at a roll angle, lateral acceleration and axle load."""

    phi: Number
    load: Number
    elastic: Number
    transfer: Number
    contact_transfer: Number
    x_inner: Number
    x_outer: Number
    psi: Number
    up: Number
    rise: Number
    moment: Number
    droop_left: Number
    lifted: bool
    on_stop: bool

    @property
    def signature(self) -> tuple[bool, bool, bool]:
        return self.lifted, self.on_stop, self.droop_left == 0.0


def axle_state(axle: Axle, phi: Number, a_y: Number, load: Number, droop_left: Number | None = None) -> AxleState:
    """Solve one axle by trying its stages in turn: free, on the droop stop, inner wheel up.

    Each stage is linear in the elastic transfer, so each is solved exactly. `droop_left` overrides the travel
    left to the stop, for derivatives at a fixed stop.
    """
    t, k_w, k_b, k_t = axle.track, axle.wheel_rate, axle.bar_rate, axle.tyre_rate
    jack = axle.sprung * (a_y * _sin(phi) + G * (1.0 - _cos(phi)))
    extra = load - axle.static_load
    if droop_left is None:
        droop_left = axle.droop + (extra - jack) / (2.0 * k_w)
        if droop_left.real <= 0.0:
            droop_left = 0.0
    reach = (k_w + k_b) * droop_left.real
    stop_c = axle.stop_compliance
    stop_offset = droop_left * (1.0 - 0.5 * k_b * stop_c)
    stages = ((False, axle.free_compliance, 0.0), (True, stop_c, stop_offset))

    mass = axle.sprung + 2.0 * axle.unsprung
    moment_low = axle.low_moment - mass * extra / (2.0 * k_t)
    eta = 2.0 * moment_low * G / (k_t * t * t)
    kappa = 2.0 / (k_t * (1.0 - eta))
    for on_stop, c, offset in stages:  # noqa: B007
        elastic = (phi * t - offset - kappa * moment_low * a_y / t) / (c + kappa)
        if elastic.real <= reach:
            break
    contact = (elastic + moment_low * a_y / t) / (1.0 - eta)
    transfer = contact
    lifted = contact.real > 0.5 * load.real
    if lifted:
        e = moment_low * G + 0.5 * mass * a_y * t
        pushed = moment_low * a_y - mass * a_y * load / (2.0 * k_t)
        for on_stop, c, offset in stages:  # noqa: B007
            elastic = (0.5 * load - (pushed + e * (phi - offset / t)) / t) / (1.0 - e * c / (t * t))
            if elastic.real <= reach:
                break
        transfer = 0.5 * load
    if on_stop:
        x_inner = droop_left
        x_outer = (elastic - 0.5 * k_b * droop_left) * stop_c
    else:
        x_inner = x_outer = elastic / (k_w + k_b)
    psi = phi - (x_inner + x_outer) / t
    up = 0.5 * psi * t - transfer / k_t if lifted else 0.0
    lift_of_body = 0.5 * (x_inner - x_outer) + (jack - extra) / (2.0 * k_w)
    moment = axle.sprung * (axle.arm * (a_y * _cos(phi) + G * _sin(phi)) + a_y * lift_of_body)
    return AxleState(
        phi,
        load,
        elastic,
        transfer,
        contact,
        x_inner,
        x_outer,
        psi,
        up,
        lift_of_body + up - extra / (2.0 * k_t),
        moment,
        droop_left,
        lifted,
        on_stop,
    )


# ----------------------------------------------------------------------------------------------------- car


@dataclass(frozen=True)
class Car:
    """Derived constants of a setup."""

    p: dict[str, float]
    front: Axle
    rear: Axle
    mass: float
    wheelbase: float
    front_weight: float
    sprung: float
    front_share: float
    cg_height: float
    arm: float

    @property
    def axles(self) -> tuple[Axle, Axle]:
        return self.front, self.rear

    @property
    def shares(self) -> tuple[float, float]:
        return self.front_share, 1.0 - self.front_share


def make_car(p: dict[str, float]) -> Car:
    """Masses, heights and rates of a setup; ride height changes move the sprung mass by its share at that end."""
    m, length = p["mass"], p["wheelbase"]
    w_f = p["front_weight_share"] + p["ballast_mass"] * p["ballast_shift"] / (m * length)
    ends = ("front", "rear")
    unsprung = [p[f"{e}_unsprung_mass"] for e in ends]
    radius = [p[f"{e}_wheel_radius"] for e in ends]
    dh = [p[f"{e}_ride_height"] - p[f"{e}_ride_height_reference"] for e in ends]
    weight_share = [w_f, 1.0 - w_f]
    sprung_at = [m * weight_share[i] - 2.0 * unsprung[i] for i in range(2)]
    sprung = sum(sprung_at)
    share = [s / sprung for s in sprung_at]
    heave = share[0] * dh[0] + share[1] * dh[1]
    h_s = (m * p["cg_height"] - 2.0 * unsprung[0] * radius[0] - 2.0 * unsprung[1] * radius[1]) / sprung + heave
    z_rc = [p[f"{e}_roll_centre_height"] + p[f"{e}_roll_centre_rate"] * dh[i] for i, e in enumerate(ends)]
    front_mu = p["grip"] * p["front_grip_ratio"] * p["front_tyre_grip"]
    grips = [front_mu, p["grip"] * p["rear_tyre_grip"]]
    front, rear = (
        Axle(
            track=p[f"{e}_track"],
            wheel_rate=p[f"{e}_spring_rate"] * p[f"{e}_spring_motion_ratio"] ** 2,
            bar_rate=p[f"{e}_bar_rate"] * p[f"{e}_bar_motion_ratio"] ** 2,
            tyre_rate=p[f"{e}_tyre_rate"],
            sprung=sprung_at[i],
            unsprung=unsprung[i],
            radius=radius[i],
            roll_centre=z_rc[i],
            arm=h_s - z_rc[i],
            droop=max(p[f"{e}_droop"] - dh[i], 0.0),
            camber=p[f"{e}_camber"] + p[f"{e}_camber_gain"] * dh[i],
            camber_gain=p[f"{e}_camber_gain"],
            damping=p[f"{e}_damping"],
            static_load=m * G * weight_share[i],
            ride_height=p[f"{e}_ride_height"],
            grip=grips[i],
        )
        for i, e in enumerate(ends)
    )
    return Car(
        p=p,
        front=front,
        rear=rear,
        mass=m,
        wheelbase=length,
        front_weight=w_f,
        sprung=sprung,
        front_share=share[0],
        cg_height=p["cg_height"] + sprung / m * heave,
        arm=h_s - share[0] * z_rc[0] - share[1] * z_rc[1],
    )


# --------------------------------------------------------------------------------------------------- bumps


def quarter_car(k: float, mass: float, unsprung: float, k_t: float, c: float, s: float) -> tuple[float, float, float]:
    """Variances of tyre load, body acceleration and suspension travel of a quarter car (Thompson 1976).

    `s` is the intensity of the white-noise road velocity.
    """
    both = mass + unsprung
    load = (
        s
        / (2.0 * c)
        * (
            k**2 * both**3 / mass**2
            - 2.0 * k * k_t * unsprung * both / mass
            + k_t**2 * unsprung
            + k_t * c**2 * both**2 / mass**2
        )
    )
    acceleration = s / 2.0 * (k_t * c / mass**2 + k**2 * both / (c * mass**2))
    return load, acceleration, s * both / (2.0 * c)


def bumps(car: Car, axle: Axle, v: float) -> tuple[float, float, float]:
    """RMS tyre load, body acceleration and suspension travel of an axle: half heave, half roll (ISO 8608 road)."""
    s = 2.0 * math.pi**2 * REFERENCE_WAVENUMBER**2 * car.p["roughness"] * v
    half = 0.5 * axle.sprung
    gyration = car.p["roll_inertia"] / car.sprung
    in_roll = half * 4.0 * gyration / axle.track**2
    heave = quarter_car(axle.wheel_rate, half, axle.unsprung, axle.tyre_rate, axle.damping, s)
    roll = quarter_car(axle.wheel_rate + axle.bar_rate, in_roll, axle.unsprung, axle.tyre_rate, axle.damping, s)
    load, acceleration, travel = (math.sqrt(0.5 * a + 0.5 * b) for a, b in zip(heave, roll, strict=True))
    return load, acceleration, travel


def _log_rectified_mean(x: float) -> float:
    """log of E[max(0, x + N(0, 1))]."""
    density = -0.5 * x * x - 0.5 * math.log(2.0 * math.pi)
    mills = math.sqrt(0.5 * math.pi) * float(erfcx(abs(x) / math.sqrt(2.0)))
    if x <= 0.0:
        return density + math.log1p(x * mills)
    tail = math.exp(density)
    return math.log(tail + x * (1.0 - tail * mills))


def underlying_mean(ratio: float) -> float:
    """Mean x of a unit Gaussian Z with E[max(0, Z)] = ratio."""
    target = math.log(ratio)
    return _root(lambda x: _log_rectified_mean(x) - target, -40.0, ratio + 1.0)


def bump_factor(load: float, deviation: float, sensitivity: float) -> float:
    """Mean of the concave force law over the load variation, mean load kept, relative to the steady force."""
    if deviation <= 0.0:
        return 1.0
    ratio = load / deviation
    if load <= 0.0 or math.log(ratio) <= _log_rectified_mean(-39.0):
        return 0.0
    power = 1.0 - sensitivity
    x = underlying_mean(ratio)
    norm = 1.0 / math.sqrt(2.0 * math.pi)
    exp = math.exp
    options: dict[str, Any] = {"epsabs": 1e-300, "epsrel": 2e-14, "limit": 200}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", IntegrationWarning)
        if x > 10.0:

            def bulk(w: float) -> float:
                return w**power * exp(-0.5 * (w - x) ** 2)

            total = norm * (quad(bulk, x - 9.5, x, **options)[0] + quad(bulk, x, x + 9.5, **options)[0])
        else:
            far = x + math.sqrt(x * x + 90.0)
            middle = max(x, 0.25 * far)

            def smooth(w: float) -> float:
                return exp(-0.5 * (w - x) ** 2 + 0.5 * shift)

            shift = x * x if x < 0.0 else 0.0
            near = quad(smooth, 0.0, middle, weight="alg", wvar=(power, 0.0), **options)[0]
            rest = quad(lambda w: w**power * smooth(w), middle, far, **options)[0]
            total = norm * exp(-0.5 * shift) * (near + rest)
    return total / ratio**power


# ---------------------------------------------------------------------------------------------- one corner


class Point(NamedTuple):
    """A state of the whole car: both axles in balance with the given front axle load."""

    a_y: Number
    front: AxleState
    rear: AxleState
    residual: Number
    clipped: bool

    @property
    def axles(self) -> tuple[AxleState, AxleState]:
        return self.front, self.rear

    @property
    def signature(self) -> tuple[Any, ...]:
        return self.front.signature, self.rear.signature, self.clipped


class Grip(NamedTuple):
    """Tyre forces of a state: lateral capacity and demand per axle, loads and leans as (front, rear) x (in, out)."""

    loads: tuple[tuple[float, float], tuple[float, float]]
    leans: tuple[tuple[float, float], tuple[float, float]]
    capacity: tuple[float, float]
    demand: tuple[float, float]


def steered_lean(lean0: float, steer: float, caster: float, kingpin: float, side: float) -> float:
    """Lean of a steered wheel: its spin axis turned about the kingpin by Rodrigues' formula.

    `side` is +1 on the left (inner) and -1 on the right (outer); lean is positive to the left.
    """
    axis = np.array([-math.tan(caster), -side * math.tan(kingpin), 1.0])
    axis /= math.sqrt(float(axis @ axis))
    spin = np.array([0.0, math.cos(lean0), -math.sin(lean0)])
    turned = (
        spin * math.cos(steer) + np.cross(axis, spin) * math.sin(steer) + axis * (axis @ spin) * (1 - math.cos(steer))
    )
    return -math.asin(float(turned[2]))


class Corner:
    """One phase of a corner for one car: radius, speed and longitudinal acceleration are held, a_y varies."""

    def __init__(self, car: Car, phase: dict[str, Any]) -> None:
        p = car.p
        self.car = car
        self.radius = float(phase["radius"])
        if phase["speed"] > 0.0:
            self.speed = float(phase["speed"])
            self.required = self.speed**2 / self.radius
        else:
            self.required = float(phase["grip_share"]) * p["grip"] * G
            self.speed = math.sqrt(self.required * self.radius)
        self.a_x = float(phase["longitudinal"]) + float(phase["longitudinal_share"]) * p["grip"] * G
        down = p["downforce_coefficient"] * self.speed**2
        moved = car.mass * self.a_x * car.cg_height / car.wheelbase
        share = p["front_downforce_share"]
        self.total = car.mass * G + down
        self.front_load = car.front.static_load - moved + share * down
        self.bumps = tuple(bumps(car, axle, self.speed) for axle in car.axles)
        self._still_leans = self._leans_at_rest()
        self._path: dict[float, Point] = {}
        self._slopes: dict[float, bool] = {}
        self._grid: list[float] = []
        self.phi_roll = 0.0
        self.rollover = 0.0
        self._find_rollover()

    # ------------------------------------------------------------------------------------------ equilibrium

    def _given(self, phi: Number, a_y: Number, front_load: Number) -> tuple[Number, Point]:
        """Balance both axles at a given front load; returns the load that the pitch of the body then asks for."""
        car = self.car
        rear = axle_state(car.rear, phi, a_y, self.total - front_load)
        torque = rear.elastic * car.rear.track - rear.moment
        twist = car.p["chassis_compliance"] * torque
        front = axle_state(car.front, phi + twist, a_y, front_load)
        residual = front.moment - torque - front.elastic * car.front.track
        forward = car.arm * (rear.rise - front.rise) / car.wheelbase
        higher = car.front_share * front.rise + (1.0 - car.front_share) * rear.rise
        wanted = self.front_load + car.sprung * (G * forward - self.a_x * higher) / car.wheelbase
        clipped = not 0.0 < wanted.real < self.total
        if clipped:
            wanted = min(max(wanted.real, 0.0), self.total)
        return wanted, Point(a_y, front, rear, residual, clipped)

    def at(self, phi: float, a_y: float) -> Point:
        """State at a rear roll angle and lateral acceleration, the load handed along by pitch settled."""
        tolerance = 5e-16 * self.total
        load = min(max(self.front_load, 0.0), self.total)
        wanted, point = self._given(phi, a_y, load)
        gap = wanted - load
        previous, previous_gap = load, gap
        load = wanted
        for _ in range(25):
            if abs(previous_gap) <= tolerance:
                return point
            wanted, point = self._given(phi, a_y, load)
            gap = wanted - load
            if abs(gap) <= tolerance:
                return point
            step = gap if gap == previous_gap else -gap * (load - previous) / (gap - previous_gap)
            previous, previous_gap = load, gap
            load = min(max(load + step, 0.0), self.total)
        load = _root(lambda w: w - self._given(phi, a_y, w)[0], 0.0, self.total)
        return self._given(phi, a_y, load)[1]

    def residual(self, phi: float, a_y: float) -> float:
        """Overturning less restoring moment; positive when the body would roll further."""
        return self.at(phi, a_y).residual

    def residual_slope(self, phi: float, a_y: float) -> float:
        """Total derivative of the residual by roll at a fixed a_y, by a complex step through the pitch coupling."""
        load = self.at(phi, a_y).front.load
        h = COMPLEX_STEP
        drive = complex(self._given(complex(phi, h), a_y, complex(load))[0]).imag
        echo = complex(self._given(complex(phi), a_y, complex(load, h))[0]).imag / h
        moved = complex(load, drive / (1.0 - echo))
        return complex(self._given(complex(phi, h), a_y, moved)[1].residual).imag / h

    def on_path(self, phi: float, guess: float = 0.0) -> Point:
        """Equilibrium at a given roll angle: the one a_y that holds it there (0 where the car falls by itself)."""
        known = self._path.get(phi)
        if known is not None:
            return known
        if phi <= 0.0 or self.residual(phi, 0.0) >= 0.0:
            point = self.at(phi, 0.0)
        else:
            low = high = guess
            step = 0.05 + 0.02 * guess
            if self.residual(phi, guess) < 0.0:
                while self.residual(phi, high) < 0.0:
                    low, high = high, high + step
                    step *= 1.6
                    if high > 1e4:
                        raise ArithmeticError("no lateral acceleration holds this roll angle")
            else:
                while low > 0.0 and self.residual(phi, low) >= 0.0:
                    low, high = max(low - step, 0.0), low
                    step *= 1.6
            point = self.at(phi, _root(lambda a: self.residual(phi, a), low, high))
        self._path[phi] = point
        return point

    def _rises(self, phi: float, guess: float) -> bool:
        """Does a_y still rise along the path here?"""
        known = self._slopes.get(phi)
        if known is None:
            if phi <= 0.0:
                known = True
            else:
                a_y = self.on_path(phi, guess).a_y
                known = a_y > 0.0 and self.residual_slope(phi, a_y) < 0.0
            self._slopes[phi] = known
        return known

    def _first_fall(self, low: float, high: float, depth: int) -> float | None:
        """Last rising roll angle before the first maximum of a_y within [low, high]; a_y rises at `low`.

        Where the stages of the axles differ at the two ends, the cell is divided, as a kink may hide in it.
        """
        guess = self.on_path(low).a_y
        rises = self._rises(high, guess)
        same = low > 0.0 and self.on_path(low).signature == self.on_path(high).signature
        if rises and (same or depth >= 5):
            return None
        middle = 0.5 * (low + high)
        if not low < middle < high:
            return low
        if not self._rises(middle, guess):
            return self._first_fall(low, middle, depth + 1)
        if not same:
            found = self._first_fall(low, middle, depth + 1)
            if found is not None:
                return found
        return self._first_fall(middle, high, depth + 1)

    def _find_rollover(self) -> None:
        """Walk up the path to the largest a_y that has an equilibrium: the rollover threshold."""
        gradient = roll_gradient(self.car)[0]
        step = 0.4 * gradient if gradient > 0.0 else 0.002
        step = min(max(step, 1e-4), 0.02)
        phi = 0.0
        self._grid = [phi]
        self.on_path(phi)
        while True:
            further = phi + step
            found = self._first_fall(phi, further, 0)
            if found is None and further >= LARGEST_ROLL:
                found = further
            phi = further if found is None else found
            self._grid.append(phi)
            if found is not None:
                break
            step *= 1.02
        self._crests = [(0.0, phi)]
        self._look_further(phi, step)
        self.phi_roll = self._crests[-1][1]
        self.rollover = self.on_path(self.phi_roll).a_y

    def _look_further(self, phi: float, step: float) -> None:
        """Later crests higher than the first: the path may dip after a lift and climb again on a stop."""
        step = 0.1 * step
        best = self.on_path(phi).a_y
        here, before, rising = phi, best, False
        dip = phi
        while here < min(LARGEST_ROLL, phi + 0.3):
            further = here + step
            a_y = self.on_path(further, before).a_y
            if a_y > before and not rising:
                rising, dip = True, here
            if rising:
                found = self._first_fall(here, further, 0) if self._rises(here, before) else None
                if found is not None:
                    if self.on_path(found).a_y > best:
                        best = self.on_path(found).a_y
                        self._crests.append((dip, found))
                        self._grid += [dip, found]
                    rising = False
            here, before = further, a_y

    def equilibrium(self, a_y: float, low: float = 0.0, high: float | None = None) -> Point:
        """State at a lateral acceleration below the rollover: the smallest root of the roll residual.

        a_y rises along the path up to `phi_roll`, so the residual changes sign just once below it.
        """
        crest = self.on_path(self.phi_roll)
        if a_y >= self.rollover:
            return crest
        if a_y <= 0.0:
            return self.at(0.0, 0.0)
        if len(self._crests) > 1:
            for dip, top in self._crests:
                if self.on_path(top).a_y >= a_y:
                    return self.at(_root(lambda phi: self.residual(phi, a_y), dip, top), a_y)
        high = self.phi_roll if high is None else high
        below, above = self.residual(low, a_y), self.residual(high, a_y)
        if below <= 0.0 and low > 0.0:
            low, below = 0.0, self.residual(0.0, a_y)
        if above >= 0.0 and high < self.phi_roll:
            high, above = self.phi_roll, self.residual(self.phi_roll, a_y)
        if above >= 0.0:
            return crest
        return self.at(_root(lambda phi: self.residual(phi, a_y), low, high), a_y)

    def lift_threshold(self, end: int) -> float:
        """a_y at which the inner wheel of an axle (0 front, 1 rear) first leaves the ground."""

        def excess(phi: float, guess: float) -> float:
            state = self.on_path(phi, guess).axles[end]
            return state.contact_transfer - 0.5 * state.load

        if self.on_path(0.0).axles[end].load <= 0.0:
            return 0.0
        for low, high in zip(self._grid[:-1], self._grid[1:], strict=True):
            guess = self.on_path(low).a_y
            if excess(high, guess) > 0.0:
                phi = _root(lambda x, a=guess: excess(x, a), low, high)
                return min(self.on_path(phi, guess).a_y, self.rollover)
        return self.rollover

    def lift_axle(self, lifts: list[float]) -> float:
        """The axle whose inner wheel lifts first: 0 front, 1 rear; where both thresholds are the rollover, the one that
        lifts at it, else 0."""
        if lifts[0] != lifts[1]:
            return 0.0 if lifts[0] < lifts[1] else 1.0
        front, rear = ((s.contact_transfer - 0.5 * s.load) / s.load for s in self.on_path(self.phi_roll).axles)
        return 1.0 if rear > -1e-6 and front < rear else 0.0

    # ------------------------------------------------------------------------------------------------- grip

    def _leans_at_rest(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Leans (inner, outer) per axle from camber and steering alone."""
        p, car = self.car.p, self.car
        length, radius, half = car.wheelbase, self.radius, 0.5 * car.front.track
        ackermann = p["ackermann_share"]
        parallel = (1.0 - ackermann) * length / radius
        inner = ackermann * math.atan(length / (radius - half)) + parallel
        outer = ackermann * math.atan(length / (radius + half)) + parallel
        front, rear = car.front.camber, car.rear.camber
        caster, kingpin = p["caster"], p["kingpin_inclination"]
        return (
            (steered_lean(front, inner, caster, kingpin, 1.0), steered_lean(-front, outer, caster, kingpin, -1.0)),
            (rear, -rear),
        )

    def grip(self, point: Point, rolled: bool = False) -> Grip:
        """Capacity and demand of both axles (friction ellipse, patch shift with lean: Pacejka).

        Rolled over, the outer wheels carry everything.
        """
        car, p = self.car, self.car.p
        reference, power = p["reference_load"], 1.0 - p["load_sensitivity"]
        drive = p["front_drive_share"] if self.a_x > 0.0 else p["front_brake_share"]
        forces = [car.mass * self.a_x * drive, car.mass * self.a_x * (1.0 - drive)]
        all_loads, all_leans, capacity = [], [], []
        yaw = 0.0
        for i, (axle, state) in enumerate(zip(car.axles, point.axles, strict=True)):
            if rolled or state.lifted:
                loads = (0.0, state.load)
            else:
                loads = (0.5 * state.load - state.transfer, 0.5 * state.load + state.transfer)
            body = (state.x_inner + state.x_outer) / axle.track * (1.0 - 0.5 * axle.camber_gain * axle.track)
            leans = tuple(rest - body - state.psi for rest in self._still_leans[i])
            peak = 0.0
            for load, lean in zip(loads, leans, strict=True):
                if load > 0.0:
                    camber = 1.0 / (1.0 + ((lean - p["best_lean"]) / p["lean_width"]) ** 2)
                    bump = bump_factor(load, self.bumps[i][0], p["load_sensitivity"])
                    peak += axle.grip * reference * (load / reference) ** power * camber * bump
                if state.load > 0.0:
                    shift = p["patch_shift"] * math.tanh(lean / p["patch_lean"])
                    yaw -= forces[i] * load / state.load * shift
            along = p["longitudinal_grip_ratio"] * peak
            used = abs(forces[i])
            capacity.append(0.0 if used >= along else peak * math.sqrt(1.0 - (used / along) ** 2))
            all_loads.append(loads)
            all_leans.append(leans)
        lateral = car.mass * point.a_y
        demand = (
            lateral * car.front_weight - yaw / car.wheelbase,
            lateral * (1.0 - car.front_weight) + yaw / car.wheelbase,
        )
        return Grip(tuple(all_loads), tuple(all_leans), tuple(capacity), demand)

    def axle_limits(self) -> tuple[float, float]:
        """First a_y at which the capacity of the front and of the rear axle falls to its demand.

        Scanned in `LIMIT_SCAN` equal steps of a_y up to the rollover and where a wheel lifts, then bracketed.
        """

        def spare(a_y: float, low: float, high: float, end: int) -> float:
            grip = self.grip(self.equilibrium(a_y, low, high))
            return grip.capacity[end] - grip.demand[end]

        limits: list[float | None] = [None, None]
        start = self.grip(self.equilibrium(0.0))
        for end in range(2):
            if start.capacity[end] - start.demand[end] <= 0.0:
                limits[end] = 0.0
        low_a, low_phi = 0.0, 0.0
        steps = [self.rollover * k / LIMIT_SCAN for k in range(1, LIMIT_SCAN + 1)]
        for high_a in sorted({*steps, *(lift for lift in map(self.lift_threshold, range(2)) if lift > 0.0)}):
            if None not in limits:
                break
            point = self.equilibrium(high_a, low_phi)
            high_phi = point.rear.phi
            grip = self.grip(point)
            for end in range(2):
                if limits[end] is None and grip.capacity[end] - grip.demand[end] <= 0.0:
                    limits[end] = _root(lambda a, lo=low_phi, hi=high_phi, e=end: spare(a, lo, hi, e), low_a, high_a)
            low_a, low_phi = high_a, high_phi
        front, rear = (self.rollover if limit is None else limit for limit in limits)
        return front, rear


# ---------------------------------------------------------------------------------------------- car metrics


def roll_gradient(car: Car) -> tuple[float, float]:
    """Initial roll per lateral acceleration (rad per m/s^2, rigid chassis) and front share of roll stiffness."""
    overturning, stiffness = car.sprung * car.arm, []
    for axle in car.axles:
        c = axle.free_compliance if axle.droop > 0.0 else axle.stop_compliance
        series = c + axle.tyre_compliance
        overturning += axle.tyre_compliance * axle.low_moment / series
        stiffness.append(axle.track**2 / series)
    total = sum(stiffness)
    return overturning / (total - car.sprung * G * car.arm), stiffness[0] / total


class RollTangent(NamedTuple):
    """Tangents of one axle: roll stiffness, share of the roll taken by the suspension, roll damping."""

    stiffness: float
    suspension_share: float
    damping: float


def roll_tangent(axle: Axle, state: AxleState, a_y: float) -> RollTangent:
    """Tangents at fixed a_y, load and stop, by a complex step through the axle."""
    h = COMPLEX_STEP
    nudged = axle_state(axle, complex(state.phi, h), a_y, state.load, state.droop_left)
    stiffness = axle.track * complex(nudged.elastic).imag / h
    share = complex(nudged.x_inner + nudged.x_outer).imag / h / axle.track
    working = 1.0 if state.on_stop else 0.5
    return RollTangent(stiffness, share, working * axle.damping * axle.track**2 * share**2)


class Response(NamedTuple):
    """Linear yaw-roll response at the turn-in."""

    lag: float
    bite: float
    damping_ratio: float
    unstable: bool


def state_space(corner: Corner, point: Point, rolled: bool) -> tuple[np.ndarray, np.ndarray, float, float, float]:
    """Matrices of x' = A x + B delta with x = (v_y, r, p, phi), and roll damping, net stiffness and inertia.

    The bicycle model with a roll degree of freedom (Milliken & Milliken), each tyre at small slip and its own load.
    """
    car, p, u = corner.car, corner.car.p, corner.speed
    grip = corner.grip(point, rolled)
    slip, camber, stiffness, damping = [], [], 0.0, 0.0
    for i, (axle, state) in enumerate(zip(car.axles, point.axles, strict=True)):
        tangent = roll_tangent(axle, state, point.a_y)
        stiffness += tangent.stiffness
        damping += tangent.damping
        scale = sum((load / p["reference_load"]) ** p["cornering_exponent"] for load in grip.loads[i] if load > 0.0)
        follows = 1.0 - 0.5 * axle.camber_gain * axle.track
        lean = -(follows * tangent.suspension_share + 1.0 - tangent.suspension_share)
        slip.append(p["cornering_stiffness"] * scale)
        camber.append(p["camber_stiffness"] * scale * lean)
    a, b = car.wheelbase * (1.0 - car.front_weight), car.wheelbase * car.front_weight
    arm, m, m_s = car.arm, car.mass, car.sprung
    net = stiffness - m_s * G * arm
    inertia = p["roll_inertia"] + m_s * arm**2
    front = np.array([-slip[0] / u, -slip[0] * a / u, 0.0, camber[0]])
    rear = np.array([-slip[1] / u, slip[1] * b / u, 0.0, camber[1]])
    turning = np.array([0.0, u, 0.0, 0.0])
    masses = np.array(
        [[m, 0.0, -m_s * arm, 0.0], [0.0, p["yaw_inertia"], 0.0, 0.0], [-m_s * arm, 0.0, inertia, 0.0], [0, 0, 0, 1.0]]
    )
    right = np.array(
        [
            front + rear - m * turning,
            a * front - b * rear,
            m_s * arm * turning - np.array([0.0, 0.0, damping, net]),
            [0.0, 0.0, 1.0, 0.0],
        ]
    )
    steer = np.array([slip[0], a * slip[0], 0.0, 0.0])
    return np.linalg.solve(masses, right), np.linalg.solve(masses, steer), damping, net, inertia


def response(corner: Corner, point: Point, rolled: bool) -> Response:
    """Lag of the roll behind a steady ramp of steer, and the share of its final value 20 ms after a step.

    A car whose front wheels carry nothing does not answer the steering at all and counts as unstable.
    """
    a, b, damping, net, inertia = state_space(corner, point, rolled)
    ratio = damping / (2.0 * math.sqrt(net * inertia)) if net > 0.0 else 0.0
    if not b.any() or float(np.max(eigvals(a).real)) >= 0.0:
        return Response(LONGEST_LAG, 0.0, ratio, True)
    once = np.linalg.solve(a, b)
    twice = np.linalg.solve(a, once)
    final = -once[3]
    augmented = np.zeros((5, 5))
    augmented[:4, :4] = a
    augmented[:4, 4] = b
    stepped = expm(augmented * BITE_TIME)[3, 4]
    lag = float(twice[3] / final)
    return Response(min(lag, LONGEST_LAG), 100.0 * float(stepped / final), ratio, False)


def clearance(corner: Corner, point: Point) -> float:
    """Lowest point of the outer chassis edge over the two ends, three RMS travels down."""
    car, p = corner.car, corner.car.p
    z = []
    for axle, state, bump in zip(car.axles, point.axles, corner.bumps, strict=True):
        z.append(state.rise - 3.0 * bump[2] + axle.ride_height)
    slope = (z[0] - z[1]) / car.wheelbase
    half = p["chassis_half_width"]
    front = z[0] + slope * p["front_edge_offset"] - half * math.sin(point.front.phi)
    rear = z[1] - slope * p["rear_edge_offset"] - half * math.sin(point.rear.phi)
    return min(front, rear)


# --------------------------------------------------------------------------------------------------- result


def _phase_metrics(corner: Corner) -> dict[str, float]:
    car = corner.car
    required = corner.required
    rolled = required >= corner.rollover
    point = corner.equilibrium(required)
    grip = corner.grip(point, rolled)
    front_limit, rear_limit = corner.axle_limits()
    lifts = [corner.lift_threshold(end) for end in range(2)]
    if front_limit >= corner.rollover and rear_limit >= corner.rollover:
        limited_by = 2.0
    else:
        limited_by = 0.0 if front_limit <= rear_limit else 1.0

    def margin(limit: float) -> float:
        return 100.0 * (limit / required - 1.0)

    up = any(state.lifted for state in point.axles)
    out = {
        "roll_deg": math.degrees(car.front_share * point.front.phi + (1.0 - car.front_share) * point.rear.phi),
        "grip_margin_pct": margin(min(front_limit, rear_limit)),
        "front_grip_margin_pct": margin(front_limit),
        "rear_grip_margin_pct": margin(rear_limit),
        "balance_pct": 100.0 * (front_limit - rear_limit) / required,
        "lift_margin_pct": margin(min(lifts)),
        "rollover_margin_pct": margin(corner.rollover),
        "clearance_mm": 1000.0 * clearance(corner, point),
        "lift_axle": corner.lift_axle(lifts),
        "limited_by": limited_by,
        "state": 2.0 if rolled else 1.0 if up else 0.0,
    }
    for i, end in enumerate(("front", "rear")):
        for j, side in enumerate(("inner", "outer")):
            out[f"{end}_{side}_load_n"] = grip.loads[i][j]
            out[f"{end}_{side}_inclination_deg"] = math.degrees(grip.leans[i][j])
    return out


def solve(parameters: dict[str, float], phases: list[dict[str, Any]]) -> dict[str, float]:
    """Every metric of a setup: `<phase>.<metric>` for each phase and the metrics of the whole car."""
    car = make_car(parameters)
    corners = [Corner(car, phase) for phase in phases]
    out: dict[str, float] = {}
    per_phase = []
    for phase, corner in zip(phases, corners, strict=True):
        metrics = _phase_metrics(corner)
        per_phase.append(metrics)
        out.update({f"{phase['name']}.{name}": value for name, value in metrics.items()})
    for name in ("grip_margin_pct", "lift_margin_pct", "rollover_margin_pct", "clearance_mm"):
        out[name] = min(metrics[name] for metrics in per_phase)
    weights = [float(phase["weight"]) for phase in phases]
    weighted = sum(w * metrics["grip_margin_pct"] for w, metrics in zip(weights, per_phase, strict=True))
    out["mean_grip_margin_pct"] = weighted / sum(weights)

    turn_in = next((c for phase, c in zip(phases, corners, strict=True) if phase["is_turn_in"]), corners[0])
    rolled = turn_in.required >= turn_in.rollover
    answer = response(turn_in, turn_in.equilibrium(turn_in.required), rolled)
    out["lag_ms"] = 1000.0 * answer.lag
    out["bite_pct"] = answer.bite
    out["roll_damping_ratio"] = answer.damping_ratio
    out["response_state"] = 1.0 if answer.unstable else 0.0

    fastest = max(corner.speed for corner in corners)
    for end, axle in zip(("front", "rear"), car.axles, strict=True):
        load, acceleration, _ = bumps(car, axle, fastest)
        rate = axle.wheel_rate + 0.5 * axle.bar_rate
        out[f"{end}_bump_load_n"] = load
        out[f"{end}_bump_upset_m_per_s2"] = acceleration
        out[f"{end}_bump_step_n"] = rate * parameters["bump_height"] / (1.0 + rate / axle.tyre_rate)
    gradient, share = roll_gradient(car)
    out["roll_gradient_deg_per_g"] = math.degrees(gradient) * G
    out["front_roll_stiffness_share_pct"] = 100.0 * share
    return out


# ---------------------------------------------------------------------------------------------- random cars


def random_car(rng: np.random.Generator) -> dict[str, float]:
    """A plausible 1/10 touring car over the published ranges."""

    def u(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    def chance(share: float) -> bool:
        return bool(rng.random() < share)

    p = {
        "mass": u(1.4, 1.8),
        "wheelbase": u(0.26, 0.30),
        "front_weight_share": u(0.36, 0.52),
        "cg_height": u(0.040, 0.060),
        "ballast_mass": u(0.0, 0.1),
        "ballast_shift": u(-0.05, 0.05),
    }
    shared_track = u(0.20, 0.25)
    for end in ("front", "rear"):
        motion, bar_motion = u(0.55, 0.75), u(0.5, 0.9)
        bar = 0.0 if chance(0.25) else u(50.0, 2500.0)
        reference = u(0.006, 0.010)
        droop = 0.0 if chance(0.05) else u(0.002, 0.020)
        p |= {
            f"{end}_track": min(max(shared_track + u(-0.005, 0.005), 0.20), 0.25),
            f"{end}_unsprung_mass": u(0.05, 0.09),
            f"{end}_wheel_radius": u(0.041, 0.045),
            f"{end}_spring_rate": u(120.0, 600.0) / motion**2,
            f"{end}_spring_motion_ratio": motion,
            f"{end}_bar_rate": bar / bar_motion**2,
            f"{end}_bar_motion_ratio": bar_motion,
            f"{end}_tyre_rate": u(2500.0, 6000.0),
            f"{end}_ride_height": reference + u(-0.002, 0.002),
            f"{end}_ride_height_reference": reference,
            f"{end}_roll_centre_height": u(0.0, 0.020),
            f"{end}_roll_centre_rate": u(0.8, 2.0),
            f"{end}_droop": droop,
            f"{end}_camber": math.radians(u(-3.0, 0.0)),
            f"{end}_camber_gain": u(0.0, 4.0),
            f"{end}_damping": u(3.0, 12.0),
            f"{end}_tyre_grip": u(0.85, 1.1) if end == "front" else u(0.95, 1.2),
        }
    p |= {
        "yaw_inertia": u(0.015, 0.030),
        "roll_inertia": u(0.002, 0.005),
        "caster": math.radians(u(5.0, 28.0)),
        "kingpin_inclination": math.radians(u(0.0, 10.0)),
        "ackermann_share": u(0.0, 1.0),
        "front_drive_share": 0.0 if chance(0.3) else u(0.3, 0.6),
        "front_brake_share": u(0.3, 0.7),
        "chassis_compliance": 0.0 if chance(0.6) else u(0.0, 0.05),
        "downforce_coefficient": 0.0 if chance(0.4) else u(0.0, 0.03),
        "front_downforce_share": u(0.3, 0.6),
        "load_sensitivity": u(0.08, 0.30),
        "reference_load": u(3.0, 5.0),
        "best_lean": math.radians(u(0.0, 3.0)),
        "lean_width": math.radians(u(6.0, 14.0)),
        "patch_shift": u(0.0, 0.005),
        "patch_lean": math.radians(u(2.0, 5.0)),
        "longitudinal_grip_ratio": u(0.9, 1.2),
        "cornering_stiffness": u(20.0, 70.0),
        "cornering_exponent": u(0.7, 1.0),
        "camber_stiffness": u(0.5, 6.0),
        "chassis_half_width": u(0.04, 0.09),
        "front_edge_offset": u(0.02, 0.07),
        "rear_edge_offset": u(0.02, 0.07),
        "grip": u(0.5, 2.0),
        "front_grip_ratio": u(0.9, 1.1),
        "roughness": 1e-6,
        "bump_height": u(0.0, 0.004),
    }
    car = make_car(p)
    unit = max(bumps(car, axle, 3.0)[0] for axle in car.axles)
    p["roughness"] = 0.0 if chance(0.15) else 1e-6 * (u(0.0, 2.0) / unit) ** 2
    return p


def random_phases(rng: np.random.Generator) -> list[dict[str, Any]]:
    """Four phases of a lap: a fast sweep, a hairpin, a braked entry (the turn-in) and an exit on power.

    Now and then a phase asks for far more than the grip, so that a car on a high-grip surface rolls over.
    """

    def u(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    def phase(name: str, radius: float, share: float, longitudinal_share: float) -> dict[str, Any]:
        made = {
            "name": name,
            "radius": radius,
            "speed": 0.0,
            "grip_share": share,
            "longitudinal": 0.0,
            "longitudinal_share": longitudinal_share,
            "weight": u(0.2, 1.0),
            "is_turn_in": name == "entry",
        }
        if rng.random() < 0.2:
            made |= {"speed": math.sqrt(radius * u(4.0, 14.0)), "grip_share": 0.0}
        elif rng.random() < 0.08:
            made["grip_share"] = 2.0 * share
        if rng.random() < 0.1:
            made |= {"longitudinal": 5.0 * longitudinal_share, "longitudinal_share": 0.0}
        return made

    return [
        phase("sweep", u(2.5, 5.0), u(0.6, 1.0), 0.0 if rng.random() < 0.5 else u(-0.1, 0.2)),
        phase("hairpin", u(0.6, 1.2), u(0.6, 1.0), 0.0 if rng.random() < 0.5 else u(-0.2, 0.2)),
        phase("entry", u(0.8, 3.0), u(0.5, 0.8), u(-0.5, 0.0)),
        phase("exit", u(0.8, 3.0), u(0.6, 0.9), u(0.0, 0.5)),
    ]
