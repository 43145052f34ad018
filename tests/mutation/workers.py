"""Functions run in forked workers, a few at a time, each with a time limit."""

from __future__ import annotations

import contextlib
import os
import pickle
import resource
import select
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Forked:
    """A worker that is at work, and when it will be stopped (monotonic seconds)."""

    pid: int
    pipe: int
    until: float


def fork(work: Callable[[], Any], seconds: float) -> Forked:
    """Start a function in a forked worker; its answer comes through a pipe."""
    inward, outward = os.pipe()
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        os.close(inward)
        os.setsid()
        target = os.open(os.devnull, os.O_WRONLY)
        os.dup2(target, 1)
        os.dup2(target, 2)
        try:
            answer = ("answer", work())
        except BaseException:
            answer = ("error", traceback.format_exc())
        with os.fdopen(outward, "wb") as stream:
            stream.write(pickle.dumps(answer))
        os._exit(0)
    os.close(outward)
    return Forked(pid, inward, time.monotonic() + seconds)


def wait_any(running: Sequence[Forked]) -> tuple[Forked, Any]:
    """(worker, its answer, or None where it was stopped or died) of the first worker to end."""
    while True:
        until = min(one.until for one in running)
        ready, _, _ = select.select([one.pipe for one in running], [], [], max(0.0, until - time.monotonic()))
        for one in running:
            if one.pipe in ready or time.monotonic() >= one.until:
                return one, _answer(one, one.pipe in ready)


def _answer(worker: Forked, ready: bool) -> Any:
    text = b""
    while ready:
        left = worker.until + 5.0 - time.monotonic()
        readable, _, _ = select.select([worker.pipe], [], [], max(0.0, left))
        part = os.read(worker.pipe, 1 << 20) if readable else b""
        if not part:
            break
        text += part
    os.close(worker.pipe)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(worker.pid, signal.SIGKILL)
    os.waitpid(worker.pid, 0)
    try:
        return pickle.loads(text)
    except (EOFError, pickle.UnpicklingError):
        return None


def used() -> float:
    """Seconds of a core that this process and its ended workers have used: unlike the clock's, about the same on a busy
    machine."""
    both = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return sum(one.ru_utime + one.ru_stime for one in both)


def each_in_turn(
    works: Iterable[tuple[Any, Callable[[], Any], float]], jobs: int, until: float = float("inf")
) -> Iterator[tuple[Any, Any]]:
    """(key, answer) of functions run in workers, so many at a time, as they end; each is given as (key, function,
    seconds). None is begun once all workers have used `until` seconds of a core. Closing the iterator ends those at
    work."""
    waiting, running = iter(works), {}
    try:
        while True:
            while len(running) < jobs and used() < until and (following := next(waiting, None)):
                key, work, seconds = following
                running[fork(work, seconds)] = key
            if not running:
                return
            done, answer = wait_any(list(running))
            yield running.pop(done), answer
    finally:
        for worker in running:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(worker.pid, signal.SIGKILL)
            os.waitpid(worker.pid, 0)
