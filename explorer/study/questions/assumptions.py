"""Which assumption would change the advice: every input nobody measured moved over its spread, one at a time.

The questions are asked again of a thinned space (every knob keeps its ends and the baseline, as many levels between as
`MOST_SETUPS` allows), so that the answer costs seconds. Both ends of the car move together where the same assumption is
made at both. Inputs that are measured but seldom well are moved too: height of the centre of gravity, tyre stiffness;
and on beam axles a stand-in for wheels that lean with the body.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from explorer.domain.errors import ExplorerError
from explorer.domain.space import Assumption, FloatArray, Knob, Rule, Space
from explorer.domain.units import unit_of
from explorer.domain.unknowns import CG_HEIGHT_SPREAD, TYRE_RATE_SPREAD, UNLIKE_ENDS
from explorer.model.car.slots import SLOT, SLOTS
from explorer.study.everything.evaluate import MetricTable, Progress, evaluate_all
from explorer.study.everything.front import Front, pareto_front
from explorer.study.everything.limits import feasible, resolve_limits
from explorer.study.everything.shortlist import Shortlist, make_shortlist
from explorer.study.questions.exact import exact_indices
from explorer.study.questions.sensitivity import Sensitivity

MOST_SETUPS = 2_100
"""Setups of the thinned space at most."""

LEANING_ROLL = 0.16
"""Wheels that lean with the body roll more by this share than wheels held square to the road (median of the proof)."""

CONTINUOUS_LEVELS = 9
"""Levels that a continuous knob gets at most."""

NOT_BELOW_NOTHING = ("tyre_side_compliance",)
"""Ends of names of numbers that are 0 at the least."""

_POSITIVE_SHARE = 0.1
"""A positive number is never moved below this share of itself."""


@dataclass(frozen=True)
class Mover:
    """One assumption as the slots it moves: from `low` to `high` factors and offsets [SI] on each slot (slots,).

    `text` says over which range, in words.
    """

    name: str
    text: str
    slots: tuple[int, ...]
    low_factor: FloatArray
    high_factor: FloatArray
    low_offset: FloatArray | float = 0.0
    high_offset: FloatArray | float = 0.0


@dataclass(frozen=True)
class AssumptionEffect:
    """What one assumption does to the advice, at the worse end of its spread.

    `index_change` (objectives, knobs) is the larger change of each index, low or high end; `shortlist_kept` the share
    of the nominal shortlist that is still on the front; `limits_kept` the share of it that still keeps every limit;
    `best_moved` the knob changes from the nominal balanced setup to the new one, (knob, from, to); `note` says why
    there is no answer at an end.
    """

    name: str
    text: str
    index_change: FloatArray
    shortlist_kept: float
    limits_kept: float
    best_moved: tuple[tuple[str, str, str], ...]
    note: str = ""

    @property
    def largest(self) -> float:
        """Largest change of any index."""
        return float(np.max(self.index_change, initial=0.0))


@dataclass(frozen=True)
class AssumptionEffects:
    """Every assumption's effect, worst first: by what is left of the shortlist, then by change of the indices.

    `setups` of the thinned space that was asked, `whole` when nothing had to be left out; `kind` names the index.
    """

    objectives: tuple[str, ...]
    knobs: tuple[str, ...]
    kind: str
    setups: int
    whole: bool
    levels: tuple[int, ...]
    effects: tuple[AssumptionEffect, ...]


@dataclass(frozen=True)
class _Advice:
    indices: FloatArray
    front: Front | None
    best: FloatArray | None
    shortlist: FloatArray
    keeps: MetricTable


def thinned_space(space: Space, most: int = MOST_SETUPS) -> Space:
    """The same study with fewer levels per knob: both ends, the baseline and the liked setups, and some between.

    A continuous knob gets levels over its range. What was seen in practice is left out: its setups may be gone.
    """
    held = [_held(space, column) for column in range(len(space.knobs))]
    ends = [
        len({*keep, 0.0, 1.0 if knob.continuous else knob.size - 1.0})
        for keep, knob in zip(held, space.knobs, strict=True)
    ]
    limit = [knob.size or CONTINUOUS_LEVELS for knob in space.knobs]
    counts = [min(max(len(keep), 2), most_levels) for keep, most_levels in zip(held, limit, strict=True)]
    while True:
        # first everybody's ends, then the knob with the smallest share of its levels: one level at a time
        order = sorted(range(len(counts)), key=lambda k: (counts[k] >= ends[k], counts[k] / limit[k], k))
        grown = next((k for k in order if counts[k] < limit[k] and _size(counts, k) <= most), None)
        if grown is None:
            break
        counts[grown] += 1
    knobs, places = [], []
    for column, knob in enumerate(space.knobs):
        chosen = _levels(knob, counts[column], held[column])
        knobs.append(_cut(knob, chosen))
        places.append(chosen)

    def moved(positions: tuple[float, ...]) -> tuple[float, ...]:
        return tuple(
            float(np.flatnonzero(np.isclose(chosen, at))[0]) for chosen, at in zip(places, positions, strict=True)
        )

    return replace(
        space,
        knobs=tuple(knobs),
        rules=tuple(_cut_rules(space.rules, {knob.name: knob.labels for knob in knobs})),
        baseline=moved(space.baseline),
        references=tuple(replace(liked, positions=moved(liked.positions)) for liked in space.references),
        settings=replace(space.settings, method="exhaustive", build_samples=1),
        planning=replace(space.planning, seen=()),
    )


def _held(space: Space, column: int) -> tuple[float, ...]:
    return tuple(sorted({space.baseline[column], *(liked.positions[column] for liked in space.references)}))


def _size(counts: list[int], grown: int) -> int:
    return int(np.prod([count + (k == grown) for k, count in enumerate(counts)]))


def _levels(knob: Knob, count: int, held: tuple[float, ...]) -> FloatArray:
    """`count` positions in order: the held ones, the ends, and evenly between as far as that goes."""
    last = 1.0 if knob.continuous else float(knob.size - 1)
    wanted = np.linspace(0.0, last, max(count, 2))
    even = wanted if knob.continuous else np.unique(np.round(wanted))
    chosen = list(dict.fromkeys(held))
    for at in (*even[[0, -1]], *even):
        if len(chosen) < count and not np.isclose(chosen, at).any():
            chosen.append(float(at))
    return np.array(sorted(chosen))


def _cut(knob: Knob, chosen: FloatArray) -> Knob:
    if not knob.continuous:
        at = [int(place) for place in chosen]
        return replace(
            knob,
            labels=tuple(knob.labels[k] for k in at),
            values=tuple(knob.values[k] for k in at),
            settings=tuple(knob.settings[k] for k in at),
        )
    low, high = (np.array(setting) for setting in knob.settings)
    return replace(
        knob,
        continuous=False,
        labels=tuple(knob.label_at(float(place)) for place in chosen),
        values=tuple(knob.value_at(float(place)) for place in chosen),
        settings=tuple(tuple(float(v) for v in low + place * (high - low)) for place in chosen),
    )


def _cut_rules(rules: tuple[Rule, ...], left: dict[str, tuple[str, ...]]) -> list[Rule]:
    """Rules over the levels that are left; one whose `when` cannot happen any more is dropped."""
    kept = []
    for rule in rules:
        when = tuple((name, tuple(label for label in labels if label in left[name])) for name, labels in rule.when)
        only = tuple((name, tuple(label for label in labels if label in left[name])) for name, labels in rule.only)
        if all(labels for _, labels in when):
            kept.append(replace(rule, when=when, only=only if all(labels for _, labels in only) else ()))
    return kept


def moved_space(space: Space, slots: tuple[int, ...], factor: FloatArray, offset: FloatArray | float = 0.0) -> Space:
    """The same study with the true value of some slots multiplied and shifted, whoever sets them: base, knobs, liked
    setups."""
    scale, shift = np.ones(len(SLOTS)), np.zeros(len(SLOTS))
    scale[list(slots)], shift[list(slots)] = factor, offset
    knobs = tuple(
        replace(
            knob,
            settings=tuple(
                tuple(float(value * scale[slot] + shift[slot]) for value, slot in zip(setting, knob.slots, strict=True))
                for setting in knob.settings
            ),
        )
        for knob in space.knobs
    )
    references = tuple(replace(liked, base=liked.base * scale + shift) for liked in space.references)
    return replace(space, knobs=knobs, base=space.base * scale + shift, references=references)


def movers(space: Space) -> tuple[Mover, ...]:
    """Every assumption with a spread as what it moves; both ends together where both are assumed and
    nothing speaks for unlike ends."""
    found: dict[str, list[Assumption]] = {}
    keys = {assumption.key for assumption in space.assumptions}
    apart = tuple(end + stem for end in ("front_", "rear_") for stem in UNLIKE_ENDS)
    for assumption in space.assumptions:
        if assumption.spread <= 0.0 or _slot_of(assumption.key) is None:
            continue
        name = assumption.key
        for end, other in (("front_", "rear_"), ("rear_", "front_")):
            if name.startswith(end) and other + name.removeprefix(end) in keys and not name.startswith(apart):
                name = name.removeprefix(end)
                break
        found.setdefault(name, []).append(assumption)
    result = []
    for name, group in found.items():
        slots = tuple(slot for one in group if (slot := _slot_of(one.key)) is not None)
        ends = [(_floor(one), one.value + one.spread) for one in group]
        unit = unit_of(group[0].key)
        label = unit.label if unit else ""
        low_end, high_end = (float(f"{end:.3g}") for end in ends[0])
        text = f"{low_end:g} to {high_end:g} {label}".strip() + (" at both ends" if len(group) > 1 else "")
        low, high = (_moves(group, [end[place] for end in ends], unit.factor if unit else 1.0) for place in (0, 1))
        result.append(Mover(_plain(name), text, slots, low[0], high[0], low[1], high[1]))
    base = space.base
    height = float(base[SLOT["cg_height"]])
    share = CG_HEIGHT_SPREAD / height
    moved = {slot for one in result for slot in one.slots}
    if SLOT["cg_height"] not in moved:
        result.append(
            Mover(
                "height of the centre of gravity",
                f"{1e3 * (height - CG_HEIGHT_SPREAD):.3g} to {1e3 * (height + CG_HEIGHT_SPREAD):.3g} mm",
                (SLOT["cg_height"],),
                np.array([1.0 - share]),
                np.array([1.0 + share]),
            )
        )
    tyres = tuple(SLOT[f"{end}_tyre_rate"] for end in ("front", "rear") if SLOT[f"{end}_tyre_rate"] not in moved)
    if tyres:
        stiff = np.full(len(tyres), TYRE_RATE_SPREAD)
        where = " at both ends" if len(tyres) == 2 else ""
        result.append(Mover("tyre stiffness", f"15 % softer or stiffer{where}", tyres, 1.0 - stiff, 1.0 + stiff))
    if space.axle != "beam":
        return tuple(result)
    rates = tuple(SLOT[f"{end}_{part}_rate"] for end in ("front", "rear") for part in ("spring", "bar"))
    soft = np.full(4, 1.0 / (1.0 + LEANING_ROLL))
    result.append(
        Mover(
            "wheels that lean with the body",
            f"stand-in: springs and bars softer by what makes {100 * LEANING_ROLL:.0f} % more roll",
            rates,
            soft,
            np.ones(4),
        )
    )
    return tuple(result)


def _plain(name: str) -> str:
    unit = unit_of(name)
    return (name.removesuffix("_" + unit.suffix) if unit else name).replace("_", " ")


def _slot_of(key: str) -> int | None:
    unit = unit_of(key)
    for stem in (key, key.removesuffix("_" + unit.suffix) if unit else key):
        if stem in SLOT:
            return SLOT[stem]
    return None


def _floor(one: Assumption) -> float:
    """Low end: a positive number stays above a tenth of itself; one that may change sign moves freely."""
    if one.value > 0.0:
        return max(one.value - one.spread, _POSITIVE_SHARE * one.value)
    return 0.0 if _plain(one.key).replace(" ", "_").endswith(NOT_BELOW_NOTHING) else one.value - one.spread


def _moves(group: list[Assumption], ends: list[float], unit: float) -> tuple[FloatArray, FloatArray]:
    """(factors, offsets [SI]) that take each assumption to an end: a factor, but from 0 an offset."""
    pairs = list(zip(group, ends, strict=True))
    factor = np.array([end / one.value if one.value != 0.0 else 1.0 for one, end in pairs])
    return factor, np.array([end * unit if one.value == 0.0 else 0.0 for one, end in pairs])


def assumption_effects(space: Space, progress: Progress | None = None) -> AssumptionEffects:
    """Ask the thinned study again at both ends of every assumption's spread.

    Raises SpaceError or ModelError where the nominal study itself cannot be answered.
    """
    small = thinned_space(space)
    nominal, kind = _advice(small)
    moves = movers(space)
    effects = []
    for done, mover in enumerate(moves, start=1):
        effects.append(_effect(small, mover, nominal))
        if progress is not None:
            progress("assumptions", done, len(moves))
    effects.sort(key=lambda one: (one.shortlist_kept, one.limits_kept, -one.largest))
    return AssumptionEffects(
        objectives=tuple(objective.metric for objective in space.objectives),
        knobs=space.knob_names,
        kind=kind,
        setups=small.size,
        whole=space.enumerable and small.size == space.size,
        levels=tuple(knob.size for knob in small.knobs),
        effects=tuple(effects),
    )


def _advice(space: Space) -> tuple[_Advice, str]:
    """Indices, front and shortlist of a small enumerable study."""
    table = evaluate_all(space)
    indices, kind = _shares(exact_indices(table, tuple(objective.metric for objective in space.objectives)))
    good = feasible(resolve_limits(space), table)
    if not good.any():
        return _Advice(indices, None, None, np.zeros((0, len(space.knobs))), table), kind
    front = pareto_front(table, good)
    found = make_shortlist(table, resolve_limits(space), front)
    assert isinstance(found, Shortlist)
    best = next(pick for pick in found.picks if "balanced" in pick.kinds)
    return _Advice(indices, front, best.positions, np.array([pick.positions for pick in found.picks]), table), kind


def _shares(found: Sensitivity) -> tuple[FloatArray, str]:
    if found.shapley is None:
        assert found.total is not None
        return found.total, "total index"
    return found.shapley, "Shapley effect"


def _effect(space: Space, mover: Mover, nominal: _Advice) -> AssumptionEffect:
    change = np.zeros_like(nominal.indices)
    kept = keeps = 1.0
    moved_to: tuple[tuple[str, str, str], ...] = ()
    notes = []
    sides = (("low", mover.low_factor, mover.low_offset), ("high", mover.high_factor, mover.high_offset))
    for end, factor, offset in sides:
        if (factor == 1.0).all() and np.all(offset == 0.0):
            continue
        there = moved_space(space, mover.slots, factor, offset)
        try:
            advice, _ = _advice(there)
        except ExplorerError as fault:
            notes.append(f"{end} end: {fault}")
            continue
        change = np.maximum(change, np.abs(advice.indices - nominal.indices))
        if nominal.best is None:
            continue
        good = feasible(resolve_limits(there), advice.keeps)
        rows = [space.row_of(positions) for positions in nominal.shortlist]
        keeps = min(keeps, float(good[rows].mean()))
        if advice.front is None or advice.best is None:
            notes.append(f"{end} end: nothing keeps every limit")
            kept = 0.0
            continue
        kept = min(kept, float(np.isin(rows, advice.front.rows).mean()))
        changes = _between(space, nominal.best, advice.best)
        moved_to = max(moved_to, changes, key=len)
    return AssumptionEffect(mover.name, mover.text, change, kept, keeps, moved_to, "; ".join(notes))


def _between(space: Space, old: FloatArray, new: FloatArray) -> tuple[tuple[str, str, str], ...]:
    return tuple(
        (knob.name, knob.label_at(float(a)), knob.label_at(float(b)))
        for knob, a, b in zip(space.knobs, old, new, strict=True)
        if a != b
    )
