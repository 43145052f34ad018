"""Where compiled functions are kept between runs: a folder of this user alone, named after the sources.

The compiler reads what it finds there by pickle, which runs code: a folder that somebody else could have written is
never used. It also does not notice a changed callee in another file, hence the name. Without a folder everything is
compiled anew at every start.
"""

from __future__ import annotations

import hashlib
import os
import stat
import sys
from pathlib import Path

PACKAGE = Path(__file__).parents[2]

OUTSIDE_MODEL = ("domain/errors.py", "domain/units.py")
"""Sources beside the model whose numbers are compiled in with it."""

TOLD = "SETUP_SPACE_UNCACHED"
"""Set in the environment once the user knows, so that workers do not repeat it."""


def sources_digest(package: Path = PACKAGE) -> str:
    """Short hash of every source that compiled code is made from, at any depth below the model, and of how many lanes
    it is asked to have (see `lanes.WIDTH`)."""
    digest = hashlib.sha256(os.environ.get("SETUP_SPACE_LANES", "").encode())
    for source in [*sorted((package / "model").rglob("*.py")), *(package / name for name in OUTSIDE_MODEL)]:
        digest.update(source.read_bytes())
    return digest.hexdigest()[:16]


def cache_folder() -> Path | None:
    """The folder of this user for these sources, made if need be; None where there is none to be trusted."""
    root = os.environ.get("NUMBA_CACHE_DIR") or os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")
    folder = Path(root).absolute() / f"setup-space-explorer-{sources_digest()}"
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        try:
            folder.mkdir(mode=0o700)
        except FileExistsError:
            pass
        fault = distrusted(folder)
    except OSError as error:
        fault = error.strerror or str(error)
    if fault and TOLD not in os.environ:
        os.environ[TOLD] = "1"
        told = f"the model is compiled anew at every start: {ascii(str(folder))} is not used, {fault}"
        print(told, file=sys.stderr)
    return None if fault else folder


def distrusted(folder: Path) -> str:
    """Why a folder is not this user's alone, "" where it is. Raises OSError where it cannot be looked at."""
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode):
        return "it is a link or a file"
    if hasattr(os, "geteuid"):  # elsewhere a user's own folders are closed to others by the system
        if found.st_uid != os.geteuid():
            return "it belongs to somebody else"
        if stat.S_IMODE(found.st_mode) & 0o077:
            return "others may enter it; remove it"
    return "" if os.access(folder, os.W_OK | os.X_OK) else "it cannot be written"
