from dataclasses import replace

import numpy as np
import pytest
import study_toy as toy

from explorer.domain.errors import SpaceError
from explorer.domain.space import Limit, Rule
from explorer.study.everything.evaluate import table_of
from explorer.study.everything.limits import resolve_limits
from explorer.study.questions.maps import map_metric

FORMULAS = {
    "lag_ms": lambda p: 10 * p[:, 0] + p[:, 1] + (p[:, 2] - 1) ** 2,
    "grip_margin_pct": lambda p: 5 * p[:, 2] + p[:, 0],
    "sweep.roll_deg": lambda p: p[:, 2] + p[:, 1],
}
KNOBS = (toy.knob(0, (2, 0, 1)), toy.knob(1, (0, 1)), toy.knob(2, (0, 1, 2)))


def whole(where):
    return table_of(where, where.positions(0, where.size))


def test_map_at_the_baseline(use_model):
    """Catches: x and y swapped, axes in listed order, or the other knobs away from the baseline."""
    use_model(FORMULAS)
    where = toy.space(KNOBS, baseline=(0.0, 0.0, 2.0))
    found = map_metric(where, "k0", "k1", "lag_ms")
    assert found.x_labels == ("0", "1", "2") and found.y_labels == ("0", "1")
    np.testing.assert_allclose(found.values, [[1, 11, 21], [2, 12, 22]])
    np.testing.assert_allclose(found.positions[1, 0], [1, 1, 2])
    assert found.allowed.all() and found.feasible.all() and (found.broken == -1).all()


def test_limits_on_the_map(use_model):
    """Catches: a margin with the sign turned (its zero line is the limit), or naming a kept limit as broken."""
    use_model(FORMULAS)
    limits = [Limit("grip_margin_pct", "at_least", 0.0), Limit("lag_ms", "at_most", 11.5)]
    where = toy.space(KNOBS, limits=limits)
    found = map_metric(where, "k0", "k1", "lag_ms", "baseline", resolve_limits(where))
    assert found.feasible.tolist() == [[True, True, False], [True, False, False]]
    assert found.broken.tolist() == [[-1, -1, 1], [-1, 1, 1]]
    np.testing.assert_allclose(found.margins[..., 1], (11.5 - found.values) / 0.5)


def test_best_looks_through_every_setup(use_model):
    """Catches: the worst instead of the best, an infeasible best, or rows put into the wrong cell."""
    use_model(FORMULAS)
    limits = [Limit("grip_margin_pct", "at_least", 10.0)]
    where = toy.space(KNOBS, limits=limits)
    table = whole(where)
    found = map_metric(where, "k0", "k1", "lag_ms", "best", resolve_limits(where), table)
    np.testing.assert_allclose(found.positions[..., 2], 2.0)  # lag alone would take k2 = 1, which lacks grip
    np.testing.assert_allclose(found.values, [[1, 11, 21], [2, 12, 22]])
    assert found.feasible.all() and "lowest feasible value" in found.choice
    free = map_metric(where, "k0", "k1", "grip_margin_pct", "best", (), table)
    np.testing.assert_allclose(free.values, [[10, 11, 12], [10, 11, 12]])


def test_best_of_a_metric_without_direction_takes_the_balanced_setup(use_model):
    """Catches: taking the highest roll angle as best. Lag wants k2 = 1, grip wants 2: ranges decide."""
    use_model(FORMULAS)
    where = toy.space((toy.knob(0, (0, 1)), *KNOBS[1:]))
    table = whole(where)
    found = map_metric(where, "k0", "k1", "sweep.roll_deg", "best", (), table)
    # k0 = 0: largest distance 6/11 (grip) at k2 = 1, 1/12 + 1/11 at 2; k0 = 1: lag is far off, so its least wins
    np.testing.assert_allclose(found.positions[..., 2], [[2, 1], [2, 1]])
    np.testing.assert_allclose(found.values, [[2, 1], [3, 2]])
    assert "closest" in found.choice


def test_cells_without_a_feasible_setup_show_the_least_violating(use_model):
    """Catches: a cell filled with the best value of setups that break a limit."""
    use_model(FORMULAS)
    limits = [Limit("lag_ms", "at_most", 5.0)]
    where = toy.space(KNOBS, limits=limits)
    found = map_metric(where, "k0", "k1", "grip_margin_pct", "best", resolve_limits(where), whole(where))
    assert found.feasible.tolist() == [[True, False, False]] * 2
    np.testing.assert_allclose(found.positions[0, :, 2], [2, 1, 1])
    assert found.broken[0].tolist() == [-1, 0, 0]


def test_forbidden_and_unanswered_cells(use_model):
    """Catches: cells that cannot be built shown as feasible; NaN as a message."""
    use_model(FORMULAS, valid=lambda p: p[:, 0] + p[:, 1] < 3)
    where = toy.space(KNOBS, rules=[Rule("no", (("k0", ("0",)), ("k1", ("0",))))])
    base = map_metric(where, "k0", "k1", "lag_ms")
    best = map_metric(where, "k0", "k1", "lag_ms", "best", (), whole(where))
    for found in (base, best):
        assert found.allowed.tolist() == [[False, True, True], [True, True, False]]
        assert found.feasible.tolist() == found.allowed.tolist()
        assert np.isfinite(found.values).all() and np.isfinite(found.margins).all()


def test_continuous_knobs_get_21_points_and_the_best_of_draws(use_model):
    """Catches: a continuous axis read as two levels, and draws that leave the baseline out."""
    use_model(FORMULAS)
    mixed = (toy.knob(0, (0.0, 2.0), continuous=True), KNOBS[1], toy.knob(2, (0.0, 2.0), continuous=True))
    where = toy.space(mixed, baseline=(0.0, 0.0, 0.5))
    base = map_metric(where, "k0", "k1", "lag_ms")
    assert base.values.shape == (2, 21) and base.x_values[1] == pytest.approx(0.1)
    best = map_metric(where, "k0", "k1", "lag_ms", "best")
    np.testing.assert_allclose(best.values, base.values, atol=1e-9)  # the baseline's k2 = 1 is the optimum
    assert "200" in best.choice
    again = map_metric(replace(where, baseline=(0.0, 0.0, 0.0)), "k0", "k1", "lag_ms", "best")
    assert (again.values - base.values).max() < 0.01


def test_wrong_requests_are_named(use_model):
    """Catches: a partial table taken for every setup, or a knob mapped against itself."""
    use_model(FORMULAS)
    where = toy.space(KNOBS)
    for arguments in (("k0", "k0", "lag_ms"), ("k0", "k9", "lag_ms"), ("k0", "k1", "lap_time"),
                      ("k0", "k1", "exit.roll_deg"), ("k0", "k1", "lag_ms", "nearest")):  # fmt: skip
        with pytest.raises(SpaceError):
            map_metric(where, *arguments)
    with pytest.raises(SpaceError, match="every setup"):
        map_metric(where, "k0", "k1", "lag_ms", "best", (), whole(where).take(np.arange(3)))
