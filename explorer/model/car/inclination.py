"""Inclination of each wheel to the road, positive into the turn. [rad]"""

from __future__ import annotations

import numpy as np

from explorer.model.machine.compiled import inner
from explorer.model.machine.lane_math import arcsine, arctangent, sine_cosine, tangent


@inner
def steer_angle(wheelbase, track, radius, ackermann_share, side):
    """Steer angle of a front wheel, positive into the turn; `side` +1 inner, -1 outer. [rad]

    The Ackermann angle `atan(L/(R -+ t/2))` blended with the Ackermann steer angle `L/R` (ISO 8855 words).
    """
    exact = arctangent(wheelbase / (radius - 0.5 * side * track))
    return ackermann_share * exact + (1.0 - ackermann_share) * wheelbase / radius


@inner
def steered_lean(lean, caster, kingpin_inclination, steer, side):
    """Lean of a front wheel after turning it by `steer` about its kingpin; `side` +1 inner, -1 outer. [rad]

    Rodrigues' rotation of the wheel's spin axis `e = (0, cos lean, -sin lean)` about the unit vector along
    `(-tan caster, -side tan kpi, 1)`. With caster alone both wheels lean into the turn by `asin(sin caster sin steer)`
    or nearly so; kingpin inclination alone tips the inner wheel in and the outer wheel out.
    """
    kx, ky = -tangent(caster), -side * tangent(kingpin_inclination)
    kz = 1.0 / np.sqrt(kx * kx + ky * ky + 1.0)
    kx, ky = kx * kz, ky * kz
    sine, ey = sine_cosine(lean)
    ez = -sine
    turned, ahead = sine_cosine(steer)
    along = ky * ey + kz * ez
    return -arcsine(ez * ahead + kx * ey * turned + kz * along * (1.0 - ahead))
