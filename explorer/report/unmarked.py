"""A passage of the report for a terminal: the same words without the marks that a page is made from."""

from __future__ import annotations

import re

from explorer.report.looks import look
from explorer.report.narrow import table_text
from explorer.report.page.prose import cells

_LINK = re.compile(r"\[([^\]]*)\]\([^)]*\)")
_CODE = re.compile(r"(?<!\\)`([^`]*)`")
_BOLD = re.compile(r"\*\*(.+?)\*\*")
_ESCAPED = re.compile(r"\\([\\`*_\[\]<>|#~])")


def unmarked(text: str) -> str:
    """Markdown of a report as text for a terminal: headings underlined, tables as `narrow.table_text` has them.

    >>> from explorer.report.looks import bare
    >>> bare(unmarked("## The plan" + chr(10) + "**Mind:** read [a.csv](tables/a.csv)"))
    'The plan\\n--------\\nMind: read a.csv'
    """
    found: list[str] = []
    rows: list[list[str]] = []
    for line in [*text.split("\n"), ""]:
        if line.startswith("| "):
            rows.append(cells(line))
            continue
        if rows:
            found.append(table_text(rows[0], rows[2:]))
            rows = []
        found.append(_line(line))
    return "\n".join(found).rstrip("\n")


def _line(line: str) -> str:
    title = line.lstrip("#")
    heading = line != title and title.startswith(" ")
    plain = _CODE.sub(r"\1", _LINK.sub(r"\1", title.strip() if heading else line))
    words = _ESCAPED.sub(r"\1", _BOLD.sub(lambda found: look("strong", found[1]), plain))
    return f"{look('strong', words)}\n{'-' * len(words)}" if heading else words
