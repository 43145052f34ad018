"""Tests as judges of faults: which tests call which functions, and what they say when one is faulty.

Faults in the model are judged with the model in plain Python, those in the study with the compiled model.

Everything runs in forked workers of a process that has the heavy libraries loaded but nothing of `explorer`: a worker
starts in milliseconds and imports the (faulty) sources afresh. A test that fails without a fault, or takes too long,
is no judge.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib
import importlib.machinery
import importlib.util
import os
import pickle
import signal
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

from tests.mutation.mutants import ROOT, Mutant, mutated
from tests.mutation.workers import each_in_turn

TEST_LIMIT = 6.0
"""Longest time of a test that may be a judge; twice that while its calls are watched. [s]"""
JUDGES_LIMIT = 25.0
"""Longest time that the tests of one fault may take together when none fails; the slowest are left out. [s]"""
FILE_LIMIT = 600.0
"""Longest time of the tests of one file on the clock, watched. [s]"""
PATHS = {"explorer/model": ("tests/model", "explorer/model"), "explorer/study": ("tests/study", "explorer/study")}
"""Where the judges of a room's faults are."""
HEAVY = (
    "numpy", "scipy.stats", "scipy.optimize", "scipy.linalg", "scipy.integrate", "pandas", "numba", "numba.extending",
    "pytest", "hypothesis", "SALib.analyze.sobol", "SALib.sample.sobol", "optuna", "moocore", "pydantic",
)  # fmt: skip


class TooSlow(BaseException):
    """Raised into a test at the end of its time; no `except Exception` of a test or of the program swallows it."""


@dataclass
class Judges:
    """Tests by the functions they call, with their times; those that are no judge, with the reason. `compiled` where
    they use the compiled model, which has no fault then."""

    compiled: bool = False

    seconds: dict[str, float] = field(default_factory=dict)
    calls: dict[tuple[str, str], set[str]] = field(default_factory=lambda: defaultdict(set))
    unfit: dict[str, str] = field(default_factory=dict)
    twin: dict[str, Any] = field(default_factory=dict)
    """What the slow twin answered, by what it was asked: it does not change with a fault."""

    def of(self, mutant: Mutant, most: float = JUDGES_LIMIT) -> list[str]:
        """The tests of a fault, quickest first, together at most so many seconds: those that call its function; for one
        outside any function those that call any of its file or import it, or all where nobody does."""
        found = set(self.calls.get((mutant.file, mutant.function), ()))
        if not mutant.function or mutant.function.split(".")[-1].lstrip("_")[:1].isupper():  # of a module or class
            found = {test for (file, _), tests in self.calls.items() if file == mutant.file for test in tests}
            found |= {test for test in self.seconds if _imports(test.split("::")[0], mutant.file)}
            found = found or set(self.seconds)
        ordered, total = [], 0.0
        for test in sorted(found & set(self.seconds), key=lambda one: (self.seconds[one], one)):
            total += self.seconds[test]
            if total > most:
                break
            ordered.append(test)
        return ordered


@lru_cache
def _imports(test_file: str, file: str) -> bool:
    """True where a test file names a module."""
    path = ROOT / test_file
    return path.is_file() and file.removesuffix(".py").replace("/", ".") in path.read_text(encoding="utf-8")


class _Watch:
    """A pytest plugin: times of the tests, a time limit, and which functions of `explorer` each test calls."""

    def __init__(self, limit: float, watched: bool) -> None:
        self.limit, self.watched = limit, watched
        self.seconds: dict[str, float] = defaultdict(float)
        self.calls: dict[tuple[str, str], set[str]] = defaultdict(set)
        self.bad: dict[str, str] = {}
        self.shared: set[CodeType] = set()
        self.twin_seconds = [0.0]

    def pytest_configure(self, config: Any) -> None:
        from hypothesis import settings

        settings.register_profile("fixed", derandomize=True, database=None, deadline=None)
        settings.load_profile("fixed")

    def _run(self, test: str, shared: bool) -> Iterator[None]:
        seen: set[CodeType] = set()

        def look(frame: FrameType, event: str, argument: Any) -> None:
            if event == "call":
                seen.add(frame.f_code)

        def stop(number: int, frame: FrameType | None) -> None:
            raise TooSlow(f"{test} takes longer than {self.limit:g} s")

        signal.signal(signal.SIGPROF, stop)
        signal.setitimer(signal.ITIMER_PROF, self.limit)
        if self.watched:
            sys.setprofile(look)
        start = time.process_time()
        try:
            yield
        finally:
            self.seconds[test] += time.process_time() - start - self.twin_seconds[0]
            self.twin_seconds[0] = 0.0
            sys.setprofile(None)
            signal.setitimer(signal.ITIMER_PROF, 0.0)
            if shared:  # a fixture of the whole file runs for its first test only
                self.shared |= seen
            for code in seen | self.shared:
                path = os.path.relpath(code.co_filename, ROOT)
                if path.startswith("explorer"):
                    self.calls[path, code.co_qualname.replace(".<locals>", "")].add(test)


def _hooks() -> type[_Watch]:
    """`_Watch` with its hooks marked for pytest, which is loaded only where tests run."""
    import pytest

    class Hooks(_Watch):
        @pytest.hookimpl(hookwrapper=True)
        def pytest_runtest_setup(self, item: Any) -> Iterator[None]:
            yield from self._run(item.nodeid, True)

        @pytest.hookimpl(hookwrapper=True)
        def pytest_runtest_call(self, item: Any) -> Iterator[None]:
            yield from self._run(item.nodeid, False)

        def pytest_runtest_logreport(self, report: Any) -> None:
            if report.failed:
                self.bad.setdefault(report.nodeid, str(report.longrepr).strip().split("\n")[-1])
            elif report.skipped:
                self.bad.setdefault(report.nodeid, "skipped")

        def pytest_collectreport(self, report: Any) -> None:
            if report.failed:
                self.bad.setdefault(report.nodeid or "collection", str(report.longrepr).strip().split("\n")[-1])

        @pytest.hookimpl(tryfirst=True)
        def pytest_exception_interact(self, node: Any, call: Any, report: Any) -> None:
            if call.excinfo is not None and call.excinfo.errisinstance(TooSlow):
                self.bad[getattr(node, "nodeid", "")] = str(call.excinfo.value)

    return Hooks


class _Faulty(importlib.machinery.SourceFileLoader):
    """Loads a file with a fault in it."""

    def __init__(self, name: str, path: str, mutant: Mutant) -> None:
        super().__init__(name, path)
        self.mutant = mutant

    def get_code(self, fullname: str) -> CodeType:
        return compile(mutated(self.mutant), str(ROOT / self.mutant.file), "exec")


class _Finder:
    """Finds one module in its faulty form."""

    def __init__(self, mutant: Mutant) -> None:
        self.name = mutant.file.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
        self.loader = _Faulty(self.name, str(ROOT / mutant.file), mutant)

    def find_spec(self, name: str, path: Any = None, target: Any = None) -> Any:
        if name != self.name:
            return None
        places = [str((ROOT / self.loader.mutant.file).parent)] if name.count(".") == 1 else None
        return importlib.util.spec_from_file_location(
            name, ROOT / self.loader.mutant.file, loader=self.loader,
            submodule_search_locations=places if self.loader.mutant.file.endswith("__init__.py") else None,
        )  # fmt: skip


def _remember_twin(known: dict[str, Any], seconds: list[float]) -> None:
    """Let the slow twin answer from memory what it has been asked before; its time is counted apart."""
    sys.path[:0] = [str(ROOT / "tests"), str(ROOT)]
    twin = importlib.import_module("twin")
    solve = twin.solve

    def remembered(
        parameters: dict[str, float], phases: list[dict[str, Any]], law: str = "wishbone"
    ) -> dict[str, float]:
        key = repr((sorted(parameters.items()), phases, law))
        if key not in known:
            watch = sys.getprofile()
            sys.setprofile(None)
            left, _ = signal.setitimer(signal.ITIMER_PROF, 0.0)
            start = time.process_time()
            known[key] = solve(parameters, phases, law)
            seconds[0] += time.process_time() - start
            signal.setitimer(signal.ITIMER_PROF, left)
            sys.setprofile(watch)
        return dict(known[key])

    twin.solve = remembered


def run_tests(
    tests: Sequence[str], mutant: Mutant | None, limit: float, watched: bool, compiled: bool, twin: dict[str, Any]
) -> _Watch:
    """Run tests in this process, which must be a fresh worker; stops at the first failure where there is a fault."""
    import pytest

    from tests.mutation import plain

    if mutant is not None:
        sys.meta_path.insert(0, _Finder(mutant))  # type: ignore[arg-type]
    watch = _hooks()(limit, watched)
    try:
        if not compiled:
            plain.install()
    except Exception as error:
        watch.bad["import"] = repr(error)
        return watch
    _remember_twin(twin, watch.twin_seconds)
    os.chdir(ROOT)
    # asserts as they are: pytest would load the files that it rewrites, those with examples too, past the fault
    options = ["-p", "no:cacheprovider", "-p", "no:xdist", "--assert=plain", "--tb=line"]
    options += ["-x"] if mutant is not None else []
    code = pytest.main([*options, *tests], plugins=[watch])
    if code not in (0, 1) and not watch.bad:
        watch.bad["pytest"] = f"ended with {code}"
    return watch


def preload() -> None:
    """Load the heavy libraries into this process, which workers are forked from."""
    for name in HEAVY:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    if any(name == "explorer" or name.startswith("explorer.") for name in sys.modules):
        raise RuntimeError("explorer is loaded in the process that workers are forked from")


def watch_tests(paths: Sequence[str], jobs: int, compiled: bool) -> Judges:
    """Run every test of the normal suite below the paths once without a fault, one worker per file. What was found is
    kept beside pytest's own cache until a source or a test changes."""
    files = [str(file.relative_to(ROOT)) for path in paths for file in _test_files(ROOT / path)]
    found = Judges(compiled)

    def work(file: str) -> Callable[[], Any]:
        def run() -> Any:
            twin: dict[str, Any] = {}
            watch = run_tests([file], None, 2.0 * TEST_LIMIT, True, compiled, twin)
            return dict(watch.seconds), dict(watch.calls), watch.bad, twin

        return run

    def put(file: str, answer: Any) -> None:
        if answer is None or answer[0] == "error":
            found.unfit[file] = "the worker died" if answer is None else answer[1].strip().split("\n")[-1]
            return
        seconds, calls, bad, twin = answer[1]
        found.unfit |= bad
        found.twin |= twin
        found.seconds |= {test: took for test, took in seconds.items() if test not in bad}
        for key, tests in calls.items():
            found.calls[key] |= tests

    fresh = []
    for file in files:
        if (kept := _kept(file, compiled)).is_file():
            put(file, pickle.loads(kept.read_bytes()))
        else:
            fresh.append(file)
    for file, answer in each_in_turn([(file, work(file), FILE_LIMIT) for file in fresh], jobs):
        put(file, answer)
        if answer is not None and answer[0] == "answer":
            _kept(file, compiled).parent.mkdir(parents=True, exist_ok=True)
            _kept(file, compiled).write_bytes(pickle.dumps(answer))
    return found


def _kept(file: str, compiled: bool) -> Path:
    """Where what was found about a test file is kept: named after all that it may depend on."""
    digest = hashlib.sha256(f"{file} {compiled}".encode())
    beside = [Path(__file__).with_name(name) for name in ("mutants.py", "outcome.py", "workers.py", "__main__.py")]
    shared = [p for p in (ROOT / "tests").rglob("*.py") if not p.name.startswith("test_") and p not in beside]
    configs = [path for path in (ROOT / "configs").rglob("*.toml")]
    for path in [ROOT / file, *sorted((ROOT / "explorer").rglob("*.py")), *sorted(shared), *sorted(configs)]:
        digest.update(path.read_bytes())
    return ROOT / ".pytest_cache" / "mutation" / digest.hexdigest()[:24]


def _test_files(path: Path) -> list[Path]:
    """Test files of a folder, and files with examples to be run in their docstrings."""
    if path.is_file():
        return [path]
    return [file for file in sorted(path.glob("*.py")) if file.name.startswith("test_") or ">>> " in file.read_text()]


@dataclass(frozen=True)
class Verdict:
    """What became of a fault: killed, survived, timeout or uncovered; by which test or why; after how long."""

    mutant: Mutant
    verdict: str
    by: str
    seconds: float


def verdict_on(mutant: Mutant, tests: Sequence[str], judges: Judges) -> tuple[Callable[[], Any], float]:
    """(work for a worker, its time limit) that says which test sees a fault."""
    longest = max((judges.seconds[test] for test in tests), default=0.0)
    total = sum(judges.seconds[test] for test in tests)

    def run() -> Any:
        start = time.process_time()
        watch = run_tests(tests, mutant, 3.0 * longest + 5.0, False, judges.compiled, judges.twin)
        bad = {test: why for test, why in watch.bad.items() if why != "skipped"}
        return next(iter(bad.items()), None), time.process_time() - start

    return run, 20.0 * total + 200.0  # by the clock: for what sleeps; what runs is stopped by its own time


def judged(mutants: Sequence[Mutant], judges: dict[str, Judges], jobs: int, until: float) -> Iterator[Verdict]:
    """Verdicts on a beginning of the faults given, as they fall; none is begun after `until` seconds of a core.
    `judges` by room."""
    uncovered: list[Mutant] = []

    def works() -> Iterator[tuple[Mutant, Callable[[], Any], float]]:
        for mutant in mutants:
            mine = judges[mutant.file.rpartition("/")[0]]
            tests = mine.of(mutant)
            if tests:
                yield mutant, *verdict_on(mutant, tests, mine)
            else:
                uncovered.append(mutant)

    for mutant, answer in each_in_turn(works(), jobs, until):
        yield _verdict(mutant, answer)
    for mutant in uncovered:
        yield Verdict(mutant, "uncovered", "no test calls it", 0.0)


def _verdict(mutant: Mutant, answer: Any) -> Verdict:
    """What a worker's answer says: None where it was stopped or died."""
    if answer is None:
        return Verdict(mutant, "timeout", "stopped or died", 0.0)
    if answer[0] == "error":
        return Verdict(mutant, "killed", answer[1].strip().split("\n")[-1][:200], 0.0)
    first, seconds = answer[1]
    if first is None:
        return Verdict(mutant, "survived", "", seconds)
    return Verdict(mutant, "timeout" if "takes longer than" in first[1] else "killed", first[0], seconds)
