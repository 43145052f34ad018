"""One server of runs per test session, and what an uninterrupted run gives."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from nothing_lost import small_run


class Server:
    """Asks `runner.py` for runs; see there for the wishes."""

    def __init__(self, study: Path) -> None:
        # a threading layer that a fork survives; nothing is evaluated side by side before the forks anyway
        layer = os.environ | {"NUMBA_THREADING_LAYER": "workqueue"}
        words = [sys.executable, str(Path(__file__).with_name("runner.py")), str(study)]
        self._process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=layer)
        assert self._process.stdout is not None and self._process.stdout.readline() == "ready\n"

    def ask(self, out: Path, **wish: Any) -> dict[str, Any]:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(json.dumps({"out": str(out), **wish}) + "\n")
        self._process.stdin.flush()
        found: dict[str, Any] = json.loads(self._process.stdout.readline())
        return found

    def finish(self, out: Path) -> dict[str, bytes]:
        """Go on with the run in a folder to its end; what it left."""
        ended = self.ask(out, resume=True)
        assert ended["exit"] == 0 and not ended["error"], ended
        return small_run.files_of(out)

    def close(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(600)


@pytest.fixture(scope="session")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_run.study_in(tmp_path_factory.mktemp("small"))


@pytest.fixture(scope="session")
def server(study: Path) -> Iterator[Server]:
    found = Server(study)
    yield found
    found.close()


@pytest.fixture(scope="session")
def whole(server: Server, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The files of an uninterrupted run."""
    out = tmp_path_factory.mktemp("whole") / "out"
    ended = server.ask(out)
    assert ended["exit"] == 0 and not ended["error"], ended
    return small_run.files_of(out)


@pytest.fixture(scope="session")
def operations(server: Server, tmp_path_factory: pytest.TempPathFactory) -> int:
    """How often an uninterrupted run touches the disk."""
    found: int = server.ask(tmp_path_factory.mktemp("counted") / "out")["operations"]
    return found
