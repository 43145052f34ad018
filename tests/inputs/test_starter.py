"""The starter files: as they are written, and with what a racer has at hand."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from explorer.cli.commands import app
from explorer.domain.errors import ConfigError
from explorer.domain.space import Space
from explorer.domain.unknowns import how_to_measure
from explorer.flow import pipeline
from explorer.inputs.load import load_study
from explorer.inputs.starter import STARTER_FILES, AtHand, write_starter
from explorer.inputs.typical import BY_SLOT
from explorer.model.car.slots import SLOT
from explorer.model.kernel import evaluate_parameters
from explorer.report.plan_sections import plan_report
from explorer.study.plan.worth import Asked

RACER = [
    "--drive", "all", "--front-g", "760", "--rear-g", "860", "--track-mm", "208,206", "--wheelbase-mm", "279",
    "--ride-height-mm", "21", "--front-bars", "1.2,1.0", "--rear-bars", "1.0", "--front-springs", "0.60,0.72",
    "--rear-springs", "0.45",
]  # fmt: skip


def value(space: Space, slot: str) -> float:
    return float(space.base[SLOT[slot]])


@pytest.mark.parametrize("name", ["study.toml", "plan.toml"])
def test_untouched_it_is_whole_and_small(tmp_path: Path, name: str) -> None:
    """Catches a starter that does not load, is too big for a first try, or has a setup that the model refuses."""
    assert [path.name for path in write_starter(tmp_path)] == list(STARTER_FILES)
    space = load_study(tmp_path / name).space
    assert 1_000 <= space.size <= 10_000 and space.exhaustive and space.planning.asked == (name == "plan.toml")
    vectors = space.parameters(space.positions(0, space.size)[:: space.size // 60])
    none = np.zeros(0, dtype=np.int64)
    values, valid = evaluate_parameters(vectors, space.phases, none, np.ones((1, 0)), np.zeros((1, 0)))
    assert valid.all() and np.isfinite(values).all()


def test_nothing_in_it_passes_for_measured(tmp_path: Path) -> None:
    """Catches a number of the example that a racer would take over unseen: all that may be typical is."""
    write_starter(tmp_path)
    car = (tmp_path / "car.toml").read_text(encoding="utf-8")
    told = {item.key for item in load_study(tmp_path / "study.toml").space.assumptions if how_to_measure(item.reason)}
    assert len(told) == len(BY_SLOT) - 2 + 2  # ride heights are knobs; the shapes of two bars are told as their rates
    assert not re.search(r"^\w+_(mm|g|deg|pct) = [-\d]", car.split("[assumed]")[0], re.M)


def test_never_overwrites(tmp_path: Path) -> None:
    """Catches a second `new` wiping a team's own car file, or writing half of the files before it stops."""
    (tmp_path / "car.toml").write_text("mine", encoding="utf-8")
    with pytest.raises(ConfigError, match="there already"):
        write_starter(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["car.toml"]
    assert (tmp_path / "car.toml").read_text(encoding="utf-8") == "mine"


def test_where_nothing_can_be_written(tmp_path: Path) -> None:
    """Catches an OSError reaching a user."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(ConfigError):
        write_starter(tmp_path / "file" / "below")


def test_a_racer_with_bars_springs_and_weights_has_an_answer(tmp_path: Path) -> None:
    """At most 15 values typed, a list of parts counted as one, nothing edited; the first answer names a setup. Catches
    an error on the way, a value lost, and a baseline or rule about parts that are not there."""
    assert len(RACER) // 2 <= 15
    made = CliRunner().invoke(app, ["new", str(tmp_path), *RACER])
    assert made.exit_code == 0, made.output
    study = load_study(tmp_path / "study.toml")
    space = study.space
    wanted = {
        "mass": 1.62,
        "front_weight_share": 76 / 162,
        "front_track": 0.208,
        "rear_track": 0.206,
        "wheelbase": 0.279,
        "front_ride_height": 0.021,
        "rear_ride_height_reference": 0.021,
        "front_spring_rate": 720.0,
        "front_drive_share": 0.5,
        "cg_height": 0.045,  # scaled from the ride height
        "rear_unsprung_mass": 0.051 * 1.62,
    }
    assert {slot: value(space, slot) for slot in wanted} == pytest.approx(wanted, rel=1e-5)
    assert [knob.labels for knob in space.knobs] == [
        ("none", "1.0", "1.2"), ("none", "1.0"), ("0.60", "0.72"), ("0.45",), ("19", "21", "23"), ("19", "21", "23")
    ]  # fmt: skip
    few = replace(space, planning=replace(space.planning, scenarios=64))
    plan = pipeline.answer(replace(study, space=few), assumptions=False).plan
    assert plan is not None and plan.decision.headline is not None
    assert plan.worth is not None
    camber = [one.key for one in space.unknowns].index("front_camber_deg")
    first = Asked(camber, value=1.0, held_out=1.0, low=0.5, high=1.5, size=1)
    asked = (first, *(one for one in plan.worth.worth.asked if one.unknown != camber))
    worth = replace(plan.worth, worth=replace(plan.worth.worth, asked=asked))
    text = "\n".join(plan_report(replace(plan, worth=worth), few))
    assert "not knowing the front camber costs most. To measure it: a camber gauge" in text
    assert re.search(r"\| front camber \| 1\.00 \| 0\.50 to 1\.50 \| a camber gauge", text)
    told = CliRunner().invoke(app, ["check", str(tmp_path / "plan.toml"), "--json"])
    assert told.exit_code == 0 and "front_camber_deg" in json.loads(told.stdout)["typical"]


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--front-g", "700"], "one reading alone"),
        (["--total-g", "16"], "mass.total_g"),
        (["--ride-height-mm", "2"], "front_ride_height_mm"),
        (["--front-bars", "thin"], "numbers with commas"),
        (["--front-bars", "1.2,1.2"], "every label only once"),
        (["--track-mm", "1,2,3"], "one number for both ends"),
        (["--drive", "back"], "back"),
    ],
)
def test_what_is_no_car_writes_nothing(tmp_path: Path, options: list[str], told: str) -> None:
    """Catches files that `check` refuses, and a traceback."""
    made = CliRunner().invoke(app, ["new", str(tmp_path / "mine"), *options])
    assert made.exit_code == 2 and told in made.output, made.output
    assert not (tmp_path / "mine").exists()


def test_one_end_and_the_whole_give_the_share(tmp_path: Path) -> None:
    """Catches the share of the rear taken for that of the front."""
    write_starter(tmp_path, AtHand(total_g=1600.0, rear_g=1000.0))
    assert value(load_study(tmp_path / "study.toml").space, "front_weight_share") == pytest.approx(0.375)
