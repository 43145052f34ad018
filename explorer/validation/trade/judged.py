"""Every statement asked of every car: held, missed, or too small to be felt; and which unknown decides it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from explorer.domain.space import BoolArray, FloatArray
from explorer.model.metrics import describe
from explorer.validation.trade.asking import COLUMNS, Asked
from explorer.validation.trade.statements import Line

FEWEST = 4
"""Cars on either side below which no unknown is named."""

MOVED = {
    "front_camber_deg": ("front_camber", math.pi / 180.0),
    "front_ride_height_mm": ("front_ride_height", 0.001),
}
"""Knobs that set a number, as statements name them: slot and factor to SI."""


@dataclass(frozen=True)
class Decides:
    """The unknown whose mean differs most between the cars that hold a line and those that miss it: `apart` in standard
    deviations of all cars, positive where a larger one helps the line."""

    name: str
    apart: float


@dataclass(frozen=True)
class Verdict:
    """A line asked of the cars of a kind at a venue.

    `held`, `missed`, `unfelt` (cars,): where none is true the model has no answer. `size` is the median over the
    answered cars the way the line says, in felt steps (lines of sizes and orders: in `unit`, `felt` 0); `unit` of
    one felt step.
    """

    name: str
    words: str
    kind: str
    venue: str
    held: BoolArray
    missed: BoolArray
    size: float
    felt: float
    unit: str
    decides: Decides | None

    @property
    def unfelt(self) -> int:
        """Cars in which the difference is below the felt step."""
        return int((~self.held & ~self.missed).sum())

    @property
    def can_be_felt(self) -> bool:
        """Whether the median difference reaches the felt step."""
        return self.felt == 0.0 or abs(self.size) >= 1.0

    @property
    def share(self) -> float:
        """Share of the cars that hold it, of those that hold or miss it; NaN where no car does either."""
        asked = int(self.held.sum() + self.missed.sum())
        return float(self.held.sum()) / asked if asked else math.nan

    @property
    def share_of_all(self) -> float:
        """Share of all cars that hold it."""
        return float(self.held.mean())


def judged(asked: Asked, lines: dict[str, list[Line]]) -> list[Verdict]:
    """Every line that speaks of this kind of car, venue by venue, in the order of the file."""
    found = []
    for form, ask in _FORMS.items():
        for line in lines[form]:
            if asked.fleet.kind in line["cars"]:
                found += ask(asked, line)
    return found


def _metric(values: FloatArray, name: str) -> FloatArray:
    return values[:, COLUMNS.index(name)]


def _changes(asked: Asked, line: Line) -> list[Verdict]:
    found = []
    for venue in line["venues"]:
        before = _metric(asked.of_liked(venue), line["metric"])
        after = _metric(_changed(asked, venue, line["change"]), line["metric"])
        found.append(_felt(asked, line, venue, venue, _signed(line, after - before)))
    return found


def _changed(asked: Asked, venue: str, change: dict[str, float]) -> FloatArray:
    """Metrics of the liked setup with a change made."""
    bars = {name: int(step) for name, step in change.items() if name.endswith("_bar")}
    others = {MOVED[name][0]: step * MOVED[name][1] for name, step in change.items() if name not in bars}
    if others:
        return asked.moved(venue, **others)
    return asked.of_liked(venue, bars.get("front_bar", 0), bars.get("rear_bar", 0))


def _grounds(asked: Asked, line: Line) -> list[Verdict]:
    there, here = (_metric(asked.of_liked(line[key]), line["metric"]) for key in ("from", "to"))
    words = f"{line['from']} to {line['to']}"
    return [_felt(asked, line, words, line["to"], _signed(line, here - there))]


def _limits(asked: Asked, line: Line) -> list[Verdict]:
    found = []
    for venue in line["venues"]:
        values = asked.of_liked(venue)
        found.append(_felt(asked, line, venue, venue, _metric(values, line["below"]) - _metric(values, line["metric"])))
    return found


def _sizes(asked: Asked, line: Line) -> list[Verdict]:
    """`size` is how far the farther end lies outside its range, negative: the median over the cars. [mm]"""
    bars = asked.bars(line["venue"])
    outside = np.zeros(len(bars))
    for end, key in enumerate(("front_mm", "rear_mm")):
        if key in line:
            low, high = line[key]
            outside = np.maximum(outside, np.maximum(low - bars[:, end], bars[:, end] - high))
    if "split_mm" in line:
        outside = np.maximum(outside, np.abs(bars[:, 0] - bars[:, 1]) - line["split_mm"])
    return [_sized(asked, line, line["venue"], line["venue"], outside <= 1e-9, -outside)]


def _orders(asked: Asked, line: Line) -> list[Verdict]:
    """`size` is how much thinner, mean of both ends; or by how much more of its carpet size the front is softened."""
    thin, thick = asked.bars(line["thinner"]), asked.bars(line["thicker"])
    none = (thin == 0.0).all(axis=1)
    venue = f"{line['thinner']}, {line['thicker']}"
    if line["of"] == "front_before_rear":
        softened = 1.0 - thin / np.maximum(thick, 1e-9)
        more = 100.0 * (softened[:, 0] - softened[:, 1])
        return [_sized(asked, line, venue, line["thinner"], none | (more > 1e-9), more, "%")]
    by = thick.mean(axis=1) - thin.mean(axis=1)
    far = by >= line["by_mm"] - 1e-9 if line["by_mm"] > 0.0 else by > 1e-9
    both_off = none & (thick == 0.0).all(axis=1)
    return [_sized(asked, line, venue, line["thinner"], far | both_off, by)]


_FORMS = {"changes": _changes, "grounds": _grounds, "limits": _limits, "sizes": _sizes, "orders": _orders}


def _signed(line: Line, difference: FloatArray) -> FloatArray:
    return difference if line["direction"] == "up" else -difference


def _felt(asked: Asked, line: Line, where: str, venue: str, size: FloatArray) -> Verdict:
    """A difference the way the line says (cars,), NaN where there is no answer, beside the felt step."""
    felt = float(line["felt"])
    held, missed = size >= felt, size <= -felt
    steps = float(np.nanmedian(size)) / felt if np.isfinite(size).any() else math.nan
    unit = _unit(line["metric"])
    return _verdict(asked, line, where, venue, held, missed, steps, felt, unit)


def _unit(metric: str) -> str:
    return describe(metric).unit


def _sized(
    asked: Asked, line: Line, where: str, venue: str, held: BoolArray, size: FloatArray, unit: str = "mm"
) -> Verdict:
    return _verdict(asked, line, where, venue, held, ~held, float(np.median(size)), 0.0, unit)


def _verdict(
    asked: Asked,
    line: Line,
    where: str,
    venue: str,
    held: BoolArray,
    missed: BoolArray,
    size: float,
    felt: float,
    unit: str,
) -> Verdict:
    most = deciding(held, missed, unknowns_of(asked, venue))
    return Verdict(line["id"], line["words"], asked.fleet.kind, where, held, missed, size, felt, unit, most)


def unknowns_of(asked: Asked, venue: str) -> dict[str, FloatArray]:
    """What was drawn for the cars at a venue, with the ratio of grip that was found there; (cars,) by name."""
    return asked.fleet.unknowns(venue) | {"front_grip_ratio": asked.ratios[venue]}


def deciding(held: BoolArray, missed: BoolArray, unknowns: dict[str, FloatArray]) -> Decides | None:
    """The unknown that decides most; None with fewer than `FEWEST` cars on a side."""
    if min(held.sum(), missed.sum()) < FEWEST:
        return None
    apart = {
        name: float((values[held].mean() - values[missed].mean()) / values.std()) for name, values in unknowns.items()
    }
    name = max(apart, key=lambda one: abs(apart[one]))
    return Decides(name, apart[name])
