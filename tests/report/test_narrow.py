"""Tables for a terminal: nothing wider than it, nothing lost."""

from __future__ import annotations

from explorer.cli.terminal import folded
from explorer.report.looks import WIDTH, wide
from explorer.report.narrow import columns_text, table_text


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


def test_any_table_fits_any_terminal_and_loses_no_number() -> None:
    """Catches a line that is wider than the terminal in a table of words, of numbers, on its side or in cards."""
    before = WIDTH.get()
    for width in (40, 60, 80, 120):
        WIDTH.set(width)
        for columns, rows, words in ((3, 4, 2), (12, 3, 2), (12, 30, 2), (5, 20, 12), (9, 6, 12)):
            head = ["setup", *(f"number {c} of the car, mm" for c in range(1, columns))]
            body = [[str(r), "word " * words, *(f"{100 * r + c}.25" for c in range(2, columns))] for r in range(rows)]
            told = table_text(head, body)
            folded_lines = [piece for line in told.split("\n") for piece in folded(line, width).split("\n")]
            assert max(map(wide, folded_lines)) <= width, (width, columns, rows)
            assert all(cell in told for row in body for cell in row[2:])
    WIDTH.set(before)
