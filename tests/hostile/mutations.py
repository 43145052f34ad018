"""Broken input made on purpose: the shipped files taken apart, changed at random in structure or in bytes, written out.

Everything hangs on one `random.Random`, so that a seed names an input for good.
"""

from __future__ import annotations

import copy
import datetime
import json
import math
import random
import tomllib
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

from explorer.inputs.fields import KINDS
from tests.measured import MEASURED_FILES

CONFIGS = Path(__file__).parents[2] / "configs"
STARTER = Path(__file__).parents[2] / "explorer" / "inputs" / "starter"

SETS: dict[str, dict[str, Path]] = {
    "starter": {name: STARTER / name for name in MEASURED_FILES},
    **{
        study: {
            "study.toml": CONFIGS / f"{study}.toml",
            **{
                f"{folder}/{path.name}": path
                for folder in ("cars", "surfaces", "tyres", "practice")
                for path in sorted((CONFIGS / folder).glob("*.toml"))
            },
        }
        for study in ("demo", "plan_turf", "4wd_dusty")
    },
}
"""Name -> the files of a study as they lie in its folder; the study itself is always `study.toml`."""

NUMBERS: tuple[Any, ...] = (
    0, -1, 1, 2, 3, 20, 22, 1e308, -1e308, 1e-308, 5e-324, 1.7976931348623157e308, math.nan, math.inf, -math.inf, 1e9,
    -1e9, 1e6, 0.5, 1e-12, 2**31, 2**63, -(2**63), 2**64, 10**40, 10**400, 0.1 + 0.2, -0.0, 999999, 10_000, 10_001,
)  # fmt: skip
WORDS = (
    "", " ", "none", "all", "auto", "exhaustive", "sampled", "baseline", "carpet", "front_bar", "lag_ms", "lower",
    "hairpin.roll_deg", "sweep.", ".", "..", "/", "../../x", "/etc/passwd", "/dev/zero", "/proc/self/environ", "con",
    "study.toml", "car.toml", "surface.toml", "cars", "=1+1", "\uff1d1+1", "@SUM(A1)", "+1", "-1", "\t=1", "a\nb",
    "\x00", "\x1b[2J\x1b]0;x\x07", "\x9b31m", "\u202eabc", "<script>alert(1)</script>", "a|b`c`", "\U0001f3ce",
    "\u0645\u0642\u062f\u0645", "x" * 80, "x" * 81, "x" * 5_000, "\u00e9" * 80, "1.2", "1,2", "nan", "inf", "1e400",
    "normal", "worst", "rear", "A228", "true", "'", '"', "\\", "${HOME}", "{0}", "%s",
)  # fmt: skip
OTHERS: tuple[Any, ...] = (
    True, False, [], {}, [[]], [{}], [1, 2], [22, 20], ["none"], ["none", "none"], [math.nan], [True], {"a": 1},
    {"front_bar": ["none"]}, {"front_bar": "none"}, [[[[[[1]]]]]], datetime.date(2024, 2, 29), datetime.time(7, 32),
    datetime.datetime(1979, 5, 27, 7, 32), [1.2, "1.2"], ["1.2", 1.2, True, [], {}],
)  # fmt: skip
KEYS = (
    "", " ", "a.b", "x" * 300, "x" * 301, "\x1b[31m", "from", "to", "step", "range", "values", "parts", "none", "name",
    "label", "metric", "when", "never", "only", "reason", "at_least", "at_most", "relative_to", "unknowns", "pits",
    "surface", "setup", "baseline", "liked", "method", "caster_deg", "ballast_position_mm", "front_droop_mm",
    "front_damper", "rear_tyre", "front_camber_deg", "rear_roll_centre_mm", "grip", "assumed", "fitted", "\u202e",
    "minutes", "tolerance_pct", "tolerance_mm", "seen", "phase", "feel", "chassis_torsion_rate_n_m_per_deg",
)  # fmt: skip
SUFFIXES = tuple(sorted({suffix for kind in KINDS.values() for suffix in kind if suffix}))
FACTORS = (0.0, -1.0, 1e-3, 1e3, 1e-1, 10.0, 25.4, 1 / 25.4, 0.45, 2.0, 1.01, 1e-9, 1e9, 1e300, 1e-300)
PIECES = (
    b"\x00", b"\xff", b"\xfe\xff", b"\xef\xbb\xbf", b"\r", b"\r\n", b"\xc3\x28", b"\xed\xa0\x80", b"[", b"]", b"[[",
    b"]]",
    b"=", b"==", b".", b",", b"#", b'"', b"'", b'"""', b"'''", b"\\", b"\\u", b"\\U0010ffff", b"\\ud800", b"{", b"}",
    b"nan", b"inf", b"-", b"+", b"_", b"0x", b"1e999", b"1979-05-27T07:32:00Z", b"\n", b"\x1b[2J", b"true",
    b"[knobs]\n",
    b"[[rules]]\n", b"a = 1\na = 2\n", b"[" * 200, b"a." * 60 + b"a = 1\n", b"9" * 5000, b"\x7f", b"\xc2\x85",
    b"\xe2\x80\xa8", b"\xe2\x80\xae",
)  # fmt: skip


@cache
def texts(name: str) -> dict[str, bytes]:
    """Files of a set as they are shipped."""
    return {place: path.read_bytes() for place, path in SETS[name].items()}


@cache
def _trees(name: str) -> dict[str, Any]:
    return {place: tomllib.loads(data.decode()) for place, data in texts(name).items()}


def used(tree: dict[str, Any], files: dict[str, Any]) -> list[str]:
    """Files of a set that its study names, and the tyres, which surfaces name."""
    said = json.dumps(tree, default=str)
    tyres = [place for place in files if place == "tyre.toml" or place.startswith("tyres/")]
    return ["study.toml", *(place for place in files if f'"{place}"' in said), *tyres]


# ---- writing TOML


def _text(value: str) -> str:
    def letter(char: str) -> str:
        plain = char.isprintable() and char not in '"\\'
        return char if plain else f"\\u{ord(char):04x}" if ord(char) < 0x10000 else f"\\U{ord(char):08x}"

    plain = value.isprintable() and '"' not in value and "\\" not in value
    return '"' + (value if plain else "".join(map(letter, value))) + '"'


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_text(str(key))} = {_value(item)}" for key, item in value.items()) + "}"
    if isinstance(value, int) and abs(value) > 10**300:
        return "-" * (value < 0) + "1" + "0" * 400
    return str(value) if not isinstance(value, (datetime.date, datetime.time)) else value.isoformat()


def _is_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(item, dict) for item in value)


def written(tree: dict[str, Any], above: tuple[str, ...] = ()) -> str:
    """A tree as TOML, tables under headers, so that each key has a line of its own."""
    lines, later = [], []
    for key, value in tree.items():
        name = ".".join(_text(part) for part in (*above, str(key)))
        if isinstance(value, dict):
            later.append(f"[{name}]\n" + written(value, (*above, str(key))))
        elif _is_tables(value):
            later += [f"[[{name}]]\n" + written(item, (*above, str(key))) for item in value]
        else:
            lines.append(f"{_text(str(key))} = {_value(value)}")
    return "\n".join([*lines, *later]) + "\n"


# ---- changing the structure


def _places(tree: Any, above: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    items = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, value in items:
        yield (*above, key)
        yield from _places(value, (*above, key))


def _at(tree: Any, path: tuple[Any, ...]) -> Any:
    for key in path:
        tree = tree[key]
    return tree


def hostile_value(rng: random.Random) -> Any:
    """A number, word or shape that hardly belongs where it is put."""
    kind = rng.randrange(8)
    if kind < 3:
        return rng.choice(NUMBERS)
    if kind < 6:
        return rng.choice(WORDS)
    if kind == 6:
        return copy.deepcopy(rng.choice(OTHERS))
    return rng.choice((rng.uniform(-100, 100), rng.randrange(-5, 5000), round(rng.lognormvariate(0, 6), 4)))


def _replace(rng: random.Random, tree: Any, path: tuple[Any, ...]) -> None:
    _at(tree, path[:-1])[path[-1]] = hostile_value(rng)


def _scale(rng: random.Random, tree: Any, path: tuple[Any, ...]) -> None:
    value = _at(tree, path)
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        value = (value if abs(value) < 1e300 else math.inf) * rng.choice(FACTORS)
    _at(tree, path[:-1])[path[-1]] = value


def _drop(rng: random.Random, tree: Any, path: tuple[Any, ...]) -> None:
    del _at(tree, path[:-1])[path[-1]]


def _rename(rng: random.Random, tree: Any, path: tuple[Any, ...]) -> None:
    table = _at(tree, path[:-1])
    if isinstance(table, dict):
        key = str(path[-1])
        new = rng.choice((rng.choice(KEYS), key + "x", key[:-1], key.replace("front", "rear"), key.upper()))
        if rng.random() < 0.4:
            new = key.rsplit("_", 1)[0] + "_" + rng.choice(SUFFIXES)
        table[new] = table.pop(path[-1])


def _add(rng: random.Random, tree: Any, path: tuple[Any, ...]) -> None:
    table = _at(tree, path[:-1])
    if isinstance(table, dict):
        table[rng.choice(KEYS)] = hostile_value(rng)
    else:
        table.append(hostile_value(rng))


def _twice(rng: random.Random, tree: Any, path: tuple[Any, ...]) -> None:
    table = _at(tree, path[:-1])
    again = copy.deepcopy(_at(tree, path))
    if isinstance(table, list):
        table.extend([again] * rng.choice((1, 2, 41)))
    else:
        table[rng.choice(KEYS)] = again


def _wrap(rng: random.Random, tree: Any, path: tuple[Any, ...]) -> None:
    value = _at(tree, path)
    _at(tree, path[:-1])[path[-1]] = rng.choice(([value], {"a": value}, [[value]], str(value), [value, value]))


def _swap(rng: random.Random, tree: Any, path: tuple[Any, ...]) -> None:
    other = rng.choice(list(_places(tree)))
    if other[: len(path)] != path and path[: len(other)] != other:
        one, two = _at(tree, path), _at(tree, other)
        _at(tree, path[:-1])[path[-1]], _at(tree, other[:-1])[other[-1]] = copy.deepcopy(two), copy.deepcopy(one)


def _many(rng: random.Random, tree: Any, path: tuple[Any, ...]) -> None:
    count = rng.choice((100, 600, 3_000))
    _at(tree, path[:-1])[path[-1]] = rng.choice(
        (
            [20 + index / 100 for index in range(count)],
            [str(index) for index in range(count)],
            [{"label": str(index), "wire_mm": 1.0} for index in range(count // 5)],
            {f"k{index}": index for index in range(count)},
            {"from": 10.0, "to": 40.0, "step": 30.0 / count},
        )
    )


EDITS: tuple[Callable[[random.Random, Any, tuple[Any, ...]], None], ...] = (
    _replace, _replace, _replace, _scale, _scale, _scale, _drop, _rename, _add, _twice, _wrap, _swap, _many,
)  # fmt: skip


@cache
def _untouched(name: str) -> dict[str, bytes]:
    """Files of a set as `written` gives them."""
    return {place: written(tree).encode() for place, tree in _trees(name).items()}


def restructured(rng: random.Random) -> dict[str, bytes]:
    """Files of a study with one to four edits in their tables and values."""
    name = rng.choice(list(SETS))
    trees = dict(_trees(name))
    places = used(trees["study.toml"], trees)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 4))):
        place = rng.choice(places)
        tree = trees[place] = copy.deepcopy(trees[place])
        paths = list(_places(tree))
        if paths:
            rng.choice(EDITS)(rng, tree, rng.choice(paths))
    same = _untouched(name)
    return {
        place: same[place]
        if trees[place] is _trees(name)[place]
        else written(trees[place]).encode("utf-8", "surrogatepass")
        for place in places
    }


# ---- changing the bytes


def spliced(rng: random.Random) -> dict[str, bytes]:
    """Files of a study with bytes put in, cut out, doubled, or lines exchanged."""
    name = rng.choice(list(SETS))
    files = dict(texts(name))
    files = {place: files[place] for place in used(_trees(name)["study.toml"], files)}
    for _ in range(rng.choice((1, 1, 2, 3))):
        place = rng.choice(list(files))
        data = files[place]
        at, gone = rng.randrange(len(data) + 1), rng.choice((0, 0, 1, 3, 40, 400))
        kind = rng.randrange(6)
        if kind < 2:
            data = data[:at] + rng.choice(PIECES) + data[at + gone :]
        elif kind == 2:
            data = data[:at] + rng.randbytes(rng.randrange(1, 7)) + data[at + gone :]
        elif kind == 3:
            data = data.replace(b"\n", b"\r\n") if rng.random() < 0.5 else data[:at]
        else:
            lines = data.split(b"\n")
            one, two = rng.randrange(len(lines)), rng.randrange(len(lines))
            lines[one] = lines[two] if kind == 4 else lines[one][: rng.randrange(len(lines[one]) + 1)]
            data = b"\n".join(lines)
        files[place] = data
    return files


def broken(seed: int) -> dict[str, bytes]:
    """The input that belongs to a number."""
    rng = random.Random(seed)
    return restructured(rng) if rng.random() < 0.75 else spliced(rng)
