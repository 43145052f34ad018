"""The trade's statements over plausible cars: draws as the demo's files say, verdicts right, promises guarded."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from explorer.cli.commands import app
from explorer.inputs.load import load_study
from explorer.model.car.slots import PHASE_COLUMNS, SLOT
from explorer.study.everything.evaluate import MetricTable
from explorer.study.everything.wishes import losses as shipped_losses
from explorer.study.everything.wishes import resolve_wishes
from explorer.validation.trade import asking, cars, judged, page, run, statements
from explorer.validation.trade.hard import Hard, hard_lines, ordered

CONFIGS = Path(__file__).parents[2] / "configs"
STUDIES = {"carpet": "demo", "turf": "2wd_turf", "dusty": "2wd_dusty", "polished": "2wd_polished"}
FEW = 4


@pytest.fixture(scope="module")
def asked() -> asking.Asked:
    return asking.ask("4wd", statements.liked()["4wd"], 7, FEW)


@pytest.mark.parametrize("venue", list(cars.VENUES))
def test_venues_and_tyres_are_the_demos(venue):
    """Catches a number of a surface or tyre file that the copy here does not follow."""
    space, own = load_study(CONFIGS / f"{STUDIES[venue]}.toml").space, cars.VENUES[venue]
    for slot in ("grip", "roughness", "bump_height"):
        assert getattr(own, slot) == pytest.approx(space.base[SLOT[slot]])
    assert space.phase_names == cars.PHASES
    assert np.allclose(space.phases, cars.PHASE_ROWS) and space.phases.shape[1] == len(PHASE_COLUMNS)
    known = {item.key: item for item in space.assumptions if item.reason.startswith("tyre file")}
    units = {"deg": math.pi / 180.0, "n_per_deg": 180.0 / math.pi, "mm": 1e-3, "": 1.0}
    limits = cars.ANY_TYRE | cars.TYRES[own.tyre]
    assert len(known) == len(limits)
    for name, (low, high) in limits.items():
        key = next(key for key in known if key.startswith(name))
        unit = units[key.removeprefix(name).removeprefix("_")]
        assert low == pytest.approx((known[key].value - known[key].spread) * unit, abs=1e-12), key
        assert high == pytest.approx((known[key].value + known[key].spread) * unit), key


def test_the_bars_of_the_box_are_the_demos():
    """Catches another box of wires, and a bar rate worked out another way than the car file's."""
    space = load_study(CONFIGS / "demo.toml").space
    knob = space.knobs[space.knob_index("front_bar")]
    assert knob.values == cars.WIRES
    assert np.array(knob.settings)[-1, 0] == pytest.approx(cars.bar_rates(0.060, 0.027)[-1], rel=0.03)


def test_losses_are_those_of_the_studies():
    """Catches a wish, price or felt step that differs from what the demo's studies say."""
    space = load_study(CONFIGS / "2wd_polished.toml").space
    bars = [space.knob_index(name) for name in ("front_bar", "rear_bar")]
    positions = np.repeat(np.array([space.baseline]), len(cars.WIRES) ** 2, axis=0)
    places = np.indices((len(cars.WIRES),) * 2).reshape(2, -1)
    positions[:, bars] = places.T
    values, valid = asking.answers(space.parameters(positions), space.phases)
    wishes = resolve_wishes(space)
    of_study = shipped_losses(wishes, MetricTable(space, positions, asking.COLUMNS, values, valid))
    liked = space.references[0]
    home = dataclasses.replace(space, base=liked.base)
    there, _ = asking.answers(home.parameters(np.array([liked.positions])), liked.phases)
    shape = (1, len(cars.WIRES), len(cars.WIRES))
    own = asking.losses(values.reshape(*shape, -1), there, (cars.WIRES.index(1.1), cars.WIRES.index(1.3)))
    assert valid.all() and np.allclose(own.ravel(), of_study, atol=1e-6)
    assert {limit.metric for limit in space.limits if limit.value == 0.0} == set(asking.LIMITS)


def test_cars_are_balanced_and_within_the_limits_at_home(asked):
    """Catches tyres that bring an offset of balance, and liked setups that nobody could drive."""
    assert len(asked.fleet) == FEW
    for venue in cars.VENUES:
        sweep = asked.of_liked(venue)[:, asking.COLUMNS.index("sweep.balance_pct")]
        assert np.abs(sweep).max() < 0.01
    assert asking.within(asked.of_liked("carpet")).all()
    assert (asked.bars("carpet") == (1.8, 1.8)).all()


def test_tyres_are_drawn_front_and_rear_apart():
    """Catches one draw for both ends, and a constant told alike that is drawn tyre by tyre."""
    for alike in (True, False):
        fleet = cars.drawn_fleet("2wd", 3, 50, alike)
        for base in fleet.base.values():
            for name in ("best_lean", "lean_width", "cornering_stiffness"):
                pair = base[:, SLOT[f"front_{name}"]], base[:, SLOT[f"rear_{name}"]]
                assert abs(np.corrcoef(*pair)[0, 1]) < 0.5
        on = [base[:, SLOT["front_best_lean"]] for base in fleet.base.values()]
        assert np.array_equal(on[0], on[1]) is alike


def test_every_line_is_asked_at_each_of_its_venues(asked):
    """Catches a form of statement that is left out in silence."""
    lines = statements.lines()
    wanted = [
        line["id"]
        for found in lines.values()
        for line in found
        if "4wd" in line["cars"]
        for _ in line.get("venues", ["once"])
    ]
    verdicts = judged.judged(asked, lines)
    assert [one.name for one in verdicts] == wanted
    assert all((one.held & one.missed).sum() == 0 for one in verdicts)


def test_a_line_turned_round_is_missed_where_it_was_held(asked):
    """Control: a verdict that does not hang on the direction says nothing."""
    line = next(line for line in statements.lines()["changes"] if line["id"] == "inner-rear-rear-softer")
    one = {"changes": [line], "grounds": [], "limits": [], "sizes": [], "orders": []}
    other = {**one, "changes": [line | {"direction": "down"}]}
    (held,), (missed,) = judged.judged(asked, one), judged.judged(asked, other)
    assert held.held.all() and held.share == 1.0 and held.can_be_felt
    assert missed.missed.all() and missed.share == 0.0
    small = judged.judged(asked, {**one, "changes": [line | {"felt": 50.0}]})[0]
    assert small.unfelt == FEW and not small.can_be_felt and math.isnan(small.share)


def test_the_unknown_that_decides_is_found():
    """Catches the wrong sign or the wrong unknown named."""
    rng = np.random.default_rng(1)
    unknowns = {"of no account": rng.random(200), "width": rng.random(200)}
    held = unknowns["width"] < 0.4
    found = judged.deciding(held, ~held, unknowns)
    assert found is not None and found.name == "width" and found.apart < -1.0
    assert judged.deciding(held, np.zeros(200, dtype=bool), unknowns) is None


def test_order_is_strict_unless_both_are_none(asked):
    """Catches equal bars counted as an order."""
    places = {"carpet": (9, 9), "turf": (8, 8), "polished": (8, 8)}
    same = {venue: np.tile(place, (FEW, 1)) for venue, place in places.items()}
    assert not ordered(dataclasses.replace(asked, wished=same), "turf").any()
    none = same | {venue: np.zeros((FEW, 2), dtype=np.int64) for venue in ("turf", "polished")}
    assert ordered(dataclasses.replace(asked, wished=none), "turf").all()


def test_what_an_unstable_car_answers_is_not_counted():
    """Catches the stand-in for a car without a response taken for its response."""
    values = np.ones((2, len(asking.COLUMNS)))
    values[0, asking.COLUMNS.index("response_state")] = 0.0
    found = asking.answered(values, np.array([True, True]))
    assert np.isfinite(found[0]).all()
    assert [name for name, value in zip(asking.COLUMNS, found[1], strict=True) if math.isnan(value)] == list(
        asking.RESPONSE
    )


def test_page_tells_misses_last_and_hides_none(asked):
    """Catches a missed promise that reads as met."""
    verdicts = judged.judged(asked, statements.lines())
    good, bad = Hard("a | b", "4wd", 100.0, 97.0, None), Hard("falls short", "4wd", 94.9, 95.0, None)
    text = page.page([page.Answers("4wd", FEW, 5, verdicts, [good, bad], [good, bad], ("why",))], quick=True)
    assert "**1 of 2 hard lines fall short" in text and "quick run" in text and "- 4WD: why" in text
    last = text[text.index("## Met and not met") :]
    assert r"| a \| b | 4WD | 97 % | 100 % | met |" in last and "| 95 % | 94.9 % | missed |" in last
    assert all(f"| {word} |" in text for word, _ in page.GLOSSARY)


def test_another_part_is_refused():
    """Catches a slip of the name that proves everything for ten minutes."""
    found = CliRunner().invoke(app, ["prove", "--only", "trades"])
    assert found.exit_code == 2 and "trades" in found.output and "trade" in found.output


MISSED = {
    "2wd": {
        "on low grip the liked setup pushes, more than at home: hairpin": 72.0,
        "on low grip the liked setup pushes, balance below 0: hairpin": 43.5,
        "on low grip the liked setup pushes, balance below 0: entry": 0.0,
        "less bite in newtons on low grip": 87.0,
        "bars in strict order: carpet, turf, low grip (or the last two none)": 84.0,
        "bars in strict order: carpet, medium slick floor, low grip (or the last two none)": 51.5,
        "carried over to wet ground: front first, or both off": 62.5,
    },
    "4wd": {
        "on low grip the liked setup pushes, more than at home: hairpin": 74.0,
        "on low grip the liked setup pushes, balance below 0: hairpin": 25.5,
        "on low grip the liked setup pushes, balance below 0: entry": 0.0,
        "less bite in newtons on low grip": 86.0,
        "carried over to wet ground: front first, or both off": 39.0,
    },
}
"""Promises that are missed, and the least share that they may fall to: some 1.5 points below what was found. [%]"""


@pytest.mark.long
@pytest.mark.parametrize("kind", cars.KINDS)
def test_promises_over_two_hundred_cars(kind):
    """Catches a change that costs a promise, over 200 cars of each kind. **Those in `MISSED` do not reach their bar**:
    the share that they have is guarded, and one that comes to reach its bar is to be taken out of the list."""
    own = asking.ask(kind, statements.liked()[kind], run.SEED, run.CARS)
    found = hard_lines(own, judged.judged(own, statements.lines()))
    assert len(own.fleet) == run.CARS
    assert {one.name for one in found if not one.met} == set(MISSED[kind])
    fallen = {one.name: one.share for one in found if one.share < MISSED[kind].get(one.name, one.bar)}
    assert fallen == {}
