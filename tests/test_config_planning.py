"""What is not known, as a study says it: defaults, laws, bounds, and every slip located."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import numpy as np
import pytest

from explorer.config import load_study
from explorer.config_planning import CATALOGUE, known_keys, slots_of, split_key
from explorer.errors import ConfigError
from explorer.model.slots import SLOT
from explorer.planning import Unknown
from explorer.space import Space

CONFIGS = Path(__file__).parent.parent / "configs"


def study(tmp_path: Path, tail: str) -> Space:
    """The demo with more written at its end."""
    for folder in ("cars", "surfaces"):
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
        idle = space.base[slot] == 0.0 or stem == "front_downforce_share"
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


def test_one_end_given_alone_leaves_the_other_as_it_was(tmp_path: Path) -> None:
    """Catches a front spread that silently takes the rear one away."""
    space = study(tmp_path, "[unknowns.front_camber_gain_deg_per_mm]\nspread = 0.05\n")
    keys = [item.key for item in space.unknowns]
    assert "front_camber_gain_deg_per_mm" in keys and "rear_camber_gain_deg_per_mm" in keys
    rear = unknown(space, "rear_camber_gain_deg_per_mm")
    assert math.isclose(rear.spread[0], math.radians(0.1) * 1e3)


@pytest.mark.parametrize(
    ("tail", "expected"),
    [
        ("[unknowns.gripp]\nspread = 0.1", "unknowns.gripp: no number of the car or the surface | did you mean grip?"),
        ("[unknowns.cg_height_kg]\nspread = 1", "unknowns.cg_height_kg: no number of the car or the surface"),
        ("[unknowns.track_mm]", "unknowns.track_mm.spread:  | this key is needed"),
        ("[unknowns.grip]\nspread = -1", "unknowns.grip.spread: -1 | 0 or a number above 0"),
        ("[unknowns.grip]\nlow = 2.0", "unknowns.grip: 2 to 1.55 | bounds around the best guess, 1.35"),
        ("[unknowns.grip]\nhigh = 99", "unknowns.grip.high: 99 | allowed: 0.05 to 5"),
        ('[unknowns.grip]\nlaw = "cauchy"', 'unknowns.grip.law: "cauchy" | one of normal'),
        ('[unknowns.front_camber_deg]\nlaw = "lognormal"\nspread = 1', "unknowns.front_camber_deg.law"),
        ("[uncertainty]\nscenarios = 3", "uncertainty.scenarios: 3 | a whole number from 8"),
        ('[carry_over]\nfrom = "carpett"', 'carry_over.from: "carpett" | the NAME of a [liked.NAME]; did you mean'),
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
