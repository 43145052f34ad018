"""The metric catalogue: what the model says about a setup, its unit, and which way is better.

Phase metrics are written `<phase>.<metric>`; car metrics stand alone. Codes (`lift_axle`, `limited_by`, `state`,
`response_state`) are numbers in tables and words in reports.
"""

from __future__ import annotations

from dataclasses import dataclass

from explorer.domain.errors import SpaceError


@dataclass(frozen=True)
class Metric:
    """`direction` is -1 where lower is better, +1 where higher is better, 0 where neither is meant.

    `resolution` is a difference that nobody can feel or measure, in the metric's own unit.
    """

    name: str
    label: str
    unit: str
    direction: int
    resolution: float
    meaning: str
    codes: tuple[str, ...] = ()


BALANCE_MEANING = "capacity over demand of the front axle less the rear's: positive rotates, negative pushes"
"""Both at the lateral acceleration that the phase asks for: see `explorer.model.corner.grip.balance_at`."""

BITE_MEANING = "load transferred 20 ms after the steer that the turn-in phase asks for; for comparing surfaces"
"""See `explorer.model.corner.response.steady_transfer`."""

PHASE_METRICS: tuple[Metric, ...] = (
    Metric("roll_deg", "roll angle", "deg", 0, 0.1, "body roll at the required lateral acceleration"),
    Metric("grip_margin_pct", "grip margin", "%", 1, 0.5, "lower axle limit over what the corner asks, less one"),
    Metric("front_grip_margin_pct", "front grip margin", "%", 1, 0.5, "front axle limit over what is asked, less one"),
    Metric("rear_grip_margin_pct", "rear grip margin", "%", 1, 0.5, "rear axle limit over what is asked, less one"),
    Metric("balance_pct", "balance", "%", 0, 0.5, BALANCE_MEANING),
    Metric("lift_margin_pct", "lift margin", "%", 1, 1.0, "where the first inner wheel leaves the ground, less one"),
    Metric("rollover_margin_pct", "rollover margin", "%", 1, 1.0, "where the car rolls over, less one"),
    Metric("clearance_mm", "clearance", "mm", 1, 0.2, "lowest chassis edge over the ground; negative touches"),
    Metric("front_inner_load_n", "front inner load", "N", 0, 0.05, "wheel load"),
    Metric("front_outer_load_n", "front outer load", "N", 0, 0.05, "wheel load"),
    Metric("rear_inner_load_n", "rear inner load", "N", 0, 0.05, "wheel load"),
    Metric("rear_outer_load_n", "rear outer load", "N", 0, 0.05, "wheel load"),
    Metric("front_inner_inclination_deg", "front inner inclination", "deg", 0, 0.1, "positive into the turn"),
    Metric("front_outer_inclination_deg", "front outer inclination", "deg", 0, 0.1, "positive into the turn"),
    Metric("rear_inner_inclination_deg", "rear inner inclination", "deg", 0, 0.1, "positive into the turn"),
    Metric("rear_outer_inclination_deg", "rear outer inclination", "deg", 0, 0.1, "positive into the turn"),
    Metric("lift_axle", "first wheel to lift", "", 0, 1.0, "which inner wheel lifts first", ("front", "rear")),
    Metric("limited_by", "what limits", "", 0, 1.0, "what ends the corner", ("front grip", "rear grip", "rollover")),
    Metric("state", "state", "", 0, 1.0, "how the car stands", ("four wheels", "inner wheel up", "rolled over")),
)

CAR_METRICS: tuple[Metric, ...] = (
    Metric("lag_ms", "response lag", "ms", -1, 0.5, "how late load transfer runs behind a ramped steer at turn-in"),
    Metric("bite_pct", "bite", "%", 1, 1.0, "share of the final transfer reached 20 ms after a step of steer"),
    Metric("bite_n", "bite in newtons", "N", 1, 0.02, BITE_MEANING),
    Metric("roll_damping_ratio", "roll damping ratio", "", 0, 0.02, "of the roll motion alone"),
    Metric("front_bump_load_n", "front bump load", "N", -1, 0.05, "RMS wheel load variation on the rough surface"),
    Metric("rear_bump_load_n", "rear bump load", "N", -1, 0.05, "RMS wheel load variation on the rough surface"),
    Metric("front_bump_upset_m_per_s2", "front bump upset", "m/s2", -1, 0.1, "RMS body acceleration"),
    Metric("rear_bump_upset_m_per_s2", "rear bump upset", "m/s2", -1, 0.1, "RMS body acceleration"),
    Metric("front_bump_step_n", "front bump step", "N", -1, 0.05, "load step as the outer wheel meets the bump"),
    Metric("rear_bump_step_n", "rear bump step", "N", -1, 0.05, "load step as the outer wheel meets the bump"),
    Metric("roll_gradient_deg_per_g", "roll gradient", "deg/g", 0, 0.1, "roll per lateral acceleration near zero"),
    Metric("front_roll_stiffness_share_pct", "front roll stiffness share", "%", 0, 0.5, "springs, bars and tyres"),
    Metric("response_state", "response", "", 0, 1.0, "of the yaw-roll model at turn-in", ("stable", "unstable")),
    Metric("grip_margin_pct", "grip margin, worst phase", "%", 1, 0.5, "lowest over the phases"),
    Metric("lift_margin_pct", "lift margin, worst phase", "%", 1, 1.0, "lowest over the phases"),
    Metric("rollover_margin_pct", "rollover margin, worst phase", "%", 1, 1.0, "lowest over the phases"),
    Metric("clearance_mm", "clearance, worst phase", "mm", 1, 0.2, "lowest over the phases"),
    Metric("mean_grip_margin_pct", "grip margin, weighted mean", "%", 1, 0.5, "weighted by phase"),
)

N_PHASE = len(PHASE_METRICS)
N_CAR = len(CAR_METRICS)
PHASE_COLUMN = {metric.name: index for index, metric in enumerate(PHASE_METRICS)}
CAR_COLUMN = {metric.name: index for index, metric in enumerate(CAR_METRICS)}


def metric_columns(phase_names: tuple[str, ...]) -> tuple[str, ...]:
    """Column names of a metric table: car metrics first, then each phase's, in catalogue order."""
    car = tuple(metric.name for metric in CAR_METRICS)
    return car + tuple(f"{phase}.{metric.name}" for phase in phase_names for metric in PHASE_METRICS)


def describe(column: str) -> Metric:
    """Catalogue entry of a column, with or without a phase before the dot.

    >>> describe("exit.roll_deg").unit
    'deg'

    Raises SpaceError for a name outside the catalogue.
    """
    table: tuple[Metric, ...] = CAR_METRICS
    stem = column
    if "." in column:
        table, stem = PHASE_METRICS, column.split(".", 1)[1]
    for metric in table:
        if metric.name == stem:
            return metric
    raise SpaceError(f"no metric is called {column!r}; known: {', '.join(m.name for m in table)}")
