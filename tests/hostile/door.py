"""The door a study comes through: read, checked, said in words and as JSON, one setup shown. As the commands do it."""

from __future__ import annotations

import contextlib
import io
import json
import re
import tempfile
import time
import warnings
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from explorer.cli.terminal import BAD_INPUT, DONE, MODEL_FAILED, guarded, plain
from explorer.domain.errors import ExplorerError
from explorer.flow import checked, pipeline
from explorer.inputs.load import LoadedStudy, load_study
from explorer.report import document, tables
from explorer.runs.artefacts import csv_bytes

PATIENCE = 10.0
"""A refusal, or the start of a run, must not take longer, in seconds of this process: a busy machine is no fault."""

LOCATED = re.compile(r"^\S.*\.toml(:\d+)?: ?.*\S$")
STEERS_A_TERMINAL = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")


@dataclass(frozen=True)
class Answer:
    """What came of a study: exit code, the study where it was read, what was printed, how long it took [s]."""

    code: int
    study: LoadedStudy | None
    said: str
    seconds: float


def ask(path: Path) -> Answer:
    """Everything cheap that the commands do with a study. Any exception that is not ours comes through."""
    loaded: list[LoadedStudy] = []

    def work() -> int:
        study = load_study(path)
        loaded.append(study)
        found = checked.check(study)
        print(checked.text(study.space, found))
        for warning in found.warnings:
            print(f"warning: {warning}")
        json.dumps(plain(checked.facts(study.space, found)), allow_nan=False)
        one = checked.one_setup(study.space)
        json.dumps(plain(one), allow_nan=False)
        return DONE

    begun = time.process_time()
    said = io.StringIO()
    with warnings.catch_warnings(), contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        warnings.simplefilter("error", RuntimeWarning)
        code = guarded(work)
    return Answer(code, loaded[0] if loaded else None, said.getvalue(), time.process_time() - begun)


def put(files: dict[str, bytes], folder: Path) -> Path:
    """Write the files of a study into a folder; returns the study's path."""
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return folder / "study.toml"


def must_hold(answer: Answer) -> None:
    """What holds of any input: a located refusal, or a study that can be asked; soon; nothing steers a terminal."""
    assert answer.seconds < PATIENCE, answer.seconds
    assert not STEERS_A_TERMINAL.search(answer.said), answer.said
    assert "Traceback" not in answer.said
    if answer.study is None:
        assert answer.code == BAD_INPUT, answer.code
        *problems, last = answer.said.splitlines()
        assert problems and "nothing was run" in last
        for line in problems:
            assert LOCATED.match(line), line
        return
    assert answer.code in (DONE, MODEL_FAILED), (answer.code, answer.said[-300:])
    assert answer.code == DONE or "no answer" in answer.said, answer.said[-300:]
    space = answer.study.space
    row = np.array([space.baseline])
    assert space.allowed(row)[0] and np.isfinite(space.parameters(row)).all() and np.isfinite(space.phases).all()


@cache
def _desk() -> tuple[tempfile.TemporaryDirectory[str], dict[str, bytes]]:
    """A folder for the files of one input after the other, and what lies in it: a fresh one each time takes as long as
    the reading."""
    return tempfile.TemporaryDirectory(), {}


def through(files: dict[str, bytes]) -> Answer:
    """Write, ask, and hold what must hold."""
    desk, there = _desk()
    for name in there.keys() - files.keys():
        (Path(desk.name) / name).unlink()
        del there[name]
    put({name: data for name, data in files.items() if there.get(name) != data}, Path(desk.name))
    there |= files
    answer = ask(Path(desk.name) / "study.toml")
    must_hold(answer)
    return answer


def in_depth(study: LoadedStudy) -> str:
    """Every question of a study asked with few trials, and its tables and report made, the drawings left out.

    Returns what was refused, in words, or "". Any exception that is not ours comes through.
    """
    few = {
        "search_trials": 60, "search_population": 20, "search_budget": 2_000,
        "sobol_start": 64, "sobol_budget": 4_000, "build_samples": 16,
    }  # fmt: skip
    space = study.space
    if not space.exhaustive or space.size > 3_000:
        few["method"] = "sampled"
    small = replace(study, space=replace(space, settings=replace(space.settings, **few)))
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        try:
            result = pipeline.answer(small, assumptions=False, plans=False)
        except ExplorerError as fault:
            return str(fault)
        for frame in tables.all_tables(result).values():
            csv_bytes(frame)
        document.report(result, ())
    return ""
