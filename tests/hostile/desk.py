"""The command line in a process of its own, and what the tests of this folder share."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
Edit = Callable[[str, str, str], None]


def command(*words: object, cwd: Path, seconds: float = 600.0) -> subprocess.CompletedProcess[str]:
    """The command line as a person starts it, in `cwd`."""
    return subprocess.run(
        [sys.executable, "-m", "explorer", *map(str, words)],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=seconds,
        check=False,
    )


def measured(
    words: list[str], cwd: Path, seconds: float = 600.0
) -> tuple[subprocess.CompletedProcess[str], resource.struct_rusage]:
    """A process and what it took, the children it waited for included and nobody else's."""
    with tempfile.TemporaryFile("w+") as said, tempfile.TemporaryFile("w+") as complained:
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        child = subprocess.Popen(words, cwd=cwd, env=environment, stdout=said, stderr=complained)
        guard = threading.Timer(seconds, child.kill)
        guard.start()
        _, status, usage = os.wait4(child.pid, 0)
        guard.cancel()
        child.returncode = os.waitstatus_to_exitcode(status)
        said.seek(0)
        complained.seek(0)
        return subprocess.CompletedProcess(words, child.returncode, said.read(), complained.read()), usage
