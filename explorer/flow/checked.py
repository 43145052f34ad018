"""A study that was read without a fault, looked at before it is asked: numbers that follow, odd ones with their place,
one setup."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from explorer.domain.errors import ModelError, Problem
from explorer.domain.space import Assumption, Space
from explorer.domain.units import unit_of
from explorer.domain.unknowns import how_to_measure
from explorer.inputs.car_and_surface import build_car
from explorer.inputs.fields import one_spelling
from explorer.inputs.links import Computed, disagreements
from explorer.inputs.load import LoadedStudy
from explorer.inputs.parts_box import PLACE_SLOTS, PLACES
from explorer.inputs.source import Source, dotted
from explorer.inputs.toml_lines import KeyPath
from explorer.inputs.unknowns import LEAST_SHARE, SURFACE_STEMS, split_key
from explorer.model.car.slots import SLOT
from explorer.model.kernel import evaluate_parameters
from explorer.model.metrics import describe, metric_columns
from explorer.report import words
from explorer.study.everything.evaluate import nominal, reason_of, table_of
from explorer.study.everything.wishes import resolve_wishes, wish_lines
from explorer.study.questions.sanity import Derived, Suspicion, derived, overturned, suspicions

PART_KEYS = {
    "spring_rate": ("rate", "wire"),
    "bar_rate": ("measured_rate", "wire"),
    "damping": ("damping",),
    "tyre_grip": ("grip_factor",),
    "tyre_rate": ("rate",),
    "wheel_radius": ("radius",),
}
"""Stems of the keys of a part that give each parameter."""

CAR_KEYS: dict[str, tuple[str, tuple[str, ...]]] = {
    "mass": ("mass", ("total",)),
    "front_weight_share": ("mass", ("front_weight_share",)),
    "cg_height": ("mass", ("cg_height",)),
    "ballast_mass": ("mass", ("ballast",)),
    "wheelbase": ("geometry", ("wheelbase",)),
    "chassis_half_width": ("underside", ("half_width",)),
}
"""Table and stems of the keys of a car file, where the parameter is not of an end and not assumed."""

SAME_WIRE = 0.06
"""A label may be rounded by this much. [mm]"""

END_KEYS = {"ride_height_reference": ("ride_height",), "tyre_rate": ("tyre_rate", "tyre_squash")}


@dataclass(frozen=True)
class Checked:
    """`numbers` follow from the baseline, `links` from the car's hardpoints; `warnings` are odd numbers, each with
    file, line and key; `typical` what nobody measured, what moves the baseline most first."""

    numbers: tuple[Derived, ...]
    warnings: tuple[Problem, ...]
    links: tuple[Computed, ...] = ()
    typical: tuple[Assumption, ...] = ()


@dataclass(frozen=True)
class OneSetup:
    """One setup: the level of every knob, and every metric by name (a number in the unit that its name ends in, or a
    word where it names a state); how it stands to each wish, in words."""

    setup: dict[str, str]
    metrics: dict[str, float | str]
    wishes: tuple[str, ...] = ()


def check(study: LoadedStudy) -> Checked:
    """Derived numbers of the baseline, and every number that looks like a slip of unit."""
    space = study.space
    sources = [Source(file.path, []) for file in study.files[:3]]
    for source in sources:
        source.read()
    warnings = []
    slips = suspicions(space)
    for odd in slips:
        source, path = _place(odd, *sources)
        if path == ("assumed",):
            continue  # it stands in no file: it was scaled from a number that is told itself
        key = dotted(path) + (f" ({odd.label})" if odd.label and path[0] == "parts" else "")
        warnings.append(Problem(source.path, source.line(path), key, odd.found, odd.hint))
    warnings += _bars_named_otherwise(sources[1])
    links = build_car(sources[1]).computed
    warnings += disagreements(sources[1], links)
    now = table_of(space, np.array([space.baseline]))
    for phase in overturned(now).phases:
        path = ("phases", space.phase_names.index(phase))
        if any(odd.phase == path[1] for odd in slips):
            continue  # it asks for too much: that is told already
        found, hint = "the baseline rolls over here", "a slower corner, a lower centre of gravity or a wider track"
        warnings.append(Problem(sources[2].path, sources[2].line(path), f"{dotted(path)} ({phase})", found, hint))
    return Checked(derived(space), tuple(warnings), links, typical(space))


def typical(space: Space) -> tuple[Assumption, ...]:
    """What the car file calls typical, in the order of what it does to the baseline: the largest change of an
    objective, in felt differences, from one end of its spread to the other."""
    items = [item for item in space.assumptions if how_to_measure(item.reason)]
    if not items:
        return ()
    rows = np.repeat(space.base[None, :], 2 * len(items), axis=0)
    for place, item in enumerate(items):
        ends = np.array([item.value - item.spread, item.value + item.spread]) / (item.value or 1.0)
        column = SLOT[split_key(item.key)[0]]
        if item.value > 0.0:
            rows[2 * place : 2 * place + 2, column] *= np.maximum(ends, LEAST_SHARE)
        else:
            rows[2 * place : 2 * place + 2, column] *= ends
    case = nominal()
    values, valid = evaluate_parameters(rows, space.phases, case.slots, case.factor, case.offset)
    names = list(metric_columns(space.phase_names))
    steps = np.zeros(len(items))
    for one in space.objectives:
        low, high = values[0, :, names.index(one.metric)].reshape(-1, 2).T
        steps = np.maximum(steps, np.abs(high - low) / one.resolution)
    answered = valid[0].reshape(-1, 2).all(axis=1)
    return tuple(items[place] for place in np.lexsort((-steps, answered)))


def _bars_named_otherwise(car: Source) -> Iterator[Problem]:
    """Bars whose label is a size in millimetres and whose wire is another."""
    for place in ("front_bars", "rear_bars"):
        for path, raw in car.entries(("parts", place)):
            key = _key(car, path, ("wire",))
            size = re.fullmatch(r"(\d+\.\d+)(?: ?mm)?", str(raw.get("label")).strip())
            unit = unit_of(str(key[-1]))
            if size is None or unit is None or len(key) == len(path):
                continue
            wire = 1000.0 * unit.factor * float(raw[key[-1]])
            if abs(wire - float(size[1])) > SAME_WIRE:
                found, hint = f"{wire:.4g} mm of wire", f"the label says {size[1]}: which of both is it?"
                yield Problem(car.path, car.line(key), dotted(key), found, hint)


def one_setup(space: Space, choices: dict[str, str] | None = None) -> OneSetup:
    """Every metric of the baseline with the named knobs at the named levels.

    Raises SpaceError for an unknown knob or level or a setup that a rule forbids, ModelError where there is no answer.
    """
    positions = space.built(choices or {})
    table = table_of(space, positions[None, :])
    if not table.valid[0]:
        raise ModelError(f"the model has no answer for this setup: {reason_of(space, positions)}")
    labels = dict(zip(space.knob_names, space.labels(positions), strict=True))
    wishes = tuple(words.wish_line(line, space) for line in wish_lines(resolve_wishes(space), table))
    return OneSetup(labels, {name: spoken(name, value) for name, value in table.row(0).items()}, wishes)


def spoken(metric: str, value: float) -> float | str:
    """A metric's value, in words where it is a code."""
    codes = describe(metric).codes
    return codes[int(value)] if codes else value


def _place(odd: Suspicion, study: Source, car: Source, surface: Source) -> tuple[Source, KeyPath]:
    """File and key path of a suspicion."""
    if odd.phase >= 0:
        return surface, _key(surface, ("phases", odd.phase), (odd.slot,))
    if odd.slot in SURFACE_STEMS:
        return surface, _key(surface, ("surface",), (odd.slot,))
    if odd.knob and odd.knob not in PLACES:
        return study, ("knobs", odd.knob)
    end, _, stem = odd.slot.partition("_")
    if end in ("front", "rear") and odd.slot not in CAR_KEYS:
        found = _part(car, odd, end, stem)
        if found:
            return car, found
        stems = END_KEYS.get(stem, (stem,))
        if stem == "damping":
            return car, _key(car, ("assumed",), (odd.slot,))
        return car, _key(car, (end,), stems)
    table, stems = CAR_KEYS.get(odd.slot, ("assumed", (odd.slot,)))
    return car, _key(car, (table,), stems)


def _part(car: Source, odd: Suspicion, end: str, stem: str) -> KeyPath:
    """Key of the part that gives a parameter, or nothing where no part does."""
    kinds = [kind for kind, stems in PLACE_SLOTS.items() if stem in stems]
    if not kinds:
        return ()
    place = f"{end}_{kinds[0]}"
    entries = car.entries(("parts", place + "s"))
    label = odd.label or car.at(("fitted", place)) or (entries[0][1].get("label") if len(entries) == 1 else None)
    for path, raw in entries:
        if one_spelling(f"{raw.get('label')}".strip()) == one_spelling(f"{label}".strip()):
            key = _key(car, path, PART_KEYS[stem])
            return key if len(key) > len(path) else ()
    return ()


def _key(source: Source, path: KeyPath, stems: tuple[str, ...]) -> KeyPath:
    """Path of the first key in a table that gives one of these quantities; of the table where none does."""
    table = source.at(path)
    keys = list(table) if isinstance(table, dict) else []
    for stem in stems:
        actual = source.actual(path, stem)
        if actual in keys:
            return (*path, actual)
    return path


def facts(space: Space, found: Checked) -> dict[str, Any]:
    """What a study asks and what was noticed, as plain values."""
    return {
        "study": space.name,
        "car": space.car,
        "surface": space.surface,
        "seed": space.seed,
        "knobs": [
            {"name": knob.name, "unit": knob.unit, "minutes": knob.minutes}
            | ({"from": knob.values[0], "to": knob.values[1]} if knob.continuous else {"levels": knob.labels})
            for knob in space.knobs
        ],
        "setups": space.size if space.exhaustive else None,
        "combinations": space.full_size if space.enumerable else None,
        "phases": space.phase_names,
        "objectives": space.objectives,
        "limits": space.limits,
        "wishes": space.wishes,
        "axle": space.axle,
        "notes": space.notes,
        "assumptions": space.assumptions,
        "unknowns": [{"key": one.key, "law": one.law, "reason": one.reason} for one in space.unknowns],
        "numbers": [
            {
                "key": one.key,
                "label": one.label,
                "value": one.value,
                "unit": one.unit,
                "usual_from": one.low,
                "usual_to": one.high,
                "usual": one.usual,
                "verdict": one.verdict,
                "note": one.note,
            }
            for one in found.numbers
        ],
        "links": found.links,
        "typical": [item.key for item in found.typical],
        "warnings": found.warnings,
    }


def _taken(item: Assumption) -> str:
    return f"{item.key} = {words.with_spread(item.value, item.spread)}"


def _many(space: Space) -> str:
    """How many setups a space that is not listed has."""
    if not space.enumerable:
        return "continuous knobs"
    return f"{space.full_size:,} combinations" + (" before rules" if space.rules else "")


def text(space: Space, found: Checked) -> str:
    """The same in words; the warnings are left to the caller."""
    lines = [f"{space.name}: {space.car} on {space.surface}, seed {space.seed}"]
    for knob in space.knobs:
        what = ", ".join(knob.labels)
        if knob.continuous:
            what = f"{knob.values[0]:g} to {knob.values[1]:g} {knob.unit}"
        lines.append(f"  {knob.name}: {what}")
    size = f"{space.size:,} setups" if space.exhaustive else f"{_many(space)}: searched, not listed"
    lines.append(f"{size}; {len(space.phase_names)} phases: {', '.join(space.phase_names)}")
    lines.append("the baseline, beside what is usual for a car of this size (common practice, no source):")
    for one in found.numbers:
        value = "-" if one.value is None else f"{one.value:.4g} {one.unit}"
        note = f" ({one.note})" if one.note else ""
        lines.append(f"  {one.label:34s} {value:>12s}  {one.verdict}{note}")
    if found.links:
        lines.append("from the links, each coordinate read to the millimetre:")
        lines += [f"  {one.words}" for one in found.links]
    lines += [f"note: {note}" for note in space.notes]
    if found.typical:
        lines.append(
            f"{len(found.typical)} numbers of the car typical, what moves the baseline most first; to measure it:"
        )
        lines += [f"  {_taken(item)}: {how_to_measure(item.reason)}" for item in found.typical]
    guesses = [item for item in space.assumptions if item not in found.typical]
    lines.append(f"{len(guesses)} inputs assumed, not measured:")
    lines += [f"  {_taken(item)}: {item.reason}" for item in guesses]
    if found.warnings:
        lines.append(f"{len(found.warnings)} numbers look odd; nothing is refused for it")
    return "\n".join(lines)
