"""What to measure next: how much better the choice of a setup would be if one unknown were known first.

Expected value of partial perfect information (Raiffa & Schlaifer 1961, Applied Statistical Decision Theory):

    EVPPI_u = E_u[max_d E(U_d | u)] - max_d E(U_d),     EVPI = E[max_d U_d] - max_d E(U_d)

with the inner mean read off a regression of each setup's utility on the unknown's number over the scenarios (Strong,
Oakley & Brennan 2014, Med. Decis. Making 34:311). The regression is a natural cubic spline (Hastie, Tibshirani &
Friedman, The Elements of Statistical Learning, sec. 5.2.1) whose size is chosen by cross-validation. All from memory.

The largest of several fitted means is too large on average, so the regression errs high. What the same fits earn on
scenarios they have not seen errs low. Both are given, and what unknowns earn after their numbers have been shuffled.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.seeds import WORTH, stage_seed
from explorer.domain.space import FloatArray, IntArray, Space
from explorer.study.plan.robust import BROKEN_LOSS, filled
from explorer.study.plan.scenario_pass import Outcomes

SIZES = (1, 2, 3, 4, 6, 8)
"""Sizes of the spline that are tried: terms beside the constant."""

FOLDS = 8
"""Parts of the scenarios that are held out in turn."""

SHUFFLES = 8
"""Shuffled unknowns that show the bias."""

FEWEST_SCENARIOS = 32
"""Fewer effective scenarios than this cannot tell a regression from noise."""

UNSEEN = 1e-9
"""A term of which less than this share is its own adds nothing."""


@dataclass(frozen=True)
class Asked:
    """One unknown: `value` the gain of knowing it before choosing, by regression; `held_out` what the same choice earns
    on scenarios it has not seen; `low` and `high` an interval: two standard errors below the lower of the two and above
    the higher, not below 0. `size` terms of the spline. All but `size` in the unit of the utility.

    `clear` says that the interval lies above 0.
    """

    unknown: int
    value: float
    held_out: float
    low: float
    high: float
    size: int

    @property
    def clear(self) -> bool:
        """Whether measuring it surely pays."""
        return self.low > 0.0


@dataclass(frozen=True)
class Worth:
    """Unknowns in the order of what knowing them is worth.

    `asked` most valuable first; `everything` the gain of knowing all of it (the ceiling, EVPI), `everything_error` its
    standard error; `shuffled` what an unknown that means nothing seems to be worth (the bias of `value`: mean over
    shuffles), `best` the setup to choose today, as its place among the candidates, and `utility` its mean utility.
    """

    asked: tuple[Asked, ...]
    everything: float
    everything_error: float
    shuffled: float
    best: int
    utility: float


@dataclass(frozen=True)
class Knowing:
    """What to measure next in a study, in felt differences at price 1.

    `keys` of the unknowns in the order of `worth.asked`'s numbers, `candidates` (setups, knobs), `loss` taken off where
    a limit is broken.
    """

    worth: Worth
    keys: tuple[str, ...]
    candidates: FloatArray
    loss: float


def worth_of(utilities: FloatArray, numbers: FloatArray, weights: FloatArray, seed: int = 1) -> Worth:
    """What each unknown is worth. `utilities` (scenarios, setups), `numbers` (scenarios, unknowns), `weights`
    (scenarios,) summing to one.

    Raises SpaceError for shapes that do not fit or too few effective scenarios, ModelError for a number that is not
    finite.
    """
    _check(utilities, numbers, weights)
    mean = weights @ utilities
    best = int(np.argmax(mean))
    ahead = utilities - utilities[:, [best]]
    rng = np.random.default_rng(seed)
    fold = rng.permutation(np.arange(len(weights)) % FOLDS)
    gains = ahead.max(axis=1)
    everything = float(weights @ gains)
    asked = [_ask(u, ahead, numbers[:, u], weights, fold, everything) for u in range(numbers.shape[1])]
    asked.sort(key=lambda one: (-one.value, one.unknown))
    dummy = []
    for number in range(SHUFFLES if numbers.shape[1] else 0):
        shuffled = rng.permutation(numbers[:, number % numbers.shape[1]])
        dummy.append(_ask(-1, ahead, shuffled, weights, fold, everything).value)
    return Worth(
        asked=tuple(asked),
        everything=everything,
        everything_error=_standard_error(gains, weights),
        shuffled=float(np.mean(dummy)) if dummy else 0.0,
        best=best,
        utility=float(mean[best]),
    )


def _check(utilities: FloatArray, numbers: FloatArray, weights: FloatArray) -> None:
    if utilities.ndim != 2 or numbers.ndim != 2 or utilities.shape[1] == 0:
        raise SpaceError(
            "utilities (scenarios, setups) and numbers (scenarios, unknowns) are needed, one setup or more"
        )
    if not len(utilities) == len(numbers) == len(weights):
        raise SpaceError(
            f"scenarios differ: {len(utilities)} utilities, {len(numbers)} numbers, {len(weights)} weights"
        )
    if not (np.isfinite(utilities).all() and np.isfinite(numbers).all() and np.isfinite(weights).all()):
        raise ModelError("a utility, number or weight is not finite")
    if np.any(weights < 0.0) or abs(float(weights.sum()) - 1.0) > 1e-9:
        raise SpaceError("weights must not be negative and must sum to one")
    effective = 1.0 / float(np.sum(weights**2))
    if effective < FEWEST_SCENARIOS:
        raise SpaceError(f"only {effective:.0f} effective scenarios; at least {FEWEST_SCENARIOS} are needed")


def _ask(
    unknown: int, ahead: FloatArray, number: FloatArray, weights: FloatArray, fold: IntArray, ceiling: float
) -> Asked:
    """One unknown, `ahead` (scenarios, setups) the utility over that of the setup chosen today."""
    if np.ptp(number[weights > 0.0]) == 0.0:
        return Asked(unknown, 0.0, 0.0, 0.0, 0.0, 0)
    trials = [_fits(ahead, spline_basis(number, weights, size), weights, fold) for size in SIZES]
    errors = [float(weights @ ((told - ahead) ** 2).sum(axis=1)) for _, told in trials]
    chosen = int(np.argmin(errors))
    size, (fitted, told) = SIZES[chosen], trials[chosen]
    value = float(weights @ fitted.max(axis=1)) - max(float((weights @ fitted).max()), 0.0)
    pick = np.argmax(told, axis=1)
    earned = ahead[np.arange(len(ahead)), pick]
    held_out, error = float(weights @ earned), _standard_error(earned, weights)
    value = float(np.clip(value, 0.0, ceiling))
    low = max(0.0, min(value, held_out) - 2.0 * error)
    return Asked(unknown, value, held_out, low, max(value, held_out) + 2.0 * error, size)


def _standard_error(values: FloatArray, weights: FloatArray) -> float:
    """Standard error of a weighted mean, `sqrt(sum w^2 (x - mean)^2)`."""
    return float(np.sqrt(np.sum((weights * (values - weights @ values)) ** 2)))


def spline_basis(number: FloatArray, weights: FloatArray, size: int) -> FloatArray:
    """Natural cubic spline terms of a number, constant first: (scenarios, size + 1).

    Knots at even weighted quantiles, the outer two at 2 and 98 %; straight beyond them. With `size` 1 a straight line.
    Equal knots (a number with few values) fall together.
    """
    middle = float(weights @ number)
    scale = float(np.sqrt(weights @ (number - middle) ** 2))
    x = (number - middle) / scale
    columns = [np.ones(len(x)), x]
    order = np.argsort(x, kind="stable")
    cumulated = np.cumsum(weights[order]) - 0.5 * weights[order]
    knots = np.unique(np.interp(np.linspace(0.02, 0.98, size + 1), cumulated, x[order])) if size > 1 else x[:0]
    if len(knots) > 2:

        def bend(knot: float) -> FloatArray:
            last = knots[-1]
            return np.asarray((np.maximum(x - knot, 0.0) ** 3 - np.maximum(x - last, 0.0) ** 3) / (last - knot))

        final = bend(float(knots[-2]))
        columns += [bend(float(knot)) - final for knot in knots[:-2]]
    return np.stack(columns, axis=1)


def _fits(ahead: FloatArray, basis: FloatArray, weights: FloatArray, fold: IntArray) -> tuple[FloatArray, FloatArray]:
    """Weighted least squares, both (scenarios, setups): each scenario told by the fit to all, and by the fit to the
    parts it is not in.

    The terms are made orthonormal under the weights, `Q' W Q = I`, so the fit to all is `Q (Q' W Y)`, and one without
    part f solves the small `(I - Q_f' W_f Q_f) b = Q' W Y - Q_f' W_f Y_f`. One pass over the scenarios serves every
    fit: a solver called for each hands blocks of this size to threads, which cost more than the sums.
    """
    terms = orthonormal(basis, weights)
    parts = [np.flatnonzero(fold == part) for part in range(FOLDS)]
    heavy = [terms[rows].T * weights[rows] for rows in parts]
    products = [left @ ahead[rows] for left, rows in zip(heavy, parts, strict=True)]
    whole = np.sum(products, axis=0)
    fitted, told = np.empty_like(ahead), np.empty_like(ahead)
    for left, own, rows in zip(heavy, products, parts, strict=True):
        rest = np.linalg.pinv(np.eye(terms.shape[1]) - left @ terms[rows], rcond=UNSEEN, hermitian=True)
        fitted[rows] = terms[rows] @ whole
        told[rows] = terms[rows] @ (rest @ (whole - own))
    return fitted, told


def orthonormal(basis: FloatArray, weights: FloatArray) -> FloatArray:
    """The columns of `basis` (scenarios, terms) as far as they differ, `Q' W Q = I`: Gram and Schmidt, each column
    twice ("twice is enough", Giraud, Langou & Rozloznik 2005; from memory)."""
    found: list[FloatArray] = []
    for column in basis.T:
        rest, size = column, float(np.sqrt(weights @ column**2))
        for other in (*found, *found):
            rest = rest - other * (weights @ (other * rest))
        left = float(np.sqrt(weights @ rest**2))
        if left > UNSEEN * size:
            found.append(rest / left)
    return np.stack(found, axis=1)


def knowing(space: Space, outcomes: Outcomes) -> Knowing:
    """What each unknown of a study is worth for a choice among the setups of `outcomes`, by the loss that the headline
    is chosen by: a setup is worth its loss with its sign turned, less `BROKEN_LOSS` where it breaks a limit.

    Raises as `worth_of` does.
    """
    told = filled(space, outcomes)
    utilities = -told.losses - BROKEN_LOSS * ~told.good
    return Knowing(
        worth=worth_of(utilities, outcomes.numbers, outcomes.weights, stage_seed(space.seed, WORTH)),
        keys=tuple(unknown.key for unknown in space.unknowns),
        candidates=outcomes.positions,
        loss=BROKEN_LOSS,
    )
