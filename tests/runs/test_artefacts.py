"""The writer: same values same bytes, nothing half written, nobody else's files touched."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from explorer.domain.errors import ArtefactError
from explorer.runs import artefacts, disk, records
from explorer.runs.artefacts import MODEL_VERSION, RunFolder, changed_files
from explorer.runs.csv_text import csv_bytes, number_text
from explorer.runs.disk import write_atomic

PNG = b"\x89PNG\r\n\x1a\n" + b"rest"


def names(root: Path) -> set[str]:
    return {str(p.relative_to(root)) for p in root.rglob("*") if p.is_file()}


def test_numbers_have_one_form():
    """Catches repr() formatting, whose last digit differs between equal computations, and "-0"."""
    frame = pd.DataFrame({"x": [0.1 + 0.2, -0.0, 1e-12, 12.0, 1 / 3], "n": [1, 2, 3, 4, 12345678901]})
    assert csv_bytes(frame) == b"x,n\n0.3,1\n0,2\n1e-12,3\n12,4\n0.333333333,12345678901\n"


def test_missing_cells_are_empty_and_booleans_words():
    """Catches "None", "<NA>" or "nan" written as if they were values."""
    frame = pd.DataFrame(
        {
            "low": pd.array([1.5, None], dtype="Float64"),
            "why": ["a", None],
            "mixed": pd.Series([None, 2.0], dtype=object),
            "ok": [True, False],
        }
    )
    assert csv_bytes(frame) == b"low,why,mixed,ok\n1.5,a,,yes\n,,2,no\n"


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_number_that_is_not_finite_is_loud(bad, tmp_path):
    """Catches a NaN that passes through as an empty cell."""
    with pytest.raises(ArtefactError, match="finite"):
        csv_bytes(pd.DataFrame({"x": [1.0, bad]}))
    with pytest.raises(ArtefactError, match="finite"):
        RunFolder(tmp_path / "run").parquet("t", [pd.DataFrame({"x": [1.0, bad]})])


def test_formulas_are_disarmed_in_cells_headers_and_kept_for_numbers():
    """Catches a part called =HYPERLINK(..) that runs in a spreadsheet, and a camber of -1.5 turned into text."""
    cells = ["=1+1", "+cmd", "@x", "-1.5", "-none", "\tx", "a,b", 'q"t', "two\nlines", "one\r=1", "\r=1"]
    frame = pd.DataFrame({"=head": cells})
    lines = csv_bytes(frame).decode()
    assert lines == '\'=head\n\'=1+1\n\'+cmd\n\'@x\n-1.5\n\'-none\n\'\tx\n"a,b"\n"q""t"\n"two\nlines"\none =1\n\' =1\n'


def test_categories_are_written_as_their_labels():
    """Catches category codes in place of labels."""
    frame = pd.DataFrame({"bar": pd.Categorical(["none", "1.2"], categories=["none", "1.2"])})
    assert csv_bytes(frame) == b"bar\nnone\n1.2\n"


def test_parquet_keeps_categories_and_repeats_its_bytes(tmp_path):
    """Catches knobs stored as free strings, and bytes that depend on the hour."""
    frame = pd.DataFrame({"bar": pd.Categorical(["none", "1.2"], categories=["none", "1.2"]), "x": [1.0, 2.0]})
    path, again = (RunFolder(tmp_path / name).parquet("t", [frame.copy()]) for name in ("one", "two"))
    assert path.read_bytes() == again.read_bytes()
    assert str(pq.read_table(path).schema.field("bar").type).startswith("dictionary")
    pd.testing.assert_frame_equal(pd.read_parquet(path), frame)


def test_the_manifest_comes_last_and_holds_every_hash(tmp_path):
    """Catches a manifest written first, which makes a broken run look finished."""
    folder = RunFolder(tmp_path / "out")
    folder.csv("front", pd.DataFrame({"x": [1.0]}))
    folder.png("front", PNG)
    folder.text("report.md", "hello\n")
    staged = {f".work/result/{name}" for name in ("tables/front.csv", "figures/front.png", "report.md")}
    assert names(tmp_path / "out") == staged | {".lock", ".work/inputs.json"}
    folder.finish({"seed": 5, "timings": {"front": 0.25}})
    assert names(tmp_path / "out") == {"tables/front.csv", "figures/front.png", "report.md", "run.json"}
    manifest = json.loads((tmp_path / "out" / "run.json").read_text())
    assert manifest["seed"] == 5 and manifest["versions"]["numpy"] == np.__version__
    assert manifest["versions"]["model"] == MODEL_VERSION
    assert manifest["files"]["report.md"]["sha256"] == artefacts.sha256_of(b"hello\n")
    assert changed_files(tmp_path / "out") == ()
    (tmp_path / "out" / "report.md").write_text("other")
    assert changed_files(tmp_path / "out") == ("report.md",)


def test_a_rerun_replaces_its_own_files_and_keeps_the_users_notes(tmp_path):
    """Catches stale tables left among new ones, an earlier result gone before the new one is whole, and a clean-up that
    deletes what the user put there."""
    first = RunFolder(tmp_path)
    first.csv("old", pd.DataFrame({"x": [1.0]}))
    first.text("report.md", "one")
    first.finish({})
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "tables" / "mine.csv").write_text("mine")
    second = RunFolder(tmp_path, overwrite=True)
    second.text("report.md", "two")
    assert changed_files(tmp_path) == () and (tmp_path / "report.md").read_text() == "one"
    second.finish({})
    assert names(tmp_path) == {"report.md", "run.json", "notes.txt", "tables/mine.csv"}
    assert (tmp_path / "report.md").read_text() == "two"


def test_a_result_is_never_overwritten_unasked(tmp_path):
    """Catches a second run that takes the first one's place, and a `resume` that does."""
    with RunFolder(tmp_path) as folder:
        folder.text("report.md", "one")
        folder.finish({})
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    with pytest.raises(ArtefactError, match="finished run: --overwrite makes it again"):
        RunFolder(tmp_path)
    with pytest.raises(ArtefactError, match="nothing to resume"):
        RunFolder(tmp_path, resume=True)
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


def test_an_interrupted_run_is_named_and_can_be_repeated(tmp_path):
    """Catches a folder that mixes two runs, or keeps the first one's leftovers."""
    first = RunFolder(tmp_path)
    first.csv("left", pd.DataFrame({"x": [1.0]}))
    first.__exit__(None, None, None)
    with pytest.raises(ArtefactError, match="not finished: --resume goes on with it, --overwrite starts again"):
        RunFolder(tmp_path)
    again = RunFolder(tmp_path, overwrite=True)
    again.csv("new", pd.DataFrame({"x": [1.0]}))
    again.finish({})
    assert names(tmp_path) == {"tables/new.csv", "run.json"}


def test_a_run_that_fails_at_once_leaves_no_trace(tmp_path):
    """Catches an empty folder that the next run takes for an unfinished one."""
    with pytest.raises(ZeroDivisionError), RunFolder(tmp_path / "deep" / "out"):
        raise ZeroDivisionError
    assert not (tmp_path / "deep" / "out").exists()
    RunFolder(tmp_path / "deep" / "out").finish({})


def test_foreign_files_are_refused_and_left_alone(tmp_path):
    """Catches results poured into a folder of someone else's work."""
    (tmp_path / "thesis.txt").write_text("x")
    with pytest.raises(ArtefactError, match="no run left there"):
        RunFolder(tmp_path)
    assert names(tmp_path) == {"thesis.txt"}
    (tmp_path / "thesis.txt").unlink()
    (tmp_path / "run.json").write_text('{"other": 1}')
    with pytest.raises(ArtefactError, match="not written by this program"):
        RunFolder(tmp_path)
    assert names(tmp_path) == {"run.json"}


def test_a_users_file_in_the_way_is_not_overwritten(tmp_path):
    """Catches a rerun that overwrites a file it does not own."""
    RunFolder(tmp_path).finish({})
    (tmp_path / "report.md").write_text("mine")
    folder = RunFolder(tmp_path, overwrite=True)
    with pytest.raises(ArtefactError, match="not written by a run"):
        folder.text("report.md", "theirs")
    assert (tmp_path / "report.md").read_text() == "mine"


def test_a_manifest_cannot_point_outside_its_folder(tmp_path):
    """Catches a clean-up that follows ../ out of the folder."""
    (tmp_path / "precious.txt").write_text("keep")
    root = tmp_path / "run"
    root.mkdir()
    files = {"../precious.txt": None, str(tmp_path / "precious.txt"): None}
    (root / "run.json").write_text(json.dumps({"format": records.FORMAT, "files": files}))
    with pytest.raises(ArtefactError, match="no name of a result file; choose another folder"):
        RunFolder(root, overwrite=True)
    assert (tmp_path / "precious.txt").read_text() == "keep"


@pytest.mark.parametrize("stem", ["../x", "a/b/../c", "", ".hidden", "a b", "x\n"])
def test_odd_names_are_refused(tmp_path, stem):
    """Catches a table written outside the folder."""
    with pytest.raises(ArtefactError, match="no name"):
        RunFolder(tmp_path / "run").csv(stem, pd.DataFrame({"x": [1.0]}))


def test_two_tables_of_one_name_are_loud(tmp_path):
    """Catches a second map that silently replaces the first."""
    folder = RunFolder(tmp_path)
    folder.csv("map", pd.DataFrame({"x": [1.0]}))
    with pytest.raises(ArtefactError, match="twice"):
        folder.csv("map", pd.DataFrame({"x": [2.0]}))


def test_a_failed_write_leaves_the_old_file_and_no_scrap(tmp_path, monkeypatch):
    """Catches writing in place, which leaves half a file when the disk fills."""
    path = tmp_path / "a.txt"
    write_atomic(path, b"old")

    def full_disk(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(disk, "sync", full_disk)
    with pytest.raises(ArtefactError, match="No space left"):
        write_atomic(path, b"new")
    assert path.read_bytes() == b"old" and names(tmp_path) == {"a.txt"}


def test_facts_that_are_no_json_are_loud(tmp_path):
    """Catches NaN written into run.json, which no strict reader takes."""
    with pytest.raises(ArtefactError, match="JSON"):
        RunFolder(tmp_path).finish({"x": float("nan")})
    with pytest.raises(ArtefactError, match="finite"):
        number_text(float("nan"))


def test_parquet_by_row_groups_is_the_whole_table(tmp_path):
    """Catches rows lost between groups, a hash of something else, and a number that is not finite let through."""
    labels = pd.Categorical.from_codes([0, 1, 1, 0, 1], categories=["none", "1.2"])
    frame = pd.DataFrame({"bar": labels, "lag_ms": [1.0, 2.0, 3.0, 4.0, 5.0], "valid": [True, True, False, True, True]})
    folder = RunFolder(tmp_path / "run")
    path = folder.parquet("metrics", [frame.iloc[:2], frame.iloc[2:]])
    pd.testing.assert_frame_equal(pd.read_parquet(path), frame)
    folder.finish({})
    assert changed_files(tmp_path / "run") == ()
    assert artefacts.scraps(tmp_path / "run") == ()
    other = RunFolder(tmp_path / "other")
    with pytest.raises(ArtefactError, match="lag_ms"):
        other.parquet("metrics", [frame.assign(lag_ms=float("inf"))])
    with pytest.raises(ArtefactError, match="no rows"):
        other.parquet("metrics", [])
