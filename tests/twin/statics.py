"""Statics of the whole car: every wheel, both ends of the body and the load between them solved together.

Fifteen unknowns: for each axle travels, contact forces, rise and roll of the body there; the torque through the
chassis, the front axle's load and the lateral acceleration. Newton's method with complex-step derivatives finds them
for a given set of bearing constraints; sets are tried until none is violated.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from twin.car import ENDS, Car, G
from twin.laws import STEP, Demand, Number, Stage, Wheels, equations, leans_out, moment, tests_of

COUNT = 15
REAR_ROLL, TORQUE, FRONT_LOAD, LATERAL = 11, 12, 13, 14
SCALE = np.array([*([1e-3, 1e-3, 1.0, 1.0, 1e-3, 1e-2] * 2), 0.1, 1.0, 1.0])
"""A change of each unknown that is worth noticing. SI."""
SETTLED = 1e-11
"""Newton steps in these scales at which an answer counts; one more is then taken."""
FAR = 1e6
"""Newton step in these scales that leads nowhere."""
MOST_STEPS = 40
SLACK = 1e-9
"""Violation of a constraint that is left to rounding. [N]"""


class Asked(NamedTuple):
    """What a phase asks before the body has moved: load of both axles and of the front one [N], longitudinal
    acceleration [m/s2]."""

    total: float
    front_load: float
    a_x: float


@dataclass(frozen=True)
class Bearing:
    """The bearing constraints of both axles; `bare` is -1 where the front axle carries nothing, +1 where it carries
    all."""

    front: Stage = Stage()
    rear: Stage = Stage()
    bare: int = 0

    @property
    def axles(self) -> tuple[Stage, Stage]:
        return self.front, self.rear

    def flipped(self, flag: str) -> Bearing:
        """The same with one constraint, `front.up` for example, or `bare+`, the other way about."""
        if flag.startswith("bare"):
            return replace(self, bare=0 if self.bare else (1 if flag == "bare+" else -1))
        end, name = flag.split(".")
        return replace(self, **{end: getattr(self, end).flipped(name)})


class Held(NamedTuple):
    """The fifteenth equation, `row @ z = value`: where on the path."""

    row: np.ndarray
    value: float


class Solution(NamedTuple):
    """Unknowns, and how they move along the path per unit of what is held."""

    z: np.ndarray
    dz: np.ndarray


class AxleState(NamedTuple):
    """One axle of a point of the path. SI."""

    wheels: Wheels
    demand: Demand
    stage: Stage
    leans_out: tuple[float, float]

    @property
    def phi(self) -> float:
        return self.demand.phi

    @property
    def load(self) -> float:
        return self.demand.load

    @property
    def transfer(self) -> float:
        return 0.5 * self.load if self.stage.up else self.wheels.transfer

    @property
    def loads(self) -> tuple[float, float]:
        """(inner, outer)."""
        return (0.0, self.load) if self.stage.up else (self.wheels.n_inner, self.wheels.n_outer)

    @property
    def rise(self) -> float:
        return self.wheels.rise


class Point(NamedTuple):
    """A state of the whole car. SI; `roll` at the sprung centre."""

    a_y: float
    roll: float
    front: AxleState
    rear: AxleState

    @property
    def axles(self) -> tuple[AxleState, AxleState]:
        return self.front, self.rear


class Statics:
    """The balances of one car in one phase."""

    def __init__(self, car: Car, asked: Asked) -> None:
        self.car = car
        self.asked = asked

    def _split(self, z: Number) -> tuple[list[Wheels], list[Demand]]:
        loads = z[FRONT_LOAD], self.asked.total - z[FRONT_LOAD]
        wheels = [Wheels(*z[first : first + 5]) for first in (0, 6)]
        return wheels, [Demand(z[first], z[LATERAL], load) for first, load in zip((5, 11), loads, strict=True)]

    def roll(self, z: Number) -> Number:
        """Roll of the body at its sprung centre."""
        front, rear = self.car.shares
        return front * z[5] + rear * z[11]

    def _wanted(self, z: Number) -> Number:
        """Load of the front axle: the body leans forwards where its rear has risen more, and braking and drive throw it
        the harder the higher it stands."""
        car = self.car
        front, rear = z[4], z[10]
        forward = G * car.pitch_height * (rear - front) / car.wheelbase
        higher = car.front_share * front + (1.0 - car.front_share) * rear
        return self.asked.front_load + car.sprung * (forward - self.asked.a_x * higher) / car.wheelbase

    def residuals(self, z: Number, bearing: Bearing) -> list[Number]:
        """Fourteen balances; what is held makes the fifteenth."""
        wheels, demands = self._split(z)
        rows, left = [], []
        for axle, w, d, stage in zip(self.car.axles, wheels, demands, bearing.axles, strict=True):
            rows += equations(axle, w, d, stage)
            left.append(moment(axle, w, d, stage))
        load = self._wanted(z) if bearing.bare == 0 else (0.0 if bearing.bare < 0 else self.asked.total)
        twist = z[5] - z[11] - self.car.p["chassis_compliance"] * z[TORQUE]
        return [*rows, left[0] + z[TORQUE], left[1] - z[TORQUE], twist, z[FRONT_LOAD] - load]

    def _tests(self, z: Number, bearing: Bearing) -> dict[str, Number]:
        wheels, demands = self._split(z)
        found = {}
        for end, axle, w, d, stage in zip(ENDS, self.car.axles, wheels, demands, bearing.axles, strict=True):
            found |= {f"{end}.{flag}": value for flag, value in tests_of(axle, w, d, stage).items()}
        wanted, total = self._wanted(z), self.asked.total
        if bearing.bare == 0:
            return found | {"bare-": wanted, "bare+": total - wanted}
        return found | {"bare": -wanted if bearing.bare < 0 else wanted - total}

    def tests(self, z: np.ndarray, bearing: Bearing) -> dict[str, float]:
        """Every constraint's number, not below zero while it holds as `bearing` says. [N]"""
        return {flag: float(value) for flag, value in self._tests(z, bearing).items()}

    def tests_along(self, z: np.ndarray, dz: np.ndarray, bearing: Bearing) -> dict[str, float]:
        """Derivatives of these numbers along a direction."""
        return {flag: float(np.imag(value)) / STEP for flag, value in self._tests(z + 1j * STEP * dz, bearing).items()}

    def start(self) -> np.ndarray:
        """The car standing still, as a first guess."""
        z = np.zeros(COUNT)
        load = min(max(self.asked.front_load, 0.0), self.asked.total)
        z[FRONT_LOAD] = load
        for first, axle_load in ((0, load), (6, self.asked.total - load)):
            z[first + 2] = z[first + 3] = 0.5 * axle_load
        return z

    def held(self, a_y: float) -> Held:
        """Lateral acceleration, held."""
        return Held(np.eye(COUNT)[LATERAL], a_y)

    def solve(self, guess: np.ndarray, bearing: Bearing, held: Held) -> Solution:
        """Newton's method for one set of bearing constraints.

        Raises ArithmeticError where it does not settle.
        """
        z = np.array(guess, dtype=float)
        turn = 1j * STEP * np.eye(COUNT)
        settled = False
        for _ in range(MOST_STEPS):
            values = np.array(self.residuals(z[:, None] + turn, bearing))
            slopes = np.vstack([np.imag(values) / STEP, held.row])
            off = np.append(np.real(values[:, 0]), held.row @ z - held.value)
            try:
                step, dz = np.linalg.solve(slopes, np.column_stack([off, np.eye(COUNT)[-1]])).T
            except np.linalg.LinAlgError as error:
                raise ArithmeticError("the balances are singular") from error
            z = z - step
            size = float(np.max(np.abs(step) / SCALE))
            if settled:
                return Solution(z, dz)
            if not size < FAR:
                break
            settled = size < SETTLED
        raise ArithmeticError("the balances do not settle")

    def find(self, guess: np.ndarray, bearing: Bearing, held: Held) -> tuple[Solution, Bearing]:
        """The same with the bearing constraints found too: violated ones change until none is left, or else every set
        is tried and the nearest taken.

        Raises ArithmeticError where no set fits.
        """
        tried: set[Bearing] = set()
        try:
            while bearing not in tried:
                tried.add(bearing)
                solution = self.solve(guess, bearing, held)
                broken = [flag for flag, value in self.tests(solution.z, bearing).items() if value < -SLACK]
                if not broken:
                    return solution, bearing
                for flag in broken:
                    bearing = bearing.flipped(flag)
        except ArithmeticError:
            pass
        fitting = []
        for candidate in every_bearing(self.car.law):
            try:
                solution = self.solve(guess, candidate, held)
            except ArithmeticError:
                continue
            if min(self.tests(solution.z, candidate).values()) >= -SLACK:
                fitting.append((float(np.sum(((solution.z - guess) / SCALE) ** 2)), solution, candidate))
        if not fitting:
            raise ArithmeticError("no set of bearing constraints fits")
        _, solution, bearing = min(fitting, key=lambda item: item[0])
        return solution, bearing

    def point(self, z: np.ndarray, bearing: Bearing) -> Point:
        """A solution by names."""
        axles = []
        wheels, demands = self._split(z)
        for axle, w, d, stage in zip(self.car.axles, wheels, demands, bearing.axles, strict=True):
            w = Wheels(*map(float, w))
            d = Demand(float(d.phi), float(d.a_y), float(d.load))
            axles.append(AxleState(w, d, stage, leans_out(axle, w, d.phi)))
        return Point(float(z[LATERAL]), float(self.roll(z)), axles[0], axles[1])


def every_bearing(law: str) -> list[Bearing]:
    """Every set of constraints with load on both axles."""
    third = "outer_stop" if law == "wishbone" else "spent"
    choices = itertools.product((False, True), repeat=3)
    stages = [Stage(inner_stop=stop, up=up, **{third: other}) for stop, up, other in choices]
    return [Bearing(front, rear) for front, rear in itertools.product(stages, repeat=2)]
