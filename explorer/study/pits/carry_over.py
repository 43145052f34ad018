"""Which setups on this surface feel most like the one the driver likes on another.

What feel is and how far two feels are apart stands in `feel`. Every allowed setup is asked, in chunks whose size cannot
change the answer.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import BoolArray, FloatArray, IntArray, Reference, Space
from explorer.study.everything.evaluate import CHUNK, Progress, failed_setups, table_of
from explorer.study.everything.limits import ResolvedLimit, margins
from explorer.study.everything.stream import EXAMPLES, chunks
from explorer.study.pits.feel import FeelLine, WantedFeel, feel_lines, wanted_feel

OUT_OF_REACH = 2.0
"""A metric that stays further than this from what is wanted cannot be had. [felt differences]"""

FAR = 2.0
"""A feel whose nearest setup is further away than this cannot be had. [felt differences, on average]"""

_TIE_DIGITS = 9
_CANDIDATES = 16_384
_SEED_WORD = 0xCA44


@dataclass(frozen=True)
class Carried:
    """One setup here and how near its feel comes: `distance` in felt differences, weighted root mean square over
    `feel`.

    `positions` (knobs,) and `labels`; `changes` from the baseline and `from_liked` from the liked setup as (knob, from,
    to) with their work [min]. `kept` says that every limit holds, `broken` which do not. `given_up` names the metrics
    that it misses by more than `OUT_OF_REACH`.
    """

    positions: FloatArray
    labels: tuple[str, ...]
    distance: float
    feel: tuple[FeelLine, ...]
    changes: tuple[tuple[str, str, str], ...]
    minutes: float
    from_liked: tuple[tuple[str, str, str], ...]
    minutes_from_liked: float
    kept: bool
    broken: tuple[str, ...]
    given_up: tuple[str, ...]


@dataclass(frozen=True)
class OutOfReach:
    """A metric that no setup here brings near: `then`, what is `wanted` here, the `nearest` value of all, and by how
    many felt differences it still misses (`missed`, now less wanted)."""

    metric: str
    label: str
    unit: str
    then: float
    wanted: float
    nearest: float
    missed: float


@dataclass(frozen=True)
class CarryOver:
    """The liked setup `name` of `surface` brought here.

    `closest` and `closest_kept` (those that keep every limit), nearest first, no two of which feel the same when every
    metric is rounded to its felt difference. `feel` names the metrics compared, `phases` the phases both have,
    `only_there` and `only_here` those left out. `out_of_reach` what cannot be had at all. `asked` setups, of which
    `failed` have no answer (`failed_examples`) and `kept` keep every limit; `exact` when every allowed setup was asked.
    """

    name: str
    surface: str
    liked: tuple[str, ...]
    feel: tuple[str, ...]
    phases: tuple[str, ...]
    only_there: tuple[str, ...]
    only_here: tuple[str, ...]
    closest: tuple[Carried, ...]
    closest_kept: tuple[Carried, ...]
    out_of_reach: tuple[OutOfReach, ...]
    asked: int
    failed: int
    failed_examples: tuple[str, ...]
    kept: int
    exact: bool
    notes: tuple[str, ...]

    @property
    def cannot_be_had(self) -> bool:
        """Whether even the closest setup feels like another car."""
        return self.closest[0].distance > FAR


@dataclass(frozen=True)
class _Best:
    """The nearest setups so far, in order: `rows`, `positions` (best, knobs), `now` (best, metrics), `distance`."""

    rows: IntArray
    positions: FloatArray
    now: FloatArray
    distance: FloatArray


def carry_over(
    space: Space,
    limits: tuple[ResolvedLimit, ...] = (),
    name: str | None = None,
    size: int | None = None,
    candidates: FloatArray | None = None,
    progress: Progress | None = None,
    chunk: int = CHUNK,
) -> CarryOver:
    """The setups here that feel most like the liked setup `name`, by default the one the study asks for.

    Every allowed setup is asked where the study enumerates them; else `candidates` (rows, knobs), or seeded random
    setups with the baseline and the liked setup among them. `size` setups per list, by default the shortlist's. Order:
    distance with what leaving the liked parts costs, fewest changes from the liked setup, least work from it, first in
    the numbering.

    Raises SpaceError for a liked setup that is not defined, ModelError when the model has no answer for it there or for
    any setup here.
    """
    liked = _reference(space, space.planning.carry_over if name is None else name)
    count = space.settings.shortlist_size if size is None else size
    if count < 1:
        raise SpaceError(f"the number of setups asked for must be 1 or more, not {count}")
    wanted, shared = wanted_feel(space, liked)
    near, near_kept = _nothing(space, wanted), _nothing(space, wanted)
    least, reach = np.full(len(wanted.columns), np.inf), np.zeros(len(wanted.columns))
    failed_rows: list[FloatArray] = []
    asked = failed = kept = 0
    total, blocks = _blocks(space, candidates, wanted.liked, chunk)
    for positions in blocks:
        now, valid, good = _answers(space, limits, wanted, positions)
        rows = np.arange(asked, asked + len(positions))
        near = _merge(space, wanted, near, rows, positions, now, valid, count)
        near_kept = _merge(space, wanted, near_kept, rows, positions, now, good, count)
        off = np.where(valid[:, None], np.abs(wanted.missed(now)), np.inf)
        best = off.argmin(axis=0)
        nearer = off[best, np.arange(len(best))] < least
        least = np.where(nearer, off[best, np.arange(len(best))], least)
        reach = np.where(nearer, now[best, np.arange(len(best))], reach)
        failed_rows += list(positions[~valid][: EXAMPLES - len(failed_rows)])
        asked, failed, kept = asked + len(positions), failed + int((~valid).sum()), kept + int(good.sum())
        if progress is not None:
            progress("carry over", asked, total)
    if asked == failed:
        raise ModelError(f"the model has no answer for any of the {asked:,} setups here")
    exact = candidates is None and space.exhaustive
    only_there = tuple(phase for phase in liked.phase_names if phase not in shared)
    only_here = tuple(phase for phase in space.phase_names if phase not in shared)
    return CarryOver(
        name=liked.name,
        surface=liked.surface,
        liked=space.labels(wanted.liked),
        feel=wanted.columns,
        phases=shared,
        only_there=only_there,
        only_here=only_here,
        closest=_carried(space, limits, wanted, near),
        closest_kept=_carried(space, limits, wanted, near_kept),
        out_of_reach=_out_of_reach(wanted, reach),
        asked=asked,
        failed=failed,
        failed_examples=failed_setups(space, np.array(failed_rows)) if failed_rows else (),
        kept=kept,
        exact=exact,
        notes=_notes(liked, only_there, only_here, shared, kept, failed, asked, exact),
    )


def _reference(space: Space, name: str) -> Reference:
    known = ", ".join(reference.name for reference in space.references) or "none"
    if not name:
        raise SpaceError(f"no liked setup is named to carry over; this study has: {known}")
    for reference in space.references:
        if reference.name == name:
            return reference
    raise SpaceError(f"no liked setup is called {name!r}; this study has: {known}")


def _blocks(
    space: Space, candidates: FloatArray | None, liked: FloatArray, chunk: int
) -> tuple[int, Iterator[FloatArray]]:
    """How many setups are asked, and their positions in chunks."""
    if candidates is None and space.exhaustive:
        return space.size, (space.positions(start, stop) for start, stop in chunks(space.size, chunk))
    drawn = _drawn(space, liked) if candidates is None else np.asarray(candidates, dtype=np.float64)
    if drawn.ndim != 2 or len(drawn) == 0 or drawn.shape[1] != len(space.knobs):
        raise SpaceError(f"candidates must have shape (at least 1, {len(space.knobs)}), not {drawn.shape}")
    drawn = np.unique(drawn[space.allowed(drawn)], axis=0)
    if len(drawn) == 0:
        raise SpaceError("a rule forbids every candidate")
    return len(drawn), (drawn[start:stop] for start, stop in chunks(len(drawn), chunk))


def _drawn(space: Space, liked: FloatArray) -> FloatArray:
    """Seeded setups for a space that is not listed, every level or place in a range equally likely."""
    rng = np.random.default_rng([abs(space.seed), _SEED_WORD])
    columns = [
        rng.random(_CANDIDATES) if knob.continuous else rng.integers(0, knob.size, _CANDIDATES).astype(np.float64)
        for knob in space.knobs
    ]
    return np.concatenate([np.array([space.baseline, liked]), np.stack(columns, axis=1)])


def _answers(
    space: Space, limits: tuple[ResolvedLimit, ...], wanted: WantedFeel, positions: FloatArray
) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Feel (rows, metrics), valid (rows,) and which keep every limit (rows,)."""
    table = table_of(space, positions)
    now = table.values[:, [table.columns.index(column) for column in wanted.columns]]
    return np.ascontiguousarray(now), table.valid, table.valid & (margins(limits, table) >= 0.0).all(axis=1)


def _nothing(space: Space, wanted: WantedFeel) -> _Best:
    none = np.zeros(0)
    empty = np.zeros((0, len(space.knobs))), np.zeros((0, len(wanted.columns)))
    return _Best(np.zeros(0, dtype=np.int64), *empty, none)


def _merge(
    space: Space,
    wanted: WantedFeel,
    best: _Best,
    rows: IntArray,
    positions: FloatArray,
    now: FloatArray,
    take: BoolArray,
    count: int,
) -> _Best:
    """The first `count` setups that feel different, of those known and those new.

    The order is total and a setup loses only to one before it, so the best of a union lie within the union of bests.
    """
    rows = np.concatenate([best.rows, rows[take]])
    positions = np.concatenate([best.positions, positions[take]])
    now = np.concatenate([best.now, now[take]])
    distance = wanted.order(now, space, positions)
    felt = wanted.rounded(now)
    changed = positions != wanted.liked
    work = changed @ np.array([knob.minutes for knob in space.knobs])
    order = np.lexsort((rows, work, changed.sum(axis=1), np.round(distance, _TIE_DIGITS)))
    seen: set[bytes] = set()
    chosen: list[int] = []
    for index in order:
        key = felt[index].tobytes()
        if key not in seen:
            seen.add(key)
            chosen.append(int(index))
        if len(chosen) == count:
            break
    return _Best(rows[chosen], positions[chosen], now[chosen], wanted.distance(now[chosen]))


def _carried(space: Space, limits: tuple[ResolvedLimit, ...], wanted: WantedFeel, best: _Best) -> tuple[Carried, ...]:
    if len(best.rows) == 0:
        return ()
    broken = margins(limits, table_of(space, best.positions)) < 0.0
    found = []
    for index, positions in enumerate(best.positions):
        feel = feel_lines(wanted, best.now[index])
        words = tuple(one.text for one, bad in zip(limits, broken[index], strict=True) if bad)
        from_liked = _between(space, wanted.liked, positions)
        found.append(
            Carried(
                positions=positions,
                labels=space.labels(positions),
                distance=float(best.distance[index]),
                feel=feel,
                changes=space.changes(positions),
                minutes=float(space.minutes(positions[None, :])[0]),
                from_liked=from_liked,
                minutes_from_liked=float(sum(space.knobs[space.knob_index(knob)].minutes for knob, _, _ in from_liked)),
                kept=not words,
                broken=words,
                given_up=tuple(line.metric for line in feel if abs(line.missed) > OUT_OF_REACH),
            )
        )
    return tuple(found)


def _out_of_reach(wanted: WantedFeel, reach: FloatArray) -> tuple[OutOfReach, ...]:
    return tuple(
        OutOfReach(line.metric, line.label, line.unit, line.then, line.wanted, line.now, line.missed)
        for line in feel_lines(wanted, reach)
        if abs(line.missed) > OUT_OF_REACH
    )


def _between(space: Space, old: FloatArray, new: FloatArray) -> tuple[tuple[str, str, str], ...]:
    return tuple(
        (knob.name, knob.label_at(float(a)), knob.label_at(float(b)))
        for knob, a, b in zip(space.knobs, old, new, strict=True)
        if a != b
    )


def _notes(
    liked: Reference,
    only_there: tuple[str, ...],
    only_here: tuple[str, ...],
    shared: tuple[str, ...],
    kept: int,
    failed: int,
    asked: int,
    exact: bool,
) -> tuple[str, ...]:
    notes = []
    if only_there:
        notes.append(f"left out, only with {liked.name}: {', '.join(only_there)}")
    if only_here:
        notes.append(f"left out, only in this study: {', '.join(only_here)}")
    if not shared:
        notes.append("no phase has the same name on both surfaces: only the response is compared")
    if kept == 0:
        notes.append("no setup here keeps every limit")
    if failed:
        notes.append(f"{failed:,} of {asked:,} setups have no answer")
    if not exact:
        notes.append(f"{asked:,} setups were asked, not all there are")
    return tuple(notes)
