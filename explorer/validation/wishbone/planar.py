"""A wishbone car followed from rest to lift and past it: states at a lateral acceleration, thresholds, tangent."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.optimize import brentq

from explorer.domain.errors import ModelError
from explorer.domain.space import FloatArray
from explorer.validation.wishbone.cars import Car
from explorer.validation.wishbone.kinetics import LATERAL, PITCH, ROLL, UNKNOWNS, WHEEL, equations, rest_at

BY_PLACE, BY_LATERAL, BY_TYRE, BY_STOP = 0, 1, 2, 6
"""What is given of a state: place on the path, lateral acceleration, compression of a tyre or travel left to a droop
stop (plus the number of the wheel)."""
UNIT = np.array([2e-3, 5e-3, 5e-3, 0.03, 0.03, 0.03, 0.03, 1.0])
"""What counts as one along the path, in each unknown. Roll may turn back where a stop is met, lateral acceleration at a
lift, so the path is followed by its own length (Riks, Int. J. Solids Structures 15, 1979, from memory)."""
FIRST_STEP, LEAST_STEP, LONGEST_STEP, RESTART, SHARPEST = 0.3, 3e-5, 0.8, 3e-4, 0.5
"""Lengths of steps; a turn of the path by more than the cosine `SHARPEST` is looked at more finely."""
CORNER = 2e-5
"""Nearest a wheel must be to lifting, or a suspension to its stop, to be what turns the path. [m]"""
FURTHEST_ROLL, FALLEN = 0.7, 0.7
"""A path ends at this roll [rad], or where lateral acceleration has fallen to this share of its highest."""
COUPLE = 1e-4
"""Roll couple by which the tangent is taken. [N m]"""


@dataclass(frozen=True)
class State:
    """A car at rest in a left turn. SI; wheels in the order front inner, front outer, rear inner, rear outer.

    `compression` of a tyre is negative by the gap under a lifted wheel; `travel` is bump of the wheel's centre in the
    body; `lean` is out of the turn with static camber in it; `rises` (2,) of the body over the road at both ends;
    `place` is the length of the path up to here.
    """

    lateral: float
    roll: float
    pitch: float
    rises: FloatArray
    loads: FloatArray
    compression: FloatArray
    contact: FloatArray
    travel: FloatArray
    lean: FloatArray
    unknowns: FloatArray
    place: float = 0.0

    @property
    def lifted(self) -> tuple[bool, ...]:
        """Which wheels are off the ground."""
        return tuple(bool(c <= 0.0) for c in self.compression)


@dataclass(frozen=True)
class Tangent:
    """`stiffness` net couple per roll [N m/rad], `travel` (4,) [m/rad] and `lean` (4,) [-] per roll."""

    stiffness: float
    travel: FloatArray
    lean: FloatArray


def _length(move: FloatArray) -> float:
    return float(np.linalg.norm(move / UNIT))


class Path:
    """The states of a car at one longitudinal acceleration, found once. Raises ModelError where it does not settle."""

    def __init__(self, car: Car, longitudinal: float = 0.0):
        self.car = car
        self.longitudinal = longitudinal
        self.ends, self.row = car.arrays(longitudinal)
        self.droops = np.array([end.droop for end in car.ends for _ in range(2)])

    def _found(
        self, start: FloatArray, given: int, wanted: float, along: FloatArray | None = None, couple: float = 0.0
    ) -> State | None:
        row = self.row
        if couple != 0.0:
            row = row.copy()
            row[-1] = couple
        wheels = np.empty((4, WHEEL))
        along = np.zeros(UNKNOWNS) if along is None else along
        unknowns, settled = rest_at(self.ends, row, start, given, wanted, along, wheels)
        if not settled:
            return None
        pitch = float(unknowns[PITCH])
        rise = float(unknowns[0])
        return State(
            lateral=float(unknowns[LATERAL]),
            roll=float(unknowns[ROLL]),
            pitch=pitch,
            rises=np.array([rise, rise + self.car.wheelbase * math.sin(pitch)]),
            loads=wheels[:, 1].copy(),
            compression=wheels[:, 0].copy(),
            contact=wheels[:, 2].copy(),
            travel=wheels[:, 3].copy(),
            lean=wheels[:, 4].copy(),
            unknowns=unknowns,
        )

    def _placed(self, state: State, after: State) -> State:
        return replace(state, place=after.place + _length(state.unknowns - after.unknowns))

    @cached_property
    def standing(self) -> State:
        """Without lateral acceleration."""
        state = self._found(np.zeros(UNKNOWNS), BY_LATERAL, 0.0)
        if state is None:
            raise ModelError("the car does not stand")
        return state

    def _step(self, old: State, heading: FloatArray, step: float) -> State | None:
        """The next state, `step` ahead; None where there is none without a leap or a sharp turn."""
        along = heading / UNIT**2
        start = old.unknowns + step * heading
        new = self._found(start, BY_PLACE, float(along @ start), along)
        if new is None:
            return None
        length = _length(new.unknowns - old.unknowns)
        limit = SHARPEST if step > 0.02 else 0.1
        return self._placed(new, old) if length <= step / limit else None

    @cached_property
    def points(self) -> list[State]:
        """States along the path, to where both inner wheels are up or the car has gone over."""
        points, step, best = [self.standing], FIRST_STEP, 0.0
        heading = np.zeros(UNKNOWNS)
        heading[LATERAL] = UNIT[LATERAL]
        while True:
            new = self._step(points[-1], heading, step)
            if new is None:
                step *= 0.5
                if step > LEAST_STEP:
                    continue
                ahead = self._ahead(points)
                new = self._step(points[-1], ahead, RESTART)
                if new is None:
                    new, ahead = self._round_corner(points[-1])
                points.append(new)
                heading, step = ahead, RESTART
                if new.lifted[0] and new.lifted[2]:
                    return points
                continue
            move = new.unknowns - points[-1].unknowns
            heading = move / _length(move)
            points.append(new)
            step = min(1.6 * step, LONGEST_STEP)
            best = max(best, new.lateral)
            if (new.lifted[0] and new.lifted[2]) or new.lateral < FALLEN * best or new.roll > FURTHEST_ROLL:
                return points

    def _ahead(self, points: list[State]) -> FloatArray:
        """Direction of the path at its last state: the last chord may have cut a corner. Raises ModelError where the
        arms do not reach."""
        last, move = points[-1], UNIT * 1e-4
        out, wheels = np.empty(UNKNOWNS), np.empty((4, WHEEL))
        columns = []
        for k in range(UNKNOWNS):
            values = []
            for sign in (0.5, -0.5):
                unknowns = last.unknowns.copy()
                unknowns[k] += sign * move[k]
                equations(self.ends, self.row, unknowns, out, wheels)
                values.append(out[:7].copy())
            columns.append(values[0] - values[1])
        slopes = np.stack(columns, axis=1)
        if not np.isfinite(slopes).all():
            raise ModelError(f"the arms do not reach further at a roll of {last.roll:.4f}")
        direction = np.linalg.svd(slopes)[2][-1]
        chord = (last.unknowns - points[-2].unknowns) / UNIT
        return direction * UNIT * math.copysign(1.0, float(direction @ chord))

    def _round_corner(self, last: State) -> tuple[State, FloatArray]:
        """(state, heading) past a wheel that lifts or a stop that is met just ahead, where the path turns sharply: by
        the gap that opens there. Raises ModelError where there is no such thing."""
        gaps = [*last.compression, *(last.travel + self.droops)]
        near = sorted((abs(gap), number) for number, gap in enumerate(gaps) if abs(gap) < CORNER)
        for _, number in near:
            past = -math.copysign(1.0, gaps[number])
            for open_by in (1e-6, 1e-7) if number < 4 or past > 0.0 else (1e-8, 1e-9):
                one = self._found(last.unknowns, BY_TYRE + number, past * open_by)
                two = None if one is None else self._found(one.unknowns, BY_TYRE + number, 2.0 * past * open_by)
                if one is None or two is None or _length(two.unknowns - last.unknowns) > 0.3:
                    continue
                move = two.unknowns - one.unknowns
                return self._placed(two, last), move / _length(move)
        raise ModelError(f"the car does not settle past a roll of {last.roll:.4f}")

    def between(self, low: State, high: State, value: Callable[[State], float]) -> State:
        """State between two neighbours of the path at which `value` crosses zero."""
        move = high.unknowns - low.unknowns
        along = move / UNIT**2

        def at(share: float) -> State:
            guess = low.unknowns + share * move
            for start in (guess, low.unknowns, high.unknowns):
                state = self._found(start, BY_PLACE, float(along @ guess), along)
                if state is not None:
                    return self._placed(state, low)
            raise ModelError("the car does not settle between two states")

        ends = value(low), value(high)
        if ends[0] * ends[1] > 0.0:
            raise ModelError("no crossing between two states")
        if ends[0] == 0.0 or ends[1] == 0.0:
            return low if ends[0] == 0.0 else high
        return at(float(brentq(lambda s: value(at(s)), 0.0, 1.0, xtol=1e-11)))

    def _event(self, low: State, high: State, given: int, wanted: float, value: Callable[[State], float]) -> State:
        """As `between`, by one solve for the event itself where that stays between the two."""
        move = high.unknowns - low.unknowns
        share = value(low) / (value(low) - value(high)) if value(low) != value(high) else 0.0
        state = self._found(low.unknowns + share * move, given, wanted)
        around = math.inf
        if state is not None:
            around = _length(state.unknowns - low.unknowns) + _length(high.unknowns - state.unknowns)
            if around <= 2.0 * _length(move) + 1e-9:
                return self._placed(state, low)
        try:
            return self.between(low, high, value)
        except ModelError:
            # a corner of the path lies between, so sharp that no plane across the chord meets the path
            if state is None or around > 4.0 * _length(move):
                raise
            return self._placed(state, low)

    def _lift(self, wheel: int) -> State | None:
        if self.points[0].lifted[wheel]:
            return self.points[0]
        for low, high in zip(self.points, self.points[1:], strict=False):
            if high.lifted[wheel]:
                return self._event(low, high, BY_TYRE + wheel, 0.0, lambda s: float(s.compression[wheel]))
        return None

    @cached_property
    def lifts(self) -> tuple[State | None, State | None]:
        """Where the front and the rear inner wheel leave the ground; None where one never does."""
        return self._lift(0), self._lift(2)

    @property
    def first_lift(self) -> State:
        """Where the first inner wheel leaves the ground; the highest point of the path where none does."""
        known = [lift for lift in self.lifts if lift is not None]
        return min(known, key=lambda s: s.place) if known else max(self.points, key=lambda s: s.lateral)

    @property
    def front_first(self) -> bool:
        """Whether the front inner wheel is the first to leave the ground."""
        front, rear = self.lifts
        return rear is None or (front is not None and front.place < rear.place)

    @cached_property
    def rollover(self) -> float:
        """Highest lateral acceleration with a state of rest. [m/s2]"""
        return max(s.lateral for s in (*self.points, *(lift for lift in self.lifts if lift is not None)))

    def at(self, lateral: float) -> State | None:
        """First state on the path that reaches a lateral acceleration; None past the rollover."""
        for low, high in zip(self.points, self.points[1:], strict=False):
            if low.lateral <= lateral <= high.lateral:
                return self._event(low, high, BY_LATERAL, lateral, lambda s: s.lateral - lateral)
        return None

    def on_stop(self, state: State) -> tuple[bool, ...]:
        """Which suspensions are at their droop stop."""
        return tuple(bool(b) for b in state.travel <= -self.droops)

    def tangent(self, state: State) -> Tangent:
        """What a small roll couple on the body does at the same lateral acceleration, by central differences."""
        high, low = (
            self._found(state.unknowns, BY_LATERAL, state.lateral, couple=sign * COUPLE) for sign in (1.0, -1.0)
        )
        if high is None or low is None:
            raise ModelError("the car does not settle under a small couple")
        roll = high.roll - low.roll
        return Tangent(2.0 * COUPLE / roll, (high.travel - low.travel) / roll, (high.lean - low.lean) / roll)
