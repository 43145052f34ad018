"""The statements of the trade are well formed: every name in them is one that the model and the cars know."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from explorer.inputs.knobs import NUMBER_KNOBS, PART_KNOBS
from explorer.model.metrics import metric_columns
from explorer.validation.trade.statements import lines, text

CARS = {"2wd": "heron_2wd", "4wd": "osprey_4wd"}
VENUES = ("carpet", "turf", "dusty", "polished")
PHASES = ("sweep", "hairpin", "entry", "exit")
KINDS: dict[str, set[str]] = {
    "changes": {"venues", "change", "metric", "direction", "felt"},
    "grounds": {"from", "to", "metric", "direction", "felt"},
    "limits": {"venues", "metric", "below", "felt"},
    "sizes": {"venue"},
    "orders": {"thinner", "thicker", "of", "by_mm"},
}
"""Kind of statement -> keys that it needs beside id, words and cars."""

SIZES = {"front_mm", "rear_mm", "split_mm"}
METRICS = {*metric_columns(PHASES), "bite_n"}


def faults(kind: str, line: dict[str, Any]) -> list[str]:
    """What is wrong with a line."""
    needed = KINDS[kind] | {"id", "words", "cars"}
    allowed = needed | (SIZES if kind == "sizes" else set())
    found = [f"needs {key}" for key in needed - set(line)] + [f"has {key}" for key in set(line) - allowed]
    if kind == "sizes" and not set(line) & SIZES:
        found.append("has no size")
    found += [f"no metric {line[key]}" for key in ("metric", "below") if key in line and line[key] not in METRICS]
    places = line.get("venues", []) + [
        line[key] for key in ("venue", "from", "to", "thinner", "thicker") if key in line
    ]
    found += [f"no venue {place}" for place in places if place not in VENUES]
    found += [f"no car {car}" for car in line.get("cars", []) if car not in CARS]
    found += [f"no knob {knob}" for knob in line.get("change", {}) if knob not in (*PART_KNOBS, *NUMBER_KNOBS)]
    if line.get("direction", "up") not in ("up", "down"):
        found.append("goes neither up nor down")
    if not line.get("felt", 1.0) > 0.0:
        found.append("is felt at nothing")
    if line.get("of", "mean") not in ("mean", "front_before_rear"):
        found.append(f"of {line['of']}")
    ranges = [line[key] for key in ("front_mm", "rear_mm") if key in line]
    return found + [f"range {span}" for span in ranges if not 0.0 <= span[0] <= span[1]]


def test_every_statement_is_well_formed():
    """A metric or venue that nobody knows would silently leave a statement unasked."""
    wrong = {line["id"]: faults(kind, line) for kind, found in lines().items() for line in found}
    assert {name: found for name, found in wrong.items() if found} == {}


def test_statements_have_names_of_their_own_and_there_are_enough():
    """28 lines are promised; a name used twice would hide one of them."""
    names = [line["id"] for found in lines().values() for line in found]
    assert len(names) == len(set(names))
    assert len(names) >= 28


def test_the_liked_setup_is_one_of_the_car():
    """A liked bar that is not in the box could not be set."""
    liked = tomllib.loads(text())["liked"]
    assert set(liked) == set(CARS)
    for kind, bars in liked.items():
        path = Path(__file__).parents[2] / "configs" / "cars" / f"{CARS[kind]}.toml"
        box = tomllib.loads(path.read_text(encoding="utf-8"))["parts"]
        for end in ("front", "rear"):
            assert bars[f"{end}_bar"] in [part["label"] for part in box[f"{end}_bars"]]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"metric": "hairpin.balence_pct"}, "no metric hairpin.balence_pct"),
        ({"direction": "more"}, "goes neither up nor down"),
        ({"venues": ["carpets"]}, "no venue carpets"),
        ({"change": {"frontbar": 1}}, "no knob frontbar"),
        ({"felt": 0.0}, "is felt at nothing"),
    ],
)
def test_a_malformed_line_is_told(change, told):
    """Control: a check that finds nothing wrong with a wrong line checks nothing."""
    assert faults("changes", lines()["changes"][0] | change) == [told]
