"""Car files with wishbones: what is assumed of them, and readings taken in bump and droop, by lifting, as a rate."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from explorer.domain.errors import ConfigError, Problem
from explorer.domain.space import Space
from explorer.domain.units import STANDARD_GRAVITY
from explorer.flow import checked
from explorer.inputs.load import load_study
from explorer.model.car.slots import BEAM, SLOT, WISHBONE
from explorer.study.plan.scenarios import draw
from tests.measured import edit, write_measured

DEG_PER_MM = math.radians(1.0) * 1e3
NEW = ("camber_gain_slope", "spring_motion_ratio_slope", "wheel_inertia", "tyre_crown", "tyre_side_compliance")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_measured(tmp_path)
    return tmp_path


def space(folder: Path) -> Space:
    return load_study(folder / "study.toml").space


def value(folder: Path, slot: str) -> float:
    return float(space(folder).base[SLOT[slot]])


def only(folder: Path) -> Problem:
    with pytest.raises(ConfigError) as caught:
        load_study(folder / "study.toml")
    assert len(caught.value.problems) == 1, [str(problem) for problem in caught.value.problems]
    return caught.value.problems[0]


def assumed(found: Space) -> dict[str, tuple[float, float]]:
    return {item.key: (item.value, item.spread) for item in found.assumptions}


# ---- the law


def test_the_axle_law_reaches_the_model_and_is_told(folder: Path) -> None:
    """Catches a word that sets nothing, a default of beams, and an old car file that changes its law in silence."""
    told = space(folder)
    assert told.base[SLOT["axle_law"]] == WISHBONE and not any("wishbone" in note for note in told.notes)
    edit(folder, 'axle = "wishbone"', 'axle = "beam"')
    beams = space(folder)
    assert beams.base[SLOT["axle_law"]] == BEAM and any("beams" in note for note in beams.notes)
    edit(folder, '[suspension]\naxle = "beam"\n', "")
    old = space(folder)
    assert old.base[SLOT["axle_law"]] == WISHBONE
    assert any("the car file does not say" in note for note in old.notes)
    assert any(note.startswith("Droop is taken as wheel travel") for note in old.notes)


def test_an_unknown_axle_is_refused(folder: Path) -> None:
    """Catches a word that nobody knows taken for the default."""
    line = edit(folder, 'axle = "wishbone"', 'axle = "swing"')
    found = only(folder)
    assert (found.line, found.key) == (line, "suspension.axle") and "wishbone, beam" in found.allowed


def test_check_tells_the_law_and_every_new_assumption(folder: Path) -> None:
    """Catches an assumption that is made and not printed."""
    edit(folder, '[suspension]\naxle = "wishbone"\n', "")
    study = load_study(folder / "study.toml")
    found = checked.check(study)
    text = checked.text(study.space, found)
    assert "Both axles are taken as double wishbones" in text
    for end in ("front", "rear"):
        for stem in NEW:
            assert f"  {end}_{stem}" in text, stem
    assert checked.facts(study.space, found)["axle"] == "wishbone"


def test_beams_are_asked_for_nothing_new(folder: Path) -> None:
    """Catches assumptions and unknowns that a beam has no use for."""
    edit(folder, 'axle = "wishbone"', 'axle = "beam"')
    found = space(folder)
    assert not any(stem in key for key in assumed(found) for stem in NEW)
    assert not any(stem in item.key for item in found.unknowns for stem in NEW)


# ---- defaults and unknowns


def test_defaults_of_a_car_that_gives_none(folder: Path) -> None:
    """By hand: 0.35 * 0.064 kg * (0.042 m)^2 = 3.951e-5 kg m2. Catches a lost unit factor or an end mixed up."""
    wanted = {
        "front_wheel_inertia": 0.35 * 0.064 * 0.042**2,
        "rear_wheel_inertia": 0.35 * 0.082 * 0.042**2,
        "front_tyre_crown": 0.030,
        "rear_tyre_crown": 0.030,
    }
    wanted |= {f"{end}_{stem}": 0.0 for end in ("front", "rear") for stem in (NEW[0], NEW[1], NEW[4])}
    assert {slot: value(folder, slot) for slot in wanted} == pytest.approx(wanted, rel=1e-12)


def test_new_numbers_are_drawn_even_about_a_best_guess_of_nothing(folder: Path) -> None:
    """Catches an unknown of best guess 0 that never moves, a tyre that gives less than nothing sideways or more than
    one of 4 N/mm, and an inertia moved by an offset where both ends differ."""
    found = space(folder)
    drawn = draw(found, 4_096)
    moved = drawn.scenarios
    columns = {int(slot): place for place, slot in enumerate(moved.slots)}

    def values(slot: str) -> np.ndarray:
        column = columns[SLOT[slot]]
        return found.base[SLOT[slot]] * moved.factor[:, column] + moved.offset[:, column]

    give = values("front_tyre_side_compliance")
    assert give.min() >= 0.0 and 2.2e-4 < give.max() <= 2.5e-4 + 1e-15
    bend = values("rear_camber_gain_slope")
    assert bend.min() < -100.0 and bend.max() > 100.0
    assert bend.std() == pytest.approx(0.5 * 0.008 * DEG_PER_MM * 1e3, rel=0.1)
    units = ("deg_per_mm2", "per_mm", "kg_m2", "mm", "mm_per_n")
    assert {f"{stem}_{unit}" for stem, unit in zip(NEW, units, strict=True)} <= {item.key for item in found.unknowns}
    ratio = values("front_wheel_inertia") / values("rear_wheel_inertia")
    assert ratio == pytest.approx(np.full(4_096, 64 / 82), rel=1e-9)


@pytest.mark.parametrize(
    ("key", "slot", "low", "high"),
    [
        ("front_tyre_crown_mm", "front_tyre_crown", 0.024, 0.036),
        ("camber_gain_slope_deg_per_mm2", "rear_camber_gain_slope", -2 * 3e-3 * DEG_PER_MM * 1e3, None),
    ],
)
def test_a_study_may_say_how_unsure_it_is(folder: Path, key: str, slot: str, low: float, high: float | None) -> None:
    """Catches a new number that [unknowns] does not know, or takes in another unit."""
    with (folder / "study.toml").open("a", encoding="utf-8") as stream:
        stream.write(f"\n[unknowns.{key}]\nspread = 3e-3\n" if high is None else f"\n[unknowns.{key}]\nspread = 3\n")
    item = next(item for item in space(folder).unknowns if item.key == key)
    place = item.slots.index(SLOT[slot])
    assert item.low[place] == pytest.approx(low) and (high is None or item.high[place] == pytest.approx(high))


def test_a_given_number_replaces_the_default(folder: Path) -> None:
    """Catches keys that are read and not used."""
    edit(
        folder,
        "[assumed]\n",
        "[assumed]\nfront_tyre_crown_mm = 25\nfront_wheel_inertia_g_mm2 = 45000\nrear_tyre_side_rate_n_per_mm = 8\n",
    )
    assert value(folder, "front_tyre_crown") == pytest.approx(0.025)
    assert value(folder, "front_wheel_inertia") == pytest.approx(4.5e-5)
    assert value(folder, "rear_tyre_side_compliance") == pytest.approx(1.0 / 8000.0)
    items = assumed(space(folder))
    assert items["rear_tyre_side_compliance_mm_per_n"] == pytest.approx((0.125, 0.25 * 0.125))
    assert items["front_wheel_inertia_g_mm2"] == pytest.approx((45000.0, 0.4 * 45000.0))


# ---- two readings


def test_two_chords_give_tangent_and_slope(folder: Path) -> None:
    """A curve with tangent 0.198 deg/mm and slope 0.0072 deg/mm2 has chords of 0.234 and 0.162 deg/mm over 10 mm.
    Catches a chord taken for the tangent, half a slope, and a sign."""
    edit(folder, "front_camber_gain_deg_per_mm = 0.15", "front_camber_gain_deg_per_mm = 0.234")
    edit(folder, "# front_camber_gain_droop_deg_per_mm = 0.12", "front_camber_gain_droop_deg_per_mm = 0.162")
    assert value(folder, "front_camber_gain") == pytest.approx(0.198 * DEG_PER_MM)
    assert value(folder, "front_camber_gain_slope") == pytest.approx(0.0072 * DEG_PER_MM * 1e3)
    items = assumed(space(folder))
    assert items["front_camber_gain_deg_per_mm"] == pytest.approx((0.198, 0.05))
    assert items["front_camber_gain_slope_deg_per_mm2"] == pytest.approx((0.0072, 0.0025))
    assert items["rear_camber_gain_slope_deg_per_mm2"] == (0.0, 0.008)


def test_motion_ratio_in_droop_gives_its_slope(folder: Path) -> None:
    """(0.56 - 0.54) over 5 mm or over what is given. Catches a sign, and a distance that is not read."""
    edit(folder, "# spring_motion_ratio_droop = 0.54", "spring_motion_ratio_droop = 0.54")
    assert value(folder, "front_spring_motion_ratio_slope") == pytest.approx(4.0)
    assert assumed(space(folder))["front_spring_motion_ratio_slope_per_mm"] == pytest.approx((0.004, 0.002))
    edit(folder, "# spring_motion_ratio_droop_at_mm = 5", "spring_motion_ratio_droop_at_mm = 8")
    assert value(folder, "front_spring_motion_ratio_slope") == pytest.approx(2.5)


def test_droop_by_lifting_is_less_by_the_squash(folder: Path) -> None:
    """By hand: the front carries 1.6 kg * 0.40 / 2 per wheel, the tyre gives 2.6 mm under 1 kg: 0.832 mm of 11 mm.
    Catches the squash added, of both wheels together, or of the other end."""
    edit(folder, "droop_mm = 10.0", "droop_lift_mm = 11")
    assert value(folder, "front_droop") == pytest.approx(0.011 - 0.32 * 0.0026, rel=1e-9)


def test_the_squash_is_that_of_the_fitted_tyre(folder: Path) -> None:
    """Catches the end's own tyre rate where a part on the car has another."""
    edit(folder, "droop_mm = 10.0", "droop_lift_mm = 11")
    with (folder / "car.toml").open("a", encoding="utf-8") as stream:
        stream.write('\n[[parts.front_tyres]]\nlabel = "soft"\ngrip_factor = 1.0\nrate_n_per_mm = 2.0\n')
    assert value(folder, "front_droop") == pytest.approx(0.011 - 0.32 * STANDARD_GRAVITY / 2000.0, rel=1e-9)


def test_both_readings_of_droop_must_agree(folder: Path) -> None:
    """Catches two droops of which one is dropped in silence, and agreement that is refused."""
    line = edit(folder, "droop_mm = 10.0", "droop_mm = 10.0\ndroop_lift_mm = 11")
    assert value(folder, "front_droop") == pytest.approx(0.010)
    edit(folder, "droop_lift_mm = 11", "droop_lift_mm = 12.5")
    found = only(folder)
    assert (found.line, found.key) == (line + 1, "front.droop_lift_mm")
    assert f"line {line} says droop_mm = 10" in found.found and "leaves 12 mm" in found.found


@pytest.mark.parametrize(
    ("old", "new", "key", "found", "allowed"),
    [
        ("droop_mm = 10.0\n", "", "front.droop_mm", "", "droop_mm or droop_lift_mm is needed"),
        ("droop_mm = 10.0", "droop_lift_mm = 0.5", "front.droop_lift_mm", "squash", "more lift"),
        (
            "[assumed]\nfront_camber_gain",
            "[assumed]\nrear_camber_gain_droop_deg_per_mm = 0.1\nfront_camber_gain",
            "assumed.rear_camber_gain_droop_deg_per_mm",
            "in droop alone",
            "rear_camber_gain_deg_per_mm beside it",
        ),
        (
            "# front_camber_gain_droop_deg_per_mm = 0.12",
            "front_camber_gain_droop_deg_per_mm = 0.12\nfront_camber_gain_slope_deg_per_mm2 = 0.001",
            "assumed.front_camber_gain_slope_deg_per_mm2",
            "beside front_camber_gain_droop_deg_per_mm in line",
            "one of the two",
        ),
        (
            "# front_damping_n_s_per_m = 8 ",
            "front_tyre_side_rate_n_per_mm = 8\nfront_tyre_side_compliance_mm_per_n = 0.1\n#",
            "assumed.front_tyre_side_compliance_mm_per_n",
            "beside front_tyre_side_rate_n_per_mm",
            "one of the two",
        ),
        (
            "# spring_motion_ratio_droop_at_mm = 5",
            "spring_motion_ratio_droop_at_mm = 5 #",
            "front.spring_motion_ratio_droop_at_mm",
            "no spring_motion_ratio_droop",
            "both, or neither",
        ),
    ],
)
def test_readings_that_do_not_go_together(folder: Path, old: str, new: str, key: str, found: str, allowed: str) -> None:
    """Catches a reading dropped in silence: one message, at its line."""
    if old.startswith("[assumed]\nfront"):
        text = (folder / "car.toml").read_text(encoding="utf-8")
        (folder / "car.toml").write_text(
            text.replace("[assumed]\n", "[assumed]\nrear_camber_gain_droop_deg_per_mm = 0.1\n"), encoding="utf-8"
        )
    else:
        edit(folder, old, new)
    fault = only(folder)
    assert fault.key == key and found in fault.found and allowed in fault.allowed, str(fault)
    written = (folder / "car.toml").read_text(encoding="utf-8").splitlines()[fault.line - 1]
    assert written.startswith((key.split(".")[1], "[front]"))
