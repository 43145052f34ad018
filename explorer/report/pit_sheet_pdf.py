"""The pit sheet as a PDF of one A4 page, drawn line by line from the same data as the page. No date: the same input
gives the same bytes.

Imports matplotlib for its PDF backend. Letters that the one typeface lacks are drawn as "?".
"""

from __future__ import annotations

import io
import unicodedata
from functools import cache
from pathlib import Path

import matplotlib
from matplotlib import style
from matplotlib.backends.backend_pdf import FigureCanvasPdf
from matplotlib.figure import Figure
from matplotlib.font_manager import get_font
from matplotlib.lines import Line2D

from explorer.report.pit_sheet_data import (
    GAP,
    MARGIN,
    NAME,
    PADDING,
    PAGE,
    ROOM,
    RULE,
    TITLE,
    WIDTH,
    Block,
    SheetData,
    sheet_data,
)
from explorer.report.pit_sheet_text import LINE, width_of
from explorer.study.pits.ladder import Ladder
from explorer.study.plan.change_plan import ChangePlan
from explorer.study.results import RunResult

_STYLE = {"font.family": "DejaVu Sans", "pdf.fonttype": 3, "pdf.compression": 6}
_CELL = 2.5
_ASCENT = 0.95
"""Where letters stand below the top of their line, in type sizes."""

_GREY = "0.6"
LEFT_TO_RIGHT = "\u200e"
"""Unseen; a line that starts with a word from right to left still reads from left to right."""


def pit_sheet_pdf(result: RunResult, changes: ChangePlan | None = None, ladders: tuple[Ladder, ...] = ()) -> bytes:
    """The sheet for the pit table. `changes` and `ladders` default to those of the plan, where there is one."""
    sheet = sheet_data(result, changes, ladders)
    with style.context(["default", _STYLE]):
        sink = io.BytesIO()
        about = {"Title": _known(sheet.name), "Creator": "setup-space", "Producer": None, "CreationDate": None}
        drawn(sheet).savefig(sink, format="pdf", metadata=about)
    return sink.getvalue()


def drawn(sheet: SheetData) -> Figure:
    """Every line and rule on a figure of A4; its style is the caller's."""
    pen = _Pen(sheet.size)
    y = _header(pen, sheet)
    for block in sheet.blocks:
        y = _block(pen, block, y)
    _footer(pen, sheet)
    return pen.figure


@cache
def _letters() -> frozenset[int]:
    """Letters of the typeface."""
    file = Path(matplotlib.get_data_path(), "fonts", "ttf", "DejaVuSans.ttf")
    return frozenset(get_font(str(file)).get_charmap())


def _known(text: str) -> str:
    """The text in letters the typeface has, read from left to right."""
    turned = any(unicodedata.bidirectional(letter) in ("R", "AL") for letter in text)
    return LEFT_TO_RIGHT * turned + "".join(letter if ord(letter) in _letters() else "?" for letter in text)


class _Pen:
    """Writes and rules on an A4 sheet; x from the left margin, y down from the top margin. [points]"""

    def __init__(self, size: float) -> None:
        self.size = size
        self.figure = Figure(figsize=(PAGE[0] / 72.0, PAGE[1] / 72.0))
        FigureCanvasPdf(self.figure)

    def at(self, x: float, y: float) -> tuple[float, float]:
        return (MARGIN + x) / PAGE[0], 1.0 - (MARGIN + y) / PAGE[1]

    def write(self, x: float, y: float, text: str, scale: float = 1.0, bold: bool = False, right: bool = False) -> None:
        """One line of text whose top is at y."""
        size = scale * self.size
        if not text:
            return
        self.figure.text(
            *self.at(x, y + _ASCENT * size),
            _known(text.replace("\u00a0", " ")),
            size=size,
            weight="bold" if bold else "normal",
            ha="right" if right else "left",
            va="baseline",
            parse_math=False,
        )

    def rule(self, x: float, y: float, to_x: float, to_y: float, width: float = RULE, color: str = "black") -> None:
        """A straight line."""
        (x0, y0), (x1, y1) = self.at(x, y), self.at(to_x, to_y)
        self.figure.add_artist(Line2D([x0, x1], [y0, y1], linewidth=width, color=color, solid_capstyle="butt"))


def _header(pen: _Pen, sheet: SheetData) -> float:
    step = LINE * sheet.size
    pen.write(WIDTH, 0.0, "Pit sheet", right=True)
    pen.write(0.0, 0.0, sheet.name, NAME, bold=True)
    y = NAME * step
    pen.write(0.0, y, sheet.place, TITLE)
    y += TITLE * step
    for line in sheet.taken.lines:
        pen.write(0.0, y, line)
        y += step
    y += 2.2 * step
    each = (WIDTH + 10.0) / len(sheet.blanks)
    for place, blank in enumerate(sheet.blanks):
        pen.write(place * each, y - step, blank)
        pen.rule(place * each, y, (place + 1) * each - 10.0, y, 0.5)
    return y


def _block(pen: _Pen, block: Block, y: float) -> float:
    size = pen.size
    y += GAP * size
    pen.write(0.0, y, block.title, TITLE, bold=True)
    pen.write(width_of(block.title, TITLE * size, True) + 0.8 * size, y + (TITLE - 1.0) * _ASCENT * size, block.note)
    y += TITLE * LINE * size
    top = y
    for row, height in enumerate(block.heights):
        x = 0.0
        for cell, width in zip(block.rows[row], block.widths, strict=True):
            for line, text in enumerate(cell.lines):
                pen.write(x + _CELL, y + (PADDING + LINE * line) * size, text, bold=cell.bold)
            if cell.box:
                _tick(pen, x + _CELL, y + 0.4 * size)
            x += width
        y += height
        dark = row == 0 or block.boxes
        pen.rule(0.0, y, sum(block.widths), y, color="black" if dark else _GREY)
    if block.boxes:
        for place in range(len(block.widths) + 1):
            x = sum(block.widths[:place])
            pen.rule(x, top + block.heights[0], x, y)
    if block.more:
        pen.write(0.0, y, block.more)
        y += LINE * size
    return y


def _tick(pen: _Pen, x: float, y: float) -> None:
    side = 0.85 * pen.size
    corners = [(x, y), (x + side, y), (x + side, y + side), (x, y + side), (x, y)]
    for (x0, y0), (x1, y1) in zip(corners, corners[1:], strict=False):
        pen.rule(x0, y0, x1, y1, 0.7)


def _footer(pen: _Pen, sheet: SheetData) -> None:
    """The last lines stand at the foot of the sheet."""
    step = LINE * sheet.size
    y = ROOM - (len(sheet.promise.lines) + len(sheet.cautions.lines)) * step
    pen.rule(0.0, y - 0.3 * sheet.size, WIDTH, y - 0.3 * sheet.size, 1.2)
    for line in sheet.promise.lines:
        pen.write(0.0, y, line, bold=True)
        y += step
    for line in sheet.cautions.lines:
        pen.write(0.0, y, line)
        y += step
