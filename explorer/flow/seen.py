"""One report from the track into the study's practice file, and the last one out again.

The file is the user's: a report is put at its end as text, and nothing else of it is touched. What it would hold is
read as a whole before a byte is written, so that a report that does not fit leaves the file as it was.
"""

from __future__ import annotations

import datetime
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from explorer.domain.errors import ArtefactError, SpaceError
from explorer.inputs.load import LoadedStudy
from explorer.inputs.practice import reports_in
from explorer.inputs.said import entries_from, entry_text
from explorer.inputs.source import Refused, Source, bytes_of
from explorer.runs.disk import write_atomic
from explorer.study.plan.reports import Report

HEAD = b"# What was seen in practice; `setup-space seen` writes at the end, anybody may edit.\n"


@dataclass(frozen=True)
class Noted:
    """`reports` that were put at the end of the file at `path` (taken out where `undone`); it holds `total` now."""

    path: Path
    reports: tuple[Report, ...]
    total: int
    undone: bool = False

    @property
    def facts(self) -> dict[str, Any]:
        """The same for `--json`."""
        told = [{"seen": one.text, "error": one.sigma, "unit": one.unit} for one in self.reports]
        return {"file": self.path, "reports": told, "total": self.total, "undone": self.undone}


def add(study: LoadedStudy, text: str, choices: dict[str, str], when: datetime.datetime | None = None) -> Noted:
    """Put a driver's words about the baseline with some knobs set at the end of the practice file, made where there is
    none.

    Raises SpaceError for words that are not understood, ConfigError where the file would not fit the study any more,
    ArtefactError where the disk refuses; the file is then as it was.
    """
    space = study.space
    space.built(choices)
    setups = [one.positions for one in space.planning.seen if one.positions]
    before = dict(zip(space.knob_names, space.labels(np.array(setups[-1])), strict=True)) if setups else None
    entries = entries_from(text, space, space.named(choices), before)
    old = _bytes(study.practice)
    moment = (when or datetime.datetime.now()).replace(microsecond=0, tzinfo=None)
    while moment.isoformat().encode() in old:  # each report has a time of its own, by which it is taken out
        moment += datetime.timedelta(seconds=1)
    new = old or HEAD
    if not new.endswith(b"\n"):
        new += b"\r\n" if b"\r\n" in new else b"\n"
    new += b"".join(_block(entry, moment.isoformat(), old) for entry in entries)
    reports = reports_in(Source(str(study.practice), []), space, new)
    _write(study.practice, old, new)
    return Noted(study.practice, reports[len(reports) - len(entries) :], len(reports))


def undo(study: LoadedStudy) -> Noted:
    """Take the last report out of the practice file, where `seen` wrote it and nobody has edited the end since.

    Raises SpaceError where there is none, or it was written by hand; ArtefactError where the disk refuses.
    """
    old = _bytes(study.practice)
    source = Source(str(study.practice), [])
    source.read(old)
    entries = source.raw.get("seen", [])
    if not entries:
        raise SpaceError(f"there is no report to take out of {study.practice}")
    new, stamp = old, entries[-1].get("at")
    while entries and entries[-1].get("at") == stamp:
        entry = dict(entries.pop())
        written = _block(entry, str(entry.pop("at", "")).replace(" ", "T"), new)
        if stamp is None or not new.endswith(written):
            line = source.line(("seen", len(entries)))
            raise SpaceError(
                f"the report in line {line} of {study.practice} was written or edited by hand: take it out there"
            )
        new = new[: -len(written)]
    kept = reports_in(Source(str(study.practice), []), study.space, new)
    _write(study.practice, old, new)
    return Noted(study.practice, study.space.planning.seen[len(kept) :], len(kept), True)


def text(found: Noted, study: LoadedStudy) -> str:
    """What was understood, and what to do next, in two lines."""
    did = "taken out" if found.undone else "understood"
    lines = [
        f"{did}: {one.text}" + ("" if found.undone else f" (+- {one.sigma:.3g}{' ' * bool(one.unit)}{one.unit})")
        for one in found.reports
    ]
    count = f"{found.total} report" + "s" * (found.total != 1)
    lines.append(f"{found.path} holds {count}; next: setup-space run {study.path} --overwrite")
    return "\n".join(lines)


def _block(entry: dict[str, Any], at: str, old: bytes) -> bytes:
    """An entry as it is put at the end of a file, with the line ends of that file."""
    block = ("\n" + entry_text(entry, at)).encode()
    return block.replace(b"\n", b"\r\n") if b"\r\n" in old else block


def _bytes(path: Path) -> bytes:
    """What the practice file holds; nothing where there is none."""
    if not os.path.lexists(path):
        return b""
    try:
        return bytes_of(str(path))
    except Refused as refused:
        raise ArtefactError(f"cannot read {path}: {refused}") from None


def _write(path: Path, old: bytes, new: bytes) -> None:
    if _bytes(path) != old:
        raise ArtefactError(f"{path} was changed by somebody else just now; nothing was written, say it again")
    write_atomic(Path(os.path.realpath(path)), new)
