"""The plan on a terminal: the report's words without its marks."""

from __future__ import annotations

from explorer.report import words
from explorer.report.unmarked import unmarked


def test_marks_go_and_words_stay() -> None:
    """Catches stars, links and escapes on a terminal, and a star that somebody wrote taken for a mark."""
    text = f"### Take it\n\n- **1**: see [x.csv](tables/x.csv), ask `next`, {words.escape('soft_bar *2* <b>')}"
    assert unmarked(text) == "Take it\n-------\n\n- 1: see x.csv, ask next, soft_bar *2* <b>"


def test_a_table_that_fits_has_columns_and_a_wide_one_blocks() -> None:
    """Catches bars and rules of a table on a terminal, a line of 200 letters, and a cell that gets lost."""
    small = words.table(["stop", "change"], [["1", "front | bar"], ["2", "rear"]])
    assert unmarked(small) == "stop       change\n1     front | bar\n2            rear"
    wide = words.table(["setup", "why", "bar", "grip"], [["1", "w" * 90, "none", "-"], ["2", "v" * 30, "1.2", "3 %"]])
    assert (
        unmarked(wide) == f"setup 1\n  why: {'w' * 90}\n  bar: none\nsetup 2\n  why: {'v' * 30}\n  bar: 1.2; grip: 3 %"
    )
