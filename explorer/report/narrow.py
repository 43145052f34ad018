"""Answers for a terminal: a sentence first, then tables that fit its width (`looks.WIDTH`), rounded as in the report.

Nothing is computed here. Every number stands in full in `--json` and in the tables of a run.
"""

from __future__ import annotations

import re
import textwrap
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from explorer.domain.felt import felt_step
from explorer.domain.space import Space
from explorer.model.metrics import CAR_METRICS, PHASE_METRICS, describe
from explorer.report import words
from explorer.report.figure_data import index_kind
from explorer.report.headline import headline_lines
from explorer.report.looks import BETTER, SHADES, WIDTH, WORSE, again, bar, bare, look, padded, wide
from explorer.report.tables import broken_text, general_notes, main_pick, unmet_text
from explorer.study.everything.evaluate import MetricTable
from explorer.study.everything.front import Front
from explorer.study.everything.shortlist import NothingFeasible, Pick, Shortlist, picks_of
from explorer.study.questions.maps import MetricMap
from explorer.study.questions.sensitivity import Sensitivity
from explorer.study.results import RunResult

HEAD = 12
"""A header is wrapped to so many letters, or to its numbers where they are wider."""

NARROWEST = 18
"""A column of words is wrapped to no fewer letters, so that a table fits."""

SHORT = 20
"""A column with a longer cell is told in lines of its own where a table does not fit."""

ACROSS = 8
"""A table with no more rows than this is turned on its side where it does not fit."""

KEY_NUMBERS = 8
"""Numbers told of each setup of a shortlist."""

FRONT_ROWS = 30
KNOBS_NAMED = 2
NAMED_FROM = 0.05
"""A knob with less than this share of a metric's variance is not named for it, unless it is the first."""

INDEX_WORDS = {"shapley": "share of the variance", "total": "total index", "first": "first-order index"}
BREAKS = "*+^#~"
"""Marks of the limits that are broken on a map, in their order."""

BESIDE = f"{BETTER} better, {WORSE} worse than the baseline, by what can be felt"

_NUMBER = re.compile(r"[-+±]?\d")


def table_text(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table however wide: in columns where it fits, else turned on its side, else a block a row."""
    body = [list(row) for row in rows]
    if _needed(_widths(head, body, WIDTH.get(), "  "), "  ") <= WIDTH.get():
        return columns_text(head, body)
    return _turned(head, body) if len(body) <= ACROSS else "\n".join(_card(head, row) for row in body)


def columns_text(
    head: Sequence[str], rows: Iterable[Sequence[str]], width: int = 0, indent: str = "", gap: str = "  "
) -> str:
    """A table in letters: words to the left, numbers to the right, long words and headers on several lines. Columns
    that do not fit into the width (0: the terminal's) follow below, under the first column again."""
    body, room = [list(row) for row in rows], (width or WIDTH.get()) - len(indent)
    widths = _widths(head, body, room, gap)
    right = [c > 0 and _numbers(body, c) for c in range(len(head))]
    lines = [_row(head, widths, top=False), *(_row(row, widths, top=True) for row in body)]
    blocks: list[list[int]] = [[]]
    for c in range(1, len(head)):
        if blocks[-1] and _needed([widths[0], *(widths[k] for k in blocks[-1]), widths[c]], gap) > room:
            blocks.append([])
        blocks[-1].append(c)
    texts = []
    for block in blocks:
        shown = [
            indent + gap.join(padded(cells[c], widths[c], right[c]) for c in (0, *block))
            for row in lines
            for cells in row
        ]
        texts.append("\n".join(line.rstrip() for line in shown).lstrip("\n"))
    return "\n\n".join(texts)


def _needed(widths: Sequence[int], gap: str) -> int:
    return sum(widths) + len(gap) * (len(widths) - 1)


def _numbers(body: Sequence[Sequence[str]], column: int) -> bool:
    """Whether a column holds numbers, a few words among them."""
    cells = [bare(row[column]).strip() for row in body]
    return sum(bool(_NUMBER.match(cell)) for cell in cells) * 2 >= sum(cell not in ("", "-", "none") for cell in cells)


def _widths(head: Sequence[str], body: Sequence[Sequence[str]], room: int, gap: str) -> list[int]:
    """Width of each column; where they take too much, the widest of words gives way first."""
    widths = []
    for c, title in enumerate(head):
        longest = max(map(wide, title.split()), default=0)
        lines = textwrap.wrap(bare(title), max(HEAD, longest, *(wide(row[c]) for row in body)))
        widths.append(max(map(wide, [*lines, *(row[c] for row in body)]), default=0))
    narrow = list(widths)
    while _needed(narrow, gap) > room:
        soft = [c for c in range(len(head)) if narrow[c] > NARROWEST and (c == 0 or not _numbers(body, c))]
        if not soft:
            return [min(width, room // 2 if c == 0 else room - len(gap) - room // 2) for c, width in enumerate(widths)]
        narrow[max(soft, key=lambda c: narrow[c])] -= 1
    return narrow


def _row(cells: Sequence[str], widths: Sequence[int], *, top: bool) -> list[list[str]]:
    """The cells of a row, each on as many lines as it takes, from the top or to the bottom."""
    split = [
        [cell] if wide(cell) <= width else [again(cell, text) for text in textwrap.wrap(bare(cell), width)]
        for cell, width in zip(cells, widths, strict=True)
    ]
    tall = max(map(len, split))
    blank = [[""] * (tall - len(one)) for one in split]
    filled = [one + none if top else none + one for one, none in zip(split, blank, strict=True)]
    return [[one[line] for one in filled] for line in range(tall)]


def _turned(head: Sequence[str], body: Sequence[Sequence[str]]) -> str:
    """A table on its side: long cells as lines, then a column for each row."""
    wordy = [c for c in range(1, len(head)) if any(wide(row[c]) > SHORT for row in body)]
    lines = []
    for c in wordy:
        lines += [f"{head[c]}:", *(f"  {row[0]}  {row[c]}" for row in body if row[c] not in ("", "-"))]
    short = [[head[c], *(row[c] for row in body)] for c in range(1, len(head)) if c not in wordy]
    return "\n".join([*lines, columns_text([head[0], *(row[0] for row in body)], short)] if short else lines)


def _card(head: Sequence[str], row: Sequence[str]) -> str:
    """One row: its first cell, long cells a line each, short ones together."""
    pairs = [(name, cell) for name, cell in zip(head[1:], row[1:], strict=True) if cell not in ("", "-")]
    lines = [look("strong", f"{head[0]} {row[0]}" if row[0].isdigit() else row[0])]
    lines += [f"  {name}: {cell}" for name, cell in pairs if wide(cell) > SHORT]
    short = "; ".join(f"{name}: {cell}" for name, cell in pairs if wide(cell) <= SHORT)
    return "\n".join([*lines, f"  {short}"] if short else lines)


def setups_text(result: RunResult, only_main: bool = False) -> str:
    """The shortlist, or what misses by least: each setup in words, then all beside the baseline; or only the main
    one."""
    found = result.shortlist
    picks = list(enumerate(picks_of(found), start=1))
    main = main_pick(found) + 1 if isinstance(found, Shortlist) else 0
    if only_main:
        picks = picks[max(0, main - 1) :][:1]
    if isinstance(found, Shortlist):
        head = f"{found.feasible:,} of {result.setups:,} setups keep every limit"
        head += f"; if you take one, take number {main}" if len(picks) > 1 else ""
    else:
        head = f"none of {found.counts.valid:,} setups keeps every limit; these miss by least and are not to be taken"
    if result.plan is not None and result.plan.decision.headline is not None:
        told = "\n".join(f"- {line}" for line in headline_lines(result.plan, result.space))
        head = f"{look('strong', 'Take setup 1.')}\n{told}\n\n{head}, at the best guess of every number"
    blocks = ["\n".join(_told(place, pick, result, place == main)) for place, pick in picks]
    return "\n\n".join([head, *blocks, _side_by_side(picks, main, result), *general_notes(result)])


def _told(place: int, pick: Pick, result: RunResult, main: bool) -> list[str]:
    """One setup: rank, why, changes, minutes, wishes."""
    space, found = result.space, result.shortlist
    if isinstance(found, NothingFeasible):
        lines = [f"miss {place}: breaks {broken_text(pick, found)}"]
    else:
        lines = [_bold(f"{place}. {pick.reason}", main)]
    work = f" ({pick.minutes:g} minutes)" if pick.changes else ""
    lines.append(f"   change: {words.changes_text(space, pick.changes)}{work}")
    if main:
        lines += [f"   wish: {words.wish_line(line, space)}" for line in pick.wishes if line.wish.metric]
    elif pick.wishes:
        lines.append(f"   wishes: {unmet_text(pick.wishes, space)}")
    if pick.wishes:
        lines[-1] += f" (loss {words.number(pick.loss, 2)})"
    if pick.ties > 1:
        lines.append(f"   {words.count(pick.ties - 1, 'other setup')} would feel the same")
    return lines


def _bold(text: str, wanted: bool) -> str:
    return look("strong", text) if wanted else text


def _side_by_side(picks: Sequence[tuple[int, Pick]], main: int, result: RunResult) -> str:
    """Parts and key numbers of setups in columns, the baseline last; the main setup is bold, what stays is faint."""
    space, own = result.space, result.baseline
    head = ["", *(_bold(f"{place} ", place == main) for place, _ in picks), "baseline "]
    rows = []
    for k, base in enumerate(space.labels(np.asarray(space.baseline))):
        labels = [(place == main, pick.labels[k]) for place, pick in picks]
        cells = [look("faint", f"{text} ") if text == base else _bold(f"{text} ", bold) for bold, text in labels]
        rows.append([words.knob_label(space.knobs[k], unit=True), *cells, f"{base} "])
    for name in words.key_metrics(space, KEY_NUMBERS):
        now = float(own.column(name)[0]) if own.valid[0] else None
        cells = [beside(name, float(result.table.column(name)[pick.row]), now, space) for _, pick in picks]
        shown = "- " if now is None else f"{_said(name, now, unit=False)} "
        rows.append([words.metric_label(name, unit=True), *cells, shown])
    return f"{columns_text(head, rows)}\n{BESIDE}"


def beside(name: str, value: float | str, base: float | str | None, space: Space, *, unit: bool = False) -> str:
    """A value as it is rounded everywhere, with an arrow where it is felt to be better or worse than another."""
    text = _said(name, value, unit=unit)
    if base is None or isinstance(value, str) or isinstance(base, str):
        return f"{text} "
    step = (value - base) * _way(name, space)
    if not step or abs(step) < felt_step(name, describe(name).resolution):
        return f"{text} "
    return text + (look("good", BETTER) if step > 0.0 else look("bad", WORSE))


def _way(name: str, space: Space) -> int:
    """Which way a metric gets better: as an objective says, else as its kind does; 0 where neither is meant."""
    return next((one.direction for one in space.objectives if one.metric == name), describe(name).direction)


def ranking_text(indices: Sensitivity, space: Space) -> str:
    """Which knob matters most: a sentence, bars for each objective, a line for each other metric."""
    kind = index_kind(indices)
    if not kind:
        return "no index was worked out"
    values = getattr(indices, kind)
    goals = list(dict.fromkeys(one.metric for one in space.objectives if one.metric in indices.metrics))
    live = [name for name, still in zip(indices.metrics, indices.constant, strict=True) if not still]
    still = [words.metric_label(name) for name in indices.metrics if name not in live]
    labels = [words.knob_label(knob) for knob in space.knobs]
    shares = {name: values[indices.metrics.index(name)] for name in live}
    first = Counter(labels[int(np.argmax(shares[name]))] for name in live).most_common(KNOBS_NAMED)
    lines = []
    if first:
        rest = "".join(f", {label} in {times}" for label, times in first[1:])
        lines.append(f"{look('strong', first[0][0])} matters most in {first[0][1]} of {len(live)} metrics{rest}.")
    lines.append(look("faint", f"{INDEX_WORDS[kind]}; {indices.method}"))
    wide_knob = max(map(wide, labels))
    room = max(8, min(40, WIDTH.get() - wide_knob - 10))
    for name in goals:
        lines += ["", look("strong", words.metric_label(name))]
        if name not in shares:
            lines.append("  no knob of this study moves it")
            continue
        for k in _strongest(shares[name], len(labels)):
            share = float(shares[name][k])
            lines.append(f"  {padded(labels[k], wide_knob, False)} {_percent(share):>6s} {bar(share, room)}")
    rows = [
        [
            words.metric_label(name),
            bar(float(shares[name].max()), 8),
            ", ".join(f"{labels[k]} {_percent(float(shares[name][k]))}" for k in _strongest(shares[name], KNOBS_NAMED)),
        ]
        for name in live
        if name not in goals
    ]
    if rows:
        lines += ["", columns_text(["other metrics", "", "knobs"], rows)]
    return "\n".join(lines + ([f"no knob of this study moves: {'; '.join(still)}"] if still else []))


def _strongest(shares: np.ndarray, most: int) -> list[int]:
    """Knobs by falling share, those that hardly count left out but for the first."""
    order = np.argsort(-shares, kind="stable")[:most]
    return [int(k) for place, k in enumerate(order) if place == 0 or shares[k] >= NAMED_FROM]


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def front_text(table: MetricTable, found: Front) -> str:
    """A setup for each point of a front: parts, objectives, minutes; the best of each column is marked."""
    space = table.space
    named = np.flatnonzero(found.named)
    minutes = space.minutes(found.positions)
    best = found.scores[named].min(axis=0) if len(named) else ()
    order = named[np.argsort(found.scores[named, 0], kind="stable")]
    shown = order[np.linspace(0, len(order) - 1, min(len(order), FRONT_ROWS)).astype(int)]
    rows = [
        [
            str(int(found.group[m]) + 1),
            "/".join(space.labels(found.positions[m])),
            *(
                words.metric_value(one.metric, float(value), unit=False) + (look("good", BETTER) if top else " ")
                for one, value, top in zip(found.objectives, found.values[m], found.scores[m] == best, strict=True)
            ),
            f"{minutes[m]:g}",
        ]
        for m in shown
    ]
    heads = [words.metric_label(objective.metric, unit=True) for objective in found.objectives]
    return "\n".join(
        [
            f"{words.count(found.groups, 'distinct point')} on the front, {words.count(len(found), 'setup')} with ties"
            + (f"; {FRONT_ROWS} of them are shown" if len(named) > FRONT_ROWS else "")
            + "; --json has all of them",
            f"setup: {' / '.join(words.knob_label(knob, unit=True) for knob in space.knobs)}",
            columns_text(["point", "setup", *heads, "minutes"], rows),
            f"{BETTER} best of the front",
        ]
    )


def map_text(found: MetricMap, space: Space) -> str:
    """A grid, knob `x` across and knob `y` down: the best cell is named and bold, the baseline in brackets, each limit
    has a mark where it is broken most."""
    x, y = (space.knobs[space.knob_index(name)] for name in (found.x, found.y))
    broken = sorted({int(b) for b in found.broken[found.allowed & ~found.feasible].ravel() if b >= 0})
    marks = {b: BREAKS[place % len(BREAKS)] for place, b in enumerate(broken)}
    way = _way(found.metric, space)
    top = np.where(found.feasible, way * found.values, -np.inf)
    best = np.unravel_index(int(np.argmax(top)), top.shape) if way and found.feasible.any() else (-1, -1)
    own = [space.labels(np.asarray(space.baseline))[space.knob_index(knob.name)] for knob in (x, y)]
    inside = found.values[found.allowed]
    low, span = (float(inside.min()), float(np.ptp(inside))) if inside.size else (0.0, 0.0)

    def cell(row: int, column: int) -> str:
        if not found.allowed[row, column]:
            return "- "
        value = float(found.values[row, column])
        text = words.metric_value(found.metric, value, unit=False)
        text = f"[{text}]" if [found.x_labels[column], found.y_labels[row]] == own else f"{text} "
        if not found.feasible[row, column]:
            return look("faint", text.rstrip() + marks.get(int(found.broken[row, column]), BREAKS[0]))
        if (row, column) == tuple(best):
            return look("strong", text.replace(" ", BETTER))
        return look(f"shade {min(SHADES - 1, int(SHADES * (value - low) / span))}", text) if span > 0.0 else text

    rows = [[label, *(cell(r, c) for c in range(len(found.x_labels)))] for r, label in enumerate(found.y_labels)]
    lines = [
        f"{words.metric_label(found.metric, unit=True)}: {words.knob_label(x, unit=True)} across, "
        f"{words.knob_label(y, unit=True)} down; {found.choice}"
    ]
    if way and found.feasible.any():
        at = [words.setting_label(x, found.x_labels[best[1]]), words.setting_label(y, found.y_labels[best[0]])]
        lines.insert(
            0,
            f"Best within the limits {look('strong', words.metric_value(found.metric, float(found.values[best])))}: "
            f"{words.knob_label(x)} {at[0]}, {words.knob_label(y)} {at[1]}.",
        )
    elif not found.feasible.any():
        lines.insert(0, "No cell keeps every limit.")
    lines += [columns_text(["", *(f"{label} " for label in found.x_labels)], rows, gap=" "), "[ ] the baseline's parts"]
    lines += [f"{marks[b]} breaks {words.resolved_text(found.limits[b])}" for b in broken]
    return "\n".join(lines)


def setup_text(
    space: Space,
    setup: Mapping[str, str],
    metrics: Mapping[str, float | str],
    wishes: Sequence[str],
    base: Mapping[str, float | str] | None = None,
) -> str:
    """Every metric of one setup: parts, wishes, the car's numbers, those of each phase; with arrows where `base`, the
    baseline's metrics, is given."""
    own = dict(zip(space.knob_names, space.labels(np.asarray(space.baseline)), strict=True))
    rows = []
    for knob in space.knobs:
        label = words.setting_label(knob, setup[knob.name])
        rows.append([words.knob_label(knob), label if setup[knob.name] == own[knob.name] else look("strong", label)])
    lines = [_pairs(rows), *(f"wish: {wish}" for wish in wishes)]

    def told(name: str, unit: bool) -> str:
        return beside(name, metrics[name], None if base is None else base[name], space, unit=unit)

    lines += ["", look("title", "the car, the worst phase where it matters")]
    lines.append(_pairs([words.metric_label(one.name), told(one.name, True)] for one in CAR_METRICS))
    rows = []
    for metric in PHASE_METRICS:
        unit = f", {metric.unit}" if metric.unit else ""
        rows.append([f"{metric.label}{unit}", *(told(f"{phase}.{metric.name}", False) for phase in space.phase_names)])
    lines += ["", columns_text(["phase", *(f"{phase} " for phase in space.phase_names)], rows)]
    return "\n".join([*lines, *([] if base is None else [BESIDE]), "--words says what each number means"])


def _pairs(rows: Iterable[Sequence[str]]) -> str:
    """Names with what they are, one a line."""
    return "\n".join(f"  {padded(name, 30, False)} {value}".rstrip() for name, value in rows)


def _said(name: str, value: float | str, *, unit: bool) -> str:
    return value if isinstance(value, str) else words.metric_value(name, value, unit=unit)
