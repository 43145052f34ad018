"""What an axle law tells of one axle at a point of the equilibrium path, and the places of its derivatives."""

from __future__ import annotations

from typing import Any, NamedTuple

SIGMA, LATERAL, HANDED = 1, 2, 3
"""Places of the derivatives along the path: by its variable, by lateral acceleration, by the load handed to the front.
"""
OUTER, INNER = 4, 5
"""Places of the derivatives by the travels of an axle's wheels, until they are eliminated."""


class AxlePoint(NamedTuple):
    """One axle at a trial point: jets over `SIGMA`, `LATERAL` and `HANDED`, then numbers. SI.

    `moment` is what the axle holds up less what tips it; `rise` of the body over the road against the car at rest;
    `excess` the transfer the axle would carry with both wheels down less half its weight: above zero the inner wheel is
    up. A lean is out of the turn, by roll and travel alone; a travel is of the wheel in the body, bump positive.
    `roll_stiffness` is what springs, bar and tyres hold per roll, `net_stiffness` that less what tips [N m/rad]; what
    ends in `_by_roll` is at a fixed lateral acceleration and axle weight.
    """

    moment: Any
    rise: Any
    excess: Any
    outer_lean: Any
    inner_lean: Any
    outer_travel: Any
    inner_travel: Any
    roll_stiffness: float
    net_stiffness: float
    outer_lean_by_roll: float
    inner_lean_by_roll: float
    outer_travel_by_roll: float
    inner_travel_by_roll: float
