"""The plan in words: what to take whatever the grip turns out to be, what to measure, and what to change next."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from explorer.domain.space import Objective, Space
from explorer.domain.unknowns import FIGURES, Unknown, how_to_measure
from explorer.model.car.slots import PHASE_COLUMNS
from explorer.model.metrics import describe
from explorer.report import words
from explorer.report.answers import rung_text
from explorer.report.headline import chance_text, nearer_text, next_text, practice_text, where_lines
from explorer.report.tables import unmet_text
from explorer.report.words import escape
from explorer.report.words import percent as _percent
from explorer.study.everything.limits import ResolvedLimit
from explorer.study.pits.carry_over import Carried, CarryOver
from explorer.study.pits.feel import AT_LEAST, FeelLine
from explorer.study.pits.ladder import Ladder
from explorer.study.plan.change_plan import ChangePlan, Stop
from explorer.study.plan.learning import Learned
from explorer.study.plan.plan import Plan
from explorer.study.plan.robust_shortlist import RobustPick
from explorer.study.plan.screen import ROUNDS

FIGURE_WORDS = {
    "nominal": "at the best guess",
    "mean": "on average over the scenarios",
    "worst": "in the worst scenario",
    "regret": "by the least regret",
}
RUNGS_SHOWN = 3
"""Rungs per symptom in the report; the CSV holds all."""

UNKNOWNS_SHOWN = 6
ACTIONS_SHOWN = 5
"""Runs and readings in the report; the CSV holds all."""

_GRIP_SHARE = PHASE_COLUMNS.index("grip_share")


def plan_report(plan: Plan, space: Space, pictures: Sequence[str] = ()) -> list[str]:
    """The plan as paragraphs of the report; `pictures` of its setups follow their table."""
    lines = ["## The plan", _scenarios_text(plan, space)]
    lines += [*_take(plan, space), *pictures]
    if plan.learned is not None:
        lines += _learned(plan, plan.learned, space)
    lines += _measure(plan, space)
    lines += _tuning(plan, space)
    lines += ["### Pit stops", *stops(plan.changes, plan.changes_note, plan.limits, space)]
    lines += ["### When the driver says ...", *ladder_lines(plan.ladders, plan.limits, space, "plan_ladder")]
    return lines


def figure_text(plan: Plan) -> str:
    """The figure that the shortlist is taken on, in words."""
    if plan.planning.shortlist_on == "quantile":
        return f"at the value that all but the worst {100 * plan.planning.quantile:g} % of the scenarios reach"
    return FIGURE_WORDS[plan.planning.shortlist_on]


def _scenarios_text(plan: Plan, space: Space) -> str:
    robust, found = plan.robust, plan.decision
    screened = found.headline.out_of if found.headline is not None else space.size
    text = (
        f"{words.count(screened, 'setup')} went through a screen of up to {words.count(ROUNDS[-1], 'scenario')}; the "
        f"{len(robust.positions)} that may be among the best were asked in "
        f"{words.count(len(found.outcomes.weights), 'scenario')} of {words.count(len(plan.draws.unknowns), 'number')} "
        "that nobody knows for certain ([plan_unknowns.csv](tables/plan_unknowns.csv)), each with the parts as they "
        "may come out of the pits ([plan_setups.csv](tables/plan_setups.csv)). A number after ± is one standard error."
    )
    if robust.unanswered:
        lost = words.count(robust.unanswered, "setup")
        text += f" {lost} had no answer in some scenario; that counts as the worst there."
    if robust.lost:
        text += f" {words.count(len(robust.lost), 'scenario')} could not be used: a limit or wish had no bound there."
    if robust.nothing:
        text += f" In {words.count(robust.nothing, 'scenario')} none of them keeps every limit."
    return text


def _objective_cells(objectives: tuple[Objective, ...], pick: RobustPick, names: tuple[str, ...]) -> list[str]:
    return [" / ".join(_figure(pick, one, place, name) for name in names) for place, one in enumerate(objectives)]


def _figure(pick: RobustPick, objective: Objective, place: int, name: str) -> str:
    """A figure of an objective, with its standard error where it has one."""
    value, error = (float(held[FIGURES.index(name), place]) for held in (pick.figures, pick.errors))
    if error > 0.0:
        return words.with_error(value, error, words.decimals(describe(objective.metric).resolution))
    return words.metric_value(objective.metric, value, unit=False)


def _take(plan: Plan, space: Space) -> list[str]:
    found = plan.shortlist
    if not found.picks:
        return ["### Take with you", f"No setup keeps every limit in any scenario. {escape(found.note)}".strip()]
    on = plan.planning.shortlist_on
    usual = "nominal" if plan.learned is None else "mean"  # the best guess is of before practice
    shown = tuple(dict.fromkeys((usual, on)))
    head = ["setup", "why", *(words.knob_label(knob, unit=True) for knob in space.knobs)]
    head += [words.metric_label(one.metric, unit=True) for one in space.objectives]
    head += ["keeps every limit in", "expected loss"]
    rows = [
        [
            str(rank),
            pick.reason,
            *pick.labels,
            *_objective_cells(space.objectives, pick, shown),
            chance_text(pick.share, pick.share_error, len(plan.decision.outcomes.weights)),
            words.with_error(pick.loss, pick.loss_error, 2),
        ]
        for rank, pick in enumerate(found.picks, start=1)
    ]
    lines = [
        "### Take with you",
        f"Setup 1 is the headline. The others are taken {figure_text(plan)}, among "
        f"{words.count(found.eligible, 'setup')} that {'keeps' if found.eligible == 1 else 'keep'} every limit in at "
        f"least {_percent(found.bar)} of the scenarios.",
    ]
    if found.note:
        lines.append(f"**Mind:** {escape(found.note)}.")
    gone = words.dropped_text(plan.front.dropped, space.objectives)
    if gone:
        lines.append(f"{escape(gone)}.")
    pairs = " / ".join(dict.fromkeys((FIGURE_WORDS[usual], figure_text(plan))))
    lines += [f"Numbers: {pairs}.", words.table(head, rows)]
    weakest = [_weakest(plan, pick, rank) for rank, pick in enumerate(found.picks, start=1)]
    wished = [_wished(pick, rank, space) for rank, pick in enumerate(found.picks, start=1) if pick.wishes]
    if wished:
        lines += ["At the best guesses, the wishes:", "\n".join(wished)]
    where = where_lines(plan, space)
    if where:
        lines.append("\n".join(f"- {escape(text)}" for text in where))
    if any(weakest):
        lines.append("\n".join(f"- {text}" for text in weakest if text))
    return lines


def _wished(pick: RobustPick, rank: int, space: Space) -> str:
    """What one setup makes of the wishes."""
    return f"- **{rank}**: {escape(unmet_text(pick.wishes, space))}"


def _weakest(plan: Plan, pick: RobustPick, rank: int) -> str:
    """Which limit gives way first."""
    if not plan.limits or pick.share >= 1.0:
        return ""
    place = int(np.argmin(pick.share_by_limit))
    limit = plan.limits[place]
    kept = float(pick.share_by_limit[place])
    side = "upper" if limit.sense == "at_most" else "lower"
    name = escape(words.metric_label(limit.metric))
    return f"**{rank}**: the {side} limit on {name} gives way first; it is kept in {_percent(kept)} of the scenarios."


def _belief(unknown: Unknown, mean: float, half: float) -> str:
    """A number with its spread, no finer than two digits of the spread."""
    return f"{words.with_spread(mean, half)} {unknown.unit}".strip()


def _learned(plan: Plan, learned: Learned, space: Space) -> list[str]:
    lines = ["### What practice taught"]
    count = words.count(len(plan.planning.seen), "report")
    share = _percent(learned.effective_share)
    text = f"{count} from practice weigh the scenarios; {share} of them carry the weight."
    if learned.rejuvenated:
        text += (
            f" They were drawn anew around what fits, {words.count(learned.distinct, 'distinct scenario')} "
            f"({_percent(learned.acceptance)} of the moves taken)."
        )
    lines.append(text)
    shrunk = np.array(
        [
            after / before if before > 0.0 else 1.0
            for before, after in zip(learned.before.half_width, learned.after.half_width, strict=True)
        ]
    )
    moved = np.abs(learned.after.mean - learned.before.mean) / np.where(
        learned.before.half_width > 0.0, learned.before.half_width, 1.0
    )
    order = np.argsort(-(moved + 1.0 - shrunk), kind="stable")[:UNKNOWNS_SHOWN]
    rows = [
        [
            words.input_label(plan.draws.unknowns[k].key),
            _belief(plan.draws.unknowns[k], learned.before.mean[k], learned.before.half_width[k]),
            _belief(plan.draws.unknowns[k], learned.after.mean[k], learned.after.half_width[k]),
        ]
        for k in map(int, order)
    ]
    lines.append(words.table(["number", "before", "after"], rows))
    if learned.contradictions:
        lines.append("These reports do not fit. Ask again before you trust the plan:")
        lines.append("\n".join(f"- {escape(one.text)}" for one in learned.contradictions))
    else:
        lines.append("No report contradicts another or the model.")
    lost = sum(1 for one in learned.unanswered if one)
    if lost:
        lines.append(f"{words.count(lost, 'report')} had scenarios without an answer; they count as a slip there.")
    told = plan.decision.headline
    if plan.decision.practised is not None and told is not None:
        lines.append(escape(practice_text(plan.decision.practised, told, space)))
    return lines


def _next(plan: Plan, space: Space) -> list[str]:
    """Runs and readings by what they are worth; nothing where there are none."""
    rows = [
        [
            words.changes_text(space, one.changes) if one.changes else "the car of today" if one.positions else "-",
            one.what,
            words.with_error(one.gain, one.error, 2),
            f"{one.minutes:g}",
        ]
        for one in plan.actions[:ACTIONS_SHOWN]
    ]
    if not rows:
        return []
    return [
        "### What to do next",
        f"{escape(next_text(plan, space))} Worth: felt differences at price 1 that the choice gains on average.",
        words.table(["fit", "see or read", "worth", "minutes"], rows, right=(2, 3)),
    ]


def _measure(plan: Plan, space: Space) -> list[str]:
    lines = [*_next(plan, space), "### What to measure next"]
    if plan.worth is None:
        return [*lines, f"No answer: {escape(plan.worth_note)}."]
    worth = plan.worth.worth
    lines.append(_measure_text(plan, len(worth.asked) - len(plan.telling)))
    how = {unknown.key: how_to_measure(unknown.reason) for unknown in plan.draws.unknowns}
    costly = next((key for key in plan.telling if how[key]), "")
    if costly:
        lines.append(
            f"Of what the car file calls typical, not knowing the {words.input_label(costly)} costs most. To measure "
            f"it: {escape(how[costly])}."
        )
    rows = [
        [
            words.input_label(_key(plan, one.unknown)),
            words.number(max(one.held_out, 0.0), 2),
            f"{words.number(one.low, 2)} to {words.number(one.high, 2)}",
            how.get(_key(plan, one.unknown), ""),
        ]
        for one in worth.asked[:UNKNOWNS_SHOWN]
    ]
    head = ["number", "worth of knowing it", "95 % interval", "how to measure it"]
    width = len(head) if any(row[-1] for row in rows) else len(head) - 1
    lines.append(words.table(head[:width], [row[:width] for row in rows], right=(1,)))
    lines.append(
        f"Worth: what is taken {nearer_text(space, 'this many')}, on average, if this number were known "
        f"before choosing; a broken limit counts as {plan.worth.loss:g}. It is what the choice earns on scenarios that "
        f"it was not made on. Knowing everything: {words.with_error(worth.everything, worth.everything_error, 2)}. "
        "A number that means nothing scores up to "
        f"{words.number(worth.shuffled, 2)} on those that it was made on."
    )
    shared = [name for name, share in zip(space.phase_names, space.phases[:, _GRIP_SHARE], strict=True) if share > 0.0]
    if shared:
        lines.append(
            f"In {escape(words.listed(shared))} the corner asks for a share of the grip there is, as a driver does who "
            "adapts to it. So not knowing the grip costs little there; a phase with a fixed speed would show more."
        )
    return lines


def _key(plan: Plan, unknown: int) -> str:
    assert plan.worth is not None
    return plan.worth.keys[unknown]


def _measure_text(plan: Plan, others: int) -> str:
    if not plan.telling:
        return "Nothing is worth measuring first: no single number, once known, would gain what anyone can feel."
    first = escape(words.listed(f"the {words.input_label(key)}" for key in plan.telling[:2]))
    text = f"**Spend the first practice on finding out {first}.**"
    if plan.next_action is None:
        text = (
            f"**What would help is to know {first}**, but no single run or reading weighed above tells it well enough."
        )
    if others:
        text += (
            f" Do not bother with {words.count(others, 'other number')}: knowing one gains less than anyone can feel."
        )
    return text


def _tuning(plan: Plan, space: Space) -> list[str]:
    split = plan.split
    lines = ["### Is there anything to win by tuning?"]
    if split is None:
        return [*lines, f"No answer: {escape(plan.split_note)}."]
    rows = []
    for place, metric in enumerate(split.metrics):
        name = "every limit kept" if "every" in metric else words.metric_label(metric)
        if split.constant[place]:
            rows.append([name, "constant", "", ""])
            continue
        parts = (split.knobs[place], split.unknowns[place], split.both[place])
        rows.append([name, *(_percent(float(part)) for part in parts)])
    objectives = [one.metric for one in space.objectives]
    own = [k for k, metric in enumerate(split.metrics) if metric in objectives and not split.constant[k]]
    winner = {k: "your parts" if split.knobs[k] >= split.unknowns[k] else "what you do not know" for k in own}
    said = [f"{words.metric_label(split.metrics[k])}: {name}" for k, name in winner.items()]
    if said:
        lines.append("What decides more, over all setups and scenarios: " + escape("; ".join(said)) + ".")
    lines.append(words.table(["metric", "your parts", "what you do not know", "both together"], rows, right=(1, 2, 3)))
    lines.append(
        "Share of variance ([plan_knobs_against_unknowns.csv](tables/plan_knobs_against_unknowns.csv)), over "
        f"{words.count(split.setups, 'setup')}. Of setups and scenarios, {_percent(split.kept)} keep every limit; by "
        "level of each knob in [plan_levels.csv](tables/plan_levels.csv)."
    )
    return lines


def _wanted(line: FeelLine) -> str:
    """What is looked for of one metric of feel."""
    text = words.metric_value(line.metric, line.wanted, unit=False)
    return f"{text} or more" if line.metric.rsplit(".", 1)[-1] in AT_LEAST else text


def carried_report(carried: CarryOver, limits: tuple[ResolvedLimit, ...], space: Space) -> list[str]:
    """Feel then and now."""
    lines = [
        "## The feel you like, here",
        f"Liked on {escape(carried.surface)}: {escape(_parts(space, carried.liked))}. Of "
        f"{words.count(carried.asked, 'setup')} asked here, {carried.kept:,} keep every limit.",
    ]
    if carried.cannot_be_had:
        nearest = carried.closest[0]
        parts = words.changes_text(space, nearest.changes)
        lines.append(
            f"**This feel cannot be had here.** The nearest is the baseline with {escape(parts)}, still "
            f"{words.number(nearest.distance, 1)} felt differences away on average."
        )
    shown = [("closest", carried.closest[:1]), ("closest that keeps every limit", carried.closest_kept[:2])]
    setups: list[tuple[str, Carried]] = []
    for kind, found in shown:
        for one in found:
            if not any(np.array_equal(one.positions, other.positions) for _, other in setups):
                setups.append((kind, one))
    for number, (kind, one) in enumerate(setups, start=1):
        text = f"- **feel {number}** ({kind}): {words.changes_text(space, one.changes)} from the baseline"
        text += f", {one.minutes:g} minutes; {words.number(one.distance, 1)} felt differences away on average."
        if one.broken:
            text += f" Breaks {words.limits_text(limits, one.broken)}."
        lines.append(escape(text).replace("\\*", "*"))
    head = ["metric", "then", "wanted here", *(f"feel {n}" for n in range(1, len(setups) + 1))]
    if setups:
        rows = []
        for place, line in enumerate(setups[0][1].feel):
            now = [words.metric_value(line.metric, one.feel[place].now, unit=False) for _, one in setups]
            rows.append(
                [
                    words.metric_label(line.metric, unit=True),
                    words.metric_value(line.metric, line.then, unit=False),
                    _wanted(line),
                    *now,
                ]
            )
        lines.append(words.table(head, rows, right=range(1, len(head))))
    if carried.out_of_reach:
        gone = [
            f"{words.metric_label(one.metric)} (was {words.metric_value(one.metric, one.then)}, nearest here "
            f"{words.metric_value(one.metric, one.nearest)})"
            for one in carried.out_of_reach
        ]
        lines.append("Cannot be had here with any of these parts: " + escape("; ".join(gone)) + ".")
    left = [*carried.only_there, *carried.only_here]
    if left:
        lines.append("Phases that only one of the two surfaces has were left out: " + escape(", ".join(left)) + ".")
    lines += [escape(note) for note in carried.notes]
    return lines


def _parts(space: Space, labels: tuple[str, ...]) -> str:
    return ", ".join(
        f"{words.knob_label(knob)} {words.setting_label(knob, label)}"
        for knob, label in zip(space.knobs, labels, strict=True)
    )


def _stop_line(number: int, stop: Stop, limits: tuple[ResolvedLimit, ...], space: Space) -> list[str]:
    what = words.changes_text(space, [(one.knob, one.old, one.new) for one in stop.changes])
    warn = []
    if stop.too_long:
        warn.append("longer than the time between runs")
    if not stop.allowed:
        warn.append("a rule forbids this setup")
    if stop.broken:
        warn.append("breaks " + words.limits_text(limits, stop.broken))
    slot = words.clock(space.planning.starts, stop.run_at)
    place = f"{number}, runs {slot}" if slot else str(number)
    return [place, what, f"{stop.minutes:g}", stop.reaches or "on the way", "; ".join(warn)]


def stops(found: ChangePlan | None, note: str, limits: tuple[ResolvedLimit, ...], space: Space) -> list[str]:
    """The way through the shortlist, stop by stop; `note` says what was left out, or why there is no way."""
    if found is None:
        return [f"No way through the shortlist: {escape(note)}."]
    text = (
        f"From the baseline through every setup above, the cheapest way: {found.minutes:g} minutes of work in "
        f"{words.count(len(found.stops), 'stop')}, one run after each, {found.minutes_between_runs:g} minutes between "
        f"runs: {found.elapsed:g} minutes to the last run."
    )
    if found.saved > 0.0:
        text += f" The order above would cost {found.saved:g} minutes more."
    rows = [_stop_line(number, stop, limits, space) for number, stop in enumerate(found.stops, start=1)]
    head = ["stop", "change", "minutes", "reaches", "mind"]
    width = len(head) if any(row[-1] for row in rows) else len(head) - 1
    lines = [text, words.table(head[:width], [row[:width] for row in rows], right=(2,))]
    minded = [one for one in (note, *found.notes) if one]
    if minded:
        lines.append("\n".join(f"- {escape(one)}" for one in minded))
    return lines


def ladder_lines(ladders: tuple[Ladder, ...], limits: tuple[ResolvedLimit, ...], space: Space, stem: str) -> list[str]:
    """The first rungs for every symptom, from the setup on the car now."""
    lines = [
        "One part at a time, or the same at both ends, from the setup on the car now, most cured per minute first "
        f"([{stem}.csv](tables/{stem}.csv) has side effects; `setup-space next` asks from any setup).",
    ]
    rows = []
    for one in ladders:
        cures = [rung_text(one, k, space) for k, rung in enumerate(one.rungs) if rung.cures][:RUNGS_SHOWN]
        rows.append([one.symptom.words, *(cures + ["-"] * (RUNGS_SHOWN - len(cures)))])
    if ladders and ladders[0].broken_now:
        already = words.limits_text(limits, ladders[0].broken_now)
        lines.append(f"The setup on the car breaks already: {escape(already)}.")
    lines.append(words.table(["symptom", "first", "or", "or"], rows))
    if ladders and ladders[0].not_asked:
        lines.append("Not asked: " + escape("; ".join(ladders[0].not_asked)) + ".")
    return lines
