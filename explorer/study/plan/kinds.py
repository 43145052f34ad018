"""Kinds of report from the track, one small class each: how it reads itself from an entry and from a driver's words,
the model's number for it in every scenario, and its own words.

Only what the model answers is a kind. Usual errors are one standard deviation: common practice, no source.
"""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np

from explorer.domain.errors import SpaceError
from explorer.domain.felt import FELT
from explorer.domain.space import BoolArray, FloatArray, Space
from explorer.domain.units import unit_of
from explorer.domain.unknowns import Unknown
from explorer.model.car.slots import PHASE_COLUMNS, SLOTS
from explorer.study.plan.reports import RADIUS, Judgement, Ran, Reading, Report, Said, Unfit

LIFT_CEILING_PCT = 1_000.0
"""Lift margins are cut off here: a wheel that hardly unloads. [%]"""

LAP_SHARE = 0.5
"""Share of a lap's time that is spent at the limit of grip in the phases. Common practice, no source."""

READ_SHARE = 0.2
"""Usual error of an unknown that is read directly, as a share of its half width: 0.4 standard deviations."""

RULER_MM = 1.0
"""Usual error of the height of the bumps read with a straight edge and a ruler. [mm]"""

FEELS = ("pushed", "neutral", "rotated")
"""What a driver says of a phase."""

_NUMBER = r"(\d+(?:\.\d+)?)"
_NO = r"\b((?P<no>never|not|did not|didn't|no) +)?"


class Lateral(Reading):
    """Lateral acceleration at the limit of grip. Assumes that the driver is at the limit, and a car alike both ways."""

    keys, unit, errors = ("lateral",), "m/s2", ("error_m_per_s2",)
    usual, least, largest, flat = 0.5, 0.01, 10.0, 1.0 / 40.0

    @classmethod
    def read(cls, entry: Any, space: Space) -> dict[str, Any]:
        return {"value": entry.lateral}

    @classmethod
    def heard(cls, said: Said, space: Space) -> dict[str, Any] | None:
        found = said.take(rf"{_NUMBER} ?m/s\^?2\b")
        return None if found is None else {"lateral_m_per_s2": float(found[1])} | _turn(said)

    def words(self) -> str:
        return f"{self.value:.3g} m/s2 at the limit"

    def number(self, ran: Ran) -> FloatArray:
        return ran.lateral(self.phase)


class Speed(Reading):
    """Speed at the limit of grip, `sqrt(R a)`, round the phase's corner or a circle of radius `size`. Assumes what
    `Lateral` does, and that a circle asks of grip what the phase does."""

    keys, unit, errors = ("speed",), "m/s", ("error_m_per_s", "error_km_per_h")
    usual, least, largest, flat = 0.2, 0.005, 5.0, 1.0 / 25.0
    vocabulary = ("circle", "left", "right", "km/h")

    @classmethod
    def read(cls, entry: Any, space: Space) -> dict[str, Any]:
        return {"value": entry.speed, "size": entry.radius or 0.0}

    @classmethod
    def heard(cls, said: Said, space: Space) -> dict[str, Any] | None:
        found = said.take(rf"{_NUMBER} ?(km/h|kph|m/s)(?![\w/])")
        if found is None:
            return None
        keys: dict[str, Any] = {"speed_m_per_s" if found[2] == "m/s" else "speed_km_per_h": float(found[1])}
        said.take(r"\b(circle|skid ?pad|speed)\b")
        radius = said.take(rf"{_NUMBER} ?m\b")
        return keys | ({} if radius is None else {"radius_m": float(radius[1])}) | _turn(said)

    @classmethod
    def scaled(cls, key: str, error: float, entry: Any) -> float:
        return error / 3.6 if key == "error_km_per_h" else error

    def words(self) -> str:
        return f"{self.value:.3g} m/s at the limit" + (f" of a circle of {self.size:g} m" if self.size else "")

    def number(self, ran: Ran) -> FloatArray:
        return np.sqrt((self.size or float(ran.phase(self.phase)[RADIUS])) * ran.lateral(self.phase))


class Roll(Reading):
    """Roll off a photo, at the pace of the phase. Assumes that the camera is level and the corner driven as asked."""

    keys, unit, errors, usual, least, largest, flat = ("roll",), "deg", ("error_deg",), 0.5, 0.01, 10.0, 1.0 / 30.0
    vocabulary = ("roll",)

    @classmethod
    def read(cls, entry: Any, space: Space) -> dict[str, Any]:
        return {"value": math.degrees(entry.roll)}

    @classmethod
    def heard(cls, said: Said, space: Space) -> dict[str, Any] | None:
        if not said.take(r"\b(roll(ed|s)?|leans?|leaned)\b"):
            return None
        found = said.take(rf"{_NUMBER} ?(deg(rees?)?)?")
        return None if found is None else {"roll_deg": float(found[1])}

    def words(self) -> str:
        return f"{self.value:.3g} deg of roll"

    def number(self, ran: Ran) -> FloatArray:
        return ran.columns[f"{self.phase}.roll_deg"]


class LapTime(Reading):
    """Time of a lap over that of another setup, less one. Assumes that `LAP_SHARE` of the lap is driven at the limit of
    grip, shared out by the phases' weights, and that a corner's time goes with `1/sqrt(a)`."""

    keys, errors, usual, least, largest, flat = ("lap_s",), ("error_s",), 1.0, 0.02, 20.0, 1.0 / 40.0
    phased, compares, subject = False, True, "a lap time longer by "
    vocabulary = ("lap", "against")

    @classmethod
    def read(cls, entry: Any, space: Space) -> dict[str, Any]:
        if entry.other_lap_s is None or entry.than is None:
            raise Unfit("lap_s", "a lap time alone", "other_lap_s, the time of the other setup, and than = { ... }")
        return {"value": 100.0 * (entry.lap_s / entry.other_lap_s - 1.0), "other": entry.than}

    @classmethod
    def heard(cls, said: Said, space: Space) -> dict[str, Any] | None:
        if not said.take(r"\blap(s|( ?times?)?)\b"):
            return None
        found = said.take(rf"{_NUMBER} ?s? +(?:against|versus|vs|was|after|instead of|not) +{_NUMBER} ?s?(?![\w/])")
        return None if found is None else {"lap_s": float(found[1]), "other_lap_s": float(found[2]), "than": None}

    @classmethod
    def scaled(cls, key: str, error: float, entry: Any) -> float:
        return 100.0 * error / float(entry.lap_s)

    def words(self) -> str:
        return f"a lap {abs(self.value):.2g} % {'longer' if self.value > 0.0 else 'shorter'}"

    def number(self, ran: Ran) -> FloatArray:
        weights = ran.space.phases[:, PHASE_COLUMNS.index("weight")]
        weights = weights / weights.sum()
        pace = [np.maximum(1.0 + ran.columns[f"{p}.grip_margin_pct"] / 100.0, 0.01) for p in ran.space.phase_names]
        return np.asarray(weights @ np.array(pace) ** -0.5)

    def compared(self, own: FloatArray, other: FloatArray) -> FloatArray:
        return 100.0 * LAP_SHARE * (own / other - 1.0)


class Known(Reading):
    """Any unknown of the study read directly. Where both ends are guessed alike, reading one tells of the other."""

    keys, errors, phased, modelled = ("unknown",), ("error",), False, False
    least, largest = 0.0, math.inf
    vocabulary = ("ruler",)

    @classmethod
    def read(cls, entry: Any, space: Space) -> dict[str, Any]:
        if entry.value is None:
            raise Unfit("value", "", f"this key is needed: what was read, in the unit of {entry.unknown}")
        names = _readable(space)
        if entry.unknown not in names:
            raise Unfit("unknown", entry.unknown, f"an unknown of the study: {', '.join(names) or 'it has none'}")
        one, place, factor = names[entry.unknown]
        low, high = one.low[place] / factor, one.high[place] / factor
        if not low <= entry.value <= high:
            allowed = f"{low:.4g} to {high:.4g} {one.unit}".rstrip() + ", what the study thinks possible: mend it there"
            raise Unfit("value", f"{entry.value:g}", allowed)
        width = one.spread[place] / factor
        error = RULER_MM if one.key == "bump_height_mm" else READ_SHARE * width
        if entry.error is not None and not 1e-3 * width <= entry.error <= 10.0 * width:
            allowed = f"one standard deviation: {1e-3 * width:.2g} to {10 * width:.2g} {one.unit}".strip()
            raise Unfit("error", f"{entry.error:g}", allowed)
        return {"value": entry.value, "what": entry.unknown, "size": high - low, "error": entry.error or error}

    @classmethod
    def heard(cls, said: Said, space: Space) -> dict[str, Any] | None:
        if said.take(r"\bruler\b"):
            said.take(r"\bbumps?( height)?\b")
            found = said.take(rf"{_NUMBER} ?(mm)?\b")
            return None if found is None else {"unknown": "bump_height_mm", "value": float(found[1])}
        names = _readable(space)
        for name in sorted(names, key=lambda name: (-len(name), name)):
            unit = unit_of(name)
            stem = name.removesuffix("_" + unit.suffix) if unit else name
            found = said.take(rf"\b{stem.replace('_', '[ _-]')}\b[^\d+-]*(-?\d+(?:\.\d+)?(?:e-?\d+)?)")
            if found is not None:
                said.take(rf"(?<!\w){re.escape(names[name][0].unit)}(?!\w)" if unit else r"(?!)")
                return {"unknown": name, "value": float(found[1])}
        return None

    @property
    def flat(self) -> float:  # type: ignore[override]
        """A wrong reading lies anywhere in what the study thinks possible."""
        return 1.0 / self.size

    @property
    def unit(self) -> str:  # type: ignore[override]
        """Of the key that was read."""
        unit = unit_of(self.what)
        return unit.label if unit else ""

    def words(self) -> str:
        return f"{self.what} read as {self.value:g} {self.unit}".rstrip()

    def number(self, ran: Ran) -> FloatArray:
        one, place, factor = _readable(ran.space)[self.what]
        return ran.slot(one.slots[place]) / factor

    def check(self, space: Space) -> None:
        if self.what not in _readable(space):
            raise SpaceError(f"line {self.line}: {self.what} is no unknown of the study")
        if not self.sigma > 0.0:
            raise SpaceError(f"line {self.line}: the error must be above 0, not {self.error:g}")


class Lifted(Judgement):
    """Whether an inner wheel left the ground: the lift margin of that end below 0. The error is on the lateral
    acceleration: nobody drives exactly what the phase asks."""

    keys, usual, subject = ("lifted", "stayed_down"), 5.0, "a lift margin of "
    vocabulary = ("lifted", "stayed down", "front", "rear")

    @classmethod
    def read(cls, entry: Any, space: Space) -> dict[str, Any]:
        return {"value": -1.0 if entry.lifted else 1.0, "what": entry.lifted or entry.stayed_down}

    @classmethod
    def heard(cls, said: Said, space: Space) -> dict[str, Any] | None:
        found = said.take(rf"{_NO}(lift(ed|s|ing)?|up|stay(s|ed)? (?P<down>down))\b")
        if found is None:
            return None
        said.take(r"\b(inner|inside)\b")
        said.take(r"\bwheels?\b")
        end = said.end()
        if not end:
            raise Unfit("", "a wheel", "which one: the front or the rear inner wheel")
        return {"stayed_down" if found["down"] or found["no"] else "lifted": end}

    def words(self) -> str:
        return f"{self.what} inner wheel {'lifted' if self.value < 0.0 else 'stayed down'}"

    def number(self, ran: Ran) -> FloatArray:
        def column(name: str) -> FloatArray:
            return ran.columns[f"{self.phase}.{name}"]

        return lift_margin(
            column("lift_axle") == ("front", "rear").index(self.what),
            column("lift_margin_pct"),
            column("rollover_margin_pct"),
            column(f"{self.what}_inner_load_n"),
            column(f"{self.what}_outer_load_n"),
        )

    def check(self, space: Space) -> None:
        super().check(space)
        if self.what not in ("front", "rear"):
            raise SpaceError(f"line {self.line}: a lifted wheel is front or rear, not {self.what!r}")


class Touched(Judgement):
    """Whether the chassis touched: clearance below 0, over all phases where none is named. Assumes the bumps of the
    surface, of which the model takes three RMS travels off."""

    keys, errors, unit, usual, phased, subject = ("touched",), ("error_mm",), "mm", 1.0, None, "a clearance of "
    vocabulary = ("touched", "clear")

    @classmethod
    def read(cls, entry: Any, space: Space) -> dict[str, Any]:
        return {"value": -1.0 if entry.touched else 1.0}

    @classmethod
    def heard(cls, said: Said, space: Space) -> dict[str, Any] | None:
        found = said.take(rf"{_NO}(touch(ed|es|ing)?|scrape[ds]?|bottom(ed|s|ing)?( out)?)\b")
        if found is None:
            return None
        said.take(r"\b(chassis|ground|underside|belly)\b")
        said.take(r"\b(chassis|ground|underside|belly)\b")
        return {"touched": found["no"] is None}

    def words(self) -> str:
        return "the chassis touched" if self.value < 0.0 else "the chassis stayed clear"

    def number(self, ran: Ran) -> FloatArray:
        return ran.columns[f"{self.phase}.clearance_mm" if self.phase else "clearance_mm"]


class Feel(Judgement):
    """Pushed, neutral or rotated: the balance of the phase beside a band of `band` about neutral."""

    keys, usual, band, flat, subject = ("feel",), 3.0, 2.0, 1.0 / 3.0, "a balance of "
    vocabulary = ("pushed", "neutral", "loose", "on power")

    @property
    def complains(self) -> bool:
        return self.value != 0.0

    @classmethod
    def read(cls, entry: Any, space: Space) -> dict[str, Any]:
        return {"value": FEELS.index(entry.feel) - 1.0}

    @classmethod
    def heard(cls, said: Said, space: Space) -> dict[str, Any] | None:
        for feel, pattern in zip(FEELS, _FEEL_WORDS, strict=True):
            if said.take(rf"\b({pattern})\b"):
                return {"feel": feel}
        return None

    def words(self) -> str:
        return FEELS[int(self.value) + 1]

    def number(self, ran: Ran) -> FloatArray:
        return ran.columns[f"{self.phase}.balance_pct"]


class Better(Judgement):
    """One setup better than another or as good, in a phase or over the lap: the difference of their grip margins beside
    a band of what a driver feels. Assumes that better means grip."""

    keys, usual, flat, phased, compares = ("better_than", "as_good_as"), 2.0, 1.0 / 3.0, None, True
    band, subject = FELT["grip_margin_pct"], "a grip margin ahead by "
    vocabulary = ("better than", "worse than", "as good as", "before", "baseline")

    @classmethod
    def read(cls, entry: Any, space: Space) -> dict[str, Any]:
        better = entry.better_than is not None
        return {"value": float(better), "other": entry.better_than if better else entry.as_good_as}

    @classmethod
    def heard(cls, said: Said, space: Space) -> dict[str, Any] | None:
        found = said.take(
            r"\b(better|faster|(worse|slower)|(as good|as fast|same|equal|no different))( *(than|as|to|from))?\b"
        )
        if found is None:
            return None
        return {"as_good_as" if found[3] else "worse_than" if found[2] else "better_than": None}

    def words(self) -> str:
        return "better" if self.value > 0.0 else "no better and no worse"

    def number(self, ran: Ran) -> FloatArray:
        return ran.columns[f"{self.phase}.grip_margin_pct" if self.phase else "mean_grip_margin_pct"]


_FEEL_WORDS = (
    r"push(ed|es|y|ing)?|understeer(ed|s|ing)?|plough(ed|s)?|(will not|won't) (turn( in)?|rotate)|ran wide",
    r"neutral|balanced",
    r"loose|rotate[ds]|over ?steer(ed|s|ing)?|spun|tail (came|comes) (round|out)|slid",
)

KINDS: tuple[type[Report], ...] = (LapTime, Better, Known, Roll, Speed, Lateral, Touched, Lifted, Feel)
"""Every kind, in the order in which a driver's words are tried."""


def _turn(said: Said) -> dict[str, str]:
    found = said.take(r"\b(left|right)\b")
    return {} if found is None else {"turn": found[1]}


def _readable(space: Space) -> dict[str, tuple[Unknown, int, float]]:
    """What may be read directly: every unknown by its own key, and by each of its numbers in the same unit; with the
    number's place and the factor of the unit to SI."""
    found: dict[str, tuple[Unknown, int, float]] = {}
    for one in space.unknowns:
        unit = unit_of(one.key)
        tail, factor = (f"_{unit.suffix}", unit.factor) if unit else ("", 1.0)
        found |= {SLOTS[slot] + tail: (one, place, factor) for place, slot in enumerate(one.slots)}
        found[one.key] = (one, 0, factor)
    return found


def lift_margin(
    first: BoolArray, margin_pct: FloatArray, over_pct: FloatArray, inner_n: FloatArray, outer_n: FloatArray
) -> FloatArray:
    """Lift margin of one end. (scenarios,) [%]

    Where this end's inner wheel is the first to lift (`first`) it is the model's own `margin_pct`. Elsewhere a wheel
    that is down is carried on in a straight line: its load falls from the mean of inner and outer to nothing, so
    `margin = inner / ((outer - inner)/2)`; a wheel that is up left the ground between the first wheel's margin and what
    the phase asks (or the rollover `over_pct`, if that comes before), and the middle is taken. It is never below the
    first wheel's margin nor above the rollover's.

    >>> one = np.ones(1)
    >>> float(lift_margin(one < 0, 10 * one, 90 * one, 2 * one, 10 * one)[0])
    50.0
    >>> float(lift_margin(one < 0, -10 * one, 40 * one, 0 * one, 10 * one)[0])
    -5.0
    """
    half_gap = 0.5 * (outer_n - inner_n)
    carried_on = 100.0 * inner_n / np.maximum(half_gap, 1e-3 * np.maximum(outer_n, 1e-9))
    highest = np.maximum(over_pct, margin_pct)
    up = 0.5 * (margin_pct + np.minimum(highest, 0.0))
    other = np.where(inner_n > 0.0, np.clip(carried_on, margin_pct, highest), up)
    return np.minimum(np.where(first, margin_pct, other), LIFT_CEILING_PCT)
