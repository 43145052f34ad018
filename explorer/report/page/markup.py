"""HTML that no name can break: escaped text, tables, data inside a script element, lines for a shell.

Every piece of the page is built from these; a name from a file never reaches the page by another road.
"""

from __future__ import annotations

import html
import json
import re
import shlex
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from explorer.report.words import flat

FITS = 5
"""Columns of a table that a telephone shows side by side."""

_RIGHT_TO_LEFT = frozenset({"R", "AL", "AN"})
_SCRIPT_BREAKERS = {letter: f"\\u{ord(letter):04x}" for letter in "<>&\u2028\u2029"}


@dataclass(frozen=True)
class Html:
    """Finished HTML: made by this room, or by a caller who escaped it. Plain strings are escaped wherever they land."""

    code: str

    def __str__(self) -> str:
        return self.code


def text(value: object) -> Html:
    """Text for the page. Right-to-left words are set apart, so that numbers beside them stay where they belong.

    >>> text("a <b> & " + chr(39))
    Html(code='a &lt;b&gt; &amp; &#x27;')
    """
    if isinstance(value, Html):
        return value
    whole = str(value)
    ends = [" " if whole[:1].isspace() else "", " " if whole[-1:].isspace() and whole.strip() else ""]
    pieces = []
    for turned, words in groupby(flat(whole).split(" "), key=_turned):
        piece = html.escape(" ".join(words))
        pieces.append(f"<bdi>{piece}</bdi>" if turned else piece)
    return Html(" ".join(pieces).join(ends))


def _turned(word: str) -> bool:
    """Whether a word reads from right to left."""
    return any(unicodedata.bidirectional(letter) in _RIGHT_TO_LEFT for letter in word)


def name(value: object) -> Html:
    """A name from a file, set apart from the text around it whatever way it reads.

    >>> name('"<script>')
    Html(code='<bdi>&quot;&lt;script&gt;</bdi>')
    """
    return value if isinstance(value, Html) else Html(f"<bdi>{html.escape(flat(value))}</bdi>")


def join(parts: Iterable[object], between: str = "") -> Html:
    """Pieces in a row; strings among them are escaped, `between` is finished HTML."""
    return Html(between.join(text(part).code for part in parts))


def tag(kind: str, *content: object, **attributes: object) -> Html:
    """An element. `class_` stands for class and other underscores for hyphens; None and False leave one out.

    >>> tag("p", "a < b", class_="note", data_row=3)
    Html(code='<p class="note" data-row="3">a &lt; b</p>')
    """
    return Html(f"<{kind}{attributes_text(attributes)}>{join(content)}</{kind}>")


def attributes_text(attributes: dict[str, object]) -> str:
    """Attributes with a space before each, escaped."""
    parts = []
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        label = key.rstrip("_").replace("_", "-")
        parts.append(f" {label}" if value is True else f' {label}="{html.escape(str(value))}"')
    return "".join(parts)


def table(
    caption: object,
    headers: Sequence[object],
    rows: Iterable[Sequence[object]],
    *,
    right: Iterable[int] = (),
    class_: str = "",
    unseen: bool = False,
) -> Html:
    """A table in a box of its own that scrolls sideways where it must. `right` lists columns of numbers.

    The first cell of each row is its header. An `unseen` caption is there for those who do not look at the page. On a
    telephone a table of more than `FITS` columns becomes a card a row, each number under the name of its column.
    """
    aligned = set(right)
    label = re.sub(r"<[^>]*>", "", text(caption).code)
    names = [html.unescape(re.sub(r"<small>.*?</small>|<[^>]*>", "", text(one).code)).strip() for one in headers]
    cards = len(headers) > FITS

    def cell(kind: str, place: int, value: object, scope: str = "") -> Html:
        content, named = text(value), names[place] if cards and kind == "td" else None
        return tag(kind, content, scope=scope or None, class_="num" if place in aligned else None, data_label=named)

    body = []
    for row in rows:
        if len(row) != len(headers):
            raise ValueError(f"a row of {len(row)} cells under {len(headers)} headers")
        body.append(tag("tr", *(cell(*(("th", c, v, "row") if c == 0 else ("td", c, v))) for c, v in enumerate(row))))
    head = tag("tr", *(cell("th", c, v, "col") for c, v in enumerate(headers)))
    inner = tag(
        "table",
        tag("caption", text(caption), class_="unseen" if unseen else None),
        tag("thead", head),
        tag("tbody", *body),
        class_=f"{'cards' if cards else 'fits'} {class_}".strip(),
    )
    return Html(f'<div class="scroll" role="region" tabindex="0" aria-label="{label}">{inner}</div>')


def bullets(lines: Iterable[object], class_: str = "") -> Html:
    """A list."""
    return tag("ul", *(tag("li", line) for line in lines), class_=class_ or None)


def data_block(identifier: str, value: Any) -> Html:
    """Numbers and names for the page's script, as JSON that can neither end the element nor break a line.

    Raises ValueError for a number that is not finite.
    """
    code = json.dumps(value, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    for letter, written in _SCRIPT_BREAKERS.items():
        code = code.replace(letter, written)
    return Html(f'<script type="application/json" id="{html.escape(identifier)}">{code}</script>')


def set_argument(knob: str, label: str) -> str:
    """One `--set` of the command line, quoted for a shell where it must be.

    >>> set_argument("front_bar", "1.2"), set_argument("front_bar", "it's <soft>")
    ('--set front_bar=1.2', '--set \\'front_bar=it\\'"\\'"\\'s <soft>\\'')
    """
    return "--set " + shlex.quote(f"{knob}={label}")
