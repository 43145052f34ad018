"""What is not known, what was seen in practice, and how the plan is asked for: plain data of a study.

Nothing here knows the model's equations; numbers are SI unless a name carries a unit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

LAWS = ("normal", "uniform", "lognormal", "triangular")
"""Laws of an unknown. The spread is a half width: two standard deviations of `normal`, two of the logarithm of
`lognormal` (as a share of the best guess), the half range of `uniform` and `triangular`."""

FIGURES = ("nominal", "mean", "quantile", "worst", "regret")
"""What the front and the shortlist of a plan may be taken on."""

CG_HEIGHT_SPREAD = 0.002
"""How far off a height of the centre of gravity found by tilting may be. [m]"""

TYRE_RATE_SPREAD = 0.15
"""How far off a squashed tyre's rate may be, as a share: it stiffens with load and age."""

MODEL_ERROR = {"camber": math.radians(0.1), "roll_centre_height": 0.001}
"""What the model itself may be off by at each end, told as a number of the car, by stem: the inclination of its wheels
[rad], and the arm of the roll moment [m], which makes some 4 % of roll and 0.06 N of a wheel's load: about what cars on
two links differ by from an independent multibody model of them (`setup-space prove`, results/proof)."""

TYPICAL_OF_CARS = "typical of such cars"
"""How the reason of an assumption begins that nobody measured, for a car file says that it is typical."""

NOT_MEASURED = "not measured: "
"""In such a reason, before how to measure it."""


def how_to_measure(reason: str) -> str:
    """How to measure a typical number, by the reason that it stands with; "" for any other reason.

    >>> how_to_measure("typical of such cars, not measured: kitchen scales")
    'kitchen scales'
    """
    return reason.partition(NOT_MEASURED)[2] if reason.startswith(TYPICAL_OF_CARS) else ""


UNLIKE_ENDS = ("best_lean", "lean_width", "cornering_stiffness")
"""Tyre constants of which front and rear are drawn apart, by the stem without its end. A car file may also give one
without its end, for both; where a key of one end stands beside it, that end has its own."""


@dataclass(frozen=True)
class Unknown:
    """A number of the car or the surface that nobody knows for certain; both ends of the car move together where the
    same guess is made at both and they are not of `UNLIKE_ENDS`.

    `key` is the key of the input file (without `front_` or `rear_` where both move), `unit` its label. `slots` are the
    parameter columns it moves, `values` the best guess of each, `spread` the half width, `low` and `high` the bounds,
    all SI and one per slot. `of_surface` is True where it belongs to the surface of the event. Where a knob sets the
    number too, the best guess is the baseline's level, and the other levels move with it: by the same offset where
    `shifts`, by the same factor otherwise.
    """

    key: str
    unit: str
    slots: tuple[int, ...]
    values: tuple[float, ...]
    spread: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    law: str
    of_surface: bool
    reason: str
    shifts: bool = False


@dataclass(frozen=True)
class Planning:
    """How a plan is asked for. `asked` is False where the study has no [uncertainty] table: `run` then leaves the plan
    out, `plan` uses these defaults.

    `quantile` is the low quantile of each figure where more is better, and the high one where less is; `shortlist_on`
    one of `FIGURES`; `carry_over` the name of a liked setup or ""; `minutes_between_runs` the pit time before each
    run [min], `minutes` all that there are (0: nobody counted), `starts` when they begin on the clock ("": nobody
    said); `rejuvenate_below` the share of effective scenarios below which they are drawn anew; `seen` what was seen in
    practice, each a `Report` (`explorer.study.plan.reports`).
    """

    asked: bool = False
    scenarios: int = 4_096
    quantile: float = 0.1
    shortlist_on: str = "quantile"
    carry_over: str = ""
    minutes_between_runs: float = 15.0
    minutes: float = 0.0
    starts: str = ""
    rejuvenate_below: float = 0.3
    seen: tuple[Any, ...] = ()
