"""The pit sheet in a real browser: on paper one page, on a screen nothing cut off, and no request to anyone."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from report import page_runs, sample_run, sheet_runs

from explorer.report.pit_sheet import pit_sheet_html

pytestmark = pytest.mark.browser

RUNS = {
    "sample": lambda: (sample_run.run(), sheet_runs.changes(sample_run.run()), sheet_runs.ladders()),
    "nothing": lambda: (sample_run.nothing(),),
    "hostile": lambda: (page_runs.hostile(),),
    "crowded": sheet_runs.crowded,
    "one word": lambda: sheet_runs.crowded(long="W" * 120),
}
MEASURES = """() => {
  const main = document.querySelector("main"), box = main.getBoundingClientRect();
  const foot = document.querySelector("footer").getBoundingClientRect();
  const last = [...document.querySelectorAll("section")].at(-1).getBoundingClientRect();
  const cut = [...document.querySelectorAll(".l, .f")].filter(
    (one) => one.scrollWidth > one.clientWidth + 1 || one.scrollHeight > one.clientHeight + 2);
  return {over: main.scrollHeight - main.clientHeight, foot: box.bottom - foot.bottom, gap: foot.top - last.bottom,
          cut: cut.map((one) => one.textContent)};
}"""


@pytest.mark.parametrize("name", RUNS)
def test_one_page_on_paper_and_nothing_cut(browser: Any, tmp_path: Path, name: str) -> None:
    """Catches a second page, a foot pushed off the paper, text hidden without an ellipsis, a request."""
    file = tmp_path / "pit_sheet.html"
    file.write_text(pit_sheet_html(*RUNS[name]()), encoding="utf-8")
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    faults: list[str] = []
    page.on("console", lambda line: faults.append(line.text))
    page.on("request", lambda request: faults.append(request.url) if request.url != file.as_uri() else None)
    page.goto(file.as_uri())
    screen = page.evaluate(MEASURES)
    paper = page.pdf(prefer_css_page_size=True)
    page.emulate_media(media="print")
    printed = page.evaluate(MEASURES)
    page.close()
    assert faults == []
    assert len(re.findall(rb"/Type /Page\b(?!s)", paper)) == 1
    for found in (screen, printed):
        assert found["over"] <= 0 and found["foot"] >= -1 and found["gap"] >= 0 and found["cut"] == []
