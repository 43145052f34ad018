"""What every kind of report from the track has: the run it is held against, a driver's words, laws, what is opposite.

Laws. A reading is normal about the model's number. A judgement is an ordered probit of a number: below a band, within
it, above it; a yes or no has no band (Thurstone 1927, Psychol. Rev. 34:273; McKelvey & Zavoina 1975, J. Math. Sociol.
4:103; ties in comparisons, Glenn & David 1960, Biometrics 16:86; all from memory).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Self

import numpy as np
from scipy.special import ndtr

from explorer.domain.errors import SpaceError
from explorer.domain.space import FloatArray, Space
from explorer.model.car.car import G
from explorer.model.car.slots import PHASE_COLUMNS, SLOT
from explorer.study.everything.evaluate import Scenarios

RADIUS, _SPEED, _SHARE = (PHASE_COLUMNS.index(name) for name in ("radius", "speed", "grip_share"))
_END = r"\b(front|rear|back)\b"


@dataclass(frozen=True)
class Ran:
    """One setup in every scenario: `columns` by name, each (scenarios,); `positions` (knobs,)."""

    space: Space
    scenarios: Scenarios
    positions: tuple[float, ...]
    columns: Mapping[str, FloatArray]

    def slot(self, number: int) -> FloatArray:
        """A number of the car or the surface in each scenario. (scenarios,) SI"""
        level = self.space.parameters(np.array([self.positions]))[0, number] * np.ones(len(self.scenarios.weights))
        for j in np.flatnonzero(self.scenarios.slots == number):
            level = level * self.scenarios.factor[:, j] + self.scenarios.offset[:, j]
        return np.asarray(level)

    def phase(self, name: str) -> FloatArray:
        """What a phase asks, in `PHASE_COLUMNS`."""
        return np.asarray(self.space.phases[self.space.phase_names.index(name)])

    def lateral(self, phase: str) -> FloatArray:
        """Lateral acceleration at the limit of grip. (scenarios,) [m/s2]"""
        return lateral_limit(self.phase(phase), self.slot(SLOT["grip"]), self.columns[f"{phase}.grip_margin_pct"])


def setup_words(space: Space, positions: tuple[float, ...]) -> str:
    """What differs from the baseline."""
    return ", ".join(f"{knob} {new}" for knob, _, new in space.changes(np.array(positions))) or "baseline"


class Unfit(Exception):
    """An entry that does not fit its kind: the key at fault, what was found, what is allowed."""

    def __init__(self, key: str, found: str, allowed: str) -> None:
        super().__init__(allowed)
        self.key, self.found, self.allowed = key, found, allowed


class Said:
    """A driver's words, taken out one by one as they are understood."""

    def __init__(self, text: str) -> None:
        self.text = f" {text} "

    def take(self, pattern: str) -> re.Match[str] | None:
        """The first place that fits, taken out of the text; None where there is none."""
        found = re.search(pattern, self.text)
        if found is not None:
            self.text = f"{self.text[: found.start()]} {self.text[found.end() :]}"
        return found

    def end(self) -> str:
        """ "front" or "rear" where one is named, else ""."""
        found = self.take(_END)
        return "" if found is None else found[1].replace("back", "rear")


@dataclass(frozen=True)
class Report:
    """One thing seen in practice with a stated setup; its kind is its class.

    `positions` of the setup, `other` of the setup it was compared with, both (knobs,) or (). `value` and `error` (one
    standard deviation, 0 for the usual one) in the unit of the kind; a judgement's `value` is -1, 0 or 1. `what` names
    an end of the car or an unknown, `size` is a circle's radius [m] or an unknown's range, `line` its line in the file.

    `keys` of an entry that make it this kind, `errors` the keys of its error, `usual`, `least` and `largest` the error
    taken, and allowed; `unit` of `value` and error, `flat` the probability (of a reading: density) of a report that is
    wrong altogether; `phased`: True where a phase is needed, None where one may be named, False where none can be.
    `compares` two setups; `modelled` where the setup matters. `vocabulary` is offered where a word is not understood,
    and by the shell.
    """

    phase: str
    positions: tuple[float, ...]
    text: str
    value: float = 1.0
    error: float = 0.0
    what: str = ""
    size: float = 0.0
    other: tuple[float, ...] = ()
    line: int = 0

    keys: ClassVar[tuple[str, ...]]
    errors: ClassVar[tuple[str, ...]] = ("error_pct",)
    unit: ClassVar[str] = "%"
    usual: ClassVar[float] = 0.0
    least: ClassVar[float] = 0.1
    largest: ClassVar[float] = 100.0
    flat: ClassVar[float] = 0.5
    phased: ClassVar[bool | None] = True
    compares: ClassVar[bool] = False
    modelled: ClassVar[bool] = True
    subject: ClassVar[str] = ""
    vocabulary: ClassVar[tuple[str, ...]] = ()

    @property
    def sigma(self) -> float:
        """One standard deviation: as given, or the usual one."""
        return self.error if self.error > 0.0 else self.usual

    @classmethod
    def read(cls, entry: Any, space: Space) -> dict[str, Any]:
        """`value` and, where the kind has them, `what` and `size`, from a checked entry. Raises Unfit."""
        raise NotImplementedError

    @classmethod
    def heard(cls, said: Said, space: Space) -> dict[str, Any] | None:
        """Keys of an entry from a driver's words, which are taken out; None where they tell of something else."""
        raise NotImplementedError

    @classmethod
    def scaled(cls, key: str, error: float, entry: Any) -> float:
        """An error under one of the `errors`, in the unit of the kind."""
        return error

    def words(self) -> str:
        """What was seen, in words."""
        raise NotImplementedError

    def told(self, space: Space, turn: str, remark: str) -> Self:
        """The same with its text: phase, setup, what was seen, which way round, remark."""
        words = [self.words()] + ([f"than {setup_words(space, self.other)}"] if self.other else [])
        where = [self.phase] * bool(self.phase) + ([setup_words(space, self.positions)] if self.positions else [])
        said = " ".join(words) + (f", {turn}" if turn else "") + (f" ({remark})" if remark else "")
        return replace(self, text=": ".join([", ".join(where), said] if where else [said]))

    def number(self, ran: Ran) -> FloatArray:
        """The model's number for its setup, by scenario."""
        raise NotImplementedError

    def compared(self, own: FloatArray, other: FloatArray) -> FloatArray:
        """The number of two setups, from `number` of each."""
        return own - other

    def law(self, number: FloatArray) -> FloatArray:
        """Probability (of a reading: density) of the report by an observer who makes no slip. (scenarios,)"""
        raise NotImplementedError

    def tail(self, number: FloatArray, share: FloatArray) -> float:
        """How likely a report at least as far out is; `share` (scenarios,) sums to one."""
        return float(share @ self.law(number))

    def far(self, other: Report) -> bool:
        """Whether another report of the same thing says plainly the opposite."""
        return abs(self.value - other.value) > 1.5

    def opposite(self, other: Report) -> bool:
        """Whether two reports say opposite things of one setup (of two: each better than the other) and phase."""
        if (type(self), self.phase, self.what) != (type(other), other.phase, other.what):
            return False
        if self.compares and (self.positions, self.other) == (other.other, other.positions):
            return bool(abs(self.value + other.value) > 1.5)
        return (self.positions, self.other) == (other.positions, other.other) and self.far(other)

    def check(self, space: Space) -> None:
        """Raises SpaceError where the report does not fit the study."""
        where = f"line {self.line}: "
        if self.phase not in space.phase_names and (self.phased or self.phase):
            raise SpaceError(f"{where}no phase is called {self.phase!r}; {', '.join(space.phase_names)}")
        knobs = len(space.knobs)
        if (len(self.positions), len(self.other)) != (knobs, knobs if self.compares else 0):
            raise SpaceError(f"{where}an observation needs its setup, and a comparison another one, {knobs} knobs")
        if not self.sigma > 0.0:
            raise SpaceError(f"{where}the error must be above 0, not {self.error:g}")


class Reading(Report):
    """`phi((y - m)/e)/e`: a number read off the car, the clock or the ground."""

    def law(self, number: FloatArray) -> FloatArray:
        return np.asarray(
            np.exp(-0.5 * ((self.value - number) / self.sigma) ** 2) / (self.sigma * np.sqrt(2.0 * np.pi))
        )

    def tail(self, number: FloatArray, share: FloatArray) -> float:
        below = float(share @ ndtr((self.value - number) / self.sigma))
        return float(np.clip(2.0 * min(below, 1.0 - below), 0.0, 1.0))

    def far(self, other: Report) -> bool:
        return abs(self.value - other.value) > 3.0 * math.hypot(self.sigma, other.sigma)


class Judgement(Report):
    """Below the band (`value` -1), within it (0) or above it (1): `Phi((-band - m)/e)`, the rest,
    `Phi((m - band)/e)`."""

    band: ClassVar[float] = 0.0

    @property
    def complains(self) -> bool:
        """Whether it is what a driver would rather not have again."""
        return not self.compares and self.value < 0.0

    def law(self, number: FloatArray) -> FloatArray:
        below, above = ndtr((-self.band - number) / self.sigma), ndtr((number - self.band) / self.sigma)
        within = ndtr((self.band - number) / self.sigma) - below
        return np.asarray(below if self.value < 0.0 else above if self.value > 0.0 else within)


def lateral_limit(phase: FloatArray, grip: FloatArray, grip_margin_pct: FloatArray) -> FloatArray:
    """Lateral acceleration at the limit of grip: `a (1 + margin)`, `a` what the phase asks. (scenarios,) [m/s2]

    The phase asks `v^2/R`, or a share of the grip level of that scenario; braking, drive and downforce stay what they
    are at the phase's own pace.
    """
    speed, radius = float(phase[_SPEED]), float(phase[RADIUS])
    asked = speed * speed / radius if speed > 0.0 else float(phase[_SHARE]) * grip * G
    return np.asarray(np.maximum(asked * (1.0 + grip_margin_pct / 100.0), 0.0), dtype=np.float64)
