"""The setup space: knobs with their levels, rules between them, objectives, limits, and the row numbering.

A setup is a row of *positions*, one number per knob: the level's index, or for a continuous knob the fraction of its
range (0 to 1). Rows of an enumerable space are numbered with the last knob running fastest, rule-breaking rows left
out; a position array has shape (rows, knobs). Nothing here knows the model's equations.
"""

from __future__ import annotations

import math
import unicodedata
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from explorer.domain.errors import SpaceError
from explorer.domain.unknowns import Planning, Unknown
from explorer.domain.wishes import Wish

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

ENUMERATION_CEILING = 50_000_000
"""Full grids above this many rows are never laid out in memory to apply rules."""


RULE_CELLS = 2_000_000_000
"""Most rules times rows of a full grid: applied in a second or two."""


@dataclass(frozen=True)
class Knob:
    """One thing the team can change.

    `labels` name the levels (empty for a continuous knob); `values` place them on an axis in `unit` (for a continuous
    knob: low and high end); `settings[level]` holds the SI numbers written to the parameter columns `slots` (for a
    continuous knob: at the low and the high end). The build tolerance is the half width of a uniform spread, absolute
    [SI] or as a share of the setting. `minutes` is the work of one change [min].
    """

    name: str
    unit: str
    labels: tuple[str, ...]
    values: tuple[float, ...]
    slots: tuple[int, ...]
    settings: tuple[tuple[float, ...], ...]
    continuous: bool = False
    tolerance_absolute: float = 0.0
    tolerance_relative: float = 0.0
    minutes: float = 5.0

    @property
    def size(self) -> int:
        """Number of levels; 0 for a continuous knob."""
        return 0 if self.continuous else len(self.labels)

    def position_of(self, label: str) -> float:
        """Position of a level by its label, or of a value on a continuous knob.

        Raises SpaceError with the known levels when there is no such level.
        """
        text = unicodedata.normalize("NFC", str(label).strip())
        if self.continuous:
            low, high = self.values
            try:
                value = float(text)
            except ValueError:
                value = float("nan")
            if not low <= value <= high:
                raise SpaceError(f"knob {self.name}: {text!r} is not in {low:g} to {high:g} {self.unit}".rstrip())
            return (value - low) / (high - low)
        if text in self._by_label:
            return float(self._by_label[text])
        number = number_in(text)
        if number is not None and number in self._by_number:
            return float(self._by_number[number])
        told = ", ".join(self.labels[:60]) + (f" and {self.size - 60:,} more" if self.size > 60 else "")
        raise SpaceError(f"knob {self.name} has no level {text[:80]!r}; it has {told}")

    @cached_property
    def _by_label(self) -> dict[str, int]:
        return {label: index for index, label in reversed(list(enumerate(self.labels)))}

    @cached_property
    def _by_number(self) -> dict[float, int]:
        """Level by the number that its label is, so that 1.20 finds "1.2"; the first of equals."""
        numbers = [(number_in(label), index) for index, label in enumerate(self.labels)]
        return {number: index for number, index in reversed(numbers) if number is not None}

    def label_at(self, position: float) -> str:
        """What a person reads for a position."""
        if self.continuous:
            low, high = self.values
            return f"{low + position * (high - low):.4g}"
        return self.labels[int(position)]

    def value_at(self, position: float) -> float:
        """Place on the axis, in `unit`."""
        if self.continuous:
            low, high = self.values
            return low + position * (high - low)
        return self.values[int(position)]


def number_in(text: str) -> float | None:
    """A finite number as a text gives it, or None."""
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


@dataclass(frozen=True)
class Rule:
    """Where every `when` holds every `only` must hold too; with `only` empty the `when` combination is never built.

    Each entry is (knob name, allowed labels).
    """

    reason: str
    when: tuple[tuple[str, tuple[str, ...]], ...]
    only: tuple[tuple[str, tuple[str, ...]], ...] = ()


@dataclass(frozen=True)
class Objective:
    """`direction` -1 asks for a lower, +1 for a higher metric; values are compared after rounding to `resolution`."""

    metric: str
    direction: int
    resolution: float


@dataclass(frozen=True)
class Limit:
    """A bound on a metric in the metric's unit. `sense` is "at_least" or "at_most".

    `relative_to` is "" for an absolute bound, "baseline", or the name of a `Reference`: the bound is then that
    setup's own metric plus `value`.
    """

    metric: str
    sense: str
    value: float
    relative_to: str = ""
    reason: str = ""


@dataclass(frozen=True)
class Reference:
    """A setup the driver likes, on a named surface: its positions, and that surface's parameters and phases."""

    name: str
    surface: str
    positions: tuple[float, ...]
    base: FloatArray
    phase_names: tuple[str, ...]
    phases: FloatArray


@dataclass(frozen=True)
class Assumption:
    """An input nobody measured: value taken and its spread, in the unit of `key`'s suffix, and why."""

    key: str
    value: float
    spread: float
    reason: str


@dataclass(frozen=True)
class Settings:
    """How the questions are asked. `method` is "auto", "exhaustive" or "sampled"."""

    method: str = "auto"
    exhaustive_up_to: int = 3_000_000
    search_trials: int = 2_000
    search_population: int = 60
    search_budget: int = 400_000
    sobol_start: int = 512
    sobol_budget: int = 500_000
    sobol_tolerance: float = 0.05
    shortlist_size: int = 5
    build_samples: int = 256
    save_every_setup: bool | None = None
    maps: tuple[tuple[str, str, str], ...] = ()


@dataclass(frozen=True)
class Space:
    """Everything a study asks about; `base` is the parameter vector (see `explorer.model.car.slots`), SI."""

    name: str
    car: str
    surface: str
    seed: int
    knobs: tuple[Knob, ...]
    rules: tuple[Rule, ...]
    objectives: tuple[Objective, ...]
    limits: tuple[Limit, ...]
    baseline: tuple[float, ...]
    base: FloatArray
    phase_names: tuple[str, ...]
    phases: FloatArray
    references: tuple[Reference, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    settings: Settings = field(default_factory=Settings)
    notes: tuple[str, ...] = ()
    unknowns: tuple[Unknown, ...] = ()
    planning: Planning = field(default_factory=Planning)
    axle: str = "beam"
    wishes: tuple[Wish, ...] = ()

    @property
    def knob_names(self) -> tuple[str, ...]:
        """Names in column order."""
        return tuple(knob.name for knob in self.knobs)

    @property
    def enumerable(self) -> bool:
        """True when every knob has levels."""
        return not any(knob.continuous for knob in self.knobs)

    @property
    def full_size(self) -> int:
        """Rows of the grid before rules; 0 when a knob is continuous."""
        size = 1
        for knob in self.knobs:
            size *= knob.size
        return size

    @property
    def exhaustive(self) -> bool:
        """True when this study evaluates every allowed setup."""
        method = self.settings.method
        if not self.enumerable or method == "sampled":
            return False
        if method == "exhaustive":
            return True
        return self.full_size <= self.settings.exhaustive_up_to

    def knob_index(self, name: str) -> int:
        """Column of a knob. Raises SpaceError with the known names."""
        if name not in self.knob_names:
            raise SpaceError(f"no knob is called {name!r}; this study has {', '.join(self.knob_names)}")
        return self.knob_names.index(name)

    @cached_property
    def allowed_rows(self) -> IntArray | None:
        """Row numbers of the full grid that no rule forbids, or None when there is no rule. Shape (rows,)."""
        if not self.rules:
            return None
        if not self.enumerable or self.full_size > ENUMERATION_CEILING:
            raise SpaceError(f"rules over {self.full_size:,} combinations cannot be listed; narrow the knobs")
        if self.full_size * len(self.rules) > RULE_CELLS:
            raise SpaceError(f"{len(self.rules):,} rules over {self.full_size:,} combinations cannot be listed")
        built = np.ones(tuple(knob.size for knob in self.knobs), dtype=bool)
        for rule in self.rules:
            bad = self._where(rule.when)
            built &= ~(bad & ~self._where(rule.only)) if rule.only else ~bad
        return np.flatnonzero(built)

    def _where(self, entries: tuple[tuple[str, tuple[str, ...]], ...]) -> BoolArray:
        """Where every (knob, labels) holds, over the grid: axes of knobs that are not named have length 1."""
        holds = np.ones((1,) * len(self.knobs), dtype=bool)
        for name, labels in entries:
            column = self.knob_index(name)
            among = np.zeros(self.knobs[column].size, dtype=bool)
            among[[int(self.knobs[column].position_of(label)) for label in labels]] = True
            holds = holds & among.reshape([-1 if axis == column else 1 for axis in range(len(self.knobs))])
        return holds

    @property
    def size(self) -> int:
        """Number of allowed setups of an enumerable space."""
        rows = self.allowed_rows
        return self.full_size if rows is None else len(rows)

    def _unravel(self, rows: IntArray) -> FloatArray:
        shape = tuple(knob.size for knob in self.knobs)
        return np.stack(np.unravel_index(rows, shape), axis=1).astype(np.float64)

    def positions(self, start: int, stop: int) -> FloatArray:
        """Positions of the allowed setups number `start` to `stop` (exclusive). Shape (stop - start, knobs)."""
        if not 0 <= start <= stop <= self.size:
            raise SpaceError(f"rows {start} to {stop} are not within 0 to {self.size}")
        rows = self.allowed_rows
        return self._unravel(np.arange(start, stop, dtype=np.int64) if rows is None else rows[start:stop])

    def positions_of(self, rows: IntArray) -> FloatArray:
        """Positions of the allowed setups with these numbers. (rows,) -> (rows, knobs)."""
        allowed = self.allowed_rows
        return self._unravel(np.asarray(rows, dtype=np.int64) if allowed is None else allowed[rows])

    def row_of(self, positions: FloatArray) -> int:
        """Number of the allowed setup at these positions. Raises SpaceError when a rule forbids it."""
        shape = tuple(knob.size for knob in self.knobs)
        full = int(np.ravel_multi_index(tuple(int(p) for p in positions), shape))
        rows = self.allowed_rows
        if rows is None:
            return full
        row = int(np.searchsorted(rows, full))
        if row == len(rows) or rows[row] != full:
            raise SpaceError("this setup is forbidden by a rule")
        return row

    def allowed(self, positions: FloatArray) -> BoolArray:
        """Which setups no rule forbids. `positions` (rows, knobs) -> (rows,)."""
        result = np.ones(len(positions), dtype=bool)
        for rule in self.rules:
            applies = np.ones(len(positions), dtype=bool)
            for name, labels in rule.when:
                applies &= self._among(positions, name, labels)
            if not rule.only:
                result &= ~applies
                continue
            holds = np.ones(len(positions), dtype=bool)
            for name, labels in rule.only:
                holds &= self._among(positions, name, labels)
            result &= ~applies | holds
        return result

    def _among(self, positions: FloatArray, name: str, labels: tuple[str, ...]) -> BoolArray:
        column = self.knob_index(name)
        wanted = [self.knobs[column].position_of(label) for label in labels]
        return np.isin(positions[:, column], wanted)

    def parameters(self, positions: FloatArray, base: FloatArray | None = None) -> FloatArray:
        """Parameter vectors of setups. `positions` (rows, knobs) -> (rows, slots), SI."""
        table = np.repeat((self.base if base is None else base)[None, :], len(positions), axis=0)
        for column, knob in enumerate(self.knobs):
            settings = np.asarray(knob.settings, dtype=np.float64)
            if knob.continuous:
                share = positions[:, column][:, None]
                table[:, list(knob.slots)] = settings[0] + share * (settings[1] - settings[0])
            else:
                table[:, list(knob.slots)] = settings[positions[:, column].astype(np.int64)]
        return table

    def labels(self, positions: FloatArray) -> tuple[str, ...]:
        """Labels of one setup, in knob order."""
        return tuple(knob.label_at(float(p)) for knob, p in zip(self.knobs, positions, strict=True))

    def setup(self, choices: dict[str, str]) -> FloatArray:
        """Positions of the baseline with the named knobs set to the named levels. Shape (knobs,).

        Raises SpaceError for an unknown knob or level.
        """
        result = np.array(self.baseline, dtype=np.float64)
        for name, label in choices.items():
            column = self.knob_index(name)
            result[column] = self.knobs[column].position_of(label)
        return result

    def named(self, choices: dict[str, str]) -> dict[str, str]:
        """Label of every knob in the setup that `setup` makes."""
        return dict(zip(self.knob_names, self.labels(self.setup(choices)), strict=True))

    def built(self, choices: dict[str, str]) -> FloatArray:
        """As `setup`, for a setup that must be possible: raises SpaceError too where a rule forbids it."""
        positions = self.setup(choices)
        if not self.allowed(positions[None, :])[0]:
            raise SpaceError("this setup is forbidden by a rule of the study")
        return positions

    def changes(self, positions: FloatArray) -> tuple[tuple[str, str, str], ...]:
        """(knob, from, to) for every knob that differs from the baseline."""
        return self.changes_between(np.asarray(self.baseline), positions)

    def changes_between(self, old: FloatArray, new: FloatArray) -> tuple[tuple[str, str, str], ...]:
        """(knob, from, to) for every knob that differs between two setups, both (knobs,)."""
        return tuple(
            (knob.name, knob.label_at(float(a)), knob.label_at(float(b)))
            for knob, a, b in zip(self.knobs, old, new, strict=True)
            if a != b
        )

    def minutes(self, positions: FloatArray) -> FloatArray:
        """Work from the baseline to each setup. (rows, knobs) -> (rows,) [min]."""
        cost = np.array([knob.minutes for knob in self.knobs])
        return (positions != np.asarray(self.baseline)) @ cost
