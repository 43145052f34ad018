"""The law of an axle whose wheels hang on two links each.

Derived by virtual work in the front view, to second order in roll and travel. What makes it unlike a beam: a wheel
leans with the body but for its camber recovery, so that part of the unsprung mass's overturning goes through the
springs; the links' slopes lift the body (jacking) and move the contacts sideways; wheels that spin and yaw tip outward;
a lateral force on a leaning wheel has a part along its travel; the roll centre and the camber gain change with travel;
the patch of a round tyre moves as it leans. Roll centres, jacking and camber recovery: Milliken & Milliken, Race Car
Vehicle Dynamics (SAE 1995), ch. 17; Dixon, Suspension Geometry and Computation (Wiley 2009); Mitchell, SAE
2006-01-3617, for roll centres as forces (all from memory). The lateral force of an axle is shared by load. Left out,
for they are small: anti-dive and anti-squat, friction.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from explorer.model.car.car import Axle, G
from explorer.model.corner.axle_point import INNER, OUTER, SIGMA, AxlePoint
from explorer.model.machine.compiled import inner, woven
from explorer.model.machine.jets import part, seeded, without
from explorer.model.machine.lanes import least, where

TRAVEL_SCALE = 0.01
"""A travel that is large on such cars: Newton steps are judged beside it. [m]"""


RESTING = 1e-15
"""A wheel without droop is off its stop outside the turn, on it inside, from the start: by this travel, for rounding
to tell. [m]"""


class WishboneAxle(NamedTuple):
    """An axle under this law. SI; `sprung_moment` is the sprung share times the height of the sprung centre."""

    axle: Axle
    sprung_moment: float
    travel_scale: float
    lowest_travel: float


class _Equations(NamedTuple):
    """Jets of an axle at a trial of its travels: forces left over at either wheel [N], and what `AxlePoint` has."""

    outer: Any
    inner: Any
    moment: Any
    rise: Any
    excess: Any
    transfer: Any
    outer_lean: Any
    inner_lean: Any


@inner
def wishbone_axle(axle, sprung_height):
    """The constants of the law."""
    return WishboneAxle(axle, axle.sprung_mass * sprung_height, TRAVEL_SCALE + 0.0 * axle.track, -axle.droop - RESTING)


@woven
def _equations(law, release, roll, sine, cosine, lateral, weight, outer, inner):
    """`_Equations` at roll, lateral acceleration, axle weight and travels `outer` and `inner` of the wheels."""
    axle = law.axle
    t, r, gain, bend = axle.track, axle.wheel_radius, axle.camber_gain, axle.camber_gain_slope
    slope, slope_change, arm = axle.path_slope, axle.path_bend, axle.patch_arm
    per_tyre, half = 1.0 / axle.tyre_rate, 0.5 * weight
    mean, apart = 0.5 * (outer + inner), 0.5 * (outer - inner)
    squares = apart * apart + mean * mean
    # of the contact per bump, sideways, its tyre rolling on its crown
    sideways, sideways_change = slope - arm * gain, slope_change - arm * bend
    # both tyres down: the body's roll is the suspension's and the tyres'; a wheel that leans stands lower
    lower = (r - arm) * (gain * mean - axle.camber) * (gain + bend * mean)
    wide = roll * (0.5 * t + sideways * mean + 0.5 * sideways_change * squares)
    free_transfer = axle.tyre_rate * (wide - apart * (1.0 + lower))
    excess = free_transfer - half
    up = excess > release
    transfer = where(up, half, free_transfer)
    outer_load, inner_load = half + transfer, half - transfer
    force = axle.lifted_mass * lateral / weight  # lateral force per load

    # what a newton on a wheel brings onto its spring: camber, the slope of the road under the leaning body, the links
    tip = (r - arm) * gain
    upright = 1.0 - tip * axle.camber - 0.5 * roll * roll - force * (roll - gain * per_tyre * transfer)
    turned = sideways_change * roll + slope_change * force
    give = gain * axle.side_compliance
    outer_share = upright - sideways * roll - force * (slope + give * outer_load) + (tip * gain - turned) * outer
    inner_share = upright + sideways * roll + force * (slope + give * inner_load) + (tip * gain + turned) * inner
    # a wheel's own weight, inertia and spin
    own = axle.unsprung_mass * (lateral * roll - G)
    aside = axle.unsprung_mass * (lateral + G * roll)
    hub, hub_change, spin = slope - gain * r, slope_change - bend * r, axle.spin * lateral
    outer_own = own + aside * (hub + hub_change * outer) - spin * (gain + bend * outer)
    inner_own = own - aside * (hub + hub_change * inner) + spin * (gain + bend * inner)
    k, k_slope, bar = axle.wheel_rate, 0.5 * axle.wheel_rate_slope, axle.bar_rate * apart
    outer_left = axle.preload + (k + k_slope * outer) * outer + bar - outer_load * outer_share - outer_own
    inner_left = axle.preload + (k + k_slope * inner) * inner - bar - inner_load * inner_share - inner_own
    # on its stop a wheel carries less than its spring would give
    firm = k + 0.5 * axle.bar_rate
    outer_left = least(outer_left, firm * (outer + (axle.droop + RESTING)))
    inner_left = least(inner_left, firm * (inner + (axle.droop - RESTING)))

    high = roll * (0.5 * t + (sideways + 0.5 * sideways_change * outer) * outer + 0.5 * arm * roll)
    rise = high - outer - apart * lower - (outer_load - 0.5 * axle.weight) * per_tyre
    # moments about the middle of the track on the road
    spread = weight * apart + 2.0 * mean * transfer
    held = (
        transfer * t * (1.0 - 0.5 * roll * roll)
        + slope * spread
        + sideways_change * (weight * apart * mean + transfer * squares)
        + arm * (weight * roll - gain * spread)
        + roll * (weight * mean + 2.0 * transfer * apart)
    )
    wheels = lateral * (r + mean + rise) + G * (roll * (r + mean) + (hub + hub_change * mean) * apart)
    tipped = (
        axle.sprung_mass * lateral * rise
        + 2.0 * axle.unsprung_mass * wheels
        + 2.0 * spin
        + law.sprung_moment * (lateral * cosine + G * sine)
        + axle.side_compliance * force * (0.5 * weight * weight + 2.0 * transfer * transfer)
    )
    return _Equations(
        outer=outer_left,
        inner=inner_left,
        moment=held - tipped,
        rise=rise,
        excess=excess,
        transfer=transfer,
        outer_lean=roll - (gain + 0.5 * bend * outer) * outer,
        inner_lean=roll + (gain + 0.5 * bend * inner) * inner,
    )


@woven
def _settled(jet, outer_step, inner_step):
    """A jet with both travels at what one Newton step makes of them, a function of what is left."""
    fixed = without(without(jet, OUTER), INNER)
    return fixed + part(jet, OUTER) * outer_step + part(jet, INNER) * inner_step


@woven
def wishbone_point(law, release, roll, sine, cosine, lateral, weight, outer, inner):
    """`AxlePoint` from jets of the body's roll, its sine and cosine, lateral acceleration and axle weight, and from
    trial travels of the wheels: the forces at both wheels are balanced by a Newton step in them, eliminated here. The
    inner wheel lifts where its excess is above `release`. [N]"""
    found = _equations(law, release, roll, sine, cosine, lateral, weight, seeded(outer, OUTER), seeded(inner, INNER))
    outer_left, inner_left = without(without(found.outer, OUTER), INNER), without(without(found.inner, OUTER), INNER)
    oo, oi = part(found.outer, OUTER), part(found.outer, INNER)
    io, ii = part(found.inner, OUTER), part(found.inner, INNER)
    per = 1.0 / (oo * ii - oi * io)
    outer_step = (oi * per) * inner_left - (ii * per) * outer_left
    inner_step = (io * per) * outer_left - (oo * per) * inner_left
    moment = _settled(found.moment, outer_step, inner_step)
    outer_lean = _settled(found.outer_lean, outer_step, inner_step)
    inner_lean = _settled(found.inner_lean, outer_step, inner_step)
    return AxlePoint(
        moment=moment,
        rise=_settled(found.rise, outer_step, inner_step),
        excess=_settled(found.excess, outer_step, inner_step),
        outer_lean=outer_lean,
        inner_lean=inner_lean,
        outer_travel=outer + outer_step,
        inner_travel=inner + inner_step,
        roll_stiffness=law.axle.track * part(_settled(found.transfer, outer_step, inner_step), SIGMA),
        net_stiffness=part(moment, SIGMA),
        outer_lean_by_roll=part(outer_lean, SIGMA),
        inner_lean_by_roll=part(inner_lean, SIGMA),
        outer_travel_by_roll=part(outer_step, SIGMA),
        inner_travel_by_roll=part(inner_step, SIGMA),
    )
