"""Response to the steering: the linear yaw-roll model near straight ahead, at the turn-in phase's speed.

States: lateral velocity, yaw rate, roll, roll rate. `m (v' + u r) - m_s h p' = Y_f + Y_r`, `I_z r' = a Y_f - b Y_r`,
`I p' - m_s h (v' + u r) = -C p - K phi`, `phi' = p` (Segel's three-degree-of-freedom car; Gillespie, ch. 6; Milliken &
Milliken, ch. 5), without roll steer and products of inertia. Roll stiffness is the tangent of the car that drives
straight on, braked as the phase says: that is what turn-in begins with. (At the phase's own lateral acceleration an
inner wheel may be up, and a stiffer bar then reads as a later car.) Cornering stiffness is each tyre's at its load
there and at small slip. (Tried and dropped: the brush model's tangent `C (1 - F/D)^(2/3)`; near the limit its yaw lag
of some 0.2 s swamps the roll lag that bars and springs change, and the lag then ranks grip, which the margins already
say.)
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.model.machine.compiled import inner, njit
from explorer.model.machine.lane_math import exponential, logarithm
from explorer.model.machine.lanes import any_of, least, negated, where

STEP_TIME = 0.020
"""When `bite` is read after a step of steer. [s]"""
UNSTABLE_LAG = 1.0
"""Lag reported for an unstable car; a stable one is capped here too. [s]"""
MOST_HALVINGS = 30


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


@inner
def axle_damping(axle, state):
    """Roll damping that an axle's dampers give in series with its tyres, `c (x_o'^2 + x_i'^2)` of the travels by roll.
    [N m s/rad]"""
    outer, inner = state.outer_travel_by_roll, state.inner_travel_by_roll
    return axle.damping * (outer * outer + inner * inner)


@inner
def roll_mode(body, front, rear, front_state, rear_state):
    """Roll alone: tangent stiffness less what tips the car."""
    return RollMode(
        stiffness=front_state.net_stiffness + rear_state.net_stiffness,
        damping=axle_damping(front, front_state) + axle_damping(rear, rear_state),
        inertia=body.roll_inertia + body.sprung_mass * body.roll_arm * body.roll_arm,
    )


@inner
def steady_transfer(body, mode, front, rear, front_state, rear_state, lateral):
    """Load that both axles of the linear car transfer in a steady turn of a lateral acceleration, that is with the
    steer which brings it: its roll, `m_s h a_y / K`, times each axle's roll stiffness over its track. [N]"""
    firm = mode.stiffness > 0.0
    roll = body.sprung_mass * body.roll_arm * lateral / where(firm, mode.stiffness, 1.0)
    per_roll = front_state.roll_stiffness / front.track + rear_state.roll_stiffness / rear.track
    return where(firm, roll * per_roll, 0.0)


@inner
def load_power(load, exponent, reference_load):
    """`(F/F_0)^q`; zero without load. [-]"""
    loaded = load > 0.0
    power = exponential(exponent * logarithm(where(loaded, load / reference_load, 1.0)))
    return where(loaded, power, 0.0)


class AxleForces(NamedTuple):
    """Lateral force of an axle per slip angle, and per roll from its wheels' lean. [N/rad]"""

    stiffness: float
    thrust: float


@inner
def axle_forces(tyre, axle, state):
    """`AxleForces` of an axle whose wheels follow `C_0 (F/F_0)^q`, scaled by the surface's grip (`Tyre`)."""
    inner = load_power(0.5 * state.weight - state.transfer, tyre.cornering_exponent, tyre.reference_load)
    outer = load_power(0.5 * state.weight + state.transfer, tyre.cornering_exponent, tyre.reference_load)
    leaning = inner * state.inner_lean_by_roll + outer * state.outer_lean_by_roll
    cornering, camber = axle.cornering_stiffness * tyre.stiffness_scale, tyre.camber_stiffness * tyre.stiffness_scale
    return AxleForces(cornering * (inner + outer), -camber * leaning)


class Quartic(NamedTuple):
    """`z^4 + c3 z^3 + c2 z^2 + c1 z + c0`."""

    c0: float
    c1: float
    c2: float
    c3: float


class Cubic(NamedTuple):
    """`p0 + p1 z + p2 z^2 + p3 z^3`."""

    p0: float
    p1: float
    p2: float
    p3: float


@inner
def hurwitz(a):
    """True when every root of a quartic has a negative real part (Routh-Hurwitz conditions)."""
    positive = (a.c0 > 0.0) & (a.c1 > 0.0) & (a.c2 > 0.0) & (a.c3 > 0.0)
    return positive & (a.c3 * a.c2 * a.c1 > a.c1 * a.c1 + a.c3 * a.c3 * a.c0)


@inner
def times_z(p, a):
    """`z p(z)` less its multiple of the quartic: where the quartic is zero, the same number."""
    top = p.p3
    return Cubic(-a.c0 * top, p.p0 - a.c1 * top, p.p1 - a.c2 * top, p.p2 - a.c3 * top)


@inner
def squared(p, a):
    """`p(z)^2` less its multiples of the quartic."""
    c6 = p.p3 * p.p3
    c5 = 2.0 * p.p2 * p.p3 - a.c3 * c6
    c4 = p.p2 * p.p2 + 2.0 * p.p1 * p.p3 - a.c3 * c5 - a.c2 * c6
    return Cubic(
        p.p0 * p.p0 - a.c0 * c4,
        2.0 * p.p0 * p.p1 - a.c1 * c4 - a.c0 * c5,
        p.p1 * p.p1 + 2.0 * p.p0 * p.p2 - a.c2 * c4 - a.c1 * c5 - a.c0 * c6,
        2.0 * (p.p0 * p.p3 + p.p1 * p.p2) - a.c3 * c4 - a.c2 * c5 - a.c1 * c6,
    )


@inner
def exponential_of(a, time):
    """Cubic `p` with `exp(A t) = p(A t)` for a matrix of characteristic polynomial `a` (Cayley & Hamilton): the
    exponential series of a short step, then its squares (Moler & Van Loan, SIAM Review 45, 2003, methods 3 and 8)."""
    t = time + 0.0 * a.c0
    step = t
    halvings = 0.0 * t
    long = t > 0.0
    for _ in range(MOST_HALVINGS):
        # no root of the quartic in A t is then larger than 1/2 (Fujiwara's bound)
        long = (
            (a.c3 * step > 0.25)
            | (a.c2 * step * step > 0.0625)
            | (a.c1 * step * step * step > 0.015625)
            | (a.c0 * step * step * step * step > 0.0078125)
        )
        if not any_of(long):
            break
        step, halvings = where(long, 0.5 * step, step), where(long, halvings + 1.0, halvings)
    square = step * step
    short = Quartic(a.c0 * square * square, a.c1 * square * step, a.c2 * square, a.c3 * step)
    none = 0.0 * t
    term = Cubic(none + 1.0, none, none, none)
    total = term
    for k in range(1, 15):
        term = times_z(term, short)
        share = 1.0 / k
        term = Cubic(share * term.p0, share * term.p1, share * term.p2, share * term.p3)
        total = Cubic(total.p0 + term.p0, total.p1 + term.p1, total.p2 + term.p2, total.p3 + term.p3)
    for k in range(MOST_HALVINGS):
        left = halvings > k
        if not any_of(left):
            break
        total = where(left, squared(total, short), total)
    size = step / t
    # back from powers of A step to powers of A t
    return Cubic(total.p0, total.p1 * size, total.p2 * size * size, total.p3 * size * size * size)


@njit(cache=True, error_model="numpy")
def response_of(body, mode, speed, front, rear):
    """Lag, bite and roll damping of the linear car; for floats and for lanes alike.

    `front` and `rear` are the axles' `AxleForces`.

    Lag is the delay of the elastic load transfer, which is proportional to roll, behind a steadily ramped steer:
    `-H'(0)/H(0)` of `H = roll/steer`; for roll alone it is `C/K`. The ramp's particular solution `x0 t + x1` gives it
    from two 3 by 3 solves.
    """
    m, u, h = body.mass, speed, body.sprung_mass * body.roll_arm
    a = body.wheelbase * (1.0 - body.front_share)
    b = body.wheelbase * body.front_share
    cf, cr = front.stiffness, rear.stiffness
    iz, inertia, k, c = body.yaw_inertia, mode.inertia, mode.stiffness, mode.damping
    firm = k > 0.0
    damping_ratio = where(firm, c / (2.0 * np.sqrt(where(firm, k, 1.0) * inertia)), 0.0)

    # m v' - h p' + s00 v + s01 r + s02 phi = cf, iz r' + s10 v + s11 r + s12 phi = a cf,
    # -h v' + I p' + c p + s21 r + k phi = 0
    per_u = 1.0 / u
    turning = (a * cf - b * cr) * per_u
    s00, s01, s02 = (cf + cr) * per_u, m * u + turning, -(front.thrust + rear.thrust)
    s10, s11, s12 = turning, (a * a * cf + b * b * cr) * per_u, -(a * front.thrust - b * rear.thrust)
    s21 = -h * u

    # determinant of the three in powers of d/dt
    p2, p1, p0 = m * iz, m * s11 + iz * s00, s00 * s11 - s01 * s10
    scale = 1.0 / (iz * (m * inertia - h * h))
    quartic = Quartic(
        c0=(p0 * k - s12 * s21 * s00 + s10 * s21 * s02) * scale,
        c1=(p1 * k + p0 * c + s02 * h * s11 - s12 * s21 * m - s01 * s12 * h) * scale,
        c2=(p2 * k + p1 * c + p0 * inertia + s02 * h * iz - s10 * s21 * h) * scale,
        c3=(p2 * c + p1 * inertia - h * h * s11) * scale,
    )

    # the steady turn and what the ramp lags behind it, both by Cramer's rule
    per_det = 1.0 / (p0 * k - s12 * s21 * s00 + s10 * s21 * s02)
    side, yaw = cf, a * cf
    level_v = ((s11 * k - s12 * s21) * side + (s02 * s21 - s01 * k) * yaw) * per_det
    level_r = (-s10 * k * side + s00 * k * yaw) * per_det
    level = (s10 * s21 * side - s00 * s21 * yaw) * per_det
    drag_v, drag_r, drag_p = -m * level_v, -iz * level_r, h * level_v - c * level
    behind = (s10 * s21 * drag_v - s00 * s21 * drag_r + p0 * drag_p) * per_det

    # what is missing from the steady turn starts at -level and has decayed by exp(A t): its roll from A, A^2 and A^3
    v, r, phi = -level_v, -level_r, -level
    lateral, roll = -(s00 * v + s01 * r + s02 * phi), -(s21 * r + k * phi)
    det = 1.0 / (m * inertia - h * h)
    v1, p1st = (inertia * lateral + h * roll) * det, (h * lateral + m * roll) * det
    r1 = -(s10 * v + s11 * r + s12 * phi) / iz
    p2nd = (h * -(s00 * v1 + s01 * r1) + m * -(s21 * r1 + c * p1st)) * det
    power = exponential_of(quartic, STEP_TIME)
    gap = power.p0 * phi + STEP_TIME * STEP_TIME * (power.p2 * p1st + power.p3 * STEP_TIME * p2nd)

    good = hurwitz(quartic) & (level > 0.0)
    return Response(
        lag=where(good, least(-behind / level, UNSTABLE_LAG), UNSTABLE_LAG),
        bite=where(good, 1.0 + gap / level, 0.0),
        damping_ratio=damping_ratio,
        unstable=negated(good),
    )
