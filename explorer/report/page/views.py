"""The front and the setups around it: places for the linked views, and what stands there without a script."""

from __future__ import annotations

import html

import numpy as np

from explorer.domain.space import FloatArray
from explorer.report import words
from explorer.report.page.answer import nearest_limit
from explorer.report.page.markup import Html, join, name, table, tag, text
from explorer.report.page.setups import Drawn, axis_metrics, scatter_metrics, thinning_text
from explorer.report.tables import broken_text, unmet_text
from explorer.report.words import flat
from explorer.study.everything.shortlist import NothingFeasible, picks_of
from explorer.study.results import RunResult

STATIC_POINTS = 400
"""Points of the drawing without a script, front and shortlist first."""

LISTED = 40
"""Rows of the table of front members that is printed."""


def compared(result: RunResult, drawn: Drawn) -> Html:
    """Shortlist (or near misses) and baseline side by side: parts, objectives, limits, feel, work."""
    space, found = result.space, result.shortlist
    picks = picks_of(found)
    ranked = not isinstance(found, NothingFeasible)
    baseline = bool(result.baseline.valid[0])
    marks = [tag("span", str(n) if ranked else f"miss {n}", class_="mark") for n in range(1, len(picks) + 1)]
    head: list[object] = ["setup", *marks, join([tag("span", "B", class_="mark plain"), " baseline"])]
    rows: list[list[object]] = [["why", *(pick.reason for pick in picks), "where you stand"]]
    base = space.labels(np.asarray(space.baseline))
    for c, knob in enumerate(space.knobs):
        cells: list[object] = []
        for pick in picks:
            label = name(words.setting_label(knob, pick.labels[c]))
            cells.append(tag("b", label) if pick.positions[c] != space.baseline[c] else label)
        rows.append([words.knob_label(knob), *cells, words.setting_label(knob, base[c])])
    if result.wishes:
        rows.append(["wishes", *(unmet_text(pick.wishes, space) for pick in picks), ""])
    for metric in words.key_metrics(space):
        values = [words.metric_value(metric, float(result.table.column(metric)[pick.row])) for pick in picks]
        own = words.metric_value(metric, float(result.baseline.column(metric)[0])) if baseline else "no answer"
        rows.append([words.metric_label(metric), *values, own])
    for c, limit in enumerate(result.limits):
        room = [
            words.room_text(limit.metric, float(p.margins[c])) + " to spare"
            if p.margins[c] >= 0.0
            else "breaks by " + words.metric_value(limit.metric, -float(p.margins[c]))
            for p in picks
        ]
        rows.append([f"limit: {words.resolved_text(limit)}", *room, ""])
    if ranked:
        rows.append(["nearest limit", *(nearest_limit(p, result).removeprefix("Nearest limit: ") for p in picks), ""])
    elif isinstance(found, NothingFeasible):
        rows.append(["breaks", *(broken_text(pick, found) for pick in picks), ""])
    rows.append(["built within tolerance, keeps every limit", *(_builds(pick.builds) for pick in picks), ""])
    rows.append(["other setups that feel the same", *(f"{max(0, pick.ties - 1):,}" for pick in picks), ""])
    rows.append(["minutes of work from the baseline", *(f"{pick.minutes:g}" for pick in picks), "0"])
    caption = "Side by side. Bold parts differ from the baseline."
    return table(caption, head, rows, class_="compare")


def _builds(builds: object) -> str:
    share, samples = getattr(builds, "share", None), getattr(builds, "samples", 0)
    if share is None or not getattr(builds, "varied", ()):
        return "-"
    said = words.share_text(round(share * samples), samples)
    return f"{said}: build it with care, or measure it after" if share < 0.9 else said


def front_section(result: RunResult, drawn: Drawn) -> Html:
    """Linked views of the drawn setups; a still drawing and a table stand in where there is no script and in print."""
    said = front_words(result)
    legend = tag(
        "ul",
        tag("li", Html(_key("diamond")), " on the front"),
        tag("li", Html(_key("ring")), " keeps every limit"),
        tag("li", Html(_key("point")), " breaks a limit"),
        tag("li", Html(_key("square")), " shortlist" if not _failed(result) else " nearest misses"),
        tag("li", Html(_key("cross")), " B, the baseline"),
        class_="key",
    )
    live = tag(
        "div",
        _controls(),
        tag("h3", "Every pair of objectives", id="scatter-title"),
        tag(
            "p",
            "Drag a box over any panel: the same setups light up in every panel, in the lines below and in the list.",
            class_="small",
        ),
        Html('<div id="scatter" role="group" aria-labelledby="scatter-title"></div>'),
        tag("h3", "Every knob and metric, one line per setup", id="lines-title"),
        tag(
            "p", "Drag along an axis to keep only the setups that pass there; click the axis to let go.", class_="small"
        ),
        Html(
            '<div class="scroll" role="region" tabindex="0" aria-labelledby="lines-title"><div id="lines"></div></div>'
        ),
        tag("h3", "Setups selected", id="list-title"),
        tag("p", "", id="list-said", role="status"),
        tag(
            "div",
            Html('<table id="list" class="cards"></table>'),
            class_="scroll",
            role="region",
            tabindex=0,
            aria_labelledby="list-title",
        ),  # fmt: skip
        class_="live",
    )
    still = tag("div", static_scatter(result, drawn), front_table(result, drawn), class_="still")
    return join(
        [*(tag("p", line) for line in said), tag("p", thinning_text(result, drawn), id="thinning"), legend, live, still]
    )


def _failed(result: RunResult) -> bool:
    return isinstance(result.shortlist, NothingFeasible)


def front_words(result: RunResult) -> tuple[str, ...]:
    """What the front is and how far it reaches."""
    front = result.front
    if not len(front):
        return ("No setup keeps every limit, so there is no front. Drawn are setups that break at least one.",)
    lines = [
        "On the front no setup can be made better in one objective without giving away another. "
        f"{words.found_text(result.search, result.stays)} It has {words.count(front.groups, 'distinct point')}, "
        f"{words.count(len(front), 'setup')} with ties."
    ]
    reach = []
    for c, objective in enumerate(front.objectives):
        low, high = float(front.values[:, c].min()), float(front.values[:, c].max())
        best, worst = (low, high) if objective.direction < 0 else (high, low)
        ends = f"{words.metric_value(objective.metric, best)} to {words.metric_value(objective.metric, worst)}"
        reach.append(f"{words.metric_label(objective.metric)} {ends}")
    if front.groups > 1:
        lines.append(f"From best to worst on the front: {words.listed(reach)}.")
    else:
        lines.append("One point is best in every objective, as far as anyone can feel: nothing is traded on it.")
    return tuple(lines)


def _controls() -> Html:
    return Html(
        '<form class="narrow" id="narrow" aria-label="Narrow by number">'
        '<label>Keep setups with <select id="narrow-axis"></select></label> '
        '<label>from <input id="narrow-low" inputmode="decimal" size="6"></label> '
        '<label>to <input id="narrow-high" inputmode="decimal" size="6"></label> '
        '<button type="submit">Narrow</button> '
        '<button type="button" id="clear">Show all again</button> '
        '<label class="check"><input type="checkbox" id="only-kept"> only setups that keep every limit</label>'
        "</form>"
    )


def _key(kind: str) -> str:
    shapes = {
        "diamond": '<path class="p-front" d="M8 2L14 8L8 14L2 8Z"/>',
        "ring": '<circle class="p-other" cx="8" cy="8" r="4"/>',
        "point": '<circle class="p-broken" cx="8" cy="8" r="2.2"/>',
        "square": '<rect class="p-pick" x="1" y="1" width="14" height="14"/><text class="p-text" x="8" y="12">1</text>',
        "cross": '<path class="p-base" d="M3 3L13 13M13 3L3 13"/>',
    }
    return f'<svg width="16" height="16" aria-hidden="true">{shapes[kind]}</svg>'


def front_table(result: RunResult, drawn: Drawn) -> Html:
    """Members of the front (without one: the near misses) as a table, the named ones first."""
    space = result.space
    chosen = [row for row in range(len(drawn)) if drawn.front[row] or drawn.marks[row]]
    head = ["setup", *(text(words.knob_label(k, unit=True)) for k in space.knobs)]
    head += [text(words.metric_label(metric, unit=True)) for metric in axis_metrics(space)]
    rows = []
    for row in chosen[:LISTED]:
        one = drawn.table.row(row)
        numbers = [words.metric_value(m, one[m], unit=False) for m in axis_metrics(space)]
        rows.append([drawn.marks[row], *space.labels(drawn.table.positions[row]), *numbers])
    more = f" The first {LISTED} of {len(chosen):,}; front.csv has all." if len(chosen) > LISTED else ""
    return table(f"Shortlist, baseline and front.{more}", head, rows, right=range(1, len(head)))


def static_scatter(result: RunResult, drawn: Drawn) -> Html:
    """The scatter panels as a still drawing: every pair of objectives, shortlist numbered."""
    names = scatter_metrics(result.space)
    if not len(drawn) or len(names) < 2:
        return Html("")
    size, gap = 210, 74
    order = sorted(range(len(drawn)), key=lambda row: (bool(drawn.marks[row]), bool(drawn.front[row])))
    dropped = max(0, len(order) - STATIC_POINTS)
    columns = {metric: drawn.table.column(metric) for metric in names}
    side = len(names) - 1
    whole = side * (size + gap) + 20
    parts = [
        f'<svg class="scatter-still" viewBox="0 0 {whole} {whole}" role="img" aria-label="Every pair of objectives">'
    ]
    for r, y_name in enumerate(names[1:]):
        for c, x_name in enumerate(names[: r + 1]):
            left, top = gap + c * (size + gap), 10 + r * (size + gap)
            parts.append(f'<rect class="frame" x="{left}" y="{top}" width="{size}" height="{size}"/>')
            x, x_ends = _scaled(columns[x_name], left, left + size)
            y, y_ends = _scaled(columns[y_name], top + size, top)
            for row in order[dropped:]:
                parts.append(_point(float(x[row]), float(y[row]), drawn, row))
            parts += _labels(left, top, size, x_name, y_name, x_ends, y_ends)
    return Html("".join([*parts, "</svg>"]))


def _scaled(values: FloatArray, start: float, end: float) -> tuple[FloatArray, tuple[float, float]]:
    low, high = float(values.min()), float(values.max())
    span = high - low or 1.0
    inner = 0.04 * (end - start)
    result: FloatArray = start + inner + (values - low) / span * (end - start - 2 * inner)
    return result, (low, high)


def _point(x: float, y: float, drawn: Drawn, row: int) -> str:
    mark = drawn.marks[row]
    if mark == "B":
        return f'<path class="p-base" d="M{x - 5:.1f} {y - 5:.1f}l10 10m0 -10l-10 10"/>'
    if mark:
        first = html.escape(mark.split()[0])
        return (
            f'<rect class="p-pick" x="{x - 7:.1f}" y="{y - 7:.1f}" width="14" height="14"/>'
            f'<text class="p-text" x="{x:.1f}" y="{y + 4:.1f}">{first}</text>'
        )
    if drawn.front[row]:
        return f'<path class="p-front" d="M{x:.1f} {y - 4:.1f}l4 4l-4 4l-4 -4z"/>'
    kind, radius = ("p-other", 2.5) if drawn.kept[row] else ("p-broken", 1.4)
    return f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="{radius}"/>'


def _labels(
    left: int, top: int, size: int, x: str, y: str, x_ends: tuple[float, float], y_ends: tuple[float, float]
) -> list[str]:
    bottom = top + size
    said = [words.metric_value(m, v, unit=False) for m, ends in ((x, x_ends), (y, y_ends)) for v in ends]
    middle, centre, side = top + size / 2, left + size / 2, left - 40
    x_label, y_label = (html.escape(flat(words.metric_label(metric, unit=True))) for metric in (x, y))
    return [
        f'<text class="tick" x="{left}" y="{bottom + 14}">{said[0]}</text>',
        f'<text class="tick" x="{left + size}" y="{bottom + 14}" text-anchor="end">{said[1]}</text>',
        f'<text class="tick" x="{left - 4}" y="{bottom}" text-anchor="end">{said[2]}</text>',
        f'<text class="tick" x="{left - 4}" y="{top + 10}" text-anchor="end">{said[3]}</text>',
        f'<text class="axis" x="{centre:g}" y="{bottom + 32}" text-anchor="middle">{x_label}</text>',
        f'<text class="axis" x="{side}" y="{middle:g}" text-anchor="middle" transform="rotate(-90 {side} {middle:g})">',
        f"{y_label}</text>",
    ]
