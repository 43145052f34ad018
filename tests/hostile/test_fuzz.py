"""Any bytes as study, car, surface or practice file: a located refusal or a study that can be asked, soon and in little
memory."""

from __future__ import annotations

import random
import subprocess
import sys
import tomllib
from pathlib import Path

import fuzz
import pytest
from door import ask, must_hold, put, through
from hostile.desk import ROOT, measured
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mutations import SETS, broken, restructured, spliced, texts, used, written

MEMORY = 1_000_000_000
"""Most memory before a refusal. [bytes]"""

SLICE = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
COUNT = 200_000


@pytest.fixture(scope="module", autouse=True)
def _compiled(tmp_path_factory: pytest.TempPathFactory) -> None:
    """A first answer, so that none that is timed has to wait for the compiler."""
    ask(put(dict(texts("starter")), tmp_path_factory.mktemp("first")))


@SLICE
@given(st.integers(0, 2**62))
def test_changed_tables_and_values(seed: int) -> None:
    """Catches any exception that is not ours: types, sizes, nan, odd keys, doubled and missing tables."""
    through(restructured(random.Random(seed)))


@SLICE
@given(st.integers(0, 2**62))
def test_changed_bytes(seed: int) -> None:
    """Catches the same from broken syntax, encodings, byte order marks, cut files."""
    through(spliced(random.Random(seed)))


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.sampled_from(["study.toml", "car.toml", "surface.toml"]), st.binary(max_size=200))
def test_any_bytes_at_all(name: str, data: bytes) -> None:
    """Catches a reader that expects text."""
    assert through(dict(texts("starter")) | {name: data}).code == 2


@pytest.mark.parametrize("name", sorted(SETS))
def test_the_door_lets_the_shipped_files_through(name: str) -> None:
    """Catches a fuzzer whose every input is refused at the first line; and the writer of its files."""
    whole = texts(name)
    files = {place: whole[place] for place in used(tomllib.loads(whole["study.toml"].decode()), dict(whole))}
    assert through(files).code == 0
    again = {place: written(tomllib.loads(data.decode())).encode() for place, data in files.items()}
    assert through(again).code == 0
    assert {place: tomllib.loads(data.decode()) for place, data in again.items()} == {
        place: tomllib.loads(data.decode()) for place, data in files.items()
    }


def _lines(pattern: str, room: int = 950_000) -> bytes:
    count = room // len(pattern.format(10_000))
    return "".join(pattern.format(index) for index in range(count)).encode()


HEAVY = {
    "a key of half a million parts": ("study.toml", b"a" + b".a" * 475_000 + b" = 1\n", True),
    "the same within braces": ("study.toml", b"x = {a" + b".a" * 475_000 + b" = 1}\n", True),
    "a header of many parts": ("study.toml", b"[a" + b".a" * 475_000 + b"]\n", False),
    "a key of a megabyte": ("study.toml", b"x" * 950_000 + b" = 1\n", True),
    "10,000 lists in one another": ("study.toml", b"x = " + b"[" * 10_000 + b"]" * 10_000 + b"\n", True),
    "10,000 tables in one another": ("study.toml", b"x = " + b"{a = " * 10_000 + b"1" + b"}" * 10_000 + b"\n", True),
    "unknown keys": ("study.toml", _lines("k{} = 1\n"), True),
    "unknown tables": ("study.toml", _lines("[t{}]\n"), False),
    "unknown knobs": ("study.toml", _lines("[knobs.k{}]\n"), False),
    "liked setups": ("study.toml", _lines('[liked.l{}]\nsurface = "surface.toml"\n'), False),
    "unknowns": ("study.toml", _lines("[unknowns.u{}]\n"), False),
    "rules": ("study.toml", b"[[rules]]\n" * 95_000, False),
    "parts": ("car.toml", _lines('[[parts.front_bars]]\nlabel = "q{}"\nwire_mm = 1\n'), False),
    "the same part": ("car.toml", _lines('[[parts.front_bars]]\nlabel = "q"\nwire_mm = 1\n'), False),
    "phases": ("surface.toml", b"[[phases]]\n" * 85_000, False),
    "a list": ("study.toml", b"x = [" + b"1," * 470_000 + b"]\n", True),
    "backslashes": ("study.toml", b'x = "' + b"\\n" * 470_000 + b'"\n', True),
    "quotes": ("study.toml", b'x = """' + b'\\n"' * 310_000 + b'"""\n', True),
    "digits": ("study.toml", b"x = " + b"9" * 950_000 + b"\n", True),
}
"""What takes long or much where it is read without care: file, what is put in, and whether at its top."""


SAID = {
    "a key of a megabyte": "a key of 950,000 characters",
    "10,000 tables in one another": "brackets open at once",
    "parts": "parts; at most 10,000",
    "liked setups": "at most 50",
    "rules": "at most 1000",
    "phases": "at most 40",
    "unknown knobs": "200 faults",
}
"""What the refusal says, where the work could pass unnoticed."""


def heavy(name: str) -> dict[str, bytes]:
    """The starter files with one of `HEAVY` put in, cut to what may be read."""
    place, data, first = HEAVY[name]
    files = dict(texts("starter"))
    files[place] = (data + files[place] if first else files[place] + b"\n" + data)[:1_000_000]
    return files


@pytest.mark.parametrize("name", sorted(HEAVY))
def test_heavy_files_are_refused_soon(name: str) -> None:
    """Catches work that grows with the square of a file, and a hundred thousand problems worded one by one."""
    answer = through(heavy(name))
    assert answer.code == 2 and len(answer.said) < 500_000 and SAID.get(name, "") in answer.said


CHILD = """
import resource, sys
resource.setrlimit(resource.RLIMIT_AS, ({room}, {room}))
sys.path[:0] = {paths!r}
from pathlib import Path
from explorer.cli.commands import app
app(["check", sys.argv[1]], prog_name="setup-space")
"""


def test_a_refusal_fits_into_a_gigabyte(tmp_path: Path) -> None:
    """Catches memory filled before anybody is told: the command in a process that gets no more. Libraries included."""
    path = put(heavy("unknown tables"), tmp_path)
    code = CHILD.format(room=2 * MEMORY, paths=[str(ROOT)])
    found, peak = measured(code, [str(path)], tmp_path)
    assert found.returncode == 2 and "nothing was run" in found.stderr, found.stderr[-500:]
    assert 50_000_000 < peak < MEMORY


def test_a_broken_guard_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The door itself: an exception that is not ours comes through it; a message without a place does not pass."""
    import explorer.inputs.load as config
    from explorer.domain.errors import ConfigError, Problem

    path = put(dict(texts("starter")), tmp_path)
    monkeypatch.setattr(config, "build_car", lambda source: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        ask(path)
    assert fuzz.one(1)[0] == "finding"

    def unplaced(source: object) -> None:
        raise ConfigError([Problem("", 0, "", "", "something is wrong")])

    monkeypatch.setattr(config, "build_car", unplaced)
    with pytest.raises(AssertionError):
        must_hold(ask(path))


@pytest.mark.long
def test_two_hundred_thousand_inputs() -> None:
    """Catches what a few hundred miss; see `fuzz.py` to run more of them, or one of them again."""
    ends, findings, slowest = fuzz.fuzz(COUNT, first=1_000_000_000)
    assert not findings, findings[:20]
    assert sum(ends.values()) == COUNT and ends["exit 0"] > COUNT // 20 and ends["exit 2"] > COUNT // 4
    assert slowest < 10.0


def test_coverage_guided_bytes(tmp_path: Path) -> None:
    """A short run of the coverage-guided fuzzer: a crash of the target ends it with another code than 0."""
    pytest.importorskip("atheris", reason="the extra `fuzz` is not installed: pip install '.[fuzz]'")
    script = Path(__file__).parent / "coverage_guided.py"
    words = [sys.executable, str(script), str(tmp_path), "-runs=400", "-max_len=20000"]
    found = subprocess.run(words, capture_output=True, text=True, timeout=600, check=False)
    assert found.returncode == 0, found.stderr[-2000:]


@pytest.mark.parametrize("number", [16353, 67865, 163877])
def test_found_once(number: int) -> None:
    """Inputs that were findings: known labels with an empty one among them."""
    through(broken(number))
