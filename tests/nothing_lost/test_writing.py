"""A file under its final name is whole, whatever the disk refuses and whenever the process ends."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from explorer.runs.artefacts import changed_files, scraps
from explorer.runs.records import MANIFEST, MOVES, WORK
from explorer.runs.verify import verify


def nothing_half_written(out: Path, whole: dict[str, bytes]) -> None:
    """Every file under a final or a staged name holds what the uninterrupted run wrote there."""
    found = verify(out)
    assert found.damaged == {} and found.changed == ()
    for name, data in whole.items():
        for place in (out / name, out / WORK / "result" / name):
            assert not place.exists() or place.read_bytes() == data, place
    assert found.good is ((out / MANIFEST).is_file())


def refused(server, tmp_path, whole, steps, finish_each: int = 1) -> None:
    for step in steps:
        out = tmp_path / str(step)
        ended = server.ask(out, fail_at=step, error=errno.ENOSPC)
        assert ended["exit"] == 0 and "No space left on device" in ended["error"], (step, ended)
        if not out.exists():  # nothing was worked out yet, so nothing stays
            continue
        nothing_half_written(out, whole)
        assert scraps(out) == ()
        if step % finish_each == 0:
            assert server.finish(out) == whole, step


def test_a_refused_operation_leaves_whole_files_or_none(server, whole, operations, tmp_path):
    """Catches a file written in place, and one that keeps its final name after a fault: a slice of the long test."""
    refused(server, tmp_path, whole, (1, 3, operations // 3, operations - 23, operations))


@pytest.mark.long
def test_every_refused_operation_leaves_whole_files_or_none(server, whole, operations, tmp_path):
    """The same for every write, flush and rename of a run; every fifth of them goes on to its end."""
    refused(server, tmp_path, whole, range(1, operations + 1), finish_each=5)


def test_an_earlier_result_outlives_a_full_disk(server, whole, operations, tmp_path):
    """Catches an earlier result that is taken away before the new one is whole."""
    out = tmp_path / "out"
    server.ask(out)
    before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    kept = 0
    for step in (9, operations // 2, operations - 120, operations - 20):
        ended = server.ask(out, fail_at=step, error=errno.ENOSPC, overwrite=True)
        assert "No space left" in ended["error"]
        if not (out / WORK / MOVES).is_file():
            kept += 1
            assert changed_files(out) == ()
            assert {path: path.read_bytes() for path in before} == before
    assert kept == 3
    assert server.finish(out) == whole


def test_the_record_comes_last_with_every_hash(server, whole, tmp_path):
    """Catches a run.json that stands before its files do: the last rename of all is its own."""
    out = tmp_path / "out"
    renames = server.ask(tmp_path / "counted", kinds=["rename"])["operations"]
    server.ask(out, kinds=["rename"], kill_at=renames - 1, before=True)  # the last but one: then the work folder goes
    assert not (out / MANIFEST).exists() and verify(out).state == "to be moved"
    assert {name: (out / name).read_bytes() for name in whole} == whole
    assert server.finish(out) == whole
    assert set(verify(out).whole) == set(whole)
