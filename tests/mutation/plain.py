"""The model in plain Python: what a process without compiler needs before it can run the kernel.

The helpers for lanes that only a compiler knows get plain forms, and a block holds one setup, so that its lanes are
floats. Must be called before any other module of the model is imported: they take the helpers by name.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from typing import Any

import numba
import numpy as np


def leaves_of(tree: Any) -> list[Any]:
    """The numbers and truths of a tree of tuples, in order."""
    return [leaf for part in tree for leaf in leaves_of(part)] if isinstance(tree, tuple) else [tree]


def shaped_as(example: Any, numbers: Iterator[float]) -> Any:
    """A tree of the shape of an example from as many numbers as it takes; truths where the example has them."""
    if not isinstance(example, tuple):
        number = next(numbers)
        return number != 0.0 if type(example).__name__.startswith("bool") else number
    parts = [shaped_as(part, numbers) for part in example]
    return type(example)(*parts) if hasattr(example, "_fields") else tuple(parts)


def put_lane(work: Any, lane: int, tree: Any) -> None:
    """`lanes.put_lane` of a single lane."""
    for place, leaf in enumerate(leaves_of(tree)):
        work[place] = leaf


def put_lanes(work: Any, tree: Any) -> None:
    """`lanes.put_lanes` of a single lane."""
    put_lane(work, 0, tree)


def get_lane(work: Any, lane: int, example: Any) -> Any:
    """`lanes.get_lane` of a single lane."""
    return shaped_as(example, iter(work))


def get_lanes(work: Any, example: Any) -> Any:
    """`lanes.get_lanes` of a single lane."""
    return shaped_as(example, iter(work))


def value_at(values: Any, index: int) -> Any:
    """`lanes.value_at`: a number, also from rows of lanes, of which there is a single one."""
    found = values[index]
    return found[0] if getattr(found, "ndim", 0) else found


def install() -> None:
    """Switch the compiler off and put the plain forms in place. Raises RuntimeError where it is too late."""
    late = sorted(name for name in sys.modules if name.startswith("explorer.model."))
    if late:
        raise RuntimeError(f"the model is imported already: {late[0]}")
    os.environ["NUMBA_DISABLE_JIT"] = "1"
    numba.config.DISABLE_JIT = 1  # read where a function is decorated
    np.seterr(all="ignore")  # as compiled: a lane that nobody looks at may divide by zero
    from explorer.model.machine import lanes

    lanes.WIDTH = 1
    for plain in (put_lane, put_lanes, get_lane, get_lanes, value_at):
        if hasattr(lanes, plain.__name__):
            setattr(lanes, plain.__name__, plain)
