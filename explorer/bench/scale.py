"""Large spaces: the pass over every setup beside its kernel and its front alone, and what a chunk costs to send and
merge."""

from __future__ import annotations

import dataclasses
import pickle
import statistics
import time
from collections.abc import Callable, Iterable
from typing import Any

import numpy as np

from explorer.domain.errors import ModelError
from explorer.domain.space import Knob, Space
from explorer.model.kernel import evaluate_parameters
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import CHUNK, MetricTable, nominal
from explorer.study.everything.front import nondominated, objective_values, scores_of
from explorer.study.everything.limits import ResolvedLimit, feasible, resolve_limits
from explorer.study.everything.stream import Part, Running, part_of, stream

SAMPLE_CHUNKS = 8
"""Chunks on which kernel and front are timed alone, before the pass and again after it."""

EMPTY_TASKS = 400
"""Tasks without work that a cluster is timed on."""


def grown(space: Space, setups: int) -> Space:
    """The same study with finer ride heights, until it has about this many setups; without rules, which name levels."""
    knobs = list(space.knobs)
    places = [k for k, knob in enumerate(knobs) if "ride_height" in knob.name]
    rest = space.full_size
    for place in places:
        rest //= knobs[place].size
    levels = max(2, round((setups / rest) ** (1 / max(1, len(places)))))
    for place in places:
        knobs[place] = finer(knobs[place], levels)
    baseline = tuple(0.0 if k in places else at for k, at in enumerate(space.baseline))
    references = tuple(
        dataclasses.replace(liked, positions=tuple(0.0 if k in places else at for k, at in enumerate(liked.positions)))
        for liked in space.references
    )
    return dataclasses.replace(space, knobs=tuple(knobs), rules=(), baseline=baseline, references=references)


def finer(knob: Knob, levels: int) -> Knob:
    shares = np.linspace(0.0, 1.0, levels)
    first, last = np.array(knob.settings[0]), np.array(knob.settings[-1])
    values = knob.values[0] + shares * (knob.values[-1] - knob.values[0])
    return dataclasses.replace(
        knob,
        labels=tuple(f"{value:.6g}" for value in values),
        values=tuple(float(value) for value in values),
        settings=tuple(tuple(float(v) for v in first + share * (last - first)) for share in shares),
    )


@dataclasses.dataclass
class Alone:
    """Wall and CPU seconds of the kernel and of the front alone over `rows` setups. [s]"""

    rows: int = 0
    kernel_wall: float = 0.0
    kernel_cpu: float = 0.0
    front_wall: float = 0.0
    front_cpu: float = 0.0

    def per_setup(self) -> dict[str, float]:
        """Seconds per setup by name."""
        return {f"{name}_s": value / self.rows for name, value in dataclasses.asdict(self).items() if name != "rows"}


def time_alone(space: Space, limits: tuple[ResolvedLimit, ...], starts: Iterable[int], chunk: int, into: Alone) -> None:
    """Time the kernel on ready parameter vectors, then the front on the metric rows that came out: which setups keep
    the limits, which of them no other beats, and the merge with the chunks before."""
    case, columns = nominal(), metric_columns(space.phase_names)
    held = np.zeros((0, len(space.objectives)))
    for start in starts:
        positions = space.positions(start, min(start + chunk, space.size))
        vectors = space.parameters(positions)
        clock = now()
        values, valid = evaluate_parameters(vectors, space.phases, case.slots, case.factor, case.offset)
        spent = since(clock)
        into.kernel_wall, into.kernel_cpu = into.kernel_wall + spent["wall"], into.kernel_cpu + spent["cpu"]
        table = MetricTable(space, positions, columns, values[0], valid[0])
        clock = now()
        scores = scores_of(objective_values(table), space.objectives)
        scores = scores.T.take(np.flatnonzero(feasible(limits, table)), axis=1).T
        held = np.concatenate([held, scores[nondominated(scores)]])
        held = held[nondominated(held)]
        spent = since(clock)
        into.front_wall, into.front_cpu = into.front_wall + spent["wall"], into.front_cpu + spent["cpu"]
        into.rows += len(positions)


def pass_beside_parts(space: Space, chunk: int = CHUNK, sample: int = SAMPLE_CHUNKS) -> dict[str, Any]:
    """The pass over every setup, with kernel and front timed alone before and after it in the same process.

    `cpu`, `wall` of the pass [s]; `kernel_wall`, `kernel_cpu`, `front_wall`, `front_cpu` scaled to all setups [s];
    `setups`, `front`.
    """
    limits = resolve_limits(space)
    last = max(space.size - chunk, 0)
    starts = np.linspace(0, last, 2 * sample).astype(np.int64).tolist()
    alone = Alone()
    time_alone(space, limits, starts[:1], chunk, Alone())
    time_alone(space, limits, starts[::2], chunk, alone)
    clock = now()
    found = stream(space, limits, (), chunk=chunk)
    spent = since(clock)
    time_alone(space, limits, starts[1::2], chunk, alone)
    scaled = {name.removesuffix("_s"): value * space.size for name, value in alone.per_setup().items()}
    return {**spent, **scaled, "setups": found.setups, "front": len(found.front)}


def chunk_costs(space: Space, asked: tuple[str, ...], chunk: int = CHUNK, sample: int = 8) -> dict[str, Any]:
    """What one chunk costs besides its evaluation: `bytes_sent` when nothing is asked for every setup, `bytes_asked`
    with columns `asked`, and `merge_s`, the median time to take one in, CPU [s]."""
    limits = resolve_limits(space)
    starts = np.linspace(0, max(space.size - chunk, 0), sample).astype(np.int64).tolist()
    plain = [part_of(space, limits, (), False, start, min(start + chunk, space.size)) for start in starts]
    with_columns = part_of(space, limits, asked, False, starts[0], min(starts[0] + chunk, space.size))
    running, merges = Running(space, limits, (), False), []
    for part in plain:
        clock = time.process_time()
        running.add(part)
        merges.append(time.process_time() - clock)
    return {
        "bytes_sent": max(len(pickle.dumps(part)) for part in plain),
        "bytes_asked": len(pickle.dumps(with_columns)),
        "merge_s": statistics.median(merges),
        "chunk": chunk,
    }


@dataclasses.dataclass(frozen=True)
class Ready:
    """Hands back the same part for any chunk: what is left is the scheduler's own work. `mark` tells two apart, for a
    cluster names what it holds by its content."""

    part: Part
    mark: str

    def __call__(self, start: int, stop: int) -> Part:
        return self.part


def task_overhead(maker: Callable[..., Iterable[Part]], part: Part, tasks: int = EMPTY_TASKS) -> dict[str, float]:
    """What a cluster takes per task that computes nothing and sends a part back: `task_wall_s`, and `task_cpu_s` of
    this process, which on a cluster of this machine holds the scheduler and the client. [s]

    Raises ModelError when parts are missing.
    """
    for _ in maker([(k, k + 1) for k in range(20)], Ready(part, "first")):
        pass
    clock = now()
    back = sum(1 for _ in maker([(k, k + 1) for k in range(tasks)], Ready(part, "timed")))
    spent = since(clock)
    if back != tasks:
        raise ModelError(f"{back} of {tasks} parts came back")
    return {"task_wall_s": spent["wall"] / tasks, "task_cpu_s": spent["cpu"] / tasks}


def now() -> tuple[float, float]:
    """CPU and wall clock. [s]"""
    return time.process_time(), time.perf_counter()


def since(start: tuple[float, float]) -> dict[str, Any]:
    """CPU and wall time since `now`. [s]"""
    return {"cpu": time.process_time() - start[0], "wall": time.perf_counter() - start[1]}
