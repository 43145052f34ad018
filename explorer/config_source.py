"""One input file: read, decoded, parsed, and its tables validated piece by piece, every fault located.

Each table is validated on its own, so that a fault in one does not hide the faults in the others.
"""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from explorer.config_fields import Table, show
from explorer.config_lines import KeyPath, key_lines, line_of
from explorer.errors import Problem

SIZE_LIMIT = 1_000_000
"""Largest input file. [bytes]"""

Model = TypeVar("Model", bound=Table)


@dataclass(frozen=True)
class InputFile:
    """A file that was read: its path as the reader of a message knows it, and the SHA-256 of its bytes."""

    path: str
    sha256: str


def near(name: str, known: Iterable[str]) -> str:
    """What is allowed instead of a name nobody knows: the nearest one, or all of them."""
    names = list(known)
    match = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
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
            key = item if re.fullmatch(r"[A-Za-z0-9_-]+", item) else show(item)
            text += f".{key}" if text else key
    return text


@dataclass
class Source:
    """A parsed file and the problems found in it so far (shared by all files of one study)."""

    path: str
    problems: list[Problem]
    raw: dict[str, Any] = field(default_factory=dict)
    lines: dict[KeyPath, int] = field(default_factory=dict)
    sha256: str = ""
    readable: bool = False

    def report(self, path: KeyPath, found: str, allowed: str) -> None:
        """Note one fault at a key."""
        self.problems.append(Problem(self.path, line_of(self.lines, path), dotted(path), found, allowed))

    def line(self, path: KeyPath) -> int:
        """Line of a key, or of the nearest table around it; 0 when unknown."""
        return line_of(self.lines, path)

    def actual(self, path: KeyPath, stem: str) -> str:
        """Key in the table at `path` that gives the quantity `stem`, with its unit suffix."""
        table = self.at(path)
        keys = list(table) if isinstance(table, dict) else []
        plain = [key for key in keys if key.startswith(stem + "_") and not key.startswith(stem + "_spread")]
        return stem if stem in keys or not plain else min(plain, key=len)

    def read(self) -> None:
        """Load the file; on any fault a problem is noted and `readable` stays False."""
        data = self._bytes()
        if data is None:
            return
        self.sha256 = hashlib.sha256(data).hexdigest()
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = data[: error.start].count(b"\n") + 1
            found = f"byte 0x{data[error.start]:02x}"
            self.problems.append(Problem(self.path, line, "", found, "the file must be saved as UTF-8 text"))
            return
        try:
            self.raw = tomllib.loads(text)
        except RecursionError:
            self.problems.append(Problem(self.path, 0, "", "", "lists or tables are nested far too deeply"))
            return
        except ValueError as error:
            place = re.search(r"\s*\(at line (\d+), column \d+\)", str(error))
            line = int(place.group(1)) if place else text.count("\n") + 1 if "end of document" in str(error) else 0
            reason = str(error) if place is None else str(error).replace(place.group(0), "")
            hint = f"this is not valid TOML: {reason}"
            self.problems.append(Problem(self.path, line, "", "", hint))
            return
        self.lines = key_lines(text.replace("\r\n", "\n"))
        self.readable = True

    def _bytes(self) -> bytes | None:
        try:
            if not Path(self.path).is_file():
                kind = "a directory" if Path(self.path).is_dir() else "no such file"
                self.problems.append(Problem(self.path, 0, "", kind, "a TOML file is needed here"))
                return None
            with Path(self.path).open("rb") as stream:
                data = stream.read(SIZE_LIMIT + 1)
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            self.problems.append(Problem(self.path, 0, "", reason, "the file must be readable"))
            return None
        if len(data) > SIZE_LIMIT:
            self.problems.append(Problem(self.path, 0, "", f"over {SIZE_LIMIT:,} bytes", "a smaller file"))
            return None
        return data

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
