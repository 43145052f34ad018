"""The kernel's arithmetic, counted: the kernel's own source run on numbers that keep a record of what was done to them.

Runs in a process started with NUMBA_DISABLE_JIT=1, so that the count follows the source when it changes. Two counts are
given. `written` holds every operation that was carried out, in every lane, also in those that only compute along.
`needed` holds each different value once, and only those that a metric, or a branch of a single car, depends on: what is
left when a compiler has shared every common term, dropped every unused one and no lane has idled. A power with a whole
exponent counts its multiplications; any other power, exponential, logarithm, sine and the like is one operation (also
where lanes work it out as a polynomial), and so is a division or a square root. Changes of sign, comparisons, selects,
look-ups and conversions to whole numbers are counted apart and are no arithmetic.
"""

from __future__ import annotations

import importlib
import math
import os
import pkgutil
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from explorer.bench.numbers import ARITHMETIC, BESIDE, FUNCTIONS, Counted, Lanes, Mask, Tape, Truth, bool_of
from explorer.domain.errors import ExplorerError
from explorer.model.machine import lane_math, lanes

BLOCK = 8
"""Setups counted in one call of the kernel."""

_MADE: Final = ("zeros", "empty", "ones", "full", "array")
_MATH_NAMES: Final = {"asin": "arcsin", "acos": "arccos", "atan": "arctan"}


def applied(name: str, value: Any) -> Any:
    """One of numpy's functions of one number, on a number or in each lane."""
    if isinstance(value, Lanes):
        return value.each(lambda one: applied(name, one))
    return getattr(value, name)() if isinstance(value, Counted) else getattr(np, name)(value)


class _Numpy:
    """numpy for counted numbers: new arrays hold objects, and what is finite is asked of the value."""

    def __getattr__(self, name: str) -> Any:
        found = getattr(np, name)
        if name in FUNCTIONS or name in ("sqrt", "floor"):
            return lambda value: applied(name, value)
        if name not in _MADE:
            return found

        def make(*arguments: Any, **options: Any) -> Any:
            if "dtype" in options or (name in ("zeros", "empty", "ones") and len(arguments) > 1):
                return found(*arguments, **options)
            result = found(*arguments, **options)
            return result.astype(object) if result.dtype == np.float64 else result

        return make

    @staticmethod
    def isfinite(values: Any) -> Any:
        """As numpy's, also for arrays of counted numbers."""
        plain = np.frompyfunc(lambda one: one.value if isinstance(one, Counted) else one, 1, 1)(values)
        return np.isfinite(np.asarray(plain, dtype=np.float64))


class _Math:
    """The math module for counted numbers."""

    def __getattr__(self, name: str) -> Any:
        found = getattr(math, name)
        if not callable(found):
            return found
        method = _MATH_NAMES.get(name, name)

        def call(*arguments: Any) -> Any:
            first = arguments[0]
            if len(arguments) == 1 and isinstance(first, Counted) and hasattr(first, method):
                return getattr(first, method)()
            return found(*arguments)

        return call


def where(condition: Any, first: Any, second: Any) -> Any:
    """`lanes.where` on counted numbers: numbers, truths or trees of tuples of such."""
    if isinstance(first, tuple):
        parts = [where(condition, a, b) for a, b in zip(first, second, strict=True)]
        return type(first)(*parts) if hasattr(first, "_fields") else tuple(parts)
    beside = next((one for one in (condition, first, second) if isinstance(one, Lanes)), None)
    if beside is not None:
        return beside.each(lambda _, *each: where(*each), condition, first, second)
    if isinstance(condition, Truth):
        return condition.pick(first, second)
    return first if condition else second


def any_of(condition: Any) -> bool:
    """`lanes.any_of`: it only decides whether work is skipped that nobody would take, so that nothing depends on it."""
    if isinstance(condition, Mask):
        return any(bool_of(one) for one in condition.parts)
    return bool_of(condition)


def negated(condition: Any) -> Any:
    """`lanes.negated`."""
    if isinstance(condition, Mask):
        return condition.each(negated)
    return condition.negated() if isinstance(condition, Truth) else not condition


def least(first: Any, second: Any) -> Any:
    """`lanes.least`."""
    return where(second < first, second, first)


def most(first: Any, second: Any) -> Any:
    """`lanes.most`."""
    return where(second > first, second, first)


def four_from(values: Any, place: Any) -> Any:
    """`lane_math.four_from`: the numbers depend on the place."""
    if isinstance(place, Lanes):
        found = [four_from(values, one) for one in place.parts]
        return tuple(Lanes(column) for column in zip(*found, strict=True))
    if not isinstance(place, Counted):
        return tuple(values[int(place) + k] for k in range(4))
    start = int(place.value)
    return tuple(place.tape.made("look-up", float(values[start + k]), (place.node,), start + k) for k in range(4))


def leaves_of(tree: Any) -> list[Any]:
    """The numbers and truths of a tree of tuples, in order."""
    return [leaf for part in tree for leaf in leaves_of(part)] if isinstance(tree, tuple) else [tree]


def shaped_as(example: Any, leaves: Iterator[Any]) -> Any:
    """A tree of the shape of an example from as many leaves as it takes."""
    if not isinstance(example, tuple):
        return next(leaves)
    parts = [shaped_as(part, leaves) for part in example]
    return type(example)(*parts) if hasattr(example, "_fields") else tuple(parts)


class _Room:
    """Work space of `put_lane` and its fellows: the leaves of each lane's tree."""

    def __init__(self) -> None:
        self.lanes: dict[int, list[Any]] = {}


def _room(work: NDArray[np.object_]) -> _Room:
    if not isinstance(work[0], _Room):
        work[0] = _Room()
    room: _Room = work[0]
    return room


def put_lane(work: NDArray[np.object_], lane: int, tree: Any) -> None:
    """`lanes.put_lane`."""
    _room(work).lanes[lane] = leaves_of(tree)


def put_lanes(work: NDArray[np.object_], tree: Any) -> None:
    """`lanes.put_lanes`."""
    leaves = leaves_of(tree)
    for lane in range(lanes.WIDTH):
        _room(work).lanes[lane] = [leaf.parts[lane] if isinstance(leaf, Lanes) else leaf for leaf in leaves]


def get_lane(work: NDArray[np.object_], lane: int, example: Any) -> Any:
    """`lanes.get_lane`."""
    return shaped_as(example, iter(_room(work).lanes[lane]))


def get_lanes(work: NDArray[np.object_], example: Any) -> Any:
    """`lanes.get_lanes`."""
    columns = zip(*(_room(work).lanes[lane] for lane in range(lanes.WIDTH)), strict=True)
    return shaped_as(example, (Lanes(column).each(lambda one: one) for column in columns))


def value_at(values: NDArray[np.object_], index: int) -> Any:
    """`lanes.value_at`."""
    return Lanes(values[index]) if values.ndim == 2 else values[index]


def put_at(values: NDArray[np.object_], index: int, value: Any) -> None:
    """`lanes.put_at`."""
    values[index] = value.parts if isinstance(value, Lanes) else value


_HELPERS: Final[dict[str, Callable[..., Any]]] = {
    "where": where, "any_of": any_of, "negated": negated, "least": least, "most": most,
    "value_at": value_at, "put_at": put_at,
    "put_lane": put_lane, "put_lanes": put_lanes, "get_lane": get_lane, "get_lanes": get_lanes,
}  # fmt: skip


@contextmanager
def counting(package: str) -> Iterator[None]:
    """While open, `np`, `math` and the helpers for lanes are those for counted numbers in every module of a package."""
    root = importlib.import_module(package)
    names = [package, *(entry.name for entry in pkgutil.walk_packages(root.__path__, f"{package}."))]
    instead: dict[int, Any] = {id(np): _Numpy(), id(math): _Math(), id(lane_math.four_from): four_from}
    instead |= {id(getattr(lanes, name)): work for name, work in _HELPERS.items()}
    changed: list[tuple[Any, str, Any]] = []
    for module in map(importlib.import_module, names):
        for name, value in list(vars(module).items()):
            if id(value) in instead:
                changed.append((module, name, value))
                setattr(module, name, instead[id(value)])
    try:
        yield
    finally:
        for module, name, value in changed:
            setattr(module, name, value)


@dataclass(frozen=True)
class Count:
    """Operations per setup by kind, as `written` and as `needed`, and the metrics (setups, columns) in edge units."""

    written: dict[str, float]
    needed: dict[str, float]
    values: NDArray[np.float64]


def count_setups(parameters: NDArray[np.float64], phases: NDArray[np.float64]) -> Count:
    """Operations of the kernel per setup, averaged over setups, counted block by block.

    `parameters` (rows, slots) and `phases` (phases, columns), SI. A value that two setups of a block share counts for
    both: inputs of different setups are told apart. Raises ExplorerError where the kernel is compiled or
    has no answer for a setup.
    """
    if os.environ.get("NUMBA_DISABLE_JIT") != "1":
        raise ExplorerError("counting needs a process started with NUMBA_DISABLE_JIT=1")
    written: Counter[str] = Counter()
    needed: Counter[str] = Counter()
    values = []
    for start in range(0, len(parameters), BLOCK):
        tape, results = _block(parameters[start : start + BLOCK], phases)
        written.update(tape.written)
        needed.update(tape.needed(results))
        values.append([[one.value if isinstance(one, Counted) else float(one) for one in row] for row in results])
    rows = len(parameters)
    return Count(
        {kind: written[kind] / rows for kind in (*ARITHMETIC, *BESIDE)},
        {kind: needed[kind] / rows for kind in ARITHMETIC},
        np.concatenate([np.array(block) for block in values]),
    )


def _block(parameters: NDArray[np.float64], phases: NDArray[np.float64]) -> tuple[Tape, NDArray[np.object_]]:
    """The record and the metrics (rows, columns) of one call of the kernel."""
    from explorer.model import kernel
    from explorer.model.metrics import N_CAR, N_PHASE

    rows, tape = len(parameters), Tape()
    nothing = np.zeros(0, dtype=np.int64), np.ones((1, 0)), np.zeros((1, 0))
    tables, which = kernel.bump_tables(parameters, *nothing)
    results = np.zeros((1, rows, N_CAR + N_PHASE * len(phases)), dtype=object)
    faults = np.zeros((1, rows), dtype=np.int64)
    with counting("explorer.model"):
        given = _given(tape, parameters, "setup"), _given(tape, phases, "phase")
        kernel.evaluate_rows(1, *given, *nothing, tables, which, results, faults)
    if faults.any():
        raise ExplorerError("the kernel has no answer for a setup of the sample")
    return tape, results[0]


def _given(tape: Tape, values: NDArray[np.float64], name: str) -> NDArray[np.object_]:
    """Inputs of the count; equal numbers of different setups stay apart."""
    result = np.empty(values.shape, dtype=object)
    for place, value in np.ndenumerate(values):
        result[place] = tape.given(float(value), (name, place))
    return result


def total(count: dict[str, float]) -> float:
    """Arithmetic of a count: each operation one."""
    return sum(count.get(kind, 0.0) for kind in ARITHMETIC)
