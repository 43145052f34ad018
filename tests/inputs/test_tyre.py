"""Tyre files: what a surface's tyre says counts there, where it comes from is told, faults have their place; and the
ratio of grip on which a car is as balanced as at home."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from explorer.domain.errors import ConfigError, Problem
from explorer.domain.space import Assumption
from explorer.flow.run_study import inputs_of
from explorer.inputs.load import LoadedStudy, load_study
from explorer.model.car.slots import SLOT
from explorer.model.kernel import evaluate_parameters
from explorer.model.metrics import metric_columns
from tests.measured import write_measured

CONFIGS = Path(__file__).parents[2] / "configs"
HOME = '[liked.home]\nsurface = "home.toml"\nsetup = { front_bar = "1.2" }\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The starter files, with a second surface and tyre: `home.toml` is grippier, its tyre minds lean at the rear."""
    write_measured(tmp_path)
    text = (tmp_path / "surface.toml").read_text(encoding="utf-8")
    home = text.replace("grip = 0.95", "grip = 1.5").replace('"tyre.toml"', '"home_tyre.toml"')
    (tmp_path / "home.toml").write_text(home, encoding="utf-8")
    tyre = (tmp_path / "tyre.toml").read_text(encoding="utf-8")
    (tmp_path / "home_tyre.toml").write_text(tyre.replace("rear_lean_width_deg = 10.0", "rear_lean_width_deg = 8.0"))
    return tmp_path


def edit(folder: Path, name: str, old: str, new: str) -> int:
    """Replace text in a file; returns the line where it stood."""
    text = (folder / name).read_text(encoding="utf-8")
    assert old in text, old
    (folder / name).write_text(text.replace(old, new, 1), encoding="utf-8")
    return text[: text.index(old)].count("\n") + 1


def append(folder: Path, name: str, more: str) -> None:
    with (folder / name).open("a", encoding="utf-8") as stream:
        stream.write("\n" + more)


def load(folder: Path) -> LoadedStudy:
    return load_study(folder / "study.toml")


def only(folder: Path) -> Problem:
    with pytest.raises(ConfigError) as caught:
        load(folder)
    assert len(caught.value.problems) == 1, [str(problem) for problem in caught.value.problems]
    return caught.value.problems[0]


def assumption(study: LoadedStudy, key: str) -> Assumption:
    return next(item for item in study.space.assumptions if item.key == key)


def balance(study: LoadedStudy, base: np.ndarray, positions: np.ndarray) -> float:
    """Balance in the sweep. [%]"""
    space = study.space
    none = np.zeros(0, dtype=np.int64)
    table = space.parameters(positions[None, :], base)
    values, valid = evaluate_parameters(table, space.phases, none, np.ones((1, 0)), np.zeros((1, 0)))
    assert valid.all()
    return float(values[0, 0, metric_columns(space.phase_names).index("sweep.balance_pct")])


def test_a_tyre_counts_before_the_car_file_and_says_so(folder: Path) -> None:
    """Catches a tyre file that is read and forgotten, and a number whose place cannot be told."""
    edit(folder, "car.toml", "[assumed]", "[assumed]\nfront_lean_width_deg = 12\nload_sensitivity = 0.2")
    edit(folder, "tyre.toml", "front_lean_width_deg = 10.0", "front_lean_width_deg = 21.0")
    edit(folder, "tyre.toml", "load_sensitivity = 0.15\nload_sensitivity_spread = 0.08\n", "")
    edit(folder, "tyre.toml", 'load_sensitivity = "guess: full-size tyres lie near 0.1 to 0.3"\n', "")
    study = load(folder)
    assert study.space.base[SLOT["front_lean_width"]] == pytest.approx(math.radians(21.0))
    assert study.space.base[SLOT["load_sensitivity"]] == 0.2
    told = assumption(study, "front_lean_width_deg")
    assert (told.value, told.spread) == (pytest.approx(21.0), pytest.approx(4.0))
    assert told.reason == (
        "tyre file, Starter tyre (unknown): guess: nothing published; 12 of the car file does not count on this surface"
    )
    assert assumption(study, "load_sensitivity").reason.startswith("given in the car file")
    assert "Tyres: Starter tyre (unknown) on Starter surface, medium grip (invented)." in study.space.notes


def test_without_a_tyre_the_car_file_counts(folder: Path) -> None:
    """Catches a surface of before that is read otherwise now."""
    edit(folder, "surface.toml", 'tyre = "tyre.toml"', "")
    edit(folder, "car.toml", "[assumed]", "[assumed]\nfront_lean_width_deg = 12")
    study = load(folder)
    assert study.space.base[SLOT["front_lean_width"]] == pytest.approx(math.radians(12.0))
    assert [Path(file.path).name for file in study.files] == ["study.toml", "car.toml", "surface.toml"]


def test_each_surface_runs_on_its_own_tyre(folder: Path) -> None:
    """Catches a liked setup that is judged on the tyre of the event, and a guess about one tyre moving another."""
    append(folder, "study.toml", HOME)
    space = load(folder).space
    column = SLOT["rear_lean_width"]
    assert space.base[column] == pytest.approx(math.radians(10.0))
    assert space.references[0].base[column] == pytest.approx(math.radians(8.0))
    unknown = {one.key: one for one in space.unknowns}
    assert unknown["rear_lean_width_deg"].of_surface and not unknown["cornering_exponent"].of_surface
    edit(folder, "home.toml", '"home_tyre.toml"', '"tyre.toml"')
    same = {one.key: one for one in load(folder).space.unknowns}
    assert not same["rear_lean_width_deg"].of_surface


def test_a_run_knows_its_tyres(folder: Path) -> None:
    """Catches a run that goes on with another tyre than it began with."""
    append(folder, "study.toml", HOME)
    before = inputs_of(load(folder))
    assert {"input tyre.toml", "input home_tyre.toml"} <= set(before)
    edit(folder, "home_tyre.toml", "patch_shift_mm = 3.0", "patch_shift_mm = 2.9")
    after = inputs_of(load(folder))
    assert [name for name in before if before[name] != after[name]] == ["input home_tyre.toml"]


@pytest.mark.parametrize(
    ("old", "new", "key", "found", "allowed"),
    [
        (
            "rear_lean_width_deg = 10.0",
            "rear_lean_widht_deg = 10.0",
            "constants.rear_lean_widht_deg",
            "unknown",
            "mean",
        ),
        ("patch_shift_mm = 3.0 ", "patch_shift_mm = 300.0 ", "constants.patch_shift_mm", "300", "0 to 50 mm"),
        ("patch_shift_mm = 3.0 ", "# ", "constants.patch_shift_spread_mm", "spread alone", "patch_shift_mm beside"),
        ("[sources]", '[sources]\npatch_lean = "seen"', "sources.patch_lean", "a source of nothing", "patch_lean_deg"),
        ("[sources]", "[source]", "source", "unknown key", "sources"),
    ],
)
def test_faults_of_a_tyre_file_have_their_place(
    folder: Path, old: str, new: str, key: str, found: str, allowed: str
) -> None:
    """Catches a fault that is passed over, or told without its place or a way out."""
    edit(folder, "tyre.toml", old, new)
    with pytest.raises(ConfigError) as caught:
        load(folder)
    problem = next(problem for problem in caught.value.problems if problem.key == key)
    assert Path(problem.file).name == "tyre.toml" and problem.line > 0
    assert found in problem.found and allowed in problem.allowed


def test_a_tyre_that_is_not_there(folder: Path) -> None:
    """Catches a missing tyre told at the study, where nobody wrote it."""
    line = edit(folder, "surface.toml", 'tyre = "tyre.toml"', 'tyre = "tires.toml"')
    problem = only(folder)
    assert (Path(problem.file).name, problem.line, problem.key) == ("surface.toml", line, "surface.tyre")
    assert "tires.toml" in problem.found and "TOML file" in problem.allowed


def test_a_tyre_outside_is_not_opened(folder: Path) -> None:
    """Catches a surface that reads files which the study may not read."""
    edit(folder, "surface.toml", 'tyre = "tyre.toml"', 'tyre = "/etc/passwd"')
    assert "outside" in only(folder).found


def test_balanced_as_at_home(folder: Path) -> None:
    """Catches a ratio that leaves the liked setup pushing or loose in the sweep, and one that nobody is told."""
    append(folder, "study.toml", HOME)
    edit(folder, "surface.toml", "front_grip_ratio = 1.0", 'front_grip_ratio = "balanced"')
    study = load(folder)
    liked = study.space.references[0]
    positions = np.array(liked.positions)
    at_home = balance(study, liked.base, positions)
    assert balance(study, study.space.base, positions) == pytest.approx(at_home, abs=0.02)
    plain = study.space.base.copy()
    plain[SLOT["front_grip_ratio"]] = 1.0
    assert abs(balance(study, plain, positions) - at_home) > 0.2
    told = assumption(study, "front_grip_ratio")
    assert told.value == study.space.base[SLOT["front_grip_ratio"]] and told.reason.startswith("found: as balanced")
    unknown = next(one for one in study.space.unknowns if one.key == "front_grip_ratio")
    assert unknown.values == (told.value,)


OTHER = HOME.replace("home]", "other]")


@pytest.mark.parametrize(
    ("surface", "study", "found"),
    [
        ("surface.toml", "", "no liked setup"),
        ("surface.toml", HOME + OTHER, "several liked setups"),
        ("home.toml", HOME, "on the surface of liked.home"),
    ],
)
def test_balanced_needs_a_home(folder: Path, surface: str, study: str, found: str) -> None:
    """Catches a ratio that silently stays at 1 where nothing says what it is balanced with."""
    append(folder, "study.toml", study)
    line = edit(folder, surface, "front_grip_ratio = 1.0", 'front_grip_ratio = "balanced"')
    problem = only(folder)
    assert (Path(problem.file).name, problem.line, problem.key) == (surface, line, "surface.front_grip_ratio")
    assert found in problem.found and "number" in problem.allowed


def test_balance_that_cannot_be_had(folder: Path) -> None:
    """Catches a search that hands back an end of its range as if it had found something."""
    append(folder, "study.toml", HOME)
    edit(folder, "surface.toml", "front_grip_ratio = 1.0", 'front_grip_ratio = "balanced"')
    edit(folder, "home.toml", "front_grip_ratio = 1.0", "front_grip_ratio = 3.0")
    edit(folder, "surface.toml", "grip_share = 0.80", "grip_share = 1.60")
    problem = only(folder)
    assert problem.key == "surface.front_grip_ratio" and "at home" in problem.found


def test_balanced_needs_a_sweep(folder: Path) -> None:
    """Catches a study without the phase in which balance is compared."""
    append(folder, "study.toml", HOME)
    edit(folder, "surface.toml", "front_grip_ratio = 1.0", 'front_grip_ratio = "balanced"')
    for name in ("surface.toml", "home.toml"):
        edit(folder, name, 'name = "sweep"', 'name = "bend"')
    edit(folder, "study.toml", "sweep.roll_deg", "bend.roll_deg")
    problem = only(folder)
    assert problem.key == "surface.front_grip_ratio" and 'a phase "sweep"' in problem.allowed


def test_another_word_is_refused(folder: Path) -> None:
    """Catches a misspelt word taken for a number or for nothing."""
    edit(folder, "surface.toml", "front_grip_ratio = 1.0", 'front_grip_ratio = "balance"')
    problem = only(folder)
    assert problem.found == '"balance"' and problem.allowed == '"balanced", or a number without quotes: 0.3 to 3'


@pytest.mark.parametrize("name", sorted(path.stem for path in (CONFIGS / "tyres").glob("*.toml")))
def test_every_tyre_of_ours_says_where_its_numbers_come_from(folder: Path, name: str) -> None:
    """Catches a number of a shipped tyre without a source."""
    (folder / "tyre.toml").write_bytes((CONFIGS / "tyres" / f"{name}.toml").read_bytes())
    reasons = [item.reason for item in load(folder).space.assumptions if item.reason.startswith("tyre file")]
    assert len(reasons) == 8 and not [reason for reason in reasons if "no source given" in reason]
