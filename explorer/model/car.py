"""What follows from a parameter vector before the car corners: masses, heights, wheel rates, phase demands."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.model.compiled import inner, njit
from explorer.model.lanes import most, value_at, where
from explorer.model.slots import END_SLOTS, SLOT
from explorer.units import STANDARD_GRAVITY

G = STANDARD_GRAVITY

_COUNT = len(SLOT)
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


@inner
def axle_at(parameters, end, share, sprung_mass, total_sprung, sprung_height):
    """Axle from a parameter vector, or from vectors side by side (`lanes.value_at`). `end` 0 front, 1 rear; `share` of
    the car's weight on it.

    Raising the body by `dh` moves the roll centre by `rate * dh`, takes droop away and turns static camber along the
    camber curve. Wheel rate: `k_w = k_s MR^2` (Milliken & Milliken, Race Car Vehicle Dynamics, ch. 16).
    """
    o = end * END_SLOTS
    dh = value_at(parameters, _RIDE + o) - value_at(parameters, _RIDE_REF + o)
    roll_centre = value_at(parameters, _RC + o) + value_at(parameters, _RC_RATE + o) * dh
    spring_ratio, bar_ratio = value_at(parameters, _SPRING_MR + o), value_at(parameters, _BAR_MR + o)
    unsprung = value_at(parameters, _UNSPRUNG + o)
    radius = value_at(parameters, _RADIUS + o)
    grip = value_at(parameters, _GRIP) * value_at(parameters, _TYRE_GRIP + o)
    if end == 0:
        grip *= value_at(parameters, _GRIP_RATIO)
    return Axle(
        track=value_at(parameters, _TRACK + o),
        weight=value_at(parameters, _MASS) * G * share,
        sprung_mass=sprung_mass,
        sprung_share=sprung_mass / total_sprung,
        unsprung_mass=unsprung,
        wheel_radius=radius,
        wheel_rate=value_at(parameters, _SPRING + o) * spring_ratio * spring_ratio,
        bar_rate=value_at(parameters, _BAR + o) * bar_ratio * bar_ratio,
        tyre_rate=value_at(parameters, _TYRE + o),
        roll_arm=sprung_height - roll_centre,
        roll_moment_mass=sprung_mass * roll_centre + 2.0 * unsprung * radius,
        lifted_mass=sprung_mass + 2.0 * unsprung,
        droop=most(value_at(parameters, _DROOP + o) - dh, 0.0),
        camber=value_at(parameters, _CAMBER + o) + value_at(parameters, _GAIN + o) * dh,
        camber_gain=value_at(parameters, _GAIN + o),
        damping=value_at(parameters, _DAMPING + o),
        ride_height=value_at(parameters, _RIDE + o),
        grip=grip,
    )


@njit(cache=True, error_model="numpy")
def car_at(parameters):
    """(Body, front Axle, rear Axle) of a parameter vector at its ride heights.

    Sprung CG height from the whole car's: `h_s = (m h - sum 2 m_u r) / m_s`; a ride-height change at an end moves the
    sprung mass by that end's sprung share.
    """
    mass = value_at(parameters, _MASS)
    wheelbase = value_at(parameters, _WHEELBASE)
    ballast = value_at(parameters, _BALLAST) * value_at(parameters, _SHIFT)
    share = value_at(parameters, _SHARE) + ballast / (mass * wheelbase)
    front_unsprung, rear_unsprung = value_at(parameters, _UNSPRUNG), value_at(parameters, _UNSPRUNG + END_SLOTS)
    front_sprung = mass * share - 2.0 * front_unsprung
    rear_sprung = mass * (1.0 - share) - 2.0 * rear_unsprung
    sprung = front_sprung + rear_sprung
    front_radius, rear_radius = value_at(parameters, _RADIUS), value_at(parameters, _RADIUS + END_SLOTS)
    moment = 2.0 * (front_unsprung * front_radius + rear_unsprung * rear_radius)
    rise = (
        front_sprung * (value_at(parameters, _RIDE) - value_at(parameters, _RIDE_REF))
        + rear_sprung * (value_at(parameters, _RIDE + END_SLOTS) - value_at(parameters, _RIDE_REF + END_SLOTS))
    ) / sprung
    sprung_height = (mass * value_at(parameters, _CG) - moment) / sprung + rise
    cg_height = value_at(parameters, _CG) + sprung / mass * rise
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
        yaw_inertia=value_at(parameters, _YAW_I),
        roll_inertia=value_at(parameters, _ROLL_I),
        chassis_compliance=value_at(parameters, _COMPLIANCE),
    )
    return body, front, rear


@inner
def phase_at(parameters, phase, body):
    """What a phase asks of this car on this surface; `phase` is a row of the phase array.

    Required lateral acceleration `v^2/R`, or a share of the grip level; longitudinal transfer `m a_x h/L`
    (Gillespie, Fundamentals of Vehicle Dynamics, ch. 1); downforce `q v^2`.
    """
    level = value_at(parameters, _GRIP) * G
    radius = phase[0]
    speed = phase[1]
    asked = speed > 0.0
    lateral = where(asked, speed * speed / radius, phase[2] * level)
    speed = where(asked, speed, np.sqrt(lateral * radius))
    longitudinal = phase[3] + phase[4] * level
    force = body.mass * longitudinal
    moved = force * body.cg_height / body.wheelbase
    downforce, pressed = value_at(parameters, _DOWNFORCE) * speed * speed, value_at(parameters, _DOWNFORCE_SHARE)
    weight = body.mass * G
    pitched = body.sprung_mass * G * body.roll_arm / (body.wheelbase * body.wheelbase)
    thrown = body.sprung_mass * longitudinal / body.wheelbase
    front_share = where(longitudinal > 0.0, value_at(parameters, _DRIVE), value_at(parameters, _BRAKE))
    return Phase(
        radius=radius,
        speed=speed,
        lateral=lateral,
        front_weight=weight * body.front_share - moved + pressed * downforce,
        rear_weight=weight * (1.0 - body.front_share) + moved + (1.0 - pressed) * downforce,
        front_force=force * front_share,
        rear_force=force * (1.0 - front_share),
        front_pull=pitched + thrown * body.front_sprung_share,
        rear_pull=pitched - thrown * (1.0 - body.front_sprung_share),
    )


@inner
def fault_of(parameters, body, front, rear):
    """0.0 when the car can be modelled, else the number of the first rule broken (see FAULTS)."""
    nothing = 0.0 * value_at(parameters, 0)
    for slot in range(1, _COUNT):
        nothing = nothing + 0.0 * value_at(parameters, slot)
    wheels = (front.wheel_rate > 0.0) & (rear.wheel_rate > 0.0) & (front.tyre_rate > 0.0) & (rear.tyre_rate > 0.0)
    fault = where((front.damping > 0.0) & (rear.damping > 0.0), 0.0, 5.0)
    fault = where(wheels, fault, 4.0)
    fault = where(body.roll_arm > 0.0, fault, 3.0)
    fault = where((front.sprung_mass > 0.0) & (rear.sprung_mass > 0.0), fault, 2.0)
    return where(nothing == 0.0, fault, 1.0)


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
