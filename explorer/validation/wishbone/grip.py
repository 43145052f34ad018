"""Grip of an axle from loads and leans of the reference: the tyre formulas written apart from the model's.

Definitions are the model's (`explorer.model.car.tyre`, `explorer.model.corner.grip`): power law of load, share of the
peak by inclination, friction ellipse (Gillespie, *Fundamentals of Vehicle Dynamics*, ch. 10; Milliken & Milliken, *Race
Car Vehicle Dynamics*, ch. 2), patch shifted by lean. Smooth ground.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from explorer.domain.errors import ModelError
from explorer.domain.space import FloatArray
from explorer.model.car.slots import PHASE_COLUMNS, SLOT
from explorer.validation.wishbone.kinetics import GRAVITY
from explorer.validation.wishbone.planar import State

_UNKNOWN = ("roughness", "downforce_coefficient", "chassis_compliance", "ballast_mass")


@dataclass(frozen=True)
class Corner:
    """What a phase asks of a setup. SI; `forces` longitudinal of front and rear axle, `steered` lean into the turn that
    static camber and steering give the four wheels, `static` the part of it that is static camber, signed alike."""

    lateral: float
    longitudinal: float
    speed: float
    forces: tuple[float, float]
    steered: FloatArray
    static: FloatArray


def value(vector: FloatArray, name: str) -> float:
    """A number of a parameter vector by name."""
    return float(vector[SLOT[name]])


def asked(row: FloatArray, name: str) -> float:
    """A number of a phase by name."""
    return float(row[PHASE_COLUMNS.index(name)])


def longitudinal_of(vector: FloatArray, row: FloatArray) -> float:
    """Longitudinal acceleration of a phase. [m/s2]"""
    return asked(row, "longitudinal") + asked(row, "longitudinal_share") * value(vector, "grip") * GRAVITY


def _turned(camber: float, caster: float, kingpin: float, steer: float, side: float) -> float:
    """Lean into the turn of a wheel with static camber turned about its kingpin, by rotation matrices. [rad]"""
    axis = np.array([-math.tan(caster), -side * math.tan(kingpin), 1.0])
    x, y, z = axis / np.linalg.norm(axis)
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    turn = np.eye(3) + math.sin(steer) * cross + (1.0 - math.cos(steer)) * (cross @ cross)
    lean = side * camber
    spin = turn @ np.array([0.0, math.cos(lean), -math.sin(lean)])
    return -math.asin(float(spin[2]))


def corner_of(vector: FloatArray, row: FloatArray, cambers: tuple[float, float], track: float) -> Corner:
    """A phase for a setup whose ends stand at static `cambers` (negative inward) with a front `track`.

    Raises ModelError for what the reference does not have: rough ground, downforce, a flexible chassis, ballast.
    """
    for name in _UNKNOWN:
        if value(vector, name) != 0.0:
            raise ModelError(f"the reference has no {name.replace('_', ' ')}")
    radius, speed = asked(row, "radius"), asked(row, "speed")
    level = value(vector, "grip") * GRAVITY
    lateral = speed**2 / radius if speed > 0.0 else asked(row, "grip_share") * level
    longitudinal = longitudinal_of(vector, row)
    share = value(vector, "front_drive_share" if longitudinal > 0.0 else "front_brake_share")
    force = value(vector, "mass") * longitudinal
    wheelbase, ackermann = value(vector, "wheelbase"), value(vector, "ackermann_share")
    leans = []
    for side in (1.0, -1.0):
        exact = math.atan(wheelbase / (radius - 0.5 * side * track))
        steer = ackermann * exact + (1.0 - ackermann) * wheelbase / radius
        leans.append(_turned(cambers[0], value(vector, "caster"), value(vector, "kingpin_inclination"), steer, side))
    return Corner(
        lateral=lateral,
        longitudinal=longitudinal,
        speed=speed if speed > 0.0 else math.sqrt(lateral * radius),
        forces=(force * share, force * (1.0 - share)),
        steered=np.array([*leans, cambers[1], -cambers[1]]),
        static=np.array([cambers[0], -cambers[0], cambers[1], -cambers[1]]),
    )


def leans_of(corner: Corner, state: State) -> FloatArray:
    """Lean of the four wheels into the turn: static and steered, and what the state adds. [rad]"""
    return corner.steered - corner.static - state.lean


def capacity(vector: FloatArray, end: int, force: float, loads: FloatArray, leans: FloatArray) -> float:
    """Lateral force that an axle can give beside a longitudinal one. [N]"""
    grip = value(vector, "grip") * value(vector, ("front_tyre_grip", "rear_tyre_grip")[end])
    grip *= value(vector, "front_grip_ratio") if end == 0 else 1.0
    reference, n = value(vector, "reference_load"), value(vector, "load_sensitivity")
    name = ("front", "rear")[end]
    off = (leans - value(vector, f"{name}_best_lean")) / value(vector, f"{name}_lean_width")
    peak = float((grip * reference * (np.maximum(loads, 0.0) / reference) ** (1.0 - n) / (1.0 + off**2)).sum())
    along = value(vector, "longitudinal_grip_ratio") * peak
    if along <= abs(force):
        return 0.0
    return peak * math.sqrt(1.0 - (force / along) ** 2)


def yaw_moment(vector: FloatArray, corner: Corner, loads: FloatArray, leans: FloatArray) -> float:
    """Moment into the turn of the longitudinal forces at the patches, which lean shifts. [N m]"""
    shift = value(vector, "patch_shift") * np.tanh(leans / value(vector, "patch_lean"))
    moment = 0.0
    for end, force in enumerate(corner.forces):
        pair = slice(2 * end, 2 * end + 2)
        weight = float(loads[pair].sum())
        if weight > 0.0:
            moment -= force * float(loads[pair] @ shift[pair]) / weight
    return moment


def excess(vector: FloatArray, corner: Corner, state: State, end: int) -> float:
    """Lateral force that an axle must give less what it can. [N]"""
    leans = leans_of(corner, state)
    pair = slice(2 * end, 2 * end + 2)
    share = value(vector, "front_weight_share")
    turned = yaw_moment(vector, corner, state.loads, leans) / value(vector, "wheelbase")
    lateral = value(vector, "mass") * state.lateral
    demand = lateral * share - turned if end == 0 else lateral * (1.0 - share) + turned
    return demand - capacity(vector, end, corner.forces[end], state.loads[pair], leans[pair])
