"""Pictures in two steps: plain data first (tested by equality), then the drawing as PNG bytes.

The only importer of seaborn and matplotlib. Drawing is off screen (Agg), under one fixed style, and the same data give
the same bytes. Colours are safe for colour-blind readers and never carry a meaning alone: cells hold their numbers,
broken limits are hatched and named, shortlisted setups are numbered.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Sequence
from typing import Any

import matplotlib

matplotlib.use("Agg")

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib import style
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import Patch, PathPatch, Rectangle
from matplotlib.path import Path
from matplotlib.transforms import Affine2D
from PIL import Image

from explorer.domain.space import BoolArray, FloatArray
from explorer.report import figure_data as data
from explorer.report import words
from explorer.report.drawing import Drawing
from explorer.report.figure_data import ChangeDrawing, FrontDrawing, MapDrawing
from explorer.study.everything.evaluate import Progress
from explorer.study.results import RunResult

DPI = 96
ANNOTATED_CELLS = 100
"""Maps of more cells carry no number in each: nobody could read them, and writing takes most of the time."""

HATCHES = ("//", "\\\\", "..", "xx", "||", "--", "oo", "++")
LINES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 3)), (0, (8, 2)), (0, (3, 5, 1, 5)))

FRONT_BLUE = "#0072b2"
CLOUD_SPOTS = 400
"""Setups of the cloud that share one of so many steps along both sides of a panel are one spot."""

AXES_POINTS = np.array([190.0, 220.0])
"""About the width and height of the data's range in a scatter panel. [points]"""

LEGEND = "Line: where a limit runs. Hatched: setups that break it (the limit missed most)."

RING: dict[str, Any] = {"markevery": [0], "markerfacecolor": "none", "markeredgewidth": 1.4}
GRID: dict[str, Any] = {"linewidths": 1.0, "linecolor": "white"}

KIND_LABELS = {"shapley": "Shapley effect", "total": "total index", "first": "first-order index"}

_STYLE = {
    "font.family": "DejaVu Sans",
    "font.size": 10.0,
    "axes.titlesize": 12.0,
    "axes.titlelocation": "left",
    "axes.titlepad": 10.0,
    "hatch.linewidth": 0.6,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
}


def draw_all(result: RunResult, progress: Progress | None = None) -> dict[str, bytes]:
    """Every picture of a run by file stem; the stems are those of `figure_data.figure_stems`."""
    stems = tuple(data.figure_stems(result))
    found: dict[str, bytes] = {}
    for done, stem in enumerate(stems, start=1):
        found[stem] = _draw(stem, result)
        if progress is not None:
            progress("figures", done, len(stems))
    return found


def _draw(stem: str, result: RunResult) -> bytes:
    indices, space = result.indices, result.space
    if stem == "front":
        return draw_front(data.front_drawing(result.front, result))
    if stem == "chance":
        return draw_front(data.chance_drawing(result))
    if stem == "one_change":
        return draw_one_change(data.change_drawing(result.one_change, space))
    if stem == "assumptions" and result.assumed is not None:
        title = f"Each assumption over its spread ({result.assumed.kind}, share of setups)"
        return draw_indices(
            data.assumption_frame(result.assumed), title, "change or share lost (-)", ("", "assumption")
        )
    if indices is not None:
        if stem == "sensitivity":
            kind = data.index_kind(indices)
            name = KIND_LABELS[kind]
            title = f"How much of each metric comes from each knob ({name}, {indices.method})"
            return draw_indices(data.index_frame(indices, space, kind), title, f"{name} (share of the variance, -)")
        for metric in data.pair_metrics(result):
            if stem == data.pair_stem(metric):
                title = f"{words.metric_label(metric)}: what two knobs do only together ({indices.method})"
                return draw_pairs(data.pair_frame(indices, space, metric), title)
    place = words.map_stems(result.maps).index(stem)
    return draw_map(data.map_drawing(result.maps[place], result))


def _heat(
    axes: Axes,
    values: FloatArray,
    texts: np.ndarray | None,
    labels: tuple[Sequence[str], Sequence[str]],
    ends: tuple[float, float],
    cmap: str,
    legend: str,
    **look: Any,
) -> None:
    """A heatmap with our own tick labels, (along, down): seaborn would lay out the picture to see whether they
    overlap, which takes longer than to draw it."""
    sns.heatmap(
        values,
        ax=axes,
        vmin=ends[0],
        vmax=ends[1],
        cmap=cmap,
        annot=False if texts is None else texts,
        fmt="",
        mask=np.isnan(values),
        xticklabels=False,
        yticklabels=False,
        cbar_kws={"label": legend},
        **look,
    )
    axes.set_xticks(np.arange(len(labels[0])) + 0.5, labels[0])
    axes.set_yticks(np.arange(len(labels[1])) + 0.5, labels[1])


def draw_indices(
    frame: pd.DataFrame, title: str, value_label: str, axis_labels: tuple[str, str] = ("knob", "metric")
) -> bytes:
    """Heatmap of sensitivity indices, metrics down and knobs across; NA cells belong to constant metrics."""
    rows, columns = frame.shape
    values = frame.astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    texts = np.where(np.isnan(values), "const.", np.char.mod("%.2f", np.nan_to_num(values) + 0.0))

    def draw(figure: Figure) -> None:
        axes = figure.add_subplot()
        labels = [_wrapped(str(c), 14) for c in frame.columns], [_wrapped(str(i), 34) for i in frame.index]
        ends = 0.0, max(1.0, float(np.nanmax(values, initial=0.0)))
        _heat(axes, values, texts, labels, ends, "cividis", value_label, **GRID)
        for row, column in np.argwhere(np.isnan(values)):
            _blank(axes, int(column), int(row), "const.")
        _finish_heatmap(axes, title, *axis_labels)

    return _picture(draw, 4.8 + 0.95 * columns, 1.9 + 0.52 * rows)


def draw_pairs(frame: pd.DataFrame, title: str) -> bytes:
    """Heatmap of second-order indices of one metric: knobs by knobs, lower triangle, NA elsewhere."""
    values = frame.astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    texts = np.char.mod("%.3f", np.nan_to_num(values) + 0.0)
    top = float(np.nanmax(values, initial=0.0))

    def draw(figure: Figure) -> None:
        axes = figure.add_subplot()
        labels = [_wrapped(str(c), 14) for c in frame.columns], [_wrapped(str(i), 24) for i in frame.index]
        legend = "share of the variance the two make together only (-)"
        _heat(axes, values, texts, labels, (0.0, max(top, 0.01)), "cividis", legend, **GRID)
        _finish_heatmap(axes, title, "knob", "knob")

    return _picture(draw, 4.6 + 0.95 * frame.shape[1], 2.4 + 0.52 * frame.shape[0])


def draw_map(picture: MapDrawing) -> bytes:
    """A metric over two knobs. Each limit has a line where it runs and a hatch in the cells that break it most."""
    rows, columns = picture.values.shape
    annotate = rows * columns <= ANNOTATED_CELLS
    shown = np.where(picture.valid, picture.values, np.nan)
    texts = np.char.mod(f"%.{picture.places}f", np.round(np.nan_to_num(shown), picture.places) + 0.0)
    drawn = [(number, text, cells) for number, (text, cells) in enumerate(picture.broken) if cells.any()]
    below = 0.30 * (len(drawn) + 2)

    answers = picture.values[picture.valid]
    low, high = (float(answers.min()), float(answers.max())) if answers.size else (0.0, 1.0)

    def draw(figure: Figure) -> None:
        axes = figure.add_subplot()
        labels = _thinned(picture.x_levels), _thinned(picture.y_levels)
        heat_look = {"annot_kws": {"fontsize": 9, "va": "top"}}
        _heat(
            axes, shown, texts if annotate else None, labels, (low, high), "viridis", picture.value_label, **heat_look
        )
        for row, column in np.argwhere(~picture.valid):
            _blank(axes, int(column), int(row), "no answer" if annotate else "")
        handles = []
        for place, (number, text, cells) in enumerate(drawn):
            hatch, line = HATCHES[place % len(HATCHES)], LINES[place % len(LINES)]
            light = picture.values > low + 0.75 * (high - low)
            for ink, which in (("black", light), ("white", ~light)):
                corners = np.argwhere((picture.worst == number) & which)
                if len(corners):
                    outline = Path.make_compound_path(*(Path.unit_rectangle().transformed(_at(*c)) for c in corners))
                    axes.add_patch(PathPatch(outline, fill=False, hatch=hatch, edgecolor=ink, lw=0, alpha=0.5))
            edges = [list(zip(*edge, strict=True)) for edge in _borders(cells)]
            for ink, wide, kind in (("black", 3.6, "-"), ("white", 1.8, line)):
                axes.add_collection(
                    LineCollection(edges, colors=ink, linewidths=wide, linestyles=[kind], clip_on=False)
                )
            everywhere = " (every cell breaks it)" if cells[picture.valid].all() else ""
            label = _wrapped(f"limit: {text}{everywhere}", 90)
            handles.append(Patch(facecolor="0.85", edgecolor="black", hatch=hatch, lw=1.4, ls=line, label=label))
        for text, x, y in _merged(picture.marks):
            axes.text(
                x + 0.5,
                y + (0.74 if annotate else 0.5),
                text,
                ha="center",
                va="center",
                fontsize=8.5,
                fontweight="bold",
                color="black",
                bbox={"boxstyle": "round,pad=0.18", "facecolor": "white", "edgecolor": "black", "lw": 1.0},
            )
        axes.invert_yaxis()
        _finish_heatmap(axes, picture.title, picture.x_label, picture.y_label)
        if handles:
            look = {"frameon": False, "fontsize": 9, "handlelength": 3.2, "handleheight": 1.5}
            figure.legend(
                handles=handles, loc="outside lower left", title=LEGEND, title_fontsize=9, alignment="left", **look
            )

    return _picture(draw, 3.6 + 0.72 * min(columns, 24), 2.6 + below + 0.56 * min(rows, 24))


def draw_front(picture: FrontDrawing) -> bytes:
    """Every pair of objectives as a scatter: all setups that keep every limit in grey, the front in blue, shortlisted
    setups numbered."""
    names = [str(name) for name in picture.points.columns]
    pairs = [(a, b) for a in range(len(names)) for b in range(a + 1, len(names))] or [(0, 0)]
    across = min(3, len(pairs))
    down = -(-len(pairs) // across)

    def draw(figure: Figure) -> None:
        grid = figure.subplots(down, across, squeeze=False).ravel()
        for axes, (a, b) in zip(grid, pairs, strict=False):
            _scatter(axes, picture, names, a, b)
        for axes in grid[len(pairs) :]:
            axes.set_visible(False)
        said = [_wrapped(text, 58 * across) for text in (picture.headline, picture.title) if text]
        figure.suptitle("\n".join(said), x=0.01, ha="left", fontsize=12)

    return _picture(draw, 5.0 * across, 4.5 * down + 0.8)


def _scatter(axes: Axes, picture: FrontDrawing, names: Sequence[str], a: int, b: int) -> None:
    points = picture.points
    everything = [points.iloc[:, [a, b]].to_numpy(float)]
    if picture.cloud is not None and len(picture.cloud):
        everything.append(picture.cloud[:, [a, b]])
        spots = _spots(picture.cloud[:, [a, b]])
        axes.plot(spots[:, 0], spots[:, 1], "o", markersize=2.0, markeredgewidth=0.0, color="0.72", zorder=0.9)
    axes.scatter(points.iloc[:, a], points.iloc[:, b], s=34, marker="D", color=FRONT_BLUE, edgecolors="white", lw=0.5)
    groups: dict[tuple[float, float], list[str]] = {}
    for text, values in picture.marks:
        groups.setdefault((values[a], values[b]), []).append(text)
    _place_marks(axes, np.vstack([*everything, np.array(list(groups)).reshape(-1, 2)]), groups)
    axes.set_xlabel(_wrapped(names[a], 56))
    axes.set_ylabel(_wrapped(names[b], 56))
    axes.grid(True, color="0.9", lw=0.6)
    axes.set_axisbelow(True)


def _spots(cloud: FloatArray) -> FloatArray:
    """One setup of each step that holds any; `cloud` and the result are (setups, 2)."""
    low, span = cloud.min(axis=0), np.maximum(np.ptp(cloud, axis=0), 1e-12)
    step = (CLOUD_SPOTS * (cloud - low) / span).astype(np.int64)
    return cloud[np.unique(step[:, 0] * (CLOUD_SPOTS + 1) + step[:, 1], return_index=True)[1]]


def _place_marks(axes: Axes, everything: FloatArray, groups: dict[tuple[float, float], list[str]]) -> None:
    """Ring each marked setup and put its label where it covers neither a ring nor another label."""
    low, span = everything.min(axis=0), np.ptp(everything, axis=0)
    span = np.where(span > 0.0, span, np.maximum(1.0, np.abs(low)))
    axes.set_xlim(low[0] - 0.12 * span[0], low[0] + 1.12 * span[0])
    axes.set_ylim(low[1] - 0.12 * span[1], low[1] + 1.12 * span[1])
    rings = [(np.array(place) - low) / span * AXES_POINTS for place in groups]
    taken: list[FloatArray] = []
    for ring, (place, texts) in zip(rings, groups.items(), strict=True):
        shift = _free_offset(ring, [*taken, *(other for other in rings if other is not ring)])
        taken.append(ring + shift)
        label = np.array(place) + shift / AXES_POINTS * span
        xs, ys = zip(place, label, strict=True)
        axes.plot(xs, ys, color="black", lw=0.8, marker="o", markersize=8.4, **RING)
        axes.text(
            label[0],
            label[1],
            ", ".join(texts),
            fontsize=9,
            fontweight="bold",
            ha="center",
            va="center",
            bbox={"boxstyle": "round,pad=0.2", "facecolor": "white", "edgecolor": "black", "lw": 0.9},
        )


def _free_offset(ring: FloatArray, others: Sequence[FloatArray]) -> FloatArray:
    """The first offset [points] around a ring that keeps clear of the other rings and labels, else the clearest."""
    best, most = np.array([20.0, 20.0]), -1.0
    for radius in (20.0, 34.0, 48.0):
        for angle in (55.0, 125.0, 235.0, 305.0, 0.0, 180.0, 90.0, 270.0):
            turn = np.radians(angle)
            shift = radius * np.array([np.cos(turn), np.sin(turn)])
            gap = min((float(np.hypot(*(ring + shift - other))) for other in others), default=np.inf)
            if gap > 20.0:
                return shift
            if gap > most:
                best, most = shift, gap
    return best


def draw_one_change(picture: ChangeDrawing, clip: float = 4.0) -> bytes:
    """Changes down, metrics across; colour counts felt differences (clipped), the text is the change in real units."""
    values = picture.scaled.astype("Float64").to_numpy(dtype=float, na_value=np.nan)
    rows, columns = values.shape

    def draw(figure: Figure) -> None:
        axes = figure.add_subplot()
        columns = [_wrapped(str(c), 15) for c in picture.scaled.columns]
        labels = columns, [_wrapped(str(i), 44) for i in picture.scaled.index]
        legend = f"change in felt differences (-), clipped at {clip:g}"
        texts = picture.texts.to_numpy(dtype=str)
        look: dict[str, Any] = {"annot_kws": {"fontsize": 9}} | GRID
        _heat(axes, np.clip(values, -clip, clip), texts, labels, (-clip, clip), "vlag", legend, **look)
        for row, column in np.argwhere(np.isnan(values)):
            _blank(axes, int(column), int(row), "no answer")
        _finish_heatmap(axes, picture.title, "metric", "single change")

    return _picture(draw, 5.6 + 1.15 * columns, 2.6 + 0.44 * rows)


def draw_comparison(picture: Drawing) -> bytes:
    """Points or lines of a proof; with `diagonal` the line on which both sides agree."""

    def draw(figure: Figure) -> None:
        axes = figure.add_subplot()
        for place, series in enumerate(picture.series):
            color = sns.color_palette("colorblind")[place % 10]
            if picture.kind == "lines":
                axes.plot(series.x, series.y, marker="o", markersize=4, color=color, label=series.label)
            else:
                mark = "os^Dv<>Pxd"[place % 10]
                axes.scatter(series.x, series.y, s=22, marker=mark, color=color, alpha=0.7, label=series.label)
        if picture.diagonal:
            ends = [min(axes.get_xlim()[0], axes.get_ylim()[0]), max(axes.get_xlim()[1], axes.get_ylim()[1])]
            axes.plot(ends, ends, color="0.4", linewidth=0.8, linestyle="--", label="equal")
        if picture.log:
            axes.set_xscale("log")
            axes.set_yscale("log")
        axes.set_title(_wrapped(picture.title, 70))
        axes.set_xlabel(picture.x_label)
        axes.set_ylabel(picture.y_label)
        axes.grid(alpha=0.3)
        if len(picture.series) > 1 or picture.diagonal:
            axes.legend(fontsize=8, frameon=False)

    return _picture(draw, 6.4, 4.6)


def _picture(draw: Callable[[Figure], None], width: float, height: float) -> bytes:
    """Run a drawing under the fixed style; the PNG has neither date nor version."""
    with style.context(["default", _STYLE]):
        figure = Figure(
            figsize=(max(6.0, min(width, 30.0)), max(3.6, min(height, 40.0))), dpi=DPI, layout="constrained"
        )
        draw(figure)
        for axes in figure.axes:
            for one in axes.texts:
                one.set_in_layout(False)  # they lie inside the axes
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
    small = io.BytesIO()
    picture = Image.frombuffer("RGBA", canvas.get_width_height(), canvas.buffer_rgba()).convert("RGB")
    picture.save(small, format="png", compress_level=6)
    return small.getvalue()


def _finish_heatmap(axes: Axes, title: str, x_label: str, y_label: str) -> None:
    width = int(axes.figure.get_window_extent().width / DPI * 10)
    axes.set_title(_wrapped(title, max(40, width - 6)))
    axes.set_xlabel(x_label)
    axes.set_ylabel(y_label)
    axes.tick_params(axis="x", rotation=0, length=0)
    axes.tick_params(axis="y", rotation=0, length=0)


def _at(row: int, column: int) -> Affine2D:
    """From the unit square to a cell."""
    return Affine2D().translate(column, row)


def _blank(axes: Axes, column: int, row: int, text: str) -> None:
    axes.add_patch(Rectangle((column, row), 1, 1, facecolor="0.88", edgecolor="white", lw=1.0))
    axes.text(column + 0.5, row + 0.5, text, ha="center", va="center", fontsize=8, color="0.25")


def _wrapped(text: str, width: int) -> str:
    """Plain text on short lines; a dollar sign would start mathematics."""
    return "\n".join(textwrap.wrap(text.replace("$", r"\$"), width) or [""])


def _thinned(levels: Sequence[str], most: int = 24) -> list[str]:
    """Level labels with so many left out that they stay readable."""
    step = -(-len(levels) // most) if levels else 1
    return [_wrapped(label, 12) if place % step == 0 else "" for place, label in enumerate(levels)]


def _merged(marks: Sequence[tuple[str, float, float]]) -> list[tuple[str, float, float]]:
    """Marks that fall on one spot share one label."""
    groups: dict[tuple[float, float], list[str]] = {}
    for text, x, y in marks:
        groups.setdefault((x, y), []).append(text)
    return [(",".join(texts), x, y) for (x, y), texts in groups.items()]


def _borders(cells: BoolArray) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Edges between cells that break a limit and cells that keep it, as ((x0, x1), (y0, y1))."""
    edges = []
    for row, column in np.argwhere(cells[:, 1:] != cells[:, :-1]):
        edges.append(((int(column) + 1,) * 2, (int(row), int(row) + 1)))
    for row, column in np.argwhere(cells[1:, :] != cells[:-1, :]):
        edges.append(((int(column), int(column) + 1), (int(row) + 1,) * 2))
    return edges
