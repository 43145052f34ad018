"""The words of the pit sheet: setups, work, what to try when the driver complains. Nothing here knows of paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from explorer.domain.space import Knob, Space
from explorer.report import words
from explorer.report.headline import headline_lines
from explorer.report.tables import unmet_text
from explorer.report.words import flat
from explorer.study.everything.shortlist import Pick, Shortlist
from explorer.study.pits.ladder import Ladder, Rung
from explorer.study.plan.change_plan import ChangePlan, Stop
from explorer.study.plan.robust_shortlist import RobustPick
from explorer.study.results import RunResult

SETUPS_ACROSS = 6
CURES = 2
NOTHING = "Nothing keeps every limit, so no setup is recommended. The report names the limits that bind."


@dataclass(frozen=True)
class StopText:
    """A line of the work list: what to change, minutes, the setup run afterwards, what to mind ("" for nothing), and
    when it runs on the clock ("" where nobody said when practice starts)."""

    change: str
    minutes: str
    reaches: str
    mind: str
    slot: str = ""


@dataclass(frozen=True)
class Content:
    """The words of a sheet. `parts` and `facts` are (label, one text per column), columns as `heads`: the baseline,
    then the setups; `changed` (parts, columns) where a part differs from the baseline. `symptoms` are (what the driver
    says, first cures); `visits` the setups in the order they are run. The counts say what was left out."""

    study: str
    place: str
    taken: str
    heads: tuple[str, ...]
    parts: tuple[tuple[str, tuple[str, ...]], ...]
    changed: tuple[tuple[bool, ...], ...]
    facts: tuple[tuple[str, tuple[str, ...]], ...]
    setups_note: str
    stops_title: str
    stops_note: str
    stops: tuple[StopText, ...]
    symptoms: tuple[tuple[str, tuple[str, ...]], ...]
    visits: tuple[str, ...]
    more_setups: int = 0
    more_parts: int = 0
    more_stops: int = 0
    more_symptoms: int = 0


def sheet_content(result: RunResult, changes: ChangePlan | None = None, ladders: tuple[Ladder, ...] = ()) -> Content:
    """The words of a sheet: the plan's setups, changes and ladders where there is a plan, else those handed in."""
    space, plan = result.space, result.plan
    picks: tuple[Pick | RobustPick, ...] = ()
    if plan is not None and plan.shortlist.picks:
        picks = plan.shortlist.picks
        taken = "Take setup 1."
        if plan.decision.headline is not None:
            taken = flat(" ".join([taken, *headline_lines(plan, space)[1:2]]))
    elif isinstance(result.shortlist, Shortlist) and plan is None:
        picks = result.shortlist.picks
        taken = "Setups taken at the best guess of every number."
    else:
        taken = NOTHING
    if plan is not None:
        changes, ladders = changes or plan.changes, ladders or plan.ladders
    shown = picks[:SETUPS_ACROSS]
    columns = [np.asarray(space.baseline), *(pick.positions for pick in shown)]
    numbers = {tuple(pick.positions): f"setup {rank}" for rank, pick in reversed(list(enumerate(picks, start=1)))}
    changes = changes if picks else None
    limits = {limit.text: words.resolved_text(limit) for limit in result.limits}
    stops, visits = _stops(space, picks, changes, numbers, limits)
    said = "On the car: the baseline."
    if picks:
        said += " Bold: a change."
    return Content(
        study=flat(space.name),
        place=flat(f"{space.car} on {space.surface}"),
        taken=f"{taken} {said}",
        heads=("baseline", *(f"setup {rank}" for rank in range(1, len(shown) + 1))),
        parts=tuple(
            (flat(words.knob_label(knob)), tuple(_setting(knob, knob.label_at(float(at[place]))) for at in columns))
            for place, knob in enumerate(space.knobs)
        ),
        changed=tuple(
            tuple(bool(at[place] != space.baseline[place]) for at in columns) for place in range(len(space.knobs))
        ),
        facts=_facts(shown, space),
        setups_note=_setups_note(shown),
        stops_title="Changes, stop by stop" if changes else "Each setup from the baseline",
        stops_note=_stops_note(changes),
        stops=stops,
        symptoms=tuple(_symptom(one, space) for one in ladders),
        visits=("baseline", *visits) if picks else ("baseline", "", ""),
        more_setups=len(picks) - len(shown),
    )


def _setting(knob: Knob, label: str) -> str:
    """A level that is not torn from its unit at the end of a line."""
    text = flat(words.setting_label(knob, label))
    unit = flat(knob.unit)
    return text.removesuffix(f" {unit}") + f"\u00a0{unit}" if unit and text.endswith(f" {unit}") else text


def _swap(space: Space, name: str, old: str, new: str) -> str:
    knob = space.knobs[space.knob_index(name)]
    was, now = _setting(knob, old), _setting(knob, new)
    unit = f"\u00a0{flat(knob.unit)}"
    if knob.unit and was.endswith(unit) and now.endswith(unit):
        was = was.removesuffix(unit)
    return f"{flat(words.knob_label(knob))} {was} to {now}"


def _facts(picks: Sequence[Pick | RobustPick], space: Space) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Why each setup is there, how safely it keeps the limits, how much work it is."""
    if not picks:
        return ()
    facts = [
        ("why", ("on the car now", *_reasons(picks))),
        ("work from baseline", ("", *(f"{pick.minutes:g}\u00a0min" if pick.changes else "none" for pick in picks))),
    ]
    if any(pick.wishes for pick in picks):
        facts.append(("wishes", ("", *(flat(unmet_text(pick.wishes, space)) for pick in picks))))
    kept = [_kept(pick) for pick in picks]
    if any(kept):
        facts.append(("every limit kept in", ("", *kept)))
    return tuple(facts)


def _reasons(picks: Sequence[Pick | RobustPick]) -> list[str]:
    """Why each is there; the figure that a plan takes all of them on is said once, above the table."""
    reasons = [flat(pick.reason) for pick in picks]
    figures = ("in the wors", "on average", "at the best")
    ends = {end for end in (reason.rpartition(", ")[2] for reason in reasons) if end.startswith(figures)}
    if not isinstance(picks[0], RobustPick) or len(ends) != 1:
        return reasons
    return [reason.removesuffix(f", {next(iter(ends))}") for reason in reasons]


def _setups_note(picks: Sequence[Pick | RobustPick]) -> str:
    if not any(_kept(pick) for pick in picks):
        return ""
    what = "of the scenarios" if isinstance(picks[0], RobustPick) else "when built within tolerance"
    return f"every limit kept in: share {what}"


def _kept(pick: Pick | RobustPick) -> str:
    if isinstance(pick, RobustPick):
        return _share(pick.share)
    return _share(pick.builds.share) if pick.builds is not None and pick.builds.varied else ""


def _share(share: float) -> str:
    return (
        "under 1\u00a0%"
        if 0.0 < share < 0.01
        else "over 99\u00a0%"
        if 0.99 < share < 1.0
        else f"{100 * share:.0f}\u00a0%"
    )


def _stops_note(changes: ChangePlan | None) -> str:
    if changes is None:
        return "least work first; put the baseline back in between"
    return (
        f"{changes.minutes:g} min of work; {changes.minutes_between_runs:g} min between runs, "
        f"{changes.elapsed:g} min to the last"
    )


def _stops(
    space: Space,
    picks: Sequence[Pick | RobustPick],
    changes: ChangePlan | None,
    numbers: dict[tuple[float, ...], str],
    limits: dict[str, str],
) -> tuple[tuple[StopText, ...], tuple[str, ...]]:
    """The work list, and the setups shown on this sheet in the order they are run. `numbers` name setups by their
    positions, `limits` are words for the texts of limits."""
    names = [f"setup {rank}" for rank in range(1, len(picks) + 1)]
    if changes is None:
        order = sorted(range(len(picks)), key=lambda k: picks[k].minutes)
        lines = [StopText(_swaps(space, picks[k].changes), f"{picks[k].minutes:g}", names[k], "") for k in order]
        visited = [names[k] for k in order]
    else:
        lines = [_stop(space, stop, numbers, limits) for stop in changes.stops]
        visited = [line.reaches for stop, line in zip(changes.stops, lines, strict=True) if stop.reaches] + names
    across = names[:SETUPS_ACROSS]
    return tuple(lines), tuple(name for name in dict.fromkeys(visited) if name in across)


def _swaps(space: Space, changes: Sequence[tuple[str, str, str]]) -> str:
    return "; ".join(_swap(space, *change) for change in changes) or "nothing to change"


def _stop(space: Space, stop: Stop, numbers: dict[tuple[float, ...], str], limits: dict[str, str]) -> StopText:
    mind = []
    if stop.too_long:
        mind.append("longer than the time between runs")
    if not stop.allowed:
        mind.append("a rule forbids this setup")
    if stop.broken:
        mind.append("breaks " + "; ".join(flat(limits.get(text, text)) for text in stop.broken))
    reaches = numbers.get(tuple(np.asarray(stop.positions)), stop.reaches) if stop.reaches else "on the way"
    swaps = _swaps(space, [(one.knob, one.old, one.new) for one in stop.changes])
    slot = words.clock(space.planning.starts, stop.run_at)
    return StopText(swaps, f"{stop.minutes:g}", flat(reaches), "; ".join(mind), slot)


def _symptom(one: Ladder, space: Space) -> tuple[str, tuple[str, ...]]:
    """What the driver says and the first changes that cure some of it."""
    cures = [_cure(rung, space, one.broken_now) for rung in one.rungs if rung.cures][:CURES]
    return flat(one.symptom.words), tuple(cures) or ("no change cures it",)


def _cure(rung: Rung, space: Space, already: tuple[str, ...]) -> str:
    text = f"{_swaps(space, rung.swaps)} ({rung.minutes:g}\u00a0min)"
    if rung.share < 0.995:
        text += f", right way in {_share(rung.share)}"
    return text + (", breaks a limit" if set(rung.broken) - set(already) else "")
