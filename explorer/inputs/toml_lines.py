"""Where each key of a TOML text stands: tomllib gives values without positions, so a small scan finds the lines.

The scan expects text that tomllib accepts, but never fails on other text: it then only knows fewer keys. It is linear
in the text and comes before tomllib, which takes minutes over a key of 100,000 parts: such text is `Excessive`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

KeyPath = tuple[str | int, ...]
"""Keys from the top of the file down, with the number of the entry after an array of tables."""

PARTS_LIMIT = 30
"""Most parts of one dotted key."""

KEY_LIMIT = 300
"""Longest part of a key, in characters."""

DEPTH_LIMIT = 60
"""Most brackets open at once in one value."""

_BARE = re.compile(r"[^\"'.\n=\] \t\r]+")
_PLAIN = {'"': re.compile(r'[^"\\\n]+'), "'": re.compile(r"[^'\n]+")}
_LONG = {'"""': re.compile(r'[^"\\]+'), "'''": re.compile(r"[^']+")}
_FILLER = re.compile(r"[^\n#\"'\[\]{}.=]+")
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


class Excessive(Exception):
    """Text that no person writes: `line` where it stands, what was found, and what is allowed."""

    def __init__(self, line: int, found: str, allowed: str) -> None:
        super().__init__(found)
        self.line, self.found, self.allowed = line, found, allowed


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int:
    """Line of the deepest known part of `path`; 0 when not even its first key is known."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return 0


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line (from 1) of every key and table header.

    Understands tables, arrays of tables, dotted and quoted keys, strings and values over several lines. Keys inside
    an inline table are not listed: `line_of` falls back to the key that the inline table belongs to. Raises Excessive
    for keys of too many or too long parts, and for values nested too deeply.

    >>> key_lines("[a]\\nb.c = 1\\n[[d]]\\ne = 2")[("d", 0, "e")]
    4
    """
    return _Scan(text).run()


@dataclass
class _Scan:
    text: str
    at: int = 0
    line: int = 1
    table: KeyPath = ()
    lines: dict[KeyPath, int] = field(default_factory=dict)
    counts: dict[KeyPath, int] = field(default_factory=dict)

    def run(self) -> dict[KeyPath, int]:
        while self.at < len(self.text):
            char = self.text[self.at]
            if char in " \t\r\n":
                self._step(1)
            elif char == "#":
                self._skip_comment()
            elif char == "[":
                self._header()
            else:
                self._statement()
        return self.lines

    def _step(self, count: int) -> None:
        self.line += self.text.count("\n", self.at, self.at + count)
        self.at += count

    def _skip_comment(self) -> None:
        end = self.text.find("\n", self.at)
        self.at = len(self.text) if end < 0 else end

    def _starts(self, piece: str) -> bool:
        return self.text.startswith(piece, self.at)

    def _header(self) -> None:
        line = self.line
        many = self._starts("[[")
        self._step(2 if many else 1)
        keys = self._keys("]")
        path: KeyPath = ()
        for number, key in enumerate(keys):
            path += (key,)
            last = number == len(keys) - 1
            if last and many:
                self.counts[path] = self.counts.get(path, -1) + 1
                self.lines.setdefault(path, line)
                path += (self.counts[path],)
            elif path in self.counts:
                path += (self.counts[path],)
            self.lines.setdefault(path, line)
        self.table = path
        end = self.text.find("\n", self.at)
        self.at = len(self.text) if end < 0 else end

    def _statement(self) -> None:
        line = self.line
        start = self.at
        path = self.table
        for key in self._keys("="):
            path += (key,)
            self.lines.setdefault(path, line)
        if self._starts("="):
            self._step(1)
            self._value()
        elif self.at == start:
            self._step(1)

    def _keys(self, closing: str) -> list[str]:
        """Dotted key up to (not past) `closing` or the end of the line."""
        keys: list[str] = []
        bare: list[str] = []

        def part() -> None:
            if bare:
                self._add_part(keys, "".join(bare))
                bare.clear()

        while self.at < len(self.text):
            char = self.text[self.at]
            if char in "\"'":
                self._add_part(keys, self._quoted())
                continue
            if char in closing + ".\n":
                part()
                if char != ".":
                    break
            elif char not in " \t\r":
                run = _BARE.match(self.text, self.at)
                bare.append(run.group() if run else char)
                self.at += len(bare[-1]) - 1
            self.at += 1
        part()
        return keys

    def _add_part(self, keys: list[str], key: str) -> None:
        keys.append(key)
        if len(key) > KEY_LIMIT:
            raise Excessive(self.line, f"a key of {len(key):,} characters", f"keys of at most {KEY_LIMIT} characters")
        if len(keys) > PARTS_LIMIT:
            self._too_many_parts()

    def _too_many_parts(self) -> None:
        raise Excessive(self.line, f"a dotted key of over {PARTS_LIMIT} parts", f"at most {PARTS_LIMIT}")

    def _quoted(self) -> str:
        """One-line string at the cursor, unescaped."""
        quote = self.text[self.at]
        self.at += 1
        pieces: list[str] = []
        while self.at < len(self.text) and self.text[self.at] not in (quote, "\n"):
            run = _PLAIN[quote].match(self.text, self.at)
            if run is not None:
                pieces.append(run.group())
                self.at = run.end()
                continue
            mark = self.text[self.at + 1 : self.at + 2]  # after a backslash
            width = {"u": 4, "U": 8}.get(mark, 0)
            if width:
                digits = self.text[self.at + 2 : self.at + 2 + width]
                try:
                    pieces.append(chr(int(digits, 16)))
                except (ValueError, OverflowError):
                    pieces.append(digits)
            else:
                pieces.append(_ESCAPES.get(mark, mark))
            self.at += 2 + width
        self.at += 1
        return "".join(pieces)

    def _value(self) -> None:
        """Skip one value: up to the end of its line, or further inside brackets and long strings."""
        depth = dots = 0
        while self.at < len(self.text):
            char = self.text[self.at]
            if char == "\n" and depth == 0:
                return
            if char == "#":
                self._skip_comment()
            elif self._starts('"""') or self._starts("'''"):
                self._long_string(self.text[self.at : self.at + 3])
            elif char in "\"'":
                self._quoted()
            else:
                run = _FILLER.match(self.text, self.at)
                if run is not None:
                    dots = 0 if "," in run.group() else dots
                    self.at = run.end()
                    continue
                depth += (char in "[{") - (char in "]}")
                dots = dots + 1 if char == "." else 0
                if dots >= PARTS_LIMIT:
                    self._too_many_parts()
                if depth > DEPTH_LIMIT:
                    raise Excessive(self.line, f"over {DEPTH_LIMIT} brackets open at once", "lists that are not nested")
                self._step(1)

    def _long_string(self, quotes: str) -> None:
        self.at += 3
        while self.at < len(self.text):
            run = _LONG[quotes].match(self.text, self.at)
            if run is not None:
                self._step(run.end() - self.at)
            elif self._starts("\\"):
                self._step(2)
            elif self._starts(quotes):
                self.at += 3
                while self._starts(quotes[0]):
                    self.at += 1
                return
            else:
                self._step(1)
