"""One axle on the equilibrium path of a car with a rigid chassis, with its derivatives in closed form.

The same statics as `loads`, stage by stage, without branches: for floats and for lanes (`lanes`). Every quantity comes
with its partial derivatives by roll `_p`, lateral acceleration `_a` and axle weight `_w`.
"""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.car import G
from explorer.model.compiled import inner, woven
from explorer.model.lanes import any_of, where


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
    per_track: float
    roll_arm: float


class StopLength(NamedTuple):
    """How far an inner suspension is from its stop [m], zero on it, with partial derivatives as in `AxlePoint`."""

    length: float
    length_p: float
    length_a: float
    length_w: float


class LoadLaw(NamedTuple):
    """What an axle's weight changes: moment mass [kg m] and `1 - eta` [-], each with its slope by weight."""

    mass: float
    mass_w: float
    upright: float
    upright_w: float


class AxleForce(NamedTuple):
    """Transfer through spring and bar [N] with partial derivatives, and the travel law it obeys."""

    elastic: float
    elastic_p: float
    elastic_a: float
    elastic_w: float
    compliance: float
    lever: float


class Excess(NamedTuple):
    """Contact excess of an axle [N] with partial derivatives."""

    value: float
    slope_p: float
    slope_a: float
    slope_w: float


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
        lean_per_moment=2.0 * G / (axle.tyre_rate * axle.track * axle.track),
        sunk_mass=axle.lifted_mass * 0.5 / axle.tyre_rate,
        per_track=1.0 / axle.track,
        roll_arm=axle.roll_arm,
    )


@woven
def elastic_of(roll, law, direct, upright, compliance, offset):
    """Transfer through spring and bar with both wheels down, and `1/(X' upright + 2/k_t)`, see `loads`. [N]"""
    stiff = 1.0 / (compliance * upright + 4.0 * law.half_tyre)
    return ((roll * law.track - offset) * upright - 4.0 * law.half_tyre * direct) * stiff, stiff


@woven
def standing(law, roll, lateral, weight, load, stop):
    """An axle on both wheels: `AxleForce`, with the contact excess."""
    t, tyre, gain = law.track, 4.0 * law.half_tyre, 1.0 / load.upright
    direct_a, direct_w = load.mass * law.per_track, load.mass_w * lateral * law.per_track
    direct = direct_a * lateral
    elastic, stiff = elastic_of(roll, law, direct, load.upright, law.free, 0.0)
    on_stop = elastic > stop.length * law.stop_force
    compliance, lever = law.free, 0.0 * law.free
    if any_of(on_stop):
        compliance, lever = where(on_stop, law.held, law.free), where(on_stop, law.stop_lever, 0.0)
        elastic, stiff = elastic_of(roll, law, direct, load.upright, compliance, lever * stop.length)
    moved = roll * t - lever * stop.length
    elastic_p = (t - lever * stop.length_p) * load.upright * stiff
    elastic_a = -(lever * stop.length_a * load.upright + tyre * direct_a) * stiff
    elastic_w = (
        moved * load.upright_w
        - lever * stop.length_w * load.upright
        - tyre * direct_w
        - elastic * compliance * load.upright_w
    ) * stiff
    transfer = (elastic + direct) * gain
    return AxleForce(
        elastic=elastic,
        elastic_p=elastic_p,
        elastic_a=elastic_a,
        elastic_w=elastic_w,
        compliance=compliance,
        lever=lever,
    ), Excess(
        transfer - 0.5 * weight,
        elastic_p * gain,
        (elastic_a + direct_a) * gain,
        (elastic_w + direct_w - transfer * load.upright_w) * gain - 0.5,
    )


@woven
def leaning(law, roll, lateral, weight, load, stop):
    """An axle on its outer wheel: `AxleForce`."""
    t, per = law.track, law.per_track
    lean_a = 0.5 * law.lifted_mass * t
    lean, lean_w = load.mass * G + lean_a * lateral, load.mass_w * G
    own, own_w = load.mass - law.sunk_mass * weight, load.mass_w - law.sunk_mass
    half = 0.5 * weight
    short = 1.0 / (t - lean * law.free * per)
    elastic = half - (own * lateral + lean * (roll - law.free * half * per)) * short
    on_stop = elastic > stop.length * law.stop_force
    compliance, lever = where(on_stop, law.held, law.free), where(on_stop, law.stop_lever, 0.0)
    short = 1.0 / (t - lean * compliance * per)
    turned = roll - (lever * stop.length + compliance * half) * per
    elastic = half - (own * lateral + lean * turned) * short
    # d(part) with part = W/2 - dF
    longer = turned + (half - elastic) * compliance * per
    return AxleForce(
        elastic=elastic,
        elastic_p=-lean * (1.0 - lever * stop.length_p * per) * short,
        elastic_a=-(own + lean_a * longer - lean * lever * stop.length_a * per) * short,
        elastic_w=0.5
        - (own_w * lateral + lean_w * longer - lean * (lever * stop.length_w + 0.5 * compliance) * per) * short,
        compliance=compliance,
        lever=lever,
    )


@woven
def axle_point(law, sine, cosine, roll, lateral, weight):
    """An axle at a roll angle, lateral acceleration and weight: the equations of `loads.axle_state` and
    `loads.roll_moment`, each followed by its derivatives."""
    t, half = law.track, law.half_spring
    gained = weight - law.weight
    jack = law.sprung_mass * (lateral * sine + G * (1.0 - cosine))
    swung = law.sprung_mass * (lateral * cosine + G * sine)
    heave, heave_p, heave_a, heave_w = (jack - gained) * half, swung * half, law.sprung_mass * sine * half, -half
    late = heave < law.droop
    stop = StopLength(
        where(late, law.droop - heave, 0.0),
        where(late, -heave_p, 0.0),
        where(late, -heave_a, 0.0),
        where(late, half, 0.0),
    )
    # moment mass A falls with load; `upright` is 1 - eta
    mass = law.roll_moment_mass - law.sunk_mass * gained
    load = LoadLaw(mass, -law.sunk_mass, 1.0 - law.lean_per_moment * mass, law.lean_per_moment * law.sunk_mass)
    force, excess = standing(law, roll, lateral, weight, load, stop)
    lifted = excess.value > 0.0
    if any_of(lifted):
        force = where(lifted, leaning(law, roll, lateral, weight, load, stop), force)

    compliance, lever = force.compliance, force.lever
    elastic, elastic_p, elastic_a, elastic_w = force.elastic, force.elastic_p, force.elastic_a, force.elastic_w
    travel = compliance * elastic + lever * stop.length
    travel_p = compliance * elastic_p + lever * stop.length_p
    travel_a = compliance * elastic_a + lever * stop.length_a
    travel_w = compliance * elastic_w + lever * stop.length_w
    on_stop = lever > 0.0
    heave += where(on_stop, stop.length - 0.5 * travel, 0.0)
    heave_p += where(on_stop, stop.length_p - 0.5 * travel_p, 0.0)
    heave_a += where(on_stop, stop.length_a - 0.5 * travel_a, 0.0)
    heave_w += where(on_stop, stop.length_w - 0.5 * travel_w, 0.0)
    pull = law.sprung_mass * lateral
    return AxlePoint(
        moment=elastic * t - law.roll_arm * swung - pull * heave,
        moment_p=elastic_p * t - law.swing * (G * cosine - lateral * sine) - pull * heave_p,
        moment_a=elastic_a * t - law.swing * cosine - law.sprung_mass * heave - pull * heave_a,
        moment_w=elastic_w * t - pull * heave_w,
        rise=heave - gained * law.half_tyre + where(lifted, 0.5 * (roll * t - travel) - weight * law.half_tyre, 0.0),
        rise_p=heave_p + where(lifted, 0.5 * (t - travel_p), 0.0),
        rise_a=heave_a - where(lifted, 0.5 * travel_a, 0.0),
        rise_w=heave_w - law.half_tyre - where(lifted, 0.5 * travel_w + law.half_tyre, 0.0),
        excess=excess.value,
        excess_p=excess.slope_p,
        excess_a=excess.slope_a,
        excess_w=excess.slope_w,
        travel=travel,
        travel_p=travel_p,
        travel_a=travel_a,
        travel_w=travel_w,
    )


@woven
def excess_after(point, roll_step, lateral_step, weight_step):
    """Contact excess after a small step. [N]"""
    return point.excess + point.excess_p * roll_step + point.excess_a * lateral_step + point.excess_w * weight_step


@woven
def travel_after(point, roll_step, lateral_step, weight_step):
    """Suspension roll travel after a small step. [m]"""
    return point.travel + point.travel_p * roll_step + point.travel_a * lateral_step + point.travel_w * weight_step


@woven
def excess_slope(point, lateral_slope, weight_slope):
    """Contact excess by roll along the path. [N/rad]"""
    return point.excess_p + point.excess_a * lateral_slope + point.excess_w * weight_slope


@woven
def travel_slope(point, lateral_slope, weight_slope):
    """Suspension roll travel by roll along the path. [m/rad]"""
    return point.travel_p + point.travel_a * lateral_slope + point.travel_w * weight_slope
