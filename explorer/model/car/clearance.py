"""Ground clearance of the chassis edge in a corner. [m]"""

from __future__ import annotations

from explorer.model.machine.compiled import inner
from explorer.model.machine.lane_math import sine_cosine
from explorer.model.machine.lanes import least


@inner
def axle_height(axle, state, travel_rms):
    """Underside over the road at an axle line, mid-car: ride height and rise, less three times the RMS suspension
    travel. [m]"""
    return axle.ride_height + state.rise - 3.0 * travel_rms


@inner
def chassis_clearance(front_height, rear_height, wheelbase, front_edge, rear_edge, half_width, front_roll, rear_roll):
    """Lowest corner of the chassis edge: heights run straight along the car, the outer edge drops by
    `half_width sin(roll)`. Negative touches. [m]"""
    slope = (front_height - rear_height) / wheelbase
    front_sine, _ = sine_cosine(front_roll)
    rear_sine, _ = sine_cosine(rear_roll)
    front = front_height + slope * front_edge - half_width * front_sine
    rear = rear_height - slope * rear_edge - half_width * rear_sine
    return least(front, rear)
