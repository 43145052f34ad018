"""The equilibrium path of a car with a rigid chassis, with its derivatives in closed form.

The same statics as `loads`, stage by stage, for solving by Newton's method: every axle quantity comes with its partial
derivatives by roll, lateral acceleration and axle weight, so that roll, lateral acceleration and the load handed to
the front are found together for an event (a wheel lifts, a required lateral acceleration), not one inside the other.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.model.car import G
from explorer.model.compiled import inner

ROUGH_STEP, SMALL_STEP, SMALLEST_STEP = 3e-3, 1e-6, 1e-7
"""A Newton step of this relative size is taken as the last: what it leaves is its square. The first where a sign is
asked and no number, the last at events, where a stage may change within the step."""
LONGEST_STEP, LONGEST_STEP_BACK = 2.0, 0.5
"""A Newton step in roll is cut to these shares of the roll angle: the next wheel may lift far from the last."""
MOST_STEPS = 25
NO_EVENT, FRONT_LIFT, REAR_LIFT, REQUIRED = 0, 1, 2, 3


class AxleLaw(NamedTuple):
    """Constants of one axle's statics. SI; `stop_lever` times the stop is the offset of the stopped travel law,
    `lean_per_moment` times the moment mass is `eta`, `sunk_mass` the moment mass lost per newton of axle load."""

    track: float
    weight: float
    sprung_mass: float
    swing: float
    roll_moment_mass: float
    lifted_mass: float
    droop: float
    half_spring: float
    half_tyre: float
    stop_force: float
    stop_lever: float
    free: float
    held: float
    lean_per_moment: float
    sunk_mass: float


class AxlePoint(NamedTuple):
    """One axle on the path: moment left over, rise of the body, contact excess, transfer, suspension roll travel, each
    with partial derivatives by roll `_p`, lateral acceleration `_a` and axle weight `_w`. SI."""

    moment: float
    moment_p: float
    moment_a: float
    moment_w: float
    rise: float
    rise_p: float
    rise_a: float
    rise_w: float
    excess: float
    excess_p: float
    excess_a: float
    excess_w: float
    travel: float
    travel_p: float
    travel_a: float
    travel_w: float


class PathLaw(NamedTuple):
    """Both axles and what couples them: the pulls hand load to the front axle (see `car.Phase`)."""

    front: AxleLaw
    rear: AxleLaw
    front_weight: float
    total_weight: float
    front_pull: float
    rear_pull: float


class PathStep(NamedTuple):
    """Both axles at a trial point, corrections of lateral acceleration and handed load at its roll, slopes by roll."""

    front: AxlePoint
    rear: AxlePoint
    lateral: float
    handed: float
    lateral_slope: float
    handed_slope: float


class PathPoint(NamedTuple):
    """A point of the path after its last Newton step. SI; `lateral_slope` is `da_y/d(roll)` along the path."""

    roll: float
    lateral: float
    handed: float
    lateral_slope: float
    handed_slope: float
    front_weight: float
    front_excess: float
    rear_excess: float
    front_travel: float
    rear_travel: float
    found: bool


@inner
def axle_law(axle):
    """Constants of an axle (see `loads.travel_law` and `loads.elastic_in_contact`)."""
    held = 1.0 / (axle.wheel_rate + 0.5 * axle.bar_rate)
    return AxleLaw(
        track=axle.track,
        weight=axle.weight,
        sprung_mass=axle.sprung_mass,
        swing=axle.sprung_mass * axle.roll_arm,
        roll_moment_mass=axle.roll_moment_mass,
        lifted_mass=axle.lifted_mass,
        droop=axle.droop,
        half_spring=0.5 / axle.wheel_rate,
        half_tyre=0.5 / axle.tyre_rate,
        stop_force=axle.wheel_rate + axle.bar_rate,
        stop_lever=axle.wheel_rate * held,
        free=2.0 / (axle.wheel_rate + axle.bar_rate),
        held=held,
        lean_per_moment=2.0 * G / (axle.tyre_rate * axle.track**2),
        sunk_mass=axle.lifted_mass * 0.5 / axle.tyre_rate,
    )


@inner
def path_law(front, rear, phase):
    """Constants of the path of one setup in one phase."""
    return PathLaw(
        front=axle_law(front),
        rear=axle_law(rear),
        front_weight=phase.front_weight,
        total_weight=phase.front_weight + phase.rear_weight,
        front_pull=phase.front_pull,
        rear_pull=phase.rear_pull,
    )


@inner
def axle_point(law, sine, cosine, roll, lateral, weight):
    """An axle at a roll angle, lateral acceleration and weight: the equations of `loads.axle_state` and
    `loads.roll_moment`, each followed by its derivatives."""
    t, half = law.track, law.half_spring
    gained = weight - law.weight
    jack = law.sprung_mass * (lateral * sine + G * (1.0 - cosine))
    swung = law.sprung_mass * (lateral * cosine + G * sine)
    heave, heave_p, heave_a, heave_w = (jack - gained) * half, swung * half, law.sprung_mass * sine * half, -half

    stop, stop_p, stop_a, stop_w = law.droop - heave, -heave_p, -heave_a, -heave_w
    if stop <= 0.0:
        stop, stop_p, stop_a, stop_w = 0.0, 0.0, 0.0, 0.0

    # moment mass A falls with load; `upright` is 1 - eta
    mass_moment, mass_moment_w = law.roll_moment_mass - law.sunk_mass * gained, -law.sunk_mass
    upright, upright_w = 1.0 - law.lean_per_moment * mass_moment, law.lean_per_moment * law.sunk_mass
    direct, direct_a, direct_w = mass_moment * lateral / t, mass_moment / t, mass_moment_w * lateral / t
    tyre = 4.0 * law.half_tyre
    on_stop = False
    compliance, lever = law.free, 0.0
    stiff = 1.0 / (compliance * upright + tyre)
    elastic = (roll * t * upright - tyre * direct) * stiff
    elastic_p = t * upright * stiff
    elastic_a = -tyre * direct_a * stiff
    elastic_w = (roll * t * upright_w - tyre * direct_w - elastic * compliance * upright_w) * stiff
    if elastic > stop * law.stop_force:
        on_stop = True
        compliance, lever = law.held, law.stop_lever
        stiff = 1.0 / (compliance * upright + tyre)
        moved = roll * t - lever * stop
        elastic = (moved * upright - tyre * direct) * stiff
        elastic_p = (t - lever * stop_p) * upright * stiff
        elastic_a = -(lever * stop_a * upright + tyre * direct_a) * stiff
        elastic_w = (
            moved * upright_w - lever * stop_w * upright - tyre * direct_w - elastic * compliance * upright_w
        ) * stiff
    gain = 1.0 / upright
    transfer = (elastic + direct) * gain
    excess = transfer - 0.5 * weight
    excess_p = elastic_p * gain
    excess_a = (elastic_a + direct_a) * gain
    excess_w = (elastic_w + direct_w - transfer * upright_w) * gain - 0.5

    lifted = excess > 0.0
    if lifted:
        lean, lean_a, lean_w = mass_moment * G, 0.5 * law.lifted_mass * t, mass_moment_w * G
        lean += lean_a * lateral
        own = mass_moment - law.sunk_mass * weight
        own_w = mass_moment_w - law.sunk_mass
        on_stop, compliance, lever = False, law.free, 0.0
        short = 1.0 / (t - lean * compliance / t)
        turned = roll - 0.5 * compliance * weight / t
        elastic = 0.5 * weight - (own * lateral + lean * turned) * short
        if elastic > stop * law.stop_force:
            on_stop, compliance, lever = True, law.held, law.stop_lever
            short = 1.0 / (t - lean * compliance / t)
            turned = roll - (lever * stop + 0.5 * compliance * weight) / t
            elastic = 0.5 * weight - (own * lateral + lean * turned) * short
        # d(part) with part = W/2 - dF
        lengthened = turned + (0.5 * weight - elastic) * compliance / t
        elastic_p = -lean * (1.0 - lever * stop_p / t) * short
        elastic_a = -(own + lean_a * lengthened - lean * lever * stop_a / t) * short
        elastic_w = (
            0.5 - (own_w * lateral + lean_w * lengthened - lean * (lever * stop_w + 0.5 * compliance) / t) * short
        )

    travel = compliance * elastic + lever * stop
    travel_p = compliance * elastic_p + lever * stop_p
    travel_a = compliance * elastic_a + lever * stop_a
    travel_w = compliance * elastic_w + lever * stop_w
    if on_stop:
        heave += stop - 0.5 * travel
        heave_p += stop_p - 0.5 * travel_p
        heave_a += stop_a - 0.5 * travel_a
        heave_w += stop_w - 0.5 * travel_w
    rise, rise_p, rise_a, rise_w = heave - gained * law.half_tyre, heave_p, heave_a, heave_w - law.half_tyre
    if lifted:
        rise += 0.5 * (roll * t - travel) - weight * law.half_tyre
        rise_p += 0.5 * (t - travel_p)
        rise_a -= 0.5 * travel_a
        rise_w -= 0.5 * travel_w + law.half_tyre
    pull = law.sprung_mass * lateral
    return AxlePoint(
        moment=elastic * t - law.swing * (lateral * cosine + G * sine) - pull * heave,
        moment_p=elastic_p * t - law.swing * (G * cosine - lateral * sine) - pull * heave_p,
        moment_a=elastic_a * t - law.swing * cosine - law.sprung_mass * heave - pull * heave_a,
        moment_w=elastic_w * t - pull * heave_w,
        rise=rise,
        rise_p=rise_p,
        rise_a=rise_a,
        rise_w=rise_w,
        excess=excess,
        excess_p=excess_p,
        excess_a=excess_a,
        excess_w=excess_w,
        travel=travel,
        travel_p=travel_p,
        travel_a=travel_a,
        travel_w=travel_w,
    )


@inner
def excess_after(point, roll_step, lateral_step, weight_step):
    """Contact excess after a small step. [N]"""
    return point.excess + point.excess_p * roll_step + point.excess_a * lateral_step + point.excess_w * weight_step


@inner
def travel_after(point, roll_step, lateral_step, weight_step):
    """Suspension roll travel after a small step. [m]"""
    return point.travel + point.travel_p * roll_step + point.travel_a * lateral_step + point.travel_w * weight_step


@inner
def path_step(law, roll, lateral, handed):
    """One Newton step of the moment and load balances for (lateral, handed) at a fixed roll, and the path's slopes."""
    front_weight = law.front_weight + handed
    sine, cosine = np.sin(roll), np.cos(roll)
    front = axle_point(law.front, sine, cosine, roll, lateral, front_weight)
    rear = axle_point(law.rear, sine, cosine, roll, lateral, law.total_weight - front_weight)
    moment = front.moment + rear.moment
    moment_p = front.moment_p + rear.moment_p
    moment_a = front.moment_a + rear.moment_a
    moment_h = front.moment_w - rear.moment_w
    gap = law.rear_pull * rear.rise - law.front_pull * front.rise - handed
    gap_p = law.rear_pull * rear.rise_p - law.front_pull * front.rise_p
    gap_a = law.rear_pull * rear.rise_a - law.front_pull * front.rise_a
    gap_h = -law.rear_pull * rear.rise_w - law.front_pull * front.rise_w - 1.0
    scale = -1.0 / (moment_a * gap_h - moment_h * gap_a)
    return PathStep(
        front=front,
        rear=rear,
        lateral=(moment * gap_h - moment_h * gap) * scale,
        handed=(moment_a * gap - gap_a * moment) * scale,
        lateral_slope=(moment_p * gap_h - moment_h * gap_p) * scale,
        handed_slope=(moment_a * gap_p - gap_a * moment_p) * scale,
    )


@inner
def solve_path(law, event, target, roll, lateral, handed, small_step):
    """Point of the path by Newton's method from a first guess: at `roll` itself (`NO_EVENT`), where an inner wheel
    lifts, or where lateral acceleration is `target`; a step of the relative size `small_step` is the last.

    Each step solves the balances at fixed roll and along the path, then the event for the roll. `found` is False where
    it does not settle or an axle weight reaches zero.
    """
    found = False
    step = path_step(law, roll, lateral, handed)
    roll_step = lateral_step = handed_step = 0.0
    for _ in range(MOST_STEPS):
        roll_step = 0.0
        front, rear = step.front, step.rear
        if event == FRONT_LIFT:
            roll_step = -(front.excess + front.excess_a * step.lateral + front.excess_w * step.handed) / (
                front.excess_p + front.excess_a * step.lateral_slope + front.excess_w * step.handed_slope
            )
        elif event == REAR_LIFT:
            roll_step = -(rear.excess + rear.excess_a * step.lateral - rear.excess_w * step.handed) / (
                rear.excess_p + rear.excess_a * step.lateral_slope - rear.excess_w * step.handed_slope
            )
        elif event == REQUIRED:
            roll_step = (target - lateral - step.lateral) / step.lateral_slope
        roll_step = min(max(roll_step, -LONGEST_STEP_BACK * roll), LONGEST_STEP * roll)
        lateral_step = step.lateral + step.lateral_slope * roll_step
        handed_step = step.handed + step.handed_slope * roll_step
        small = (
            abs(roll_step) <= small_step * roll
            and abs(lateral_step) <= small_step * lateral
            and abs(handed_step) <= small_step * law.total_weight
        )
        roll += roll_step
        lateral += lateral_step
        handed += handed_step
        if small:
            found = True
            break
        if not (lateral > 0.0 and 0.0 < law.front_weight + handed < law.total_weight):
            break
        step = path_step(law, roll, lateral, handed)
    return PathPoint(
        roll=roll,
        lateral=lateral,
        handed=handed,
        lateral_slope=step.lateral_slope,
        handed_slope=step.handed_slope,
        front_weight=law.front_weight + handed,
        front_excess=excess_after(step.front, roll_step, lateral_step, handed_step),
        rear_excess=excess_after(step.rear, roll_step, lateral_step, -handed_step),
        front_travel=travel_after(step.front, roll_step, lateral_step, handed_step),
        rear_travel=travel_after(step.rear, roll_step, lateral_step, -handed_step),
        found=found,
    )


@inner
def along(law, point, roll):
    """The path at another roll, roughly, first guess by the tangent at `point`."""
    step = roll - point.roll
    return solve_path(
        law,
        NO_EVENT,
        0.0,
        roll,
        point.lateral + point.lateral_slope * step,
        point.handed + point.handed_slope * step,
        ROUGH_STEP,
    )


@inner
def between(law, low, high, roll):
    """The path at a roll between two points, first guess by the cubic through both with their slopes."""
    width = high.roll - low.roll
    s = (roll - low.roll) / width
    rest = 1.0 - s
    at_low, at_high = (1.0 + 2.0 * s) * rest * rest, s * s * (3.0 - 2.0 * s)
    up_low, up_high = s * rest * rest * width, -s * s * rest * width
    lateral = at_low * low.lateral + at_high * high.lateral + up_low * low.lateral_slope + up_high * high.lateral_slope
    handed = at_low * low.handed + at_high * high.handed + up_low * low.handed_slope + up_high * high.handed_slope
    return solve_path(law, NO_EVENT, 0.0, roll, lateral, handed, SMALL_STEP)


@inner
def upright(law):
    """(the car before it rolls, rolls at which its front and rear inner wheel would lift were its path straight). Its
    rise under drive, braking or downforce hands load to the front, here in closed form."""
    f, r = law.front, law.rear
    give_f = law.front_pull * (f.half_spring + f.half_tyre)
    give_r = law.rear_pull * (r.half_spring + r.half_tyre)
    rear_weight = law.total_weight - law.front_weight
    handed = (give_f * (law.front_weight - f.weight) - give_r * (rear_weight - r.weight)) / (1.0 - give_f - give_r)
    step = path_step(law, 0.0, 0.0, handed)
    front, rear, slope, moved = step.front, step.rear, step.lateral_slope, step.handed_slope
    point = PathPoint(
        roll=0.0,
        lateral=0.0,
        handed=handed,
        lateral_slope=slope,
        handed_slope=moved,
        front_weight=law.front_weight + handed,
        front_excess=front.excess,
        rear_excess=rear.excess,
        front_travel=front.travel,
        rear_travel=rear.travel,
        found=True,
    )
    front_gain = excess_after(front, 1.0, slope, moved) - front.excess
    rear_gain = excess_after(rear, 1.0, slope, -moved) - rear.excess
    return point, -front.excess / front_gain, -rear.excess / rear_gain
