"""What is not known, as a study says it: defaults, laws, bounds, and every slip located."""

from __future__ import annotations

import math
import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from explorer.domain.errors import ConfigError
from explorer.domain.space import Space
from explorer.domain.unknowns import Unknown
from explorer.inputs.load import load_study
from explorer.inputs.unknowns import CATALOGUE, known_keys, slots_of, split_key
from explorer.model.car.slots import SLOT
from explorer.study.plan.scenarios import draws_at, quantiles

CONFIGS = Path(__file__).parents[2] / "configs"


def study(tmp_path: Path, tail: str) -> Space:
    """The demo with more written at its end."""
    for folder in ("cars", "surfaces", "tyres"):
        shutil.copytree(CONFIGS / folder, tmp_path / folder, dirs_exist_ok=True)
    text = (CONFIGS / "demo.toml").read_text(encoding="utf-8")
    (tmp_path / "study.toml").write_text(text + "\n" + tail, encoding="utf-8")
    return load_study(tmp_path / "study.toml").space


def faults(tmp_path: Path, tail: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        study(tmp_path, tail)
    return [f"{p.key}: {p.found} | {p.allowed}" for p in caught.value.problems]


def unknown(space: Space, key: str) -> Unknown:
    return next(item for item in space.unknowns if item.key == key)


def test_every_assumed_number_with_a_spread_is_an_unknown_by_default(tmp_path: Path) -> None:
    """Catches an assumption that the plan takes for certain, and both ends of one guess drawn apart."""
    space = study(tmp_path, "")
    moved = {slot for item in space.unknowns for slot in item.slots}
    for item in space.assumptions:
        stem, _ = split_key(item.key)
        slot = SLOT[stem]
        idle = stem == "front_downforce_share"
        assert (slot in moved) == (item.spread > 0.0 and not idle), item.key
    gain = unknown(space, "camber_gain_deg_per_mm")
    assert gain.slots == (SLOT["front_camber_gain"], SLOT["rear_camber_gain"])
    assert unknown(space, "grip").of_surface and not unknown(space, "cg_height_mm").of_surface
    assert not space.planning.asked
    for item in space.unknowns:
        assert all(
            low <= v <= high and low < high for low, v, high in zip(item.low, item.values, item.high, strict=True)
        )


def test_a_spread_given_in_the_study_counts_in_the_unit_of_its_key(tmp_path: Path) -> None:
    """Catches millimetres taken for metres, a law or a bound that is not handed on, and a spread of 0 that still
    draws."""
    tail = """
[uncertainty]
scenarios = 32
quantile = 0.2
shortlist_on = "worst"

[unknowns.cg_height_mm]
law = "triangular"
spread = 3
low = 44

[unknowns.rear_camber_deg]
spread = 0.5

[unknowns.track_mm]
spread = 1

[unknowns.grip]
spread = 0

[carry_over]
from = "carpet"

[pits]
minutes_between_runs = 12
minutes = 90
starts = "9:45"
"""
    space = study(tmp_path, tail)
    height = unknown(space, "cg_height_mm")
    assert (height.law, height.unit) == ("triangular", "mm")
    assert height.spread == (0.003,) and math.isclose(height.low[0], 0.044)
    camber = unknown(space, "rear_camber_deg")
    assert camber.slots == (SLOT["rear_camber"],) and math.isclose(camber.spread[0], math.radians(0.5))
    assert len(unknown(space, "track_mm").slots) == 2
    assert SLOT["grip"] not in {slot for item in space.unknowns for slot in item.slots}
    plan = space.planning
    assert (plan.asked, plan.scenarios, plan.quantile, plan.shortlist_on) == (True, 32, 0.2, "worst")
    assert (plan.carry_over, plan.minutes_between_runs) == ("carpet", 12.0)
    assert (plan.minutes, plan.starts) == (90.0, "9:45")


def test_one_end_given_alone_leaves_the_other_as_it_was(tmp_path: Path) -> None:
    """Catches a front spread that silently takes the rear one away."""
    space = study(tmp_path, "[unknowns.front_camber_gain_deg_per_mm]\nspread = 0.05\n")
    keys = [item.key for item in space.unknowns]
    assert "front_camber_gain_deg_per_mm" in keys and "rear_camber_gain_deg_per_mm" in keys
    rear = unknown(space, "rear_camber_gain_deg_per_mm")
    assert math.isclose(rear.spread[0], math.radians(0.05) * 1e3)


@pytest.mark.parametrize(
    ("tail", "expected"),
    [
        ("[unknowns.gripp]\nspread = 0.1", "unknowns.gripp: no number of the car or the surface | did you mean grip?"),
        ("[unknowns.cg_height_kg]\nspread = 1", "unknowns.cg_height_kg: no number of the car or the surface"),
        ("[unknowns.track_mm]", "unknowns.track_mm.spread:  | this key is needed"),
        ("[unknowns.grip]\nspread = -1", "unknowns.grip.spread: -1 | 0 or a number above 0"),
        ("[unknowns.grip]\nlow = 2.0", "unknowns.grip: 2 to 1.95 | bounds around the best guess, 1.85"),
        ("[unknowns.grip]\nhigh = 99", "unknowns.grip.high: 99 | allowed: 0.05 to 5"),
        ("[unknowns.track_mm]\nspread = 900", "unknowns.track_mm.spread: 900 | less than the best guess"),
        ('[unknowns.grip]\nlaw = "cauchy"', 'unknowns.grip.law: "cauchy" | one of normal'),
        ('[unknowns.front_camber_deg]\nlaw = "lognormal"\nspread = 1', "unknowns.front_camber_deg.law"),
        (
            "[unknowns.camber_deg]\nspread = 1\n[unknowns.front_camber_deg]\nspread = 0",
            "unknowns.front_camber_deg: the same number as unknowns.camber_deg | one key for one number",
        ),
        (
            "[unknowns.cg_height_mm]\nspread = 2\n[unknowns.cg_height_m]\nspread = 0.003",
            "unknowns.cg_height_m: the same number as unknowns.cg_height_mm | one key for one number",
        ),
        ("[uncertainty]\nscenarios = 3", "uncertainty.scenarios: 3 | a whole number from 8"),
        ('[carry_over]\nfrom = "carpett"', 'carry_over.from: "carpett" | the NAME of a [liked.NAME]; did you mean'),
        ('[pits]\nstarts = "25:00"', 'pits.starts: "25:00" | a time of day in quotes'),
        ("[pits]\nminutes_between_runs = 0", "pits.minutes_between_runs: 0 | allowed: 0.5 to 1000"),
    ],
)
def test_slips_are_located(tmp_path: Path, tail: str, expected: str) -> None:
    """Catches a slip that is taken in silence or reported without its key."""
    found = faults(tmp_path, tail)
    assert any(text.startswith(expected) for text in found), found


def test_every_known_key_can_be_read_back() -> None:
    """Catches a key offered in a message that is then refused."""
    for key in known_keys():
        stem, _ = split_key(key)
        assert stem and all(slot in CATALOGUE for slot in slots_of(stem)), key
    assert np.all([slot in SLOT for slot in CATALOGUE])


EVERY_KIND = """
[knobs.front_camber_deg]
values = [0, -1, -2]
[knobs.rear_camber_deg]
values = [0, -0.1, 1]
[knobs.caster_deg]
range = [10, 20]
[knobs.front_droop_mm]
values = [0, 4, 9]
[knobs.front_roll_centre_mm]
values = [-5, 0, 8]
[knobs.front_damper]
parts = "all"
[knobs.front_tyre]
parts = "all"

[unknowns.camber_deg]
spread = 0.5
[unknowns.caster_deg]
law = "uniform"
spread = 2
[unknowns.front_droop_mm]
spread = 1
[unknowns.front_roll_centre_height_mm]
spread = 2
[unknowns.front_ride_height_mm]
law = "triangular"
spread = 1
[unknowns.front_wheel_radius_mm]
spread = 0.5
[unknowns.front_spring_rate_n_per_mm]
spread = 0.07
[unknowns.front_bar_rate_n_per_mm]
spread = 0.05
[unknowns.front_damping_n_s_per_m]
spread = 2
[unknowns.front_tyre_rate_n_per_mm]
law = "lognormal"
spread = 0.8
"""
SHIFTED = ("camber", "caster", "droop", "roll_centre_height", "ride_height", "wheel_radius")
KNOB_PARTS = """
[[parts.front_dampers]]
label = "light"
damping_n_s_per_m = 5
[[parts.front_dampers]]
label = "heavy"
damping_n_s_per_m = 12
[[parts.front_tyres]]
label = "tall"
grip_factor = 1.1
radius_mm = 44
rate_n_per_mm = 6
"""


def every_kind(tmp_path: Path, tail: str = EVERY_KIND) -> Space:
    """The demo with every kind of knob, each on a number that is not known."""
    study(tmp_path, "")
    car = tmp_path / "cars" / "heron_2wd.toml"
    car.write_text(car.read_text(encoding="utf-8") + KNOB_PARTS, encoding="utf-8")
    path = tmp_path / "study.toml"
    now = (
        "[baseline]\nfront_camber_deg = -1\nrear_camber_deg = -0.1\ncaster_deg = 15\nfront_droop_mm = 4\n"
        'front_roll_centre_mm = 0\nfront_damper = "heavy"\nfront_tyre = "race"'
    )
    text = path.read_text(encoding="utf-8").replace("[baseline]", now)
    path.write_text(text + tail, encoding="utf-8")
    return load_study(path).space


def test_an_unknown_on_a_knob_moves_every_level_alike(tmp_path: Path) -> None:
    """Catches: a factor on the baseline's level put on the others (camber 0 then never moves, -2 moves twice as far,
    a baseline of -0.1 gives tens of degrees), an offset put on a rate (a bar that is not there gets one). Judge: each
    level by hand, at both ends of its law."""
    space = every_kind(tmp_path)
    ends = np.array([1e-6, 0.5, 1.0 - 1e-6])
    draws = draws_at(space, ends[:, None] * np.ones(len(space.unknowns)), np.ones(3))
    owners = {slot: knob for knob in space.knobs for slot in knob.slots}
    seen = set()
    for column, slot in enumerate(draws.scenarios.slots):
        if slot not in owners:
            continue
        knob = owners[slot]
        item = next(one for one in space.unknowns if slot in one.slots)
        seen.add((knob.name, item.key))
        drawn_best = quantiles(item, ends)[:, item.slots.index(slot)]
        assert np.ptp(drawn_best) > 0.0
        for setting in knob.settings:
            level = setting[knob.slots.index(slot)]
            drawn = level * draws.scenarios.factor[:, column] + draws.scenarios.offset[:, column]
            off = drawn_best - space.base[slot]
            wanted = (
                level + off if any(stem in item.key for stem in SHIFTED) else level * (drawn_best / space.base[slot])
            )
            np.testing.assert_allclose(drawn, wanted, rtol=1e-9, atol=1e-15, err_msg=item.key)
    assert {key for _, key in seen} == {key for key in re.findall(r"unknowns\.(.*)\]", EVERY_KIND)}
    rear = draws.scenarios.offset[:, list(draws.scenarios.slots).index(SLOT["rear_camber"])]
    np.testing.assert_allclose(np.degrees(rear), [-1.0, 0.0, 1.0], atol=0.1)


@pytest.mark.parametrize("law", ["normal", "uniform", "lognormal"])
def test_no_level_is_drawn_out_of_its_range(tmp_path: Path, law: str) -> None:
    """Catches a lower level drawn through the ground because the baseline's was held to the range alone."""
    space = study(tmp_path, f'[unknowns.front_ride_height_mm]\nlaw = "{law}"\nspread = 21\n')
    item = unknown(space, "front_ride_height_mm")
    knob = next(knob for knob in space.knobs if knob.name == "front_ride_height_mm")
    drawn = (
        np.array(knob.settings) + quantiles(item, np.array([2.0**-40, 1 - 2.0**-40]))[:, 0] - space.base[item.slots[0]]
    )
    assert drawn.min() >= 0.001 - 1e-12 and drawn.max() <= 0.1 + 1e-12
    found = faults(tmp_path, "[unknowns.front_ride_height_mm]\nspread = 5\nlow = 2\n")
    assert found == ["unknowns.front_ride_height_mm.low: 2 | allowed: 3 to 98 mm"]


def test_a_share_of_a_bar_that_is_not_there_is_refused_at_its_line(tmp_path: Path) -> None:
    """Catches a rate put on every bar, "none" among them, because no factor follows from a best guess of zero."""
    study(tmp_path, "")
    path = tmp_path / "study.toml"
    text = path.read_text(encoding="utf-8").replace('\nfront_bar = "1.2"\nrear', '\nfront_bar = "none"\nrear', 1)
    path.write_text(text + "\n[unknowns.front_bar_rate_n_per_mm]\nspread = 0.05\n", encoding="utf-8")
    with pytest.raises(ConfigError, match="front_bar_rate, which is 0 in the baseline") as caught:
        load_study(path)
    (problem,) = caught.value.problems
    assert problem.line == text.count("\n") + 3
