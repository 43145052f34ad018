"""Linkage of a double wishbone in the front view and static equilibrium of the cornering car, by virtual work.

Exact kinematics: each wheel hangs on two arms that turn about their inner ends; the body has heave, pitch and roll. At
rest the work of all forces is zero in each of the seven motions (body three, wheels four). Large angles throughout.
Linkage and instant centres: Dixon, *Suspension Geometry and Computation* (Wiley 2009), from memory.

Compiled functions that call each other stay in this file: numba's cache does not see a change in another one.

An end is a row of `END` numbers, a car of `CAR` numbers. The front view is (u, v): u outward from the middle of the
car, v up from the road, at rest. Wheels are in the order front inner, front outer, rear inner, rear outer; a left turn.
"""

from __future__ import annotations

import math

import numpy as np

from explorer.model.machine.compiled import njit

GRAVITY = 9.80665
"""Standard gravity (exact by definition). [m/s2]"""
STOP_RATE = 1e6
"""Stiffness of a droop stop; gives way by a few micrometres. [N/m]"""
END = (
    "lower_inner_u", "lower_inner_v", "lower_outer_u", "lower_outer_v", "upper_inner_u", "upper_inner_v",
    "upper_outer_u", "upper_outer_v", "centre_u", "centre_v", "spring_arm_u", "spring_arm_v", "spring_body_u",
    "spring_body_v", "bar_arm_u", "bar_arm_v", "bar_tip_u", "bar_tip_v", "bar_lever", "inward", "free_radius", "crown",
    "tyre_rate", "unsprung", "spin", "droop", "spring_rate", "free_length", "bar_torsion",
)  # fmt: skip
"""Points at rest [m]; `inward` static lean of the wheel, top inward [rad]; `spin` inertia over rolling radius [kg m];
`free_length` of the coil-over; `bar_torsion` couple per twist between the two levers [N m/rad]."""
CAR = ("sprung", "place", "height", "wheelbase", "mass", "longitudinal", "front_pull", "rear_pull", "couple")
"""Sprung mass, its centre behind the front axle and above the road; longitudinal acceleration; longitudinal force of
each axle [N]; a roll couple on the body, out of the turn [N m]."""
UNKNOWNS = 8
"""Heave, pitch (nose down), roll (out of the turn), turn of the four lower arms (bump), lateral acceleration."""
LATERAL, PITCH, ROLL = 7, 1, 2
WHEEL = 6
"""Numbers kept per wheel: compression of the tyre (negative by the gap), load, contact's y, travel, lean out, turn of
the upright."""
(
    _AU, _AV, _BU, _BV, _CU, _CV, _DU, _DV, _WU, _WV, _SU, _SV, _TU, _TV, _LU, _LV, _MU, _MV, _LEVER, _G0, _R0, _RHO,
    _KT, _MASS, _SPIN, _DROOP, _KS, _FREE, _TORSION,
) = range(len(END))  # fmt: skip
_SCALE = np.array([1e-3, 1e-2, 1e-2, 1e-2, 1e-2, 1e-2, 1e-2, 1.0])
_SIZE = np.array([1.0, 0.1, 0.1, 0.05, 0.05, 0.05, 0.05])
"""What counts as one: of an unknown, of an equation."""


@njit(cache=True, error_model="numpy")
def linkage(end, turn):
    """Pose of a wheel in the body at a turn of its lower arm: (u, v, turn of the upright top inward, their three
    derivatives, coil-over length, its derivative, lever angle of the bar, its derivative). Not a number where the arms
    do not reach."""
    au, av = end[_AU], end[_AV]
    c, s = math.cos(turn), math.sin(turn)
    arm_u, arm_v = end[_BU] - au, end[_BV] - av
    bu, bv = au + arm_u * c - arm_v * s, av + arm_u * s + arm_v * c
    bdu, bdv = -(bv - av), bu - au
    up_u, up_v = end[_DU] - end[_BU], end[_DV] - end[_BV]
    height = math.hypot(up_u, up_v)
    link = math.hypot(end[_DU] - end[_CU], end[_DV] - end[_CV])
    to_u, to_v = end[_CU] - bu, end[_CV] - bv
    apart = math.hypot(to_u, to_v)
    # upper ball: `along` towards the upper inner end, `across` to the right of that (above the lower arm)
    along = (height * height + apart * apart - link * link) / (2.0 * apart)
    squared = height * height - along * along
    if squared <= 0.0:
        squared = np.nan
    across = math.sqrt(squared)
    side = 1.0 if (end[_CU] - end[_BU]) * up_v - (end[_CV] - end[_BV]) * up_u > 0.0 else -1.0
    now_u = (to_u * along - side * to_v * across) / apart
    now_v = (to_v * along + side * to_u * across) / apart
    psi = math.atan2(up_u * now_v - up_v * now_u, up_u * now_u + up_v * now_v)
    lu, lv = bu + now_u - end[_CU], bv + now_v - end[_CV]
    dpsi = -(lu * bdu + lv * bdv) / (-lu * now_v + lv * now_u)
    cp, sp = math.cos(psi), math.sin(psi)
    wu, wv = end[_WU] - end[_BU], end[_WV] - end[_BV]
    ou, ov = wu * cp - wv * sp, wu * sp + wv * cp
    # coil-over
    pu, pv = end[_SU] - au, end[_SV] - av
    su, sv = pu * c - pv * s, pu * s + pv * c
    ru, rv = au + su - end[_TU], av + sv - end[_TV]
    length = math.hypot(ru, rv)
    dlength = (-ru * sv + rv * su) / length
    # lever and link of the bar: the lever swings in the side view, level at rest
    pu, pv = end[_LU] - au, end[_LV] - av
    su, sv = pu * c - pv * s, pu * s + pv * c
    du, dv = au + su - end[_MU], av + sv - end[_MV]
    a = end[_LEVER]
    du0, dv0 = end[_LU] - end[_MU], end[_LV] - end[_MV]
    target = a + (du * du + dv * dv - du0 * du0 - dv0 * dv0) / (2.0 * a)
    way = 1.0 if dv0 > 0.0 else -1.0
    beta = math.atan2(dv, a) - way * math.acos(target / math.hypot(a, dv)) if target < math.hypot(a, dv) else np.nan
    dbeta = ((-du * sv + dv * su) / a - su * math.sin(beta)) / (dv * math.cos(beta) - a * math.sin(beta))
    return bu + ou, bv + ov, psi, bdu - dpsi * ov, bdv + dpsi * ou, dpsi, length, dlength, beta, dbeta


@njit(cache=True, error_model="numpy")
def rest_spring_force(end, load):
    """Force of the coil-over that holds a wheel at rest under a vertical load on the road, by virtual work. [N]"""
    _, v, _, _, dv, dpsi, _, dlength, _, _ = linkage(end, 0.0)
    outward = (end[_R0] - end[_RHO]) * math.sin(end[_G0])
    return -(load * (dv + dpsi * outward) - end[_MASS] * GRAVITY * dv) / dlength


@njit(cache=True, error_model="numpy")
def _work(out, force_x, force_y, force_z, rx, ry, rz, ax, az):
    """Add the work of a force at `r` from the body's origin in heave, pitch and roll; `(ax, 0, az)` the roll axis."""
    out[0] += force_z
    out[1] += force_x * rz - force_z * rx
    out[2] += force_x * (-az * ry) + force_y * (az * rx - ax * rz) + force_z * (ax * ry)


@njit(cache=True, error_model="numpy")
def equations(ends, car, unknowns, out, wheels):
    """Fill `out` (7,) with the work per unit of each motion, zero at rest, and `wheels` (4, WHEEL)."""
    sprung, place, height, wheelbase, mass, ax = car[0], car[1], car[2], car[3], car[4], car[5]
    z, a = unknowns[0], unknowns[LATERAL]
    ct, st = math.cos(unknowns[1]), math.sin(unknowns[1])
    cf, sf = math.cos(unknowns[2]), math.sin(unknowns[2])
    axis_x, axis_z = ct, -st
    out[:7] = 0.0
    # sprung mass
    n = height * cf
    rx, ry, rz = -place * ct + n * st, -height * sf, place * st + n * ct
    _work(out, -sprung * ax, -sprung * a, -sprung * GRAVITY, rx, ry, rz, axis_x, axis_z)
    yaw = sprung * (rx * a - ry * ax)
    out[2] += car[8]
    where = np.empty((4, 8))
    lever = np.empty((4, 2))
    pull = np.empty(2)
    pull[0], pull[1] = car[6], car[7]
    for k in range(4):
        i = k // 2
        end = ends[i]
        side = 1.0 if k % 2 == 0 else -1.0
        u, v, psi, du, dv, dpsi, length, dlength, beta, dbeta = linkage(end, unknowns[3 + k])
        bx = -wheelbase * i
        m, n = side * u * cf - v * sf, side * u * sf + v * cf
        cx, cy, cz = bx * ct + n * st, m, -bx * st + n * ct
        g = end[_G0] + psi
        me, ne = math.cos(g) * cf - side * math.sin(g) * sf, math.cos(g) * sf + side * math.sin(g) * cf
        ez = ne * ct
        upright = math.sqrt(1.0 - ez * ez)
        ring = end[_R0] - end[_RHO]
        compression = ring * upright + end[_RHO] - (cz + z)
        load = end[_KT] * max(compression, 0.0)
        px, py = cx + ring * ez * ne * st / upright, cy + ring * ez * me / upright
        moved_m, moved_n = side * du * cf - dv * sf, side * du * sf + dv * cf
        spin_q = side * dpsi
        where[k, 0], where[k, 1], where[k, 2] = px, py, load
        where[k, 3], where[k, 4], where[k, 5] = cx, cy, cz
        where[k, 6], where[k, 7] = spin_q, moved_m
        lever[k, 0], lever[k, 1] = beta, dbeta
        travel = v - end[_WV]
        wheels[k, 0], wheels[k, 1], wheels[k, 2], wheels[k, 3] = compression, load, py, travel
        wheels[k, 4], wheels[k, 5] = math.asin(ez), psi
        # own weight and inertia
        mu = end[_MASS]
        _work(out, -mu * ax, -mu * a, -mu * GRAVITY, cx, cy, cz, axis_x, axis_z)
        yaw += mu * (cx * a - cy * ax)
        q = 3 + k
        vx, vy, vz = moved_n * st, moved_m, moved_n * ct
        out[q] += -mu * (ax * vx + a * vy + GRAVITY * vz)
        # spin of the wheel, turned with the car
        out[2] += a * end[_SPIN] * axis_x
        out[q] += a * end[_SPIN] * spin_q * axis_x
        # spring and stop
        out[q] += end[_KS] * (end[_FREE] - length) * dlength
        depth = -travel - end[_DROOP]
        if depth > 0.0:
            out[q] += STOP_RATE * depth * dv
        # load and longitudinal force at the road
        fx = 0.5 * pull[i]
        yaw += py * fx
        rz = -z
        _work(out, fx, 0.0, load, px, py, rz, axis_x, axis_z)
        dx, dy, dz = px - cx, py - cy, rz - cz
        wx, wz = spin_q * axis_x, spin_q * axis_z
        out[q] += fx * (vx - wz * dy) + load * (vz + wx * dy)
        # keep what a lateral force here does to this wheel
        where[k, 7] = vy + wz * dx - wx * dz
    for i in range(2):
        twist = ends[i, _TORSION] * (lever[2 * i + 1, 0] - lever[2 * i, 0])
        out[3 + 2 * i] += twist * lever[2 * i, 1]
        out[4 + 2 * i] -= twist * lever[2 * i + 1, 1]
    # lateral force: sum and yaw moment, shared by load within an axle
    share, x = np.empty(4), np.zeros(2)
    for k in range(4):
        i = k // 2
        axle = where[2 * i, 2] + where[2 * i + 1, 2]
        share[k] = where[k, 2] / axle if axle > 0.0 else 0.5
        x[i] += share[k] * where[k, 0]
    front = (yaw - mass * a * x[1]) / (x[0] - x[1])
    for k in range(4):
        fy = share[k] * (front if k < 2 else mass * a - front)
        _work(out, 0.0, fy, 0.0, where[k, 0], where[k, 1], -z, axis_x, axis_z)
        out[3 + k] += fy * where[k, 7]


@njit(cache=True, error_model="numpy")
def _filled(ends, car, unknowns, given, wanted, along, out, wheels):
    """All eight equations, scaled. `given` 0 `along @ unknowns`, 1 lateral acceleration, 2 to 5 compression of a
    tyre, 6 to 9 travel left to a droop stop."""
    equations(ends, car, unknowns, out, wheels)
    for j in range(7):
        out[j] /= _SIZE[j]
    if given == 0:
        out[7] = -wanted
        for j in range(UNKNOWNS):
            out[7] += along[j] * unknowns[j]
    elif given == 1:
        out[7] = unknowns[LATERAL] - wanted
    elif given < 6:
        out[7] = 1e3 * (wheels[given - 2, 0] - wanted)
    else:
        out[7] = 1e3 * (wheels[given - 6, 3] + ends[(given - 6) // 2, _DROOP] - wanted)


@njit(cache=True, error_model="numpy")
def rest_at(ends, car, start, given, wanted, along, wheels):
    """(unknowns, whether at rest) by Newton's method on differences, halving a step that makes things worse."""
    u = start.copy()
    value, moved = np.empty(UNKNOWNS), np.empty(UNKNOWNS)
    jacobian = np.empty((UNKNOWNS, UNKNOWNS))
    step = 1e-6
    _filled(ends, car, u, given, wanted, along, value, wheels)
    size = np.abs(value).max()
    for _ in range(60):
        if not size < 1e6:
            return u, False
        if size < 1e-9:
            return u, True
        for j in range(UNKNOWNS):
            v = u.copy()
            v[j] += step * _SCALE[j]
            _filled(ends, car, v, given, wanted, along, moved, wheels)
            jacobian[:, j] = (moved - value) / step
        if not np.all(np.isfinite(jacobian)):
            return u, False
        move = np.linalg.solve(jacobian, -value) * _SCALE
        share = 1.0
        for j in range(3, 7):
            share = min(share, 0.1 / max(abs(move[j]), 1e-12))
        share = min(share, 0.05 / max(abs(move[2]), 1e-12))
        best, kept = np.inf, share
        for _ in range(6):
            _filled(ends, car, u + share * move, given, wanted, along, moved, wheels)
            new = np.abs(moved).max()
            if new < best:
                best, kept = new, share
            if new < 0.9 * size:
                break
            share *= 0.5
        u = u + kept * move
        _filled(ends, car, u, given, wanted, along, value, wheels)
        size = np.abs(value).max()
    return u, size < 1e-7
