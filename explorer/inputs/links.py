"""What the links of a car file give, put where nothing was measured directly and held beside what was."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from explorer.domain.errors import Problem
from explorer.domain.units import to_si
from explorer.inputs.parts_box import ENDS
from explorer.inputs.readings import GAIN_ERROR, GAUGE_TRAVEL, RATIO_ERROR, Reading
from explorer.inputs.source import Source, dotted
from explorer.inputs.tables import End
from explorer.inputs.toml_lines import KeyPath
from explorer.model.car.links import FrontView, Links, LinksError, front_view, front_view_errors

LINKS_REASON = "from the links, each coordinate read to the millimetre"
MEASURED = {
    "track": ("mm", 0.001),
    "wheel_radius": ("mm", 0.001),
    "roll_centre_height": ("mm", 0.0015),
    "spring_motion_ratio": ("", 2.0 * RATIO_ERROR),
}
"""Of an end's own table: unit, and how far off a reading with a ruler may be [SI]."""

ASSUMED_TOO = {
    "roll_centre_rate": ("mm_per_mm", 0.3),
    "camber_gain": ("deg_per_mm", 2.0 * GAIN_ERROR),
    "camber_gain_slope": ("deg_per_mm2", 2.0 * GAIN_ERROR / GAUGE_TRAVEL),
    "spring_motion_ratio_slope": ("per_mm", RATIO_ERROR / 0.005),
}
"""Of [assumed] or of a second reading: the same."""


@dataclass(frozen=True)
class EndLinks:
    """What the links of one end give, and its half widths. SI."""

    value: FrontView
    error: FrontView


@dataclass(frozen=True)
class Computed:
    """A number computed from links beside the one given, in a unit: `given` None where it was not, `allowed` how far
    apart they may be, `path` where the given one stands in the car file."""

    key: str
    value: float
    error: float
    given: float | None
    allowed: float
    path: KeyPath

    @property
    def differs(self) -> bool:
        """Whether both are further apart than they can be misread."""
        return self.given is not None and abs(self.given - self.value) > self.allowed

    @property
    def words(self) -> str:
        """In one line."""
        given = "" if self.given is None else f", given as {self.given:.4g}"
        return f"{self.key} = {self.value:.4g} +- {self.error:.2g}{given}"


def end_links(source: Source, name: str, end: End) -> EndLinks | None:
    """What the links of an end give; None without links, or with links at fault, which is noted at the source."""
    table = end.links
    if table is None:
        return None
    path = (name, "links")
    if (table.shock_inner is None) != (table.shock_outer is None):
        source.report(path, "one end of the shock", "shock_inner_mm and shock_outer_mm, or neither")
        return None
    for inner, outer in (("lower_inner", "lower_outer"), ("upper_inner", "upper_outer")):
        if getattr(table, outer)[0] <= getattr(table, inner)[0]:
            found = f"{1000 * getattr(table, outer)[0]:g} mm from the car's middle"
            allowed = f"further out than {inner}, at {1000 * getattr(table, inner)[0]:g} mm"
            source.report((*path, source.actual(path, outer)), found, allowed)
            return None
    if table.upper_outer[1] <= table.lower_outer[1]:
        found = f"{1000 * table.upper_outer[1]:g} mm over the road"
        allowed = f"higher than lower_outer, at {1000 * table.lower_outer[1]:g} mm"
        source.report((*path, source.actual(path, "upper_outer")), found, allowed)
        return None
    links = Links(**{stem: getattr(table, stem) for stem in type(table).model_fields})
    try:
        return EndLinks(front_view(links, end.camber), front_view_errors(links, end.camber))
    except LinksError as fault:
        source.report(path, str(fault), "the hinge points of two arms that carry the wheel, [y, z] in mm")
        return None


def measured_or_computed(source: Source, name: str, end: End, links: EndLinks | None, stem: str) -> float:
    """A number of an end as it was measured, else from its links; noted at the source where there is neither. [SI]"""
    given = getattr(end, stem)
    if given is not None:
        return float(given)
    computed = math.nan if links is None else float(getattr(links.value, stem))
    if math.isnan(computed):
        ends_of = "the shock's ends under" if stem == "spring_motion_ratio" else "the arms under"
        if end.links is None or stem == "spring_motion_ratio":
            allowed = f"{End.how_to_give(stem)}; or {ends_of} [{name}.links]"
            source.report((name, End.key_example(stem)), "", allowed)
        return 1.0
    return computed


def readings_from_links(assumed: Any, links: dict[str, EndLinks], read: dict[str, Reading]) -> dict[str, Reading]:
    """Stem of `ASSUMED` -> what the links give, where the file gives nothing and nothing was read twice."""
    found = {}
    for name, one in links.items():
        for stem in ASSUMED_TOO:
            key, value = f"{name}_{stem}", float(getattr(one.value, stem))
            if getattr(assumed, key) is None and key not in read and not math.isnan(value):
                found[key] = Reading(value, float(getattr(one.error, stem)), LINKS_REASON)
    return found


def computed(
    source: Source, ends: dict[str, End], links: dict[str, EndLinks], assumed: Any, read: dict[str, Reading]
) -> tuple[Computed, ...]:
    """Every number that links give, beside the one given in another way."""
    return tuple(item for name in ENDS if name in links for item in _beside(source, name, ends, links, assumed, read))


def _beside(
    source: Source, name: str, ends: dict[str, End], links: dict[str, EndLinks], assumed: Any, read: dict[str, Reading]
) -> Iterator[Computed]:
    one = links[name]
    for stem, (suffix, error) in (MEASURED | ASSUMED_TOO).items():
        value, own = float(getattr(one.value, stem)), float(getattr(one.error, stem))
        if math.isnan(value):
            continue
        path: KeyPath
        if stem in MEASURED:
            given, path = getattr(ends[name], stem), (name, source.actual((name,), stem))
        elif f"{name}_{stem}" in read:
            given, path = read[f"{name}_{stem}"].value, _read_at(source, name, stem)
        else:
            given = getattr(assumed, f"{name}_{stem}")
            path = ("assumed", source.actual(("assumed",), f"{name}_{stem}"))
        factor = to_si(1.0, suffix) if suffix else 1.0
        key = f"{name}_{stem}_{suffix}" if suffix else f"{name}_{stem}"
        yield Computed(
            key, value / factor, own / factor, None if given is None else given / factor, (own + error) / factor, path
        )


def _read_at(source: Source, name: str, stem: str) -> KeyPath:
    if stem == "spring_motion_ratio_slope":
        return (name, "spring_motion_ratio_droop")
    return ("assumed", source.actual(("assumed",), f"{name}_camber_gain_droop"))


def disagreements(source: Source, found: tuple[Computed, ...]) -> Iterator[Problem]:
    """A warning for each number that the links contradict, at its line."""
    for one in found:
        if one.differs:
            end = one.key.split("_", 1)[0]
            hint = (
                f"{one.value:.4g} +- {one.error:.2g} by the links of line {source.line((end, 'links'))}: measure again"
            )
            yield Problem(source.path, source.line(one.path), dotted(one.path), f"{one.given:.4g}", hint)
