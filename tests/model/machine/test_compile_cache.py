"""Where compiled functions are kept: in a folder of this user alone, named after every source they are made from."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from explorer.model.machine import compile_cache
from explorer.model.machine.compile_cache import OUTSIDE_MODEL, PACKAGE, cache_folder, distrusted, sources_digest

SMALL = """
from explorer.model.car.parts import coil_rate
print(coil_rate(wire=1.0, mean_diameter=8.0, active_coils=5.0, shear_modulus=8e10))
"""
"""Compiles one small function that is kept on disk."""


@pytest.fixture
def root(tmp_path, monkeypatch):
    """An empty folder for caches, and nothing told yet."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "caches"))
    monkeypatch.setenv(compile_cache.TOLD, "")
    monkeypatch.delenv(compile_cache.TOLD)
    return tmp_path / "caches"


def test_the_folder_is_this_users_alone_and_found_again(root, capsys):
    """Catches a folder that others may enter, and one made anew every time (nothing would ever be kept)."""
    before = os.umask(0)
    try:
        folder = cache_folder()
    finally:
        os.umask(before)
    assert folder is not None and folder.parent == root and folder.stat().st_mode & 0o777 == 0o700
    (folder / "kept").touch()
    assert cache_folder() == folder and (folder / "kept").exists()
    assert capsys.readouterr().err == ""


def make_link(folder: Path) -> None:
    (folder.parent / "elsewhere").mkdir(mode=0o700)
    folder.symlink_to("elsewhere")


def make_open(folder: Path) -> None:
    folder.mkdir()
    folder.chmod(0o750)


@pytest.mark.parametrize(
    ("make", "why"),
    [(make_link, "a link"), (Path.touch, "a file"), (make_open, "others may enter it")],
)
def test_a_folder_that_others_could_have_written_is_not_used(root, capsys, monkeypatch, make, why):
    """Catches code read from a folder that somebody else laid out under the predictable name; and a line for each
    worker instead of one."""
    root.mkdir()
    make(root / f"setup-space-explorer-{sources_digest()}")
    assert cache_folder() is None and cache_folder() is None
    told = capsys.readouterr().err
    assert told.count("\n") == 1 and why in told and str(root) in told


def test_a_folder_of_somebody_else_is_not_used(root, monkeypatch):
    """Catches a folder that is closed to others and is theirs."""
    folder = cache_folder()
    assert folder is not None and distrusted(folder) == ""
    monkeypatch.setattr(os, "geteuid", lambda: folder.stat().st_uid + 1)
    assert "somebody else" in distrusted(folder) and cache_folder() is None


@pytest.mark.parametrize("name", ["NUMBA_CACHE_DIR", "XDG_CACHE_HOME", "HOME"])
def test_without_a_folder_the_model_is_compiled_and_nothing_is_left_behind(tmp_path, name):
    """Catches a traceback where nothing can be kept, and a fall back to the system's temporary folder, where the next
    process would read whatever lies there."""
    (tmp_path / "file").touch()
    (tmp_path / "temporary").mkdir()
    taken = ("NUMBA_CACHE_DIR", "XDG_CACHE_HOME", compile_cache.TOLD)
    clean = {key: value for key, value in os.environ.items() if key not in taken}
    clean |= {"TMPDIR": str(tmp_path / "temporary"), name: str(tmp_path / "file")}
    found = subprocess.run([sys.executable, "-c", SMALL], env=clean, cwd=PACKAGE.parent, capture_output=True, text=True)
    assert found.returncode == 0 and float(found.stdout) > 0.0, found.stderr
    assert found.stderr.count("\n") == 1 and "compiled anew at every start" in found.stderr
    assert not any((tmp_path / "temporary").iterdir())


def test_the_name_changes_with_every_source_in_every_folder(tmp_path):
    """Catches a stale kernel: a changed source in a folder below the model, or beside it, with the old code still
    taken from the disk."""
    package = tmp_path / "explorer"
    shutil.copytree(PACKAGE / "model", package / "model", ignore=shutil.ignore_patterns("__pycache__"))
    for folder in ("path", "path/deeper"):
        (package / "model" / folder).mkdir()
        (package / "model" / folder / "one.py").write_text("x = 1\n", encoding="utf-8")
    (package / "domain").mkdir()
    for name in OUTSIDE_MODEL:
        shutil.copy(PACKAGE / name, package / name)
    folders = [folder for folder in (package / "model").rglob("*") if folder.is_dir()]
    sources = [next(iter(sorted(folder.glob("*.py")))) for folder in [package / "model", *folders]]
    sources += [package / name for name in OUTSIDE_MODEL]
    seen = {sources_digest(package)}
    assert len(sources) >= 5
    for source in sources:
        source.write_bytes(source.read_bytes() + b"# changed\n")
        seen.add(sources_digest(package))
    assert len(seen) == len(sources) + 1


def imported(path: Path) -> set[tuple[str, str]]:
    """(module, name) of everything that a source imports by name."""
    tree = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    return {
        (node.module or "", alias.name) for node in tree if isinstance(node, ast.ImportFrom) for alias in node.names
    }


def test_all_that_the_model_imports_counts_in_the_name():
    """Catches a source that the model takes numbers from and whose change would leave old code in use."""
    sources = [*(PACKAGE / "model").rglob("*.py"), *(PACKAGE / name for name in OUTSIDE_MODEL)]
    ours = {module for path in sources for module, _ in imported(path) if module.startswith("explorer.")}
    outside = {
        name.removeprefix("explorer.").replace(".", "/") + ".py"
        for name in ours
        if not name.startswith("explorer.model")
    }
    assert outside == set(OUTSIDE_MODEL)


def test_no_function_is_kept_without_asking_for_the_folder():
    """Catches a function kept on disk by numba's own decorator: a traceback where nothing can be kept."""
    keeping = [path for path in PACKAGE.rglob("*.py") if "@njit(cache=True" in path.read_text(encoding="utf-8")]
    assert len(keeping) > 5
    assert all(("explorer.model.machine.compiled", "njit") in imported(path) for path in keeping)
