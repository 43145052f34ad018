"""Killed at any moment a run loses at most the answer it was working on, and ends with the same bytes."""

from __future__ import annotations

import random
import shutil
import signal

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test
from nothing_lost import small_run

from explorer.runs.kept import kept_answers
from explorer.runs.records import ANSWERS, MANIFEST, WORK
from explorer.runs.verify import verify

KILLED = 9


def killed_at_random(server, whole, folder, times: int, seed: int) -> None:
    last = server.ask(folder / "timed")["cpu_s"]
    chance = random.Random(seed)
    struck = 0
    for turn in range(times):
        out = folder / str(turn)
        struck += server.ask(out, kill_after_cpu_s=chance.uniform(0.0, last)).get("signal") == signal.SIGPROF
        for _ in range(chance.randrange(3)):  # and again while it goes on
            ended = server.ask(out, resume=True, kill_after_cpu_s=chance.uniform(0.0, last))
            struck += ended.get("signal") == signal.SIGPROF
        if not (out / MANIFEST).is_file():
            assert server.finish(out) == whole
        assert small_run.files_of(out) == whole
        shutil.rmtree(out)
    assert struck >= times // 2


def test_random_kills(server, whole, tmp_path):
    """Catches an answer lost, counted twice or half read after a kill: a slice of the long test."""
    killed_at_random(server, whole, tmp_path, 3, seed=1)


@pytest.mark.long
def test_two_hundred_random_kills(server, whole, tmp_path):
    killed_at_random(server, whole, tmp_path, 200, seed=2)


def killed_at_renames(server, whole, folder, renames) -> None:
    for turn, at in enumerate(renames):
        out = folder / str(at)
        ended = server.ask(out, kinds=["rename"], kill_at=at, before=bool(turn % 2))
        assert ended.get("signal") == KILLED
        if (out / MANIFEST).is_file():
            assert verify(out).good and not verify(out).kept
        if (out / WORK).is_dir():  # also where the result is in its place and only the clearing up is left
            answers = len(kept_answers(out / WORK))
            found = server.ask(out, resume=True)
            assert found["exit"] == 0 and not found["error"], found
            if answers and not any("was whole" in text for text in found["told"]):
                assert any(f"{answers} answers of the unfinished run were used again" in text for text in found["told"])
        assert small_run.files_of(out) == whole


def test_kills_around_a_commit(server, whole, tmp_path):
    """Catches a commit that a kill tears: a slice of the long test, with the last ones, which move the result."""
    renames = server.ask(tmp_path / "counted", kinds=["rename"])["operations"]
    killed_at_renames(server, whole, tmp_path, [5, small_run.ANSWERS + 1, renames - 1, renames])


@pytest.mark.long
def test_kills_around_every_commit(server, whole, tmp_path):
    renames = server.ask(tmp_path / "counted", kinds=["rename"])["operations"]
    killed_at_renames(server, whole, tmp_path / "after", range(1, renames + 1))
    killed_at_renames(server, whole, tmp_path / "before", range(renames, 0, -1))


def damage(data: bytes, how: str, where: float) -> bytes:
    """An answer's bytes after an accident."""
    place = min(int(where * len(data)), len(data) - 1)
    if how == "truncated":
        return data[:place]
    if how == "flipped":
        return data[:place] + bytes([data[place] ^ (1 << int(where * 997) % 8)]) + data[place + 1 :]
    return {"empty": b"", "zeros": bytes(len(data)), "doubled": data + data}[how]


def machine(server, whole, folder) -> type[RuleBasedStateMachine]:
    """Runs, kills, accidents and resumptions in any order over one folder."""
    counter = iter(range(10**6))

    class Machine(RuleBasedStateMachine):
        def __init__(self) -> None:
            super().__init__()
            self.out = folder / str(next(counter))
            self.damaged: set[str] = set()

        def answers(self) -> list:
            return sorted((self.out / WORK / ANSWERS).glob("*.kept"))

        @rule(at=st.integers(1, 560), before=st.booleans(), resume=st.booleans())
        def run_and_die(self, at: int, before: bool, resume: bool) -> None:
            how = {"resume": True} if resume and not (self.out / MANIFEST).is_file() else {"overwrite": True}
            ended = server.ask(self.out, kill_at=at, before=before, **how)
            assert not ended.get("error"), ended
            self.damaged &= {path.name for path in self.answers()}

        @rule(how=st.sampled_from(["truncated", "flipped", "empty", "zeros", "doubled"]), where=st.floats(0, 1),
              which=st.integers(0, 20))  # fmt: skip
        def accident(self, how: str, where: float, which: int) -> None:
            there = self.answers()
            if there:
                path = there[which % len(there)]
                if path.name not in self.damaged:
                    path.write_bytes(damage(path.read_bytes(), how, where))
                    self.damaged.add(path.name)

        @rule(which=st.integers(0, 20), number=st.integers(0, 12))
        def copied(self, which: int, number: int) -> None:
            there = self.answers()
            if there:
                stage = there[which % len(there)].name.split(".")[0]
                place = there[0].with_name(f"{stage}.{number}.kept")
                if not place.exists():
                    shutil.copyfile(there[which % len(there)], place)
                    self.damaged.add(place.name)

        @rule()
        def go_on(self) -> None:
            if (self.out / WORK).is_dir():
                found = server.ask(self.out, resume=True)
                assert found["exit"] == 0 and not found["error"], found
                told = " ".join(found["told"])
                used = {name for name in self.damaged if int(name.split(".")[1]) < small_run.CHUNKS}
                if "was whole" not in told:
                    assert all(f"{name}: " in told for name in used if not name.startswith("assumptions.")
                               or name == "assumptions.0.kept"), (used, told)  # fmt: skip
                self.damaged = set()
                assert small_run.files_of(self.out) == whole

        @invariant()
        def said(self) -> None:
            if (self.out / MANIFEST).is_file() or (self.out / WORK).is_dir():
                found = verify(self.out)
                assert found.changed == () and (self.damaged <= set(found.damaged) or found.state == "to be moved")

        def teardown(self) -> None:
            self.go_on()

    return Machine


@pytest.mark.parametrize(("examples", "steps"), [(3, 5), pytest.param(30, 10, marks=pytest.mark.long)])
def test_any_order_of_runs_kills_and_accidents(server, whole, tmp_path, examples, steps):
    """Catches a damaged, duplicated or empty answer that is believed, and one that stops a run for good."""
    run_state_machine_as_test(
        machine(server, whole, tmp_path),
        settings=settings(max_examples=examples, stateful_step_count=steps, deadline=None, derandomize=True,
                          suppress_health_check=list(HealthCheck)),
    )  # fmt: skip
