"""Slow, independent twin of the cornering model: plain Python and scipy, for comparison only.

The statics are balances of forces on every wheel and moments on the body, solved together with derivatives by complex
steps (`laws`, `statics`), along a path that is followed from one change of its bearing constraints to the next
(`path`); bump grip is integrated numerically (`tyre`); the response comes from the state matrices (`response`). Nothing
is shared with the fast kernel.

Axes and words are those of ISO 8855 (x forward, y left, z up); a corner is a left turn, inner = left. SI inside,
engineering units with a suffix in the result. `law` is "wishbone" or "beam".
"""

from __future__ import annotations

import math
from typing import Any

from twin.car import ENDS, Axle, Car, G, make_car
from twin.corner import Corner, Grip
from twin.draw import beams_as_they_were, random_car, random_phases
from twin.response import LONGEST_LAG, Response, response, roll_gradient, state_space, tangent
from twin.tyre import bump_factor, bumps, quarter_car, steered_lean, underlying_mean

__all__ = [
    "ENDS",
    "LONGEST_LAG",
    "Axle",
    "Car",
    "Corner",
    "G",
    "Grip",
    "Response",
    "beams_as_they_were",
    "bump_factor",
    "bumps",
    "make_car",
    "quarter_car",
    "random_car",
    "random_phases",
    "response",
    "roll_gradient",
    "solve",
    "state_space",
    "steered_lean",
    "tangent",
    "underlying_mean",
]


def _clearance(corner: Corner, point: Any) -> float:
    """Lowest point of the outer chassis edge over the two ends, three RMS travels down."""
    car, p = corner.car, corner.car.p
    z = []
    for axle, state, bump in zip(car.axles, point.axles, corner.bumps, strict=True):
        z.append(state.rise - 3.0 * bump[2] + axle.ride_height)
    slope = (z[0] - z[1]) / car.wheelbase
    half = p["chassis_half_width"]
    front = z[0] + slope * p["front_edge_offset"] - half * math.sin(point.front.phi)
    rear = z[1] - slope * p["rear_edge_offset"] - half * math.sin(point.rear.phi)
    return min(front, rear)


def _reserve(grip: Grip, corner: Corner, point: Any, end: int) -> float:
    """Capacity of an axle for each newton asked of it, a tenth of its share of the car's lateral force at the least."""
    share = corner.car.front_weight if end == 0 else 1.0 - corner.car.front_weight
    return grip.capacity[end] / max(grip.demand[end], 0.1 * share * corner.car.mass * point.a_y)


def _phase_metrics(corner: Corner) -> dict[str, float]:
    required = corner.required
    rolled = required >= corner.rollover
    point = corner.equilibrium(required)
    grip = corner.grip(point, rolled)
    front_limit, rear_limit = corner.axle_limits()
    if front_limit >= corner.rollover and rear_limit >= corner.rollover:
        limited_by = 2.0
    else:
        limited_by = 0.0 if front_limit <= rear_limit else 1.0

    def margin(limit: float) -> float:
        return 100.0 * (limit / required - 1.0)

    up = any(state.stage.up for state in point.axles)
    out = {
        "roll_deg": math.degrees(point.roll),
        "grip_margin_pct": margin(min(front_limit, rear_limit)),
        "front_grip_margin_pct": margin(front_limit),
        "rear_grip_margin_pct": margin(rear_limit),
        "balance_pct": 100.0 * _reserve(grip, corner, point, 0) - 100.0 * _reserve(grip, corner, point, 1),
        "lift_margin_pct": margin(min(corner.lift_threshold(0), corner.lift_threshold(1))),
        "rollover_margin_pct": margin(corner.rollover),
        "clearance_mm": 1000.0 * _clearance(corner, point),
        "lift_axle": corner.lift_axle(),
        "limited_by": limited_by,
        "state": 2.0 if rolled else 1.0 if up else 0.0,
    }
    for i, end in enumerate(ENDS):
        for j, side in enumerate(("inner", "outer")):
            out[f"{end}_{side}_load_n"] = grip.loads[i][j]
            out[f"{end}_{side}_inclination_deg"] = math.degrees(grip.leans[i][j])
    return out


def solve(parameters: dict[str, float], phases: list[dict[str, Any]], law: str = "wishbone") -> dict[str, float]:
    """Every metric of a setup: `<phase>.<metric>` for each phase and the metrics of the whole car."""
    car = make_car(parameters, law)
    corners = [Corner(car, phase) for phase in phases]
    out: dict[str, float] = {}
    per_phase = []
    for phase, corner in zip(phases, corners, strict=True):
        metrics = _phase_metrics(corner)
        per_phase.append(metrics)
        out.update({f"{phase['name']}.{name}": value for name, value in metrics.items()})
    for name in ("grip_margin_pct", "lift_margin_pct", "rollover_margin_pct", "clearance_mm"):
        out[name] = min(metrics[name] for metrics in per_phase)
    weights = [float(phase["weight"]) for phase in phases]
    weighted = sum(w * metrics["grip_margin_pct"] for w, metrics in zip(weights, per_phase, strict=True))
    out["mean_grip_margin_pct"] = weighted / sum(weights)

    turn_in = next((c for phase, c in zip(phases, corners, strict=True) if phase["is_turn_in"]), corners[0])
    answer = response(turn_in)
    out["lag_ms"] = 1000.0 * answer.lag
    out["bite_pct"] = answer.bite
    out["bite_n"] = answer.bite_force
    out["roll_damping_ratio"] = answer.damping_ratio
    out["response_state"] = 1.0 if answer.unstable else 0.0

    fastest = max(corner.speed for corner in corners)
    for end, axle in zip(ENDS, car.axles, strict=True):
        load, acceleration, _ = bumps(car, axle, fastest)
        rate = axle.wheel_rate + 0.5 * axle.bar_rate
        out[f"{end}_bump_load_n"] = load
        out[f"{end}_bump_upset_m_per_s2"] = acceleration
        out[f"{end}_bump_step_n"] = rate * parameters["bump_height"] / (1.0 + rate / axle.tyre_rate)
    gradient, share = roll_gradient(car)
    out["roll_gradient_deg_per_g"] = math.degrees(gradient) * G
    out["front_roll_stiffness_share_pct"] = 100.0 * share
    return out
