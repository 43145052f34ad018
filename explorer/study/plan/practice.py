"""How likely each thing seen in practice is in each scenario: the model's number for it, and the law of the report.

Laws. A reading (lateral acceleration or speed at the limit of grip, roll off a photo) is normal about the model's
number. A yes or no and a better or worse are probits of a margin, a feel is an ordered probit of the balance
(Thurstone 1927, Psychol. Rev. 34:273; McKelvey & Zavoina 1975, J. Math. Sociol. 4:103; both from memory). Whatever is
seen, a small share of reports is wrong altogether (`SLIP`): the wrong corner, the wrong setup, a slip of the pen. So
one report alone never rules a scenario out (a mixture with a flat law; Box & Tiao 1968, Biometrika 55:119; from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from explorer.domain.errors import SpaceError
from explorer.domain.space import BoolArray, FloatArray, Space
from explorer.domain.unknowns import FEELS, SEEN_KINDS, Observation
from explorer.model.car.car import G
from explorer.model.car.slots import PHASE_COLUMNS, SLOT
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import Scenarios, evaluate_positions

SLIP = 0.02
"""Share of reports that are wrong altogether. Common sense, no source."""

LIFT_SLACK_PCT = 5.0
"""One standard deviation of judging whether a wheel lifted, as a share of the phase's lateral acceleration: nobody
drives exactly what the phase asks. [%]"""

NEUTRAL_BAND_PCT = 2.0
"""A car whose front and rear limits differ by less than this is neutral. [%]"""

FEEL_ERROR_PCT = 3.0
"""One standard deviation of a driver's sense of balance. [%]"""

BETTER_ERROR_PCT = 2.0
"""One standard deviation of a comparison of two setups, on the difference of their grip margins. [%]"""

JUDGING_PCT = {"lifted": LIFT_SLACK_PCT, "feel": FEEL_ERROR_PCT, "better": BETTER_ERROR_PCT}
"""Judging error of each kind of report that is not a reading, where the observation states none. [%]"""

READING_ERROR = {"lateral": 0.5, "speed": 0.2, "roll": 0.5}
"""One standard deviation of a reading where the file states none: a stopwatch on a circle [m/s2], video over marked
lines [m/s], a photo from behind [deg]. Common practice, no source."""

READING_SPAN = {"lateral": 40.0, "speed": 25.0, "roll": 30.0}
"""A wrong reading is equally likely anywhere between 0 and this. [m/s2], [m/s], [deg]"""

LIFT_CEILING_PCT = 1_000.0
"""Lift margins are cut off here: a wheel that hardly unloads. [%]"""

BLOCK_NUMBERS = 8_000_000
"""Numbers in one block of the kernel's answers at most."""

_GRIP = SLOT["grip"]
_RADIUS, _SPEED, _SHARE = (PHASE_COLUMNS.index(name) for name in ("radius", "speed", "grip_share"))


@dataclass(frozen=True)
class Predicted:
    """The model's number for each observation in each scenario, both (observations, scenarios).

    `numbers` in m/s2, m/s, deg; in % for `lifted` (lift margin of that end), `feel` (balance) and `better` (grip margin
    less the other setup's). Where `answered` is False the model had no answer; the number is 0 and must not be read.
    """

    numbers: FloatArray
    answered: BoolArray

    @property
    def unanswered(self) -> tuple[int, ...]:
        """Scenarios without an answer, for each observation."""
        return tuple(int(count) for count in (~self.answered).sum(axis=1))


def predict(space: Space, observations: tuple[Observation, ...], scenarios: Scenarios) -> Predicted:
    """What the model says should have been seen.

    Raises SpaceError for an observation of an unknown kind, phase or wheel.
    """
    for seen in observations:
        _check(space, seen)
    count = len(scenarios.weights)
    numbers = np.zeros((len(observations), count))
    answered = np.ones((len(observations), count), dtype=bool)
    asked = [place for seen in observations for place in (seen.positions, seen.other) if place]
    setups = tuple(dict.fromkeys(asked))
    margins: dict[tuple[tuple[float, ...], str], tuple[FloatArray, BoolArray]] = {}
    columns = metric_columns(space.phase_names)
    block = max(1, BLOCK_NUMBERS // max(1, count * len(columns)))
    for start in range(0, len(setups), block):
        chunk = setups[start : start + block]
        values, valid = evaluate_positions(space, np.array(chunk, dtype=np.float64), scenarios)
        grip = _grip(space, np.array(chunk, dtype=np.float64), scenarios)
        for row, setup in enumerate(chunk):
            for phase in space.phase_names:
                margins[setup, phase] = values[:, row, columns.index(f"{phase}.grip_margin_pct")], valid[:, row]
            for number, seen in enumerate(observations):
                if seen.positions == setup and seen.kind != "better":
                    table = dict(zip(columns, values[:, row].T, strict=True))
                    numbers[number] = _number(space, seen, table, grip[:, row])
                    answered[number] = valid[:, row]
    for number, seen in enumerate(observations):
        if seen.kind == "better":
            own, own_valid = margins[seen.positions, seen.phase]
            other, other_valid = margins[seen.other, seen.phase]
            numbers[number] = own - other
            answered[number] = own_valid & other_valid
    numbers[~answered] = 0.0
    return Predicted(numbers, answered)


def _check(space: Space, seen: Observation) -> None:
    if seen.kind not in SEEN_KINDS:
        raise SpaceError(f"line {seen.line}: no kind of observation is called {seen.kind!r}; {', '.join(SEEN_KINDS)}")
    if seen.phase not in space.phase_names:
        raise SpaceError(f"line {seen.line}: no phase is called {seen.phase!r}; {', '.join(space.phase_names)}")
    if seen.kind == "lifted" and seen.wheel not in ("front", "rear"):
        raise SpaceError(f"line {seen.line}: a lifted wheel is front or rear, not {seen.wheel!r}")
    knobs = len(space.knobs)
    if len(seen.positions) != knobs or len(seen.other) != (knobs if seen.kind == "better" else 0):
        raise SpaceError(f"line {seen.line}: an observation needs its setup, and `better` another one, {knobs} knobs")
    if seen.kind in READING_ERROR and not seen.error > 0.0:
        raise SpaceError(f"line {seen.line}: the error of a reading must be above 0, not {seen.error:g}")


def _grip(space: Space, positions: FloatArray, scenarios: Scenarios) -> FloatArray:
    """Grip level of each setup in each scenario. Shape (scenarios, setups) [-]"""
    level = np.repeat(space.parameters(positions)[None, :, _GRIP], len(scenarios.weights), axis=0)
    for j in np.flatnonzero(scenarios.slots == _GRIP):
        level = level * scenarios.factor[:, j, None] + scenarios.offset[:, j, None]
    return level


def _number(space: Space, seen: Observation, table: dict[str, FloatArray], grip: FloatArray) -> FloatArray:
    """The model's number for one observation of one setup, by scenario."""

    def column(name: str) -> FloatArray:
        return table[f"{seen.phase}.{name}"]

    phase = space.phases[space.phase_names.index(seen.phase)]
    if seen.kind == "lateral":
        return lateral_limit(phase, grip, column("grip_margin_pct"))
    if seen.kind == "speed":
        return np.sqrt(float(phase[_RADIUS]) * lateral_limit(phase, grip, column("grip_margin_pct")))
    if seen.kind == "roll":
        return column("roll_deg")
    if seen.kind == "feel":
        return column("balance_pct")
    first = column("lift_axle") == ("front", "rear").index(seen.wheel)
    return lift_margin(
        first,
        column("lift_margin_pct"),
        column("rollover_margin_pct"),
        column(f"{seen.wheel}_inner_load_n"),
        column(f"{seen.wheel}_outer_load_n"),
    )


def lateral_limit(phase: FloatArray, grip: FloatArray, grip_margin_pct: FloatArray) -> FloatArray:
    """Lateral acceleration at the limit of grip: `a (1 + margin)`, `a` what the phase asks. (scenarios,) [m/s2]

    The phase asks `v^2/R`, or a share of the grip level of that scenario; braking, drive and downforce stay what they
    are at the phase's own pace.
    """
    speed, radius = float(phase[_SPEED]), float(phase[_RADIUS])
    asked = speed * speed / radius if speed > 0.0 else float(phase[_SHARE]) * grip * G
    return np.asarray(np.maximum(asked * (1.0 + grip_margin_pct / 100.0), 0.0), dtype=np.float64)


def lift_margin(
    first: BoolArray, margin_pct: FloatArray, over_pct: FloatArray, inner_n: FloatArray, outer_n: FloatArray
) -> FloatArray:
    """Lift margin of one end. (scenarios,) [%]

    Where this end's inner wheel is the first to lift (`first`) it is the model's own `margin_pct`. Elsewhere a wheel
    that is down is carried on in a straight line: its load falls from the mean of inner and outer to nothing, so
    `margin = inner / ((outer - inner)/2)`; a wheel that is up left the ground between the first wheel's margin and what
    the phase asks (or the rollover `over_pct`, if that comes before), and the middle is taken. It is never below the
    first wheel's margin nor above the rollover's.

    >>> one = np.ones(1)
    >>> float(lift_margin(one < 0, 10 * one, 90 * one, 2 * one, 10 * one)[0])
    50.0
    >>> float(lift_margin(one < 0, -10 * one, 40 * one, 0 * one, 10 * one)[0])
    -5.0
    """
    half_gap = 0.5 * (outer_n - inner_n)
    carried_on = 100.0 * inner_n / np.maximum(half_gap, 1e-3 * np.maximum(outer_n, 1e-9))
    highest = np.maximum(over_pct, margin_pct)
    up = 0.5 * (margin_pct + np.minimum(highest, 0.0))
    other = np.where(inner_n > 0.0, np.clip(carried_on, margin_pct, highest), up)
    return np.minimum(np.where(first, margin_pct, other), LIFT_CEILING_PCT)


def judging_error(seen: Observation) -> float:
    """One standard deviation: the observation's own error, or the usual one of its kind [%]."""
    return seen.error if seen.error > 0.0 else JUDGING_PCT[seen.kind]


def report_law(seen: Observation, number: FloatArray) -> FloatArray:
    """Probability (of a reading: density) of the report by an observer who makes no slip. (scenarios,)

    Reading: `phi((y - m)/e)/e`. Lifted: `Phi(-margin/e)`. Better: `Phi((m_a - m_b)/e)`. Feel: pushed
    `Phi((-band - balance)/e)`, rotated `Phi((balance - band)/e)`, neutral the rest.
    """
    error = judging_error(seen) if seen.kind in JUDGING_PCT else seen.error
    if seen.kind in READING_ERROR:
        return np.asarray(np.exp(-0.5 * ((seen.value - number) / error) ** 2) / (error * np.sqrt(2.0 * np.pi)))
    if seen.kind == "feel":
        pushed, rotated = ndtr((-NEUTRAL_BAND_PCT - number) / error), ndtr((number - NEUTRAL_BAND_PCT) / error)
        neutral = ndtr((NEUTRAL_BAND_PCT - number) / error) - pushed
        return np.asarray((pushed, neutral, rotated)[int(seen.value)])
    yes = ndtr(-number / error) if seen.kind == "lifted" else ndtr(number / error)
    return np.asarray(yes if seen.value > 0.5 else 1.0 - yes)


def slip_law(seen: Observation) -> float:
    """Probability (of a reading: density) of the report by an observer who got it all wrong."""
    if seen.kind in READING_SPAN:
        return 1.0 / READING_SPAN[seen.kind]
    return 1.0 / len(FEELS) if seen.kind == "feel" else 0.5


def log_likelihood(seen: Observation, number: FloatArray, answered: BoolArray, slip: float = SLIP) -> FloatArray:
    """Logarithm of `(1 - slip) law + slip flat`; where the model has no answer only the flat part counts. (scenarios,)

    Raises SpaceError unless the slip lies between 0 and 1, both excluded.
    """
    if not 0.0 < slip < 1.0:
        raise SpaceError(f"the share of wrong reports must lie between 0 and 1, not {slip:g}: nobody is always right")
    sound = np.where(answered, report_law(seen, number), 0.0)
    return np.asarray(np.log((1.0 - slip) * sound + slip * slip_law(seen)))


def log_likelihoods(observations: tuple[Observation, ...], predicted: Predicted, slip: float = SLIP) -> FloatArray:
    """`log_likelihood` of every observation. Shape (observations, scenarios)."""
    rows = [
        log_likelihood(seen, number, answered, slip)
        for seen, number, answered in zip(observations, predicted.numbers, predicted.answered, strict=True)
    ]
    return np.array(rows).reshape(predicted.numbers.shape)


def tail_probability(seen: Observation, number: FloatArray, answered: BoolArray, weights: FloatArray) -> float:
    """How likely a report at least as far out is, over weighted scenarios and without slips; 0 where none answers.

    Of a reading the two-sided tail of the predictive law, else the probability of the report itself.
    """
    share = weights * answered
    if share.sum() <= 0.0:
        return 0.0
    share = share / share.sum()
    if seen.kind in READING_ERROR:
        below = float(share @ ndtr((seen.value - number) / seen.error))
        return float(np.clip(2.0 * min(below, 1.0 - below), 0.0, 1.0))
    return float(np.clip(share @ report_law(seen, number), 0.0, 1.0))
