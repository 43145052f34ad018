"""The one setup that every output names first, and how sure that is.

Chosen among the setups that keep every limit often enough over scenarios and builds (`robust.eligible`), by least
expected loss of the driver's wishes. A setup that loses no more than anyone feels, is felt to be better in an objective
and is felt to be worse in none goes before it. Comparisons are paired: both setups in the same scenarios.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from explorer.domain.felt import most_noticed
from explorer.domain.space import FloatArray, Space
from explorer.study.everything.wishes import LOSS_STEP
from explorer.study.plan.robust import ROUNDING, Robust, eligible, filled, standard_error, weighted_mean
from explorer.study.plan.scenario_pass import Outcomes, turned

BEYOND = 2.0
"""Standard errors that a difference must exceed to be called one."""


@dataclass(frozen=True)
class Means:
    """Means over scenarios and builds with their standard errors: the `chance` to keep every limit, the `loss`, the
    `objectives` (objectives,) in edge units."""

    chance: float
    chance_error: float
    loss: float
    loss_error: float
    objectives: FloatArray
    objectives_error: FloatArray


@dataclass(frozen=True)
class Standing(Means):
    """How one setup stands over scenarios and builds: `weakest` limit, by its place, kept in a share `weakest_kept` of
    the scenarios, -1 without limits; `changes` and `minutes` [min] from the baseline."""

    positions: FloatArray
    labels: tuple[str, ...]
    changes: tuple[tuple[str, str, str], ...]
    minutes: float
    weakest: int
    weakest_kept: float


@dataclass(frozen=True)
class Against(Means):
    """What a setup makes of another, both in the same scenarios: this one's less the other's. Objectives count as far
    as anyone notices them: a lift margin of 60 % is no more than one of 40 %."""

    def felt(self, space: Space) -> tuple[int, ...]:
        """+1 where an objective is better by what is felt and by more than the error, -1 where worse, else 0."""
        found = []
        for objective, step, error in zip(space.objectives, self.objectives, self.objectives_error, strict=True):
            sure = abs(step) >= objective.resolution and abs(step) > BEYOND * error
            found.append(int(np.sign(step * objective.direction)) if sure else 0)
        return tuple(found)

    @property
    def less_loss(self) -> bool:
        """Whether the wishes are met better by what is felt and by more than the error."""
        return self.loss < -max(LOSS_STEP, BEYOND * self.loss_error)

    @property
    def safer(self) -> bool:
        """Whether every limit is kept more often, by a hundredth and by more than the error."""
        return self.chance > max(0.01, BEYOND * self.chance_error)


@dataclass(frozen=True)
class Headline:
    """The one answer of a run.

    `take` is the setup, `today` the baseline and `gain` what the first makes of the second; `safest` the one that keeps
    every limit most often. `equal` are other setups (in order of loss) that nobody can tell from it: no loss and no
    objective differs by what is felt or by more than the error. `bar` is the share of scenarios that was asked for, and
    `note` says where it could not be had. In a share `nothing` of the scenarios none of the `candidates` setups keeps
    every limit, in a share `given_up` (limits,) of all scenarios one would were that limit given up; `out_of` setups
    were screened. `scenarios` were asked and count as `effective` many of equal weight.
    """

    take: Standing
    today: Standing
    gain: Against
    safest: Standing
    equal: tuple[Standing, ...]
    bar: float
    note: str
    nothing: float
    nothing_error: float
    given_up: tuple[float, ...]
    candidates: int
    out_of: int
    scenarios: int
    effective: float

    @property
    def stays(self) -> bool:
        """Whether the car stays as it is."""
        return not self.take.changes


def standing(space: Space, robust: Robust, row: int) -> Standing:
    """How the setup in a row stands."""
    place = robust.positions[row]
    kept = robust.share_by_limit[row]
    weakest = int(np.argmin(kept)) if len(kept) else -1
    return Standing(
        positions=place,
        labels=space.labels(place),
        changes=space.changes(place),
        minutes=float(space.minutes(place[None])[0]),
        chance=float(robust.share[row]),
        chance_error=float(robust.share_error[row]),
        loss=float(robust.loss[row]),
        loss_error=float(robust.loss_error[row]),
        objectives=robust.figure("mean")[row],
        objectives_error=robust.error("mean")[row],
        weakest=weakest,
        weakest_kept=float(kept[weakest]) if len(kept) else 1.0,
    )


def against(outcomes: Outcomes, space: Space, row: int, other: int) -> Against:
    """What the setup in one row makes of that in another."""
    told, weights = filled(space, outcomes), outcomes.weights
    good = told.good.astype(np.float64)
    noticed = np.minimum(told.values, [most_noticed(objective.metric) for objective in space.objectives])
    each = np.concatenate([good[:, :, None], told.losses[:, :, None], noticed], axis=2)
    step = each[:, row] - each[:, other]
    mean, error = weighted_mean(weights, step), standard_error(weights, step)
    return Against(float(mean[0]), float(error[0]), float(mean[1]), float(error[1]), mean[2:], error[2:])


def chosen(space: Space, outcomes: Outcomes, robust: Robust, bar: float | None = None) -> int:
    """Row of the setup to take: see the top of this file. Those that cannot be told apart by their loss, within the
    error, go by fewest changes, least work, shortest way from the baseline, first row.

    Raises as `eligible` does. -1 where nothing keeps every limit in any scenario.
    """
    among, _, _ = eligible(robust, bar)
    if not among.any():
        return -1
    positions = robust.positions
    away = np.abs(positions - np.asarray(space.baseline))
    work = (away.sum(axis=1), space.minutes(positions), (away > 0.0).sum(axis=1))
    order = np.lexsort((*work, np.round(robust.loss, 9), ~among))
    least = int(order[0])
    told = filled(space, outcomes)
    error = standard_error(outcomes.weights, told.losses - told.losses[:, [least]])
    level = among & (robust.loss - robust.loss[least] <= BEYOND * error + ROUNDING)
    order = np.concatenate([np.lexsort((*work, ~level))[: int(level.sum())], order])
    best = int(order[0])
    cheap = among & (robust.loss <= robust.loss[best] + LOSS_STEP)
    felt = np.array([objective.resolution for objective in space.objectives])
    mean = turned(space, robust.figure("mean")) / felt
    while True:  # the sum of felt differences grows with every round, so there is an end
        step = mean - mean[best]
        safe = robust.share >= robust.share[best] - BEYOND * robust.share_error
        ahead = cheap & safe & (step > -1.0).all(axis=1) & (step >= 1.0).any(axis=1) & (step.sum(axis=1) > 0.0)
        if not ahead.any():
            return best
        best = int(next(row for row in order if ahead[row]))


def headline(
    space: Space, outcomes: Outcomes, robust: Robust, today: int, out_of: int, row: int, bar: float | None = None
) -> Headline:
    """The record of the setup in `row`; `today` is the row of the baseline, `out_of` setups were screened."""
    among, level, note = eligible(robust, bar)
    nothing = robust.nothing_weight
    safest = int(np.lexsort((robust.loss, -robust.share))[0])
    equal = []
    for other in np.argsort(robust.loss, kind="stable"):
        if other != row and among[other] and robust.loss[other] - robust.loss[row] <= 3.0 * LOSS_STEP:
            step = against(outcomes, space, row, int(other))
            if abs(step.loss) <= max(LOSS_STEP, BEYOND * step.loss_error) and not any(step.felt(space)):
                equal.append(standing(space, robust, int(other)))
    return Headline(
        take=standing(space, robust, row),
        today=standing(space, robust, today),
        gain=against(outcomes, space, row, today),
        safest=standing(space, robust, safest),
        equal=tuple(equal),
        bar=level,
        note=note,
        nothing=nothing,
        nothing_error=float(np.sqrt(nothing * (1.0 - nothing) / outcomes.effective)),
        given_up=_given_up(outcomes),
        candidates=len(robust.positions),
        out_of=out_of,
        scenarios=len(outcomes.weights),
        effective=outcomes.effective,
    )


def _given_up(outcomes: Outcomes) -> tuple[float, ...]:
    """Share of the scenarios in which no setup keeps every limit but one would without this one. (limits,)"""
    told = outcomes.told
    none = ~told.good.any(axis=1)
    found = []
    for place in range(told.keeps.shape[2]):
        others = np.delete(told.keeps, place, axis=2).all(axis=2) & told.answered
        found.append(float(outcomes.weights @ (none & others.any(axis=1))))
    return tuple(found)


def reweighed(outcomes: Outcomes, weights: FloatArray) -> Outcomes:
    """The same answers under other weights (scenarios,), scaled to sum to one."""
    return replace(outcomes, weights=weights / weights.sum())
