"""Derived numbers against closed forms, and slips of unit that must not pass in silence."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from explorer.domain.space import Space
from explorer.model.car.car import car_at
from explorer.model.car.slots import BEAM, PHASE_COLUMNS, SLOT
from explorer.study.everything.evaluate import table_of
from explorer.study.questions.sanity import G, derived, roll_stiffness, suspicions


def numbers(space: Space) -> dict[str, float]:
    found = {one.key: one.value for one in derived(space)}
    assert all(value is not None and math.isfinite(value) for value in found.values())
    return {key: float(value) for key, value in found.items() if value is not None}


def moved(space: Space, **slots: float) -> Space:
    """The space with some parameters of its base set, and no knobs that would set them again."""
    base = space.base.copy()
    for name, value in slots.items():
        base[SLOT[name]] = value
    return dataclasses.replace(space, base=base, knobs=(), baseline=(), references=())


def test_numbers_by_hand(bars_and_springs: Space) -> None:
    """Catches a motion ratio not squared, a bar's share that counts tyres, wheel loads of both sides together."""
    at = {name: float(bars_and_springs.base[slot]) for name, slot in SLOT.items()}
    found = numbers(bars_and_springs)
    for end, share in (("front", at["front_weight_share"]), ("rear", 1.0 - at["front_weight_share"])):
        rate = at[f"{end}_spring_rate"] * at[f"{end}_spring_motion_ratio"] ** 2
        bar = at[f"{end}_bar_rate"] * at[f"{end}_bar_motion_ratio"] ** 2
        tyre = at[f"{end}_tyre_rate"]
        corner = 0.5 * at["mass"] * share - at[f"{end}_unsprung_mass"]
        assert found[f"{end}_wheel_rate_n_per_mm"] == pytest.approx(rate / 1000.0)
        assert found[f"{end}_bar_share_pct"] == pytest.approx(100.0 * bar / (bar + rate))
        assert found[f"{end}_wheel_load_n"] == pytest.approx(0.5 * at["mass"] * share * G)
        series = 1.0 / (1.0 / rate + 1.0 / tyre)
        assert found[f"{end}_ride_frequency_hz"] == pytest.approx(math.sqrt(series / corner) / (2.0 * math.pi))
    loads = found["front_wheel_load_n"] + found["rear_wheel_load_n"]
    assert 2.0 * loads == pytest.approx(at["mass"] * G)


def test_metrics_of_the_model_are_repeated(bars_and_springs: Space) -> None:
    """Catches a second, different roll gradient or front share beside the model's."""
    row = table_of(bars_and_springs, np.array([bars_and_springs.baseline])).row(0)
    found = numbers(bars_and_springs)
    for key in ("roll_gradient_deg_per_g", "front_roll_stiffness_share_pct"):
        assert found[key] == pytest.approx(row[key], rel=1e-12)


def test_roll_frequency_follows_inertia(bars_and_springs: Space) -> None:
    """Catches a frequency without the arm's own inertia, or one that does not fall with the root of inertia."""
    plain = moved(bars_and_springs)
    now = numbers(plain)["roll_frequency_hz"]
    inertia = float(plain.base[SLOT["roll_inertia"]])
    slower = numbers(moved(plain, roll_inertia=4.0 * inertia))["roll_frequency_hz"]
    assert 0.5 * now < slower < now
    # K = (2 pi f)^2 (I + m h^2): two inertias give m h^2, the same stiffness and a positive moment of the arm
    ratio = (now / slower) ** 2
    arm = (4.0 * inertia - ratio * inertia) / (ratio - 1.0)
    third = numbers(moved(plain, roll_inertia=9.0 * inertia))["roll_frequency_hz"]
    assert arm > 0.0
    assert third == pytest.approx(now * math.sqrt((inertia + arm) / (9.0 * inertia + arm)), rel=1e-9)


def test_roll_stiffness_against_the_model(bars_and_springs: Space) -> None:
    """Catches a stiffness that drifts from the model's: the roll gradient is `(m_s h + D)/(K - m_s g h)`, and only the
    direct part `D` is not told; on beams with tyres of steel it is gone and an axle's is half the track squared times
    its rate.
    """
    steel = moved(bars_and_springs, front_tyre_rate=1e12, rear_tyre_rate=1e12, axle_law=BEAM)
    body, *axles = car_at(steel.base)
    for axle in axles:
        rate = 0.5 * axle.track**2 * (axle.wheel_rate + axle.bar_rate)
        assert roll_stiffness(axle) == pytest.approx(rate, rel=1e-6)
    arm = body.sprung_mass * body.roll_arm
    net = sum(map(roll_stiffness, axles)) - arm * G
    assert numbers(steel)["roll_gradient_deg_per_g"] == pytest.approx(math.degrees(arm / net) * G, rel=1e-6)
    stopped = moved(steel, front_droop=0.0)
    row = table_of(stopped, np.zeros((1, 0))).row(0)
    front, rear = map(roll_stiffness, car_at(stopped.base)[1:])
    assert 100.0 * front / (front + rear) == pytest.approx(row["front_roll_stiffness_share_pct"], rel=1e-6)


def test_lift_does_not_hang_on_the_surface(bars_and_springs: Space) -> None:
    """Catches a threshold in shares of grip, or one read in a braking phase: it is where a wheel lifts, whatever the
    grip, and for a rigid suspension it would be half the track over the height."""
    plain = moved(bars_and_springs)
    now = numbers(plain)["lift_threshold_g"]
    assert numbers(moved(plain, grip=1.7))["lift_threshold_g"] == pytest.approx(now, rel=1e-6)
    row = table_of(bars_and_springs, np.array([bars_and_springs.baseline])).row(0)
    sweep = bars_and_springs.phases[bars_and_springs.phase_names.index("sweep")]
    asked = sweep[PHASE_COLUMNS.index("grip_share")] * bars_and_springs.base[SLOT["grip"]]
    assert now == pytest.approx(asked * (1.0 + row["sweep.lift_margin_pct"] / 100.0), rel=1e-6)
    static = 0.5 * float(plain.base[SLOT["front_track"]]) / float(plain.base[SLOT["cg_height"]])
    assert 0.5 * static < now < static
    low = numbers(moved(plain, cg_height=0.036))["lift_threshold_g"]
    assert low > now


def test_outside_its_range_is_said_in_words(bars_and_springs: Space) -> None:
    """Catches a range that nobody looks at, and one that flags the demo car."""
    assert all(one.verdict == "usual" for one in derived(bars_and_springs))
    soft = {one.key: one for one in derived(moved(bars_and_springs, front_spring_rate=70.0))}
    assert soft["front_wheel_rate_n_per_mm"].verdict.startswith("unusually low: mostly 0.06")
    assert soft["rear_wheel_rate_n_per_mm"].verdict == "usual"


def test_no_answer_is_no_number(bars_and_springs: Space) -> None:
    """Catches NaN, zero or a traceback where the car tips over or cannot be modelled."""
    for bad in ({"rear_damping": 0.0}, {"front_spring_rate": 1.0, "rear_spring_rate": 1.0, "cg_height": 0.25}):
        found = derived(moved(bars_and_springs, **bad))
        assert all(one.value is None or math.isfinite(one.value) for one in found)
        for one in found:
            assert (one.value is None) == (one.verdict == "no answer")
            assert one.value is not None or one.note
    assert any(one.value is None for one in derived(moved(bars_and_springs, rear_damping=0.0)))


SLIPS = {
    "wheelbase in inches": ("wheelbase", 0.01114, "in cm"),
    "track in cm": ("front_track", 0.0205, "in cm"),
    "mass in ounces": ("mass", 0.0557, "in ounces"),
    "height a decimal off": ("cg_height", 0.46, "decimal point"),
    "spring in lbf/in": ("rear_spring_rate", 5200.0, "lbf/in"),
    "spring in N/m under N/mm": ("front_spring_rate", 700_000.0, "in N/m"),
    "spring in N/mm under N/m": ("front_spring_rate", 0.7, "under a key in N/m"),
    "tyre a thousand times too stiff": ("rear_tyre_rate", 4_200_000.0, "in N/m"),
    "diameter for radius": ("front_wheel_radius", 0.084, "a diameter"),
    "camber in radians": ("rear_camber", None, ""),
    "inertia in g m2": ("yaw_inertia", 20.0, "a thousand times too big"),
}


@pytest.mark.parametrize("slip", [name for name in SLIPS if SLIPS[name][1] is not None])
def test_slips_of_unit_are_noticed(bars_and_springs: Space, slip: str) -> None:
    """Catches a slip that passes, one put down to another number, and a guess of the wrong unit."""
    slot, value, words = SLIPS[slip]
    assert suspicions(moved(bars_and_springs)) == ()
    found = [one for one in suspicions(moved(bars_and_springs, **{slot: value})) if one.slot == slot]
    assert len(found) == 1 and found[0].hint
    assert words in found[0].hint or slip == "wheelbase in inches", found[0]


def test_levels_of_a_knob_are_looked_at(bars_and_springs: Space) -> None:
    """Catches a look at the baseline only: one spring of the box is typed in lbf/in."""
    column = bars_and_springs.knob_index("front_spring")
    knob = bars_and_springs.knobs[column]
    odd = dataclasses.replace(knob, settings=(*knob.settings[:-1], (6000.0,)))
    knobs = tuple(odd if k == column else one for k, one in enumerate(bars_and_springs.knobs))
    found = suspicions(dataclasses.replace(bars_and_springs, knobs=knobs))
    assert [(one.knob, one.label) for one in found] == [("front_spring", knob.labels[-1])]


def test_a_car_without_bars_is_not_odd(bars_and_springs: Space) -> None:
    """Catches "none" taken for a slip of unit."""
    assert suspicions(moved(bars_and_springs, front_bar_rate=0.0, rear_bar_rate=0.0, ballast_mass=0.0)) == ()


def test_numbers_odd_together(bars_and_springs: Space) -> None:
    """Catches a whole width under half_width, a centre of gravity above three wheels, a track longer than the car."""
    for slots, told in (
        ({"chassis_half_width": 0.109, "front_track": 0.16, "rear_track": 0.16}, "chassis_half_width"),
        ({"cg_height": 0.095, "front_wheel_radius": 0.026, "rear_wheel_radius": 0.026}, "cg_height"),
        ({"wheelbase": 0.215, "front_track": 0.25}, "wheelbase"),
        ({"front_ride_height_reference": 0.044}, "front_ride_height_reference"),
    ):
        assert told in [one.slot for one in suspicions(moved(bars_and_springs, **slots))]


def test_speed_in_km_per_h_is_noticed(bars_and_springs: Space) -> None:
    """Catches 12 km/h typed as 12 m/s round a hairpin, and a plausible speed called odd."""
    phases = bars_and_springs.phases.copy()
    hairpin = bars_and_springs.phase_names.index("hairpin")
    for speed, odd in ((9.0, True), (2.5, False)):
        phases[hairpin, PHASE_COLUMNS.index("speed")] = speed
        found = suspicions(dataclasses.replace(bars_and_springs, phases=phases))
        assert [(one.phase, one.slot) for one in found] == ([(hairpin, "speed")] if odd else [])
        assert not odd or "km/h" in found[0].hint
