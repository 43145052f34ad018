"""Two finished runs side by side, as text for a terminal and as plain facts for `--json`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import pandas as pd

from explorer.domain.errors import SpaceError
from explorer.report import words
from explorer.report.answers import Answer, plain
from explorer.report.words import flat
from explorer.study.compare.runs import (
    KEPT_SHARE,
    Differs,
    LimitPair,
    LimitRecord,
    Listed,
    Lists,
    PlansCompared,
    RunRecord,
    RunsCompared,
)

SHORT_HASH = 12
"""Digits of a SHA-256 that a person is shown."""

INDEX_NAMES = {"shapley": "Shapley effect", "total": "total index", "first": "first-order index"}


def runs_answer(found: RunsCompared) -> Answer:
    """Two runs as a person reads them, and everything behind it."""
    a, b = found.a, found.b
    lines = [_asked(found)]
    if not found.one_law:
        lines.append(words.two_laws(a.axle, b.axle))
    for name, alone in (("first", found.knobs_only_a), ("second", found.knobs_only_b)):
        if alone:
            lines.append(f"only the {name} varies: {', '.join(map(flat, alone))}")
    lines += ["", "What matters most", *_matters(found)]
    lines += ["", "Shortlist" + _missed(a, "first") + _missed(b, "second")]
    lines += _setups(found.shortlist, _objectives(a, b))
    lines += ["", "Front", *_front(found)]
    lines += ["", "Limits, share of setups that break them", *_limits(found.limits)]
    if found.plans is not None:
        lines += ["", "Plan", *_plans(found.plans, _objectives(a, b))]
    elif a.plan or b.plan:
        lines += ["", f"Plan: only the {'first' if a.plan else 'second'} run made one"]
    lines += ["", _differing("input files", found.inputs, lambda text: text[:SHORT_HASH])]
    lines.append(_differing("versions", found.versions, flat))
    return Answer("\n".join(lines), facts(found))


def _asked(found: RunsCompared) -> str:
    a, b = found.a, found.b
    rows = [("folder", a.folder, b.folder)]
    rows += [(name, getattr(a, name), getattr(b, name)) for name in ("study", "car", "surface", "axle", "method")]
    rows.append(("seed", str(a.seed), str(b.seed)))
    rows += [
        (name, f"{a.counts.get(key, 0):,}{_percent_kept(a, key)}", f"{b.counts.get(key, 0):,}{_percent_kept(b, key)}")
        for name, key in (("setups", "setups"), ("keep every limit", "feasible"), ("without an answer", "invalid"))
    ]
    return _table([{"": name, "first": one, "second": two} for name, one, two in rows])


def _percent_kept(one: RunRecord, key: str) -> str:
    return f" ({_percent(one.feasible_share)})" if key == "feasible" else ""


def _matters(found: RunsCompared) -> list[str]:
    if not found.index_kind:
        return ["no index that both runs hold" if found.a.indices or found.b.indices else "neither run holds indices"]
    methods = dict.fromkeys((found.a.index_method, found.b.index_method))
    rows = [
        {
            "metric": _label(one.metric),
            "first": _with_index(one.knob_a, one.index_a),
            "second": _with_index(one.knob_b, one.index_b),
            "": "" if one.knob_a == one.knob_b or not (one.knob_a and one.knob_b) else "another knob",
        }
        for one in found.strongest
    ]
    lines = [f"by {INDEX_NAMES[found.index_kind]} ({flat(' and '.join(methods))})", _table(rows)]
    if not found.shifts:
        return [*lines, "no index moved by as much as a reader would see"]
    shifts = [
        {
            "metric": _label(one.metric),
            "knob": one.knob,
            "first": f"{one.a:.2f}",
            "second": f"{one.b:.2f}",
            "change": f"{one.change:+.2f}",
        }
        for one in found.shifts
    ]
    return [*lines, "largest shifts:", _table(shifts)]


def _with_index(knob: str, index: float) -> str:
    return f"{knob} {index:.2f}" if knob else "-"


def _missed(one: RunRecord, name: str) -> str:
    return f"; nothing keeps every limit in the {name}: these miss by least" if one.nothing_feasible else ""


def _objectives(a: RunRecord, b: RunRecord) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*a.objectives, *b.objectives)))


def _setups(lists: Lists, figures: Sequence[str]) -> list[str]:
    """Setups of two lists with some figures of each; a setup on both shows both runs' figures."""
    if not lists.matched_on:
        return ["the runs share no knob, so no setup can be the same", *_alone(lists, figures)]
    rows = [
        _setup(pair.a, lists.matched_on) | {_label(f): f"{_value(f, pair.a)} / {_value(f, pair.b)}" for f in figures}
        for pair in lists.both
    ]
    count = words.count(len(rows), "setup")
    lines = [f"on both: {count}, figures first / second" if rows else "on both: none"]
    return [*lines, *([_table(rows)] if rows else []), *_alone(lists, figures)]


def _alone(lists: Lists, figures: Sequence[str]) -> list[str]:
    lines = []
    for name, alone in (("first", lists.only_a), ("second", lists.only_b)):
        if alone:
            rows = [_setup(one, tuple(one.labels)) | {_label(f): _value(f, one) for f in figures} for one in alone]
            lines += [f"only on the {name}: {words.count(len(rows), 'setup')}", _table(rows)]
    return lines


def _setup(one: Listed, knobs: Sequence[str]) -> dict[str, str]:
    return {knob: one.labels[knob] for knob in knobs}


def _value(figure: str, one: Listed) -> str:
    if figure not in one.figures:
        return "-"
    metric = figure.split(" ", 1)[0]
    try:
        return words.metric_value(metric, one.figures[figure], unit=False)
    except SpaceError:
        return _percent(one.figures[figure])


def _front(found: RunsCompared) -> list[str]:
    rows = [{"": "setups on it", "first": _size(found.a), "second": _size(found.b)}]
    for one in found.ranges:
        rows.append({"": _label(one.metric), "first": _span(one.metric, one.a), "second": _span(one.metric, one.b)})
    return [_table(rows)]


def _size(one: RunRecord) -> str:
    return f"{one.counts.get('front', 0):,} ({one.counts.get('front_distinct', 0):,} distinct)"


def _span(metric: str, span: tuple[float, float] | None) -> str:
    return "-" if span is None else " to ".join(words.metric_value(metric, end, unit=False) for end in span)


def _limits(pairs: Sequence[LimitPair]) -> list[str]:
    if not pairs:
        return ["neither run has limits"]
    rows = []
    for pair in pairs:
        name = f"{_label(pair.metric, unit=False)} {words.spaced(pair.sense)}"
        rows.append({"limit": name, "first": _broken(pair.a), "second": _broken(pair.b)})
    return [_table(rows)]


def _broken(one: LimitRecord | None) -> str:
    """Share that breaks a limit, and its bound."""
    if one is None:
        return "no such limit"
    return f"{_percent(one.share)} ({f'{one.bound:.4g} {one.unit}'.strip()})"


def _plans(found: PlansCompared, objectives: Sequence[str]) -> list[str]:
    if found.on_a == found.on_b:
        lines = [f"shortlist taken on the {found.on_a}"]
    else:
        lines = [f"shortlist taken on the {found.on_a} in the first, on the {found.on_b} in the second"]
    figures = [f"{metric} {on}" for metric in objectives for on in dict.fromkeys((found.on_a, found.on_b))]
    lines += _setups(found.setups, [*figures, KEPT_SHARE])
    rows = [
        {
            "variance of": _label(one.metric),
            **{
                name: " / ".join(_percent(share) for share in shares)
                for name, shares in (("first", one.a), ("second", one.b))
            },
        }
        for one in found.variance
    ]
    return [*lines, "shares of knobs / of what is not known / of both together:", _table(rows)] if rows else lines


def _differing(what: str, found: Sequence[Differs], shown: Callable[[str], str]) -> str:
    if not found:
        return f"{what}: the same"
    rows = [{what: one.name, "first": shown(one.a) or "-", "second": shown(one.b) or "-"} for one in found]
    return f"{what} that differ:\n{_table(rows)}"


def _label(figure: str, unit: bool = True) -> str:
    """A metric, or a figure of one, for a reader, with its unit; a name outside the catalogue as it is."""
    metric, _, rest = figure.partition(" ")
    try:
        return " ".join([words.metric_label(metric, unit=unit), *([f"({rest})"] if rest else [])])
    except SpaceError:
        return figure


def _percent(share: float) -> str:
    return f"{100.0 * share:.1f} %"


def _table(rows: Sequence[Mapping[str, Any]]) -> str:
    """A table in plain letters, every cell on one line."""
    return plain(pd.DataFrame([{flat(name): flat(cell) for name, cell in row.items()} for row in rows]).fillna("-"))


def facts(found: RunsCompared) -> dict[str, Any]:
    """All of it as dictionaries, lists, texts and numbers; runs are told once and lists by their setups."""
    return {
        "first": _run_facts(found.a),
        "second": _run_facts(found.b),
        "one_axle_law": found.one_law,
        "knobs_only_first": list(found.knobs_only_a),
        "knobs_only_second": list(found.knobs_only_b),
        "index": found.index_kind,
        "strongest": [
            {
                "metric": one.metric,
                "first": {"knob": one.knob_a, "index": one.index_a} if one.knob_a else None,
                "second": {"knob": one.knob_b, "index": one.index_b} if one.knob_b else None,
            }
            for one in found.strongest
        ],
        "shifts": [
            {"metric": one.metric, "knob": one.knob, "first": one.a, "second": one.b, "change": one.change}
            for one in found.shifts
        ],
        "shortlist": _list_facts(found.shortlist),
        "front": [{"objective": one.metric, "first": one.a, "second": one.b} for one in found.ranges],
        "limits": [
            {
                "metric": pair.metric,
                "sense": pair.sense,
                **{
                    name: None if one is None else {"bound": one.bound, "unit": one.unit, "share_broken": one.share}
                    for name, one in (("first", pair.a), ("second", pair.b))
                },
            }
            for pair in found.limits
        ],
        "plan": None
        if found.plans is None
        else {
            "on": {"first": found.plans.on_a, "second": found.plans.on_b},
            "shortlist": _list_facts(found.plans.setups),
            "variance": [
                {"metric": one.metric, "first": _shares(one.a), "second": _shares(one.b)}
                for one in found.plans.variance
            ],
        },
        "inputs": [_differs(one) for one in found.inputs],
        "versions": [_differs(one) for one in found.versions],
    }


def _run_facts(one: RunRecord) -> dict[str, Any]:
    named = ("folder", "study", "car", "surface", "axle", "seed", "method", "nothing_feasible")
    return {name: getattr(one, name) for name in named} | {
        "counts": dict(one.counts),
        "feasible_share": one.feasible_share,
        "knobs": list(one.knobs),
        "objectives": list(one.objectives),
        "plan": one.plan is not None,
    }


def _list_facts(lists: Lists) -> dict[str, Any]:
    return {
        "matched_on": list(lists.matched_on),
        "both": [{"first": _setup_facts(pair.a), "second": _setup_facts(pair.b)} for pair in lists.both],
        "only_first": [_setup_facts(one) for one in lists.only_a],
        "only_second": [_setup_facts(one) for one in lists.only_b],
    }


def _setup_facts(one: Listed) -> dict[str, Any]:
    return {"setup": dict(one.labels), "why": one.kind, "figures": dict(one.figures)}


def _shares(shares: tuple[float, float, float]) -> dict[str, float]:
    return dict(zip(("knobs", "unknowns", "both"), shares, strict=True))


def _differs(one: Differs) -> dict[str, str | None]:
    return {"name": one.name, "first": one.a or None, "second": one.b or None}
