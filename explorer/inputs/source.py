"""One input file: opened with care, decoded, parsed, and its tables validated piece by piece, every fault located.

Each table is validated on its own, so that a fault in one does not hide the faults in the others.

Policy on paths: a study may name files in its own folder and below it; links are followed before that is judged. Only
ordinary files of a sane size are opened at all, never devices, pipes or the kernel's own files, and what lies outside
is refused before anything is asked of it.
"""

from __future__ import annotations

import difflib
import hashlib
import os
import re
import stat
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from explorer.domain.errors import Problem
from explorer.inputs.fields import Table, show
from explorer.inputs.toml_lines import Excessive, KeyPath, key_lines, line_of

SIZE_LIMIT = 1_000_000
"""Largest input file. [bytes]"""

PROBLEM_LIMIT = 200
"""A reader gives up after so many faults: to word a hundred thousand takes minutes, and nobody reads them."""

KERNEL_FOLDERS = ("/proc", "/sys")
"""Files here look ordinary and are not."""

OUTSIDE = (
    "a file in the folder of the study or below it, links followed; "
    "`setup-space --allow-outside COMMAND ...` lifts this"
)

Model = TypeVar("Model", bound=Table)


@dataclass(frozen=True)
class InputFile:
    """A file that was read: its path as the reader of a message knows it, and the SHA-256 of its bytes."""

    path: str
    sha256: str


class Refused(Exception):
    """A file that is not opened, or cannot be: what was found, and what is allowed."""

    def __init__(self, found: str, allowed: str) -> None:
        super().__init__(f"{found}; {allowed}")
        self.found, self.allowed = found, allowed


class Enough(Exception):
    """`PROBLEM_LIMIT` faults are told; the rest is not looked for."""


def within(path: str, root: str) -> bool:
    """Whether a path, all links followed, lies in a folder or below it."""
    folder = os.path.realpath(root)
    return os.path.commonpath([folder, os.path.realpath(path)]) == folder


def ordinary(path: str, root: str | None = None) -> str:
    """The real path of a file that may be opened: below `root`, where one is given, an ordinary file, not too big.

    Raises Refused, before the file is opened.
    """
    try:
        if root is not None and not within(path, root):
            raise Refused("a file outside", OUTSIDE)
        real = os.path.realpath(path)
        if any(real.startswith(folder + "/") for folder in KERNEL_FOLDERS):
            raise Refused("a file of the kernel", "a TOML file is needed here")
        _ordinary(os.stat(real))
    except (FileNotFoundError, NotADirectoryError, ValueError):
        raise Refused("no such file", "a TOML file is needed here") from None
    except OSError as error:
        raise Refused(error.strerror or str(error), "the file must be readable") from error
    return real


def _ordinary(facts: os.stat_result) -> None:
    if stat.S_ISDIR(facts.st_mode):
        raise Refused("a directory", "a TOML file is needed here")
    if not stat.S_ISREG(facts.st_mode):
        raise Refused("a device or a pipe", "a TOML file is needed here")
    if facts.st_size > SIZE_LIMIT:
        raise Refused(f"over {SIZE_LIMIT:,} bytes", "a smaller file")


def bytes_of(path: str, root: str | None = None) -> bytes:
    """What a file holds. Raises Refused as `ordinary` does; a file swapped meanwhile is looked at again once open."""
    real = ordinary(path, root)
    try:
        # neither waits for the writer of a pipe nor follows a link put there since
        flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
        with os.fdopen(os.open(real, flags), "rb") as stream:
            _ordinary(os.fstat(stream.fileno()))
            data = stream.read(SIZE_LIMIT + 1)
    except OSError as error:
        raise Refused(error.strerror or str(error), "the file must be readable") from error
    if len(data) > SIZE_LIMIT:
        raise Refused(f"over {SIZE_LIMIT:,} bytes", "a smaller file")
    return data


def near(name: str, known: Iterable[str]) -> str:
    """What is allowed instead of a name nobody knows: the nearest one, or all of them."""
    names = [one[:80] for one in known if one.strip()]
    match = difflib.get_close_matches(name[:80], names, n=1, cutoff=0.6)
    hint = f"did you mean {match[0]}? " if match else ""
    listed = ", ".join(names[:60]) + (f" and {len(names) - 60} more" if len(names) > 60 else "")
    return f"{hint}known: {listed}" if names else "none is defined"


def dotted(path: KeyPath) -> str:
    """A key path as a person writes it: `phases[2].radius_m`, entries counted from 1."""
    text = ""
    for item in path:
        if isinstance(item, int):
            text += f"[{item + 1}]"
        else:
            key = item if re.fullmatch(r"[A-Za-z0-9_-]{1,80}", item) else show(item)
            text += f".{key}" if text else key
    return text


@dataclass
class Source:
    """A parsed file and the problems found in it so far (shared by all files of one study).

    With `root` only a file in that folder or below it is read.
    """

    path: str
    problems: list[Problem]
    root: str | None = None
    raw: dict[str, Any] = field(default_factory=dict)
    lines: dict[KeyPath, int] = field(default_factory=dict)
    sha256: str = ""
    size: int = 0
    readable: bool = False

    def report(self, path: KeyPath, found: str, allowed: str) -> None:
        """Note one fault at a key. Raises Enough when there are too many."""
        self._note(line_of(self.lines, path), dotted(path), found, allowed)

    def _note(self, line: int, key: str, found: str, allowed: str) -> None:
        self.problems.append(Problem(self.path, line, key, found, allowed))
        if len(self.problems) >= PROBLEM_LIMIT:
            self.problems.append(Problem(self.path, 0, "", f"{PROBLEM_LIMIT} faults", "mend these; there may be more"))
            raise Enough

    def line(self, path: KeyPath) -> int:
        """Line of a key, or of the nearest table around it; 0 when unknown."""
        return line_of(self.lines, path)

    def actual(self, path: KeyPath, stem: str) -> str:
        """Key in the table at `path` that gives the quantity `stem`, with its unit suffix."""
        table = self.at(path)
        keys = list(table) if isinstance(table, dict) else []
        plain = [key for key in keys if key.startswith(stem + "_") and not key.startswith(stem + "_spread")]
        return stem if stem in keys or not plain else min(plain, key=len)

    def read(self, data: bytes | None = None) -> None:
        """Load the file, or `data` in its place; on any fault a problem is noted and `readable` stays False."""
        try:
            data = bytes_of(self.path, self.root) if data is None else data
        except Refused as refused:
            self._note(0, "", refused.found, refused.allowed)
            return
        self.sha256, self.size = hashlib.sha256(data).hexdigest(), len(data)
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = data[: error.start].count(b"\n") + 1
            self._note(line, "", f"byte 0x{data[error.start]:02x}", "the file must be saved as UTF-8 text")
            return
        try:
            self.lines = key_lines(text.replace("\r\n", "\n"))
            self.raw = tomllib.loads(text)
        except Excessive as error:
            self._note(error.line, "", error.found, error.allowed)
            return
        except RecursionError:
            self._note(0, "", "", "lists or tables are nested far too deeply")
            return
        except ValueError as error:
            place = re.search(r"\s*\(at line (\d+), column \d+\)", str(error))
            line = int(place.group(1)) if place else text.count("\n") + 1 if "end of document" in str(error) else 0
            reason = str(error) if place is None else str(error).replace(place.group(0), "")
            self._note(line, "", "", f"this is not valid TOML: {reason}")
            return
        self.readable = True

    def known_tops(self, names: tuple[str, ...]) -> None:
        """Refuse keys and tables at the top of the file that are not among `names`."""
        for key in self.raw:
            if key not in names:
                self.report((key,), "an unknown key", near(key, names))

    def at(self, path: KeyPath) -> Any:
        """Raw value at a path, or None."""
        value: Any = self.raw
        for item in path:
            if isinstance(value, dict) and item in value:
                value = value[item]
            elif isinstance(value, list) and isinstance(item, int) and item < len(value):
                value = value[item]
            else:
                return None
        return value

    def table(self, model: type[Model], path: KeyPath, required: str = "") -> Model | None:
        """Validated table, or None when it is absent or at fault; `required` says what to write when absent."""
        value = self.at(path)
        if value is None:
            if required:
                self.report(path, "", f"this table is needed: {required}")
            return None
        return self.check(model, value, path)

    def check(self, model: type[Model], value: Any, path: KeyPath) -> Model | None:
        """Validate `value`, which stands at `path`."""
        try:
            return model.model_validate(value)
        except ValidationError as error:
            for fault in error.errors(include_url=False):
                self._report_fault(model, path, fault)
            return None

    def entries(self, path: KeyPath) -> list[tuple[KeyPath, Any]]:
        """Entries of an array of tables, or nothing; something else in its place is a fault."""
        value = self.at(path)
        if value is None:
            return []
        if not isinstance(value, list):
            self.report(path, show(value), f"write every entry under its own [[{dotted(path)}]]")
            return []
        return [((*path, index), item) for index, item in enumerate(value)]

    def members(self, path: KeyPath) -> list[tuple[str, KeyPath, Any]]:
        """Members of a table of tables as (name, path, value), or nothing."""
        value = self.at(path)
        if value is None:
            return []
        if not isinstance(value, dict):
            self.report(path, show(value), f"this must be a table: [{dotted(path)}]")
            return []
        return [(name, (*path, name), item) for name, item in value.items()]

    def _report_fault(self, model: type[Table], path: KeyPath, fault: Any) -> None:
        inner: KeyPath = tuple(fault["loc"])
        owner = _owner(model, inner[:-1])
        kind, context = fault["type"], fault.get("ctx", {})
        found, allowed = show(fault.get("input")), fault["msg"]
        if kind == "extra_forbidden" and owner is not None:
            found, allowed = "an unknown key", near(str(inner[-1]), owner.known_keys())
        elif kind == "missing" and owner is not None:
            found, allowed = "", owner.how_to_give(str(inner[-1]))
            inner = (*inner[:-1], owner.key_example(str(inner[-1])))
        elif kind in ("model_type", "model_attributes_type", "dict_type"):
            allowed = f"this must be a table: [{dotted(path + inner)}]"
        elif kind == "explorer":
            found, allowed = context["found"], context["allowed"]
            if context["key"]:
                inner = (*inner[:-1], context["key"])
        self.report(path + inner, found, allowed)


def _owner(model: type[BaseModel], path: KeyPath) -> type[Table] | None:
    """Class of the table at `path` below `model`."""
    owner: Any = model
    for item in path:
        if not (isinstance(owner, type) and issubclass(owner, Table)):
            return None
        owner = owner.nested().get(str(item))
    return owner if isinstance(owner, type) and issubclass(owner, Table) else None
