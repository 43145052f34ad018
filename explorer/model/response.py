"""Response to the steering: the linear yaw-roll model about the turn-in phase's working point.

States: lateral velocity, yaw rate, roll, roll rate. `m (v' + u r) - m_s h p' = Y_f + Y_r`, `I_z r' = a Y_f - b Y_r`,
`I p' - m_s h (v' + u r) = -C p - K phi`, `phi' = p` (Segel's three-degree-of-freedom car; Gillespie, ch. 6; Milliken &
Milliken, ch. 5), without roll steer and products of inertia. Roll stiffness is the tangent at the working point, by
the stage each axle is in. Cornering stiffness is each tyre's at its load there and at small slip: what turn-in begins
with. (Tried and dropped: the brush model's tangent `C (1 - F/D)^(2/3)`; near the limit its yaw lag of some 0.2 s
swamps the roll lag that bars and springs change, and the lag then ranks grip, which the margins already say.)
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from explorer.model.car import G

STEP_TIME = 0.020
"""When `bite` is read after a step of steer. [s]"""
UNSTABLE_LAG = 1.0
"""Lag reported for an unstable car; a stable one is capped here too. [s]"""


class RollMode(NamedTuple):
    """Roll alone: net stiffness [N m/rad], damping [N m s/rad], inertia about the roll axis [kg m2]."""

    stiffness: float
    damping: float
    inertia: float


class Response(NamedTuple):
    """`lag` [s], `bite` [-], `damping_ratio` [-]."""

    lag: float
    bite: float
    damping_ratio: float
    unstable: bool


@njit(cache=True, error_model="numpy")
def axle_damping(axle, state):
    """Roll damping that an axle's dampers give in series with its tyres, `c t^2 f^2` times 1/2 for two dampers
    sharing the travel, 1 for one taking it all. [N m s/rad]"""
    shared = 1.0 if state.on_stop > 0.0 else 0.5
    return shared * axle.damping * (axle.track * state.suspension_share) ** 2


@njit(cache=True, error_model="numpy")
def roll_mode(body, front, rear, front_state, rear_state):
    """Roll alone about the working point: tangent stiffness less the weight's own tipping `m_s g h`."""
    stiffness = front_state.roll_stiffness + rear_state.roll_stiffness - body.sprung_mass * G * body.roll_arm
    return RollMode(
        stiffness=stiffness,
        damping=axle_damping(front, front_state) + axle_damping(rear, rear_state),
        inertia=body.roll_inertia + body.sprung_mass * body.roll_arm**2,
    )


@njit(cache=True, error_model="numpy")
def lean_per_roll(axle, state):
    """Change of lean (into the turn) with roll: the suspension's part less the camber gain, the axle's part whole."""
    share = state.suspension_share
    return -((1.0 - 0.5 * axle.camber_gain * axle.track) * share + 1.0 - share)


@njit(cache=True, error_model="numpy")
def load_scaled(stiffness, exponent, reference_load, inner_load, outer_load):
    """Stiffness of an axle whose wheels follow `C_0 (F/F_0)^q`. [N/rad]"""
    total = 0.0
    if inner_load > 0.0:
        total += (inner_load / reference_load) ** exponent
    if outer_load > 0.0:
        total += (outer_load / reference_load) ** exponent
    return stiffness * total


@njit(cache=True, error_model="numpy")
def solve3(m, b, x):
    """Solve the 3 by 3 system `m x = b` by Cramer's rule; returns the determinant."""
    c00 = m[1, 1] * m[2, 2] - m[1, 2] * m[2, 1]
    c01 = m[1, 2] * m[2, 0] - m[1, 0] * m[2, 2]
    c02 = m[1, 0] * m[2, 1] - m[1, 1] * m[2, 0]
    det = m[0, 0] * c00 + m[0, 1] * c01 + m[0, 2] * c02
    if det == 0.0:
        return det
    c10 = m[0, 2] * m[2, 1] - m[0, 1] * m[2, 2]
    c11 = m[0, 0] * m[2, 2] - m[0, 2] * m[2, 0]
    c12 = m[0, 1] * m[2, 0] - m[0, 0] * m[2, 1]
    c20 = m[0, 1] * m[1, 2] - m[0, 2] * m[1, 1]
    c21 = m[0, 2] * m[1, 0] - m[0, 0] * m[1, 2]
    c22 = m[0, 0] * m[1, 1] - m[0, 1] * m[1, 0]
    x[0] = (c00 * b[0] + c10 * b[1] + c20 * b[2]) / det
    x[1] = (c01 * b[0] + c11 * b[1] + c21 * b[2]) / det
    x[2] = (c02 * b[0] + c12 * b[1] + c22 * b[2]) / det
    return det


@njit(cache=True, error_model="numpy")
def multiply4(a, b, out):
    """out = a b for 4 by 4 matrices."""
    for i in range(4):
        for j in range(4):
            out[i, j] = a[i, 0] * b[0, j] + a[i, 1] * b[1, j] + a[i, 2] * b[2, j] + a[i, 3] * b[3, j]


@njit(cache=True, error_model="numpy")
def hurwitz(a):
    """True when every eigenvalue of the 4 by 4 matrix has a negative real part: characteristic polynomial by
    Faddeev-LeVerrier, then the Routh-Hurwitz conditions."""
    c = np.zeros(5)
    m = np.zeros((4, 4))
    work = np.zeros((4, 4))
    c[4] = 1.0
    for k in range(1, 5):
        multiply4(a, m, work)
        for i in range(4):
            for j in range(4):
                m[i, j] = work[i, j]
            m[i, i] += c[5 - k]
        multiply4(a, m, work)
        c[4 - k] = -(work[0, 0] + work[1, 1] + work[2, 2] + work[3, 3]) / k
    d0, d1, d2, d3 = c[0], c[1], c[2], c[3]
    if min(min(d0, d1), min(d2, d3)) <= 0.0:
        return False
    return d3 * d2 * d1 > d1 * d1 + d3 * d3 * d0


@njit(cache=True, error_model="numpy")
def decay4(a, time, x):
    """x = exp(a time) x for a 4 by 4 matrix: Taylor series on a short step, then repeated squaring
    (Moler & Van Loan, SIAM Review 45, 2003, method 3)."""
    size = 0.0
    for i in range(4):
        row = 0.0
        for j in range(4):
            row += abs(a[i, j]) * time
        size = max(size, row)
    halvings = 0
    while size > 0.5 and halvings < 60:
        size *= 0.5
        halvings += 1
    step = time / 2.0**halvings
    e = np.zeros((4, 4))
    term = np.zeros((4, 4))
    work = np.zeros((4, 4))
    for i in range(4):
        e[i, i] = 1.0
        term[i, i] = 1.0
    for k in range(1, 15):
        multiply4(term, a, work)
        part = step / k
        for i in range(4):
            for j in range(4):
                term[i, j] = work[i, j] * part
                e[i, j] += term[i, j]
    for _ in range(halvings):
        multiply4(e, e, work)
        for i in range(4):
            for j in range(4):
                e[i, j] = work[i, j]
    start = x.copy()
    for i in range(4):
        x[i] = e[i, 0] * start[0] + e[i, 1] * start[1] + e[i, 2] * start[2] + e[i, 3] * start[3]


@njit(cache=True, error_model="numpy")
def response_of(body, mode, speed, front_stiffness, rear_stiffness, front_thrust, rear_thrust):
    """Lag, bite and roll damping of the linear car.

    `front_stiffness`, `rear_stiffness` are axle cornering stiffnesses [N/rad]; `front_thrust`, `rear_thrust` the axles'
    lateral force per roll angle from their wheels' lean [N/rad].

    Lag is the delay of the elastic load transfer, which is proportional to roll, behind a steadily ramped steer:
    `-H'(0)/H(0)` of `H = roll/steer`; for roll alone it is `C/K`. The ramp's particular solution `x0 t + x1` gives it
    from two 3 by 3 solves.
    """
    m, u, h = body.mass, speed, body.sprung_mass * body.roll_arm
    a = body.wheelbase * (1.0 - body.front_share)
    b = body.wheelbase * body.front_share
    cf, cr = front_stiffness, rear_stiffness
    iz = body.yaw_inertia
    damping_ratio = 0.0
    if mode.stiffness > 0.0:
        damping_ratio = mode.damping / (2.0 * np.sqrt(mode.stiffness * mode.inertia))

    static = np.zeros((3, 3))
    static[0, 0], static[0, 1] = (cf + cr) / u, m * u + (a * cf - b * cr) / u
    static[0, 2] = -(front_thrust + rear_thrust)
    static[1, 0], static[1, 1] = (a * cf - b * cr) / u, (a * a * cf + b * b * cr) / u
    static[1, 2] = -(a * front_thrust - b * rear_thrust)
    static[2, 1], static[2, 2] = -h * u, mode.stiffness

    # M x' = D x with x = (v, r, phi, p); the lateral and roll rows share v' and p'
    matrix = np.zeros((4, 4))
    det = m * mode.inertia - h * h
    for j in range(3):
        lateral, roll = -static[0, j], -static[2, j]
        matrix[0, j] = (mode.inertia * lateral + h * roll) / det
        matrix[3, j] = (h * lateral + m * roll) / det
        matrix[1, j] = -static[1, j] / iz
    matrix[0, 3] = -h * mode.damping / det
    matrix[3, 3] = -m * mode.damping / det
    matrix[2, 3] = 1.0

    if not hurwitz(matrix):
        return Response(lag=UNSTABLE_LAG, bite=0.0, damping_ratio=damping_ratio, unstable=True)

    force = np.array([cf, a * cf, 0.0])
    level = np.zeros(3)
    solve3(static, force, level)
    behind = np.zeros(3)
    # inertia and damping of the ramp: lateral m v', yaw I_z r', roll -h v' + C p, with p = phi'
    drag = np.array([-m * level[0], -iz * level[1], h * level[0] - mode.damping * level[2]])
    solve3(static, drag, behind)
    if level[2] <= 0.0:
        return Response(lag=UNSTABLE_LAG, bite=0.0, damping_ratio=damping_ratio, unstable=True)
    lag = -behind[2] / level[2]

    gap = np.array([-level[0], -level[1], -level[2], 0.0])
    decay4(matrix, STEP_TIME, gap)
    return Response(
        lag=min(lag, UNSTABLE_LAG), bite=1.0 + gap[2] / level[2], damping_ratio=damping_ratio, unstable=False
    )
