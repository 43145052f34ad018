"""Reading observations: what comes out of a good file, and a located message for each kind of bad one."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from explorer.domain.errors import ConfigError, Problem
from explorer.domain.space import Rule, Space
from explorer.inputs.load import load_study
from explorer.inputs.practice import SEEN_LIMIT, load_practice
from explorer.study.plan.kinds import (
    KINDS,
    RULER_MM,
    Better,
    Feel,
    Known,
    LapTime,
    Lateral,
    Lifted,
    Roll,
    Speed,
    Touched,
)

CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.fixture(scope="module")
def space() -> Space:
    return load_study(CONFIGS / "2wd_turf.toml").space


def write(folder: Path, text: str) -> Path:
    path = folder / "practice.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults(folder: Path, space: Space, text: str) -> list[Problem]:
    with pytest.raises(ConfigError) as caught:
        load_practice(write(folder, text), space)
    return caught.value.problems


@pytest.mark.parametrize("path", sorted((CONFIGS / "practice").glob("*.toml")), ids=lambda path: path.stem)
def test_every_demo_file_loads_and_says_it_is_invented(path: Path, space: Space) -> None:
    """Catches a demo that does not load, and one that could be taken for a measurement."""
    found = load_practice(path, space)
    assert {type(one) for one in found} >= {Lateral, Speed, Roll, Lifted, Feel, Better}
    assert "nvented" in path.read_text(encoding="utf-8").split("[[seen]]")[0]
    assert all(one.line > 0 and one.text and one.error > 0.0 for one in found)


def test_every_kind_comes_out_in_its_unit(tmp_path: Path, space: Space) -> None:
    """Catches km/h left as they are, roll in radians, a wheel or feel turned round, a setup that is not the baseline
    with the named levels changed, and usual errors lost."""
    found = load_practice(
        write(
            tmp_path,
            """
[[seen]]
phase = "sweep"
lateral_m_per_s2 = 8.5
[[seen]]
setup = { front_bar = "none", rear_spring = 0.36 }
phase = "hairpin"
speed_km_per_h = 9.0
error_km_per_h = 1.8
[[seen]]
phase = "sweep"
roll_deg = 2.5
error_deg = 0.25
[[seen]]
phase = "exit"
lifted = "front"
error_pct = 8
[[seen]]
phase = "exit"
stayed_down = "rear"
[[seen]]
phase = "entry"
feel = "rotated"
remark = "twice"
[[seen]]
phase = "exit"
setup = { rear_bar = "0.8" }
better_than = {}
[[seen]]
as_good_as = { rear_bar = "0.8" }
[[seen]]
at = 2026-05-02T10:15:00
touched = true
[[seen]]
phase = "exit"
touched = false
error_mm = 2
[[seen]]
lap_s = 18.0
other_lap_s = 18.36
than = { rear_bar = "0.8" }
error_s = 0.09
[[seen]]
unknown = "front_camber_gain_deg_per_mm"
value = 0.15
[[seen]]
unknown = "bump_height_mm"
value = 4
error = 0.5
[[seen]]
phase = "sweep"
radius_m = 3
turn = "left"
speed_m_per_s = 5
""",
        ),
        space,
    )
    first = [Lateral, Speed, Roll, Lifted, Lifted, Feel, Better]
    assert [type(one) for one in found] == [*first, Better, Touched, Touched, LapTime, Known, Known, Speed]
    assert {type(one) for one in found} == set(KINDS)
    values = [8.5, 2.5, 2.5, -1.0, 1.0, 1.0, 1.0, 0.0, -1.0, 1.0, 100 * (18 / 18.36 - 1), 0.15, 4.0, 5.0]
    assert [one.value for one in found] == pytest.approx(values)
    errors = [Lateral.usual, 0.5, 0.25, 8.0, Lifted.usual, Feel.usual, Better.usual, Better.usual, Touched.usual, 2.0]
    assert [one.error for one in found] == pytest.approx([*errors, 0.5, 0.2 * 0.05, 0.5, Speed.usual])
    assert [one.what for one in found[:7]] == ["", "", "", "front", "rear", "", ""]
    assert [one.line for one in found[:7]] == [2, 5, 10, 14, 18, 21, 25]
    assert found[7].other == found[10].other == tuple(space.setup({"rear_bar": "0.8"}))
    assert (found[7].phase, found[8].phase, found[9].phase) == ("", "", "exit")
    assert found[11].what == "front_camber_gain_deg_per_mm" and found[11].positions == () and RULER_MM == 1.0
    assert found[13].size == 3.0 and "left" in found[13].text
    assert found[0].positions == space.baseline and found[6].other == space.baseline
    assert found[1].positions == tuple(space.setup({"front_bar": "none", "rear_spring": "0.36"}))
    assert "front_bar none" in found[1].text and "(twice)" in found[5].text and "better than baseline" in found[6].text


BAD = {
    "phase": ('phase = "hairpn"\nfeel = "pushed"', "seen[1].phase", "did you mean"),
    "no phase": ('feel = "pushed"', "seen[1].phase", "needed"),
    "two": ('phase = "sweep"\nfeel = "pushed"\nroll_deg = 2', "seen[1]", "exactly one"),
    "both ways": ('phase = "sweep"\nlifted = "front"\nstayed_down = "front"', "seen[1]", "exactly one"),
    "none": ('phase = "sweep"\nremark = "fine"', "seen[1]", "exactly one"),
    "error 0": ('phase = "sweep"\nroll_deg = 2\nerror_deg = 0', "seen[1].error_deg", "above 0"),
    "error below": ('phase = "sweep"\nroll_deg = 2\nerror_deg = -1', "seen[1].error_deg", "above 0"),
    "error nan": ('phase = "sweep"\nroll_deg = 2\nerror_deg = nan', "seen[1].error_deg", "finite"),
    "error wide": ('phase = "sweep"\nroll_deg = 2\nerror_deg = 50', "seen[1].error_deg", "at most 10"),
    "error kind": ('phase = "sweep"\nroll_deg = 2\nerror_pct = 5', "seen[1].error_pct", "error_deg"),
    "error twice": (
        'phase = "sweep"\nspeed_m_per_s = 5\nerror_m_per_s = 1\nerror_km_per_h = 1',
        "seen[1]",
        "only once",
    ),
    "speed twice": ('phase = "sweep"\nspeed_m_per_s = 5\nspeed_km_per_h = 18', "seen[1].speed_m_per_s", "only once"),
    "no unit": ('phase = "sweep"\nroll = 2', "seen[1].roll", "name the unit"),
    "far off": ('phase = "sweep"\nlateral_m_per_s2 = 400', "seen[1].lateral_m_per_s2", "allowed: 0.1 to 40"),
    "sharp": ('phase = "sweep"\nroll_deg = 2\nerror_deg = 1e-9', "seen[1].error_deg", "at least 0.01"),
    "sharp speed": (
        'phase = "sweep"\nspeed_m_per_s = 5\nerror_km_per_h = 0.001',
        "seen[1].error_km_per_h",
        "at least 0.018, at most 18",
    ),
    "wheel": ('phase = "sweep"\nlifted = "left"', "seen[1].lifted", "front, rear"),
    "feel": ('phase = "sweep"\nfeel = "great"', "seen[1].feel", "pushed, neutral, rotated"),
    "knob": ('phase = "sweep"\nfeel = "pushed"\nsetup = { wing = 1 }', "seen[1].setup.wing", "known: front_bar"),
    "level": (
        'phase = "sweep"\nfeel = "pushed"\nsetup = { front_bar = "9" }',
        "seen[1].setup.front_bar",
        "a level of front_bar",
    ),
    "level kind": (
        'phase = "sweep"\nfeel = "pushed"\nsetup = { front_bar = [1] }',
        "seen[1].setup.front_bar",
        "one level",
    ),
    "setup kind": ('phase = "sweep"\nfeel = "pushed"\nsetup = "stiff"', "seen[1].setup", "a table of knobs"),
    "same": ('phase = "sweep"\nbetter_than = { front_bar = "1.2" }', "seen[1].better_than", "differs"),
    "no lap": ("lap_s = 18", "seen[1].lap_s", "other_lap_s"),
    "lap of a phase": (
        'phase = "sweep"\nlap_s = 18\nother_lap_s = 19\nthan = { rear_bar = "0.8" }', "seen[1].phase", "no phase"
    ),
    "same lap": ("lap_s = 18\nother_lap_s = 19\nthan = {}", "seen[1].than", "differs"),
    "not unknown": ('unknown = "wing_mm"\nvalue = 1', "seen[1].unknown", "an unknown of the study: "),
    "not possible": ('unknown = "bump_height_mm"\nvalue = 400', "seen[1].value", "what the study thinks possible"),
    "no value": ('unknown = "bump_height_mm"', "seen[1].value", "needed"),
    "sharp unknown": ('unknown = "bump_height_mm"\nvalue = 4\nerror = 1e-9', "seen[1].error", "one standard"),
    "other's key": ('phase = "sweep"\nfeel = "pushed"\nradius_m = 3', "seen[1].radius_m", "only beside speed"),
    "when": ('at = "noon"\nphase = "sweep"\nfeel = "pushed"', "seen[1].at", "a day and time"),
    "unknown key": ('phase = "sweep"\nfeel = "pushed"\nlap_time = 9', "seen[1].lap_time", "known"),
}


@pytest.mark.parametrize("case", sorted(BAD))
def test_each_fault_is_located(tmp_path: Path, space: Space, case: str) -> None:
    """Catches nonsense that is taken, and a message without file, line, key or what is allowed."""
    text, key, allowed = BAD[case]
    found = faults(tmp_path, space, "\n[[seen]]\n" + text + "\n")
    problem = next((one for one in found if one.key == key), None)
    assert problem is not None, [str(one) for one in found]
    assert problem.line >= 2 and allowed in problem.allowed and problem.file.endswith("practice.toml")


def test_all_faults_are_told_at_once(tmp_path: Path, space: Space) -> None:
    """Catches a reader that stops at the first fault."""
    text = '[[seen]]\nphase = "a"\nfeel = "x"\n[[seen]]\nphase = "sweep"\n[[seen]]\nphase = "b"\nroll_deg = 1\n'
    keys = {problem.key for problem in faults(tmp_path, space, text)}
    assert keys == {"seen[1].feel", "seen[2]", "seen[3].phase"}


def test_other_shapes_are_refused(tmp_path: Path, space: Space) -> None:
    """Catches anything but a list of tables, too many of them, tables nobody knows, and a file that is not there."""
    assert faults(tmp_path, space, "seen = 3")[0].key == "seen"
    assert faults(tmp_path, space, "seen = [3]")[0].key == "seen[1]"
    assert "known: seen" in faults(tmp_path, space, "[results]\na = 1")[0].allowed
    many = '[[seen]]\nphase = "sweep"\nfeel = "pushed"\n' * (SEEN_LIMIT + 1)
    assert "at most 1,000" in faults(tmp_path, space, many)[0].allowed
    with pytest.raises(ConfigError):
        load_practice(tmp_path / "nowhere.toml", space)
    assert load_practice(write(tmp_path, ""), space) == ()


def test_a_setup_that_a_rule_forbids_is_refused(tmp_path: Path, space: Space) -> None:
    """Catches a report on a car that cannot have been built."""
    ruled = dataclasses.replace(space, rules=(Rule("test", (("front_bar", ("none",)),)),))
    text = '[[seen]]\nphase = "sweep"\nfeel = "pushed"\nsetup = { front_bar = "none" }\n'
    assert "rule" in faults(tmp_path, ruled, text)[0].found
