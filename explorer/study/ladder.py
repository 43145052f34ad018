"""For one thing a driver complains of: which single part to swap first, what it cures per minute, and what it spoils.

Each symptom stands for one number, its *measure*, turned so that more is better. The symptoms' words are the trade's
(common practice, no source); which phase of the study each one reads goes by what the phase asks of the car, not by its
name. Measures are ours; each says what it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from explorer.errors import ModelError, SpaceError
from explorer.model.metrics import CAR_METRICS, PHASE_METRICS, metric_columns
from explorer.model.slots import PHASE_COLUMNS, SLOT
from explorer.space import FloatArray, Knob, Space
from explorer.study.evaluate import Scenarios, evaluate_positions, fault_words, table_of
from explorer.study.exact import LEAST_MINUTES
from explorer.study.limits import ResolvedLimit, margins
from explorer.study.one_change import neighbours

REACH = 2
"""Steps each way that one swap of a part may go."""

NOTICED = 0.5
"""A change is a cure above this share of its measure's resolution: rounded to the resolution it may then differ."""

_G = 9.80665
_UP_N = 1e-6
"""A wheel that carries less than this has left the ground. [N]"""

_NOISE = 1e-9
_RESOLUTION = {metric.name: metric.resolution for metric in (*CAR_METRICS, *PHASE_METRICS)}
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
    """`key` for the command line, `words` the driver's, `measure` and `unit` what is read, `resolution` in that unit.

    `seen_below`: the model itself shows the symptom where the measure lies below 0 (no such mark where False).
    """

    key: str
    words: str
    measure: str
    unit: str
    resolution: float
    seen_below: bool


@dataclass(frozen=True)
class SideEffect:
    """What a rung does to another symptom: `change` of that symptom's measure in its resolutions, more is better."""

    symptom: str
    change: float


@dataclass(frozen=True)
class Rung:
    """One part swapped, `steps` levels up or down by value.

    `cure` is the change of the measure, more is better, weighted mean over the scenarios that have an answer;
    `cure_per_minute` the same per minute; `cures` where it is noticed; `share` of the scenarios' weight in which it
    goes the right way; `unanswered` scenarios left out. `positions` (knobs,) of the setup, `broken` the limits it
    breaks at the best guess.
    """

    knob: str
    steps: int
    old: str
    new: str
    minutes: float
    cure: float
    cure_per_minute: float
    cures: bool
    share: float
    side_effects: tuple[SideEffect, ...]
    broken: tuple[str, ...]
    unanswered: int
    positions: FloatArray


@dataclass(frozen=True)
class Ladder:
    """Rungs in the order to try them: most cured per minute first, those that spoil last.

    `now` is the measure of the current setup, weighted mean over the scenarios; `broken_now` the limits it breaks;
    `phases` which phase plays which part; `left_out` swaps that cannot be had, each with its reason; `not_asked`
    other symptoms this study cannot have, each with its reason; `scenarios` how many were asked, `unanswered` those in
    which the current setup has no answer. `message` says the outcome in words.
    """

    symptom: Symptom
    phases: Roles
    now: float
    broken_now: tuple[str, ...]
    rungs: tuple[Rung, ...]
    left_out: tuple[str, ...]
    not_asked: tuple[str, ...]
    scenarios: int
    unanswered: int
    message: str


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
    """Mean of both ends' bump step and bump upset, each counted in its own resolution. [resolutions]"""
    total: FloatArray | None = None
    for name in _BUMPS:
        part = column(name) / _RESOLUTION[name] / len(_BUMPS)
        total = part if total is None else total + part
    assert total is not None
    return total


_Measure = Callable[[_Column, Roles], FloatArray]


@dataclass(frozen=True)
class _Kind:
    """A symptom before a study: `measure` names phases as {power}, `needs` what the study must have."""

    key: str
    words: str
    measure: str
    unit: str
    resolution: float
    seen_below: bool
    needs: str
    read: _Measure


_LOAD_LEFT = "share of the axle's mean; once it is up its margin to touching, negative"
_KINDS: tuple[_Kind, ...] = (
    _Kind(
        "inner-rear-lifts", "the inner rear wheel lifts", f"load left on the inner rear wheel, {_LOAD_LEFT}; lowest "
        "over all phases", "%", _RESOLUTION["lift_margin_pct"], True, "",
        lambda column, roles: inner_wheel_margin(column, "rear", roles.phases),
    ),
    _Kind(
        "inner-front-lifts", "the inner front wheel lifts on power", f"load left on the inner front wheel, {_LOAD_LEFT}"
        "; in {power}", "%", _RESOLUTION["lift_margin_pct"], True, "power",
        lambda column, roles: inner_wheel_margin(column, "front", (roles.power,)),
    ),
    _Kind(
        "rolls-over", "the car rolls over on grip", "rollover margin, lowest over all phases",
        "%", _RESOLUTION["rollover_margin_pct"], True, "", lambda column, roles: column("rollover_margin_pct"),
    ),
    _Kind(
        "hairpin-push", "the car will not rotate in the hairpin", "balance in {hairpin}, positive rotates",
        "%", _RESOLUTION["balance_pct"], True, "hairpin", lambda column, roles: column(f"{roles.hairpin}.balance_pct"),
    ),
    _Kind(
        "power-push", "the car pushes on power", "balance in {power}, positive rotates",
        "%", _RESOLUTION["balance_pct"], True, "power", lambda column, roles: column(f"{roles.power}.balance_pct"),
    ),
    _Kind(
        "entry-loose", "the rear is loose at entry", "balance in {entry}, sign turned: positive pushes",
        "%", _RESOLUTION["balance_pct"], True, "entry", lambda column, roles: -column(f"{roles.entry}.balance_pct"),
    ),
    _Kind(
        "turn-in-nervous", "the car is nervous at turn-in", "bite, sign turned",
        "%", _RESOLUTION["bite_pct"], False, "", lambda column, roles: -column("bite_pct"),
    ),
    _Kind(
        "slow", "the car is slow to respond", "response lag, sign turned",
        "ms", _RESOLUTION["lag_ms"], False, "", lambda column, roles: -column("lag_ms"),
    ),
    _Kind(
        "skips", "the car skips over bumps", "bump step and bump upset of both ends, each in its own resolution, "
        "mean of the four, sign turned", "resolutions", 1.0, False, "bumps",
        lambda column, roles: -bump_disturbance(column),
    ),
    _Kind(
        "touches", "the chassis touches the ground", "clearance, lowest over all phases",
        "mm", _RESOLUTION["clearance_mm"], True, "", lambda column, roles: column("clearance_mm"),
    ),
)  # fmt: skip
_NEEDS = {
    "power": "no phase of this study asks for forward acceleration",
    "entry": "no phase of this study brakes and none is the turn-in",
    "bumps": "this study's ground has no bumps",
}

SYMPTOMS: tuple[tuple[str, str], ...] = tuple((kind.key, kind.words) for kind in _KINDS)
"""Keys for the command line and what each means."""


def ladder(
    space: Space,
    limits: tuple[ResolvedLimit, ...],
    current: FloatArray | None,
    symptom: str,
    scenarios: Scenarios | None = None,
) -> Ladder:
    """Single swaps from the setup `current` (knobs,), by default the baseline, against one symptom.

    Every knob goes up to `REACH` levels each way. Without scenarios the best guess alone is asked.

    Raises SpaceError for an unknown symptom or one that this study cannot have, ModelError when the model has no answer
    for the current setup.
    """
    if symptom not in (kind.key for kind in _KINDS):
        raise SpaceError(f"no symptom is called {symptom!r}; known: {', '.join(key for key, _ in SYMPTOMS)}")
    start = np.array(space.baseline if current is None else current, dtype=np.float64)
    moves = [
        (column, steps, position)
        for column, knob in enumerate(space.knobs)
        for steps, position in _reachable(knob, float(start[column]))
    ]
    positions = np.repeat(start[None, :], len(moves) + 1, axis=0)
    for row, (column, _, position) in enumerate(moves, start=1):
        positions[row, column] = position
    guess = table_of(space, positions)
    values, valid = (guess.values[None], guess.valid[None])
    weights = np.ones(1)
    if scenarios is not None:
        (values, valid), weights = evaluate_positions(space, positions, scenarios), scenarios.weights
    if not guess.valid[0] or not (valid[:, 0] & (weights > 0.0)).any():
        raise ModelError("the model has no answer for the current setup, so no change from it can be given")
    roles = roles_of(space)
    reasons = _not_here(space, roles, values[valid[:, 0], 0])
    if symptom in reasons:
        raise SpaceError(f"{symptom}: {reasons[symptom]}")
    kinds = [kind for kind in _KINDS if kind.key not in reasons]
    columns = metric_columns(space.phase_names)
    measures = {kind.key: kind.read(lambda name: values[..., columns.index(name)], roles) for kind in kinds}
    broken = margins(limits, guess) < 0.0
    words = [tuple(one.text for one, bad in zip(limits, row, strict=True) if bad) for row in broken]
    left_out, rungs = [], []
    for row, move in enumerate(moves, start=1):
        weight = weights * valid[:, 0] * valid[:, row]
        reason = _cannot(space, positions[row], bool(guess.valid[row]) and bool(weight.sum() > 0.0))
        if reason:
            knob = space.knobs[move[0]]
            left_out.append(f"{knob.name} to {knob.label_at(move[2])}: {reason}")
            continue
        unanswered = int((~valid[:, row] & valid[:, 0]).sum())
        rungs.append(
            _rung(
                space,
                kinds,
                symptom,
                measures,
                row,
                move,
                float(start[move[0]]),
                weight,
                positions[row],
                words[row],
                unanswered,
            )
        )
    rungs.sort(key=lambda rung: (not rung.cures, -round(rung.cure_per_minute, 9), -round(rung.cure, 9), rung.minutes))
    kind = next(kind for kind in kinds if kind.key == symptom)
    here = weights * valid[:, 0]
    now = float(here @ measures[symptom][:, 0] / here.sum())
    return Ladder(
        symptom=_named(kind, roles),
        phases=roles,
        now=now,
        broken_now=words[0],
        rungs=tuple(rungs),
        left_out=tuple(left_out),
        not_asked=tuple(f"{key}: {reason}" for key, reason in reasons.items()),
        scenarios=len(weights),
        unanswered=int((~valid[:, 0]).sum()),
        message=_message(kind, now, rungs),
    )


def _reachable(knob: Knob, position: float) -> list[tuple[int, float]]:
    """(steps, position) of the levels within `REACH` steps by value."""
    found = []
    for direction in (-1, 1):
        at = position
        for steps in range(1, REACH + 1):
            onward = dict(neighbours(knob, at))
            if direction not in onward:
                break
            at = onward[direction]
            found.append((direction * steps, at))
    return found


def _not_here(space: Space, roles: Roles, current: FloatArray) -> dict[str, str]:
    """Symptoms this study cannot have, with the reason. `current` (scenarios, columns) of the current setup."""
    columns = metric_columns(space.phase_names)
    bumps = (current[:, [columns.index(name) for name in _BUMPS]] > 0.0).any()
    has = {"power": bool(roles.power), "entry": bool(roles.entry), "bumps": bool(bumps)}
    return {kind.key: _NEEDS[kind.needs] for kind in _KINDS if not has.get(kind.needs, True)}


def _cannot(space: Space, positions: FloatArray, answered: bool) -> str:
    """Why a swap cannot be had, "" where it can."""
    forbidden = [r.reason for r in space.rules if not replace(space, rules=(r,)).allowed(positions[None, :])[0]]
    if forbidden:
        return f"a rule forbids it ({'; '.join(forbidden)})"
    if not answered:
        word = fault_words(space, positions[None, :])[0]
        return f"the model has no answer ({word})" if word else "the model has no answer in any scenario"
    return ""


def _rung(
    space: Space,
    kinds: list[_Kind],
    symptom: str,
    measures: dict[str, FloatArray],
    row: int,
    move: tuple[int, int, float],
    start: float,
    weight: FloatArray,
    positions: FloatArray,
    broken: tuple[str, ...],
    unanswered: int,
) -> Rung:
    """One swap: `weight` (scenarios,) is 0 where either setup has no answer; `measures` (scenarios, rows) each."""
    column, steps, position = move
    knob = space.knobs[column]
    weight = weight / weight.sum()
    change = {kind.key: measures[kind.key][:, row] - measures[kind.key][:, 0] for kind in kinds}
    mean = {kind.key: float(weight @ change[kind.key]) / kind.resolution for kind in kinds}
    cure = float(weight @ change[symptom])
    return Rung(
        knob=knob.name,
        steps=steps,
        old=knob.label_at(start),
        new=knob.label_at(position),
        minutes=knob.minutes,
        cure=cure,
        cure_per_minute=cure / max(knob.minutes, LEAST_MINUTES),
        cures=mean[symptom] > NOTICED,
        share=float(weight @ (change[symptom] > _NOISE)),
        side_effects=tuple(SideEffect(key, value) for key, value in mean.items() if key != symptom),
        broken=broken,
        unanswered=unanswered,
        positions=positions,
    )


def _named(kind: _Kind, roles: Roles) -> Symptom:
    """The symptom with its phase named."""
    text = kind.measure.format(power=roles.power, entry=roles.entry, hairpin=roles.hairpin)
    return Symptom(kind.key, kind.words, text, kind.unit, kind.resolution, kind.seen_below)


def _message(kind: _Kind, now: float, rungs: list[Rung]) -> str:
    cures = sum(rung.cures for rung in rungs)
    if cures:
        found = f"{cures} of {len(rungs)} single swaps cure some of it"
    else:
        least = f"{NOTICED * kind.resolution:g} {kind.unit}"
        found = f"no single swap cures it: none of {len(rungs)} moves it the right way by more than {least}"
    unseen = "; the model does not show this symptom on the current setup" if kind.seen_below and now >= 0.0 else ""
    return f"{kind.words}: {found}{unseen}"
