"""Wheel loads and roll of the cornering car: static equilibrium of a sprung body on two hinged beam axles.

Per axle the transfer has an elastic part `dF` (spring and bar) and a remaining part `G` (roll centre, unsprung mass,
lean of the axle on its tyres); the tyres carry both. Three stages: free, inner suspension on its stop, inner wheel up.
Statics after Gillespie, Fundamentals of Vehicle Dynamics (SAE 1992), ch. 6 and 9, and Milliken & Milliken, Race Car
Vehicle Dynamics (SAE 1995), sec. 18.4, extended by tyre deflection, stop, lift, jacking, and the sink, rise and pitch
of the body that an axle's own change of load brings.
"""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.car import G
from explorer.model.compiled import inner
from explorer.model.lane_math import sine_cosine
from explorer.model.lanes import any_of, least, most, where

CONVERGED = 1e-13
"""Relative residual at which the equilibrium counts as found."""
MOST_ITERATIONS = 60


class AxleState(NamedTuple):
    """One axle in a corner. SI.

    `contact_excess` is the transfer the axle would carry with both wheels down less half its weight: above zero the
    inner wheel is up. `heave` is how far the body has risen over its axle, `rise` over the road, both against the car
    at rest. `roll_stiffness` is the tangent `t d(dF)/d(phi)`; `suspension_share` the part of a small roll that the
    suspension takes; `on_stop` 1.0 when the inner suspension is at its stop.
    """

    elastic: float
    transfer: float
    inner_travel: float
    outer_travel: float
    axle_roll: float
    heave: float
    rise: float
    weight: float
    contact_excess: float
    roll_stiffness: float
    suspension_share: float
    on_stop: float


class Equilibrium(NamedTuple):
    """A point of the equilibrium path. SI; `roll` is the body's roll at the sprung CG, `handed` the load that pitch and
    heave of the body hand to the front axle."""

    lateral: float
    handed: float
    front_roll: float
    rear_roll: float
    roll: float
    front: AxleState
    rear: AxleState
    converged: bool


@inner
def jacking_force(sprung_mass, lateral, sine, cosine):
    """Force that lifts the rolled body at an axle, `m_s (a_y sin phi + g (1 - cos phi))`. [N]"""
    return sprung_mass * (lateral * sine + G * (1.0 - cosine))


@inner
def travel_law(axle, stop):
    """Suspension roll travel `X = x_i + x_o = compliance * dF + offset` as (free, stopped compliance, offset).

    Free: `x_i = x_o = dF/(k_w + k_b)`. On the stop: `x_i = stop`, `x_o = (dF - k_b stop/2)/(k_w + k_b/2)`.
    """
    free = 2.0 / (axle.wheel_rate + axle.bar_rate)
    held = 1.0 / (axle.wheel_rate + 0.5 * axle.bar_rate)
    return free, held, stop * axle.wheel_rate * held


@inner
def moment_mass(axle, weight):
    """First moment about the ground of what the springs do not carry, `m_s z_rc + 2 m_u r`, the whole axle being lower
    by its tyres' deflection under the load change. [kg m]"""
    return axle.roll_moment_mass - axle.lifted_mass * (weight - axle.weight) / (2.0 * axle.tyre_rate)


@inner
def elastic_in_contact(axle, mass_moment, lateral, roll, compliance, offset):
    """(dF, T) with both wheels down, from `phi t = X(dF) + 2 T/k_t`, `T = dF + A (a_y + g psi)/t`,
    `psi = 2 T/(k_t t)`; `A` is `mass_moment`. [N]"""
    eta = 2.0 * mass_moment * G / (axle.tyre_rate * axle.track * axle.track)
    kappa = 2.0 / (axle.tyre_rate * (1.0 - eta))
    direct = mass_moment * lateral / axle.track
    elastic = (roll * axle.track - offset - kappa * direct) / (compliance + kappa)
    return elastic, (elastic + direct) / (1.0 - eta)


@inner
def elastic_lifted(axle, mass_moment, lateral, roll, weight, compliance, offset):
    """dF with the inner wheel up, where `dF + G = W/2` and the axle turns about the outer wheel. [N]"""
    t = axle.track
    lean_moment = mass_moment * G + 0.5 * axle.lifted_mass * lateral * t
    direct = mass_moment * lateral - axle.lifted_mass * lateral * weight / (2.0 * axle.tyre_rate)
    free_roll = roll - (offset + 0.5 * compliance * weight) / t
    return 0.5 * weight - (direct + lean_moment * free_roll) / (t - lean_moment * compliance / t)


@inner
def axle_state(axle, lateral, roll, sine, cosine, weight):
    """State of an axle at a given roll of the body there, its sine and cosine, lateral acceleration and axle weight;
    for floats and for lanes alike."""
    t = axle.track
    jacking = jacking_force(axle.sprung_mass, lateral, sine, cosine)
    extended = (jacking - (weight - axle.weight)) / (2.0 * axle.wheel_rate)
    stop = most(axle.droop - extended, 0.0)
    mass_moment = moment_mass(axle, weight)
    free, held, held_offset = travel_law(axle, stop)
    threshold = stop * (axle.wheel_rate + axle.bar_rate)

    elastic, transfer = elastic_in_contact(axle, mass_moment, lateral, roll, free, 0.0)
    stopped = elastic > threshold
    compliance, offset = where(stopped, held, free), where(stopped, held_offset, 0.0)
    if any_of(stopped):
        elastic, transfer = elastic_in_contact(axle, mass_moment, lateral, roll, compliance, offset)
    excess = transfer - 0.5 * weight
    eta = 2.0 * mass_moment * G / (axle.tyre_rate * t * t)
    stiffness = t * t / (compliance + 2.0 / (axle.tyre_rate * (1.0 - eta)))
    up = excess > 0.0
    if any_of(up):
        raised = elastic_lifted(axle, mass_moment, lateral, roll, weight, free, 0.0)
        stopped = where(up, raised > threshold, stopped)
        compliance, offset = where(stopped, held, free), where(stopped, held_offset, 0.0)
        raised = elastic_lifted(axle, mass_moment, lateral, roll, weight, compliance, offset)
        elastic, transfer = where(up, raised, elastic), where(up, 0.5 * weight, transfer)
        lean_moment = mass_moment * G + 0.5 * axle.lifted_mass * lateral * t
        stiffness = where(up, -lean_moment * t * t / (t * t - lean_moment * compliance), stiffness)

    travel = compliance * elastic + offset
    inner = where(stopped, stop, 0.5 * travel)
    outer = travel - inner
    axle_roll = roll - travel / t
    heave = 0.5 * (inner - outer) + extended
    rise = heave - (weight - axle.weight) / (2.0 * axle.tyre_rate)
    rise = rise + where(up, 0.5 * axle_roll * t - transfer / axle.tyre_rate, 0.0)
    return AxleState(
        elastic=elastic,
        transfer=transfer,
        inner_travel=inner,
        outer_travel=outer,
        axle_roll=axle_roll,
        heave=heave,
        rise=rise,
        weight=weight,
        contact_excess=excess,
        roll_stiffness=stiffness,
        suspension_share=compliance * stiffness / (t * t),
        on_stop=where(stopped, 1.0, 0.0),
    )


@inner
def roll_moment(axle, state, lateral, sine, cosine):
    """Moment that the springs and bar of an axle must carry: the sprung share's overturning moment about the roll
    centre, and the share's lateral force times the rise of the body. [N m]"""
    swing = axle.sprung_mass * axle.roll_arm * (lateral * cosine + G * sine)
    return swing + axle.sprung_mass * lateral * state.heave


@inner
def residual_at(body, front, rear, phase, rear_roll, lateral, handed):
    """(moment residual [N m], load residual [N], state) for a trial of `lateral` and `handed` at a given rear roll.

    The rear balance gives the torque through the chassis, so the front roll follows without iteration; what is left
    of the front balance is the first residual. The second is what the rise of the two ends hands to the front axle
    (see `car.Phase`) less `handed`.
    """
    total = phase.front_weight + phase.rear_weight
    front_weight = least(most(phase.front_weight + handed, 0.0), total)
    sine, cosine = sine_cosine(rear_roll)
    rear_state = axle_state(rear, lateral, rear_roll, sine, cosine, total - front_weight)
    torque = rear_state.elastic * rear.track - roll_moment(rear, rear_state, lateral, sine, cosine)
    front_roll = rear_roll + body.chassis_compliance * torque
    sine, cosine = sine_cosine(front_roll)
    front_state = axle_state(front, lateral, front_roll, sine, cosine, front_weight)
    moment = front_state.elastic * front.track - roll_moment(front, front_state, lateral, sine, cosine) + torque
    state = Equilibrium(
        lateral=lateral,
        handed=handed,
        front_roll=front_roll,
        rear_roll=rear_roll,
        roll=front.sprung_share * front_roll + rear.sprung_share * rear_roll,
        front=front_state,
        rear=rear_state,
        converged=moment == moment,  # a number at all
    )
    gap = phase.rear_pull * rear_state.rise - phase.front_pull * front_state.rise - handed
    return moment, gap, state


@inner
def equilibrium_at(body, front, rear, phase, rear_roll, lateral, handed):
    """Equilibrium with the rear of the body at `rear_roll`; `lateral` and `handed` are first guesses.

    For one roll there is one lateral acceleration, so the path has no branches here. Broyden's method (Broyden,
    Math. Comp. 19, 1965) from a diagonal first guess of the Jacobian: exact in two or three steps while no wheel lifts.
    """
    slope = body.sprung_mass * body.roll_arm + front.roll_moment_mass * 0.2 + rear.roll_moment_mass * 0.2
    b00, b01, b10, b11 = -1.0 / slope, 0.0, 0.0, -1.0
    moment, gap, state = residual_at(body, front, rear, phase, rear_roll, lateral, handed)
    load_scale = body.mass * G
    moment_scale = load_scale * body.cg_height
    for _ in range(MOST_ITERATIONS):
        if abs(moment) <= CONVERGED * moment_scale and abs(gap) <= CONVERGED * load_scale:
            return state
        step_a = -(b00 * moment + b01 * gap)
        step_d = -(b10 * moment + b11 * gap)
        if lateral + step_a < 0.0:
            step_a = -0.5 * lateral
        lateral += step_a
        handed += step_d
        new_moment, new_gap, state = residual_at(body, front, rear, phase, rear_roll, lateral, handed)
        d_moment, d_gap = new_moment - moment, new_gap - gap
        # Sherman-Morrison form of Broyden's update of the inverse Jacobian
        u0 = b00 * d_moment + b01 * d_gap
        u1 = b10 * d_moment + b11 * d_gap
        divisor = step_a * u0 + step_d * u1
        if abs(divisor) > 1e-300:
            v0 = step_a * b00 + step_d * b10
            v1 = step_a * b01 + step_d * b11
            w0, w1 = (step_a - u0) / divisor, (step_d - u1) / divisor
            b00, b01 = b00 + w0 * v0, b01 + w0 * v1
            b10, b11 = b10 + w1 * v0, b11 + w1 * v1
        moment, gap = new_moment, new_gap
    loose = 1e4 * CONVERGED
    return Equilibrium(
        lateral=state.lateral,
        handed=state.handed,
        front_roll=state.front_roll,
        rear_roll=state.rear_roll,
        roll=state.roll,
        front=state.front,
        rear=state.rear,
        converged=abs(moment) <= loose * moment_scale and abs(gap) <= loose * load_scale,
    )
