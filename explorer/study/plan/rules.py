"""Where in the unknown something happens: the best box of at most three numbers, found by trying every threshold.

A box is "bump height above 5.6 mm and grip below 0.93". Its coverage is the share of what happens that lies in it, its
density the share of what lies in it that happens (the words of scenario discovery: Bryant & Lempert 2010, Technological
Forecasting & Social Change 77:34; from memory). Boxes are compared by the harmonic mean of both. Every side of every
threshold and every pair of sides is tried; a third side is tried on the best `KEPT_PAIRS` pairs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain.space import BoolArray, FloatArray

THRESHOLDS = 15
"""Thresholds an unknown, at even shares of the scenarios."""

KEPT_PAIRS = 64

WORTH_A_SIDE = 0.02
"""A further side must better the harmonic mean by this much: fewer numbers are easier to judge at the track."""

FEWEST = 20.0
"""Effective scenarios in which something must happen before a rule is looked for."""


@dataclass(frozen=True)
class Side:
    """One side of a box: unknown number `unknown` lies above (or below) `value`, in the unit of its key."""

    unknown: int
    above: bool
    value: float


@dataclass(frozen=True)
class Box:
    """Where something happens in a share `happens` of the scenarios."""

    sides: tuple[Side, ...]
    coverage: float
    density: float
    happens: float


def best_box(numbers: FloatArray, weights: FloatArray, happens: BoolArray) -> Box | None:
    """The best box. `numbers` (scenarios, unknowns), `weights` (scenarios,) summing to one, `happens` (scenarios,).

    None where it happens too seldom or too often to tell, or where no unknown varies.
    """
    hit = weights * happens
    total = float(hit.sum())
    effective = 1.0 / float(np.sum(weights**2))
    if min(total, 1.0 - total) * effective < FEWEST:
        return None
    sides = _sides(numbers, weights)
    if not sides:
        return None
    inside = np.stack([(numbers[:, s.unknown] > s.value) == s.above for s in sides]).astype(np.float64)
    chosen: tuple[int, ...] = ()
    best, rows = 0.0, inside
    places: list[tuple[int, ...]] = [(k,) for k in range(len(sides))]
    for size in (1, 2, 3):
        if size == 1:
            score = _harmonic(rows @ hit, rows @ weights, total)
            top = [places[int(np.argmax(score))]]
        else:
            score = _harmonic((rows * hit) @ inside.T, (rows * weights) @ inside.T, total)
            order = np.argsort(-score, axis=None, kind="stable")[:KEPT_PAIRS]
            top = [(*places[int(k) // len(sides)], int(k) % len(sides)) for k in order]
        reached = float(score.max())
        if reached > best + (WORTH_A_SIDE if size > 1 else 0.0):
            best, chosen = reached, top[0]
        if size == 2:
            places, rows = top, np.stack([inside[list(one)].prod(axis=0) for one in top])
    lies = inside[list(chosen)].prod(axis=0)
    caught, within = float(lies @ hit), float(lies @ weights)
    ordered = sorted({sides[k] for k in chosen}, key=lambda one: (one.unknown, one.above))
    return Box(tuple(ordered), caught / total, caught / within, total)


def _sides(numbers: FloatArray, weights: FloatArray) -> list[Side]:
    """Both sides of every threshold."""
    found = []
    for unknown in range(numbers.shape[1]):
        order = np.argsort(numbers[:, unknown], kind="stable")
        passed = np.cumsum(weights[order])
        at = np.searchsorted(passed, np.arange(1, THRESHOLDS + 1) / (THRESHOLDS + 1.0))
        values = np.unique(numbers[order[np.minimum(at, len(order) - 1)], unknown])
        if np.ptp(numbers[:, unknown]) > 0.0:
            found += [Side(unknown, above, float(value)) for value in values for above in (True, False)]
    return found


def _harmonic(caught: FloatArray, within: FloatArray, total: float) -> FloatArray:
    """Harmonic mean of coverage and density, `2 caught / (total + within)`."""
    return np.asarray(2.0 * caught / (total + within))
