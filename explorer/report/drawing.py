"""Data of a drawing of lines or points, whatever they show. Frozen, no heavy imports."""

from __future__ import annotations

from dataclasses import dataclass

from explorer.domain.space import FloatArray


@dataclass(frozen=True)
class Series:
    """One line or cloud of a drawing: `x`, `y` (points,)."""

    label: str
    x: FloatArray
    y: FloatArray


@dataclass(frozen=True)
class Drawing:
    """Data of one figure. `kind` "points" or "lines"; `diagonal` draws y = x; axes logarithmic where `log`."""

    stem: str
    title: str
    x_label: str
    y_label: str
    kind: str
    series: tuple[Series, ...]
    diagonal: bool = False
    log: bool = False
