"""The same bytes from a real scheduler and worker processes on loopback, also when one of them dies."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import psutil
import pytest
from distributed import Client, LocalCluster
from study_same import assert_same, assert_same_pass, files_of

from explorer.bench.scale import task_overhead
from explorer.domain.errors import ModelError, SpaceError
from explorer.inputs.load import LoadedStudy, load_study
from explorer.study.everything.cluster import cluster, maker
from explorer.study.everything.limits import resolve_limits
from explorer.study.everything.stream import P, Streamed, part_of, stream
from explorer.study.plan.kinds import Lateral
from explorer.study.plan.plan import make_plan
from explorer.study.plan.scenario_pass import _Some
from explorer.study.plan.screen import _Round
from explorer.study.questions.assumptions import thinned_space

STUDY = Path(__file__).parents[3] / "configs" / "2wd_dusty.toml"
ASKED = ("lag_ms", "grip_margin_pct")
CHUNK = 700


@pytest.fixture(scope="module")
def study() -> LoadedStudy:
    return load_study(STUDY)


@pytest.fixture(scope="module")
def here(study: LoadedStudy) -> Streamed:
    return stream(study.space, resolve_limits(study.space), ASKED, keep_all=True, chunk=CHUNK)


def test_two_workers_give_the_same_bytes(study: LoadedStudy, here: Streamed) -> None:
    """Catches a merge that depends on order, a worker that computes with other settings, a table written from it that
    differs; and a task that costs nothing counted without having come back."""
    limits = resolve_limits(study.space)
    with cluster(workers=2) as parts:
        there = stream(study.space, limits, ASKED, keep_all=True, chunk=CHUNK, maker=parts)
        assert_same_pass(there, here)
        one, other = files_of(study), files_of(study, parts)
        assert one == other, [name for name in one if one[name] != other.get(name)]
        part = part_of(study.space, limits, (), False, 0, CHUNK)
        overhead = task_overhead(parts, part, 50)
        assert 0.0 < overhead["task_cpu_s"] < 0.5 and overhead["task_wall_s"] > 0.0
        with pytest.raises(ModelError, match="49 of 50"):
            task_overhead(lambda ranges, work: list(parts(ranges, work))[1:], part, 50)


def test_a_plan_on_two_workers_is_the_same_to_the_byte(monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches a round of the screen or a last look that stays on one machine, parts merged by when they come back. A
    report from practice is among it, so both beliefs are screened."""
    space = thinned_space(load_study(STUDY.parent / "plan_turf.toml").space, 250)
    unknowns = tuple(u for u in space.unknowns if u.key in ("grip", "front_grip_ratio", "load_sensitivity"))
    seen = (Lateral("sweep", space.baseline, "8.0 m/s2 in the sweep", value=7.8, error=0.2),)
    space = replace(space, unknowns=unknowns, planning=replace(space.planning, scenarios=16, seen=seen))
    limits = resolve_limits(space)
    one = make_plan(space, limits)
    for room in ("scenario_pass", "screen"):
        monkeypatch.setattr(f"explorer.study.plan.{room}.BLOCK_BYTES", 100_000)  # a handful of setups at once
    asked: list[tuple[type, int]] = []
    with cluster(workers=2) as parts:

        def counting(ranges: Iterable[tuple[int, int]], work: Callable[[int, int], P]) -> Iterable[P]:
            found = list(parts(ranges, work))
            asked.append((type(work), len(found)))
            return found

        other = make_plan(space, limits, maker=counting)
    assert {kind for kind, _ in asked} == {_Round, _Some} and all(count > 1 for _, count in asked)
    assert one.shortlist.picks and one.decision.practised is not None
    assert_same(one, other)


def test_a_worker_killed_midway_changes_nothing(study: LoadedStudy, here: Streamed) -> None:
    """Catches chunks lost or counted twice with a worker that dies."""
    with (
        LocalCluster(
            n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, env={"NUMBA_NUM_THREADS": "1"}
        ) as own,
        Client(own) as client,
    ):
        pids = list(client.run(os.getpid).values())
        killed: list[int] = []
        seen: list[int] = []

        def kill_one(stage: str, done: int, total: int) -> None:
            seen.append(done)
            if not killed and done > total // 3:
                os.kill(pids[0], signal.SIGKILL)
                killed.append(pids[0])

        limits = resolve_limits(study.space)
        found = stream(
            study.space, limits, ASKED, keep_all=True, chunk=CHUNK, maker=maker(client), progress=kill_one
        )  # fmt: skip
        assert killed and pids[0] not in client.run(os.getpid).values()
    assert seen[-1] == study.space.size and len(seen) == len(set(seen)) == -(-study.space.size // CHUNK)
    assert_same_pass(found, here)


def test_senseless_clusters_are_refused() -> None:
    """Catches a run that waits for ever on nobody."""
    with pytest.raises(SpaceError, match="either"), cluster():
        pass
    with pytest.raises(SpaceError, match="either"), cluster("tcp://127.0.0.1:1", 2):
        pass


def test_workers_of_this_machine_are_reached_from_it_alone() -> None:
    """Catches a scheduler or worker that listens to the network: whoever reaches it runs code as the user."""
    with cluster(workers=1) as parts:
        assert list(parts([(0, 1)], lambda start, stop: stop)) == [1]
        ours = psutil.Process()
        ports = [c for one in (ours, *ours.children(recursive=True)) for c in one.net_connections(kind="inet")]
        listening = {port.laddr.ip for port in ports if port.status == psutil.CONN_LISTEN}
    assert listening and listening <= {"127.0.0.1", "::1"}
