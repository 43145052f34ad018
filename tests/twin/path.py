"""The path of equilibria of a car in a corner, piece by piece between changes of its bearing constraints.

The path is followed by its own length in all unknowns (pseudo-arclength: Keller 1977), for neither roll nor lateral
acceleration need grow along it: roll turns back where a suspension meets its stop, and lateral acceleration falls past
the rollover. A piece ends where a constraint changes, or where lateral acceleration has a crest or a dip, so that on
each it only rises or only falls. The path leads to the largest lateral acceleration on it, the rollover.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

from twin.statics import COUNT, LATERAL, REAR_ROLL, SCALE, SLACK, Bearing, Held, Point, Statics

TIGHTEST_RTOL = 4.0 * np.finfo(float).eps
STRIDE = 0.15
"""Lateral acceleration per step of the path near the upright car. [m/s2]"""
BENT = 0.2
"""Largest distance of a step's end from where the tangent led, over the step."""
LONGEST = 0.05
"""Longest step of the path in `statics.SCALE` when the car is far over, as a share of the path before."""
MOST_PIECES = 4000
LARGEST_ROLL = {"beam": 1.4, "wishbone": 0.5}
"""Roll of the rear of the body at which a path ends, be lateral acceleration still rising. [rad]

The geometry of wishbones is of second order in travel: a car in a hundred, one wheel up on soft springs, would lean
on it for ever beyond any travel that they have.
"""
NO_HIGHER = 1e-10
"""A later crest that is higher by less than this share is the first one, to rounding."""
FELL, FELL_ON_TWO_WHEELS = 0.85, 0.97
"""Shares of the largest lateral acceleration at which the search ends."""


def root(function: Callable[[float], float], low: float, high: float) -> float:
    """Root to rounding of a function that changes sign."""
    return float(brentq(function, low, high, xtol=1e-17, rtol=TIGHTEST_RTOL, maxiter=300))


class Knot(NamedTuple):
    """A point of the path with the unit tangent along which it is followed, and its distance from the upright car."""

    z: np.ndarray
    tangent: np.ndarray
    length: float

    @property
    def a_y(self) -> float:
        return float(self.z[LATERAL])

    @property
    def slope(self) -> float:
        return float(self.tangent[LATERAL])


class Piece(NamedTuple):
    """Part of the path with the same bearing constraints, on which lateral acceleration is monotone."""

    low: Knot
    high: Knot
    bearing: Bearing


def _unit(direction: np.ndarray) -> np.ndarray:
    return direction / float(np.sqrt(np.sum((direction / SCALE) ** 2)))


class Path:
    """All pieces up to and beyond the rollover; `pieces[: end]` lead to it."""

    def __init__(self, statics: Statics) -> None:
        self.statics = statics
        self.pieces: list[Piece] = []
        self._walk(*self._first())
        self.end = 0
        self.top = self.pieces[0].low
        best = max(self.top.a_y, 0.0)
        for number, piece in enumerate(self.pieces):
            if piece.high.a_y > best * (1.0 + NO_HIGHER):
                self.end, self.top, best = number + 1, piece.high, piece.high.a_y
        self.rollover = best

    # -------------------------------------------------------------------------------------------- one piece

    def _ahead(self, low: Knot, step: float, bearing: Bearing, guess: np.ndarray | None = None) -> Knot:
        """The point of the path that lies `step` further along the tangent at `low`."""
        row = low.tangent / SCALE**2
        guess = low.z + step * low.tangent if guess is None else guess
        solution = self.statics.solve(guess, bearing, Held(row, float(row @ low.z) + step))
        return Knot(solution.z, _unit(solution.dz), low.length + step)

    def at(self, piece: Piece, length: float) -> Knot:
        """A point of a piece."""
        step = length - piece.low.length
        share = step / (piece.high.length - piece.low.length)
        return self._ahead(piece.low, step, piece.bearing, piece.low.z + share * (piece.high.z - piece.low.z))

    def where(self, piece: Piece, wanted: Callable[[Knot], float]) -> Knot:
        """The point at which a quantity that changes sign along a piece is zero."""
        return self.at(piece, root(lambda length: wanted(self.at(piece, length)), piece.low.length, piece.high.length))

    def point(self, knot: Knot, bearing: Bearing) -> Point:
        return self.statics.point(knot.z, bearing)

    def _keep(self, low: Knot, high: Knot, bearing: Bearing) -> None:
        """Add a piece, divided at a crest or a dip."""
        piece = Piece(low, high, bearing)
        if low.slope * high.slope < 0.0:
            middle = self.where(piece, lambda knot: knot.slope)
            self.pieces += [Piece(low, middle, bearing), Piece(middle, high, bearing)]
        else:
            self.pieces.append(piece)

    # --------------------------------------------------------------------------------------------- the walk

    def _first(self) -> tuple[Knot, Bearing]:
        """The upright car, with the constraints that bear as soon as it leans or corners."""
        statics = self.statics
        row = np.zeros(COUNT)
        row[[5, 11]], row[LATERAL] = 0.5, 1.0 / 400.0
        still, bearing = statics.find(statics.start(), Bearing(), Held(row, 0.0))
        _, bearing = statics.find(still.z, bearing, Held(row, 1e-6))
        still = statics.solve(still.z, bearing, Held(row, 0.0))
        return Knot(still.z, _unit(still.dz), 0.0), bearing

    def _walk(self, knot: Knot, bearing: Bearing) -> None:
        usual = STRIDE / max(knot.slope, 0.1)
        step, best = usual, 0.0
        while not self._over(knot, bearing, best):
            if step < 1e-9 * usual or len(self.pieces) > MOST_PIECES:
                raise ArithmeticError("the path is lost")
            try:
                ahead = self._ahead(knot, step, bearing)
            except ArithmeticError:
                step *= 0.5
                continue
            if float(np.max(np.abs(ahead.z - knot.z - step * knot.tangent) / SCALE)) > BENT * step:
                step *= 0.5
                continue
            flag, event = self._first_change(knot, ahead, bearing)
            if self.beyond(event) > 0.0:
                self._keep(knot, self.where(Piece(knot, event, bearing), self.beyond), bearing)
                break
            if event is not knot:
                self._keep(knot, event, bearing)
            knot = event
            if flag is not None:
                knot, bearing = self._changed(event, bearing, flag)
            best = max(best, knot.a_y)
            step = min(2.0 * step, usual if knot.a_y >= best else max(usual, LONGEST * knot.length))

    def _changed(self, event: Knot, bearing: Bearing, flag: str) -> tuple[Knot, Bearing]:
        """The same point with one constraint changed, and the way on: to where the changed one holds."""
        bearing = bearing.flipped(flag)
        changed = "bare" if bearing.bare and flag.startswith("bare") else flag
        row = event.tangent / SCALE**2
        solution = self.statics.solve(event.z, bearing, Held(row, float(row @ event.z)))
        tangent = _unit(solution.dz)
        growth = self.statics.tests_along(solution.z, tangent, bearing)
        return Knot(solution.z, tangent if growth[changed] >= 0.0 else -tangent, event.length), bearing

    def _first_change(self, low: Knot, high: Knot, bearing: Bearing) -> tuple[str | None, Knot]:
        """The first constraint violated between two points, and where."""
        before, after = self.statics.tests(low.z, bearing), self.statics.tests(high.z, bearing)
        first: tuple[str | None, Knot] = (None, high)
        piece = Piece(low, high, bearing)
        for flag, value in after.items():
            if value >= -SLACK:
                continue
            event = low
            if before[flag] > SLACK:
                event = self.where(piece, lambda knot, flag=flag: self.statics.tests(knot.z, bearing)[flag])
            if first[0] is None or event.length < first[1].length:
                first = flag, event
        return first

    def _over(self, knot: Knot, bearing: Bearing, best: float) -> bool:
        """Has the search gone far enough past the rollover?"""
        on_two = all(stage.up for stage in bearing.axles)
        fell = knot.a_y < (FELL_ON_TWO_WHEELS if on_two else FELL) * best or knot.a_y < 0.0
        return knot.length > 0.0 and fell

    def beyond(self, knot: Knot) -> float:
        """Roll beyond the largest one that is looked at. [rad]"""
        return float(knot.z[REAR_ROLL]) - LARGEST_ROLL[self.statics.car.law]

    # -------------------------------------------------------------------------------------------- questions

    @property
    def end_bearing(self) -> Bearing:
        """Constraints at the rollover, on the side from which it is reached."""
        return self.pieces[max(self.end - 1, 0)].bearing

    def reach(self, a_y: float) -> Point:
        """The first point with this lateral acceleration; past the rollover, the rollover."""
        if a_y >= self.rollover:
            return self.point(self.top, self.end_bearing)
        for piece in self.pieces[: self.end]:
            if piece.low.a_y <= a_y <= piece.high.a_y:
                return self.point(self.where(piece, lambda knot: knot.a_y - a_y), piece.bearing)
        return self.point(self.pieces[0].low, self.pieces[0].bearing)

    def first_up(self, end: int) -> Knot | None:
        """Where the inner wheel of an axle first leaves the ground, be it past the rollover."""
        return next((piece.low for piece in self.pieces if piece.bearing.axles[end].up), None)
