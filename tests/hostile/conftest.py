"""A study of the starter files, free to be broken, and the command line in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from explorer.starter import write_starter

ROOT = Path(__file__).parents[2]
Edit = Callable[[str, str, str], None]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The starter files in a folder of their own, `box/team`, with room beside it for what lies outside."""
    inside = tmp_path / "box" / "team"
    write_starter(inside)
    return inside


@pytest.fixture
def edit(folder: Path) -> Edit:
    """Replace a piece of a starter file, which must be there."""

    def work(name: str, old: str, new: str) -> None:
        text = (folder / name).read_text(encoding="utf-8")
        assert old in text, old
        (folder / name).write_text(text.replace(old, new, 1), encoding="utf-8")

    return work


def command(*words: object, cwd: Path, seconds: float = 120.0) -> subprocess.CompletedProcess[str]:
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
