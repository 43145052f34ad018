"""Whether a run's folder holds what its `run.json` says, and what an unfinished run has left in it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from explorer.artefacts import DONE, MANIFEST, MOVES, RESULT, WORK, changed_files, read_manifest, scraps
from explorer.errors import ArtefactError
from explorer.kept import KEY_FILE, checked_answers, digest_of
from explorer.lock import LOCK, holder_gone, read_lock, who


@dataclass(frozen=True)
class Verified:
    """What stands in a run's folder.

    `state` is "finished", "unfinished" or "to be moved" (whole, the last step cut off). `whole`, `missing`, `changed`
    are files that `run.json` names; `others` stand beside them and belong to no run. `kept` and `damaged` are answers
    of an unfinished run; `locked` says who holds the folder.
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
    locked: str = ""

    @property
    def good(self) -> bool:
        """A finished run, every file as it was written."""
        return self.state == "finished" and not (self.missing or self.changed)


def verify(root: Path) -> Verified:
    """Read a run's folder and every file in it. Raises ArtefactError when no run left anything there."""
    root = Path(root)
    work, manifest = root / WORK, root / MANIFEST
    if not (manifest.is_file() or work.is_dir()):
        raise ArtefactError(f"{root} holds no run: there is neither {MANIFEST} nor an unfinished run in it")
    facts: dict[str, Any] = {"folder": root.as_posix(), "state": "unfinished"}
    named: set[str] = set()
    if manifest.is_file():
        content = read_manifest(manifest)
        named = set(content["files"])
        bad = set(changed_files(root))
        missing = {name for name in bad if not (root / name).is_file()}
        facts |= {
            "state": "finished",
            "study": str(content.get("study", "")),
            "whole": tuple(sorted(named - bad)),
            "missing": tuple(sorted(missing)),
            "changed": tuple(sorted(bad - missing)),
        }
    moving = (work / MOVES).is_file()
    moved = moving and manifest.is_file() and not (work / RESULT / MANIFEST).is_file()
    if work.is_dir() and not moved:  # a result in its place whose clearing up was cut off has nothing more to say
        if moving:
            named |= set(read_manifest(work / MOVES)["files"]) | {MANIFEST}
        if not manifest.is_file() and moving:
            facts["state"] = "to be moved"
        good, damaged = checked_answers(work, _digest(work))
        staged = (path for path in (work / RESULT).rglob("*") if path.is_file())
        facts |= {
            "kept": good,
            "damaged": damaged,
            "staged": tuple(sorted(path.relative_to(work / RESULT).as_posix() for path in staged)),
        }
    if (root / LOCK).is_file():
        gone = ", which is gone" if holder_gone(root / LOCK) else ""
        facts["locked"] = who(read_lock(root / LOCK)) + gone
    places = (path for path in root.rglob("*") if path.is_file())
    others = {path.relative_to(root).as_posix() for path in places} - named - {MANIFEST, LOCK}
    loose = {name for name in others if name.split("/")[0] not in (WORK, DONE)}
    facts["others"] = tuple(sorted(loose | set(scraps(root))))
    return Verified(**facts)


def _digest(work: Path) -> str:
    try:
        return digest_of(json.loads((work / KEY_FILE).read_bytes())["inputs"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return ""


def told(found: Verified) -> str:
    """The same in words, one fact per line."""
    total = len(found.whole) + len(found.missing) + len(found.changed)
    lines = []
    if found.state == "finished":
        lines.append(f"{found.folder}: a finished run of {found.study!r}, {len(found.whole)} of {total} files whole")
    elif found.state == "to be moved":
        lines.append(f"{found.folder}: a whole run whose last step was cut off; --resume puts it into place")
    else:
        lines.append(f"{found.folder}: an unfinished run; --resume goes on with it, --overwrite starts again")
    lines += [f"missing: {name}" for name in found.missing]
    lines += [f"changed since the run: {name}" for name in found.changed]
    if found.state == "finished" and (found.kept or found.damaged or found.staged):
        lines.append("a newer run in this folder was not finished; the files above are the earlier one's")
    if found.kept:
        lines.append(f"kept by the unfinished run: {len(found.kept)} answers, each with the right checksum")
    lines += [f"damaged, will be worked out again: {name}: {why}" for name, why in found.damaged.items()]
    lines += [f"written and whole, not in place yet: {name}" for name in found.staged]
    lines += [f"not of this run: {name}" for name in found.others]
    if found.locked:
        lines.append(f"locked by {found.locked}")
    return "\n".join(lines)
