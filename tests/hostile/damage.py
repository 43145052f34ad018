"""Damaged folders of results: records changed at random, files torn, swapped, linked elsewhere, made into pipes."""

from __future__ import annotations

import json
import os
import random
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

from report import sample_run

from explorer.report.tables import all_tables
from explorer.runs import disk
from explorer.runs.artefacts import RunFolder
from explorer.runs.csv_text import csv_bytes
from explorer.runs.records import ANSWERS, DONE, KEY_FILE, MANIFEST, MOVES, RESULT, WORK

KEY = {"input study.toml": "ab", "library numba": "0.61"}
FACTS: dict[str, Any] = {
    "study": "s", "car": "c", "surface": "f", "method": "every setup", "seed": 1, "inputs": {"study.toml": "ab"},
    "counts": {"setups": 4, "feasible": 2, "invalid": 0}, "timings_s": {"tables": 0.5},
}  # fmt: skip
STEMS = ("front", "limits", "sensitivity", "shortlist")
STATES = ("finished", "unfinished", "to be moved", "half moved", "newer unfinished", "cleared in half")
PRECIOUS = b"years of work"

HOSTILE: list[Any] = [
    None, True, -1, 0, 1.5, 10**30, -(10**400), float("nan"), float("inf"), "", "x", [], {}, [[]], {"": ""}, "a" * 5000,
    "../precious.txt", "/etc/hostname", "a/../../precious.txt", "tables//front.csv", "tables/../report.md", ".work/x",
    "..\\x", "run.json", "\x1b[2J\x1b]0;owned\x07", "\u202etxt", "line\nbreak", "nul\x00", "\ud800", "0" * 64, "f" * 63,
    "tables", "tables/front.csv/x", "\u0645\u0642", {"sha256": "0" * 64, "bytes": 1}, {"sha256": 3, "bytes": "x"},
]  # fmt: skip


@cache
def files() -> tuple[Any, dict[str, bytes]]:
    """A space, and the tables of a finished run over it."""
    result = sample_run.run()
    return result.space, {stem: csv_bytes(all_tables(result)[stem]) for stem in STEMS}


def answered(folder: RunFolder, finish: bool = True) -> None:
    """What a run does in its folder: answers kept, tables and a report written."""
    space, tables = files()
    kept = folder.kept(space)
    for number in range(3):
        kept.once(f"stage-{number}", lambda number=number: ("answer", float(number)))
    for stem, data in tables.items():
        folder._write(f"tables/{stem}.csv", data)
    folder.text("report.md", "# report\n")
    if finish:
        folder.finish(FACTS)


class Cut(BaseException):
    """The process ends here."""


@contextmanager
def cut_at(name: str) -> Iterator[None]:
    """The process ends before a file of this name is put into its place."""
    real = disk.rename

    def rename(old: Path, new: Path) -> None:
        if new.name == name:
            raise Cut
        real(old, new)

    disk.rename = rename
    try:
        yield
    except Cut:
        pass
    finally:
        disk.rename = real


def made(root: Path, state: str) -> Path:
    """A folder in one of `STATES`."""
    if state in ("newer unfinished", "finished"):
        answered(RunFolder(root, key=KEY))
    if state != "finished":
        folder = RunFolder(root, key=KEY, overwrite=True)
        ends = {"to be moved": "front.csv", "half moved": "limits.csv", "cleared in half": DONE}
        with cut_at(ends.get(state, "nothing")):
            answered(folder, finish=state in ends)
        folder._lock.release()
    return root


def leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Paths to everything in a JSON value."""
    yield path
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in pairs:
        yield from leaves(one, (*path, key))


def changed(chance: random.Random, data: bytes) -> bytes:
    """A record's bytes after one to three changes to its values, keys or bytes."""
    for _ in range(chance.choice((1, 1, 2, 3))):
        if chance.random() < 0.3:
            data = torn(chance, data)
            continue
        try:
            content = json.loads(data)
        except (ValueError, RecursionError):
            return data
        path = chance.choice(list(leaves(content)))
        if not path:
            data = json.dumps(chance.choice(HOSTILE)).encode()
            continue
        holder = content
        for key in path[:-1]:
            holder = holder[key]
        how = chance.choice(("value", "value", "value", "key", "gone", "more"))
        key = path[-1]
        if how == "value":
            holder[key] = chance.choice(HOSTILE)
        elif how == "gone":
            del holder[key]
        elif isinstance(holder, dict):
            value = holder.pop(key) if how == "key" else holder[key]
            holder[str(chance.choice([one for one in HOSTILE if isinstance(one, str)]))] = value
        else:
            holder.append(chance.choice(HOSTILE))
        data = json.dumps(content, indent=2, ensure_ascii=chance.random() < 0.5).encode("utf-8", "surrogatepass")
    return data


def torn(chance: random.Random, data: bytes) -> bytes:
    """Any bytes after an accident."""
    at = chance.randrange(len(data) + 1)
    return chance.choice((
        data[:at], b"", bytes(len(data)), data + data, data[:at] + b"\xff\xfe" + data[at:], b"\xef\xbb\xbf" + data,
        data[:at] + bytes([chance.randrange(256)]) + data[at + 1 :], data.decode("latin-1").encode("utf-16"),
        b"[" * 100_000, b'{"a":' * 50_000, b"9" * 10_000, b"null", b"{}", data[at:],
    ))  # fmt: skip


ACCIDENTS = "gone torn torn changed changed pipe link device folder swap name theirs theirs copy".split()


def accident(chance: random.Random, root: Path) -> None:
    """One thing that befalls a folder."""
    there = sorted(root.rglob("*"))
    path = chance.choice(there) if there else root / "none"
    outside = root.parent / "outside"
    how = chance.choice(ACCIDENTS)
    if how == "theirs":
        name = chance.choice((
            "notes.txt", "tables/mine.csv", f"{WORK}/thesis.txt", f"{WORK}/{ANSWERS}/notes.txt", f"{DONE}/old.txt",
            "\x1b[2J.txt", os.fsdecode(b"\xff\xfe.txt"), ".lock", f"{WORK}/deep/er/thesis.txt", ".writing-mine",
        ))  # fmt: skip
        here = root / name
        ups = [up for up in here.parents if up.is_relative_to(root)]
        if not os.path.lexists(here) and all(disk.folder(up) or not os.path.lexists(up) for up in ups):
            here.parent.mkdir(parents=True, exist_ok=True)
            here.write_bytes(PRECIOUS)
        return
    if not os.path.lexists(path):
        return
    if how == "name":
        path.rename(path.with_name(chance.choice(("a b", "x" * 200, "answer.kept", "-1.kept", "\x1b[31m", "CON"))))
    elif how == "swap":
        other = chance.choice(there)
        if disk.regular(path) and disk.regular(other) and PRECIOUS not in (path.read_bytes(), other.read_bytes()):
            data = path.read_bytes()
            path.write_bytes(other.read_bytes())
            other.write_bytes(data)
    elif how in ("torn", "changed"):
        if disk.regular(path):
            work = changed if how == "changed" and path.suffix == ".json" else torn
            path.write_bytes(work(chance, path.read_bytes()))
    elif how == "copy":
        if disk.regular(path):
            shutil.copyfile(path, path.with_name(f"all-{chance.randrange(3)}.{chance.randrange(3)}.kept"))
    else:
        shutil.rmtree(path) if disk.folder(path) else path.unlink()
        if how == "pipe":
            os.mkfifo(path)
        elif how == "folder":
            path.mkdir()
        elif how == "device":
            path.symlink_to("/dev/zero")
        elif how == "link":
            path.symlink_to(outside if chance.random() < 0.5 else outside / "precious.txt")


RECORDS = (MANIFEST, f"{WORK}/{KEY_FILE}", f"{WORK}/{MOVES}", f"{WORK}/{RESULT}/{MANIFEST}", ".lock")


class Watch:
    """Notes every path that Python itself is asked to open, list, move or take away, while it is on."""

    LOOKS = ("open", "os.listdir", "os.scandir")
    CHANGES = ("os.remove", "os.rename", "os.rmdir", "os.mkdir", "os.link", "os.chmod")

    def __init__(self) -> None:
        self.on = False
        self.seen: list[tuple[str, str]] = []
        sys.addaudithook(self._note)

    def _note(self, event: str, words: tuple[Any, ...]) -> None:
        if self.on and event in self.LOOKS + self.CHANGES:
            paths = words[:2] if event in ("os.rename", "os.link") else words[:1]
            self.seen += [(event, os.fsdecode(path)) for path in paths if isinstance(path, (str, bytes, os.PathLike))]

    @contextmanager
    def within(self, root: Path) -> Iterator[None]:
        """Raises AssertionError where anything outside a folder was touched, links followed where a system would."""
        self.seen, self.on = [], True
        try:
            yield
        finally:
            self.on = False
        top = os.path.realpath(root)
        for event, path in self.seen:
            if not os.path.isabs(path):  # a name below an open folder: a whole folder is taken away so
                continue
            up, last = os.path.split(path)
            real = os.path.realpath(path if event in self.LOOKS else up)
            good = os.path.commonpath([top, real]) == top or os.path.join(os.path.realpath(up), last) == top
            assert good or real.startswith((sys.prefix, sys.base_prefix)), (event, path)
