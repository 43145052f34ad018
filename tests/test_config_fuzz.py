"""Mutated starter files: whatever is written in them, a study loads or a ConfigError says why."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from explorer.config import load_study
from explorer.errors import ConfigError
from explorer.space import ENUMERATION_CEILING
from explorer.starter import STARTER_FILES, write_starter

VALUES = st.sampled_from(
    [
        "nan", "inf", "-inf", "-1", "0", "1e308", "-1e-320", "1" * 320, "true", "false", '""', '"none"', '"all"', "[]",
        "[[]]", "[nan]", "[1, 2]", '["none"]', '["1.2", 1.2]', "{}", "{ a = 1 }", "{ front_bar = [1] }", "2024-01-01",
        "07:32:00", "1979-05-27T07:32:00Z", "'\\'", '"""\n"""', '"\\u0000"', '"car.toml"', '"study.toml"', '"."', "20",
        "0x7fffffffffffffffffff", '"hairpin.roll_deg"', '"sweep."', '"."', '".roll_deg"', '"' + "x" * 600 + '"',
    ]
)  # fmt: skip
LINES = st.sampled_from(
    ["[knobs]", "[[knobs]]", "[parts]", "[[front]]", "[baseline]", "[liked.a]", "[liked.baseline]", "[method]", "x = 1"]
    + ["[knobs.caster_deg]\nrange = [0, 30]", '[knobs.front_damper]\nparts = "all"', "[[phases]]", "[[rules]]"]
    + ["[knobs.ballast_position_mm]\nvalues = [-500, 500]", "none = true", "from = 1", "a.b.c = 1", "[", "\x00", "="]
    + [
        '[liked.b]\nsurface = "surface.toml"',
        "[[maps]]",
        "[[limits]]",
        "[[objectives]]",
        "objectives = []",
        "limits = 3",
    ]
)


@cache
def starter() -> dict[str, bytes]:
    with tempfile.TemporaryDirectory() as folder:
        return {path.name: path.read_bytes() for path in write_starter(folder)}


def _holds(files: dict[str, bytes]) -> None:
    """Load; a space that comes out must be usable, an error must be ours and located."""
    with tempfile.TemporaryDirectory() as folder:
        for name, data in files.items():
            (Path(folder) / name).write_bytes(data)
        try:
            space = load_study(Path(folder) / "study.toml").space
        except ConfigError as error:
            assert error.problems and all(problem.allowed and problem.file for problem in error.problems)
            return
    row = np.array([space.baseline])
    assert space.allowed(row)[0] and np.isfinite(space.parameters(row)).all() and np.isfinite(space.phases).all()
    if space.enumerable and space.full_size < min(ENUMERATION_CEILING, 100_000):
        assert space.size >= 1


EDIT = st.tuples(
    st.sampled_from(STARTER_FILES),
    st.integers(0, 10_000),
    st.one_of(
        st.tuples(st.just("value"), VALUES),
        st.tuples(st.just("line"), LINES),
        st.tuples(st.sampled_from(["drop", "twice", "swap"]), st.just("")),
    ),
)


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(EDIT, min_size=1, max_size=3))
def test_edited_lines_never_raise_anything_else(edits: list[tuple[str, int, tuple[str, str]]]) -> None:
    """Catches any other exception from wrong types, odd numbers, missing, doubled or misplaced lines."""
    files = dict(starter())
    for name, number, (what, text) in edits:
        lines = files[name].decode().split("\n")
        places = [i for i, line in enumerate(lines) if line and not line.startswith("#")]
        at = places[number % len(places)]
        if what == "value":
            lines[at] = lines[at].split("=", 1)[0] + "= " + text if "=" in lines[at] else text
        elif what == "line":
            lines.insert(at, text)
        elif what == "twice":
            lines.insert(at, lines[at])
        elif what == "swap":
            other = places[(number * 7 + 3) % len(places)]
            lines[at], lines[other] = lines[other], lines[at]
        else:
            del lines[at]
        files[name] = "\n".join(lines).encode()
    _holds(files)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(STARTER_FILES), st.integers(0, 10_000), st.integers(0, 40), st.binary(max_size=6))
def test_spliced_bytes_never_raise_anything_else(name: str, at: int, gone: int, put: bytes) -> None:
    """Catches any other exception from broken syntax, encodings and cut-off files."""
    files = dict(starter())
    data = files[name]
    at %= len(data)
    files[name] = data[:at] + put + data[at + gone :]
    _holds(files)
