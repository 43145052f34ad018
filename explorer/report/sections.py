"""The report below its answer: limits, sensitivity, single changes, maps, failures, assumptions, method."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from explorer.domain.space import FloatArray
from explorer.domain.unknowns import how_to_measure
from explorer.model.metrics import describe
from explorer.report import figure_data, words
from explorer.report.words import escape
from explorer.study.everything.shortlist import Shortlist, picks_of
from explorer.study.questions.exact import StepEffects
from explorer.study.questions.sensitivity import Sensitivity
from explorer.study.results import RunResult

KIND_WORDS = {"shapley": "Shapley effect", "total": "total index", "first": "first-order index"}
ASSUMPTIONS_SHOWN = 10
"""Rows of the assumption table in the report; the CSV holds all."""

TABLE_METRICS = 8
"""Metrics in the one-change table of the report; the CSV has all of them."""


class Pictures:
    """Links to the pictures that were drawn."""

    def __init__(self, result: RunResult, drawn: Sequence[str] | None = None):
        """`drawn` names the stems that exist; None stands for all."""
        known = figure_data.figure_stems(result)
        self._stems = {stem: text for stem, text in known.items() if drawn is None or stem in drawn}

    def show(self, stem: str) -> list[str]:
        """The picture as an embedded link, or nothing when it was not drawn."""
        return [f"![{escape(self._stems[stem])}](figures/{stem}.png)"] if stem in self._stems else []


def what_matters(result: RunResult) -> list[str]:
    """Which knob matters most for each objective, in words."""
    lines = ["### Which knob matters most"]
    indices = result.indices
    if indices is None:
        return [*lines, f"No answer: {escape(result.indices_note or 'no indices were worked out')}."]
    kind = figure_data.index_kind(indices)
    for place, objective in enumerate(result.space.objectives):
        if objective.metric in indices.metrics and kind:
            text = _ranking_text(result, indices, kind, objective.metric)
            lines.append(f"- {text} {escape(ahead_text(result, place))}".rstrip())
    return [lines[0], "\n".join(lines[1:]) or "No index was worked out for an objective."]


def ahead_text(result: RunResult, objective: int) -> str:
    """In what share of the scenarios which knob moves an objective most, and per minute; "" without a plan."""
    split = None if result.plan is None else result.plan.split
    if split is None or not split.ahead[objective].any():
        return ""
    said = [_ahead(split.ahead[objective], result), _ahead(split.ahead_per_minute[objective], result)]
    text = f"Over what nobody knows the first is {said[0]}"
    return text + (f"; per minute of work {said[1]}." if said[1] != said[0] else ", per minute of work too.")


def _ahead(shares: FloatArray, result: RunResult) -> str:
    order = [int(k) for k in np.argsort(-shares, kind="stable")[:2] if shares[k] >= 0.01]
    return words.listed(
        f"the {words.knob_label(result.space.knobs[k])} in {100.0 * shares[k]:.0f} % of scenarios" for k in order
    )


def _ranking_text(result: RunResult, indices: Sensitivity, kind: str, metric: str) -> str:
    row = indices.metrics.index(metric)
    name = f"**{escape(words.metric_label(metric))}**"
    if indices.constant[row]:
        return f"{name}: constant. No knob in this study moves it."
    values = getattr(indices, kind)[row]
    half = getattr(indices, f"{kind}_interval")
    order = np.argsort(-values, kind="stable")
    knobs = result.space.knobs
    shown = [k for n, k in enumerate(order[:3]) if n == 0 or values[k] >= 0.05]
    parts = []
    for k in shown:
        spread = "" if half is None else f" ± {100 * half[row, k]:.0f}"
        parts.append(f"{words.knob_label(knobs[k])} ({100 * values[k]:.0f}{spread} %)")
    of = (
        "of its variance"
        if kind == "shapley"
        else f"of its variance by {KIND_WORDS[kind]}, which may add to over 100 %"
    )
    text = f"{name}: {escape(', then '.join(parts))} {of}."
    if half is not None and len(order) > 1:
        first, second = order[:2]
        if values[first] - half[row, first] < values[second] + half[row, second]:
            text += " The first two are too close to call from this sample."
    effects = result.steps
    if effects is not None and metric in effects.metrics:
        size, per_minute = (
            effects.absolute[effects.metrics.index(metric)],
            effects.per_minute[effects.metrics.index(metric)],
        )
        top, quick = int(order[0]), int(np.argmax(per_minute))
        unit, places = describe(metric).unit, words.decimals(describe(metric).resolution) + 1
        step = f"{words.number(float(size[top]), places)} {unit}".strip()
        text += f" One step of the {escape(words.knob_label(knobs[top]))} moves it by {escape(step)} on average."
        if quick != top:
            text += f" Per minute of work the {escape(words.knob_label(knobs[quick]))} moves it most."
    return text


def wishes(result: RunResult, pictures: Pictures) -> list[str]:
    """What the driver wants, and what each setup of the shortlist makes of it; nothing without wishes."""
    if not result.wishes:
        return []
    picks = picks_of(result.shortlist)
    rows = [
        [
            words.wish_text(wish, result.space),
            f"{wish.felt:g} {wish.unit}".strip(),
            f"{wish.price:g}",
            *(words.short_text(pick.wishes[place]) for pick in picks),
            wish.reason,
        ]
        for place, wish in enumerate(result.wishes)
    ]
    rows.append(["loss", "", "", *(words.number(pick.loss, 2) for pick in picks), ""])
    ranked = isinstance(result.shortlist, Shortlist)
    head = [f"setup {place}" if ranked else f"miss {place}" for place in range(1, len(picks) + 1)]
    return [
        "## Wishes",
        "A wish is met as nearly as can be. The loss of a setup adds up its shortfalls, each counted in felt "
        "differences and weighed by its price; setup 1 is the one of least loss among those that keep every limit.",
        words.table(["wish", "felt", "price", *head, "why"], rows, right=(1, 2)),
    ]


def limits(result: RunResult, pictures: Pictures) -> list[str]:
    """Limits, and how many setups meet each."""
    counts = result.counts
    if not counts.limits:
        return ["## Limits", "The study sets no limit. Then the quickest response is usually just the stiffest bar."]
    rows = []
    for c, (limit, written) in enumerate(zip(counts.limits, result.space.limits, strict=True)):
        meet = counts.valid - int(counts.broken[c])
        text = f"{meet:,} ({words.share_text(meet, counts.valid)})"
        rows.append(
            [
                words.resolved_text(limit),
                words.origin_text(written) or "-",
                text,
                f"{int(counts.only[c]):,}",
                limit.reason,
            ]
        )
    head = ["limit", "set relative to", "setups that meet it", "kept out by this one alone", "why"]
    share = words.share_text(counts.feasible, counts.valid)
    return [
        "## Limits",
        f"{counts.feasible:,} of {counts.valid:,} setups ({share}) keep every limit."
        + ("" if result.exact else " These are the setups the search looked at: it leans towards good ones."),
        words.table(head, rows, right=(2, 3)),
    ]


def sensitivity(result: RunResult, pictures: Pictures) -> list[str]:
    """Indices with what they depend on, beside the effect of one step and of one minute."""
    lines = ["## Which knob moves what"]
    indices = result.indices
    if indices is None:
        return [*lines, f"There are no indices: {escape(result.indices_note or 'they were not worked out')}."]
    lines.append(_index_words(indices))
    rows = []
    for objective in result.space.objectives:
        if objective.metric in indices.metrics:
            rows += _index_rows(result, indices, indices.metrics.index(objective.metric))
    head = ["objective", "knob", "first order", "total", "Shapley", "per step", "per minute of work"]
    lines.append(words.table(head, rows, right=range(2, 7)))
    lines.append("Every metric is in [sensitivity.csv](tables/sensitivity.csv).")
    lines += pictures.show("sensitivity")
    for metric in figure_data.pair_metrics(result):
        lines.append(_pair_words(result, indices, metric))
        lines += pictures.show(figure_data.pair_stem(metric))
    return lines


def _index_words(indices: Sensitivity) -> str:
    text = (
        f"Method: {escape(indices.method)}, {words.count(indices.evaluations, 'evaluation')}. An index is the share of "
        "a metric's variance that comes from a knob. It depends on the levels listed in the study: a knob with a wide "
        "range looks strong. So read the effect per step beside it. Limits do not change the population: setups that "
        "break one still count here."
    )
    if indices.exact:
        text += " There is no sampling error."
    else:
        text += " These are estimates with 95 % intervals."
        if indices.noise_floor is not None:
            text += f" An index below {float(indices.noise_floor.max()):.3f} cannot be told from none."
        if not indices.converged:
            text += " The budget ran out before the intervals were as narrow as the study asks."
    if indices.first is None:
        reason = indices.reason or "the knobs are dependent"
        text += f" Only Shapley effects are given. The reason: {escape(reason)}."
    elif indices.shapley is None and indices.reason:
        text += f" Note: {escape(indices.reason)}."
    return text


def _index_rows(result: RunResult, indices: Sensitivity, row: int) -> list[list[str]]:
    metric = indices.metrics[row]
    label = words.metric_label(metric)
    if indices.constant[row]:
        return [[label, "every knob", "constant", "constant", "constant", "0", "0"]]
    rows = []
    kind = figure_data.index_kind(indices)
    for k in np.argsort(-getattr(indices, kind)[row], kind="stable"):
        cells = [label, words.knob_label(result.space.knobs[k])]
        for name in ("first", "total", "shapley"):
            cells.append(_index_text(getattr(indices, name), getattr(indices, f"{name}_interval"), row, int(k)))
        cells += _effect_text(result.steps, metric, int(k))
        rows.append(cells)
    return rows


def _index_text(values: FloatArray | None, half: FloatArray | None, row: int, knob: int) -> str:
    if values is None:
        return "-"
    text = words.number(float(values[row, knob]), 3)
    return text if half is None else f"{text} ± {words.number(float(half[row, knob]), 3)}"


def _effect_text(effects: StepEffects | None, metric: str, knob: int) -> list[str]:
    if effects is None or metric not in effects.metrics:
        return ["-", "-"]
    row = effects.metrics.index(metric)
    unit, places = describe(metric).unit, words.decimals(describe(metric).resolution) + 1
    return [
        f"{words.number(float(effects.absolute[row, knob]), places)} {unit}".strip(),
        f"{words.number(float(effects.per_minute[row, knob]), places + 1)} {unit}".strip(),
    ]


def _pair_words(result: RunResult, indices: Sensitivity, metric: str) -> str:
    assert indices.pairs is not None
    values = np.triu(indices.pairs[indices.metrics.index(metric)], 1)
    a, b = np.unravel_index(int(np.argmax(values)), values.shape)
    knobs = result.space.knobs
    label = escape(words.metric_label(metric))
    if values[a, b] < 0.01:
        return f"Pairs, {label}: no two knobs do anything together worth naming; their effects add up."
    pair = escape(f"{words.knob_label(knobs[a])} and {words.knob_label(knobs[b])}")
    return (
        f"Pairs, {label}: {pair} together make {100 * values[a, b]:.1f} % of the variance that neither makes alone. "
        "Choose them together."
    )


def one_change(result: RunResult, pictures: Pictures) -> list[str]:
    """What each single step does, from the baseline."""
    found, space = result.one_change, result.space
    names = [name for name in words.key_metrics(space, TABLE_METRICS) if name in found.columns]
    columns = [found.columns.index(name) for name in names]
    limited = {limit.text: words.metric_label(limit.metric) for limit in result.limits}
    rows = []
    for s, step in enumerate(found.steps):
        if not step.allowed:
            note, cells = "a rule forbids it", ["-"] * len(names)
        elif not step.valid:
            note, cells = "the model has no answer", ["-"] * len(names)
        else:
            broken = dict.fromkeys(limited[text] for text in step.broken)
            note = f"breaks the limit on {'; '.join(broken)}" if broken else ""
            cells = [
                words.metric_value(name, float(found.change[s, c]), unit=False, sign=True)
                for name, c in zip(names, columns, strict=True)
            ]
        rows.append([figure_data.step_label(space, found, s), f"{step.minutes:g}", *cells, note])
    head = ["single change", "minutes", *(words.metric_label(name, unit=True) for name in names), "note"]
    return [
        "## One change at a time",
        "From the baseline, one step of one knob. Every number is a change in the metric's unit. "
        "All metrics are in [one_change.csv](tables/one_change.csv).",
        words.table(head, rows, right=range(1, 2 + len(names))),
        *pictures.show("one_change"),
    ]


def maps(result: RunResult, pictures: Pictures) -> list[str]:
    """Maps with the limits drawn."""
    if not result.maps:
        return []
    lines = [
        "## Maps",
        "Lines show where the limits run. Hatched cells break at least one; the hatch names the one missed most. B is "
        "the baseline and the numbers are the setups above, at the two levels shown. Their other knobs may differ, so "
        "a number can stand on a hatched cell.",
    ]
    for stem, found in zip(words.map_stems(result.maps), result.maps, strict=True):
        good = int(found.feasible.sum())
        text = f"{words.metric_label(found.metric)} over {words.spaced(found.x)} and {words.spaced(found.y)}"
        lines.append(
            f"**{escape(text)}**: {escape(found.choice)}. {good:,} of {found.feasible.size:,} cells keep every limit "
            f"([{stem}.csv](tables/{stem}.csv))."
        )
        lines += pictures.show(stem)
    return lines


def failures(result: RunResult, pictures: Pictures) -> list[str]:
    """Setups without an answer, counted and listed."""
    failed = result.failures
    if not failed.count:
        return ["## Failures", "None. The model answered for every setup it was asked about."]
    lines = [
        "## Failures",
        f"The model had no answer for {failed.count:,} of {result.setups:,} setups. They take no part in the front "
        "or the shortlist, and nothing was put in their place.",
    ]
    if failed.reasons:
        lines.append("Why: " + "; ".join(f"{escape(text)} ({count:,})" for text, count in failed.reasons) + ".")
    if failed.examples:
        lines += ["The first of them:", "\n".join(f"- {escape(text)}" for text in failed.examples)]
    if failed.tied:
        rows = [[words.spaced(knob), level, f"{100 * share:.1f} %"] for knob, level, share in failed.tied]
        lines += ["Where they lie:", words.table(["knob", "level", "share that failed"], rows, right=(2,))]
    return lines


def assumptions(result: RunResult, pictures: Pictures) -> list[str]:
    """Inputs nobody measured."""
    items = result.space.assumptions
    if not items:
        return ["## Assumptions", "Every optional input of the car was given. The tyre model remains an assumption."]
    rows = [
        [
            words.input_label(item.key, unit=True),
            words.figures(item.value),
            f"± {words.figures(item.spread)}",
            item.reason,
        ]
        for item in items
    ]
    return [
        "## Assumptions",
        f"{words.count(len(items), 'input')} nobody measured. "
        "Measure one and put it in the car file, and it leaves this list.",
        words.table(["input", "taken", "spread", "why"], rows, right=(1, 2)),
    ]


def assumption_effects(result: RunResult, pictures: Pictures) -> list[str]:
    """Which assumption would change the advice."""
    found = result.assumed
    title = "## Which assumption would change the advice"
    if found is None:
        return [title, f"Not answered: {escape(result.assumed_note)}."]
    rows = [
        [
            one.name,
            one.text,
            f"{one.largest:.2f}",
            f"{100 * one.shortlist_kept:.0f} %",
            f"{100 * one.limits_kept:.0f} %",
            words.changes_text(result.space, one.best_moved) if one.best_moved else "stays",
            one.note,
        ]
        for one in found.effects[:ASSUMPTIONS_SHOWN]
    ]
    head = ["assumption", "moved over", f"largest change of a {found.kind}", "shortlist still on the front",
            "shortlist keeps limits", "balanced setup", "note"]  # fmt: skip
    asked = f"all {found.setups:,} setups" if found.whole else f"{found.setups:,} setups (levels thinned)"
    steady = [one.name for one in found.effects if one.shortlist_kept == 1.0 and one.limits_kept == 1.0]
    lines = [
        title,
        f"Each moved over its spread, one at a time, and {asked} asked again at both ends; the worse end is shown, "
        "worst first. Measure what stands at the top, leave what stands at the bottom. All of them are in "
        "[assumptions.csv](tables/assumptions.csv).",
        words.table(head, rows, right=(2, 3, 4)),
    ]
    how = {words.input_label(item.key): how_to_measure(item.reason) for item in result.space.assumptions}
    costly = (
        (one.name, how.get(one.name) or how.get(f"front {one.name}", ""))
        for one in found.effects
        if one.name not in steady
    )
    name, text = next((pair for pair in costly if pair[1]), ("", ""))
    if name:
        lines.append(f"Of what the car file calls typical, the {name} costs most. To measure it: {escape(text)}.")
    if steady:
        lines.append(f"These cost the shortlist nothing: {escape(words.listed(steady))}.")
    return lines + pictures.show("assumptions")


def method(result: RunResult, pictures: Pictures) -> list[str]:
    """How the questions were asked."""
    space = result.space
    rows = [
        [
            words.knob_label(knob, unit=True),
            f"{knob.values[0]:g} to {knob.values[1]:g}, continuous" if knob.continuous else ", ".join(knob.labels),
            words.tolerance_text(knob),
            f"{knob.minutes:g}",
        ]
        for knob in space.knobs
    ]
    names = escape(words.listed(map(words.spaced, space.phase_names)))
    phases = f"{words.count(len(space.phase_names), 'phase')} ({names})"
    if result.exact:
        how = (
            f"Every one of the {result.setups:,} allowed setups went through the model in {phases}. "
            "What they say is exact for the model at the best guess of every number."
        )
    else:
        search = result.search
        assert search is not None
        first = result.setups - search.local.looked
        how = (
            f"A search looked at {result.setups:,} distinct setups in {phases}: {first:,} in {search.generations:,} "
            f"generations (NSGA-II, seed {space.seed}), then {search.local.looked:,} by single and double changes of "
            f"the best. The front is not exact: better setups may exist. {words.local_text(search)}"
        )
    if result.agreement is not None:
        found = result.agreement
        how += (
            f" Held against the exact front, the search found {100 * found.recall:.1f} % of its distinct points, "
            f"{100 * found.setup_recall:.1f} % of its setups and {100 * found.hypervolume_ratio:.1f} % of its "
            "hypervolume."
        )
    resolutions = words.listed(
        f"{o.resolution:g} {describe(o.metric).unit} of {words.metric_label(o.metric)}{words.cap_text(o.metric)}"
        for o in space.objectives
    )
    lines = [
        "## Method",
        how,
        f"Differences nobody can feel do not count: setups are compared after rounding to {escape(resolutions)}. Ties "
        "are kept, and the one with the fewest changes from the baseline stands for them.",
        words.table(["knob", "levels", "build tolerance", "minutes to change"], rows, right=(3,)),
    ]
    if space.rules:
        lines += ["Rules between parts:", "\n".join(f"- {escape(rule.reason)}" for rule in space.rules)]
    if space.notes:
        lines += ["Notes:", "\n".join(f"- {escape(note)}" for note in space.notes)]
    return lines


ORDER: tuple[Callable[[RunResult, Pictures], list[str]], ...] = (
    wishes,
    limits,
    sensitivity,
    one_change,
    maps,
    failures,
    assumptions,
    assumption_effects,
    method,
)
"""Sections in the order of the report, after the answer."""
