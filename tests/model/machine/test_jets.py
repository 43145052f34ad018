"""Jets: derivatives against differences, compiled against plain Python, and the same bytes on lanes and floats."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numba import njit, typeof, types

from explorer.model.machine.jets import LANES, Jet, JetType, chained, part, seeded, value_of, without
from explorer.model.machine.lane_math import exponential, hyperbolic_tangent, logarithm, sine_cosine, square_root
from explorer.model.machine.lanes import WIDTH, get_lanes, least, most, put_lane, put_lanes, where

FUNCTIONS = {
    "sum": lambda x, y: x + y,
    "sum with a number": lambda x, y: (2.0 + x) + (y + 3.0),
    "difference": lambda x, y: x - y,
    "difference from a number": lambda x, y: (2.0 - x) - (y - 3.0),
    "product": lambda x, y: x * y,
    "product with a number": lambda x, y: (2.0 * x) * (y * 3.0),
    "quotient": lambda x, y: x / y,
    "quotient of a number": lambda x, y: 2.0 / x + y / 3.0,
    "negative": lambda x, y: -(x * y),
    "exponential": lambda x, y: exponential(x * y),
    "logarithm": lambda x, y: logarithm(x * y),
    "square root": lambda x, y: square_root(x * y),
    "hyperbolic tangent": lambda x, y: hyperbolic_tangent(x - y),
    "sine": lambda x, y: sine_cosine(x * y)[0],
    "cosine": lambda x, y: sine_cosine(x * y)[1],
    "the smaller": lambda x, y: least(x * x, y),
    "the larger": lambda x, y: most(x * x, y),
    "the larger of a number": lambda x, y: most(x, 0.5) * y,
    "a choice": lambda x, y: where(x < y, x * x, y),
    "a choice the other way": lambda x, y: where(x >= y, x * y * y, x),
    "a choice with a number": lambda x, y: where(x * y > 0.4, x * y, 0.25),
    "a chain": lambda x, y: chained(x * y, 3.0, 7.0),
    "without a derivative": lambda x, y: without(x * y, 2) + 0.0 * y,
}
"""Functions of two variables; the last two are no functions of calculus and have no differences."""
SMOOTH = [name for name in FUNCTIONS if name not in ("a chain", "without a derivative")]
POINTS = [(0.3, 0.8), (0.7, 0.4), (0.9, 0.95)]
WIDE = [(0.25 + 0.6 * k / 8, 0.9 - 0.55 * k / 8) for k in range(WIDTH)]


def compiled(function: Any) -> tuple[Any, Any]:
    """Value and both derivatives by compiled code: of floats, and of lanes."""
    work = njit(error_model="numpy")(function)

    @njit(error_model="numpy")
    def on_floats(x, y):
        jet = work(seeded(x, 1), seeded(y, 2))
        return part(jet, 0), part(jet, 1), part(jet, 2)

    @njit(error_model="numpy")
    def on_lanes(points, out):
        given = np.empty(2 * WIDTH)
        for lane in range(WIDTH):
            put_lane(given, lane, (points[lane, 0], points[lane, 1]))
        x, y = get_lanes(given, (1.0, 1.0))
        jet = work(seeded(x, 1), seeded(y, 2))
        put_lanes(out, (part(jet, 0), part(jet, 1), part(jet, 2)))

    return on_floats, on_lanes


def assert_slopes(name: str, x: float, y: float, on_floats: Any) -> None:
    """The compiled form's derivatives and the plain one's are central differences, 1e-9."""
    plain, step = FUNCTIONS[name](Jet(x, {1: 1.0}), Jet(y, {2: 1.0})), 1e-5

    def value(x: float, y: float) -> float:
        return float(value_of(FUNCTIONS[name](Jet(x, {}), Jet(y, {}))))

    slopes = [
        (value(x + step, y) - value(x - step, y)) / (2 * step),
        (value(x, y + step) - value(x, y - step)) / (2 * step),
    ]
    assert [part(plain, 1), part(plain, 2)] == pytest.approx(slopes, rel=1e-8, abs=1e-9)
    assert on_floats(x, y) == pytest.approx([value(x, y), *slopes], rel=1e-8, abs=1e-9)


@pytest.mark.parametrize("name", FUNCTIONS)
def test_compiled_jets_are_those_of_plain_python_and_of_lanes(name: str) -> None:
    """Catches a wrong rule, a sign, factors swapped; a rule of the compiled jets that the plain ones do not have (to a
    few roundings, for elementary functions differ in the last digit); a lane that takes its neighbour's choice, and a
    product fused on one side only (the same bytes)."""
    on_floats, on_lanes = compiled(FUNCTIONS[name])
    for x, y in POINTS:
        if name in SMOOTH:
            assert_slopes(name, x, y, on_floats)
        plain = FUNCTIONS[name](Jet(x, {1: 1.0}), Jet(y, {2: 1.0}))
        assert on_floats(x, y) == pytest.approx([part(plain, k) for k in (0, 1, 2)], rel=1e-14, abs=1e-15)
    points, out = np.array(WIDE), np.empty(3 * WIDTH)
    on_lanes(points, out)
    alone = np.array([on_floats(x, y) for x, y in WIDE])
    np.testing.assert_array_equal(out.reshape(3, WIDTH).T, alone)


@pytest.mark.parametrize("sign", ["<", "<=", ">", ">="])
def test_jets_compare_by_their_values(sign: str) -> None:
    """Catches a comparison turned round or one that looks at derivatives; with numbers on either side."""
    compare = {"<": lambda x, y: x < y, "<=": lambda x, y: x <= y, ">": lambda x, y: x > y, ">=": lambda x, y: x >= y}
    ask = njit(compare[sign])

    @njit
    def compiled_forms(x, y):
        a, b = seeded(x, 1), seeded(y, 2)
        return ask(a, b), ask(a, y), ask(x, b)

    for x, y in ((1.0, 2.0), (2.0, 1.0), (1.0, 1.0)):
        right = compare[sign](x, y)
        a, b = Jet(x, {1: 9.0}), Jet(y, {2: -9.0})
        assert compiled_forms(x, y) == (right,) * 3
        assert (compare[sign](a, b), compare[sign](a, y), compare[sign](x, b)) == (right,) * 3


def type_of(function: Any, *kinds: Any) -> Any:
    """What compiled code makes of arguments of such types."""
    made = njit(function)
    made.compile(kinds)
    return made.overloads[tuple(kinds)].signature.return_type


def test_an_absent_derivative_is_not_in_the_type() -> None:
    """Catches derivatives carried along that are zero for good: sums and products have those of either side, a number
    has none, and what is left out is gone."""
    x, y, lanes = JetType(types.float64, (1,)), JetType(types.float64, (2,)), JetType(LANES, (1, 3))
    both = JetType(types.float64, (1, 2))
    assert type_of(lambda a, b: a * b, x, y) == type_of(lambda a, b: a / b, y, x) == both
    assert type_of(lambda a, b: a + b, x, types.float64) == x
    assert type_of(lambda a: 2.0 * a - 1.0, x) == x and type_of(lambda a: -a, lanes) == lanes
    assert type_of(lambda a, b: where(a < b, a, b), x, y) == type_of(lambda a, b: most(a, b), x, y) == both
    assert type_of(lambda a: without(a, 1), both) == y and type_of(lambda a: without(a, 3), x) == x
    assert type_of(lambda a: part(a, 5), lanes) == LANES and type_of(lambda a: part(a, 1), x) == types.float64
    assert type_of(lambda a: exponential(a), x) == x and type_of(lambda a, b: a * b, x, types.float64) == x
    assert typeof(1.0) == types.float64


def test_jets_of_unlike_bases_do_not_mix_and_places_are_literal() -> None:
    """Catches a place that is only known at run time, which a compiled type cannot hold, and a float's jet taken beside
    a jet of lanes, whose derivatives would be read as a vector's."""
    with pytest.raises(Exception, match="(?i)typing|literal|No implementation"):
        njit(lambda x, k: part(seeded(x, k), 0))(1.0, 1)
    assert JetType(types.float64, (1,)).unify(None, JetType(LANES, (1,))) is None
    assert JetType(types.float64, (1,)).unify(None, JetType(types.float64, (2,))).places == (1, 2)
    wider = JetType(types.float64, (1, 2))
    assert JetType(types.float64, (1,)).can_convert_to(None, wider) is not None
    assert wider.can_convert_to(None, JetType(types.float64, (1,))) is None


def test_a_jet_goes_through_a_branch_with_more_derivatives_than_it_has() -> None:
    """Catches derivatives lost or filled with rubbish where two branches of compiled code meet."""

    @njit
    def meet(x, y, far):
        jet = seeded(x, 1)
        if far:
            found = jet * seeded(y, 2)
        else:
            found = jet * 3.0
        return part(found, 0), part(found, 1), part(found, 2)

    assert meet(2.0, 5.0, True) == (10.0, 5.0, 2.0)
    assert meet(2.0, 5.0, False) == (6.0, 3.0, 0.0)


def test_numpys_own_functions_meet_plain_jets() -> None:
    """Catches a scalar of numpy's that swallows a jet, and a function without its slope. By calculus."""
    x = Jet(0.5, {1: 1.0})
    for got, slope in (
        (np.float64(2.0) * x, 2.0), (np.float64(2.0) / x, -8.0), (np.float64(2.0) - x, -1.0), (np.exp(x), math.e**0.5),
        (np.log(x), 2.0), (np.sqrt(x), 0.5 / 0.5**0.5), (np.tanh(x), 1.0 - math.tanh(0.5) ** 2),
        (np.sin(x), math.cos(0.5)), (np.cos(x), -math.sin(0.5)),
    ):  # fmt: skip
        assert isinstance(got, Jet) and part(got, 1) == pytest.approx(slope, rel=1e-15)
    assert (np.float64(1.0) > x) is True or bool(np.float64(1.0) > x)
    with pytest.raises(TypeError):
        np.arctan(x)
