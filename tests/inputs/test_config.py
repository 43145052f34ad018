"""Reading studies: what comes out of good files, and a located message for each kind of bad one."""

from __future__ import annotations

import hashlib
import math
from pathlib import Path

import numpy as np
import pytest

from explorer.domain.errors import ConfigError, Problem
from explorer.domain.space import Knob
from explorer.domain.units import UNITS, to_si
from explorer.inputs.assumed import ASSUMED, SURFACE_SPREADS, CarFacts
from explorer.inputs.feasible import sprung_heights
from explorer.inputs.fields import KINDS
from explorer.inputs.knobs import NUMBER_KNOBS, check_owners
from explorer.inputs.load import LoadedStudy, load_study
from explorer.inputs.source import Source
from explorer.model.car.car import car_at
from explorer.model.car.slots import PHASE_COLUMNS, SLOT, SLOTS
from explorer.model.kernel import evaluate_parameters
from tests.measured import MEASURED_FILES, write_measured


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A directory with a measured car and its study."""
    write_measured(tmp_path)
    return tmp_path


def edit(folder: Path, name: str, old: str, new: str, count: int = 1) -> int:
    """Replace text in a file; returns the line where it stood."""
    text = (folder / name).read_text(encoding="utf-8")
    assert old in text, old
    (folder / name).write_text(text.replace(old, new, count), encoding="utf-8")
    return text[: text.index(old)].count("\n") + 1


def append(folder: Path, name: str, more: str) -> None:
    """Add text at the end of a file."""
    with (folder / name).open("a", encoding="utf-8") as stream:
        stream.write("\n" + more)


def load(folder: Path) -> LoadedStudy:
    return load_study(folder / "study.toml")


def problems(folder: Path) -> list[Problem]:
    with pytest.raises(ConfigError) as caught:
        load(folder)
    return caught.value.problems


def only(folder: Path) -> Problem:
    found = problems(folder)
    assert len(found) == 1, [str(problem) for problem in found]
    return found[0]


def base(study: LoadedStudy, name: str) -> float:
    return float(study.space.base[SLOT[name]])


# ---- good files


def test_a_measured_study_is_complete(folder: Path) -> None:
    """Catches a study that does not load, or leaves model parameters unset."""
    study = load(folder)
    assert 1_000 <= study.space.size <= 10_000
    assert study.space.exhaustive
    assert study.car_name.startswith("Starter car") and study.surface_name.startswith("Starter surface")
    may_be_zero = {"ballast_shift", "front_drive_share", "front_brake_share", "chassis_compliance"}
    may_be_zero |= {"downforce_coefficient"}
    changes = ("camber_gain_slope", "spring_motion_ratio_slope", "tyre_side_compliance")
    may_be_zero |= {f"{end}_{stem}" for end in ("front", "rear") for stem in changes}
    unset = {name for name in SLOTS if base(study, name) == 0.0} - may_be_zero
    assert unset == set()


def test_every_measured_setup_has_an_answer(folder: Path) -> None:
    """Catches a study whose setups the model refuses."""
    space = load(folder).space
    vectors = space.parameters(space.positions(0, space.size)[:: space.size // 60])
    none = np.zeros(0, dtype=np.int64)
    values, valid = evaluate_parameters(vectors, space.phases, none, np.ones((1, 0)), np.zeros((1, 0)))
    assert valid.all() and np.isfinite(values).all()


def test_numbers_reach_the_model_in_si(folder: Path) -> None:
    """Catches a lost unit factor: by hand from the files."""
    study = load(folder)
    wanted = {
        "mass": 1.6,
        "front_weight_share": 0.40,
        "cg_height": 0.046,
        "wheelbase": 0.282,
        "front_track": 0.206,
        "front_unsprung_mass": 0.064,
        "front_camber": math.radians(-1.0),
        "front_tyre_rate": 1.0 * 9.80665 / 0.0026,
        "caster": math.radians(25.0),
        "front_camber_gain": math.radians(0.15) * 1000.0,
        "ackermann_share": 0.6,
        "front_cornering_stiffness": 0.5 * 180.0 / math.pi,
        "rear_best_lean": math.radians(1.0),
        "front_best_lean": math.radians(4.0),
        "roughness": 1500e-9,
        "bump_height": 0.004,
        "grip": 0.95,
        "front_ride_height": 0.022,
    }
    assert {name: base(study, name) for name in wanted} == pytest.approx(wanted, rel=1e-12)


def test_phases_in_column_order(folder: Path) -> None:
    """Catches phase columns in the order of the file instead of the model's."""
    space = load(folder).space
    entry = dict(zip(PHASE_COLUMNS, space.phases[space.phase_names.index("entry")], strict=True))
    assert entry == {
        "radius": 2.2,
        "speed": 0.0,
        "grip_share": 0.65,
        "longitudinal": 0.0,
        "longitudinal_share": -0.20,
        "weight": 1.0,
        "is_turn_in": 1.0,
    }


@pytest.mark.parametrize(
    ("old", "new", "slot"),
    [
        ("total_g = 1600 ", "total_kg = 1.6 ", "mass"),
        ("wheelbase_mm = 282", "wheelbase_m = 0.282", "wheelbase"),
        ("front_weight_share_pct = 40.0", "front_weight_share = 0.4", "front_weight_share"),
        ("tyre_squash_mm = 2.6", "tyre_rate_n_per_mm = 3.7717884615384615 #", "front_tyre_rate"),
        ("roughness_mm3 = 1500", "roughness_mm3 = 1500.0", "roughness"),
    ],
)
def test_any_suffix_of_the_right_kind(folder: Path, old: str, new: str, slot: str) -> None:
    """Catches a table that knows only one suffix per quantity."""
    before = base(load(folder), slot)
    name = "surface.toml" if slot == "roughness" else "car.toml"
    edit(folder, name, old, new)
    if "tyre_rate" in new:
        edit(folder, name, "tyre_squash_weight_g = 1000        #", "#")
    assert base(load(folder), slot) == pytest.approx(before, rel=1e-12)


def test_spring_rates_in_every_unit(folder: Path) -> None:
    """1 lbf/in = 0.1751268352 N/mm, 1 gf/mm = 0.00980665 N/mm (NIST SP 811): catches kgf for gf."""
    edit(folder, "car.toml", "rate_n_per_mm = 0.58", "rate_lbf_per_in = 4.0")
    knob = {knob.name: knob for knob in load(folder).space.knobs}
    front, rear = knob["front_spring"], knob["rear_spring"]
    assert front.settings[0][0] == pytest.approx(4.0 * 175.1268352, rel=1e-9)
    assert front.values[0] == pytest.approx(4.0 * 0.1751268352, rel=1e-9)
    assert rear.settings[2][0] == pytest.approx(58 * 9.80665, rel=1e-12)
    assert front.settings[2][0] == pytest.approx(81.7e9 * 0.0012**4 / (8 * 0.014**3 * 9), rel=1e-12)


def test_bars_by_wire_rate_and_none(folder: Path) -> None:
    """Catches a measured bar put on the axis of wire thicknesses, and "none" with a rate."""
    space = load(folder).space
    knob = space.knobs[0]
    assert (knob.name, knob.unit, knob.values) == ("front_bar", "mm", (0.0, 1.0, 1.2, 1.4, 1.8))
    assert knob.settings[0] == (0.0,)
    rates = [row[0] for row in knob.settings]
    assert rates == sorted(rates) and rates[2] / rates[1] == pytest.approx(1.2**4, rel=1e-12)
    edit(folder, "car.toml", 'label = "1.8"\nwire_mm = 1.8', 'label = "1.8"\nmeasured_rate_n_per_mm = 2.5')
    knob = load(folder).space.knobs[0]
    assert (knob.unit, knob.values, knob.settings[4]) == ("", (0.0, 1.0, 2.0, 3.0, 4.0), (2500.0,))


def test_levels_by_steps_match_levels_by_list(folder: Path) -> None:
    """Catches steps that drift (0.1 + 0.2) or that miss the last level."""
    edit(folder, "study.toml", "from = 20\nto = 24\nstep = 2", "from = 21.7\nto = 22.3\nstep = 0.1")
    edit(folder, "study.toml", "when = { rear_ride_height_mm", "when = { front_ride_height_mm")
    knob = load(folder).space.knobs[-1]
    assert knob.labels == ("21.7", "21.8", "21.9", "22", "22.1", "22.2", "22.3")
    assert knob.values == (21.7, 21.8, 21.9, 22.0, 22.1, 22.2, 22.3)


def test_continuous_knob_with_absolute_tolerance(folder: Path) -> None:
    """Catches a range read as two levels and a tolerance left in millimetres."""
    edit(folder, "study.toml", "values = [20, 22, 24]", "range = [20, 24]")
    knob = load(folder).space.knobs[4]
    assert knob.continuous and knob.labels == () and knob.values == (20.0, 24.0)
    assert [row[0] for row in knob.settings] == pytest.approx([0.020, 0.024])
    assert (knob.tolerance_absolute, knob.tolerance_relative) == (pytest.approx(0.0002), 0.0)
    assert load(folder).space.baseline[4] == pytest.approx(0.5)


def test_rule_objective_and_limit_as_written(folder: Path) -> None:
    """Catches `never` stored as `only`, a flipped direction and a lost reference."""
    space = load(folder).space
    rule = space.rules[0]
    assert rule.when == (("rear_ride_height_mm", ("20",)), ("rear_spring", ("soft",))) and rule.only == ()
    assert space.size == 2025 - 5 * 5 * 3 * 1 * 3 * 1
    assert [(o.metric, o.direction, o.resolution) for o in space.objectives] == [
        ("lag_ms", -1, 5.0),
        ("grip_margin_pct", 1, 1.0),
        ("lift_margin_pct", 1, 2.0),
    ]
    first = space.limits[0]
    assert (first.metric, first.sense, first.value, first.relative_to) == (
        "hairpin.balance_pct",
        "at_least",
        -3.0,
        "baseline",
    )
    assert space.settings.maps == (("front_bar", "rear_bar", "hairpin.balance_pct"),)


def test_default_objectives(folder: Path) -> None:
    """Catches defaults that differ from the written ones."""
    written = load(folder).space.objectives
    text = (folder / "study.toml").read_text(encoding="utf-8")
    start, end = text.index("[[objectives]]"), text.index("# Limits a driver")
    (folder / "study.toml").write_text(text[:start] + text[end:], encoding="utf-8")
    assert load(folder).space.objectives == written


def test_liked_setup_on_another_surface(folder: Path) -> None:
    """Catches a reference that keeps the study's surface, or forgets the baseline for knobs it does not name."""
    other = (folder / "surface.toml").read_text(encoding="utf-8").replace("grip = 0.95", "grip = 1.4")
    (folder / "carpet.toml").write_text(other, encoding="utf-8")
    append(folder, "study.toml", '[liked.carpet]\nsurface = "carpet.toml"\nsetup = { front_bar = "1.4" }\n')
    edit(folder, "study.toml", 'at_most = 0.3\nrelative_to = "baseline"', 'at_most = 0.3\nrelative_to = "carpet"')
    study = load(folder)
    (reference,) = study.space.references
    assert reference.positions == (3.0, *study.space.baseline[1:])
    assert reference.base[SLOT["grip"]] == 1.4 and base(study, "grip") == 0.95
    assert [Path(item.path).name for item in study.files][-1] == "carpet.toml"


def test_files_carry_their_hashes(folder: Path) -> None:
    """Catches a hash of the decoded text or a file left out."""
    found = {Path(item.path).name: item.sha256 for item in load(folder).files}
    assert found == {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in MEASURED_FILES}


def test_byte_order_mark_and_windows_lines(folder: Path) -> None:
    """Catches a file saved by a Windows editor being refused, or its faults reported on wrong lines."""
    path = folder / "car.toml"
    line = edit(folder, "car.toml", "wheelbase_mm = 282", "wheelbase_mm = 9999")
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert (only(folder).line, only(folder).key) == (line, "geometry.wheelbase_mm")


# ---- assumptions


def test_every_assumption_names_a_model_parameter_and_its_unit() -> None:
    """Catches a key that no scenario could map back: stem = parameter, suffix = a unit of the right kind."""
    known = {unit.suffix for unit in UNITS} | {""}
    for key in ASSUMED:
        assert key.stem in SLOT, key.stem
        assert key.suffix in known and key.suffix in KINDS[key.kind], key.key
        assert key.reason
    assert {item.stem for item in SURFACE_SPREADS} == {"grip", "front_grip_ratio", "roughness", "bump_height"}


def test_defaults_lie_within_their_own_bounds() -> None:
    """Catches a default or bound in the wrong unit."""
    facts = CarFacts(1.6, 1.3, 0.28, 0.21, driven_front=0.5, unsprung_mass=(0.06, 0.08), wheel_radius=(0.042, 0.042))
    for key in ASSUMED:
        factor = to_si(1.0, key.suffix) if key.suffix else 1.0
        assert key.low <= key.value(facts) * factor <= key.high, key.key


def test_given_assumption_replaces_the_default_and_is_still_listed(folder: Path) -> None:
    """Catches a value that is listed but not used, or used but not listed."""
    edit(folder, "surface.toml", 'tyre = "tyre.toml"', "")
    edit(folder, "car.toml", "[assumed]", "[assumed]\nload_sensitivity = 0.2\nyaw_inertia_g_mm2 = 2.5e7")
    study = load(folder)
    items = {item.key: item for item in study.space.assumptions}
    assert base(study, "load_sensitivity") == 0.2 and items["load_sensitivity"].value == 0.2
    assert base(study, "yaw_inertia") == pytest.approx(0.025)
    assert items["yaw_inertia_kg_m2"].spread == pytest.approx(0.25 * 0.025)
    assert items["front_camber_gain_deg_per_mm"].spread == pytest.approx(0.05)
    assert items["grip"].spread == pytest.approx(0.10)


def test_a_tyre_constant_for_both_ends_and_for_one(folder: Path) -> None:
    """A key without its end sets both; a key of one end beside it goes before it there. Catches a key of both that is
    read by neither end, or that overrides the end's own."""
    lines = "[assumed]\nbest_lean_deg = 2\nbest_lean_spread_deg = 0.5\nfront_best_lean_deg = 3"
    edit(folder, "car.toml", "[assumed]", lines)
    edit(folder, "surface.toml", 'tyre = "tyre.toml"', "")
    study = load(folder)
    assert base(study, "front_best_lean") == pytest.approx(math.radians(3.0))
    assert base(study, "rear_best_lean") == pytest.approx(math.radians(2.0))
    items = {item.key: item for item in study.space.assumptions}
    assert items["front_best_lean_deg"].spread == items["rear_best_lean_deg"].spread == pytest.approx(0.5)
    assert "best_lean_deg" not in items


def test_unlike_ends_are_unknowns_of_their_own(folder: Path) -> None:
    """Catches front and rear tyres drawn as one; camber gain, guessed alike at both ends, still is."""
    found = {one.key: one.slots for one in load(folder).space.unknowns}
    for end in ("front", "rear"):
        for key in ("best_lean_deg", "lean_width_deg", "cornering_stiffness_n_per_deg"):
            assert len(found[f"{end}_{key}"]) == 1
    assert len(found["damping_n_s_per_m"]) == 2 and "stiffness_grip_exponent" in found


def test_chassis_stiffness_becomes_compliance(folder: Path) -> None:
    """Catches degrees for radians and a stiffness written where its inverse belongs."""
    assert base(load(folder), "chassis_compliance") == 0.0
    edit(folder, "car.toml", "[assumed]", "[assumed]\nchassis_torsion_rate_n_m_per_deg = 3")
    assert base(load(folder), "chassis_compliance") == pytest.approx(math.radians(1.0) / 3.0)


def test_a_damper_part_is_no_assumption(folder: Path) -> None:
    """Catches a damping listed as guessed although a part sets it, and a fitted part that never reaches the car."""
    append(folder, "car.toml", '[[parts.front_dampers]]\nlabel = "thin oil"\ndamping_n_s_per_m = 6.5\n')
    study = load(folder)
    assert base(study, "front_damping") == 6.5
    keys = [item.key for item in study.space.assumptions]
    assert "front_damping_n_s_per_m" not in keys and "rear_damping_n_s_per_m" in keys


def test_fitted_part_is_used_without_a_knob(folder: Path) -> None:
    """Catches a study without a spring knob running on no spring at all."""
    text = (folder / "study.toml").read_text(encoding="utf-8")
    text = text.replace(
        '[knobs.front_spring]\nparts = ["soft", "medium", "hard"]\ntolerance_pct = 5\nminutes = 6\n', ""
    )
    (folder / "study.toml").write_text(text.replace('front_spring = "medium"\n', ""), encoding="utf-8")
    assert base(load(folder), "front_spring_rate") == pytest.approx(700.0)
    edit(folder, "car.toml", 'front_spring = "medium"\n', "")
    assert "front_spring" in only(folder).allowed


def test_a_label_is_found_in_either_spelling(folder: Path) -> None:
    """Catches a letter with its mark in one character in one file and in two in the other taken for another part."""
    edit(folder, "car.toml", 'label = "soft"', 'label = "wa\u0308rmer"')
    edit(folder, "study.toml", '"soft"', '"w\u00e4rmer"')
    (knob,) = (knob for knob in load(folder).space.knobs if knob.name == "front_spring")
    assert knob.labels[0] == "w\u00e4rmer" and knob.position_of("wa\u0308rmer") == 0.0


# ---- bad files: one fault, one message, at its line

BAD: list[tuple[str, str, str, str, str, str]] = [
    # file, old, new, key in the message, in found, in allowed
    ("car.toml", "wheelbase_mm", "weelbase_mm", "geometry.weelbase_mm", "unknown key", "did you mean wheelbase_mm?"),
    ("car.toml", "total_g = 1600", "total_g = nan", "mass.total_g", "nan", "finite"),
    ("car.toml", "total_g = 1600", "total_g = inf", "mass.total_g", "inf", "finite"),
    ("car.toml", "total_g = 1600", "total_g = -1600", "mass.total_g", "-1600", "200 to 20000 g"),
    ("car.toml", "total_g = 1600", "total_g = 1.6", "mass.total_g", "1.6", "200 to 20000 g"),
    ("car.toml", "total_g = 1600", 'total_g = "1600"', "mass.total_g", '"1600"', "without quotes"),
    ("car.toml", "total_g = 1600", "total_g = true", "mass.total_g", "true", "a number"),
    ("car.toml", "total_g = 1600", "total_g = [1]", "mass.total_g", "a list", "a number"),
    ("car.toml", "total_g = 1600", "total_g = 1" + "0" * 400, "mass.total_g", "very large", "size"),
    ("car.toml", "total_g = 1600", "total = 1600", "mass.total", "1600", "suffixes g, kg"),
    ("car.toml", "total_g = 1600", "total_g = 1600\ntotal_kg = 1.6", "mass.total_g", "total_kg", "only once"),
    ("car.toml", 'drive = "rear"', 'drive = "back"', "car.drive", '"back"', "rear, front, all"),
    ("car.toml", 'drive = "rear"', "drive = 2", "car.drive", "2", "rear, front, all"),
    ("car.toml", "unsprung_mass_g = 64", "unsprung_mass_g = 400", "front.unsprung_mass_g", "400 g", "320 g"),
    ("car.toml", "cg_height_mm = 46.0", "cg_height_mm = 7.0", "mass.cg_height_mm", "7 mm", "below the ground"),
    ("car.toml", "roll_centre_height_mm = 13.0", "roll_centre_height_mm = 95.0", "rear.roll_centre_height_mm",
     "roll axis at", "below the sprung"),
    ("car.toml", "front_weight_share_pct = 40.0", "front_weight_share_pct = 104", "mass.front_weight_share_pct",
     "104", "1 to 99 pct"),
    ("car.toml", "lever_mm = 25 ", "lever_mm = 28 ", "front.bar.lever_mm", "28 mm", "arm, 27 mm"),
    ("car.toml", "bearing_span_mm = 56", "bearing_span_mm = 66", "front.bar.bearing_span_mm", "66 mm", "60 mm"),
    ("car.toml", "bar_motion_ratio = 0.45 ", "# ", "front.bar_motion_ratio", "", "needed with a bar"),
    ("car.toml", "tyre_squash_mm = 2.6 ", "# ", "front.tyre_rate", "too little", "tyre_squash_mm"),
    ("car.toml", 'material = "A228"  ', 'material = "cheese"  ', "front.bar.material", '"cheese"', "A228, A227"),
    ("car.toml", "ballast_g = 60", "ballast_g = 1700", "mass.ballast_g", "1700 g", "less than"),
    ("car.toml", 'label = "1.4"\nwire_mm = 1.4', 'label = "1.4"', "parts.front_bars[4]", "neither", "none = true"),
    ("car.toml", 'label = "none"', 'label = "none"\nnone = true\nwire_mm = 1', "parts.front_bars[1]", "wire", "no bar"),
    ("car.toml", 'label = "1.4"\nwire_mm = 1.4', 'label = "1.2"\nwire_mm = 1.4', "parts.front_bars[4].label",
     '"1.2"', "only once"),
    ("car.toml", 'label = "1.4"\nwire_mm = 1.4', 'label = "1.20"\nwire_mm = 1.4', "parts.front_bars[4].label",
     'the same number as "1.2"', "takes for each other"),
    ("car.toml", 'label = "soft"\nrate_n_per_mm = 0.58', 'label = "soft"\nrate_n_per_mm = 0.58\n'
     '[[parts.front_springs]]\nlabel = "w\u00e4"\nrate_n_per_mm = 0.6\n'
     '[[parts.front_springs]]\nlabel = "wa\u0308"\nrate_n_per_mm = 0.7', "parts.front_springs[3].label",
     '"w\u00e4"', "only once"),
    ("car.toml", "active_coils = 9.0 ", "# ", "parts.front_springs[3]", "no rate", "active_coils"),
    ("car.toml", "mean_diameter_mm = 14.0", "mean_diameter_mm = 2.3", "parts.front_springs[3].mean_diameter_mm",
     "2.3 mm", "2.4 mm"),
    ("car.toml", "rate_n_per_mm = 0.58", "rate_n_per_mm = 0", "parts.front_springs[1].rate_n_per_mm", "0", "0.01"),
    ("car.toml", 'front_bar = "1.2"', 'front_bar = "9"', "fitted.front_bar", '"9"', "none, 1.0"),
    ("car.toml", "[[parts.front_bars]]", "[[parts.front_wings]]", "parts.front_wings", "unknown key", "front_springs"),
    ("car.toml", "[steering]", "[stearing]", "stearing", "unknown key", "did you mean steering?"),
    ("car.toml", "caster_deg = 25.0 ", "# ", "steering.caster_deg", "", "protractor"),
    ("car.toml", "[assumed]", "[assumed]\nload_sensitivity = 1.5", "assumed.load_sensitivity", "1.5", "0.9"),
    ("car.toml", "[assumed]", "[assumed]\ngrip = 1", "assumed.grip", "unknown key", "known"),
    ("surface.toml", "grip = 0.95", "grip = 0", "surface.grip", "0", "0.05 to 5"),
    ("surface.toml", "roughness_mm3 = 1500", '# "', "surface.roughness_mm3", "neither", "iso_class"),
    ("surface.toml", "roughness_mm3 = 1500", 'iso_class = "Z" #', "surface.iso_class", '"Z"', "A, B"),
    ("surface.toml", "radius_m = 0.9", "radius_m = 0.102", "phases[2].radius_m", "0.102 m", "0.103 m"),
    ("surface.toml", "grip_share = 0.80", "", "phases[1]", "neither", "speed_m_per_s"),
    ("surface.toml", "grip_share = 0.80", "grip_share = 0.8\nspeed_m_per_s = 5", "phases[1]", "both", "one of"),
    ("surface.toml", "turn_in = true ", "# ", "phases", "0 phases", "exactly one"),
    ("surface.toml", "radius_m = 0.9", "radius_m = 0.9\nturn_in = true", "phases", "2 phases", "exactly one"),
    ("surface.toml", "weight = 1 ", "weight = -1 ", "phases[1].weight", "-1", "0 to 1000"),
    ("surface.toml", 'name = "exit"', 'name = "entry"', "phases[4].name", '"entry"', "only once"),
    ("surface.toml", 'name = "exit"', 'name = "Exit.2"', "phases[4].name", '"Exit.2"', "small letters"),
    ("study.toml", "seed = 2024", "seed = -1", "seed", "-1", "0 to"),
    ("study.toml", "seed = 2024", "sead = 2024\nseed = 1", "sead", "unknown key", "did you mean seed?"),
    ("study.toml", 'name = "starter"', 'name = "../starter"', "name", '"../starter"', "folder"),
    ("study.toml", 'car = "car.toml"', 'car = "cra.toml"', "car", '"cra.toml"', "none at"),
    ("study.toml", 'car = "car.toml"', 'car = "a\\u0000b"', "car", "", "the name of a file"),
    ("study.toml", "[knobs.front_bar]", "[knobs.front_barr]", "knobs.front_barr", "unknown knob", "front_bar?"),
    ("study.toml", "values = [20, 22, 24]", "values = []", "knobs.front_ride_height_mm.values", "empty", "one or more"),
    ("study.toml", 'parts = ["soft", "medium", "hard"]', "parts = []",
     "knobs.front_spring.parts", "empty", "one or more"),
    ("study.toml", 'parts = ["soft", "medium", "hard"]', 'parts = ["soft", "medium", "heavy"]',
     "knobs.front_spring.parts", '"heavy"', "soft, medium, hard"),
    ("study.toml", 'parts = ["soft", "medium", "hard"]', 'parts = ["soft", "medium", "soft"]',
     "knobs.front_spring.parts", '"soft" twice', "only once"),
    ("study.toml", 'parts = ["soft", "medium", "hard"]', "values = [1, 2]", "knobs.front_spring", "values", "parts"),
    ("study.toml", "values = [20, 22, 24]", "values = [20, 22, 22]",
     "knobs.front_ride_height_mm.values", "22 twice", "once"),
    ("study.toml", "values = [20, 22, 24]", "values = [20, 22, nan]",
     "knobs.front_ride_height_mm.values", "nan", "finite"),
    ("study.toml", "values = [20, 22, 24]", "values = [22, 0.022]",
     "knobs.front_ride_height_mm.values", "0.022", "1 to 100"),
    ("study.toml", "values = [20, 22, 24]", "range = [24, 20]", "knobs.front_ride_height_mm.range", "24, 20", "lowest"),
    ("study.toml", "values = [20, 22, 24]", "values = [22]\nrange = [20, 24]",
     "knobs.front_ride_height_mm", "and", "one of"),
    ("study.toml", "step = 2", "", "knobs.rear_ride_height_mm", "no step", "together"),
    ("study.toml", "step = 2", "step = 0", "knobs.rear_ride_height_mm.step", "0", "above 0"),
    ("study.toml", "step = 2", "step = 1e-9", "knobs.rear_ride_height_mm.step", "1e-09", "10,000"),
    ("study.toml", "step = 2", "step = 3", "knobs.rear_ride_height_mm.to", "24", "like 23 or 26"),
    ("study.toml", "to = 24", "to = 18", "knobs.rear_ride_height_mm.to", "18", "not below"),
    ("study.toml", "tolerance_mm = 0.2", "tolerance_n_per_mm = 1", "knobs.front_ride_height_mm.tolerance_n_per_mm",
     "1", "tolerance_mm"),
    ("study.toml", "tolerance_pct = 8", "tolerance_pct = 100", "knobs.front_bar.tolerance_pct", "100", "less than 100"),
    ("study.toml", "minutes = 4", "minutes = -4", "knobs.front_bar.minutes", "-4", "0 to"),
    ("study.toml", 'front_bar = "1.2"', 'front_bar = "1.3"', "baseline.front_bar", '"1.3"', "level of front_bar"),
    ("study.toml", 'front_bar = "1.2"', "", "baseline.front_bar", "", "needed"),
    ("study.toml", 'front_bar = "1.2"', 'front_bar = "1.2"\nwing = 3', "baseline.wing", "no knob", "front_bar"),
    ("study.toml", 'front_bar = "1.2"', "front_bar = [1]", "baseline.front_bar", "a list", "label"),
    ("study.toml", "rear_ride_height_mm = 22", "rear_ride_height_mm = 23",
     "baseline.rear_ride_height_mm", "23", "20, 22"),
    ("study.toml", 'when = { rear_ride_height_mm = ["20"] }', 'when = { rear_ride_height_mm = ["21"] }',
     "rules[1].when.rear_ride_height_mm", '"21"', "20, 22, 24"),
    ("study.toml", 'when = { rear_ride_height_mm = ["20"] }', 'when = { ride_height = ["20"] }',
     "rules[1].when.ride_height", "no knob", "rear_ride_height_mm"),
    ("study.toml", 'when = { rear_ride_height_mm = ["20"] }\nnever = { rear_spring = ["soft"] }',
     'when = { rear_ride_height_mm = [22] }\nnever = { rear_spring = ["medium"] }', "baseline", "forbids", "drags"),
    ("study.toml", "never = {", "maybe = {", "rules[1].maybe", "unknown key", "never"),
    ("study.toml", 'metric = "lag_ms"', 'metric = "lagms"', "objectives[1].metric", '"lagms"', "did you mean lag_ms?"),
    ("study.toml", 'metric = "lag_ms"', 'metric = "roll_deg"', "objectives[1].metric", '"roll_deg"', "sweep.roll_deg"),
    ("study.toml", 'metric = "lag_ms"', 'metric = "response_state"', "objectives[1].metric", "response_state", "state"),
    ("study.toml", 'metric = "lag_ms"', 'metric = "lift_margin_pct"', "objectives[3].metric", "lift", "only once"),
    ("study.toml", 'metric = "sweep.roll_deg"', 'metric = "sweap.roll_deg"', "limits[2].metric", "sweap", "sweep?"),
    ("study.toml", 'metric = "sweep.roll_deg"', 'metric = "sweep.rol_deg"', "limits[2].metric", "rol_deg", "roll_deg?"),
    ("study.toml", 'metric = "sweep.roll_deg"', 'metric = "sweep.state"', "limits[2].metric", "state", "a quantity"),
    ("study.toml", "resolution = 5.0", "resolution = 0", "objectives[1].resolution", "0", "above 0"),
    ("study.toml", 'direction = "lower"', 'direction = "down"', "objectives[1].direction", '"down"', "lower, higher"),
    ("study.toml", "at_most = 0.3", "at_most = 0.3\nat_least = 0.4",
     "limits[2].at_most", "at_least 0.4", "both be met"),
    ("study.toml", "at_least = 0.0\n", "", "limits[3]", "neither", "at_most"),
    ("study.toml", '\nrelative_to = "baseline"', '\nrelative_to = "last week"',
     "limits[1].relative_to", "last", "baseline"),
    ("study.toml", 'x = "front_bar"', 'x = "front_barr"', "maps[1].x", "no knob", "front_bar?"),
    ("study.toml", 'y = "rear_bar"', 'y = "front_bar"', "maps[1].y", '"front_bar"', "another"),
    ("study.toml", 'method = "auto"', 'method = "guess"', "method.method", '"guess"', "sampled"),
    ("study.toml", "shortlist_size = 5", "shortlist_size = 0", "method.shortlist_size", "0", "1 to 50"),
    ("study.toml", "shortlist_size = 5", "shortlist = 5", "method.shortlist", "unknown key", "shortlist_size?"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "old", "new", "key", "found", "allowed"), BAD, ids=[f"{b[3]}-{b[2][:20]}" for b in BAD]
)
def test_one_fault_one_located_message(
    folder: Path, name: str, old: str, new: str, key: str, found: str, allowed: str
) -> None:
    """Catches a fault let through, reported twice or elsewhere, or hidden behind a bare library message."""
    edit(folder, name, old, new)
    faults = problems(folder)
    mine = [fault for fault in faults if fault.key == key]
    assert len(mine) == 1, [str(fault) for fault in faults]
    assert Path(mine[0].file).name == name
    assert found in mine[0].found and allowed in mine[0].allowed, str(mine[0])
    lines = (folder / name).read_text(encoding="utf-8").split("\n")
    last = key.rsplit(".", 1)[-1].split("[")[0]
    if mine[0].found and any(line.startswith((f"{last} =", f"{last}_")) for line in lines):
        assert last in lines[mine[0].line - 1], (str(mine[0]), lines[mine[0].line - 1])
    knock_on = [fault for fault in faults if fault.key != key]
    needed = {"geometry.wheelbase_mm", "mass.total_g", "steering", "method.method"}
    assert all(fault.key in needed or "front_bar" in fault.key or "front_bar" in fault.found for fault in knock_on), [
        str(fault) for fault in knock_on
    ]


def test_every_problem_of_all_three_files_at_once(folder: Path) -> None:
    """Catches a reader that stops at the first file, table or entry at fault."""
    lines = {
        ("car.toml", "mass.total_g"): edit(folder, "car.toml", "total_g = 1600", "total_g = -1"),
        ("car.toml", "rear.bar.lever_mm"): edit(folder, "car.toml", "lever_mm = 25\n", "lever_mm = 30\n"),
        ("car.toml", "parts.rear_springs[2].rate_n_per_mm"): edit(
            folder, "car.toml", "rate_n_per_mm = 0.47", "rate_n_per_mm = nan"
        ),
        ("surface.toml", "surface.grip"): edit(folder, "surface.toml", "grip = 0.95", "grip = -2"),
        ("surface.toml", "phases[3].weihgt"): edit(
            folder, "surface.toml", "turn_in = true", "weihgt = 1\nturn_in = true"
        ),
        ("study.toml", "seed"): edit(folder, "study.toml", "seed = 2024", 'seed = "x"'),
        ("study.toml", "knobs.rear_ride_height_mm.step"): edit(folder, "study.toml", "step = 2", "step = -2"),
        ("study.toml", "baseline.rear_spring"): edit(
            folder, "study.toml", 'rear_spring = "medium"', 'rear_spring = "middling"'
        ),
        ("study.toml", "limits[3].metric"): edit(
            folder, "study.toml", 'metric = "clearance_mm"', 'metric = "clearence_mm"'
        ),
    }
    found = {(Path(fault.file).name, fault.key): fault.line for fault in problems(folder)}
    assert found == lines


def test_a_broken_part_is_not_called_unknown_too(folder: Path) -> None:
    """Catches knock-on messages that send a reader to the wrong file."""
    edit(folder, "car.toml", "rate_n_per_mm = 0.58", "rate_n_per_mm = -1")
    assert only(folder).key == "parts.front_springs[1].rate_n_per_mm"


def test_syntax_errors_carry_their_line(folder: Path) -> None:
    """Catches a parser's exception, or a message without a place."""
    line = edit(folder, "car.toml", "[steering]", "[steering")
    fault = only(folder)
    assert (Path(fault.file).name, fault.line) == ("car.toml", line) and "not valid TOML" in fault.allowed
    line = edit(folder, "study.toml", "minutes = 4", "minutes = 4\nminutes = 5")
    fault = only(folder)
    assert (Path(fault.file).name, fault.line) == ("study.toml", line + 1)


@pytest.mark.parametrize(
    ("data", "line", "word"),
    [
        (b'name = "a"\nnote = "\xff\xfe"\n', 2, "UTF-8"),
        ("name = 1".encode("utf-16"), 1, "UTF-8"),
        (b"a = " + b"[" * 20_000, 1, "nested"),
        (b"a = " + b"9" * 5_000, 0, "not valid"),
        (b"# x\n" * 300_000, 0, "smaller"),
        (b"\x00", 1, "not valid"),
        (b"", 0, "needed"),
    ],
    ids=["latin", "utf16", "nested", "digits", "huge", "nul", "empty"],
)
def test_files_that_are_no_study(tmp_path: Path, data: bytes, line: int, word: str) -> None:
    """Catches tracebacks from decoding, recursion, huge numbers and huge files."""
    path = tmp_path / "study.toml"
    path.write_bytes(data)
    with pytest.raises(ConfigError) as caught:
        load_study(path)
    first = caught.value.problems[0]
    assert word in first.allowed and first.line == line, str(first)


def test_missing_file_and_directory(tmp_path: Path) -> None:
    """Catches FileNotFoundError and IsADirectoryError reaching a user."""
    for path, word in ((tmp_path / "none.toml", "no such file"), (tmp_path, "directory"), (Path("a\0b"), "no such")):
        with pytest.raises(ConfigError, match=word):
            load_study(path)


def test_tables_of_the_wrong_shape(folder: Path) -> None:
    """Catches attribute errors on a table written as a value, and the other way round."""
    append(folder, "study.toml", "[liked]\ncarpet = 3\n")
    edit(folder, "study.toml", "[[maps]]", "[maps]")
    edit(folder, "car.toml", "[underside]", "[[underside]]")
    edit(folder, "surface.toml", "[surface]", "surface = 3\n[other]")
    keys = {fault.key for fault in problems(folder)}
    assert {"liked.carpet", "maps", "underside", "surface", "other"} <= keys


def test_knob_ends_that_make_an_impossible_car(folder: Path) -> None:
    """Catches a grid whose far end would stop the run: raised ride heights lift the roll axis over the mass."""
    edit(folder, "car.toml", "[assumed]", "[assumed]\nfront_roll_centre_rate = 5\nrear_roll_centre_rate = 5")
    edit(folder, "study.toml", "values = [20, 22, 24]", "values = [22, 45]")
    edit(folder, "study.toml", "from = 20\nto = 24\nstep = 2", "values = [20, 22, 45]")
    fault = only(folder)
    assert fault.key == "knobs" and "rear_ride_height_mm = 45" in fault.found and "roll axis" in fault.allowed


def test_heights_agree_with_the_model(folder: Path) -> None:
    """Catches a check that forgets ride height, ballast or the wheels: the model's own roll arm at moved settings."""
    vectors = np.repeat(load(folder).space.base[None, :], 40, axis=0)
    rng = np.random.default_rng(7)
    for name, spread in (("front_ride_height", 0.01), ("rear_ride_height", 0.01), ("ballast_shift", 0.1)):
        vectors[:, SLOT[name]] += rng.uniform(-spread, spread, 40)
    vectors[:, SLOT["front_wheel_radius"]] *= rng.uniform(0.7, 1.3, 40)
    height, axis = sprung_heights(vectors)
    arms = [car_at(vector)[0].roll_arm for vector in vectors]
    assert height - axis == pytest.approx(arms, rel=1e-12)


def test_ballast_must_be_there_to_move(folder: Path) -> None:
    """Catches a knob without effect, and ballast that carries the mass off the wheels."""
    append(folder, "study.toml", "[knobs.ballast_position_mm]\nvalues = [-20, 0, 20]\n")
    edit(folder, "study.toml", "[baseline]", "[baseline]\nballast_position_mm = 0")
    assert load(folder).space.knobs[-1].settings == ((-0.02,), (0.0,), (0.02,))
    edit(folder, "car.toml", "ballast_g = 60", "ballast_g = 0")
    assert "ballast_g above 0" in only(folder).allowed


def test_exhaustive_needs_levels(folder: Path) -> None:
    """Catches a forced method that could not be carried out."""
    edit(folder, "study.toml", 'method = "auto"', 'method = "exhaustive"')
    assert load(folder).space.exhaustive
    edit(folder, "study.toml", "values = [20, 22, 24]", "range = [20, 24]")
    assert "continuous" in only(folder).allowed


def test_rules_speak_of_levels_only(folder: Path) -> None:
    """Catches a rule that silently never holds because its knob is continuous."""
    edit(folder, "study.toml", "from = 20\nto = 24\nstep = 2", "range = [20, 24]")
    assert only(folder).key == "rules[1].when.rear_ride_height_mm"


def test_liked_surface_must_have_the_phase(folder: Path) -> None:
    """Catches a limit that no reference value exists for."""
    text = (folder / "surface.toml").read_text(encoding="utf-8").replace('name = "sweep"', 'name = "bend"')
    (folder / "other.toml").write_text(text, encoding="utf-8")
    append(folder, "study.toml", '[liked.other]\nsurface = "other.toml"\n')
    line = edit(folder, "study.toml", 'at_most = 0.3\nrelative_to = "baseline"', 'at_most = 0.3\nrelative_to = "other"')
    fault = only(folder)
    assert fault.key == "limits[2].metric" and fault.line == line - 1 and "bend" in fault.allowed


def test_two_knobs_may_not_own_one_setting() -> None:
    """Catches the second knob silently overwriting the first."""
    source = Source("study.toml", [])
    one = Knob("front_damper", "", ("a",), (0.0,), (3, 4), ((1.0, 1.0),))
    two = Knob("front_tyre", "", ("a",), (0.0,), (4,), ((1.0,),))
    check_owners(source, (one,))
    assert source.problems == []
    check_owners(source, (one, two))
    assert "front_damper" in source.problems[0].found


def test_number_knobs_own_distinct_parameters() -> None:
    """Catches a copied line in the table of knobs."""
    slots = [slot for slot, _ in NUMBER_KNOBS.values()]
    assert len(set(slots)) == len(slots) and set(slots) <= set(SLOT)
