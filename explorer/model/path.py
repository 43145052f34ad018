"""The equilibrium path of a car with a rigid chassis, with its derivatives in closed form.

The same statics as `loads`, stage by stage, for solving by Newton's method: every axle quantity comes with its partial
derivatives by roll, lateral acceleration and axle weight, so that roll, lateral acceleration and pitch rise are found
together for an event (a wheel lifts, a required lateral acceleration) instead of one inside the other.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.model.car import G
from explorer.model.compiled import inner

SMALL_STEP = 1e-9
"""A Newton step of this relative size is taken as the last: what it leaves is its square."""
MOST_STEPS = 25
NO_EVENT, FRONT_LIFT, REAR_LIFT, REQUIRED = 0, 1, 2, 3


class AxleLaw(NamedTuple):
    """Constants of one axle's statics. SI; `stop_lever` times the stop is the offset of the stopped travel law."""

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
    free_rate: float
    held_rate: float
    direct: float
    direct_share: float
    gain: float


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
    """Both axles and what couples them. `pitch_transfer` hands load to the front axle per pitch rise."""

    front: AxleLaw
    rear: AxleLaw
    front_weight: float
    total_weight: float
    pitch_transfer: float


class PathPoint(NamedTuple):
    """A point of the path after its last Newton step. SI; `lateral_slope` is `da_y/d(roll)` along the path."""

    roll: float
    lateral: float
    pitch_rise: float
    lateral_slope: float
    pitch_slope: float
    front_weight: float
    front_excess: float
    rear_excess: float
    front_travel: float
    rear_travel: float
    found: bool


@inner
def axle_law(axle):
    """Constants of an axle (see `loads.travel_law` and `loads.elastic_in_contact`)."""
    t = axle.track
    gain = 1.0 / (1.0 - 2.0 * axle.roll_moment_mass * G / (axle.tyre_rate * t * t))
    kappa = 2.0 / axle.tyre_rate * gain
    free = 2.0 / (axle.wheel_rate + axle.bar_rate)
    held = 1.0 / (axle.wheel_rate + 0.5 * axle.bar_rate)
    direct = axle.roll_moment_mass / t
    return AxleLaw(
        track=t,
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
        free=free,
        held=held,
        free_rate=1.0 / (free + kappa),
        held_rate=1.0 / (held + kappa),
        direct=direct,
        direct_share=kappa * direct,
        gain=gain,
    )


@inner
def path_law(body, front, rear, phase):
    """Constants of the path of one setup in one phase."""
    return PathLaw(
        front=axle_law(front),
        rear=axle_law(rear),
        front_weight=phase.front_weight,
        total_weight=phase.front_weight + phase.rear_weight,
        pitch_transfer=body.pitch_transfer,
    )


@inner
def axle_point(law, sine, cosine, roll, lateral, weight):
    """An axle at a roll angle, lateral acceleration and weight: the equations of `loads.axle_state` and
    `loads.roll_moment`, each followed by its derivatives."""
    t, half = law.track, law.half_spring
    jack = law.sprung_mass * (lateral * sine + G * (1.0 - cosine))
    swung = law.sprung_mass * (lateral * cosine + G * sine)
    jack_p, jack_a = swung, law.sprung_mass * sine

    stop = law.droop + (weight - law.weight - jack) * half
    stop_p, stop_a, stop_w = -jack_p * half, -jack_a * half, half
    if stop <= 0.0:
        stop, stop_p, stop_a, stop_w = 0.0, 0.0, 0.0, 0.0

    on_stop = False
    elastic = (roll * t - law.direct_share * lateral) * law.free_rate
    elastic_p, elastic_a, elastic_w = t * law.free_rate, -law.direct_share * law.free_rate, 0.0
    compliance, lever = law.free, 0.0
    if elastic > stop * law.stop_force:
        on_stop = True
        compliance, lever = law.held, law.stop_lever
        elastic = (roll * t - lever * stop - law.direct_share * lateral) * law.held_rate
        elastic_p = (t - lever * stop_p) * law.held_rate
        elastic_a = (-lever * stop_a - law.direct_share) * law.held_rate
        elastic_w = -lever * stop_w * law.held_rate
    excess = (elastic + law.direct * lateral) * law.gain - 0.5 * weight
    excess_p = elastic_p * law.gain
    excess_a = (elastic_a + law.direct) * law.gain
    excess_w = elastic_w * law.gain - 0.5

    lifted = excess > 0.0
    if lifted:
        lean = law.roll_moment_mass * G + 0.5 * law.lifted_mass * t * lateral
        lean_a = 0.5 * law.lifted_mass * t
        direct = (law.roll_moment_mass - law.lifted_mass * weight * law.half_tyre) * lateral
        on_stop, compliance, lever = False, law.free, 0.0
        short = t - lean * compliance / t
        turned = roll - 0.5 * compliance * weight / t
        elastic = 0.5 * weight - (direct + lean * turned) / short
        if elastic > stop * law.stop_force:
            on_stop, compliance, lever = True, law.held, law.stop_lever
            short = t - lean * compliance / t
            turned = roll - (lever * stop + 0.5 * compliance * weight) / t
            elastic = 0.5 * weight - (direct + lean * turned) / short
        part = 0.5 * weight - elastic
        elastic_p = -lean * (1.0 - lever * stop_p / t) / short
        elastic_a = (
            -(
                law.roll_moment_mass
                - law.lifted_mass * weight * law.half_tyre
                + lean_a * turned
                - lean * lever * stop_a / t
                + part * lean_a * compliance / t
            )
            / short
        )
        elastic_w = (
            0.5 + (law.lifted_mass * lateral * law.half_tyre + lean * (lever * stop_w + 0.5 * compliance) / t) / short
        )

    travel = compliance * elastic + lever * stop
    travel_p = compliance * elastic_p + lever * stop_p
    travel_a = compliance * elastic_a + lever * stop_a
    travel_w = compliance * elastic_w + lever * stop_w
    heave, heave_p, heave_a, heave_w = jack * half, jack_p * half, jack_a * half, 0.0
    if on_stop:
        heave += stop - 0.5 * travel
        heave_p += stop_p - 0.5 * travel_p
        heave_a += stop_a - 0.5 * travel_a
        heave_w += stop_w - 0.5 * travel_w
    rise, rise_p, rise_a, rise_w = heave, heave_p, heave_a, heave_w
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
def solve_path(law, event, target, roll, lateral, pitch_rise):
    """Point of the path by Newton's method from a first guess: at `roll` itself (`NO_EVENT`), where an inner wheel
    lifts, or where lateral acceleration is `target`.

    Each step solves the moment and pitch balances for (lateral, pitch rise) at fixed roll and along the path, then the
    event for the roll. `found` is False where it does not settle or an axle weight reaches zero.
    """
    found = False
    roll_step = lateral_step = pitch_step = lateral_slope = pitch_slope = 0.0
    front_weight = law.front_weight
    front = axle_point(law.front, 0.0, 1.0, 0.0, 0.0, front_weight)
    rear = front
    for _ in range(MOST_STEPS):
        front_weight = law.front_weight + law.pitch_transfer * pitch_rise
        rear_weight = law.total_weight - front_weight
        if not (front_weight > 0.0 and rear_weight > 0.0):
            break
        sine, cosine = np.sin(roll), np.cos(roll)
        front = axle_point(law.front, sine, cosine, roll, lateral, front_weight)
        rear = axle_point(law.rear, sine, cosine, roll, lateral, rear_weight)
        moment = front.moment + rear.moment
        moment_p = front.moment_p + rear.moment_p
        moment_a = front.moment_a + rear.moment_a
        moment_d = law.pitch_transfer * (front.moment_w - rear.moment_w)
        gap = rear.rise - front.rise - pitch_rise
        gap_p = rear.rise_p - front.rise_p
        gap_a = rear.rise_a - front.rise_a
        gap_d = -law.pitch_transfer * (rear.rise_w + front.rise_w) - 1.0
        scale = -1.0 / (moment_a * gap_d - moment_d * gap_a)
        lateral_step = (moment * gap_d - moment_d * gap) * scale
        pitch_step = (moment_a * gap - gap_a * moment) * scale
        lateral_slope = (moment_p * gap_d - moment_d * gap_p) * scale
        pitch_slope = (moment_a * gap_p - gap_a * moment_p) * scale
        roll_step = 0.0
        if event == FRONT_LIFT:
            w = front.excess_w * law.pitch_transfer
            roll_step = -(front.excess + front.excess_a * lateral_step + w * pitch_step) / (
                front.excess_p + front.excess_a * lateral_slope + w * pitch_slope
            )
        elif event == REAR_LIFT:
            w = -rear.excess_w * law.pitch_transfer
            roll_step = -(rear.excess + rear.excess_a * lateral_step + w * pitch_step) / (
                rear.excess_p + rear.excess_a * lateral_slope + w * pitch_slope
            )
        elif event == REQUIRED:
            roll_step = (target - lateral - lateral_step) / lateral_slope
        lateral_step += lateral_slope * roll_step
        pitch_step += pitch_slope * roll_step
        small = (
            abs(roll_step) <= SMALL_STEP * roll
            and abs(lateral_step) <= SMALL_STEP * lateral
            and abs(pitch_step) <= SMALL_STEP * law.front.track
        )
        if not small and not (-0.9 * roll < roll_step < 4.0 * roll and lateral + lateral_step > 0.0):
            break
        roll += roll_step
        lateral += lateral_step
        pitch_rise += pitch_step
        if small:
            found = True
            break
    weight_step = law.pitch_transfer * pitch_step
    return PathPoint(
        roll=roll,
        lateral=lateral,
        pitch_rise=pitch_rise,
        lateral_slope=lateral_slope,
        pitch_slope=pitch_slope,
        front_weight=law.front_weight + law.pitch_transfer * pitch_rise,
        front_excess=excess_after(front, roll_step, lateral_step, weight_step),
        rear_excess=excess_after(rear, roll_step, lateral_step, -weight_step),
        front_travel=travel_after(front, roll_step, lateral_step, weight_step),
        rear_travel=travel_after(rear, roll_step, lateral_step, -weight_step),
        found=found,
    )


@inner
def along(law, point, roll):
    """The path at another roll, first guess by the tangent at `point`."""
    step = roll - point.roll
    return solve_path(
        law,
        NO_EVENT,
        0.0,
        roll,
        point.lateral + point.lateral_slope * step,
        point.pitch_rise + point.pitch_slope * step,
    )


@inner
def roll_per_lateral(law):
    """Initial slope of roll over lateral acceleration with both axles free; not above zero for a car that cannot
    stand (see `kernel.initial_roll_stiffness`). [rad s2/m]"""
    f, r = law.front, law.rear
    net = f.track**2 * f.free_rate + r.track**2 * r.free_rate - (f.swing + r.swing) * G
    driving = f.swing + r.swing + f.track * f.direct_share * f.free_rate + r.track * r.direct_share * r.free_rate
    return driving / net


@inner
def lift_guess(axle, weight, slope):
    """Lateral acceleration at which an axle's inner wheel would lift were its path straight. [m/s2]"""
    transfer = ((slope * axle.track - axle.direct_share) * axle.free_rate + axle.direct) * axle.gain
    return 0.5 * weight / transfer


@inner
def solve_start(law, slope):
    """The upright car, `slope` being `roll_per_lateral`."""
    return PathPoint(
        roll=0.0,
        lateral=0.0,
        pitch_rise=0.0,
        lateral_slope=1.0 / slope,
        pitch_slope=0.0,
        front_weight=law.front_weight,
        front_excess=-0.5 * law.front_weight,
        rear_excess=-0.5 * (law.total_weight - law.front_weight),
        front_travel=0.0,
        rear_travel=0.0,
        found=True,
    )
