"""The equilibrium path of a car with a rigid chassis, with its derivatives in closed form.

The same statics as `loads`, stage by stage, for solving by Newton's method: every axle quantity comes with its partial
derivatives by roll, lateral acceleration and axle weight, so that roll, lateral acceleration and the load handed to
the front are found together for an event (a wheel lifts, a required lateral acceleration), not one inside the other.
Written for floats and for lanes alike (`lanes`): what is a truth for one car is a mask over several.
"""

from __future__ import annotations

from typing import NamedTuple

from explorer.model.compiled import inner, woven
from explorer.model.lane_math import sine_cosine
from explorer.model.lanes import any_of, least, most, negated, where
from explorer.model.path_axle import (
    AxleLaw,
    AxlePoint,
    axle_point,
    excess_after,
    excess_slope,
    travel_after,
    travel_slope,
)

SMALL_STEP = 1e-6
"""A Newton step of this relative size is taken as the last: what it leaves is its square."""
LONGEST_STEP, LONGEST_STEP_BACK = 2.0, 0.5
"""A Newton step in roll is cut to these shares of the roll angle: the next wheel may lift far from the last."""
MOST_STEPS = 25
LIFT, REACH = 0, 1


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
    """A point of the path after its last Newton step. SI; a slope is along the path by roll."""

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
    front_excess_slope: float
    rear_excess_slope: float
    front_travel_slope: float
    rear_travel_slope: float
    found: bool


@inner
def path_law(front, rear, phase):
    """Constants of the path of one setup, its axles' laws, in one phase."""
    return PathLaw(
        front=front,
        rear=rear,
        front_weight=phase.front_weight,
        total_weight=phase.front_weight + phase.rear_weight,
        front_pull=phase.front_pull,
        rear_pull=phase.rear_pull,
    )


@inner
def unlike(law, other):
    """True where the paths of a setup in two phases differ."""
    weights = (law.front_weight != other.front_weight) | (law.total_weight != other.total_weight)
    return weights | (law.front_pull != other.front_pull) | (law.rear_pull != other.rear_pull)


@woven
def path_step(law, roll, lateral, handed):
    """One Newton step of the moment and load balances for (lateral, handed) at a fixed roll, and the path's slopes."""
    front_weight = law.front_weight + handed
    sine, cosine = sine_cosine(roll)
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


@woven
def lift_step(step, front):
    """Step in roll to where the inner wheel of the front axle, or else of the rear one, lifts. [rad]"""
    f, r = step.front, step.rear
    excess, excess_p = where(front, f.excess, r.excess), where(front, f.excess_p, r.excess_p)
    excess_a, excess_h = where(front, f.excess_a, r.excess_a), where(front, f.excess_w, -r.excess_w)
    return -(excess + excess_a * step.lateral + excess_h * step.handed) / (
        excess_p + excess_a * step.lateral_slope + excess_h * step.handed_slope
    )


class Steps(NamedTuple):
    """A Newton step from a trial point of the path: in roll [rad], lateral acceleration and handed load. SI."""

    roll: float
    lateral: float
    handed: float


@woven
def steps_of(step, roll_step):
    """`Steps` along the path of a step in roll."""
    lateral = step.lateral + step.lateral_slope * roll_step
    return Steps(roll_step, lateral, step.handed + step.handed_slope * roll_step)


@woven
def small_enough(law, roll, lateral, steps):
    """True where a Newton step is the last."""
    return (
        (abs(steps.roll) <= SMALL_STEP * roll)
        & (abs(steps.lateral) <= SMALL_STEP * lateral)
        & (abs(steps.handed) <= SMALL_STEP * law.total_weight)
    )


@woven
def moved_by(law, step, roll, lateral, handed, steps, found):
    """The path after a Newton step from a trial point."""
    handed = handed + steps.handed
    return PathPoint(
        roll=roll + steps.roll,
        lateral=lateral + steps.lateral,
        handed=handed,
        lateral_slope=step.lateral_slope,
        handed_slope=step.handed_slope,
        front_weight=law.front_weight + handed,
        front_excess=excess_after(step.front, steps.roll, steps.lateral, steps.handed),
        rear_excess=excess_after(step.rear, steps.roll, steps.lateral, -steps.handed),
        front_travel=travel_after(step.front, steps.roll, steps.lateral, steps.handed),
        rear_travel=travel_after(step.rear, steps.roll, steps.lateral, -steps.handed),
        front_excess_slope=excess_slope(step.front, step.lateral_slope, step.handed_slope),
        rear_excess_slope=excess_slope(step.rear, step.lateral_slope, -step.handed_slope),
        front_travel_slope=travel_slope(step.front, step.lateral_slope, step.handed_slope),
        rear_travel_slope=travel_slope(step.rear, step.lateral_slope, -step.handed_slope),
        found=found,
    )


@inner
def solve_path(law, event, which, target, roll, lateral, handed, wanted):
    """Point of the path by Newton's method from a first guess, where it is `wanted`: for the event `LIFT` where the
    inner wheel of the front axle leaves the ground, or of the rear one where not `which`; for `REACH` where lateral
    acceleration is `target`, or roll where `which`.

    Each step solves the balances at fixed roll and along the path, then the event for the roll. `found` is False where
    it does not settle or an axle weight reaches zero.
    """
    for _ in range(MOST_STEPS):
        step = path_step(law, roll, lateral, handed)
        if event == LIFT:
            roll_step = lift_step(step, which)
        else:
            to_lateral = (target - lateral - step.lateral) / step.lateral_slope
            roll_step = where(which, target - roll, to_lateral)
        steps = steps_of(step, least(most(roll_step, -LONGEST_STEP_BACK * roll), LONGEST_STEP * roll))
        found = small_enough(law, roll, lateral, steps)
        weight = law.front_weight + (handed + steps.handed)
        inside = (lateral + steps.lateral > 0.0) & (weight > 0.0) & (weight < law.total_weight)
        # who has settled stays where the last step began, so that it is the same step while others go on
        going = wanted & inside & negated(found)
        if not any_of(going):
            break
        roll = where(going, roll + steps.roll, roll)
        lateral = where(going, lateral + steps.lateral, lateral)
        handed = where(going, handed + steps.handed, handed)
    return moved_by(law, step, roll, lateral, handed, steps, wanted & found)


@inner
def upright(law):
    """(the car before it rolls, rolls at which its front and rear inner wheel would lift were its path straight). Its
    rise under drive, braking or downforce hands load to the front, here in closed form."""
    f, r = law.front, law.rear
    give_f = law.front_pull * (f.half_spring + f.half_tyre)
    give_r = law.rear_pull * (r.half_spring + r.half_tyre)
    rear_weight = law.total_weight - law.front_weight
    handed = (give_f * (law.front_weight - f.weight) - give_r * (rear_weight - r.weight)) / (1.0 - give_f - give_r)
    none = 0.0 * handed
    step = path_step(law, none, none, handed)
    front, rear, slope, moved = step.front, step.rear, step.lateral_slope, step.handed_slope
    point = PathPoint(
        roll=none,
        lateral=none,
        handed=handed,
        lateral_slope=slope,
        handed_slope=moved,
        front_weight=law.front_weight + handed,
        front_excess=front.excess,
        rear_excess=rear.excess,
        front_travel=front.travel,
        rear_travel=rear.travel,
        front_excess_slope=excess_slope(front, slope, moved),
        rear_excess_slope=excess_slope(rear, slope, -moved),
        front_travel_slope=travel_slope(front, slope, moved),
        rear_travel_slope=travel_slope(rear, slope, -moved),
        found=slope > 0.0,
    )
    return point, -front.excess / point.front_excess_slope, -rear.excess / point.rear_excess_slope
