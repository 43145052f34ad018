"""The page in a real browser: it works from a disk, its views are linked, and everybody can read it."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from report import page_runs

from explorer.report.words import flat

pytestmark = pytest.mark.browser

SELECTED = "() => selectedRows()"
LIT = "() => JSON.parse(document.getElementById('scatter').dataset.lit)"
LISTED = "() => [...document.querySelectorAll('#list tbody tr')].map((line) => Number(line.dataset.row))"
LINED = """() => ['front', 'base', 'pick'].map((kind) => (
  document.querySelector('.line-' + kind).getAttribute('d').split('M').length - 1))"""


def settled(page: Any) -> None:
    """Wait until the points say what the selection says."""
    page.wait_for_function(f"() => JSON.stringify(({LIT})()) === JSON.stringify(selectedRows())")


@pytest.mark.parametrize("name", ["run", "nothing", "hostile", "big", "mapped"])
def test_it_opens_from_a_disk_without_a_request_or_a_fault(opened: Callable[..., Any], name: str) -> None:
    """Catches a page that needs a network, breaks its own policy, or throws."""
    one = opened(name)
    one.page.locator("#theme").click()
    one.page.locator("#car-choice").select_option(index=1)
    assert one.asked == [] and one.faults == []


def test_a_box_over_the_points_selects_in_lines_and_list(opened: Callable[..., Any]) -> None:
    """Catches views that are not linked, or linked to the wrong rows."""
    page = opened("big").page
    page.locator("#scatter").scroll_into_view_if_needed()
    panel = page.locator("#scatter .panel .frame").first.bounding_box()
    x, y, wide, tall = panel["x"], panel["y"], panel["width"], panel["height"]
    page.mouse.move(x + 0.3 * wide, y + 0.02 * tall)
    page.mouse.down()
    page.mouse.move(x + 0.6 * wide, y + 0.5 * tall, steps=4)
    page.mouse.move(x + 0.995 * wide, y + 0.98 * tall, steps=4)
    page.mouse.up()
    page.wait_for_function("() => state.box !== null")
    settled(page)
    rows = page.evaluate(SELECTED)
    inside = page.evaluate("() => { const { low, high } = scaleOf(D.scatter[0], 0, 1); return [low, high]; }")
    least = inside[0] + 0.3 * (inside[1] - inside[0])
    lags = page.evaluate("() => D.values.map((row) => row[D.scatter[0]])")
    assert 0 < len(rows) < 3000
    assert min(lags[row] for row in rows) > least - 1.0
    assert page.evaluate(LISTED) == rows[:40]
    assert f"{len(rows):,} of 3,000 drawn setups" in page.locator("#list-said").inner_text()
    kinds = page.evaluate(
        "(rows) => [rows.filter((r) => D.front[r] && !D.marks[r]).length, "
        "rows.filter((r) => D.marks[r] === 'B').length, rows.filter((r) => D.marks[r] && D.marks[r] !== 'B').length]",
        rows,
    )
    assert page.evaluate(LINED) == kinds
    page.locator("#clear").click()
    settled(page)
    assert len(page.evaluate(SELECTED)) == 3000


def test_a_drag_along_an_axis_selects_in_the_points_and_the_list(opened: Callable[..., Any]) -> None:
    """Catches an axis that is brushed upside down, and points that do not follow."""
    page = opened("run").page
    axis = page.locator("#lines .hit").nth(0)
    axis.scroll_into_view_if_needed()
    box = axis.bounding_box()
    middle, top = box["x"] + box["width"] / 2, box["y"]
    page.mouse.move(middle, top + 2)
    page.mouse.down()
    page.mouse.move(middle, top + 0.2 * box["height"], steps=4)
    page.mouse.up()
    settled(page)
    rows = page.evaluate(SELECTED)
    bars = page.evaluate("(rows) => rows.map((row) => levelText(row, 0))", rows)
    assert set(bars) == {"1.4"} and len(rows) == 3
    assert page.evaluate(LISTED) == rows


def test_selecting_works_from_the_keyboard(opened: Callable[..., Any]) -> None:
    """Catches views that only a mouse can narrow, and a level read by its place instead of its name."""
    page = opened("run").page
    page.locator("#narrow-axis").focus()
    page.keyboard.press("Home")
    page.keyboard.press("Tab")
    page.keyboard.type("1.0")
    page.keyboard.press("Tab")
    page.keyboard.type("1.2")
    page.keyboard.press("Enter")
    settled(page)
    bars = page.evaluate("() => selectedRows().map((row) => levelText(row, 0))")
    assert set(bars) == {"1.0", "1.2"} and len(bars) == 6


@pytest.mark.parametrize("name", ["run", "hostile", "big"])
def test_the_shortlist_shown_is_that_of_the_csv(opened: Callable[..., Any], folder: Path, name: str) -> None:
    """Catches a shortlist on the page that differs from shortlist.csv."""
    page = opened(name).page
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    knobs = page.evaluate("() => D.knobs.length")
    shown = page.locator("#shortlist tbody tr")
    assert shown.count() == len(rows) + 1
    for place, row in enumerate(rows):
        cells = [flat(text) for text in shown.nth(place).locator("td").all_inner_texts()]
        wanted = [flat(value.removeprefix("'")) for value in list(row.values())[3 : 3 + knobs]]
        assert cells[:knobs] == wanted
        assert float(cells[knobs]) == pytest.approx(float(row["lag_ms"]), abs=0.051)


def test_hostile_names_show_as_text(opened: Callable[..., Any]) -> None:
    """Catches a name that runs, draws or hides something in any view, also after a brush and in the drawing."""
    one = opened("hostile")
    page = one.page
    page.locator("#list tr[data-row='2'] button").first.click()
    page.locator("#narrow-low").fill("1.0")
    page.locator("#narrow button[type=submit]").click()
    settled(page)
    assert page.evaluate("() => window.hit") is None and page.locator("img").count() == 0
    for place in ("#answer", "#front", "#car"):
        assert flat(page_runs.LEVEL) in flat(page.locator(place).inner_text())
    assert page_runs.KNOB in page.locator("#list thead").inner_text()
    assert page.title().startswith(flat(page_runs.STUDY))
    assert one.faults == []


def test_a_setup_is_copied_as_the_command_takes_it(opened: Callable[..., Any]) -> None:
    """Catches a copy button that copies nothing, or another setup."""
    one = opened("run", permissions=["clipboard-read", "clipboard-write"])
    one.page.locator("#shortlist button").nth(0).click()
    one.page.wait_for_selector("#said.shown")
    line = "--set front_bar=1.4 --set rear_spring=0.72"
    assert line in one.page.locator("#said").inner_text()
    assert one.page.evaluate("() => navigator.clipboard.readText()") == line


def test_the_car_of_another_setup_is_drawn_from_its_numbers(opened: Callable[..., Any]) -> None:
    """Catches a drawing that stays on the first setup, or a table that does not follow it."""
    page = opened("mapped").page
    page.evaluate("() => { D.detail[5][8] = 1.5; D.detail[5][0] = D.heaviest; showCar(5); }")
    figure = page.locator(".phase").first
    assert figure.locator("[data-put=roll_deg]").inner_text() == "1.5 deg"
    assert float(figure.locator("[data-bar=front_inner_load_n]").get_attribute("height")) == page.evaluate(
        "D.barHeight"
    )
    turn = figure.locator("[data-turn=roll_deg]").first.get_attribute("transform")
    assert turn.startswith("rotate(4.50 ")
    assert page.locator(".car-numbers tbody tr").first.locator("td").nth(0).inner_text() == page.evaluate(
        "number(D.heaviest, 2)"
    )


def test_every_two_knobs_have_their_map(opened: Callable[..., Any]) -> None:
    """Catches a choice of knobs that shows another map, or none."""
    page = opened("mapped").page
    for a, b in ((0, 1), (0, 2), (2, 1)):
        for metric in (0, 1):
            page.locator("[data-choose=metric]").select_option(str(metric))
            page.locator("[data-choose=a]").select_option(str(a))
            page.locator("[data-choose=b]").select_option(str(b))
            shown = page.locator(".map:visible")
            assert shown.count() == 1
            assert {shown.get_attribute("data-a"), shown.get_attribute("data-b")} == {str(a), str(b)}
            assert shown.get_attribute("data-metric") == str(metric)
    page.locator("[data-choose=b]").select_option("2")
    assert "two different knobs" in page.locator(".chooser .said").inner_text()


def test_print_shows_tables_and_still_drawings(opened: Callable[..., Any]) -> None:
    """Catches a print-out of buttons and empty views, or one without the front."""
    page = opened("run", color_scheme="dark").page
    page.emulate_media(media="print")
    for hidden in ("#scatter", "#lines", "#list", "#theme", "#narrow", "nav"):
        assert not page.locator(hidden).is_visible(), hidden
    assert page.locator("button:visible").count() == 0
    assert page.locator(".still table").is_visible() and page.locator(".scatter-still").is_visible()
    assert page.evaluate("() => getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.evaluate("() => getComputedStyle(document.body).color") == "rgb(0, 0, 0)"


def test_without_scripts_tables_and_drawings_stand_in(opened: Callable[..., Any]) -> None:
    """Catches a page that is empty where scripts are off."""
    page = opened("run", script=False).page
    assert page.locator(".still table").is_visible() and page.locator(".scatter-still").is_visible()
    assert not page.locator("#scatter").is_visible() and not page.locator("#theme").is_visible()
    assert page.locator(".map").first.is_visible() and page.locator(".axle").first.is_visible()
    assert page.locator("noscript p").is_visible()


@pytest.mark.parametrize("name", ["run", "nothing", "hostile", "big"])
def test_a_phone_never_scrolls_sideways(opened: Callable[..., Any], name: str) -> None:
    """Catches a table or a name that widens the page at 390 px."""
    page = opened(name, width=390).page
    assert page.evaluate("() => document.documentElement.scrollWidth") <= 390
    assert page.locator("details.fold[open]").count() == 0
    page.locator(".contents a").first.click()
    assert page.locator("details.fold[open]").count() == 1
    page.evaluate("() => document.querySelectorAll('details.fold').forEach((one) => { one.open = true; })")
    assert page.evaluate("() => document.documentElement.scrollWidth") <= 390
    wide = "() => [...document.querySelectorAll('main .cards, main .fits')].filter((t) => t.offsetWidth > 390).length"
    assert page.evaluate(wide) == 0
    label = "(cell) => [getComputedStyle(cell, '::before').content, cell.dataset.label]"
    shown, said = page.locator("#shortlist tbody td").first.evaluate(label)
    assert said and said in shown


def test_the_answer_needs_no_scrolling(opened: Callable[..., Any]) -> None:
    """Catches a first screen that pushes the shortlist below 800 px."""
    page = opened("run").page
    assert page.evaluate("() => document.getElementById('shortlist').getBoundingClientRect().bottom") <= 800


def test_the_first_tab_leads_past_the_head(opened: Callable[..., Any]) -> None:
    """Catches a missing skip link and a focus that cannot be seen."""
    page = opened("run").page
    page.keyboard.press("Tab")
    assert page.evaluate("() => document.activeElement.className") == "skip"
    assert page.locator(".skip").bounding_box()["x"] >= 0
    page.keyboard.press("Enter")
    assert page.evaluate("() => document.activeElement.id") == "main"
    page.keyboard.press("Tab")
    width = "() => parseFloat(getComputedStyle(document.activeElement).outlineWidth)"
    assert page.evaluate(width) >= 2


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["run", "nothing", "hostile"])
def test_no_serious_fault_of_access(opened: Callable[..., Any], name: str, scheme: str) -> None:
    """Catches low contrast, unnamed controls, broken tables: what axe-core calls serious or critical."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
    page = opened(name, color_scheme=scheme).page
    page.evaluate("() => document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    found = axe.Axe().run(page).response["violations"]
    bad = [
        (one["id"], [node["html"][:160] for node in one["nodes"]][:3])
        for one in found
        if one["impact"] in ("serious", "critical")
    ]
    assert bad == []
