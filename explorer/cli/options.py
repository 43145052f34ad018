"""Options that several commands share, and how a command reads its study and ends."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stdout
from contextvars import ContextVar
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from explorer.cli.terminal import DONE, MODEL_FAILED, NOTHING_FEASIBLE, guarded
from explorer.domain.errors import ExplorerError

if TYPE_CHECKING:
    from explorer.domain.space import Space
    from explorer.inputs.load import LoadedStudy
    from explorer.study.results import RunResult


def _space_of(ctx: typer.Context) -> Space | None:
    """What the study named so far on the command line holds; None where it cannot be read, for a shell shows no
    message while it completes."""
    named = [ctx.params.get("study"), ctx.params.get("first"), *ctx.args]  # an option without its value leaves them
    try:
        return next((load(Path(path)).space for path in named if path), None)
    except (ExplorerError, OSError):
        return None


@contextmanager
def whole_words() -> Iterator[None]:
    """bash cuts the words of a line at "=" before it asks for completions, and puts in place what stands behind it:
    put KNOB=LEVEL together for the question and cut the answer."""
    words = os.environ.get("COMP_WORDS", "")
    if " =" not in words or os.environ.get("_SETUP_SPACE_COMPLETE") != "complete_bash":
        yield
        return
    os.environ["COMP_WORDS"] = whole = re.sub(r" = ?", "=", words)
    os.environ["COMP_CWORD"] = str(len(whole.split()) - 1)
    with redirect_stdout(StringIO()) as told:
        try:
            yield
        finally:
            cut = [line.partition("=")[2] for line in told.getvalue().split()]
            print("\n".join(cut), file=sys.__stdout__)


def complete_set(ctx: typer.Context, incomplete: str) -> list[str]:
    """KNOB= for a knob, then KNOB=LEVEL, as the study has them."""
    space = _space_of(ctx)
    name, mark, _ = incomplete.partition("=")
    knobs = space.knobs if space is not None else ()
    words = [f"{one.name}=" for one in knobs]
    if mark:
        words = [f"{name}={label}" for one in knobs if one.name == name for label in one.labels]
    return [word for word in words if word.startswith(incomplete)]


def complete_knob(ctx: typer.Context, incomplete: str) -> list[str]:
    """A knob of the study."""
    space = _space_of(ctx)
    return [one.name for one in space.knobs if one.name.startswith(incomplete)] if space is not None else []


def complete_metric(ctx: typer.Context, incomplete: str) -> list[tuple[str, str]]:
    """A metric, a phase of the study before it where it has one, with what it is."""
    from explorer.model.metrics import describe, metric_columns

    space = _space_of(ctx)
    names = metric_columns(space.phase_names) if space is not None else ()
    return [(name, describe(name).label) for name in names if name.startswith(incomplete)]


def complete_symptom(incomplete: str) -> list[tuple[str, str]]:
    """A key of what a driver says, with the words."""
    from explorer.study.pits.symptoms import SYMPTOMS

    return [(key, words) for key, words in SYMPTOMS if key.startswith(incomplete)]


WHO_RUNS_CODE = "Whoever reaches the scheduler runs code as the user who started it."

Study = Annotated[Path, typer.Argument(help="Study file (TOML).", metavar="STUDY")]
Out = Annotated[Path | None, typer.Option("--out", help="Folder for the results instead of results/<study name>.")]
Sets = Annotated[
    list[str] | None,
    typer.Option("--set", help="KNOB=LEVEL; may be given many times.", autocompletion=complete_set),
]
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
