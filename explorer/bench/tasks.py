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


def load(path: str) -> Space:
    """The space of a study file without its rules: samplers need knobs that do not hang on each other."""
    from explorer.inputs.load import load_study

    return dataclasses.replace(load_study(Path(path)).space, rules=())


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


def task_optuna(path: str, trials: str = str(OPTUNA_TRIALS)) -> dict[str, Any]:
    """Optuna's NSGA-II, used plainly, over the same model."""
    from explorer.bench.peers import optuna_generations
    from explorer.study.everything.limits import resolve_limits

    space = load(path)
    _warm(space)
    start = now()
    study, evaluated = optuna_generations(space, resolve_limits(space), int(trials))
    return {**since(start), "setups": len(study.trials), "evaluation_cpu": evaluated}


def task_search(path: str) -> dict[str, Any]:
    """Our own search with its usual settings, as for a space that cannot be listed."""
    from explorer.study.everything.limits import resolve_limits
    from explorer.study.questions.search import search_space

    space = load(path)
    _warm(space)
    start = now()
    found = search_space(space, resolve_limits(space))
    return {**since(start), "setups": found.looked, "front": found.front.groups}


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


def task_salib(path: str, base: str = str(SALIB_BASE), second_order: str = "1") -> dict[str, Any]:
    """SALib's own workflow: its sample, the model, its analysis."""
    from explorer.bench.peers import salib_indices

    space = load(path)
    _warm(space)
    start = now()
    _, steps = salib_indices(space, _objectives(space), int(base), bool(int(second_order)))
    return {**since(start), **steps}


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


TASKS: dict[str, Callable[..., dict[str, Any]]] = {
    "front": task_front,
    "scale": task_scale,
    "dask": task_dask,
    "chunk": task_chunk,
    "optuna": task_optuna,
    "search": task_search,
    "exact_indices": task_exact_indices,
    "salib": task_salib,
    "sampled": task_sampled,
}
