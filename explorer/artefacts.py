"""The only writer: a run's tables, figures and report are gathered beside their places and moved there together.

While a run is under way everything it makes lies in `.work` inside its folder, and what an earlier run left stays as it
is. At the end one file, `.work/moves.json`, says what goes where: from then on the move is finished by whoever opens
the folder next. `run.json` with every hash goes last, so a folder without it is an unfinished run.
"""

from __future__ import annotations

import hashlib
import json
import platform
import re
from collections.abc import Callable, Iterable, Mapping
from importlib import metadata
from pathlib import Path, PurePosixPath
from types import TracebackType
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from explorer import disk
from explorer.csv_text import all_finite, csv_bytes
from explorer.errors import ArtefactError
from explorer.kept import KEY_FILE, Kept, differing, kept_answers
from explorer.lock import FolderLock
from explorer.space import Space

MANIFEST = "run.json"
WORK = ".work"
RESULT = "result"
MOVES = "moves.json"
DONE = ".done"
"""What `.work` is called while it is taken away."""
FORMAT = "setup-space run 1"

MODEL_VERSION = "2"
"""Raised whenever a car's figures change by the model: 2 knows wheels on two arms each, 1 beams only. A run that does
not say is of 1."""

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


def versions() -> dict[str, str]:
    """Versions of the model, of Python and of the libraries a result hangs on; "absent" where one is not installed."""
    found = {"model": MODEL_VERSION, "python": platform.python_version()}
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


def sha256_of_file(path: Path) -> tuple[str, int]:
    """(hexadecimal SHA-256, size in bytes) of a file of any size. Raises ArtefactError when it cannot be read."""
    digest, size = hashlib.sha256(), 0
    try:
        with path.open("rb") as stream:
            while block := stream.read(1 << 22):
                digest.update(block)
                size += len(block)
    except OSError as fault:
        raise ArtefactError(f"cannot read {path}: {fault.strerror or fault}") from fault
    return digest.hexdigest(), size


class RunFolder:
    """One run's folder, claimed and locked from the making of the object to `finish` or the end of its `with`.

    It takes an empty folder; a finished run's with `overwrite`; an unfinished run's with `resume`, which goes on, or
    `overwrite`, which starts again; never someone else's files. `key` names the inputs (`Kept`); `tell` is given
    remarks for the user. `finished` is True when a run that was only to be moved into place has been by `resume`.
    """

    def __init__(
        self,
        root: Path,
        *,
        overwrite: bool = False,
        resume: bool = False,
        key: Mapping[str, str] | None = None,
        tell: Callable[[str], None] = lambda text: None,
    ) -> None:
        """Raises ArtefactError when the folder is another run's, somebody else's or cannot be written."""
        self.root = Path(root)
        self._key, self._tell = dict(key or {}), tell
        self._written: dict[str, tuple[str, int]] = {}
        self.finished = False
        if self.root.exists() and not self.root.is_dir():
            raise ArtefactError(f"{self.root} is a file; results need a folder")
        self._refuse_strangers()
        with disk.refusals(self.root):
            self.root.mkdir(parents=True, exist_ok=True)
        self._lock = FolderLock(self.root, tell)
        try:
            self._claim_folder(overwrite, resume)
        except BaseException:
            self._lock.release()
            raise

    def __enter__(self) -> RunFolder:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None) -> None:
        """A run that failed before it had worked anything out leaves no trace."""
        if fault is not None and not (self.work / MOVES).is_file() and not kept_answers(self.work):
            _clear(self.root)
        self._lock.release()
        if fault is not None and not any(self.root.iterdir()):
            self.root.rmdir()

    @property
    def work(self) -> Path:
        """Where everything lies until the run is finished."""
        return self.root / WORK

    def _refuse_strangers(self) -> None:
        if not self.root.is_dir() or self.work.is_dir():
            return
        if (self.root / MANIFEST).is_file():
            read_manifest(self.root / MANIFEST)
        elif any(not path.name.startswith(".") for path in self.root.iterdir()):
            raise ArtefactError(f"{self.root} holds files that no run left there; choose another folder or empty it")

    def _claim_folder(self, overwrite: bool, resume: bool) -> None:
        if (self.work / MOVES).is_file() and (overwrite or resume):
            if not overwrite:
                self._same_inputs()
            _move_in(self.root)
            self.finished = not overwrite
        if self.finished:
            self._lock.release()
            return
        there = (self.root / MANIFEST).is_file()
        if self.work.is_dir() and not (overwrite or resume):
            raise ArtefactError(
                f"{self.root} holds a run that was not finished: --resume goes on with it, --overwrite starts again"
            )
        if there and not overwrite and not (resume and self.work.is_dir()):
            nothing = "there is nothing to resume; " if resume else ""
            raise ArtefactError(
                f"{self.root} holds a finished run: {nothing}--overwrite makes it again, --out names another folder"
            )
        self._owned = _named(self.root / MANIFEST) if there else set()
        key_file = self.work / KEY_FILE
        if resume and key_file.is_file():
            self._same_inputs()
            disk.remove([self.work / RESULT])
            return
        _clear(self.root)
        disk.write_atomic(key_file, json.dumps({"format": FORMAT, "inputs": self._key}, indent=2).encode())

    def _same_inputs(self) -> None:
        try:
            held = json.loads((self.work / KEY_FILE).read_bytes())["inputs"]
        except (OSError, ValueError, KeyError, TypeError):
            raise ArtefactError(
                f"{self.work / KEY_FILE} cannot be read, so nobody can tell what the unfinished run in {self.root} was "
                "about: --overwrite starts again"
            ) from None
        changed = differing(held, self._key)
        if changed:
            raise ArtefactError(
                f"{self.root} holds an unfinished run of other inputs: {'; '.join(changed)}. --overwrite starts again, "
                "--out names another folder"
            )

    def kept(self, space: Space) -> Kept:
        """What an unfinished run of the same inputs has worked out."""
        return Kept(self.work, self._key, space, self._tell)

    def csv(self, stem: str, frame: pd.DataFrame) -> Path:
        """Write `tables/<stem>.csv`."""
        return self._write(f"tables/{stem}.csv", csv_bytes(frame))

    def parquet(self, stem: str, frames: Iterable[pd.DataFrame]) -> Path:
        """Write `tables/<stem>.parquet` from frames of the same columns, one row group each, never all in memory;
        categories are kept as dictionaries.

        Raises ArtefactError for a number that is not finite or for no frame at all.
        """
        name = f"tables/{stem}.parquet"
        path = self._claim(name)
        with disk.writing(path) as stream:
            writer: pq.ParquetWriter | None = None
            try:
                for frame in frames:
                    all_finite(frame)
                    rows = pa.Table.from_pandas(frame, preserve_index=False)
                    if writer is None:
                        writer = pq.ParquetWriter(pa.PythonFile(stream, "w"), rows.schema, compression="zstd")
                    writer.write_table(rows)
                if writer is None:
                    raise ArtefactError(f"{stem}: there are no rows to write")
            finally:
                if writer is not None:
                    writer.close()
        self._written[name] = sha256_of_file(path)
        return path

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
        """Move everything into place, drop what an earlier run left and this one did not write, `run.json` last; let
        the folder go.

        `facts` (inputs, seed, counts, timings) must be plain JSON values. Raises ArtefactError otherwise.
        """
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
        disk.write_atomic(self.work / RESULT / MANIFEST, text.encode("utf-8"))
        moves = {
            "format": FORMAT,
            "files": dict.fromkeys(sorted(self._written)),
            "drop": sorted(self._owned - set(self._written)),
        }
        disk.write_atomic(self.work / MOVES, json.dumps(moves, indent=2).encode())
        _move_in(self.root)
        self._lock.release()
        return self.root / MANIFEST

    def _write(self, name: str, data: bytes) -> Path:
        path = self._claim(name)
        disk.write_atomic(path, data)
        self._written[name] = (sha256_of(data), len(data))
        return path

    def _claim(self, name: str) -> Path:
        if not all(_NAME.fullmatch(part) for part in name.split("/")) or name == MANIFEST:
            raise ArtefactError(f"{name!r} is no name for a result file")
        if name in self._written:
            raise ArtefactError(f"{name} would be written twice in one run")
        final = self.root / name
        if final.exists() and name not in self._owned:
            raise ArtefactError(f"{final} was not written by a run; move it away first")
        return self.work / RESULT / name


def _move_in(root: Path) -> None:
    """Put a whole result into its place as `moves.json` says; may be repeated after any interruption."""
    work = root / WORK
    moves = read_manifest(work / MOVES)
    staged, final = work / RESULT / MANIFEST, root / MANIFEST
    if staged.is_file():
        disk.remove([final])
        disk.sync_folder(root)
        for name in filter(_inside, moves["files"]):
            beside, place = work / RESULT / name, root / name
            if not beside.is_file():
                continue
            with disk.refusals(place):
                place.parent.mkdir(parents=True, exist_ok=True)
                disk.rename(beside, place)
                disk.sync_folder(place.parent)
        disk.remove(root / name for name in filter(_inside, moves.get("drop", ())))
        with disk.refusals(final):
            disk.rename(staged, final)
            disk.sync_folder(root)
    _clear(root)


def _clear(root: Path) -> None:
    """Take the work folder away; its name goes first, so that half of it is never taken for a run's."""
    disk.remove([root / DONE])
    if (root / WORK).exists():
        with disk.refusals(root / WORK):
            disk.rename(root / WORK, root / DONE)
        disk.remove([root / DONE])


def _named(path: Path) -> set[str]:
    """Files that a `run.json` names inside its folder."""
    return {str(name) for name in read_manifest(path)["files"] if _inside(str(name))}


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
        if not path.is_file() or sha256_of_file(path)[0] != entry["sha256"]:
            changed.append(str(name))
    return tuple(changed)


def scraps(root: Path) -> tuple[str, ...]:
    """Half-written files that a killed process left, anywhere in a folder."""
    return tuple(sorted(path.relative_to(root).as_posix() for path in root.rglob(disk.SCRAP + "*")))
