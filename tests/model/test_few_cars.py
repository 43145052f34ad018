"""A few cars by either way to a corner's limits: what `test_path` asks of many, few enough for plain Python."""

from __future__ import annotations

import numpy as np
import pytest
from cars import Answers, corner_phases, put, random_cars
from corner_limits import ASKED, DONE, TRUTHS, limits_followed, limits_on_lanes

COUNT = 4


def few(law: float) -> np.ndarray:
    """Cars on bumps that their front, their rear and their rollover limits, some with grip to spare at first sight."""
    return put(
        random_cars(31, COUNT), grip=np.linspace(0.6, 5.0, COUNT) if law == 0.0 else np.linspace(0.6, 1.6, COUNT),
        cg_height=0.07, roughness=1.5e-6, load_sensitivity=0.2, front_droop=0.002 + 0.006 * law,
        rear_droop=0.003 + 0.006 * law, axle_law=law,
    )  # fmt: skip


@pytest.mark.parametrize("law", [0.0, 1.0])
def test_a_few_cars_by_either_way(law: float) -> None:
    """Catches a limit that is set where nothing is found, and a law that plain Python works out otherwise."""
    cars, phases = few(law)[: 2 if law == 0.0 else 1], corner_phases(0.9)
    fast, followed = limits_on_lanes(cars, phases), limits_followed(cars, phases)
    assert (fast[..., DONE] == 1.0).all() and (followed[..., DONE] == 1.0).all()
    np.testing.assert_array_equal(fast[..., TRUTHS], followed[..., TRUTHS])
    np.testing.assert_allclose(fast[..., : ASKED.stop], followed[..., : ASKED.stop], rtol=1e-8, atol=1e-10)


def test_the_front_the_rear_and_the_rollover_limit_some() -> None:
    """Catches an axle named that is not the one whose limit is lower."""
    answers = Answers(few(0.0), corner_phases(0.9))
    assert answers.valid.all()
    limits = {answers[f"{phase}.limited_by"][car] for phase in ("sweep", "hairpin", "exit") for car in range(COUNT)}
    assert limits == {0.0, 1.0, 2.0}
