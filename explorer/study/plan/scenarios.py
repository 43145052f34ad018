"""From what is not known to scenarios: low-discrepancy points, each unknown's law, and what each limit means in each.

Points are scrambled Sobol points (Owen 1995; scipy.stats.qmc), one axis per unknown. Each unknown is drawn by the
inverse of its distribution function, cut off at its bounds:

    x = F^-1(F(low) + u (F(high) - F(low)))

(inversion, Devroye 1986, Non-Uniform Random Variate Generation, ch. 2; from memory). All slots of one unknown move by
the same `u`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.seeds import SCENARIOS, TOLERANCE, stage_seed
from explorer.domain.space import BoolArray, FloatArray, Space
from explorer.domain.units import unit_of
from explorer.domain.unknowns import LAWS, Unknown
from explorer.model.car.slots import SLOTS
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import Scenarios, evaluate_positions
from explorer.study.everything.shortlist import never_negative
from explorer.study.everything.wishes import resolve_wishes

EDGE = 2.0**-40
"""Points are kept this far from 0 and 1, where a law without bounds would answer infinity."""


@dataclass(frozen=True)
class Draws:
    """Drawn scenarios.

    `points` (scenarios, unknowns) in (0, 1); `numbers` (scenarios, unknowns) the drawn values in the unit of each
    unknown's key, of its first slot and at the baseline's level; `scenarios` what the model is handed, with the weights
    (scenarios,).
    """

    unknowns: tuple[Unknown, ...]
    points: FloatArray
    numbers: FloatArray
    scenarios: Scenarios

    def __len__(self) -> int:
        return len(self.points)

    @property
    def weights(self) -> FloatArray:
        """Weight of each scenario, summing to one. Shape (scenarios,)."""
        return self.scenarios.weights

    def words(self, scenario: int) -> str:
        """One scenario as a person reads it: every unknown with its drawn value."""
        return ", ".join(
            f"{unknown.key} = {number:.4g}" + (f" {unknown.unit}" if unknown.unit else "")
            for unknown, number in zip(self.unknowns, self.numbers[scenario], strict=True)
        )


@dataclass(frozen=True)
class Bounds:
    """What each limit means in each scenario.

    `values` (scenarios, limits) in each metric's unit, `targets` (scenarios, wishes) of the wishes in theirs. `valid`
    (scenarios,) is False where the model has no answer for the baseline or the liked setup that a limit or wish leans
    on; the values are zero there and must not be used. `failed` names these scenarios in words.
    """

    values: FloatArray
    targets: FloatArray
    valid: BoolArray
    failed: tuple[str, ...]


def draw(space: Space, count: int, stage: int = SCENARIOS) -> Draws:
    """Scenarios of everything that is not known, equal weights; `count` is rounded up to a power of two. Each `stage`
    has draws of its own.

    Without unknowns there is one scenario that changes nothing. Raises SpaceError for a law that cannot be drawn from.
    """
    if count < 1:
        raise SpaceError(f"{count} scenarios were asked for; at least 1 is needed")
    axes = len(space.unknowns)
    if axes == 0:
        return draws_at(space, np.zeros((1, 0)), np.ones(1))
    points = _sobol(axes, int(count - 1).bit_length(), stage_seed(space.seed, stage))
    return draws_at(space, points, np.full(len(points), 1.0 / len(points)))


def _sobol(axes: int, power: int, seed: int) -> FloatArray:
    """Scrambled Sobol points, (2**power, axes) in (0, 1)."""
    from scipy.stats import qmc  # takes a second to load: only where scenarios are drawn

    points = np.asarray(qmc.Sobol(axes, scramble=True, seed=seed).random_base2(power), dtype=np.float64)
    return np.clip(points, EDGE, 1.0 - EDGE)


def with_builds(space: Space, scenarios: Scenarios) -> Scenarios:
    """The same scenarios, each with the parts as they may come out of the pits: every knob with a tolerance is off by
    a uniform share of it, all its slots alike.

    What cannot be negative is off by no more than its least setting; where that is 0 (no bar), nothing stays nothing
    and an absolute tolerance counts as a share of the mean of the others.
    """
    varied = [knob for knob in space.knobs if knob.tolerance_absolute > 0.0 or knob.tolerance_relative > 0.0]
    count = len(scenarios.weights)
    if not varied:
        return scenarios
    known = len(space.unknowns)  # axes of their own: the same axis scrambled twice goes with itself
    points = _sobol(known + len(varied), int(count - 1).bit_length(), stage_seed(space.seed, TOLERANCE))[:, known:]
    slots, factors, offsets = [], [], []
    for column, knob in enumerate(varied):
        off = 2.0 * points[:count, column] - 1.0
        for place, slot in enumerate(knob.slots):
            share, shift = knob.tolerance_relative, knob.tolerance_absolute
            if never_negative(SLOTS[slot]):
                least = min(one[place] for one in knob.settings)
                if least <= 0.0:
                    some = [one[place] for one in knob.settings if one[place] > 0.0]
                    share, shift = share + shift / float(np.mean(some or [np.inf])), 0.0
                share, shift = min(share, 1.0), min(shift, least)
            slots.append(slot)
            factors.append(1.0 + off * share)
            offsets.append(off * shift)
    return Scenarios(
        np.concatenate([scenarios.slots, np.array(slots, dtype=np.int64)]),
        np.concatenate([scenarios.factor, np.stack(factors, axis=1)], axis=1),
        np.concatenate([scenarios.offset, np.stack(offsets, axis=1)], axis=1),
        scenarios.weights,
    )


def draws_at(space: Space, points: FloatArray, weights: FloatArray) -> Draws:
    """Scenarios at chosen points. `points` (scenarios, unknowns) in (0, 1), `weights` (scenarios,), scaled to sum to 1.

    Raises SpaceError for points or weights of the wrong shape or range, and for a law that cannot be drawn from.
    """
    unknowns = space.unknowns
    if points.ndim != 2 or points.shape[1] != len(unknowns) or len(points) == 0:
        raise SpaceError(f"points must have shape (at least 1, {len(unknowns)}), not {points.shape}")
    if not np.all((points > 0.0) & (points < 1.0)):
        raise SpaceError("points of scenarios must lie between 0 and 1, both left out")
    _no_slot_twice(unknowns)
    drawn = [quantiles(unknown, points[:, axis]) for axis, unknown in enumerate(unknowns)]
    numbers = np.zeros(points.shape)
    for axis, (unknown, values) in enumerate(zip(unknowns, drawn, strict=True)):
        unit = unit_of(unknown.key)
        numbers[:, axis] = values[:, 0] / (unit.factor if unit else 1.0)
    return Draws(unknowns, points, numbers, _scenarios(unknowns, drawn, _normalised(weights, len(points))))


def weighted(draws: Draws, weights: FloatArray) -> Draws:
    """The same scenarios with other weights (scenarios,), not below zero, scaled to sum to 1."""
    return replace(draws, scenarios=replace(draws.scenarios, weights=_normalised(weights, len(draws))))


def quantiles(unknown: Unknown, points: FloatArray) -> FloatArray:
    """Values of an unknown's slots at quantiles. `points` (n,) in (0, 1) -> (n, slots), SI.

    `normal`: two standard deviations are the half width; `lognormal`: two of the logarithm are the half width as a
    share of the best guess, which is the median; `uniform` and `triangular`: the half range. Each is cut off at the
    bounds. A half width of zero gives the best guess.

    >>> grip = Unknown("grip", "", (0,), (0.5,), (0.1,), (0.0,), (9.0,), "uniform", True, "")
    >>> quantiles(grip, np.array([0.25])).round(6)
    array([[0.45]])

    Raises SpaceError for an unknown law, a spread below zero, a lognormal about zero or less, and for bounds that
    leave nothing of the law.
    """
    if unknown.law not in LAWS:
        raise SpaceError(f"unknown {unknown.key}: no law is called {unknown.law!r}; known: {', '.join(LAWS)}")
    columns = []
    for best, half, low, high in zip(unknown.values, unknown.spread, unknown.low, unknown.high, strict=True):
        if half < 0.0 or not np.isfinite([best, half]).all():
            raise SpaceError(
                f"unknown {unknown.key}: best guess {best:g} and spread {half:g} must be finite, spread >= 0"
            )
        if half == 0.0:
            columns.append(np.full(len(points), best))
            continue
        law = _law(unknown, best, half)
        below, above = float(law.cdf(low)), float(law.cdf(high))
        if not below < above:
            raise SpaceError(f"unknown {unknown.key}: nothing of its law lies between its bounds {low:g} and {high:g}")
        columns.append(np.clip(law.ppf(below + points * (above - below)), low, high))
    return np.stack(columns, axis=1)


def _law(unknown: Unknown, best: float, half: float) -> Any:
    """The law as a scipy distribution, before it is cut off."""
    from scipy import stats

    if unknown.law == "normal":
        return stats.norm(best, half / 2.0)
    if unknown.law == "lognormal":
        if best <= 0.0:
            raise SpaceError(f"unknown {unknown.key}: a lognormal needs a best guess above zero, not {best:g}")
        return stats.lognorm(half / best / 2.0, scale=best)
    if unknown.law == "uniform":
        return stats.uniform(best - half, 2.0 * half)
    return stats.triang(0.5, best - half, 2.0 * half)


def _scenarios(unknowns: tuple[Unknown, ...], drawn: list[FloatArray], weights: FloatArray) -> Scenarios:
    """Offset from the best guess where an unknown shifts or guesses zero, factor on the best guess elsewhere."""
    slots = np.array([slot for unknown in unknowns for slot in unknown.slots], dtype=np.int64)
    best = np.array([value for unknown in unknowns for value in unknown.values], dtype=np.float64)
    shifts = np.array([unknown.shifts for unknown in unknowns for _ in unknown.slots], dtype=bool)
    values = np.concatenate(drawn, axis=1) if drawn else np.zeros((len(weights), 0))
    scaled = ~shifts & (best != 0.0)
    factor = np.where(scaled, values / np.where(scaled, best, 1.0), 1.0)
    return Scenarios(slots, factor, np.where(scaled, 0.0, values - best), weights)


def reference_scenarios(space: Space, draws: Draws) -> Scenarios:
    """The same scenarios for a liked setup on its own, known surface: only what is not of the surface moves.

    `space` must hold the unknowns that were drawn.
    """
    _same_unknowns(space, draws)
    of_car = np.array([not unknown.of_surface for unknown in draws.unknowns for _ in unknown.slots], dtype=bool)
    all_of_it = draws.scenarios
    return Scenarios(
        all_of_it.slots[of_car], all_of_it.factor[:, of_car], all_of_it.offset[:, of_car], all_of_it.weights
    )


def bounds_in(space: Space, draws: Draws) -> Bounds:
    """Every limit's bound and every wish's target in every scenario.

    An absolute bound or target is the same everywhere. One relative to "baseline" is the baseline's own metric in that
    scenario plus the value; one relative to a liked setup is that setup's metric on its own surface, with the car of
    that scenario, plus the value. A wish for a share takes so much of it.

    Raises SpaceError for a reference that is not defined, ModelError when no scenario at all has an answer.
    """
    _same_unknowns(space, draws)
    valid = np.ones(len(draws), dtype=bool)
    anchors: dict[str, tuple[tuple[str, ...], FloatArray, BoolArray]] = {}
    failed: list[str] = []

    def own(metric: str, name: str) -> FloatArray:
        """A metric of what a limit or wish leans on, (scenarios,)."""
        if name not in anchors:
            anchors[name] = _anchor(space, draws, name)
            lost = ~anchors[name][2]
            failed.extend(f"no answer for {name} with {draws.words(int(s))}" for s in np.flatnonzero(lost & valid))
            valid[lost] = False
        return _column(metric, name, anchors[name][0], anchors[name][1])

    values = np.empty((len(draws), len(space.limits)))
    for column, limit in enumerate(space.limits):
        values[:, column] = limit.value + (own(limit.metric, limit.relative_to) if limit.relative_to else 0.0)
    targets = np.empty((len(draws), len(space.wishes)))
    for column, (wish, told) in enumerate(zip(space.wishes, resolve_wishes(space), strict=True)):
        targets[:, column] = told.target
        if wish.metric and wish.relative_to:
            there = own(wish.metric, wish.relative_to)
            targets[:, column] = there * wish.value if wish.share else there + wish.value
    if not valid.any():
        raise ModelError(f"no limit or wish can be set in any of {len(draws)} scenarios; the first: {failed[0]}")
    if not (np.isfinite(values).all() and np.isfinite(targets).all()):
        raise SpaceError("a limit's bound or a wish's target is not a finite number")
    values[~valid], targets[~valid] = 0.0, 0.0
    return Bounds(values, targets, valid, tuple(failed))


def _anchor(space: Space, draws: Draws, name: str) -> tuple[tuple[str, ...], FloatArray, BoolArray]:
    """Columns, metrics (scenarios, columns) and validity (scenarios,) of the baseline or of a liked setup at home."""
    there, scenarios, positions = space, draws.scenarios, space.baseline
    if name != "baseline":
        found = [reference for reference in space.references if reference.name == name]
        if not found:
            known = ", ".join(["baseline", *(reference.name for reference in space.references)])
            raise SpaceError(f"a limit is relative to {name!r}, which is not defined; defined: {known}")
        liked = found[0]
        there = replace(space, base=liked.base, phase_names=liked.phase_names, phases=liked.phases)
        scenarios, positions = reference_scenarios(space, draws), liked.positions
    values, valid = evaluate_positions(there, np.array([positions], dtype=np.float64), scenarios)
    return metric_columns(there.phase_names), values[:, 0], valid[:, 0]


def _column(metric: str, name: str, columns: tuple[str, ...], values: FloatArray) -> FloatArray:
    if metric not in columns:
        raise SpaceError(f"{name} has no metric called {metric!r}; it has {', '.join(columns)}")
    return values[:, columns.index(metric)]


def _normalised(weights: FloatArray, count: int) -> FloatArray:
    total = float(np.sum(weights))
    if weights.shape != (count,) or not np.isfinite(weights).all() or np.any(weights < 0.0) or total <= 0.0:
        raise SpaceError(f"weights must be {count} finite numbers not below zero with a sum above zero")
    result: FloatArray = np.asarray(weights, dtype=np.float64) / total
    return result


def _no_slot_twice(unknowns: tuple[Unknown, ...]) -> None:
    owner: dict[int, str] = {}
    for unknown in unknowns:
        for slot in unknown.slots:
            if slot in owner:
                raise SpaceError(f"unknowns {owner[slot]} and {unknown.key} both move the same number of the model")
            owner[slot] = unknown.key


def _same_unknowns(space: Space, draws: Draws) -> None:
    if tuple(u.key for u in space.unknowns) != tuple(u.key for u in draws.unknowns):
        raise SpaceError("these scenarios were drawn for a study with other unknowns")
