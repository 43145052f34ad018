"""How an answer looks on a terminal: unseen marks in its text, which `cli` draws in colour or drops on a pipe.

A mark is a letter of the private use area; names lose such letters (`words.flat`), so none can carry one.
"""

from __future__ import annotations

import unicodedata
from contextvars import ContextVar

WIDTH: ContextVar[int] = ContextVar("width", default=80)
"""Letters that a line of an answer may hold."""

SHADES = 5
LOOKS = ("strong", "title", "good", "bad", "faint", "bar", *(f"shade {n}" for n in range(SHADES)))

BETTER, WORSE, BLOCK, HALF = "▲", "▼", "█", "▌"
PLAIN = {BETTER: "+", WORSE: "-", BLOCK: "#", HALF: "#"}
"""What stands for a sign where the terminal's letters lack it."""

_END = "\ue000"
_MARKS = {name: chr(ord(_END) + place) for place, name in enumerate(LOOKS, start=1)}
_NAMES = {mark: name for name, mark in _MARKS.items()}
_DROPPED = dict.fromkeys(map(ord, (_END, *_NAMES)))


def look(name: str, text: str) -> str:
    """Text with one of `LOOKS`; no look inside another."""
    return f"{_MARKS[name]}{text}{_END}" if text else text


def bare(text: str) -> str:
    """The text without its marks.

    >>> bare(look("strong", "take") + " this")
    'take this'
    """
    return text.translate(_DROPPED)


def pieces(text: str) -> list[tuple[str, str]]:
    """The text cut where its look changes: (text, look or "").

    >>> pieces(look("strong", "take") + " this")
    [('take', 'strong'), (' this', '')]
    """
    found: list[tuple[str, str]] = []
    name, letters = "", ""
    for letter in f"{text}{_END}":
        if letter != _END and letter not in _NAMES:
            letters += letter
            continue
        if letters:
            found.append((letters, name))
        name, letters = _NAMES.get(letter, ""), ""
    return found


def again(cell: str, text: str) -> str:
    """Other text in the look that a cell begins with."""
    return look(_NAMES[cell[0]], text) if cell[:1] in _NAMES else text


def wide(text: str) -> int:
    """Places that a text takes on a terminal.

    >>> wide(look("good", "a")), wide("車")
    (1, 2)
    """
    kept = (letter for letter in bare(text) if not unicodedata.combining(letter))
    return sum(2 if unicodedata.east_asian_width(letter) in "WF" else 1 for letter in kept)


def padded(text: str, width: int, right: bool) -> str:
    """Text filled up to a width."""
    gap = " " * (width - wide(text))
    return gap + text if right else text + gap


def bar(share: float, width: int) -> str:
    """A share of one as a bar of at most `width` letters, to half a letter; a share above nothing is seen.

    >>> bare(bar(0.5, 5))
    '██▌'
    """
    halves = max(1, round(2.0 * width * min(1.0, share))) if share > 0.0 else 0
    return look("bar", BLOCK * (halves // 2) + HALF * (halves % 2))
