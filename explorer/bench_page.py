"""The benchmark's table and page: ratios beside their bars, with spread, and what the machine was."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from explorer import bench
from explorer.artefacts import RunFolder
from explorer.bench import Figures, Ratio
from explorer.report import words

Step = Callable[[str, int, int], None]


def ratio_of(what: str, top: Figures, bottom: Figures, bar: float, at_most: bool, scale: float = 1.0) -> Ratio:
    """CPU time of `top` over that of `bottom`, times `scale`, median with its extremes over the repeats."""
    pairs = [scale * a / b for a in top.cpu for b in bottom.cpu]
    return Ratio(what, scale * top.median_cpu / bottom.median_cpu, min(pairs), max(pairs), bar, at_most)


def measure_all(
    study: Path, sizes: Sequence[int], repeats: int, progress: Step
) -> tuple[list[Ratio], list[dict[str, Any]], list[str]]:
    """Every ratio, the plain figures behind them, and what could not be measured and why."""
    rows: list[dict[str, Any]] = []
    skipped: list[str] = []
    steps = 11 + len(sizes)
    done = 0

    def run(task: str, *arguments: str, threads: int = 0, label: str = "", times: int = repeats) -> Figures:
        nonlocal done
        found = bench.measure(task, *arguments, repeats=times, threads=threads)
        done += 1
        progress("bench", done, steps)
        rows.append(
            {
                "task": label or task,
                "cpu_s": found.median_cpu,
                "cpu_low_s": min(found.cpu),
                "cpu_high_s": max(found.cpu),
                "wall_s": found.median_wall,
                "peak_mb": found.peak / 1e6,
                "setups": found.facts.get("setups") or found.facts.get("evaluations"),
            }
        )
        return found

    path = str(study)
    front = run("front", path, label="exact front of the study")
    optuna = run("optuna", path, label=f"Optuna NSGA-II, {bench.OPTUNA_TRIALS:,} trials")
    indices = run("exact_indices", path, label="exact indices, three outputs")
    salib = run("salib", path, label=f"SALib at N = {bench.SALIB_BASE:,} with second order, three outputs", times=1)
    ratios = [
        ratio_of("exact front over Optuna's search, CPU", front, optuna, 1 / 8, True),
        ratio_of("exact indices over SALib's sample and analysis, CPU", indices, salib, 1 / 8, True),
    ]
    if bench.PEER.exists():
        peer = run("peer", path, str(bench.PEER), label="blocked-numpy yardstick, part of the space", times=1)
        ratios.append(
            Ratio("numpy yardstick over the kernel, CPU per setup", *(peer.median_cpu / peer.facts["kernel_cpu"],) * 3,
                  bar=5.0, at_most=False)
        )  # fmt: skip
    else:
        skipped.append(f"numpy yardstick: {bench.PEER} is not here; run from a checkout")
    one = run("front", path, threads=1, label="exact front on one core")
    walls = [a / b for a in one.wall for b in front.wall]
    ratios.append(
        Ratio("one core over two, wall", one.median_wall / front.median_wall, min(walls), max(walls), 1.8, False)
    )
    try:
        dask = run("dask", path, "2", label="exact front on two Dask workers (their CPU time not seen)", times=1)
        ratios.append(
            Ratio("Dask with two workers over one process, wall", *(dask.median_wall / front.median_wall,) * 3,
                  bar=1.5, at_most=True)
        )  # fmt: skip
    except bench.ExplorerError as fault:
        skipped.append(f"Dask: {fault}")
    per_setup: list[tuple[int, float, float]] = []
    for size in sizes:
        grown = run("front", path, str(size), label=f"exact front of about {size:,} setups", times=1)
        per_setup.append((grown.facts["setups"], grown.median_wall, grown.peak / 1e6))
    for (small, first, _), (large, second, peak) in zip(per_setup, per_setup[1:], strict=False):
        stretched = second / large / (first / small)
        ratios.append(Ratio(f"time per setup, {large:,} over {small:,}", *(stretched,) * 3, bar=1.15, at_most=True))
        ratios.append(Ratio(f"peak memory at {large:,} setups, MB", *(peak,) * 3, bar=1000.0, at_most=True))
    ratios.append(
        Ratio("setups per second, all metrics, wall", *(front.facts["setups"] / front.median_wall,) * 3,
              bar=250_000.0, at_most=False)
    )  # fmt: skip
    ceiling = bench.measure("ceiling", repeats=1)
    done += 1
    speed = f"arithmetic ceiling, {ceiling.facts['operations_per_s']:.3g} operations/s"
    nothing = dict.fromkeys(("cpu_s", "cpu_low_s", "cpu_high_s", "wall_s"), 0.0)
    rows.append({"task": speed, **nothing, "peak_mb": ceiling.peak / 1e6, "setups": None})
    skipped.append("share of the arithmetic ceiling: the kernel's arithmetic is not counted yet")
    for label, arguments, cold, bar in (
        ("--help, wall s", ["--help"], False, 0.7),
        ("first command with an empty compile cache, CPU s", ["show", path], True, 20.0),
        ("later command, CPU s", ["show", path], False, 20.0),
    ):
        cpu, wall = bench.command_times(arguments, cold, 1 if cold else repeats)
        done += 1
        progress("bench", min(done, steps), steps)
        shown = wall if "wall" in label else cpu
        ratios.append(Ratio(label, sorted(shown)[len(shown) // 2], min(shown), max(shown), bar, True))
    return ratios, rows, skipped


def ratios_table(ratios: Sequence[Ratio]) -> pd.DataFrame:
    """One row per ratio."""
    rows = [
        {"what": r.what, "value": r.value, "low": r.low, "high": r.high, "bar": r.bar,
         "good_side": "at most" if r.at_most else "at least", "met": r.met}
        for r in ratios
    ]  # fmt: skip
    return pd.DataFrame(rows)


def _bar(ratio: Ratio) -> str:
    return f"{'at most' if ratio.at_most else 'at least'} {ratio.bar:.3g}"


def page(ratios: Sequence[Ratio], rows: Sequence[dict[str, Any]], skipped: Sequence[str], study: str) -> str:
    """The page in markdown."""
    machine = bench.machine()
    lines = [
        "# Bench",
        f"Every figure in a fresh process, one run, study {words.escape(study)}, {machine['cores']} cores "
        f"({machine['machine']}), Python {machine['python']}. CPU time decides; other work on the machine shows in the "
        "spread.",
    ]
    table = [
        [r.what, f"{r.value:.3g}", f"{r.low:.3g} to {r.high:.3g}", _bar(r),
         "met" if r.met else "missed"]
        for r in ratios
    ]  # fmt: skip
    lines.append(words.table(["ratio or figure", "median", "spread", "bar", ""], table, right=(1,)))
    figures = [
        [str(r["task"]), f"{r['cpu_s']:.2f}", f"{r['wall_s']:.2f}", f"{r['peak_mb']:.0f}",
         f"{int(r['setups']):,}" if r["setups"] else "-"]
        for r in rows
    ]  # fmt: skip
    lines.append(words.table(["task", "CPU, s", "wall, s", "peak, MB", "setups"], figures, right=(1, 2, 3, 4)))
    if skipped:
        lines += ["Not measured:", "\n".join(f"- {words.escape(text)}" for text in skipped)]
    return "\n\n".join(lines) + "\n"


def run_bench(study: Path, folder: Path, sizes: Sequence[int], repeats: int, progress: Step) -> tuple[Path, int]:
    """Measure, and write `tables/ratios.csv`, `tables/figures.csv` and `report.md`.

    Returns the folder and how many bars were missed.
    """
    ratios, rows, skipped = measure_all(study, sizes, repeats, progress)
    run = RunFolder(folder)
    run.csv("ratios", ratios_table(ratios))
    run.csv("figures", pd.DataFrame(rows).astype({"setups": "Int64"}))
    run.text("report.md", page(ratios, rows, skipped, study.name))
    missed = sum(not ratio.met for ratio in ratios)
    run.finish({"study": "bench", "counts": {"ratios": len(ratios), "missed": missed}, "machine": bench.machine()})
    return run.root, missed
