"""Every knob is told where a user looks, and does what is told of it: on carpet, with the setups liked there."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from explorer.domain.space import FloatArray, Space
from explorer.inputs.knobs import NUMBER_KNOBS, PART_KNOBS
from explorer.inputs.load import load_study
from explorer.model.car.slots import SLOT
from explorer.model.kernel import evaluate_parameters
from explorer.model.metrics import metric_columns
from explorer.validation.trade.statements import text

ROOT = Path(__file__).parents[2]
STATEMENTS = tomllib.loads(text())
STUDIES = {"2wd": "demo", "4wd": "4wd_carpet"}
FELT = 0.15
"""Least difference of balance that is felt, in points."""

DEGREE = math.radians(1.0)


@pytest.mark.parametrize("place", ["README.md", "explorer/inputs/starter/study.toml"])
def test_every_knob_is_told(place):
    """Catches a knob that the reader takes and no user hears of."""
    text = (ROOT / place).read_text(encoding="utf-8")
    assert [knob for knob in (*PART_KNOBS, *NUMBER_KNOBS) if knob not in text] == []


@pytest.fixture(scope="module", params=sorted(STUDIES))
def liked(request) -> tuple[str, Space, FloatArray]:
    """A kind of car, its study on carpet, and the parameter vector of the setup liked there, with 50 g of ballast."""
    space = load_study(ROOT / "configs" / f"{STUDIES[request.param]}.toml").space
    vector = space.parameters(space.setup(STATEMENTS["liked"][request.param])[None, :])[0]
    vector[SLOT["ballast_mass"]] = 0.05
    return request.param, space, vector


def moved(space: Space, vector: FloatArray, by: dict[str, float]) -> dict[str, float]:
    """How far every metric moves when slots move."""
    other = vector.copy()
    for slot, step in by.items():
        other[SLOT[slot]] += step
    none = np.zeros(0, dtype=np.int64)
    values, valid = evaluate_parameters(
        np.stack([vector, other]), space.phases, none, np.ones((1, 0)), np.zeros((1, 0))
    )
    assert valid.all()
    return dict(zip(metric_columns(space.phase_names), values[0, 1] - values[0, 0], strict=True))


@pytest.mark.parametrize(
    ("by", "metric", "least"),
    [
        ({"front_camber": -DEGREE}, "sweep.balance_pct", 1.0),
        ({"front_camber": -DEGREE}, "exit.balance_pct", 0.5),
        ({"rear_camber": -DEGREE}, "sweep.balance_pct", -4.0),
        ({"caster": 5.0 * DEGREE}, "sweep.balance_pct", 0.5),
        ({"caster": 5.0 * DEGREE}, "entry.balance_pct", 1.0),
        ({"front_ride_height": -0.001}, "sweep.balance_pct", 0.3),
        ({"front_ride_height": -0.001}, "hairpin.balance_pct", FELT),
        ({"rear_ride_height": -0.001}, "sweep.balance_pct", -1.0),
        ({"front_ride_height": -0.001, "rear_ride_height": -0.001}, "lift_margin_pct", 3.0),
        ({"front_ride_height": -0.001, "rear_ride_height": -0.001}, "clearance_mm", -0.9),
        ({"front_roll_centre_height": 0.003}, "hairpin.balance_pct", -0.7),
        ({"front_roll_centre_height": 0.003}, "lift_margin_pct", -3.0),
        ({"rear_roll_centre_height": 0.003}, "hairpin.balance_pct", 0.2),
        ({"rear_roll_centre_height": 0.003}, "hairpin.roll_deg", -0.08),
        ({"front_damping": 4.0}, "lag_ms", 4.0),
        ({"rear_damping": 4.0}, "lag_ms", 4.0),
        ({"front_droop": 0.003}, "lift_margin_pct", 0.5),
        ({"front_tyre_grip": 0.05}, "sweep.balance_pct", 5.0),
    ],
    ids=str,
)
def test_knobs_do_what_is_told(liked, by, metric, least):
    """Catches a sign turned round in the model, or words in the README that it does not bear out. `least`: at least so
    far, that way."""
    _, space, vector = liked
    found = moved(space, vector, by)[metric]
    assert found * math.copysign(1.0, least) >= abs(least), found


def test_what_stays_odd_is_as_odd_as_told(liked):
    """Catches a README that goes on telling an oddity which is gone, or hides that it grew."""
    kind, space, vector = liked
    hairpin = moved(space, vector, {"front_camber": -DEGREE})["hairpin.balance_pct"]
    assert -0.4 < hairpin < -FELT if kind == "2wd" else hairpin > FELT
    assert abs(moved(space, vector, {"front_ride_height": -0.001})["entry.balance_pct"]) < FELT
    assert abs(moved(space, vector, {"ballast_shift": 0.02})["sweep.balance_pct"]) < FELT
    box = space.knobs[space.knob_index("rear_bar")]
    place = int(box.position_of(STATEMENTS["liked"][kind]["rear_bar"]))
    thinner = box.settings[place - 1][0] - box.settings[place][0]
    softer = moved(space, vector, {"rear_bar_rate": thinner})
    assert 0.4 < softer["sweep.balance_pct"] < softer["entry.balance_pct"] < 0.7


def test_the_margins_on_carpet_are_as_told(liked):
    """Catches a README that tells other margins than the liked setups have."""
    kind, space, vector = liked
    none = np.zeros(0, dtype=np.int64)
    values, _ = evaluate_parameters(vector[None, :], space.phases, none, np.ones((1, 0)), np.zeros((1, 0)))
    found = dict(zip(metric_columns(space.phase_names), values[0, 0], strict=True))
    told = {"2wd": (1.2, 16.8), "4wd": (3.4, 25.9)}[kind]
    assert (found["grip_margin_pct"], found["lift_margin_pct"]) == pytest.approx(told, abs=0.1)


def test_steady_corners_know_no_damper(liked):
    """Catches a damper that reaches the statics."""
    _, space, vector = liked
    found = moved(space, vector, {"front_damping": 4.0, "rear_damping": 4.0})
    assert abs(found["hairpin.balance_pct"]) < 0.02 and abs(found["hairpin.roll_deg"]) < 0.01
