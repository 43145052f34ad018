"""A study whose car is measured throughout: what the tests of reading edit, where the starter's car is typical."""

from __future__ import annotations

import shutil
from pathlib import Path

MEASURED = Path(__file__).parent / "data" / "measured"
MEASURED_FILES = ("car.toml", "surface.toml", "study.toml", "tyre.toml")


def write_measured(directory: Path) -> None:
    """Copy the files into a directory, made if it is missing."""
    directory.mkdir(parents=True, exist_ok=True)
    for name in MEASURED_FILES:
        shutil.copyfile(MEASURED / name, directory / name)


def edit(folder: Path, old: str, new: str, name: str = "car.toml") -> int:
    """Replace text in a file; returns the line where it stood."""
    text = (folder / name).read_text(encoding="utf-8")
    assert old in text, old
    (folder / name).write_text(text.replace(old, new, 1), encoding="utf-8")
    return text[: text.index(old)].count("\n") + 1
