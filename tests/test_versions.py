"""The releases named below .ci, in step with pyproject.toml."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).parent.parent


def required() -> dict[str, Requirement]:
    """Everything that pyproject.toml asks for, with the extras, by name; but for the fuzzer, whose wheels come for some
    Pythons only and which no suite needs."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = {name: texts for name, texts in project["optional-dependencies"].items() if name != "fuzz"}
    texts = [*project["dependencies"], *(one for extra in extras.values() for one in extra)]
    return {canonicalize_name(one.name): one for one in map(Requirement, texts)}


def pinned(name: str) -> dict[str, Version]:
    """Releases of a file of pins. Raises AssertionError for a line that is more than name and version."""
    found = {}
    for line in (ROOT / ".ci" / name).read_text(encoding="utf-8").splitlines():
        matched = re.fullmatch(r"([A-Za-z0-9][A-Za-z0-9._-]*)==([0-9][0-9A-Za-z.]*)", line)
        assert matched, f"{name}: {line!r} is not a name and a version"
        assert canonicalize_name(matched[1]) not in found, f"{name} names {matched[1]} twice"
        found[canonicalize_name(matched[1])] = Version(matched[2])
    return found


def test_the_tested_releases_are_ones_that_the_project_allows() -> None:
    """Catches a minimum raised above what CI pins (pip would then find nothing and CI would test other releases than it
    says), and a dependency that nobody pinned."""
    constraints = pinned("constraints.txt")
    for name, one in required().items():
        assert name in constraints, f"{name} has no tested release"
        assert one.specifier.contains(constraints[name]), f"{one} does not allow the tested {constraints[name]}"


def test_the_lowest_releases_are_those_of_the_project() -> None:
    """Catches a lower bound that was moved without trying it: .ci/minimum installs what .ci/minimum.txt says."""
    lowest = pinned("minimum.txt")
    assert set(lowest) == set(required())
    for name, one in required().items():
        bounds = [Version(spec.version) for spec in one.specifier if spec.operator == ">="]
        # the compiler's lowest is what its own bounds leave beside the lowest numpy: pip sees to that
        kept = one.specifier.contains(lowest[name]) if name in ("numba", "llvmlite") else bounds == [lowest[name]]
        assert kept, f"{one}: the lowest tried is {lowest[name]}"
