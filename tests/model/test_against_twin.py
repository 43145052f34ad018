"""The compiled kernel against the slow independent twin: plain Python, scipy root finding, written from the equations.

Catches any slip in the kernel's algebra, path following, event finding or tables: 1e-8 relative or 1e-9 absolute.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pytest
import twin
from cars import PHASE_NAMES, Answers, corner_phases, frozen_car, frozen_phases

from explorer.model.car.slots import BEAM, PHASE_COLUMNS, SLOT, SLOTS, WISHBONE
from explorer.model.kernel import evaluate_parameters
from explorer.model.metrics import metric_columns

COUNT = 125
"""Setups of four phases each: 500 setup-phases."""
ELSEWHERE = {"beam": set(), "wishbone": {102, 111}}
"""Among these 125, cars that the kernel is known to answer otherwise: on one its second lift (102), on one its first
(111) is found on a branch that the upright car does not reach, in one phase of four each."""


class Compared(NamedTuple):
    """Metrics compared, those that differ, cars left out as their path dips before the first lift, cars that differ,
    cars without an answer."""

    count: int
    different: list[str]
    dipping: set[int]
    differing: set[int]
    unanswered: set[int]

    def told(self) -> str:
        lists = f"dipping {self.dipping}, differing {self.differing}, unanswered {self.unanswered}"
        return "\n".join([lists, *self.different[:40]])


def vector_of(car: dict[str, float], law: str) -> np.ndarray:
    """(1, slots) of a car of the twin. What links alone have is not for beams."""
    made = car | {"axle_law": WISHBONE if law == "wishbone" else BEAM}
    if law == "beam":
        slopes = ("camber_gain_slope", "spring_motion_ratio_slope")
        made |= {f"{end}_{name}": 0.0 for end in twin.ENDS for name in slopes}
    return np.array([[made[name] for name in SLOTS]])


def answered(car: dict[str, float], phases: list[dict[str, Any]], law: str) -> dict[str, float] | None:
    """The kernel's metrics by name, or None where it has none."""
    rows = np.array([[float(phase[name]) for name in PHASE_COLUMNS] for phase in phases])
    none = np.zeros(0, dtype=np.int64)
    values, valid = evaluate_parameters(vector_of(car, law), rows, none, np.ones((1, 0)), np.zeros((1, 0)))
    names = metric_columns(tuple(phase["name"] for phase in phases))
    return dict(zip(names, values[0, 0].tolist(), strict=True)) if valid.all() else None


def unlike(found: dict[str, float], truth: dict[str, float]) -> list[str]:
    """The metrics that differ."""
    assert set(found) == set(truth)
    off = [name for name, value in truth.items() if not np.isclose(found[name], value, rtol=1e-8, atol=1e-9)]
    return [f"{name}: {found[name]!r} against {truth[name]!r}" for name in off]


def dips_early(car: dict[str, float], phases: list[dict[str, Any]], law: str) -> bool:
    """True where lateral acceleration falls on the path of a phase before a wheel lifts."""
    made = twin.make_car(car, law)
    for phase in phases:
        for piece in twin.Corner(made, phase).path.pieces:
            if piece.bearing.front.up or piece.bearing.rear.up:
                break
            if piece.high.a_y < piece.low.a_y:
                return True
    return False


def compare(law: str, seed: int, count: int) -> Compared:
    """So many random cars by the kernel and by the twin."""
    rng = np.random.default_rng(seed)
    all_told = Compared(0, [], set(), set(), set())
    compared = 0
    for number in range(count):
        car, phases = twin.random_car(rng), twin.random_phases(rng)
        found = answered(car, phases, law)
        off = []
        if found is not None:
            truth = twin.solve(car, phases, law)
            compared += len(truth)
            off = unlike(found, truth)
        if (off or found is None) and dips_early(car, phases, law):
            all_told.dipping.add(number)
        elif found is None:
            all_told.unanswered.add(number)
        elif off:
            all_told.differing.add(number)
            all_told.different.extend(f"car {number} {line}" for line in off)
    return all_told._replace(count=compared)


def test_kernel_equals_twin() -> None:
    """A slice for every run, of cars on wishbones."""
    told = compare("wishbone", seed=11, count=3)
    assert told.count > 200 and not told.different and not told.unanswered, told.told()


def test_kernel_answers_beams_as_they_were() -> None:
    """Thirty cars on beam axles as an earlier kernel answered them, by name: a new metric changes nothing here."""
    different = []
    for told, car, phases, before in twin.beams_as_they_were(range(30)):
        found = answered(car, phases, "beam")
        assert found is not None
        different += [f"{told} {line}" for line in unlike({name: found[name] for name in before}, before)]
    assert not different, "\n".join(different[:40])


def test_a_wishbone_axle_without_droop_starts_to_roll_off_its_outer_stop_only() -> None:
    """Both wheels stand on their stops; as a corner begins the inner one stays. Catches a gradient with both free or
    both held (70 % off). Seen red: stops told apart by rounding."""
    rng = np.random.default_rng(12)
    for _ in range(7):
        car, phases = twin.random_car(rng), twin.random_phases(rng)
    assert 0.0 in (car["front_droop"], car["rear_droop"])
    found = answered(car, phases, "wishbone")
    gradient, share = twin.roll_gradient(twin.make_car(car))
    assert found is not None
    assert found["roll_gradient_deg_per_g"] == pytest.approx(np.degrees(gradient) * twin.G, rel=1e-9)
    assert found["front_roll_stiffness_share_pct"] == pytest.approx(100.0 * share, rel=1e-9)


def test_a_path_that_folds_back_to_its_second_lift_ends_on_its_crest() -> None:
    """Lateral acceleration falls by 0.06 % before this car's second wheel lifts, and roll hardly grows. Catches the
    rollover taken at that lift. Seen red: a stretch walked backwards taken for one that rises."""
    rng = np.random.default_rng(12)
    car, phases = twin.random_car(rng), twin.random_phases(rng)
    found = answered(car, phases, "wishbone")
    assert found is not None
    corner = twin.Corner(twin.make_car(car), phases[3])
    rollover = (1.0 + found["exit.rollover_margin_pct"] / 100.0) * corner.required
    assert rollover == pytest.approx(corner.rollover, rel=1e-9)
    assert corner.path.top.slope == pytest.approx(0.0, abs=1e-6)


def test_a_wheel_that_lifts_only_past_the_rollover_is_no_lift() -> None:
    """The path may bend over before the inner wheel leaves the ground: the lift threshold is then the rollover. Catches
    a lift counted beyond the end of the path (3.2 points too low on this car). Seen red: the roll left out of
    `lift_threshold`."""
    cars = frozen_car("lifts past the rollover")
    car = {name: float(cars[0, column]) for name, column in SLOT.items()}
    rows = corner_phases(0.8)
    phases = [
        {"name": name, **dict(zip(PHASE_COLUMNS, map(float, row), strict=True))}
        for name, row in zip(PHASE_NAMES, rows, strict=True)
    ]
    for phase in phases:
        phase["is_turn_in"] = phase["is_turn_in"] > 0.5
    truth, found = twin.solve(car, phases, "beam"), Answers(cars, rows)
    for name in ("sweep.lift_margin_pct", "sweep.lift_axle", "sweep.rollover_margin_pct"):
        assert found[name][0] == pytest.approx(truth[name], rel=1e-8, abs=1e-9), name


def test_a_car_that_rolls_over_at_turn_in_has_the_response_of_one_that_stands() -> None:
    """At the rollover the roll stiffness jumps, and this car would be unstable there: it begins to turn upright all the
    same. Catches the response of the car where it falls. Seen red: the state asked for in place of the upright one."""
    cars, phases = frozen_car("flexible, rolled over at turn-in"), frozen_phases("flexible, rolled over at turn-in")
    truth = twin.solve(dict(zip(SLOTS, map(float, cars[0]), strict=True)), phases, "beam")
    rows = np.array([[float(phase[name]) for name in PHASE_COLUMNS] for phase in phases])
    names = tuple(phase["name"] for phase in phases)
    found = Answers(cars, rows, names)
    assert truth["entry.state"] == 2.0 and truth["response_state"] == 0.0
    for name in ("lag_ms", "bite_pct", "bite_n", "roll_damping_ratio", "response_state", "entry.balance_pct"):
        assert found[name][0] == pytest.approx(truth[name], rel=1e-8, abs=1e-9), name


@pytest.mark.long
@pytest.mark.parametrize("law", ["beam", "wishbone"])
def test_kernel_equals_twin_over_500(law: str) -> None:
    """All 500 setup-phases of a law, but for paths that dip before the first lift."""
    told = compare(law, seed=12, count=COUNT)
    print(told.told())
    assert told.count > 10_000 and len(told.dipping) <= 3
    assert told.differing <= ELSEWHERE[law] and not told.unanswered, told.told()
