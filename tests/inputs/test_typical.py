"""Numbers nobody measured: what a car file's "typical" puts in, what is asked about, and what a run makes of it."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from explorer.domain.errors import ConfigError, Problem
from explorer.domain.space import Space
from explorer.domain.unknowns import Unknown, how_to_measure
from explorer.flow import checked
from explorer.inputs.fields import KINDS
from explorer.inputs.load import load_study
from explorer.inputs.starter import AtHand, _put, starter_texts
from explorer.inputs.typical import ROWS, Known, may_be_typical
from explorer.model.car.slots import SLOT
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import Scenarios, evaluate_positions
from explorer.study.plan.decision import decide
from explorer.study.plan.scenarios import draw
from explorer.validation.fleet import RANGES
from tests.measured import edit, write_measured

CONFIGS = Path(__file__).parents[2] / "configs"
METRICS = ("grip_margin_pct", "lag_ms", "lift_margin_pct")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A directory with a measured car and its study."""
    write_measured(tmp_path)
    return tmp_path


def space(folder: Path) -> Space:
    return load_study(folder / "study.toml").space


def problems(folder: Path) -> list[Problem]:
    with pytest.raises(ConfigError) as caught:
        space(folder)
    return caught.value.problems


def unknown(found: Space, key: str) -> Unknown:
    return next(one for one in found.unknowns if one.key == key)


def drawn(found: Space, key: str) -> np.ndarray:
    draws = draw(found, 1024)
    return draws.numbers[:, [one.key for one in found.unknowns].index(key)]


# ---- the table


def test_the_table_and_the_tables_of_a_car_file_agree() -> None:
    """Catches a key that takes the word and has no value, and a value that no key takes."""
    assert {(row.table, row.stem) for row in ROWS} == may_be_typical()
    assert all(row.quantity.how for row in ROWS)


@pytest.mark.parametrize("drive", ["rear", "all", "front"])
def test_every_guess_lies_in_its_own_range(drive: str) -> None:
    """Catches a slip of unit or a place of the decimal point in the table, and a spread of nothing."""
    for row in ROWS:
        guess = row.guess(Known(drive))
        assert guess.low <= guess.value - 0.5 * guess.spread and guess.value + 0.5 * guess.spread <= guess.high, (
            row.name
        )
        assert guess.spread > 0.0


def test_the_fleet_draws_from_the_same_cars() -> None:
    """Catches a table that says otherwise than the ranges of `validation`: its middle lies within what is asked nothing
    about."""
    shared = [row for row in ROWS if row.slot.removeprefix("front_").removeprefix("rear_") in RANGES]
    assert len(shared) > 12
    for row in shared:
        low, high = RANGES[row.slot.removeprefix("front_").removeprefix("rear_")]
        scale = {"g": 1e3, "mm": 1e3, "pct": 1e2, "deg": 180.0 / math.pi, "n_per_mm": 1e-3, "": 1.0}
        guess = row.guess(Known("all"))
        assert guess.low <= 0.5 * (low + high) * scale[KINDS[row.quantity.kind][0]] <= guess.high, row.name


@pytest.mark.parametrize("study", sorted(path.stem for path in CONFIGS.glob("*.toml")))
def test_nothing_is_asked_about_our_own_cars(study: str) -> None:
    """Catches a range too narrow for the cars that the table was taken from."""
    assert [note for note in load_study(CONFIGS / f"{study}.toml").space.notes if "such cars have" in note] == []


# ---- the word


def test_the_word_puts_in_a_value_with_spread_and_reason(folder: Path) -> None:
    """In whatever unit the key has. Catches a unit of the table taken for that of the key, and a spread that stays
    behind: the draws of the centre of gravity have that of the table, not of a tilted car."""
    edit(folder, "total_g = 1600 ", 'total_kg = "typical" ')
    edit(folder, "cg_height_mm = 46.0", 'cg_height_m = "typical"')
    found = space(folder)
    assert found.base[SLOT["mass"]] == pytest.approx(1.6) and found.base[SLOT["cg_height"]] == pytest.approx(0.046)
    told = {item.key: item for item in found.assumptions if how_to_measure(item.reason)}
    assert {key: (item.value, item.spread) for key, item in told.items()} == {
        "mass_g": (1600.0, 100.0),
        "cg_height_mm": (46.0, 5.0),
    }
    assert "kitchen scales" in how_to_measure(told["mass_g"].reason)
    assert told["cg_height_mm"].reason.startswith(
        "typical of such cars (24 mm over the mean ride height), not measured: "
    )
    assert np.std(drawn(found, "cg_height_mm")) == pytest.approx(2.5, rel=0.03)
    assert np.std(drawn(found, "mass_g")) == pytest.approx(50.0, rel=0.03)


def test_what_is_known_scales_what_is_not(folder: Path) -> None:
    """Catches a table that is read before the file: unsprung mass by the car's, lever by the arm, arm by the lever."""
    edit(folder, "unsprung_mass_g = 64", 'unsprung_mass_g = "typical"')
    edit(folder, "total_g = 1600", "total_g = 1800")
    edit(folder, "lever_mm = 25", 'lever_mm = "typical"')
    assert space(folder).base[SLOT["front_unsprung_mass"]] == pytest.approx(0.072)
    edit(
        folder,
        'arm_mm = 27                        # bend to link, along the arm\nlever_mm = "typical"',
        'arm_mm = "typical"\nlever_mm = 40',
    )
    assert unknown(space(folder), "front_bar_rate_n_per_mm").spread[0] > 0.0  # an arm of 28 mm has no lever of 40


def test_both_ends_are_drawn_apart(folder: Path) -> None:
    """Catches two guesses taken for one: nothing says that both ends are off the same way."""
    for old in ("roll_centre_height_mm = 11.0", "roll_centre_height_mm = 13.0", "track_mm = 206", "track_mm = 204"):
        edit(folder, old, f'{old.split(" = ")[0]} = "typical"')
    found = space(folder)
    for stem in ("roll_centre_height_mm", "track_mm"):
        pair = np.corrcoef(drawn(found, f"front_{stem}"), drawn(found, f"rear_{stem}"))
        assert abs(pair[0, 1]) < 0.1
    assert unknown(found, "front_roll_centre_height_mm").spread == pytest.approx((0.009,))


def test_the_tyre_rate_of_one_end(folder: Path) -> None:
    """Catches the usual spread of a measured tyre put over that of the table, or lost at the other end."""
    edit(folder, "tyre_squash_mm = 2.3\ntyre_squash_weight_g = 1000", 'tyre_rate_n_per_mm = "typical"')
    found = space(folder)
    assert unknown(found, "rear_tyre_rate_n_per_mm").spread == pytest.approx((900.0,))
    front = unknown(found, "front_tyre_rate_n_per_mm")
    assert front.spread == pytest.approx((0.15 * front.values[0],)) and not how_to_measure(front.reason)


def test_a_level_of_a_knob_is_given(folder: Path) -> None:
    """Catches a ride height that is set by a knob and drawn as well."""
    edit(folder, "ride_height_mm = 22.0", 'ride_height_mm = "typical"')
    found = space(folder)
    assert not [item for item in found.assumptions if "ride_height" in item.key]
    assert not [one for one in found.unknowns if "ride_height" in one.key]
    assert found.base[SLOT["front_ride_height_reference"]] == pytest.approx(0.022)


def test_the_shape_of_a_bar_is_one_factor_on_all_bars_of_its_end(folder: Path) -> None:
    """By hand: of a bar of which only the straight is unknown, the ends of its spread give the rates. Catches a shape
    whose spread is lost, bars that move by an offset (and "none" that gets a rate), and a baseline without a bar."""
    edit(folder, "straight_mm = 60 ", 'straight_mm = "typical" ')
    edit(folder, "bearing_span_mm = 56", "bearing_span_mm = 45")
    edit(folder, 'front_bar = "1.2"\nrear_bar', 'front_bar = "none"\nrear_bar', "study.toml")
    found = space(folder)
    one = unknown(found, "front_bar_rate_n_per_mm")
    assert one.law == "lognormal" and not one.shifts and one.values[0] > 0.0
    numbers = drawn(found, "front_bar_rate_n_per_mm")
    assert np.std(np.log(numbers)) == pytest.approx(0.5 * one.spread[0] / one.values[0], rel=0.05)
    assert 0.02 < one.spread[0] / one.values[0] < 0.6 and "between the two bends" in how_to_measure(one.reason)
    moved = draw(found, 64).scenarios
    assert np.all(moved.offset[:, list(moved.slots).index(SLOT["front_bar_rate"])] == 0.0)


def test_a_reading_beside_it_counts(folder: Path) -> None:
    """Catches the word put over what was read in another way: droop by lifting, the links."""
    edit(folder, "droop_mm = 10.0", 'droop_mm = "typical"\ndroop_lift_mm = 9')
    assert space(folder).base[SLOT["front_droop"]] == pytest.approx(0.009 - 0.32 * 0.0026)
    text = (folder / "car.toml").read_text(encoding="utf-8")
    start = text.index("# [front.links]")
    links = "\n".join(line.removeprefix("# ") for line in text[start : text.index("[rear]")].splitlines())
    (folder / "car.toml").write_text(
        text[:start].replace("roll_centre_height_mm = 11.0", 'roll_centre_height_mm = "typical"')
        + links
        + "\n\n"
        + text[text.index("[rear]") :],
        encoding="utf-8",
    )
    found = space(folder)
    assert not [item for item in found.assumptions if "typical" in item.reason]
    assert found.base[SLOT["front_roll_centre_height"]] != pytest.approx(0.011, abs=1e-4)


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("camber_deg = -1.0", 'camber_deg = "typicl"', "front.camber_deg"),
        ("arm_mm = 27", 'arm_mm = "usual"', "front.bar.arm_mm"),
        ("total_g = 1600", 'total_g = "typical?"', "mass.total_g"),
    ],
)
def test_another_word_is_refused_at_its_line(folder: Path, old: str, new: str, key: str) -> None:
    """Catches a misspelt word taken for the word or for nothing."""
    line = edit(folder, old, new)
    (fault,) = problems(folder)
    assert (fault.line, fault.key) == (line, key) and fault.allowed.startswith('"typical", or a number without quotes')


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("wheelbase_mm = 282", 'wheel_base_mm = "typical"', "geometry.wheel_base_mm"),
        ("ballast_g = 60", 'ballast_g = "typical"', "mass.ballast_g"),
        ("rate_n_per_mm = 0.58", 'rate_n_per_mm = "typical"', "parts.front_springs[1].rate_n_per_mm"),
    ],
)
def test_what_may_not_be_typical_is_refused(folder: Path, old: str, new: str, key: str) -> None:
    """Catches the word let through where there is no value for it."""
    edit(folder, old, new)
    assert key in {fault.key for fault in problems(folder)}


def test_a_missing_key_says_that_the_word_is_allowed(folder: Path) -> None:
    """Catches a racer sent away for a number that may be typical; missing it stays an error."""
    edit(folder, "caster_deg = 25.0", "# caster_deg = 25.0")
    edit(folder, "roll_centre_height_mm = 11.0", "")
    found = problems(folder)
    assert len(found) == 2 and all('or "typical"' in fault.allowed for fault in found)


def test_the_bars_motion_ratio_may_be_unknown(folder: Path) -> None:
    """Catches a key of [unknowns] that the reader does not know."""
    with (folder / "study.toml").open("a", encoding="utf-8") as stream:
        stream.write("\n[unknowns.bar_motion_ratio]\nspread = 0.1\n")
    assert unknown(space(folder), "bar_motion_ratio").slots == (
        SLOT["front_bar_motion_ratio"],
        SLOT["rear_bar_motion_ratio"],
    )


# ---- what is asked about


@pytest.mark.parametrize(
    ("old", "new", "asked"),
    [
        ("camber_deg = -1.0", "camber_deg = 1.0", "front camber +1 deg: such cars have -3 to 0. Is the sign right?"),
        ("droop_mm = 12.0", "droop_mm = 40", "rear droop 40 mm: such cars have 3 to 20. Was it measured so?"),
        ("spring_motion_ratio = 0.56", "spring_motion_ratio = 1.9", "front spring motion ratio 1.9: such cars have"),
    ],
)
def test_what_such_cars_do_not_have_is_asked_about(folder: Path, old: str, new: str, asked: str) -> None:
    """Catches a wrong sign taken in silence, and one that stops the study; `check` and reports repeat the notes."""
    line = edit(folder, old, new)
    (note,) = [note for note in space(folder).notes if "such cars have" in note]
    assert asked in note and f"car.toml, line {line}" in note


def test_levels_are_asked_about_too(folder: Path) -> None:
    """Catches a knob that sets what nobody has."""
    edit(
        folder,
        "[baseline]",
        "[knobs.front_camber_deg]\nvalues = [-1, 1]\n\n[baseline]\nfront_camber_deg = -1",
        "study.toml",
    )
    (note,) = [note for note in space(folder).notes if "such cars have" in note]
    assert note == "Knob: front camber +1 deg: such cars have -3 to 0. Is the sign right?"


def test_check_lists_what_moves_the_car_most_first(folder: Path) -> None:
    """Catches the order of the file, and a number told twice. A quarter of the height of the centre of gravity moves
    more than a degree of kingpin."""
    edit(folder, "kingpin_inclination_deg = 2.0", 'kingpin_inclination_deg = "typical"')
    edit(folder, "cg_height_mm = 46.0", 'cg_height_mm = "typical"')
    edit(folder, "half_width_mm = 60", 'half_width_mm = "typical"')
    study = load_study(folder / "study.toml")
    found = checked.check(study)
    keys = [item.key for item in found.typical]
    assert keys[0] == "cg_height_mm" and set(keys) == {
        "cg_height_mm", "kingpin_inclination_deg", "chassis_half_width_mm"
    }  # fmt: skip
    text = checked.text(study.space, found)
    assert text.count("cg_height_mm = ") == 1 and "cg_height_mm = 46 ± 5: lift one end" in text


# ---- hidden cars


def hidden_car(seed: int, folder: Path) -> tuple[Space, Space]:
    """A car drawn from the table: as a racer knows it who has bars, springs, weights, track, wheelbase and ride
    heights, and measured throughout."""
    rng = np.random.default_rng(np.random.SeedSequence((20281128, seed)))
    known = Known("rear" if seed % 2 else "all")
    keys = {}
    for row in ROWS:
        guess = row.guess(known)
        number = float(np.clip(rng.normal(guess.value, 0.5 * guess.spread), guess.low, guess.high))
        bound = {"bearing_span": "straight", "lever": "arm"}.get(row.stem)
        if bound:
            number = min(number, known.numbers[row.name.replace(row.stem, bound)])
        known.numbers[row.name] = number
        suffix = KINDS[row.quantity.kind][0]
        keys[row.table, f"{row.stem}_{suffix}" if suffix else row.stem] = number
    mass, share = known.numbers["mass"], known.numbers["front_weight_share"] / 100.0
    heights = (known.numbers["front_ride_height"], known.numbers["rear_ride_height"])
    at_hand = AtHand(
        drive=known.drive,
        front_g=mass * share,
        rear_g=mass * (1.0 - share),
        wheelbase_mm=known.numbers["wheelbase"],
        track_mm=(known.numbers["front_track"], known.numbers["rear_track"]),
        ride_height_mm=tuple(round(height, 1) for height in heights),
        boxes={
            "front_bars": ("1.2", "1.6"),
            "rear_bars": ("1.2", "1.6"),
            "front_springs": ("0.70",),
            "rear_springs": ("0.47",),
        },
    )
    texts = starter_texts(at_hand)
    study = re.sub(r"\[knobs\.\w+_ride_height_mm\]\n(?:.+\n)+", "", texts["study.toml"])
    texts["study.toml"] = re.sub(r"^\w+_ride_height_mm = .*\n", "", study, flags=re.M)
    full = texts["car.toml"]
    for (table, key), number in keys.items():
        if not key.startswith("ride_height"):
            full = _put(full, table, key, f"{number:.9g}")
    spaces = []
    for name, car in (("racer", texts["car.toml"]), ("full", full)):
        (folder / name).mkdir(parents=True)
        for file, text in (texts | {"car.toml": car}).items():
            (folder / name / file).write_text(text, encoding="utf-8")
        spaces.append(space(folder / name))
    return spaces[0], spaces[1]


@pytest.mark.long
def test_the_interval_covers_the_full_cars_answer(tmp_path: Path) -> None:
    """40 hidden cars: what the headline's setup does by a racer's file, mean +- 1.645 standard deviations over what is
    not known, beside what the whole car does: once with tyres, ground and guesses drawn as well, once with those at
    their best guess on both sides. Catches spreads that do not reach the scenarios: lift margins are then covered in
    half of the cars; and ones far too wide."""
    covered = np.zeros((40, 2, len(METRICS)), dtype=bool)
    for seed in range(len(covered)):
        racer, full = hidden_car(seed, tmp_path / str(seed))
        racer = replace(racer, planning=replace(racer.planning, scenarios=128))
        decision = decide(racer, np.zeros((0, len(racer.knobs))))
        assert decision.headline is not None
        take = decision.headline.take.positions[None]
        typical = tuple(one for one in racer.unknowns if how_to_measure(one.reason))
        others = {one.key for one in racer.unknowns if one not in typical}
        rest = replace(full, unknowns=tuple(one for one in full.unknowns if one.key in others), seed=seed + 1)
        case = draw(rest, len(covered)).scenarios
        row = slice(seed, seed + 1)
        drawn_too = Scenarios(case.slots, case.factor[row], case.offset[row], np.ones(1))
        asked = ((racer, drawn_too), (replace(racer, unknowns=typical), None))
        for way, (thought_of, of_rest) in enumerate(asked):
            true, answered = evaluate_positions(full, take, of_rest)
            thought, valid = evaluate_positions(thought_of, take, draw(thought_of, 256).scenarios)
            assert answered.all() and valid.mean() > 0.99
            for place, metric in enumerate(METRICS):
                column = metric_columns(racer.phase_names).index(metric)
                values = thought[valid[:, 0], 0, column]
                covered[seed, way, place] = abs(true[0, 0, column] - values.mean()) <= 1.645 * values.std()
    told = covered.mean(axis=0)
    assert np.all(told >= 0.8) and 0.83 <= told[1].mean() <= 0.97, told
