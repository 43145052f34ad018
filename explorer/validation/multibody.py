"""An independent four-wheel car in MuJoCo, settled to rest in a steady left turn.

The sprung body is on a free joint. In the cornering frame every mass feels the uniform field `(-a_x, -a_y, -g)`; the
ground answers at the road surface: one-sided vertical tyre springs under the lowest point of each wheel disc, and one
lateral force per axle, as large as force and yaw balance ask, shared between its wheels by load. Each axle is a rigid
beam that stays square to the road and turns about a pin at the roll centre's height; the pin is fixed in the axle and
slides along the body's z axis. Springs, bar and stops act along that axis at half the track, level with the pin (`seat`
1 puts them level with the wheel centres). A couple between axle and body keeps the beam upright when the body pitches;
`square` false lets it pitch with the body. This is what the model's beam law assumes.

Masses, heights and rates are worked out here from the parameter vector, not taken from `explorer.model.car.car`. Large
angles throughout; coil springs are linear and hold on past their free length unless `captive` is false. MuJoCo gives
kinematics, Jacobians and inertial forces; rest is found by Newton and Broyden on the generalised forces and checked
with `mj_inverse`, and for some cases by stepping the damped car in time.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import mujoco
import numpy as np
from scipy.optimize import brentq, minimize_scalar

from explorer.domain.errors import ModelError
from explorer.domain.space import FloatArray
from explorer.model.car.slots import SLOT

GRAVITY = 9.80665
"""Standard gravity (exact by definition). [m/s2]"""
STOP_RATE = 1e6
"""Stiffness of a droop stop; gives way by a few micrometres. [N/m]"""
ROUNDING = 1e-7
"""Width over which contact and stop set in; some micrometres off it changes no force by 1e-3 N. [m]"""
AT_REST = 1e-9
"""Largest generalised force left at rest. [N or N m]"""
_LATERAL = -1
_BODY_SCALE = [1e-3] * 3 + [1e-2] * 3
_JOINT_SCALE = [1e-3, 1e-2, 1e-2] * 2
_ROLL = 5
STRETCH = 1.0 / 400.0
"""A path is followed by roll plus this much of the lateral acceleration, which alone ends at rollover.
[rad per m/s2]"""
_STEP = 2e-6
_HOLD, _SQUARE = 2e5, 300.0
_FURTHEST_ROLL = 0.8


@dataclass(frozen=True)
class End:
    """One end of the car at its ride height. SI, per wheel where it is about a wheel; `sprung` is the end's share."""

    place: float
    track: float
    radius: float
    unsprung: float
    sprung: float
    spring: float
    bar: float
    tyre: float
    roll_centre: float
    droop: float
    camber_gain: float

    @property
    def weight(self) -> float:
        """Static load of the axle. [N]"""
        return (self.sprung + 2.0 * self.unsprung) * GRAVITY


@dataclass(frozen=True)
class Chassis:
    """The sprung body and its two ends; `height` of its centre, `place` of it forward of the front axle. SI."""

    mass: float
    sprung: float
    place: float
    height: float
    ends: tuple[End, End]


@dataclass(frozen=True)
class Rest:
    """A state of rest. SI; wheels in the order front inner, front outer, rear inner, rear outer.

    `compression` of a tyre is negative by the gap under a lifted wheel; `travel` is bump, negative in droop; `lean` is
    that of the wheel by roll alone, positive out of the turn; `unknowns` is the raw solution.
    """

    lateral: float
    roll: float
    pitch: float
    loads: FloatArray
    compression: FloatArray
    travel: FloatArray
    lean: FloatArray
    unknowns: FloatArray

    @property
    def stretch(self) -> float:
        """Place along the path. [rad]"""
        return self.roll + STRETCH * self.lateral

    @property
    def lifted(self) -> tuple[bool, ...]:
        """Which wheels are off the ground."""
        return tuple(bool(c <= 0.0) for c in self.compression)


@dataclass(frozen=True)
class Thresholds:
    """Lateral accelerations [m/s2] at which the inner wheels leave the ground (rollover where one never does before
    it) and at which the car rolls over."""

    front_lift: float
    rear_lift: float
    rollover: float

    @property
    def lift(self) -> float:
        """The first of both."""
        return min(self.front_lift, self.rear_lift)


def chassis_of(parameters: FloatArray) -> Chassis:
    """Masses, heights and rates from a parameter vector.

    >>> from explorer.validation.fleet import middle_car
    >>> car = chassis_of(middle_car())
    >>> bool(abs(sum(end.weight for end in car.ends) - car.mass * GRAVITY) < 1e-12)
    True
    """
    p = {name: float(parameters[column]) for name, column in SLOT.items()}
    if p["chassis_compliance"] != 0.0 or p["downforce_coefficient"] != 0.0:
        raise ModelError("the multibody car has a rigid chassis and no downforce")
    mass, wheelbase = p["mass"], p["wheelbase"]
    front_mass = mass * p["front_weight_share"] + p["ballast_mass"] * p["ballast_shift"] / wheelbase
    axle_mass = {"front": front_mass, "rear": mass - front_mass}
    ends = []
    for stem, place in (("front", 0.0), ("rear", -wheelbase)):
        raised = p[f"{stem}_ride_height"] - p[f"{stem}_ride_height_reference"]
        ends.append(
            End(
                place=place,
                track=p[f"{stem}_track"],
                radius=p[f"{stem}_wheel_radius"],
                unsprung=p[f"{stem}_unsprung_mass"],
                sprung=axle_mass[stem] - 2.0 * p[f"{stem}_unsprung_mass"],
                spring=p[f"{stem}_spring_rate"] * p[f"{stem}_spring_motion_ratio"] ** 2,
                bar=p[f"{stem}_bar_rate"] * p[f"{stem}_bar_motion_ratio"] ** 2,
                tyre=p[f"{stem}_tyre_rate"],
                roll_centre=p[f"{stem}_roll_centre_height"] + p[f"{stem}_roll_centre_rate"] * raised,
                droop=max(p[f"{stem}_droop"] - raised, 0.0),
                camber_gain=p[f"{stem}_camber_gain"],
            )
        )
    sprung = sum(end.sprung for end in ends)
    moment = mass * p["cg_height"] - sum(2.0 * end.unsprung * end.radius for end in ends)
    for stem, end in zip(("front", "rear"), ends, strict=True):
        moment += end.sprung * (p[f"{stem}_ride_height"] - p[f"{stem}_ride_height_reference"])
    place = sum(end.sprung * end.place for end in ends) / sprung
    return Chassis(mass=mass, sprung=sprung, place=place, height=moment / sprung, ends=(ends[0], ends[1]))


def _wheel_xml(end: End, name: str, side: float) -> str:
    y, z = side * 0.5 * end.track, end.radius - end.roll_centre
    inertia = f'<inertial pos="0 0 0" mass="{end.unsprung!r}" diaginertia="5e-5 8e-5 5e-5"/>'
    return f'<body name="{name}" pos="0 {y!r} {z!r}">{inertia}</body>'


def car_xml(chassis: Chassis) -> str:
    """The car as an MJCF document; all joints are zero in the static car on level ground."""
    parts = []
    for end, stem in zip(chassis.ends, ("front", "rear"), strict=True):
        wheels = "".join(_wheel_xml(end, f"{stem}_{name}", side) for name, side in (("left", 1.0), ("right", -1.0)))
        parts.append(
            f'<body name="{stem}" pos="{end.place!r} 0 {end.roll_centre!r}">'
            '<joint type="slide" axis="0 0 1"/><joint type="hinge" axis="0 1 0"/><joint type="hinge" axis="1 0 0"/>'
            f'<inertial pos="0 0 0" mass="1e-9" diaginertia="1e-12 1e-12 1e-12"/>{wheels}</body>'
        )
    body = (
        f'<inertial pos="{chassis.place!r} 0 {chassis.height!r}" mass="{chassis.sprung!r}" '
        'diaginertia="0.0035 0.02 0.022"/>'
    )
    return (
        '<mujoco><compiler boundmass="0" balanceinertia="false"/><option timestep="1e-4" integrator="implicitfast"/>'
        f'<worldbody><body name="body"><freejoint/>{body}{"".join(parts)}</body></worldbody></mujoco>'
    )


class Car:
    """A car that can be set down, leaned on and read. `turn` +1 left, -1 right.

    Unknowns: position and yaw, pitch, roll of the body (6), three joints per axle, the two lateral forces and the
    longitudinal force of the ground, the lateral acceleration. Equations: twelve generalised forces, the contact
    centres of both axles on the x axis, the body's x at zero, and one of roll or lateral acceleration given.
    """

    def __init__(
        self,
        parameters: FloatArray,
        longitudinal: float = 0.0,
        captive: bool = True,
        seat: float = 0.0,
        square: bool = True,
    ):
        self.chassis = chassis_of(parameters)
        self.longitudinal = longitudinal
        self.captive = captive
        self.seat = seat
        self.square = square
        self._scale = np.array(_BODY_SCALE + _JOINT_SCALE + [5.0] * 4)
        self._size = len(self._scale)
        self._along = np.zeros(self._size)
        self._along[[_ROLL, _LATERAL]] = 1.0, STRETCH
        self._round = ROUNDING
        share = float(parameters[SLOT["front_drive_share" if longitudinal > 0.0 else "front_brake_share"]])
        self._pull = (0.5 * share, 0.5 * (1.0 - share))
        self.model = mujoco.MjModel.from_xml_string(car_xml(self.chassis))
        self.data = mujoco.MjData(self.model)
        names = ("front_left", "front_right", "rear_left", "rear_right")
        self._wheels = [mujoco.mj_name2id(self.model, mujoco.mjtObj.mjOBJ_BODY, name) for name in names]
        self._body = mujoco.mj_name2id(self.model, mujoco.mjtObj.mjOBJ_BODY, "body")
        self._beams = [self.model.body(stem).id for stem in ("front", "rear")]
        self._jacobian = np.zeros((3, self.model.nv))
        self._tangent: FloatArray | None = None
        self.evaluations = 0

    # forces ---------------------------------------------------------------------------------------------------------
    def _suspension(self, joints: list[float]) -> tuple[list[float], list[float]]:
        """(generalised forces of the six joints, bump travel of the four wheels left right left right)."""
        forces, travels = [], []
        for k, end in enumerate(self.chassis.ends):
            first, _, turn = joints[3 * k : 3 * k + 3]
            half, above = 0.5 * end.track, self.seat * (end.radius - end.roll_centre)
            sine, cosine = math.sin(turn), math.cos(turn)
            drop = above * (cosine - 1.0)
            left, right = first + half * sine + drop, first - half * sine + drop
            on_left, on_right = self._strut(end, left, right), self._strut(end, right, left)
            forces += [-on_left - on_right, 0.0]
            forces.append(-on_left * (half * cosine - above * sine) + on_right * (half * cosine + above * sine))
            travels += [left, right]
        return forces, travels

    def _strut(self, end: End, travel: float, other: float) -> float:
        """Downward force of spring, bar and stop on a wheel at its own and the other wheel's bump travel. [N]"""
        spring = 0.5 * end.sprung * GRAVITY + end.spring * travel
        if not self.captive:
            spring = max(spring, 0.0)
        stop = STOP_RATE * self._pressed(-travel - end.droop)
        return spring + 0.5 * end.bar * (travel - other) - stop

    def _pressed(self, depth: float) -> float:
        """max(depth, 0) with its kink rounded over a tenth of a micrometre."""
        return 0.5 * (depth + math.sqrt(depth * depth + self._round * self._round))

    def _pose(self, unknowns: FloatArray) -> None:
        yaw, pitch, roll = (0.5 * float(a) for a in unknowns[3:6])
        cy, sy, cp, sp, cr, sr = (f(a) for a in (yaw, pitch, roll) for f in (math.cos, math.sin))
        qpos = self.data.qpos
        qpos[:3] = unknowns[:3]
        qpos[3] = cy * cp * cr + sy * sp * sr
        qpos[4] = cy * cp * sr - sy * sp * cr
        qpos[5] = cy * sp * cr + sy * cp * sr
        qpos[6] = sy * cp * cr - cy * sp * sr
        qpos[7:] = unknowns[6:-4]

    def _ground(self) -> tuple[list[float], list[tuple[float, float, float]], list[float]]:
        """(tyre compressions, contact points on the road, inclinations about x) of the four wheels."""
        compressions, points, leans = [], [], []
        centres, frames = self.data.xpos, self.data.xmat
        for k, wheel in enumerate(self._wheels):
            end = self.chassis.ends[k // 2]
            x, y, z = (float(c) for c in centres[wheel])
            ex, ey, ez = float(frames[wheel, 1]), float(frames[wheel, 4]), float(frames[wheel, 7])
            upright = math.sqrt(1.0 - ez * ez)
            free_radius = end.radius + 0.5 * end.weight / end.tyre
            compressions.append(free_radius * upright - z)
            reach = z * ez / (upright * upright)
            points.append((x + ex * reach, y + ey * reach, 0.0))
            leans.append(math.asin(ez))
        return compressions, points, leans

    def _road(self, held: FloatArray) -> tuple[FloatArray, list[float], list[float], list[tuple[float, float, float]]]:
        """(generalised forces of the road, loads, compressions, contact points); `held` is front and rear lateral and
        the longitudinal force. [N]"""
        compressions, points, _ = self._ground()
        loads = [self._pressed(c) * self.chassis.ends[k // 2].tyre for k, c in enumerate(compressions)]
        total = np.zeros(self.model.nv)
        for k, wheel in enumerate(self._wheels):
            axle = loads[2 * (k // 2)] + loads[2 * (k // 2) + 1]
            part = loads[k] / axle if axle > 0.0 else 0.5
            mujoco.mj_jac(self.model, self.data, self._jacobian, None, points[k], wheel)
            force = (float(held[2]) * self._pull[k // 2], float(held[k // 2]) * part, loads[k])
            total += force @ self._jacobian
        return total, loads, compressions, points

    def _equations(self, unknowns: FloatArray) -> FloatArray:
        """The equations that hold at any rest (unknowns - 1,)."""
        self.evaluations += 1
        self._pose(unknowns)
        mujoco.mj_kinematics(self.model, self.data)
        mujoco.mj_comPos(self.model, self.data)
        total, _, _, points = self._road(unknowns[-4:-1])
        mujoco.mj_jacSubtreeCom(self.model, self.data, self._jacobian, self._body)
        field = (-self.longitudinal, -float(unknowns[_LATERAL]), -GRAVITY)
        total += self.model.body_subtreemass[self._body] * (field @ self._jacobian)
        forces, _ = self._suspension([float(j) for j in unknowns[6:-4]])
        total[6:] += forces
        for k, beam in enumerate(self._beams):
            # the couple that holds a beam square is whatever it must be: its row is the condition instead
            total[7 + 3 * k] = float(self.data.xmat[beam, 6]) if self.square else -float(unknowns[7 + 3 * k])
        out = np.empty(self._size - 1)
        out[:-3] = total
        out[-3] = 1e3 * (points[0][1] + points[1][1])
        out[-2] = 1e3 * (points[2][1] + points[3][1])
        out[-1] = 1e3 * unknowns[0]
        return out

    # rest -----------------------------------------------------------------------------------------------------------
    def _differences(self, unknowns: FloatArray, value: FloatArray) -> FloatArray:
        """Jacobian of the equations by differences, in scaled unknowns (equations, unknowns)."""
        columns = []
        for k in range(self._size):
            moved = unknowns.copy()
            moved[k] += _STEP * self._scale[k]
            columns.append((self._equations(moved) - value) / _STEP)
        return np.stack(columns, axis=1)

    def _solve(self, start: FloatArray, given: FloatArray, wanted: float) -> FloatArray | None:
        """Unknowns at rest where their combination `given @ unknowns` is `wanted`; None when it does not converge.

        Newton on differences, with Broyden's update between fresh Jacobians; a step that a fresh Jacobian gave and
        that does not better things is halved (kinks: a wheel leaving the ground, a stop met).
        """
        unknowns, value = start.copy(), self._equations(start)
        fresh, share = False, 1.0
        if self._tangent is None:
            self._tangent, fresh = self._differences(unknowns, value), True
        size = float(np.linalg.norm(value))
        row = given * self._scale
        for _ in range(80):
            left = wanted - float(given @ unknowns)
            if size < AT_REST and abs(left) <= 1e-15 * (1.0 + abs(wanted)):
                return unknowns
            try:
                move = np.linalg.solve(np.vstack([self._tangent, row]), np.append(-value, left))
            except np.linalg.LinAlgError:
                return None
            move *= share
            new = unknowns + move * self._scale
            new_value = self._equations(new)
            new_size = float(np.linalg.norm(new_value))
            if not np.isfinite(new_size):
                return None
            if new_size > 0.3 * size and new_size > AT_REST and not fresh:
                self._tangent, fresh = self._differences(unknowns, value), True
                continue
            if abs(left) < 1e-9 and new_size > (1.0 - 0.01 * share) * size and new_size > AT_REST and share > 1e-3:
                share *= 0.5
                continue
            gap = new_value - value - self._tangent @ move
            length = float(move @ move)
            if length > 0.0:
                self._tangent = self._tangent + np.outer(gap, move) / length
            fresh, share = False, 1.0
            unknowns, value, size = new, new_value, new_size
        return None

    def _rest(self, unknowns: FloatArray) -> Rest:
        """A solution read, in the turn that the body rolls out of."""
        self._pose(unknowns)
        mujoco.mj_kinematics(self.model, self.data)
        mujoco.mj_comPos(self.model, self.data)
        _, loads, compressions, _ = self._road(unknowns[-4:-1])
        leans = self._ground()[2]
        _, travel = self._suspension([float(j) for j in unknowns[6:-4]])
        turn = 1.0 if unknowns[_ROLL] >= 0.0 else -1.0
        order = [0, 1, 2, 3] if turn > 0.0 else [1, 0, 3, 2]
        return Rest(
            lateral=turn * float(unknowns[_LATERAL]),
            roll=turn * float(unknowns[_ROLL]),
            pitch=float(unknowns[4]),
            loads=np.array(loads)[order],
            compression=np.array(compressions)[order],
            travel=np.array(travel)[order],
            lean=turn * np.array(leans)[order],
            unknowns=unknowns,
        )

    def standing(self) -> Rest:
        """At rest without lateral acceleration. Raises ModelError when it does not settle."""
        start = np.zeros(self._size)
        start[-2] = self.chassis.mass * self.longitudinal
        return self.at_stretch(0.0, self._rest(start))

    def at_stretch(self, stretch: float, near: Rest, far: Rest | None = None) -> Rest:
        """At rest at a given stretch along the path (signed), from one state or along the line through two.

        Raises ModelError when it does not settle."""
        start = near.unknowns
        if far is not None:
            begin, end = float(self._along @ start), float(self._along @ far.unknowns)
            if begin != end:
                start = start + (far.unknowns - start) * ((stretch - begin) / (end - begin))
        found = self._solve(start, self._along, stretch)
        if found is None:
            found = self._softly(near.unknowns, stretch)
        if found is None:
            raise ModelError(f"the multibody car does not settle at {stretch:.4f} along its path")
        return self._rest(found)

    def _softly(self, start: FloatArray, stretch: float) -> FloatArray | None:
        """For places where a wheel leaves the ground as a stop is met: first with rounded kinks, then sharper ones."""
        found: FloatArray | None = start
        for self._round in (3e-4, 1e-4, 3e-5, 1e-5, 3e-6, 1e-6, 3e-7, ROUNDING):
            self._tangent = None
            found = None if found is None else self._solve(found, self._along, stretch)
        self._round = ROUNDING
        return found

    def slack(self, rest: Rest) -> bool:
        """Whether a coil spring is past its free length."""
        ends = self.chassis.ends
        return any(
            0.5 * ends[k // 2].sprung * GRAVITY + ends[k // 2].spring * float(rest.travel[k]) < 0.0 for k in range(4)
        )

    def unbalanced(self, rest: Rest) -> float:
        """Largest generalised force left at a state, by MuJoCo's inverse dynamics. [N or N m]"""
        unknowns = rest.unknowns
        applied = self._applied(unknowns, unknowns[-4:-1])
        self.data.qvel[:] = 0.0
        self.data.qacc[:] = 0.0
        self.model.opt.gravity[:] = (-self.longitudinal, -unknowns[_LATERAL], -GRAVITY)
        mujoco.mj_inverse(self.model, self.data)
        left = self.data.qfrc_inverse - applied
        left[[7, 10]] = 0.0
        return float(np.abs(left).max())

    def settle(self, lateral: float, seconds: float = 3.0) -> Rest:
        """Where the damped car comes to rest when the lateral acceleration grows to `lateral` in the first third of the
        time; the ground holds it by stiff springs, the beams are held square likewise. Left turns only."""
        model, data = self.model, self.data
        mujoco.mj_resetData(model, data)
        model.dof_damping[:6] = (100.0, 100.0, 40.0, 0.08, 0.8, 3.0)
        model.dof_damping[6:] = [3.0 if kind == mujoco.mjtJoint.mjJNT_SLIDE else 0.02 for kind in model.jnt_type[1:]]
        steps = round(seconds / model.opt.timestep)
        held = np.zeros(3)
        for step in range(steps):
            now = lateral * min(3.0 * step / steps, 1.0)
            model.opt.gravity[:] = (-self.longitudinal, -now, -GRAVITY)
            mujoco.mj_step1(model, data)
            _, points, _ = self._ground()
            held[:] = (points[0][1] + points[1][1], points[2][1] + points[3][1], 2.0 * data.qpos[0])
            held *= -0.5 * _HOLD
            applied, _, _, _ = self._road(held)
            forces, _ = self._suspension([float(j) for j in data.qpos[7:]])
            applied[6:] += forces
            for k, beam in enumerate(self._beams):
                applied[7 + 3 * k] += _SQUARE * float(data.xmat[beam, 6])
            data.qfrc_applied[:] = applied
            mujoco.mj_step2(model, data)
        w, x, y, z = (float(c) for c in data.qpos[3:7])
        yaw = math.atan2(2.0 * (w * z + x * y), 1.0 - 2.0 * (y * y + z * z))
        pitch = math.asin(2.0 * (w * y - z * x))
        roll = math.atan2(2.0 * (w * x + y * z), 1.0 - 2.0 * (x * x + y * y))
        return self._rest(np.array([*data.qpos[:3], yaw, pitch, roll, *data.qpos[7:], *held, lateral]))

    def _applied(self, unknowns: FloatArray, held: FloatArray) -> FloatArray:
        """Generalised forces of road and suspension at a pose (joints,)."""
        self._pose(unknowns)
        mujoco.mj_kinematics(self.model, self.data)
        mujoco.mj_comPos(self.model, self.data)
        applied, _, _, _ = self._road(held)
        forces, _ = self._suspension([float(j) for j in unknowns[6:-4]])
        applied[6:] += forces
        return applied


class Path:
    """All states of rest of a car from standing to rollover, `points` in order; `turn` +1 left, -1 right."""

    def __init__(self, car: Car, turn: float = 1.0, step: float = 0.015):
        self.car = car
        self.turn = turn
        self.points = [car.standing()]
        self._walk(step)
        self.thresholds = self._find()

    def between(self, stretch: float, low: Rest, high: Rest | None) -> Rest:
        """The state at a stretch, from the states around it."""
        return self.car.at_stretch(self.turn * stretch, low, high)

    def crossing(self, value: Callable[[Rest], float], low: Rest, high: Rest, tolerance: float = 1e-11) -> Rest:
        """Where a quantity of the state passes zero between two states at which its signs differ."""
        found = brentq(lambda s: value(self.between(s, low, high)), low.stretch, high.stretch, xtol=tolerance)
        return self.between(found, low, high)

    def _walk(self, step: float) -> None:
        """Points at equal steps until both inner wheels are up, or the lateral acceleration has fallen a lot."""
        best = 0.0
        while True:
            last = self.points[-1]
            before = self.points[-2] if len(self.points) > 1 else None
            new = self.between(last.stretch + step, last, before)
            self.points.append(new)
            best = max(best, new.lateral)
            if (new.lifted[0] and new.lifted[2]) or new.lateral < 0.7 * best or new.roll > _FURTHEST_ROLL:
                return

    def _lift(self, wheel: int) -> Rest | None:
        """Where an inner wheel leaves the ground; None when it never does on the path."""
        if self.points[0].lifted[wheel]:
            return self.points[0]
        for low, high in zip(self.points, self.points[1:], strict=False):
            if high.lifted[wheel]:
                return self.crossing(lambda rest: float(rest.compression[wheel]), low, high)
        return None

    def _find(self) -> Thresholds:
        lifts = [self._lift(0), self._lift(2)]
        known = [lift for lift in lifts if lift is not None and lift.stretch > 0.0]
        self.points = sorted([*self.points, *known], key=lambda rest: rest.stretch)
        top = max(range(len(self.points)), key=lambda k: self.points[k].lateral)
        peak = self.points[top]
        if 0 < top < len(self.points) - 1:
            low, high = self.points[top - 1], self.points[top + 1]
            slope = 1e-6 * (high.stretch - low.stretch)
            sides = [self.between(peak.stretch + d, peak, side) for d, side in ((-slope, low), (slope, high))]
            if max(side.lateral for side in sides) > peak.lateral:
                best = minimize_scalar(
                    lambda s: -self.between(s, peak, low if s < peak.stretch else high).lateral,
                    bounds=(low.stretch, high.stretch),
                    method="bounded",
                    options={"xatol": 1e-7},
                )
                peak = self.between(float(best.x), peak, low if best.x < peak.stretch else high)
        self.points = [rest for rest in self.points if rest.stretch < peak.stretch] + [peak]
        # a wheel that leaves the ground only on the falling part of the path never does so before rollover
        front, rear = (peak.lateral if at is None or at.stretch >= peak.stretch else at.lateral for at in lifts)
        return Thresholds(front_lift=front, rear_lift=rear, rollover=peak.lateral)

    def at(self, lateral: float) -> Rest | None:
        """First state on the path that reaches a lateral acceleration; None past the rollover."""
        if lateral >= self.thresholds.rollover:
            return None
        for low, high in zip(self.points, self.points[1:], strict=False):
            if low.lateral <= lateral < high.lateral:
                return self.crossing(lambda rest: rest.lateral - lateral, low, high)
        return None
