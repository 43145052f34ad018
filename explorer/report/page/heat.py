"""Sensitivity as tables whose cells are shaded by their number: readable without colour, and in print."""

from __future__ import annotations

import numpy as np
import pandas as pd

from explorer.report import figure_data, sections, words
from explorer.report.page.markup import Html, join, table, tag, text
from explorer.report.page.prose import passages
from explorer.study.results import RunResult

STEPS = 10
"""Shades from nothing to full."""


def shade(share: float) -> int:
    """Shade of a share of 1: 0 for nothing, `STEPS` for all.

    >>> shade(-0.02), shade(0.5), shade(1.3)
    (0, 5, 10)
    """
    return int(min(STEPS, max(0, round(STEPS * share))))


def heat_table(frame: pd.DataFrame, caption: str, corner: str, missing: str, places: int, top: float) -> Html:
    """A frame of shares as a shaded table; NA cells read `missing`."""
    values = frame.astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    rows: list[list[object]] = []
    for label, line in zip(frame.index, values, strict=True):
        cells: list[object] = [str(label)]
        for value in line:
            if np.isnan(value):
                cells.append(tag("span", missing, class_="none"))
            else:
                shown = words.number(float(value), places)
                cells.append(tag("span", shown, class_=f"heat h{shade(float(value) / top)}"))
        rows.append(cells)
    head = [corner, *(str(column) for column in frame.columns)]
    return table(caption, head, rows, right=range(1, len(head)), class_="heat-table")


def knobs_section(result: RunResult) -> Html:
    """Which knob moves what: in words, as a shaded table, in detail, and pairs."""
    said = passages(sections.what_matters(result), 3)
    blocks = passages(sections.sensitivity(result, sections.Pictures(result, ())), 3)
    indices = result.indices
    kind = figure_data.index_kind(indices) if indices is not None else ""
    if indices is None or not kind:
        return join(blocks)
    name = sections.KIND_WORDS[kind]
    frame = figure_data.index_frame(indices, result.space, kind)
    shares = heat_table(
        frame,
        f"{name[0].upper()}{name[1:]}: share of each metric's variance from each knob. Darker is more.",
        "metric",
        "constant",
        2,
        1.0,
    )
    details = tag("details", tag("summary", "Every index of the objectives, with the effect per step"), blocks[1])
    parts = [tag("h3", "In words"), *said, blocks[0], shares, details]
    if indices.pairs is not None and len(result.space.knobs) > 1:
        parts += [tag("h3", "Pairs of knobs that act together"), *blocks[3:]]
        for metric in figure_data.pair_metrics(result):
            pairs = figure_data.pair_frame(indices, result.space, metric)
            top = float(np.nanmax(pairs.astype("Float64").to_numpy(dtype=float, na_value=np.nan), initial=0.0))
            caption = f"{words.metric_label(metric)}: what two knobs do only together (share of its variance)."
            if top > 0.005:
                parts.append(heat_table(pairs, caption, "knob", "", 3, max(top, 0.05)))
            else:
                parts.append(tag("p", f"{words.metric_label(metric)}: no pair reaches 0.005, so there is no table."))
    else:
        parts += list(blocks[3:])
    return join(text(part) for part in parts)
