"""Where each key of a TOML text stands: tomllib gives values without positions, so a small scan finds the lines.

The scan expects text that tomllib accepts, but never fails on other text: it then only knows fewer keys.
"""

from __future__ import annotations

from dataclasses import dataclass, field

KeyPath = tuple[str | int, ...]
"""Keys from the top of the file down, with the number of the entry after an array of tables."""

_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


def line_of(lines: dict[KeyPath, int], path: KeyPath) -> int:
    """Line of the deepest known part of `path`; 0 when not even its first key is known."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return 0


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line (from 1) of every key and table header.

    Understands tables, arrays of tables, dotted and quoted keys, strings and values over several lines. Keys inside
    an inline table are not listed: `line_of` falls back to the key that the inline table belongs to.

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
        bare = ""
        while self.at < len(self.text):
            char = self.text[self.at]
            if char in "\"'":
                keys.append(self._quoted())
                continue
            if char in closing + ".\n":
                if bare:
                    keys.append(bare)
                bare = ""
                if char != ".":
                    break
            elif char not in " \t\r":
                bare += char
            self.at += 1
        if bare:
            keys.append(bare)
        return keys

    def _quoted(self) -> str:
        """One-line string at the cursor, unescaped."""
        quote = self.text[self.at]
        self.at += 1
        result = ""
        while self.at < len(self.text) and self.text[self.at] not in (quote, "\n"):
            char = self.text[self.at]
            if char == "\\" and quote == '"':
                mark = self.text[self.at + 1 : self.at + 2]
                width = {"u": 4, "U": 8}.get(mark, 0)
                if width:
                    digits = self.text[self.at + 2 : self.at + 2 + width]
                    try:
                        result += chr(int(digits, 16))
                    except (ValueError, OverflowError):
                        result += digits
                else:
                    result += _ESCAPES.get(mark, mark)
                self.at += 2 + width
                continue
            result += char
            self.at += 1
        self.at += 1
        return result

    def _value(self) -> None:
        """Skip one value: up to the end of its line, or further inside brackets and long strings."""
        depth = 0
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
                depth += (char in "[{") - (char in "]}")
                self._step(1)

    def _long_string(self, quotes: str) -> None:
        self.at += 3
        while self.at < len(self.text):
            if self._starts("\\") and quotes == '"""':
                self._step(2)
            elif self._starts(quotes):
                self.at += 3
                while self._starts(quotes[0]):
                    self.at += 1
                return
            else:
                self._step(1)
