"""What exactness costs, measured: every figure in a fresh process, ratios within one run.

`python -m explorer.bench.runner TASK ...` runs one task of `tasks` and prints its figures as one line of JSON;
`measure` starts them, `plan` puts them side by side and `page` writes the page. CPU time decides; wall time is given
too.
"""

from __future__ import annotations

import dataclasses
import json
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from explorer.domain.errors import ExplorerError

REPEATS = 3


@dataclasses.dataclass(frozen=True)
class Figures:
    """One task's figures over its repeats: CPU and wall seconds, peak memory [bytes], and what it says of itself."""

    task: str
    cpu: tuple[float, ...]
    wall: tuple[float, ...]
    peak: int
    facts: dict[str, Any]

    @property
    def median_cpu(self) -> float:
        """Median CPU time. [s]"""
        return statistics.median(self.cpu)

    @property
    def median_wall(self) -> float:
        """Median wall time. [s]"""
        return statistics.median(self.wall)


@dataclasses.dataclass(frozen=True)
class Ratio:
    """One line of the table: `value` against its `bar`; `at_most` says which side is good. Without a bar (None) the
    line is for information."""

    what: str
    value: float
    low: float
    high: float
    bar: float | None = None
    at_most: bool = True

    @property
    def met(self) -> bool | None:
        """Whether the bar is met; None without one."""
        if self.bar is None:
            return None
        return self.value <= self.bar if self.at_most else self.value >= self.bar


def single(what: str, value: float, bar: float | None = None, at_most: bool = True) -> Ratio:
    """A line measured once."""
    return Ratio(what, value, value, value, bar, at_most)


def spread(what: str, values: list[float], bar: float | None = None, at_most: bool = True) -> Ratio:
    """A line measured several times: the median with its extremes."""
    return Ratio(what, statistics.median(values), min(values), max(values), bar, at_most)


def measure(
    task: str, *arguments: str, repeats: int = REPEATS, threads: int = 0, environment: Mapping[str, str] | None = None
) -> Figures:
    """Run a task in fresh processes, with further environment variables. Raises ExplorerError when it fails."""
    variables = {**os.environ, **(environment or {})}
    if threads:
        variables["NUMBA_NUM_THREADS"] = str(threads)
    runs = []
    for _ in range(repeats):
        done = subprocess.run(
            [sys.executable, "-m", "explorer.bench.runner", task, *arguments],
            capture_output=True,
            text=True,
            env=variables,
        )
        if done.returncode:
            raise ExplorerError(f"benchmark {task} failed: {done.stderr.strip().splitlines()[-1:]}")
        runs.append(json.loads(done.stdout.strip().splitlines()[-1]))
    return Figures(
        task,
        tuple(run["cpu"] for run in runs),
        tuple(run["wall"] for run in runs),
        max(int(run["peak"]) for run in runs),
        {name: value for name, value in runs[-1].items() if name not in ("cpu", "wall", "peak")},
    )


def command_times(arguments: list[str], cold: bool = False, repeats: int = REPEATS) -> tuple[list[float], list[float]]:
    """CPU and wall seconds of whole commands of the program; `cold` gives each an empty compile cache. [s]

    Raises ExplorerError when the command fails: a quick failure is no quick command.
    """
    cpu, wall = [], []
    for _ in range(repeats):
        with tempfile.TemporaryDirectory(prefix="setup-space-cache-") as folder:
            environment = dict(os.environ)
            if cold:
                environment["NUMBA_CACHE_DIR"] = folder
            before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
            _command(arguments, environment)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            wall.append(time.perf_counter() - start)
            cpu.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return cpu, wall


def tables_times(study: Path, repeats: int = REPEATS) -> list[float]:
    """Wall seconds from the start of `run STUDY` until its last table is on the disk; figures come after it. [s]

    Raises ExplorerError when the command fails or writes no table.
    """
    wall = []
    for _ in range(repeats):
        with tempfile.TemporaryDirectory(prefix="setup-space-run-") as folder:
            start = time.time()
            _command(["run", str(study), "--out", str(Path(folder) / "out")], dict(os.environ), allowed=(0, 3))
            written = [path.stat().st_mtime for path in (Path(folder) / "out" / "tables").glob("*")]
            if not written:
                raise ExplorerError(f"a run of {study.name} wrote no table")
            wall.append(max(written) - start)
    return wall


def _command(arguments: list[str], environment: dict[str, str], allowed: tuple[int, ...] = (0,)) -> None:
    done = subprocess.run([sys.executable, "-m", "explorer", *arguments], capture_output=True, env=environment)
    if done.returncode not in allowed:
        raise ExplorerError(f"benchmark command {' '.join(arguments)} failed with code {done.returncode}")


def machine() -> dict[str, Any]:
    """What the figures were taken on."""
    return {"cores": os.cpu_count() or 0, "python": platform.python_version(), "machine": platform.machine()}


def peak_memory() -> int:
    """Most memory this process has held. [bytes] The system's own record where there is one: what `getrusage` says
    starts from the parent's memory."""
    try:
        lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM:"))


def main() -> None:
    """Run one task and print its figures."""
    from explorer.bench.tasks import TASKS

    task, *arguments = sys.argv[1:]
    figures = TASKS[task](*arguments)
    figures["peak"] = peak_memory()
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
