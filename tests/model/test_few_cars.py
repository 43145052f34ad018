"""A few cars by either road to a corner's limits: what `test_path` asks of many, few enough for plain Python."""

from __future__ import annotations

import numpy as np
from cars import Answers, corner_phases, put, random_cars


def test_a_few_cars_by_either_road() -> None:
    """Cars on bumps that their front, their rear and their rollover limits, some with grip to spare at the first look.
    Catches a limit that is set where nothing is found. A chassis compliance of 1e-30 rad per N m twists nothing and yet
    takes the followed path. Left out: the response of a car rolled over in its turn-in, where the tangent stiffness
    jumps and the followed path takes either side."""
    count = 8
    cars = put(
        random_cars(31, count), grip=np.linspace(0.6, 5.0, count), cg_height=0.07, roughness=1.5e-6,
        load_sensitivity=0.2, front_droop=0.002, rear_droop=0.003,
    )  # fmt: skip
    direct = Answers(cars, corner_phases(0.9))
    followed = Answers(put(cars, chassis_compliance=1e-30), corner_phases(0.9))
    assert direct.valid.all() and followed.valid.all()
    limits = {direct[f"{phase}.limited_by"][car] for phase in ("sweep", "hairpin", "exit") for car in range(count)}
    assert limits == {0.0, 1.0, 2.0}
    kept = np.ones(direct.values.shape, dtype=bool)
    for name in ("lag_ms", "bite_pct", "roll_damping_ratio", "response_state"):
        column = np.flatnonzero([np.shares_memory(direct[name], direct.values[:, k]) for k in range(kept.shape[1])])
        kept[direct["entry.state"] == 2.0, column[0]] = False
    np.testing.assert_allclose(direct.values[kept], followed.values[kept], rtol=1e-9, atol=1e-10)
