"""The path of equilibria of a car in a corner, piece by piece between changes of its bearing constraints.

The variable is `sigma`, roll and lateral acceleration over `statics.DIVISOR`: roll itself may turn back where a
suspension meets its stop, and lateral acceleration falls past the rollover. A piece ends where a constraint changes, or
where lateral acceleration has a crest or a dip, so that on each it only rises or only falls. The path's own end is the
largest lateral acceleration.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

from twin.statics import DIVISOR, LATERAL, SLACK, Bearing, Point, Solution, Statics

TIGHTEST_RTOL = 4.0 * np.finfo(float).eps
STRIDE = 0.15
"""Lateral acceleration per step of the path near the upright car. [m/s2]"""
LARGEST_ROLL = 1.4
"""Roll at which the search for a rollover ends. [rad]"""
SHORTEST = 1e-11
"""Shortest step of the path."""
NO_HIGHER = 1e-10
"""A later crest that is higher by less than this share is the first one, to rounding."""
FELL, FELL_ON_TWO_WHEELS = 0.85, 0.97
"""Shares of the largest lateral acceleration at which the search ends."""


def root(function: Callable[[float], float], low: float, high: float) -> float:
    """Root to rounding of a function that changes sign."""
    return float(brentq(function, low, high, xtol=1e-17, rtol=TIGHTEST_RTOL, maxiter=300))


class Knot(NamedTuple):
    """A point of the path with its tangent."""

    sigma: float
    z: np.ndarray
    dz: np.ndarray

    @property
    def a_y(self) -> float:
        return float(self.z[LATERAL])

    @property
    def slope(self) -> float:
        return float(self.dz[LATERAL])


class Piece(NamedTuple):
    """Part of the path with the same bearing constraints, on which lateral acceleration is monotone."""

    low: Knot
    high: Knot
    bearing: Bearing


class Path:
    """All pieces up to and beyond the rollover; `pieces[: end]` lead to it."""

    def __init__(self, statics: Statics, gradient: float) -> None:
        self.statics = statics
        step = STRIDE * (gradient + 1.0 / DIVISOR)
        self.step = min(max(step, 1e-4), 0.01)
        self.pieces: list[Piece] = []
        first, bearing = self._first()
        self._walk(first, bearing)
        self.end = 0
        self.top = self.pieces[0].low
        best = max(self.top.a_y, 0.0)
        for number, piece in enumerate(self.pieces):
            if piece.high.a_y > best * (1.0 + NO_HIGHER):
                self.end, self.top, best = number + 1, piece.high, piece.high.a_y
        self.rollover = best

    # -------------------------------------------------------------------------------------------- one piece

    def _knot(self, sigma: float, guess: np.ndarray, bearing: Bearing) -> Knot:
        solution: Solution = self.statics.solve(guess, bearing, sigma=sigma)
        return Knot(sigma, *solution)

    def at(self, piece: Piece, sigma: float) -> Knot:
        """A point of a piece."""
        width = piece.high.sigma - piece.low.sigma
        share = (sigma - piece.low.sigma) / width if width > 0.0 else 0.0
        return self._knot(sigma, piece.low.z + share * (piece.high.z - piece.low.z), piece.bearing)

    def point(self, knot: Knot, bearing: Bearing) -> Point:
        return self.statics.point(knot.z, bearing)

    def sigma_where(self, piece: Piece, wanted: Callable[[Knot], float]) -> float:
        """Where a quantity that changes sign along a piece is zero."""
        return root(lambda sigma: wanted(self.at(piece, sigma)), piece.low.sigma, piece.high.sigma)

    def _keep(self, low: Knot, high: Knot, bearing: Bearing) -> None:
        """Add a piece, divided at a crest or a dip."""
        piece = Piece(low, high, bearing)
        if low.slope * high.slope < 0.0:
            middle = self.at(piece, self.sigma_where(piece, lambda knot: knot.slope))
            self.pieces += [Piece(low, middle, bearing), Piece(middle, high, bearing)]
        else:
            self.pieces.append(piece)

    # --------------------------------------------------------------------------------------------- the walk

    def _first(self) -> tuple[Knot, Bearing]:
        """The upright car, with the constraints that bear as soon as it rolls."""
        statics, small = self.statics, 1e-3 * self.step
        still, bearing = statics.find(statics.start(), Bearing(), sigma=0.0)
        _, bearing = statics.find(still.z + still.dz * small, bearing, sigma=small)
        return self._knot(0.0, still.z, bearing), bearing

    def _walk(self, knot: Knot, bearing: Bearing) -> None:
        stuck = 0
        step = self.step
        best = 0.0
        while not self._over(knot, bearing, best):
            try:
                ahead = self._knot(knot.sigma + step, knot.z + knot.dz * step, bearing)
                far = float(np.max(np.abs((ahead.z - knot.z) - knot.dz * step)[[5, 11]])) > 5.0 * step
            except ArithmeticError:
                far = True
            if far:
                step *= 0.5
                if step < SHORTEST:
                    raise ArithmeticError("the path is lost")
                continue
            flag, event = self._first_change(knot, ahead, bearing)
            if flag is None:
                self._keep(knot, ahead, bearing)
                knot, stuck = ahead, 0
                step = min(2.0 * step, self.step * (1.0 + max(0.0, 1.0 - knot.a_y / best) * 10.0 if best > 0.0 else 1.0))
            else:
                if event.sigma > knot.sigma:
                    self._keep(knot, event, bearing)
                stuck = stuck + 1 if event.sigma - knot.sigma < SHORTEST else 0
                knot, bearing = self._change(event, bearing, flag, stuck)
            best = max(best, knot.a_y)

    def _change(self, event: Knot, bearing: Bearing, flag: str, stuck: int) -> tuple[Knot, Bearing]:
        """The same point with other constraints: one changed, or those that fit a little further on."""
        if stuck < 4:
            bearing = bearing.flipped(flag)
        else:
            small = 1e-4 * self.step
            _, bearing = self.statics.find(event.z, bearing, sigma=event.sigma + small)
        return self._knot(event.sigma, event.z, bearing), bearing

    def _first_change(self, low: Knot, high: Knot, bearing: Bearing) -> tuple[str | None, Knot]:
        """The first constraint violated between two points, and where."""
        before, after = self.statics.tests(low.z, bearing), self.statics.tests(high.z, bearing)
        first: tuple[str | None, Knot] = (None, high)
        piece = Piece(low, high, bearing)
        for flag, value in after.items():
            if value >= -SLACK:
                continue
            if before[flag] <= 0.0:
                event = low
            else:

                def violated(sigma: float, flag: str = flag) -> float:
                    return self.statics.tests(self.at(piece, sigma).z, bearing)[flag]

                event = self.at(piece, root(violated, low.sigma, high.sigma))
            if first[0] is None or event.sigma < first[1].sigma:
                first = flag, event
        return first

    def _over(self, knot: Knot, bearing: Bearing, best: float) -> bool:
        """Has the search gone far enough past the rollover?"""
        if knot.sigma <= 0.0:
            return False
        on_two = all(stage.up for stage in bearing.axles)
        fell = knot.a_y < (FELL_ON_TWO_WHEELS if on_two else FELL) * best or knot.a_y < 0.0
        return fell or knot.sigma - knot.a_y / DIVISOR > LARGEST_ROLL

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
                return self.reach_in(piece, a_y)
        return self.point(self.pieces[0].low, self.pieces[0].bearing)

    def reach_in(self, piece: Piece, a_y: float) -> Point:
        """The point of a piece with this lateral acceleration."""
        sigma = self.sigma_where(piece, lambda knot: knot.a_y - a_y)
        return self.point(self.at(piece, sigma), piece.bearing)

    def first_up(self, end: int) -> Knot | None:
        """Where the inner wheel of an axle first leaves the ground, be it past the rollover."""
        return next((piece.low for piece in self.pieces if piece.bearing.axles[end].up), None)
