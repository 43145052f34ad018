"""What in a folder is ours: only what carries our mark. Everything else is refused by name and never touched.

A work folder is ours where one of its records or kept answers begins with the mark, and holds nothing that a run does
not leave there. One that holds nothing, or only a first file that was not whole yet, holds nobody's work.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path

from explorer.domain.errors import ArtefactError
from explorer.runs import disk
from explorer.runs.lock import LOCK, strange_lock
from explorer.runs.records import ANSWERS, ASIDE, DONE, KEY_FILE, MANIFEST, MOVES, PART, RESULT, WORK, marked

KEPT_MARK = b"setup-space kept answer 1\n"
"""How the file of a kept answer begins."""

ANSWER = re.compile(r"(?P<stage>[a-z0-9-]+)\.(?P<number>[0-9]{1,12})\.kept")
"""Name of the file of a kept answer."""

_SCRAP = re.compile(rf"(.*/)?{re.escape(disk.SCRAP)}[0-9a-f]{{16}}")
_FILES = re.compile(
    rf"{re.escape(KEY_FILE)}|{re.escape(MOVES)}|{ANSWERS}/[a-z0-9-]+\.[0-9]{{1,12}}\.kept"
    rf"|{ASIDE}/[a-z0-9-]+\.[0-9]{{1,12}}\.kept_*|{RESULT}(/{PART})+"
)
_FOLDERS = re.compile(rf"{ANSWERS}|{ASIDE}|{RESULT}(/{PART})*")


def _inside(folder: Path, above: str = "") -> Iterator[tuple[str, os.DirEntry[str]]]:
    """Everything in a folder and below, no link followed: (name from the top, entry)."""
    with os.scandir(folder) as entries:
        for entry in sorted(entries, key=lambda entry: entry.name):
            yield above + entry.name, entry
            if entry.is_dir(follow_symlinks=False):
                yield from _inside(Path(entry.path), above + entry.name + "/")


def kept_marked(path: Path) -> bool:
    """Whether an ordinary file begins as a kept answer does."""
    if not disk.regular(path):
        return False
    with disk.reading(path) as stream:
        return stream.read(len(KEPT_MARK)) == KEPT_MARK


def _carries_mark(folder: Path, names: list[str]) -> bool:
    answers = (folder / name for name in names if name.startswith(ANSWERS + "/"))
    records = (folder / KEY_FILE, folder / MOVES, folder / RESULT / MANIFEST)
    return any(map(marked, records)) or any(map(kept_marked, answers))


def stranger(folder: Path) -> Path | None:
    """What stands in the place of a work folder and is not ours: the folder itself, or one thing in it; None where all
    is ours or nothing is there."""
    if not os.path.lexists(folder):
        return None
    if not disk.folder(folder):
        return folder
    files, odd = [], []
    try:
        for name, entry in _inside(folder):
            path = Path(entry.path)
            if entry.is_dir(follow_symlinks=False):
                odd += [] if _FOLDERS.fullmatch(name) else [path]
            elif disk.regular(path):
                files.append(name)
                odd += [] if _FILES.fullmatch(name) or _SCRAP.fullmatch(name) else [path]
            else:
                odd.append(path)
        only_scraps = all(_SCRAP.fullmatch(name) and _blank(folder / name) for name in files)
        if not (only_scraps and not odd) and not _carries_mark(folder, files):
            return folder
    except OSError as fault:
        raise ArtefactError(f"cannot read {folder}: {fault.strerror or fault}; choose another folder") from fault
    return odd[0] if odd else None


def _blank(path: Path) -> bool:
    return path.lstat().st_size == 0 or marked(path)


def strangers(root: Path) -> tuple[Path, ...]:
    """Things that stand where a run keeps its own and that no run of ours left."""
    found = [stranger(root / name) for name in (WORK, DONE)]
    found.append(root / LOCK if strange_lock(root / LOCK) else None)
    return tuple(path for path in found if path is not None)
