"""Numbers that follow from a car and that a racer knows by heart, each with a wide usual range; slips of unit.

The ranges are common practice for 1:10 off-road cars, no source: they are there to catch a wrong unit or a typing
error, not to judge a car. Nothing here refuses anything.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from explorer.domain.space import FloatArray, Space
from explorer.domain.units import to_si
from explorer.model.car.car import G, car_at
from explorer.model.car.slots import PHASE_COLUMNS, SLOT
from explorer.model.kernel import evaluate_with_faults
from explorer.model.metrics import describe, metric_columns
from explorer.study.everything.evaluate import MetricTable, nominal

ENDS = ("front", "rear")


@dataclass(frozen=True)
class Derived:
    """One number that follows from the car. `value`, `low` and `high` are in `unit`; `value` is None where the model
    has no answer, and `note` says more."""

    key: str
    label: str
    unit: str
    value: float | None
    low: float
    high: float
    note: str = ""

    @property
    def usual(self) -> bool:
        """Whether the value lies in the usual range."""
        return self.value is not None and self.low <= self.value <= self.high

    @property
    def verdict(self) -> str:
        """In words: "usual", or how it is not."""
        span = f"{self.low:g} to {self.high:g} {self.unit}".rstrip()
        if self.value is None:
            return "no answer"
        if self.usual:
            return "usual"
        return f"unusually {'low' if self.value < self.low else 'high'}: mostly {span}"


@dataclass(frozen=True)
class Suspicion:
    """A number that looks like a slip of unit or of typing.

    `slot` is the parameter (see `explorer.model.car.slots`) or, with `phase` not negative, the column of that phase;
    `knob` and `label` name the level that holds it, both "" for a number of the car or surface itself.
    """

    slot: str
    found: str
    hint: str
    knob: str = ""
    label: str = ""
    phase: int = -1


@dataclass(frozen=True)
class Usual:
    """Usual range of a parameter, in the unit `suffix`. `zero` is True where 0 says that there is none."""

    low: float
    high: float
    suffix: str
    zero: bool = False


USUAL: dict[str, Usual] = {
    "mass": Usual(1000.0, 2800.0, "g"),
    "ballast_mass": Usual(3.0, 500.0, "g", zero=True),
    "wheelbase": Usual(210.0, 360.0, "mm"),
    "cg_height": Usual(18.0, 100.0, "mm"),
    "front_weight_share": Usual(25.0, 65.0, "pct"),
    "track": Usual(140.0, 290.0, "mm"),
    "unsprung_mass": Usual(25.0, 200.0, "g"),
    "wheel_radius": Usual(24.0, 60.0, "mm"),
    "spring_rate": Usual(0.08, 4.0, "n_per_mm"),
    "spring_motion_ratio": Usual(0.25, 1.3, ""),
    "bar_rate": Usual(0.02, 40.0, "n_per_mm", zero=True),
    "bar_motion_ratio": Usual(0.08, 1.3, ""),
    "tyre_rate": Usual(0.8, 20.0, "n_per_mm"),
    "ride_height_reference": Usual(8.0, 45.0, "mm"),
    "ride_height": Usual(8.0, 45.0, "mm"),
    "roll_centre_height": Usual(-25.0, 45.0, "mm"),
    "droop": Usual(2.0, 40.0, "mm", zero=True),
    "camber": Usual(-6.0, 4.0, "deg"),
    "damping": Usual(0.8, 80.0, "n_s_per_m"),
    "tyre_grip": Usual(0.5, 1.6, ""),
    "yaw_inertia": Usual(0.004, 0.08, "kg_m2"),
    "roll_inertia": Usual(0.0004, 0.012, "kg_m2"),
    "chassis_half_width": Usual(20.0, 110.0, "mm"),
    "grip": Usual(0.2, 2.5, ""),
    "front_grip_ratio": Usual(0.6, 1.6, ""),
    "bump_height": Usual(0.2, 15.0, "mm", zero=True),
}
"""Usual ranges by parameter, without front_ or rear_. Common practice for 1:10 cars, no source."""

SLIPS: dict[str, tuple[tuple[float, str], ...]] = {
    "mm": (
        (10.0, "in cm"),
        (25.4, "in inches"),
        (0.5, "twice what is asked (a diameter, both sides)"),
        (0.1, "a place of the decimal point off"),
        (1000.0, "in m"),
    ),
    "g": (
        (1000.0, "in kg"),
        (28.349523, "in ounces"),
        (0.5, "twice what is asked (both wheels)"),
        (0.1, "a place of the decimal point off"),
    ),
    "n_per_mm": (
        (0.001, "in N/m"),
        (1000.0, "in N/mm under a key in N/m"),
        (0.175127, "in lbf/in"),
        (0.00980665, "in gf/mm"),
        (9.80665, "in kgf/mm"),
    ),
    "n_s_per_m": ((1000.0, "in N s/mm"), (0.001, "a thousand times too big")),
    "deg": ((180.0 / math.pi, "in radians"), (0.1, "a place of the decimal point off")),
    "kg_m2": ((0.001, "a thousand times too big"), (1000.0, "a thousand times too small")),
    "pct": ((100.0, "a share of 1, not of 100"),),
    "": ((0.01, "in per cent"), (0.1, "a place of the decimal point off")),
}
"""True number over typed number, and how the number would then have been typed; the likeliest first."""

LABELS = {
    "g": "g",
    "mm": "mm",
    "pct": "%",
    "n_per_mm": "N/mm",
    "n_s_per_m": "N s/m",
    "deg": "deg",
    "kg_m2": "kg m2",
    "": "",
}
ASKS_TOO_MUCH = 1.5
"""A phase that asks for more than this many times the surface's grip was hardly measured so."""
WIDEST_CORNER = 30.0
"""Corners of a larger radius than this are hardly found on a track for cars of this size. [m]"""

TALL = 3.0
"""Wheel radii above which no centre of gravity of a car lies."""


@dataclass(frozen=True)
class Overturned:
    """Of `setups` that the model answered, `rolled` roll over in one phase or more; in each of `phases` all do."""

    setups: int
    rolled: int
    phases: tuple[str, ...]

    @property
    def everywhere(self) -> bool:
        """Whether no setup gets round every corner."""
        return self.setups > 0 and self.rolled == self.setups

    @property
    def words(self) -> str:
        """In one sentence, where no setup gets round."""
        where = f": all of them in {', '.join(self.phases)}" if self.phases else ", each somewhere"
        return f"the car rolls over in every one of {self.setups:,} setups{where}; nothing of this can be driven"


def overturned(table: MetricTable) -> Overturned:
    """How many setups of a table roll over, and in which phases all of them do."""
    answered = table.take(table.valid)
    names = [column.removesuffix(".state") for column in table.columns if column.endswith(".state")]
    code = float(describe("sweep.state").codes.index("rolled over"))
    lies = np.array([answered.column(f"{name}.state") == code for name in names]).reshape(len(names), len(answered))
    phases = tuple(name for name, row in zip(names, lies, strict=True) if len(answered) and row.all())
    return Overturned(len(answered), int(lies.any(axis=0).sum()), phases)


def roll_stiffness(axle: Any) -> float:
    """Roll stiffness of an axle at rest, springs and bar in series with the tyres: `t^2/(2/(k + k_b) + 2/k_t)`.

    Without droop the inner wheel stands on its stop, and the outer spring and half of the bar hold the car. [N m/rad]
    """
    free = axle.droop > 0.0
    give = 2.0 / (axle.wheel_rate + axle.bar_rate) if free else 1.0 / (axle.wheel_rate + 0.5 * axle.bar_rate)
    return float(axle.track**2 / (give + 2.0 / axle.tyre_rate))


def roll_frequency(stiffness: float, roll_inertia: float, sprung_mass: float, arm: float) -> float:
    """Undamped natural frequency of roll about the roll axis. [Hz]

    `f = sqrt(K/(I_x + m_s h^2))/(2 pi)`, one degree of freedom (Gillespie, Fundamentals of Vehicle Dynamics, ch. 6, for
    the roll mode, and any text on vibration; from memory). `K` [N m/rad] is net of the weight's own tipping.

    >>> round(roll_frequency(4.0 * math.pi**2, 0.75, 1.0, 0.5), 12)
    1.0
    """
    inertia = roll_inertia + sprung_mass * arm**2
    return math.sqrt(max(stiffness, 0.0) / inertia) / (2.0 * math.pi)


def ride_frequency(wheel_rate: float, tyre_rate: float, corner_mass: float) -> float:
    """Undamped bounce of the sprung mass on spring and tyre in series. [Hz]

    `f = sqrt(k/m)/(2 pi)` with `k = k_w k_t/(k_w + k_t)` (Gillespie, ch. 5, eq. 5-2 and 5-3; from memory).

    >>> round(ride_frequency(2.0, 2.0, 1.0 / (4.0 * math.pi**2)), 12)
    1.0
    """
    series = wheel_rate * tyre_rate / (wheel_rate + tyre_rate)
    return math.sqrt(series / corner_mass) / (2.0 * math.pi)


def steady_turn(space: Space, vector: FloatArray) -> tuple[float, str, str]:
    """(first lift of an inner wheel [g], which end, why there is none) in a steady turn: no braking, no drive.

    Zero and a reason where the model has no answer.
    """
    phase = np.zeros((1, len(PHASE_COLUMNS)))
    wanted = {"radius": float(space.phases[:, 0].max()), "grip_share": 0.5, "weight": 1.0, "is_turn_in": 1.0}
    for name, number in wanted.items():
        phase[0, PHASE_COLUMNS.index(name)] = number
    case = nominal()
    values, faults = evaluate_with_faults(vector[None, :], phase, case.slots, case.factor, case.offset)
    if faults[0, 0] != 0:
        return 0.0, "", "the model has no answer for this car"
    found = dict(zip(metric_columns(("turn",)), values[0, 0], strict=True))
    asked = 0.5 * float(vector[SLOT["grip"]])
    lift = asked * (1.0 + float(found["turn.lift_margin_pct"]) / 100.0)
    return lift, ENDS[int(found["turn.lift_axle"])], ""


def derived(space: Space, positions: FloatArray | None = None) -> tuple[Derived, ...]:
    """Numbers that follow from the baseline, or from the setup at `positions` (knobs,)."""
    place = np.array(space.baseline) if positions is None else positions
    vector = space.parameters(place[None, :])[0]
    body, *axles = car_at(vector)
    stiffness = [roll_stiffness(axle) for axle in axles]
    net = sum(stiffness) - float(body.sprung_mass * body.roll_arm) * G
    lift, wheel, reason = steady_turn(space, vector)
    gradient, share, silent = _steady(space, place)
    found = [
        Derived("roll_gradient_deg_per_g", "roll gradient", "deg/g", gradient, 0.5, 7.0, silent),
        Derived(
            "roll_frequency_hz",
            "roll frequency, undamped",
            "Hz",
            roll_frequency(net, body.roll_inertia, body.sprung_mass, body.roll_arm) if net > 0.0 else None,
            3.0,
            18.0,
            "" if net > 0.0 else "the car tips over where it stands",
        ),
        Derived(
            "lift_threshold_g",
            "first inner wheel lifts",
            "g",
            None if reason else lift,
            0.8,
            3.5,
            reason or f"the {wheel} one, in a steady turn",
        ),
        Derived(
            "front_roll_stiffness_share_pct",
            "front share of roll stiffness",
            "%",
            share,
            25.0,
            75.0,
            silent or "springs, bars and tyres",
        ),
    ]
    for end, axle in zip(ENDS, axles, strict=True):
        found += _of_end(end, axle)
    return tuple(found)


def _steady(space: Space, place: FloatArray) -> tuple[float | None, float | None, str]:
    """The model's own roll gradient [deg/g] and front share of roll stiffness [%]; None and why where it is silent."""
    case = nominal()
    vector = space.parameters(place[None, :])
    values, faults = evaluate_with_faults(vector, space.phases, case.slots, case.factor, case.offset)
    if faults[0, 0] != 0:
        return None, None, "the model has no answer for this car"
    row = dict(zip(metric_columns(space.phase_names), values[0, 0], strict=True))
    return float(row["roll_gradient_deg_per_g"]), float(row["front_roll_stiffness_share_pct"]), ""


def _of_end(end: str, axle: Any) -> list[Derived]:
    """Numbers of one end. The bars' share is `k_b/(k_w + k_b)`, both at the wheel and in opposite motion."""
    wheel_rate, bar_rate = float(axle.wheel_rate), float(axle.bar_rate)
    bars = 100.0 * bar_rate / (wheel_rate + bar_rate)
    bounce = ride_frequency(wheel_rate, float(axle.tyre_rate), 0.5 * float(axle.sprung_mass))
    return [
        Derived(f"{end}_bar_share_pct", f"{end} roll stiffness from the bar", "%", bars, 0.0, 85.0, "without tyres"),
        Derived(f"{end}_wheel_load_n", f"{end} wheel load, standing", "N", 0.5 * float(axle.weight), 1.8, 9.0),
        Derived(f"{end}_wheel_rate_n_per_mm", f"{end} wheel rate", "N/mm", 0.001 * wheel_rate, 0.06, 1.2),
        Derived(f"{end}_ride_frequency_hz", f"{end} ride frequency", "Hz", bounce, 2.0, 8.0),
    ]


def suspicions(space: Space) -> tuple[Suspicion, ...]:
    """What looks like a wrong unit in the car, the surface, the parts and levels of the knobs, and the phases."""
    owned = {slot for knob in space.knobs for slot in knob.slots}
    found = []
    for name, slot in SLOT.items():
        if slot not in owned and not name.endswith("_ride_height"):
            found += _odd(name, float(space.base[slot]), "", "")
    for knob in space.knobs:
        levels = knob.labels or tuple(f"{value:g}" for value in knob.values)
        for label, setting in zip(levels, knob.settings, strict=True):
            for slot, value in zip(knob.slots, setting, strict=True):
                found += _odd(_name(slot), value, knob.name, label)
    return tuple(found) + tuple(_against_each_other(space, found)) + tuple(_odd_phases(space))


def _name(slot: int) -> str:
    return next(name for name, index in SLOT.items() if index == slot)


def _stem(name: str) -> str:
    """Name without its end, where both ends have such a number.

    >>> _stem("rear_track"), _stem("front_weight_share")
    ('track', 'front_weight_share')
    """
    return name if name in USUAL else name.removeprefix("front_").removeprefix("rear_")


def _odd(name: str, value: float, knob: str, label: str) -> list[Suspicion]:
    usual = USUAL.get(_stem(name))
    if usual is None or (usual.zero and value == 0.0):
        return []
    typed = value / (to_si(1.0, usual.suffix) if usual.suffix else 1.0)
    if usual.low <= typed <= usual.high:
        return []
    unit = LABELS[usual.suffix]
    guesses = [words for factor, words in SLIPS[usual.suffix] if usual.low <= typed * factor <= usual.high]
    hint = f"mostly {usual.low:g} to {usual.high:g} {unit}".rstrip()
    if guesses:
        hint += f"; was it typed {guesses[0]}?" if guesses[0].startswith("in ") else f"; is it {guesses[0]}?"
    return [Suspicion(name, f"{typed:.4g} {unit}".rstrip(), hint, knob, label)]


def _against_each_other(space: Space, known: list[Suspicion]) -> Iterator[Suspicion]:
    """Numbers that are usual alone and odd together."""
    told = {item.slot for item in known}
    base = {name: float(space.base[slot]) for name, slot in SLOT.items()}
    radius = max(base["front_wheel_radius"], base["rear_wheel_radius"])
    if "cg_height" not in told and base["cg_height"] > TALL * radius:
        hint = f"hardly above {TALL:g} wheel radii, {1000.0 * TALL * radius:.4g} mm"
        yield Suspicion("cg_height", f"{1000.0 * base['cg_height']:.4g} mm", hint)
    wide = max(base["front_track"], base["rear_track"])
    if not told & {"wheelbase", "front_track", "rear_track"} and base["wheelbase"] < wide:
        found = f"{1000.0 * base['wheelbase']:.4g} mm"
        yield Suspicion("wheelbase", found, f"mostly longer than the track, {1000.0 * wide:.4g} mm")
    for end in ENDS:
        height, axle = base[f"{end}_ride_height_reference"], base[f"{end}_wheel_radius"]
        if not told & {f"{end}_ride_height_reference", f"{end}_wheel_radius"} and height > axle:
            hint = f"the chassis is mostly lower than the axle, {1000.0 * axle:.4g} mm"
            yield Suspicion(f"{end}_ride_height_reference", f"{1000.0 * height:.4g} mm", hint)
    half = base["chassis_half_width"]
    if "chassis_half_width" not in told and half > 0.5 * wide:
        hint = f"mostly narrower than half the track, {500.0 * wide:.4g} mm; is it the whole width?"
        yield Suspicion("chassis_half_width", f"{1000.0 * half:.4g} mm", hint)


def _odd_phases(space: Space) -> Iterator[Suspicion]:
    """Phases that ask for far more than the surface gives: mostly km/h under a key in m/s, or a radius in feet."""
    level = float(space.base[SLOT["grip"]]) * G
    column = {name: space.phases[:, index] for index, name in enumerate(PHASE_COLUMNS)}
    for row in range(len(space.phases)):
        speed, radius = float(column["speed"][row]), float(column["radius"][row])
        asked = speed**2 / radius if speed > 0.0 else float(column["grip_share"][row]) * level
        along = abs(float(column["longitudinal"][row] + column["longitudinal_share"][row] * level))
        name = "speed" if speed > 0.0 else "grip_share"
        if radius > WIDEST_CORNER:
            hint = f"mostly at most {WIDEST_CORNER:g} m; was it typed in cm?"
            yield Suspicion("radius", f"{radius:g} m", hint, phase=row)
        shares = float(column["grip_share"][row]), float(column["longitudinal_share"][row])
        together = math.hypot(*shares)
        if all(shares) and together > 1.0 and max(map(abs, shares)) <= ASKS_TOO_MUCH:
            hint = "sideways and along together (root of the sum of squares) the surface gives 1"
            yield Suspicion("grip_share", f"{together:.3g} of the grip", hint, phase=row)
        if asked > ASKS_TOO_MUCH * level:
            slower = speed > 0.0 and asked / 3.6**2 <= ASKS_TOO_MUCH * level
            hint = f"the surface gives {level / G:.3g} g" + ("; was it typed in km/h?" if slower else "")
            yield Suspicion(name, f"{asked / G:.3g} g sideways", hint, phase=row)
        if along > ASKS_TOO_MUCH * level:
            key = "longitudinal" if column["longitudinal"][row] != 0.0 else "longitudinal_share"
            yield Suspicion(key, f"{along / G:.3g} g along", f"the surface gives {level / G:.3g} g", phase=row)
