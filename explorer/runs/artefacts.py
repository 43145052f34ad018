"""The only writer: a run's tables, figures and report are gathered beside their places and moved there together.

While a run is under way everything it makes lies in `.work` inside its folder, and what an earlier run left stays as it
is. At the end one file, `.work/moves.json`, says what goes where: from then on the move is finished by whoever opens
the folder next. `run.json` with every hash goes last, so a folder without it is an unfinished run.
"""

from __future__ import annotations

import hashlib
import os
import platform
from collections.abc import Callable, Iterable, Mapping
from importlib import metadata
from pathlib import Path
from types import TracebackType
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from explorer.domain.errors import ArtefactError
from explorer.domain.space import Space
from explorer.runs import disk
from explorer.runs.csv_text import all_finite, csv_bytes
from explorer.runs.kept import Kept, differing, kept_answers
from explorer.runs.lock import FolderLock, strange_words
from explorer.runs.marks import strangers
from explorer.runs.moving import NotWhole, clear, move_in
from explorer.runs.records import (
    ANSWERS,
    KEY_FILE,
    MANIFEST,
    MOVES,
    RESULT,
    WORK,
    is_name,
    read_inputs,
    read_manifest,
    read_moves,
    write_record,
)

MODEL_VERSION = "3"
"""Raised whenever a car's figures change by the model: 3 judges balance at the lateral acceleration asked for and
response near straight ahead, 2 knows wheels on two arms each, 1 beams only. A run that does not say is of 1."""

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
)


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
        self._written: dict[str, dict[str, Any]] = {}
        self._owned: set[str] = set()
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
        failed = fault is not None and self._lock.held
        if failed and not disk.regular(self.work / MOVES) and not kept_answers(self.work):
            clear(self.root)
        self._lock.release()
        if failed and not any(self.root.iterdir()):
            self.root.rmdir()

    @property
    def work(self) -> Path:
        """Where everything lies until the run is finished."""
        return self.root / WORK

    def _refuse_strangers(self) -> None:
        if not self.root.is_dir():
            return
        with disk.refusals(self.root):
            for path in strangers(self.root):
                raise ArtefactError(strange_words(path))
            if os.path.lexists(self.root / MANIFEST):
                read_manifest(self.root / MANIFEST)
            elif not self.work.is_dir() and any(not path.name.startswith(".") for path in self.root.iterdir()):
                raise ArtefactError(
                    f"{self.root} holds files that no run left there; choose another folder or empty it"
                )

    def _claim_folder(self, overwrite: bool, resume: bool) -> None:
        there, begun = disk.regular(self.root / MANIFEST), disk.folder(self.work)
        if begun and not (overwrite or resume):
            raise ArtefactError(
                f"{self.root} holds a run that was not finished: --resume goes on with it, --overwrite starts again"
            )
        if there and not overwrite and not (resume and begun):
            nothing = "there is nothing to resume; " if resume else ""
            raise ArtefactError(
                f"{self.root} holds a finished run: {nothing}--overwrite makes it again, --out names another folder"
            )
        goes_on = resume and any((self.work / name).exists() for name in (KEY_FILE, MOVES, RESULT, ANSWERS))
        if goes_on:
            self._same_inputs()
        self._owned = self._named()
        if disk.regular(self.work / MOVES) and self._moved_in() and not overwrite:
            self.finished = True
            self._lock.release()
        elif goes_on:
            disk.remove([self.work / MOVES, self.work / RESULT])
            self._mark()
        else:
            clear(self.root)
            self._mark()

    def _moved_in(self) -> bool:
        """Whether a whole result that was on its way is in its place now; what it lacks is told."""
        try:
            move_in(self.root)
        except NotWhole as fault:
            self._tell(f"{fault.what}; it is worked out again")
            return False
        return True

    def _mark(self) -> None:
        write_record(self.work / KEY_FILE, {"inputs": self._key, "owned": sorted(self._owned)})

    def _named(self) -> set[str]:
        """Files of the folder that runs wrote there, by every record that can be read."""
        names: set[str] = set()
        for read, path in (
            (read_manifest, self.root / MANIFEST),
            (read_manifest, self.work / RESULT / MANIFEST),
            (read_moves, self.work / MOVES),
            (read_inputs, self.work / KEY_FILE),
        ):
            try:
                record = read(path)
            except ArtefactError:
                continue
            for part in ("files", "drop", "owned"):
                names |= set(getattr(record, part, ()))
        return names

    def _same_inputs(self) -> None:
        try:
            held = read_inputs(self.work / KEY_FILE).inputs
        except ArtefactError as fault:
            raise ArtefactError(
                f"{fault}; so nobody can tell what the unfinished run in {self.root} was about, and its "
                f"{len(kept_answers(self.work))} kept answers cannot be used: --overwrite starts again, --out names "
                "another folder"
            ) from fault
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
        digest, size = disk.sha256_of_file(path)
        self._written[name] = {"sha256": digest, "bytes": size}
        return path

    def png(self, stem: str, data: bytes) -> Path:
        """Write `figures/<stem>.png`. Raises ArtefactError when the bytes are no PNG."""
        if not data.startswith(b"\x89PNG\r\n\x1a\n"):
            raise ArtefactError(f"figure {stem} is not a PNG")
        return self._write(f"figures/{stem}.png", data)

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
        self._still_ours()
        files = dict(sorted(self._written.items()))
        write_record(self.work / RESULT / MANIFEST, {**facts, "versions": versions(), "files": files})
        drop = sorted(self._owned - set(files))
        write_record(self.work / MOVES, {"files": files, "drop": drop})
        move_in(self.root)
        self._lock.release()
        return self.root / MANIFEST

    def _still_ours(self) -> None:
        if not self._lock.held:
            raise ArtefactError(
                f"{self.root} was taken away or taken over while the run was under way; nothing more is written there: "
                "run again, or name another folder with --out"
            )

    def _write(self, name: str, data: bytes) -> Path:
        path = self._claim(name)
        disk.write_atomic(path, data)
        self._written[name] = {"sha256": sha256_of(data), "bytes": len(data)}
        return path

    def _claim(self, name: str) -> Path:
        if not is_name(name):
            raise ArtefactError(f"{name!r} is no name for a result file")
        if name in self._written:
            raise ArtefactError(f"{name} would be written twice in one run")
        self._still_ours()
        final = disk.place(self.root, name)
        if os.path.lexists(final) and not (name in self._owned and disk.regular(final)):
            raise ArtefactError(f"{final} was not written by a run; move it away first, then --resume goes on")
        return self.work / RESULT / name


def changed_files(root: Path) -> tuple[str, ...]:
    """Files of a finished run that are missing or no longer hold what `run.json` says.

    Raises ArtefactError where a link in the folder leads elsewhere, or a file cannot be read.
    """
    files = read_manifest(Path(root) / MANIFEST).files
    return tuple(name for name, entry in files.items() if not entry.stands(disk.place(Path(root), name)))


def scraps(root: Path) -> tuple[str, ...]:
    """Half-written files that a killed process left, anywhere in a folder."""
    return tuple(sorted(path.relative_to(root).as_posix() for path in root.rglob(disk.SCRAP + "*")))
