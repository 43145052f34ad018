"""Every error a user can meet has one root, `ExplorerError`, and says what to do next."""

from __future__ import annotations

from dataclasses import dataclass


class ExplorerError(Exception):
    """Root of all errors raised on purpose by this package."""


def visible(text: str) -> str:
    """A text whose unprintable characters are spelled out, so that a terminal shows them and obeys none.

    >>> visible("a\\x1b[2J")
    'a\\\\x1b[2J'
    """
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode("ascii") for char in text)


@dataclass(frozen=True)
class Problem:
    """One located fault in an input file.

    `line` is 1-based, 0 where the file as a whole is meant.
    """

    file: str
    line: int
    key: str
    found: str
    allowed: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        key = f" {self.key}:" if self.key else ""
        found = f" found {self.found};" if self.found else ""
        return visible(f"{place}:{key}{found} {self.allowed}")


class ConfigError(ExplorerError):
    """The files are at fault; `problems` lists every fault found, not only the first."""

    def __init__(self, problems: list[Problem]):
        self.problems = list(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class SpaceError(ExplorerError):
    """A knob, level, rule, objective or limit does not exist or contradicts another."""


class ModelError(ExplorerError):
    """The model was asked for something it cannot answer (a broken parameter vector, no phase)."""


class ArtefactError(ExplorerError):
    """A result could not be written or read back. What a file put into the words steers no terminal."""

    def __init__(self, words: str) -> None:
        super().__init__(visible(words))
