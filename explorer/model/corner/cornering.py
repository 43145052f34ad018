"""The car at the lateral acceleration that a phase asks for: loads, inclinations, and how it answers a little roll."""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.corner.path import axles_at
from explorer.model.machine.compiled import woven
from explorer.model.machine.jets import part
from explorer.model.machine.lanes import where


class AxleState(NamedTuple):
    """One axle in a corner. SI; leans are out of the turn, by roll and travel alone. What ends in `_by_roll` is at a
    fixed lateral acceleration and axle weight; stiffnesses are as in `axle_point.AxlePoint`."""

    weight: float
    transfer: float
    excess: float
    rise: float
    outer_lean: float
    inner_lean: float
    outer_lean_by_roll: float
    inner_lean_by_roll: float
    outer_travel_by_roll: float
    inner_travel_by_roll: float
    roll_stiffness: float
    net_stiffness: float


class CarState(NamedTuple):
    """The car at a point of its path; `roll` is the body's at the sprung centre of gravity. [rad]"""

    roll: float
    front_roll: float
    rear_roll: float
    front: AxleState
    rear: AxleState


@woven
def _axle_state(point, weight):
    """`AxleState` of an `AxlePoint`."""
    excess = part(point.excess, 0)
    return AxleState(
        weight=weight,
        transfer=where(excess > 0.0, 0.5 * weight, excess + 0.5 * weight),
        excess=excess,
        rise=part(point.rise, 0),
        outer_lean=part(point.outer_lean, 0),
        inner_lean=part(point.inner_lean, 0),
        outer_lean_by_roll=point.outer_lean_by_roll,
        inner_lean_by_roll=point.inner_lean_by_roll,
        outer_travel_by_roll=point.outer_travel_by_roll,
        inner_travel_by_roll=point.inner_travel_by_roll,
        roll_stiffness=point.roll_stiffness,
        net_stiffness=point.net_stiffness,
    )


@woven
def car_state(law, body, state):
    """`CarState` at a state of the path, for floats and for lanes."""
    front, rear = axles_at(law, 0.0, state)
    front_weight = law.front_weight + state.handed
    return CarState(
        roll=state.roll + body.front_sprung_share * state.twist,
        front_roll=state.roll + state.twist,
        rear_roll=state.roll,
        front=_axle_state(front, front_weight),
        rear=_axle_state(rear, law.total_weight - front_weight),
    )


class WheelSet(NamedTuple):
    """Loads [N] and inclinations, positive into the turn [rad], of the four wheels."""

    front_inner_load: float
    front_outer_load: float
    rear_inner_load: float
    rear_outer_load: float
    front_inner_lean: float
    front_outer_lean: float
    rear_inner_lean: float
    rear_outer_lean: float


@woven
def wheels_at(corner, state, rolled_over):
    """Loads and inclinations of a `CarState`; a car that has rolled over stands on its outer wheels."""
    front, rear = state.front, state.rear
    front_transfer = where(rolled_over, 0.5 * front.weight, front.transfer)
    rear_transfer = where(rolled_over, 0.5 * rear.weight, rear.transfer)
    return WheelSet(
        front_inner_load=0.5 * front.weight - front_transfer,
        front_outer_load=0.5 * front.weight + front_transfer,
        rear_inner_load=0.5 * rear.weight - rear_transfer,
        rear_outer_load=0.5 * rear.weight + rear_transfer,
        front_inner_lean=corner.front_inner_lean - front.inner_lean,
        front_outer_lean=corner.front_outer_lean - front.outer_lean,
        rear_inner_lean=corner.rear.camber - rear.inner_lean,
        rear_outer_lean=-corner.rear.camber - rear.outer_lean,
    )
