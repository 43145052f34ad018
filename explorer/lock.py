"""One run per folder: a lock that names its holder, goes with its process, and is never broken in silence."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from explorer.disk import refusals
from explorer.errors import ArtefactError

try:
    import fcntl
except ImportError:  # a system without it: the file alone is the lock, and only a person can tell that it is stale
    fcntl = None  # type: ignore[assignment]

LOCK = ".lock"


class FolderLock:
    """Held from the making of the object to `release`.

    The file holds process, host and start; the system holds a lock on it that ends with the process, so a file whose
    holder is gone is known for what it is. Such a one is taken over, and `tell` is given a sentence that says so.

    Raises ArtefactError when another run holds the folder, or one on another host may.
    """

    def __init__(self, folder: Path, tell: Callable[[str], None]) -> None:
        self.path = folder / LOCK
        self._stream: IO[bytes] | None = None
        with refusals(self.path):
            self._stream = self._take(tell)
            self._stream.truncate(0)
            self._stream.seek(0)
            self._stream.write(json.dumps(_ourselves()).encode())
            self._stream.flush()
            os.fsync(self._stream.fileno())

    def _take(self, tell: Callable[[str], None]) -> IO[bytes]:
        while True:
            fresh = not self.path.exists()
            if fcntl is None:
                if not fresh:
                    raise ArtefactError(self._held())
                return self.path.open("xb")
            stream = self.path.open("a+b")
            try:
                fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                stream.close()
                raise ArtefactError(self._held()) from None
            try:
                same = os.fstat(stream.fileno()).st_ino == self.path.stat().st_ino
            except FileNotFoundError:
                same = False
            if not same:  # its holder took the file away while we waited for it: that lock is nobody's
                stream.close()
                continue
            holder = read_lock(self.path)
            if holder and holder.get("host") != socket.gethostname():
                stream.close()
                raise ArtefactError(
                    f"{self.path.parent} is locked by {who(holder)}, which cannot be asked from here whether it still "
                    f"runs; if it does not, delete {self.path}"
                )
            if holder:
                tell(f"{self.path.parent}: the lock of {who(holder)} was left behind; that run is gone")
            return stream

    def _held(self) -> str:
        holder = read_lock(self.path)
        advice = "wait for it, or name another folder with --out"
        if fcntl is None:
            advice += f"; if it is gone, delete {self.path}"
        return f"{self.path.parent} is in use by {who(holder)}: {advice}"

    def release(self) -> None:
        """Take the file away and let go; may be called twice."""
        if self._stream is not None:
            self.path.unlink(missing_ok=True)
            self._stream.close()
            self._stream = None


def _ourselves() -> dict[str, Any]:
    started = datetime.now().astimezone().isoformat(timespec="seconds")
    return {"pid": os.getpid(), "host": socket.gethostname(), "started": started}


def read_lock(path: Path) -> dict[str, Any]:
    """Who holds a lock: pid, host, started; empty where that cannot be read."""
    try:
        found = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def holder_gone(path: Path) -> bool:
    """Whether a lock's holder is known to be gone: nobody on this machine holds it, and it was one of this machine."""
    if fcntl is None or read_lock(path).get("host") != socket.gethostname():
        return False
    try:
        with path.open("rb") as stream:
            fcntl.flock(stream, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def who(holder: dict[str, Any]) -> str:
    """The holder of a lock in words.

    >>> who({"pid": 7, "host": "pit", "started": "2030-05-01T10:00:00+02:00"})
    'a run (process 7 on pit, since 2030-05-01T10:00:00+02:00)'
    """
    if not holder:
        return "a run that did not say who it is"
    return f"a run (process {holder.get('pid')} on {holder.get('host')}, since {holder.get('started')})"
