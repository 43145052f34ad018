"""Tables for a terminal: nothing wider than it, nothing lost."""

from __future__ import annotations

from explorer.report.narrow import columns_text


def test_columns_that_do_not_fit_follow_below() -> None:
    """Catches a table wider than the terminal, a column that is lost, and empty lines where headers are short."""
    head = ["point", "a header of several words", "second", "third"]
    told = columns_text(head, [["1", "10", "20", "30"], ["2", "11", "21", "31"]], width=30)
    first, second = told.split("\n\n")
    assert first.splitlines() == [
        "       a header of",
        "           several",
        "point        words  second",
        "1               10      20",
        "2               11      21",
    ]
    assert second.splitlines() == ["point  third", "1         30", "2         31"]
