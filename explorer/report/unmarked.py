"""A passage of the report for a terminal: the same words without the marks that a page is made from."""

from __future__ import annotations

import re

from explorer.report.narrow import WIDTH, columns_text
from explorer.report.page.prose import cells

SHORT = 20
"""In a table that is too wide, cells up to so many letters share a line."""

_LINK = re.compile(r"\[([^\]]*)\]\([^)]*\)")
_BOLD = re.compile(r"\*\*(.+?)\*\*|(?<!\\)`([^`]*)`")
_ESCAPED = re.compile(r"\\([\\`*_\[\]<>|#~])")


def unmarked(text: str, width: int = WIDTH) -> str:
    """Markdown of a report as plain text: headings underlined, tables in columns, or a block a row where too wide.

    >>> unmarked("## The plan" + chr(10) + "**Mind:** read [a.csv](tables/a.csv)")
    'The plan\\n--------\\nMind: read a.csv'
    """
    found: list[str] = []
    rows: list[list[str]] = []
    for line in [*text.split("\n"), ""]:
        if line.startswith("| "):
            rows.append(cells(line))
            continue
        if rows:
            found.append(_table(rows, width))
            rows = []
        found.append(_line(line))
    return "\n".join(found).rstrip("\n")


def _line(line: str) -> str:
    title = line.lstrip("#")
    heading = line != title and title.startswith(" ")
    words = _ESCAPED.sub(r"\1", _BOLD.sub(r"\1\2", _LINK.sub(r"\1", title.strip() if heading else line)))
    return f"{words}\n{'-' * len(words)}" if heading else words


def _table(rows: list[list[str]], width: int) -> str:
    head, body = rows[0], rows[2:]
    needed = [max(len(row[c]) for row in [*body, head]) for c in range(len(head))]
    if sum(needed) + 2 * (len(head) - 1) <= width:
        return columns_text(head, body, width)
    return "\n".join(_block(head, row) for row in body)


def _block(head: list[str], row: list[str]) -> str:
    """One row: its first cell, long cells a line each, short ones together."""
    pairs = [(name, cell) for name, cell in zip(head[1:], row[1:], strict=True) if cell not in ("", "-")]
    lines = [f"{head[0]} {row[0]}" if row[0].isdigit() else row[0]]
    lines += [f"  {name}: {cell}" for name, cell in pairs if len(cell) > SHORT]
    short = "; ".join(f"{name}: {cell}" for name, cell in pairs if len(cell) <= SHORT)
    return "\n".join([*lines, f"  {short}"] if short else lines)
