"""Balance at the lateral acceleration asked for, and the response near straight ahead, on plausible cars.

Balance is worked out again by hand from the loads and inclinations that the model tells; the rest is what drivers say
of bars and of grip (common practice, no source), each with the control that would catch the wrong model.
"""

from __future__ import annotations

import numpy as np
import pytest
from cars import DEG, PHASE_NAMES, Answers, changed, corner_phases, put, random_cars

from explorer.model.car.car import G
from explorer.model.car.slots import SLOT, WISHBONE

ENDS = ("front", "rear")


@pytest.fixture(scope="module")
def cars() -> np.ndarray:
    """400 cars on links, smooth ground, every bar in place."""
    links = {f"{end}_{name}": value for end in ENDS for name, value in (("tyre_crown", 0.03), ("wheel_inertia", 3e-5))}
    return put(random_cars(31, 400), axle_law=WISHBONE, **links)


@pytest.fixture(scope="module")
def before(cars: np.ndarray) -> Answers:
    return Answers(cars)


def balance_by_hand(cars: np.ndarray, answers: Answers, phase: np.ndarray, name: str) -> np.ndarray:
    """Capacity over demand, front less rear, from the told loads and inclinations. [%] Shape (cars,)."""

    def of(slot: str) -> np.ndarray:
        return cars[:, SLOT[slot]]

    level = of("grip") * G
    lateral, along = phase[2] * level, phase[4] * level
    shares = of("front_weight_share"), 1.0 - of("front_weight_share")
    drive = of("front_drive_share") if phase[4] > 0.0 else of("front_brake_share")
    forces = of("mass") * along * drive, of("mass") * along * (1.0 - drive)
    capacity, moment = [], np.zeros(len(cars))
    for end, force in zip(ENDS, forces, strict=True):
        loads = np.array([answers[f"{name}.{end}_{side}_load_n"] for side in ("inner", "outer")])
        leans = np.array([answers[f"{name}.{end}_{side}_inclination_deg"] for side in ("inner", "outer")]) * DEG
        off = (leans - of(f"{end}_best_lean")) / of(f"{end}_lean_width")
        ratio = of("front_grip_ratio") if end == "front" else 1.0
        level_force = (
            of("grip") * ratio * of("reference_load") * (loads / of("reference_load")) ** (1.0 - of("load_sensitivity"))
        )
        peak = (level_force / (1.0 + off**2)).sum(axis=0)
        used = force / of("longitudinal_grip_ratio")
        capacity.append(np.sqrt(np.maximum(peak**2 - used**2, 0.0)))
        shift = of("patch_shift") * np.tanh(leans / of("patch_lean"))
        moment -= force * (loads * shift).sum(axis=0) / loads.sum(axis=0)
    found = []
    for sign, share, held in zip((-1.0, 1.0), shares, capacity, strict=True):
        straight = of("mass") * lateral * share
        found.append(held / np.maximum(straight + sign * moment / of("wheelbase"), 0.1 * straight))
    return 100.0 * (found[0] - found[1])


@pytest.mark.parametrize("patch_shift", [0.003, 0.3])
def test_balance_is_capacity_over_demand_where_the_car_is(cars: np.ndarray, patch_shift: float) -> None:
    """Catches limits in place of reserves, an end's tyre constants at the other end, a push of the wrong sign, and a
    demand of nothing divided by (a patch shift of 0.3 m: the drive turns some cars by itself). Seen red: the
    difference of limits; `front_best_lean` at both ends; the floor left out."""
    rng = np.random.default_rng(5)
    unlike = cars.copy()
    for name, low, high in (("best_lean", 0.0, 8.0 * DEG), ("lean_width", 6.0 * DEG, 20.0 * DEG)):
        for end in ENDS:
            unlike[:, SLOT[f"{end}_{name}"]] = rng.uniform(low, high, len(cars))
    unlike = put(unlike, patch_shift=patch_shift, front_grip_ratio=0.95)
    phases = corner_phases(0.75)
    answers = Answers(unlike, phases)
    for name, phase in zip(PHASE_NAMES, phases, strict=True):
        stands = answers.valid & (answers[f"{name}.state"] < 2)
        assert stands.mean() > 0.8
        expected = balance_by_hand(unlike, answers, phase, name)
        np.testing.assert_allclose(answers[f"{name}.balance_pct"][stands], expected[stands], rtol=1e-8, atol=1e-7)
        assert np.isfinite(answers.values).all()


@pytest.mark.parametrize("phase", PHASE_NAMES)
def test_a_stiffer_front_pushes_and_a_stiffer_rear_rotates(cars: np.ndarray, phase: str) -> None:
    """Every car whose wheels are down, leaning without effect: balance falls with the front bar and rises with the
    rear one. Control: with no load sensitivity, the transfer costs nothing and next to nothing moves."""
    flat = put(cars, front_lean_width=1e6, rear_lean_width=1e6, patch_shift=0.0)
    even = put(flat, load_sensitivity=1e-12)
    name = f"{phase}.balance_pct"
    start, still = Answers(flat), Answers(even)
    for end, sign in (("front", -1.0), ("rear", 1.0)):
        bar = {f"{end}_bar_rate": 1.4}
        after = Answers(changed(flat, **bar))
        down = (start[f"{phase}.state"] == 0) & (after[f"{phase}.state"] == 0)
        moved = sign * (after[name] - start[name])[down]
        assert down.sum() > 200 and (moved > 0.0).all()
        control = (Answers(changed(even, **bar))[name] - still[name])[down]
        assert np.median(np.abs(control)) < 0.1 * np.median(moved)


@pytest.mark.parametrize("end", ENDS)
@pytest.mark.parametrize("radius", [2.0, 0.5])
def test_every_stiffer_bar_is_felt_sooner(cars: np.ndarray, end: str, radius: float) -> None:
    """At 3 m/s less lag on every car, and more bite by share and in newtons unless the body swings (damping ratio below
    0.2), also where an inner wheel is up or the car on its side by the time the corner asks for all. Catches a response
    about that point. Seen red: the state asked for in place of the upright one."""
    phases = corner_phases(0.8)
    phases[2] = [radius, 3.0, 0.0, 0.0, -0.2, 1.0, 1.0]
    start, after = Answers(cars, phases), Answers(changed(cars, **{f"{end}_bar_rate": 1.4}), phases)
    assert radius > 1.0 or (start["entry.state"] > 0).mean() > 0.5
    good = start.valid & (start["response_state"] == 0) & (after["response_state"] == 0)
    assert good.mean() > 0.99
    assert (after["lag_ms"] < start["lag_ms"])[good].all()
    calm = good & (after["roll_damping_ratio"] > 0.2)
    assert calm.mean() > 0.7
    for name in ("bite_pct", "bite_n"):
        assert (after[name] > start[name])[calm].all(), name


def test_the_response_knows_the_speed_but_not_how_tight_the_corner_is(cars: np.ndarray) -> None:
    """The same speed on half the radius asks for twice the side force: lag, bite and damping stay, and the bite in
    newtons doubles. Catches a working point in the corner, and newtons per steer."""
    wide = corner_phases(0.8)
    wide[2] = [2.0, 3.0, 0.0, 0.0, 0.0, 1.0, 1.0]
    tight = wide.copy()
    tight[2, 0] = 1.0
    one, other = Answers(cars, wide), Answers(cars, tight)
    for name in ("lag_ms", "bite_pct", "roll_damping_ratio"):
        np.testing.assert_allclose(other[name], one[name], rtol=1e-12)
    stable = one["response_state"] == 0
    assert stable.mean() > 0.95
    np.testing.assert_allclose(other["bite_n"][stable], 2.0 * one["bite_n"][stable], rtol=1e-12)


def test_stiffness_goes_with_grip_by_its_exponent(cars: np.ndarray) -> None:
    """Half the grip at an exponent of 0.5 is the car with all three stiffnesses times `0.5^0.5` at the same speed.
    Catches one stiffness left out and an exponent of the wrong sign."""
    phases = corner_phases(0.8)
    phases[:, 1] = np.sqrt(phases[:, 0] * 4.0)
    slick = Answers(put(cars, grip=0.5, stiffness_grip_exponent=0.5), phases)
    soft = changed(cars, **{f"{end}_cornering_stiffness": 0.5**0.5 for end in ENDS}, camber_stiffness=0.5**0.5)
    same = Answers(put(soft, grip=0.5, stiffness_grip_exponent=0.0), phases)
    for name in ("lag_ms", "bite_pct", "bite_n"):
        np.testing.assert_allclose(slick[name], same[name], rtol=1e-9)


def test_low_grip_bites_less_in_newtons(cars: np.ndarray) -> None:
    """From carpet (1.8) to a polished floor (0.5), each corner at its share of the grip: every car bites less in
    newtons, though the lag in milliseconds is shorter: half as much, near enough. Control: with stiffness that does not
    go with grip hardly any less, and some more."""
    lost = {}
    for exponent in (0.5, 0.0):
        grippy, slick = (Answers(put(cars, grip=g, stiffness_grip_exponent=exponent)) for g in (1.8, 0.5))
        both = (grippy["response_state"] == 0) & (slick["response_state"] == 0)
        lost[exponent] = 1.0 - (slick["bite_n"] / np.where(both, grippy["bite_n"], 1.0))[both]
        assert both.mean() > 0.9
        if exponent:
            assert (slick["lag_ms"] < grippy["lag_ms"])[both].mean() > 0.9
    assert (lost[0.5] > 0.0).all() and 0.3 < np.median(lost[0.5]) < 0.5
    assert np.median(lost[0.0]) < 0.15 and (lost[0.0] < 0.0).any()
