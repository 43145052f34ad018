"""A whole result moved into its place, and the work folder taken away; each may be repeated after any interruption."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from explorer.domain.errors import ArtefactError
from explorer.runs import disk
from explorer.runs.records import (
    DONE,
    KEY_FILE,
    MANIFEST,
    MOVES,
    RESULT,
    WORK,
    Entry,
    Moves,
    marked,
    read_manifest,
    read_moves,
    write_record,
)

TOLD = 6
"""So many files are named in a message."""


class NotWhole(ArtefactError):
    """A result that was to be moved into place lacks files; `what` says which."""

    def __init__(self, what: str) -> None:
        super().__init__(f"{what}; nothing is called finished: --resume writes it again, --overwrite starts again")
        self.what = what


def _lacking(root: Path, names: list[str]) -> NotWhole:
    more = f" and {len(names) - TOLD} more" if len(names) > TOLD else ""
    return NotWhole(f"{root}: files of its result are missing or changed: {', '.join(names[:TOLD])}{more}")


def moves_of(root: Path) -> Moves:
    """What goes where in a folder. Raises NotWhole where `moves.json` cannot be believed."""
    path = root / WORK / MOVES
    try:
        found = read_moves(path)
    except ArtefactError as fault:
        raise NotWhole(str(fault)) from fault
    staged, final = root / WORK / RESULT / MANIFEST, root / MANIFEST
    try:
        manifest = read_manifest(staged if os.path.lexists(staged) else final)
    except ArtefactError as fault:
        raise NotWhole(str(fault)) from fault
    if manifest.files != found.files:
        raise NotWhole(f"{path} does not name the files that {MANIFEST} names")
    return found


def lacking(root: Path, files: Mapping[str, Entry]) -> list[str]:
    """Files of a result that stand, as they were written, neither in their place nor beside it."""
    staged = root / WORK / RESULT
    return [
        name
        for name, entry in sorted(files.items())
        if not any(entry.stands(disk.place(top, name)) for top in (staged, root))
    ]


def move_in(root: Path) -> None:
    """Put a whole result into its place as `moves.json` says.

    Raises NotWhole, an earlier result untouched, where a file is missing or changed before the first one is moved; and
    without a `run.json` where one is missing from its place at the end.
    """
    staged, final = root / WORK / RESULT / MANIFEST, root / MANIFEST
    moves = moves_of(root)
    dropped = [disk.place(root, name) for name in moves.drop if name not in moves.files]
    for path in (disk.place(root, name) for name in moves.files):
        if os.path.lexists(path) and not disk.regular(path):
            raise ArtefactError(f"{path} stands in the way of the result: move it away, then --resume goes on")
    lost = lacking(root, moves.files)
    if lost:
        raise _lacking(root, lost)
    if os.path.lexists(staged):
        disk.remove([final])
        disk.sync_folder(root)
        for name, entry in moves.files.items():
            beside, place = disk.place(root / WORK / RESULT, name), disk.place(root, name)
            if not entry.stands(beside):
                continue
            with disk.refusals(place):
                place.parent.mkdir(parents=True, exist_ok=True)
                disk.rename(beside, place)
                disk.sync_folder(place.parent)
        disk.remove(filter(disk.regular, dropped))
    lost = [name for name, entry in moves.files.items() if not entry.stands(disk.place(root, name))]
    if lost:
        raise _lacking(root, lost)
    if os.path.lexists(staged):
        with disk.refusals(final):
            disk.rename(staged, final)
            disk.sync_folder(root)
    clear(root)


def clear(root: Path) -> None:
    """Take the work folder away; its name goes first, so that half of it is never taken for a run's, and its mark last,
    so that half of it is known for ours."""
    work, done = root / WORK, root / DONE
    _sweep(done)
    if disk.folder(work):
        if any(work.iterdir()) and not marked(work / KEY_FILE):
            write_record(work / KEY_FILE, {"inputs": {}})
        with disk.refusals(work):
            disk.rename(work, done)
        _sweep(done)


def _sweep(done: Path) -> None:
    if os.path.lexists(done):
        disk.remove(path for path in done.iterdir() if path.name != KEY_FILE)
        disk.remove([done])
