"""Sums over the rows of a space that no cut of the rows can change by a bit.

Floating-point sums hang on their order, so the order is fixed: rows are added in pairs, pairs in pairs, along the
binary tree of the row numbers. A run of rows adds up as far as its own tree goes and hands on the nodes that lack a
sibling; merging adds siblings as they meet. So chunk size, threads, machines and the order in which parts come back do
not matter, and the rounding error grows with the logarithm of the rows (pairwise summation, Higham 1993, SIAM J. Sci.
Comput. 14:783; from memory).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from explorer.domain.space import FloatArray


@dataclass(frozen=True)
class Node:
    """Sum over the rows `place * 2**level` up to, not with, `(place + 1) * 2**level`."""

    level: int
    place: int
    sums: FloatArray


def nodes_of(values: FloatArray, start: int) -> tuple[Node, ...]:
    """The fewest nodes over rows `start` onwards, rows along the first axis. (rows, ...) -> sums of shape (...).

    >>> import numpy as np
    >>> [(node.level, node.place, float(node.sums)) for node in nodes_of(np.array([1.0, 2.0, 3.0, 4.0]), 1)]
    [(0, 1, 1.0), (0, 4, 4.0), (1, 1, 5.0)]
    """
    found = []
    level, place = 0, start
    while len(values):
        if place % 2:
            found.append(Node(level, place, values[0].copy()))
            values, place = values[1:], place + 1
        if len(values) % 2:
            found.append(Node(level, place + len(values) - 1, values[-1].copy()))
            values = values[:-1]
        values = values[0::2] + values[1::2]
        level, place = level + 1, place // 2
    return tuple(found)


class RowSums:
    """Merges nodes as they come, in any order."""

    def __init__(self) -> None:
        self._waiting: dict[tuple[int, int], FloatArray] = {}

    def add(self, nodes: Iterable[Node]) -> None:
        """Take in the nodes of some rows, none of them twice."""
        for node in nodes:
            level, place, sums = node.level, node.place, node.sums
            while (sibling := self._waiting.pop((level, place ^ 1), None)) is not None:
                sums = sibling + sums if place % 2 else sums + sibling
                level, place = level + 1, place // 2
            assert (level, place) not in self._waiting, "rows added twice"
            self._waiting[level, place] = sums

    def total(self, rows: int) -> FloatArray:
        """The sum over rows 0 to `rows`, all of which must have been added."""
        ends = sorted(self._waiting, key=lambda key: key[1] << key[0])
        assert sum(1 << level for level, _ in ends) == rows, "rows are missing"
        total = self._waiting[ends[0]].copy()
        for key in ends[1:]:
            total += self._waiting[key]
        return total
