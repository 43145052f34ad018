"""The data behind each picture, without any drawing: what is shown, under which labels, with which marks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from explorer.domain.felt import felt_step
from explorer.domain.space import BoolArray, FloatArray, IntArray, Knob, Space
from explorer.model.metrics import describe
from explorer.report import words
from explorer.report.tables import main_pick
from explorer.study.everything.front import Front, objective_values
from explorer.study.everything.limits import feasible
from explorer.study.everything.shortlist import Shortlist, picks_of
from explorer.study.questions.assumptions import AssumptionEffects
from explorer.study.questions.maps import MetricMap
from explorer.study.questions.one_change import OneChange
from explorer.study.questions.sensitivity import Sensitivity
from explorer.study.results import RunResult

if TYPE_CHECKING:
    import pandas as pd
else:
    from explorer.report.later import pd

CHANCE_STEP = 0.005
"""Shares of scenarios that differ by less are not drawn."""

FRONT_POINTS = 4000
"""A front with more distinct points is drawn thinned, and its title says so."""


@dataclass(frozen=True)
class MapDrawing:
    """What a map shows. `values`, `valid` and every mask have shape (y levels, x levels).

    `valid` cells hold an answer; `broken` pairs each limit's text with the cells that break it; `worst` is the number
    of the limit broken most, -1 for none; `marks` are (text, x, y) in cells, fractions between cells allowed.
    """

    title: str
    x_label: str
    y_label: str
    value_label: str
    x_levels: tuple[str, ...]
    y_levels: tuple[str, ...]
    values: FloatArray
    valid: BoolArray
    broken: tuple[tuple[str, BoolArray], ...]
    worst: IntArray
    marks: tuple[tuple[str, float, float], ...]
    places: int = 1


@dataclass(frozen=True)
class FrontDrawing:
    """What a front shows: one labelled column per objective in `points`; `marks` are (text, values in that order);
    `cloud` holds every setup that keeps all limits, shape (setups, objectives); `headline` says what to take."""

    title: str
    points: pd.DataFrame
    marks: tuple[tuple[str, tuple[float, ...]], ...]
    cloud: FloatArray | None = None
    headline: str = ""


@dataclass(frozen=True)
class ChangeDrawing:
    """What a one-change picture shows: `scaled` in felt differences, `texts` in real units.

    Both have one row per change and one column per metric; a change without an answer is missing in `scaled`.
    """

    title: str
    scaled: pd.DataFrame
    texts: pd.DataFrame


def index_kind(indices: Sensitivity) -> str:
    """The index that ranks knobs: "shapley" where worked out, else "total", else "first", else ""."""
    for kind in ("shapley", "total", "first"):
        if getattr(indices, kind) is not None:
            return kind
    return ""


def index_frame(indices: Sensitivity, space: Space, kind: str) -> pd.DataFrame:
    """Key metrics down, knobs across; the cells of a constant metric are missing."""
    shown = [name for name in words.key_metrics(space) if name in indices.metrics]
    rows = [indices.metrics.index(name) for name in shown]
    values = getattr(indices, kind)[rows]
    live = np.broadcast_to(~indices.constant[rows][:, None], values.shape)
    return pd.DataFrame(
        {
            words.knob_label(knob): pd.arrays.FloatingArray(np.where(live[:, c], values[:, c], 0.0), ~live[:, c])
            for c, knob in enumerate(space.knobs)
        },
        index=[words.metric_label(name) for name in shown],
    )


def assumption_frame(found: AssumptionEffects) -> pd.DataFrame:
    """Assumptions down; across, the largest change of an index of each objective and what the shortlist loses."""
    columns = {
        f"change of an index of {words.metric_label(name)}": [float(one.index_change[o].max()) for one in found.effects]
        for o, name in enumerate(found.objectives)
    }
    columns["shortlist no longer on the front"] = [1.0 - one.shortlist_kept for one in found.effects]
    columns["shortlist that breaks a limit"] = [1.0 - one.limits_kept for one in found.effects]
    return pd.DataFrame(columns, index=[one.name for one in found.effects])


def pair_frame(indices: Sensitivity, space: Space, metric: str) -> pd.DataFrame:
    """Pair indices of one metric, knobs by knobs; only the part below the diagonal is filled."""
    assert indices.pairs is not None
    values = indices.pairs[indices.metrics.index(metric)]
    size = len(space.knobs)
    hidden = np.triu(np.ones((size, size), dtype=bool))
    labels = [words.knob_label(knob) for knob in space.knobs]
    return pd.DataFrame(
        {
            labels[c]: pd.arrays.FloatingArray(np.where(hidden[1:, c], 0.0, values[1:, c]), hidden[1:, c].copy())
            for c in range(size - 1)
        },
        index=labels[1:],
    )


def map_drawing(found: MetricMap, result: RunResult) -> MapDrawing:
    """A map with its limits and with the baseline ("B") and shortlisted setups (numbers) at their two levels."""
    space = result.space
    x, y = (space.knobs[space.knob_index(name)] for name in (found.x, found.y))
    spots = [("B", np.asarray(space.baseline))]
    if isinstance(result.shortlist, Shortlist):
        spots += [(str(rank), pick.positions) for rank, pick in enumerate(result.shortlist.picks, start=1)]
    marks = tuple(
        (
            text,
            _place(x, float(at[space.knob_index(x.name)]), found.x_values),
            _place(y, float(at[space.knob_index(y.name)]), found.y_values),
        )
        for text, at in spots
    )
    broken = tuple(
        (words.resolved_text(limit), found.allowed & (found.margins[..., c] < 0.0))
        for c, limit in enumerate(found.limits)
    )
    metric = describe(found.metric)
    return MapDrawing(
        title=f"{words.metric_label(found.metric)} over {words.knob_label(x)} and {words.knob_label(y)}; "
        f"{found.choice}. B: baseline, numbers: shortlist (its other knobs may differ).",
        x_label=words.knob_label(x, unit=True),
        y_label=words.knob_label(y, unit=True),
        value_label=words.metric_label(found.metric, unit=True),
        x_levels=found.x_labels,
        y_levels=found.y_labels,
        values=found.values,
        valid=found.allowed,
        broken=broken,
        worst=np.where(found.allowed, found.broken, -1),
        marks=marks,
        places=words.decimals(metric.resolution),
    )


def _place(knob: Knob, position: float, axis: FloatArray) -> float:
    """Where a position lies along a map's axis, in cells."""
    value = knob.value_at(position)
    if knob.continuous:
        return float(np.interp(value, axis, np.arange(len(axis))))
    order = np.argsort(knob.values, kind="stable")
    return float(np.flatnonzero(order == int(position))[0])


def front_drawing(found: Front, result: RunResult) -> FrontDrawing:
    """Distinct points of the front over all setups that keep every limit, with the shortlist's numbers and, where it
    has an answer, the baseline."""
    values = found.values[found.named]
    step = max(1, -(-len(values) // FRONT_POINTS))
    labels = [words.objective_label(objective) for objective in found.objectives]
    marks: list[tuple[str, tuple[float, ...]]] = []
    if isinstance(result.shortlist, Shortlist):
        for rank, pick in enumerate(picks_of(result.shortlist), start=1):
            marks.append((str(rank), tuple(float(v) for v in pick.values)))
    if result.baseline.valid[0]:
        marks.append(("B", tuple(float(result.baseline.column(o.metric)[0]) for o in found.objectives)))
    which = "Front of all setups" if found.exact else "Front found by search (not exact)"
    thinned = f", one in {step} drawn" if step > 1 else ""
    title = f"{which}: {words.count(len(values), 'distinct point')}{thinned}. Numbers: shortlist, B: baseline."
    table = result.table if result.whole is None else result.whole
    kept = feasible(result.limits, table)
    cloud = objective_values(table.take(np.flatnonzero(kept)))
    looked = "setups" if result.exact else "setups looked at"
    title += f" Grey: the {len(cloud):,} of {result.setups:,} {looked} that keep every limit."
    return FrontDrawing(title, pd.DataFrame(values[::step], columns=labels), tuple(marks), cloud, _headline(result))


def _headline(result: RunResult) -> str:
    """What to take first: "Take 1, nearest to the wishes: front bar 1.2 mm to 1.1 mm."; "" without a shortlist."""
    if not isinstance(result.shortlist, Shortlist) or not result.shortlist.picks:
        return ""
    place = main_pick(result.shortlist) + 1
    pick = result.shortlist.picks[place - 1]
    if not pick.changes:
        return f"Take {place}, the baseline: {pick.reason}."
    return words.flat(f"Take {place}, {pick.reason}: {words.changes_text(result.space, pick.changes)}.")


def change_drawing(found: OneChange, space: Space) -> ChangeDrawing:
    """Every step that can be built against the key metrics."""
    names = [name for name in words.key_metrics(space) if name in found.columns]
    columns = [found.columns.index(name) for name in names]
    keep = [s for s, step in enumerate(found.steps) if step.allowed]
    valid = np.array([found.steps[s].valid for s in keep], dtype=bool)
    felt = np.array([felt_step(name, describe(name).resolution) for name in names])
    change = found.change[np.ix_(keep, columns)]
    index = [step_label(space, found, s) for s in keep]
    labels = [words.metric_label(name, unit=True) for name in names]
    scaled = {label: pd.arrays.FloatingArray(change[:, c] / felt[c], ~valid) for c, label in enumerate(labels)}
    texts = {
        label: [
            words.metric_value(names[c], float(value), unit=False, sign=True) if ok else ""
            for value, ok in zip(change[:, c], valid, strict=True)
        ]
        for c, label in enumerate(labels)
    }
    return ChangeDrawing(
        "One step of one knob from the baseline: numbers in real units, colour in differences you can just feel",
        pd.DataFrame(scaled, index=index),
        pd.DataFrame(texts, index=index),
    )


def step_label(space: Space, found: OneChange, place: int) -> str:
    """A step in words: "front bar 1.2 mm to 1.4 mm"."""
    step = found.steps[place]
    return words.changes_text(space, ((step.knob, step.old, step.new),))


def chance_matters(result: RunResult) -> bool:
    """Whether the setups that were looked at longest differ in how often they keep every limit."""
    return result.plan is not None and float(np.ptp(result.plan.robust.share)) >= CHANCE_STEP


def chance_drawing(result: RunResult) -> FrontDrawing:
    """What keeping every limit costs: each setup that was looked at longest by its expected loss, the shortlist and the
    baseline marked."""
    assert result.plan is not None
    robust = result.plan.robust
    names = ["expected loss (lower is better)", "keeps every limit, % of the scenarios (higher is better)"]
    values = np.stack([robust.loss, 100.0 * robust.share], axis=1)
    rows = [(str(rank), pick.row) for rank, pick in enumerate(result.plan.shortlist.picks, start=1)]
    marks = tuple((text, (float(values[row, 0]), float(values[row, 1]))) for text, row in [*rows, ("B", 0)])
    title = (
        f"{words.count(len(values), 'setup')} in {len(robust.weights):,} scenarios. Numbers: shortlist, B: baseline."
    )
    return FrontDrawing(title, pd.DataFrame(values, columns=names), marks)


def figure_stems(result: RunResult) -> dict[str, str]:
    """Every picture of a run: file stem -> what it shows (alternative text), in drawing order."""
    stems: dict[str, str] = {}
    if result.indices is not None and index_kind(result.indices):
        stems["sensitivity"] = "Share of each metric's variance that comes from each knob"
        if result.indices.pairs is not None and len(result.space.knobs) > 1:
            for name in pair_metrics(result):
                stems[pair_stem(name)] = f"Pairs of knobs that act together on {words.metric_label(name)}"
    if len(result.front):
        stems["front"] = "Every setup that keeps the limits, by pairs of objectives, the front and the shortlist marked"
    if chance_matters(result):
        stems["chance"] = "Expected loss and the share of scenarios in which every limit is kept, setup by setup"
    if any(step.allowed for step in result.one_change.steps):
        stems["one_change"] = "What one step of each knob does from the baseline"
    if result.assumed is not None and result.assumed.effects:
        stems["assumptions"] = "What each assumption does to the indices and to the shortlist"
    for stem, one in zip(words.map_stems(result.maps), result.maps, strict=True):
        stems[stem] = f"Map of {words.metric_label(one.metric)} over {words.spaced(one.x)} and {words.spaced(one.y)}"
    return stems


def pair_metrics(result: RunResult) -> tuple[str, ...]:
    """Objectives whose pairs can be drawn."""
    indices = result.indices
    if indices is None or indices.pairs is None:
        return ()
    names = dict.fromkeys(o.metric for o in result.space.objectives if o.metric in indices.metrics)
    return tuple(name for name in names if not indices.constant[indices.metrics.index(name)])


def pair_stem(metric: str) -> str:
    """File stem of a pair heatmap."""
    return words.file_stem(f"pairs_{metric}")
