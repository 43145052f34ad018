"""The model in plain Python: what a process started with NUMBA_DISABLE_JIT=1 needs before it can run the kernel.

The helpers for lanes that only a compiler knows get plain forms, and a block holds one setup, so that its lanes are
floats. Must be called before any other module of the model is imported: they take the helpers by name.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from typing import Any

_WRITTEN: dict[int, dict[int, list[Any]]] = {}
"""The leaves written into each work space, lane by lane, by the work space's identity."""


def leaves_of(tree: Any) -> list[Any]:
    """The numbers and truths of a tree of tuples, in order."""
    return [leaf for part in tree for leaf in leaves_of(part)] if isinstance(tree, tuple) else [tree]


def shaped_as(example: Any, leaves: Iterator[Any]) -> Any:
    """A tree of the shape of an example from as many leaves as it takes."""
    if not isinstance(example, tuple):
        return next(leaves)
    parts = [shaped_as(part, leaves) for part in example]
    return type(example)(*parts) if hasattr(example, "_fields") else tuple(parts)


def put_lane(work: Any, lane: int, tree: Any) -> None:
    """`lanes.put_lane`."""
    _WRITTEN.setdefault(id(work), {})[int(lane)] = leaves_of(tree)


def put_lanes(work: Any, tree: Any) -> None:
    """`lanes.put_lanes` of a single lane."""
    put_lane(work, 0, tree)


def get_lane(work: Any, lane: int, example: Any) -> Any:
    """`lanes.get_lane`."""
    return shaped_as(example, iter(_WRITTEN[id(work)][int(lane)]))


def get_lanes(work: Any, example: Any) -> Any:
    """`lanes.get_lanes` of a single lane."""
    return get_lane(work, 0, example)


def install() -> None:
    """Put the plain forms in place. Raises RuntimeError where it is too late or the model would be compiled."""
    if os.environ.get("NUMBA_DISABLE_JIT") != "1":
        raise RuntimeError("the plain model needs a process started with NUMBA_DISABLE_JIT=1")
    late = sorted(name for name in sys.modules if name.startswith("explorer.model."))
    if late:
        raise RuntimeError(f"the model is imported already: {late[0]}")
    from explorer.model import lanes

    lanes.WIDTH = 1
    for plain in (put_lane, put_lanes, get_lane, get_lanes):
        setattr(lanes, plain.__name__, plain)
