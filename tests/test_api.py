"""The program from Python: light to import, tables as the files hold them, our own errors, an example that runs."""

from __future__ import annotations

import io
import runpy
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import explorer
from explorer.domain.errors import ArtefactError, ConfigError, SpaceError
from explorer.inputs.load import load_study
from explorer.report.tables import all_tables
from explorer.runs.artefacts import changed_files, csv_bytes
from explorer.study.everything.evaluate import evaluate_all

EXAMPLES = Path(__file__).parent / "examples"
SMALL = EXAMPLES / "small.toml"


@pytest.fixture(scope="module")
def run() -> explorer.Run:
    """Every answer but the slow ones."""
    return explorer.run(explorer.load(SMALL, allow_outside=True), assumptions=False, plan=False)


def test_import_is_light() -> None:
    """Catches `import explorer` that loads the compiler, the tables or the drawing: it is for editors and scripts."""
    heavy = "[name for name in ('numba', 'numpy', 'pandas', 'matplotlib', 'scipy') if name in sys.modules]"
    code = f"import sys, explorer; assert not {heavy}, {heavy}; assert 'run' in dir(explorer)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    with pytest.raises(AttributeError, match="sprint"):
        explorer.sprint  # noqa: B018


def test_tables_are_those_of_the_files(run: explorer.Run) -> None:
    """Catches a table in a notebook that differs from the one in the results folder."""
    written = all_tables(run.result)
    for name in ("shortlist", "front", "sensitivity", "one_change", "limits"):
        pd.testing.assert_frame_equal(getattr(run, name), written[name])
    for name, frame in run.maps.items():
        pd.testing.assert_frame_equal(frame, written[name])
    assert run.maps and run.feasible and "16 setups" in repr(run)
    assert run.shortlist is run.shortlist
    assert run.headline == {}


def test_the_headline_is_the_first_of_the_shortlist() -> None:
    """Catches a record of another setup than the tables name first."""
    found = explorer.run(explorer.load(SMALL, allow_outside=True), assumptions=False)
    parts = [str(found.shortlist[name][0]) for name in found.space.knob_names]
    assert list(found.headline["take"]["setup"].values()) == parts and 0.0 <= found.headline["take"]["chance"] <= 1.0


def test_setups_are_all_of_them(run: explorer.Run) -> None:
    """Catches a table of the front under the name of every setup, and metrics in another order of rows."""
    whole = evaluate_all(run.space)
    assert len(run.setups) == 16 and run.setups["valid"].all()
    assert (run.setups["lag_ms"].to_numpy() == whole.column("lag_ms")).all()
    assert run.setups.groupby("front_bar", observed=True).size().to_dict() == dict.fromkeys(
        ("none", "1.0", "1.2", "1.4"), 4
    )
    row = run.setups[(run.setups["front_bar"] == "1.2") & (run.setups["rear_bar"] == "1.2")].iloc[0]
    now = run.baseline.set_index("metric")["value"]
    assert now["lag_ms"] == row["lag_ms"] and now["sweep.state"] == "four wheels"


def test_what_was_not_asked_is_empty(run: explorer.Run) -> None:
    """Catches a traceback, or None in place of a table, where a question was left out."""
    assert run.plan == {} and run.assumptions.empty
    assert all(one.usual for one in run.checked.numbers) and run.checked.warnings == ()


def test_one_setup() -> None:
    """Catches knobs that are ignored and a level that nobody has."""
    study = explorer.load(SMALL, allow_outside=True)
    plain, bare = explorer.show(study), explorer.show(study, {"front_bar": "none", "rear_bar": "none"})
    assert bare.setup["front_bar"] == "none" and bare.metrics["sweep.roll_deg"] > plain.metrics["sweep.roll_deg"]
    with pytest.raises(SpaceError, match="front_bar"):
        explorer.show(study, {"front_bar": "9"})


def test_errors_are_our_own(tmp_path: Path, run: explorer.Run) -> None:
    """Catches a bare KeyError or FileNotFoundError, and somebody's folder that is written over."""
    with pytest.raises(ConfigError) as caught:
        explorer.run(tmp_path / "none.toml")
    assert caught.value.problems[0].file.endswith("none.toml")
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(ArtefactError):
        run.write(tmp_path)


def test_write_leaves_a_finished_run(run: explorer.Run, tmp_path: Path) -> None:
    """Catches results from Python that differ from those of the command line."""
    folder = run.write(tmp_path / "out")
    assert changed_files(folder) == ()
    assert (folder / "tables" / "shortlist.csv").read_bytes() == csv_bytes(run.shortlist)


def test_the_example_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches an example in the documentation that no longer works; the slow questions are left out here."""
    whole = explorer.run
    monkeypatch.setattr(explorer, "run", lambda study: whole(study, assumptions=False, plan=False), raising=False)
    told = io.StringIO()
    monkeypatch.setattr("sys.stdout", told)
    monkeypatch.setattr("sys.argv", ["notebook_example.py"])
    cells = runpy.run_path(str(EXAMPLES / "notebook_example.py"), run_name="__main__")
    text = told.getvalue()
    assert "<Run of small: 16 setups" in text and "front_bar" in text and "roll gradient: usual" in text
    assert isinstance(cells["shortlist"](SMALL), pd.DataFrame)
    table = cells["grip_by_bar"](whole(explorer.load(SMALL, allow_outside=True), assumptions=False, plan=False))
    assert table.shape == (4, 4) and table.notna().all(axis=None)
    assert cells["faults"](SMALL) == [] and cells["faults"](SMALL.with_name("absent.toml"))


def test_a_study_that_is_read_is_not_read_again() -> None:
    """Catches a study changed in Python that is silently replaced by its file."""
    study = load_study(SMALL, allow_outside=True)
    assert explorer.load(study) is study


def test_types_are_shipped() -> None:
    """Catches a package whose types no checker reads."""
    assert (Path(explorer.__file__).parent / "py.typed").is_file()


def test_only_what_is_meant_for_people_is_listed() -> None:
    """Catches helpers, typing names and submodules among what an editor offers."""
    assert dir(explorer) == sorted(explorer.__all__)
    assert {"compare", "map", "next", "resume", "run", "seen"} <= set(dir(explorer))
    assert all(getattr(explorer, name).__doc__ for name in dir(explorer))


def test_next_map_and_compare_are_those_of_the_command_line() -> None:
    """Catches a table of another study, knobs that are ignored, and the setups exchanged."""
    study = explorer.load(SMALL, allow_outside=True)
    found = explorer.next(study, ("slow", "rolls-over"), {"front_bar": "1.0"}, minutes=5.0, nominal=True)
    assert len(found) and (found["minutes"] <= 5.0).all() and set(found["symptom"]) == {"slow + rolls-over"}
    assert "1.0" in set(found["from"]) and found["cures"].is_monotonic_decreasing
    cells = explorer.map(study, "front_bar", "rear_bar", "lag_ms")
    assert len(cells) == 16
    with pytest.raises(SpaceError, match="no symptom"):
        explorer.next(study, "wobbles")


def test_seen_and_resume(tmp_path: Path) -> None:
    """Catches a report lost between Python and the file, and a run that is resumed without its answers."""
    copy = tmp_path / "configs"
    shutil.copytree(Path(__file__).parents[1] / "configs", copy)
    found = explorer.seen(copy / "2wd_turf.toml", "hairpin pushed", {"rear_bar": "1.0"})
    assert found.total == 1 and explorer.load(copy / "2wd_turf.toml").space.planning.seen == found.reports
    assert explorer.seen(copy / "2wd_turf.toml", undo=True).total == 0
    both = explorer.compare(copy / "2wd_turf.toml", others={"rear_bar": "1.0"})
    assert "rear_bar" in both.text and both.facts["minutes"] > 0.0
    study = explorer.load(SMALL, allow_outside=True)
    run = explorer.resume(study, tmp_path / "begun")
    assert (tmp_path / "begun" / "run.json").is_file() and len(run.setups) == 16
    with pytest.raises(ArtefactError, match="finished|whole|overwrite"):
        explorer.resume(study, tmp_path / "begun")
