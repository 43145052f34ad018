"""Counted arithmetic: small functions counted by hand, and numbers that cannot leave the count unseen."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest

from explorer.bench import count
from explorer.bench.count import count_setups, counting, total
from explorer.bench.numbers import ARITHMETIC, BESIDE, Counted, Lanes, Mask, Tape, Truth
from explorer.domain.errors import ExplorerError
from explorer.model.machine.lanes import WIDTH


def of(tape: Tape, *results: Counted) -> Counter[str]:
    """Needed operations for some results."""
    return tape.needed(np.array(results, dtype=object))


def test_a_small_function_has_the_count_made_by_hand() -> None:
    """Catches a common term counted twice in the smaller count, an unused value left in it, a branch's own work left
    out, and a power counted as one operation. By hand: `x y` twice, of which one is needed; the exponential is used by
    nobody; the branch needs the root and the division."""
    tape = Tape()
    x, y = tape.given(3.0, "x"), tape.given(2.0, "y")

    def function(x, y):
        a = x * y + 2.0
        np.exp(x)
        if np.sqrt(a) > y / 3.0:
            return (y * x - 1.0) ** 3
        return x

    result = function(x, y)
    assert result.value == 125.0
    assert tape.written == Counter(
        {"multiply": 4, "add": 1, "transcendental": 1, "square root": 1, "divide": 1, "subtract": 1, "comparison": 1}
    )
    needed = of(tape, result)
    assert needed == Counter({"multiply": 3, "add": 1, "square root": 1, "divide": 1, "subtract": 1, "comparison": 1})
    assert total(tape.written) == 9 and total(needed) == 7


def test_inputs_are_told_apart_and_constants_are_not() -> None:
    """Catches two setups' equal numbers taken for one value, which would halve the work of a block."""
    tape = Tape()
    one, other = tape.given(3.0, ("setup", 0)), tape.given(3.0, ("setup", 1))
    results = [one * 2.0, other * 2.0, one * 2.0, one - other, other - one]
    assert of(tape, *results) == Counter({"multiply": 2, "subtract": 2})


@pytest.mark.parametrize(
    "work",
    [
        lambda x: x + 1.5, lambda x: 1.5 - x, lambda x: x / 3.0, lambda x: 2.0 / x, lambda x: -abs(x), lambda x: +x,
        lambda x: x**2, lambda x: x**5, lambda x: x**-2, lambda x: x**0, lambda x: x**0.3, lambda x: 2.0**x,
        lambda x: np.sqrt(x), lambda x: np.sin(x), lambda x: np.log1p(x), lambda x: np.arctan(x), lambda x: np.tanh(x),
        lambda x: max(x, 0.5), lambda x: min(x, 0.5), lambda x: np.maximum(x, 0.9), lambda x: float(int(x * 10.0)) * x,
        lambda x: x / 0.0, lambda x: np.log(x - x), lambda x: (x - x) ** -0.5,
    ],
)  # fmt: skip
def test_values_are_those_of_plain_numbers(work) -> None:
    """Catches turned operands and wrong branches: the same expression on a plain float."""
    with np.errstate(all="ignore"):
        counted, plain = work(Tape().given(0.7, "x")), work(np.float64(0.7))
    value = counted.value if isinstance(counted, Counted) else float(counted)
    assert value == pytest.approx(float(plain), rel=1e-15)


def test_powers_count_their_multiplications() -> None:
    """Catches `x**2` taken for a transcendental call, as the compiler does not take it."""
    for exponent, expected in ((1, {}), (2, {"multiply": 1}), (5, {"multiply": 3}), (-2, {"multiply": 1, "divide": 1})):
        tape = Tape()
        tape.given(1.1, "x") ** exponent
        assert tape.written == Counter(expected)
    tape = Tape()
    tape.given(1.1, "x") ** 2.5
    assert tape.written == Counter({"transcendental": 1})


def test_no_number_leaves_the_count_unseen() -> None:
    """Catches work that goes on with plain floats: in an array of floats, by float(), through the math module."""
    x = Tape().given(0.5, "x")
    plain = np.zeros(2)
    with pytest.raises((TypeError, ValueError)):
        plain[0] = x
    with pytest.raises(TypeError, match="would not be counted"):
        float(x)
    with pytest.raises(TypeError, match="would not be counted"):
        math.sqrt(x)
    with pytest.raises(TypeError):
        x + "1"
    with pytest.raises(TypeError):
        {x: 1}  # noqa: B018


def test_modules_count_while_open_and_not_after(monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches a shim that stays: a model that is slow for the rest of the process; and arrays that drop the record."""
    from explorer.model.car import bumps
    from explorer.model.corner import response

    monkeypatch.setattr(bumps, "math", math, raising=False)
    tape = Tape()
    x = tape.given(0.5, "x")
    with counting("explorer.model"):
        made = response.np.zeros((2, 2))
        made[0, 1] = x
        assert isinstance(made[0, 1] * 2.0 + response.np.array([x, 1.0])[0], Counted)
        assert response.np.zeros(3, dtype=np.int64).dtype == np.int64
        assert response.np.isfinite(made).all() and response.np.pi == np.pi
        assert bumps.math.sqrt(x).value == math.sqrt(0.5) and bumps.math.atan(x).value == math.atan(0.5)
        assert bumps.math.pi == math.pi and bumps.math.sqrt(4.0) == 2.0
    assert response.np is np and bumps.math is math
    assert tape.written == Counter({"multiply": 1, "add": 1, "square root": 1, "transcendental": 1})


def test_lanes_count_in_every_lane_and_need_only_what_is_taken() -> None:
    """Catches idle lanes in the smaller count, a selected value that forgets what chose it, and lanes that look at each
    other. By hand, two lanes: x + 1 in both is written twice; the second lane takes y, so its sum is needed by nobody,
    but the comparison it lost is: x - y in both lanes."""
    tape = Tape()
    x = Lanes(tape.given(v, ("x", k)) for k, v in enumerate((3.0, 1.0)))
    y = Lanes(tape.given(v, ("y", k)) for k, v in enumerate((2.0, 2.0)))
    ahead = x - y > 0.0
    assert isinstance(ahead, Mask) and not tape.read
    picked = count.where(ahead, x + 1.0, y)
    assert [one.value for one in picked.parts] == [4.0, 2.0]
    assert count.any_of(ahead) and not count.any_of(ahead & (x > 5.0)) and not tape.read
    assert tape.written == Counter({"subtract": 2, "add": 2, "comparison": 4, "select": 2})
    needed = of(tape, *picked.parts)
    assert {kind: needed[kind] for kind in ARITHMETIC if needed[kind]} == {"subtract": 2, "add": 1}
    with pytest.raises(TypeError, match="any_of"):
        bool(ahead)


def test_truths_combine_as_truths_do() -> None:
    """Catches "and" taken for "or", an opposite forgotten, and a side that settles nothing kept as a reason."""
    tape = Tape()
    x = tape.given(1.0, "x")
    yes, no = x > 0.0, x * 2.0 < 0.0
    assert isinstance(yes, Truth) and isinstance(no, Truth)
    for truth, expected in (
        (yes & no, False), (yes | no, True), (no | no, False), (yes & yes, True), (yes & True, True),
        (no | False, False), (False | yes, True), (count.negated(no), True),
        (count.where(no, no, yes), True), (count.where(yes, no, yes), False),
    ):  # fmt: skip
        assert bool(truth) is expected
    fresh = Tape()
    x = fresh.given(1.0, "x")
    bool((x > 0.0) | (x * 2.0 > 0.0))
    assert of(fresh)["multiply"] == 0  # the first settles it
    bool((x < 0.0) | (x * 2.0 > 0.0))
    assert of(fresh)["multiply"] == 1


def test_helpers_for_lanes_do_what_the_compiled_ones_do() -> None:
    """Catches lanes mixed up in work space, a tree rebuilt in another shape, and look-ups from the wrong place."""
    tape = Tape()
    numbers = [tape.given(float(k), k) for k in range(3 * WIDTH)]
    work = np.empty(8 * WIDTH, dtype=object)
    for lane in range(WIDTH):
        count.put_lane(work, lane, ((numbers[lane], numbers[WIDTH + lane]), float(lane)))
    (first, second), third = count.get_lanes(work, ((0.0, 0.0), 0.0))
    assert [one.value for one in second.parts] == [float(WIDTH + k) for k in range(WIDTH)]
    assert third.parts == tuple(float(k) for k in range(WIDTH))
    assert count.get_lane(work, 2, (0.0, 0.0)) == (numbers[2], numbers[WIDTH + 2])
    count.put_lanes(work, (first + 1.0, first > 1.0))
    number, truth = count.get_lane(work, 2, (0.0, True))
    assert number.value == 3.0 and truth.value is True
    table = np.arange(20.0) ** 2
    found = count.four_from(table, Lanes([numbers[1], numbers[5]]))
    assert [[one.value for one in column.parts] for column in found] == [[1, 25], [4, 36], [9, 49], [16, 64]]
    plain = count.four_from(table, 3.0)
    assert plain == (9.0, 16.0, 25.0, 36.0)
    assert count.least(numbers[2], numbers[1]).value == 1.0 and count.most(first, 2.0).parts[3].value == 3.0


def test_counting_the_compiled_kernel_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches a count of nothing: compiled code does not see counted numbers."""
    monkeypatch.delenv("NUMBA_DISABLE_JIT", raising=False)
    with pytest.raises(ExplorerError, match="NUMBA_DISABLE_JIT"):
        count_setups(np.zeros((1, 1)), np.zeros((1, 7)))
    assert set(ARITHMETIC).isdisjoint(BESIDE)
