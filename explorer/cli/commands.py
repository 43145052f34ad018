"""The command line: arguments in, answers out. Heavy imports wait until a command needs them.

Exit codes: 0 done, 2 bad input, 3 nothing feasible, 4 the model failed somewhere, 130 interrupted.

Answers go to standard output, progress and remarks to standard error; `--json` gives one JSON value, with null for
what is missing; `--quiet` leaves progress out.
"""

from __future__ import annotations

import os
import re
import sys
from contextlib import suppress
from enum import Enum
from pathlib import Path
from typing import Annotated

import typer

from explorer.cli import pit_commands, run_commands
from explorer.cli.interrupts import end_promptly
from explorer.cli.options import (
    ALLOW_OUTSIDE,
    Cluster,
    Json,
    Quiet,
    Sets,
    Study,
    Workers,
    complete_knob,
    complete_metric,
    complete_set,
    ended,
    load,
    verdict,
    whole_words,
)
from explorer.cli.terminal import (
    BAD_INPUT,
    DONE,
    MODEL_FAILED,
    NOTHING_FEASIBLE,
    Progress,
    choices,
    fit_terminal,
    print_any_name,
    print_json,
    print_table,
    rows,
    say,
)
from explorer.domain.errors import ModelError

NAME = "setup-space"

# Before numpy comes in: its small products gain nothing from threads and lose seconds to them on a busy machine.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

app = typer.Typer(
    name=NAME,
    help="Which bars, springs and ride heights to take: one study file in, a ranked and shortlisted setup space out.",
    no_args_is_help=True,
    add_completion=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


class Drive(Enum):
    """Driven wheels of a car."""

    rear = "rear"
    front = "front"
    all = "all"


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
    ALLOW_OUTSIDE.set(allow_outside)
    fit_terminal()


def _sizes(text: str | None, option: str) -> tuple[str, ...]:
    """Sizes between commas, in order, as they are written. Raises BadParameter for anything that is no number."""
    sizes = [size.strip() for size in (text or "").split(",") if size.strip()]
    for size in sizes:
        if not re.fullmatch(r"\d{1,4}(\.\d{1,4})?", size):
            raise typer.BadParameter(f"{size!r}: numbers with commas between them, like 1.0,1.2", param_hint=option)
    return tuple(sorted(sizes, key=float))


def _lengths(text: str | None, option: str) -> tuple[float, ...]:
    """One length for both ends, or front and rear. Raises BadParameter for anything else."""
    lengths = [size.strip() for size in (text or "").split(",") if size.strip()]
    if len(lengths) > 2 or any(not re.fullmatch(r"\d{1,4}(\.\d{1,4})?", one) for one in lengths):
        raise typer.BadParameter(f"{text!r}: one number for both ends, or FRONT,REAR", param_hint=option)
    return tuple(float(one) for one in lengths)


_BOX = "{} that you have, with commas: 1.0,1.2"


@app.command()
def new(
    directory: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for the starter files.")],
    drive: Annotated[Drive | None, typer.Option("--drive", help="Driven wheels.")] = None,
    total_g: Annotated[float | None, typer.Option("--total-g", help="The car, ready to race.")] = None,
    front_g: Annotated[float | None, typer.Option("--front-g", help="Scale under the front wheels.")] = None,
    rear_g: Annotated[float | None, typer.Option("--rear-g", help="Scale under the rear wheels.")] = None,
    wheelbase_mm: Annotated[float | None, typer.Option("--wheelbase-mm", help="Front to rear axle.")] = None,
    track_mm: Annotated[str | None, typer.Option("--track-mm", help="Both ends, or FRONT,REAR.")] = None,
    ride_height_mm: Annotated[str | None, typer.Option("--ride-height-mm", help="Both ends, or FRONT,REAR.")] = None,
    front_bars: Annotated[str | None, typer.Option("--front-bars", help=_BOX.format("Wires [mm]"))] = None,
    rear_bars: Annotated[str | None, typer.Option("--rear-bars", help=_BOX.format("Wires [mm]"))] = None,
    front_springs: Annotated[str | None, typer.Option("--front-springs", help=_BOX.format("Rates [N/mm]"))] = None,
    rear_springs: Annotated[str | None, typer.Option("--rear-springs", help=_BOX.format("Rates [N/mm]"))] = None,
) -> None:
    """Write a commented car, tyre, surface, study, plan and practice file; what you do not give is taken as typical."""
    boxes = {
        "front_bars": _sizes(front_bars, "--front-bars"),
        "rear_bars": _sizes(rear_bars, "--rear-bars"),
        "front_springs": _sizes(front_springs, "--front-springs"),
        "rear_springs": _sizes(rear_springs, "--rear-springs"),
    }
    tracks, heights = _lengths(track_mm, "--track-mm"), _lengths(ride_height_mm, "--ride-height-mm")

    def work() -> int:
        from explorer.inputs.starter import AtHand, write_starter

        at_hand = AtHand(
            drive=drive.value if drive else "",
            total_g=total_g,
            front_g=front_g,
            rear_g=rear_g,
            wheelbase_mm=wheelbase_mm,
            track_mm=tracks,
            ride_height_mm=heights,
            boxes={box: sizes for box, sizes in boxes.items() if sizes},
        )
        for path in write_starter(directory, None if at_hand == AtHand() else at_hand):
            print(path)
        return DONE

    ended(work)


@app.command()
def schema(directory: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for the schemas.")]) -> None:
    """Write a JSON Schema of each kind of input file: car, surface, study, practice. Editors complete from them."""

    def work() -> int:
        from explorer.inputs.json_schema import schema_texts
        from explorer.runs.disk import write_atomic

        for name, text in schema_texts().items():
            write_atomic(directory / name, text.encode("utf-8"))
            print(directory / name)
        return DONE

    ended(work)


@app.command()
def check(study: Study, as_json: Json = False) -> None:
    """Read a study with its car and surface: what it asks, numbers that follow, odd ones; or everything wrong."""

    def work() -> int:
        from explorer.flow import checked

        loaded = load(study)
        found = checked.check(loaded)
        if as_json:
            print_json(checked.facts(loaded.space, found))
            return DONE
        say(checked.text(loaded.space, found))
        for warning in found.warnings:
            print(f"warning: {warning}", file=sys.stderr)
        return DONE

    ended(work)


@app.command()
def show(
    study: Study,
    sets: Sets = None,
    meanings: Annotated[bool, typer.Option("--words", help="Also what each number means.")] = False,
    as_json: Json = False,
) -> None:
    """Every metric of one setup: the baseline, with the knobs you set."""

    def work() -> int:
        from explorer.flow import checked
        from explorer.report.glossary import glossary_text
        from explorer.report.narrow import setup_text

        space = load(study).space
        found = checked.one_setup(space, choices(sets))
        if as_json:
            print_json(found)
            return DONE
        base = None
        if sets:
            with suppress(ModelError):  # a baseline without an answer has nothing to stand beside
                base = checked.one_setup(space).metrics
        say(setup_text(space, found.setup, found.metrics, found.wishes, base))
        if meanings:
            say(f"\n{glossary_text()}")
        return DONE

    ended(work)


@app.command()
def rank(study: Study, as_json: Json = False, quiet: Quiet = False) -> None:
    """Which knob matters most for each metric."""

    def work() -> int:
        from explorer.flow import pipeline
        from explorer.report import narrow, tables

        with Progress(quiet) as progress:
            indices, note, table = pipeline.sensitivity(load(study), progress)
        if indices is None:
            print(note, file=sys.stderr)
            return MODEL_FAILED if not table.valid.all() else BAD_INPUT
        if as_json:
            print_table(tables.sensitivity_table(indices, None), "sensitivity", {"method": indices.method})
        else:
            say(narrow.ranking_text(indices, table.space))
        return DONE

    ended(work)


@app.command()
def search(study: Study, as_json: Json = False, quiet: Quiet = False) -> None:
    """Multi-objective search, held against the exact front where the space can be listed."""

    def work() -> int:
        from explorer.flow import pipeline
        from explorer.report import narrow, tables, words

        with Progress(quiet) as progress:
            found, against = pipeline.searched(load(study), progress)
        more = {"setups": found.looked, "feasible": found.counts.feasible, "local": found.local, "agreement": against}
        if as_json:
            print_table(tables.front_table(found.table, found.front), "front", more)
        else:
            say(narrow.front_text(found.table, found.front))
        print(
            f"{found.looked:,} setups looked at, {found.counts.feasible:,} keep every limit. {words.local_text(found)}",
            file=sys.stderr,
        )
        if against is not None:
            print(
                f"found {against.recall:.1%} of the exact front's points, "
                f"{against.hypervolume_ratio:.1%} of its hypervolume",
                file=sys.stderr,
            )
        return DONE if len(found.front) else NOTHING_FEASIBLE

    ended(work)


@app.command("map")
def map_command(
    study: Study,
    x: Annotated[str, typer.Argument(metavar="X", help="Knob along the page.", autocompletion=complete_knob)],
    y: Annotated[str, typer.Argument(metavar="Y", help="Knob down the page.", autocompletion=complete_knob)],
    metric: Annotated[
        str, typer.Argument(metavar="METRIC", help="For example hairpin.balance_pct.", autocompletion=complete_metric)
    ],
    best: Annotated[bool, typer.Option("--best", help="Other knobs at their best, not at the baseline.")] = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Any metric over any two knobs, as a table."""

    def work() -> int:
        from explorer.flow import pipeline
        from explorer.report import narrow, tables

        loaded = load(study)
        with Progress(quiet) as progress:
            found = pipeline.one_map(loaded, x, y, metric, "best" if best else "baseline", progress)
        if as_json:
            more = {"x": x, "y": y, "metric": metric, "others": found.others}
            print_table(tables.map_table(found), "cells", more)
        else:
            say(narrow.map_text(found, loaded.space))
        return DONE

    ended(work)


@app.command()
def shortlist(study: Study, as_json: Json = False, quiet: Quiet = False) -> None:
    """A handful of setups to take to the event, each with its reason."""

    def work() -> int:
        from explorer.flow import pipeline
        from explorer.report import narrow, tables

        with Progress(quiet) as progress:
            result = pipeline.answer(load(study), progress, assumptions=False)
        if as_json:
            notes = tables.notes_of(result)
            more = {"setups": result.setups, "feasible": result.counts.feasible, "invalid": result.failures.count}
            print_table(tables.shortlist_table(result), "shortlist", more | ({"notes": notes} if notes else {}))
        else:
            say(narrow.setups_text(result))
        return verdict(result)

    ended(work)


@app.command()
def plan(
    study: Study, cluster: Cluster = "", workers: Workers = 0, as_json: Json = False, quiet: Quiet = False
) -> None:
    """What to take whatever the grip is, what to measure first, what to change in which pit stop."""

    def work() -> int:
        from explorer import api
        from explorer.flow import pipeline
        from explorer.report.unmarked import unmarked

        with Progress(quiet) as progress, pipeline.parts_from(cluster, workers) as maker:
            answer = api.plan(load(study), progress=progress, maker=maker)
        if as_json:
            print_json({name: rows(frame) for name, frame in answer.tables.items()})
        else:
            say(unmarked(answer.text))
        return DONE if answer.found else NOTHING_FEASIBLE

    ended(work)


@app.command()
def compare(
    first: Annotated[Path, typer.Argument(help="Study file, or the folder of a finished run.", metavar="FIRST")],
    second: Annotated[
        Path | None, typer.Argument(help="Another study, or the folder of another run.", metavar="SECOND")
    ] = None,
    sets: Sets = None,
    other_sets: Annotated[
        list[str] | None,
        typer.Option("--with", help="KNOB=LEVEL of the second setup.", autocompletion=complete_set),
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="Also what nobody can tell apart.")] = False,
    as_json: Json = False,
) -> None:
    """Two setups of one study or two, or two finished runs side by side: parts, metrics, limits, what matters."""

    def work() -> int:
        from explorer.flow.comparing import compared

        found = compared(first, second, choices(sets), choices(other_sets), every, load)
        print_json(found.facts) if as_json else say(found.text)
        return DONE

    ended(work)


pit_commands.register(app)
run_commands.register(app)


def main() -> None:
    """Console entry."""
    end_promptly()
    print_any_name()
    with whole_words():
        app(prog_name=NAME)


if __name__ == "__main__":
    main()
