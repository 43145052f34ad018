from dataclasses import replace

import numpy as np
import pytest
import study_toy as toy

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import Limit, Reference
from explorer.study.everything.limits import count_limits, feasible, margins, resolve_limits, violations

KNOBS = (toy.knob(0, (0, 1, 2, 3)), toy.knob(1, (0, 1, 2)))
LAG_BY_KNOBS = {"lag_ms": lambda p: 10 * p[:, 0] + p[:, 1] + 100 * p[:, 5], "sweep.roll_deg": lambda p: p[:, 0]}


def test_bounds_relative_to_baseline_and_reference(use_model):
    """Catches: reading the reference on the study's own surface, or its value without the offset."""
    use_model(LAG_BY_KNOBS)
    limits = (Limit("lag_ms", "at_most", 1.5, "baseline"), Limit("lag_ms", "at_least", -2.0, "liked"))
    base = np.zeros_like(toy.space(KNOBS).base)
    base[5] = -1.0
    liked = Reference("liked", "elsewhere", (3.0, 2.0), base, ("sweep",), np.zeros((1, 7)))
    where = replace(toy.space(KNOBS, limits=limits, baseline=(1.0, 2.0)), references=(liked,))
    low, high = (one.bound for one in resolve_limits(where)[::-1])
    assert high == 12.0 + 1.5
    assert low == 32.0 - 100.0 - 2.0


def test_reference_needs_its_own_phase(use_model):
    """Catches: taking a phase of the study's surface for a reference whose surface has no such phase."""
    use_model(LAG_BY_KNOBS)
    liked = Reference("liked", "elsewhere", (0.0, 0.0), toy.space(KNOBS).base, ("other",), np.zeros((1, 7)))
    where = replace(toy.space(KNOBS, limits=(Limit("sweep.roll_deg", "at_most", 0.0, "liked"),)), references=(liked,))
    with pytest.raises(SpaceError, match="sweep.roll_deg"):
        resolve_limits(where)


def test_baseline_keeps_a_limit_equal_to_itself(use_model):
    """Catches: a strict comparison, which would call the baseline worse than itself."""
    use_model({"lag_ms": lambda p: np.full(len(p), 0.1 + 0.2)})
    where = toy.space(KNOBS, limits=(Limit("lag_ms", "at_most", 0.0, "baseline"),))
    limits = resolve_limits(where)
    assert feasible(limits, toy.table(where, lag_ms=np.full(12, 0.3))).all()
    assert feasible(limits, toy.table(where, lag_ms=np.full(12, 0.1 + 0.2 + 1e-12))).all()
    assert not feasible(limits, toy.table(where, lag_ms=np.full(12, 0.301))).any()


def test_margins_in_resolutions_with_the_right_sign():
    """Catches: margins in the metric's unit, or a sign swapped between at_least and at_most."""
    where = toy.space(KNOBS, limits=(Limit("lag_ms", "at_most", 5.0), Limit("sweep.clearance_mm", "at_least", 1.0)))
    limits = resolve_limits(where)
    table = toy.table(where, lag_ms=np.arange(12.0), **{"sweep.clearance_mm": np.full(12, 0.6)})
    assert margins(limits, table)[[0, 7]].tolist() == [[10.0, pytest.approx(-2.0)], [-4.0, pytest.approx(-2.0)]]
    assert violations(limits, table)[[0, 7], 0].tolist() == [0.0, 4.0]


def test_invalid_rows_are_never_feasible():
    """Catches: judging an unanswered row by the zeros stored for it, also when there is no limit at all."""
    where = toy.space(KNOBS, limits=(Limit("lag_ms", "at_most", 5.0),))
    valid = np.arange(12) != 3
    table = replace(toy.table(where, lag_ms=np.zeros(12)), valid=valid)
    limits = resolve_limits(where)
    assert feasible(limits, table).tolist() == valid.tolist()
    assert feasible((), table).tolist() == valid.tolist()
    assert np.isinf(violations(limits, table)[3]).all()


def test_counts_by_hand():
    """Catches: counting a setup as bound by a limit when it breaks another too, or counting invalid rows."""
    where = toy.space(KNOBS, limits=(Limit("lag_ms", "at_most", 5.0), Limit("bite_pct", "at_least", 8.0)))
    lag = np.array([0, 0, 9, 9, 9, 0, 0, 0, 0, 0, 0, 0.0])
    bite = np.array([9, 9, 9, 9, 0, 0, 9, 9, 9, 9, 9, 0.0])
    table = replace(toy.table(where, lag_ms=lag, bite_pct=bite), valid=np.arange(12) != 11)
    counts = count_limits(resolve_limits(where), table)
    assert counts.broken.tolist() == [3, 2]
    assert counts.only.tolist() == [2, 1]
    assert (counts.valid, counts.feasible, counts.invalid) == (11, 7, 1)


def test_faulty_limits_are_named(use_model):
    """Catches: limits that nothing can keep, or that hang on nothing, passing in silence."""
    use_model(LAG_BY_KNOBS, valid=lambda p: p[:, 0] > 0)
    clash = (Limit("lag_ms", "at_least", 3.0), Limit("lag_ms", "at_most", 2.0))
    with pytest.raises(SpaceError, match="contradict"):
        resolve_limits(toy.space(KNOBS, limits=clash))
    with pytest.raises(SpaceError, match="liked.*baseline"):
        resolve_limits(toy.space(KNOBS, limits=(Limit("lag_ms", "at_least", 3.0, "liked"),)))
    with pytest.raises(ModelError, match="no answer for baseline"):
        resolve_limits(toy.space(KNOBS, limits=(Limit("lag_ms", "at_least", 3.0, "baseline"),)))
