"""Results as plain tables, one pure function each; numbers stay as computed, the writer gives them their form."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from explorer.domain.space import FloatArray, Space
from explorer.model.metrics import describe
from explorer.report import words
from explorer.study.everything.evaluate import MetricTable
from explorer.study.everything.front import Front
from explorer.study.everything.limits import LimitCounts, ResolvedLimit, margins
from explorer.study.everything.shortlist import NothingFeasible, Pick, Shortlist, picks_of
from explorer.study.everything.wishes import ResolvedWish, WishLine, losses
from explorer.study.questions.assumptions import AssumptionEffects
from explorer.study.questions.exact import StepEffects
from explorer.study.questions.maps import MetricMap
from explorer.study.questions.one_change import OneChange
from explorer.study.questions.sensitivity import Sensitivity
from explorer.study.results import LevelShares, RunResult

if TYPE_CHECKING:
    import pandas as pd
else:
    from explorer.report.later import pd


def all_tables(result: RunResult) -> dict[str, pd.DataFrame]:
    """Every CSV of a run by its stem, in writing order; tables of questions that were not answered are left out."""
    found = {
        "front": front_table(result.table, result.front, result.limits, result.wishes, result.stays),
        "shortlist": shortlist_table(result),
        "one_change": one_change_table(result.one_change),
        "limits": limits_table(result.counts),
    }
    if result.indices is not None:
        found["sensitivity"] = sensitivity_table(result.indices, result.steps)
        if result.indices.pairs is not None:
            found["sensitivity_pairs"] = pairs_table(result.indices)
    if result.levels is not None:
        found["levels"] = levels_table(result.levels, result.space)
    if result.assumed is not None:
        found["assumptions"] = assumptions_table(result.assumed)
    if result.wishes:
        found["wishes"] = wishes_table(result)
    for stem, one in zip(words.map_stems(result.maps), result.maps, strict=True):
        found[stem] = map_table(one, result.space)
    return found


def front_table(
    table: MetricTable,
    found: Front,
    limits: Sequence[ResolvedLimit] = (),
    wishes: tuple[ResolvedWish, ...] = (),
    stays: FloatArray | None = None,
) -> pd.DataFrame:
    """Members of the front: point number (ties share one), whether it names its point, knobs, objectives, work.

    Limits add the distance to each bound in the metric's unit, positive where kept; wishes add the loss, `stays` the
    share of ways to round in which a member stays.
    """
    space = table.space
    columns: dict[str, object] = {"point": found.group + 1, "named": found.named}
    columns |= _knob_columns(space, found.positions)
    for place, objective in enumerate(found.objectives):
        columns[objective.metric] = found.values[:, place]
    room = margins(tuple(limits), table.take(found.rows))
    for place, (name, limit) in enumerate(zip(margin_names(limits), limits, strict=True)):
        columns[name] = room[:, place] * limit.resolution
    columns["changes"] = (found.positions != np.asarray(space.baseline)).sum(axis=1)
    columns["minutes"] = space.minutes(found.positions)
    if wishes:
        columns["loss"] = losses(wishes, table.take(found.rows))
    if stays is not None:
        columns["stays in share of roundings"] = stays
    return pd.DataFrame(columns)


def wishes_table(result: RunResult) -> pd.DataFrame:
    """One row per wish and setup of the shortlist: target, value, what is missing in its unit and in felt
    differences."""
    rows = [
        {
            "setup": place,
            "wish": words.wish_text(line.wish, result.space),
            "metric": line.wish.metric,
            "knob": line.wish.knob,
            "sense": line.wish.sense,
            "target": line.wish.target,
            "value": line.value,
            "unit": line.wish.unit,
            "short": line.missed * line.wish.felt,
            "short_in_felt": line.missed,
            "price": line.wish.price,
            "reason": line.wish.reason,
        }
        for place, pick in enumerate(picks_of(result.shortlist), start=1)
        for line in pick.wishes
    ]
    names = ["setup", "wish", "metric", "knob", "sense", "target", "value", "unit", "short", "short_in_felt"]
    return pd.DataFrame(rows, columns=[*names, "price", "reason"])


def margin_names(limits: Sequence[ResolvedLimit]) -> list[str]:
    """One column name per limit: "margin <metric> at least 3.5"."""
    names: list[str] = []
    for limit in limits:
        name = f"margin {limit.metric} {words.spaced(limit.sense)} {limit.bound:.4g}"
        names.append(name if name not in names else f"{name} ({len(names) + 1})")
    return names


def sensitivity_table(indices: Sensitivity, effects: StepEffects | None = None) -> pd.DataFrame:
    """Long table, one row per metric and knob: indices, 95 % bounds where sampled, effect per step and per minute.

    A cell is missing where the index has no meaning or the metric is constant.
    """
    shape = (len(indices.metrics), len(indices.knobs))
    live = np.broadcast_to(~indices.constant[:, None], shape)
    columns: dict[str, object] = {
        "metric": np.repeat(indices.metrics, shape[1]).astype(object),
        "knob": np.tile(indices.knobs, shape[0]).astype(object),
        "unit": np.repeat([describe(name).unit for name in indices.metrics], shape[1]).astype(object),
        "constant": ~live.ravel(),
    }
    for name, values, half in (
        ("first", indices.first, indices.first_interval),
        ("total", indices.total, indices.total_interval),
        ("shapley", indices.shapley, indices.shapley_interval),
    ):
        columns[name] = _optional(values, live)
        columns[f"{name}_low"] = _optional(None if values is None or half is None else values - half, live)
        columns[f"{name}_high"] = _optional(None if values is None or half is None else values + half, live)
    floor = indices.noise_floor
    columns["noise_floor"] = _optional(None if floor is None else np.broadcast_to(floor[:, None], shape), live)
    per_step = per_minute = signed = None
    if effects is not None:
        places = [effects.metrics.index(name) for name in indices.metrics if name in effects.metrics]
        if len(places) == len(indices.metrics):
            per_step, per_minute = effects.absolute[places], effects.per_minute[places]
            signed = effects.signed[places]
    every = np.ones(shape, dtype=bool)
    columns["effect_per_step"] = _optional(per_step, every)
    columns["signed_effect_per_step"] = _optional(signed, every)
    columns["effect_per_minute"] = _optional(per_minute, every)
    columns["method"] = indices.method
    return pd.DataFrame(columns)


def _optional(values: FloatArray | None, live: np.ndarray) -> pd.api.extensions.ExtensionArray:
    """A column of numbers with missing cells, from (metrics, knobs). Raises ValueError for a non-finite number."""
    if values is None:
        return pd.array([None] * live.size, dtype="Float64")
    if not np.isfinite(values[live]).all():
        raise ValueError("an index that is not finite reached the tables")
    return pd.arrays.FloatingArray(np.where(live, values, 0.0).ravel(), ~live.ravel())


def pairs_table(indices: Sensitivity) -> pd.DataFrame:
    """Long table of pair indices, each pair once; constant metrics are left out."""
    rows: list[dict[str, object]] = []
    assert indices.pairs is not None
    half = indices.pairs_interval
    for m, name in enumerate(indices.metrics):
        if indices.constant[m]:
            continue
        for i in range(len(indices.knobs)):
            for j in range(i + 1, len(indices.knobs)):
                value = float(indices.pairs[m, i, j])
                width = None if half is None else float(half[m, i, j])
                rows.append(
                    {
                        "metric": name,
                        "knob_a": indices.knobs[i],
                        "knob_b": indices.knobs[j],
                        "pair": value,
                        "pair_low": None if width is None else value - width,
                        "pair_high": None if width is None else value + width,
                        "method": indices.method,
                    }
                )
    names = ["metric", "knob_a", "knob_b", "pair", "pair_low", "pair_high", "method"]
    frame = pd.DataFrame(rows, columns=names)
    return frame.astype({"pair": "Float64", "pair_low": "Float64", "pair_high": "Float64"})


def one_change_table(found: OneChange) -> pd.DataFrame:
    """Long table, one row per step and metric; codes are left out, and numbers are missing where a step has none."""
    rows: list[dict[str, object]] = []
    for s, step in enumerate(found.steps):
        for c, name in enumerate(found.columns):
            metric = describe(name)
            if metric.codes:
                continue
            change = float(found.change[s, c]) if step.valid else None
            rows.append(
                {
                    "knob": step.knob,
                    "from": step.old,
                    "to": step.new,
                    "minutes": step.minutes,
                    "allowed": step.allowed,
                    "answered": step.valid,
                    "breaks": "; ".join(step.broken),
                    "metric": name,
                    "unit": metric.unit,
                    "baseline": float(found.baseline[c]),
                    "value": float(found.values[s, c]) if step.valid else None,
                    "change": change,
                    "change_in_resolutions": None if change is None else change / metric.resolution,
                }
            )
    numbers = ["baseline", "value", "change", "change_in_resolutions"]
    head = ["knob", "from", "to", "minutes", "allowed", "answered", "breaks", "metric", "unit"]
    return pd.DataFrame(rows, columns=head + numbers).astype(dict.fromkeys(numbers, "Float64"))


def assumptions_table(found: AssumptionEffects) -> pd.DataFrame:
    """Long table: what each assumption does to each index, and to the shortlist as a whole (repeated per row)."""
    rows: list[dict[str, object]] = []
    for one in found.effects:
        moves = "; ".join(f"{knob} {old} to {new}" for knob, old, new in one.best_moved)
        for o, objective in enumerate(found.objectives):
            for k, knob in enumerate(found.knobs):
                rows.append(
                    {
                        "assumption": one.name,
                        "moved_over": one.text,
                        "objective": objective,
                        "knob": knob,
                        "index": found.kind,
                        "index_change": float(one.index_change[o, k]),
                        "shortlist_still_on_front": one.shortlist_kept,
                        "shortlist_keeps_limits": one.limits_kept,
                        "balanced_setup_moves": moves,
                        "note": one.note,
                    }
                )
    head = ["assumption", "moved_over", "objective", "knob", "index", "index_change"]
    tail = ["shortlist_still_on_front", "shortlist_keeps_limits", "balanced_setup_moves", "note"]
    return pd.DataFrame(rows, columns=head + tail)


def shortlist_table(result: RunResult) -> pd.DataFrame:
    """One row per pick. Where nothing keeps every limit there is no rank, and `missed_by` counts resolutions."""
    found, table, space = result.shortlist, result.table, result.space
    picks = picks_of(found)
    ranked = isinstance(found, Shortlist)
    columns: dict[str, object] = {
        "rank": pd.array([place + 1 if ranked else None for place in range(len(picks))], dtype="Int64"),
        "kind": [", ".join(pick.kinds) for pick in picks],
        "reason": [pick.reason for pick in picks],
    }
    if result.wishes:
        columns["loss"] = [pick.loss for pick in picks]
        columns["wishes"] = [unmet_text(pick.wishes, space) for pick in picks]
    columns |= {knob.name: [pick.labels[c] for pick in picks] for c, knob in enumerate(space.knobs)}
    columns |= {o.metric: [float(pick.values[c]) for pick in picks] for c, o in enumerate(found.objectives)}
    for c, name in enumerate(margin_names(found.limits)):
        columns[name] = [float(pick.margins[c]) for pick in picks]
    for name in words.key_metrics(space):
        columns.setdefault(name, [float(table.column(name)[pick.row]) for pick in picks])
    columns["changes"] = [words.changes_text(space, pick.changes) for pick in picks]
    columns["minutes"] = [pick.minutes for pick in picks]
    columns["ties"] = [pick.ties for pick in picks]
    columns["build_share"] = pd.array([p.builds.share if p.builds else None for p in picks], dtype="Float64")
    if isinstance(found, NothingFeasible):
        columns["missed_by"] = found.missed_by
    return pd.DataFrame(columns)


def main_pick(found: Shortlist) -> int:
    """Place of the setup to show first: the headline's, else the wished one, else the balanced one, else the first."""
    for kind in ("headline", "wished", "balanced"):
        for place, pick in enumerate(found.picks):
            if kind in pick.kinds:
                return place
    return 0


def notes_of(result: RunResult) -> list[str]:
    """What must be said beside a shortlist: how the first setup stands to the wishes, what cannot be had at all, and
    which objectives took no part."""
    found = result.shortlist
    lines = []
    if isinstance(found, Shortlist) and found.picks and found.picks[0].wishes:
        told = (words.wish_line(line, result.space) for line in found.picks[0].wishes if line.wish.metric)
        lines += [f"Setup 1, {text}" for text in told]
    return lines + general_notes(result)


def general_notes(result: RunResult) -> list[str]:
    """What no setup can do about a wish, and which objectives took no part."""
    found = result.shortlist
    if not isinstance(found, Shortlist):
        return []
    lines = [words.nearest_text(one, result.space) for one in found.out_of_reach]
    return lines + [text for text in [words.dropped_text(found.dropped, found.objectives)] if text]


def broken_text(pick: Pick, found: NothingFeasible) -> str:
    """Limits a near miss breaks, and by how much."""
    parts = []
    for limit, margin in zip(found.limits, pick.margins, strict=True):
        if margin < 0.0:
            unit = describe(limit.metric).unit
            short = words.number(-float(margin), words.decimals(limit.resolution) + 1)
            parts.append(f"{words.resolved_text(limit)}, by {short} {unit}".strip())
    return "; ".join(parts)


def unmet_text(wishes: tuple[WishLine, ...], space: Space) -> str:
    """The wishes on metrics that a setup does not meet, shortly: "hairpin: roll angle 0.45 deg short". What it changes
    of the parts somebody likes is told with its changes."""
    missed = [line for line in wishes if line.missed > 0.0 and line.wish.metric]
    told = (f"{words.wished_label(line.wish, space)} {words.short_text(line)}" for line in missed)
    return "; ".join(told) or "met"


def map_table(found: MetricMap, space: Space | None = None) -> pd.DataFrame:
    """Long table, one row per cell: both levels, the value (missing without an answer) and the limits.

    With the space given, the other knobs of the setup shown follow.
    """
    ny, nx = found.values.shape
    allowed = found.allowed.ravel()
    columns: dict[str, object] = {
        found.x: list(found.x_labels) * ny,
        found.y: [label for label in found.y_labels for _ in range(nx)],
        found.metric: pd.arrays.FloatingArray(np.where(allowed, found.values.ravel(), 0.0), ~allowed),
        "allowed": allowed,
        "feasible": found.feasible.ravel(),
    }
    limit_text = [words.resolved_text(limit) for limit in found.limits]
    broken = found.broken.ravel()
    columns["breaks_most"] = [
        limit_text[b] if b >= 0 and ok else "" for b, ok in zip(broken.tolist(), allowed.tolist(), strict=True)
    ]
    for c, name in enumerate(margin_names(found.limits)):
        room = np.where(allowed, found.margins[..., c].ravel() * found.limits[c].resolution, 0.0)
        columns[name] = pd.arrays.FloatingArray(room, ~allowed)
    if space is not None:
        labels = _knob_columns(space, found.positions.reshape(ny * nx, -1))
        columns |= {name: column for name, column in labels.items() if name not in (found.x, found.y)}
    return pd.DataFrame(columns)


def levels_table(levels: LevelShares, space: Space) -> pd.DataFrame:
    """One row per level of each knob: allowed setups there, and how many of them keep every limit."""
    rows = [
        {
            "knob": knob.name,
            "level": label,
            "setups": int(setups),
            "feasible": int(feasible),
            "share": float(feasible / setups) if setups else 0.0,
        }
        for knob, all_setups, all_feasible in zip(space.knobs, levels.setups, levels.feasible, strict=True)
        for label, setups, feasible in zip(knob.labels, all_setups, all_feasible, strict=True)
    ]
    return pd.DataFrame(rows, columns=["knob", "level", "setups", "feasible", "share"])


def metrics_table(table: MetricTable, wishes: tuple[ResolvedWish, ...] = ()) -> pd.DataFrame:
    """Every setup: knobs as categories (numbers where continuous), `valid`, with wishes its `loss` (missing where
    invalid), and every metric (zero where invalid)."""
    space = table.space
    columns: dict[str, object] = {}
    for c, knob in enumerate(space.knobs):
        if knob.continuous:
            low, high = knob.values
            columns[knob.name] = low + table.positions[:, c] * (high - low)
        else:
            codes = table.positions[:, c].astype(np.int32)
            columns[knob.name] = pd.Categorical.from_codes(codes, categories=list(knob.labels))
    columns["valid"] = table.valid
    if wishes:
        loss = np.where(table.valid, losses(wishes, table), 0.0)
        columns["loss"] = pd.arrays.FloatingArray(loss, ~table.valid)
    frame = pd.DataFrame(columns)
    return pd.concat([frame, pd.DataFrame(table.values, columns=list(table.columns))], axis=1)


def limits_table(counts: LimitCounts) -> pd.DataFrame:
    """One row per limit: bound, how many setups meet it, and how many only this limit keeps out."""
    return pd.DataFrame(
        {
            "limit": [words.resolved_text(limit) for limit in counts.limits],
            "metric": [limit.metric for limit in counts.limits],
            "sense": [limit.sense for limit in counts.limits],
            "bound": [limit.bound for limit in counts.limits],
            "unit": [describe(limit.metric).unit for limit in counts.limits],
            "setups": counts.valid,
            "meet": counts.valid - counts.broken,
            "break": counts.broken,
            "break_only_this": counts.only,
            "reason": [limit.reason for limit in counts.limits],
        }
    )


def _knob_columns(space: Space, positions: FloatArray) -> dict[str, list[str]]:
    return {knob.name: [knob.label_at(float(p)) for p in positions[:, c]] for c, knob in enumerate(space.knobs)}
