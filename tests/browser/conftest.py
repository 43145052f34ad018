"""A browser for the pages: Debian's chromium, driven by playwright. Without either, these tests are skipped."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from report import page_runs, sample_run

from explorer.report import tables
from explorer.report.page import report_page
from explorer.runs.artefacts import csv_bytes

RUNS = {
    "run": sample_run.run,
    "nothing": sample_run.nothing,
    "hostile": page_runs.hostile,
    "big": page_runs.big,
    "mapped": page_runs.mapped,
}
PATIENCE_MS = 120_000
"""A shared machine may be slow; nothing here is a test of speed."""


def pytest_configure(config: pytest.Config) -> None:
    """Name the mark, so that `-m "not browser"` leaves these tests out."""
    config.addinivalue_line("markers", "browser: opens the page in a real browser; needs playwright and chromium")


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """One chromium for all tests. Skips with the reason where playwright or chromium is missing."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("no chromium on this machine")
    with playwright.sync_playwright() as started:
        found = started.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield found
        found.close()


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Pages and shortlists of the made-up runs."""
    root = tmp_path_factory.mktemp("pages")
    for name, make in RUNS.items():
        result = make()
        (root / f"{name}.html").write_text(report_page(result), encoding="utf-8")
        (root / f"{name}.csv").write_bytes(csv_bytes(tables.shortlist_table(result)))
    return root


class Opened:
    """A page that was opened: `page`, its `faults` (errors in the console), and `asked`, what it asked of a network."""

    def __init__(self, page: Any, url: str) -> None:
        self.page = page
        self.faults: list[str] = []
        self.asked: list[str] = []
        page.on("console", lambda line: self.faults.append(line.text) if line.type in ("error", "warning") else None)
        page.on("pageerror", lambda fault: self.faults.append(str(fault)))
        page.on("request", lambda request: self.asked.append(request.url) if request.url != url else None)


@pytest.fixture
def opened(browser: Any, folder: Path) -> Iterator[Callable[..., Opened]]:
    """Open a page of `RUNS` from the disk with the network off; contexts are closed afterwards."""
    contexts = []

    def open_one(name: str, width: int = 1280, script: bool = True, **options: Any) -> Opened:
        context = browser.new_context(
            viewport={"width": width, "height": 800}, offline=True, java_script_enabled=script, **options
        )
        contexts.append(context)
        context.set_default_timeout(PATIENCE_MS)
        context.route(lambda url: not url.startswith("file:"), lambda route: route.abort())
        url = (folder / f"{name}.html").as_uri()
        found = Opened(context.new_page(), url)
        found.page.goto(url)
        if script:
            found.page.wait_for_selector("#scatter[data-ready]", state="attached")
        return found

    yield open_one
    for context in contexts:
        context.close()
