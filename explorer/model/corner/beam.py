"""The law of a beam axle: it stays square to the road and is hinged to the body at its roll centre.

The transfer has an elastic part `dF` (spring and bar) and a remaining part `G` (roll centre, unsprung mass, lean of the
axle on its tyres); the tyres carry both. Three stages: free, inner suspension on its stop, inner wheel up.
Statics after Gillespie, Fundamentals of Vehicle Dynamics (SAE 1992), ch. 6 and 9, and Milliken & Milliken, Race Car
Vehicle Dynamics (SAE 1995), sec. 18.4, extended by tyre deflection, stop, lift, jacking, and the sink, rise and pitch
of the body that an axle's own change of load brings.
"""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.car.car import Axle, G
from explorer.model.corner.axle_point import AxlePoint
from explorer.model.machine.compiled import inner, woven
from explorer.model.machine.jets import part
from explorer.model.machine.lanes import any_of, most, where


class BeamAxle(NamedTuple):
    """An axle under this law; `travel_scale` says that its travels need no search (see `path.small_enough`)."""

    axle: Axle
    travel_scale: float
    lowest_travel: float


@inner
def beam_axle(axle, _sprung_height):
    """The constants of the law."""
    return BeamAxle(axle, 1e30 + 0.0 * axle.track, -1e30 + 0.0 * axle.track)


@woven
def _in_contact(axle, moment_mass, lateral, roll, compliance, offset):
    """(dF, T) with both wheels down, from `phi t = X(dF) + 2 T/k_t`, `T = dF + A (a_y + g psi)/t`,
    `psi = 2 T/(k_t t)`; `A` is `moment_mass`. [N]"""
    eta = moment_mass * (2.0 * G / (axle.tyre_rate * axle.track * axle.track))
    kappa = 2.0 / (axle.tyre_rate * (1.0 - eta))
    direct = moment_mass * lateral / axle.track
    elastic = (roll * axle.track - offset - kappa * direct) / (compliance + kappa)
    return elastic, (elastic + direct) / (1.0 - eta)


@woven
def _on_outer_wheel(axle, moment_mass, lateral, roll, weight, compliance, offset):
    """dF with the inner wheel up, where `dF + G = W/2` and the axle turns about the outer wheel. [N]"""
    t = axle.track
    lean_moment = moment_mass * G + 0.5 * axle.lifted_mass * t * lateral
    direct = moment_mass * lateral - lateral * weight * (axle.lifted_mass / (2.0 * axle.tyre_rate))
    free_roll = roll - (offset + 0.5 * compliance * weight) / t
    return 0.5 * weight - (direct + lean_moment * free_roll) / (t - lean_moment * compliance / t)


@woven
def beam_point(law, release, roll, sine, cosine, lateral, weight):
    """`AxlePoint` from jets of the body's roll, its sine and cosine, lateral acceleration and axle weight. The inner
    wheel lifts where its excess is above `release`. [N]

    Jacking `J = m_s (a_y sin phi + g (1 - cos phi))` lifts the body, its own load sinks it; the moment mass falls as
    the axle sinks on its tyres. The springs' moment `t dF` balances the sprung share's about the roll centre and its
    lateral force times the rise of the body.
    """
    axle, t = law.axle, law.axle.track
    gained = weight - axle.weight
    jacking = axle.sprung_mass * (lateral * sine + G * (1.0 - cosine))
    extended = (jacking - gained) * (0.5 / axle.wheel_rate)
    stop = most(axle.droop - extended, 0.0)
    moment_mass = axle.roll_moment_mass - gained * (axle.lifted_mass * 0.5 / axle.tyre_rate)
    free, held = 2.0 / (axle.wheel_rate + axle.bar_rate), 1.0 / (axle.wheel_rate + 0.5 * axle.bar_rate)
    threshold = stop * (axle.wheel_rate + axle.bar_rate)

    elastic, transfer = _in_contact(axle, moment_mass, lateral, roll, free, 0.0)
    stopped = elastic >= threshold
    compliance, offset = where(stopped, held, free), where(stopped, stop * axle.wheel_rate * held, 0.0)
    if any_of(stopped):
        elastic, transfer = _in_contact(axle, moment_mass, lateral, roll, compliance, offset)
    excess = transfer - 0.5 * weight
    up = excess > release
    if any_of(up):
        raised = _on_outer_wheel(axle, moment_mass, lateral, roll, weight, free, 0.0)
        stopped = where(up, raised > threshold, stopped)
        compliance, offset = where(stopped, held, free), where(stopped, stop * axle.wheel_rate * held, 0.0)
        raised = _on_outer_wheel(axle, moment_mass, lateral, roll, weight, compliance, offset)
        elastic, transfer = where(up, raised, elastic), where(up, 0.5 * weight, transfer)

    travel = compliance * elastic + offset
    inner = where(stopped, stop, 0.5 * travel)
    outer = travel - inner
    heave = 0.5 * (inner - outer) + extended
    rise = heave - gained * (0.5 / axle.tyre_rate)
    rise = rise + where(up, 0.5 * (roll * t - travel) - transfer / axle.tyre_rate, 0.0)
    swing = axle.sprung_mass * axle.roll_arm
    # the tangent by roll, the stop held where it is
    mass_now, lateral_now = part(moment_mass, 0), part(lateral, 0)
    eta = mass_now * (2.0 * G / (axle.tyre_rate * t * t))
    lean_moment = mass_now * G + 0.5 * axle.lifted_mass * lateral_now * t
    stiffness = t * t / (compliance + 2.0 / (axle.tyre_rate * (1.0 - eta)))
    stiffness = where(up, -lean_moment * t * t / (t * t - lean_moment * compliance), stiffness)
    suspended = compliance * stiffness / t
    lean_by_roll = 1.0 - 0.5 * axle.camber_gain * suspended
    lean = roll - 0.5 * axle.camber_gain * travel
    return AxlePoint(
        moment=elastic * t - swing * (lateral * cosine + G * sine) - axle.sprung_mass * lateral * heave,
        rise=rise,
        excess=excess,
        outer_lean=lean,
        inner_lean=lean,
        outer_travel=outer,
        inner_travel=-inner,
        roll_stiffness=stiffness,
        net_stiffness=stiffness - swing * G,
        outer_lean_by_roll=lean_by_roll,
        inner_lean_by_roll=lean_by_roll,
        outer_travel_by_roll=where(stopped, suspended, 0.5 * suspended),
        inner_travel_by_roll=where(stopped, 0.0, -0.5 * suspended),
    )
