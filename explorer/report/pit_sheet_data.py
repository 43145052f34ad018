"""What stands on the pit sheet and where it breaks into lines: plain data that both the page and the PDF draw.

The words (`pit_sheet_words`) are laid out on one sheet of A4, always. Type shrinks in steps until
everything fits; at the smallest step text ends in an ellipsis and what is left out is counted. All lengths in points.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from explorer.report import words
from explorer.report.pit_sheet_text import LINE, Cell, lines_of, width_of
from explorer.report.pit_sheet_words import CURES, Content, sheet_content
from explorer.study.pits.ladder import Ladder
from explorer.study.plan.change_plan import ChangePlan
from explorer.study.results import RunResult

PAGE = (595.276, 841.89)
MARGIN = 28.346
"""10 mm."""

WIDTH = PAGE[0] - 2 * MARGIN
ROOM = PAGE[1] - 2 * MARGIN - 8.0
"""Height that may be filled; the rest is for browsers that round a line up."""

SIZES = (9.5, 9.0, 8.5, 8.0, 7.5, 7.0, 6.5, 6.0)
"""Steps of type."""

FLOORS = ((2, (8, 5, 8)), (1, (3, 3, 6)))
"""Where even the smallest type is too large: lines of a cell, and the stops, symptoms and parts left at least."""

BOX, BIG_BOX, HUGE_BOX, SMALL_BOX = 22.0, 36.0, 56.0, 19.0
"""Heights of a row of boxes to write in: what is asked for, what makes room for rows to spare, the most, and the least
at the smallest type."""

SPARE = 4
"""Rows without a name, for setups of the crew's own."""

LAPS = 5
PADDING = 0.2
"""Above and below the text of a row, in type sizes."""

RULE = 0.6
GAP = 0.8
TITLE = 1.15
NAME = 1.7

BLANKS = ("date", "track, floor", "tyres", "battery")
PROMISE = "A model ranks setups, it does not promise them. The stopwatch and the driver decide."
CAUTIONS = (
    "When you chase a feel, change one thing at a time, and try it slowly first. Charge batteries attended, on a "
    "surface that does not burn; unplug before you work on the car. Keep hands, hair and clothing clear of "
    "wheels and gears. Venue rules come first."
)


@dataclass(frozen=True)
class Block:
    """A table: `widths` of its columns, `rows` of cells (the first is the head), `heights` of the rows, `more` the line
    below it that counts what was left out ("" where nothing was). `boxes` are there to be written in."""

    key: str
    title: str
    note: str
    widths: tuple[float, ...]
    rows: tuple[tuple[Cell, ...], ...]
    heights: tuple[float, ...]
    more: str = ""
    boxes: bool = False


@dataclass(frozen=True)
class SheetData:
    """A sheet laid out at one type `size`; `height` of all of it, never above `ROOM`."""

    size: float
    name: str
    place: str
    taken: Cell
    blanks: tuple[str, ...]
    blocks: tuple[Block, ...]
    promise: Cell
    cautions: Cell
    height: float


def sheet_data(result: RunResult, changes: ChangePlan | None = None, ladders: tuple[Ladder, ...] = ()) -> SheetData:
    """The sheet of a run: the largest type at which nothing is cut, else at which least is cut.

    `changes` and `ladders` default to those of the plan, where there is one.
    """
    content = sheet_content(result, changes, ladders)
    found = [_laid(content, size) for size in SIZES]
    fitting = [(cuts, -sheet.size, place) for place, (sheet, cuts) in enumerate(found) if sheet.height <= ROOM]
    if fitting:
        return found[min(fitting)[2]][0]
    for most, floor in FLOORS:
        kept: Content | None = content
        while kept is not None:
            sheet = _laid(kept, SIZES[-1], most)[0]
            if sheet.height <= ROOM:
                return sheet
            kept = _shorter(kept, floor)
    raise AssertionError("the shortest sheet is higher than a page")


def _shorter(content: Content, floor: tuple[int, int, int]) -> Content | None:
    """One line less, off the list that is longest beyond its floor, a stop first; None at the floor. Of the parts, one
    that is the same in every setup goes first."""
    lists = (content.stops, content.symptoms, content.parts)
    amounts = [len(one) - least for one, least in zip(lists, floor, strict=True)]
    if max(amounts) <= 0:
        return None
    longest = amounts.index(max(amounts))
    if longest == 0:
        return replace(content, stops=content.stops[:-1], more_stops=content.more_stops + 1)
    if longest == 1:
        return replace(content, symptoms=content.symptoms[:-1], more_symptoms=content.more_symptoms + 1)
    same = [place for place, changed in enumerate(content.changed) if not any(changed)]
    gone = same[-1] if same else len(content.parts) - 1
    kept = [place for place in range(len(content.parts)) if place != gone]
    return replace(
        content,
        parts=tuple(content.parts[place] for place in kept),
        changed=tuple(content.changed[place] for place in kept),
        more_parts=content.more_parts + 1,
    )


def _laid(content: Content, size: float, most: int = 4) -> tuple[SheetData, int]:
    """The sheet at a type size, and how many texts had to be cut."""
    cut = _Cutter(size)
    name = cut.one(content.study, WIDTH * 0.78, NAME * size, True)
    place = cut.one(content.place, WIDTH, TITLE * size)
    taken = cut.cell(content.taken, WIDTH, 2)
    promise = cut.cell(PROMISE, WIDTH, 2, True)
    cautions = cut.cell(CAUTIONS, WIDTH, 5)
    blocks = [_setups(content, cut, most)]
    if content.stops:
        blocks.append(_work(content, cut, min(most, 3)))
    if content.symptoms:
        blocks.append(_ladder(content, cut, min(most, 3)))
    head = LINE * size * (NAME + TITLE + len(taken.lines)) + 2.2 * LINE * size
    foot = LINE * size * (len(promise.lines) + len(cautions.lines)) + 2 * GAP * size
    rows = len(content.visits)
    least = SMALL_BOX if size == SIZES[-1] else BOX
    bare = head + foot + sum(block_height(block, size) for block in blocks)
    boxed = _boxes(content, cut, least, 0)
    left = ROOM - bare - block_height(boxed, size)
    boxed = _boxes(content, cut, *_filled(left + rows * least, rows, least))
    sheet = SheetData(
        size=size,
        name=name,
        place=place,
        taken=taken,
        blanks=BLANKS,
        blocks=(*blocks, boxed),
        promise=promise,
        cautions=cautions,
        height=bare + block_height(boxed, size),
    )
    return sheet, cut.cuts


def _filled(room: float, rows: int, least: float) -> tuple[float, int]:
    """Height of a row of boxes, and rows to spare, that fill the room."""
    if room < rows * BIG_BOX:
        return max(least, room / rows), 0
    spare = min(SPARE, int(room / BIG_BOX) - rows)
    return min(HUGE_BOX, room / (rows + spare)), spare


def block_height(block: Block, size: float) -> float:
    """Height of a block with the gap above it and the line that counts what was left out."""
    return GAP * size + LINE * size * (TITLE + bool(block.more)) + sum(block.heights)


class _Cutter:
    """Breaks text into lines at one type size and counts what it had to cut."""

    def __init__(self, size: float) -> None:
        self.size = size
        self.cuts = 0

    def cell(self, text: str, room: float, most: int, bold: bool = False) -> Cell:
        found, cut = lines_of(text, room, self.size, most, bold)
        self.cuts += cut
        return Cell(found, bold, whole=text if " ".join(found) == text else "")

    def one(self, text: str, room: float, size: float, bold: bool = False) -> str:
        (line,), cut = lines_of(text, room, size, 1, bold)
        self.cuts += cut
        return line

    def table(
        self, widths: Sequence[float], rows: Sequence[Sequence[tuple[str, bool]]], most: int = 2
    ) -> tuple[tuple[tuple[Cell, ...], ...], tuple[float, ...]]:
        """Cells and row heights of (text, bold) rows."""
        pad = 2 * 2.5
        cells = tuple(
            tuple(self.cell(text, width - pad, most, bold) for (text, bold), width in zip(row, widths, strict=True))
            for row in rows
        )
        heights = tuple(self.height(max(len(cell.lines) for cell in row)) for row in cells)
        return cells, heights

    def height(self, lines: int) -> float:
        return self.size * (LINE * lines + 2 * PADDING) + RULE


def _setups(content: Content, cut: _Cutter, most: int) -> Block:
    columns = len(content.heads)
    first = max(96.0, WIDTH / (columns + 1)) if columns > 2 else 130.0
    other = min(140.0, (WIDTH - first) / columns)
    widths = (first, *[other] * columns)
    rows = [[("part", True), *((head, True) for head in content.heads)]]
    rows += [
        [(label, False), *zip(values, changed, strict=True)]
        for (label, values), changed in zip(content.parts, content.changed, strict=True)
    ]
    rows += [[(label, False), *((value, False) for value in values)] for label, values in content.facts]
    cells, heights = cut.table(widths, rows, most)
    more = [words.count(content.more_setups, "more setup")] if content.more_setups else []
    more += [words.count(content.more_parts, "more part")] if content.more_parts else []
    return Block("setups", "Setups", content.setups_note, widths, cells, heights, _more(more))


def _more(left: list[str]) -> str:
    return f"+ {words.listed(left)} in the report" if left else ""


def _work(content: Content, cut: _Cutter, most: int) -> Block:
    wide = 4.2 * cut.size
    widths = (wide, wide, WIDTH - 2 * wide - 14.5 * cut.size, 4.5 * cut.size, 10 * cut.size)
    clock = "run at" if content.stops[0].slot else "stop"
    rows = [[(text, True) for text in ("done", clock, "change", "min", "then run")]]
    for number, stop in enumerate(content.stops, start=1):
        change = stop.change + (f" ({stop.mind})" if stop.mind else "")
        bold = stop.reaches != "on the way"
        at = stop.slot or str(number)
        rows.append([("", False), (at, False), (change, False), (stop.minutes, False), (stop.reaches, bold)])
    cells, heights = cut.table(widths, rows, most)
    ticked = (cells[0], *((replace(row[0], box=True), *row[1:]) for row in cells[1:]))
    note = cut.one(content.stops_note, _beside(content.stops_title, cut.size), cut.size)
    more = [words.count(content.more_stops, "more stop")] if content.more_stops else []
    return Block("work", content.stops_title, note, widths, ticked, heights, _more(more))


def _beside(title: str, size: float) -> float:
    """Room for a note beside a block's title."""
    return WIDTH - width_of(title, TITLE * size, True) - size


def _ladder(content: Content, cut: _Cutter, most: int) -> Block:
    first = 0.25 * WIDTH
    widths = (first, *[(WIDTH - first) / CURES] * CURES)
    rows = [[("the driver says", True), ("try first", True), ("then", True)]]
    for said, cures in content.symptoms:
        rows.append([(said, False), *((cure, False) for cure in cures), *[("", False)] * (CURES - len(cures))])
    cells, heights = cut.table(widths, rows, most)
    title = "When the driver says ..."
    said = "one swap at a time, from the parts named first; most cured per minute first"
    note = cut.one(said, _beside(title, cut.size), cut.size)
    more = [words.count(content.more_symptoms, "more line")] if content.more_symptoms else []
    return Block("ladder", title, note, widths, cells, heights, _more(more))


def _boxes(content: Content, cut: _Cutter, height: float, spare: int) -> Block:
    first, lap = 8 * cut.size, 46.0
    widths = (first, *[lap] * LAPS, WIDTH - 1.0 - first - LAPS * lap)
    head = [("run", True), *((f"lap {n}", True) for n in range(1, LAPS + 1)), ("remarks", True)]
    names = (*content.visits, *[""] * spare)
    rows = [head, *([(name, False), *[("", False)] * (LAPS + 1)] for name in names)]
    cells, heights = cut.table(widths, rows)
    note = "in the order above; rows without a name are for your own" if "" in names else "in the order above"
    tall = (heights[0], *[height] * len(names))
    return Block("boxes", "Lap times and remarks", note, widths, cells, tall, boxes=True)
