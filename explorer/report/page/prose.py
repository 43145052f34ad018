"""The report's own passages as HTML: what `explorer.report.sections` says, in the same words, without its markdown.

The passages come as blocks (a heading, a paragraph, a list, a table) whose names were made harmless by
`words.escape`; that one rule is undone here and the text is escaped anew for HTML.
"""

from __future__ import annotations

from collections.abc import Sequence

from explorer.report.page.markup import Html, bullets, join, table, tag, text


def passages(blocks: Sequence[str], level: int = 3) -> tuple[Html, ...]:
    """Blocks of the report as HTML; its first heading is dropped, others get this level."""
    result: list[Html] = []
    for place, block in enumerate(blocks):
        if block.startswith("#"):
            if place:
                result.append(tag(f"h{level}", inline(block.lstrip("#").strip())))
        elif block.startswith("| "):
            result.append(_table(block.split("\n"), blocks[0].lstrip("# ")))
        elif block.startswith("- "):
            result.append(bullets(inline(line[2:]) for line in block.split("\n")))
        elif not block.startswith("!["):
            result.append(tag("p", inline(block)))
    return tuple(result)


def inline(line: str) -> Html:
    """One line: escaped letters, strong words, commands, and a file named in brackets where the report links to it.

    >>> inline("**front bar** is " + chr(92) + "<b" + chr(92) + "> ([a.csv](tables/a.csv))").code
    '<strong>front bar</strong> is &lt;b&gt; (<code>tables/a.csv</code>)'
    """
    parts: list[Html] = []
    letters: list[str] = []
    strong: list[Html] | None = None
    place = 0

    def flush() -> None:
        if letters:
            (parts if strong is None else strong).append(text("".join(letters)))
            letters.clear()

    while place < len(line):
        if line[place] == "\\" and place + 1 < len(line):
            letters.append(line[place + 1])
            place += 2
        elif line.startswith("**", place):
            flush()
            if strong is None:
                strong = []
            else:
                parts.append(tag("strong", *strong))
                strong = None
            place += 2
        elif line[place] == "`" and "`" in line[place + 1 :]:
            flush()
            end = line.index("`", place + 1)
            (parts if strong is None else strong).append(tag("code", line[place + 1 : end]))
            place = end + 1
        elif line[place] == "[" and "](" in line[place:]:
            flush()
            middle = line.index("](", place)
            end = line.index(")", middle)
            target = line[middle + 2 : end]
            shown = line[place + 1 : middle]
            if target.startswith("#"):
                parts.append(tag("a", inline(shown), href=target))
            else:
                parts.append(tag("code", target))
            place = end + 1
        else:
            letters.append(line[place])
            place += 1
    flush()
    return join(parts)


def _table(lines: Sequence[str], caption: str) -> Html:
    rows = [cells(line) for line in lines]
    right = [place for place, rule in enumerate(rows[1]) if rule.endswith(":")]
    return table(
        caption,
        [text(c) for c in rows[0]],
        rows[2:],
        right=right,
        class_="wordy",
        unseen=True,
    )


def cells(line: str) -> list[str]:
    """Cells of a table line, their escapes undone."""
    cells, letters, place = [], [], 0
    inner = line.removeprefix("| ").removesuffix(" |") + " | "
    while place < len(inner):
        if inner[place] == "\\" and place + 1 < len(inner):
            letters.append(inner[place + 1])
            place += 2
        elif inner.startswith(" | ", place):
            cells.append("".join(letters).strip())
            letters = []
            place += 3
        else:
            letters.append(inner[place])
            place += 1
    return cells
