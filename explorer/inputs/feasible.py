"""Whether a car can stand at all: sprung masses, the chassis above the ground, the roll axis below its mass.

The model has an answer only for cars that pass; a study's knobs are tried at their ends, where these are extreme.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from explorer.domain.space import ENUMERATION_CEILING, RULE_CELLS, FloatArray, Space
from explorer.inputs.source import Source
from explorer.inputs.toml_lines import KeyPath
from explorer.model.car.slots import SLOT

_ENDS = ("front", "rear")
FAULT_WORDS = {
    "front sprung mass": "the front wheels alone would weigh more than the front of the car",
    "rear sprung mass": "the rear wheels alone would weigh more than the rear of the car",
    "sprung height": "the chassis' centre of gravity would be below the ground",
    "roll axis": "the roll axis would lie above the sprung centre of gravity",
}
_NAME_OF = {index: name for name, index in SLOT.items()}


def _stem(slot: int) -> str:
    return _NAME_OF[slot].removeprefix("front_").removeprefix("rear_")


def sprung_heights(vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Heights of the sprung centre of gravity and of the roll axis below it. `vectors` (rows, slots) -> (rows,) [m]."""
    column = {name: vectors[:, index] for name, index in SLOT.items()}
    sprung = _sprung(vectors)
    total = sprung["front"] + sprung["rear"]
    moment = column["mass"] * column["cg_height"]
    axis = np.zeros(len(vectors))
    for name in _ENDS:
        lift = column[f"{name}_ride_height"] - column[f"{name}_ride_height_reference"]
        moment = moment - 2.0 * column[f"{name}_unsprung_mass"] * column[f"{name}_wheel_radius"] + sprung[name] * lift
        centre = column[f"{name}_roll_centre_height"] + column[f"{name}_roll_centre_rate"] * lift
        axis += sprung[name] / total * centre
    return moment / total, axis


def _sprung(vectors: FloatArray) -> dict[str, FloatArray]:
    column = {name: vectors[:, index] for name, index in SLOT.items()}
    shift = column["ballast_mass"] * column["ballast_shift"] / column["wheelbase"]
    front = column["mass"] * column["front_weight_share"] + shift
    return {
        "front": front - 2.0 * column["front_unsprung_mass"],
        "rear": column["mass"] - front - 2.0 * column["rear_unsprung_mass"],
    }


def mass_faults(vectors: FloatArray) -> list[tuple[str, ...]]:
    """What is impossible about each car: an end without sprung mass, a chassis below ground, a roll axis too high."""
    sprung = _sprung(vectors)
    result: list[tuple[str, ...]] = []
    for row in range(len(vectors)):
        light = tuple(f"{name} sprung mass" for name in _ENDS if sprung[name][row] <= 0.0)
        if not light:
            height, axis = (float(v[0]) for v in sprung_heights(vectors[row : row + 1]))
            light = ("sprung height",) if height <= 0.0 else ("roll axis",) if axis >= height else ()
        result.append(light)
    return result


def corner_faults(space: Space) -> tuple[tuple[str, str], ...]:
    """(fault, setup in words) once for each fault met at the ends of the knobs; forbidden setups are left out."""
    stems = ("ride_height", "roll_centre_height", "wheel_radius", "ballast_shift")
    choices: list[list[float]] = []
    for knob, at in zip(space.knobs, space.baseline, strict=True):
        columns = [index for index, slot in enumerate(knob.slots) if _stem(slot) in stems]
        if not columns:
            choices.append([at])
            continue
        numbers = [row[columns[0]] for row in knob.settings]
        choices.append(sorted({float(np.argmin(numbers)), float(np.argmax(numbers))}))
    corners = np.array(list(itertools.product(*choices)), dtype=np.float64)
    corners = corners[space.allowed(corners)]
    found: dict[str, str] = {}
    for positions, faults in zip(corners, mass_faults(space.parameters(corners)), strict=True):
        for fault in faults:
            moved = [
                f"{knob.name} = {knob.label_at(float(position))}"
                for knob, position, options in zip(space.knobs, positions, choices, strict=True)
                if len(options) > 1
            ]
            found.setdefault(fault, ", ".join(moved))
    return tuple(found.items())


def refuse_impossible_space(study: Source, space: Space, rules: list[KeyPath]) -> None:
    """Note at the study what no run could do: a baseline that a rule forbids, more than can be listed, cars that cannot
    stand. `rules` are the places of the space's rules."""
    baseline = np.array([space.baseline])
    for rule, path in zip(space.rules, rules, strict=True):
        if not replace(space, rules=(rule,)).allowed(baseline)[0]:
            line = f"line {study.line(path)}" if study.line(path) else "a rule"
            allowed = f"a setup that can be built; the rule of {line} says: {rule.reason}"
            study.report(("baseline",), "a setup that a rule forbids", allowed)
    if space.settings.method == "exhaustive":
        if not space.enumerable:
            study.report(("method", "method"), '"exhaustive"', '"auto" or "sampled": a knob is continuous')
        elif space.full_size > ENUMERATION_CEILING:
            allowed = f'at most {ENUMERATION_CEILING:,} for "exhaustive"; narrow the knobs or use "sampled"'
            study.report(("method", "method"), f"{space.full_size:,} setups", allowed)
    if space.rules and space.enumerable and space.full_size > ENUMERATION_CEILING:
        allowed = f"at most {ENUMERATION_CEILING:,} before rules; narrow the knobs"
        study.report(("rules",), f"{space.full_size:,} combinations", allowed)
    elif space.enumerable and space.full_size * len(space.rules) > RULE_CELLS:
        found = f"{len(space.rules):,} rules over {space.full_size:,} combinations"
        allowed = f"at most {RULE_CELLS:,} in all, rules times combinations; narrow the knobs or join rules"
        study.report(("rules",), found, allowed)
    for fault, setup in corner_faults(space):
        study.report(("knobs",), setup, f"levels at which the car stands: here {FAULT_WORDS[fault]}")
