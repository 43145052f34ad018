"""The wishes of a study: what comes out of good ones, and a located message for each kind of bad one."""

from __future__ import annotations

from pathlib import Path

import pytest

from explorer.domain.errors import ConfigError, Problem
from explorer.domain.felt import FELT
from explorer.domain.wishes import Wish
from explorer.inputs.load import load_study
from tests.measured import write_measured

ROLL = """metric = "hairpin.roll_deg"
at_least_share = 0.8
relative_to = "carpet"
felt = 0.4
price = 2
reason = "turns"
"""
BAR = 'knob = "front_bar"\nnear = 0.1\nrelative_to = "baseline"\nfelt = 0.1\nprice = 0.01'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The starter files with a liked setup."""
    write_measured(tmp_path)
    with (tmp_path / "study.toml").open("a", encoding="utf-8") as stream:
        stream.write('\n[liked.carpet]\nsurface = "surface.toml"\nsetup = { front_bar = "1.4" }\n')
    return tmp_path


def with_wishes(folder: Path, *wishes: str) -> int:
    """Add wishes at the end of the study; returns the line of the first one's [[wishes]]."""
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text + "".join(f"\n[[wishes]]\n{wish}\n" for wish in wishes), encoding="utf-8")
    return text.count("\n") + 2


def faults(folder: Path) -> list[Problem]:
    with pytest.raises(ConfigError) as caught:
        load_study(folder / "study.toml")
    return caught.value.problems


def test_wishes_as_written(folder: Path) -> None:
    """Catches a share taken for an offset, a lost felt difference, price or reference, and defaults that are not the
    table's."""
    with_wishes(folder, ROLL, BAR, 'metric = "lag_ms"\nat_most = 90')
    assert load_study(folder / "study.toml").space.wishes == (
        Wish("hairpin.roll_deg", "", "at_least", 0.8, 0.4, 2.0, True, "carpet", "turns"),
        Wish("", "front_bar", "near", 0.1, 0.1, 0.01, False, "baseline"),
        Wish("lag_ms", "", "at_most", 90.0, FELT["lag_ms"]),
    )


def test_a_study_without_wishes_has_none(folder: Path) -> None:
    """Catches a wish that nobody stated."""
    assert load_study(folder / "study.toml").space.wishes == ()


BAD = [
    (ROLL, "felt = 0.4", "filt = 0.4", "wishes[1].filt", "unknown key", "felt"),
    (ROLL, "hairpin.roll_deg", "hairpin.rol_deg", "wishes[1].metric", "rol_deg", "roll_deg?"),
    (ROLL, "hairpin.roll_deg", "hairpen.roll_deg", "wishes[1].metric", "hairpen", "hairpin?"),
    (ROLL, "hairpin.roll_deg", "hairpin.state", "wishes[1].metric", "state", "a quantity"),
    (ROLL, "felt = 0.4", "felt = 0", "wishes[1].felt", "0", "above 0"),
    (ROLL, "felt = 0.4", "felt = 1e9", "wishes[1].felt", "1000000000", "allowed"),
    (ROLL, "price = 2", "price = -1", "wishes[1].price", "-1", "above 0"),
    (ROLL, "price = 2", "price = 1e9", "wishes[1].price", "1000000000", "allowed"),
    (ROLL, "price = 2", "at_most = 3", "wishes[1]", "at_most and at_least_share", "exactly one"),
    (ROLL, "at_least_share = 0.8", "", "wishes[1]", "no target", "exactly one"),
    (ROLL, "at_least_share = 0.8", "at_least = 1e12", "wishes[1].at_least", "1e+12", "at most"),
    (ROLL, "at_least_share = 0.8", "at_least_share = 0", "wishes[1].at_least_share", "0", "above 0"),
    (ROLL, 'relative_to = "carpet"', "", "wishes[1]", "without relative_to", "liked"),
    (ROLL, 'relative_to = "carpet"', 'relative_to = "carpit"', "wishes[1].relative_to", "carpit", "carpet"),
    (ROLL, "felt = 0.4", 'knob = "front_bar"', "wishes[1]", "both metric and knob", "one of"),
    (BAR, 'knob = "front_bar"', "", "wishes[1]", "neither metric nor knob", "one of"),
    (BAR, "front_bar", "front_barr", "wishes[1].knob", "no knob", "front_bar?"),
    (BAR, "felt = 0.1", "", "wishes[1].felt", "", "needed for a knob"),
]


@pytest.mark.parametrize(
    ("wish", "old", "new", "key", "found", "allowed"), BAD, ids=[f"{b[3]}-{b[2][:20]}" for b in BAD]
)
def test_one_fault_one_located_message(
    folder: Path, wish: str, old: str, new: str, key: str, found: str, allowed: str
) -> None:
    """Catches a fault let through, told twice or elsewhere."""
    assert old in wish
    start = with_wishes(folder, wish.replace(old, new, 1))
    (mine,) = faults(folder)
    assert mine.key == key and found in mine.found and allowed in mine.allowed, str(mine)
    assert start <= mine.line <= start + 7, str(mine)


def test_a_phase_that_the_liked_surface_lacks(folder: Path) -> None:
    """Catches a reference asked for a phase that its surface does not have."""
    text = (folder / "surface.toml").read_text(encoding="utf-8").replace('name = "hairpin"', 'name = "loop"')
    (folder / "other.toml").write_text(text, encoding="utf-8")
    study = folder / "study.toml"
    told = study.read_text(encoding="utf-8").replace('surface = "surface.toml"\nsetup', 'surface = "other.toml"\nsetup')
    study.write_text(told, encoding="utf-8")
    with_wishes(folder, ROLL)
    (mine,) = faults(folder)
    assert mine.key == "wishes[1].metric" and "loop" in mine.allowed
