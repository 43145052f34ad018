"""One phase of a corner for one car: equilibria, lift, rollover, grip of both axles and their limits.

The tyre laws follow Pacejka, Tyre and Vehicle Dynamics.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from twin.car import ENDS, Car, G
from twin.path import Knot, Path, Piece
from twin.statics import Asked, Bearing, Point, Statics
from twin.tyre import bump_factor, bumps, steered_lean

Pair = tuple[float, float]


class Grip(NamedTuple):
    """Tyre forces of a state: lateral capacity and demand per axle, loads and leans as (front, rear) x (in, out)."""

    loads: tuple[Pair, Pair]
    leans: tuple[Pair, Pair]
    capacity: Pair
    demand: Pair


class Corner:
    """Radius, speed and longitudinal acceleration are held, lateral acceleration varies."""

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
        front_load = car.front.static_load - moved + p["front_downforce_share"] * down
        self.total = car.mass * G + down
        self.statics = Statics(car, Asked(self.total, front_load, self.a_x))
        self.bumps = tuple(bumps(car, axle, self.speed) for axle in car.axles)
        self._still_leans = self._leans_at_rest()
        self.path = Path(self.statics)
        self.rollover = self.path.rollover

    def equilibrium(self, a_y: float) -> Point:
        """State at a lateral acceleration: the first of the path; past the rollover, the rollover."""
        return self.path.reach(a_y)

    # ------------------------------------------------------------------------------------------------- lift

    def _lift(self, end: int) -> Knot | None:
        """Where an inner wheel leaves the ground, up to the rollover and no further."""
        lift = self.path.first_up(end)
        return lift if lift is not None and lift.length <= self.path.top.length * (1.0 + 1e-9) else None

    def lift_threshold(self, end: int) -> float:
        """a_y at which the inner wheel of an axle (0 front, 1 rear) first leaves the ground, or the rollover."""
        lift = self._lift(end)
        return self.rollover if lift is None else min(max(lift.a_y, 0.0), self.rollover)

    def lift_axle(self) -> float:
        """The axle whose inner wheel lifts first on the way to the rollover: 1 rear, else 0."""
        front, rear = self._lift(0), self._lift(1)
        return 1.0 if rear is not None and (front is None or rear.length < front.length) else 0.0

    # ------------------------------------------------------------------------------------------------- grip

    def _leans_at_rest(self) -> tuple[Pair, Pair]:
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

    def leans(self, point: Point) -> tuple[Pair, Pair]:
        """Inclination into the turn of every wheel: static and steered, less what has leaned out since."""
        pairs = []
        for rest, state in zip(self._still_leans, point.axles, strict=True):
            pairs.append((rest[0] - float(state.leans_out[0]), rest[1] - float(state.leans_out[1])))
        return pairs[0], pairs[1]

    def _peak(self, end: int, load: float, lean: float) -> float:
        """Largest lateral force of a wheel."""
        if load <= 0.0:
            return 0.0
        p, reference = self.car.p, self.car.p["reference_load"]
        off = (lean - p[f"{ENDS[end]}_best_lean"]) / p[f"{ENDS[end]}_lean_width"]
        camber = 1.0 / (1.0 + off**2)
        steady = self.car.axles[end].grip * reference * (load / reference) ** (1.0 - p["load_sensitivity"])
        return steady * camber * bump_factor(load, self.bumps[end][0], p["load_sensitivity"])

    def grip(self, point: Point, rolled: bool = False) -> Grip:
        """Capacity and demand of both axles (friction ellipse, patch shift with lean).

        Rolled over, the outer wheels carry everything.
        """
        car, p = self.car, self.car.p
        drive = p["front_drive_share"] if self.a_x > 0.0 else p["front_brake_share"]
        forces = (car.mass * self.a_x * drive, car.mass * self.a_x * (1.0 - drive))
        leans, all_loads, capacity, yaw = self.leans(point), [], [], 0.0
        for end, state in enumerate(point.axles):
            loads = (0.0, state.load) if rolled else state.loads
            peak = 0.0
            for load, lean in zip(loads, leans[end], strict=True):
                peak += self._peak(end, load, lean)
                if state.load > 0.0:
                    yaw -= forces[end] * load / state.load * p["patch_shift"] * math.tanh(lean / p["patch_lean"])
            along, used = p["longitudinal_grip_ratio"] * peak, abs(forces[end])
            capacity.append(0.0 if used >= along else peak * math.sqrt(1.0 - (used / along) ** 2))
            all_loads.append(loads)
        lateral = car.mass * point.a_y
        demand = (
            lateral * car.front_weight - yaw / car.wheelbase,
            lateral * (1.0 - car.front_weight) + yaw / car.wheelbase,
        )
        return Grip((all_loads[0], all_loads[1]), leans, (capacity[0], capacity[1]), demand)

    def _spare(self, knot: Knot, bearing: Bearing) -> Pair:
        """What is left of the capacity of both axles."""
        grip = self.grip(self.path.point(knot, bearing))
        return grip.capacity[0] - grip.demand[0], grip.capacity[1] - grip.demand[1]

    def axle_limits(self) -> Pair:
        """First a_y along the path at which the capacity of the front and of the rear axle falls to its demand.

        Looked for at every knot of the path up to the rollover, then bracketed; where there is none, the rollover.
        """
        limits: list[float | None] = [None, None]
        pieces = self.path.pieces[: self.path.end]
        first = self.path.pieces[0]
        for end, spare in enumerate(self._spare(first.low, first.bearing)):
            if spare <= 0.0:
                limits[end] = 0.0
        for piece in pieces:
            if None not in limits:
                break
            for end, spare in enumerate(self._spare(piece.high, piece.bearing)):
                if limits[end] is None and spare <= 0.0:
                    limits[end] = self._crossing(piece, end)
        front, rear = (self.rollover if limit is None else limit for limit in limits)
        return front, rear

    def _crossing(self, piece: Piece, end: int) -> float:
        return self.path.where(piece, lambda knot: self._spare(knot, piece.bearing)[end]).a_y
