"""The feel of a car as a driver can tell it: balance and roll in each phase, how late and how sharply the car responds,
and how far each phase lies below its limits; and how far apart two feels are.

Two setups are as far apart as the root mean square of these differences, each counted in its own resolution (the
difference nobody can feel); that measure is ours.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from explorer.domain.errors import ModelError
from explorer.domain.space import FloatArray, Reference, Space
from explorer.model.metrics import describe
from explorer.study.everything.evaluate import fault_words, table_of

CAR_FEEL = ("lag_ms", "bite_pct")
PHASE_FEEL = ("balance_pct", "roll_deg", "grip_margin_pct", "lift_margin_pct")
"""What feel is made of, for the car and in each phase."""


@dataclass(frozen=True)
class FeelLine:
    """One metric of one setup: `then` of the liked setup on its surface, `now` here, `unit` of both; `missed` is now
    less then in resolutions, `share` its part of the squared distance, 0 to 1."""

    metric: str
    label: str
    unit: str
    then: float
    now: float
    missed: float
    share: float


@dataclass(frozen=True)
class WantedFeel:
    """What is looked for: columns, what they were (metrics,), their resolutions, the liked setup's positions."""

    columns: tuple[str, ...]
    then: FloatArray
    resolution: FloatArray
    liked: FloatArray


def feel_columns(phase_names: tuple[str, ...]) -> tuple[str, ...]:
    """Metrics that make the feel of a car over these phases.

    >>> feel_columns(("exit",))[1:4]
    ('bite_pct', 'exit.balance_pct', 'exit.roll_deg')
    """
    return CAR_FEEL + tuple(f"{phase}.{metric}" for phase in phase_names for metric in PHASE_FEEL)


def feel_distance(now: FloatArray, then: FloatArray, resolution: FloatArray) -> FloatArray:
    """Root mean square of (now - then)/resolution. (rows, metrics), (metrics,), (metrics,) -> (rows,) [resolutions]

    >>> float(feel_distance(np.array([[3.0, 4.0]]), np.zeros(2), np.array([1.0, 1.0]))[0])
    3.5355339059327378
    """
    missed = (now - then) / resolution
    distance: FloatArray = np.sqrt((missed * missed).mean(axis=1))
    return distance


def wanted_feel(space: Space, liked: Reference) -> tuple[WantedFeel, tuple[str, ...]]:
    """How the liked setup felt on its own surface, over the phases that this study has too."""
    shared = tuple(phase for phase in space.phase_names if phase in liked.phase_names)
    columns = feel_columns(shared)
    there = replace(space, base=liked.base, phase_names=liked.phase_names, phases=liked.phases)
    positions = np.array(liked.positions, dtype=np.float64)
    table = table_of(there, positions[None, :])
    if not table.valid[0]:
        word = fault_words(there, positions[None, :])[0]
        raise ModelError(f"the model has no answer for {liked.name} on {liked.surface}: {word}")
    then = np.array([table.column(column)[0] for column in columns])
    return WantedFeel(columns, then, np.array([describe(c).resolution for c in columns]), positions), shared


def feel_lines(wanted: WantedFeel, now: FloatArray) -> tuple[FeelLine, ...]:
    """Every metric of a setup here, `now` (metrics,), beside what is looked for."""
    missed = (now - wanted.then) / wanted.resolution
    total = float((missed * missed).sum())
    return tuple(
        FeelLine(
            metric=column,
            label=_label(column),
            unit=describe(column).unit,
            then=float(wanted.then[k]),
            now=float(now[k]),
            missed=float(missed[k]),
            share=float(missed[k] ** 2) / total if total > 0.0 else 0.0,
        )
        for k, column in enumerate(wanted.columns)
    )


def _label(column: str) -> str:
    label = describe(column).label
    return f"{column.split('.', 1)[0]}: {label}" if "." in column else label
