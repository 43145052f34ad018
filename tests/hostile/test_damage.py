"""Any bytes and any file in a folder of results: a sentence with a way out or a whole result, soon, nothing outside."""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import re
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from damage import KEY, PRECIOUS, RECORDS, STATES, Watch, accident, answered, changed, made
from door import STEERS_A_TERMINAL

from explorer.cli.terminal import BAD_INPUT, DONE, guarded, plain
from explorer.domain.errors import ArtefactError
from explorer.flow.comparing import compared
from explorer.runs import artefacts, disk
from explorer.runs.artefacts import RunFolder
from explorer.runs.codec import unpack
from explorer.runs.records import ANSWERS, KEY_FILE, MANIFEST, MOVES, WORK
from explorer.runs.verify import told, verify

FLAGS: tuple[dict[str, bool], ...] = ({}, {"resume": True}, {"overwrite": True})
WAY_OUT = re.compile(r"--overwrite|--resume|--out|another folder|move it away|wait for it")
HANGS = 120
"""Nothing here takes a second: after so many the process waits for something that never comes. [s]"""


@pytest.fixture(scope="module")
def watch() -> Watch:
    return Watch()


@pytest.fixture(scope="module")
def states(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a folder of results in every state."""
    top = tmp_path_factory.mktemp("states")
    for state in STATES:
        made(top / state, state)
    return top


@pytest.fixture(autouse=True)
def promptly(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """No waiting for the disk, which no process here outlives; none for a pipe either."""
    monkeypatch.setattr(os, "fsync", lambda handle: None)
    monkeypatch.setattr(artefacts, "versions", lambda: {"python": "3"})

    def late(*_: object) -> None:
        raise TimeoutError("it hangs")

    before = signal.signal(signal.SIGALRM, late)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


def looked_at(root: Path, good: Path) -> None:
    """`verify` and `compare` as the commands do them."""

    def work() -> int:
        found = verify(root)
        print(told(found))
        json.dumps(plain(found), allow_nan=False)
        return DONE if found.good else BAD_INPUT

    def beside() -> int:
        print(compared(root, good, {}, {}).text)
        return DONE

    for ask in (work, beside):
        said = io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            code = guarded(ask)
        assert code in (DONE, BAD_INPUT), said.getvalue()
        assert not STEERS_A_TERMINAL.search(said.getvalue()), said.getvalue()


def theirs(root: Path) -> set[Path]:
    return {path for path in root.rglob("*") if disk.regular(path) and path.read_bytes() == PRECIOUS}


def run_in(root: Path, how: dict[str, bool]) -> None:
    """A run with one set of flags: refused with a way out, or a whole result; what is not ours stays."""
    before = theirs(root)
    try:
        with RunFolder(root, key=KEY, **how) as folder:
            if not folder.finished:
                answered(folder)
    except ArtefactError as fault:
        assert WAY_OUT.search(str(fault)), fault
        assert not STEERS_A_TERMINAL.search(str(fault).replace(str(root), "")), fault
    else:
        assert verify(root).good
    assert theirs(root) == before


def endured(root: Path, watch: Watch, good: Path) -> None:
    """Every question and every run on a folder, each run on a copy."""
    signal.alarm(HANGS)
    with watch.within(root.parent / "run"):
        looked_at(root, root)
    looked_at(root, good)
    copy = root.with_name("copy")
    for how in FLAGS:
        shutil.copytree(root, copy, symlinks=True, copy_function=copied)
        for path in root.rglob("*"):  # pipes are not copied
            if not path.is_symlink() and path.is_fifo():
                os.mkfifo(copy / path.relative_to(root))
        with watch.within(copy):
            run_in(copy, how)
        shutil.rmtree(copy)
    signal.alarm(0)


def copied(old: str, new: str) -> None:
    if disk.regular(Path(old)):
        shutil.copyfile(old, new)


def fresh(states: Path, state: str, tmp_path: Path) -> Path:
    """A copy of a folder in some state, and something precious beside it."""
    root = tmp_path / "run"
    if root.exists():
        shutil.rmtree(root)
    shutil.copytree(states / state, root)
    (tmp_path / "outside").mkdir(exist_ok=True)
    (tmp_path / "outside" / "precious.txt").write_bytes(PRECIOUS)
    (tmp_path / "precious.txt").write_bytes(PRECIOUS)
    return root


COUNTS = [pytest.param(range(80)), pytest.param(range(80, 2_080), marks=pytest.mark.long)]


@pytest.mark.parametrize("seeds", COUNTS, ids=["slice", "2,000"])
def test_changed_records(states, watch, tmp_path, seeds):
    """Catches a traceback on a record that is not as a run leaves it, and a name in it that leads elsewhere."""
    for seed in seeds:
        chance = random.Random(seed)
        root = fresh(states, chance.choice(STATES), tmp_path)
        there = [root / name for name in RECORDS if (root / name).is_file()]
        if there:
            path = chance.choice(there)
            path.write_bytes(changed(chance, path.read_bytes()))
        with told_of(seed):
            endured(root, watch, states / "finished")
        assert (tmp_path / "precious.txt").read_bytes() == PRECIOUS


@pytest.mark.parametrize("seeds", COUNTS, ids=["slice", "2,000"])
def test_damaged_folders(states, watch, tmp_path, seeds):
    """Catches a hang on a pipe, a link followed out of the folder, a stranger's file deleted, a traceback."""
    for seed in seeds:
        chance = random.Random(seed)
        root = fresh(states, chance.choice(STATES), tmp_path)
        for _ in range(chance.choice((1, 1, 2, 3))):
            accident(chance, root)
        with told_of(seed):
            endured(root, watch, states / "finished")
        outside = tmp_path / "outside"
        assert [path.name for path in outside.iterdir()] == ["precious.txt"]
        assert (outside / "precious.txt").read_bytes() == PRECIOUS


@contextlib.contextmanager
def told_of(seed: int) -> Iterator[None]:
    """A finding names its number."""
    try:
        yield
    except BaseException as fault:
        fault.add_note(f"seed {seed}")
        raise


def test_missing_inputs_are_said(states, tmp_path):
    """Catches good answers thrown away in silence because nobody knows what they are about."""
    root = fresh(states, "unfinished", tmp_path)
    (root / WORK / KEY_FILE).unlink()
    answers = set((root / WORK / ANSWERS).iterdir())
    found = verify(root)
    assert len(found.kept) == 3 and "nobody can tell what the kept answers are about: --overwrite" in told(found)
    with pytest.raises(ArtefactError, match="3 kept answers cannot be used: --overwrite starts again, --out"):
        RunFolder(root, key=KEY, resume=True)
    assert set((root / WORK / ANSWERS).iterdir()) == answers


@pytest.mark.parametrize("text", ["null", "3", '{"format": "setup-space run 1", "inputs": 3}', "[" * 100_000, "{"])
@pytest.mark.parametrize("name", [KEY_FILE, MOVES])
def test_records_that_hold_something_else(states, tmp_path, name, text):
    """Catches a traceback on a number where names belong, and a refusal that leaves the user alone."""
    root = fresh(states, "to be moved", tmp_path)
    (root / WORK / name).write_text(text)
    assert re.search("--resume writes it again|--overwrite starts again", told(verify(root)))
    for how in FLAGS:
        copy = shutil.copytree(root, tmp_path / f"copy {len(how)} {'resume' in how}")
        run_in(copy, how)
        assert verify(copy).good is ("overwrite" in how or ("resume" in how and name == MOVES))


def test_names_that_lead_elsewhere_are_not_even_looked_at(states, watch, tmp_path):
    """Catches a file outside that is opened, hashed and told."""
    for name in ("../precious.txt", str(tmp_path / "precious.txt"), "tables/../../precious.txt", ".work/x"):
        root = fresh(states, "finished", tmp_path)
        record = json.loads((root / MANIFEST).read_text())
        record["files"][name] = record["files"]["report.md"]
        (root / MANIFEST).write_text(json.dumps(record))
        with watch.within(root), pytest.raises(ArtefactError, match="no name of a result file; choose another folder"):
            verify(root)


def test_what_is_read_from_a_folder_steers_no_terminal(states, tmp_path):
    """Catches escape codes in a study's name, a file's name or a lock that reach the terminal as they are."""
    root = fresh(states, "finished", tmp_path)
    record = json.loads((root / MANIFEST).read_text())
    record["study"] = "\x1b[2Jmine\u202e"
    (root / MANIFEST).write_text(json.dumps(record))
    (root / "\x1b[31mred.txt").write_text("x")
    (root / ".lock").write_text(json.dumps({"format": "setup-space lock 1", "pid": "\x1b[0m", "host": "\x07"}))
    said = told(verify(root))
    assert not STEERS_A_TERMINAL.search(said) and "\\x1b[31mred.txt" in said and "\\x1b[0m" in said


@pytest.mark.parametrize(
    "value",
    [{"kind": ["explorer.__main__", "main"], "fields": {}}, {"kind": ["os", "system"], "fields": {}}, {"dict": [[1]]},
     {"kind": ["explorer.domain.errors"], "fields": {}}, {"array": ["<f8", [2], 0, 8]}, {"array": ["O", [1], 0, 8]},
     {"float": "0x1p99999"}, {"tuple": 3}, {}],
)  # fmt: skip
def test_an_answer_made_up_by_hand_runs_nothing(value):
    """Catches a well-formed answer that starts the program, imports what is no answer, or ends in a traceback."""
    text = json.dumps(value).encode()
    with pytest.raises(ArtefactError, match="a kept answer cannot be read"):
        unpack(len(text).to_bytes(8, "little") + text + bytes(8), None)  # type: ignore[arg-type]
