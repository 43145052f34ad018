"""The equilibrium path of a car in a corner, solved by Newton's method on jets.

Along the path lateral acceleration and what follows from it grow out of the car standing upright. Its variable is
`sigma = roll + per_lateral * lateral acceleration` of the rear of the body. Up to the first lift it is nearly lateral
acceleration, for roll may turn back where a jacked body meets its droop stops; past it nearly roll, for lateral
acceleration may fall. At each sigma one lateral acceleration, load handed to the front axle, twist of the chassis and
set of wheel travels balance all forces and moments.
Written for floats and for lanes alike (`lanes`): what is a truth for one car is a mask over several.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from numba import types
from numba.extending import overload

from explorer.model.corner.axle_point import HANDED, LATERAL, SIGMA
from explorer.model.corner.beam import BeamAxle, beam_axle, beam_point
from explorer.model.corner.wishbone import wishbone_axle, wishbone_point
from explorer.model.machine.compiled import inner, woven
from explorer.model.machine.jets import part, seeded, without
from explorer.model.machine.lane_math import sine_cosine
from explorer.model.machine.lanes import any_of, least, most, negated, where

GRIPPING, TIPPING = 1.0 / 20.0, 1.0 / 1000.0
"""Share of lateral acceleration in the path's variable up to the first lift, and past it. [rad s2/m]"""
SMALL_STEP = 1e-6
"""A Newton step of this relative size is taken as the last: what it leaves is its square."""
LONGEST_STEP, LONGEST_STEP_BACK, LONGEST_TRAVEL = 3.0, 0.6, 0.03
"""A Newton step along the path is cut to these shares of sigma, for the next wheel may lift far from the last; one in a
wheel's travel to this length [m], for past a stop or a lift a tangent says little."""
MOST_STEPS = 40
HALVED_FROM, HALVED_EVERY = 6, 3
"""From this step on every so many is halved, so that none goes to and fro over a stop for ever."""
LEAST_SHARE = 1e-12
"""Share of the car's load below which no axle's goes."""
MOST_UPRIGHT_STEPS = 8
LIFT, REACH = 0, 1
HELD = 1e30


class PathLaw(NamedTuple):
    """Both axles and what couples them: the pulls hand load to the front axle (see `car.Phase`). An inner wheel lifts
    where its contact excess is above its axle's `release` [N]: zero, or `HELD` for one that is held to the road."""

    front: Any
    rear: Any
    front_weight: float
    total_weight: float
    front_pull: float
    rear_pull: float
    chassis_compliance: float
    front_release: float
    rear_release: float


class PathState(NamedTuple):
    """What is found at a point of the path: numbers, or jets along `SIGMA`. SI; `roll` is the rear's, `twist` the
    front's less that, then the travels of the four wheels in the body."""

    roll: Any
    lateral: Any
    handed: Any
    twist: Any
    front_outer: Any
    front_inner: Any
    rear_outer: Any
    rear_inner: Any


class PathPoint(NamedTuple):
    """A point of the path after its last Newton step: jets along `SIGMA`. SI; for excess and lean see `AxlePoint`."""

    state: PathState
    front_excess: Any
    rear_excess: Any
    front_outer_lean: Any
    front_inner_lean: Any
    rear_outer_lean: Any
    rear_inner_lean: Any
    found: bool


class Beam(NamedTuple):
    """Says to compiled code that axles are beams."""

    number: float = 0.0


class Wishbone(NamedTuple):
    """Says to compiled code that wheels hang on links."""

    number: float = 1.0


def law_of(kind, front, rear, body):
    """((front, rear) under the law of a `kind`, the height of the sprung centre over what the body pitches on).

    That is the roll axis of beams; on links the wheels' centres, which stay where they are over the road."""
    height = body.sprung_height
    if isinstance(kind, Beam):
        return (beam_axle(front, height), beam_axle(rear, height)), body.roll_arm
    arm = height - 0.5 * (front.wheel_radius + rear.wheel_radius)
    return (wishbone_axle(front, height), wishbone_axle(rear, height)), arm


@overload(law_of, jit_options={"forceinline": True, "error_model": "numpy"})
def _law_of(kind, front, rear, body):
    if kind.instance_class is Beam:
        return lambda kind, front, rear, body: (
            (beam_axle(front, body.sprung_height), beam_axle(rear, body.sprung_height)),
            body.roll_arm,
        )
    return lambda kind, front, rear, body: (
        (wishbone_axle(front, body.sprung_height), wishbone_axle(rear, body.sprung_height)),
        body.sprung_height - 0.5 * (front.wheel_radius + rear.wheel_radius),
    )


def axle_point(law, release, roll, sine, cosine, lateral, weight, outer, inner):
    """`AxlePoint` by the law that an axle is under."""
    if isinstance(law, BeamAxle):
        return beam_point(law, release, roll, sine, cosine, lateral, weight)
    return wishbone_point(law, release, roll, sine, cosine, lateral, weight, outer, inner)


@overload(axle_point, jit_options={"forceinline": True, "error_model": "numpy"})
def _axle_point(law, release, roll, sine, cosine, lateral, weight, outer, inner):
    if isinstance(law, types.BaseNamedTuple) and law.instance_class is BeamAxle:
        return lambda law, release, roll, sine, cosine, lateral, weight, outer, inner: beam_point(
            law, release, roll, sine, cosine, lateral, weight
        )
    return lambda law, release, roll, sine, cosine, lateral, weight, outer, inner: wishbone_point(
        law, release, roll, sine, cosine, lateral, weight, outer, inner
    )


@inner
def path_law(axles, phase, body):
    """Constants of the path of one setup, its axles' laws, in one phase."""
    return PathLaw(
        front=axles[0],
        rear=axles[1],
        front_weight=phase.front_weight,
        total_weight=phase.front_weight + phase.rear_weight,
        front_pull=phase.front_pull,
        rear_pull=phase.rear_pull,
        chassis_compliance=body.chassis_compliance,
        front_release=0.0 * phase.front_weight,
        rear_release=0.0 * phase.front_weight,
    )


@woven
def held(law, front, rear):
    """The path of a car whose inner wheels are held to the road at the `front` and the `rear`: past a lift it goes
    straight on where the car's own turns, so that the lift is found from either side."""
    return PathLaw(
        law.front,
        law.rear,
        law.front_weight,
        law.total_weight,
        law.front_pull,
        law.rear_pull,
        law.chassis_compliance,
        where(front, HELD, law.front_release),
        where(rear, HELD, law.rear_release),
    )


@inner
def unlike(law, other):
    """True where the paths of a setup in two phases differ."""
    weights = (law.front_weight != other.front_weight) | (law.total_weight != other.total_weight)
    return weights | (law.front_pull != other.front_pull) | (law.rear_pull != other.rear_pull)


@woven
def axles_at(law, per_lateral, state):
    """Front and rear `AxlePoint` at a trial state, chassis twist held, with derivatives along the variable that has
    `per_lateral` of lateral acceleration in it."""
    lateral, handed = seeded(state.lateral, LATERAL), seeded(state.handed, HANDED)
    rear_roll = seeded(state.roll, SIGMA) - per_lateral * (lateral - state.lateral)
    front_roll = rear_roll + state.twist
    # an axle that has handed all its load over keeps next to none
    least_weight = LEAST_SHARE * law.total_weight
    front_weight = least(most(law.front_weight + handed, least_weight), law.total_weight - least_weight)
    rear_weight = law.total_weight - front_weight
    sine, cosine = sine_cosine(front_roll)
    outer, inner = state.front_outer, state.front_inner
    front = axle_point(law.front, law.front_release, front_roll, sine, cosine, lateral, front_weight, outer, inner)
    sine, cosine = sine_cosine(rear_roll)
    outer, inner = state.rear_outer, state.rear_inner
    rear = axle_point(law.rear, law.rear_release, rear_roll, sine, cosine, lateral, rear_weight, outer, inner)
    return front, rear


@woven
def _turned(jet, twist_step):
    """A jet of the front axle with the chassis twisted by a step, itself a jet: it rolls with the path and the
    twist."""
    return jet + part(jet, SIGMA) * twist_step


@woven
def _along(jet, lateral, handed):
    """A jet along the path: lateral acceleration and handed load follow sigma."""
    fixed = without(without(jet, LATERAL), HANDED)
    return fixed + part(jet, LATERAL) * lateral + part(jet, HANDED) * handed


@woven
def path_step(law, per_lateral, state):
    """`PathPoint` at the sigma of a trial state by one Newton step in everything else, and its slopes along the path.

    The chassis twists by what the rear axle holds up more than it must; the moments of both axles balance; the rise of
    the two ends hands load to the front axle (see `car.Phase`).
    """
    front, rear = axles_at(law, per_lateral, state)
    twist_step = law.chassis_compliance * rear.moment - state.twist
    rise = _turned(front.rise, twist_step)
    moment = _turned(front.moment, twist_step) + rear.moment
    gap = law.rear_pull * rear.rise - law.front_pull * rise - seeded(state.handed, HANDED)
    moment_a, moment_h = part(moment, LATERAL), part(moment, HANDED)
    gap_a, gap_h = part(gap, LATERAL), part(gap, HANDED)
    per = -1.0 / (moment_a * gap_h - moment_h * gap_a)
    moment, gap = without(without(moment, LATERAL), HANDED), without(without(gap, LATERAL), HANDED)
    # steps in lateral acceleration and handed load, and their slopes
    lateral = (gap_h * per) * moment - (moment_h * per) * gap
    handed = (moment_a * per) * gap - (gap_a * per) * moment
    return PathPoint(
        state=PathState(
            roll=seeded(state.roll, SIGMA) - per_lateral * lateral,
            lateral=state.lateral + lateral,
            handed=state.handed + handed,
            twist=state.twist + _along(twist_step, lateral, handed),
            front_outer=_along(_turned(front.outer_travel, twist_step), lateral, handed),
            front_inner=_along(_turned(front.inner_travel, twist_step), lateral, handed),
            rear_outer=_along(rear.outer_travel, lateral, handed),
            rear_inner=_along(rear.inner_travel, lateral, handed),
        ),
        front_excess=_along(_turned(front.excess, twist_step), lateral, handed),
        rear_excess=_along(rear.excess, lateral, handed),
        front_outer_lean=_along(_turned(front.outer_lean, twist_step), lateral, handed),
        front_inner_lean=_along(_turned(front.inner_lean, twist_step), lateral, handed),
        rear_outer_lean=_along(rear.outer_lean, lateral, handed),
        rear_inner_lean=_along(rear.inner_lean, lateral, handed),
        found=state.roll == state.roll,
    )


@woven
def ahead(jet, step):
    """A jet along the path a step of sigma further on its tangent."""
    return jet + part(jet, SIGMA) * step


@woven
def state_ahead(state, step):
    """A `PathState` of jets a step of sigma further on their tangents."""
    return PathState(
        ahead(state.roll, step),
        ahead(state.lateral, step),
        ahead(state.handed, step),
        ahead(state.twist, step),
        ahead(state.front_outer, step),
        ahead(state.front_inner, step),
        ahead(state.rear_outer, step),
        ahead(state.rear_inner, step),
    )


@woven
def moved(point, step, found):
    """A `PathPoint` a step of sigma further on its tangents."""
    return PathPoint(
        state_ahead(point.state, step),
        ahead(point.front_excess, step),
        ahead(point.rear_excess, step),
        ahead(point.front_outer_lean, step),
        ahead(point.front_inner_lean, step),
        ahead(point.rear_outer_lean, step),
        ahead(point.rear_inner_lean, step),
        found,
    )


@woven
def values_of(state):
    """The values of a `PathState` of jets."""
    return PathState(
        part(state.roll, 0),
        part(state.lateral, 0),
        part(state.handed, 0),
        part(state.twist, 0),
        part(state.front_outer, 0),
        part(state.front_inner, 0),
        part(state.rear_outer, 0),
        part(state.rear_inner, 0),
    )


@woven
def _travelled(axle, old, new, share):
    """A share of a step in a wheel's travel, which changes by no more than `LONGEST_TRAVEL` and goes past no stop: a
    tangent there leads onto other branches."""
    cut = most(least(most(new, old - LONGEST_TRAVEL), old + LONGEST_TRAVEL), axle.lowest_travel)
    return old + share * (cut - old)


@woven
def held_back(law, old, new, share):
    """A `share` of a Newton step from one state of numbers to the next, cut where it goes far."""
    return PathState(
        roll=old.roll + share * (new.roll - old.roll),
        lateral=old.lateral + share * (most(new.lateral, 0.25 * old.lateral) - old.lateral),
        handed=old.handed + share * (new.handed - old.handed),
        twist=old.twist + share * (new.twist - old.twist),
        front_outer=_travelled(law.front, old.front_outer, new.front_outer, share),
        front_inner=_travelled(law.front, old.front_inner, new.front_inner, share),
        rear_outer=_travelled(law.rear, old.rear_outer, new.rear_outer, share),
        rear_inner=_travelled(law.rear, old.rear_inner, new.rear_inner, share),
    )


@woven
def _travels_settled(law, old, new):
    """True where no wheel's travel has moved much."""
    front, rear = SMALL_STEP * law.front.travel_scale, SMALL_STEP * law.rear.travel_scale
    return (
        (abs(new.front_outer - old.front_outer) <= front)
        & (abs(new.front_inner - old.front_inner) <= front)
        & (abs(new.rear_outer - old.rear_outer) <= rear)
        & (abs(new.rear_inner - old.rear_inner) <= rear)
    )


@woven
def small_enough(law, sigma, step, old, new):
    """True where a Newton step from one state of numbers to the next is the last."""
    return (
        (abs(step) <= SMALL_STEP * sigma)
        & (abs(new.roll - old.roll) <= SMALL_STEP * sigma)
        & (abs(new.lateral - old.lateral) <= SMALL_STEP * old.lateral)
        & (abs(new.handed - old.handed) <= SMALL_STEP * law.total_weight)
        & (abs(new.twist - old.twist) <= SMALL_STEP * sigma)
        & _travels_settled(law, old, new)
    )


@woven
def place_of(state, by_tip):
    """Where on the path a state of jets is: its lateral acceleration, or what grows past it, `by_tip`."""
    return where(by_tip, state.roll + TIPPING * state.lateral, state.lateral)


@inner
def solve_path(law, per_lateral, event, which, target, state, wanted):
    """Point of the path by Newton's method from a first guess, where it is `wanted`: for the event `LIFT` where the
    inner wheel of the front axle leaves the ground, or of the rear one where not `which`; for `REACH` where lateral
    acceleration is `target`, or sigma where `which`.

    Each step balances the car at fixed sigma and along the path, then meets the event along the path. `found` is False
    where it does not settle.
    """
    for k in range(MOST_STEPS):
        point = path_step(law, per_lateral, state)
        if event == LIFT:
            missed = where(which, point.front_excess, point.rear_excess)
        else:
            missed = where(which, point.state.roll + per_lateral * point.state.lateral, point.state.lateral) - target
        sigma = state.roll + per_lateral * state.lateral
        step = -part(missed, 0) / part(missed, SIGMA)
        step = least(most(step, -LONGEST_STEP_BACK * sigma), LONGEST_STEP * sigma)
        new = values_of(state_ahead(point.state, step))
        found = small_enough(law, sigma, step, state, new)
        # who has settled stays where the last step began, so that it is the same step while others go on
        going = wanted & negated(found)
        if not any_of(going):
            break
        share = 0.5 if k >= HALVED_FROM and k % HALVED_EVERY == 0 else 1.0
        state = where(going, held_back(law, state, new, share), state)
    return moved(point, step, wanted & found)


@inner
def upright(law):
    """The car before it rolls. Its rise under drive, braking or downforce hands load over and moves its wheels."""
    none = 0.0 * law.front_weight
    state = PathState(none, none, none, none, none, none, none, none)
    for _ in range(MOST_UPRIGHT_STEPS):
        point = path_step(law, GRIPPING, state)
        new = values_of(point.state)
        new = PathState(none, none, new.handed, none, new.front_outer, new.front_outer, new.rear_outer, new.rear_outer)
        settled = abs(new.handed - state.handed) <= SMALL_STEP * SMALL_STEP * law.total_weight
        going = negated(settled & _travels_settled(law, state, new))
        if not any_of(going):
            break
        state = where(going, new, state)
    return moved(point, none, part(point.state.lateral, SIGMA) > 0.0)
