"""The same bytes from a real scheduler and worker processes on loopback, also when one of them dies."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import numpy as np
import pytest
from distributed import Client, LocalCluster

from explorer.config import load_study
from explorer.errors import SpaceError
from explorer.space import Space
from explorer.study.cluster import cluster, maker
from explorer.study.limits import resolve_limits
from explorer.study.stream import Streamed, stream

STUDY = Path(__file__).parents[2] / "configs" / "2wd_dusty.toml"
ASKED = ("lag_ms", "grip_margin_pct")
CHUNK = 700


@pytest.fixture(scope="module")
def space() -> Space:
    return load_study(STUDY).space


@pytest.fixture(scope="module")
def here(space: Space) -> Streamed:
    return stream(space, resolve_limits(space), ASKED, chunk=CHUNK)


def same(one: Streamed, other: Streamed) -> None:
    np.testing.assert_array_equal(one.front.positions, other.front.positions)
    np.testing.assert_array_equal(one.front.values, other.front.values)
    np.testing.assert_array_equal(one.counts.broken, other.counts.broken)
    for name in ASKED:
        assert one.store.column(name).tobytes() == other.store.column(name).tobytes()


def test_two_workers_give_the_same_bytes(space: Space, here: Streamed) -> None:
    """Catches a merge that depends on order, and a worker that computes with other settings."""
    with cluster(workers=2) as parts:
        same(stream(space, resolve_limits(space), ASKED, chunk=CHUNK, maker=parts), here)


def test_a_worker_killed_midway_changes_nothing(space: Space, here: Streamed) -> None:
    """Catches chunks lost or counted twice with a worker that dies."""
    with (
        LocalCluster(
            n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, env={"NUMBA_NUM_THREADS": "1"}
        ) as own,
        Client(own) as client,
    ):
        pids = list(client.run(os.getpid).values())
        killed: list[int] = []

        def kill_one(stage: str, done: int, total: int) -> None:
            if not killed and done > total // 3:
                os.kill(pids[0], signal.SIGKILL)
                killed.append(pids[0])

        found = stream(space, resolve_limits(space), ASKED, chunk=CHUNK, maker=maker(client), progress=kill_one)
        assert killed and pids[0] not in client.run(os.getpid).values()
    same(found, here)


def test_senseless_clusters_are_refused() -> None:
    """Catches a run that waits for ever on nobody."""
    with pytest.raises(SpaceError, match="either"), cluster():
        pass
    with pytest.raises(SpaceError, match="either"), cluster("tcp://127.0.0.1:1", 2):
        pass
