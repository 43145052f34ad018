"""Limits of a corner: axle grip, first wheel up, rollover, and the state at what the phase asks.

Two roads to the same numbers: `direct` solves for each event by Newton's method, which most cars allow; `followed`
walks the equilibrium path and knows no exceptions.
"""

from __future__ import annotations

from explorer.model.compiled import inner
from explorer.model.direct import direct_limits
from explorer.model.followed import followed_limits


@inner
def corner_limits(corner, table):
    """All limits of one setup in one phase, and the state at the lateral acceleration the phase asks for."""
    if corner.body.chassis_compliance == 0.0:
        limits, done = direct_limits(corner, table)
        if done:
            return limits
    return followed_limits(corner, table)
