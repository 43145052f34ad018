"""Commands that leave a folder of results, and the one that looks such a folder over."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from explorer.cli.options import Cluster, Json, Out, Overwrite, Quiet, Study, Workers, ended, load, remark, verdict
from explorer.cli.terminal import (
    BAD_INPUT,
    DONE,
    MODEL_FAILED,
    NOTHING_FEASIBLE,
    Progress,
    print_json,
    print_summary,
    rows,
    run_summary,
    say,
)
from explorer.domain.errors import SpaceError


def register(app: typer.Typer) -> None:
    """Add the commands of this file to the program, in their order."""
    app.command()(run)
    app.command("verify")(verify_command)
    app.command()(prove)
    app.command("bench")(bench_command)


def run(
    study: Study,
    out: Out = None,
    resume: Annotated[bool, typer.Option("--resume", help="Go on with the unfinished run in the folder.")] = False,
    overwrite: Overwrite = False,
    cluster: Cluster = "",
    workers: Workers = 0,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Everything: indices, fronts, maps, one-change table, shortlist, figures and report."""

    def work() -> int:
        from explorer.flow import pipeline, run_study
        from explorer.report import narrow, tables
        from explorer.runs.records import MANIFEST, read_manifest

        if resume and overwrite:
            raise SpaceError("--resume goes on with a run and --overwrite starts it again: name one of them")
        loaded = load(study)
        folder = out or Path("results") / loaded.space.name
        with Progress(quiet) as progress, pipeline.parts_from(cluster, workers) as maker:
            folder, result = run_study.run_study(
                loaded, folder, overwrite=overwrite, resume=resume, progress=progress, maker=maker, tell=remark
            )
        manifest = read_manifest(folder / MANIFEST).model_dump()
        summary = run_summary(folder, manifest)
        if as_json:
            picks = [] if result is None else rows(tables.shortlist_table(result))
            print_json(summary | {"shortlist": picks})
        else:
            print_summary(summary)
            if result is not None:
                say(narrow.setups_text(result, only_main=True))
            print(f"open {folder / 'report.html'}, or read {folder / 'report.md'}")
        return _recorded(manifest["counts"]) if result is None else verdict(result)

    ended(work)


def _recorded(counts: dict[str, int]) -> int:
    """Exit code of a run of which only the record is at hand."""
    if counts.get("invalid"):
        return MODEL_FAILED
    return DONE if counts.get("feasible") else NOTHING_FEASIBLE


def verify_command(
    folder: Annotated[Path, typer.Argument(metavar="RUN", help="Folder of a run.")],
    as_json: Json = False,
) -> None:
    """Whether every file of a run is there and as it was written; what an unfinished run has left."""

    def work() -> int:
        from explorer.runs.verify import told, verify

        found = verify(folder)
        print_json(found) if as_json else print(told(found))
        return DONE if found.good else BAD_INPUT

    ended(work)


def prove(
    out: Out = None,
    quick: Annotated[bool, typer.Option("--quick", help="Fewer cases: a minute, not ten.")] = False,
    only: Annotated[
        str, typer.Option("--only", help="trade: what drivers say, asked of 400 plausible cars; nothing else.")
    ] = "",
    overwrite: Overwrite = False,
    quiet: Quiet = False,
) -> None:
    """Our numbers beside numbers from elsewhere: multibody, frames, control, other statistics."""

    def work() -> int:
        from explorer.validation import proving

        part = proving.part(only)
        with Progress(quiet) as progress:
            folder, missed = part(out or Path("results") / (only or "proof"), quick, progress, overwrite)
        print(f"proof: {folder / 'report.md'}")
        if missed:
            remark(f"{missed} checks lie outside their bar; see the page")
        return MODEL_FAILED if missed else DONE

    ended(work)


def bench_command(
    study: Study,
    out: Out = None,
    sizes: Annotated[
        str, typer.Option("--sizes", help="Setups of the grown spaces, with commas.")
    ] = "100000,1000000,10000000",
    hundred_million: Annotated[bool, typer.Option("--hundred-million", help="100,000,000 setups too.")] = False,
    repeats: Annotated[int, typer.Option("--repeats", min=1, help="Fresh processes per figure.")] = 3,
    overwrite: Overwrite = False,
    quiet: Quiet = False,
) -> None:
    """What exactness costs: ratios against a search and samplers, in one run."""

    def work() -> int:
        from explorer.bench.page import run_bench

        try:
            wanted = [int(text) for text in sizes.split(",") if text.strip()]
        except ValueError:
            raise SpaceError(f"--sizes {sizes!r}: whole numbers with commas between them") from None
        wanted += [100_000_000] if hundred_million else []
        with Progress(quiet) as progress:
            where = out or Path("results") / "bench"
            folder, missed = run_bench(study, where, wanted, repeats, progress, overwrite)
        print(f"bench: {folder / 'report.md'}; {missed} bars missed")
        return DONE

    ended(work)
