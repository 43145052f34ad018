"""The program held against numbers from elsewhere, as a page with tables and figures."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

from explorer.domain.errors import ExplorerError, SpaceError
from explorer.flow.pipeline import Clock
from explorer.inputs.load import load_study
from explorer.runs.artefacts import RunFolder
from explorer.study.everything.evaluate import Progress
from explorer.validation import page
from explorer.validation.results import ProofSection

STARTER_STUDY = Path(str(files("explorer.inputs.starter"))) / "study.toml"
"""The study that statistics are proved on: it comes with the package."""


Proof = Callable[[Path, bool, Progress | None, bool], tuple[Path, int]]
"""Folder, whether to be quick, progress, whether to write over it -> the folder, and how many checks missed."""


def part(only: str) -> Proof:
    """What proves the part of this name, all of it for "". Raises SpaceError for another name."""
    if only == "":
        return prove
    if only != "trade":
        raise SpaceError(f"--only {only!r}: there is one part to ask for alone, trade")
    from explorer.validation.trade.run import prove_trade

    return prove_trade


def prove(
    folder: Path, quick: bool = False, progress: Progress | None = None, overwrite: bool = False
) -> tuple[Path, int]:
    """Hold the program against numbers from elsewhere; the page, tables and figures go into a folder.

    Returns the folder and how many checks missed their bar. Raises ExplorerError when the checkers are not installed.
    """
    try:
        from explorer.validation import bars, independent, motion, statistics, wheel_loads
    except ImportError as fault:
        raise ExplorerError(
            f"the proof needs checkers that are not installed ({fault.name}): install the extra, pip install '.[proof]'"
        ) from fault
    from explorer.report import figures

    with RunFolder(folder, overwrite=overwrite) as run:
        clock = Clock()
        space = load_study(STARTER_STUDY).space
        sections: list[ProofSection] = []
        sections.append(clock.run("multibody", lambda: wheel_loads.multibody_section(quick, progress)))
        sections += clock.run("wishbones", lambda: independent.wishbone_sections(quick, progress))
        sections.append(clock.run("bars", lambda: bars.bars_section(quick, progress)))
        sections += clock.run("motion", lambda: motion.motion_sections(quick, progress))
        sections += clock.run("statistics", lambda: statistics.statistics_sections(space, quick, progress))
        run.csv("comparisons", page.comparisons_table(sections))
        drawn = []
        for section in sections:
            if section.rows:
                run.csv(section.stem, page.section_table(section))
            for drawing in section.drawings:
                run.png(drawing.stem, figures.draw_comparison(drawing))
                drawn.append(drawing.stem)
        run.text("report.md", page.page(sections, quick, drawn))
        missed = sum(len(section.failed) for section in sections)
        run.finish(
            {
                "study": "proof",
                "quick": quick,
                "counts": {"comparisons": sum(len(section.comparisons) for section in sections), "outside": missed},
                "timings_s": {name: round(seconds, 1) for name, seconds in clock.stages},
            }
        )
    return run.root, missed
