"""Options that several commands share, and how a command reads its study and ends."""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from explorer.cli.terminal import DONE, MODEL_FAILED, NOTHING_FEASIBLE, guarded

if TYPE_CHECKING:
    from explorer.inputs.load import LoadedStudy
    from explorer.study.results import RunResult

WHO_RUNS_CODE = "Whoever reaches the scheduler runs code as the user who started it."

Study = Annotated[Path, typer.Argument(help="Study file (TOML).", metavar="STUDY")]
Out = Annotated[Path | None, typer.Option("--out", help="Folder for the results instead of results/<study name>.")]
Sets = Annotated[list[str] | None, typer.Option("--set", help="KNOB=LEVEL; may be given many times.")]
Json = Annotated[bool, typer.Option("--json", help="One JSON value instead of text.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress, only the answer.")]
Cluster = Annotated[str, typer.Option("--cluster", metavar="ADDRESS", help=f"Dask cluster to use. {WHO_RUNS_CODE}")]
Workers = Annotated[
    int, typer.Option("--workers", min=0, help=f"Worker processes here, on the loopback address only. {WHO_RUNS_CODE}")
]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace the finished run in the folder.")]


ALLOW_OUTSIDE: ContextVar[bool] = ContextVar("allow_outside", default=False)
"""Whether this call of the program may read outside the study's folder."""


def load(path: Path) -> LoadedStudy:
    """Read a study. Raises ConfigError with everything that is wrong with it."""
    from explorer.inputs.load import load_study

    return load_study(path, allow_outside=ALLOW_OUTSIDE.get())


def ended(work: Callable[[], int]) -> None:
    """Run a command and leave with its exit code."""
    raise typer.Exit(guarded(work))


def remark(text: str) -> None:
    """A sentence for the user, beside the answer."""
    print(text, file=sys.stderr)


def verdict(result: RunResult) -> int:
    """Exit code of a whole answer: failures of the model first, then whether anything keeps every limit."""
    from explorer.study.everything.shortlist import NothingFeasible
    from explorer.study.questions.sanity import overturned

    if result.failures.count:
        remark(f"the model had no answer for {result.failures.count} setups; see the report")
        return MODEL_FAILED
    over = overturned(result.table if result.whole is None else result.whole)
    if over.everywhere:
        remark(over.words)
        return NOTHING_FEASIBLE
    return NOTHING_FEASIBLE if isinstance(result.shortlist, NothingFeasible) else DONE
