"""The pit sheet as one file of HTML: one page of A4 on paper, readable on a screen, nothing asked of a network."""

from __future__ import annotations

import base64
import hashlib

from explorer.report.page.markup import FITS, Html, join, name, tag
from explorer.report.pit_sheet_data import (
    GAP,
    MARGIN,
    NAME,
    PADDING,
    ROOM,
    RULE,
    TITLE,
    WIDTH,
    Block,
    SheetData,
    sheet_data,
)
from explorer.report.pit_sheet_text import LINE, Cell
from explorer.study.pits.ladder import Ladder
from explorer.study.plan.change_plan import ChangePlan
from explorer.study.results import RunResult

_STYLE = """
@page {{ size: A4 portrait; margin: {margin}pt; }}
:root {{ --u: 1pt; color-scheme: light; }}
* {{ box-sizing: border-box; margin: 0; padding: 0; }}
body {{ background: #fff; color: #000; 
  font: calc({size} * var(--u))/{line} "Liberation Sans", Arial, Helvetica, sans-serif; }}
main {{ display: flex; flex-direction: column; width: calc({width} * var(--u)); height: calc({room} * var(--u));
  overflow: hidden; break-inside: avoid; }}
.l {{ display: block; white-space: pre; overflow: hidden; text-overflow: ellipsis; }}
.f {{ display: block; overflow: hidden; overflow-wrap: anywhere; }}
{lines}
header p.kind {{ float: right; }}
h1 {{ font-size: {name}em; line-height: {line}; }}
.where {{ font-size: {title}em; line-height: {line}; }}
.blanks {{ display: flex; gap: calc(10 * var(--u)); height: {blanks}em; align-items: flex-end; }}
.blanks span {{ flex: 1 1 0; border-bottom: calc(0.5 * var(--u)) solid #000; }}
section {{ margin-top: {gap}em; }}
h2 {{ display: inline; font-size: {title}em; line-height: {line}; }}
.title {{ height: {head}em; white-space: nowrap; overflow: hidden; }}
.note {{ margin-left: 0.8em; }}
table {{ border-collapse: collapse; table-layout: fixed; }}
th, td {{ text-align: left; vertical-align: top; font-weight: normal; overflow: hidden;
  padding: {padding}em calc(2.5 * var(--u)); border-bottom: calc({rule} * var(--u)) solid #999; }}
thead th {{ border-bottom-color: #000; font-weight: bold; }}
.b {{ font-weight: bold; }}
.tick {{ display: block; width: 0.85em; height: 0.85em; margin-top: 0.2em; border: calc(0.7 * var(--u)) solid #000; }}
.boxes td, .boxes tbody th {{ border: calc({rule} * var(--u)) solid #000; }}
footer {{ margin-top: auto; padding-top: 0.3em; border-top: calc(1.2 * var(--u)) solid #000; }}
{columns}
@media screen {{
  :root {{ --u: 1.4pt; }}
  body {{ padding: 16px; background: #e8e8e8; }}
  main {{ margin: 0 auto; padding: calc(14 * var(--u)); box-sizing: content-box; background: #fff;
    border: 1px solid #888; }}
}}
@media screen and (max-width: 1100px) {{
  :root {{ --u: 1pt; }}
  main {{ margin: 0; }}
}}
@media screen and (max-width: 640px) {{
  :root {{ --u: 1.75px; }}
  body {{ padding: 0; }}
  main {{ width: auto; height: auto; overflow: visible; border: 0; padding: 12px 14px; box-sizing: border-box; }}
  .l, .title {{ white-space: normal; height: auto; }}
  .f, .l, th, td {{ max-height: none; overflow: visible; overflow-wrap: anywhere; }}
  table {{ table-layout: auto; }}
  main table {{ width: 100% !important; }}
  main col {{ width: auto !important; }}
  .cards, .cards tbody {{ display: block; }}
  .cards thead {{ display: none; }}
  .cards tr {{ display: grid; grid-template-columns: repeat(2, minmax(0, 1fr)); gap: 0 14px; height: auto !important;
    padding: 6px 0; border-bottom: 1px solid #000; }}
  .cards td, .cards tbody th {{ border: 0; display: flex; justify-content: space-between; gap: 0 8px;
    text-align: right; }}
  .cards tbody th, .cards td.wide {{ grid-column: 1 / -1; }}
  .cards td::before {{ content: attr(data-label); color: #555; flex: 1 1 auto; overflow-wrap: normal; }}
  .boxes.cards td {{ border-bottom: 1px solid #999; min-height: 2em; }}
}}
"""


def pit_sheet_html(result: RunResult, changes: ChangePlan | None = None, ladders: tuple[Ladder, ...] = ()) -> str:
    """The sheet for the pit table. `changes` and `ladders` default to those of the plan, where there is one."""
    sheet = sheet_data(result, changes, ladders)
    style = _style(sheet)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    head = (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"{tag('title', f'Pit sheet: {sheet.name}')}\n<style>{style}</style>\n</head>\n"
    )
    body = tag("main", _header(sheet), *(_block(block) for block in sheet.blocks), _footer(sheet))
    return f"{head}<body>\n{body}\n</body>\n</html>\n"


def _style(sheet: SheetData) -> str:
    widths = [
        f".{block.key} {{ width: calc({sum(block.widths):.2f} * var(--u)); }}\n"
        + "\n".join(
            f".{block.key} .c{place} {{ width: calc({width:.2f} * var(--u)); }}"
            for place, width in enumerate(block.widths)
        )
        + (f"\n.boxes tbody tr {{ height: calc({block.heights[-1]:.2f} * var(--u)); }}" if block.boxes else "")
        for block in sheet.blocks
    ]
    return _STYLE.format(
        margin=MARGIN,
        size=sheet.size,
        line=LINE,
        width=WIDTH,
        room=f"{ROOM + 6.0:.2f}",
        name=NAME,
        title=TITLE,
        blanks=2.2 * LINE,
        gap=GAP,
        head=f"{TITLE * LINE:.4f}",
        padding=PADDING,
        rule=RULE,
        lines="\n".join(f".m{count} {{ max-height: {count * LINE:.4f}em; }}" for count in range(1, 7)),
        columns="\n".join(widths),
    )


def _text(cell: Cell) -> Html:
    """A text where the browser breaks the lines, in no more room than it was given; a cut one line by line."""
    if cell.whole:
        held = join(cell.whole.split("\u00a0"), "&nbsp;")
        return tag("span", held, class_=f"f m{len(cell.lines)}")
    return join(tag("span", line, class_="l") for line in cell.lines if line)


def _header(sheet: SheetData) -> Html:
    return tag(
        "header",
        tag("p", "Pit sheet", class_="kind"),
        tag("h1", tag("span", name(sheet.name), class_="l")),
        tag("p", tag("span", name(sheet.place), class_="l"), class_="where"),
        tag("p", _text(sheet.taken)),
        tag("p", *(tag("span", blank) for blank in sheet.blanks), class_="blanks"),
    )


def _block(block: Block) -> Html:
    head, *rows = block.rows
    names = [" ".join((cell.whole or " ".join(cell.lines)).split()) for cell in head]
    kind = f"{block.key} cards" if len(head) > FITS else block.key
    columns = tag("colgroup", *(Html(f'<col class="c{place}">') for place in range(len(block.widths))))
    title = tag("h2", block.title, id=block.key)
    note = tag("span", block.note, class_="note") if block.note else ""
    table = tag(
        "table",
        columns,
        tag("thead", tag("tr", *(tag("th", _text(cell), scope="col") for cell in head))),
        tag(
            "tbody", *(tag("tr", *(_cell(cell, place, names[place]) for place, cell in enumerate(row))) for row in rows)
        ),
        class_=kind,
        aria_labelledby=block.key,
    )
    more = tag("p", tag("span", block.more, class_="l")) if block.more else ""
    return tag("section", tag("div", title, note, class_="title"), table, more)


def _cell(cell: Cell, place: int, named: str) -> Html:
    if cell.box:
        return tag("td", tag("span", class_="tick"), data_label=named)
    bold = "b" if cell.bold else None
    content = _text(cell)
    return (
        tag("th", content, scope="row", class_=bold)
        if place == 0
        else tag("td", content, class_=bold, data_label=named)
    )


def _footer(sheet: SheetData) -> Html:
    return tag(
        "footer",
        tag("p", tag("strong", _text(sheet.promise))),
        tag("p", _text(sheet.cautions)),
    )
