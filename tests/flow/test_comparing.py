"""Finished runs read back and put side by side: small real runs, files that were changed, names that bite."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from report import page_runs, sample_run
from typer.testing import CliRunner

from explorer.cli.commands import app
from explorer.domain.errors import ArtefactError, SpaceError
from explorer.domain.space import Space
from explorer.flow.comparing import compared
from explorer.flow.pipeline import answer
from explorer.inputs.load import load_study
from explorer.report.plan_tables import planning_tables
from explorer.report.tables import all_tables
from explorer.runs.artefacts import RunFolder, csv_bytes, sha256_of
from explorer.runs.reader import read_run
from explorer.runs.records import MANIFEST
from explorer.study.everything.stream import P, one_by_one
from explorer.study.plan.scenario_pass import _Some
from explorer.study.plan.screen import _Round
from explorer.study.questions.assumptions import thinned_space
from explorer.study.results import RunResult

CONFIGS = Path(__file__).parents[2] / "configs"


def written(folder: Path, result: RunResult, **facts: object) -> Path:
    """A run's tables and `run.json`, without report and figures."""
    run, space = RunFolder(folder), result.space
    for stem, frame in (all_tables(result) | planning_tables(result)).items():
        run.csv(stem, frame)
    counts = {"setups": result.setups, "feasible": result.counts.feasible, "invalid": result.failures.count}
    counts |= {"front": len(result.front), "front_distinct": result.front.groups}
    known = {"study": space.name, "car": space.car, "surface": space.surface, "seed": space.seed}
    run.finish({**known, "method": "every setup", "inputs": {"s.toml": "1"}, "counts": counts, **facts})
    return folder


ASKED: list[type] = []
"""What the makers of parts were asked to do."""


def noting(ranges: Iterable[tuple[int, int]], work: Callable[[int, int], P]) -> Iterable[P]:
    """As `one_by_one`, taking note of the work."""
    ASKED.append(type(work))
    return one_by_one(ranges, work)


def small(levels: int) -> RunResult:
    """The plan study with few setups, scenarios and unknowns."""
    study = load_study(CONFIGS / "plan_turf.toml")
    space = thinned_space(study.space, levels)
    kept = tuple(u for u in space.unknowns if u.key in ("grip", "front_grip_ratio"))
    space = replace(space, unknowns=kept, planning=replace(space.planning, scenarios=8, seen=()))
    return answer(replace(study, space=space), assumptions=False, maker=noting)


def without(space: Space, name: str) -> Space:
    """The space with one knob held at the baseline."""
    keep = [k for k, knob in enumerate(space.knobs) if knob.name != name]
    return replace(
        space,
        knobs=tuple(space.knobs[k] for k in keep),
        rules=tuple(rule for rule in space.rules if name not in dict((*rule.when, *rule.only))),
        wishes=tuple(wish for wish in space.wishes if wish.knob != name),
        baseline=tuple(space.baseline[k] for k in keep),
        base=space.parameters(np.array([space.baseline]))[0],
        references=tuple(replace(r, positions=tuple(r.positions[k] for k in keep)) for r in space.references),
    )


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, RunResult]:
    """A real run with a plan."""
    result = small(120)
    return written(tmp_path_factory.mktemp("runs") / "one", result), result


@pytest.fixture(scope="module")
def second(tmp_path_factory: pytest.TempPathFactory, first: tuple[Path, RunResult]) -> tuple[Path, RunResult]:
    """Another real run: no plan, the rear ride height no longer varied, another limit, other files."""
    space = without(first[1].space, "rear_ride_height_mm")
    study = replace(load_study(CONFIGS / "plan_turf.toml"), space=replace(space, limits=space.limits[1:]))
    result = answer(study, assumptions=False, plans=False)
    folder = tmp_path_factory.mktemp("runs") / "two"
    return written(folder, result, study="other", inputs={"s.toml": "2", "new.toml": "3"}), result


def copied(folder: Path, to: Path) -> Path:
    for path in folder.rglob("*"):
        if path.is_file():
            (to / path.relative_to(folder)).parent.mkdir(parents=True, exist_ok=True)
            (to / path.relative_to(folder)).write_bytes(path.read_bytes())
    return to


def resigned(folder: Path, name: str, data: bytes | None) -> None:
    """Change a table, or take it away, and make `run.json` vouch for it: a fault of contents and not of bytes."""
    manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    if data is None:
        del manifest["files"][name]
    else:
        (folder / name).write_bytes(data)
        manifest["files"][name] = {"sha256": sha256_of(data), "bytes": len(data)}
    (folder / MANIFEST).write_text(json.dumps(manifest), encoding="utf-8")


def test_a_run_is_read_back_as_it_was(first: tuple[Path, RunResult]) -> None:
    """Catches a knob taken for an objective, margins among the figures, shares of kept limits for broken ones."""
    folder, result = first
    found, space = read_run(folder), result.space
    assert found.knobs == space.knob_names and found.objectives == tuple(o.metric for o in space.objectives)
    assert (found.study, found.surface, found.seed) == (space.name, space.surface, space.seed)
    assert found.counts["setups"] == space.size and found.feasible_share == result.counts.feasible / space.size
    picks = result.shortlist.picks
    assert [tuple(one.labels.values()) for one in found.shortlist] == [pick.labels for pick in picks]
    for one, pick in zip(found.shortlist, picks, strict=True):
        assert [one.figures[o] for o in found.objectives] == pytest.approx(list(pick.values), rel=1e-8)
    assert [limit.broken for limit in found.limits] == result.counts.broken.tolist()
    assert result.indices is not None and result.indices.shapley is not None
    shapley = found.indices["shapley"]["lag_ms"]
    row = result.indices.metrics.index("lag_ms")
    assert list(shapley.values()) == pytest.approx(result.indices.shapley[row].tolist(), abs=1e-8)
    values = result.front.values[:, 0]
    assert found.ranges["lag_ms"] == pytest.approx((values.min(), values.max()), rel=1e-8)
    assert found.plan is not None and result.plan is not None and found.plan.on == "quantile"
    assert [one.figures["share every limit kept"] for one in found.plan.shortlist] == pytest.approx(
        [pick.share for pick in result.plan.shortlist.picks]
    )
    assert found.plan.variance["lag_ms"][1] == pytest.approx(result.plan.split.unknowns[0], abs=1e-8)


def test_every_pass_of_a_run_is_made_where_it_says(first: tuple[Path, RunResult]) -> None:
    """Catches a run on a cluster whose plan is worked out on one machine."""
    assert first[1].plan is not None and {_Round, _Some} < set(ASKED) and len(set(ASKED)) == 3


def test_two_real_runs_side_by_side(first: tuple[Path, RunResult], second: tuple[Path, RunResult]) -> None:
    """Catches setups matched on a knob that one run does not have, a plan made up, sides exchanged."""
    found = compared(first[0], second[0], {}, {})
    facts = json.loads(json.dumps(found.facts, allow_nan=False))
    held = "rear_ride_height_mm"
    assert facts["knobs_only_first"] == [held] and f"only the first varies: {held}" in found.text
    assert held not in facts["shortlist"]["matched_on"] and facts["plan"] is None
    assert facts["first"]["plan"] and "only the first run made one" in found.text
    numbers = [len(facts["shortlist"][part]) for part in ("both", "only_first", "only_second")]
    assert numbers[0] + numbers[1] == len(read_run(first[0]).shortlist)
    assert numbers[0] + numbers[2] == len(read_run(second[0]).shortlist)
    assert {one["name"] for one in facts["inputs"]} == {"s.toml", "new.toml"} and facts["versions"] == []
    missing = [one for one in facts["limits"] if one["second"] is None]
    assert [one["metric"] for one in missing] == [first[1].limits[0].metric] and "no such limit" in found.text
    assert facts["shifts"] == sorted(facts["shifts"], key=lambda one: -abs(one["change"])) and facts["shifts"]
    same = compared(first[0], first[0], {}, {})
    assert "no index moved" in same.text and same.facts["plan"]["shortlist"]["only_first"] == []
    assert "input files: the same" in same.text and "versions: the same" in same.text


def test_a_changed_or_missing_table_is_named(first: tuple[Path, RunResult], tmp_path: Path) -> None:
    """Catches numbers read from a table that was edited after the run, and one that is gone passed over."""
    folder = copied(first[0], tmp_path / "run")
    path = folder / "tables" / "front.csv"
    path.write_bytes(path.read_bytes().replace(b"yes", b"no", 1))
    with pytest.raises(ArtefactError, match=r"front\.csv: changed since the run was written"):
        read_run(folder)
    path.unlink()
    with pytest.raises(ArtefactError, match=r"front\.csv: listed in run\.json, but cannot read"):
        read_run(folder)
    result = CliRunner().invoke(app, ["compare", str(first[0]), str(folder)])
    assert result.exit_code == 2 and "front.csv" in result.output and "Traceback" not in result.output


def test_tables_that_cannot_be_told_are_refused_with_their_place(first: tuple[Path, RunResult], tmp_path: Path) -> None:
    """Catches a KeyError, a NaN taken for a figure, ragged rows shifted into other columns."""
    frame = pd.DataFrame({"metric": ["lag_ms"], "knob": ["k"], "first": [None], "total": [None], "method": ["exact"]})
    nan = b"metric,knob,first,total,shapley,method\nlag_ms,k,,,nan,exact\n"
    cases = [
        ("tables/sensitivity.csv", csv_bytes(frame), r"sensitivity\.csv:1: no column shapley"),
        ("tables/sensitivity.csv", nan, r"row 1, column shapley: 'nan' is no finite number"),
        ("tables/limits.csv", b"limit,metric\na\n", r"limits\.csv: row 1 has 1 cells, not 2"),
        ("tables/limits.csv", b"\xff\xfe", r"limits\.csv: is no CSV"),
        ("tables/shortlist.csv", b"a\n", r"shortlist\.csv:1: no column rank, kind, reason"),
        ("tables/shortlist.csv", None, r"run\.json: lists no tables/shortlist\.csv, so this is no run of a study"),
    ]
    for place, (name, data, message) in enumerate(cases):
        folder = copied(first[0], tmp_path / str(place))
        resigned(folder, name, data)
        with pytest.raises(ArtefactError, match=message):
            read_run(folder)
    folder = copied(first[0], tmp_path / "fewer")
    resigned(folder, "tables/sensitivity.csv", None)
    found = compared(first[0], folder, {}, {})
    assert found.facts["index"] == "" and "no index that both runs hold" in found.text


def test_a_folder_without_a_finished_run_is_refused(first: tuple[Path, RunResult], tmp_path: Path) -> None:
    """Catches half a run compared, and a folder beside a study file."""
    for make, message in (
        (lambda: (tmp_path / "empty").mkdir(), "no run was finished there"),
        (lambda: RunFolder(tmp_path / "half"), "the run there did not finish"),
    ):
        make()
        folder = max(tmp_path.iterdir(), key=lambda path: path.stat().st_ctime_ns)
        with pytest.raises(ArtefactError, match=message):
            compared(first[0], folder, {}, {})
        code = CliRunner().invoke(app, ["compare", str(folder), str(first[0]), "--json"]).exit_code
        assert code == 2
    odd = tmp_path / "odd"
    odd.mkdir()
    for text, message in (
        ("{", "cannot read"),
        ('{"format": "setup-space run 1", "files": {"tables/front.csv": 7}}', "changed since its run: files.tables"),
        ('{"format": "other", "files": {}}', "not written by this program"),
    ):
        (odd / MANIFEST).write_text(text, encoding="utf-8")
        with pytest.raises(ArtefactError, match=message):
            read_run(odd)
    with pytest.raises(SpaceError, match="is a folder and .*demo.toml is not"):
        compared(first[0], CONFIGS / "demo.toml", {}, {})
    with pytest.raises(SpaceError, match="no second run"):
        compared(first[0], None, {}, {})
    with pytest.raises(SpaceError, match="as they are"):
        compared(first[0], first[0], {"front_bar": "1.2"}, {})


def test_hostile_names_stay_text(tmp_path: Path) -> None:
    """Catches a label that a spreadsheet would run read back with its apostrophe, and one that moves the cursor."""
    one = written(tmp_path / "a", page_runs.hostile())
    spring = replace(sample_run.SPRING, labels=("0.45", "=1+1\x1b[2J\nx", "-none"))
    plain = sample_run.run()
    renamed = replace(plain, space=replace(plain.space, knobs=(sample_run.BAR, spring)))
    picks = tuple(replace(pick, labels=(pick.labels[0], spring.labels[1])) for pick in plain.shortlist.picks)
    two = written(tmp_path / "b", replace(renamed, shortlist=replace(plain.shortlist, picks=picks)))
    assert read_run(two).shortlist[0].labels["rear_spring"] == "=1+1\x1b[2J\nx"
    assert read_run(one).knobs == (page_runs.KNOB, page_runs.SPRING)
    found = compared(one, two, {}, {})
    assert "\x1b" not in found.text and "\u202e" not in found.text and "share no knob" in found.text
    json.dumps(found.facts, allow_nan=False)


def test_nothing_feasible_is_said(tmp_path: Path) -> None:
    """Catches the nearest misses shown as setups to take."""
    plain = sample_run.run()
    missed = written(tmp_path / "a", sample_run.nothing())
    found = compared(missed, written(tmp_path / "b", plain), {}, {})
    assert "nothing keeps every limit in the first: these miss by least" in found.text
    assert found.facts["first"]["nothing_feasible"] and not found.facts["second"]["nothing_feasible"]
