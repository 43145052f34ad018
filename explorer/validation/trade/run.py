"""The statements of the trade asked of plausible cars, and the page that says so."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from explorer.flow.pipeline import Clock
from explorer.runs.artefacts import RunFolder
from explorer.study.everything.evaluate import Progress
from explorer.validation.trade import page, statements
from explorer.validation.trade.asking import ask
from explorer.validation.trade.cars import KINDS, VENUES
from explorer.validation.trade.hard import asides, hard_lines
from explorer.validation.trade.judged import judged

SEED = 20_261
CARS, QUICK_CARS = 200, 20
"""Cars of each kind."""


def answers_of(kind: str, count: int, tell: Callable[[], None] | None = None) -> page.Answers:
    """Every line and every promise about `count` cars of a kind; `tell` is called after each venue."""
    lines, liked = statements.lines(), statements.liked()[kind]
    own = ask(kind, liked, SEED, count, tell=tell)
    verdicts = judged(own, lines)
    hard = hard_lines(own, verdicts)
    cars, drawn, notes = len(own.fleet), own.drawn, asides(own, verdicts)
    del own  # a quarter of a gigabyte
    other = ask(kind, liked, SEED, count, alike=False, tell=tell)
    return page.Answers(kind, cars, drawn, verdicts, hard, hard_lines(other, judged(other, lines)), notes)


def prove_trade(
    folder: Path, quick: bool = False, progress: Progress | None = None, overwrite: bool = False
) -> tuple[Path, int]:
    """Ask the statements of the trade; page and tables go into a folder.

    Returns it and how many promises are missed. Raises ArtefactError when the folder cannot be used.
    """
    done = 0

    def tell() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress("trade", done, 2 * len(VENUES) * len(KINDS))

    with RunFolder(folder, overwrite=overwrite) as run:
        clock = Clock()
        count = QUICK_CARS if quick else CARS
        found = [clock.run(kind, partial(answers_of, kind, count, tell)) for kind in KINDS]
        run.csv("lines", page.lines_frame(found))
        run.csv("promises", page.promises_frame(found))
        run.text("report.md", page.page(found, quick))
        missed = sum(not one.met for answer in found for one in answer.hard)
        run.finish(
            {
                "study": "trade",
                "quick": quick,
                "counts": {"cars": sum(one.cars for one in found), "outside": missed},
                "timings_s": {name: round(seconds, 1) for name, seconds in clock.stages},
            }
        )
    return run.root, missed
