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
