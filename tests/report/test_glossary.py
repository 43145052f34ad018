"""The glossary: every metric explained once, and told alike wherever it is shown."""

from __future__ import annotations

from pathlib import Path

import pytest
from sample_run import run

from explorer.model.metrics import CAR_METRICS, PHASE_METRICS
from explorer.report.document import report
from explorer.report.glossary import _SAID, glossary, glossary_table, glossary_text
from explorer.report.page.build import report_page
from explorer.report.page.markup import text

README = Path(__file__).parents[2] / "README.md"
NAMES = [metric.name for metric in (*CAR_METRICS, *PHASE_METRICS)]


def test_every_metric_is_explained_and_nothing_else() -> None:
    """Catches a metric without a line, a line without a metric, and one without a unit, a sign or a feel."""
    lines = glossary()
    assert sorted(line.name for line in lines) == sorted(set(NAMES)) == sorted(_SAID)
    assert all(cell.strip() for line in lines for cell in line.cells)
    units = {metric.name: metric.unit or "-" for metric in (*CAR_METRICS, *PHASE_METRICS)}
    assert {line.name: line.unit for line in lines} == units


def test_the_readme_holds_the_glossary_of_the_code() -> None:
    """Catches a table in the README that says something else than the program."""
    told = README.read_text(encoding="utf-8")
    start, end = told.index("<!-- glossary -->\n"), told.index("\n<!-- end of glossary -->")
    assert told[start:end].removeprefix("<!-- glossary -->\n") == glossary_table()


@pytest.mark.parametrize("line", glossary(), ids=lambda line: line.name)
def test_every_place_shows_every_line(line, pages) -> None:
    """Catches a report, a page or a terminal that leaves a metric unexplained."""
    markdown, page, terminal = pages
    escaped = glossary_table().splitlines()[2 + [one.name for one in glossary()].index(line.name)]
    assert escaped in markdown
    assert text(line.felt).code in page and line.name in page
    assert f"{line.label}" in terminal and line.felt in terminal and line.sign in terminal


@pytest.fixture(scope="module")
def pages() -> tuple[str, str, str]:
    """The report, the page and the terminal's text."""
    return report(run()), report_page(run()), glossary_text()
