"""Puts a toy model in place of the kernel."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from study_toy import Formula, Model


@pytest.fixture
def use_model(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Model]:
    """Install a model given by formulas; returns it."""

    def install(formulas: dict[str, Formula], valid: Formula | None = None) -> Model:
        model = Model(formulas, valid)
        monkeypatch.setattr("explorer.study.evaluate.evaluate_parameters", model)
        return model

    return install
