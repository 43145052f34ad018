"""The first screen: what to take, which knob matters most, what it trades."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from explorer.domain.space import FloatArray, Objective
from explorer.report import figure_data, words
from explorer.report.headline import headline_lines
from explorer.report.page.markup import Html, bullets, join, name, table, tag, text
from explorer.report.page.setups import set_line
from explorer.report.tables import broken_text, main_pick, notes_of, unmet_text
from explorer.study.everything.shortlist import NothingFeasible, Pick, Shortlist, picks_of
from explorer.study.questions.sensitivity import Sensitivity
from explorer.study.results import RunResult

KNOBS_NAMED = 3
"""Knobs named per objective on the first screen."""


def first_screen(result: RunResult) -> Html:
    """The answer in words and a few numbers."""
    found = result.shortlist
    if isinstance(found, Shortlist):
        return _take(result, found)
    return _nothing(result, found)


def copy_button(result: RunResult, positions: FloatArray, label: str) -> Html:
    """A button that copies a setup as the command line takes it."""
    line = set_line(result.space, positions)
    told = f"Copy --set for {label}"
    return tag("button", "Copy --set", type="button", class_="copy live", data_line=line, aria_label=told)


def _take(result: RunResult, found: Shortlist) -> Html:
    place = main_pick(found)
    pick, several = found.picks[place], len(found.picks) > 1
    mark = str(place + 1)
    title = "Take this setup" if result.plan is not None else f"If you take one setup, take number {mark}"
    if result.plan is not None and not pick.changes:
        title = "Leave the car as it is"
    said = [] if result.plan is None else headline_lines(result.plan, result.space)[1:]
    rest = f"The other {len(found.picks) - 1} below trade it against other things, in no order of merit."
    left = tag(
        "div",
        tag("h1", text(title), id="answer-title"),
        ticket(result, pick, mark),
        bullets([text(line) for line in said], class_="lead") if said else "",
        tag("p", text(f"{rest if several else 'It is the whole shortlist.'}"), class_="small"),
        _notes(result),
    )
    right = tag("div", _matters(result), _trades(result, found, place), class_="aside")
    compact = shortlist_table(result, place)
    return tag("div", tag("div", left, right, class_="answer"), compact)


def _notes(result: RunResult) -> Html:
    """How the setup shown stands to the wishes, what cannot be had here, and objectives that took no part."""
    lines = notes_of(result)
    return bullets([text(f"{line}.") for line in lines], class_="small") if lines else Html("")


def ticket(result: RunResult, pick: Pick, mark: str) -> Html:
    """The parts of one setup, large, with what stands there today under each part that changes."""
    space = result.space
    old = {knob: before for knob, before, _ in pick.changes}
    parts = []
    for knob, label in zip(space.knobs, pick.labels, strict=True):
        value = words.setting_label(knob, label)
        was = f"was {old[knob.name]}" if knob.name in old else "stays"
        changed = "changed" if knob.name in old else None
        parts.append(
            tag(
                "div",
                tag("dt", name(words.knob_label(knob))),
                tag("dd", name(value), tag("small", name(was))),
                class_=changed,
            )
        )
    work = f"{pick.minutes:g} minutes of work from the baseline" if pick.changes else "It is the baseline: no work"
    foot = tag("p", f"{work}. {nearest_limit(pick, result)}".strip(), class_="foot")
    values = words.listed(
        f"{words.metric_label(o.metric)} {words.metric_value(o.metric, float(v))}"
        for o, v in zip(space.objectives, pick.values, strict=True)
    )
    return tag(
        "section",
        tag("dl", *parts),
        tag(
            "p",
            tag("span", mark, class_="mark"),
            f" gives {values} {words.guess_text(result.practised)}. ",
            copy_button(result, pick.positions, f"setup {mark}"),
        ),
        foot,
        class_="ticket",
        aria_label=f"Parts of setup {mark}",
    )


def nearest_limit(pick: Pick, result: RunResult) -> str:
    """The limit a setup comes nearest to, in felt differences; "" without limits."""
    if not len(pick.margins):
        return ""
    shares = pick.margins / np.array([limit.resolution for limit in result.limits])
    limit = result.limits[int(np.argmin(shares))]
    room = words.room_text(limit.metric, float(pick.margins[int(np.argmin(shares))]))
    return f"Nearest limit: {words.resolved_text(limit)}, {room} to spare."


def shortlist_table(result: RunResult, main: int = -1) -> Html:
    """The shortlist with parts, objectives and work, and the baseline beside it; cells carry the CSV's own numbers."""
    space = result.space
    picks = picks_of(result.shortlist)
    objectives = space.objectives
    head = ["setup", *(text(words.knob_label(k, unit=True)) for k in space.knobs)]
    head += [
        join([words.metric_label(o.metric, unit=True), Html(f" <small>{words.better(o)} is better</small>")])
        for o in objectives
    ]
    head += ["minutes", "to try it"]
    ranked = isinstance(result.shortlist, Shortlist)
    rows: list[list[object]] = []
    for place, pick in enumerate(picks):
        mark = str(place + 1) if ranked else f"miss {place + 1}"
        label = tag("div", tag("span", mark, class_="mark"), tag("span", pick.reason), class_="named")
        cells: list[object] = [label]
        for c, (knob, level) in enumerate(zip(space.knobs, pick.labels, strict=True)):
            moved = pick.positions[c] != space.baseline[c]
            cells.append(_cell(level, knob.name, level, "moved" if moved else ""))
        for o, value in zip(objectives, pick.values, strict=True):
            cells.append(_cell(words.metric_value(o.metric, float(value), unit=False), o.metric, repr(float(value))))
        cells += [_cell(f"{pick.minutes:g}", "minutes", f"{pick.minutes:g}")]
        cells.append(copy_button(result, pick.positions, f"setup {mark}" if ranked else f"near {mark}"))
        rows.append(cells)
    rows.append(_baseline_row(result))
    size, count = len(space.knobs), len(objectives)
    caption = (
        f"The shortlist and the baseline {words.guess_text(result.practised)}. Bold parts differ from the baseline."
        if ranked
        else ("The setups that miss by least, and the baseline. They break limits: not to be taken.")
    )
    return tag(
        "div",
        table(caption, head, rows, right=range(1, size + count + 2), class_="shortlist"),
        class_="wide",
        id="shortlist",
    )


def _cell(shown: str, column: str, value: str, class_: str = "") -> Html:
    return tag("span", name(shown), class_=class_ or None, data_column=column, data_value=value)


def _baseline_row(result: RunResult) -> list[object]:
    space = result.space
    labels = space.labels(np.asarray(space.baseline))
    answered = bool(result.baseline.valid[0])
    values = [
        words.metric_value(o.metric, float(result.baseline.column(o.metric)[0]), unit=False)
        if answered
        else "no answer"
        for o in space.objectives
    ]
    button = copy_button(result, np.asarray(space.baseline, dtype=np.float64), "the baseline")
    return [
        tag("div", tag("span", "B", class_="mark plain"), tag("span", "the baseline"), class_="named"),
        *labels,
        *values,
        "0",
        button,
    ]


def _matters(result: RunResult) -> Html:
    """The strongest knobs of each objective: their shares in words over a bar cut into them."""
    indices = result.indices
    title = tag("h2", "Which knob matters most")
    kind = figure_data.index_kind(indices) if indices is not None else ""
    if indices is None or not kind:
        return tag("section", title, tag("p", result.indices_note or "No indices were worked out."))
    lines = []
    for metric in dict.fromkeys(o.metric for o in result.space.objectives):
        if metric in indices.metrics:
            lines.append(_strongest(result, indices, kind, metric))
    what = "Share of the variance over all setups" if kind == "shapley" else "Total index: may add to over 100 %"
    note = tag("p", f"{what}. ", tag("a", "All knobs and metrics", href="#knobs"), class_="small")
    return tag("section", title, tag("dl", *lines, class_="matters"), note)


def _strongest(result: RunResult, indices: Sensitivity, kind: str, metric: str) -> Html:
    row = indices.metrics.index(metric)
    term = tag("dt", words.metric_label(metric))
    if indices.constant[row]:
        return tag("div", term, tag("dd", "constant: no knob in this study moves it"))
    values = np.clip(getattr(indices, kind)[row], 0.0, None)
    order = np.argsort(-values, kind="stable")[:KNOBS_NAMED]
    shown = [int(k) for n, k in enumerate(order) if n == 0 or values[k] >= 0.05]
    said = [
        join([name(words.knob_label(result.space.knobs[k])), Html(f" <b>{100 * values[k]:.0f}&nbsp;%</b>")])
        for k in shown
    ]
    whole = max(1.0, float(values[shown].sum()))
    cuts = [tag("i", style=f"width:{100 * values[k] / whole:.1f}%") for k in shown]
    return tag("div", term, tag("dd", join(said, ", "), tag("span", *cuts, class_="bar", aria_hidden="true")))


def _trades(result: RunResult, found: Shortlist, main: int) -> Html:
    """What each other setup gives and costs against the one shown."""
    title = tag("h2", "What it trades")
    if len(found.picks) < 2:
        return tag("section", title, tag("p", f"Nothing: {words.count(found.groups, 'distinct point')} on the front."))
    base = found.picks[main]
    lines = [
        join(
            [
                tag("span", str(place + 1), class_="mark"),
                f" {_difference(pick.values - base.values, found.objectives)}{_unmet(pick, result)}",
            ]
        )
        for place, pick in enumerate(found.picks)
        if place != main
    ]
    return tag("section", title, tag("p", f"Against number {main + 1}:", class_="small"), bullets(lines, "trades"))


def _unmet(pick: Pick, result: RunResult) -> str:
    """What a setup leaves of the wishes: "; wishes: hairpin: roll angle 1.39 deg short"."""
    return f". Wishes: {unmet_text(pick.wishes, result.space)}" if pick.wishes else ""


def _difference(change: FloatArray, objectives: Sequence[Objective]) -> str:
    """Felt differences in words, what is better first: "1.3 ms less response lag, but 1.5 % less grip margin"."""
    gains: list[str] = []
    costs: list[str] = []
    same: list[str] = []
    for step, objective in zip(change, objectives, strict=True):
        label = words.metric_label(objective.metric).partition(" (")[0]
        if abs(step) < objective.resolution:
            same.append(label)
            continue
        amount = words.metric_value(objective.metric, abs(float(step)))
        side = "less" if step < 0.0 else "more"
        said = f"{amount} {side} {label}"
        (gains if step * objective.direction > 0 else costs).append(said)
    if not gains and not costs:
        return "feels the same in every objective"
    moved = ", but ".join(words.listed(side) for side in (gains, costs) if side)
    return f"{moved}; {words.listed(same)} {'feels' if len(same) == 1 else 'feel'} the same" if same else moved


def _nothing(result: RunResult, found: NothingFeasible) -> Html:
    """Nothing keeps every limit: which limits bind and what comes nearest, without a ranking."""
    looked = "setups" if result.exact else "setups the search looked at"
    binding = [(limit, int(n)) for limit, n in zip(found.limits, found.sole_removal, strict=True) if n > 0]
    if binding:
        said = "These limits bind. Each one, given up alone, would let setups in:"
        lines = [f"{words.resolved_text(limit)}: {words.count(n, 'setup')}" for limit, n in binding]
    else:
        said = "No single limit is to blame: at least two would have to give way. Most broken:"
        worst = sorted(zip(found.share, found.limits, strict=True), key=lambda pair: -pair[0])[:3]
        lines = [f"{words.resolved_text(limit)}: {100 * share:.0f} % of setups break it" for share, limit in worst]
    left = tag(
        "div",
        tag("h1", "Nothing keeps every limit", id="answer-title"),
        tag(
            "p",
            f"None of the {found.counts.valid:,} {looked} keeps every limit, so nothing is ranked or recommended.",
            class_="lead",
        ),
        tag("section", tag("p", said), bullets(lines, "plain"), class_="ticket", aria_label="Limits that bind"),
    )
    misses = [
        join([tag("span", f"miss {place}", class_="mark"), " ", broken_text(pick, found)])
        for place, pick in enumerate(found.least, start=1)
    ]
    near = tag("section", tag("h2", "What comes nearest breaks"), bullets(misses, "trades"))
    right = tag("div", _matters(result), near, class_="aside")
    return tag("div", tag("div", left, right, class_="answer"), shortlist_table(result))
