"""What drivers say of bars, on the demo's two cars. Common practice, no source; each test takes the effect away too.

The cars, surfaces and baselines are those under `configs/`. "Softer" is 0.7 times the bar's rate at that end.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
import scipy.optimize
from cars import Answers, changed, put

from explorer.domain.space import Space
from explorer.inputs.load import load_study
from explorer.model.car.slots import BEAM, SLOT

CONFIGS = Path(__file__).parents[2] / "configs"
CARPET = {"2wd": "demo", "4wd": "4wd_carpet"}
SOFTER = 0.7


def study(name: str) -> Space:
    return load_study(CONFIGS / f"{name}.toml").space


def car_of(space: Space) -> np.ndarray:
    """Parameter vector of the baseline. Shape (1, slots)."""
    return space.parameters(np.array([space.baseline]))


def change(space: Space, car: np.ndarray, metric: str, **factors: float) -> float:
    """How much a metric moves when slots are multiplied."""
    before = Answers(car, space.phases, space.phase_names)
    after = Answers(changed(car, **factors), space.phases, space.phase_names)
    assert before.valid.all() and after.valid.all()
    return float(after[metric][0] - before[metric][0])


def upright(car: np.ndarray) -> np.ndarray:
    """The same car without what leaning does to its tyres."""
    return put(car, front_lean_width=1e6, rear_lean_width=1e6, patch_shift=0.0)


@pytest.mark.parametrize("kind", CARPET)
def test_softer_front_is_lazier_but_grips_in_the_middle(kind: str) -> None:
    """A softer front bar: less bite and more lag, yet more front from the middle of the corner on. Control: on tyres
    that mind neither load nor lean there is next to nothing of it."""
    space = study(CARPET[kind])
    car = car_of(space)
    softer = {"front_bar_rate": SOFTER}
    assert change(space, car, "bite_pct", **softer) < 0 < change(space, car, "lag_ms", **softer)
    indifferent = put(upright(car), load_sensitivity=0.001)
    for phase in ("sweep", "hairpin", "exit"):
        assert change(space, car, f"{phase}.balance_pct", **softer) > 0.5
        assert abs(change(space, indifferent, f"{phase}.balance_pct", **softer)) < 0.1


@pytest.mark.parametrize("kind", CARPET)
def test_softer_rear_calms_the_entry_on_turf_and_frees_the_exit_on_carpet(kind: str) -> None:
    """A softer rear bar: on pins the entry less keen to come round and the sweep towards push; on carpet, whose rears
    mind lean, the exit and the hairpin towards the front. Control: without lean effects carpet pushes all over too."""
    softer = {"rear_bar_rate": SOFTER}
    turf = study(f"{kind}_turf")
    for phase in ("entry", "sweep"):
        assert change(turf, car_of(turf), f"{phase}.balance_pct", **softer) < -0.1
    space = study(CARPET[kind])
    car = car_of(space)
    for phase in ("exit", "hairpin"):
        assert change(space, car, f"{phase}.balance_pct", **softer) > 0.3
    for phase in space.phase_names:
        assert change(space, upright(car), f"{phase}.balance_pct", **softer) < -0.1


@pytest.mark.parametrize("kind", CARPET)
def test_leaning_on_power_turns_a_rear_driven_car_more(kind: str) -> None:
    """What the shifted contact patch adds to the exit balance when the rear is softened: more with rear drive only than
    with all wheels driven, where the front pulls against it. On beams, for on links the two are nearly alike. Control:
    without the shift both add nothing."""
    space = study(CARPET[kind])
    car = put(car_of(space), axle_law=BEAM)
    softer = {"rear_bar_rate": SOFTER}

    def added(drive: float, shift: float) -> float:
        driven = put(car, front_drive_share=drive)
        with_shift = change(space, put(driven, patch_shift=shift), "exit.balance_pct", **softer)
        return with_shift - change(space, put(driven, patch_shift=0.0), "exit.balance_pct", **softer)

    assert added(0.0, 0.003) > added(0.5, 0.003) > 0
    assert added(0.0, 0.0) == added(0.5, 0.0) == 0.0


def keeping_feel(space: Space, car: np.ndarray, roll: float, balance: float) -> np.ndarray:
    """Factors on the front and rear rates (bar and spring) that give this hairpin roll and balance. Shape (2,)."""

    def miss(log_factors: np.ndarray) -> list[float]:
        front, rear = np.exp(log_factors)
        trial = changed(car, front_bar_rate=front, front_spring_rate=front, rear_bar_rate=rear, rear_spring_rate=rear)
        found = Answers(trial, space.phases, space.phase_names)
        return [float(found["hairpin.roll_deg"][0]) - roll, float(found["hairpin.balance_pct"][0]) - balance]

    solution = scipy.optimize.root(miss, np.log([0.8, 0.8]), tol=1e-8, options={"eps": 1e-6})
    assert np.abs(miss(solution.x)).max() < 1e-7, solution.message
    return np.exp(solution.x)


@pytest.mark.parametrize("kind", CARPET)
def test_lower_grip_asks_for_a_softer_car(kind: str) -> None:
    """The setup that keeps the hairpin's roll and balance is softer as a whole the lower the grip, and at neither end
    clearly stiffer (on these cars the rear takes nearly all of it). Control: where the corner's speed does not follow
    the grip, the roll does not change, so nothing need be softened to keep it."""
    space = study(CARPET[kind])
    car = car_of(space)
    here = Answers(car, space.phases, space.phase_names)
    feel = float(here["hairpin.roll_deg"][0]), float(here["hairpin.balance_pct"][0])
    factors = [keeping_feel(space, put(car, grip=grip), *feel) for grip in (1.85, 1.8, 1.75)]
    assert factors[0] == pytest.approx([1.0, 1.0], abs=1e-6)
    assert (np.diff([np.log(both).mean() for both in factors]) < -0.02).all(), factors
    assert np.max(factors) < 1.05, factors

    fixed = space.phases.copy()
    fixed[:, 1] = np.sqrt(fixed[:, 2] * 1.75 * 9.80665 * fixed[:, 0])
    slow = dataclasses.replace(space, phases=fixed)
    rolls = [
        float(Answers(put(car, grip=grip), slow.phases, slow.phase_names)["hairpin.roll_deg"][0])
        for grip in (1.85, 1.75)
    ]
    assert rolls[0] == pytest.approx(rolls[1], rel=1e-9)


@pytest.mark.parametrize("name", ["2wd_turf", "4wd_turf"])
@pytest.mark.parametrize("end", ["front", "rear"])
def test_rougher_ground_never_asks_for_a_thicker_bar(name: str, end: str) -> None:
    """The thickest bar whose upset stays within a ceiling never grows with roughness, and ends thinner. Control: a
    ceiling that rises with the square root of the roughness lets every bar through that passed before."""
    space = study(name)
    knob = space.knobs[space.knob_index(f"{end}_bar")]
    bars = np.repeat(car_of(space), knob.size, axis=0)
    bars[:, SLOT[f"{end}_bar_rate"]] = [setting[0] for setting in knob.settings]
    start = float(bars[0, SLOT["roughness"]])

    def thickest(times: float, ceiling: float) -> float:
        found = Answers(put(bars, roughness=start * times), space.phases, space.phase_names)
        within = found[f"{end}_bump_upset_m_per_s2"] <= ceiling
        return max((value for value, ok in zip(knob.values, within, strict=True) if ok), default=-1.0)

    upset = Answers(bars, space.phases, space.phase_names)[f"{end}_bump_upset_m_per_s2"]
    ceiling = float(upset[-1]) * (1 + 1e-9)
    steps = np.linspace(1.0, 1.5, 11)
    sizes = [thickest(float(times), ceiling) for times in steps]
    assert (np.diff(sizes) <= 0).all() and sizes[-1] < sizes[0] == knob.values[-1]
    assert {thickest(float(times), ceiling * float(np.sqrt(times))) for times in steps} == {knob.values[-1]}
