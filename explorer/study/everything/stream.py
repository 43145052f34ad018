"""One pass over every allowed setup, in chunks: what is left behind does not grow with the number of setups.

`part_of` answers for one chunk and is pure; `Running` merges parts. Every merge is associative and the order of the
parts does not matter, so chunk size, threads and machines cannot change a byte of the result. Only the columns that the
exact indices need are kept for every setup (`columns.ColumnStore`).
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np
from numba import get_num_threads, set_num_threads

from explorer.domain.space import BoolArray, FloatArray, IntArray, Space
from explorer.model.metrics import metric_columns
from explorer.study.everything.columns import ColumnStore
from explorer.study.everything.evaluate import (
    CHUNK,
    MetricTable,
    Progress,
    evaluate,
    failed_setups,
    fault_words,
    table_of,
)
from explorer.study.everything.front import (
    Front,
    felt_scores,
    nondominated,
    objective_values,
    pareto_front,
    saturated,
    scores_of,
)
from explorer.study.everything.limits import LimitCounts, ResolvedLimit, count_limits, feasible, violations
from explorer.study.everything.shortlist import least_violating
from explorer.study.everything.wishes import ResolvedWish, best_rows, shortfalls

EXAMPLES = 5
"""Setups without an answer that are kept as examples."""


@dataclass(frozen=True)
class Part:
    """What one chunk of rows `start` to `stop` contributes.

    `counts` of the limits; `feasible_by_level` per knob (levels,); `front_rows` and `front_scores` of the chunk's own
    front; `good` (rows,) which setups are feasible, `low` and `high` (objectives,) over them in edge units, infinite
    without any; `wished_rows` of those nearest to the wishes with `wished_missed` (those, wishes); `least_rows` of the
    setups that miss by least, with `least_missed` [resolutions] and `least_scores`, only where none is feasible;
    `failed_rows` the first without an answer, `failed_words` why, counted over all, `failed_by_level` per knob;
    `columns` (rows, asked) and `valid` (rows,) for every setup; `values` all metrics where wanted.
    """

    start: int
    stop: int
    counts: LimitCounts
    feasible_by_level: tuple[IntArray, ...]
    failed_by_level: tuple[IntArray, ...]
    front_rows: IntArray
    front_scores: FloatArray
    good: BoolArray
    low: FloatArray
    high: FloatArray
    wished_rows: IntArray
    wished_missed: FloatArray
    least_rows: IntArray
    least_missed: FloatArray
    least_scores: FloatArray
    failed_rows: IntArray
    failed_words: tuple[tuple[str, int], ...]
    columns: FloatArray
    valid: BoolArray
    values: FloatArray | None


@dataclass(frozen=True)
class Streamed:
    """What the pass over every setup found.

    `table` holds the front's members and the setups nearest to the wishes, or the setups that miss by least where
    nothing keeps every limit, with all metrics; `front` numbers its rows. `store` keeps the asked columns of every
    setup, `whole` all metrics of every setup where wanted. `setups_by_level`, `feasible_by_level`, `failed_by_level`
    per knob (levels,).
    """

    setups: int
    counts: LimitCounts
    table: MetricTable
    front: Front
    store: ColumnStore
    whole: MetricTable | None
    setups_by_level: tuple[IntArray, ...]
    feasible_by_level: tuple[IntArray, ...]
    failed_by_level: tuple[IntArray, ...]
    failed_examples: tuple[str, ...]
    failed_words: tuple[tuple[str, int], ...]


def part_of(
    space: Space,
    limits: tuple[ResolvedLimit, ...],
    asked: tuple[str, ...],
    keep_all: bool,
    start: int,
    stop: int,
    wishes: tuple[ResolvedWish, ...] = (),
) -> Part:
    """One chunk, evaluated and boiled down. Raises ModelError for a number that is not finite."""
    values, valid = evaluate(space, start, stop)
    positions = space.positions(start, stop)
    table = MetricTable(space, positions, metric_columns(space.phase_names), values[0], valid[0])
    good = feasible(limits, table)
    outcome = objective_values(table)
    scores = scores_of(outcome, space.objectives)
    kept = np.flatnonzero(good)
    rows = kept[nondominated(scores.T.take(kept, axis=1).T)]
    reached = outcome.T.take(kept, axis=1)
    missed_wishes = shortfalls(wishes, table.take(kept))
    wished = best_rows(space, wishes, positions[kept], kept, missed_wishes)
    least = np.zeros(0, dtype=np.int64)
    missed = np.zeros(0)
    if not good.any():
        candidates = np.flatnonzero(table.valid)
        amounts = violations(limits, table)[candidates].sum(axis=1)
        chosen = least_violating(space, positions[candidates], candidates, amounts, scores[candidates])
        least, missed = candidates[chosen], amounts[chosen]
    bad = np.flatnonzero(~table.valid)
    words = Counter(fault_words(space, positions[bad])) if len(bad) else Counter()
    wanted = [table.columns.index(name) for name in asked]
    return Part(
        start=start,
        stop=stop,
        counts=count_limits(limits, table),
        feasible_by_level=by_level(space, positions[good]),
        failed_by_level=by_level(space, positions[bad]),
        front_rows=rows + start,
        front_scores=scores[rows],
        good=good,
        low=reached.min(axis=1, initial=np.inf),
        high=reached.max(axis=1, initial=-np.inf),
        wished_rows=kept[wished] + start,
        wished_missed=missed_wishes[wished],
        least_rows=least + start,
        least_missed=missed,
        least_scores=scores[least],
        failed_rows=bad[:EXAMPLES] + start,
        failed_words=tuple(sorted(words.items())),
        columns=table.values[:, wanted],
        valid=table.valid,
        values=table.values if keep_all else None,
    )


def by_level(space: Space, positions: FloatArray) -> tuple[IntArray, ...]:
    """How many setups stand at each level of each knob, none for a continuous one. (rows, knobs) -> (levels,) each."""
    return tuple(
        np.zeros(0, dtype=np.int64)
        if knob.continuous
        else np.bincount(positions[:, column].astype(np.int64), minlength=knob.size).astype(np.int64)
        for column, knob in enumerate(space.knobs)
    )


class Running:
    """Merges parts as they come."""

    def __init__(
        self,
        space: Space,
        limits: tuple[ResolvedLimit, ...],
        asked: tuple[str, ...],
        keep_all: bool,
        wishes: tuple[ResolvedWish, ...] = (),
    ) -> None:
        self._space, self._limits, self._wishes = space, limits, wishes
        size = space.size
        self._store = ColumnStore(space, asked, size)
        self._values = np.zeros((size, len(metric_columns(space.phase_names)))) if keep_all else None
        self._broken = np.zeros(len(limits), dtype=np.int64)
        self._only = np.zeros(len(limits), dtype=np.int64)
        self._valid = self._feasible = self._invalid = 0
        self._good = [np.zeros(knob.size, dtype=np.int64) for knob in space.knobs]
        self._bad = [np.zeros(knob.size, dtype=np.int64) for knob in space.knobs]
        self._rows = np.zeros(0, dtype=np.int64)
        self._scores = np.zeros((0, len(space.objectives)))
        self._keeps = np.zeros(size, dtype=bool)
        self._low = np.full(len(space.objectives), np.inf)
        self._high = np.full(len(space.objectives), -np.inf)
        self._wished_rows = np.zeros(0, dtype=np.int64)
        self._wished_missed = np.zeros((0, len(wishes)))
        self._least_rows = np.zeros(0, dtype=np.int64)
        self._least_missed = np.zeros(0)
        self._least_scores = np.zeros((0, len(space.objectives)))
        self._failed_rows = np.zeros(0, dtype=np.int64)
        self._words: Counter[str] = Counter()

    def add(self, part: Part) -> None:
        """Take in one chunk."""
        space = self._space
        self._store.put(part.start, part.columns, part.valid)
        if self._values is not None:
            assert part.values is not None
            self._values[part.start : part.stop] = part.values
        self._broken += part.counts.broken
        self._only += part.counts.only
        self._valid += part.counts.valid
        self._feasible += part.counts.feasible
        self._invalid += part.counts.invalid
        for total, more in zip(self._good, part.feasible_by_level, strict=True):
            total += more
        for total, more in zip(self._bad, part.failed_by_level, strict=True):
            total += more
        self._keeps[part.start : part.stop] = part.good
        self._low = np.minimum(self._low, part.low)
        self._high = np.maximum(self._high, part.high)
        if len(part.wished_rows):
            rows = np.concatenate([self._wished_rows, part.wished_rows])
            missed = np.concatenate([self._wished_missed, part.wished_missed])
            chosen = best_rows(space, self._wishes, space.positions_of(rows), rows, missed)
            self._wished_rows, self._wished_missed = rows[chosen], missed[chosen]
        if len(part.front_rows):
            rows = np.concatenate([self._rows, part.front_rows])
            scores = np.concatenate([self._scores, part.front_scores])
            keep = nondominated(scores)
            self._rows, self._scores = rows[keep], scores[keep]
        if self._feasible == 0 and len(part.least_rows):
            rows = np.concatenate([self._least_rows, part.least_rows])
            missed = np.concatenate([self._least_missed, part.least_missed])
            scores = np.concatenate([self._least_scores, part.least_scores])
            chosen = least_violating(space, space.positions_of(rows), rows, missed, scores)
            self._least_rows, self._least_missed, self._least_scores = rows[chosen], missed[chosen], scores[chosen]
        self._failed_rows = np.sort(np.concatenate([self._failed_rows, part.failed_rows]))[:EXAMPLES]
        self._words.update(dict(part.failed_words))

    def finish(self) -> Streamed:
        """The answer over all parts added."""
        space = self._space
        dropped = saturated(space.objectives, self._low, self._high) if self._feasible else ()
        members = self._front_without(dropped) if dropped else self._rows
        rows = np.unique(np.concatenate([members, self._wished_rows])) if self._feasible else np.sort(self._least_rows)
        positions = space.positions_of(rows)
        table = table_of(space, positions)
        among = None if self._feasible else np.zeros(len(table), dtype=bool)
        front = pareto_front(table, among, exact=True, dropped=dropped)
        whole = None
        if self._values is not None:
            columns = metric_columns(space.phase_names)
            whole = MetricTable(space, space.positions(0, space.size), columns, self._values, self._store.valid)
        return Streamed(
            setups=space.size,
            counts=LimitCounts(self._limits, self._broken, self._only, self._valid, self._feasible, self._invalid),
            table=table,
            front=front,
            store=self._store,
            whole=whole,
            setups_by_level=_levels(space),
            feasible_by_level=tuple(self._good),
            failed_by_level=tuple(self._bad),
            failed_examples=failed_setups(space, space.positions_of(self._failed_rows)),
            failed_words=tuple(sorted(self._words.items(), key=lambda entry: (-entry[1], entry[0]))),
        )

    def _front_without(self, dropped: tuple[str, ...]) -> IntArray:
        """Rows of the front when saturated objectives take no part: those that tie without them are members too."""
        space = self._space
        columns = [self._store.column(objective.metric) for objective in space.objectives]
        rows = np.zeros(0, dtype=np.int64)
        scores = np.zeros((0, len(columns)))
        for start, stop in chunks(space.size):
            more = start + np.flatnonzero(self._keeps[start:stop])
            values = np.stack([column[more] for column in columns], axis=1)
            rows = np.concatenate([rows, more])
            scores = np.concatenate([scores, felt_scores(values, space.objectives, dropped)])
            keep = nondominated(scores)
            rows, scores = rows[keep], scores[keep]
        return rows


def _levels(space: Space) -> tuple[IntArray, ...]:
    """How many allowed setups stand at each level."""
    if space.allowed_rows is None:
        return tuple(np.full(knob.size, space.size // knob.size, dtype=np.int64) for knob in space.knobs)
    total = [np.zeros(knob.size, dtype=np.int64) for knob in space.knobs]
    for start, stop in chunks(space.size):
        for counts, more in zip(total, by_level(space, space.positions(start, stop)), strict=True):
            counts += more
    return tuple(total)


def chunks(size: int, chunk: int = CHUNK) -> Iterator[tuple[int, int]]:
    """(start, stop) of each chunk."""
    for start in range(0, size, chunk):
        yield start, min(start + chunk, size)


P = TypeVar("P")


class PartMaker(Protocol):
    """How parts are made: given the chunks and the function for one, hands back the parts in any order."""

    def __call__(self, ranges: Iterable[tuple[int, int]], work: Callable[[int, int], P]) -> Iterable[P]:
        """A part for every chunk."""


def one_by_one(ranges: Iterable[tuple[int, int]], work: Callable[[int, int], P]) -> Iterator[P]:
    """Every chunk here, in order, as many at a time as there are threads: did the kernel alone use all cores, what is
    done beside it would leave all but one idle."""
    threads = get_num_threads()

    def alone(start: int, stop: int) -> P:
        set_num_threads(1)  # in this thread only: numba counts each calling thread apart
        return work(start, stop)

    with ThreadPoolExecutor(threads) as crew:
        waiting: deque[Future[P]] = deque()
        for start, stop in ranges:
            if len(waiting) > threads:
                yield waiting.popleft().result()
            waiting.append(crew.submit(alone, start, stop))
        while waiting:
            yield waiting.popleft().result()


def stream(
    space: Space,
    limits: tuple[ResolvedLimit, ...],
    asked: tuple[str, ...],
    keep_all: bool = False,
    progress: Progress | None = None,
    maker: PartMaker = one_by_one,
    chunk: int = CHUNK,
    wishes: tuple[ResolvedWish, ...] = (),
) -> Streamed:
    """Evaluate every allowed setup and keep what the questions need. `asked` columns and the objectives are kept for
    every setup.

    Raises SpaceError without objectives or with a continuous knob, ModelError for a number that is not finite.
    """
    columns = tuple(dict.fromkeys((*asked, *(objective.metric for objective in space.objectives))))
    running = Running(space, limits, columns, keep_all, wishes)
    done = 0
    work = _Work(space, limits, columns, keep_all, wishes)
    for part in maker(chunks(space.size, chunk), work):
        running.add(part)
        done += part.stop - part.start
        if progress is not None:
            progress("every setup", done, space.size)
    return running.finish()


@dataclass(frozen=True)
class _Work:
    """`part_of` with its study bound; can be sent to another process."""

    space: Space
    limits: tuple[ResolvedLimit, ...]
    asked: tuple[str, ...]
    keep_all: bool
    wishes: tuple[ResolvedWish, ...] = ()

    def __call__(self, start: int, stop: int) -> Part:
        return part_of(self.space, self.limits, self.asked, self.keep_all, start, stop, self.wishes)
