"""Multi-objective search for spaces too large to list: NSGA-II, then every change of one and two knobs of what it found
(`neighbours`). The only importer of optuna; never called exact.

Whole generations are asked for, evaluated at once and told back, all in memory. No setup is evaluated twice: a
repeat is handed back unused so that it takes no place in the population. Deb, Pratap, Agarwal, Meyarivan 2002, IEEE
Trans. Evol. Comput. 6, 182-197.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import optuna
from optuna.samplers import NSGAIISampler, nsgaii
from optuna.trial import Trial, TrialState

from explorer.domain import seeds
from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import FloatArray, Space
from explorer.study.everything.evaluate import Progress
from explorer.study.everything.front import Front, hypervolume, normalised, objective_values, scores_of
from explorer.study.everything.limits import ResolvedLimit, violations
from explorer.study.everything.wishes import LOSS_STEP, ResolvedWish, losses
from explorer.study.questions.neighbours import Looked, improve
from explorer.study.questions.search_results import Agreement, SearchResult

UNBUILDABLE = 1e6
"""Violation told for a setup that a rule forbids or that the model cannot answer: worse than any limit."""

ATTEMPTS = 3
"""A generation may ask this many times its size for setups not seen before; random new ones then fill it up."""

DRAWS = 200
"""Random setups drawn to find one not seen before."""

Batch = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""Points (n, variables) -> objectives to minimise (n, objectives) and violations (n, constraints), kept when <= 0."""


@dataclass(frozen=True)
class FunctionSearch:
    """Every distinct point a search looked at, in the order asked.

    `points` (n, variables); `objectives` (n, objectives), less is better; `violations` (n, constraints).
    `generations`, `asked` (trials in all) and `repeats` count the work.
    """

    points: FloatArray
    objectives: FloatArray
    violations: FloatArray
    generations: int
    asked: int
    repeats: int


def search_function(
    batch: Batch,
    bounds: tuple[tuple[float, float, bool], ...],
    objectives: int,
    *,
    trials: int,
    population: int,
    seed: int,
    progress: Progress | None = None,
) -> FunctionSearch:
    """Search any function by whole generations.

    `bounds` gives (low, high, whole numbers only?) per variable. Stops after `trials` distinct points, rounded up to
    a whole generation, or when nothing new is left to find. `seed` must not be 0.

    Raises SpaceError for a senseless size, ModelError when the function returns a number that is not finite.
    """
    if population < 2 or trials < 1 or seed == 0:
        raise SpaceError("a search needs a population of at least 2, at least 1 trial and a seed other than 0")
    optuna.logging.set_verbosity(optuna.logging.ERROR)
    study = optuna.create_study(directions=["minimize"] * objectives, sampler=_sampler(population, seed))
    seen: dict[bytes, int] = {}
    store = _Store([], [], [])
    rng = np.random.default_rng(seed)
    generations = asked = repeats = 0
    while len(seen) < trials:
        fresh: list[tuple[Trial, FloatArray]] = []
        spare: list[tuple[Trial, int]] = []
        pending: set[bytes] = set()
        for _ in range(ATTEMPTS * population):
            if len(fresh) == population:
                break
            trial = study.ask()
            point = _suggest(trial, bounds)
            asked += 1
            key = point.tobytes()
            if key in pending:
                study.tell(trial, state=TrialState.FAIL)
            elif key in seen:
                spare.append((trial, seen[key]))
            else:
                pending.add(key)
                fresh.append((trial, point))
        while len(fresh) < population:
            unseen = _unseen(bounds, seen, pending, rng)
            if unseen is None:
                break
            study.enqueue_trial({f"x{index}": value for index, value in enumerate(unseen.tolist())})
            trial = study.ask()
            fresh.append((trial, _suggest(trial, bounds)))
            asked += 1
            pending.add(unseen.tobytes())
        if not fresh:
            for trial, _known in spare:
                study.tell(trial, state=TrialState.FAIL)
            repeats = asked - len(seen)
            break
        found, broken = _checked(batch, np.array([point for _, point in fresh]), objectives)
        for (trial, point), values, amounts in zip(fresh, found, broken, strict=True):
            seen[point.tobytes()] = len(store.points)
            store.add(point, values, amounts)
            _tell(study, trial, values, amounts)
        missing = population - len(fresh)
        for trial, known in spare:  # a nearly exhausted space: known setups fill up the generation, not evaluated
            if missing > 0:
                _tell(study, trial, store.objectives[known], store.violations[known])
                missing -= 1
            else:
                study.tell(trial, state=TrialState.FAIL)
        generations += 1
        repeats = asked - len(seen)
        if progress is not None:
            progress("search", min(len(seen), trials), trials)
    return FunctionSearch(
        np.array(store.points), np.array(store.objectives), np.array(store.violations), generations, asked, repeats
    )


@dataclass
class _Store:
    """Points looked at so far, one entry each."""

    points: list[FloatArray]
    objectives: list[FloatArray]
    violations: list[FloatArray]

    def add(self, point: FloatArray, values: FloatArray, amounts: FloatArray) -> None:
        """Keep one point."""
        self.points.append(point)
        self.objectives.append(values)
        self.violations.append(amounts)


def _sampler(population: int, seed: int) -> NSGAIISampler:
    """SBX crossover and polynomial mutation (Deb et al. 2002), on levels too.

    Levels stand in order, so a near one is a better guess than any other. Tried on the demo and dropped: swapping
    and redrawing levels (the library's default), which found 0.79 to 0.97 of the front's hypervolume in 2000 setups
    over three seeds at a population of 40, where this found 0.97 each time.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", optuna.exceptions.ExperimentalWarning)
        return NSGAIISampler(
            population_size=population,
            seed=seed,
            crossover=nsgaii.SBXCrossover(),
            mutation=nsgaii.PolynomialMutation(),
        )


def _suggest(trial: Trial, bounds: tuple[tuple[float, float, bool], ...]) -> FloatArray:
    point = np.empty(len(bounds))
    for index, (low, high, whole) in enumerate(bounds):
        if low == high:
            point[index] = low
        elif whole:
            point[index] = trial.suggest_int(f"x{index}", int(low), int(high))
        else:
            point[index] = trial.suggest_float(f"x{index}", low, high)
    return point


def _unseen(
    bounds: tuple[tuple[float, float, bool], ...], seen: dict[bytes, int], pending: set[bytes], rng: np.random.Generator
) -> FloatArray | None:
    """A random point that was not looked at, or None when many draws find none."""
    low, high = np.array([b[0] for b in bounds]), np.array([b[1] for b in bounds])
    whole = np.array([b[2] for b in bounds])
    for draw in rng.random((DRAWS, len(bounds))):
        point: FloatArray = np.where(whole, low + np.floor(draw * (high - low + 1.0)), low + draw * (high - low))
        if point.tobytes() not in seen and point.tobytes() not in pending:
            return point
    return None


def _tell(study: optuna.Study, trial: Trial, values: FloatArray, amounts: FloatArray) -> None:
    for index, amount in enumerate(amounts):
        trial.set_constraint(f"c{index}", float(amount))
    study.tell(trial, [float(value) for value in values])


def _checked(batch: Batch, points: FloatArray, objectives: int) -> tuple[FloatArray, FloatArray]:
    found, broken = batch(points)
    assert found.shape == (len(points), objectives) and len(broken) == len(points)
    if not (np.isfinite(found).all() and np.isfinite(broken).all()):
        raise ModelError("the search met a number that is not finite")
    return found, broken


def search_space(
    space: Space,
    limits: tuple[ResolvedLimit, ...],
    progress: Progress | None = None,
    wishes: tuple[ResolvedWish, ...] = (),
) -> SearchResult:
    """Search a space for its front under the limits: generations of `search_trials` setups, then every change of one
    and two knobs of what they found, up to `search_budget` setups more (`neighbours`).

    Objectives of the generations are the rounded scores that decide dominance; each limit is a constraint in
    resolutions. With `wishes` the loss is one more objective. A setup that a rule forbids is never evaluated. Raises
    SpaceError without objectives.
    """
    looked = Looked(space, limits, wishes)
    n = len(space.objectives)
    if n == 0:
        raise SpaceError("the study names no objective")

    def batch(codes: FloatArray) -> tuple[FloatArray, FloatArray]:
        scores = np.zeros((len(codes), n + bool(wishes)))
        amounts = np.zeros((len(codes), len(limits) + 1))
        rows = np.flatnonzero(space.allowed(looked.grid.positions(codes)))
        amounts[:, -1] = UNBUILDABLE
        if len(rows):
            table = looked.ask(codes[rows])
            answered = rows[table.valid]
            scores[answered, :n] = scores_of(objective_values(table)[table.valid], space.objectives)
            if wishes:
                scores[answered, n] = np.floor(losses(wishes, table)[table.valid] / LOSS_STEP + 0.5)
            amounts[answered, :-1] = violations(limits, table)[table.valid]
            amounts[answered, -1] = 0.0
        return scores, amounts

    found = search_function(
        batch,
        tuple((0.0, len(places) - 1.0, True) for places in looked.grid.places),
        n + bool(wishes),
        trials=space.settings.search_trials,
        population=space.settings.search_population,
        seed=seeds.stage_seed(space.seed, seeds.SEARCH),
        progress=progress,
    )
    if not len(looked):
        raise SpaceError("every setup the search tried is forbidden by a rule")
    forbidden = len(found.points) - len(looked)
    local = improve(looked, progress)
    return looked.result(found.generations, found.asked, found.repeats, forbidden, local)


def agreement(found: Front, exact: Front) -> Agreement:
    """How much of the exact front a search found, by the objectives that take part in both. Raises SpaceError when the
    exact front is empty."""
    if len(exact) == 0:
        raise SpaceError("the exact front is empty; there is nothing to recall")
    shared = np.array([one.metric not in found.dropped + exact.dropped for one in exact.objectives])
    exact = replace(exact, scores=exact.scores * shared + 0.0)
    found = replace(found, scores=found.scores * shared + 0.0)
    points = {row.tobytes() for row in exact.scores}
    met = points & {row.tobytes() for row in found.scores}
    setups = {row.tobytes() for row in exact.positions}
    met_setups = setups & {row.tobytes() for row in found.positions}
    distinct = exact.scores[exact.named]
    whole = hypervolume(normalised(distinct, distinct))
    part = hypervolume(normalised(found.scores[found.named], distinct))
    return Agreement(len(met) / len(points), len(met_setups) / len(setups), part / whole)
