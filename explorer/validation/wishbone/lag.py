"""Lag of the yaw-roll model by its matrices, with roll stiffness, travels and leans of the reference.

Definition as in `explorer.model.corner.response` (three degrees of freedom; Gillespie, *Fundamentals of Vehicle
Dynamics*, ch. 6; Milliken & Milliken, *Race Car Vehicle Dynamics*, ch. 5), written again with numpy.
"""

from __future__ import annotations

import numpy as np

from explorer.domain.space import FloatArray
from explorer.validation.wishbone.grip import value
from explorer.validation.wishbone.planar import State, Tangent

LONGEST = 1.0
"""Lag of an unstable car, and the longest told of a stable one. [s]"""


def lag_of(vector: FloatArray, state: State, tangent: Tangent, speed: float, arm: float) -> float:
    """How late roll runs behind a steady ramp of steer about a state; `arm` height of the sprung centre over the roll
    axis. [s]"""
    mass, wheelbase, share = (value(vector, name) for name in ("mass", "wheelbase", "front_weight_share"))
    unsprung = 2.0 * (value(vector, "front_unsprung_mass") + value(vector, "rear_unsprung_mass"))
    sprung = mass - unsprung
    a, b = wheelbase * (1.0 - share), wheelbase * share
    power = (np.maximum(state.loads, 0.0) / value(vector, "reference_load")) ** value(vector, "cornering_exponent")
    power = np.where(state.loads > 0.0, power, 0.0)
    power *= value(vector, "grip") ** value(vector, "stiffness_grip_exponent")
    front = value(vector, "front_cornering_stiffness") * float(power[:2].sum())
    rear = value(vector, "rear_cornering_stiffness") * float(power[2:].sum())
    camber = -value(vector, "camber_stiffness") * power * tangent.lean
    front_lean, rear_lean = float(camber[:2].sum()), float(camber[2:].sum())
    damping = sum(
        value(vector, name) * float((tangent.travel[pair] ** 2).sum())
        for name, pair in (("front_damping", slice(0, 2)), ("rear_damping", slice(2, 4)))
    )
    inertia = value(vector, "roll_inertia") + sprung * arm**2
    coupling, yaw = sprung * arm, value(vector, "yaw_inertia")
    masses = np.array(
        [[mass, 0.0, 0.0, -coupling], [0.0, yaw, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0], [-coupling, 0.0, 0.0, inertia]]
    )
    u = speed
    forces = np.array(
        [
            [-(front + rear) / u, -(a * front - b * rear) / u - mass * u, front_lean + rear_lean, 0.0],
            [-(a * front - b * rear) / u, -(a * a * front + b * b * rear) / u, a * front_lean - b * rear_lean, 0.0],
            [0.0, 0.0, 0.0, 1.0],
            [0.0, coupling * u, -tangent.stiffness, -damping],
        ]
    )
    system = np.linalg.solve(masses, forces)
    steer = np.linalg.solve(masses, np.array([front, a * front, 0.0, 0.0]))
    level = np.linalg.solve(system, steer)
    late = np.linalg.solve(system, level)
    stable = np.linalg.eigvals(system).real.max() < 0.0 and level[2] < 0.0
    return min(float(-late[2] / level[2]), LONGEST) if stable else LONGEST
