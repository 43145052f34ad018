"""Limits of a corner: axle grip, first wheel up, rollover, and the state at what the phase asks.

Two roads to the same numbers: `direct` solves for each event by Newton's method, which most cars allow; `followed`
walks the equilibrium path and knows no exceptions.
"""

from __future__ import annotations

from explorer.model.compiled import woven
from explorer.model.followed import CornerLimits
from explorer.model.loads import residual_at


@woven
def direct_corner(corner, direct):
    """All limits of a corner, and the state at the lateral acceleration the phase asks for, from what `direct_limits`
    found; `converged` where that counts, elsewhere `followed_limits` must be asked. For floats and lanes."""
    _, _, state = residual_at(
        corner.body,
        corner.front,
        corner.rear,
        corner.phase,
        direct.asked_roll,
        direct.asked_lateral,
        direct.asked_handed,
    )
    return CornerLimits(
        front_grip=direct.front_grip,
        rear_grip=direct.rear_grip,
        front_lift=direct.front_lift,
        rear_lift=direct.rear_lift,
        rollover=direct.rollover,
        front_first=direct.front_first,
        rolled_over=direct.rolled_over,
        required=state,
        converged=direct.done & (corner.body.chassis_compliance == 0.0),
    )
