"""Two of a kind side by side: two setups of one study or of two, or two finished runs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from explorer.domain.errors import SpaceError
from explorer.inputs.load import LoadedStudy, load_study
from explorer.report.answers import Answer, comparison_answer
from explorer.report.run_answers import runs_answer
from explorer.report.words import two_laws
from explorer.runs.reader import read_run
from explorer.study.compare.runs import compare_runs
from explorer.study.compare.setups import compare
from explorer.study.everything.limits import resolve_limits


def compared(
    first: Path,
    second: Path | None,
    choices: dict[str, str],
    others: dict[str, str],
    every: bool = False,
    load: Callable[[Path], LoadedStudy] = load_study,
) -> Answer:
    """Two study files, or one and itself, by a setup of each; two folders by the runs they hold. `load` reads a study.

    Raises SpaceError for a folder beside a study or an unknown knob or level, ArtefactError for a folder without a
    finished run, ConfigError for faults of a study.
    """
    folders = [path for path in (first, second) if path is not None and path.is_dir()]
    if not folders:
        return side_by_side(load, first, second or first, choices, others, every)
    if second is None or len(folders) != 2:
        other = second if first in folders else first
        beside = "and no second run" if second is None else f"and {other} is not"
        raise SpaceError(f"{folders[0]} is a folder {beside}: name two folders of finished runs, or two study files")
    if choices or others:
        raise SpaceError("--set and --with choose setups of studies; two finished runs are compared as they are")
    return runs_answer(compare_runs(read_run(first), read_run(second)))


def side_by_side(
    load: Callable[[Path], LoadedStudy],
    first: Path,
    second: Path,
    choices: dict[str, str],
    others: dict[str, str],
    every: bool = False,
) -> Answer:
    """Two setups beside each other, each of its own study."""
    a = load(first).space
    b = a if second == first else load(second).space
    found = compare(a, a.built(choices), b, b.built(others), resolve_limits(a), resolve_limits(b))
    answer = comparison_answer(found, every)
    if a.axle == b.axle:
        return answer
    return Answer(f"{two_laws(a.axle, b.axle)}\n{answer.text}", answer.facts)
