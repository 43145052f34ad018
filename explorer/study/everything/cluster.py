"""The same chunks on a Dask cluster: several processes here, or machines elsewhere. The only importer of distributed.

A worker evaluates a chunk and sends back its part; merging happens here, in whatever order the parts arrive. A worker
that dies costs its chunks' time: the scheduler hands them to another. Needs the extra `cluster`.

Whoever reaches a scheduler runs code as the user who started it. Our own one and its workers listen on the loopback
address only; other users of the same machine still reach it. (The library's certificates for one session would close
that, at the price of a cryptography library as one more dependency.)
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from itertools import islice

from distributed import Client, LocalCluster, as_completed

from explorer.domain.errors import SpaceError
from explorer.study.everything.stream import P, PartMaker

AHEAD = 3
"""Chunks handed out per thread of the cluster before the first one is back."""

DEATHS_ALLOWED = 5
"""Workers that may die over one chunk before the run is given up."""


@contextmanager
def cluster(address: str = "", workers: int = 0) -> Iterator[PartMaker]:
    """A way to make parts on a cluster: the one at `address`, or `workers` processes of this machine.

    Raises SpaceError when neither or both are given, or when nobody answers at the address.
    """
    if bool(address) == bool(workers):
        raise SpaceError("name either the address of a cluster or a number of workers")
    if address:
        try:
            client = Client(address, timeout=10)
        except (OSError, ValueError) as fault:
            raise SpaceError(f"no cluster answers at {address}: {fault}") from fault
        with client:
            yield maker(client)
        return
    with (
        LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address=None,
            silence_logs=logging.ERROR,
            env={"NUMBA_NUM_THREADS": "1"},
        ) as own,
        Client(own) as client,
    ):
        yield maker(client)


def maker(client: Client) -> PartMaker:
    """Parts made by the workers of a client, a bounded number at a time, in the order in which they come back."""

    def make(ranges: Iterable[tuple[int, int]], work: Callable[[int, int], P]) -> Iterator[P]:
        everywhere = client.scatter(work, broadcast=True, hash=False)
        threads = max(1, sum(client.nthreads().values()))
        left = iter(ranges)

        def submit(start: int, stop: int) -> object:
            return client.submit(_part, everywhere, start, stop, pure=False, retries=DEATHS_ALLOWED)

        flying = as_completed([submit(*one) for one in islice(left, math.ceil(AHEAD * threads))], with_results=True)
        for future, part in flying:
            future.release()
            for one in islice(left, 1):
                flying.add(submit(*one))
            yield part

    return make


def _part(work: Callable[[int, int], P], start: int, stop: int) -> P:
    return work(start, stop)
