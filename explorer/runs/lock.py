"""One run per folder: a lock that names its holder, goes with its process, and is never broken in silence.

The system decides alone: a lock it grants is free, whatever host and process the file names, for those change and are
used again. So no lock of a killed run has to be deleted by hand. A disk shared by machines must pass locks on, as the
usual ones do. On Windows the file is locked with `msvcrt`, which was not tried.
"""

from __future__ import annotations

import errno
import json
import os
import secrets
import socket
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from explorer.domain.errors import ArtefactError, visible
from explorer.runs import disk

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

LOCK = ".lock"
FORMAT = "setup-space lock 1"
FAR = 1 << 30
"""Windows locks bytes, and nobody may read those: one far behind the text is locked."""


def _grab(stream: IO[bytes]) -> bool:
    """Whether the system gave us the lock on a file, to the end of this process or the closing of the file.

    Raises OSError where the disk knows no locks.
    """
    try:
        if fcntl is not None:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        else:
            import msvcrt

            stream.seek(FAR)
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
    except OSError as fault:
        if fault.errno in (errno.EACCES, errno.EAGAIN, errno.EDEADLK):
            return False
        raise
    return True


class FolderLock:
    """Held from the making of the object to `release`. The file names mark, process, host and start.

    A file whose holder is gone is taken over, and `tell` is given a sentence that says so. Raises ArtefactError when
    another run holds the folder, or the file there is not ours.
    """

    def __init__(self, folder: Path, tell: Callable[[str], None]) -> None:
        self.path = folder / LOCK
        self._stream: IO[bytes] | None = None
        try:
            while self._stream is None:
                self._take_away_left(tell)
                self._stream = self._born()
        except OSError as fault:
            raise ArtefactError(
                f"cannot write or lock {self.path}: {fault.strerror or fault}; name a folder on another disk with --out"
            ) from fault

    def _born(self) -> IO[bytes] | None:
        """A new lock; None where somebody was faster. Where the disk can name a file twice it is whole and held from
        the moment it has its name."""
        if os.name == "posix":
            beside = self.path.parent / f"{disk.SCRAP}{secrets.token_hex(8)}"
            stream = _written(beside)
            try:
                os.link(beside, self.path)
                return stream
            except FileExistsError:
                stream.close()
                return None
            except OSError:
                stream.close()
            finally:
                beside.unlink(missing_ok=True)
        try:
            return _written(self.path)
        except FileExistsError:
            return None

    def _take_away_left(self, tell: Callable[[str], None]) -> None:
        """Take away the lock of a run that is gone. Raises ArtefactError where its run is not, or it is no run's."""
        if not os.path.lexists(self.path):
            return
        if strange_lock(self.path):
            if not os.path.lexists(self.path):  # its holder has just let go
                return
            raise ArtefactError(strange_words(self.path))
        holder = read_lock(self.path)
        try:
            stream = self.path.open("r+b")
        except FileNotFoundError:
            return
        with stream:
            if not _grab(stream):
                raise ArtefactError(
                    f"{self.path.parent} is in use by {who(holder)}: wait for it, or name another folder with --out"
                )
            if not _same(stream, self.path):  # its holder took the file away while we opened it: that lock is nobody's
                return
            tell(f"{self.path.parent}: the lock of {who(holder)} was left behind; that run is gone")
            if os.name == "posix":
                self.path.unlink()
        if os.name != "posix":  # an open file cannot be deleted there
            self.path.unlink(missing_ok=True)

    @property
    def held(self) -> bool:
        """Whether the file in the folder is still the one that we hold."""
        return self._stream is not None and _same(self._stream, self.path)

    def release(self) -> None:
        """Take the file away and let go; may be called twice."""
        if self._stream is None:
            return
        ours, stream, self._stream = self.held, self._stream, None
        if os.name != "posix":
            stream.close()
        if ours:
            self.path.unlink(missing_ok=True)
        stream.close()


def _written(path: Path) -> IO[bytes]:
    """A new file that says who we are, locked. Raises FileExistsError, or OSError when the disk refuses."""
    stream = path.open("x+b")
    try:
        _grab(stream)
        stream.seek(0)
        stream.write(json.dumps(_ourselves()).encode())
        stream.flush()
        os.fsync(stream.fileno())
    except BaseException:
        stream.close()
        path.unlink(missing_ok=True)
        raise
    return stream


def _same(stream: IO[bytes], path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(stream.fileno()), path.lstat())
    except FileNotFoundError:
        return False


def _ourselves() -> dict[str, Any]:
    started = datetime.now().astimezone().isoformat(timespec="seconds")
    return {"format": FORMAT, "pid": os.getpid(), "host": socket.gethostname(), "started": started}


def read_lock(path: Path) -> dict[str, Any]:
    """Who holds a lock of ours: pid, host, started; empty where the file is none."""
    try:
        found = json.loads(disk.bytes_of(path, 10_000))
    except (ArtefactError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) and found.get("format") == FORMAT else {}


def strange_lock(path: Path) -> bool:
    """Whether something stands in the place of a lock that does not carry our mark."""
    return os.path.lexists(path) and not read_lock(path)


def strange_words(path: Path) -> str:
    """What is said of something that stands where we keep our own and is not ours."""
    return (
        f"{path} was not left by a run of this program and stands where a run keeps its own: "
        "move it away, or choose another folder"
    )


def holder_gone(path: Path) -> bool:
    """Whether nobody holds a lock that is there."""
    try:
        with disk.reading(path) as stream:
            return _grab(stream)
    except (ArtefactError, OSError):
        return False


def who(holder: dict[str, Any]) -> str:
    """The holder of a lock in words.

    >>> who({"pid": 7, "host": "pit", "started": "2030-05-01T10:00:00+02:00"})
    'a run (process 7 on pit, since 2030-05-01T10:00:00+02:00)'
    """
    if not holder:
        return "a run that did not say who it is"
    pid, host, started = (visible(str(holder.get(name)))[:80] for name in ("pid", "host", "started"))
    return f"a run (process {pid} on {host}, since {started})"
