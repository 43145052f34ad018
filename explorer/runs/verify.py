"""Whether a run's folder holds what its `run.json` says, and what an unfinished run has left in it."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from explorer.domain.errors import ArtefactError, visible
from explorer.runs import disk
from explorer.runs.artefacts import changed_files, scraps
from explorer.runs.kept import checked_answers, digest_of
from explorer.runs.lock import LOCK, holder_gone, read_lock, strange_lock, who
from explorer.runs.marks import strangers
from explorer.runs.moving import NotWhole, lacking, moves_of
from explorer.runs.records import DONE, KEY_FILE, MANIFEST, MOVES, RESULT, WORK, read_inputs, read_manifest


@dataclass(frozen=True)
class Verified:
    """What stands in a run's folder.

    `state` is "finished", "unfinished" or "to be moved" (whole, the last step cut off). `whole`, `missing`, `changed`
    are files that `run.json` names; `others` stand beside them and belong to no run. `kept` and `damaged` are answers
    of an unfinished run; `notes` say what hinders it; `locked` says who holds the folder.
    """

    folder: str
    state: str
    study: str = ""
    whole: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    others: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()
    damaged: dict[str, str] = field(default_factory=dict)
    staged: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    locked: str = ""

    @property
    def good(self) -> bool:
        """A finished run, every file as it was written."""
        return self.state == "finished" and not (self.missing or self.changed)


def verify(root: Path) -> Verified:
    """Read a run's folder and every file in it. Raises ArtefactError when no run left anything there."""
    root = Path(root)
    work, manifest = root / WORK, root / MANIFEST
    with disk.refusals(root, "read"):
        strange = strangers(root)
        begun = disk.folder(work) and work not in strange
        if not (os.path.lexists(manifest) or begun):
            raise ArtefactError(
                f"{root} holds no run: there is neither {MANIFEST} nor an unfinished run in it; name another folder"
            )
        facts: dict[str, Any] = {"folder": root.as_posix(), "state": "unfinished"}
        named = {MANIFEST, LOCK}
        if os.path.lexists(manifest):
            named |= _finished(root, facts)
        if begun:
            named |= _unfinished(root, facts)
        if os.path.lexists(root / LOCK) and not strange_lock(root / LOCK):
            gone = ", which is gone" if holder_gone(root / LOCK) else ""
            facts["locked"] = who(read_lock(root / LOCK)) + gone
        loose = {name for name in _files(root) if name.split("/")[0] not in (WORK, DONE)} - named
        odd = {path.relative_to(root).as_posix() for path in strange}
        facts["others"] = tuple(sorted(loose | odd | set(scraps(root))))
    return Verified(**facts)


def _files(root: Path) -> set[str]:
    """Everything below a folder that is no folder itself."""
    return {path.relative_to(root).as_posix() for path in root.rglob("*") if not disk.folder(path)}


def _finished(root: Path, facts: dict[str, Any]) -> set[str]:
    """Add what stands of a finished run; the files it names."""
    content = read_manifest(root / MANIFEST)
    named, bad = set(content.files), set(changed_files(root))
    missing = {name for name in bad if not os.path.lexists(root / name)}
    facts |= {
        "state": "finished",
        "study": content.study,
        "whole": tuple(sorted(named - bad)),
        "missing": tuple(sorted(missing)),
        "changed": tuple(sorted(bad - missing)),
    }
    return named


def _unfinished(root: Path, facts: dict[str, Any]) -> set[str]:
    """Add what stands of an unfinished run; the files it names in the folder itself."""
    work, staged = root / WORK, root / WORK / RESULT
    named: set[str] = set()
    notes = []
    if os.path.lexists(work / MOVES):
        try:
            files = moves_of(root).files
            if not os.path.lexists(staged / MANIFEST):
                return named  # a result in its place whose clearing up was cut off has nothing more to say
            named = set(files)
            lost = lacking(root, files)
            if lost:
                notes.append(f"the result to be moved lacks {', '.join(lost)}: --resume writes it again")
            elif facts["state"] != "finished":
                facts["state"] = "to be moved"
        except NotWhole as fault:
            notes.append(str(fault))
    try:
        key: str | None = digest_of(read_inputs(work / KEY_FILE).inputs)
    except ArtefactError as fault:
        key = None
        notes.append(f"{fault}; so nobody can tell what the kept answers are about: --overwrite starts again")
    good, damaged = checked_answers(work, key)
    there = _files(staged) if disk.folder(staged) else set()
    facts |= {"kept": good, "damaged": damaged, "staged": tuple(sorted(there)), "notes": tuple(notes)}
    return named


def told(found: Verified) -> str:
    """The same in words, one fact per line."""
    total = len(found.whole) + len(found.missing) + len(found.changed)
    lines: list[str] = []
    if found.state == "finished":
        lines.append(f"{found.folder}: a finished run of {found.study!r}, {len(found.whole)} of {total} files whole")
    elif found.state == "to be moved":
        lines.append(f"{found.folder}: a whole run whose last step was cut off; --resume puts it into place")
    else:
        way = "" if found.notes else "; --resume goes on with it, --overwrite starts again"
        lines.append(f"{found.folder}: an unfinished run{way}")
    lines += [f"missing: {name}" for name in found.missing]
    lines += [f"changed since the run: {name}" for name in found.changed]
    if found.state == "finished" and (found.kept or found.damaged or found.staged):
        lines.append("a newer run in this folder was not finished; the files above are the earlier one's")
    if found.kept:
        lines.append(f"kept by the unfinished run: {len(found.kept)} answers, each with the right checksum")
    lines += [f"damaged, will be worked out again: {name}: {why}" for name, why in found.damaged.items()]
    lines += [f"written and whole, not in place yet: {name}" for name in found.staged]
    lines += [f"not of this run: {name}" for name in found.others]
    lines += found.notes
    if found.locked:
        lines.append(f"locked by {found.locked}")
    return "\n".join(map(visible, lines))
