"""The command line as a user meets it: exit codes, located messages, no traceback, same seed same bytes."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from explorer.artefacts import changed_files
from explorer.cli import app

CONFIGS = Path(__file__).parent.parent / "configs"
RUNNER = CliRunner()


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """The dusty two-wheel-drive study cut down to a few setups, free to be broken."""
    shutil.copytree(CONFIGS / "cars", tmp_path / "cars")
    shutil.copytree(CONFIGS / "surfaces", tmp_path / "surfaces")
    text = (CONFIGS / "2wd_dusty.toml").read_text(encoding="utf-8")
    text = text.replace('parts = "all"', 'parts = ["none", "1.0", "1.2", "1.4"]')
    text = text.replace("values = [20, 22, 24]", "values = [20, 22]")
    path = tmp_path / "study.toml"
    path.write_text(text, encoding="utf-8")
    return path


def call(*words: object) -> tuple[int, str]:
    result = RUNNER.invoke(app, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


BROKEN = {
    "misspelt key": ("tolerance_pct = 8", "tolerence_pct = 8", "tolerence_pct"),
    "unknown part": ('"1.2", "1.4"]', '"1.2", "9.9"]', "9.9"),
    "empty knob": ('parts = ["none", "1.0", "1.2", "1.4"]', "parts = []", "empty list"),
    "contradictory limits": (
        "at_most = 1.3",
        "at_most = 1.3\nat_least = 3.0",
        "can both be met",
    ),
    "not a number": ("at_most = 0.25", "at_most = nan", "at_most"),
    "unknown metric": ('metric = "sweep.roll_deg"', 'metric = "sweep.rol_deg"', "sweep.rol_deg"),
    "unknown baseline level": ('rear_bar = "1.2"', 'rear_bar = "1.3"', "1.3"),
}


@pytest.mark.parametrize("fault", sorted(BROKEN))
def test_bad_study_is_located(study: Path, fault: str) -> None:
    """Catches a fault that passes in silence, a traceback, or a message without file and line."""
    old, new, told = BROKEN[fault]
    text = study.read_text(encoding="utf-8")
    assert old in text
    study.write_text(text.replace(old, new, 1), encoding="utf-8")
    code, output = call("check", study)
    assert code == 2
    assert told in output and "study.toml:" in output


def test_negative_mass_and_bad_bytes(study: Path) -> None:
    """Catches a car that weighs less than nothing, and a decoding traceback."""
    car = study.parent / "cars" / "heron_2wd.toml"
    good = car.read_bytes()
    car.write_bytes(good.replace(b"total_g = 1580", b"total_g = -1580"))
    code, output = call("check", study)
    assert code == 2 and "total_g" in output and "heron_2wd.toml:" in output
    car.write_bytes(good)
    study.write_bytes(b"\xff\xfe" + study.read_bytes())
    code, output = call("check", study)
    assert code == 2 and "UTF-8" in output


def test_show_is_one_json_object(study: Path) -> None:
    """Catches NaN in the output and a --set that is ignored."""
    code, output = call("show", study, "--json", "--set", "front_bar=none")
    answer = json.loads(output)
    assert code == 0 and answer["setup"]["front_bar"] == "none"
    assert answer["metrics"]["sweep.state"] == "four wheels"
    assert call("show", study, "--set", "front_bar=7")[0] == 2


def test_run_leaves_everything_and_repeats_byte_for_byte(study: Path, tmp_path: Path) -> None:
    """Catches a missing file, an unlisted one, and any order or seed that is not fixed."""
    contents = []
    for name in ("a", "b"):
        code, output = call("run", study, "--out", tmp_path / name)
        assert code == 0, output
        assert changed_files(tmp_path / name) == ()
        contents.append({p.name: p.read_bytes() for p in sorted((tmp_path / name / "tables").iterdir())})
    assert contents[0] == contents[1]
    wanted = {"front.csv", "sensitivity.csv", "sensitivity_pairs.csv", "one_change.csv", "shortlist.csv"}
    assert wanted | {"metrics.parquet"} <= set(contents[0])
    assert "run.json" in {p.name for p in (tmp_path / "a").iterdir()}
    assert list((tmp_path / "a" / "figures").glob("map_*.png"))


def test_nothing_feasible_exits_3(study: Path) -> None:
    """Catches a ranking of setups that break a limit."""
    text = study.read_text(encoding="utf-8").replace("at_most = 0.25", "at_most = -2.5")
    study.write_text(text, encoding="utf-8")
    assert call("shortlist", study)[0] == 3


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.toml")), ids=lambda path: path.stem)
def test_every_config_loads(path: Path) -> None:
    """Catches a demo file that went stale."""
    code, output = call("check", path)
    assert code == 0, output


def test_sampled_path(study: Path) -> None:
    """The forced search states its recall of the exact front; catches a search called exact."""
    text = study.read_text(encoding="utf-8")
    text += '\n[method]\nmethod = "sampled"\nsearch_trials = 100\nsearch_population = 20\nsobol_budget = 4000\n'
    study.write_text(text, encoding="utf-8")
    code, output = call("search", study)
    assert code == 0 and "of the exact front's points" in output
