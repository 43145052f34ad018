"""Maps over two knobs as drawings with the limits in them, and the plain ones that the kept setups hold anyway."""

from __future__ import annotations

import html
from collections.abc import Callable
from itertools import combinations

import numpy as np

from explorer.domain.space import BoolArray
from explorer.report import figure_data, words
from explorer.report.figure_data import MapDrawing
from explorer.report.page.heat import STEPS
from explorer.report.page.markup import Html, bullets, join, tag, text
from explorer.report.words import flat
from explorer.study.everything.limits import margins
from explorer.study.questions.maps import MetricMap, axis_positions
from explorer.study.results import RunResult

MOST_CELLS = 6_000
"""Cells of all plain maps together: more would make a heavy page."""

NUMBERED = 16
"""Maps with more levels than this along a side carry no number in each cell."""

DASHES = ("none", "6 3", "2 3", "8 3 2 3", "1 4", "10 4", "4 2 1 2", "3 6")


def plain_maps(result: RunResult) -> tuple[MetricMap, ...]:
    """Maps of the objectives over every two knobs, others at the baseline, read from the setups that were kept.

    Left out are those the study asked for, and all of them where the setups were not kept or the cells too many.
    """
    space, whole = result.space, result.whole
    if whole is None or not result.exact or len(space.knobs) < 2:
        return ()
    asked = {(frozenset((one.x, one.y)), one.metric) for one in result.maps if one.others == "baseline"}
    metrics = tuple(dict.fromkeys(o.metric for o in space.objectives))
    pairs = tuple(combinations(range(len(space.knobs)), 2))
    if len(metrics) * sum(space.knobs[a].size * space.knobs[b].size for a, b in pairs) > MOST_CELLS:
        return ()
    base = np.asarray(space.baseline)
    same = whole.positions == base
    found = []
    for pair in pairs:
        y, x = sorted(pair, key=lambda k: space.knobs[k].size)
        others = [k for k in range(len(space.knobs)) if k not in pair]
        rows = whole.take(np.flatnonzero(same[:, others].all(axis=1)))
        axes = [axis_positions(space.knobs[k]) for k in (x, y)]
        place = [np.argsort(axis)[rows.positions[:, k].astype(int)] for axis, k in zip(axes, (x, y), strict=True)]
        shape = (len(axes[1]), len(axes[0]))
        at = (place[1], place[0])
        room = np.zeros((*shape, len(result.limits)))
        room[at] = np.where(rows.valid[:, None], margins(result.limits, rows), 0.0)
        allowed = np.zeros(shape, dtype=bool)
        allowed[at] = rows.valid
        positions = np.tile(base, (*shape, 1))
        positions[at] = rows.positions
        broken = np.full(shape, -1, dtype=np.int64)
        if result.limits:
            broken = np.where(allowed & (room.min(axis=2) < 0.0), room.argmin(axis=2), -1)
        for metric in metrics:
            if (frozenset((space.knobs[x].name, space.knobs[y].name)), metric) in asked:
                continue
            values = np.zeros(shape)
            values[at] = np.where(rows.valid, rows.column(metric), 0.0)
            found.append(
                MetricMap(
                    x=space.knobs[x].name,
                    y=space.knobs[y].name,
                    metric=metric,
                    others="baseline",
                    choice="other knobs at the baseline",
                    x_labels=tuple(space.knobs[x].label_at(float(p)) for p in axes[0]),
                    y_labels=tuple(space.knobs[y].label_at(float(p)) for p in axes[1]),
                    x_values=np.array([space.knobs[x].value_at(float(p)) for p in axes[0]]),
                    y_values=np.array([space.knobs[y].value_at(float(p)) for p in axes[1]]),
                    values=values,
                    allowed=allowed,
                    feasible=allowed & (broken < 0),
                    broken=broken,
                    margins=room,
                    positions=positions,
                    limits=result.limits,
                )
            )
    return tuple(found)


def maps_section(result: RunResult) -> Html:
    """The maps of the run, then the plain ones; the page's script shows one at a time and prints those of the run."""
    every = [(one, True) for one in result.maps] + [(one, False) for one in plain_maps(result)]
    if not every:
        return tag("p", "This run drew no map.")
    intro = tag(
        "p",
        "Darker is more. Lines show where a limit runs; hatched cells break at least one, and their letter names the "
        "one missed most. B is the baseline and the numbers are the shortlist, at the two levels shown. Their other "
        "knobs may differ, so a number can stand on a hatched cell.",
    )
    metrics = tuple(dict.fromkeys(one.metric for one, _ in every))
    figures = [_figure(one, result, metrics.index(one.metric), asked) for one, asked in every]
    return join([intro, _chooser([one for one, _ in every], metrics, result), tag("div", *figures, class_="maps")])


def _chooser(found: list[MetricMap], metrics: tuple[str, ...], result: RunResult) -> Html:
    space = result.space
    knobs = [knob for knob in space.knobs if any(knob.name in (one.x, one.y) for one in found)]

    def select(label: str, key: str, options: list[tuple[str, str]], chosen: str) -> Html:
        choices = [tag("option", shown, value=value, selected=value == chosen) for value, shown in options]
        return tag("label", f"{label} ", tag("select", *choices, data_choose=key))

    places = {knob.name: str(place) for place, knob in enumerate(space.knobs)}
    options = [(places[knob.name], flat(words.knob_label(knob))) for knob in knobs]
    named = [(str(place), words.metric_label(metric)) for place, metric in enumerate(metrics)]
    return tag(
        "div",
        select("Show", "metric", named, "0"),
        select("over", "a", options, places[found[0].x]),
        select("and", "b", options, places[found[0].y]),
        tag("span", role="status", class_="said"),
        class_="chooser live",
    )


def _figure(found: MetricMap, result: RunResult, metric: int, asked: bool) -> Html:
    space = result.space
    drawing = figure_data.map_drawing(found, result)
    good = int(found.feasible.sum())
    label = f"{words.metric_label(found.metric, unit=True)} over {drawing.x_label} and {drawing.y_label}"
    limits = [
        join(
            [
                _swatch(n),
                f" {_letter(c)}: {drawing.broken[c][0]} ({words.count(int(drawing.broken[c][1].sum()), 'cell')})",
            ]
        )
        for n, c in enumerate(_seen(drawing))
    ]
    seen = drawing.values[drawing.valid]
    ends = ""
    if len(seen):
        low, high = (words.metric_value(found.metric, float(v)) for v in (seen.min(), seen.max()))
        ends = f" Lightest {low}, darkest {high}."
    caption = tag(
        "figcaption",
        tag("h3", text(label)),
        tag(
            "p",
            f"{found.choice[0].upper()}{found.choice[1:]}. {good:,} of {found.feasible.size:,} cells keep every limit."
            f"{ends}",
        ),
        tag("p", "Lines and letters of the limits that some cell breaks:", class_="small") if limits else "",
        bullets(limits, "legend") if limits else "",
    )
    return tag(
        "figure",
        caption,
        Html(
            f'<div class="scroll" role="region" tabindex="0" aria-label="{html.escape(label)}">'
            f"{draw_map(drawing)}</div>"
        ),
        class_="map" if asked else "map plain-map",
        data_a=space.knob_index(found.x),
        data_b=space.knob_index(found.y),
        data_metric=metric,
    )


def _seen(drawing: MapDrawing) -> list[int]:
    """Numbers of the limits that some cell breaks."""
    return [c for c, (_, mask) in enumerate(drawing.broken) if mask.any()]


def _letter(place: int) -> str:
    return chr(ord("a") + place % 26)


def _swatch(place: int) -> Html:
    return Html(
        '<svg class="swatch" width="28" height="8" aria-hidden="true"><line class="limit" x1="0" x2="28" y1="4" y2="4" '
        f'stroke-dasharray="{DASHES[place % len(DASHES)]}"/></svg>'
    )


def draw_map(drawing: MapDrawing) -> str:
    """A map as SVG: shaded cells, hatched where a limit breaks, a line along each limit, marks of the setups."""
    ny, nx = drawing.values.shape
    big = max(nx, ny) <= NUMBERED
    wide, tall = (58, 36) if big else (24, 18)
    slanted = max(len(flat(label)) for label in drawing.x_levels) > (6 if big else 3)
    left, top, below = 40 + 8 * min(10, max(len(flat(label)) for label in drawing.y_levels)), 10, 96 if slanted else 50
    width, height = left + nx * wide + 14, top + ny * tall + below
    seen = drawing.values[drawing.valid]
    low, high = (float(seen.min()), float(seen.max())) if len(seen) else (0.0, 1.0)
    span = high - low or 1.0
    parts = [
        f'<svg class="map-drawing" viewBox="0 0 {width} {height}" width="{width}" height="{height}" aria-hidden="true">'
    ]

    def corner(row: int, column: int) -> tuple[int, int]:
        return left + column * wide, top + (ny - 1 - row) * tall

    for row in range(ny):
        for column in range(nx):
            x, y = corner(row, column)
            if not drawing.valid[row, column]:
                parts.append(f'<rect class="empty" x="{x}" y="{y}" width="{wide}" height="{tall}"/>')
                if big:
                    parts.append(f'<text class="cell" x="{x + wide / 2:g}" y="{y + tall / 2 + 4:g}">-</text>')
                continue
            value = float(drawing.values[row, column])
            step = round(STEPS * (value - low) / span)
            parts.append(f'<rect class="h{step}" x="{x}" y="{y}" width="{wide}" height="{tall}"/>')
            worst = int(drawing.worst[row, column])
            if worst >= 0:
                parts.append(f'<rect class="hatched" x="{x}" y="{y}" width="{wide}" height="{tall}"/>')
                if big:
                    parts.append(f'<text class="letter" x="{x + 4}" y="{y + 11}">{_letter(worst)}</text>')
            if big:
                shown = words.number(value, drawing.places)
                parts.append(f'<text class="cell" x="{x + wide / 2:g}" y="{y + tall - 6}">{shown}</text>')
    for place, c in enumerate(_seen(drawing)):
        path = _edges(drawing.broken[c][1], drawing.valid, corner, wide, tall)
        if path:
            parts.append(f'<path class="limit" d="{path}" stroke-dasharray="{DASHES[place % len(DASHES)]}"/>')
    parts += _axes(drawing, left, top, wide, tall, slanted)
    at: dict[tuple[float, float], int] = {}
    for mark, x_cell, y_cell in drawing.marks:
        count = at[(x_cell, y_cell)] = at.get((x_cell, y_cell), -1) + 1
        dot_x = left + (x_cell + 1) * wide - 9 - 15 * (count % 3)
        dot_y = top + (ny - 1 - y_cell) * tall + 9 + 15 * (count // 3)
        kind = "dot base" if mark == "B" else "dot"
        parts.append(
            f'<circle class="{kind}" cx="{dot_x:g}" cy="{dot_y:g}" r="7.5"/>'
            f'<text class="dot-text" x="{dot_x:g}" y="{dot_y + 4:g}">{mark}</text>'
        )
    return "".join([*parts, "</svg>"])


def _edges(
    mask: BoolArray, valid: BoolArray, corner: Callable[[int, int], tuple[int, int]], wide: int, tall: int
) -> str:
    """Path along the sides between cells that keep a limit and cells that break it."""
    ny, nx = mask.shape
    found = []
    for row in range(ny):
        for column in range(nx):
            if not valid[row, column]:
                continue
            x, y = corner(row, column)
            if column + 1 < nx and valid[row, column + 1] and mask[row, column] != mask[row, column + 1]:
                found.append(f"M{x + wide} {y}v{tall}")
            if row + 1 < ny and valid[row + 1, column] and mask[row, column] != mask[row + 1, column]:
                found.append(f"M{x} {y}h{wide}")
    return "".join(found)


def _axes(drawing: MapDrawing, left: int, top: int, wide: int, tall: int, slanted: bool) -> list[str]:
    ny, nx = drawing.values.shape
    parts = []
    for row, label in enumerate(drawing.y_levels):
        y = top + (ny - 1 - row) * tall + tall / 2 + 4
        parts.append(f'<text class="tick" x="{left - 6}" y="{y:g}" text-anchor="end">{_short(label, 10)}</text>')
    every = max(1, round(nx / 16))
    for column, label in enumerate(drawing.x_levels):
        if column % every:
            continue
        x, y = left + column * wide + wide / 2, top + ny * tall + 14
        turn = f' transform="rotate(-40 {x:g} {y})" text-anchor="end"' if slanted else ' text-anchor="middle"'
        parts.append(f'<text class="tick" x="{x:g}" y="{y}"{turn}>{_short(label, 14)}</text>')
    bottom, centre, middle = top + ny * tall + (88 if slanted else 40), left + nx * wide / 2, top + ny * tall / 2
    y_label = _short(drawing.y_label, max(12, ny * tall // 7))
    parts += [
        f'<text class="axis" x="{centre:g}" y="{bottom}" text-anchor="middle">{_short(drawing.x_label, 60)}</text>',
        f'<text class="axis" x="14" y="{middle:g}" text-anchor="middle" transform="rotate(-90 14 {middle:g})">',
        f"{y_label}</text>",
    ]
    return parts


def _short(label: str, most: int) -> str:
    """A label that fits, escaped; the whole one on hover."""
    whole = flat(label)
    if len(whole) <= most:
        return html.escape(whole)
    return f"<title>{html.escape(whole)}</title>{html.escape(whole[: most - 1])}…"
