"""The command line in a process of its own, and what the tests of this folder share."""

from __future__ import annotations

import os
import subprocess
import sys
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


PEAK = """
import atexit, pathlib, re
def told():
    found = re.search(r"VmHWM:\\s+(\\d+) kB", pathlib.Path("/proc/self/status").read_text())
    pathlib.Path({where!r}).write_text(found[1])
atexit.register(told)
"""
"""What a child says of its own memory: what the system counts for a child begins with what its parent had."""


def measured(code: str, words: list[str], cwd: Path) -> tuple[subprocess.CompletedProcess[str], int]:
    """A Python process of some code and the most memory it had [bytes]."""
    where = cwd / "peak"
    whole = PEAK.format(where=str(where)) + code
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    found = subprocess.run(
        [sys.executable, "-c", whole, *words],
        cwd=cwd, env=environment, capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    return found, 1024 * int(where.read_text())
