"""The trouble ladder: which phase a symptom reads, what a cure is, and the directions of common practice (no source).

Directions are asked of 120 plausible cars (`cars.random_cars`) and of the demo's studies; shares are printed with
`pytest -s` and guarded two points below what was measured when the test was written.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import study_toy as toy
from cars import PHASE_NAMES, Answers, changed, corner_phases, put, random_cars

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import Knob, Limit, Rule, Space
from explorer.inputs.load import load_study
from explorer.model.car.slots import SLOT
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import Scenarios
from explorer.study.everything.limits import resolve_limits
from explorer.study.pits.ladder import Ladder, ladder
from explorer.study.pits.symptoms import SYMPTOMS, Roles, inner_wheel_margin, roles_of

CONFIGS = Path(__file__).parents[3] / "configs"
DEMO = ("demo", "2wd_turf", "2wd_polished", "4wd_carpet", "4wd_turf", "4wd_polished")
COUNT = 120
FACTORS = (0.6, 0.8, 1.0, 1.25, 1.6)
OTHER = {"front": "rear", "rear": "front"}


def of_car(car: np.ndarray, phases: np.ndarray | None = None) -> Space:
    """A study of bars and springs of one car, each at these shares of its own rate."""
    knobs = [
        Knob(f"{end}_{part}", "", tuple(map(str, FACTORS)), FACTORS, (slot,), tuple((f * car[slot],) for f in FACTORS))
        for end in ("front", "rear")
        for part in ("bar", "spring")
        for slot in [SLOT[f"{end}_{part}_rate"]]
    ]
    where = toy.space(knobs, baseline=(2.0,) * 4)
    phases = corner_phases() if phases is None else phases
    return dataclasses.replace(where, base=car, phases=phases, phase_names=PHASE_NAMES)


def effects(found: Ladder) -> dict[str, dict[tuple[str, int], float]]:
    """Change of every symptom's measure by (knob, steps), in felt differences, more is better."""
    result: dict[str, dict[tuple[str, int], float]] = {}
    for rung in found.rungs:
        place = rung.knob, rung.steps
        result.setdefault(found.symptom.key, {})[place] = rung.cure / found.symptom.felt
        for side in rung.side_effects:
            result.setdefault(side.symptom, {})[place] = side.change
    return result


def fleet(seed: int = 5, **values: float) -> np.ndarray:
    """Plausible cars; load sensitivity in five steps, for each new one costs a table."""
    cars = random_cars(seed, COUNT)
    column = SLOT["load_sensitivity"]
    cars[:, column] = np.round(cars[:, column] / 0.05) * 0.05
    return put(cars, **values)


Asked = list[tuple[Ladder, dict[str, dict[tuple[str, int], float]]]]


def ask(cars: np.ndarray, symptom: str) -> Asked:
    found = [ladder(of_car(car), (), None, symptom) for car in cars]
    return [(one, effects(one)) for one in found]


def cured(asked: Asked, symptom: str, knob: str, steps: int, shown: bool = False, fewest: int = 100) -> float:
    """Share of the cars (of those whose model shows the symptom asked of) on which this swap goes the right way."""
    chosen = [changes for one, changes in asked if not shown or one.now < 0.0]
    assert len(chosen) >= fewest, f"only {len(chosen)} cars"
    result = float(np.mean([changes[symptom][knob, steps] > 0 for changes in chosen]))
    print(
        f"{symptom}{' where it shows' if shown else ''}, {knob} {steps:+d}: {100 * result:.1f} % of {len(chosen)} cars"
    )
    return result


@pytest.fixture(scope="module")
def usual() -> Asked:
    return ask(fleet(grip=1.2), "inner-rear-lifts")


@pytest.fixture(scope="module")
def rear_up() -> Asked:
    """High grip, and the roll stiffness moved to the rear: where a wheel lifts, it is the inner rear."""
    cars = changed(fleet(grip=2.0), rear_bar_rate=3.0, rear_spring_rate=1.3, front_bar_rate=0.4)
    return ask(cars[:80], "inner-rear-lifts")


@pytest.fixture(scope="module")
def front_up() -> Asked:
    """High grip, and the roll stiffness moved to the front."""
    return ask(changed(fleet(grip=1.8), front_bar_rate=2.0, rear_bar_rate=0.6)[:80], "inner-front-lifts")


@pytest.fixture(scope="module")
def slippery() -> Asked:
    """Low grip on rough ground."""
    return ask(fleet(grip=0.7, roughness=2e-6), "hairpin-push")


@pytest.mark.parametrize("lifting", ["rear", "front"])
def test_an_inner_wheel_about_to_lift_asks_for_stiffness_at_the_other_end(lifting, usual):
    """Common practice, no source: a stiffer bar or spring at the other end or a softer bar at its own cures it, a
    stiffer one at its own spoils it: every car by its bars, 99 % by springs, but a stiffer front spring spoils the
    inner front under power on 91 % only: it also holds the front down. Catches ends exchanged, transfer by bars
    alone; the opposite change is the control."""
    symptom, other = f"inner-{lifting}-lifts", OTHER[lifting]
    assert cured(usual, symptom, f"{other}_bar", 1) == cured(usual, symptom, f"{lifting}_bar", -1) == 1.0
    assert cured(usual, symptom, f"{lifting}_bar", 1) == 0.0
    assert cured(usual, symptom, f"{other}_spring", 1) > 0.96
    own = cured(usual, symptom, f"{lifting}_spring", 1)
    assert own < (0.02 if lifting == "rear" else 0.13)


@pytest.mark.parametrize("lifting", ["rear", "front"])
def test_an_inner_wheel_that_is_up_asks_for_the_same(lifting, rear_up, front_up):
    """As above where the model shows the wheel up: every car by its bars. Catches a measure that stands still once the
    wheel is up. Springs at the other end agree too; a stiffer front spring under power does not: it helps most of these
    cars, for it holds the front down and their bars are thick."""
    asked, symptom, other = rear_up if lifting == "rear" else front_up, f"inner-{lifting}-lifts", OTHER[lifting]
    assert cured(asked, symptom, f"{other}_bar", 1, True, 15) == 1.0
    assert cured(asked, symptom, f"{lifting}_bar", -1, True, 15) == 1.0
    assert cured(asked, symptom, f"{lifting}_bar", 1, True, 15) == 0.0
    assert cured(asked, symptom, f"{other}_spring", 1, True, 15) > 0.9
    cured(asked, symptom, f"{lifting}_spring", 1, True, 15)


def test_low_grip_push_asks_for_a_softer_front_first(slippery):
    """Common practice, no source: a softer front helps every car that pushes in the hairpin, and does more than a
    softer rear on 76 %. Catches a balance of the wrong sign or of the wrong axle. Control: stiffer. Practice softens
    the whole car; the model says so of the rear bar on 78 % only."""
    push = "hairpin-push"
    for key in (push, "power-push"):
        assert cured(slippery, key, "front_bar", -1, True, 50) > 0.95
        assert cured(slippery, key, "front_bar", 1, True, 50) < 0.05
    first = [c[push]["front_bar", -1] > c[push]["rear_bar", -1] for one, c in slippery if one.now < 0.0]
    print(f"front before rear: {100 * np.mean(first):.1f} %")
    assert np.mean(first) > 0.7
    assert 0.7 < cured(slippery, push, "rear_bar", -1, True, 50) < 0.9


@pytest.mark.parametrize("end", list(OTHER))
def test_bumps_ask_for_thinner_bars_and_response_for_thicker(end, slippery):
    """Common practice, no source. Catches a disturbance of the wrong sign, or one end left out. Control: thicker."""
    assert cured(slippery, "skips", f"{end}_bar", -1) == 1.0
    assert cured(slippery, "skips", f"{end}_bar", 1) == 0.0
    for key, steps in (("slow", 1), ("turn-in-nervous", -1)):
        assert cured(slippery, key, f"{end}_bar", steps) > 0.95
        assert cured(slippery, key, f"{end}_bar", -steps) < 0.05


@pytest.mark.parametrize("name", DEMO)
def test_directions_on_the_demo(name):
    """Catches directions that hold on drawn cars and not on the cars of the demo."""
    space = load_study(CONFIGS / f"{name}.toml").space
    found = ladder(space, resolve_limits(space), None, "inner-rear-lifts")
    change = effects(found)
    rear, front = change["inner-rear-lifts"], change["inner-front-lifts"]
    assert rear["front_bar", 1] > 0 > rear["rear_bar", 1] and rear["rear_bar", -1] > 0 > rear["rear_spring", 1]
    assert front["rear_bar", 1] > 0 > front["front_bar", 1] and front["front_bar", -1] > 0 > front["front_spring", 1]
    assert change["hairpin-push"]["front_bar", -1] > 0 and change["power-push"]["front_bar", -1] > 0
    assert change["entry-loose"]["front_bar", 1] > 0
    assert min(change["skips"][f"{end}_bar", -1] for end in OTHER) > 0
    assert found.phases == Roles("exit", "entry", "entry", "hairpin", "sweep", space.phase_names)


def test_phases_are_found_by_what_they_ask_not_by_name():
    """Catches a phase taken by its name, or longitudinal demand read from one of its two columns only."""
    phases = np.array(
        [
            [2.0, 0.0, 0.6, 0.0, 0.25, 1.0, 1.0],  # 0.25 * 1.2 g = 2.94 m/s2
            [3.0, 0.0, 0.6, 3.2, 0.0, 1.0, 0.0],
            [0.8, 0.0, 0.6, 0.0, 0.0, 1.0, 0.0],
            [5.0, 4.0, 0.0, -1.0, 0.1, 1.0, 0.0],  # 0.18 m/s2: forward after all
        ]
    )
    car = put(random_cars(1, 1), grip=1.2)[0]
    space = dataclasses.replace(of_car(car, phases), phase_names=("entry", "hairpin", "sweep", "exit"))
    roles = roles_of(space)
    assert (roles.power, roles.braking, roles.entry, roles.hairpin, roles.sweep) == (
        "hairpin",
        "",
        "entry",
        "sweep",
        "exit",
    )
    slower = dataclasses.replace(space, base=put(car[None], grip=0.9)[0])
    assert roles_of(slower).braking == roles_of(slower).entry == "exit"
    found = ladder(space, (), None, "power-push")
    assert found.symptom.measure == "balance in hairpin, positive rotates"


def test_wheel_margin_falls_all_the_way_as_the_corner_asks_more():
    """Catches a measure that stands still once the wheel is up (the load alone does: the control), one that jumps where
    the wheel lifts, and the wrong margin for the wheel that lifts second."""
    grips = np.linspace(0.6, 3.6, 61)
    for car in random_cars(9, 8):
        car = put(car[None], load_sensitivity=0.2)
        answers = Answers(np.concatenate([put(car, grip=grip) for grip in grips]))
        phases = ("sweep",)
        for end in OTHER:
            measure = inner_wheel_margin(answers.__getitem__, end, phases)
            assert (np.diff(measure) < 0).all()
            assert measure[0] > 0 > measure[-1]
            load = answers[f"sweep.{end}_inner_load_n"]
            assert (np.diff(load) == 0).any() and ((measure > 0) == (load > 1e-6)).all()
        first = np.where(answers["sweep.lift_axle"] == 1, "rear", "front")[-1]
        up = answers["sweep.lift_margin_pct"] < 0
        measure = inner_wheel_margin(answers.__getitem__, str(first), phases)
        np.testing.assert_allclose(measure[up], answers["sweep.lift_margin_pct"][up])
        over = answers["sweep.rollover_margin_pct"] < 0
        second = inner_wheel_margin(answers.__getitem__, OTHER[str(first)], phases)
        np.testing.assert_allclose(second[over], answers["sweep.rollover_margin_pct"][over])
        both = inner_wheel_margin(answers.__getitem__, "rear", ("sweep", "exit"))
        alone = [inner_wheel_margin(answers.__getitem__, "rear", (phase,)) for phase in ("sweep", "exit")]
        np.testing.assert_array_equal(both, np.minimum(*alone))


FORMULAS = {"lag_ms": lambda p: 60 - 4 * p[:, 0] - 0.05 * p[:, 1] + 3 * p[:, 2], "bite_pct": lambda p: 2 * p[:, 0]}


def test_rungs_are_ranked_by_cure_per_minute(use_model):
    """Catches ranking by cure alone, a third step or none of two, a change too small to feel called a cure, and a side
    effect of the wrong sign or unit."""
    use_model(FORMULAS)
    knobs = [
        toy.knob(0, (0, 2, 1, 3), minutes=8.0),
        toy.knob(1, range(9), minutes=0.5),
        toy.knob(2, (0.0, 10.0), continuous=True, minutes=2.0),
    ]
    where = toy.space(knobs, baseline=(0.0, 4.0, 1.0), limits=[Limit("bite_pct", "at_most", 3.0)])
    found = ladder(where, resolve_limits(where), None, "slow")
    rungs = {(rung.knob, rung.steps): rung for rung in found.rungs}
    assert set(rungs) == {("k0", 1), ("k0", 2), ("k1", -2), ("k1", -1), ("k1", 1), ("k1", 2), ("k2", -1), ("k2", -2)}
    order = [(rung.knob, rung.steps) for rung in found.rungs]
    assert order[:4] == [("k2", -2), ("k0", 2), ("k2", -1), ("k0", 1)]
    assert [rungs[place].cure for place in order[:4]] == pytest.approx([3.0, 8.0, 1.5, 4.0])
    assert rungs["k0", 2].cure_per_minute == pytest.approx(1.0) and rungs["k0", 2].new == "2"
    assert [rung.cures for rung in found.rungs] == [True] * 4 + [False] * 4
    assert rungs["k1", 1].cure == pytest.approx(0.05) and rungs["k1", -2].cure == pytest.approx(-0.1)
    besides = {side.symptom: side.change for side in rungs["k0", 2].side_effects}
    assert besides["turn-in-nervous"] == pytest.approx(-4 / 3)
    assert rungs["k0", 2].broken and not rungs["k0", 1].broken and found.broken_now == ()
    assert rungs["k0", 1].share == 1.0 and rungs["k1", -1].share == 0.0
    assert found.now == pytest.approx(-(60 - 0.2 + 30)) and "4 of 8" in found.message
    from_there = ladder(where, (), np.array([3.0, 4.0, 1.0]), "slow")
    assert {rung.steps for rung in from_there.rungs if rung.knob == "k0"} == {-1, -2}


def test_what_cannot_be_had_is_named(use_model):
    """Catches a forbidden or unanswered swap offered, or dropped without a word."""
    use_model(FORMULAS, valid=lambda p: p[:, 1] < 2)
    knobs = [toy.knob(0, (0, 1, 2)), toy.knob(1, (0, 1, 2))]
    where = toy.space(knobs, baseline=(1.0, 1.0), rules=[Rule("too soft", (("k0", ("0",)),))])
    where = dataclasses.replace(where, phases=np.array([[2.0, 0.0, 0.5, 0.0, 0.0, 1.0, 1.0]]))
    found = ladder(where, (), None, "slow")
    assert {(rung.knob, rung.new) for rung in found.rungs} == {("k0", "2"), ("k1", "0")}
    assert len(found.left_out) == 2
    assert found.left_out[0] == "k0 to 0: a rule forbids it (too soft)"
    assert found.left_out[1].startswith("k1 to 2: the model has no answer")
    with pytest.raises(ModelError, match="current setup"):
        ladder(where, (), np.array([1.0, 2.0]), "slow")


def test_symptoms_a_study_cannot_have_say_why(use_model):
    """Catches a symptom answered from a phase that is not there, and an answer of no cure left to be guessed."""
    use_model(FORMULAS)
    where = toy.space([toy.knob(1, (0, 1, 2))], baseline=(1.0,))
    with pytest.raises(SpaceError, match="no phase of this study asks for forward acceleration"):
        ladder(where, (), None, "power-push")
    with pytest.raises(SpaceError, match="no bumps"):
        ladder(where, (), None, "skips")
    with pytest.raises(SpaceError, match="none is the turn-in"):
        ladder(where, (), None, "entry-loose")
    with pytest.raises(SpaceError, match="known: inner-rear-lifts, "):
        ladder(where, (), None, "wobbles")
    found = ladder(where, (), None, "slow")
    assert len(found.not_asked) == 6 and not any(rung.cures for rung in found.rungs)
    assert "no change cures it: none of 2 moves it the right way by more than 0.25 ms" in found.message
    assert len({key for key, _ in SYMPTOMS}) == 14


def test_over_scenarios_the_mean_and_the_share_are_weighted(monkeypatch):
    """Catches plain means, a share of scenarios counted instead of weighed, and a scenario without an answer whose
    zeros are averaged in."""

    def model(parameters, phases, slots, factor, offset):
        columns = metric_columns(toy.PHASES)
        values = np.zeros((len(factor), len(parameters), len(columns)))
        push = factor[:, :1] if len(slots) else np.ones((1, 1))
        values[:, :, columns.index("lag_ms")] = 50 - push * parameters[None, :, 0]
        valid = ~((push > 5) & (parameters[None, :, 0] > 1.5))
        return np.where(valid[:, :, None], values, 0.0), valid

    monkeypatch.setattr("explorer.study.everything.evaluate.evaluate_parameters", model)
    where = toy.space([toy.knob(0, (0, 1, 2), minutes=2.0)], baseline=(1.0,))
    cases = Scenarios(np.array([3]), np.array([[4.0], [-1.0], [6.0]]), np.zeros((3, 1)), np.array([0.5, 0.3, 0.2]))
    found = ladder(where, (), None, "slow", cases)
    rungs = {rung.new: rung for rung in found.rungs}
    assert rungs["0"].cure == pytest.approx(-(0.5 * 4 - 0.3 + 0.2 * 6)) and rungs["0"].share == pytest.approx(0.3)
    assert rungs["2"].cure == pytest.approx((0.5 * 4 - 0.3) / 0.8) and rungs["2"].share == pytest.approx(0.5 / 0.8)
    assert (rungs["2"].unanswered, rungs["0"].unanswered, found.scenarios, found.unanswered) == (1, 0, 3, 0)
    assert rungs["2"].cure_per_minute == pytest.approx(rungs["2"].cure / 2)


def test_what_cures_in_few_scenarios_is_no_cure(monkeypatch):
    """Catches a swap put first for its mean, which one scenario in five makes; the same swap in most is the control."""

    def model(parameters, phases, slots, factor, offset):
        columns = metric_columns(toy.PHASES)
        values = np.zeros((len(factor), len(parameters), len(columns)))
        push = factor[:, :1] if len(slots) else np.ones((1, 1))
        values[:, :, columns.index("lag_ms")] = 50 - push * parameters[None, :, 0]
        return values, np.ones(values.shape[:2], dtype=bool)

    monkeypatch.setattr("explorer.study.everything.evaluate.evaluate_parameters", model)
    where = toy.space([toy.knob(0, (0, 1), minutes=2.0)], baseline=(0.0,))
    for weight, cures in ((0.2, False), (0.6, True)):
        shares = np.array([weight, 1.0 - weight])
        cases = Scenarios(np.array([3]), np.array([[100.0], [-1.0]]), np.zeros((2, 1)), shares)
        (rung,) = ladder(where, (), None, "slow", cases).rungs
        assert rung.cure > 10.0 and rung.share == pytest.approx(weight) and rung.cures is cures


BOTH = {
    "lag_ms": lambda p: 60 - 4 * p[:, 0] - 3 * p[:, 1],
    "bite_pct": lambda p: 20 - 2 * p[:, 0] + 5 * p[:, 1],
    "clearance_mm": lambda p: 10 + p[:, 0] * p[:, 1] - 2 * np.maximum(p[:, 0], p[:, 1]),
}


def both_ends(**more: object) -> Space:
    knobs = [
        dataclasses.replace(toy.knob(k, (0, 1, 2), minutes=4.0), name=name)
        for k, name in enumerate(("front_bar", "rear_bar"))
    ]
    return toy.space(knobs, baseline=(1.0, 1.0), **more)


def test_the_same_part_at_both_ends_is_one_change(use_model):
    """By hand, from one level up: lag 60 - 4 f - 3 r. Catches both ends left out, moved apart, or at one end's
    minutes."""
    use_model(BOTH)
    found = ladder(both_ends(), (), None, "slow")
    rungs = {(rung.knob, rung.steps): rung for rung in found.rungs}
    assert len(rungs) == 6
    both = rungs["front_bar and rear_bar", 1]
    assert both.cure == pytest.approx(7.0) and both.minutes == 8.0 and both.positions.tolist() == [2.0, 2.0]
    assert both.swaps == (("front_bar", "1", "2"), ("rear_bar", "1", "2")) and both.first and both.cures
    assert not rungs["front_bar", 1].first
    ruled = both_ends(rules=[Rule("not both", (("front_bar", ("2",)), ("rear_bar", ("2",))))])
    left_out = ladder(ruled, (), None, "slow").left_out
    assert left_out == ("front_bar to 2 and rear_bar to 2: a rule forbids it (not both)",)


def test_raising_one_end_dips_the_other_and_raising_both_does_not():
    """The car of the turf plan stands level: at entry its nose is lowest, at the exit its tail, within 0.1 mm. Raising
    one end turns the body about the other axle, and what hangs over that axle comes down; 2 mm at both ends give 2 mm.
    Catches both ends left out, where every single move reads as worse."""
    space = load_study(CONFIGS / "plan_turf.toml").space
    found = ladder(space, (), None, "touches")
    rungs = {(rung.knob, rung.steps): rung for rung in found.rungs}
    heights = "front_ride_height_mm", "rear_ride_height_mm"
    for name in heights:
        assert -0.5 < rungs[name, 1].cure < 0.0 and rungs[name, -1].cure < -1.5
    both = rungs[" and ".join(heights), 1]
    assert both.cure == pytest.approx(2.1, abs=0.3) and both.cures and both.first and found.rungs[0] is both


def test_several_symptoms_are_asked_together(use_model):
    """By hand: lag per step falls by 4 and 3, five milliseconds are felt; bite falls by 2 and rises by 5, three per
    cent are felt. Catches the last symptom alone, units added up, and a cure of one that spoils another."""
    use_model(BOTH)
    found = ladder(both_ends(), (), None, ("slow", "turn-in-nervous", "slow"))
    rungs = {(rung.knob, rung.steps): rung for rung in found.rungs}
    assert rungs["front_bar", 1].cure == pytest.approx(4 / 5 + 2 / 3) and rungs["front_bar", 1].cures
    assert rungs["rear_bar", 1].cure == pytest.approx(3 / 5 - 5 / 3) and not rungs["rear_bar", 1].cures
    side = {one.symptom: one.change for one in rungs["rear_bar", 1].side_effects}
    assert side["slow"] == pytest.approx(3 / 5) and side["turn-in-nervous"] == pytest.approx(-5 / 3)
    assert found.symptom.key == "slow + turn-in-nervous" and "slow to respond; the car is nervous" in found.message
    assert [(rung.knob, rung.steps) for rung in found.rungs if rung.cures] == [("front_bar", 1)]
    with pytest.raises(SpaceError, match="no bumps"):
        ladder(both_ends(), (), None, ("slow", "skips"))


def test_the_time_left_ranks_by_effect_and_keeps_what_everybody_does_first(use_model):
    """Catches a change offered that takes longer than there is, the ranking by minute kept, and the usual first move
    dropped without a word where there is no time for it, or where it is no cure."""
    use_model(BOTH)
    whole = ladder(both_ends(), (), None, "slow", minutes=8.0)
    assert [(rung.knob, rung.steps) for rung in whole.rungs if rung.cures] == [
        ("front_bar and rear_bar", 1),
        ("front_bar", 1),
        ("rear_bar", 1),
    ]
    assert ladder(both_ends(), (), None, "slow").rungs[0].cure == pytest.approx(4.0)
    short = ladder(both_ends(), (), None, "slow", minutes=7.0)
    assert {rung.knob for rung in short.rungs} == {"front_bar", "rear_bar"} and short.too_long == 1
    assert short.left_out == (
        "front_bar to 2 and rear_bar to 2: what everybody does first takes 8 minutes, and 7 are left",
    )
    (first,) = [rung for rung in ladder(both_ends(), (), None, "grip-falls-off").rungs if rung.first]
    assert first.knob == "front_bar and rear_bar" and first.steps == -1 and not first.cures


@pytest.mark.parametrize("name", DEMO)
def test_every_symptom_has_a_first_move_on_the_demo(name):
    """Catches a usual first move that names a knob or a step which no study has; the softer rear bar for a lifting
    inner rear is always among the rungs."""
    space = load_study(CONFIGS / f"{name}.toml").space
    for key, _ in SYMPTOMS:
        found = ladder(space, (), None, key)
        first = [(rung.knob, rung.steps) for rung in found.rungs if rung.first]
        assert len(first) + sum("everybody" in text or "rule" in text for text in found.left_out) >= 1, key
        if key == "inner-rear-lifts":
            assert first == [("rear_bar", -1)]


def test_directions_of_the_newer_words_on_the_demo():
    """Common practice, no source: a stiffer front bar calms a car that is loose in the sweep or on power, and a softer
    one helps it to turn in. Catches a balance of the wrong sign or phase."""
    space = load_study(CONFIGS / "2wd_turf.toml").space
    change = effects(ladder(space, (), None, "entry-push"))
    assert change["sweep-loose"]["front_bar", 1] > 0 > change["sweep-loose"]["front_bar", -1]
    assert change["power-loose"]["front_bar", 1] > 0 and change["entry-push"]["front_bar", -1] > 0
    for loose, pushes in (("entry-loose", "entry-push"), ("power-loose", "power-push")):
        for place, value in change[loose].items():
            assert value == pytest.approx(-change[pushes][place])
