"""Every byte of a result reaches the disk through here: written beside its place, flushed, renamed.

A file under its final name is therefore whole. Tests put their own faults in place of `put`, `sync` and `rename`.
What is read back is an ordinary file of the folder asked for: no link is followed, no pipe or device is opened.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from explorer.domain.errors import ArtefactError

SCRAP = ".writing-"
"""How the name of a file begins that is not whole yet."""

BLOCK = 1 << 22
"""Read at once when a file is hashed. [bytes]"""


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
        beside = path.parent / f"{SCRAP}{secrets.token_hex(8)}"
        try:
            with beside.open("xb") as stream:  # who may read it is for the user's umask to say
                yield _Written(stream)
                stream.flush()
                sync(stream.fileno())
            rename(beside, path)
        except BaseException:
            beside.unlink(missing_ok=True)
            raise
        sync_folder(path.parent)


def write_atomic(path: Path, data: bytes) -> None:
    """Write beside, flush to the disk, rename into place. Raises ArtefactError when the disk refuses."""
    with writing(path) as stream:
        stream.write(data)


@contextmanager
def refusals(path: Path, to: str = "write") -> Iterator[None]:
    """Turns what the disk refuses into an ArtefactError that names the path."""
    try:
        yield
    except OSError as fault:
        raise ArtefactError(f"cannot {to} {path}: {fault.strerror or fault}") from fault


def regular(path: Path) -> bool:
    """Whether an ordinary file stands there itself: no link, folder, pipe or device."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except (OSError, ValueError):
        return False


def folder(path: Path) -> bool:
    """Whether a folder stands there itself, no link to one."""
    return path.is_dir() and not path.is_symlink()


def place(root: Path, name: str) -> Path:
    """Where a file of a folder stands. Raises ArtefactError where the way there leaves the folder or ends at a file."""
    path = root
    for part in name.split("/")[:-1]:
        path = path / part
        if os.path.lexists(path) and not folder(path):
            raise ArtefactError(f"{path} is a link to elsewhere or no folder: move it away, or choose another folder")
    return root / name


@contextmanager
def reading(path: Path) -> Iterator[IO[bytes]]:
    """An ordinary file, open. Raises ArtefactError where it is none, or cannot be read."""
    # neither waits for the writer of a pipe nor follows a link put there since the look
    flags = os.O_RDONLY | sum(getattr(os, name, 0) for name in ("O_NONBLOCK", "O_NOFOLLOW", "O_BINARY"))
    try:
        if not stat.S_ISREG(path.lstat().st_mode):
            raise ArtefactError(f"cannot read {path}: it is no ordinary file")
        with os.fdopen(os.open(path, flags), "rb") as stream:
            if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
                raise ArtefactError(f"cannot read {path}: it is no ordinary file")
            yield stream
    except (OSError, ValueError) as fault:
        raise ArtefactError(f"cannot read {path}: {getattr(fault, 'strerror', None) or fault}") from fault


def bytes_of(path: Path, most: int | None = None) -> bytes:
    """What an ordinary file holds. Raises ArtefactError as `reading`, and where it holds more than `most` bytes."""
    with reading(path) as stream:
        data = stream.read() if most is None else stream.read(most + 1)
    if most is not None and len(data) > most:
        raise ArtefactError(f"cannot read {path}: it holds over {size_text(most)}")
    return data


def sha256_of_file(path: Path) -> tuple[str, int]:
    """(hexadecimal SHA-256, size in bytes) of an ordinary file of any size. Raises ArtefactError as `reading`."""
    digest, size = hashlib.sha256(), 0
    with reading(path) as stream:
        while block := stream.read(BLOCK):
            digest.update(block)
            size += len(block)
    return digest.hexdigest(), size


def size_text(size: float) -> str:
    """A number of bytes as a person says it.

    >>> size_text(1), size_text(999), size_text(41_500), size_text(2_000_000), size_text(31.25e9)
    ('1 byte', '999 bytes', '41.5 kB', '2.0 MB', '31.2 GB')
    """
    for unit, scale in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if size >= scale:
            return f"{size / scale:,.1f} {unit}"
    return f"{size:.0f} byte" + "s" * (size != 1)


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
