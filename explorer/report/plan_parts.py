"""What comes after the answer, for every form of the report: the plan, pit stops, the ladder, the liked feel."""

from __future__ import annotations

from collections.abc import Sequence

from explorer.report import plan_sections
from explorer.report.words import escape
from explorer.study.results import RunResult

Part = tuple[str, list[str]]
"""An anchor, and blocks of the report, the first of them the heading."""


def planning_parts(result: RunResult, pictures: Sequence[str] = ()) -> list[Part]:
    """Sections in order, `pictures` in that of the plan; those that this run did not ask for are left out."""
    space = result.space
    found: list[Part] = []
    if result.plan is not None:
        found.append(("plan", plan_sections.plan_report(result.plan, space, pictures)))
    elif result.plan_note:
        found.append(("plan", ["## The plan", f"No plan: {escape(result.plan_note)}."]))
    if result.visits is not None:
        stops = plan_sections.stops(result.visits, result.visits_note, result.limits, space)
        found.append(("stops", ["## Pit stops", *stops]))
    if result.ladders:
        rungs = plan_sections.ladder_lines(result.ladders, result.limits, space, "ladder")
        found.append(("ladder", ["## When the driver says ...", *rungs]))
    if result.carried is not None:
        found.append(("carry-over", plan_sections.carried_report(result.carried, result.limits, space)))
    return found
