"""What a driver complains of, as numbers: which phase of a study plays which part, and one measure per symptom.

The symptoms' words are the trade's (common practice, no source); which phase each one reads goes by what the phase asks
of the car, not by its name. Measures are ours, turned so that more is better; each says what it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from explorer.domain.felt import felt_step
from explorer.domain.space import FloatArray, Space
from explorer.model.car.slots import PHASE_COLUMNS, SLOT
from explorer.model.metrics import CAR_METRICS, PHASE_METRICS, metric_columns

_G = 9.80665
_UP_N = 1e-6
"""A wheel that carries less than this has left the ground. [N]"""

_STEPS = {
    metric.name: (metric.resolution, felt_step(metric.name, metric.resolution))
    for metric in (*CAR_METRICS, *PHASE_METRICS)
}
"""Resolution and least felt difference of each metric."""
_BUMPS = ("front_bump_step_n", "rear_bump_step_n", "front_bump_upset_m_per_s2", "rear_bump_upset_m_per_s2")
_Column = Callable[[str], FloatArray]
"""Values of a metric by column name, any shape, one per setup (and scenario)."""


@dataclass(frozen=True)
class Roles:
    """Names of the phases by what they ask; "" where the study has none of that kind.

    `power` asks for the largest forward acceleration, `braking` for the largest deceleration; `entry` is `braking` or,
    without brakes, the turn-in; `hairpin` has the smallest radius, `sweep` the largest (then the least longitudinal).
    """

    power: str
    braking: str
    entry: str
    hairpin: str
    sweep: str
    phases: tuple[str, ...]


@dataclass(frozen=True)
class Symptom:
    """`key` for the command line, `words` the driver's, `measure` and `unit` what is read, `resolution` and least
    difference that is `felt` in that unit.

    `seen_below`: the model itself shows the symptom where the measure lies below 0 (no such mark where False).
    """

    key: str
    words: str
    measure: str
    unit: str
    resolution: float
    felt: float
    seen_below: bool


def roles_of(space: Space) -> Roles:
    """Which phase plays which part, from what the phases ask at the study's grip. Ties go to the first phase."""
    column = {name: space.phases[:, place] for place, name in enumerate(PHASE_COLUMNS)}
    grip = float(space.base[SLOT["grip"]])
    ahead = column["longitudinal"] + column["longitudinal_share"] * grip * _G
    order = np.arange(len(ahead))
    first, last = int(np.argmax(ahead)), int(np.argmin(ahead))
    power = space.phase_names[first] if ahead[first] > 0.0 else ""
    braking = space.phase_names[last] if ahead[last] < 0.0 else ""
    turn_in = [name for name, flag in zip(space.phase_names, column["is_turn_in"], strict=True) if flag > 0.5]
    small = int(np.lexsort((order, np.abs(ahead), column["radius"]))[0])
    large = int(np.lexsort((order, np.abs(ahead), -column["radius"]))[0])
    return Roles(
        power=power,
        braking=braking,
        entry=braking or next(iter(turn_in), ""),
        hairpin=space.phase_names[small],
        sweep=space.phase_names[large],
        phases=space.phase_names,
    )


def inner_wheel_margin(column: _Column, end: str, phases: tuple[str, ...]) -> FloatArray:
    """How firmly the inner wheel of an end stays down, lowest over the phases. [%]

    While it carries load: that load as a share of the axle's mean wheel load (100 in a straight line, 0 as it lifts).
    Once it is up: by how much less the corner would have to ask for it to touch, negative: the lift margin where it is
    the first to lift, else the rollover margin, for with the second wheel up the car rolls over. A linear car loses the
    inner wheel in proportion to lateral acceleration, so share = m/(1 + m) for a lift margin m, and both pieces meet at
    0 with the same slope: the measure grows all the way.
    """
    number = ("front", "rear").index(end)
    lowest: FloatArray | None = None
    for phase in phases:
        inner, outer = column(f"{phase}.{end}_inner_load_n"), column(f"{phase}.{end}_outer_load_n")
        mean = 0.5 * (inner + outer)
        share = 100.0 * inner / np.where(mean > _UP_N, mean, 1.0)
        first = column(f"{phase}.lift_axle") == number
        up = np.where(first, column(f"{phase}.lift_margin_pct"), column(f"{phase}.rollover_margin_pct"))
        found = np.where(inner > _UP_N, share, np.minimum(up, 0.0))
        lowest = found if lowest is None else np.minimum(lowest, found)
    assert lowest is not None
    return lowest


def bump_disturbance(column: _Column) -> FloatArray:
    """Mean of both ends' bump step and bump upset, each counted in felt differences."""
    total: FloatArray | None = None
    for name in _BUMPS:
        part = column(name) / _STEPS[name][1] / len(_BUMPS)
        total = part if total is None else total + part
    assert total is not None
    return total


_Measure = Callable[[_Column, Roles], FloatArray]


@dataclass(frozen=True)
class Kind(Symptom):
    """A symptom before a study: `measure` names phases as {power}, `needs` what the study must have, `read` works the
    measure out, `first` is what everybody does first: knobs and steps by value (common practice, no source)."""

    needs: str
    read: _Measure
    first: tuple[tuple[str, ...], int]


_LOAD_LEFT = "share of the axle's mean; once it is up its margin to touching, negative"
_FRONT_BAR, _REAR_BAR = ("front_bar",), ("rear_bar",)
_BARS, _HEIGHTS = ("front_bar", "rear_bar"), ("front_ride_height_mm", "rear_ride_height_mm")


def _balance(key: str, words: str, role: str, sign: float, first: tuple[tuple[str, ...], int]) -> Kind:
    """A car that pushes (`sign` 1) or is loose (-1) in the phase of a role."""
    which = "positive rotates" if sign > 0.0 else "sign turned: positive pushes"
    return Kind(
        key, words, f"balance in {{{role}}}, {which}", "%", *_STEPS["balance_pct"], True, role,
        lambda column, roles: sign * column(f"{getattr(roles, role)}.balance_pct"), first,
    )  # fmt: skip


KINDS: tuple[Kind, ...] = (
    Kind(
        "inner-rear-lifts", "the inner rear wheel lifts", f"load left on the inner rear wheel, {_LOAD_LEFT}; lowest "
        "over all phases", "%", *_STEPS["lift_margin_pct"], True, "",
        lambda column, roles: inner_wheel_margin(column, "rear", roles.phases), (_REAR_BAR, -1),
    ),
    Kind(
        "inner-front-lifts", "the inner front wheel lifts on power", f"load left on the inner front wheel, {_LOAD_LEFT}"
        "; in {power}", "%", *_STEPS["lift_margin_pct"], True, "power",
        lambda column, roles: inner_wheel_margin(column, "front", (roles.power,)), (_FRONT_BAR, -1),
    ),
    Kind(
        "rolls-over", "the car rolls over on grip", "rollover margin, lowest over all phases", "%",
        *_STEPS["rollover_margin_pct"], True, "", lambda column, roles: column("rollover_margin_pct"),
        (_HEIGHTS, -1),
    ),
    _balance("hairpin-push", "the car will not rotate in the hairpin", "hairpin", 1.0, (_FRONT_BAR, -1)),
    _balance("power-push", "the car pushes on power", "power", 1.0, (_FRONT_BAR, -1)),
    _balance("entry-push", "the car will not turn in", "entry", 1.0, (_FRONT_BAR, -1)),
    _balance("entry-loose", "the rear is loose at entry", "entry", -1.0, (_REAR_BAR, -1)),
    _balance("sweep-loose", "the rear is loose in the sweep", "sweep", -1.0, (_REAR_BAR, -1)),
    _balance("power-loose", "the rear is loose on power", "power", -1.0, (_REAR_BAR, -1)),
    Kind(
        "grip-falls-off", "grip falls off", "grip margin, weighted mean over the phases", "%",
        *_STEPS["mean_grip_margin_pct"], False, "", lambda column, roles: column("mean_grip_margin_pct"),
        (_BARS, -1),
    ),
    Kind(
        "turn-in-nervous", "the car is nervous at turn-in", "bite, sign turned", "%", *_STEPS["bite_pct"], False,
        "", lambda column, roles: -column("bite_pct"), (_FRONT_BAR, -1),
    ),
    Kind(
        "slow", "the car is slow to respond", "response lag, sign turned", "ms", *_STEPS["lag_ms"], False, "",
        lambda column, roles: -column("lag_ms"), (_BARS, 1),
    ),
    Kind(
        "skips", "the car skips over bumps", "bump step and bump upset of both ends, each in felt differences, "
        "mean of the four, sign turned", "felt differences", 1.0, 1.0, False, "bumps",
        lambda column, roles: -bump_disturbance(column), (_BARS, -1),
    ),
    Kind(
        "touches", "the chassis touches the ground", "clearance, lowest over all phases", "mm",
        *_STEPS["clearance_mm"], True, "", lambda column, roles: column("clearance_mm"), (_HEIGHTS, 1),
    ),
)  # fmt: skip
"""Every symptom, in the order in which they are listed."""

_NEEDS = {
    "power": "no phase of this study asks for forward acceleration",
    "entry": "no phase of this study brakes and none is the turn-in",
    "bumps": "this study's ground has no bumps",
}

SYMPTOMS: tuple[tuple[str, str], ...] = tuple((kind.key, kind.words) for kind in KINDS)
"""Keys for the command line and what each means."""


def not_here(space: Space, roles: Roles, current: FloatArray) -> dict[str, str]:
    """Symptoms this study cannot have, with the reason. `current` (scenarios, columns) of the current setup."""
    columns = metric_columns(space.phase_names)
    bumps = (current[:, [columns.index(name) for name in _BUMPS]] > 0.0).any()
    has = {"power": bool(roles.power), "entry": bool(roles.entry), "bumps": bool(bumps)}
    return {kind.key: _NEEDS[kind.needs] for kind in KINDS if not has.get(kind.needs, True)}


def together(kinds: tuple[Kind, ...]) -> Kind:
    """Several symptoms as one: the sum of their measures, each counted in felt differences. One stays what it is."""
    if len(kinds) == 1:
        return kinds[0]

    def read(column: _Column, roles: Roles) -> FloatArray:
        return np.asarray(sum(kind.read(column, roles) / kind.felt for kind in kinds))

    key, words = " + ".join(kind.key for kind in kinds), "; ".join(kind.words for kind in kinds)
    return Kind(key, words, "the measures of all, summed", "felt differences", 1.0, 1.0, False, "", read, ((), 0))


def named(kind: Kind, roles: Roles) -> Symptom:
    """The symptom with its phase named."""
    text = kind.measure.format(power=roles.power, entry=roles.entry, hairpin=roles.hairpin, sweep=roles.sweep)
    return Symptom(kind.key, kind.words, text, kind.unit, kind.resolution, kind.felt, kind.seen_below)
