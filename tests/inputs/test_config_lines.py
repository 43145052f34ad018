"""The key-to-line scan against texts whose lines were counted by hand, and against tomllib."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from explorer.inputs.toml_lines import DEPTH_LIMIT, KEY_LIMIT, PARTS_LIMIT, Excessive, key_lines, line_of

TEXT = '''# comment = 1
name = "a # b [c]"
long = """
x = 1
[not.a.table]
"""
"quoted key".'dot.ted' = 3

[mass] # trailing
total_g = 1
list = [
  1, # ] not the end
  2,
]
after = { a = 1, b = "}" }

[[parts.bars]]
label = "x"
[[parts.bars]]
label = 'y'
[parts.bars.shape]
arm = 2
[knobs.front]
values = [1]
raw = \'\'\'
y = 2
\'\'\'
last = 1'''


def test_lines_of_a_text_counted_by_hand() -> None:
    """Catches a scan fooled by brackets in strings, long strings, comments in lists, or the second array entry."""
    lines = key_lines(TEXT)
    wanted = {
        ("name",): 2,
        ("long",): 3,
        ("quoted key", "dot.ted"): 7,
        ("mass",): 9,
        ("mass", "total_g"): 10,
        ("mass", "list"): 11,
        ("mass", "after"): 15,
        ("parts", "bars", 0, "label"): 18,
        ("parts", "bars", 1, "label"): 20,
        ("parts", "bars", 1, "shape", "arm"): 22,
        ("knobs", "front", "values"): 24,
        ("knobs", "front", "last"): 28,
    }
    assert {path: lines.get(path) for path in wanted} == wanted
    assert ("x",) not in lines and ("mass", "x") not in lines and ("knobs", "front", "y") not in lines


def test_inline_tables_fall_back_to_their_key() -> None:
    """Catches line 0 for a fault inside an inline table."""
    lines = key_lines("a = 1\nwhen = { front = [1] }\n")
    assert line_of(lines, ("when", "front", 0)) == 2
    assert line_of(lines, ("nowhere",)) == 0


def test_every_key_tomllib_finds_has_a_line() -> None:
    """Catches keys the scan loses: all paths of the parsed text must be known, down to inline tables."""
    lines = key_lines(TEXT)

    def walk(value: object, path: tuple) -> None:
        if path and path != ("mass", "after") and not isinstance(path[-1], int):
            assert path in lines, path
        if isinstance(value, dict) and path != ("mass", "after"):
            for key, item in value.items():
                walk(item, (*path, key))
        elif isinstance(value, list):
            for index, item in enumerate(value):
                walk(item, (*path, index))

    walk(tomllib.loads(TEXT), ())


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet="ab.=[]{}\"'#\\\n ,1u", max_size=80))
def test_the_scan_ends_on_any_text(text: str) -> None:
    """Catches an endless loop or an index error on text that is no TOML at all."""
    count = text.count("\n") + 1
    assert all(1 <= line <= count for line in key_lines(text).values())


@pytest.mark.parametrize(
    ("text", "line", "found"),
    [
        ("a = 1\n" + "x" * (KEY_LIMIT + 1) + " = 1", 2, "301 characters"),
        ('"' + "x" * 5_000 + '" = 1', 1, "5,000 characters"),
        ("\n\n[" + ".".join("a" * (PARTS_LIMIT + 1)) + "]", 3, "over 30 parts"),
        (".".join("a" * (PARTS_LIMIT + 1)) + " = 1", 1, "over 30 parts"),
        ("x = { " + ".".join("a" * (PARTS_LIMIT + 1)) + " = 1 }", 1, "over 30 parts"),
        ("x = [\n" + "[" * DEPTH_LIMIT, 2, "over 60 brackets"),
    ],
)
def test_text_that_no_person_writes_is_told_by_its_line(text: str, line: int, found: str) -> None:
    """Catches: a limit that is not kept, or kept without a place."""
    with pytest.raises(Excessive) as caught:
        key_lines(text)
    assert caught.value.line == line and found in caught.value.found


def test_what_persons_write_is_far_from_the_limits() -> None:
    """Catches: numbers with a point, dates, dots in strings or many list entries counted as parts of a key."""
    numbers = ", ".join(f"{index}.5" for index in range(200))
    text = f'x = [{numbers}]\ny = "{"a." * 200}"\nz = {{ a.b = 1.5, c.d = [[1.0], [2.0]] }}\n' + "k." * 25 + "k = 1\n"
    assert line_of(key_lines(text), ("z",)) == 3
