"""The command line: arguments in, answers out. Heavy imports wait until a command needs them.

Exit codes: 0 done, 2 bad input, 3 nothing feasible, 4 the model failed somewhere, 130 interrupted.

Answers go to standard output, progress and remarks to standard error; `--json` gives one JSON value, with null for
what is missing; `--quiet` leaves progress out.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from explorer.errors import SpaceError
from explorer.terminal import (
    BAD_INPUT,
    DONE,
    MODEL_FAILED,
    NOTHING_FEASIBLE,
    Progress,
    choices,
    guarded,
    print_answer,
    print_json,
    print_summary,
    rows,
    run_summary,
)

if TYPE_CHECKING:
    from explorer.config import LoadedStudy
    from explorer.study.results import RunResult

NAME = "setup-space"

app = typer.Typer(
    name=NAME,
    help="Which bars, springs and ride heights to take: one study file in, a ranked and shortlisted setup space out.",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

Study = Annotated[Path, typer.Argument(help="Study file (TOML).", metavar="STUDY")]
Out = Annotated[Path | None, typer.Option("--out", help="Folder for the results instead of results/<study name>.")]
Sets = Annotated[list[str] | None, typer.Option("--set", help="KNOB=LEVEL; may be given many times.")]
Json = Annotated[bool, typer.Option("--json", help="One JSON value instead of text.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress, only the answer.")]


_ALLOW_OUTSIDE: ContextVar[bool] = ContextVar("allow_outside", default=False)
"""Whether this call of the program may read outside the study's folder."""


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"{NAME} {version('setup-space-explorer')}")
        raise typer.Exit(DONE)


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and leave.")
    ] = False,
    allow_outside: Annotated[
        bool, typer.Option("--allow-outside", help="A study may name files outside its own folder.")
    ] = False,
) -> None:
    _ALLOW_OUTSIDE.set(allow_outside)


def _load(path: Path) -> LoadedStudy:
    from explorer.config import load_study

    return load_study(path, allow_outside=_ALLOW_OUTSIDE.get())


def _guarded(work: Callable[[], int]) -> None:
    raise typer.Exit(guarded(work))


def _verdict(result: RunResult) -> int:
    from explorer.study.sanity import overturned
    from explorer.study.shortlist import NothingFeasible

    if result.failures.count:
        print(f"the model had no answer for {result.failures.count} setups; see the report", file=sys.stderr)
        return MODEL_FAILED
    over = overturned(result.table if result.whole is None else result.whole)
    if over.everywhere:
        print(over.words, file=sys.stderr)
        return NOTHING_FEASIBLE
    return NOTHING_FEASIBLE if isinstance(result.shortlist, NothingFeasible) else DONE


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
def schema(directory: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for the schemas.")]) -> None:
    """Write a JSON Schema of each kind of input file: car, surface, study, practice. Editors complete from them."""

    def work() -> int:
        from explorer.artefacts import write_atomic
        from explorer.config_json_schema import schema_texts

        for name, text in schema_texts().items():
            write_atomic(directory / name, text.encode("utf-8"))
            print(directory / name)
        return DONE

    _guarded(work)


@app.command()
def check(study: Study, as_json: Json = False) -> None:
    """Read a study with its car and surface: what it asks, numbers that follow, odd ones; or everything wrong."""

    def work() -> int:
        from explorer import checked

        loaded = _load(study)
        found = checked.check(loaded)
        if as_json:
            print_json(checked.facts(loaded.space, found))
            return DONE
        print(checked.text(loaded.space, found))
        for warning in found.warnings:
            print(f"warning: {warning}", file=sys.stderr)
        return DONE

    _guarded(work)


@app.command()
def show(
    study: Study,
    sets: Sets = None,
    as_json: Json = False,
) -> None:
    """Every metric of one setup: the baseline, with the knobs you set."""

    def work() -> int:
        from explorer import checked
        from explorer.model.metrics import describe

        found = checked.one_setup(_load(study).space, choices(sets))
        if as_json:
            print_json(found)
            return DONE
        for name, label in found.setup.items():
            print(f"{name:36s} {label}")
        for name, value in found.metrics.items():
            print(f"{name:36s} {value if isinstance(value, str) else f'{value:.3f} {describe(name).unit}'}")
        return DONE

    _guarded(work)


@app.command()
def rank(study: Study, as_json: Json = False, quiet: Quiet = False) -> None:
    """Which knob matters most for each metric."""

    def work() -> int:
        from explorer import pipeline
        from explorer.report import tables

        with Progress(quiet) as progress:
            indices, note, table = pipeline.sensitivity(_load(study), progress)
        if indices is None:
            print(note, file=sys.stderr)
            return MODEL_FAILED if not table.valid.all() else BAD_INPUT
        print_answer(tables.sensitivity_table(indices, None), as_json, "sensitivity", {"method": indices.method})
        return DONE

    _guarded(work)


@app.command()
def search(study: Study, as_json: Json = False, quiet: Quiet = False) -> None:
    """Multi-objective search, held against the exact front where the space can be listed."""

    def work() -> int:
        from explorer import pipeline
        from explorer.report import tables

        with Progress(quiet) as progress:
            found, against = pipeline.searched(_load(study), progress)
        more = {"setups": len(found.table), "feasible": found.feasible, "agreement": against}
        print_answer(tables.front_table(found.table, found.front), as_json, "front", more)
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
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Any metric over any two knobs, as a table."""

    def work() -> int:
        from explorer import pipeline
        from explorer.report import tables

        with Progress(quiet) as progress:
            found = pipeline.one_map(_load(study), x, y, metric, "best" if best else "baseline", progress)
        more = {"x": x, "y": y, "metric": metric, "others": found.others}
        print_answer(tables.map_table(found), as_json, "cells", more)
        return DONE

    _guarded(work)


@app.command()
def shortlist(study: Study, as_json: Json = False, quiet: Quiet = False) -> None:
    """A handful of setups to take to the event, each with its reason."""

    def work() -> int:
        from explorer import pipeline
        from explorer.report import tables

        with Progress(quiet) as progress:
            result = pipeline.answer(_load(study), progress, assumptions=False, plans=False)
        more = {"setups": result.setups, "feasible": result.counts.feasible, "invalid": result.failures.count}
        print_answer(tables.shortlist_table(result), as_json, "shortlist", more)
        return _verdict(result)

    _guarded(work)


@app.command()
def plan(study: Study, as_json: Json = False, quiet: Quiet = False) -> None:
    """What to take whatever the grip is, what to measure first, what to change in which pit stop."""

    def work() -> int:
        from explorer import api

        with Progress(quiet) as progress:
            answer = api.plan(_load(study), progress=progress)
        if as_json:
            print_json({name: rows(frame) for name, frame in answer.tables.items()})
        else:
            print(answer.text)
        return DONE if answer.found else NOTHING_FEASIBLE

    _guarded(work)


@app.command("next")
def next_command(
    study: Study,
    symptom: Annotated[str, typer.Option("--symptom", help="What the driver says; leave it out for the list.")] = "",
    sets: Sets = None,
    nominal: Annotated[
        bool, typer.Option("--nominal", help="At the best guess only, not over what is unknown.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Which single part to change next against a symptom, from the baseline or the setup you set."""

    def work() -> int:
        from explorer import pipeline
        from explorer.study.ladder import SYMPTOMS

        if not symptom:
            if as_json:
                print_json(dict(SYMPTOMS))
                return DONE
            for key, text in SYMPTOMS:
                print(f"{key:20s} {text}")
            return DONE
        found = pipeline.next_change(_load(study), symptom, choices(sets), nominal)
        print_json(found.facts) if as_json else print(found.text)
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
    as_json: Json = False,
) -> None:
    """Two setups side by side, of one study or of two: parts, every metric, limits."""

    def work() -> int:
        from explorer import pipeline

        first = _load(study)
        second = _load(other) if other is not None else first
        found = pipeline.side_by_side(first, second, choices(sets), choices(other_sets), every)
        print_json(found.facts) if as_json else print(found.text)
        return DONE

    _guarded(work)


@app.command()
def run(
    study: Study,
    out: Out = None,
    cluster: Annotated[str, typer.Option("--cluster", metavar="ADDRESS", help="Dask cluster to use.")] = "",
    workers: Annotated[int, typer.Option("--workers", min=0, help="Worker processes on this machine.")] = 0,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Everything: indices, fronts, maps, one-change table, shortlist, figures and report."""

    def work() -> int:
        from explorer import pipeline
        from explorer.artefacts import MANIFEST, read_manifest
        from explorer.report import tables

        loaded = _load(study)
        with Progress(quiet) as progress, pipeline.parts_from(cluster, workers) as maker:
            result = pipeline.answer(loaded, progress, maker=maker)
            progress.note("tables, figures and report")
            folder = pipeline.write(loaded, result, out or Path("results") / loaded.space.name)
        summary = run_summary(folder, read_manifest(folder / MANIFEST))
        if as_json:
            print_json(summary | {"shortlist": rows(tables.shortlist_table(result))})
        else:
            print_summary(summary)
            print(f"report: {folder / 'report.md'}")
        return _verdict(result)

    _guarded(work)


@app.command()
def prove(
    out: Out = None,
    quick: Annotated[bool, typer.Option("--quick", help="Fewer cases: a minute, not ten.")] = False,
    quiet: Quiet = False,
) -> None:
    """Our numbers beside numbers from elsewhere: multibody, frames, control, other statistics."""

    def work() -> int:
        from explorer import pipeline

        with Progress(quiet) as progress:
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
    quiet: Quiet = False,
) -> None:
    """What exactness costs: ratios against searches, samplers and plain numpy, in one run."""

    def work() -> int:
        from explorer.bench_page import run_bench

        try:
            wanted = [int(text) for text in sizes.split(",") if text.strip()]
        except ValueError:
            raise SpaceError(f"--sizes {sizes!r}: whole numbers with commas between them") from None
        wanted += [100_000_000] if hundred_million else []
        with Progress(quiet) as progress:
            folder, missed = run_bench(study, out or Path("results") / "bench", wanted, repeats, progress)
        print(f"bench: {folder / 'report.md'}; {missed} bars missed")
        return DONE

    _guarded(work)


def main() -> None:
    """Console entry."""
    app(prog_name=NAME)


if __name__ == "__main__":
    main()
