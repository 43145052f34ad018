"""A real study cut to 64 setups in 8 chunks, whole but for its drawings, so that it can be run some hundred times."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest import mock

from explorer.flow import run_study
from explorer.inputs.load import LoadedStudy, load_study
from explorer.runs.lock import LOCK
from explorer.runs.records import DONE, MANIFEST
from explorer.study.plan.screen import ROUNDS
from explorer.study.results import RunResult

CONFIGS = Path(__file__).parents[2] / "configs"
CHUNK = 8
CHUNKS = 8
ANSWERS = CHUNKS + 1 + len(ROUNDS) + 1
"""Answers that an unfinished run keeps: its chunks, the effect of the assumptions, the rounds of the screen and the
last look."""

PICTURE = b"\x89PNG\r\n\x1a\npicture"


def study_in(folder: Path) -> Path:
    """The study's file, with car and surfaces beside it, in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copytree(CONFIGS / "cars", folder / "cars")
    shutil.copytree(CONFIGS / "surfaces", folder / "surfaces")
    shutil.copytree(CONFIGS / "tyres", folder / "tyres")
    text = (CONFIGS / "2wd_dusty.toml").read_text(encoding="utf-8")
    start, end = text.index("# The car stays level"), text.index("[baseline]")
    text = text[:start] + text[end:]  # the rules name levels that go
    for long, short in (
        ('parts = "all"', 'parts = ["none", "1.1", "1.2", "1.3"]'),
        ("values = [20, 22, 24]", "values = [20, 22]"),
        ('["0.55", "0.70", "0.88"]', '["0.70"]'),
        ('["0.36", "0.47", "0.61"]', '["0.47"]'),
    ):
        assert long in text
        text = text.replace(long, short)
    path = folder / "study.toml"
    path.write_text(text + "\n[uncertainty]\nscenarios = 8\n", encoding="utf-8")
    return path


@contextmanager
def undrawn() -> Iterator[None]:
    """Stands in for the drawings and for the page that bundles a drawing library: seconds each, and the same file
    operations afterwards."""
    with (
        mock.patch("explorer.report.document.all_figures", lambda result, progress=None: {"front": PICTURE}),
        mock.patch("explorer.report.page.report_page", lambda result: "page\n"),
        mock.patch("explorer.report.pit_sheet_pdf.pit_sheet_pdf", lambda *parts: b"%PDF-sheet"),
    ):
        yield


def run(study: LoadedStudy | Path, out: Path, **how: object) -> tuple[Path, RunResult | None]:
    """The run of a study in small chunks."""
    loaded = load_study(study) if isinstance(study, Path) else study
    with undrawn():
        return run_study.run_study(loaded, out, chunk=CHUNK, **how)  # type: ignore[arg-type]


def files_of(out: Path) -> dict[str, bytes]:
    """Everything in a finished folder but `run.json`, whose timings differ, and what a kill after the last file was in
    its place leaves: an empty-handed lock and half of the work folder on its way out."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and path.name not in (MANIFEST, LOCK) and path.relative_to(out).parts[0] != DONE
    }
