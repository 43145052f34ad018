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
