import numpy as np
import pytest
import study_toy as toy

from explorer.domain.errors import ModelError
from explorer.domain.space import Limit, Rule
from explorer.study.everything.limits import resolve_limits
from explorer.study.questions.one_change import neighbours, one_change

FORMULAS = {"lag_ms": lambda p: 10 * p[:, 0] + p[:, 1] ** 2, "bite_pct": lambda p: p[:, 2] * p[:, 0]}


def test_steps_go_to_neighbours_by_value(use_model):
    """Catches: steps along the listed order, a step past the end, or the change of the wrong row."""
    use_model(FORMULAS)
    knobs = [toy.knob(0, (5, 1, 3)), toy.knob(1, (0, 2, 4)), toy.knob(2, (0.0, 10.0), continuous=True)]
    where = toy.space(knobs, baseline=(2.0, 2.0, 1.0))  # 3, 4, 10
    found = one_change(where)
    steps = [(step.knob, step.direction, step.old, step.new) for step in found.steps]
    assert steps == [
        ("k0", -1, "3", "1"),
        ("k0", 1, "3", "5"),
        ("k1", -1, "4", "2"),
        ("k2", -1, "10", "9.5"),
    ]
    lag, bite = found.columns.index("lag_ms"), found.columns.index("bite_pct")
    np.testing.assert_allclose(found.change[:, lag], [-20, 20, 4 - 16, 0])
    np.testing.assert_allclose(found.change[:, bite], [-20, 20, 0, -1.5])
    assert found.baseline[lag] == 46.0
    np.testing.assert_allclose(found.values - found.change, np.tile(found.baseline, (4, 1)))
    assert found.usable.all()


def test_one_level_gives_no_step():
    """Catches: a fixed knob stepping onto itself."""
    assert neighbours(toy.knob(0, (3,)), 0.0) == ()
    assert neighbours(toy.knob(0, (0.0, 1.0), continuous=True), 0.0) == ((1, 0.05),)


def test_forbidden_invalid_and_limit_breaking_steps_are_flagged(use_model):
    """Catches: a step offered that cannot be built, or the stored zeros of an unanswered one read as a change."""
    use_model(FORMULAS, valid=lambda p: p[:, 1] < 4)
    where = toy.space(
        [toy.knob(0, (1, 3, 5)), toy.knob(1, (0, 2, 4))],
        rules=[Rule("no", (("k0", ("1",)),))],
        limits=[Limit("lag_ms", "at_most", 40.0)],
        baseline=(1.0, 1.0),
    )
    found = one_change(where, resolve_limits(where))
    assert [(s.new, s.allowed, s.valid, bool(s.broken)) for s in found.steps] == [
        ("1", False, True, False),
        ("5", True, True, True),
        ("0", True, True, False),
        ("4", True, False, False),
    ]
    assert found.usable.tolist() == [False, True, True, False]
    assert (found.change[3] == 0.0).all()
    use_model(FORMULAS, valid=lambda p: p[:, 1] > 9)
    with pytest.raises(ModelError, match="baseline"):
        one_change(where)


def test_a_limit_met_or_just_kept_is_not_broken(use_model):
    """Catches: a step called limit-breaking that stands on the limit, or above it by less than its resolution."""
    use_model(FORMULAS)
    for bound in (50.0, 50.25):  # lag resolves 0.5 ms; the upward step gives 50
        where = toy.space(
            [toy.knob(0, (3, 5)), toy.knob(1, (0,))], limits=[Limit("lag_ms", "at_most", bound)], baseline=(0.0, 0.0)
        )
        (step,) = one_change(where, resolve_limits(where)).steps
        assert step.new == "5" and not step.broken
