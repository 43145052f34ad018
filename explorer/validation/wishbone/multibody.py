"""The wishbone car in MuJoCo: arms, uprights, bar levers and links as bodies, closed by their joints' own forces.

The sprung body is on a free joint; both arms hang on hinges, the upright on the lower arm's end. The upper ball and the
bar's link are held by unknown forces. In the cornering frame every mass feels the uniform field `(-a_x, -a_y, -g)`; the
road answers with one-sided tyre springs under the lowest point of each round tyre, one lateral force per axle shared by
load, and the longitudinal force in equal halves. MuJoCo gives kinematics, Jacobians and the weight's forces; rest is
found by Newton's method on all generalised forces, constraints and the car's place. Nothing of `kinetics` is called.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import mujoco
import numpy as np

from explorer.domain.errors import ModelError
from explorer.domain.space import FloatArray
from explorer.validation.wishbone.cars import Car, End

GRAVITY = 9.80665
"""Standard gravity (exact by definition). [m/s2]"""
STOP_RATE = 1e6
"""Stiffness of a droop stop; gives way by a few micrometres. [N/m]"""
AT_REST = 1e-8
"""Largest force, couple (N, N m) or gap in a joint (mm) left at rest."""
JOINTS = 16
"""Lower arm, upright, upper arm, lever of each wheel."""
_HELD = 12
_STEP = 1e-6
WHEELS = ("front_left", "front_right", "rear_left", "rear_right")


@dataclass(frozen=True)
class Rest:
    """A state of rest. SI; wheels in the order front inner, front outer, rear inner, rear outer; `lean` out of the turn
    with static camber in it; `travel` bump of the wheel's centre in the body; `left` what is left of the equations."""

    lateral: float
    roll: float
    loads: FloatArray
    travel: FloatArray
    lean: FloatArray
    unknowns: FloatArray
    left: float


def _wheel_xml(end: End, name: str, side: float, place: float) -> str:
    """Lower arm with upright, upper arm and bar lever of one wheel, zero at rest."""

    def at(point: tuple[float, float], base: tuple[float, float] = (0.0, 0.0)) -> str:
        return f"0 {side * (point[0] - base[0])!r} {point[1] - base[1]!r}"

    def site(label: str, point: tuple[float, float], base: tuple[float, float]) -> str:
        return f'<site name="{name}_{label}" pos="{at(point, base)}"/>'

    light = '<inertial pos="0 0 0" mass="1e-9" diaginertia="1e-12 1e-12 1e-12"/>'
    hinge = f'<joint type="hinge" axis="{side!r} 0 0"/>'
    low, ball, top = end.lower_inner, end.lower_outer, end.upper_inner
    heavy = f'<inertial pos="{at(end.centre, ball)}" mass="{end.unsprung!r}" diaginertia="5e-5 8e-5 5e-5"/>'
    upright = (
        f'<body name="{name}" pos="{at(ball, low)}">{hinge}{heavy}'
        f"{site('centre', end.centre, ball)}{site('ball', end.upper_outer, ball)}</body>"
    )
    lower = (
        f'<body name="{name}_lower" pos="{place!r} {side * low[0]!r} {low[1]!r}">{hinge}{light}'
        f"{site('spring_arm', end.spring_arm, low)}{site('bar_arm', end.bar_arm, low)}{upright}</body>"
    )
    upper = (
        f'<body name="{name}_upper" pos="{place!r} {side * top[0]!r} {top[1]!r}">{hinge}{light}'
        f"{site('link', end.upper_outer, top)}</body>"
    )
    lever = (
        f'<body name="{name}_lever" pos="{place - end.bar_lever!r} {side * end.bar_tip[0]!r} {end.bar_tip[1]!r}">'
        f'<joint type="hinge" axis="0 -1 0"/>{light}<site name="{name}_tip" pos="{end.bar_lever!r} 0 0"/></body>'
    )
    seat = f'<site name="{name}_spring_body" pos="{place!r} {side * end.spring_body[0]!r} {end.spring_body[1]!r}"/>'
    return lower + upper + lever + seat


def car_xml(car: Car) -> str:
    """The car as an MJCF document; all joints are zero in the static car on level ground."""
    wheels = "".join(
        _wheel_xml(end, name, side, place)
        for end, place, names in zip(car.ends, (0.0, -car.wheelbase), (WHEELS[:2], WHEELS[2:]), strict=True)
        for name, side in zip(names, (1.0, -1.0), strict=True)
    )
    sprung = sum(car.sprung)
    place = -car.wheelbase * car.sprung[1] / sprung
    body = f'<inertial pos="{place!r} 0 {car.sprung_height!r}" mass="{sprung!r}" diaginertia="0.0035 0.02 0.022"/>'
    return (
        '<mujoco><compiler boundmass="0" balanceinertia="false"/><option timestep="1e-4"/>'
        f'<worldbody><body name="body"><freejoint/>{body}{wheels}</body></worldbody></mujoco>'
    )


class MultibodyCar:
    """A car that can be leaned on and read. `turn` +1 left, -1 right.

    Unknowns: position and yaw, pitch, roll of the body (6), joints (16), forces in the upper balls across the car and
    up and in the bars' links (12), the lateral forces of both axles and the longitudinal one, the lateral acceleration.
    """

    def __init__(self, car: Car, longitudinal: float = 0.0, turn: float = 1.0):
        self.car = car
        self.longitudinal = longitudinal
        self.turn = turn
        share = car.front_drive_share if longitudinal > 0.0 else car.front_brake_share
        self._pull = (0.5 * share, 0.5 * (1.0 - share))
        self.model = mujoco.MjModel.from_xml_string(car_xml(car))
        self.data = mujoco.MjData(self.model)
        self._body = self.model.body("body").id
        labels = ("centre", "ball", "link", "spring_arm", "spring_body", "bar_arm", "tip")
        self._sites = [{label: self.model.site(f"{name}_{label}").id for label in labels} for name in WHEELS]
        self._uprights = [self.model.body(name).id for name in WHEELS]
        self._linear, self._angular = np.zeros((3, self.model.nv)), np.zeros((3, self.model.nv))
        body, joints = [1e-3] * 3 + [1e-2] * 3, [1e-2] * JOINTS
        self._scale = np.array(body + joints + [1.0] * _HELD + [1.0] * 3 + [1.0])
        self.size = len(self._scale)
        self._pose(np.zeros(self.size))
        self._links = [self._gap(k, "bar_arm", "tip")[1] for k in range(4)]
        self._free = self._free_lengths()

    def _pose(self, unknowns: FloatArray) -> None:
        yaw, pitch, roll = (0.5 * float(a) for a in unknowns[3:6])
        cy, sy, cp, sp, cr, sr = (f(a) for a in (yaw, pitch, roll) for f in (math.cos, math.sin))
        qpos = self.data.qpos
        qpos[:3] = unknowns[:3]
        qpos[3] = cy * cp * cr + sy * sp * sr
        qpos[4] = cy * cp * sr - sy * sp * cr
        qpos[5] = cy * sp * cr + sy * cp * sr
        qpos[6] = sy * cp * cr - cy * sp * sr
        qpos[7:] = unknowns[6 : 6 + JOINTS]
        mujoco.mj_kinematics(self.model, self.data)
        mujoco.mj_comPos(self.model, self.data)

    def _at(self, wheel: int, label: str) -> FloatArray:
        return np.array(self.data.site_xpos[self._sites[wheel][label]])

    def _gap(self, wheel: int, start: str, end: str) -> tuple[FloatArray, float]:
        """(direction, length) from one site of a wheel to another."""
        apart = self._at(wheel, end) - self._at(wheel, start)
        length = float(np.linalg.norm(apart))
        return (apart / length if length > 0.0 else apart), length

    def _push(self, total: FloatArray, force: FloatArray, point: FloatArray, body: int) -> None:
        mujoco.mj_jac(self.model, self.data, self._linear, None, point, body)
        total += force @ self._linear

    def _between(self, total: FloatArray, wheel: int, start: str, end: str, force: float) -> None:
        """A force that pushes two sites apart."""
        along, _ = self._gap(wheel, start, end)
        for label, sign in ((start, -1.0), (end, 1.0)):
            site = self._sites[wheel][label]
            body = int(self.model.site_bodyid[site])
            self._push(total, sign * force * along, self.data.site_xpos[site], body)

    def _free_lengths(self) -> list[float]:
        """Lengths of the coil-overs without force: those that hold the standing wheel, found by a virtual turn of the
        lower arm with the other joints following."""
        free = []
        for k in range(4):
            end, weight = self.car.ends[k // 2], self.car.weights[k // 2]
            unknowns = np.zeros(self.size)
            spring, road = np.zeros(self.model.nv), np.zeros(self.model.nv)
            self._pose(unknowns)
            self._between(spring, k, "spring_arm", "spring_body", 1.0)
            _, point, _ = self._tyre(k)
            self._push(road, np.array([0.0, 0.0, 0.5 * weight]), point, self._uprights[k])
            own = np.array([0.0, 0.0, -end.unsprung * GRAVITY])
            self._push(road, own, self._at(k, "centre"), self._uprights[k])
            # joints 0, 1, 2 of the wheel move so that the upper ball stays with its arm
            first = 6 + 4 * k
            site = self._sites[k]
            mujoco.mj_jacSite(self.model, self.data, self._linear, None, site["ball"])
            apart = self._linear.copy()
            mujoco.mj_jacSite(self.model, self.data, self._linear, None, site["link"])
            apart -= self._linear
            follow = np.linalg.solve(apart[1:, first + 1 : first + 3], -apart[1:, first])
            motion = np.array([1.0, *follow])
            column = [first, *self._order(k)]
            force = -float(motion @ road[column]) / float(motion @ spring[column])
            free.append(self._gap(k, "spring_arm", "spring_body")[1] + force / end.spring_rate)
        return free

    def _order(self, wheel: int) -> tuple[int, int]:
        first = 6 + 4 * wheel
        return first + 1, first + 2

    def _tyre(self, wheel: int) -> tuple[float, FloatArray, float]:
        """(compression, contact on the road, lean about x) of a round tyre."""
        end = self.car.ends[wheel // 2]
        frame = np.array(self.data.xmat[self._uprights[wheel]]).reshape(3, 3)
        side = 1.0 if wheel % 2 == 0 else -1.0
        axle = frame @ np.array([0.0, math.cos(end.camber), -side * math.sin(end.camber)])
        upright = math.sqrt(1.0 - axle[2] ** 2)
        down = (axle[2] * axle - np.array([0.0, 0.0, 1.0])) / upright
        lowest = self._at(wheel, "centre") + (end.free_radius - end.crown) * down
        return end.crown - float(lowest[2]), np.array([lowest[0], lowest[1], 0.0]), math.asin(float(axle[2]))

    def _travel(self, wheel: int) -> float:
        """Bump of the wheel's centre along the body's z axis. [m]"""
        frame = np.array(self.data.xmat[self._body]).reshape(3, 3)
        offset = self._at(wheel, "centre") - np.array(self.data.xpos[self._body])
        return float(frame[:, 2] @ offset) - self.car.ends[wheel // 2].centre[1]

    def _equations(self, unknowns: FloatArray) -> FloatArray:
        """What must be zero at rest (unknowns - 1,)."""
        self._pose(unknowns)
        held, road, lateral = unknowns[22:34], unknowns[34:37], float(unknowns[37])
        frame = np.array(self.data.xmat[self._body]).reshape(3, 3)
        mujoco.mj_jacSubtreeCom(self.model, self.data, self._linear, self._body)
        field = np.array([-self.longitudinal, -lateral, -GRAVITY])
        total = self.model.body_subtreemass[self._body] * (field @ self._linear)
        tyres = [self._tyre(k) for k in range(4)]
        loads = [max(tyre[0], 0.0) * self.car.ends[k // 2].tyre_rate for k, tyre in enumerate(tyres)]
        gaps = np.empty(_HELD)
        for k in range(4):
            end, axle = self.car.ends[k // 2], 2 * (k // 2)
            both = loads[axle] + loads[axle + 1]
            share = loads[k] / both if both > 0.0 else 0.5
            force = np.array([float(road[2]) * self._pull[k // 2], float(road[k // 2]) * share, loads[k]])
            self._push(total, force, tyres[k][1], self._uprights[k])
            mujoco.mj_jacBody(self.model, self.data, None, self._angular, self._uprights[k])
            total += lateral * end.wheel_inertia / end.centre[1] * self._angular[0]
            length = self._gap(k, "spring_arm", "spring_body")[1]
            self._between(total, k, "spring_arm", "spring_body", end.spring_rate * (self._free[k] - length))
            depth = -self._travel(k) - end.droop
            if depth > 0.0:
                up, centre = STOP_RATE * depth * frame[:, 2], self._at(k, "centre")
                self._push(total, up, centre, self._uprights[k])
                self._push(total, -up, centre, self._body)
            ball, link = self._at(k, "ball"), self._at(k, "link")
            pull = frame[:, 1] * held[3 * k] + frame[:, 2] * held[3 * k + 1]
            self._push(total, pull, ball, self._uprights[k])
            self._push(total, -pull, link, self._uprights[k] + 1)
            self._between(total, k, "bar_arm", "tip", float(held[3 * k + 2]))
            apart = frame.T @ (ball - link)
            gaps[3 * k : 3 * k + 3] = apart[1], apart[2], self._gap(k, "bar_arm", "tip")[1] - self._links[k]
        for i, end in enumerate(self.car.ends):
            left, right = 6 + 8 * i + 3, 6 + 8 * i + 7
            twist = end.bar_torsion * float(unknowns[right] - unknowns[left])
            total[left] += twist
            total[right] -= twist
        place = [float(unknowns[0]), float(unknowns[1]), float(unknowns[3])]  # its heading is the frame's
        return np.concatenate([total, 1e3 * gaps, 1e3 * np.array(place)])

    def rest(self, lateral: float, start: FloatArray | None = None) -> Rest | None:
        """At rest at a lateral acceleration, by Newton's method on differences from a start; None when it does not
        settle."""
        signed = self.turn * lateral
        unknowns = np.zeros(self.size) if start is None else start.copy()
        unknowns[-1] = signed
        value = self._equations(unknowns)
        size = float(np.abs(value).max())
        for _ in range(40):
            if size < AT_REST:
                return self._read(unknowns, size)
            columns = []
            for k in range(self.size - 1):
                moved = unknowns.copy()
                moved[k] += _STEP * self._scale[k]
                columns.append((self._equations(moved) - value) / _STEP)
            try:
                move = np.linalg.solve(np.stack(columns, axis=1), -value)
            except np.linalg.LinAlgError:
                return None
            share = min(1.0, 15.0 / float(np.abs(move[3 : 6 + JOINTS]).max() + 1e-12))
            for _ in range(6):
                tried = unknowns.copy()
                tried[:-1] += share * move * self._scale[:-1]
                new = self._equations(tried)
                new_size = float(np.abs(new).max())
                if new_size < 0.9 * size:
                    break
                share *= 0.5
            unknowns, value, size = tried, new, new_size
        return self._read(unknowns, size) if size < 1e2 * AT_REST else None

    def guess(self, lateral: float, heave: float, pitch: float, roll: float, arms: FloatArray) -> FloatArray:
        """A start from the pose of the body and the turn of the lower arms in a left turn: the other joints closed, the
        forces in them and at the road those that come nearest to balance."""
        start = np.zeros(self.size)
        start[2], start[4], start[5], start[-1] = heave, pitch, self.turn * roll, self.turn * lateral
        order = [0, 1, 2, 3] if self.turn > 0.0 else [1, 0, 3, 2]
        start[6 : 6 + JOINTS : 4] = arms[order]
        others = [6 + 4 * k + joint for k in range(4) for joint in (1, 2, 3)]
        gaps = slice(self.model.nv, self.model.nv + _HELD)
        for _ in range(8):
            value = self._equations(start)
            if np.abs(value[gaps]).max() < 1e-9:
                break
            columns = []
            for k in others:
                moved = start.copy()
                moved[k] += 1e-6
                columns.append((self._equations(moved)[gaps] - value[gaps]) / 1e-6)
            start[others] -= np.linalg.solve(np.stack(columns, axis=1), value[gaps])
        forces = slice(6 + JOINTS, self.size - 1)
        value = self._equations(start)
        columns = []
        for k in range(forces.start, forces.stop):
            moved = start.copy()
            moved[k] += 1.0
            columns.append(self._equations(moved) - value)
        start[forces] = np.linalg.lstsq(np.stack(columns, axis=1), -value, rcond=None)[0]
        return start

    def _read(self, unknowns: FloatArray, left: float) -> Rest:
        self._pose(unknowns)
        tyres = [self._tyre(k) for k in range(4)]
        order = [0, 1, 2, 3] if self.turn > 0.0 else [1, 0, 3, 2]
        loads = np.array([max(tyre[0], 0.0) * self.car.ends[k // 2].tyre_rate for k, tyre in enumerate(tyres)])
        return Rest(
            lateral=self.turn * float(unknowns[-1]),
            roll=self.turn * float(unknowns[5]),
            loads=loads[order],
            travel=np.array([self._travel(k) for k in range(4)])[order],
            lean=self.turn * np.array([tyre[2] for tyre in tyres])[order],
            unknowns=unknowns,
            left=left,
        )

    def follow(self, lateral: float, steps: int = 8) -> Rest:
        """At rest at a lateral acceleration, reached from standing by its own steps. Raises ModelError when it does not
        settle."""
        near = self.rest(0.0)
        for share in np.linspace(0.0, 1.0, steps + 1)[1:]:
            near = None if near is None else self.rest(lateral * float(share), near.unknowns)
        if near is None:
            raise ModelError(f"the multibody car does not settle at {lateral:.3f} m/s2")
        return near
