"""What follows from a parameter vector before the car corners: masses, heights, wheel rates, phase demands."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from explorer.model.slots import END_SLOTS, SLOT
from explorer.units import STANDARD_GRAVITY

G = STANDARD_GRAVITY

_MASS, _WHEELBASE = SLOT["mass"], SLOT["wheelbase"]
_SHARE, _CG = SLOT["front_weight_share"], SLOT["cg_height"]
_BALLAST, _SHIFT = SLOT["ballast_mass"], SLOT["ballast_shift"]
_TRACK, _UNSPRUNG, _RADIUS = SLOT["front_track"], SLOT["front_unsprung_mass"], SLOT["front_wheel_radius"]
_SPRING, _SPRING_MR = SLOT["front_spring_rate"], SLOT["front_spring_motion_ratio"]
_BAR, _BAR_MR, _TYRE = SLOT["front_bar_rate"], SLOT["front_bar_motion_ratio"], SLOT["front_tyre_rate"]
_RIDE, _RIDE_REF = SLOT["front_ride_height"], SLOT["front_ride_height_reference"]
_RC, _RC_RATE = SLOT["front_roll_centre_height"], SLOT["front_roll_centre_rate"]
_DROOP, _CAMBER, _GAIN = SLOT["front_droop"], SLOT["front_camber"], SLOT["front_camber_gain"]
_DAMPING, _TYRE_GRIP = SLOT["front_damping"], SLOT["front_tyre_grip"]
_YAW_I, _ROLL_I = SLOT["yaw_inertia"], SLOT["roll_inertia"]
_COMPLIANCE = SLOT["chassis_compliance"]
_DOWNFORCE, _DOWNFORCE_SHARE = SLOT["downforce_coefficient"], SLOT["front_downforce_share"]
_DRIVE, _BRAKE = SLOT["front_drive_share"], SLOT["front_brake_share"]
_GRIP, _GRIP_RATIO = SLOT["grip"], SLOT["front_grip_ratio"]


class Axle(NamedTuple):
    """One end of the car, at its ride height. SI.

    `roll_moment_mass` is `m_s z_rc + 2 m_u r`, the first moment about the ground of what is not carried by springs;
    `lifted_mass` is `m_s + 2 m_u`, what rises with the axle.
    """

    track: float
    weight: float
    sprung_mass: float
    sprung_share: float
    unsprung_mass: float
    wheel_radius: float
    wheel_rate: float
    bar_rate: float
    tyre_rate: float
    roll_arm: float
    roll_moment_mass: float
    lifted_mass: float
    droop: float
    camber: float
    camber_gain: float
    damping: float
    ride_height: float
    grip: float


class Body(NamedTuple):
    """The whole car. SI; `roll_arm` is the height of the sprung CG over the roll axis."""

    mass: float
    wheelbase: float
    front_share: float
    cg_height: float
    sprung_mass: float
    front_sprung_share: float
    roll_arm: float
    yaw_inertia: float
    roll_inertia: float
    chassis_compliance: float


class Phase(NamedTuple):
    """What a corner asks. SI; weights at the axles are those before the rise of the body is counted.

    A body that rises at the rear pitches its mass forwards, and one that rises at all is thrown harder by braking and
    drive: together they hand `rear_pull * rise_r - front_pull * rise_f` of load to the front axle, where `front_pull`
    is `m_s (g h_arm/L + a_x share_f)/L` and `rear_pull` is `m_s (g h_arm/L - a_x share_r)/L`. [N/m]
    """

    radius: float
    speed: float
    lateral: float
    front_weight: float
    rear_weight: float
    front_force: float
    rear_force: float
    front_pull: float
    rear_pull: float


@njit(cache=True, error_model="numpy")
def axle_at(parameters, end, share, sprung_mass, total_sprung, sprung_height):
    """Axle from a parameter vector. `end` 0 front, 1 rear; `share` of the car's weight on it.

    Raising the body by `dh` moves the roll centre by `rate * dh`, takes droop away and turns static camber along the
    camber curve. Wheel rate: `k_w = k_s MR^2` (Milliken & Milliken, Race Car Vehicle Dynamics, ch. 16).
    """
    o = end * END_SLOTS
    dh = parameters[_RIDE + o] - parameters[_RIDE_REF + o]
    roll_centre = parameters[_RC + o] + parameters[_RC_RATE + o] * dh
    unsprung = parameters[_UNSPRUNG + o]
    radius = parameters[_RADIUS + o]
    grip = parameters[_GRIP] * parameters[_TYRE_GRIP + o]
    if end == 0:
        grip *= parameters[_GRIP_RATIO]
    return Axle(
        track=parameters[_TRACK + o],
        weight=parameters[_MASS] * G * share,
        sprung_mass=sprung_mass,
        sprung_share=sprung_mass / total_sprung,
        unsprung_mass=unsprung,
        wheel_radius=radius,
        wheel_rate=parameters[_SPRING + o] * parameters[_SPRING_MR + o] ** 2,
        bar_rate=parameters[_BAR + o] * parameters[_BAR_MR + o] ** 2,
        tyre_rate=parameters[_TYRE + o],
        roll_arm=sprung_height - roll_centre,
        roll_moment_mass=sprung_mass * roll_centre + 2.0 * unsprung * radius,
        lifted_mass=sprung_mass + 2.0 * unsprung,
        droop=max(parameters[_DROOP + o] - dh, 0.0),
        camber=parameters[_CAMBER + o] + parameters[_GAIN + o] * dh,
        camber_gain=parameters[_GAIN + o],
        damping=parameters[_DAMPING + o],
        ride_height=parameters[_RIDE + o],
        grip=grip,
    )


@njit(cache=True, error_model="numpy")
def car_at(parameters):
    """(Body, front Axle, rear Axle) of a parameter vector at its ride heights.

    Sprung CG height from the whole car's: `h_s = (m h - sum 2 m_u r) / m_s`; a ride-height change at an end moves the
    sprung mass by that end's sprung share.
    """
    mass = parameters[_MASS]
    wheelbase = parameters[_WHEELBASE]
    share = parameters[_SHARE] + parameters[_BALLAST] * parameters[_SHIFT] / (mass * wheelbase)
    front_unsprung, rear_unsprung = parameters[_UNSPRUNG], parameters[_UNSPRUNG + END_SLOTS]
    front_sprung = mass * share - 2.0 * front_unsprung
    rear_sprung = mass * (1.0 - share) - 2.0 * rear_unsprung
    sprung = front_sprung + rear_sprung
    moment = 2.0 * (front_unsprung * parameters[_RADIUS] + rear_unsprung * parameters[_RADIUS + END_SLOTS])
    rise = (
        front_sprung * (parameters[_RIDE] - parameters[_RIDE_REF])
        + rear_sprung * (parameters[_RIDE + END_SLOTS] - parameters[_RIDE_REF + END_SLOTS])
    ) / sprung
    sprung_height = (mass * parameters[_CG] - moment) / sprung + rise
    cg_height = parameters[_CG] + sprung / mass * rise
    front = axle_at(parameters, 0, share, front_sprung, sprung, sprung_height)
    rear = axle_at(parameters, 1, 1.0 - share, rear_sprung, sprung, sprung_height)
    body = Body(
        mass=mass,
        wheelbase=wheelbase,
        front_share=share,
        cg_height=cg_height,
        sprung_mass=sprung,
        front_sprung_share=front.sprung_share,
        roll_arm=front.sprung_share * front.roll_arm + rear.sprung_share * rear.roll_arm,
        yaw_inertia=parameters[_YAW_I],
        roll_inertia=parameters[_ROLL_I],
        chassis_compliance=parameters[_COMPLIANCE],
    )
    return body, front, rear


@njit(cache=True, error_model="numpy")
def phase_at(parameters, phase, body):
    """What a phase asks of this car on this surface; `phase` is a row of the phase array.

    Required lateral acceleration `v^2/R`, or a share of the grip level; longitudinal transfer `m a_x h/L`
    (Gillespie, Fundamentals of Vehicle Dynamics, ch. 1); downforce `q v^2`.
    """
    level = parameters[_GRIP] * G
    radius = phase[0]
    speed = phase[1]
    lateral = speed * speed / radius if speed > 0.0 else phase[2] * level
    speed = speed if speed > 0.0 else np.sqrt(lateral * radius)
    longitudinal = phase[3] + phase[4] * level
    force = body.mass * longitudinal
    moved = force * body.cg_height / body.wheelbase
    downforce = parameters[_DOWNFORCE] * speed * speed
    weight = body.mass * G
    pitched = body.sprung_mass * G * body.roll_arm / body.wheelbase**2
    thrown = body.sprung_mass * longitudinal / body.wheelbase
    front_share = parameters[_DRIVE] if longitudinal > 0.0 else parameters[_BRAKE]
    return Phase(
        radius=radius,
        speed=speed,
        lateral=lateral,
        front_weight=weight * body.front_share - moved + parameters[_DOWNFORCE_SHARE] * downforce,
        rear_weight=weight * (1.0 - body.front_share) + moved + (1.0 - parameters[_DOWNFORCE_SHARE]) * downforce,
        front_force=force * front_share,
        rear_force=force * (1.0 - front_share),
        front_pull=pitched + thrown * body.front_sprung_share,
        rear_pull=pitched - thrown * (1.0 - body.front_sprung_share),
    )


@njit(cache=True, error_model="numpy")
def fault_of(parameters, body, front, rear):
    """0 when the car can be modelled, else the number of the first rule broken (see FAULTS)."""
    if not np.isfinite(parameters).all():
        return 1
    if front.sprung_mass <= 0.0 or rear.sprung_mass <= 0.0:
        return 2
    if body.roll_arm <= 0.0:
        return 3
    if front.wheel_rate <= 0.0 or rear.wheel_rate <= 0.0 or front.tyre_rate <= 0.0 or rear.tyre_rate <= 0.0:
        return 4
    if front.damping <= 0.0 or rear.damping <= 0.0:
        return 5
    return 0


FAULTS = (
    "",
    "a parameter is not a finite number",
    "an end carries no sprung mass",
    "the roll axis is at or above the sprung centre of gravity",
    "a wheel rate or tyre rate is not above zero",
    "a damping is not above zero",
    "the equilibrium did not converge",
    "the answer is not a finite number",
)
"""What each fault number means."""
