"""Compiles what most tests share once, before several workers would each compile it for themselves."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_setupnodes(config: pytest.Config) -> None:
    """Asked by pytest-xdist where tests run on several workers. Only for the whole suite: a few tests may need none
    of it."""
    if config.args_source is not pytest.Config.ArgsSource.TESTPATHS:
        return
    words = [sys.executable, str(Path(__file__).with_name("compile_once.py"))]
    for compiling in [subprocess.Popen([*words, law]) for law in ("0.0", "1.0")]:
        compiling.wait()  # what fails here fails in the tests, where it is told
