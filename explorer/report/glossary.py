"""What each number means: its unit, how to read its sign, what the driver feels; one line a metric, stated only here.

What the driver feels is common practice, no source. A metric of a corner phase and its worst over the phases share a
line.
"""

from __future__ import annotations

from dataclasses import dataclass

from explorer.model.metrics import CAR_METRICS, PHASE_METRICS, Metric
from explorer.report.words import listed, table

TITLE = "What the numbers mean"
HEADS = ("number", "name in tables", "unit", "sign", "what the driver feels")
NOTE = (
    "What the driver feels is common practice, no source. A margin or a clearance without a corner phase is the worst "
    "over the phases."
)

_WHEEL = ("0: the wheel is in the air", "how hard this wheel stands on the ground, and so how much it can do")
_LEAN = ("+: the top leans into the turn", "nothing by itself; it moves grip and where the tread wears")

_SAID: dict[str, tuple[str, str]] = {
    "lag_ms": ("less is sooner", "the wait from turning the wheel until the car has taken its set"),
    "bite_pct": ("more is sooner", "how sharply the car turns in, as a share of what it does in the end"),
    "bite_n": ("more is sooner", "how sharply it turns in; for the same car on two surfaces"),
    "roll_damping_ratio": ("below 1 it overshoots", "whether the body settles at once or rocks on after a flick"),
    "front_bump_load_n": ("less is better", "how evenly the front grips over bumps; with much, it comes and goes"),
    "rear_bump_load_n": ("less is better", "how evenly the rear grips over bumps; with much, the tail skips"),
    "front_bump_upset_m_per_s2": ("less is better", "how hard bumps shake the nose"),
    "rear_bump_upset_m_per_s2": ("less is better", "how hard bumps shake the tail"),
    "front_bump_step_n": ("less is better", "the kick at the front when the outer wheel meets a bump in a corner"),
    "rear_bump_step_n": ("less is better", "the kick at the rear when the outer wheel meets a bump in a corner"),
    "roll_gradient_deg_per_g": ("more leans further", "how soft the car is in roll, whatever the corner"),
    "front_roll_stiffness_share_pct": ("more pushes, as a rule", "which end takes the load as the car leans"),
    "response_state": ("", "unstable: after a flick of steer the tail goes on by itself"),
    "mean_grip_margin_pct": ("below 0 it slides", "grip in hand over the whole lap, phases by their weight"),
    "roll_deg": ("more leans further", "how far it leans: much helps it rotate in a hairpin, little feels flat"),
    "grip_margin_pct": ("below 0 it slides", "grip in hand before the weaker end slides"),
    "front_grip_margin_pct": ("below 0 it slides", "grip in hand at the front; without it the car runs wide"),
    "rear_grip_margin_pct": ("below 0 it slides", "grip in hand at the rear; without it the tail comes round"),
    "balance_pct": ("+ rotates, - pushes", "whether the nose goes in by itself or the car runs wide"),
    "lift_margin_pct": ("below 0 a wheel is up", "how far an inner wheel is from leaving the ground"),
    "rollover_margin_pct": ("below 0 it rolls over", "how far the car is from tipping over"),
    "clearance_mm": ("below 0 it touches", "a scrape, and a car that skates while its chassis rubs"),
    "front_inner_load_n": _WHEEL,
    "front_outer_load_n": _WHEEL,
    "rear_inner_load_n": _WHEEL,
    "rear_outer_load_n": _WHEEL,
    "front_inner_inclination_deg": _LEAN,
    "front_outer_inclination_deg": _LEAN,
    "rear_inner_inclination_deg": _LEAN,
    "rear_outer_inclination_deg": _LEAN,
    "lift_axle": ("", "front: the nose goes light; rear: the inner rear spins or skips"),
    "limited_by": ("", "how the corner ends: running wide, the tail round, or on its roof"),
    "state": ("", "whether all wheels stand, an inner one is up, or the car has rolled"),
}
"""Sign and feel by metric name; codes have their words in place of a sign."""


@dataclass(frozen=True)
class Line:
    """One line of the glossary; `unit` is "-" where there is none."""

    label: str
    name: str
    unit: str
    sign: str
    felt: str

    @property
    def cells(self) -> tuple[str, ...]:
        """As the columns of `HEADS`."""
        return self.label, self.name, self.unit, self.sign, self.felt


def glossary() -> tuple[Line, ...]:
    """A line for every metric of the catalogue, car metrics first. Raises KeyError for one that nobody explained."""
    found = {metric.name: _line(metric) for metric in CAR_METRICS}
    found |= {metric.name: _line(metric) for metric in PHASE_METRICS}
    return tuple(found.values())


def _line(metric: Metric) -> Line:
    sign, felt = _SAID[metric.name]
    sign = listed(metric.codes, "or") if metric.codes else sign
    return Line(metric.label, metric.name, metric.unit or "-", sign, felt)


def glossary_table() -> str:
    """The glossary as a markdown table."""
    return table(HEADS, [line.cells for line in glossary()])


def glossary_text() -> str:
    """The glossary for a terminal, one paragraph a metric."""
    lines = []
    for line in glossary():
        unit = "" if line.unit == "-" else f" [{line.unit}]"
        lines.append(f"  {line.label}{unit}: {line.sign}; {line.felt}")
    return "\n".join([f"{TITLE.lower()}:", *lines, NOTE])
