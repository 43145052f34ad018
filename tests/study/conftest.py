"""Puts a toy model in place of the kernel; a real study small enough to know whole."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from study_toy import Formula, Model

from explorer.domain.space import Space
from explorer.inputs.load import load_study

CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.fixture(scope="session")
def bars_and_springs() -> Space:
    """Bars and springs of the two-wheel drive on the dusty floor, ride heights held: 1,521 setups."""
    space = load_study(CONFIGS / "2wd_dusty.toml").space
    keep = [k for k, knob in enumerate(space.knobs) if "ride_height" not in knob.name]
    return dataclasses.replace(
        space,
        knobs=tuple(space.knobs[k] for k in keep),
        baseline=tuple(space.baseline[k] for k in keep),
        base=space.parameters(np.array([space.baseline]))[0],
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
