"""What is not ours is refused by name and never touched, whatever it is called and with any flag."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from nothing_lost import small_run

from explorer.domain.errors import ArtefactError
from explorer.runs.artefacts import RunFolder
from explorer.runs.lock import LOCK
from explorer.runs.records import ANSWERS, DONE, KEY_FILE, MANIFEST, WORK
from explorer.runs.verify import verify

KEY = {"car": "one"}


def put(text: str, name: str) -> Callable[[Path], None]:
    def work(root: Path) -> None:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text)

    return work


def made(name: str, how: Callable[[Path], object]) -> Callable[[Path], None]:
    def work(root: Path) -> None:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        how(root / name)

    return work


def elsewhere(path: Path) -> None:
    (path.parents[1] / "precious").mkdir(exist_ok=True)
    (path.parents[1] / "precious" / "thesis.txt").write_text("years of work")
    path.symlink_to(path.parents[1] / "precious")


STRANGE: dict[str, tuple[str, Callable[[Path], None]]] = {
    "their work folder": (WORK, put("years of work", f"{WORK}/thesis.txt")),
    "their work folder with our names": (WORK, put('{"format": "other"}', f"{WORK}/{KEY_FILE}")),
    "their answers": (WORK, put("no answer of ours", f"{WORK}/{ANSWERS}/all-1.0.kept")),
    "their empty folders": (WORK, made(f"{WORK}/a/b", Path.mkdir)),
    "a work folder elsewhere": (WORK, made(WORK, elsewhere)),
    "a file in its place": (WORK, put("work", WORK)),
    "their done": (DONE, put("done", f"{DONE}/homework.txt")),
    "a done elsewhere": (DONE, made(DONE, elsewhere)),
    "their lock": (LOCK, put("", LOCK)),
    "their lock with words": (LOCK, put('{"pid": 7, "host": "pit"}', LOCK)),
    "their lock folder": (LOCK, made(LOCK, Path.mkdir)),
    "a lock elsewhere": (LOCK, made(LOCK, elsewhere)),
    "a pipe for a lock": (LOCK, made(LOCK, os.mkfifo)),
}
IN_OURS: dict[str, tuple[str, Callable[[Path], None]]] = {
    "their file in ours": (f"{WORK}/notes.txt", put("mine", f"{WORK}/notes.txt")),
    "their file among answers": ("notes.txt", put("mine", f"{WORK}/{ANSWERS}/notes.txt")),
    "their folder in ours": (f"{WORK}/photos", made(f"{WORK}/photos", Path.mkdir)),
    "a link among answers": ("all-1.0.kept", made(f"{WORK}/{ANSWERS}/all-1.0.kept", elsewhere)),
    "a pipe among answers": ("all-1.0.kept", made(f"{WORK}/{ANSWERS}/all-1.0.kept", os.mkfifo)),
    "answers elsewhere": (ANSWERS, made(f"{WORK}/{ANSWERS}", elsewhere)),
}


def facts(root: Path) -> dict[str, tuple[int, int, bytes]]:
    """Everything below a folder: mode, time of change, content."""
    found = {}
    for path in sorted(root.rglob("*")):
        about = path.lstat()
        data = path.read_bytes() if stat.S_ISREG(about.st_mode) else b""
        found[str(path.relative_to(root))] = (about.st_mode, about.st_mtime_ns, data)
    return found


def refused_and_untouched(root: Path, name: str) -> None:
    before, at = facts(root.parent), root.lstat().st_mtime_ns
    for how in ({}, {"resume": True}, {"overwrite": True}):
        with pytest.raises(ArtefactError) as caught:
            RunFolder(root, key=KEY, **how)
        assert f"{name} was not left by a run" in str(caught.value) and "move it away" in str(caught.value)
    assert facts(root.parent) == before and root.lstat().st_mtime_ns == at


@pytest.mark.parametrize("beside", ["nothing", "a finished run"])
@pytest.mark.parametrize("case", sorted(STRANGE))
def test_what_others_left_is_refused(tmp_path, case, beside):
    """Catches a user's own `.work` taken for a run's and emptied, and a `.done` or `.lock` deleted with no flag."""
    root = tmp_path / "out"
    root.mkdir()
    if beside == "a finished run":
        RunFolder(root, key=KEY).finish({})
    name, put_there = STRANGE[case]
    put_there(root)
    refused_and_untouched(root, name)
    if beside == "nothing":
        with pytest.raises(ArtefactError, match="holds no run"):
            verify(root)
    else:
        assert name in verify(root).others


@pytest.mark.parametrize("case", sorted(IN_OURS))
def test_what_others_put_into_our_folder_is_refused(tmp_path, case):
    """Catches a file that goes with the work folder, and a checkpoint that leads elsewhere or waits for ever."""
    root = tmp_path / "out"
    RunFolder(root, key=KEY).__exit__(None, None, None)
    name, put_there = IN_OURS[case]
    put_there(root)
    refused_and_untouched(root, name)
    assert not verify(root).good


def test_a_folder_of_the_result_that_is_a_link(tmp_path):
    """Catches a clean-up, a move or a look that leaves the folder by a link in the place of `tables`."""
    root, other = tmp_path / "out", tmp_path / "other"
    folder = RunFolder(root, key=KEY)
    folder.csv("front", pd.DataFrame({"x": [1.0]}))
    folder.finish({})
    (root / "tables").rename(other)
    (root / "tables").symlink_to(other)
    before = facts(other)
    with pytest.raises(ArtefactError, match="is a link to elsewhere or no folder: move it away"):
        verify(root)
    with (
        pytest.raises(ArtefactError, match="is a link to elsewhere or no folder: move it away"),
        RunFolder(root, overwrite=True, key=KEY) as again,
    ):
        again.csv("front", pd.DataFrame({"x": [2.0]}))
    assert facts(other) == before
    with pytest.raises(ArtefactError, match="is a link to elsewhere"), RunFolder(root, overwrite=True, key=KEY) as none:
        none.finish({})
    assert facts(other) == before and (root / MANIFEST).is_file()


def test_a_work_folder_whose_first_file_was_cut_off_is_nobodys(tmp_path, server, whole):
    """Catches a run killed before its mark was whole that has to be cleared away by hand."""
    for at in (1, 2, 3):
        out = tmp_path / str(at)
        assert server.ask(out, kill_at=at, before=True)["signal"] == 9 and (out / WORK).is_dir()
        assert server.finish(out) == whole
    assert small_run.files_of(out) == whole


def test_half_a_work_folder_on_its_way_out_is_known(tmp_path, monkeypatch):
    """Catches a killed clearing-up whose rest is taken for somebody else's."""
    folder = RunFolder(tmp_path, key=KEY)
    folder.csv("front", pd.DataFrame({"x": [1.0]}))
    from explorer.runs import disk

    real = disk.remove

    def cut_off(paths: object) -> None:
        for path in paths:  # type: ignore[attr-defined]
            real([path])
            if path.parent.name == DONE:
                raise KeyboardInterrupt

    monkeypatch.setattr(disk, "remove", cut_off)
    with pytest.raises(KeyboardInterrupt):
        folder.finish({})
    monkeypatch.undo()
    folder.__exit__(None, None, None)
    assert (tmp_path / DONE).is_dir() and verify(tmp_path).good
    RunFolder(tmp_path, overwrite=True, key=KEY).finish({})
    assert not (tmp_path / DONE).exists() and verify(tmp_path).good
