"""The one table of what such cars have where nobody measured it: value, spread, range and how to measure it.

1:10 off-road buggies, two- or four-wheel drive; common practice, no source, and the ranges that the demo's cars, the
fleet and the cars on links of `explorer.validation` are drawn from. A car file says `"typical"` in place of a number:
the value is put there before anything is validated, and the number is assumed, with its spread, in every run.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from explorer.domain.space import Assumption
from explorer.domain.units import to_si, unit_of
from explorer.domain.unknowns import NOT_MEASURED, TYPICAL_OF_CARS
from explorer.inputs.fields import KINDS, Quantity, Table, Worded
from explorer.inputs.parts_box import ENDS, Part
from explorer.inputs.source import Source
from explorer.inputs.tables import TYPICAL, BarGeometry, End, Geometry, Mass, Steering, Underside
from explorer.inputs.toml_lines import KeyPath
from explorer.model.car.parts import bar_end_rate, wire_moduli

MODELS: dict[str, type[Table]] = {"mass": Mass, "geometry": Geometry, "steering": Steering, "underside": Underside}
MODELS |= {end: End for end in ENDS} | {f"{end}.bar": BarGeometry for end in ENDS}
"""Tables of a car file that may hold the word, by their path."""

LEVER = 0.93
"""Lever over arm of a bar: arms splay a little."""


@dataclass(frozen=True)
class Guess:
    """What such cars have, in the usual unit: value, half width of its spread, lowest and highest of the range outside
    which a given number is asked about."""

    value: float
    spread: float
    low: float
    high: float


@dataclass
class Known:
    """A car as far as it is known: which wheels are driven, numbers by slot or name in their usual unit."""

    drive: str = "rear"
    numbers: dict[str, float] = field(default_factory=dict)

    def get(self, name: str, otherwise: float) -> float:
        """A number, or what stands in for it."""
        return self.numbers.get(name, otherwise)


@dataclass(frozen=True)
class Row:
    """One number that may be typical: its table and stem in a car file, the model's slot ("" for the shape of a bar),
    what such cars have, and what that is scaled from. Where one of the keys `beside` it stands in the table, that
    reading counts and the word gives way."""

    table: str
    stem: str
    slot: str
    guess: Callable[[Known], Guess]
    why: str = ""
    beside: tuple[str, ...] = ()

    @property
    def path(self) -> KeyPath:
        """Of the table."""
        return tuple(self.table.split("."))

    @property
    def quantity(self) -> Quantity:
        """Kind of unit, and how to measure it."""
        return MODELS[self.table].quantities()[self.stem]

    @property
    def name(self) -> str:
        """Slot, or place and stem of a bar's shape."""
        return self.slot or f"{self.table.replace('.', '_')}_{self.stem}"


def _plain(value: float, spread: float, low: float, high: float) -> Callable[[Known], Guess]:
    return lambda known: Guess(value, spread, low, high)


def _by_drive(**guesses: tuple[float, float, float, float]) -> Callable[[Known], Guess]:
    return lambda known: Guess(*guesses.get(known.drive, guesses["rear"]))


def _cg_height(known: Known) -> Guess:
    return Guess(24.0 + 0.5 * sum(known.get(f"{end}_ride_height", 22.0) for end in ENDS), 5.0, 34.0, 62.0)


def _share_of(
    name: str, usual: float, share: float, spread: float, low: float, high: float
) -> Callable[[Known], Guess]:
    return lambda known: Guess(share * known.get(name, usual), spread, low, high)


def _span(end: str) -> Callable[[Known], Guess]:
    return lambda known: Guess(known.get(f"{end}_bar_straight", 60.0) - 4.0, 2.0, 30.0, 90.0)


def _straight(end: str) -> Callable[[Known], Guess]:
    return lambda known: Guess(known.get(f"{end}_bar_bearing_span", 56.0) + 4.0, 13.0, 35.0, 95.0)


def _arm(end: str) -> Callable[[Known], Guess]:
    return lambda known: Guess(known.get(f"{end}_bar_lever", 26.0) / LEVER, 8.0, 15.0, 50.0)


def _of_end(end: str, share: float, ratio: float, centre: float, droop: float) -> tuple[Row, ...]:
    """Rows of an end: unsprung mass as a share of the car's, motion ratio, roll centre [mm], droop as a share of the
    ride height."""
    mass = _share_of("mass", 1600.0, share, 16.0, 40.0, 120.0)
    travel = _share_of(f"{end}_ride_height", 22.0, droop, 3.0, 3.0, 20.0)
    lever = _share_of(f"{end}_bar_arm", 28.0, LEVER, 2.0, 12.0, 48.0)
    rows = (
        Row(end, "track", "track", _plain(206.0, 6.0, 190.0, 250.0)),
        Row(end, "unsprung_mass", "unsprung_mass", mass, f"{100 * share:g} % of the car's mass"),
        Row(end, "wheel_radius", "wheel_radius", _plain(42.0, 1.0, 38.0, 46.0)),
        Row(
            end, "spring_motion_ratio", "spring_motion_ratio", _plain(ratio, 0.1, 0.4, 1.0), "", ("links.shock_inner",)
        ),
        Row(end, "bar_motion_ratio", "bar_motion_ratio", _plain(0.4, 0.2, 0.15, 0.8)),
        Row(end, "roll_centre_height", "roll_centre_height", _plain(centre, 9.0, -5.0, 35.0), "", ("links",)),
        Row(end, "droop", "droop", travel, f"{droop:g} times the ride height", ("droop_lift",)),
        Row(end, "camber", "camber", _plain(-1.0, 1.0, -3.0, 0.0)),
        Row(end, "tyre_rate", "tyre_rate", _plain(3.9, 0.9, 2.2, 6.5), "", ("tyre_squash",)),
        Row(f"{end}.bar", "straight", "", _straight(end)),
        Row(f"{end}.bar", "bearing_span", "", _span(end), "4 mm less than the straight"),
        Row(f"{end}.bar", "arm", "", _arm(end)),
        Row(f"{end}.bar", "lever", "", lever, f"{LEVER:g} times the arm"),
    )
    return tuple(Row(r.table, r.stem, r.slot and f"{end}_{r.slot}", r.guess, r.why, r.beside) for r in rows)


ROWS: tuple[Row, ...] = (
    Row("mass", "total", "mass", _by_drive(rear=(1600, 100, 1400, 1850), all=(1650, 100, 1400, 1850))),
    Row(
        "mass",
        "front_weight_share",
        "front_weight_share",
        _by_drive(rear=(39, 3, 34, 50), all=(46.5, 2.5, 38, 52), front=(58, 5, 50, 66)),
        "by the driven wheels",
    ),
    *(Row(end, "ride_height", f"{end}_ride_height", _plain(22.0, 4.0, 10.0, 32.0)) for end in ENDS),
    Row("mass", "cg_height", "cg_height", _cg_height, "24 mm over the mean ride height"),
    Row("geometry", "wheelbase", "wheelbase", _plain(282.0, 7.0, 260.0, 300.0)),
    *_of_end("front", 0.040, 0.60, 11.0, 0.45),
    *_of_end("rear", 0.051, 0.70, 14.0, 0.55),
    Row("steering", "caster", "caster", _by_drive(rear=(22, 7, 3, 32), all=(14, 6, 3, 32)), "by the driven wheels"),
    Row("steering", "kingpin_inclination", "kingpin_inclination", _plain(2.5, 2.5, -1.0, 8.0)),
    Row("underside", "half_width", "chassis_half_width", _plain(62.0, 12.0, 40.0, 90.0)),
    Row("underside", "front_edge_offset", "front_edge_offset", _plain(35.0, 15.0, -20.0, 80.0)),
    Row("underside", "rear_edge_offset", "rear_edge_offset", _plain(25.0, 15.0, -20.0, 80.0)),
)
"""Every number that may be typical, what others are scaled from first. In the usual unit: g, %, mm, deg, N/mm."""

LARGEST = 1e9
"""A number above this is left to the validation."""

BY_SLOT = {row.slot: row for row in ROWS if row.slot}


@dataclass
class Filled:
    """What was put into a car file: `assumptions` of the slots, `shapes` by end the half widths [m] of what is typical
    of a bar's shape, `asked` about given numbers that such cars do not have."""

    assumptions: list[Assumption] = field(default_factory=list)
    shapes: dict[str, dict[str, float]] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)


def fill_typical(source: Source) -> Filled:
    """Put the value in place of each word that may stand there; the source's own tables are changed."""
    found = Filled()
    drive = source.at(("car", "drive"))
    known = Known(drive if isinstance(drive, str) else "rear")
    for row in ROWS:
        for key, raw, scale in _written(source, row):
            if isinstance(raw, (int, float)) and not isinstance(raw, bool) and abs(raw) < LARGEST:
                known.numbers[row.name] = raw * scale
                question = _question(row, row.guess(known), raw * scale)
                place = f"{Path(source.path).name}, line {source.line((*row.path, key))}"
                found.asked += [f"{question} ({place})"] if question else []
    for row in ROWS:
        guess = row.guess(known)
        for key, raw, scale in _written(source, row):
            if not isinstance(raw, str) or raw.strip() != TYPICAL:
                continue
            table = source.at(row.path)
            if any(_stands(source, row.path, other) for other in row.beside):
                del table[key]
                continue
            table[key] = float(f"{guess.value / scale:.9g}")
            _note(found, row, guess)
        known.numbers.setdefault(row.name, guess.value)
    return found


def _written(source: Source, row: Row) -> list[tuple[str, Any, float]]:
    """(key, what stands there, its unit over the usual one) of each key of the file that gives this number."""
    table = source.at(row.path)
    if not isinstance(table, dict):
        return []
    usual = _factor(KINDS[row.quantity.kind][0])
    keys = row.quantity.keys(row.stem).items()
    return [(key, table[key], _factor(suffix) / usual) for key, suffix in keys if key in table]


def _factor(suffix: str) -> float:
    return to_si(1.0, suffix) if suffix else 1.0


def _stands(source: Source, path: KeyPath, key: str) -> bool:
    """Whether a reading stands in a table: "links", "links.shock_inner", or a stem without its unit."""
    *inner, stem = key.split(".")
    table = source.at((*path, *inner))
    return isinstance(table, dict) and source.actual((*path, *inner), stem) in table


def _note(found: Filled, row: Row, guess: Guess) -> None:
    suffix = KINDS[row.quantity.kind][0]
    if not row.slot:
        found.shapes.setdefault(row.table.split(".")[0], {})[row.stem] = guess.spread * _factor(suffix)
        return
    why = f" ({row.why})" if row.why else ""
    reason = f"{TYPICAL_OF_CARS}{why}, {NOT_MEASURED}{row.quantity.how}"
    found.assumptions.append(Assumption(f"{row.slot}_{suffix}".rstrip("_"), guess.value, guess.spread, reason))


def _question(row: Row, guess: Guess, value: float) -> str:
    """What is asked about a number outside the range of such cars; "" inside. In the usual unit."""
    if guess.low <= value <= guess.high:
        return ""
    unit = unit_of(f"x_{KINDS[row.quantity.kind][0]}")
    label = f" {unit.label}" if unit else ""
    doubt = "Is the sign right?" if guess.low <= -value <= guess.high else "Was it measured so?"
    shown = f"{value:+.4g}" if guess.low < 0.0 else f"{value:.4g}"
    return f"{row.name.replace('_', ' ')} {shown}{label}: such cars have {guess.low:g} to {guess.high:g}. {doubt}"


def asked_of_levels(slot: str, levels: list[float]) -> list[str]:
    """What is asked about the lowest and highest level [SI] of a knob that sets a number; "ballast_shift" is free."""
    row = BY_SLOT.get(slot)
    if row is None:
        return []
    factor = _factor(KINDS[row.quantity.kind][0])
    asked = (_question(row, row.guess(Known()), level / factor) for level in sorted({min(levels), max(levels)}))
    return [question for question in asked if question]


MOVES_WITH = {"straight": "bearing_span", "arm": "lever"}
"""Typical of a bar's shape and scaled from another part of it."""


def bar_assumption(
    name: str, shape: BarGeometry | None, box: tuple[Part, ...], fitted: str | None, spreads: dict[str, float]
) -> Assumption | None:
    """How far off the rates of an end's bars may be where parts of their shape are typical: half the logarithm of what
    each part of it makes of a bar between its ends, in quadrature. None without a bar of known wire.

    The bar is the one `fitted`, else the middle of the box; all bars of the end are off by the same factor.
    """
    wired = [part for part in box if part.value and part.settings[0] > 0.0]
    if shape is None or not spreads or not wired:
        return None
    part = next((one for one in wired if one.label == fitted), wired[len(wired) // 2])
    wire = 0.001 * (part.value or 0.0)
    moduli = wire_moduli(shape.material, wire)
    stems = ("straight", "bearing_span", "arm", "lever")

    def rate(moved: str, by: float) -> float:
        sizes = {stem: getattr(shape, stem) for stem in stems}
        for stem in (moved, MOVES_WITH.get(moved, "")):
            if stem in spreads:
                sizes[stem] = max(sizes[stem] + by * (LEVER if stem == "lever" != moved else 1.0), 0.2 * sizes[stem])
        sizes["bearing_span"] = min(sizes["bearing_span"], sizes["straight"])
        sizes["lever"] = min(sizes["lever"], sizes["arm"])
        return bar_end_rate(wire, **sizes, elastic_modulus=moduli.elastic, shear_modulus=moduli.shear)

    share = math.hypot(*(0.5 * math.log(rate(stem, by) / rate(stem, -by)) for stem, by in spreads.items()))
    how = "; ".join(
        f"{stem.replace('_', ' ')} {BarGeometry.quantities()[stem].how}" for stem in stems if stem in spreads
    )
    reason = f"{TYPICAL_OF_CARS} (the shape of its bars, every bar off alike), {NOT_MEASURED}{how}"
    value = part.settings[0] / to_si(1.0, "n_per_mm")
    return Assumption(f"{name}_bar_rate_n_per_mm", value, share * value, reason)


def may_be_typical() -> set[tuple[str, str]]:
    """(table, stem) of every quantity of a car file that takes the word."""
    return {
        (path, stem)
        for path, model in MODELS.items()
        for stem, quantity in model.quantities().items()
        if isinstance(quantity, Worded)
    }
