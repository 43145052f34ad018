"""For what a driver complains of: which part to swap first, or the same at both ends, what it cures, what it spoils.

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
from explorer.study.pits.symptoms import KINDS, SYMPTOMS, Kind, Roles, Symptom, named, not_here, roles_of, together
from explorer.study.questions.exact import LEAST_MINUTES
from explorer.study.questions.one_change import neighbours

REACH = 2
"""Steps each way that one swap of a part may go."""

NOTICED = 0.5
"""A change is a cure above this share of its measure's resolution: rounded to the resolution it may then differ."""
LEAST_SHARE = 0.5
"""Share of the scenarios in which a cure goes the right way at least: a mean may hang on a few."""

Move = tuple[int, tuple[tuple[int, float], ...]]
"""Steps by value, and (column, position) of each knob that moves."""

_NOISE = 1e-9


@dataclass(frozen=True)
class SideEffect:
    """What a rung does to another symptom: `change` of that symptom's measure in felt differences, more is better."""

    symptom: str
    change: float


@dataclass(frozen=True)
class Rung:
    """One part swapped, or the same part at both ends, `steps` levels up or down by value; `swaps` (knob, old, new).

    `cure` is the change of the measure, more is better, weighted mean over the scenarios that have an answer;
    `cure_per_minute` the same per minute; `share` of the scenarios' weight in which it goes the right way; `cures`
    where it is noticed, goes that way in half of them or more, and makes none of several symptoms noticeably worse;
    `first`: what everybody does first, whatever the model says. `unanswered` scenarios left out, `positions` (knobs,)
    of the setup, `broken` the limits it breaks at the best guess.
    """

    swaps: tuple[tuple[str, str, str], ...]
    steps: int
    minutes: float
    cure: float
    cure_per_minute: float
    cures: bool
    first: bool
    share: float
    side_effects: tuple[SideEffect, ...]
    broken: tuple[str, ...]
    unanswered: int
    positions: FloatArray

    @property
    def knob(self) -> str:
        """What is swapped."""
        return " and ".join(knob for knob, _, _ in self.swaps)

    @property
    def old(self) -> str:
        """Levels now."""
        return " and ".join(old for _, old, _ in self.swaps)

    @property
    def new(self) -> str:
        """Levels then."""
        return " and ".join(new for _, _, new in self.swaps)


@dataclass(frozen=True)
class Ladder:
    """Rungs in the order to try them: most cured per minute first, in the time left most cured; those that spoil last.

    `symptom` is the one asked of, or several together. `now` is the measure of the current setup, weighted mean over
    the scenarios; `broken_now` the limits it breaks; `phases` which phase plays which part; `left_out` changes that
    cannot be had, each with its reason, `too_long` how many take more than the time left; `not_asked` other symptoms
    this study cannot have, each with its reason; `scenarios` how many were asked, `unanswered` those in which the
    current setup has no answer. `message` says the outcome in words.
    """

    symptom: Symptom
    phases: Roles
    now: float
    broken_now: tuple[str, ...]
    rungs: tuple[Rung, ...]
    left_out: tuple[str, ...]
    too_long: int
    not_asked: tuple[str, ...]
    scenarios: int
    unanswered: int
    message: str


def ladder(
    space: Space,
    limits: tuple[ResolvedLimit, ...],
    current: FloatArray | None,
    symptoms: str | tuple[str, ...],
    scenarios: Scenarios | None = None,
    minutes: float | None = None,
) -> Ladder:
    """Changes from the setup `current` (knobs,), by default the baseline, against one symptom or several at once.

    Every knob goes up to `REACH` levels each way, and those that both ends have also together. Without scenarios the
    best guess alone is asked. With `minutes` left only what fits is ranked, by what it cures.

    Raises SpaceError for an unknown symptom or one that this study cannot have, ModelError when the model has no answer
    for the current setup.
    """
    asked = tuple(dict.fromkeys((symptoms,) if isinstance(symptoms, str) else symptoms))
    for key in asked:
        if key not in (kind.key for kind in KINDS):
            raise SpaceError(f"no symptom is called {key!r}; known: {', '.join(key for key, _ in SYMPTOMS)}")
    start = np.array(space.baseline if current is None else current, dtype=np.float64)
    moves = _moves(space, start)
    positions = np.repeat(start[None, :], len(moves) + 1, axis=0)
    for row, (_, changed) in enumerate(moves, start=1):
        for column, position in changed:
            positions[row, column] = position
    guess = table_of(space, positions)
    values, valid = (guess.values[None], guess.valid[None])
    weights = np.ones(1)
    if scenarios is not None:
        (values, valid), weights = evaluate_positions(space, positions, scenarios), scenarios.weights
    here = weights * valid[:, 0]
    if not guess.valid[0] or not here.sum() > 0.0:
        raise ModelError("the model has no answer for the current setup, so no change from it can be given")
    roles = roles_of(space)
    reasons = not_here(space, roles, values[valid[:, 0], 0])
    for key in asked:
        if key in reasons:
            raise SpaceError(f"{key}: {reasons[key]}")
    kinds = {kind.key: kind for kind in KINDS if kind.key not in reasons}
    kind = together(tuple(kinds[key] for key in asked))
    columns = metric_columns(space.phase_names)
    measures = {
        one.key: one.read(lambda name: values[..., columns.index(name)], roles) for one in (*kinds.values(), kind)
    }
    gained = {key: measure - measure[:, :1] for key, measure in measures.items()}
    broken = margins(limits, guess) < 0.0
    words = [tuple(one.text for one, bad in zip(limits, row, strict=True) if bad) for row in broken]
    left_out, rungs, too_long = [], [], 0
    for row, (steps, changed) in enumerate(moves, start=1):
        knobs = [(space.knobs[column], position) for column, position in changed]
        weight = here * valid[:, row]
        takes = sum(knob.minutes for knob, _ in knobs)
        reason = _cannot(space, positions[row], bool(guess.valid[row]) and bool(weight.sum() > 0.0))
        names = tuple(knob.name for knob, _ in knobs)
        first = any((names, steps) == kinds[key].first for key in asked)
        if not reason and minutes is not None and takes > minutes:
            if not first:
                too_long += 1
                continue
            reason = f"what everybody does first takes {takes:g} minutes, and {minutes:g} are left"
        if reason:
            left_out.append(" and ".join(f"{knob.name} to {knob.label_at(at)}" for knob, at in knobs) + f": {reason}")
            continue
        weight = weight / weight.sum()
        mean = {key: float(weight @ gained[key][:, row]) / one.felt for key, one in kinds.items()}
        cure = float(weight @ gained[kind.key][:, row])
        share = float(weight @ (gained[kind.key][:, row] > _NOISE))
        spoils = any(mean[key] < -NOTICED for key in asked)
        rungs.append(
            Rung(
                swaps=space.changes_between(start, positions[row]),
                steps=steps,
                minutes=takes,
                cure=cure,
                cure_per_minute=cure / max(takes, LEAST_MINUTES),
                cures=cure > NOTICED * kind.resolution and share >= LEAST_SHARE and not spoils,
                first=first,
                share=share,
                side_effects=tuple(SideEffect(key, value) for key, value in mean.items() if key != kind.key),
                broken=words[row],
                unanswered=int((~valid[:, row] & valid[:, 0]).sum()),
                positions=positions[row],
            )
        )
    rungs.sort(key=lambda rung: _order(rung, minutes is not None))
    now = float(here @ measures[kind.key][:, 0] / here.sum())
    seen = [kinds[key] for key in asked if kinds[key].seen_below]
    unseen = [one.words for one in seen if float(here @ measures[one.key][:, 0]) >= 0.0]
    return Ladder(
        symptom=named(kind, roles),
        phases=roles,
        now=now,
        broken_now=words[0],
        rungs=tuple(rungs),
        left_out=tuple(left_out),
        too_long=too_long,
        not_asked=tuple(f"{key}: {reason}" for key, reason in reasons.items()),
        scenarios=len(weights),
        unanswered=int((~valid[:, 0]).sum()),
        message=_message(kind, rungs, unseen),
    )


def _order(rung: Rung, timed: bool) -> tuple[bool, float, float, float]:
    ranked = rung.cure if timed else rung.cure_per_minute
    return (not rung.cures, -round(ranked, 9), -round(rung.cure, 9), rung.minutes)


def _moves(space: Space, start: FloatArray) -> list[Move]:
    """Every knob alone, then the knobs of both ends together, each within reach."""
    reach = {knob.name: (column, _reachable(knob, float(start[column]))) for column, knob in enumerate(space.knobs)}
    alone: list[Move] = [(steps, ((column, to),)) for column, found in reach.values() for steps, to in found]
    both: list[Move] = []
    for name, (column, found) in reach.items():
        other, there = reach.get(f"rear_{name.removeprefix('front_')}" if name.startswith("front_") else "", (0, []))
        both += [(steps, ((column, to), (other, dict(there)[steps]))) for steps, to in found if steps in dict(there)]
    return alone + both


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


def _message(kind: Kind, rungs: list[Rung], unseen: list[str]) -> str:
    cures = sum(rung.cures for rung in rungs)
    if cures:
        found = f"{cures} of {len(rungs)} changes cure some of it"
    else:
        least = f"{NOTICED * kind.resolution:g} {kind.unit}"
        found = f"no change cures it: none of {len(rungs)} moves it the right way by more than {least}"
        if any(rung.cure > NOTICED * kind.resolution for rung in rungs):
            found += " in half of the scenarios, without spoiling another of the symptoms"
    missing = f"; the model does not show this on the current setup: {', '.join(unseen)}" if unseen else ""
    return f"{kind.words}: {found}{missing}"
