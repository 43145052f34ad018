"""The only writer: a run's tables, figures and report go into one folder, and `run.json` with every hash goes last.

Each file is written beside its place, flushed to the disk and renamed, so a reader never sees half a file. A folder
without `run.json` is an unfinished run. Numbers are written with nine significant digits and no negative zero, so that
the same seed gives the same bytes. Cells that a spreadsheet would run as a formula are disarmed.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import os
import platform
import re
import tempfile
import unicodedata
from collections.abc import Iterable, Mapping
from importlib import metadata
from numbers import Integral
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from explorer.errors import ArtefactError

MANIFEST = "run.json"
UNFINISHED = ".unfinished.json"
FORMAT = "setup-space run 1"
DIGITS = 9
"""Significant digits of a number in a CSV."""

LIBRARIES = (
    "numpy",
    "scipy",
    "numba",
    "pandas",
    "pyarrow",
    "SALib",
    "optuna",
    "moocore",
    "seaborn",
    "matplotlib",
    "plotly",
)

_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.\-]*")
_FORMULA = ("=", "+", "-", "@")
_BREAKS = ("\t", "\r", "\n")
_NEXT_CELL = re.compile("([;\t\n]\\s*)(?=[=@\uff1d\uff20]|[-+\uff0b\uff0d](?![\\d.\\s]))")


def versions() -> dict[str, str]:
    """Versions of Python and of the libraries a result depends on; "absent" where one is not installed."""
    found = {"python": platform.python_version()}
    for library in LIBRARIES:
        try:
            found[library] = metadata.version(library)
        except metadata.PackageNotFoundError:
            found[library] = "absent"
    return found


def sha256_of(data: bytes) -> str:
    """Hexadecimal SHA-256 of some bytes.

    >>> sha256_of(b"")[:8]
    'e3b0c442'
    """
    return hashlib.sha256(data).hexdigest()


def number_text(value: float) -> str:
    """A number as every CSV writes it. Raises ArtefactError when it is not finite.

    >>> number_text(0.1 + 0.2), number_text(-0.0), number_text(12.0)
    ('0.3', '0', '12')
    """
    if not math.isfinite(value):
        raise ArtefactError(f"a table holds {value}; only finite numbers are written")
    text = f"{value:.{DIGITS}g}"
    return "0" if text == "-0" else text


def cell_text(text: str) -> str:
    """A string as every CSV writes it: one that a spreadsheet would run gets a leading apostrophe, numbers do not.

    Wide letters and leading spaces count, for some programs read through them; so does what follows a semicolon, which
    parts cells where the comma is the decimal mark.

    >>> cell_text("=1+1"), cell_text("-1.5"), cell_text("-none"), cell_text("1.2 mm"), cell_text("soft;=1+1")
    ("'=1+1", '-1.5', "'-none", '1.2 mm', "soft;'=1+1")
    """
    text = _NEXT_CELL.sub(r"\1'", text)
    if not unicodedata.normalize("NFKC", text[:20]).lstrip().startswith(_FORMULA) and not text.startswith(_BREAKS):
        return text
    try:
        harmless = math.isfinite(float(text)) and not text[0].isspace()
    except ValueError:
        harmless = False
    return text if harmless else "'" + text


def csv_bytes(frame: pd.DataFrame) -> bytes:
    """A table as CSV: no index, one line per row, missing cells (None, NA) empty. UTF-8 bytes.

    Raises ArtefactError for a number that is not finite.
    """
    columns = {}
    for place in range(len(frame.columns)):
        column = frame.iloc[:, place]
        if isinstance(column.dtype, pd.StringDtype):
            column = column.astype(object).where(column.notna(), None)
        columns[place] = pd.Series([_cell(value) for value in column], dtype=object)
    text = pd.DataFrame(columns, columns=range(len(frame.columns)))
    text.columns = pd.Index([cell_text(str(name)) for name in frame.columns])
    stream = io.StringIO()
    text.to_csv(stream, index=False, lineterminator="\n")
    return stream.getvalue().encode("utf-8")


def _cell(value: Any) -> str:
    if value is None or value is pd.NA:
        return ""
    if isinstance(value, str):
        return cell_text(value)
    if isinstance(value, bool) or type(value).__name__ == "bool":
        return "yes" if value else "no"
    if isinstance(value, Integral):
        return str(int(value))
    return number_text(float(value))


def _all_finite(frame: pd.DataFrame) -> None:
    for name in frame.columns:
        column = frame[name]
        if pd.api.types.is_float_dtype(column.dtype) and not np.isfinite(column.to_numpy(dtype=float)).all():
            raise ArtefactError(f"column {name} holds a number that is not finite")


def write_atomic(path: Path, data: bytes) -> None:
    """Write beside, flush to the disk, rename into place. Raises ArtefactError when the disk refuses."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, beside = tempfile.mkstemp(prefix=".writing-", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            os.chmod(beside, 0o644)
            os.replace(beside, path)
        except BaseException:
            Path(beside).unlink(missing_ok=True)
            raise
        _sync_folder(path.parent)
    except OSError as fault:
        raise ArtefactError(f"cannot write {path}: {fault.strerror or fault}") from fault


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


class RunFolder:
    """One run's folder. It takes an empty folder or one that an earlier run left, never someone else's files."""

    def __init__(self, root: Path):
        """Claim `root`; an earlier run's `run.json` is taken away first, so the folder counts as unfinished.

        Raises ArtefactError when the folder holds files and no run of this program left them.
        """
        self.root = Path(root)
        self._written: dict[str, tuple[str, int]] = {}
        if self.root.exists() and not self.root.is_dir():
            raise ArtefactError(f"{self.root} is a file; results need a folder")
        owned = _owned(self.root)
        if owned is None and self.root.is_dir() and any(not p.name.startswith(".") for p in self.root.iterdir()):
            raise ArtefactError(f"{self.root} holds files that no run left there; choose another folder or empty it")
        self._owned = set(owned or ())
        self._note()
        (self.root / MANIFEST).unlink(missing_ok=True)

    def csv(self, stem: str, frame: pd.DataFrame) -> Path:
        """Write `tables/<stem>.csv`."""
        return self._write(f"tables/{stem}.csv", csv_bytes(frame))

    def parquet(self, stem: str, frames: Iterable[pd.DataFrame]) -> Path:
        """Write `tables/<stem>.parquet` from frames of the same columns, one row group each, never all in memory;
        categories are kept as dictionaries.

        Raises ArtefactError for a number that is not finite or for no frame at all.
        """
        with tempfile.TemporaryDirectory(dir=self.root, prefix=".writing-") as folder:
            beside = Path(folder) / "rows.parquet"
            writer: pq.ParquetWriter | None = None
            try:
                for frame in frames:
                    _all_finite(frame)
                    rows = pa.Table.from_pandas(frame, preserve_index=False)
                    if writer is None:
                        writer = pq.ParquetWriter(beside, rows.schema, compression="zstd")
                    writer.write_table(rows)
            finally:
                if writer is not None:
                    writer.close()
            if writer is None:
                raise ArtefactError(f"{stem}: there are no rows to write")
            return self._move(f"tables/{stem}.parquet", beside)

    def png(self, stem: str, data: bytes) -> Path:
        """Write `figures/<stem>.png`. Raises ArtefactError when the bytes are no PNG."""
        if not data.startswith(b"\x89PNG\r\n\x1a\n"):
            raise ArtefactError(f"figure {stem} is not a PNG")
        return self._write(f"figures/{stem}.png", data)

    def svg(self, stem: str, data: bytes) -> Path:
        """Write `figures/<stem>.svg`. Raises ArtefactError when the bytes are no SVG."""
        if b"<svg" not in data[:2000]:
            raise ArtefactError(f"figure {stem} is not an SVG")
        return self._write(f"figures/{stem}.svg", data)

    def pdf(self, stem: str, data: bytes) -> Path:
        """Write `<stem>.pdf` at the top of the folder. Raises ArtefactError when the bytes are no PDF."""
        if not data.startswith(b"%PDF-"):
            raise ArtefactError(f"{stem} is not a PDF")
        return self._write(f"{stem}.pdf", data)

    def text(self, name: str, text: str) -> Path:
        """Write a text file at the top of the folder, UTF-8."""
        return self._write(name, text.encode("utf-8"))

    def finish(self, facts: Mapping[str, Any]) -> Path:
        """Drop what an earlier run left and this one did not write, then write `run.json`, last.

        `facts` (inputs, seed, counts, timings) must be plain JSON values. Raises ArtefactError otherwise.
        """
        for name in sorted(self._owned - set(self._written)):
            (self.root / name).unlink(missing_ok=True)
        manifest = {
            "format": FORMAT,
            **facts,
            "versions": versions(),
            "files": {
                name: {"sha256": digest, "bytes": size} for name, (digest, size) in sorted(self._written.items())
            },
        }
        try:
            text = json.dumps(manifest, indent=2, allow_nan=False, ensure_ascii=False) + "\n"
        except (TypeError, ValueError) as fault:
            raise ArtefactError(f"the run's facts cannot be written as JSON: {fault}") from fault
        write_atomic(self.root / MANIFEST, text.encode("utf-8"))
        (self.root / UNFINISHED).unlink(missing_ok=True)
        return self.root / MANIFEST

    def _move(self, name: str, beside: Path) -> Path:
        """Rename a finished file of this run into place."""
        path = self._claim(name)
        digest, size = hashlib.sha256(), 0
        with beside.open("rb") as stream:
            while block := stream.read(1 << 22):
                digest.update(block)
                size += len(block)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            os.replace(beside, path)
        except OSError as fault:
            raise ArtefactError(f"cannot write {path}: {fault.strerror or fault}") from fault
        self._written[name] = (digest.hexdigest(), size)
        return path

    def _write(self, name: str, data: bytes) -> Path:
        path = self._claim(name)
        write_atomic(path, data)
        self._written[name] = (sha256_of(data), len(data))
        return path

    def _claim(self, name: str) -> Path:
        if not all(_NAME.fullmatch(part) for part in name.split("/")) or name == MANIFEST:
            raise ArtefactError(f"{name!r} is no name for a result file")
        if name in self._written:
            raise ArtefactError(f"{name} would be written twice in one run")
        path = self.root / name
        if path.exists() and name not in self._owned:
            raise ArtefactError(f"{path} was not written by a run; move it away first")
        self._owned.add(name)
        self._note()
        return path

    def _note(self) -> None:
        note = {"format": FORMAT, "files": dict.fromkeys(sorted(self._owned))}
        write_atomic(self.root / UNFINISHED, json.dumps(note).encode("utf-8"))


def _owned(root: Path) -> set[str] | None:
    """Files that an earlier run, finished or not, left here; None when there was no run."""
    found: set[str] | None = None
    for record in (MANIFEST, UNFINISHED):
        path = root / record
        if not path.is_file():
            continue
        names = read_manifest(path).get("files", {})
        found = (found or set()) | {str(name) for name in names if _inside(str(name))}
    return found


def _inside(name: str) -> bool:
    parts = PurePosixPath(name).parts
    return bool(parts) and all(_NAME.fullmatch(part) for part in parts)


def read_manifest(path: Path) -> dict[str, Any]:
    """A `run.json` read back. Raises ArtefactError when it is unreadable or not one of ours."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as fault:
        raise ArtefactError(f"cannot read {path}: {fault}") from fault
    if not isinstance(content, dict) or content.get("format") != FORMAT or not isinstance(content.get("files"), dict):
        raise ArtefactError(f"{path} was not written by this program; choose another folder")
    return content


def changed_files(root: Path) -> tuple[str, ...]:
    """Files of a finished run that are missing or no longer hold what `run.json` says."""
    changed = []
    for name, entry in read_manifest(Path(root) / MANIFEST)["files"].items():
        path = Path(root) / name
        if not path.is_file() or sha256_of(path.read_bytes()) != entry["sha256"]:
            changed.append(str(name))
    return tuple(changed)
