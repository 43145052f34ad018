"""What to do next: how much better the choice would be after one more run or one reading, per minute.

Expected value of sample information (Raiffa & Schlaifer 1961, Applied Statistical Decision Theory; from memory):

    EVSI = min_d E(L_d) - sum_k P(k) min_d E(L_d | k)

over the answers k that a driver or a gauge may give, with the laws of `kinds`, and the losses of the headline. Each
half of the scenarios chooses and is judged on the other, so nothing is gained by chance alone on average.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from explorer.domain.space import FloatArray, IntArray, Space
from explorer.domain.units import unit_of
from explorer.domain.unknowns import Unknown
from explorer.study.plan.decision import Decision
from explorer.study.plan.kinds import READ_SHARE, Better, Feel
from explorer.study.plan.practice import predict
from explorer.study.plan.reports import Judgement
from explorer.study.plan.robust import BROKEN_LOSS, filled
from explorer.study.plan.scenarios import draws_at

SCENARIOS = 1_024
"""Scenarios over which actions are weighed, at most."""

SETUPS = 10
"""Setups whose run is weighed: the shortlist, the car of today, and those that are best in most scenarios."""

RUN_MINUTES = 6.0
"""Out, two laps, in. Common practice, no source. [min]"""

BINS = 9
"""Answers that a reading is cut into, equally likely."""

SELDOM = 0.02
"""An answer that comes more seldom is not told."""

READINGS: dict[str, tuple[str, float]] = {
    "bump_height": ("hold a straight edge and a ruler on the bumps", 3.0),
    "camber": ("put the camber gauge on", 4.0),
    "camber_gain": ("read the camber gauge at ride height and 10 mm up", 10.0),
    "camber_gain_slope": ("read the camber gauge 10 mm up and 10 mm down", 12.0),
    "droop": ("read the droop with the wheels in the air", 5.0),
    "ride_height": ("read the ride height", 2.0),
    "tyre_rate": ("press one tyre on a scale and read how far it gives", 8.0),
    "spring_motion_ratio": ("push the wheel up 5 mm and read the damper's travel", 8.0),
    "bar_motion_ratio": ("push the wheel up 5 mm and read the travel of the bar's end", 8.0),
    "roll_centre_height": ("draw the arms from the front to scale", 20.0),
    "roll_centre_rate": ("draw the arms again with the chassis 5 mm higher", 20.0),
    "cg_height": ("lift the rear by a known height and read the front scale", 20.0),
    "tyre_crown": ("find the lid that fits across the tread", 3.0),
}
"""What can be read in the pits, by stem: how, and in how many minutes. Common practice, no source."""


@dataclass(frozen=True)
class Action:
    """A run or a reading.

    A run is driven with the setup at `positions` (knobs,), () for a reading; `changes` from the car of today; `what` is
    seen or read. `gain` in felt differences at price 1, `error` its standard error. `answers` are those that come often
    enough, with the chance of each and the setup (knobs,) to take then.
    """

    positions: tuple[float, ...]
    changes: tuple[tuple[str, str, str], ...]
    what: str
    minutes: float
    gain: float
    error: float
    answers: tuple[tuple[str, float, FloatArray], ...]

    @property
    def per_minute(self) -> float:
        """Gain of one minute."""
        return self.gain / self.minutes

    @property
    def sure(self) -> bool:
        """Whether the gain is more than its error could make of nothing."""
        return self.gain > 2.0 * self.error


def actions(space: Space, found: Decision) -> tuple[Action, ...]:
    """Runs and readings, most gain per minute first; nothing where nothing keeps every limit."""
    if found.headline is None:
        return ()
    outcomes = found.outcomes
    told = filled(space, outcomes)
    some = slice(0, SCENARIOS)
    lost = told.losses[some] + BROKEN_LOSS * ~told.good[some]
    weights = outcomes.weights[some] / outcomes.weights[some].sum()
    numbers = outcomes.numbers[some]
    draws = draws_at(space, outcomes.points[some], weights)
    runs = _runs(space, found, lost, weights)
    seen = predict(space, tuple(report for report, _ in runs), draws.scenarios)
    result = []
    for (report, words), row, answered in zip(runs, seen.numbers, seen.answered, strict=True):
        chances = np.stack([replace(report, value=float(value)).law(row) for value in (-1, 0, 1)])
        chances = np.where(answered, chances, 1.0 / 3.0)
        place = np.array(report.positions)
        minutes = float(space.minutes(place[None])[0]) + RUN_MINUTES
        what = f"{report.phase}: balance" if isinstance(report, Feel) else "against the car of today"
        result.append(
            _action(found, lost, weights, chances, words, report.positions, space.changes(place), what, minutes)
        )
    for axis, unknown in enumerate(space.unknowns):
        stem = _stem(unknown)
        if stem in READINGS:
            chances, words = _bins(unknown, numbers[:, axis], weights)
            how, minutes = READINGS[stem]
            result.append(_action(found, lost, weights, chances, words, (), (), f"{how} ({unknown.key})", minutes))
    return tuple(sorted(result, key=lambda one: -one.per_minute))


def _runs(space: Space, found: Decision, lost: FloatArray, weights: FloatArray) -> list[tuple[Judgement, list[str]]]:
    """A driver's words on each phase, and on the whole against the car of today, of the setups worth a run; with the
    answers -1, 0 and 1 in words."""
    wins = np.bincount(lost.argmin(axis=1), weights=weights, minlength=lost.shape[1])
    rows = [0, *(pick.row for pick in found.shortlist.picks), *np.argsort(-wins, kind="stable").tolist()]
    today = tuple(float(at) for at in space.baseline)
    reports: list[tuple[Judgement, list[str]]] = []
    for row in list(dict.fromkeys(rows))[:SETUPS]:
        place = tuple(float(at) for at in found.robust.positions[row])
        for phase in space.phase_names:
            reports.append((Feel(phase, place, ""), ["it pushes", "it is neutral", "it is loose"]))
        if place != today:
            better = Better("", place, "", other=today)
            reports.append((better, ["it is slower", "it is as fast", "it is faster"]))
    return reports


def _stem(unknown: Unknown) -> str:
    unit = unit_of(unknown.key)
    stem = unknown.key.removesuffix("_" + unit.suffix) if unit else unknown.key
    return stem.removeprefix("front_").removeprefix("rear_")


def _bins(unknown: Unknown, numbers: FloatArray, weights: FloatArray) -> tuple[FloatArray, list[str]]:
    """Chance of each of `BINS` readings in each scenario, (bins, scenarios), and the readings in words."""
    unit = unit_of(unknown.key)
    error = max(READ_SHARE * unknown.spread[0] / (unit.factor if unit else 1.0), 1e-12)
    order = np.argsort(numbers, kind="stable")
    passed = np.cumsum(weights[order])
    at = np.searchsorted(passed, np.arange(1, BINS) / BINS)
    edges = numbers[order[np.minimum(at, len(order) - 1)]]
    below = np.concatenate([np.zeros((1, len(numbers))), ndtr((edges[:, None] - numbers) / error)])
    above = np.concatenate([below[1:], np.ones((1, len(numbers)))])
    words = [f"up to {edges[0]:.3g}", *(f"{a:.3g} to {b:.3g}" for a, b in zip(edges, edges[1:], strict=False))]
    return above - below, [*words, f"above {edges[-1]:.3g}"]


def _action(
    found: Decision,
    lost: FloatArray,
    weights: FloatArray,
    chances: FloatArray,
    words: list[str],
    positions: tuple[float, ...],
    changes: tuple[tuple[str, str, str], ...],
    what: str,
    minutes: float,
) -> Action:
    gain, error, choices = sample_information(lost, weights, chances)
    often = chances @ weights
    answers = tuple(
        (word, float(chance), found.robust.positions[choice])
        for word, chance, choice in zip(words, often, choices, strict=True)
        if chance >= SELDOM
    )
    return Action(positions, changes, what, minutes, gain, error, answers)


def sample_information(lost: FloatArray, weights: FloatArray, chances: FloatArray) -> tuple[float, float, IntArray]:
    """What an answer is worth before choosing, its standard error, and the setup to take after each answer.

    `lost` (scenarios, setups), `weights` (scenarios,) summing to one, `chances` (answers, scenarios) of each answer in
    each scenario, summing to one over the answers -> gain, error, (answers,).
    """
    half = np.arange(len(weights)) % 2
    saved = np.zeros(len(weights))
    for side in (0, 1):
        here, there = half == side, half != side
        usual = int(np.argmin(weights[there] @ lost[there]))
        after = ((chances[:, there] * weights[there]) @ lost[there]).argmin(axis=1)
        saved[here] = lost[here, usual] - (chances[:, here].T * lost[here][:, after]).sum(axis=1)
    gain = float(weights @ saved)
    error = float(np.sqrt(np.sum((weights * (saved - gain)) ** 2)))
    return gain, error, np.asarray(((chances * weights) @ lost).argmin(axis=1))
