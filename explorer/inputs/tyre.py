"""A tyre file: constants of the tyre that runs on a surface, each with its spread and where it comes from.

A surface names its tyre (`tyre = "..."`); what the file gives then counts on that surface before what the car file
says, and what it leaves out stays the car's.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from explorer.domain.space import Assumption
from explorer.domain.units import to_si
from explorer.inputs.assumed import TYRE_KEYS, AssumedKey
from explorer.inputs.source import Source
from explorer.inputs.tables import Constants, Sources, TyreHead

TYRE_TOPS = ("tyre", "constants", "sources")
IN_THE_CAR_FILE = "given in the car file"
"""How the reason of an assumption begins that the car file gives."""


@dataclass
class TyreDefinition:
    """A tyre as read: numbers by slot name [SI], assumptions. `complete` is False while any problem stands."""

    name: str = ""
    path: str = ""
    numbers: dict[str, float] = field(default_factory=dict)
    assumptions: tuple[Assumption, ...] = ()
    complete: bool = False


def build_tyre(source: Source) -> TyreDefinition:
    """Tyre of a file; every problem is noted at the source, and then `complete` is False."""
    tyre = TyreDefinition(path=source.path)
    if not source.readable:
        return tyre
    before = len(source.problems)
    source.known_tops(TYRE_TOPS)
    head = source.table(TyreHead, ("tyre",), "name")
    constants = source.table(Constants, ("constants",), "what is known or thought of the tyre")
    sources = source.check(Sources, source.raw.get("sources", {}), ("sources",))
    if head is None or constants is None or sources is None:
        return tyre
    tyre.name = head.name
    assumptions = []
    for key in TYRE_KEYS:
        given, spread = getattr(constants, key.stem), getattr(constants, f"{key.stem}_spread")
        reason = getattr(sources, key.stem)
        if given is None:
            _refuse_alone(source, key, spread is not None, reason is not None)
            continue
        factor = to_si(1.0, key.suffix) if key.suffix else 1.0
        value = given / factor
        width = key.spread * (abs(value) if key.relative else 1.0) if spread is None else spread / factor
        tyre.numbers[key.stem] = given
        told = reason or "no source given"
        assumptions.append(Assumption(key.key, value, width, f"tyre file, {head.name}: {told}"))
    tyre.assumptions = tuple(assumptions)
    tyre.complete = len(source.problems) == before
    return tyre


def _refuse_alone(source: Source, key: AssumedKey, spread: bool, reason: bool) -> None:
    """Note a spread or a source of a number that is not given."""
    if spread:
        there = source.actual(("constants",), f"{key.stem}_spread")
        source.report(("constants", there), "a spread alone", f"{key.key} beside it")
    if reason:
        source.report(("sources", key.stem), "a source of nothing", f"{key.key} under [constants]")


def with_tyre(of_car: tuple[Assumption, ...], of_tyre: tuple[Assumption, ...]) -> tuple[Assumption, ...]:
    """Assumptions about a car on a tyre: the tyre's in place of the car's, said where the car file gave its own."""
    found = []
    own = {item.key: item for item in of_tyre}
    for item in of_car:
        new = own.get(item.key)
        if new is not None and item.reason.startswith(IN_THE_CAR_FILE):
            new = replace(new, reason=f"{new.reason}; {item.value:g} of the car file does not count on this surface")
        found.append(new or item)
    return tuple(found)
