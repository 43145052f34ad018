"""Puts a toy model in place of the kernel; a real study small enough to know whole."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from study_toy import Formula, Model

from explorer.domain.space import Limit, Space
from explorer.inputs.load import load_study

BITING = (
    Limit("sweep.roll_deg", "at_most", 0.25, "carpet"),
    Limit("hairpin.roll_deg", "at_least", -1.0, "carpet"),
    Limit("hairpin.balance_pct", "at_least", -1.0, "baseline"),
    Limit("sweep.balance_pct", "at_most", 1.5, "baseline"),
    Limit("entry.balance_pct", "at_most", 1.5, "baseline"),
    Limit("clearance_mm", "at_least", 0.0),
    Limit("front_bump_upset_m_per_s2", "at_most", 9.8),
    Limit("rear_bump_upset_m_per_s2", "at_most", 9.8),
    Limit("front_bump_step_n", "at_most", 1.3),
    Limit("rear_bump_step_n", "at_most", 1.3),
)
"""Limits that keep some setups and not others, absolute and relative."""

CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.fixture(scope="session")
def bars_and_springs() -> Space:
    """Bars and springs of the two-wheel drive on the dusty floor, ride heights held: 1,521 setups, with limits that
    bite and no wish."""
    space = load_study(CONFIGS / "2wd_dusty.toml").space
    keep = [k for k, knob in enumerate(space.knobs) if "ride_height" not in knob.name]
    return dataclasses.replace(
        space,
        knobs=tuple(space.knobs[k] for k in keep),
        baseline=tuple(space.baseline[k] for k in keep),
        base=space.parameters(np.array([space.baseline]))[0],
        rules=(),
        limits=BITING,
        wishes=(),
        references=tuple(
            dataclasses.replace(liked, positions=tuple(liked.positions[k] for k in keep)) for liked in space.references
        ),
    )


@pytest.fixture
def use_model(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Model]:
    """Install a model given by formulas; returns it."""

    def install(formulas: dict[str, Formula], valid: Formula | None = None) -> Model:
        model = Model(formulas, valid)
        monkeypatch.setattr("explorer.study.everything.evaluate.evaluate_parameters", model)
        return model

    return install
