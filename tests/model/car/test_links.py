"""Hardpoints of a front view: against formulas, a chain solved otherwise, and a published axle in three dimensions."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares, root
from scipy.spatial.transform import Rotation

from explorer.domain.errors import ConfigError
from explorer.flow import checked
from explorer.inputs.load import load_study
from explorer.model.car.links import STEP, FourBar, Links, LinksError, front_view, front_view_errors
from explorer.model.car.slots import SLOT
from tests.measured import write_measured

DEG = math.pi / 180.0
DEG_PER_MM = DEG * 1e3
BUGGY = Links(
    lower_inner=(0.025, 0.028),
    lower_outer=(0.093, 0.027),
    upper_inner=(0.036, 0.0525),
    upper_outer=(0.088, 0.056),
    wheel_centre=(0.1035, 0.042),
    shock_inner=(0.046, 0.085),
    shock_outer=(0.066, 0.030),
)


def instant_centre(links: Links) -> np.ndarray:
    """Where the lines of both arms meet. (2,) [m]"""
    lower, upper = (
        np.subtract(links.lower_outer, links.lower_inner),
        np.subtract(links.upper_outer, links.upper_inner),
    )
    along = np.linalg.solve(np.column_stack([lower, -upper]), np.subtract(links.upper_inner, links.lower_inner))
    return np.asarray(links.lower_inner + along[0] * lower)


def test_first_order_is_the_instant_centre() -> None:
    """Roll centre on the line from contact to instant centre, gain one over the horizontal distance to it (Milliken &
    Milliken, Race Car Vehicle Dynamics, ch. 17; from memory). Catches a sign, a branch, the wrong half of the track."""
    found, centre = front_view(BUGGY, 0.0), instant_centre(BUGGY)
    half = BUGGY.wheel_centre[0]
    assert centre[0] < 0.0
    assert found.roll_centre_height == pytest.approx(half * centre[1] / (half - centre[0]), rel=1e-5)
    assert found.camber_gain == pytest.approx(1.0 / (half - centre[0]), rel=1e-5)
    assert (found.track, found.wheel_radius) == (pytest.approx(2 * half), 0.042)


def test_level_equal_arms_keep_the_wheel_upright() -> None:
    """Parallel arms of one length, level at rest: no lean, roll centre on the road, and the contact moves in by
    `x^2/(2 L)`, so the roll centre's height changes by `t/(2 L)` per ride height. Catches a bend of the wrong sign."""
    arm = 0.060
    links = Links((0.04, 0.03), (0.04 + arm, 0.03), (0.04, 0.055), (0.04 + arm, 0.055), (0.105, 0.042))
    found = front_view(links, -1.0 * DEG)
    assert abs(found.camber_gain) < 1e-9 and abs(found.camber_gain_slope) < 1e-4
    assert abs(found.roll_centre_height) < 1e-9
    travels = np.linspace(-0.010, 0.004, 9)  # the travel that is used; at ride height itself it is 1 / arm
    bend = np.polyfit(travels, travels / np.sqrt(arm**2 - travels**2), 1)[0]
    assert 1.0 / arm < bend < 1.02 / arm
    assert found.roll_centre_rate == pytest.approx(0.5 * found.track * bend, rel=1e-5)
    assert math.isnan(found.spring_motion_ratio)
    assert FourBar(links, 0.0).at(0.01).contact[0] == pytest.approx(
        0.105 - arm + math.sqrt(arm**2 - 0.01**2), abs=1e-12
    )


def solved_otherwise(links: Links, travel: float, guess: np.ndarray) -> np.ndarray:
    """Both outer joints and the wheel's centre from the lengths between five points alone. (6,) [m]"""
    at = {name: np.array(getattr(links, name)) for name in Links.__dataclass_fields__}
    pairs = [("lower_outer", "upper_outer"), ("lower_outer", "wheel_centre"), ("upper_outer", "wheel_centre")]
    lengths = [np.linalg.norm(at[a] - at[b]) for a, b in pairs]
    arms = [np.linalg.norm(at[f"{one}_outer"] - at[f"{one}_inner"]) for one in ("lower", "upper")]

    def off(unknown: np.ndarray) -> list[float]:
        lower, upper, centre = unknown.reshape(3, 2)
        norm = np.linalg.norm
        return [
            1e3 * (norm(lower - at["lower_inner"]) - arms[0]),
            1e3 * (norm(upper - at["upper_inner"]) - arms[1]),
            1e3 * (norm(lower - upper) - lengths[0]),
            1e3 * (norm(lower - centre) - lengths[1]),
            1e3 * (norm(upper - centre) - lengths[2]),
            1e3 * (centre[1] - at["wheel_centre"][1] - travel),
        ]

    found = least_squares(off, guess, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    assert np.abs(found.fun).max() < 1e-9
    return np.asarray(found.x)


def test_the_chain_against_lengths_alone() -> None:
    """The same links by least squares on the lengths between their points, followed over 10 mm either way; gain and
    slope, motion ratio and slope, and the path of the contact by polynomials through those. Catches any slip of the
    closed form, a wheel turned the wrong way and a slope of half or twice its size."""
    camber, chain = -1.0 * DEG, FourBar(BUGGY, -1.0 * DEG)
    travels = np.linspace(-0.010, 0.010, 41)
    start = np.array([*BUGGY.lower_outer, *BUGGY.upper_outer, *BUGGY.wheel_centre])
    upright = np.subtract(BUGGY.upper_outer, BUGGY.lower_outer)
    radius = BUGGY.wheel_centre[1] / math.cos(camber)
    rows = {}
    for side in (1, -1):
        guess = start
        for travel in sorted(travels[side * travels >= 0.0], key=abs):
            guess = solved_otherwise(BUGGY, travel, guess)
            lower, upper, centre = guess.reshape(3, 2)
            turned = math.atan2(*(upper - lower)[::-1]) - math.atan2(*upright[::-1])
            lean = turned - camber
            arm = np.subtract(BUGGY.shock_outer, BUGGY.lower_inner)
            swing = math.atan2(*(lower - BUGGY.lower_inner)[::-1]) - math.atan2(
                *np.subtract(BUGGY.lower_outer, BUGGY.lower_inner)[::-1]
            )
            end = BUGGY.lower_inner + Rotation.from_rotvec([0, 0, swing]).as_matrix()[:2, :2] @ arm
            rows[travel] = (centre[0] + radius * math.sin(lean), lean, float(np.linalg.norm(end - BUGGY.shock_inner)))
            pose = chain.at(travel)
            assert (pose.contact[0], pose.lean, pose.shock) == pytest.approx(rows[travel], abs=1e-10)
    table = np.array([rows[travel] for travel in travels])
    found, half = front_view(BUGGY, camber), rows[travels[20]][0]
    slopes = [np.polynomial.Polynomial.fit(travels, column, 9).convert().coef[1:3] for column in table.T]
    assert found.roll_centre_height == pytest.approx(half * slopes[0][0], rel=1e-5)
    path, used = np.polynomial.Polynomial.fit(travels, table.T[0], 9).convert().deriv(), np.linspace(-0.010, 0.004, 9)
    assert found.roll_centre_rate == pytest.approx(-half * np.polyfit(used, path(used), 1)[0], rel=1e-4)
    assert (found.camber_gain, found.camber_gain_slope) == pytest.approx((slopes[1][0], 2.0 * slopes[1][1]), rel=1e-4)
    ratios = (found.spring_motion_ratio, found.spring_motion_ratio_slope)
    assert ratios == pytest.approx((-slopes[2][0], -2.0 * slopes[2][1]), rel=1e-4)


# ---- a published axle

INNER = {
    "lower front": (175.1, 175.0, 111.0),
    "lower rear": (-175.1, 175.0, 111.0),
    "upper front": (120.1, 240.0, 223.0),
    "upper rear": (-120.1, 240.0, 216.0),
    "tie rod": (55.1, 140.0, 163.0),
}
LOWER_BALL, UPPER_BALL, TIE_ROD = (-3.1, 608.0, 114.0), (-7.1, 595.0, 299.0), (55.1, 600.0, 163.0)
CENTRE = np.array([0.0, 622.5, 203.0])
PUBLISHED = {-25.0: (1.557, 618.78), -10.0: (0.632, 621.16), 10.0: (-0.645, 623.63), 25.0: (-1.639, 624.95)}
"""Hardpoints [mm] of an axle of an open student-car project; camber [deg] and contact's y [mm] by travel [mm]."""


def in_space(travel: float) -> tuple[float, float]:
    """(camber [deg], contact's y [mm]) of the published axle: the upright's six freedoms from five lengths and the
    travel of the wheel's centre."""
    outer = {"lower front": LOWER_BALL, "lower rear": LOWER_BALL, "upper front": UPPER_BALL, "upper rear": UPPER_BALL}
    outer |= {"tie rod": TIE_ROD}
    inner = np.array([INNER[name] for name in INNER])
    arms = np.array([outer[name] for name in INNER]) - CENTRE
    lengths = np.linalg.norm(CENTRE + arms - inner, axis=1)

    def off(unknown: np.ndarray) -> np.ndarray:
        ends = CENTRE + unknown[:3] + Rotation.from_rotvec(unknown[3:]).apply(arms)
        return np.append(np.linalg.norm(ends - inner, axis=1) - lengths, unknown[2] - travel)

    found = root(off, np.array([0.0, 0.0, travel, 0.0, 0.0, 0.0]), tol=1e-13)
    assert np.abs(off(found.x)).max() < 1e-9
    axle = Rotation.from_rotvec(found.x[3:]).apply([0.0, 1.0, 0.0])
    down = np.array([0.0, 0.0, -1.0]) + axle[2] * axle
    contact = CENTRE + found.x[:3] + 203.0 * down / np.linalg.norm(down)
    return -math.degrees(math.asin(axle[2])), float(contact[1])


def test_front_view_beside_the_published_axle_in_space() -> None:
    """The published row solved again in three dimensions, to its last digit; the front view of the same points (its
    inner pivots where their axes pass the wheel's centre) comes within 2 % of its camber gain, 0.6 mm of its roll
    centre at 77 mm, 0.05 deg and 0.06 mm over 25 mm either way: the size of the planar error, on a car whose arms are
    five times ours."""
    for travel, (camber, contact) in PUBLISHED.items():
        assert in_space(travel) == (pytest.approx(camber, abs=6e-4), pytest.approx(contact, abs=6e-3))
    gain = (in_space(-0.01)[0] - in_space(0.01)[0]) / 0.02
    slope = (in_space(0.01)[1] - in_space(-0.01)[1]) / 0.02
    assert (gain, slope * CENTRE[1]) == (pytest.approx(0.06388, abs=6e-6), pytest.approx(76.91, abs=6e-3))
    flat = Links((0.175, 0.111), (0.608, 0.114), (0.240, 0.2195), (0.595, 0.299), (0.6225, 0.203))
    found, chain = front_view(flat, 0.0), FourBar(flat, 0.0)
    assert found.camber_gain / DEG_PER_MM == pytest.approx(gain, rel=0.02)
    assert 1e3 * found.roll_centre_height == pytest.approx(76.91, abs=0.6)
    for travel, (camber, contact) in PUBLISHED.items():
        pose = chain.at(1e-3 * travel)
        assert math.degrees(-pose.lean) == pytest.approx(camber, abs=0.05)
        assert 1e3 * pose.contact[0] == pytest.approx(contact, abs=0.06)


# ---- errors


def test_errors_are_what_a_ruler_scatters() -> None:
    """Half widths against 2,000 draws of every coordinate within half a millimetre: two standard deviations. Catches a
    width of one deviation, a coordinate left out."""
    rng = np.random.default_rng(7)
    names = list(Links.__dataclass_fields__)
    rows = []
    for _ in range(2000):
        moved = {name: tuple(np.array(getattr(BUGGY, name)) + rng.uniform(-5e-4, 5e-4, 2)) for name in names}
        found = front_view(replace(BUGGY, **moved), 0.0)
        rows.append((found.roll_centre_height, found.camber_gain, found.camber_gain_slope, found.spring_motion_ratio))
    error = front_view_errors(BUGGY, 0.0)
    told = (error.roll_centre_height, error.camber_gain, error.camber_gain_slope, error.spring_motion_ratio)
    assert 2.0 * np.std(rows, axis=0) == pytest.approx(told, rel=0.06)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"lower_outer": BUGGY.lower_inner}, "no length"),
        ({"upper_inner": (0.0905, 0.0415)}, "upper arm lies in one line"),
        ({"lower_inner": (0.0955, 0.0125)}, "lower arm lies in one line"),
    ],
)
def test_links_that_carry_nothing(changes: dict[str, tuple[float, float]], words: str) -> None:
    """Catches a division by nothing in place of a word."""
    with pytest.raises(LinksError, match=words):
        front_view(replace(BUGGY, **changes), 0.0)


def test_travel_beyond_reach_is_told() -> None:
    """Catches a root of a negative number."""
    with pytest.raises(LinksError, match="do not reach"):
        FourBar(BUGGY, 0.0).at(0.5)
    assert FourBar(BUGGY, 0.0).at(STEP).centre[1] == pytest.approx(0.042 + STEP, abs=1e-14)


# ---- in a car file

LINKS = """
[front.links]
lower_inner_mm = [25, 28]
lower_outer_mm = [93, 27]
upper_inner_mm = [36, 52.5]
upper_outer_mm = [88, 56]
wheel_centre_mm = [102.5, 42]
shock_inner_mm = [46, 85]
shock_outer_mm = [66, 30]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The starter, its front end given by links, nothing of it read otherwise."""
    write_measured(tmp_path)
    text = (tmp_path / "car.toml").read_text(encoding="utf-8")
    lines = text.splitlines()
    front = next(k for k, line in enumerate(lines) if line == "[front]")
    for stem in ("roll_centre_height_mm", "spring_motion_ratio ="):
        place = next(k for k in range(front, len(lines)) if lines[k].startswith(stem))
        lines[place] = ""
    lines = ["" if line.startswith("front_camber_gain") else line for line in lines]
    text = "\n".join(lines).replace("\n[rear]\n", f"{LINKS}\n[rear]\n") + "\n"
    (tmp_path / "car.toml").write_text(text, encoding="utf-8")
    return tmp_path


def edit(folder: Path, old: str, new: str) -> int:
    """Replace text in the car file; returns the line where it stood."""
    text = (folder / "car.toml").read_text(encoding="utf-8")
    assert old in text, old
    (folder / "car.toml").write_text(text.replace(old, new, 1), encoding="utf-8")
    return text[: text.index(old)].count("\n") + 1


def test_links_stand_for_what_was_not_measured(folder: Path) -> None:
    """Catches a number of the links left in millimetres or degrees, or a default that goes before it."""
    space = load_study(folder / "study.toml").space
    links = replace(BUGGY, wheel_centre=(0.1025, 0.042))
    found, error = front_view(links, -1.0 * DEG), front_view_errors(links, -1.0 * DEG)
    stems = ("roll_centre_height", "roll_centre_rate", "camber_gain", "camber_gain_slope")
    for stem in (*stems, "spring_motion_ratio", "spring_motion_ratio_slope"):
        assert space.base[SLOT[f"front_{stem}"]] == pytest.approx(getattr(found, stem), rel=1e-6), stem
    items = {item.key: item for item in space.assumptions}
    slope = items["front_camber_gain_slope_deg_per_mm2"]
    assert "links" in slope.reason
    assert slope.spread == pytest.approx(error.camber_gain_slope / (DEG_PER_MM * 1e3), rel=1e-5)
    assert items["rear_camber_gain_deg_per_mm"].value == 0.15


def test_check_tells_what_the_links_give_and_names_what_differs(folder: Path) -> None:
    """Catches a contradiction between ruler and camber gauge that nobody hears of, and one made of ruler errors."""
    study = load_study(folder / "study.toml")
    found = checked.check(study)
    assert [one for one in found.warnings if "links" in one.allowed] == []
    text = checked.text(study.space, found)
    assert "  front_roll_centre_height_mm = 9.0" in text and "front_track_mm = 206.5 +- 1.2, given as 206" in text
    assert len(checked.facts(study.space, found)["links"]) == 8
    line = edit(folder, "[assumed]\n", "[assumed]\nfront_camber_gain_deg_per_mm = 0.3\n") + 1
    edit(folder, "track_mm = 206", "track_mm = 216")
    study = load_study(folder / "study.toml")
    named = {one.key: one for one in checked.check(study).warnings if "links" in one.allowed}
    assert set(named) == {"assumed.front_camber_gain_deg_per_mm", "front.track_mm"}
    assert named["assumed.front_camber_gain_deg_per_mm"].line == line
    at = next(k for k, text in enumerate((folder / "car.toml").read_text().splitlines(), 1) if text == "[front.links]")
    assert f"by the links of line {at}" in named["front.track_mm"].allowed
    assert study.space.base[SLOT["front_camber_gain"]] == pytest.approx(0.3 * DEG_PER_MM)


def test_a_motion_ratio_needs_the_shock_or_a_ruler(folder: Path) -> None:
    """Catches a car without any motion ratio."""
    edit(folder, "shock_inner_mm = [46, 85]\nshock_outer_mm = [66, 30]\n", "")
    with pytest.raises(ConfigError) as caught:
        load_study(folder / "study.toml")
    (fault,) = caught.value.problems
    assert fault.key == "front.spring_motion_ratio" and "shock's ends under [front.links]" in fault.allowed


@pytest.mark.parametrize(
    ("old", "new", "key", "allowed"),
    [
        ("lower_outer_mm = [93, 27]", "lower_outer_mm = [20, 27]", "front.links.lower_outer_mm", "further out"),
        ("upper_outer_mm = [88, 56]", "upper_outer_mm = [88, 16]", "front.links.upper_outer_mm", "higher than"),
        ("upper_inner_mm = [36, 52.5]", "upper_inner_mm = [36]", "front.links.upper_inner_mm", "[y, z], each -100"),
        ("upper_inner_mm = [36, 52.5]", "upper_inner_mm = 36", "front.links.upper_inner_mm", "[y, z], each -100"),
        ("upper_inner_mm = [36, 52.5]", "upper_inner_mm = [36, 5250]", "front.links.upper_inner_mm", "allowed: -100"),
        ("upper_inner_mm = [36, 52.5]", "upper_iner_mm = [36, 52]", "front.links.upper_iner_mm", "did you mean"),
        ("shock_outer_mm = [66, 30]\n", "", "front.links", "or neither"),
        ("upper_outer_mm = [88, 56]", "upper_outer_mm = [161, 26]", "front.links.upper_outer_mm", "higher than"),
    ],
)
def test_links_at_fault_are_located(folder: Path, old: str, new: str, key: str, allowed: str) -> None:
    """Catches a traceback, or a fault without its place."""
    edit(folder, f"\n{old}", f"\n{new}")
    with pytest.raises(ConfigError) as caught:
        load_study(folder / "study.toml")
    found = [fault for fault in caught.value.problems if fault.key == key]
    assert found and allowed in found[0].allowed, [str(fault) for fault in caught.value.problems]
    assert found[0].line > 0
