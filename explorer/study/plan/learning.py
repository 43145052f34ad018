"""Learning from practice: scenarios weighed by what was seen, drawn anew where too few carry the weight.

Weights are the likelihood of everything seen, scaled to sum to one (self-normalised importance sampling; Hesterberg
1995, Technometrics 37:185). How many scenarios still speak is `1/sum w^2` (Kish 1965, Survey Sampling). Where that
falls too low the likelihood is let in by stages, each followed by resampling and by moves that keep the scenarios' own
law (sequential Monte Carlo samplers, Del Moral, Doucet & Jasra 2006, J. R. Stat. Soc. B 68:411). All from memory.

What does not fit is named, not averaged away: a report that everything else makes improbable, and two reports that make
each other improbable.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from explorer.domain.errors import ModelError
from explorer.domain.seeds import LEARNING, stage_seed
from explorer.domain.space import FloatArray, IntArray, Space
from explorer.study.everything.evaluate import Progress
from explorer.study.plan.practice import Predicted, log_likelihoods, predict, tail_probability
from explorer.study.plan.reports import Report
from explorer.study.plan.scenarios import EDGE, Draws, draw, draws_at, weighted

STAGE_SHARE = 0.5
"""A stage lets in as much of the likelihood as leaves this share of the scenarios effective."""

SWEEPS = 12
"""Moves tried of every scenario after each stage."""

SMALLEST_STEP, LARGEST_STEP = 0.05, 1.0
"""Steps of the moves, drawn anew each time, evenly on the logarithm; 1 draws from the law itself."""

IMPROBABLE = 0.05
"""A report is named when everything else makes one at least as far out less likely than this share of one over the
number of reports: so often is a sound one named among all of them (Bonferroni)."""

EXCLUDING = 0.1
"""Two reports are named when both together are less likely than this share of what they would be if unrelated."""

JUDGES = 1_024
"""Fresh scenarios over which contradictions are judged, at most."""

JUDGED_NUMBERS = 400_000
"""Fewer are taken when there are very many observations: at most this many predictions."""

FEWEST = 16.0
"""Contradictions are judged only where at least this many scenarios are effective."""

PointsLikelihood = Callable[[FloatArray], FloatArray]
"""Points (scenarios, unknowns) in (0, 1) -> logarithm of the likelihood (scenarios,)."""


@dataclass(frozen=True)
class Belief:
    """What is thought of each unknown: `mean` and `half_width` (two standard deviations), (unknowns,), key units."""

    mean: FloatArray
    half_width: FloatArray


@dataclass(frozen=True)
class Contradiction:
    """Reports that do not fit. `observations` holds one number (it does not fit what the model says with all others
    taken as true) or two (they exclude each other), as places in the list that was handed in.

    `probability`: of one, that of a report at least as far out; of two, of both together over that of both if they had
    nothing to do with each other. `text` says it in words, with lines.
    """

    observations: tuple[int, ...]
    probability: float
    text: str


@dataclass(frozen=True)
class Learned:
    """What practice taught.

    `draws` are the scenarios to go on with, weighted, or drawn anew with equal weights where `rejuvenated`. `before`
    and `after` are the beliefs, `effective` the number of scenarios that carry the weight before any are drawn anew
    (`effective_share` of all). `stages` of the likelihood, `acceptance` the share of moves taken (0 where none were
    tried), `distinct` scenarios among `draws`. `log_likelihoods` (observations, scenarios) of the scenarios handed in,
    `predicted` (observations,) the probability of each report at least as far out given all others, `unanswered`
    (observations,) scenarios in which the model has no answer for it.
    """

    draws: Draws
    before: Belief
    after: Belief
    effective: float
    effective_share: float
    rejuvenated: bool
    stages: int
    acceptance: float
    distinct: int
    log_likelihoods: FloatArray
    predicted: FloatArray
    unanswered: tuple[int, ...]
    contradictions: tuple[Contradiction, ...]


@dataclass(frozen=True)
class Population:
    """Scenarios drawn anew: `points` (scenarios, unknowns) of equal weight, after so many `stages`; `acceptance` is the
    share of moves taken."""

    points: FloatArray
    stages: int
    acceptance: float


def learn(space: Space, observations: tuple[Report, ...], draws: Draws, progress: Progress | None = None) -> Learned:
    """Beliefs after practice. The scenarios of `draws` stand for what was thought before.

    They are drawn anew where the effective share falls below `space.planning.rejuvenate_below`. Same study, same
    observations, same draws: same answer, bit for bit.

    Raises SpaceError for an observation that does not fit the study, ModelError where not one scenario explains
    anything (every weight is zero).
    """
    before = belief(draws)
    if not observations:
        full = effective_number(draws.weights)
        nothing = np.zeros((0, len(draws)))
        return Learned(
            draws, before, before, full, full / len(draws), False, 0, 0.0, len(draws), nothing, np.zeros(0), (), ()
        )
    predicted = predict(space, observations, draws.scenarios)
    logs = log_likelihoods(observations, predicted)
    weights = reweighted(draws.weights, logs.sum(axis=0))
    effective = effective_number(weights)
    share = effective / len(draws)
    anew = share < space.planning.rejuvenate_below and len(draws.unknowns) > 0
    stages, acceptance, after = 1, 0.0, weighted(draws, weights)
    if anew:

        def likelihood(points: FloatArray) -> FloatArray:
            there = draws_at(space, points, np.ones(len(points))).scenarios
            return np.asarray(log_likelihoods(observations, predict(space, observations, there)).sum(axis=0))

        rng = np.random.default_rng(stage_seed(space.seed, LEARNING))
        found = rejuvenate(draws.points, draws.weights, likelihood, rng, progress)
        stages, acceptance = found.stages, found.acceptance
        after = draws_at(space, found.points, np.ones(len(found.points)))
    chances, contradictions = _what_does_not_fit(space, observations, draws, after, anew)
    return Learned(
        draws=after,
        before=before,
        after=belief(after),
        effective=effective,
        effective_share=share,
        rejuvenated=anew,
        stages=stages,
        acceptance=acceptance,
        distinct=len(np.unique(after.points[after.weights > 0.0], axis=0)),
        log_likelihoods=logs,
        predicted=chances,
        unanswered=predicted.unanswered,
        contradictions=contradictions,
    )


def weighed(space: Space, observations: tuple[Report, ...], draws: Draws) -> Draws:
    """The scenarios of `draws` with the weights that what was seen gives them, none drawn anew: for a quick answer.

    Raises as `learn`.
    """
    logs = log_likelihoods(observations, predict(space, observations, draws.scenarios))
    return weighted(draws, reweighted(draws.weights, logs.sum(axis=0)))


def belief(draws: Draws) -> Belief:
    """Weighted mean and two weighted standard deviations of every unknown."""
    mean = draws.weights @ draws.numbers
    return Belief(mean, 2.0 * np.sqrt(np.maximum(draws.weights @ (draws.numbers - mean) ** 2, 0.0)))


def reweighted(weights: FloatArray, log_likelihood: FloatArray) -> FloatArray:
    """Weights times likelihood, summing to one; the largest logarithm is taken out first. (scenarios,)

    >>> reweighted(np.array([0.5, 0.5]), np.array([-5000.0, -5000.0 + np.log(3.0)])).round(6)
    array([0.25, 0.75])

    Raises ModelError where every weight is zero.
    """
    used = weights > 0.0
    if not used.any() or not np.isfinite(log_likelihood[used]).any():
        raise ModelError("no scenario explains what was seen: every weight is zero")
    logs = np.full(len(weights), -np.inf)
    logs[used] = np.log(weights[used]) + log_likelihood[used]
    raw = np.exp(logs - logs.max())
    return np.asarray(raw / raw.sum())


def effective_number(weights: FloatArray) -> float:
    """Scenarios of equal weight that would be worth as much: `1/sum w^2` for weights that sum to one (Kish 1965).

    >>> effective_number(np.array([0.5, 0.5, 0.0]))
    2.0
    """
    return float(1.0 / np.sum(weights**2))


def systematic(weights: FloatArray, rng: np.random.Generator, count: int | None = None) -> IntArray:
    """Scenarios to keep, each about as often as its weight says: systematic resampling (Kitagawa 1996, J. Comput.
    Graph. Stat. 5:1, from memory). `count` of them, by default as many as there are; shape (count,)."""
    count = len(weights) if count is None else count
    marks = (np.arange(count) + rng.random()) / count
    chosen = np.searchsorted(np.cumsum(weights), marks, side="right")
    return np.asarray(np.minimum(chosen, np.flatnonzero(weights > 0.0).max()), dtype=np.int64)


def rejuvenate(
    points: FloatArray,
    weights: FloatArray,
    likelihood: PointsLikelihood,
    rng: np.random.Generator,
    progress: Progress | None = None,
) -> Population:
    """Scenarios of equal weight that follow law times likelihood, distinct again.

    The likelihood to the power t is let in from t = 0 to 1; each stage takes the largest step that leaves `STAGE_SHARE`
    of the scenarios effective, resamples and moves. `points` follow the law itself (uniform in the cube) with equal
    weights, or 0 where the study has no answer.
    """
    points = points[systematic(weights, rng)]
    current = likelihood(points)
    equal = np.full(len(points), 1.0 / len(points))
    done, stages, taken, tried = 0.0, 0, 0, 0
    while done < 1.0:
        step = _stage(current, 1.0 - done)
        chosen = systematic(reweighted(equal, step * current), rng)
        points, current = points[chosen], current[chosen]
        done = 1.0 if step >= 1.0 - done else done + step
        stages += 1
        for _ in range(SWEEPS if done < 1.0 else 2 * SWEEPS):
            points, current, moved = _move(points, current, done, likelihood, rng)
            taken, tried = taken + moved, tried + len(points)
        if progress is not None:
            progress("learning from practice", round(100.0 * done), 100)
    return Population(points, stages, taken / tried)


def _stage(current: FloatArray, left: float) -> float:
    """Largest power of the likelihood, up to `left`, that keeps `STAGE_SHARE` of equal scenarios effective."""
    equal = np.full(len(current), 1.0 / len(current))

    def kept(step: float) -> bool:
        return effective_number(reweighted(equal, step * current)) >= STAGE_SHARE * len(current)

    if kept(left):
        return left
    low, high = 0.0, left
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if kept(middle) else (low, middle)
    return max(low, 1e-6)


def _move(
    points: FloatArray, current: FloatArray, power: float, likelihood: PointsLikelihood, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, int]:
    """One move of every scenario, taken with probability `min(1, (L'/L)^t)`: points, their likelihood, number taken.

    On normal scores `z' = sqrt(1 - b^2) z + b xi` leaves the standard normal law as it is, so only the likelihood
    decides (Neal 1998; Cotter, Roberts, Stuart & White 2013, Stat. Sci. 28:424, the Crank-Nicolson proposal; from
    memory). Each scenario moves a random part of its unknowns by a random step b, chosen whatever its state.
    """
    count, axes = points.shape
    step = SMALLEST_STEP * (LARGEST_STEP / SMALLEST_STEP) ** rng.random((count, 1))
    part = rng.random((count, axes)) < rng.choice([1.0, 0.5, 0.25], (count, 1))
    part[np.arange(count), rng.integers(axes, size=count)] = True
    scores = ndtri(points)
    noise = rng.standard_normal((count, axes))
    moved = np.where(part, np.sqrt(1.0 - step**2) * scores + step * noise, scores)
    wanted = np.where(part, np.clip(ndtr(moved), EDGE, 1.0 - EDGE), points)
    there = likelihood(wanted)
    accept = np.log(rng.random(count)) < power * (there - current)
    return np.where(accept[:, None], wanted, points), np.where(accept, there, current), int(accept.sum())


# ---- what does not fit


def _what_does_not_fit(
    space: Space, observations: tuple[Report, ...], draws: Draws, after: Draws, anew: bool
) -> tuple[FloatArray, tuple[Contradiction, ...]]:
    """Probability of each report given all others, and the reports that do not fit.

    Judged over fresh scenarios of the law as it was before; where the others leave too few of them effective, over the
    scenarios after practice with that one report divided out again (Gelfand, Dey & Chang 1992, from memory).
    """
    count = max(64, min(JUDGES, JUDGED_NUMBERS // len(observations)))
    fresh = draw(space, count) if draws.unknowns else draws
    told = predict(space, observations, fresh.scenarios)
    logs = log_likelihoods(observations, told)
    late_told = predict(space, observations, after.scenarios) if anew else told
    late_logs = log_likelihoods(observations, late_told) if anew else logs
    chances = np.zeros(len(observations))
    found = []
    for number, seen in enumerate(observations):
        weights = reweighted(fresh.weights, logs.sum(axis=0) - logs[number])
        source, over = told, weights
        if anew and effective_number(weights) < FEWEST:
            source, over = late_told, reweighted(after.weights, -late_logs[number])
        chances[number] = tail_probability(seen, source.numbers[number], source.answered[number], over)
        if chances[number] < IMPROBABLE / len(observations):
            found.append(Contradiction((number,), float(chances[number]), _alone(seen, source, number, over)))
    found += excluding_pairs(observations, told, fresh.weights)
    return chances, tuple(found)


def _alone(seen: Report, told: Predicted, number: int, weights: FloatArray) -> str:
    place = f"line {seen.line}: {seen.text}" if seen.line else seen.text
    share = weights * told.answered[number]
    if share.sum() <= 0.0:
        return f"{place}: the model has no answer for this setup in any scenario"
    mean = float(share @ told.numbers[number] / share.sum())
    return f"{place}: everything else taken as true, the model expects {seen.subject}{mean:.3g} {seen.unit}".rstrip()


def excluding_pairs(observations: tuple[Report, ...], told: Predicted, weights: FloatArray) -> list[Contradiction]:
    """Pairs of reports that exclude each other, worst first.

    `E[L_i L_j]/(E[L_i] E[L_j])` is 1 for reports that have nothing to do with each other and below `EXCLUDING` for
    those named, likelihoods without slips. Only where each report alone leaves `FEWEST` scenarios effective. Two
    plainly opposite reports of the same thing are named whatever the model says.
    """
    sound = np.array([seen.law(row) for seen, row in zip(observations, told.numbers, strict=True)])
    sound = np.where(told.answered, sound, 0.0)
    mean = sound @ weights
    enough = mean**2 >= FEWEST * (sound**2 @ weights**2)
    both = (sound * weights) @ sound.T
    product = np.outer(mean, mean)
    ratio = np.where(product > 0.0, both / np.where(product > 0.0, product, 1.0), 1.0)
    named = (ratio < EXCLUDING) & np.outer(enough & (mean > 0.0), enough & (mean > 0.0))
    groups: dict[tuple[type[Report], str, tuple[float, ...]], list[int]] = {}
    for number, seen in enumerate(observations):
        groups.setdefault((type(seen), seen.phase, min(seen.positions, seen.other or seen.positions)), []).append(
            number
        )
    for members in groups.values():
        for i in members:
            for j in members:
                if i < j and observations[i].opposite(observations[j]):
                    named[i, j] = True
    pairs = [(int(i), int(j)) for i, j in zip(*np.nonzero(np.triu(named, 1)), strict=True)]
    pairs.sort(key=lambda pair: (ratio[pair], pair))
    return [_pair(observations, pair, float(ratio[pair])) for pair in pairs]


def _pair(observations: tuple[Report, ...], pair: tuple[int, int], ratio: float) -> Contradiction:
    one, two = (observations[number] for number in pair)
    first, second = (f"line {seen.line} ({seen.text})" if seen.line else seen.text for seen in (one, two))
    return Contradiction(pair, ratio, f"{first} and {second} exclude each other: check both before you trust either")
