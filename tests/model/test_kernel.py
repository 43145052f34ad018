"""The door to the kernel: inputs that cannot be asked about."""

from __future__ import annotations

import numpy as np
import pytest
from cars import corner_phases, random_cars

from explorer.domain.errors import ModelError
from explorer.model.kernel import NOT_FINITE, evaluate_parameters, evaluate_with_faults

NOTHING = np.zeros(0, dtype=np.int64), np.ones((1, 0)), np.zeros((1, 0))


def test_nothing_asked_is_nothing_answered() -> None:
    """Catches a crash on no setup at all."""
    values, valid = evaluate_parameters(random_cars(1, 2)[:0], corner_phases(), *NOTHING)
    assert values.shape[:2] == (1, 0) and valid.shape == (1, 0)


@pytest.mark.parametrize(
    ("place", "value", "words"),
    [
        ((0, 0), 0.0, "radius above zero"), ((1, 0), -1.0, "radius above zero"), ((0, 5), -0.1, "weight not below"),
        ((2, 6), 0.0, "exactly one phase"), ((0, 6), 1.0, "exactly one phase"), ((0, 2), 0.0, "speed or grip share"),
        ((3, 3), np.inf, "finite"), ((0, 2), np.nan, "finite"),
    ],
)  # fmt: skip
def test_phases_that_ask_for_nothing_are_refused(place: tuple[int, int], value: float, words: str) -> None:
    """Catches a check left out: the answer would be a division by zero, in a table without a word."""
    phases = corner_phases()
    phases[place] = value
    with pytest.raises(ModelError, match=words):
        evaluate_parameters(random_cars(1, 2), phases, *NOTHING)


def test_arrays_of_the_wrong_shape_are_refused() -> None:
    """Catches columns read past their end, which compiled code does without a word."""
    cars, phases = random_cars(1, 2), corner_phases()
    for wrong_cars, wrong_phases, words in (
        (cars[:, :-1], phases, "parameters must have shape"), (cars[0], phases, "parameters must have shape"),
        (cars, phases[:, :-1], "phases must have shape"), (cars, phases[:0], "phases must have shape"),
        (cars, phases * [1, 1, 1, 1, 1, 0, 1], "one of them above"),
    ):  # fmt: skip
        with pytest.raises(ModelError, match=words):
            evaluate_parameters(wrong_cars, wrong_phases, *NOTHING)


def test_an_answer_that_is_no_number_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches a torn answer handed out, a fault of its neighbour, and numbers left where there is no answer."""

    def torn(threads, kind, parameters, phases, slots, factor, offset, tables, which, values, faults):
        values[...] = 1.0
        values[0, 1, 5], values[0, 2, 0] = np.nan, np.inf

    monkeypatch.setattr("explorer.model.kernel.evaluate_rows", torn)
    none = np.zeros(0, dtype=np.int64)
    cars = random_cars(3, 4)
    values, faults = evaluate_with_faults(cars, corner_phases(), none, np.ones((1, 0)), np.zeros((1, 0)))
    assert faults.tolist() == [[0, NOT_FINITE, NOT_FINITE, 0]]
    assert (values[0, 1:3] == 0.0).all() and (values[0, ::3] == 1.0).all()
