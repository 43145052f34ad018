"""The command line: arguments, progress, exit codes. Heavy imports wait until a command needs them.

Exit codes: 0 done, 2 bad input, 3 nothing feasible, 4 the model failed somewhere, 130 interrupted.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from explorer.errors import ArtefactError, ConfigError, ExplorerError, ModelError, SpaceError

if TYPE_CHECKING:
    from explorer.config import LoadedStudy
    from explorer.study.results import RunResult

DONE, BAD_INPUT, NOTHING_FEASIBLE, MODEL_FAILED, INTERRUPTED = 0, 2, 3, 4, 130

app = typer.Typer(
    name="setup-space",
    help="Which bars, springs and ride heights to take: one study file in, a ranked and shortlisted setup space out.",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Study = Annotated[Path, typer.Argument(help="Study file (TOML).", metavar="STUDY")]
Out = Annotated[Path | None, typer.Option("--out", help="Folder for the results instead of results/<study name>.")]
Sets = Annotated[list[str] | None, typer.Option("--set", help="KNOB=LEVEL; may be given many times.")]


class Progress:
    """Progress on a terminal as a bar, otherwise as plain lines, one at the start and one at the end of a stage."""

    def __init__(self) -> None:
        self._bar: Any = None
        self._task: Any = None
        self._stage = ""

    def __enter__(self) -> Progress:
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import Progress as Bar

            self._bar = Bar(console=Console(stderr=True), transient=True)
            self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()

    def __call__(self, stage: str, done: int, total: int) -> None:
        if self._bar is None:
            if stage != self._stage:
                print(f"{stage}: 0 of {total:,}", file=sys.stderr)
                self._stage = stage
            if done >= total:
                print(f"{stage}: {done:,} of {total:,}", file=sys.stderr)
            return
        if stage != self._stage:
            self._task = self._bar.add_task(stage, total=total)
            self._stage = stage
        self._bar.update(self._task, completed=done, total=total)


def _load(path: Path) -> LoadedStudy:
    from explorer.config import load_study

    return load_study(path)


def _guarded(work: Callable[[], int]) -> None:
    """Run a command; turn every error of ours into a message and an exit code."""
    try:
        code = work()
    except ConfigError as fault:
        for problem in fault.problems:
            print(problem, file=sys.stderr)
        print(f"{len(fault.problems)} problem(s) found; nothing was run", file=sys.stderr)
        code = BAD_INPUT
    except (SpaceError, ArtefactError) as fault:
        print(fault, file=sys.stderr)
        code = BAD_INPUT
    except ModelError as fault:
        print(fault, file=sys.stderr)
        code = MODEL_FAILED
    except ExplorerError as fault:
        print(fault, file=sys.stderr)
        code = BAD_INPUT
    except KeyboardInterrupt:
        print("interrupted; no finished result was changed", file=sys.stderr)
        code = INTERRUPTED
    except BrokenPipeError:
        # the reader has seen enough; keep the interpreter from complaining at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = DONE
    except OSError as fault:
        print(f"cannot read or write: {fault}", file=sys.stderr)
        code = BAD_INPUT
    raise typer.Exit(code)


def _choices(sets: list[str] | None) -> dict[str, str]:
    choices: dict[str, str] = {}
    for text in sets or []:
        knob, mark, level = text.partition("=")
        if not mark:
            raise SpaceError(f"--set {text!r}: write KNOB=LEVEL, for example --set front_bar=1.2")
        choices[knob.strip()] = level.strip()
    return choices


def _verdict(result: RunResult) -> int:
    from explorer.study.shortlist import NothingFeasible

    if result.failures.count:
        print(f"the model had no answer for {result.failures.count} setups; see the report", file=sys.stderr)
        return MODEL_FAILED
    return NOTHING_FEASIBLE if isinstance(result.shortlist, NothingFeasible) else DONE


def _print_table(frame: Any) -> None:
    print(frame.dropna(axis=1, how="all").to_string(index=False), flush=True)


@app.command()
def new(directory: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for the starter files.")]) -> None:
    """Write a commented starter car, surface and study that say how to measure each number."""

    def work() -> int:
        from explorer.starter import write_starter

        for path in write_starter(directory):
            print(path)
        return DONE

    _guarded(work)


@app.command()
def check(study: Study) -> None:
    """Read a study with its car and surface, and say what it asks or everything that is wrong with it."""

    def work() -> int:
        space = _load(study).space
        print(f"{space.name}: {space.car} on {space.surface}, seed {space.seed}")
        for knob in space.knobs:
            what = ", ".join(knob.labels)
            if knob.continuous:
                what = f"{knob.values[0]:g} to {knob.values[1]:g} {knob.unit}"
            print(f"  {knob.name}: {what}")
        size = f"{space.size:,} setups" if space.exhaustive else "too many or continuous setups: searched, not listed"
        print(f"{size}; {len(space.phase_names)} phases: {', '.join(space.phase_names)}")
        print(f"{len(space.assumptions)} inputs assumed, not measured:")
        for item in space.assumptions:
            print(f"  {item.key} = {item.value:g} +- {item.spread:g}: {item.reason}")
        return DONE

    _guarded(work)


@app.command()
def show(
    study: Study,
    sets: Sets = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object: setup, metrics by name.")] = False,
) -> None:
    """Every metric of one setup: the baseline, with the knobs you set."""

    def work() -> int:
        import numpy as np

        from explorer.model.metrics import describe
        from explorer.study.evaluate import table_of

        space = _load(study).space
        positions = space.setup(_choices(sets))
        if not space.allowed(positions[None, :])[0]:
            raise SpaceError("this setup is forbidden by a rule of the study")
        table = table_of(space, np.array([positions]))
        if not table.valid[0]:
            raise ModelError("the model has no answer for this setup")
        setup = dict(zip(space.knob_names, space.labels(positions), strict=True))
        metrics: dict[str, Any] = {}
        for name, value in table.row(0).items():
            codes = describe(name).codes
            metrics[name] = codes[int(value)] if codes else value
        if as_json:
            print(json.dumps({"setup": setup, "metrics": metrics}, indent=2, allow_nan=False))
            return DONE
        for name, label in setup.items():
            print(f"{name:36s} {label}")
        for name, value in metrics.items():
            text = value if isinstance(value, str) else f"{value:.3f} {describe(name).unit}"
            print(f"{name:36s} {text}")
        return DONE

    _guarded(work)


@app.command()
def rank(study: Study) -> None:
    """Which knob matters most for each metric."""

    def work() -> int:
        from explorer import pipeline
        from explorer.report import tables

        with Progress() as progress:
            indices, note, table = pipeline.sensitivity(_load(study), progress)
        if indices is None:
            print(note, file=sys.stderr)
            return MODEL_FAILED if not table.valid.all() else BAD_INPUT
        _print_table(tables.sensitivity_table(indices, None))
        return DONE

    _guarded(work)


@app.command()
def search(study: Study) -> None:
    """Multi-objective search, held against the exact front where the space can be listed."""

    def work() -> int:
        from explorer import pipeline
        from explorer.report import tables

        with Progress() as progress:
            found, against = pipeline.searched(_load(study), progress)
        _print_table(tables.front_table(found.table, found.front))
        print(f"{len(found.table):,} setups looked at, {found.feasible:,} keep every limit", file=sys.stderr)
        if against is not None:
            print(
                f"found {against.recall:.1%} of the exact front's points, "
                f"{against.hypervolume_ratio:.1%} of its hypervolume",
                file=sys.stderr,
            )
        return DONE if len(found.front) else NOTHING_FEASIBLE

    _guarded(work)


@app.command("map")
def map_command(
    study: Study,
    x: Annotated[str, typer.Argument(metavar="X", help="Knob along the page.")],
    y: Annotated[str, typer.Argument(metavar="Y", help="Knob up the page.")],
    metric: Annotated[str, typer.Argument(metavar="METRIC", help="For example hairpin.balance_pct.")],
    best: Annotated[bool, typer.Option("--best", help="Other knobs at their best, not at the baseline.")] = False,
) -> None:
    """Any metric over any two knobs, as a table."""

    def work() -> int:
        from explorer import pipeline
        from explorer.report import tables

        with Progress() as progress:
            found = pipeline.one_map(_load(study), x, y, metric, "best" if best else "baseline", progress)
        _print_table(tables.map_table(found))
        return DONE

    _guarded(work)


@app.command()
def shortlist(study: Study) -> None:
    """A handful of setups to take to the event, each with its reason."""

    def work() -> int:
        from explorer import pipeline
        from explorer.report import tables

        with Progress() as progress:
            result = pipeline.answer(_load(study), progress, assumptions=False)
        _print_table(tables.shortlist_table(result))
        return _verdict(result)

    _guarded(work)


@app.command()
def plan(study: Study) -> None:
    """What to take whatever the grip is, what to measure first, what to change in which pit stop."""

    def work() -> int:
        from explorer import pipeline

        with Progress() as progress:
            text, found = pipeline.planned(_load(study), progress)
        print(text)
        return DONE if found else NOTHING_FEASIBLE

    _guarded(work)


@app.command("next")
def next_command(
    study: Study,
    symptom: Annotated[str, typer.Option("--symptom", help="What the driver says; leave it out for the list.")] = "",
    sets: Sets = None,
    nominal: Annotated[
        bool, typer.Option("--nominal", help="At the best guess only, not over what is unknown.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
) -> None:
    """Which single part to change next against a symptom, from the baseline or the setup you set."""

    def work() -> int:
        from explorer import pipeline
        from explorer.study.ladder import SYMPTOMS

        if not symptom:
            for key, text in SYMPTOMS:
                print(f"{key:20s} {text}")
            return DONE
        loaded = _load(study)
        found = pipeline.next_change(loaded, symptom, _choices(sets), nominal)
        if as_json:
            print(json.dumps(found.facts, indent=2, allow_nan=False))
            return DONE
        print(found.text)
        return DONE

    _guarded(work)


@app.command()
def compare(
    study: Study,
    other: Annotated[
        Path | None, typer.Argument(help="Another study, to compare across venues.", metavar="OTHER")
    ] = None,
    sets: Sets = None,
    other_sets: Annotated[list[str] | None, typer.Option("--with", help="KNOB=LEVEL of the second setup.")] = None,
    every: Annotated[bool, typer.Option("--all", help="Also what nobody can tell apart.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object.")] = False,
) -> None:
    """Two setups side by side, of one study or of two: parts, every metric, limits."""

    def work() -> int:
        from explorer import pipeline

        first = _load(study)
        second = _load(other) if other is not None else first
        found = pipeline.side_by_side(first, second, _choices(sets), _choices(other_sets), every)
        print(json.dumps(found.facts, indent=2, allow_nan=False) if as_json else found.text)
        return DONE

    _guarded(work)


@app.command()
def run(
    study: Study,
    out: Out = None,
    cluster: Annotated[str, typer.Option("--cluster", metavar="ADDRESS", help="Dask cluster to use.")] = "",
    workers: Annotated[int, typer.Option("--workers", min=0, help="Worker processes on this machine.")] = 0,
) -> None:
    """Everything: indices, fronts, maps, one-change table, shortlist, figures and report."""

    def work() -> int:
        from explorer import pipeline

        loaded = _load(study)
        with Progress() as progress, pipeline.parts_from(cluster, workers) as maker:
            result = pipeline.answer(loaded, progress, maker=maker)
            print("tables, figures and report", file=sys.stderr)
            folder = pipeline.write(loaded, result, out or Path("results") / loaded.space.name)
        print(f"report: {folder / 'report.md'}")
        return _verdict(result)

    _guarded(work)


@app.command()
def prove(
    out: Out = None,
    quick: Annotated[bool, typer.Option("--quick", help="Fewer cases: a minute, not ten.")] = False,
) -> None:
    """Our numbers beside numbers from elsewhere: multibody, frames, control, other statistics."""

    def work() -> int:
        from explorer import pipeline

        with Progress() as progress:
            folder, missed = pipeline.prove(out or Path("results") / "proof", quick, progress)
        print(f"proof: {folder / 'report.md'}")
        if missed:
            print(f"{missed} checks lie outside their bar; see the page", file=sys.stderr)
        return MODEL_FAILED if missed else DONE

    _guarded(work)


@app.command("bench")
def bench_command(
    study: Study,
    out: Out = None,
    sizes: Annotated[
        str, typer.Option("--sizes", help="Setups of the grown spaces, with commas.")
    ] = "100000,1000000,10000000",
    hundred_million: Annotated[bool, typer.Option("--hundred-million", help="100,000,000 setups too.")] = False,
    repeats: Annotated[int, typer.Option("--repeats", min=1, help="Fresh processes per figure.")] = 3,
) -> None:
    """What exactness costs: ratios against searches, samplers and plain numpy, in one run."""

    def work() -> int:
        from explorer.bench_page import run_bench

        try:
            wanted = [int(text) for text in sizes.split(",") if text.strip()]
        except ValueError:
            raise SpaceError(f"--sizes {sizes!r}: whole numbers with commas between them") from None
        wanted += [100_000_000] if hundred_million else []
        with Progress() as progress:
            folder, missed = run_bench(study, out or Path("results") / "bench", wanted, repeats, progress)
        print(f"bench: {folder / 'report.md'}; {missed} bars missed")
        return DONE

    _guarded(work)


def main() -> None:
    """Console entry."""
    app()


if __name__ == "__main__":
    main()
