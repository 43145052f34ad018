"""What follows from a parameter vector before the car corners: masses, heights, wheel rates, phase demands."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from explorer.domain.units import STANDARD_GRAVITY
from explorer.model.car.slots import END_SLOTS, SLOT
from explorer.model.machine.compiled import inner, njit
from explorer.model.machine.lanes import most, value_at, where

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
_GAIN_SLOPE, _SPRING_MR_SLOPE = SLOT["front_camber_gain_slope"], SLOT["front_spring_motion_ratio_slope"]
_SPIN, _CROWN, _SIDE = SLOT["front_wheel_inertia"], SLOT["front_tyre_crown"], SLOT["front_tyre_side_compliance"]
_BEST, _WIDTH = SLOT["front_best_lean"], SLOT["front_lean_width"]
_CORNERING = SLOT["front_cornering_stiffness"]
_YAW_I, _ROLL_I = SLOT["yaw_inertia"], SLOT["roll_inertia"]
_COMPLIANCE = SLOT["chassis_compliance"]
_DOWNFORCE, _DOWNFORCE_SHARE = SLOT["downforce_coefficient"], SLOT["front_downforce_share"]
_DRIVE, _BRAKE = SLOT["front_drive_share"], SLOT["front_brake_share"]
_GRIP, _GRIP_RATIO = SLOT["grip"], SLOT["front_grip_ratio"]


class Axle(NamedTuple):
    """One end of the car, at its ride height. SI; travel of a wheel in the body is positive in bump.

    `roll_moment_mass` is `m_s z_rc + 2 m_u r`, the first moment about the ground of what is not carried by springs;
    `lifted_mass` is `m_s + 2 m_u`, what rises with the axle. `path_slope` is how far a contact moves outward per bump
    of its wheel, `2 z_rc/t`, and `path_bend` its change; `camber_gain` is top inward per bump, `camber_gain_slope` its
    change. `patch_arm` is how far inward a contact moves per lean of its round tyre, the radius of its cross-section
    less its squash. `preload` is what a spring carries at rest, at the wheel; `spin` is `I_w/R` of a wheel. The last
    three are constants of its tyres; `cornering_stiffness` is of one wheel at the reference load and a grip of 1.
    """

    track: float
    weight: float
    sprung_mass: float
    sprung_share: float
    unsprung_mass: float
    wheel_radius: float
    wheel_rate: float
    wheel_rate_slope: float
    bar_rate: float
    tyre_rate: float
    roll_arm: float
    roll_moment_mass: float
    lifted_mass: float
    droop: float
    camber: float
    camber_gain: float
    camber_gain_slope: float
    path_slope: float
    path_bend: float
    patch_arm: float
    preload: float
    spin: float
    side_compliance: float
    damping: float
    ride_height: float
    grip: float
    best_lean: float
    lean_width: float
    cornering_stiffness: float


class Body(NamedTuple):
    """The whole car. SI; `roll_arm` is the sprung centre's height over the roll axis, `sprung_height` over the road."""

    mass: float
    wheelbase: float
    front_share: float
    cg_height: float
    sprung_mass: float
    sprung_height: float
    front_sprung_share: float
    roll_arm: float
    yaw_inertia: float
    roll_inertia: float
    chassis_compliance: float


class Phase(NamedTuple):
    """What a corner asks. SI; weights at the axles are those before the rise of the body is counted.

    A body that rises at the rear pitches its mass forwards, and one that rises at all is thrown harder by braking and
    drive: together they hand `rear_pull * rise_r - front_pull * rise_f` of load to the front axle, where `front_pull`
    is `m_s (g h/L + a_x share_f)/L` and `rear_pull` is `m_s (g h/L - a_x share_r)/L`, with `h` the height of the
    sprung centre over what the body pitches on. [N/m]
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

    Raising the body by `dh` puts its wheels that far into droop: the roll centre moves by `rate * dh`, droop is taken
    away, static camber turns along the camber curve, camber gain and motion ratio are those of that place.
    Wheel rate from the spring's motion ratio `M` (spring travel per wheel travel) and its slope `M'` per bump:
    `k_w = k_s M^2 + P M'/M`, `dk_w/dx = 3 k_s M M'`, `P` what the spring carries at the wheel (virtual work; the first
    term: Milliken & Milliken, Race Car Vehicle Dynamics, ch. 16). In roll the body turns about its roll centre, so the
    contact of a wheel moves outward by `2 z_rc/t` per bump (instant centres, same book, ch. 17).
    """
    o = end * END_SLOTS
    dh = value_at(parameters, _RIDE + o) - value_at(parameters, _RIDE_REF + o)
    track = value_at(parameters, _TRACK + o)
    roll_centre = value_at(parameters, _RC + o) + value_at(parameters, _RC_RATE + o) * dh
    unsprung = value_at(parameters, _UNSPRUNG + o)
    radius = value_at(parameters, _RADIUS + o)
    tyre_rate = value_at(parameters, _TYRE + o)
    grip = value_at(parameters, _GRIP) * value_at(parameters, _TYRE_GRIP + o)
    if end == 0:
        grip *= value_at(parameters, _GRIP_RATIO)
    gain_at_rest, gain_slope = value_at(parameters, _GAIN + o), value_at(parameters, _GAIN_SLOPE + o)
    camber = value_at(parameters, _CAMBER + o) + (gain_at_rest - 0.5 * gain_slope * dh) * dh
    gain = gain_at_rest - gain_slope * dh
    weight = value_at(parameters, _MASS) * G * share
    patch_arm = value_at(parameters, _CROWN + o) - 0.5 * weight / tyre_rate
    preload = 0.5 * weight * (1.0 - (radius - patch_arm) * gain * camber) - unsprung * G
    rate, bar_ratio = value_at(parameters, _SPRING + o), value_at(parameters, _BAR_MR + o)
    ratio_slope = value_at(parameters, _SPRING_MR_SLOPE + o)
    ratio = value_at(parameters, _SPRING_MR + o) - ratio_slope * dh
    return Axle(
        track=track,
        weight=weight,
        sprung_mass=sprung_mass,
        sprung_share=sprung_mass / total_sprung,
        unsprung_mass=unsprung,
        wheel_radius=radius,
        wheel_rate=rate * ratio * ratio + preload * ratio_slope / ratio,
        wheel_rate_slope=3.0 * rate * ratio * ratio_slope,
        bar_rate=value_at(parameters, _BAR + o) * bar_ratio * bar_ratio,
        tyre_rate=tyre_rate,
        roll_arm=sprung_height - roll_centre,
        roll_moment_mass=sprung_mass * roll_centre + 2.0 * unsprung * radius,
        lifted_mass=sprung_mass + 2.0 * unsprung,
        droop=most(value_at(parameters, _DROOP + o) - dh, 0.0),
        camber=camber,
        camber_gain=gain,
        camber_gain_slope=gain_slope,
        path_slope=2.0 * roll_centre / track,
        path_bend=-2.0 * value_at(parameters, _RC_RATE + o) / track,
        patch_arm=patch_arm,
        preload=preload,
        spin=value_at(parameters, _SPIN + o) / radius,
        side_compliance=value_at(parameters, _SIDE + o),
        damping=value_at(parameters, _DAMPING + o),
        ride_height=value_at(parameters, _RIDE + o),
        grip=grip,
        best_lean=value_at(parameters, _BEST + o),
        lean_width=value_at(parameters, _WIDTH + o),
        cornering_stiffness=value_at(parameters, _CORNERING + o),
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
        sprung_height=sprung_height,
        front_sprung_share=front.sprung_share,
        roll_arm=front.sprung_share * front.roll_arm + rear.sprung_share * rear.roll_arm,
        yaw_inertia=value_at(parameters, _YAW_I),
        roll_inertia=value_at(parameters, _ROLL_I),
        chassis_compliance=value_at(parameters, _COMPLIANCE),
    )
    return body, front, rear


@inner
def phase_at(parameters, phase, body, pitch_arm):
    """What a phase asks of this car on this surface; `phase` is a row of the phase array, `pitch_arm` the height of the
    sprung centre over what the body pitches on: the roll axis on beam axles, the wheels' centres on links.

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
    pitched = body.sprung_mass * G * pitch_arm / (body.wheelbase * body.wheelbase)
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
