"""The tasks of the benchmark; each runs in a process of its own and says what it cost."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from explorer.bench.scale import chunk_costs, finer, grown, now, pass_beside_parts, since, task_overhead
from explorer.domain.space import Space

OPTUNA_TRIALS = 5_000
SALIB_BASE = 8_192
PEER_ROWS = 8_192
COUNTED_SETUPS = 64
COUNT_SEED = 20_261
PEER = Path("tests") / "benchmarks" / "numpy_peer.py"


def load(path: str) -> Space:
    """The space of a study file."""
    from explorer.inputs.load import load_study

    return load_study(Path(path)).space


def counted_rows(space: Space, setups: int) -> np.ndarray:
    """The seeded sample of setups whose arithmetic is counted."""
    chosen = np.random.default_rng(COUNT_SEED).choice(space.size, min(setups, space.size), replace=False)
    return np.sort(chosen)


def _objectives(space: Space) -> tuple[str, ...]:
    return tuple(objective.metric for objective in space.objectives)


def _warm(space: Space) -> None:
    from explorer.study.everything.evaluate import table_of

    table_of(space, np.array([space.baseline]))


def task_front(path: str, setups: str = "0") -> dict[str, Any]:
    """Exact front and counts of a study, by one streaming pass."""
    from explorer.study.everything.limits import resolve_limits
    from explorer.study.everything.stream import stream

    space = load(path) if setups == "0" else grown(load(path), int(setups))
    _warm(space)
    start = now()
    found = stream(space, resolve_limits(space), ())
    return {**since(start), "setups": found.setups, "front": len(found.front)}


def task_kernel(path: str) -> dict[str, Any]:
    """The kernel alone on ready parameter vectors of every setup, the second time: the first pays for new memory."""
    from explorer.bench.scale import kernel_alone

    space = load(path)
    kernel_alone(space)
    return {**kernel_alone(space), "setups": space.size}


def task_scale(path: str, setups: str) -> dict[str, Any]:
    """The same pass over a grown space, beside its kernel and its front alone."""
    return pass_beside_parts(grown(load(path), int(setups)))


def task_dask(path: str, workers: str, setups: str) -> dict[str, Any]:
    """The same pass over a grown space on worker processes."""
    from explorer.study.everything.cluster import cluster
    from explorer.study.everything.limits import resolve_limits
    from explorer.study.everything.stream import stream

    study = load(path)
    space = grown(study, int(setups))
    with cluster(workers=int(workers)) as maker:
        limits = resolve_limits(space)
        small = dataclasses.replace(study, knobs=(*study.knobs[:2], *(finer(k, 2) for k in study.knobs[2:])))
        small = dataclasses.replace(small, baseline=(*study.baseline[:2], *(0.0 for _ in study.knobs[2:])))
        stream(small, limits, (), maker=maker, chunk=64)  # every worker has compiled
        start = now()
        found = stream(space, limits, (), maker=maker)
        return {**since(start), "setups": found.setups, "front": len(found.front)}


def task_chunk(path: str, workers: str) -> dict[str, Any]:
    """What one chunk costs besides its evaluation; with workers also what the scheduler takes for it."""
    from explorer.study.everything.cluster import cluster
    from explorer.study.everything.evaluate import CHUNK
    from explorer.study.everything.limits import resolve_limits
    from explorer.study.everything.stream import part_of

    space = load(path)
    _warm(space)
    start = now()
    costs = chunk_costs(space, _objectives(space))
    if int(workers):
        part = part_of(space, resolve_limits(space), (), False, 0, min(CHUNK, space.size))
        with cluster(workers=int(workers)) as maker:
            costs |= task_overhead(maker, part)
    return {**since(start), **costs}


def task_optuna(path: str) -> dict[str, Any]:
    """NSGA-II over the same model."""
    from explorer.study.everything.limits import resolve_limits
    from explorer.study.questions.search import search_space

    space = load(path)
    space = dataclasses.replace(
        space, settings=dataclasses.replace(space.settings, search_trials=OPTUNA_TRIALS, method="sampled")
    )
    _warm(space)
    start = now()
    found = search_space(space, resolve_limits(space))
    return {**since(start), "setups": len(found.table), "front": found.front.groups}


def task_exact_indices(path: str) -> dict[str, Any]:
    """Exact indices of the objectives: every setup evaluated, then the variance split."""
    from explorer.study.everything.stream import stream
    from explorer.study.questions.exact import exact_indices

    space = load(path)
    _warm(space)
    start = now()
    found = stream(space, (), _objectives(space))
    evaluated = since(start)["cpu"]
    exact_indices(found.store, _objectives(space))
    spent = since(start)
    split = {"evaluation_cpu": evaluated, "analysis_cpu": spent["cpu"] - evaluated}
    return {**spent, **split, "setups": found.setups}


def task_salib(path: str, base: str = str(SALIB_BASE)) -> dict[str, Any]:
    """SALib's own sample, the model, SALib's own analysis with its default intervals, all with second order."""
    from explorer.model.metrics import metric_columns
    from explorer.study.everything.evaluate import CHUNK, evaluate_positions
    from explorer.study.questions.sobol import salib_analysis, salib_setups

    space = load(path)
    wanted = [metric_columns(space.phase_names).index(name) for name in _objectives(space)]
    _warm(space)
    start = now()
    positions = salib_setups(space, int(base))
    sampled = since(start)["cpu"]
    blocks = [evaluate_positions(space, positions[s : s + CHUNK])[0][0] for s in range(0, len(positions), CHUNK)]
    values = np.concatenate([block[:, wanted] for block in blocks])
    evaluated = since(start)["cpu"]
    salib_analysis(space, values, _objectives(space))
    spent = since(start)
    split = {
        "sample_cpu": sampled,
        "evaluation_cpu": evaluated - sampled,
        "analysis_cpu": spent["cpu"] - evaluated,
    }
    return {**spent, **split, "setups": len(positions)}


def task_sampled(path: str, base: str = str(SALIB_BASE)) -> dict[str, Any]:
    """The project's own way at the same N: SALib's sample and estimators, intervals from standard errors."""
    from explorer.study.questions import sobol

    space = load(path)
    settings = dataclasses.replace(
        space.settings,
        sobol_start=int(base),
        sobol_tolerance=1e9,
        sobol_budget=int(base) * (2 * len(space.knobs) + 2),
    )
    space = dataclasses.replace(space, settings=settings)
    _warm(space)
    evaluate, evaluated = sobol.evaluate_positions, [0.0]

    def timed(*arguments: Any) -> Any:
        clock = time.process_time()
        try:
            return evaluate(*arguments)
        finally:
            evaluated[0] += time.process_time() - clock

    sobol.evaluate_positions = timed  # type: ignore[assignment]
    start = now()
    found = sobol.sampled_indices(space, _objectives(space))
    spent = since(start)
    split = {"evaluation_cpu": evaluated[0], "analysis_cpu": spent["cpu"] - evaluated[0]}
    return {**spent, **split, "setups": found.evaluations}


def task_peer(path: str, module: str, setups: str = str(PEER_ROWS)) -> dict[str, Any]:
    """The blocked-numpy yardstick on part of the space, then the kernel on the same part."""
    import importlib.util

    from explorer.study.everything.evaluate import evaluate_positions

    spec = importlib.util.spec_from_file_location("numpy_peer", module)
    assert spec is not None and spec.loader is not None
    peer = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(peer)
    space = load(path)
    _warm(space)
    rows = np.linspace(0, space.size - 1, int(setups)).astype(np.int64)
    positions = space.positions_of(rows)
    vectors = space.parameters(positions)
    start = now()
    peer.evaluate(vectors, space.phases)
    slow = since(start)
    start = now()
    evaluate_positions(space, positions)
    fast = since(start)
    return {**slow, "setups": len(rows), "kernel_cpu": fast["cpu"], "kernel_wall": fast["wall"]}


def task_ceiling() -> dict[str, Any]:
    """Arithmetic that the cores reach on independent multiply-adds. [operations/s]"""
    from explorer.bench.ceiling import ceiling

    start = now()
    found = ceiling()
    return {**since(start), **found}


def task_count(path: str, setups: str = str(COUNTED_SETUPS)) -> dict[str, Any]:
    """Operations of the kernel per setup by kind, and the metrics that came out; needs NUMBA_DISABLE_JIT=1."""
    from explorer.bench.count import count_setups

    space = load(path)
    rows = counted_rows(space, int(setups))
    start = now()
    count = count_setups(space.parameters(space.positions_of(rows)), space.phases)
    found = {"written": count.written, "needed": count.needed, "values": count.values.tolist()}
    return {**since(start), **found, "setups": len(rows)}


TASKS: dict[str, Callable[..., dict[str, Any]]] = {
    "front": task_front,
    "kernel": task_kernel,
    "scale": task_scale,
    "dask": task_dask,
    "chunk": task_chunk,
    "optuna": task_optuna,
    "exact_indices": task_exact_indices,
    "salib": task_salib,
    "sampled": task_sampled,
    "peer": task_peer,
    "ceiling": task_ceiling,
    "count": task_count,
}
