"""Leaves on disk what is compiled for one axle law, the argument: the kernel, and either way to a corner's limits."""

from __future__ import annotations

import sys
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

    from cars import Answers, corner_phases, put, random_cars
    from corner_limits import limits_followed, limits_on_floats, limits_on_lanes

    from explorer.model.car.slots import WISHBONE

    law = float(sys.argv[1])
    cars, phases = put(random_cars(1, 2), axle_law=law), corner_phases()
    for asked in (Answers, limits_on_lanes, limits_followed):
        asked(cars, phases)
    if law == WISHBONE:
        limits_on_floats(cars, phases)
