"""Which setups the page draws, and what its script is told about each. Plain data, no HTML."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from explorer.domain import seeds
from explorer.domain.space import BoolArray, FloatArray, Space
from explorer.model.metrics import describe
from explorer.report import words
from explorer.report.page.markup import set_argument
from explorer.report.words import flat
from explorer.study.everything.evaluate import MetricTable
from explorer.study.everything.limits import feasible
from explorer.study.everything.shortlist import Shortlist, picks_of
from explorer.study.results import RunResult

MOST_ROWS = 3_000
"""Setups drawn at most; a bigger space is thinned and the page says so."""

MOST_POINTS = 12_000
"""Points over all scatter panels at most: more make a slow machine stutter."""

MOST_NUMBERS = 240_000
"""Numbers told about wheel loads and angles; later rows go without their drawing of the car."""

EXTRA_AXES = 5
"""Metrics beside the objectives that get an axis of their own."""

THINNING = 101
"""Stage number of the draw of rows (see `explorer.domain.seeds`)."""

WHEELS = ("front_inner", "front_outer", "rear_inner", "rear_outer")
PHASE_STEMS = (
    *(f"{wheel}_load_n" for wheel in WHEELS),
    *(f"{wheel}_inclination_deg" for wheel in WHEELS),
    "roll_deg",
    "grip_margin_pct",
    "balance_pct",
    "lift_margin_pct",
    "limited_by",
    "state",
    "lift_axle",
)
"""What the drawing of the car needs of each phase, in this order."""


@dataclass(frozen=True)
class Drawn:
    """Setups on the page, those that matter first: shortlist (or near misses), baseline, front, others.

    `table` holds them; `marks` (rows,) "1", "2" of the shortlist, "m1" of near misses, "B" of the baseline, else "";
    `front` and `kept` (rows,) say which are on the front and which keep every limit. `total` setups had an answer and
    could have been drawn; `kept_all` says that the run kept the metrics of every setup it looked at.
    """

    table: MetricTable
    marks: tuple[str, ...]
    front: BoolArray
    kept: BoolArray
    total: int
    kept_all: bool

    def __len__(self) -> int:
        return len(self.table)

    @property
    def thinned(self) -> bool:
        """Whether setups were left out."""
        return len(self) < self.total


def axis_metrics(space: Space) -> tuple[str, ...]:
    """Metrics with an axis: the objectives, then what a reader looks at first."""
    return words.key_metrics(space, len({o.metric for o in space.objectives}) + EXTRA_AXES)


def scatter_metrics(space: Space) -> tuple[str, ...]:
    """Metrics of the scatter panels: the objectives; a single one gets the next key metric beside it."""
    names = tuple(dict.fromkeys(objective.metric for objective in space.objectives))
    return names if len(names) > 1 else words.key_metrics(space, 2)


def panels(space: Space) -> int:
    """Scatter panels: each pair of metrics once."""
    size = len(scatter_metrics(space))
    return size * (size - 1) // 2


def drawn_setups(result: RunResult) -> Drawn:
    """Choose the setups to draw. Front members that name a point come before their ties, the rest by a seeded draw."""
    space, table = result.space, result.table
    most = min(MOST_ROWS, max(300, MOST_POINTS // max(1, panels(space))))
    picks, front = picks_of(result.shortlist), result.front
    letter = "" if isinstance(result.shortlist, Shortlist) else "m"
    named = front.rows[front.named]
    ties = front.rows[~front.named]
    first = table.take(np.array([*(pick.row for pick in picks), *named, *ties], dtype=np.int64))
    baseline = result.baseline
    pool = table if result.whole is None else result.whole
    answered = np.flatnonzero(pool.valid)
    draw = np.random.default_rng(seeds.stage_seed(space.seed, THINNING)).permutation(len(answered))
    blocks = (
        first.take(np.arange(len(picks))),
        baseline,
        first.take(np.arange(len(picks), len(first))),
        pool.take(answered[draw[: most + len(first) + 1]]),
    )
    positions = np.concatenate([block.positions for block in blocks])
    values = np.concatenate([block.values for block in blocks])
    valid = np.concatenate([block.valid for block in blocks])
    marks = [f"{letter}{rank}" for rank in range(1, len(picks) + 1)] + ["B"]
    on_front = {tuple(place) for place in front.positions}
    seen: dict[tuple[float, ...], int] = {}
    keep: list[int] = []
    shown: list[str] = []
    for row in np.flatnonzero(valid):
        key = tuple(positions[row])
        mark = marks[row] if row < len(marks) else ""
        if key in seen:
            if mark:
                shown[seen[key]] = f"{shown[seen[key]]} {mark}".strip()
            continue
        if len(keep) == most:
            break
        seen[key] = len(keep)
        keep.append(int(row))
        shown.append(mark)
    taken = MetricTable(space, positions[keep], table.columns, values[keep], valid[keep])
    inside = {tuple(place) for place in pool.positions[answered]} if len(answered) <= most else None
    outside = 0 if inside is None else sum(key not in inside for key in seen)
    return Drawn(
        table=taken,
        marks=tuple(shown),
        front=np.array([tuple(place) in on_front for place in taken.positions], dtype=bool),
        kept=feasible(result.limits, taken),
        total=len(answered) + outside,
        kept_all=result.whole is not None,
    )


def thinning_text(result: RunResult, drawn: Drawn) -> str:
    """What is drawn and what is left out, with both numbers."""
    front = int(drawn.front.sum())
    whole_front = front == len(result.front)
    on = f"all {front:,} setups on the front" if whole_front else f"{front:,} of the {len(result.front):,} on the front"
    if not drawn.thinned:
        looked = words.count(len(drawn), "setup")
        if drawn.kept_all:
            return f"Every setup with an answer is drawn: {looked}."
        return f"Drawn: {looked}. The run kept the metrics of these; it looked at {result.setups:,}."
    rest = "and a random draw of the others" if whole_front else "those that name a point first"
    return (
        f"{len(drawn):,} of {drawn.total:,} setups are drawn, for a quick page: {on}, {rest} "
        f"(seed {result.space.seed}). The tables hold them all."
    )


def page_data(result: RunResult, drawn: Drawn) -> dict[str, Any]:
    """Everything the page's script works with, as plain JSON values."""
    space, table = result.space, drawn.table
    metrics = axis_metrics(space)
    scatter = scatter_metrics(space)
    names = tuple(dict.fromkeys((*metrics, *scatter)))
    wanted = {objective.metric: words.better(objective) for objective in space.objectives}
    detailed = detail_rows(space, drawn)
    return {
        "knobs": [
            {
                "name": flat(words.knob_label(knob)),
                "unit": flat(knob.unit),
                "levels": [] if knob.continuous else [flat(label) for label in knob.labels],
                "values": [float(v) for v in knob.values],
                "args": [] if knob.continuous else [set_argument(knob.name, label) for label in knob.labels],
            }
            for knob in space.knobs
        ],
        "metrics": [
            {
                "label": flat(words.metric_label(metric)),
                "unit": describe(metric).unit,
                "places": words.decimals(describe(metric).resolution),
                "better": wanted.get(metric, ""),
            }
            for metric in names
        ],
        "scatter": [names.index(metric) for metric in scatter],
        "objectives": [names.index(metric) for metric in wanted],
        "positions": [[_plain(p) for p in place] for place in table.positions],
        "texts": [] if space.enumerable else [[flat(t) for t in space.labels(place)] for place in table.positions],
        "lines": [] if space.enumerable else [set_line(space, place) for place in table.positions],
        "values": _columns(table, names, 1),
        "marks": list(drawn.marks),
        "front": [int(v) for v in drawn.front],
        "kept": [int(v) for v in drawn.kept],
        "phases": [flat(words.spaced(phase)) for phase in space.phase_names],
        "stems": len(PHASE_STEMS),
        "detail": _columns(table.take(np.arange(detailed)), detail_columns(space), 0),
    }


def set_line(space: Space, positions: FloatArray) -> str:
    """A setup as the command line takes it: "--set front_bar=1.2 --set rear_bar=none"."""
    return " ".join(
        set_argument(knob, label) for knob, label in zip(space.knob_names, space.labels(positions), strict=True)
    )


def detail_columns(space: Space) -> tuple[str, ...]:
    """Columns behind the drawing of the car: phase by phase, each in the order of `PHASE_STEMS`."""
    return tuple(f"{phase}.{stem}" for phase in space.phase_names for stem in PHASE_STEMS)


def detail_rows(space: Space, drawn: Drawn) -> int:
    """How many of the drawn setups, from the first, carry what the drawing of the car needs."""
    return min(len(drawn), MOST_NUMBERS // max(1, len(detail_columns(space))))


def _columns(table: MetricTable, names: tuple[str, ...], more: int) -> list[list[float | int]]:
    """Metrics shortened to what can be felt and `more` decimals, row by row."""
    columns = [_short_column(table.column(name), words.decimals(describe(name).resolution), more) for name in names]
    return [list(row) for row in zip(*columns, strict=True)] if columns else [[] for _ in range(len(table))]


def _short_column(values: FloatArray, places: int, more: int) -> list[float | int]:
    """`shortened` of a whole column: at once where no rounding is near a tie, one by one elsewhere."""
    scaled = values * 10.0 ** (places + more)
    whole = np.rint(scaled)
    tie = np.abs(np.abs(scaled - whole) - 0.5) < 1e-6
    doubt = tie | (np.abs(whole % 10.0**more - 0.5 * 10.0**more) < 0.5) | (np.abs(whole) > 1e12)
    found: list[float | int] = (whole / 10.0 ** (places + more)).tolist()
    for row in np.flatnonzero(whole % 10.0 ** (places + more) == 0.0):
        found[row] = int(found[row])
    for row in np.flatnonzero(doubt):
        found[row] = shortened(float(values[row]), places, more)
    return found


def shortened(value: float, places: int, more: int = 1) -> float | int:
    """A number with `more` decimals than are shown, or as many as it takes to be shown as the tables show it.

    >>> shortened(82.2494, 1), shortened(82.2434, 1), shortened(82.2494, 1, 0)
    (82.249, 82.24, 82.2)
    """
    shown = round(value, places)
    for extra in range(more, 7):
        short = round(value, places + extra)
        tail = f"{short:.{places + extra}f}"[-extra:] if extra else ""
        if round(short, places) == shown and tail.rstrip("0") != "5":
            return _plain(short)
    return _plain(shown)


def _plain(value: float) -> float | int:
    """A number without a needless ".0"."""
    number = float(value)
    return int(number) if number == int(number) else round(number, 6)
