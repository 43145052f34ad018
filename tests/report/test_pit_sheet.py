"""The pit sheet: its words by equality, its layout by arithmetic, its page and its PDF by what stands in them."""

from __future__ import annotations

import base64
import hashlib
import html
import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import matplotlib
import numpy as np
import pytest
from matplotlib.font_manager import get_font
from report import page_runs, sample_run, sheet_runs

from explorer.report import pit_sheet_data as data
from explorer.report.pit_sheet import pit_sheet_html
from explorer.report.pit_sheet_data import ROOM, SIZES, WIDTH, SheetData, block_height, sheet_data
from explorer.report.pit_sheet_pdf import drawn, pit_sheet_pdf
from explorer.report.pit_sheet_text import ELLIPSIS, LINE, lines_of, width_of
from explorer.report.pit_sheet_words import NOTHING, SETUPS_ACROSS, Content, StopText, sheet_content
from explorer.study.plan.robust_shortlist import RobustPick, RobustShortlist

NB = "\u00a0"
SOFT = "soft | <b> =x"

CASES = {
    "sample": lambda: (sample_run.run(), sheet_runs.changes(sample_run.run()), sheet_runs.ladders()),
    "plain": lambda: (sample_run.run(), None, ()),
    "nothing": lambda: (sample_run.nothing(), None, ()),
    "hostile": lambda: (page_runs.hostile(), None, ()),
    "five by eight": lambda: sheet_runs.crowded(stops=12, symptoms=10, long="rear ride height"),
    "crowded": sheet_runs.crowded,
    "fifty": lambda: sheet_runs.crowded(setups=50, knobs=40, stops=200, symptoms=30),
    "one word": lambda: sheet_runs.crowded(long="W" * 120),
}


def words_of(sheet: SheetData) -> list[str]:
    """Every line of a sheet."""
    found = [sheet.name, sheet.place, *sheet.blanks]
    for cell in (sheet.taken, sheet.promise, sheet.cautions):
        found += cell.lines
    for block in sheet.blocks:
        found += [block.title, block.note, block.more]
        found += [line for row in block.rows for cell in row for line in cell.lines]
    return [line.replace(NB, " ") for line in found if line]


def planned(picks: tuple[RobustPick, ...], changes: Any = None, ladders: Any = ()) -> Any:
    """As much of a plan as a sheet reads."""
    return SimpleNamespace(
        shortlist=RobustShortlist("quantile", 0.9, 3, 2, "", picks),
        decision=SimpleNamespace(headline=None),
        changes=changes,
        ladders=ladders,
    )


def robust_pick(row: int, reason: str, share: float) -> RobustPick:
    whole = sample_run.table(sample_run.space())
    at, space = whole.positions[row], whole.space
    work = float(space.minutes(at[None, :])[0])
    return RobustPick(
        ("extreme",), reason, row, at, space.labels(at), np.zeros((5, 2)), np.zeros((5, 2)), share, 0.0, np.ones(2),
        0.5, 0.0, 0.0, space.changes(at), work, 1, 0.0,
    )  # fmt: skip


def test_the_words_of_a_sheet_with_a_plan_of_changes():
    """Catches a stop that is numbered as given instead of by the setup it reaches, a part not marked as changed, boxes
    out of the order of the runs, a raw limit text."""
    found = sheet_content(*CASES["sample"]())
    assert found == Content(
        study="club | night",
        place="two wheel on carpet",
        taken="Setups taken at the best guess of every number. On the car: the baseline. Bold: a change.",
        heads=("baseline", "setup 1", "setup 2"),
        parts=(
            ("front bar", (f"1.0{NB}mm", f"1.4{NB}mm", f"1.0{NB}mm")),
            ("rear spring", (SOFT, "0.72", "0.72")),
        ),
        changed=((False, True, False), (False, True, True)),
        facts=(
            ("why", ("on the car now", "lowest response lag", "highest grip")),
            ("work from baseline", ("", f"10{NB}min", f"6{NB}min")),
            ("every limit kept in", ("", f"55{NB}%", f"100{NB}%")),
        ),
        setups_note="every limit kept in: share when built within tolerance",
        stops_title="Changes, stop by stop",
        stops_note="14 min of work; 15 min between runs, 45 min to the last",
        stops=(
            StopText(f"rear spring {SOFT} to 0.72", "6", "setup 2", ""),
            StopText(f"front bar 1.0 to 1.2{NB}mm", "4", "on the way", "breaks hairpin: roll angle at most 3 deg"),
            StopText(f"front bar 1.2 to 1.4{NB}mm", "4", "setup 1", "longer than the time between runs"),
        ),
        symptoms=(
            (
                "the car pushes on power",
                (
                    f"front bar 1.0 to 1.2{NB}mm (4{NB}min), right way in 80{NB}%",
                    f"rear spring {SOFT} to 0.45 (6{NB}min), breaks a limit",
                ),
            ),
            ("the car skips over bumps", ("no change cures it",)),
        ),
        visits=("baseline", "setup 2", "setup 1"),
    )


def test_without_changes_each_setup_is_one_line_from_the_baseline():
    """Catches lines by rank instead of by work, and a heading that promises an order nobody worked out."""
    found = sheet_content(sample_run.run())
    assert found.stops_title == "Each setup from the baseline"
    assert [(line.reaches, line.minutes) for line in found.stops] == [("setup 2", "6"), ("setup 1", "10")]
    assert found.stops[1].change == f"front bar 1.0 to 1.4{NB}mm; rear spring {SOFT} to 0.72"
    assert found.visits == ("baseline", "setup 2", "setup 1") and found.symptoms == ()


def test_slots_stand_on_the_clock_where_practice_has_a_start():
    """Catches the first run put at the start itself, hours past midnight and numbers left in place of the times."""
    run, changes, ladders = CASES["sample"]()
    run = replace(run, space=replace(run.space, planning=replace(run.space.planning, starts="23:40")))
    assert [line.slot for line in sheet_content(run, changes, ladders).stops] == ["23:55", "00:10", "00:25"]
    text = pit_sheet_html(run, changes, ladders)
    assert "run at" in text and "00:10" in text


def test_the_plan_comes_before_the_best_guess():
    """Catches the nominal shortlist on a sheet whose study has a plan, and the plan's changes and ladders left out."""
    run, changes, ladders = CASES["sample"]()
    tail = "in the worse 20 % of the scenarios"
    picks = (robust_pick(8, f"lowest response lag, {tail}", 0.999), robust_pick(1, f"highest grip, {tail}", 0.5))
    found = sheet_content(replace(run, plan=planned(picks, changes, ladders)))
    assert [values[1] for _, values in found.parts] == [f"1.2{NB}mm", "0.72"]
    assert found.facts[0][1] == ("on the car now", "lowest response lag", "highest grip")
    assert found.facts[2][1] == ("", f"over 99{NB}%", f"50{NB}%")
    assert found.taken == "Take setup 1. On the car: the baseline. Bold: a change."
    assert found.stops_title == "Changes, stop by stop" and len(found.symptoms) == 2
    # the stops reach rows 5 and 11 and, on the way, row 8: none of them is a setup that ends here by that name
    assert [stop.reaches for stop in found.stops] == ["setup 2", "on the way", "setup 1"]


def test_the_figure_is_left_out_of_every_reason_that_ends_in_it():
    """Catches a column cut short because one setup of a plan, the wished one, has no such end."""
    run, changes, ladders = CASES["sample"]()
    tail = "in the worse 20 % of the scenarios"
    wished = "comes nearest to the wishes at the best guesses"
    picks = (robust_pick(8, wished, 0.9), robust_pick(1, f"highest grip, worst phase, {tail}", 0.5))
    found = sheet_content(replace(run, plan=planned(picks, changes, ladders)))
    assert found.facts[0][1] == ("on the car now", wished, "highest grip, worst phase")


def test_a_stop_is_named_after_the_setup_it_ends_at():
    """Catches changes handed in with names of their own: the sheet's numbers are those of its columns."""
    run, changes, _ = CASES["sample"]()
    turned = replace(changes, stops=tuple(replace(s, reaches=s.reaches and "B") for s in changes.stops))
    assert [stop.reaches for stop in sheet_content(run, turned).stops] == ["setup 2", "on the way", "setup 1"]


@pytest.mark.parametrize("make", [sample_run.nothing, lambda: replace(sample_run.run(), plan=planned(()))])
def test_where_nothing_keeps_every_limit_nothing_is_listed(make):
    """Catches a near miss, or the nominal shortlist under a failed plan, that the crew would build."""
    found = sheet_content(make(), sheet_runs.changes(sample_run.run()))
    assert found.heads == ("baseline",) and found.stops == () and NOTHING in found.taken
    assert found.visits == ("baseline", "", "")


@pytest.mark.parametrize("name", CASES)
def test_one_page_whatever_stands_on_it(name):
    """Catches a sheet that runs over, a line wider than its cell, a column beside the paper, and a list that is cut
    without a count."""
    arguments = CASES[name]()
    content, sheet = sheet_content(*arguments), sheet_data(*arguments)
    assert sheet.height <= ROOM and sheet.size in SIZES
    head = LINE * sheet.size * (data.NAME + data.TITLE + len(sheet.taken.lines) + 2.2)
    foot = LINE * sheet.size * (len(sheet.promise.lines) + len(sheet.cautions.lines)) + 2 * data.GAP * sheet.size
    assert sheet.height == pytest.approx(head + foot + sum(block_height(block, sheet.size) for block in sheet.blocks))
    for block in sheet.blocks:
        assert sum(block.widths) <= WIDTH + 1e-6
        for row, height in zip(block.rows, block.heights, strict=True):
            for cell, width in zip(row, block.widths, strict=True):
                assert all(width_of(line, sheet.size, cell.bold) <= width for line in cell.lines)
                assert len(cell.lines) * LINE * sheet.size <= height
    blocks = {block.key: block for block in sheet.blocks}
    lists = {"work": content.stops, "ladder": content.symptoms, "setups": (*content.parts, *content.facts)}
    for key, lines in lists.items():
        if key in blocks:
            left = len(lines) - (len(blocks[key].rows) - 1)
            counted = [int(n) for n in re.findall(r"(\d+) more (?:stop|line|part)", blocks[key].more)]
            assert left == sum(counted)
    assert len(content.heads) <= SETUPS_ACROSS + 1
    assert min(blocks["boxes"].heights[1:]) >= data.SMALL_BOX


def test_type_shrinks_only_where_it_must():
    """Catches a sheet at the smallest type throughout, and one that cuts text it had room for."""
    sizes = {name: sheet_data(*CASES[name]()).size for name in ("sample", "five by eight", "crowded")}
    assert sizes["sample"] == SIZES[0] and sizes["sample"] > sizes["five by eight"] >= sizes["crowded"] == SIZES[-1]
    assert not any(ELLIPSIS in line for line in words_of(sheet_data(*CASES["sample"]())))
    assert any(ELLIPSIS in line for line in words_of(sheet_data(*CASES["crowded"]())))


def test_parts_that_never_change_leave_first():
    """Catches a part that has to be swapped gone from the table while one that stays as it is keeps its line."""
    run, changes, ladders = sheet_runs.crowded(knobs=30)
    space = run.space
    kept = tuple(replace(p, positions=np.where(np.arange(30) % 2, p.positions, 0.0)) for p in run.shortlist.picks)
    sheet = sheet_data(replace(run, shortlist=replace(run.shortlist, picks=kept)), changes, ladders)
    rows = next(block for block in sheet.blocks if block.key == "setups").rows[1:]
    shown = [row for row in rows if row[0].lines[0].startswith("a very")]
    assert 6 <= len(shown) < len(space.knobs)
    assert sum(row[1].lines != row[2].lines or row[2].bold for row in shown) == min(15, len(shown))


def test_lines_hold_units_and_break_long_words():
    """Catches "1.2" and "mm" on two lines, a word that runs out of its cell, and a cut without an ellipsis."""
    assert lines_of(f"front bar 1.2{NB}mm", 60.0, 10.0, 3) == (("front bar", f"1.2{NB}mm"), False)
    lines, cut = lines_of("W" * 30, 50.0, 10.0, 9)
    assert not cut and "".join(lines) == "W" * 30 and all(width_of(line, 10.0) <= 50.0 for line in lines)
    lines, cut = lines_of("one two three four", 30.0, 10.0, 2)
    assert cut and len(lines) == 2 and lines[1].endswith(ELLIPSIS)
    assert lines_of("", 30.0, 10.0, 2) == (("",), False)


@pytest.mark.parametrize("bold", [False, True])
def test_no_line_is_drawn_wider_than_was_counted_on(bold):
    """Catches widths of another typeface: text that fits on paper only by luck. Held against the font itself."""
    face = get_font(f"{matplotlib.get_data_path()}/fonts/ttf/DejaVuSans{'-Bold' if bold else ''}.ttf")
    texts = [line for name in ("sample", "five by eight", "nothing") for line in words_of(sheet_data(*CASES[name]()))]
    texts += ["Übermäßig große Räder", "жесткая пружина", "ελατήριο εμπρός"]
    for text in texts:
        face.set_size(100.0, 72)
        true = sum(face.load_char(ord(c)).linearHoriAdvance / 65536 for c in text)
        assert true <= width_of(text, 100.0, bold)


@pytest.mark.parametrize("name", CASES)
def test_the_page_asks_nothing_of_anyone_and_holds_every_word(name):
    """Catches a link, a script, a style that its own policy refuses, and words that never reached the page."""
    arguments = CASES[name]()
    page = pit_sheet_html(*arguments)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)
    style = re.search(r"<style>(.*?)</style>", page, re.DOTALL)
    assert policy and style
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    assert policy[1].startswith("default-src 'none'; style-src 'sha256-" + digest)
    assert "size: A4" in style[1] and "{" not in re.sub(r"<style>.*</style>", "", page, flags=re.DOTALL)
    assert not re.search(r"<(script|link|img|iframe|a)\b| style=| src=[\"']|https?:|url\(", re.sub("&[^;]*;", "", page))
    seen = " ".join(html.unescape(re.sub(r"<[^>]*>", " ", page)).replace(NB, " ").split())
    squeezed = seen.replace(" ", "")
    for line in words_of(sheet_data(*arguments)):
        assert line.replace(" ", "") in squeezed


def test_hostile_names_stay_names():
    """Catches a name that becomes an element, and a word from right to left that turns the numbers beside it."""
    page = pit_sheet_html(page_runs.hostile())
    assert "<script" not in page and "<img" not in page and "<b>" not in page
    assert "<bdi>&quot;שלום&quot;</bdi> onload=x" in page
    assert "\u202e" not in page and "\u2028" not in page


@pytest.mark.parametrize("name", ["sample", "hostile", "crowded"])
def test_the_pdf_is_one_page_of_a4_without_a_date(name):
    """Catches a second page, another paper, a date, and bytes that differ from run to run."""
    arguments = CASES[name]()
    found = pit_sheet_pdf(*arguments)
    assert len(re.findall(rb"/Type /Page\b(?!s)", found)) == 1
    box = re.search(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+)", found)
    assert box and [float(n) for n in box.groups()] == pytest.approx([595.276, 841.89], abs=0.01)
    assert b"CreationDate" not in found and b"ModDate" not in found
    assert pit_sheet_pdf(*arguments) == found


@pytest.mark.parametrize("name", CASES)
def test_the_pdf_holds_every_line_within_the_paper(name):
    """Catches lines that were laid out and never drawn, and any that stand off the sheet or in the margin."""
    sheet = sheet_data(*CASES[name]())
    figure = drawn(sheet)
    texts = [(*one.get_position(), one.get_text().lstrip("\u200e")) for one in figure.texts]
    assert all(0.04 < x < 0.96 and 0.03 < y < 0.97 for x, y, _ in texts)
    left = [text for *_, text in texts]
    for line in words_of(sheet):
        if line.isascii() or ELLIPSIS in line and line.rstrip(ELLIPSIS).isascii():
            left.remove(line)
    foot = [y for *_, y, text in texts if text == sheet.promise.lines[0]]
    others = [y for *_, y, text in texts if text not in (*sheet.promise.lines, *sheet.cautions.lines)]
    assert foot and min(others) > foot[0]


def test_letters_the_typeface_lacks_do_not_stop_the_pdf(recwarn):
    """Catches a warning or an empty box for a letter that is not there, and mathematics started by a dollar sign."""
    found = drawn(sheet_data(page_runs.hostile()))
    texts = [one.get_text() for one in found.texts]
    assert any("?" in text and "onload" in text for text in texts) and any("$HOME" in text for text in texts)
    assert pit_sheet_pdf(page_runs.hostile()) and not [one for one in recwarn if "lyph" in str(one.message)]
