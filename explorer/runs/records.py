"""The records of a run's folder: what `run.json`, `inputs.json` and `moves.json` may hold, and their one reader.

Nothing in them is believed before all of it fits: names stay inside the folder, hashes are hashes, counts are whole
numbers. Each file begins with our mark, the format; what does not carry it was left by somebody else.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from explorer.domain.errors import ArtefactError
from explorer.runs import disk

MANIFEST = "run.json"
WORK = ".work"
DONE = ".done"
"""What `.work` is called while it is taken away."""
RESULT = "result"
MOVES = "moves.json"
KEY_FILE = "inputs.json"
ANSWERS = "answers"
ASIDE = "set_aside"
FORMAT: Literal["setup-space run 1"] = "setup-space run 1"

MOST = 20_000_000
"""Largest record that is read. [bytes]"""

PART = r"[A-Za-z0-9_][A-Za-z0-9_.\-]*"
"""A name of a result file is one or more of these with slashes between; none is hidden, none leads upwards."""

_NAME = re.compile(f"{PART}(/{PART})*")
_BEGINS = re.compile(rb'\s*\{\s*"format"\s*:\s*"' + FORMAT.encode() + b'"')


def is_name(name: str) -> bool:
    """Whether a result file may be called so.

    >>> is_name("tables/front.csv"), is_name("../x"), is_name("/x"), is_name(".work/x"), is_name("run.json")
    (True, False, False, False, False)
    """
    return _NAME.fullmatch(name) is not None and name != MANIFEST


def _name(name: str) -> str:
    if not is_name(name):
        raise ValueError("this is no name of a result file")
    return name


Name = Annotated[str, AfterValidator(_name)]
Count = Annotated[int, Field(ge=0, le=10**18)]
Seconds = Annotated[float, Field(ge=0.0, le=1e10)]


class Entry(BaseModel):
    """A file as it was written. [SHA-256 in hexadecimal, bytes]"""

    model_config = ConfigDict(strict=True)
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    bytes: Annotated[int, Field(ge=0)]

    def stands(self, path: Path) -> bool:
        """Whether an ordinary file of this content stands at a path."""
        if not disk.regular(path) or path.lstat().st_size != self.bytes:
            return False
        return disk.sha256_of_file(path)[0] == self.sha256


class _Record(BaseModel):
    model_config = ConfigDict(strict=True, extra="allow", allow_inf_nan=False)
    format: Literal["setup-space run 1"]


class Manifest(_Record):
    """`run.json`: the files of a finished run, and what it was about."""

    files: dict[Name, Entry]
    study: str = ""
    car: str = ""
    surface: str = ""
    method: str = ""
    axle: str = "beam"
    seed: int = 0
    inputs: dict[str, str] = {}
    versions: dict[str, str] = {}
    counts: dict[str, Count] = {}
    timings_s: dict[str, Seconds] = {}


class Inputs(_Record):
    """`inputs.json`: what the answers of an unfinished run depend on; files beside it that earlier runs wrote."""

    inputs: dict[str, str]
    owned: list[Name] = []


class Moves(_Record):
    """`moves.json`: the files of a whole result on their way into place, and those of an earlier one that go."""

    files: dict[Name, Entry]
    drop: list[Name] = []


def _content(path: Path) -> Any:
    try:
        return json.loads(disk.bytes_of(path, MOST))
    except (ValueError, RecursionError) as fault:
        raise ArtefactError(f"cannot read {path}: {fault}") from fault


def _words(fault: ValidationError) -> str:
    first = fault.errors(include_url=False, include_context=False, include_input=False)[0]
    where = ".".join(str(part) for part in first["loc"] if part != "[key]")
    return f"{where[:120]}: {first['msg']}"


def read_manifest(path: Path) -> Manifest:
    """A `run.json` read back. Raises ArtefactError when it is unreadable, not ours, or holds what no run writes."""
    way = "choose another folder; if a run of yours was here, delete its folder and make it again"
    try:
        content = _content(path)
    except ArtefactError as fault:
        raise ArtefactError(f"{fault}: {way}") from fault
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise ArtefactError(f"{path} was not written by this program; choose another folder")
    try:
        return Manifest.model_validate(content)
    except ValidationError as fault:
        raise ArtefactError(f"{path} was changed since its run: {_words(fault)}; {way}") from fault


def read_inputs(path: Path) -> Inputs:
    """An `inputs.json` read back. Raises ArtefactError when it is missing, torn or changed."""
    try:
        return Inputs.model_validate(_content(path))
    except ValidationError as fault:
        raise ArtefactError(f"cannot read {path}: {_words(fault)}") from fault


def read_moves(path: Path) -> Moves:
    """A `moves.json` read back. Raises ArtefactError when it is missing, torn or changed."""
    try:
        return Moves.model_validate(_content(path))
    except ValidationError as fault:
        raise ArtefactError(f"cannot read {path}: {_words(fault)}") from fault


def marked(path: Path) -> bool:
    """Whether an ordinary file begins with our mark, whole or torn."""
    if not disk.regular(path):
        return False
    with disk.reading(path) as stream:
        return _BEGINS.match(stream.read(200)) is not None


def write_record(path: Path, facts: dict[str, Any]) -> None:
    """Write a record, the mark first. Raises ArtefactError for facts that are no JSON, or when the disk refuses."""
    try:
        text = json.dumps({"format": FORMAT, **facts}, indent=2, allow_nan=False, ensure_ascii=False) + "\n"
        data = text.encode("utf-8")
    except (TypeError, ValueError) as fault:
        raise ArtefactError(f"the run's facts cannot be written as JSON: {fault}") from fault
    disk.write_atomic(path, data)
