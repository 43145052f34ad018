"""From the tables on what is not known to `Unknown`s, and how a plan is asked for.

Every assumed number is an unknown by default, with its usual spread, both ends alike but for some tyre constants; so
are the height of the centre of gravity and the tyres' stiffness, which are measured but seldom well. What a car file
calls typical is drawn apart at either end. `[unknowns.KEY]` gives any other number of the car or the surface a spread,
or takes one away. Where a knob sets the same number, all its levels are off alike: a length or an angle by so much,
anything else (rates, masses, ratios) by such a share.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from explorer.domain.space import Assumption, FloatArray, Knob
from explorer.domain.units import to_si, unit_of
from explorer.domain.unknowns import (
    CG_HEIGHT_SPREAD,
    MODEL_ERROR,
    TYRE_RATE_SPREAD,
    UNLIKE_ENDS,
    Planning,
    Unknown,
    how_to_measure,
)
from explorer.inputs.assumed import ASSUMED, SURFACE_SPREADS
from explorer.inputs.fields import KINDS, Quantity, show
from explorer.inputs.source import Source, near
from explorer.inputs.tables import (
    RATE,
    RIDE_HEIGHT,
    TYRE_RATE,
    CarryOverTable,
    End,
    Geometry,
    Mass,
    PitsTable,
    Steering,
    SurfaceHead,
    UncertaintyTable,
    Underside,
    UnknownTable,
)
from explorer.inputs.toml_lines import KeyPath
from explorer.model.car.slots import SLOT

ENDS = ("front_", "rear_")
SURFACE_STEMS = tuple(one.stem for one in SURFACE_SPREADS)
LEAST_SHARE = 0.1
"""A positive number is never drawn below this share of its best guess."""

LEAST_SPREAD = 1e-12
"""A spread below this share of a number's range is none: the number is known."""

SHIFTING = ("length", "angle")
"""Kinds of number that are off by an offset; others by a factor."""

_END_STEMS = (
    "track",
    "unsprung_mass",
    "wheel_radius",
    "spring_motion_ratio",
    "bar_motion_ratio",
    "roll_centre_height",
    "droop",
    "camber",
)
_CAR_TABLES = (
    (Mass, ("front_weight_share", "cg_height")),
    (Geometry, ("wheelbase",)),
    (Steering, ("caster", "kingpin_inclination")),
    (Underside, ("front_edge_offset", "rear_edge_offset")),
)


def _catalogue() -> dict[str, Quantity]:
    """Slot -> quantity, for every number that may be unknown."""
    found = {stem: table.quantities()[stem] for table, stems in _CAR_TABLES for stem in stems}
    found["mass"] = Mass.quantities()["total"]
    found["chassis_half_width"] = Underside.quantities()["half_width"]
    per_end = {stem: End.quantities()[stem] for stem in _END_STEMS}
    per_end |= {"tyre_rate": TYRE_RATE, "spring_rate": RATE, "bar_rate": RATE, "ride_height": RIDE_HEIGHT}
    found |= {end + stem: quantity for end in ENDS for stem, quantity in per_end.items()}
    found |= {key.stem: Quantity(key.kind, key.low, key.high) for key in ASSUMED}
    found |= {stem: SurfaceHead.quantities()[stem] for stem in SURFACE_STEMS}
    return found


CATALOGUE = _catalogue()


@dataclass(frozen=True)
class _Entry:
    """One slot that is not known. SI."""

    slot: str
    value: float
    spread: float
    law: str
    low: float
    high: float
    reason: str


def slots_of(stem: str) -> tuple[str, ...]:
    """Slots that a stem names: itself, or both ends; none for an unknown name.

    >>> slots_of("camber")
    ('front_camber', 'rear_camber')
    """
    if stem in CATALOGUE:
        return (stem,)
    return tuple(end + stem for end in ENDS if end + stem in CATALOGUE)


def known_keys() -> list[str]:
    """Every key that may stand under [unknowns], in its usual unit."""
    stems = list(dict.fromkeys(_shared(slot) for slot in CATALOGUE))
    return [_key(stem) for stem in stems]


def _shared(slot: str) -> str:
    """Name without the end where both ends have it."""
    for end, other in (ENDS, ENDS[::-1]):
        if slot.startswith(end) and other + slot.removeprefix(end) in CATALOGUE:
            return slot.removeprefix(end)
    return slot


def _key(stem: str) -> str:
    suffix = KINDS[CATALOGUE[slots_of(stem)[0]].kind][0]
    return f"{stem}_{suffix}" if suffix else stem


def split_key(key: str) -> tuple[str, str]:
    """(stem, unit suffix) of a key; the stem is "" where nothing is called so or the unit is of another kind."""
    unit = unit_of(key)
    for stem, suffix in (
        (key, ""),
        (key.removesuffix("_" + unit.suffix) if unit else key, unit.suffix if unit else ""),
    ):
        slots = slots_of(stem)
        if slots and suffix in KINDS[CATALOGUE[slots[0]].kind]:
            return stem, suffix
    return "", ""


def _entry(
    slot: str, value: float, spread: float, reason: str, law: str = "normal", within: Quantity | None = None
) -> _Entry:
    quantity = within or CATALOGUE[slot]
    floor = LEAST_SHARE * value if value > 0.0 and quantity.low >= 0.0 else -math.inf
    reach = 2.0 * spread if law in ("normal", "uniform", "triangular") else math.inf
    low, high = max(quantity.low, floor, value - reach), min(quantity.high, value + reach)
    return _Entry(slot, value, spread, law, min(low, value), max(high, value), reason)


def default_entries(base: FloatArray, assumptions: tuple[Assumption, ...]) -> dict[str, _Entry]:
    """Slot -> entry of everything assumed, and of what is measured but seldom well."""
    found: dict[str, _Entry] = {}
    idle = {"front_downforce_share"} if base[SLOT["downforce_coefficient"]] == 0.0 else set()
    for item in assumptions:
        stem, suffix = split_key(item.key)
        if stem in CATALOGUE and stem not in idle and item.spread > 0.0:
            factor = to_si(1.0, suffix) if suffix else 1.0
            value, spread, law = float(base[SLOT[stem]]), item.spread * factor, "normal"
            if stem.endswith("_bar_rate"):  # one factor on every bar of the end, also where none is fitted now
                value, law = item.value * factor, "lognormal"
            found[stem] = _entry(stem, value, spread, item.reason, law)
    tilted = "found by tilting the car: a couple of millimetres off is usual"
    usual = {"cg_height": (CG_HEIGHT_SPREAD, tilted)}
    for slot in ("front_tyre_rate", "rear_tyre_rate"):
        usual[slot] = (TYRE_RATE_SPREAD * float(base[SLOT[slot]]), "a tyre stiffens with load and age")
    for slot, (spread, reason) in usual.items():
        if slot not in found:
            found[slot] = _entry(slot, float(base[SLOT[slot]]), spread, reason)
    for stem, spread in MODEL_ERROR.items():
        for slot in slots_of(stem):
            if slot not in found:
                found[slot] = _entry(slot, float(base[SLOT[slot]]), spread, "what the model itself is off by")
    return found


def unknowns(
    source: Source,
    base: FloatArray,
    assumptions: tuple[Assumption, ...],
    knobs: tuple[Knob, ...],
    here: frozenset[str] = frozenset(),
) -> tuple[Unknown, ...]:
    """Everything that is not known, defaults and `[unknowns]` together; problems go to the source. `here`: slots of the
    tyre that runs on this surface alone."""
    entries = default_entries(base, assumptions)
    groups: list[tuple[str, list[_Entry]]] = []
    owners: dict[str, str] = {}
    for key, path, raw in source.members(("unknowns",)):
        stem, suffix = split_key(key)
        if not stem:
            source.report(path, "no number of the car or the surface", near(key, known_keys()))
            continue
        table = source.check(UnknownTable, raw, path)
        twice = [owners[slot] for slot in slots_of(stem) if slot in owners]
        if twice:
            source.report(path, f"the same number as unknowns.{twice[0]}", "one key for one number: take one out")
        owners |= dict.fromkeys(slots_of(stem), key)
        if table is None or twice:
            continue
        group = [_asked(source, path, table, slot, suffix, base, knobs, entries.get(slot)) for slot in slots_of(stem)]
        for slot in slots_of(stem):
            entries.pop(slot, None)
        given = [entry for entry in group if entry is not None]
        if given:
            groups.append((key, given))
    together: dict[str, list[_Entry]] = {}
    for slot, entry in entries.items():
        shared = _shared(slot)
        both = shared not in (*UNLIKE_ENDS, *MODEL_ERROR) and all(
            name in entries and not how_to_measure(entries[name].reason) for name in slots_of(shared)
        )
        together.setdefault(shared if both else slot, []).append(entry)
    groups = [(_key(stem), group) for stem, group in together.items()] + groups
    return tuple(_unknown(key, group, base, here) for key, group in groups)


def _asked(
    source: Source,
    path: KeyPath,
    table: UnknownTable,
    slot: str,
    suffix: str,
    base: FloatArray,
    knobs: tuple[Knob, ...],
    usual: _Entry | None,
) -> _Entry | None:
    """Entry of a slot as a study asks for it; None where it is known or at fault."""
    factor = to_si(1.0, suffix) if suffix else 1.0
    value = float(base[SLOT[slot]])
    if table.spread is None and usual is None:
        source.report((*path, "spread"), "", "this key is needed: half the width within which the true value lies")
        return None
    if table.spread is not None and table.spread < 0.0:
        source.report((*path, "spread"), show(table.spread), "0 or a number above 0")
        return None
    quantity = CATALOGUE[slot]
    width = quantity.high - quantity.low
    if table.spread is not None and table.spread * factor > width:
        source.report((*path, "spread"), show(table.spread), f"at most {width / factor:.6g}, the whole range of it")
        return None
    positive = quantity.low > 0.0 and value > 0.0 and table.law != "lognormal"
    if table.spread is not None and positive and table.spread * factor >= value:
        allowed = f"less than the best guess, {value / factor:.6g}: it is never 0 or less"
        source.report((*path, "spread"), show(table.spread), allowed)
        return None
    spread = table.spread * factor if table.spread is not None else usual.spread if usual is not None else 0.0
    if spread <= LEAST_SPREAD * width:
        return None
    if table.law == "lognormal" and value <= 0.0:
        source.report((*path, "law"), '"lognormal"', f"another law: the best guess is {value / factor:g}")
        return None
    if value == 0.0 and quantity.kind not in SHIFTING and _levels(slot, knobs):
        allowed = "spread = 0, or a level above 0 in the baseline: every level is drawn as a share of it"
        source.report((*path, "spread"), f"a spread of {slot}, which is 0 in the baseline", allowed)
        return None
    quantity = _range(slot, base, knobs)
    reason = "given in the study" if usual is None else usual.reason
    plain = _entry(slot, value, spread, reason, table.law, quantity)
    bounds = {"low": plain.low, "high": plain.high}
    for name, given in (("low", table.low), ("high", table.high)):
        if given is None:
            continue
        if not quantity.low <= given * factor <= quantity.high:
            source.report((*path, name), show(given), f"allowed: {quantity.span(suffix)}")
            return None
        bounds[name] = given * factor
    if not bounds["low"] <= value <= bounds["high"] or bounds["low"] >= bounds["high"]:
        found = f"{bounds['low'] / factor:g} to {bounds['high'] / factor:g}"
        source.report(path, found, f"bounds around the best guess, {value / factor:g}")
        return None
    return replace(plain, low=bounds["low"], high=bounds["high"])


def _range(slot: str, base: FloatArray, knobs: tuple[Knob, ...]) -> Quantity:
    """Range of a number that shifts, so narrow that no level of a knob that sets it is drawn out of its own range.

    Droop may be drawn below nothing: the model takes that for none.
    """
    quantity = CATALOGUE[slot]
    levels = _levels(slot, knobs)
    if not levels or quantity.kind not in SHIFTING:
        return quantity
    best = float(base[SLOT[slot]])
    low = quantity.low + best - min(levels) if quantity.low != 0.0 else quantity.low
    return replace(quantity, low=min(low, best), high=max(quantity.high + best - max(levels), best))


def _levels(slot: str, knobs: tuple[Knob, ...]) -> list[float]:
    """What knobs set a number to; nothing where none does. SI."""
    column = SLOT[slot]
    return [setting[knob.slots.index(column)] for knob in knobs if column in knob.slots for setting in knob.settings]


def _unknown(key: str, group: list[_Entry], base: FloatArray, here: frozenset[str]) -> Unknown:
    unit = unit_of(key)
    return Unknown(
        key=key,
        unit=unit.label if unit else "",
        slots=tuple(SLOT[entry.slot] for entry in group),
        values=tuple(entry.value for entry in group),
        spread=tuple(entry.spread for entry in group),
        low=tuple(entry.low for entry in group),
        high=tuple(entry.high for entry in group),
        law=group[0].law,
        of_surface=group[0].slot in SURFACE_STEMS or group[0].slot in here,
        reason=group[0].reason,
        shifts=CATALOGUE[group[0].slot].kind in SHIFTING,
    )


def planning(source: Source, liked: dict[str, Any]) -> Planning:
    """How the plan is asked for, from [uncertainty], [carry_over] and [pits]; problems go to the source."""
    table = source.check(UncertaintyTable, source.raw.get("uncertainty", {}), ("uncertainty",))
    pits = source.check(PitsTable, source.raw.get("pits", {}), ("pits",))
    carried = source.table(CarryOverTable, ("carry_over",))
    name = carried.liked if carried is not None else ""
    written = [known for known, _, _ in source.members(("liked",))]
    if name and name not in written:
        source.report(("carry_over", "from"), show(name), f"the NAME of a [liked.NAME]; {near(name, written)}")
    if table is None or pits is None:
        return Planning()
    return Planning(
        asked="uncertainty" in source.raw,
        scenarios=table.scenarios,
        quantile=table.quantile,
        shortlist_on=table.shortlist_on,
        carry_over=name if name in liked else "",
        minutes_between_runs=pits.minutes_between_runs,
        minutes=pits.minutes,
        starts=pits.starts,
        rejuvenate_below=table.rejuvenate_below,
    )
