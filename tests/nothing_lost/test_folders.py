"""One run per folder, other inputs refused by name, and what `verify` says of all that."""

from __future__ import annotations

import ast
import dataclasses
import errno
import json
import os
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from nothing_lost import small_run
from typer.testing import CliRunner

from explorer.cli.commands import app
from explorer.domain.errors import ArtefactError
from explorer.flow import run_study
from explorer.inputs.load import load_study
from explorer.runs import disk, kept, lock
from explorer.runs.artefacts import RunFolder
from explorer.runs.lock import LOCK, FolderLock
from explorer.runs.records import KEY_FILE, WORK
from explorer.runs.verify import told, verify

RUNNER = CliRunner()


def held(out: Path, **changes: object) -> None:
    """A lock file whose holder is gone."""
    out.mkdir(parents=True, exist_ok=True)
    record = {
        "format": lock.FORMAT,
        "pid": 999_999,
        "host": socket.gethostname(),
        "started": "2030-05-01T10:00:00+02:00",
    }
    (out / LOCK).write_text(json.dumps(record | changes))


def test_two_runs_cannot_share_a_folder(tmp_path):
    """Catches two runs whose files mix, and a message that does not say who is in the way."""
    with RunFolder(tmp_path):
        code = "import sys, pathlib, explorer.runs.artefacts as a; a.RunFolder(pathlib.Path(sys.argv[1]))"
        found = subprocess.run([sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True)
        assert f"in use by a run (process {os.getpid()} on {socket.gethostname()}, since 20" in found.stderr
        with pytest.raises(ArtefactError, match="wait for it, or name another folder"):
            RunFolder(tmp_path, overwrite=True)
    RunFolder(tmp_path, overwrite=True).finish({})


def test_a_stale_lock_is_explained_and_taken_over(tmp_path):
    """Catches a folder that a killed run locks for good, and a lock broken in silence."""
    held(tmp_path)
    said: list[str] = []
    with RunFolder(tmp_path, tell=said.append) as folder:
        assert "process 999999" in said[0] and "that run is gone" in said[0]
        assert json.loads((tmp_path / LOCK).read_text())["pid"] == os.getpid()
        folder.finish({})
    assert not (tmp_path / LOCK).exists()


def test_the_system_alone_says_whether_a_lock_is_held(tmp_path, monkeypatch):
    """Catches a lock that must be deleted by hand once the machine is called otherwise, and a live one that is not
    believed because it names another host."""
    held(tmp_path / "left", host="the name it had", pid=os.getpid())
    said: list[str] = []
    with RunFolder(tmp_path / "left", tell=said.append):
        assert "on the name it had" in said[0] and "that run is gone" in said[0]
    monkeypatch.setattr(lock.socket, "gethostname", lambda: "the other laptop")
    with RunFolder(tmp_path / "live"):
        monkeypatch.undo()
        with pytest.raises(ArtefactError, match="in use by .* on the other laptop, .*: wait for it, or name another"):
            RunFolder(tmp_path / "live", overwrite=True)


def test_a_lock_taken_away_while_waited_for_is_nobodys(tmp_path, monkeypatch):
    """Catches two holders: one of the file that its owner has just deleted, one of the new file."""
    held(tmp_path)
    real, tries = lock._grab, []

    def late(stream):
        if not tries:
            (tmp_path / LOCK).unlink()  # between the opening of the file and the lock on it
        tries.append(stream)
        return real(stream)

    monkeypatch.setattr(lock, "_grab", late)
    second = FolderLock(tmp_path, print)
    monkeypatch.undo()
    assert len(tries) == 2 and json.loads((tmp_path / LOCK).read_text())["pid"] == os.getpid()
    with pytest.raises(ArtefactError, match="in use"):
        FolderLock(tmp_path, print)
    second.release()
    assert list(tmp_path.iterdir()) == []


def test_a_disk_without_second_names_or_locks(tmp_path, monkeypatch):
    """Catches a stick that cannot link a file taken for a fault, and a disk without locks that ends in a traceback."""

    def refused(*_: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(lock.os, "link", refused)
    first = FolderLock(tmp_path, print)
    with pytest.raises(ArtefactError, match="in use"):
        FolderLock(tmp_path, print)
    first.release()
    monkeypatch.setattr(lock.fcntl, "flock", lambda *_: (_ for _ in ()).throw(OSError(errno.ENOLCK, "No locks")))
    with pytest.raises(ArtefactError, match="No locks; name a folder on another disk"):
        FolderLock(tmp_path, print)
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def unfinished(server, study, tmp_path):
    """A folder with an unfinished run of the study."""
    out = tmp_path / "out"
    assert server.ask(out, kinds=["rename"], kill_at=6).get("signal") == 9
    return out


def test_other_inputs_are_refused_by_name(unfinished, study, monkeypatch):
    """Catches answers of another car, model or library that are mixed into this run."""
    loaded = load_study(study)
    before = {path: path.read_bytes() for path in unfinished.rglob("*") if path.is_file() and path.name != LOCK}
    car = loaded.files[1]
    other = dataclasses.replace(loaded, files=(loaded.files[0], dataclasses.replace(car, sha256="0" * 64)))
    with pytest.raises(ArtefactError, match="unfinished run of other inputs: input cars/heron_2wd.toml was"):
        small_run.run(other, unfinished, resume=True)
    key = run_study.inputs_of(loaded, small_run.CHUNK)
    assert {"model", "python", "processor", "setups per chunk", "library numba"} <= set(key)
    for name in key:
        monkeypatch.setattr(run_study, "inputs_of", lambda *_, name=name: {**key, name: "something else"})
        with pytest.raises(ArtefactError, match=f"{name} was .* and is something else"):
            small_run.run(loaded, unfinished, resume=True)
    assert {path: path.read_bytes() for path in before} == before


def test_the_key_follows_the_sources(tmp_path, monkeypatch, study):
    """Catches a changed model that goes on with the old one's answers: a file changed in any folder, or new in one
    further down, changes the key; the page of a report does not."""
    loaded, package = load_study(study), tmp_path / "explorer"
    shutil.copytree(run_study.PACKAGE, package, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(run_study, "PACKAGE", package)
    key = run_study.inputs_of(loaded)
    (package / "report" / "words.py").write_text("changed")
    assert run_study.inputs_of(loaded) == key
    whole = {pattern.partition("/")[0] for pattern in run_study.ANSWERING if "**" in pattern}
    assert whole >= {"model", "study"}
    folders = [folder for name in whole for folder in package.glob(f"{name}/**/") if any(folder.glob("*.py"))]
    for path in [min(folder.glob("*.py")) for folder in folders] + [package / f"{name}/far/down.py" for name in whole]:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a") as stream:
            stream.write("\n")
        changed = kept.differing(key, run_study.inputs_of(loaded))
        assert len(changed) == 1 and changed[0].startswith("model was"), path
        key = run_study.inputs_of(loaded)


def test_the_key_covers_what_answers_import():
    """Catches a module that an answer is worked out with and that is not in the key. Only words, drawings and writing
    to the disk may change without it."""
    covered = run_study.sources_of(run_study.PACKAGE)
    assert all(any(run_study.PACKAGE.glob(pattern)) for pattern in run_study.ANSWERING)
    for path in covered:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").partition(".")[0] == "explorer":
                names = [f"{node.module}.{alias.name}" for alias in node.names] + [node.module]
                files = [run_study.PACKAGE.parent / f"{name.replace('.', '/')}.py" for name in names]
                found = [file for file in files if file.is_file() and file.stem not in ("disk", "kept")]
                left = {file for file in found if run_study.PACKAGE / "report" not in file.parents} - set(covered)
                assert not left, f"{path.name} imports {names}"


def test_a_key_that_cannot_be_read_is_not_guessed(unfinished, study):
    """Catches an unfinished run of nobody knows what that is gone on with."""
    (unfinished / WORK / KEY_FILE).write_text("{")
    with pytest.raises(ArtefactError, match="nobody can tell what the unfinished run"):
        small_run.run(study, unfinished, resume=True)


def test_verify_says_what_is_there(unfinished, server, whole, tmp_path):
    """Catches a damaged file that passes, and an unfinished run that looks finished."""
    result = RUNNER.invoke(app, ["verify", str(unfinished)])
    assert result.exit_code == 2
    for words in ("an unfinished run; --resume goes on", "kept by the unfinished run: 5", "which is gone"):
        assert words in result.stdout
    assert server.finish(unfinished) == whole
    result = RUNNER.invoke(app, ["verify", str(unfinished), "--json"])
    found = json.loads(result.stdout)
    assert result.exit_code == 0 and found["state"] == "finished" and set(found["whole"]) == set(whole)
    (unfinished / "report.md").write_text("other")
    (unfinished / "tables" / "front.csv").unlink()
    (unfinished / "tables" / "mine.csv").write_text("1")
    result = RUNNER.invoke(app, ["verify", str(unfinished)])
    assert result.exit_code == 2
    for line in ("missing: tables/front.csv", "changed since the run: report.md", "not of this run: tables/mine.csv"):
        assert line in result.stdout
    assert told(verify(unfinished)) == result.stdout.strip()
    result = RUNNER.invoke(app, ["verify", str(tmp_path / "nothing")])
    assert result.exit_code == 2 and "holds no run" in result.output


def test_flags_that_exclude_each_other_are_refused(study, tmp_path):
    """Catches a run that is started again although it was to go on."""
    result = RUNNER.invoke(app, ["run", str(study), "--out", str(tmp_path / "o"), "--resume", "--overwrite"])
    assert result.exit_code == 2 and "name one of them" in result.output and not (tmp_path / "o").exists()


def test_a_disk_too_small_is_refused_before_hours_of_work(study, tmp_path, monkeypatch):
    """Catches a run that fills the disk first and complains afterwards."""
    loaded = load_study(study)
    needed = run_study.bytes_needed(loaded.space)
    monkeypatch.setattr(run_study, "free_bytes", lambda folder: needed - 1)
    told = f"a run of 64 setups takes up to {disk.size_text(needed)} there, 1 byte more than is free; make room"
    with pytest.raises(ArtefactError, match=told):
        small_run.run(loaded, tmp_path / "out")
    assert not (tmp_path / "out").exists()
    monkeypatch.setattr(run_study, "free_bytes", disk.free_bytes)
    small_run.run(loaded, tmp_path / "out")
