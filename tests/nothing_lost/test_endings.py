"""Ctrl-C, a full disk, a folder that cannot be written: clear words, the right exit code, nothing lost."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from nothing_lost import small_run

from explorer.runs.artefacts import changed_files
from explorer.runs.records import ANSWERS, WORK
from explorer.runs.verify import verify

CONFIGS = small_run.CONFIGS
SOON = 2.0
"""Ctrl-C to the end, in seconds of the one core a run is given: a busy machine is no fault. [s]"""

HANGS = 600.0
"""After so long nobody waits any longer. [s]"""

ONE_CORE = {"NUMBA_NUM_THREADS": "1"}


def started(*words: object, **more: object) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "explorer", *map(str, words)]
    # a shell that starts the tests in the background has them, and all they start, ignore Ctrl-C
    more.setdefault("preexec_fn", lambda: signal.signal(signal.SIGINT, signal.default_int_handler))
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more)  # type: ignore[call-overload,no-any-return]


def until(happened, seconds: float = HANGS) -> None:
    end = time.monotonic() + seconds
    while not happened():
        assert time.monotonic() < end
        time.sleep(0.02)


def interrupted(process: subprocess.Popen[str], times: int = 1) -> tuple[float, int, str]:
    """(seconds of a core to the end, exit code, what was said) of a process sent Ctrl-C."""
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    before = cpu_of(process.pid)
    for turn in range(times):
        time.sleep(0.1 * bool(turn))
        process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=HANGS)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = used.ru_utime + used.ru_stime - ended.ru_utime - ended.ru_stime
    return spent - before, process.returncode, said


def cpu_of(pid: int) -> float:
    """Seconds of a core that a running process has used."""
    user, system = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11:13]
    return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")


def test_ctrl_c_in_a_run_keeps_what_was_worked_out(tmp_path):
    """Catches a run that ignores Ctrl-C, ends with a traceback, or throws its answers away."""
    out = tmp_path / "out"
    process = started("run", CONFIGS / "demo.toml", "--out", out, "--quiet", env=os.environ | ONE_CORE)
    until(lambda: process.poll() is not None or len(list((out / WORK / ANSWERS).glob("*.kept"))) >= 2)
    seconds, code, said = interrupted(process)
    assert seconds < SOON and code == 130
    assert said.strip().endswith("run --resume goes on with an unfinished run") and "Traceback" not in said
    found = verify(out)
    assert found.state == "unfinished" and len(found.kept) >= 2 and not found.damaged


@pytest.mark.long
@pytest.mark.parametrize("times", [1, 2])
@pytest.mark.parametrize("wait", [1.5, 4.0, 7.0, 10.0])
def test_ctrl_c_while_the_model_is_compiled(tmp_path, times, wait):
    """Catches a compiler that keeps the program from ending, and a second Ctrl-C that has to wait. `wait` is in seconds
    of a core."""
    process = started("show", CONFIGS / "demo.toml", env=os.environ | {"NUMBA_CACHE_DIR": str(tmp_path)})
    until(lambda: process.poll() is not None or cpu_of(process.pid) >= wait)
    assert process.poll() is None, "compiled already: wait less"
    seconds, code, said = interrupted(process, times)
    assert code in (130, -signal.SIGINT) and seconds < (SOON if times == 1 else 1.0) and "Traceback" not in said


def test_a_full_disk_is_named_and_the_earlier_result_stays(tmp_path, study, server):
    """Catches a traceback, half a file or a lost result when no more can be written (here: a limit on file size)."""
    out = tmp_path / "out"
    server.ask(out)

    def little() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (9_000, 9_000))

    cached = os.environ | ONE_CORE
    process = started("run", study, "--out", out, "--overwrite", "--quiet", preexec_fn=little, env=cached)
    _, said = process.communicate(timeout=HANGS)
    assert process.returncode == 2 and "cannot write" in said and "File too large" in said and "Traceback" not in said
    assert changed_files(out) == ()


def mounted(folder: Path, size: str) -> bool:
    folder.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], capture_output=True)
    return made.returncode == 0


def test_a_small_disk_fills_up(tmp_path, study):
    """Catches what a limit on file size does not show: a real disk without room."""
    folder = tmp_path / "disk"
    if shutil.which("mount") is None or not mounted(folder, "160k"):
        pytest.skip("this user may not mount a small disk")
    try:
        process = started("run", study, "--out", folder / "out", "--quiet")
        _, said = process.communicate(timeout=HANGS)
        assert process.returncode == 2 and "No space left on device" in said and "Traceback" not in said
        assert verify(folder / "out").state == "unfinished"
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def test_a_folder_that_cannot_be_written_is_named(tmp_path, study):
    """Catches a traceback, and hours of work before the folder is tried."""
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o555)
    file = tmp_path / "file"
    file.write_text("x")
    root = os.getuid() == 0
    cases = {file: "is a file; results need a folder", file / "below": "cannot write"}
    if not root:
        cases[locked / "out"] = "cannot write"
    for out, words in cases.items():
        process = started("run", study, "--out", out, "--quiet")
        _, said = process.communicate(timeout=HANGS)
        assert process.returncode == 2 and words in said and "Traceback" not in said, (out, said)
    if root:  # who may write everywhere tries a file system that nobody may write
        process = started("run", study, "--out", "/proc/results", "--quiet")
        _, said = process.communicate(timeout=HANGS)
        assert process.returncode == 2 and "cannot write /proc/results" in said and "Traceback" not in said
