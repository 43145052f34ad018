"""Answers for a terminal of 80 columns: one block a setup, short tables, one line a metric.

Nothing is computed here. Every number stands in `--json` and in the tables of a run; here is what is read first.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from explorer.domain.space import Space
from explorer.model.metrics import CAR_METRICS, PHASE_METRICS
from explorer.report import words
from explorer.report.figure_data import index_kind
from explorer.report.glossary import glossary_text
from explorer.report.headline import headline_lines
from explorer.report.tables import broken_text, general_notes
from explorer.study.everything.evaluate import MetricTable
from explorer.study.everything.front import Front
from explorer.study.everything.shortlist import NothingFeasible, Pick, Shortlist, picks_of
from explorer.study.questions.maps import MetricMap
from explorer.study.questions.sensitivity import Sensitivity
from explorer.study.results import RunResult

WIDTH = 80
HEAD = 12
"""A header is wrapped to so many letters, or to its numbers where they are wider."""

KEY_NUMBERS = 8
"""Numbers told of each setup of a shortlist."""

FRONT_ROWS = 30
KNOBS_NAMED = 3
NAMED_FROM = 0.05
"""A knob with less than this share of a metric's variance is not named for it, unless it is the first."""

INDEX_WORDS = {"shapley": "share of the variance", "total": "total index", "first": "first-order index"}


def columns_text(
    head: Sequence[str], rows: Iterable[Sequence[str]], width: int = WIDTH, indent: str = "", gap: str = "  "
) -> str:
    """A table in plain letters, first column to the left, the others to the right, long headers on several lines.
    Columns that do not fit follow below, under the first column again."""
    body = [list(row) for row in rows]
    widest = [max((len(row[c]) for row in body), default=0) for c in range(len(head))]
    heads = [textwrap.wrap(text, max(HEAD, widest[c])) or [""] for c, text in enumerate(head)]
    tall = max(len(lines) for lines in heads)
    cells = [[([""] * (tall - len(lines)) + lines)[line] for lines in heads] for line in range(tall)] + body
    widths = [max(len(row[c]) for row in cells) for c in range(len(head))]
    blocks: list[list[int]] = [[]]
    for c in range(1, len(head)):
        used = len(indent) + widths[0] + sum(len(gap) + widths[k] for k in blocks[-1])
        if blocks[-1] and used + len(gap) + widths[c] > width:
            blocks.append([])
        blocks[-1].append(c)
    texts = []
    for block in blocks:
        lines = [
            indent + row[0].ljust(widths[0]) + "".join(gap + row[c].rjust(widths[c]) for c in block) for row in cells
        ]
        texts.append("\n".join(line.rstrip() for line in lines).lstrip("\n"))
    return "\n\n".join(texts)


def setups_text(result: RunResult, most: int | None = None) -> str:
    """The shortlist, or what misses by least: one block a setup, the first `most` of them (default: all)."""
    found = result.shortlist
    picks = picks_of(found)[:most]
    if isinstance(found, Shortlist):
        head = f"{found.feasible:,} of {result.setups:,} setups keep every limit"
    else:
        head = f"none of {found.counts.valid:,} setups keeps every limit; these miss by least and are not to be taken"
    if result.plan is not None and result.plan.decision.headline is not None:
        told = " ".join(headline_lines(result.plan, result.space))
        head = f"Take setup 1. {told}\n\n{head} at the best guess of every number"
    blocks = [_block(place, pick, result) for place, pick in enumerate(picks, start=1)]
    return "\n\n".join([head, *blocks, *general_notes(result)])


def _block(place: int, pick: Pick, result: RunResult) -> str:
    """One setup: rank, why, changes, minutes, wishes, then its key numbers beside the baseline's."""
    space, found = result.space, result.shortlist
    if isinstance(found, NothingFeasible):
        lines = [f"miss {place}: breaks {broken_text(pick, found)}"]
    else:
        lines = [f"{place}. {pick.reason}"]
    work = f" ({pick.minutes:g} minutes)" if pick.changes else ""
    lines.append(f"   change: {words.changes_text(space, pick.changes)}{work}")
    told = [words.wish_line(line, space) for line in pick.wishes if line.wish.metric]
    lines += [f"   wish: {text}" for text in told]
    if pick.wishes:
        lines.append(f"   loss over all wishes: {words.number(pick.loss, 2)}")
    if pick.ties > 1:
        lines.append(f"   {words.count(pick.ties - 1, 'other setup')} would feel the same")
    rows = [
        [
            words.metric_label(name, unit=True),
            words.metric_value(name, float(result.table.column(name)[pick.row]), unit=False),
            words.metric_value(name, float(result.baseline.column(name)[0]), unit=False)
            if result.baseline.valid[0]
            else "-",
        ]
        for name in words.key_metrics(space, KEY_NUMBERS)
    ]
    return "\n".join([*lines, columns_text(["", "this", "baseline"], rows, indent="   ")])


def ranking_text(indices: Sensitivity, space: Space) -> str:
    """Which knob matters most: one line a metric, objectives first; constant metrics in one sentence."""
    kind = index_kind(indices)
    if not kind:
        return "no index was worked out"
    first = [objective.metric for objective in space.objectives if objective.metric in indices.metrics]
    names = list(dict.fromkeys([*first, *indices.metrics]))
    values, still = getattr(indices, kind), []
    rows: list[tuple[str, str]] = []
    for metric in names:
        row = indices.metrics.index(metric)
        if indices.constant[row]:
            still.append(words.metric_label(metric))
            continue
        order = np.argsort(-values[row], kind="stable")[:KNOBS_NAMED]
        shown = [k for place, k in enumerate(order) if place == 0 or values[row, k] >= NAMED_FROM]
        parts = [f"{words.knob_label(space.knobs[k])} {100 * values[row, k]:.0f} %" for k in shown]
        rows.append((words.metric_label(metric), ", ".join(parts)))
    wide = max((len(label) for label, _ in rows), default=0)
    lines = [f"which knob matters most ({INDEX_WORDS[kind]}; {indices.method})"]
    lines += [f"{label.ljust(wide)}  {text}" for label, text in rows]
    return "\n".join(lines + ([f"no knob of this study moves: {'; '.join(still)}"] if still else []))


def front_text(table: MetricTable, found: Front) -> str:
    """A setup for each point of a front: parts, objectives, minutes."""
    space = table.space
    named = np.flatnonzero(found.named)
    minutes = space.minutes(found.positions)
    rows = [
        [
            str(int(found.group[m]) + 1),
            "/".join(space.labels(found.positions[m])),
            *(
                words.metric_value(objective.metric, float(value), unit=False)
                for objective, value in zip(found.objectives, found.values[m], strict=True)
            ),
            f"{minutes[m]:g}",
        ]
        for m in named[:FRONT_ROWS]
    ]
    heads = [words.metric_label(objective.metric, unit=True) for objective in found.objectives]
    lines = [f"setup: {' / '.join(words.knob_label(knob, unit=True) for knob in space.knobs)}"]
    lines.append(columns_text(["point", "setup", *heads, "minutes"], rows))
    lines.append(
        f"{words.count(found.groups, 'distinct point')}, {words.count(len(found), 'setup')} with ties"
        + (f"; the first {FRONT_ROWS} are shown" if len(named) > FRONT_ROWS else "")
        + "; --json has all of them"
    )
    return "\n".join(lines)


def map_text(found: MetricMap, space: Space) -> str:
    """A grid: knob `x` across, knob `y` down; a star where a limit is broken, a dash where there is no answer."""
    x, y = (space.knobs[space.knob_index(name)] for name in (found.x, found.y))
    rows = []
    for r, label in enumerate(found.y_labels):
        cells = [_cell(found, r, c) for c in range(len(found.x_labels))]
        rows.append([label, *cells])
    grid = columns_text(["", *(f"{label} " for label in found.x_labels)], rows, gap=" ")
    lines = [
        f"{words.metric_label(found.metric, unit=True)}: {words.knob_label(x, unit=True)} across, "
        f"{words.knob_label(y, unit=True)} down; {found.choice}",
        grid,
    ]
    if (found.allowed & ~found.feasible).any():
        broken = sorted({int(b) for b in found.broken[found.allowed].ravel() if b >= 0})
        named = "; ".join(words.resolved_text(found.limits[b]) for b in broken)
        lines.append(f"* breaks a limit: {named}")
    return "\n".join(lines)


def _cell(found: MetricMap, row: int, column: int) -> str:
    if not found.allowed[row, column]:
        return "- "
    mark = " " if found.feasible[row, column] else "*"
    return words.metric_value(found.metric, float(found.values[row, column]), unit=False) + mark


def setup_text(
    space: Space, setup: Mapping[str, str], metrics: Mapping[str, float | str], wishes: Sequence[str]
) -> str:
    """Every metric of one setup: parts, wishes, the car's numbers, those of each phase, and what they mean."""
    lines = ["setup:"]
    for knob in space.knobs:
        lines.append(f"  {words.knob_label(knob):30s} {words.setting_label(knob, setup[knob.name])}")
    lines += [f"wish: {wish}" for wish in wishes]
    lines.append("\nthe car, the worst phase where it matters:")
    for metric in CAR_METRICS:
        lines.append(f"  {words.metric_label(metric.name):30s} {_said(metric.name, metrics[metric.name], unit=True)}")
    rows = []
    for metric in PHASE_METRICS:
        unit = f", {metric.unit}" if metric.unit else ""
        columns = (f"{phase}.{metric.name}" for phase in space.phase_names)
        rows.append([f"{metric.label}{unit}", *(_said(name, metrics[name], unit=False) for name in columns)])
    lines += ["", columns_text(["phase", *space.phase_names], rows)]
    return "\n".join([*lines, "", glossary_text()])


def _said(name: str, value: float | str, *, unit: bool) -> str:
    return value if isinstance(value, str) else words.metric_value(name, value, unit=unit)
