"""The only unit factors of the project: a key's suffix gives the factor to SI and the label.

Exact by definition: lbf = 4.4482216152605 N, in = 25.4 mm, g = 9.80665 m/s2
(NIST Special Publication 811, appendix B).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from explorer.domain.errors import SpaceError

STANDARD_GRAVITY = 9.80665
"""Standard acceleration of gravity. [m/s2]"""

_LBF = 4.4482216152605
_INCH = 0.0254


@dataclass(frozen=True)
class Unit:
    """`si = value * factor`; `label` is what a reader sees."""

    suffix: str
    factor: float
    label: str


UNITS: tuple[Unit, ...] = (
    Unit("n_s_per_m", 1.0, "N s/m"),
    Unit("n_s2_per_m2", 1.0, "N s2/m2"),
    Unit("n_m_per_deg", 180.0 / math.pi, "N m/deg"),
    Unit("n_per_mm", 1000.0, "N/mm"),
    Unit("n_per_m", 1.0, "N/m"),
    Unit("n_per_deg", 180.0 / math.pi, "N/deg"),
    Unit("lbf_per_in", _LBF / _INCH, "lbf/in"),
    Unit("gf_per_mm", STANDARD_GRAVITY, "gf/mm"),
    Unit("deg_per_mm2", math.pi / 180.0 * 1e6, "deg/mm2"),
    Unit("deg_per_mm", math.pi / 180.0 * 1000.0, "deg/mm"),
    Unit("mm_per_mm", 1.0, "mm/mm"),
    Unit("mm_per_n", 0.001, "mm/N"),
    Unit("per_mm", 1000.0, "1/mm"),
    Unit("deg_per_g", math.pi / 180.0 / STANDARD_GRAVITY, "deg/g"),
    Unit("m_per_s2", 1.0, "m/s2"),
    Unit("m_per_s", 1.0, "m/s"),
    Unit("km_per_h", 1.0 / 3.6, "km/h"),
    Unit("g_mm2", 1e-9, "g mm2"),
    Unit("kg_m2", 1.0, "kg m2"),
    Unit("mm3", 1e-9, "mm3"),
    Unit("gpa", 1e9, "GPa"),
    Unit("pct", 0.01, "%"),
    Unit("deg", math.pi / 180.0, "deg"),
    Unit("mm", 0.001, "mm"),
    Unit("ms", 0.001, "ms"),
    Unit("kg", 1.0, "kg"),
    Unit("min", 60.0, "min"),
    Unit("g", 0.001, "g"),
    Unit("n", 1.0, "N"),
    Unit("m", 1.0, "m"),
)
"""Longest suffix first where one ends in another."""

_BY_SUFFIX = {unit.suffix: unit for unit in UNITS}


def unit_of(name: str) -> Unit | None:
    """Unit named by the end of `name` (after its last dot), or None for a pure number.

    >>> unit_of("front_spring_rate_n_per_mm").label
    'N/mm'
    >>> unit_of("exit.roll_deg").suffix
    'deg'
    >>> unit_of("front_weight_share") is None
    True
    """
    stem = name.rsplit(".", 1)[-1]
    for unit in UNITS:
        if stem == unit.suffix or stem.endswith("_" + unit.suffix):
            return unit
    return None


def to_si(value: float, suffix: str) -> float:
    """Value in the unit called `suffix`, as SI.

    >>> round(to_si(1.0, "lbf_per_in"), 7)
    175.1268352

    Raises SpaceError for an unknown suffix.
    """
    if suffix not in _BY_SUFFIX:
        raise SpaceError(f"unknown unit suffix {suffix!r}; known: {', '.join(sorted(_BY_SUFFIX))}")
    return value * _BY_SUFFIX[suffix].factor
