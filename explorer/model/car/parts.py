"""Rates of springs and anti-roll bars from their wire: scalar physics, one cited equation each. SI throughout.

The compiled functions take plain arguments because numba knows no keyword-only ones; always call them by keyword.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from explorer.domain.errors import ModelError
from explorer.model.machine.compiled import njit

_INCH = 0.0254


@njit(cache=True)
def second_moment(diameter: float) -> float:
    """Second moment of area of round wire, `I = pi d^4/64`. [m4]

    `diameter` [m] above 0. Shigley's Mechanical Engineering Design, table A-18.

    >>> f"{second_moment(diameter=0.001):.6e}"
    '4.908739e-14'
    """
    return math.pi * diameter**4 / 64.0


@njit(cache=True)
def polar_moment(diameter: float) -> float:
    """Polar second moment of area of round wire, `J = pi d^4/32`. [m4]

    `diameter` [m] above 0. Shigley's Mechanical Engineering Design, table A-18.

    >>> f"{polar_moment(diameter=0.001):.6e}"
    '9.817477e-14'
    """
    return math.pi * diameter**4 / 32.0


@njit(cache=True)
def bar_end_rate(
    diameter: float,
    straight: float,
    bearing_span: float,
    arm: float,
    lever: float,
    elastic_modulus: float,
    shear_modulus: float,
) -> float:
    """Force at each end of a bent wire anti-roll bar per movement there, the ends moving oppositely. [N/m]

    Castigliano's theorem (Shigley, section 4-8) on a wire with two equal arms in two narrow bearings that act as
    simple supports, placed symmetrically. `straight` l is the length between the bends [m], `bearing_span` b <= l the
    distance of the bearings [m], `arm` s the arm's own length [m], `lever` a <= s the distance of the arm's end from
    the bar's axis [m]; arms splay outward by d = sqrt(s^2 - a^2). With the overhang o = (l - b)/2 the end gives by

        a^2 (l/2)/(G J)                 torsion of half the bar
        + s^3/(3 E I)                   bending of the arm
        + ((d + o)^3 - d^3)/(3 E I)     bending of the overhang
        + (d + o)^2 b/(6 E I)           bending between the bearings, a line from +F(d + o) to -F(d + o)

    Moduli in [Pa]. Shear deflection and play in the bearings are left out.

    >>> rate = bar_end_rate(diameter=0.002, straight=0.08, bearing_span=0.08, arm=0.025, lever=0.025,
    ...                     elastic_modulus=196.5e9, shear_modulus=81.0e9)
    >>> f"{rate:.3f}"
    '4343.380'
    """
    bending = elastic_modulus * second_moment(diameter)
    torsion = shear_modulus * polar_moment(diameter)
    overhang = 0.5 * (straight - bearing_span)
    splay = math.sqrt(max(arm * arm - lever * lever, 0.0))
    reach = splay + overhang
    give = (
        lever * lever * 0.5 * straight / torsion
        + arm**3 / (3.0 * bending)
        + (reach**3 - splay**3) / (3.0 * bending)
        + reach * reach * bearing_span / (6.0 * bending)
    )
    return 1.0 / give


@njit(cache=True)
def coil_rate(wire: float, mean_diameter: float, active_coils: float, shear_modulus: float) -> float:
    """Rate of a round-wire coil spring, `G d^4/(8 D^3 N)`. [N/m]

    `wire` d [m], `mean_diameter` D over the wire's centre line [m], `active_coils` N, `shear_modulus` [Pa].
    Shigley's Mechanical Engineering Design, equation 10-9.

    >>> f"{coil_rate(wire=0.0012, mean_diameter=0.014, active_coils=6.0, shear_modulus=81.7e9):.3f}"
    '1286.239'
    """
    return shear_modulus * wire**4 / (8.0 * mean_diameter**3 * active_coils)


@njit(cache=True)
def wheel_rate(spring_rate: float, motion_ratio: float) -> float:
    """Rate felt at the wheel, `k MR^2`, MR = spring travel over wheel travel (rigid links, constant ratio). [N/m]

    `spring_rate` [N/m]. Milliken and Milliken, Race Car Vehicle Dynamics, chapter 16.

    >>> f"{wheel_rate(spring_rate=1200.0, motion_ratio=0.6):.1f}"
    '432.0'
    """
    return spring_rate * motion_ratio * motion_ratio


@dataclass(frozen=True)
class Moduli:
    """Elastic (Young's) and shear modulus. [Pa]"""

    elastic: float
    shear: float


_ROW_ENDS_INCH = (0.0325, 0.0635, 0.125)
"""Where one row of the table gives way to the next. Shigley prints rows < 0.032, 0.033-0.063, 0.064-0.125 and
> 0.125 in; a wire between two printed rows (0.032 to 0.033 and 0.063 to 0.064 in) takes the nearer one."""

_GPA_BY_ROW: dict[str, tuple[tuple[float, float], ...]] = {
    "A228": ((203.4, 82.7), (200.0, 81.7), (196.5, 81.0), (193.0, 80.0)),
    "A227": ((198.6, 80.7), (197.9, 80.0), (197.2, 79.3), (196.5, 78.6)),
    "chrome-vanadium": ((203.4, 77.2),) * 4,
    "17-7PH": ((203.4, 75.8),) * 4,
    "302/304": ((193.0, 69.0),) * 4,
}
"""E and G in GPa. A228, A227, chrome-vanadium: Shigley, table 10-5 (9th edition). 17-7PH and stainless 302/304: wire
makers' tables; G of 17-7PH is printed from 72 to 80 GPa, so take it as good to 5 %."""

WIRE_MATERIALS: tuple[str, ...] = tuple(_GPA_BY_ROW)
"""Music wire A228, hard-drawn A227, chrome-vanadium, stainless 17-7PH and stainless 302/304."""


def wire_moduli(material: str, diameter: float) -> Moduli:
    """Moduli of a spring wire of this material and `diameter` [m].

    Raises ModelError for an unknown material.

    >>> wire_moduli("A228", 0.0016).shear / 1e9
    81.7
    """
    if material not in _GPA_BY_ROW:
        raise ModelError(f"no wire material is called {material!r}; known: {', '.join(WIRE_MATERIALS)}")
    row = sum(diameter > end * _INCH for end in _ROW_ENDS_INCH)
    elastic, shear = _GPA_BY_ROW[material][row]
    return Moduli(elastic=elastic * 1e9, shear=shear * 1e9)
