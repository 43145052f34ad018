"""Every byte of a result reaches the disk through here: written beside its place, flushed, renamed.

A file under its final name is therefore whole. Tests put their own faults in place of `put`, `sync` and `rename`.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from explorer.errors import ArtefactError

SCRAP = ".writing-"
"""How the name of a file begins that is not whole yet."""


def put(stream: IO[bytes], data: bytes) -> int:
    """Hand bytes to the system."""
    return stream.write(data)


def sync(handle: int) -> None:
    """Wait until a file or folder is on the disk."""
    os.fsync(handle)


def rename(old: Path, new: Path) -> None:
    """Put a whole file under its final name, in place of what stood there."""
    os.replace(old, new)


def sync_folder(folder: Path) -> None:
    """Wait until the names in a folder are on the disk (a no-op where folders cannot be flushed).

    Raises ArtefactError when the disk refuses.
    """
    if os.name != "posix":
        return
    with refusals(folder):
        handle = os.open(folder, os.O_RDONLY)
        try:
            sync(handle)
        finally:
            os.close(handle)


class _Written:
    """A binary file for libraries that write by themselves; every block goes through `put`."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self.closed = False

    def write(self, data: bytes) -> int:
        """Hand on a block."""
        return put(self._stream, data)

    def tell(self) -> int:
        """How many bytes were written."""
        return self._stream.tell()

    def flush(self) -> None:
        """Hand everything to the system."""
        self._stream.flush()

    def writable(self) -> bool:
        """Always."""
        return True

    def readable(self) -> bool:
        """Never."""
        return False

    def seekable(self) -> bool:
        """Never: blocks come in order."""
        return False

    def close(self) -> None:
        """The file itself is closed by `writing`."""
        self.closed = True


@contextmanager
def writing(path: Path) -> Iterator[_Written]:
    """A new file that stands at `path` only once everything was written and flushed; on any fault nothing is left.

    Raises ArtefactError when the disk refuses.
    """
    with refusals(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, beside = tempfile.mkstemp(prefix=SCRAP, dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as stream:
                yield _Written(stream)
                stream.flush()
                sync(stream.fileno())
            os.chmod(beside, 0o644)
            rename(Path(beside), path)
        except BaseException:
            Path(beside).unlink(missing_ok=True)
            raise
        sync_folder(path.parent)


def write_atomic(path: Path, data: bytes) -> None:
    """Write beside, flush to the disk, rename into place. Raises ArtefactError when the disk refuses."""
    with writing(path) as stream:
        stream.write(data)


@contextmanager
def refusals(path: Path) -> Iterator[None]:
    """Turns what the disk refuses into an ArtefactError that names the path."""
    try:
        yield
    except OSError as fault:
        raise ArtefactError(f"cannot write {path}: {fault.strerror or fault}") from fault


def remove(paths: Iterable[Path]) -> None:
    """Take files and folders away; those that are not there are no fault. Raises ArtefactError when refused."""
    for path in paths:
        with refusals(path):
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink(missing_ok=True)


def free_bytes(folder: Path) -> int:
    """Room left on the disk that a folder lies on, or will lie on once it is made."""
    place = folder.absolute()
    while not place.exists():
        place = place.parent
    return shutil.disk_usage(place).free
