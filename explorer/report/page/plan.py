"""The plan and the carried-over feel as sections of the page, in the words of the report."""

from __future__ import annotations

from explorer.report import plan_sections
from explorer.report.page.markup import Html, join, tag, text
from explorer.report.page.prose import passages
from explorer.study.results import RunResult


def plan_blocks(result: RunResult) -> list[tuple[str, str, Html]]:
    """(anchor, title, HTML) of what a plan found; nothing where none was asked for."""
    found: list[tuple[str, str, Html]] = []
    if result.plan is not None:
        said = plan_sections.plan_report(result.plan, result.space)
        found.append(("plan", "The plan: whatever the grip turns out to be", join(passages(said))))
    elif result.plan_note:
        found.append(("plan", "The plan", tag("p", "No plan: ", text(result.plan_note), ".")))
    if result.visits is not None:
        said = ["## Pit stops", *plan_sections.stops(result.visits, result.visits_note, result.space)]
        found.append(("stops", "Pit stops", join(passages(said))))
    if result.ladders:
        said = ["## When the driver says", *plan_sections.ladder_lines(result.ladders, result.space, "ladder")]
        found.append(("ladder", "When the driver says ...", join(passages(said))))
    if result.carried is not None:
        said = plan_sections.carried_report(result.carried, result.space)
        found.append(("carry-over", "The feel you like, here", join(passages(said))))
    return found
