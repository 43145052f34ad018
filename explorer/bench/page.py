"""The benchmark's tables and page: every line beside its bar, with spread, and what the machine was."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from explorer.bench import runner
from explorer.bench.plan import Measured, Step, measure_all
from explorer.bench.runner import Ratio
from explorer.report import words
from explorer.runs.artefacts import MODEL_VERSION, RunFolder

MET = {True: "met", False: "missed", None: ""}


def ratios_table(ratios: Sequence[Ratio]) -> pd.DataFrame:
    """One row per line; `bar`, `good_side` and `met` are empty where there is no bar."""
    rows = [
        {"what": r.what, "value": r.value, "low": r.low, "high": r.high, "bar": r.bar, "good_side": _side(r),
         "met": r.met}
        for r in ratios
    ]  # fmt: skip
    return pd.DataFrame(rows, dtype=object)


def _side(ratio: Ratio) -> str | None:
    if ratio.bar is None:
        return None
    return "at most" if ratio.at_most else "at least"


def _bar(ratio: Ratio) -> str:
    return "" if ratio.bar is None else f"{_side(ratio)} {_number(ratio.bar)}"


def _number(value: float) -> str:
    return f"{value:,.0f}" if 1e3 <= abs(value) < 1e9 else f"{value:.3g}"


def _seconds(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def page(found: Measured, study: str) -> str:
    """The page in markdown."""
    machine = runner.machine()
    lines = [
        "# Bench",
        f"Every figure in a fresh process, one run, study {words.escape(study)}, {machine['cores']} cores "
        f"({machine['machine']}), Python {machine['python']}, model version {MODEL_VERSION}. CPU time decides; other "
        "work on the machine shows in the spread. Lines without a bar are for information. Optuna and SALib are used "
        "plainly: whole generations or samples through the vectorised model, nothing of ours in between.",
    ]
    table = [
        [r.what, _number(r.value), f"{_number(r.low)} to {_number(r.high)}", _bar(r), MET[r.met]]
        for r in found.ratios
    ]  # fmt: skip
    lines.append(words.table(["ratio or figure", "median", "spread", "bar", ""], table, right=(1,)))
    figures = [
        [str(r["task"]), f"{r['cpu_s']:.2f}", _seconds(r["evaluation_cpu_s"]), _seconds(r["analysis_cpu_s"]),
         f"{r['wall_s']:.2f}", f"{r['peak_mb']:.0f}", f"{int(r['setups']):,}" if r["setups"] else "-"]
        for r in found.rows
    ]  # fmt: skip
    headers = ["task", "CPU, s", "of it evaluation, s", "of it analysis, s", "wall, s", "peak, MB", "setups"]
    lines.append(words.table(headers, figures, right=(1, 2, 3, 4, 5, 6)))
    if found.skipped:
        lines += ["Not measured:", "\n".join(f"- {words.escape(text)}" for text in found.skipped)]
    return "\n\n".join(lines) + "\n"


def run_bench(
    study: Path, folder: Path, sizes: Sequence[int], repeats: int, progress: Step, overwrite: bool = False
) -> tuple[Path, int]:
    """Measure, and write `tables/ratios.csv`, `tables/figures.csv` and `report.md`.

    Returns the folder and how many bars were missed.
    """
    with RunFolder(folder, overwrite=overwrite) as run:
        found = measure_all(study, sizes, repeats, progress)
        run.csv("ratios", ratios_table(found.ratios))
        run.csv("figures", pd.DataFrame(found.rows, dtype=object))
        run.text("report.md", page(found, study.name))
        missed = sum(ratio.met is False for ratio in found.ratios)
        run.finish(
            {"study": "bench", "counts": {"ratios": len(found.ratios), "missed": missed}, "machine": runner.machine()}
        )
    return run.root, missed
