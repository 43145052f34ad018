"""The numpy yardstick computes what the kernel computes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from benchmarks.numpy_peer import evaluate

from explorer.inputs.load import load_study
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import evaluate_positions

CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.mark.parametrize("name", ["demo", "4wd_turf"])
def test_peer_equals_the_kernel(name: str) -> None:
    """Catches a yardstick that skips part of the physics, and a kernel that does."""
    space = load_study(CONFIGS / f"{name}.toml").space
    rows = np.random.default_rng(8).choice(space.size, 400, replace=False)
    positions = space.positions_of(np.sort(rows))
    ours, valid = evaluate_positions(space, positions)
    assert valid.all()
    peer = evaluate(space.parameters(positions), space.phases)
    for column, metric in enumerate(metric_columns(space.phase_names)):
        np.testing.assert_allclose(peer[:, column], ours[0][:, column], rtol=1e-7, atol=1e-7, err_msg=metric)
