"""The axle law in closed form, in plain Python, for comparison with the reference only.

Derived by virtual work: per axle travel of the outer and inner wheel and the load transfer, for the car the roll and
the load handed forwards; solved by scipy, stage by stage. `short` leaves out what is of second order in travel and roll
and pitches the body about the road instead of its wheels' centres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import root

from explorer.validation.wishbone.measured import CarInputs, EndInputs

G = 9.80665
FREE, STOP, UP, UP_STOP = range(4)


@dataclass(frozen=True)
class Axle:
    """Constants of one axle; names as in the equations."""

    m_s: float
    m_u: float
    t: float
    r: float
    w0: float
    s1: float
    s2: float
    c1: float
    c2: float
    k: float
    k1: float
    k_b: float
    k_t: float
    j: float
    p: float
    q: float
    g0: float
    stop: float

    @classmethod
    def of(cls, car: CarInputs, end: EndInputs, share: float) -> Axle:
        """Constants from what a car file says of an end."""
        w0 = car.mass * G * share
        p = end.tyre_crown - 0.5 * w0 / end.tyre_rate
        return cls(
            m_s=w0 / G - 2.0 * end.unsprung_mass,
            m_u=end.unsprung_mass,
            t=end.track,
            r=end.wheel_radius,
            w0=w0,
            s1=2.0 * end.roll_centre_height / end.track,
            s2=-2.0 * end.roll_centre_rate / end.track,
            c1=end.camber_gain,
            c2=end.camber_gain_slope,
            k=end.wheel_rate,
            k1=end.wheel_rate_slope,
            k_b=end.bar_rate,
            k_t=end.tyre_rate,
            j=end.wheel_inertia / end.wheel_radius,
            p=p,
            q=(end.wheel_radius - p) * end.camber_gain,
            g0=-end.camber,
            stop=end.droop,
        )

    @property
    def p0(self) -> float:
        """Force of the spring at the wheel at rest. [N]"""
        return 0.5 * self.w0 * (1.0 + self.q * self.g0) - self.m_u * G


@dataclass(frozen=True)
class Found:
    """A state; wheels in the order front inner, front outer, rear inner, rear outer; `lean` out of the turn without
    static camber."""

    roll: float
    loads: np.ndarray
    travel: np.ndarray
    lean: np.ndarray
    rises: np.ndarray
    stages: tuple[int, int]
    unknowns: np.ndarray


class Page:
    """The closed form of one car at one longitudinal acceleration [m/s2]."""

    def __init__(self, car: CarInputs, longitudinal: float = 0.0, short: bool = False):
        self.car = car
        shares = car.front_share, 1.0 - car.front_share
        self.axles = [Axle.of(car, end, share) for end, share in zip(car.ends, shares, strict=True)]
        self.sprung = sum(axle.m_s for axle in self.axles)
        below = sum(2.0 * axle.m_u * axle.r for axle in self.axles)
        self.h_s = (car.mass * car.cg_height - below) / self.sprung
        self.longitudinal = longitudinal
        self.short = short
        self.pitch_arm = self.h_s if short else self.h_s - 0.5 * sum(axle.r for axle in self.axles)

    def brought(
        self, axle: Axle, a: float, phi: float, w: float, tr: float, x_o: float, x_i: float
    ) -> tuple[float, ...]:
        """(N_o B_o + o_o, N_i B_i + o_i): what loads, weight and spin bring onto the springs. [N]"""
        s = axle
        f = (s.m_s + 2.0 * s.m_u) * a / w
        down = f * (phi - s.c1 * tr / s.k_t)
        both = 1.0 + s.q * s.g0 - down
        b_o = both - (s.s1 - s.p * s.c1) * phi - f * s.s1 + (s.q * s.c1 - s.s2 * (phi + f)) * x_o
        b_i = both + (s.s1 - s.p * s.c1) * phi + f * s.s1 + (s.q * s.c1 + s.s2 * (phi + f)) * x_i

        def side(x: float) -> float:
            sway = s.s1 - s.c1 * s.r + (s.s2 - s.c2 * s.r) * x
            return s.m_u * (a + G * phi) * sway - s.j * a * (s.c1 + s.c2 * x)

        if not self.short:
            ring = s.r - s.p
            b_o += s.p * s.c2 * phi * x_o + ring * (s.g0 * s.c2 * x_o + 1.5 * s.c1 * s.c2 * x_o**2) - 0.5 * phi**2
            b_i += -s.p * s.c2 * phi * x_i + ring * (s.g0 * s.c2 * x_i + 1.5 * s.c1 * s.c2 * x_i**2) - 0.5 * phi**2

        weight = -s.m_u * G + s.m_u * a * phi
        return (0.5 * w + tr) * b_o + weight + side(x_o), (0.5 * w - tr) * b_i + weight - side(x_i)

    def axle_residuals(
        self, axle: Axle, stage: int, a: float, phi: float, w: float, u: np.ndarray
    ) -> tuple[list[float], float]:
        """(three residuals, rise) of an axle at `u` = (transfer [N], outer travel, inner travel [mm])."""
        s = axle
        tr, x_o, x_i = float(u[0]), 1e-3 * float(u[1]), 1e-3 * float(u[2])
        x, h = 0.5 * (x_o - x_i), 0.5 * (x_o + x_i)
        on_o, on_i = self.brought(s, a, phi, w, tr, x_o, x_i)
        spring_o = s.p0 + s.k * x_o + 0.5 * s.k1 * x_o**2 + s.k_b * x
        spring_i = s.p0 + s.k * x_i + 0.5 * s.k1 * x_i**2 - s.k_b * x
        slope = s.s1 - s.p * s.c1
        tilt = phi * (s.t + 2.0 * slope * h) - 2.0 * tr / s.k_t - 2.0 * x
        rise = -h - (w - s.w0) / (2.0 * s.k_t)
        rise_up = 0.5 * s.t * phi + slope * x_o * phi - x_o - (w - 0.5 * s.w0) / s.k_t
        if not self.short:
            bend = s.s2 - s.p * s.c2
            tilt += phi * bend * (x * x + h * h) - 2.0 * (s.r - s.p) * (s.g0 + s.c1 * h) * (s.c1 + s.c2 * h) * x
            rise += slope * x * phi + 0.5 * s.p * phi**2 + bend * h * x * phi - s.q * s.g0 * h
            rise_up += 0.5 * s.p * phi**2 + 0.5 * bend * x_o**2 * phi - s.q * s.g0 * x_o
        if stage == FREE:
            return [spring_o - on_o, spring_i - on_i, 1e3 * tilt], rise
        if stage == STOP:
            return [spring_o - on_o, 1e3 * (x_i + s.stop), 1e3 * tilt], rise
        if stage == UP:
            return [spring_o - on_o, spring_i - on_i, tr - 0.5 * w], rise_up
        return [spring_o - on_o, 1e3 * (x_i + s.stop), tr - 0.5 * w], rise_up

    def moment(self, axle: Axle, a: float, phi: float, w: float, u: np.ndarray, rise: float) -> float:
        """Left less right of (4) for one axle. [N m]"""
        s = axle
        tr, x_o, x_i = float(u[0]), 1e-3 * float(u[1]), 1e-3 * float(u[2])
        x, h = 0.5 * (x_o - x_i), 0.5 * (x_o + x_i)
        cross, cross_h = w * x + 2.0 * tr * h, w * h + 2.0 * tr * x
        left = tr * s.t + s.s1 * cross + s.s2 * (w * x * h + tr * (x * x + h * h)) + s.p * (w * phi - s.c1 * cross)
        sway = (s.s1 - s.c1 * s.r + (s.s2 - s.c2 * s.r) * h) * x
        right = s.m_s * a * rise + 2.0 * s.m_u * (a * (s.r + h + rise) + G * (s.r * phi + sway)) + 2.0 * s.j * a
        if not self.short:
            left += phi * cross_h - s.p * s.c2 * (w * x * h + tr * (x * x + h * h)) - 0.5 * phi**2 * tr * s.t
            right += 2.0 * s.m_u * G * phi * h
        return left - right

    def residuals(self, u: np.ndarray, a: float, stages: tuple[int, int]) -> np.ndarray:
        """All eight; `u` is roll [0.01 rad], handed [N], then three of each axle."""
        phi, handed = 0.01 * float(u[0]), float(u[1])
        car, ax = self.car, self.longitudinal
        moved = car.mass * ax * car.cg_height / car.wheelbase
        out, rises, total = [], [], 0.0
        for k, axle in enumerate(self.axles):
            sign = 1.0 if k == 0 else -1.0
            w = axle.w0 + sign * (handed - moved)
            part = u[2 + 3 * k : 5 + 3 * k]
            rows, rise = self.axle_residuals(axle, stages[k], a, phi, w, part)
            out += rows
            rises.append(rise)
            total += self.moment(axle, a, phi, w, part, rise)
        total -= self.sprung * self.h_s * (a * math.cos(phi) + G * math.sin(phi))
        share = [axle.m_s / self.sprung for axle in self.axles]
        lifted = share[0] * rises[0] + share[1] * rises[1]
        pitch = self.sprung * G * self.pitch_arm / car.wheelbase**2 * (rises[1] - rises[0])
        pitch -= self.sprung * ax * lifted / car.wheelbase
        return np.array([10.0 * total, handed - pitch, *out])

    def solve(self, a: float, start: np.ndarray, stages: tuple[int, int]) -> Found | None:
        """State at a lateral acceleration from a start, changing stages until they fit; None where none does."""
        u = start
        tried = set()
        for _ in range(12):
            answer = root(self.residuals, u, args=(a, stages), tol=1e-12)
            if not answer.success and np.abs(answer.fun).max() > 1e-8:
                return None
            u = answer.x
            wanted = self._stages(u, a, stages)
            if wanted == stages:
                return self._read(u, a, stages)
            if wanted in tried:
                return None
            tried.add(wanted)
            stages = wanted
        return None

    def _weight(self, k: int, u: np.ndarray) -> float:
        moved = self.car.mass * self.longitudinal * self.car.cg_height / self.car.wheelbase
        return self.axles[k].w0 + (1.0 if k == 0 else -1.0) * (float(u[1]) - moved)

    def _stages(self, u: np.ndarray, a: float, stages: tuple[int, int]) -> tuple[int, int]:
        found = []
        phi = 0.01 * float(u[0])
        for k, axle in enumerate(self.axles):
            s = axle
            w = self._weight(k, u)
            tr, x_o, x_i = float(u[2 + 3 * k]), 1e-3 * float(u[3 + 3 * k]), 1e-3 * float(u[4 + 3 * k])
            x, h = 0.5 * (x_o - x_i), 0.5 * (x_o + x_i)
            up, stop = stages[k] in (UP, UP_STOP), stages[k] in (STOP, UP_STOP)
            if up:  # gap under the wheel as both tyres' difference
                gap = phi * (s.t + 2.0 * (s.s1 - s.p * s.c1) * h) - w / s.k_t - 2.0 * x
                up = gap > -1e-12
            else:
                up = tr > 0.5 * w
            if stop:
                _, on_i = self.brought(s, a, phi, w, tr, x_o, x_i)
                stop = s.p0 + s.k * x_i + 0.5 * s.k1 * x_i**2 - s.k_b * x - on_i > -1e-10
            else:
                stop = x_i < -s.stop
            found.append((UP_STOP if stop else UP) if up else (STOP if stop else FREE))
        return found[0], found[1]

    def _read(self, u: np.ndarray, a: float, stages: tuple[int, int]) -> Found:
        phi = 0.01 * float(u[0])
        loads, travel, lean, rises = [], [], [], []
        for k, axle in enumerate(self.axles):
            w, part = self._weight(k, u), u[2 + 3 * k : 5 + 3 * k]
            tr, x_o, x_i = float(part[0]), 1e-3 * float(part[1]), 1e-3 * float(part[2])
            loads += [0.5 * w - tr, 0.5 * w + tr]
            travel += [x_i, x_o]
            lean += [
                phi + axle.c1 * x_i + 0.5 * axle.c2 * x_i**2,
                phi - axle.c1 * x_o - 0.5 * axle.c2 * x_o**2,
            ]
            rises.append(self.axle_residuals(axle, stages[k], a, phi, w, part)[1])
        return Found(phi, np.array(loads), np.array(travel), np.array(lean), np.array(rises), stages, u)

    def follow(self, laterals: list[float], steps: int = 8) -> list[Found | None]:
        """States at rising lateral accelerations, each from the one before."""
        u, stages, at = np.zeros(8), (FREE, FREE), 0.0
        found: list[Found | None] = []
        for a in laterals:
            state = None
            for share in np.linspace(0.0, 1.0, steps + 1)[1:]:
                now = at + (a - at) * float(share)
                state = self.solve(now, u, stages)
                if state is not None:
                    u, stages = state.unknowns, state.stages
            at = a
            found.append(state)
        return found
