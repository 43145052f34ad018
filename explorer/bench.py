"""What exactness costs, measured: every figure in a fresh process, ratios within one run.

`python -m explorer.bench TASK ...` runs one task and prints its figures as one line of JSON; `measure` starts them and
`ratios` puts them side by side. CPU time decides; wall time is given too.
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
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from explorer.errors import ExplorerError
from explorer.space import Knob, Space

REPEATS = 3
OPTUNA_TRIALS = 5_000
SALIB_BASE = 8_192
PEER_ROWS = 8_192
PEER = Path("tests") / "benchmarks" / "numpy_peer.py"


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
    """One line of the table: `value` against its `bar`; `at_most` says which side is good."""

    what: str
    value: float
    low: float
    high: float
    bar: float
    at_most: bool

    @property
    def met(self) -> bool:
        """Whether the bar is met."""
        return self.value <= self.bar if self.at_most else self.value >= self.bar


def _space(path: str) -> Space:
    from explorer.config import load_study

    return load_study(Path(path)).space


def grown(space: Space, setups: int) -> Space:
    """The same study with finer ride heights, until it has about this many setups."""
    knobs = list(space.knobs)
    places = [k for k, knob in enumerate(knobs) if "ride_height" in knob.name]
    rest = space.full_size
    for place in places:
        rest //= knobs[place].size
    levels = max(2, round((setups / rest) ** (1 / max(1, len(places)))))
    for place in places:
        knobs[place] = _finer(knobs[place], levels)
    baseline = tuple(0.0 if k in places else at for k, at in enumerate(space.baseline))
    references = tuple(
        dataclasses.replace(liked, positions=tuple(0.0 if k in places else at for k, at in enumerate(liked.positions)))
        for liked in space.references
    )
    return dataclasses.replace(space, knobs=tuple(knobs), baseline=baseline, references=references)


def _finer(knob: Knob, levels: int) -> Knob:
    shares = np.linspace(0.0, 1.0, levels)
    first, last = np.array(knob.settings[0]), np.array(knob.settings[-1])
    values = knob.values[0] + shares * (knob.values[-1] - knob.values[0])
    return dataclasses.replace(
        knob,
        labels=tuple(f"{value:.6g}" for value in values),
        values=tuple(float(value) for value in values),
        settings=tuple(tuple(float(v) for v in first + share * (last - first)) for share in shares),
    )


def _objectives(space: Space) -> tuple[str, ...]:
    return tuple(objective.metric for objective in space.objectives)


def _warm(space: Space) -> None:
    from explorer.study.evaluate import table_of

    table_of(space, np.array([space.baseline]))


def task_front(path: str, setups: str = "0") -> dict[str, Any]:
    """Exact front and counts of a study, by one streaming pass."""
    from explorer.study.limits import resolve_limits
    from explorer.study.stream import stream

    space = _space(path) if setups == "0" else grown(_space(path), int(setups))
    _warm(space)
    start = _now()
    found = stream(space, resolve_limits(space), ())
    return {**_since(start), "setups": found.setups, "front": len(found.front)}


def task_dask(path: str, workers: str) -> dict[str, Any]:
    """The same pass on worker processes."""
    from explorer.study.cluster import cluster
    from explorer.study.limits import resolve_limits
    from explorer.study.stream import stream

    space = _space(path)
    with cluster(workers=int(workers)) as maker:
        limits = resolve_limits(space)
        small = dataclasses.replace(space, knobs=(*space.knobs[:2], *(_finer(k, 2) for k in space.knobs[2:])))
        small = dataclasses.replace(small, baseline=(*space.baseline[:2], *(0.0 for _ in space.knobs[2:])))
        stream(small, limits, (), maker=maker, chunk=64)  # every worker has compiled
        start = _now()
        found = stream(space, limits, (), maker=maker, chunk=4096)
        return {**_since(start), "setups": found.setups, "front": len(found.front)}


def task_optuna(path: str) -> dict[str, Any]:
    """NSGA-II over the same model."""
    from explorer.study.limits import resolve_limits
    from explorer.study.search import search_space

    space = _space(path)
    space = dataclasses.replace(
        space, settings=dataclasses.replace(space.settings, search_trials=OPTUNA_TRIALS, method="sampled")
    )
    _warm(space)
    start = _now()
    found = search_space(space, resolve_limits(space))
    return {**_since(start), "setups": len(found.table), "front": found.front.groups}


def task_exact_indices(path: str) -> dict[str, Any]:
    """Exact indices of the objectives: every setup evaluated, then the variance split."""
    from explorer.study.exact import exact_indices
    from explorer.study.limits import resolve_limits
    from explorer.study.stream import stream

    space = _space(path)
    _warm(space)
    start = _now()
    found = stream(space, resolve_limits(space), _objectives(space))
    middle = time.process_time()
    exact_indices(found.store, _objectives(space))
    return {**_since(start), "analysis_cpu": time.process_time() - middle}


def task_salib(path: str) -> dict[str, Any]:
    """Sample and analyse at N = 2^13 with second order, the same three outputs."""
    from explorer.study.sobol import sampled_indices

    space = _space(path)
    settings = dataclasses.replace(
        space.settings,
        sobol_start=SALIB_BASE,
        sobol_tolerance=1e9,
        sobol_budget=SALIB_BASE * (2 * len(space.knobs) + 2),
    )
    space = dataclasses.replace(space, settings=settings)
    _warm(space)
    start = _now()
    found = sampled_indices(space, _objectives(space))
    return {**_since(start), "evaluations": found.evaluations}


def task_peer(path: str, module: str) -> dict[str, Any]:
    """The blocked-numpy yardstick on part of the space, then moocore."""
    import importlib.util

    from explorer.study.evaluate import evaluate_positions

    spec = importlib.util.spec_from_file_location("numpy_peer", module)
    assert spec is not None and spec.loader is not None
    peer = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(peer)
    space = _space(path)
    _warm(space)
    rows = np.linspace(0, space.size - 1, PEER_ROWS).astype(np.int64)
    positions = space.positions_of(rows)
    vectors = space.parameters(positions)
    peer.evaluate(vectors[:64], space.phases)
    start = _now()
    peer.evaluate(vectors, space.phases)
    slow = _since(start)
    start = _now()
    evaluate_positions(space, positions)
    fast = _since(start)
    return {**slow, "setups": len(rows), "kernel_cpu": fast["cpu"], "kernel_wall": fast["wall"]}


def task_ceiling() -> dict[str, Any]:
    """Arithmetic that the cores reach on independent multiply-adds in registers, both cores. [operations/s]"""
    from numba import njit, prange

    @njit(parallel=True, fastmath=True)
    def spin(rounds: int, lanes: int) -> float:
        total = 0.0
        for _job in prange(64):
            x = np.full(lanes, 0.5)
            for _ in range(rounds):
                for k in range(lanes):
                    x[k] = x[k] * 0.999999 + 1e-7
            total += x.sum()
        return total

    spin(10, 64)
    best = 0.0
    for _ in range(5):
        start = time.perf_counter()
        spin(100_000, 64)
        best = max(best, 64 * 100_000 * 64 * 2 / (time.perf_counter() - start))
    return {"cpu": 0.0, "wall": 0.0, "operations_per_s": best}


TASKS: dict[str, Callable[..., dict[str, Any]]] = {
    "front": task_front,
    "dask": task_dask,
    "optuna": task_optuna,
    "exact_indices": task_exact_indices,
    "salib": task_salib,
    "peer": task_peer,
    "ceiling": task_ceiling,
}


def _now() -> tuple[float, float]:
    return time.process_time(), time.perf_counter()


def _since(start: tuple[float, float]) -> dict[str, Any]:
    return {"cpu": time.process_time() - start[0], "wall": time.perf_counter() - start[1]}


def measure(task: str, *arguments: str, repeats: int = REPEATS, threads: int = 0) -> Figures:
    """Run a task in fresh processes. Raises ExplorerError when it fails."""
    environment = dict(os.environ)
    if threads:
        environment["NUMBA_NUM_THREADS"] = str(threads)
    runs = []
    for _ in range(repeats):
        done = subprocess.run(
            [sys.executable, "-m", "explorer.bench", task, *arguments], capture_output=True, text=True, env=environment
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
            done = subprocess.run([sys.executable, "-m", "explorer", *arguments], capture_output=True, env=environment)
            if done.returncode:
                raise ExplorerError(f"benchmark command {' '.join(arguments)} failed with code {done.returncode}")
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            wall.append(time.perf_counter() - start)
            cpu.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return cpu, wall


def machine() -> dict[str, Any]:
    """What the figures were taken on."""
    return {"cores": os.cpu_count() or 0, "python": platform.python_version(), "machine": platform.machine()}


def main() -> None:
    """Run one task and print its figures."""
    task, *arguments = sys.argv[1:]
    figures = TASKS[task](*arguments)
    figures["peak"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
