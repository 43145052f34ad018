"""Numbers that keep a record of what is done to them: single ones, and several side by side.

They stand in for the floats of the model when its arithmetic is counted (`count`).
"""

from __future__ import annotations

import math
import operator
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

ARITHMETIC: Final = ("add", "subtract", "multiply", "divide", "square root", "transcendental")
"""Kinds that count as one operation each."""

BESIDE: Final = ("sign", "comparison", "logic", "select", "conversion", "look-up")
"""Kinds counted apart."""

FUNCTIONS: Final = (
    "sin", "cos", "tan", "arcsin", "arccos", "arctan", "sinh", "cosh", "tanh", "arcsinh", "arccosh", "arctanh",
    "exp", "exp2", "expm1", "log", "log2", "log10", "log1p", "cbrt",
)  # fmt: skip
"""numpy's functions of one number that count as transcendental."""

_SIMPLE: Final[dict[str, Callable[[Any, Any], Any]]] = {
    "add": operator.add, "subtract": operator.sub, "multiply": operator.mul,
}  # fmt: skip


@dataclass
class Tape:
    """What was done: `written` by kind; `nodes` number each different value, `kinds` and `parents` tell how node i was
    made; `read` holds the nodes that a branch or a conversion looked at."""

    written: Counter[str] = field(default_factory=Counter)
    nodes: dict[tuple[Any, ...], int] = field(default_factory=dict)
    kinds: list[str] = field(default_factory=list)
    parents: list[tuple[int, ...]] = field(default_factory=list)
    read: set[int] = field(default_factory=set)

    def given(self, value: float, name: object = None) -> Counted:
        """A value that costs nothing: an input, told apart by `name`, or a constant."""
        return Counted(float(value), self._node("given", (), (name, repr(float(value)))), self)

    def made(self, kind: str, value: float, parents: tuple[int, ...], detail: object = None) -> Counted:
        """The result of one operation on nodes."""
        self.written[kind] += 1
        return Counted(float(value), self._node(kind, parents, (detail,)), self)

    def _node(self, kind: str, parents: tuple[int, ...], detail: tuple[object, ...]) -> int:
        ordered = tuple(sorted(parents)) if kind in ("add", "multiply") else parents
        key = (kind, detail, ordered)
        number = self.nodes.setdefault(key, len(self.kinds))
        if number == len(self.kinds):
            self.kinds.append(kind)
            self.parents.append(ordered)
        return number

    def needed(self, results: NDArray[np.object_]) -> Counter[str]:
        """Operations by kind on which the results or a branch depend, each different value once."""
        stack = [*self.read, *(one.node for one in results.ravel() if isinstance(one, Counted))]
        seen = set(stack)
        while stack:
            for parent in self.parents[stack.pop()]:
                if parent not in seen:
                    seen.add(parent)
                    stack.append(parent)
        return Counter(self.kinds[node] for node in seen if self.kinds[node] != "given")


class Truth:
    """What a comparison of counted numbers says. Asked for by an `if`, it is read; combined and used to select, it is
    one more thing that the selected value depends on."""

    __slots__ = ("value", "node", "tape")
    __hash__ = None  # type: ignore[assignment]

    def __init__(self, value: bool, node: int, tape: Tape) -> None:
        self.value, self.node, self.tape = value, node, tape

    def __bool__(self) -> bool:
        self.tape.read.add(self.node)
        return self.value

    def _with(self, other: Truth | bool, decides: bool) -> Truth | bool:
        """`decides` is the value with which one side settles the outcome alone: False for "and", True for "or"."""
        if not isinstance(other, Truth):
            return other if other is decides else self
        for one in (self, other):
            if one.value is decides:
                return one
        node = self.tape.made("logic", 0.0, (self.node, other.node), decides).node
        return Truth(not decides, node, self.tape)

    def __and__(self, other: Truth | bool) -> Truth | bool:
        return self._with(other, False)

    def __or__(self, other: Truth | bool) -> Truth | bool:
        return self._with(other, True)

    __rand__, __ror__ = __and__, __or__

    def negated(self) -> Truth:
        """The opposite."""
        return Truth(not self.value, self.node, self.tape)

    def pick(self, first: Any, second: Any) -> Any:
        """The first where true, else the second: numbers or truths."""
        chosen = first if self.value else second
        if first is second:
            return chosen
        if isinstance(first, bool | Truth) and isinstance(second, bool | Truth):
            parents = (self.node, chosen.node) if isinstance(chosen, Truth) else (self.node,)
            return Truth(bool_of(chosen), self.tape.made("select", 0.0, parents, bool_of(chosen)).node, self.tape)
        number = chosen if isinstance(chosen, Counted) else self.tape.given(float(chosen))
        return self.tape.made("select", number.value, (self.node, number.node))


def bool_of(truth: Truth | bool) -> bool:
    """The value of a truth, without reading it."""
    return truth.value if isinstance(truth, Truth) else truth


class Counted:
    """A float that records what is done to it. It refuses to become a plain float: nothing leaves the count unseen."""

    __slots__ = ("value", "node", "tape")

    def __init__(self, value: float, node: int, tape: Tape) -> None:
        self.value, self.node, self.tape = value, node, tape

    def _other(self, other: object) -> Counted:
        if isinstance(other, Counted):
            return other
        if isinstance(other, int | float | np.integer | np.floating):
            return self.tape.given(float(other))
        raise TypeError(f"a counted number meets {type(other).__name__}")

    def _with(self, kind: str, other: object, turned: bool = False) -> Counted:
        if isinstance(other, Lanes):
            return NotImplemented
        a, b = (self._other(other), self) if turned else (self, self._other(other))
        if kind == "divide":
            with np.errstate(all="ignore"):
                value = float(np.float64(a.value) / np.float64(b.value))
        else:
            value = _SIMPLE[kind](a.value, b.value)
        return self.tape.made(kind, value, (a.node, b.node))

    def __add__(self, other: object) -> Counted:
        return self._with("add", other)

    def __sub__(self, other: object) -> Counted:
        return self._with("subtract", other)

    def __mul__(self, other: object) -> Counted:
        return self._with("multiply", other)

    def __truediv__(self, other: object) -> Counted:
        return self._with("divide", other)

    __radd__, __rmul__ = __add__, __mul__

    def __rsub__(self, other: object) -> Counted:
        return self._with("subtract", other, turned=True)

    def __rtruediv__(self, other: object) -> Counted:
        return self._with("divide", other, turned=True)

    def __neg__(self) -> Counted:
        return self.tape.made("sign", -self.value, (self.node,), "-")

    def __pos__(self) -> Counted:
        return self

    def __abs__(self) -> Counted:
        return self.tape.made("sign", abs(self.value), (self.node,), "abs")

    def __pow__(self, exponent: object) -> Counted:
        if isinstance(exponent, int):
            return self._whole_power(exponent)
        other = self._other(exponent)
        with np.errstate(all="ignore"):
            value = float(np.float64(self.value) ** other.value)
        return self.tape.made("transcendental", value, (self.node, other.node), "power")

    def __rpow__(self, base: object) -> Counted:
        return self._other(base) ** self

    def _whole_power(self, exponent: int) -> Counted:
        """By repeated squaring, as the compiler does it."""
        result: Counted | None = None
        factor, left = self, abs(exponent)
        while left:
            if left & 1:
                result = factor if result is None else result * factor
            left >>= 1
            if left:
                factor = factor * factor
        if result is None:
            return self.tape.given(1.0)
        return 1.0 / result if exponent < 0 else result

    def _compared(self, other: object, how: Callable[[float, float], bool]) -> Truth:
        if isinstance(other, Lanes):
            return NotImplemented
        right = self._other(other)
        node = self.tape.made("comparison", 0.0, (self.node, right.node), how.__name__).node
        return Truth(how(self.value, right.value), node, self.tape)

    def __lt__(self, other: object) -> Truth:
        return self._compared(other, operator.lt)

    def __le__(self, other: object) -> Truth:
        return self._compared(other, operator.le)

    def __gt__(self, other: object) -> Truth:
        return self._compared(other, operator.gt)

    def __ge__(self, other: object) -> Truth:
        return self._compared(other, operator.ge)

    def __eq__(self, other: object) -> Truth:  # type: ignore[override]
        return self._compared(other, operator.eq)

    def __ne__(self, other: object) -> Truth:  # type: ignore[override]
        return self._compared(other, operator.ne)

    __hash__ = None  # type: ignore[assignment]

    def _converted(self) -> float:
        self.tape.made("conversion", 0.0, (self.node,))
        self.tape.read.add(self.node)
        return self.value

    def __int__(self) -> int:
        return int(self._converted())

    def __floor__(self) -> int:
        return math.floor(self._converted())

    def __bool__(self) -> bool:
        return bool(self != 0.0)

    def __float__(self) -> float:
        raise TypeError("a counted number was turned into a plain one: what follows would not be counted")

    def sqrt(self) -> Counted:
        """Square root."""
        with np.errstate(all="ignore"):
            return self.tape.made("square root", float(np.sqrt(self.value)), (self.node,))

    def floor(self) -> Counted:
        """The whole number at or below, as a number."""
        return self.tape.made("conversion", float(np.floor(self.value)), (self.node,), "floor")

    def function(self, name: str) -> Counted:
        """One of numpy's functions of one number."""
        with np.errstate(all="ignore"):
            return self.tape.made("transcendental", float(getattr(np, name)(self.value)), (self.node,), name)


def _method(name: str) -> Callable[[Counted], Counted]:
    return lambda number: number.function(name)


for _name in FUNCTIONS:  # numpy calls the method of this name when it meets an object
    setattr(Counted, _name, _method(_name))


class Lanes:
    """Several counted numbers side by side, as `explorer.model.machine.lanes` has them compiled: what is done to one is
    done to each. `parts` are numbers, or truths in a `Mask`."""

    __slots__ = ("parts",)
    __array_ufunc__ = None  # numpy leaves operations to the methods here
    __hash__ = None  # type: ignore[assignment]

    def __init__(self, parts: Iterable[Any]) -> None:
        self.parts = tuple(parts)

    def part(self, lane: int) -> Any:
        """One lane."""
        return self.parts[lane]

    def each(self, work: Callable[..., Any], *others: Any) -> Lanes:
        """The same work in every lane; numbers beside lanes are taken in each."""
        rows = [other.parts if isinstance(other, Lanes) else (other,) * len(self.parts) for other in others]
        found = [work(*parts) for parts in zip(self.parts, *rows, strict=True)]
        return (Mask if all(isinstance(one, bool | Truth) for one in found) else Lanes)(found)

    def __abs__(self) -> Lanes:
        return self.each(abs)

    def __neg__(self) -> Lanes:
        return self.each(operator.neg)


class Mask(Lanes):
    """Truths side by side."""

    __slots__ = ()

    def __bool__(self) -> bool:
        raise TypeError("a mask is no single truth: ask any_of")


def _lanewise(name: str) -> Callable[[Lanes, Any], Lanes]:
    work = getattr(operator, name)
    return lambda lanes, other: lanes.each(work, other)


def _lanewise_turned(name: str) -> Callable[[Lanes, Any], Lanes]:
    work = getattr(operator, name)
    return lambda lanes, other: lanes.each(lambda one, two: work(two, one), other)


for _name in ("add", "sub", "mul", "truediv", "pow", "lt", "le", "gt", "ge", "eq", "ne", "and_", "or_"):
    setattr(Lanes, f"__{_name.rstrip('_')}__", _lanewise(_name))
for _name in ("add", "sub", "mul", "truediv"):
    setattr(Lanes, f"__r{_name}__", _lanewise_turned(_name))
