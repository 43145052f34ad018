"""How likely each thing seen in practice is in each scenario: the model's number for it, and the law of the report.

What is asked of a report, and its law, its kind says (`kinds`). Whatever is seen, a small share of reports is wrong
altogether (`SLIP`): the wrong corner, the wrong setup, a slip of the pen. So one report alone never rules a scenario
out (a mixture with a flat law; Box & Tiao 1968, Biometrika 55:119; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain.errors import SpaceError
from explorer.domain.space import BoolArray, FloatArray, Space
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import Scenarios, evaluate_positions
from explorer.study.plan.reports import Ran, Report

SLIP = 0.02
"""Share of reports that are wrong altogether. Common sense, no source."""

BLOCK_NUMBERS = 8_000_000
"""Numbers in one block of the kernel's answers at most."""


@dataclass(frozen=True)
class Predicted:
    """The model's number for each report in each scenario, in the unit of its kind, both (reports, scenarios).

    Where `answered` is False the model had no answer; the number is 0 and must not be read.
    """

    numbers: FloatArray
    answered: BoolArray

    @property
    def unanswered(self) -> tuple[int, ...]:
        """Scenarios without an answer, for each report."""
        return tuple(int(count) for count in (~self.answered).sum(axis=1))


def predict(space: Space, reports: tuple[Report, ...], scenarios: Scenarios) -> Predicted:
    """What the model says should have been seen. Raises SpaceError for a report that does not fit the study."""
    for seen in reports:
        seen.check(space)
    count = len(scenarios.weights)
    numbers = np.zeros((len(reports), count))
    answered = np.ones((len(reports), count), dtype=bool)
    others: dict[int, FloatArray] = {}
    setups = tuple(dict.fromkeys(place for seen in reports for place in (seen.positions, seen.other) if place))
    columns = metric_columns(space.phase_names)
    block = max(1, BLOCK_NUMBERS // max(1, count * len(columns)))
    for start in range(0, len(setups), block):
        chunk = setups[start : start + block]
        values, valid = evaluate_positions(space, np.array(chunk, dtype=np.float64), scenarios)
        for row, setup in enumerate(chunk):
            ran = Ran(space, scenarios, setup, dict(zip(columns, values[:, row].T, strict=True)))
            for number, seen in enumerate(reports):
                if setup in (seen.positions, seen.other):
                    answered[number] &= valid[:, row]
                if seen.positions == setup:
                    numbers[number] = seen.number(ran)
                if seen.other == setup:
                    others[number] = seen.number(ran)
    for number, seen in enumerate(reports):
        if not seen.positions:
            numbers[number] = seen.number(Ran(space, scenarios, space.baseline, {}))
        elif seen.other:
            both = answered[number]
            numbers[number, both] = seen.compared(numbers[number, both], others[number][both])
    numbers[~answered] = 0.0
    return Predicted(numbers, answered)


def log_likelihood(seen: Report, number: FloatArray, answered: BoolArray, slip: float = SLIP) -> FloatArray:
    """Logarithm of `(1 - slip) law + slip flat`; where the model has no answer only the flat part counts. (scenarios,)

    Raises SpaceError unless the slip lies between 0 and 1, both excluded.
    """
    if not 0.0 < slip < 1.0:
        raise SpaceError(f"the share of wrong reports must lie between 0 and 1, not {slip:g}: nobody is always right")
    sound = np.where(answered, seen.law(number), 0.0)
    return np.asarray(np.log((1.0 - slip) * sound + slip * seen.flat))


def log_likelihoods(reports: tuple[Report, ...], predicted: Predicted, slip: float = SLIP) -> FloatArray:
    """`log_likelihood` of every report. Shape (reports, scenarios)."""
    rows = [
        log_likelihood(seen, number, answered, slip)
        for seen, number, answered in zip(reports, predicted.numbers, predicted.answered, strict=True)
    ]
    return np.array(rows).reshape(predicted.numbers.shape)


def tail_probability(seen: Report, number: FloatArray, answered: BoolArray, weights: FloatArray) -> float:
    """How likely a report at least as far out is, over weighted scenarios and without slips; 0 where none answers.

    Of a reading the two-sided tail of the predictive law, else the probability of the report itself.
    """
    share = weights * answered
    if share.sum() <= 0.0:
        return 0.0
    return float(np.clip(seen.tail(number, share / share.sum()), 0.0, 1.0))
