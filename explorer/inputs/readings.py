"""Numbers that a person reads in another way than the model wants them: in bump and again in droop, by lifting the car,
as a rate instead of its inverse.

Both ways of one number together are refused, with the lines, unless they say the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from explorer.domain.units import to_si
from explorer.inputs.fields import show
from explorer.inputs.parts_box import ENDS, PLACEHOLDER
from explorer.inputs.source import Source
from explorer.inputs.tables import DROOP, End

GAUGE_TRAVEL = 0.010
"""Travel over which camber gain is read, in bump and in droop. [m]"""

GAIN_ERROR = math.radians(0.125) / GAUGE_TRAVEL
"""Half a mark of a camber gauge of a quarter degree, over that travel. [rad/m]"""

RATIO_ERROR = 0.01
"""How far off two motion ratios read with a ruler may be from each other. [-]"""

SIDE_RATE_ERROR = 0.25
"""How far off a tyre's sideways rate may be, as a share: it is read from a millimetre or less."""

LIFT_ERROR = 0.001
"""Two readings of droop with a ruler are the same within this. [m]"""


@dataclass(frozen=True)
class Reading:
    """An assumed number that was measured after all: value and half width [SI], and how."""

    value: float
    spread: float
    reason: str


def readings(source: Source, assumed: Any, ends: dict[str, End]) -> dict[str, Reading]:
    """Stem of `ASSUMED` -> what was measured instead; contradictions are noted at the source."""
    found: dict[str, Reading] = {}
    for name in ENDS:
        _camber(source, name, assumed, found)
        _motion_ratio(source, name, ends[name], assumed, found)
        _side_rate(source, name, assumed, found)
    return found


def _twice(source: Source, name: str, assumed: Any, stem: str, other: tuple[str, str]) -> bool:
    """Whether `stem` of [assumed] stands beside the reading that it follows from: noted then."""
    if getattr(assumed, f"{name}_{stem}") is None:
        return False
    table, reading = other
    key = source.actual(("assumed",), f"{name}_{stem}")
    there = source.actual((table,), reading)
    line = source.line((table, there))
    source.report(("assumed", key), f"beside {there} in line {line}", "one of the two: the reading gives it")
    return True


def _camber(source: Source, name: str, assumed: Any, found: dict[str, Reading]) -> None:
    """Tangent and slope from the chords of 10 mm of bump and of droop: their mean, and their difference over 10 mm."""
    droop, bump = getattr(assumed, f"{name}_camber_gain_droop"), getattr(assumed, f"{name}_camber_gain")
    if droop is None:
        return
    key = source.actual(("assumed",), f"{name}_camber_gain_droop")
    if bump is None:
        allowed = f"{name}_camber_gain_deg_per_mm beside it: from ride height to 10 mm of bump"
        source.report(("assumed", key), "a camber gain in droop alone", allowed)
    elif not _twice(source, name, assumed, "camber_gain_slope", ("assumed", f"{name}_camber_gain_droop")):
        spread = getattr(assumed, f"{name}_camber_gain_spread")
        reason = "a camber gauge over 10 mm of bump and 10 mm of droop"
        error = GAIN_ERROR if spread is None else spread
        found[f"{name}_camber_gain"] = Reading(0.5 * (bump + droop), error, f"the mean of both readings: {reason}")
        error = 2.0 * GAIN_ERROR / GAUGE_TRAVEL
        found[f"{name}_camber_gain_slope"] = Reading((bump - droop) / GAUGE_TRAVEL, error, reason)


def _motion_ratio(source: Source, name: str, end: End, assumed: Any, found: dict[str, Reading]) -> None:
    if end.spring_motion_ratio_droop is None:
        key = source.actual((name,), "spring_motion_ratio_droop_at")
        if source.at((name, key)) is not None:
            source.report((name, key), "no spring_motion_ratio_droop", "both, or neither")
    elif end.spring_motion_ratio is None:
        allowed = "spring_motion_ratio beside it, read about ride height"
        source.report((name, "spring_motion_ratio_droop"), "a motion ratio in droop alone", allowed)
    elif not _twice(source, name, assumed, "spring_motion_ratio_slope", (name, "spring_motion_ratio_droop")):
        at = end.spring_motion_ratio_droop_at
        slope = (end.spring_motion_ratio - end.spring_motion_ratio_droop) / at
        reason = f"read at ride height and {1000 * at:g} mm in droop"
        found[f"{name}_spring_motion_ratio_slope"] = Reading(slope, RATIO_ERROR / at, reason)


def _side_rate(source: Source, name: str, assumed: Any, found: dict[str, Reading]) -> None:
    rate = getattr(assumed, f"{name}_tyre_side_rate")
    if rate is None:
        return
    if not _twice(source, name, assumed, "tyre_side_compliance", ("assumed", f"{name}_tyre_side_rate")):
        reason = f"from the sideways rate given, {rate / to_si(1.0, 'n_per_mm'):.4g} N/mm"
        found[f"{name}_tyre_side_compliance"] = Reading(1.0 / rate, SIDE_RATE_ERROR / rate, reason)


def droop_travel(source: Source, name: str, end: End, squash: float) -> float:
    """Wheel travel in the body from ride height to the stop [m]: as given, or the lift of the chassis that takes the
    tyre off the ground less `squash`, what the tyre gives under the car [m]."""
    lifted = None if end.droop_lift is None else end.droop_lift - squash
    if lifted is None:
        if end.droop is None:
            source.report(
                (name, "droop_mm"), "", f'droop_mm or droop_lift_mm is needed, or droop_mm = "typical": {DROOP.how}'
            )
            return PLACEHOLDER
        return end.droop
    key = source.actual((name,), "droop_lift")
    told = f"{1000 * end.droop_lift:g} mm of lift, {1000 * squash:.2g} mm of it the tyre's squash"  # type: ignore[operator]
    if lifted < 0.0:
        source.report((name, key), told, "more lift than the tyre is squashed, or a stiffer tyre")
        return PLACEHOLDER
    if end.droop is None:
        return lifted
    if abs(lifted - end.droop) > LIFT_ERROR:
        given = next(key for key in ("droop_mm", "droop_m") if source.at((name, key)) is not None)
        travel = f"line {source.line((name, given))} says {given} = {show(source.at((name, given)))}"
        allowed = f"wheel travel without the squash in {given}, or one of the two"
        source.report((name, key), f"{told}, leaves {1000 * lifted:.2g} mm of travel; {travel}", allowed)
    return end.droop
