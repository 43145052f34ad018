"""What the benchmark measures and the bar of each line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from explorer.bench import runner, tasks
from explorer.bench.runner import Figures, Ratio, single, spread
from explorer.domain.errors import ExplorerError

Step = Callable[[str, int, int], None]

HUNDRED_MILLION = 100_000_000
TEN_MILLION = 10_000_000
MILLION = 1_000_000

_COMMANDS = (
    ("--help, wall s", ["--help"], False, 0.7),
    ("first command with an empty compile cache, CPU s", ["show"], True, 20.0),
    ("later command, CPU s", ["show"], False, 20.0),
)
_STEPS = 15


@dataclass
class Measured:
    """Lines with bars, plain figures behind them, and what was not measured and why."""

    steps: int
    progress: Step
    ratios: list[Ratio] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)
    done: int = 0

    def step(self) -> None:
        """One more thing measured."""
        self.done += 1
        self.progress("bench", min(self.done, self.steps), self.steps)

    def run(self, task: str, *arguments: str, label: str = "", **how: Any) -> Figures:
        """Measure a task and note its figures."""
        found = runner.measure(task, *arguments, **how)
        self.step()
        self.rows.append(
            {
                "task": label or task,
                "cpu_s": found.median_cpu,
                "cpu_low_s": min(found.cpu),
                "cpu_high_s": max(found.cpu),
                "evaluation_cpu_s": found.facts.get("evaluation_cpu"),
                "analysis_cpu_s": found.facts.get("analysis_cpu"),
                "wall_s": found.median_wall,
                "peak_mb": found.peak / 1e6,
                "setups": found.facts.get("setups"),
            }
        )
        return found


def ratio_of(what: str, top: Figures, bottom: Figures, bar: float | None, at_most: bool, scale: float = 1.0) -> Ratio:
    """CPU time of `top` over that of `bottom`, times `scale`, median with its extremes over the repeats."""
    pairs = [scale * a / b for a in top.cpu for b in bottom.cpu]
    return Ratio(what, scale * top.median_cpu / bottom.median_cpu, min(pairs), max(pairs), bar, at_most)


def measure_all(study: Path, sizes: Sequence[int], repeats: int, progress: Step) -> Measured:
    """Every line of the page."""
    found = Measured(_STEPS + len(sizes), progress)
    measure_searches(found, str(study), repeats)
    measure_samplers(found, str(study), repeats)
    measure_elsewhere(found, str(study), repeats)
    measure_sizes(found, str(study), sizes)
    measure_commands(found, study, repeats)
    return found


def measure_searches(found: Measured, path: str, repeats: int) -> None:
    """The exact front beside searches: Optuna's, used plainly, and our own."""
    front = found.run("front", path, label="exact front of the study", repeats=repeats)
    label = f"Optuna's NSGA-II used plainly, {tasks.OPTUNA_TRIALS:,} trials"
    optuna = found.run("optuna", path, label=label, repeats=repeats)
    own = found.run("search", path, label="our search, generations and changes", repeats=1)
    found.ratios.append(ratio_of("exact front over Optuna's search, CPU", front, optuna, 1 / 8, True))
    found.ratios.append(ratio_of("exact front over our search, CPU", front, own, None, True))
    speed = front.facts["setups"] / front.median_wall
    found.ratios.append(single("setups per second, all metrics, wall", speed, 250_000.0, at_most=False))


def measure_samplers(found: Measured, path: str, repeats: int) -> None:
    """Exact indices beside SALib's own run and beside our faster one."""
    size = f"N = {tasks.SALIB_BASE:,} with second order, the study's objectives"
    exact = found.run("exact_indices", path, label="exact indices, the study's objectives", repeats=repeats)
    own = found.run("salib", path, label=f"SALib's own sample and analysis at {size}", repeats=repeats)
    label = f"SALib's own at N = {tasks.SALIB_BASE // 8:,}, first and total order only"
    small = found.run("salib", path, str(tasks.SALIB_BASE // 8), "0", label=label, repeats=repeats)
    ours = found.run("sampled", path, label=f"our sampled indices at {size}", repeats=1)
    found.ratios += [
        ratio_of("exact indices over SALib's own sample, evaluation and analysis, CPU", exact, own, 1 / 8, True),
        ratio_of(f"exact indices over {label}, CPU", exact, small, None, True),
        ratio_of("exact indices over our faster sampled indices, CPU", exact, ours, None, True),
        single("share of SALib's own run that evaluates the model", own.facts["evaluation_cpu"] / own.median_cpu),
        single("analysis alone, exact over SALib's own", exact.facts["analysis_cpu"] / own.facts["analysis_cpu"]),
    ]


def measure_elsewhere(found: Measured, path: str, repeats: int) -> None:
    """The same work on one core and on worker processes."""
    size, words = str(MILLION), f"exact front of about {MILLION:,} setups"
    one = found.run("front", path, size, label=f"{words} on one core", threads=1, repeats=repeats)
    both = found.run("front", path, size, label=f"{words} on every core", repeats=repeats)
    walls = [a / b for a in one.wall for b in both.wall]
    gain = one.median_wall / both.median_wall
    found.ratios.append(Ratio("one core over two, wall", gain, min(walls), max(walls), 1.8, False))
    try:
        label = f"{words} on two Dask workers (their CPU time not seen)"
        dask = found.run("dask", path, "2", size, label=label, repeats=1)
        over = dask.median_wall / both.median_wall
        found.ratios.append(single("Dask with two workers over one process, wall", over, 1.5))
        chunk = found.run("chunk", path, "2", label="sending, scheduling and merging chunks", repeats=1)
    except ExplorerError as fault:
        found.skipped.append(f"Dask: {fault}")
        return
    size = f"chunk of {chunk.facts['chunk']:,} setups"
    found.ratios += [
        single(f"bytes sent back per {size}", chunk.facts["bytes_sent"]),
        single(f"bytes sent back per {size}, three columns of it kept", chunk.facts["bytes_asked"]),
        single("merging one chunk, CPU ms", 1000.0 * chunk.facts["merge_s"]),
        single("scheduling one chunk, CPU ms of scheduler and client", 1000.0 * chunk.facts["task_cpu_s"]),
        single("scheduling one chunk, wall ms", 1000.0 * chunk.facts["task_wall_s"]),
    ]


def measure_sizes(found: Measured, path: str, sizes: Sequence[int]) -> None:
    """Grown spaces: time in step with size, memory that does not grow, little time outside kernel and front."""
    before: tuple[int, float] | None = None
    for size in sizes:
        run = found.run("scale", path, str(size), label=f"exact front of about {size:,} setups", repeats=1)
        setups, wall, peak = run.facts["setups"], run.median_wall, run.peak / 1e6
        alone = run.facts["kernel_wall"] + run.facts["front_wall"]
        alone_cpu = run.facts["kernel_cpu"] + run.facts["front_cpu"]
        bars = _bars(size)
        found.ratios += [
            single(f"wall over kernel and front alone, {setups:,} setups", wall / alone, bars[0]),
            single(f"CPU over kernel and front alone, {setups:,} setups", run.median_cpu / alone_cpu),
            single(f"front alone at {setups:,} setups, wall s", run.facts["front_wall"]),
            single(f"peak memory at {setups:,} setups, MB", peak, bars[1]),
        ]
        if before is not None:
            stretched = wall / setups / (before[1] / before[0])
            found.ratios.append(single(f"time per setup, {setups:,} over {before[0]:,}", stretched, 1.15))
        before = setups, wall
    for size in (TEN_MILLION, HUNDRED_MILLION):
        if size not in sizes:
            found.skipped.append(f"{size:,} setups: not asked for")


def _bars(size: int) -> tuple[float | None, float]:
    """Bars of a grown space: wall over kernel and front, and memory [MB]."""
    return (1.3 if size >= TEN_MILLION else None), (2000.0 if size >= HUNDRED_MILLION else 1000.0)


def measure_commands(found: Measured, study: Path, repeats: int) -> None:
    """Whole commands, as a user waits for them."""
    for label, words, cold, bar in _COMMANDS:
        arguments = [*words, str(study)] if words == ["show"] else words
        cpu, wall = runner.command_times(arguments, cold, 1 if cold else repeats)
        found.step()
        found.ratios.append(spread(label, wall if "wall" in label else cpu, bar))
    wall = runner.tables_times(study, repeats)
    found.step()
    found.ratios.append(spread("later run to all tables, figures apart, wall s", wall, 6.0))
