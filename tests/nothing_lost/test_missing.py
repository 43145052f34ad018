"""A run that says it is done is done: no file of a result may be missing, changed or an earlier run's."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from nothing_lost import small_run

from explorer.domain.errors import ArtefactError
from explorer.report import document
from explorer.runs import disk
from explorer.runs.artefacts import RunFolder, changed_files
from explorer.runs.records import MANIFEST, MOVES, RESULT, WORK
from explorer.runs.verify import told, verify

KEY = {"car": "one"}
STEMS = ("front", "limits", "shortlist")


def tables(folder: RunFolder, number: float) -> RunFolder:
    for stem in STEMS:
        folder.csv(stem, pd.DataFrame({"x": [number]}))
    return folder


def earlier(out: Path) -> None:
    tables(RunFolder(out, key=KEY), 1.0).finish({})


def overwritten(path: Path) -> None:
    path.write_bytes(path.read_bytes()[::-1])


def linked(path: Path) -> None:
    path.rename(path.with_name("aside.csv"))
    path.symlink_to(path.with_name("aside.csv"))


LOSSES: dict[str, Callable[[Path], None]] = {
    "gone": Path.unlink,
    "shorter": lambda path: path.write_bytes(path.read_bytes()[:-1]),
    "as long": overwritten,
    "a folder": lambda path: (path.unlink(), path.mkdir()),
    "a link": linked,
}  # type: ignore[dict-item]


def test_a_folder_taken_away_while_the_run_is_under_way(study, tmp_path, monkeypatch):
    """Catches exit 0 without the tables that lay in the folder when somebody removed it."""
    out, real = tmp_path / "out", document.report

    def meanwhile(*words: object) -> str:
        shutil.rmtree(out)
        return real(*words)  # type: ignore[arg-type]

    monkeypatch.setattr(document, "report", meanwhile)
    with pytest.raises(ArtefactError, match="taken away or taken over while the run was under way; .* run again"):
        small_run.run(study, out)
    assert not out.exists()
    monkeypatch.undo()
    small_run.run(study, out)
    assert verify(out).good


@pytest.mark.parametrize("how", sorted(LOSSES))
def test_a_staged_file_lost_before_the_moves(tmp_path, how):
    """Catches an old table beside new ones under a new record; the earlier result gone although nothing replaces it."""
    earlier(tmp_path)
    second = tables(RunFolder(tmp_path, overwrite=True, key=KEY), 2.0)
    LOSSES[how](second.work / RESULT / "tables" / "shortlist.csv")
    with pytest.raises(ArtefactError, match="missing or changed: tables/shortlist.csv; .*--resume writes it again"):
        second.finish({})
    second.__exit__(None, None, None)
    assert changed_files(tmp_path) == () and "1\n" in (tmp_path / "tables" / "front.csv").read_text()
    assert "the result to be moved lacks tables/shortlist.csv" in told(verify(tmp_path))
    if how == "a link":  # nothing of ours: refused by name before anything is touched
        with pytest.raises(ArtefactError, match="shortlist.csv was not left by a run"):
            RunFolder(tmp_path, resume=True, key=KEY)
        return
    said: list[str] = []
    with RunFolder(tmp_path, resume=True, key=KEY, tell=said.append) as third:
        assert "tables/shortlist.csv; it is worked out again" in said[0] and not third.finished
        tables(third, 3.0).finish({})
    assert verify(tmp_path).good and "3\n" in (tmp_path / "tables" / "shortlist.csv").read_text()


def test_a_file_lost_during_the_moves(tmp_path, monkeypatch):
    """Catches a record put beside a table that was there when it was looked for and is not at the end."""
    folder, real = tables(RunFolder(tmp_path, key=KEY), 1.0), disk.rename

    def losing(old: Path, new: Path) -> None:
        real(old, new)
        if new.name == "limits.csv":
            new.unlink()

    monkeypatch.setattr(disk, "rename", losing)
    with pytest.raises(ArtefactError, match="missing or changed: tables/limits.csv; nothing is called finished"):
        folder.finish({})
    monkeypatch.undo()
    folder.__exit__(None, None, None)
    assert not (tmp_path / MANIFEST).exists() and not verify(tmp_path).good
    with RunFolder(tmp_path, overwrite=True, key=KEY) as again:  # what is in its place already is ours
        tables(again, 2.0).finish({})
    assert verify(tmp_path).good


def to_be_moved(server, whole, out: Path) -> None:
    """A run killed once `moves.json` stood."""
    renames = server.ask(out.with_name("counted"), kinds=["rename"])["operations"]
    assert server.ask(out, kinds=["rename"], kill_at=renames - len(whole) - 2)["signal"] == 9
    assert verify(out).state == "to be moved"


@pytest.mark.parametrize("lost", ["a table", "every table", "the record", "the moves", "torn moves", "both"])
def test_a_result_to_be_moved_that_lacks_something(server, whole, tmp_path, lost):
    """Catches a half result that `--resume` calls whole, and a torn list of moves that stops both flags."""
    out = tmp_path / "out"
    to_be_moved(server, whole, out)
    result, moves = out / WORK / RESULT, out / WORK / MOVES
    if lost == "a table":
        (result / "tables" / "front.csv").unlink()
    if lost == "every table":
        shutil.rmtree(result / "tables")
    if lost in ("the record", "both"):
        (result / MANIFEST).unlink()
    if lost == "the moves":
        moves.unlink()
    if lost in ("torn moves", "both"):
        moves.write_bytes(moves.read_bytes()[:60])
    found = verify(out)
    assert found.state == "unfinished" and not found.good and len(found.kept) == small_run.ANSWERS
    assert found.notes == () if lost == "the moves" else "--resume writes it again" in found.notes[0]
    copy = shutil.copytree(out, tmp_path / "copy")
    ended = server.ask(out, resume=True)
    assert ended["exit"] == 0 and not ended["error"], ended
    assert any(f"{small_run.ANSWERS} answers of the unfinished run were used" in text for text in ended["told"])
    assert small_run.files_of(out) == whole
    ended = server.ask(copy, overwrite=True)
    assert ended["exit"] == 0 and not ended["error"] and small_run.files_of(copy) == whole


def test_an_interrupted_move_whose_list_is_torn_still_knows_its_files(server, whole, tmp_path):
    """Catches files half moved that no later run may overwrite, because nobody knows that they are ours."""
    out = tmp_path / "out"
    to_be_moved(server, whole, out)
    assert server.ask(out, resume=True, kinds=["rename"], kill_at=len(whole) // 2)["signal"] == 9
    assert (out / "figures").is_dir() and not (out / MANIFEST).exists()
    moves = out / WORK / MOVES
    moves.write_bytes(moves.read_bytes()[:60])
    assert server.ask(out, resume=True, kinds=["rename"], kill_at=8)["signal"] == 9  # the list is away by then
    ended = server.ask(out, overwrite=True)
    assert not ended["error"] and small_run.files_of(out) == whole


@pytest.mark.parametrize("mask", [0o077, 0o022, 0o002])
def test_files_are_as_readable_as_the_user_says(tmp_path, mask):
    """Catches results of somebody who lets nobody read them, readable by all."""
    before = os.umask(mask)
    try:
        earlier(tmp_path / "out")
    finally:
        os.umask(before)
    modes = {path.stat().st_mode & 0o777 for path in (tmp_path / "out").rglob("*") if path.is_file()}
    assert modes == {0o666 & ~mask}
