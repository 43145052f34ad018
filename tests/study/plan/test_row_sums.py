"""Sums that no cut of the rows can change: against fractions, over random cuts in random order."""

from fractions import Fraction

import numpy as np
import pytest

from explorer.study.plan.row_sums import RowSums, nodes_of


def summed(values, ends, order):
    pieces = [nodes_of(values[a:b], a) for a, b in zip(ends[:-1], ends[1:], strict=True)]
    sums = RowSums()
    for place in order:
        sums.add(pieces[place])
    return sums.total(len(values))


@pytest.mark.parametrize("rows", [1, 2, 7, 64, 257])
def test_any_cut_in_any_order_gives_the_same_bytes(rows):
    """Catches: a tree that starts at the chunk and not at row 0, siblings added the other way round, a lone last row
    lost. Values of very different sizes, so that another order would show."""
    rng = np.random.default_rng(rows)
    values = rng.normal(size=(rows, 3, 2)) * 10.0 ** rng.integers(-8, 9, (rows, 3, 2))
    whole = summed(values, [0, rows], [0])
    for _ in range(20):
        inner = rng.choice(np.arange(1, rows), min(rows - 1, int(rng.integers(0, 9))), replace=False)
        ends = [0, *sorted(inner.tolist()), rows]
        assert summed(values, ends, rng.permutation(len(ends) - 1)).tobytes() == whole.tobytes()
    exact = [sum(Fraction(float(x)) for x in values[:, i, j]) for i in range(3) for j in range(2)]
    size = np.abs(values).sum(axis=0).ravel()
    assert all(
        abs(Fraction(float(x)) - y) <= 1e-15 * 10 * s for x, y, s in zip(whole.ravel(), exact, size, strict=True)
    )  # fmt: skip


def test_rows_lost_or_counted_twice_are_a_bug():
    """Catches: a chunk that a dying worker sent twice, or never."""
    sums = RowSums()
    sums.add(nodes_of(np.ones((3, 1)), 0))
    with pytest.raises(AssertionError, match="missing"):
        sums.total(4)
    with pytest.raises(AssertionError, match="twice"):
        sums.add(nodes_of(np.ones((1, 1)), 2))
