"""A study of a measured car, free to be broken."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from hostile.desk import Edit

from tests.measured import write_measured


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The files of a measured car in a folder of their own, `box/team`, with room beside it for what lies outside."""
    inside = tmp_path / "box" / "team"
    write_measured(inside)
    with (inside / "study.toml").open("a", encoding="utf-8") as stream:
        stream.write("\n[uncertainty]\nscenarios = 8\n")
    return inside


@pytest.fixture
def edit(folder: Path) -> Edit:
    """Replace a piece of a file, which must be there."""

    def work(name: str, old: str, new: str) -> None:
        text = (folder / name).read_text(encoding="utf-8")
        assert old in text, old
        (folder / name).write_text(text.replace(old, new, 1), encoding="utf-8")

    return work
