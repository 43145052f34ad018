"""Lines of text that fit a width, by the advance widths of one typeface; what does not fit ends in an ellipsis."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import chain

LINE = 1.2
"""Distance of two lines, in type sizes."""

ELLIPSIS = "\u2026"
Lines = tuple[str, ...]

_REGULAR = (
    "32 41 46 84 64 96 78 28 40 40 50 84 32 37 32 34 64 64 64 64 64 64 64 64 64 64 34 34 84 84 84 54 "
    "100 69 69 70 78 64 58 78 76 30 30 66 56 87 75 79 61 79 70 64 62 74 69 99 69 62 69 40 34 40 84 50 "
    "50 62 64 55 64 62 36 64 64 28 28 58 28 98 64 62 64 64 42 53 40 64 60 82 60 60 53 64 34 64 84"
)
_BOLD = (
    "35 46 53 84 70 101 88 31 46 46 53 84 38 42 38 37 70 70 70 70 70 70 70 70 70 70 40 40 84 84 84 59 "
    "100 78 77 74 84 69 69 83 84 38 38 78 64 100 84 86 74 86 78 73 69 82 78 111 78 73 73 46 37 46 84 50 "
    "50 68 72 60 72 68 44 72 72 35 35 67 35 105 72 69 72 72 50 60 48 72 66 93 65 66 59 72 37 72 84"
)
_WIDTHS = tuple(
    {chr(32 + place): int(width) / 100.0 for place, width in enumerate(widths.split())} for widths in (_REGULAR, _BOLD)
)
"""Advance widths of DejaVu Sans from the space on, in type sizes and rounded up. Wider than a browser's usual faces."""

_LATIN, _OTHER = 1.1, 1.5
"""Wider than nearly every letter of the same faces below U+0250, and beyond."""


@dataclass(frozen=True)
class Cell:
    """Text in a box: its lines, whether they are bold, and whether an empty square to tick stands in it. `whole` is the
    text before it was broken into lines, "" where something was cut or a word was broken."""

    lines: Lines
    bold: bool = False
    box: bool = False
    whole: str = ""


def width_of(text: str, size: float, bold: bool = False) -> float:
    """Width of a line, at least as wide as it is drawn. [points]"""
    return size * sum(_advance(letter, bold) for letter in text)


def _advance(letter: str, bold: bool) -> float:
    if letter == "\u00a0":
        letter = " "
    other = _LATIN if letter < "\u0250" or letter == ELLIPSIS else _OTHER
    return _WIDTHS[bold].get(letter, other)


@lru_cache(maxsize=65_536)
def lines_of(text: str, room: float, size: float, most: int, bold: bool = False) -> tuple[Lines, bool]:
    """At most `most` lines of a text, each within `room`, and whether anything was cut. No-break spaces hold where
    they can.

    >>> lines_of("a soft bar", 40.0, 10.0, 2), lines_of("a soft bar", 30.0, 10.0, 1)
    ((('a soft', 'bar'), False), (('a s…',), True))
    """

    def fits(line: str) -> bool:
        return width_of(line, size, bold) <= room

    lines: list[str] = []
    current = ""
    parts = ([word] if fits(word) else word.split("\u00a0") for word in text.split(" "))
    for word in chain.from_iterable(parts):
        if len(lines) > most:
            break
        longer = f"{current} {word}" if current else word
        if fits(longer):
            current = longer
            continue
        if current:
            lines.append(current)
        while not fits(word) and len(word) > 1:
            taken = next(n for n in range(1, len(word) + 1) if n == len(word) or not fits(word[: n + 1]))
            lines.append(word[:taken])
            word = word[taken:]
        current = word
    lines.append(current)
    cut = len(lines) > most
    if cut:
        last = lines[most - 1]
        while last and not fits(last + ELLIPSIS):
            last = last[:-1].rstrip()
        lines = [*lines[: most - 1], last + ELLIPSIS]
    return tuple(lines), cut
