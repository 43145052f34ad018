"""The check of the tests itself: faults where they belong, samples that say what they claim, verdicts that are true."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from tests.mutation import mutants, outcome, workers
from tests.mutation.judge import Judges, Verdict
from tests.mutation.mutants import ROOT, Mutant, drawn, files_of, mutants_of, mutated

TOY = '''
"""Text with 1 in it."""
import numpy as np
LIMIT = 2.0

def work(x: float = 1, *, name: str = "a") -> float:
    """Returns 3."""
    y = x
    y = y - 1.0 if x > LIMIT else y
    if x <= 0:
        raise ValueError(f"{x + 1} is not above {0}")
    y += 2
    print(y)
    return np.where(y == 1, y, -y)
'''


@pytest.fixture
def toy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A file of faults to be, outside the project."""
    file = tmp_path / "explorer" / "study" / "toy.py"
    file.parent.mkdir(parents=True)
    file.write_text(TOY, encoding="utf-8")
    monkeypatch.setattr(mutants, "ROOT", tmp_path)
    return "explorer/study/toy.py"


def test_faults_are_put_where_they_belong(toy: str) -> None:
    """Catches faults in text, annotations or messages, kinds that were forgotten, a place counted twice. By hand."""
    found = Counter((one.line, one.kind, one.after) for one in mutants_of(toy))
    assert found == Counter([
        (4, "constant", "LIMIT = 3.0"),
        (6, "constant", "def work(x: float=2, *, name: str='a') -> float:"),
        (9, "dropped", "(left out)"),
        (9, "comparison", "y = y - 1.0 if x <= LIMIT else y"),
        (9, "boundary", "y = y - 1.0 if x >= LIMIT else y"),
        (9, "arithmetic", "y = y + 1.0 if x > LIMIT else y"),
        (9, "constant", "y = y - 0.0 if x > LIMIT else y"),
        (10, "comparison", "if x > 0:"), (10, "boundary", "if x < 0:"), (10, "constant", "if x <= 1:"),
        (11, "dropped", "(left out)"),
        (12, "dropped", "(left out)"), (12, "arithmetic", "y -= 2"), (12, "constant", "y += 3"),
        (13, "dropped", "(left out)"),
        (14, "condition", "return np.where(y == 1, -y, y)"), (14, "comparison", "return np.where(y != 1, y, -y)"),
        (14, "constant", "return np.where(y == 2, y, -y)"),
    ])  # fmt: skip


def test_each_fault_is_one_change_and_can_be_compiled(toy: str) -> None:
    """Catches a fault that changes nothing, two faults that are the same, and trees that Python refuses."""
    plain = ast.unparse(ast.parse(TOY))
    texts = [ast.unparse(mutated(one)) for one in mutants_of(toy)]
    assert len(set(texts)) == len(texts) and plain not in texts
    for one, text in zip(mutants_of(toy), texts, strict=True):
        compile(mutated(one), "toy", "exec")
        lines = zip(plain.split("\n"), text.split("\n"), strict=one.kind != "dropped")
        assert one.kind == "dropped" or sum(a != b for a, b in lines) == 1, one


def test_any_beginning_of_the_draw_is_spread_over_the_files() -> None:
    """Catches a sample that leaves files out or takes some twice as often, and a draw that the seed does not fix."""
    assert not set(files_of()) & set(mutants.LEFT_OUT) and "explorer/model/corner/beam.py" in files_of()
    files = files_of("model/c") + files_of("study/s")
    order = drawn(files, 5)
    whole, share = Counter(one.file for one in order), 0.1
    begun = Counter(one.file for one in order[: int(share * len(order))])
    assert len(set(order)) == len(order) > 500
    assert all(abs(begun[file] - share * count) <= 1.5 for file, count in whole.items())
    assert drawn(files, 5) == order != drawn(files, 6)


FAULT = Mutant("explorer/model/car/parts.py", "work", 3, "arithmetic", "a + b", "a - b", 0)


def test_judges_are_those_that_call_the_function_quickest_first() -> None:
    """Catches tests asked that never reach the fault, slow ones asked first, and one that is no judge asked at all."""
    judges = Judges(False, {"quick": 0.1, "slow": 9.0, "slower": 9.5, "other": 0.2})
    judges.calls["explorer/model/car/parts.py", "work"] = {"quick", "slow", "slower", "fails without a fault"}
    judges.calls["explorer/model/car/parts.py", "Spring.rate"] = {"other"}
    assert judges.of(FAULT, 15.0) == ["quick", "slow"]

    def beside(**change: str) -> Mutant:
        return Mutant(**{**FAULT.__dict__, **change})

    every = ["quick", "other", "slow", "slower"]
    assert judges.of(beside(function="")) == judges.of(beside(function="Spring")) == every
    assert judges.of(beside(function="unknown")) == []
    assert judges.of(beside(file="explorer/model/car/slots.py", function=""), 1.0) == ["quick", "other"]


def test_scores_leave_out_what_nobody_can_see() -> None:
    """Catches equivalent faults counted as misses, a killed one excused all the same, and uncovered code forgotten."""
    entries = [{"file": FAULT.file, "function": "work", "before": "a + b", "after": "a - b", "why": "same"}]
    entries[0]["reason"] = "b is zero"
    other = Mutant(**{**FAULT.__dict__, "before": "a * b"})
    verdicts = [
        Verdict(FAULT, "survived", "", 1.0), Verdict(FAULT, "killed", "test", 1.0), Verdict(other, "survived", "", 1.0),
        Verdict(other, "timeout", "test", 1.0), Verdict(other, "uncovered", "", 0.0), Verdict(other, "killed", "", 0.0),
    ]  # fmt: skip
    score = outcome.score_of(verdicts, entries)
    assert (score.asked, score.seen, score.survived, score.uncovered, score.equivalent) == (6, 3, 1, 1, 1)
    assert score.share == 3 / 5 and score.raw == 3 / 6 and score.interval() == outcome.wilson(3, 5)
    rows = outcome.module_rows(verdicts, {FAULT.file: 40, "explorer/model/car/slots.py": 2}, entries)
    assert [(row["module"], row["made"], row["asked"]) for row in rows][1:] == [
        ("explorer/model/car/slots.py", 2, 0), ("all", 42, 6)
    ]  # fmt: skip


def test_excuses_are_whole_and_those_that_fit_nothing_are_listed(toy: str) -> None:
    """Catches an excuse without a reason, and one whose code has changed: what it excused must be judged anew."""
    for entry in outcome.reasons():
        assert {"file", "function", "before", "why", "reason"} <= set(entry) <= {*entry, "after"}, entry
        assert len(entry["reason"]) > 15 and entry["why"] in ("same", "steps", "chosen"), entry
    fits = {"file": toy, "function": "work", "before": "y += 2", "after": "y -= 2"}
    gone = {"file": toy, "function": "work", "before": "y += 7"}
    assert outcome.stale([fits, gone, {**fits, "file": "explorer/study/gone.py"}], mutants_of(toy)) == [
        "explorer/study/toy.py work: y += 7", "explorer/study/gone.py work: y += 2"
    ]  # fmt: skip


def test_workers_answer_or_are_stopped() -> None:
    """Catches a fault that never ends and takes the whole check with it, and a worker's death taken for an answer."""
    works = [
        ("answers", lambda: 1 + 1, 600.0), ("raises", lambda: 1 / 0, 600.0),
        ("dies", lambda: os._exit(3), 600.0), ("sleeps", lambda: time.sleep(60.0), 0.3),
    ]  # fmt: skip
    found = dict(workers.each_in_turn(works, 2))
    assert found["answers"] == ("answer", 2) and found["dies"] is None and found["sleeps"] is None
    assert found["raises"][0] == "error" and "ZeroDivisionError" in found["raises"][1]
    assert list(workers.each_in_turn(works, 2, until=0.0)) == []


SCRIPT = """
from tests.mutation import judge, mutants
judge.preload()
judges = judge.watch_tests(["tests/model/car/test_parts.py"], 1, compiled=False)
assert len(judges.seconds) > 10 and not judges.unfit, judges.unfit
every = mutants.mutants_of("explorer/model/car/parts.py")
planted = next(one for one in every if one.function == "polar_moment" and one.after.endswith("diameter ** 4 * 32.0"))
blind = [test for test in judges.seconds if test.endswith("::test_coil_spring_of_the_textbook")]
assert len(blind) == 1
for fault, tests in ((planted, judges.of(planted)), (planted, blind)):
    work, seconds = judge.verdict_on(fault, tests, judges)
    (_, answer), = judge.each_in_turn([(0, work, seconds)], 1)
    print(judge._verdict(fault, answer).verdict, fault)
"""


def test_a_planted_fault_is_killed_and_survives_where_it_changes_nothing() -> None:
    """Catches a check that never puts the fault in, and one that calls everything killed (a worker that cannot import
    would look like that): a fault in a bar's twist, asked of the tests of bars and of a test of coil springs."""
    here = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "-c", SCRIPT], cwd=ROOT, env=here, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert [line.split()[0] for line in done.stdout.splitlines()] == ["killed", "survived"], done.stdout
