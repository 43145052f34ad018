"""For one thing a driver complains of: which single part to swap first, what it cures per minute, and what it spoils.

Each symptom stands for one number, its *measure* (`symptoms`), turned so that more is better.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import FloatArray, Knob, Space
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import Scenarios, evaluate_positions, fault_words, table_of
from explorer.study.everything.limits import ResolvedLimit, margins
from explorer.study.pits.symptoms import KINDS, SYMPTOMS, Kind, Roles, Symptom, named, not_here, roles_of
from explorer.study.questions.exact import LEAST_MINUTES
from explorer.study.questions.one_change import neighbours

REACH = 2
"""Steps each way that one swap of a part may go."""

NOTICED = 0.5
"""A change is a cure above this share of its measure's resolution: rounded to the resolution it may then differ."""
LEAST_SHARE = 0.5
"""Share of the scenarios in which a cure goes the right way at least: a mean may hang on a few."""

_NOISE = 1e-9


@dataclass(frozen=True)
class SideEffect:
    """What a rung does to another symptom: `change` of that symptom's measure in its resolutions, more is better."""

    symptom: str
    change: float


@dataclass(frozen=True)
class Rung:
    """One part swapped, `steps` levels up or down by value.

    `cure` is the change of the measure, more is better, weighted mean over the scenarios that have an answer;
    `cure_per_minute` the same per minute; `share` of the scenarios' weight in which it goes the right way; `cures`
    where it is noticed and goes that way in half of them or more; `unanswered` scenarios left out. `positions` (knobs,)
    of the setup, `broken` the limits it breaks at the best guess.
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
    if symptom not in (kind.key for kind in KINDS):
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
    reasons = not_here(space, roles, values[valid[:, 0], 0])
    if symptom in reasons:
        raise SpaceError(f"{symptom}: {reasons[symptom]}")
    kinds = [kind for kind in KINDS if kind.key not in reasons]
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
        symptom=named(kind, roles),
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
    kinds: list[Kind],
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
    share = float(weight @ (change[symptom] > _NOISE))
    return Rung(
        knob=knob.name,
        steps=steps,
        old=knob.label_at(start),
        new=knob.label_at(position),
        minutes=knob.minutes,
        cure=cure,
        cure_per_minute=cure / max(knob.minutes, LEAST_MINUTES),
        cures=mean[symptom] > NOTICED and share >= LEAST_SHARE,
        share=share,
        side_effects=tuple(SideEffect(key, value) for key, value in mean.items() if key != symptom),
        broken=broken,
        unanswered=unanswered,
        positions=positions,
    )


def _message(kind: Kind, now: float, rungs: list[Rung]) -> str:
    cures = sum(rung.cures for rung in rungs)
    if cures:
        found = f"{cures} of {len(rungs)} single swaps cure some of it"
    else:
        least = f"{NOTICED * kind.resolution:g} {kind.unit}"
        found = f"no single swap cures it: none of {len(rungs)} moves it the right way by more than {least}"
    unseen = "; the model does not show this symptom on the current setup" if kind.seen_below and now >= 0.0 else ""
    return f"{kind.words}: {found}{unseen}"
