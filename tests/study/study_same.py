"""Two passes over a space held against each other byte by byte, and a run's tables as the bytes of their files."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator

import numpy as np

from explorer.flow import pipeline
from explorer.inputs.load import LoadedStudy
from explorer.report.plan_tables import planning_tables
from explorer.report.tables import all_tables, metrics_table
from explorer.runs.artefacts import csv_bytes
from explorer.study.everything.stream import PartMaker, Streamed, one_by_one
from explorer.study.results import RunResult


def assert_same(one: object, other: object, where: str = "") -> None:
    """Every array, number and text below two results is the same, to the byte and to the type."""
    assert type(one) is type(other), where
    if isinstance(one, np.ndarray):
        assert one.dtype == other.dtype and one.shape == other.shape, where
        assert one.tobytes() == other.tobytes(), where
    elif dataclasses.is_dataclass(one):
        for field in dataclasses.fields(one):
            assert_same(getattr(one, field.name), getattr(other, field.name), f"{where}.{field.name}")
    elif isinstance(one, tuple | list):
        assert len(one) == len(other), where
        for place, (a, b) in enumerate(zip(one, other, strict=True)):
            assert_same(a, b, f"{where}[{place}]")
    else:
        assert one == other, where


def assert_same_pass(one: Streamed, other: Streamed) -> None:
    """Front members, counts, levels, failures, all metrics of every setup and the kept columns are the same bytes."""
    assert one.setups == other.setups
    for name in ("front", "counts", "setups_by_level", "feasible_by_level", "failed_by_level", "failed_examples"):
        assert_same(getattr(one, name), getattr(other, name), name)
    assert one.failed_words == other.failed_words
    for name in ("table", "whole"):
        mine, theirs = getattr(one, name), getattr(other, name)
        assert (mine is None) == (theirs is None)
        if mine is not None:
            for field in ("positions", "columns", "values", "valid"):
                assert_same(getattr(mine, field), getattr(theirs, field), f"{name}.{field}")
    assert one.store.columns == other.store.columns
    assert_same(one.store.valid, other.store.valid)
    for name in one.store.columns:
        assert_same(one.store.column(name), other.store.column(name), name)


def in_chunks(size: int) -> PartMaker:
    """Parts of another size than the run asks for, last ones first."""

    def make(ranges: Iterable[tuple[int, int]], work) -> Iterator:
        stop = max(end for _, end in ranges)
        for start in reversed(range(0, stop, size)):
            yield work(start, min(start + size, stop))

    return make


def files_of(study: LoadedStudy, maker: PartMaker = one_by_one, progress=None) -> dict[str, bytes]:
    """Every table of a run in few scenarios as the bytes of its file, and the front's rows."""
    few = dataclasses.replace(study.space, planning=dataclasses.replace(study.space.planning, scenarios=16))
    result: RunResult = pipeline.answer(
        dataclasses.replace(study, space=few), progress, assumptions=False, maker=maker
    )  # fmt: skip
    assert result.whole is not None and len(result.front)
    files = {stem: csv_bytes(frame) for stem, frame in (all_tables(result) | planning_tables(result)).items()}
    files["metrics"] = metrics_table(result.whole).to_numpy(dtype=str).tobytes()
    files["front rows"] = result.front.positions.tobytes() + result.front.group.tobytes()
    return files
