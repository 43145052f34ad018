"""A whole run: claim the folder, answer or go on answering, write every file, `run.json` last."""

from __future__ import annotations

import hashlib
import json
import os
import platform
import time
from collections.abc import Callable, Iterable, Iterator
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np

import explorer
from explorer.domain.errors import ArtefactError
from explorer.domain.space import Space
from explorer.flow.pipeline import METRICS_FILE_ROWS, answer, asked_metrics, save_every_setup
from explorer.inputs.load import LoadedStudy
from explorer.model.machine.compiled import processor
from explorer.report import document, page, plan_tables, tables
from explorer.report.headline import headline_facts
from explorer.report.pit_sheet import pit_sheet_html
from explorer.runs.artefacts import RunFolder
from explorer.runs.disk import free_bytes, size_text
from explorer.study.everything.evaluate import CHUNK, MetricTable, Progress, table_of
from explorer.study.everything.stream import PartMaker, chunks, one_by_one
from explorer.study.results import RunResult

KEY_LIBRARIES = ("numpy", "scipy", "numba", "llvmlite", "SALib", "optuna", "moocore")
"""Libraries whose version can change a digit of an answer."""

PACKAGE = Path(explorer.__file__).parent

ANSWERING = (
    "domain/**/*.py",
    "inputs/**/*.py",
    "model/**/*.py",
    "study/**/*.py",
    "runs/codec.py",
    "flow/pipeline.py",
)
"""Sources that decide what an answer is, folders with everything below them."""


def _beside(study: Path, path: str) -> str:
    """A file's path seen from the study's folder, with forward slashes: the same on every machine."""
    return Path(os.path.relpath(path, study.parent)).as_posix()


def pieces(table: MetricTable) -> Iterator[MetricTable]:
    """A table in row groups of `CHUNK` rows."""
    for start, stop in chunks(len(table)):
        yield table.take(np.arange(start, stop))


def _blocks(space: Space) -> Iterator[MetricTable]:
    """Every setup evaluated again, block by block: too many to have been kept."""
    for start, stop in chunks(space.size):
        yield table_of(space, space.positions(start, stop))


def sources_of(package: Path) -> list[Path]:
    """The sources below a copy of this package that decide what an answer is, in order."""
    return sorted({path for pattern in ANSWERING for path in package.glob(pattern)})


def inputs_of(study: LoadedStudy, chunk: int = CHUNK) -> dict[str, str]:
    """Everything that an answer depends on, by name: input files and sources by SHA-256, versions, processor.

    Two runs with the same inputs give the same bytes, so one may go on where the other stopped.
    """
    sources = hashlib.sha256()
    for path in sources_of(PACKAGE):
        sources.update(path.relative_to(PACKAGE).as_posix().encode())
        sources.update(path.read_bytes())
    found = {f"input {_beside(study.path, file.path)}": file.sha256 for file in study.files}
    found |= {f"library {name}": metadata.version(name) for name in KEY_LIBRARIES}
    found |= {"model": sources.hexdigest(), "setups per chunk": str(chunk)}
    return found | {"python": platform.python_version(), "processor": processor()}


def run_study(
    study: LoadedStudy,
    folder: Path,
    *,
    overwrite: bool = False,
    resume: bool = False,
    progress: Progress | None = None,
    maker: PartMaker = one_by_one,
    tell: Callable[[str], None] = lambda text: None,
    chunk: int = CHUNK,
) -> tuple[Path, RunResult | None]:
    """Answer every question of a study and write the answers into a folder; (the folder, the answers). The answers are
    None where `resume` found a whole run that only had to be moved into its place.

    Raises ArtefactError when the folder is in use, holds another run, or the disk is full; else as `answer`.
    """
    with RunFolder(folder, overwrite=overwrite, resume=resume, key=inputs_of(study, chunk), tell=tell) as target:
        if target.finished:
            tell(f"{target.root}: the run was whole and is in its place now")
            return target.root, None
        _refuse_full_disk(study.space, target.root)
        kept = target.kept(study.space)
        result = answer(study, progress, maker=maker, kept=kept, chunk=chunk)
        if kept.reused:
            tell(f"{target.root}: {kept.reused} answers of the unfinished run were used again")
        _write_into(target, study, result, progress)
        return target.root, result


def bytes_needed(space: Space) -> int:
    """Room that a run takes on its disk before its reports: the chunks kept, and the table of every setup."""
    if not space.exhaustive:
        return 0
    columns = len(asked_metrics(space)) + 2
    every = len(table_of(space, np.array([space.baseline])).columns)
    if save_every_setup(space):
        columns += every if space.size >= METRICS_FILE_ROWS else 2 * every
    screen = 2 + 2 * (1 + len(space.objectives))
    return 8 * (columns + screen) * space.size


def _refuse_full_disk(space: Space, root: Path) -> None:
    needed, free = bytes_needed(space), free_bytes(root)
    if needed > free:
        raise ArtefactError(
            f"{root}: a run of {space.size:,} setups takes up to {size_text(needed)} there, {size_text(needed - free)} "
            "more than is free; make room, name another disk with --out, or set save_every_setup = false in [method]"
        )


def _counted(blocks: Iterable[MetricTable], total: int, progress: Progress | None) -> Iterator[MetricTable]:
    """The blocks of a table, told as they are written."""
    done = 0
    for block in blocks:
        yield block
        done += len(block)
        if progress is not None:
            progress("table of every setup", done, total)


def _steps(stage: str, total: int, progress: Progress | None) -> Callable[[], None]:
    """Call it after each step of a stage; the first call of the stage is made here."""
    counter = iter(range(1, total + 1))

    def step() -> None:
        if progress is not None:
            progress(stage, next(counter), total)

    if progress is not None:
        progress(stage, 0, total)
    return step


def write(study: LoadedStudy, result: RunResult, folder: Path, overwrite: bool = False) -> Path:
    """Write every table, figure and the report of a run; `run.json` last. Returns the folder.

    Raises ArtefactError when the folder cannot be used, or holds a run and `overwrite` is not wanted.
    """
    with RunFolder(folder, overwrite=overwrite, key=inputs_of(study)) as run:
        _write_into(run, study, result, None)
        return run.root


def _write_into(run: RunFolder, study: LoadedStudy, result: RunResult, progress: Progress | None) -> None:
    start = time.perf_counter()
    space = result.space
    for stem, frame in tables.all_tables(result).items():
        run.csv(stem, frame)
    for stem, frame in plan_tables.planning_tables(result).items():
        run.csv(stem, frame)
    if result.plan is not None and result.plan.decision.headline is not None:
        run.text("headline.json", json.dumps(headline_facts(result.plan, space), indent=1, allow_nan=False) + "\n")
    if save_every_setup(space):
        whole = result.whole
        blocks = _blocks(space) if whole is None else pieces(whole)
        told = (tables.metrics_table(block, result.wishes) for block in _counted(blocks, result.setups, progress))
        run.parquet("metrics", told)
    timings = {name: round(seconds, 3) for name, seconds in result.timings}
    timings["tables"] = round(time.perf_counter() - start, 3)
    start = time.perf_counter()
    drawings = document.all_figures(result, progress)
    for stem, picture in drawings.items():
        run.png(stem, picture)
    step = _steps("reports", 4, progress)
    run.text("report.md", document.report(result, tuple(drawings)))
    step()
    from explorer.report.pit_sheet_pdf import pit_sheet_pdf  # the drawing library is loaded once it is needed

    run.text("pit_sheet.html", pit_sheet_html(result, result.visits, result.ladders))
    step()
    run.pdf("pit_sheet", pit_sheet_pdf(result, result.visits, result.ladders))
    step()
    run.text("report.html", page.report_page(result))
    step()
    timings["figures and reports"] = round(time.perf_counter() - start, 3)
    facts: dict[str, Any] = {
        "study": space.name,
        "car": space.car,
        "surface": space.surface,
        "axle": space.axle,
        "seed": space.seed,
        "method": "every setup" if result.exact else "search",
        "inputs": {_beside(study.path, file.path): file.sha256 for file in study.files},
        "counts": {
            "setups": result.setups,
            "phases": len(space.phase_names),
            "invalid": result.failures.count,
            "feasible": result.counts.feasible,
            "front": len(result.front),
            "front_distinct": result.front.groups if len(result.front) else 0,
        },
        "timings_s": timings,
    }
    run.finish(facts)
