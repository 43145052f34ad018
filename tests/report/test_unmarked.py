"""The plan on a terminal: the report's words without its marks."""

from __future__ import annotations

from explorer.report import words
from explorer.report.looks import WIDTH, bare, pieces
from explorer.report.unmarked import unmarked


def test_marks_go_and_words_stay() -> None:
    """Catches stars, links and escapes on a terminal, and a star that somebody wrote taken for a mark."""
    text = f"### Take it\n\n- **1**: see [x.csv](tables/x.csv), ask `next`, {words.escape('soft_bar *2* <b>')}"
    told = unmarked(text)
    assert [piece for piece, look in pieces(told) if look == "strong"] == ["Take it", "1"]
    assert bare(told) == "Take it\n-------\n\n- 1: see x.csv, ask next, soft_bar *2* <b>"


def test_a_table_that_fits_has_columns_and_a_wide_one_lies_on_its_side() -> None:
    """Catches bars and rules of a table on a terminal, a line of 200 letters, and a cell that gets lost."""
    small = words.table(["stop", "change"], [["1", "front | bar"], ["2", "rear"]])
    assert unmarked(small) == "stop  change\n1     front | bar\n2     rear"
    WIDTH.set(80)
    cells = ["3 %", "4 %", "5 %", "6 %", "7 %"]
    head = ["setup", "why", *(f"a number of {letter * 12}" for letter in "abcde")]
    wide = words.table(head, [["1", "w " * 30, *cells], ["2", "-", *cells]])
    lines = unmarked(wide).splitlines()
    assert lines[:3] == ["why:", f"  1  {'w ' * 29}w", "setup" + " " * 23 + "1    2"]
    assert lines[3] == "a number of aaaaaaaaaaaa  3 %  3 %" and len(lines) == 8
    many = words.table(head, [[str(n), "w " * 30, *cells] for n in range(1, 10)])
    assert bare(unmarked(many)).splitlines()[:2] == ["setup 1", f"  why: {'w ' * 29}w"]
