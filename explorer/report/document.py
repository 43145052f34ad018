"""`report.md`: the answer first, then what it rests on. A reader of this one file knows what to take to the event."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from explorer.domain.space import IntArray, Objective
from explorer.report import glossary, sections, words
from explorer.report.headline import headline_lines, parts_text
from explorer.report.plan_parts import planning_parts
from explorer.report.tables import broken_text, main_pick, notes_of, unmet_text
from explorer.report.words import escape
from explorer.study.everything.evaluate import Progress
from explorer.study.everything.shortlist import NothingFeasible, Pick, Shortlist
from explorer.study.questions.sanity import overturned
from explorer.study.results import RunResult


def all_figures(result: RunResult, progress: Progress | None = None) -> dict[str, bytes]:
    """Every picture of a run by file stem. The drawing library is loaded only here: it takes as long as all else."""
    from explorer.report import figures

    return figures.draw_all(result, progress)


def report(result: RunResult, drawn: Sequence[str] | None = None) -> str:
    """The report as markdown; `drawn` names the pictures that lie in `figures/` (default: all of them)."""
    space = result.space
    pictures = sections.Pictures(result, drawn)
    size = f"{result.setups:,} setups" + (", all of them" if result.exact else " looked at, not all of them")
    parts = [
        f"# {escape(space.name)}: which setup to take",
        f"{escape(space.car)} on {escape(space.surface)}. {size}; "
        f"{words.count(len(space.phase_names), 'corner phase')}; seed {space.seed}.",
        "## The answer",
    ]
    over = overturned(result.table if result.whole is None else result.whole)
    if over.everywhere:
        parts.append(f"**Mind:** {escape(over.words)}.")
    if isinstance(result.shortlist, Shortlist):
        parts += _take(result, result.shortlist)
        parts += _at_best_guess(result)
    else:
        parts += _nothing(result, result.shortlist)
    parts += sections.what_matters(result)
    if len(result.front):
        parts += _front(result, pictures)
    parts.append(
        "Before you build: a model ranks setups, it does not promise them. Change one thing at a time and try it "
        "slowly first. The [cautions](#cautions) are at the end."
    )
    for _, blocks in planning_parts(result, pictures.show("chance")):
        parts += blocks
    for section in sections.ORDER:
        parts += section(result, pictures)
    parts += [f"## {glossary.TITLE}", glossary.NOTE, glossary.glossary_table()]
    parts += ["## Known limits of the model", bullets(words.MODEL_LIMITS), "## Cautions", bullets(words.CAUTIONS)]
    return "\n\n".join(parts) + "\n"


def bullets(lines: Sequence[str]) -> str:
    """Fixed passages as a list."""
    return "\n".join(f"- {line}" for line in lines)


def _take(result: RunResult, found: Shortlist) -> list[str]:
    """The setups to take: parts, what they give, what they cost."""
    space = result.space
    rows = [_pick_row(str(rank), pick, pick.reason, result) for rank, pick in enumerate(found.picks, start=1)]
    amount = words.count(len(found.picks), "setup")
    lines = [f"### Take {'this' if len(found.picks) == 1 else 'these'} {amount}", _first(result, found)]
    if result.plan is not None:
        lines.append("\n".join(f"- {escape(line)}" for line in headline_lines(result.plan, space)))
    lines += [
        f"{found.feasible:,} of {result.setups:,} setups keep every limit at the best guess of every number. "
        f"{_spread(result)} Numbers in the table are {words.guess_text(result.practised)}.",
        words.table(["setup", "why", *_knob_headers(result), *_objective_headers(space.objectives)], rows),
        *_notes(result),
        "From the baseline (" + escape(_baseline_text(result)) + "):",
        "\n".join(_change_line(rank, pick, result, found) for rank, pick in enumerate(found.picks, start=1)),
    ]
    if result.baseline.valid[0]:
        now = [f"{words.metric_label(o.metric)} {_own(result, o)}" for o in space.objectives]
        lines.append(f"The baseline itself has {escape(words.listed(now))}.")
    return lines


def _first(result: RunResult, found: Shortlist) -> str:
    """The one setup to take where only one is wanted, and what it leaves of the wishes."""
    place = main_pick(found)
    pick = found.picks[place]
    text = f"**If you take one, take number {place + 1}**: {escape(pick.reason)}."
    return text + (f" Wishes: {escape(unmet_text(pick.wishes, result.space))}." if pick.wishes else "")


def _spread(result: RunResult) -> str:
    """How the setups of a shortlist stand to each other."""
    first = "They"
    if result.plan is not None or result.wishes:
        first = "Number 1 is the headline; the others cover where it does badly, or"
    return f"{first} are spread over what the objectives trade, in no order of merit: pick by the driver and the track."


def _at_best_guess(result: RunResult) -> list[str]:
    """What would be taken were every number what it is thought to be; nothing where it is the same setup."""
    nominal = result.nominal
    if result.plan is None or not isinstance(nominal, Shortlist) or not isinstance(result.shortlist, Shortlist):
        return []
    best = nominal.picks[main_pick(nominal)]
    if np.array_equal(best.positions, result.shortlist.picks[0].positions):
        return ["Were every number what it is thought to be, the choice would be the same."]
    parts = escape(parts_text(result.space, best.labels))
    return [f"Were every number what it is thought to be, the choice would be {parts}: believe the list above."]


def _notes(result: RunResult) -> list[str]:
    """What is said of the wishes and of objectives that took no part; nothing where there is nothing to say."""
    lines = notes_of(result)
    return [bullets([f"{escape(line)}." for line in lines])] if lines else []


def _knob_headers(result: RunResult) -> list[str]:
    return [words.knob_label(knob, unit=True) for knob in result.space.knobs]


def _objective_headers(objectives: Sequence[Objective]) -> list[str]:
    return [words.objective_label(objective) for objective in objectives]


def _values(values: Sequence[float] | np.ndarray, objectives: Sequence[Objective]) -> list[str]:
    return [words.metric_value(o.metric, float(value), unit=False) for value, o in zip(values, objectives, strict=True)]


def _own(result: RunResult, objective: Objective) -> str:
    return words.metric_value(objective.metric, float(result.baseline.column(objective.metric)[0]))


def _pick_row(name: str, pick: Pick, why: str, result: RunResult) -> list[str]:
    return [name, why, *pick.labels, *_values(pick.values, result.space.objectives)]


def _baseline_text(result: RunResult) -> str:
    space = result.space
    labels = space.labels(np.asarray(space.baseline))
    return ", ".join(
        f"{words.knob_label(knob)} {words.setting_label(knob, label)}"
        for knob, label in zip(space.knobs, labels, strict=True)
    )


def _change_line(rank: int, pick: Pick, result: RunResult, found: Shortlist) -> str:
    """One setup: what to change, how long it takes, how near the limits, how forgiving to build, how many ties."""
    text = f"- **{rank}**: change {escape(words.changes_text(result.space, pick.changes))}"
    text += f" ({pick.minutes:g} minutes)." if pick.changes else " (it is the baseline)."
    if pick.wishes:
        unmet = unmet_text(pick.wishes, result.space)
        text += f" Wishes: {escape(unmet)} (loss {words.number(pick.loss, 2)})."
    if len(pick.margins):
        shares = pick.margins / np.array([limit.resolution for limit in found.limits])
        nearest = int(np.argmin(shares))
        limit = found.limits[nearest]
        room = words.room_text(limit.metric, float(pick.margins[nearest]))
        text += f" Nearest limit: {escape(words.resolved_text(limit))}, with {escape(room)} to spare."
    if result.plan is None and pick.builds is not None and pick.builds.varied:
        built = round(pick.builds.share * pick.builds.samples)
        text += f" Built within tolerance, {words.share_text(built, pick.builds.samples)} keep every limit."
        if pick.builds.share < 0.9:
            text += " Build it with care, or measure it after."
    if pick.ties > 1:
        text += f" {words.count(pick.ties - 1, 'other setup')} would feel the same."
    return text


def _front(result: RunResult, pictures: sections.Pictures) -> list[str]:
    """What the front offers: how far each objective reaches and what it costs in the others."""
    front, space = result.front, result.space
    lines = [
        "### What the front offers",
        "On the front no setup can be made better in one objective without giving away another. "
        f"{words.found_text(result.search, result.stays)} It has {words.count(front.groups, 'distinct point')}, "
        f"{words.count(len(front), 'setup')} with ties "
        "([front.csv](tables/front.csv)).",
    ]
    named = np.flatnonzero(front.named)
    if front.groups == 1:
        best = f"{_point(result, int(named[0]))}, with {_parts(result, int(named[0]))}."
        lines.append(f"One point is best in every objective, as far as anyone can feel: {escape(best)}")
        return lines + pictures.show("front")
    rows, ends = [], []
    for c, objective in enumerate(space.objectives):
        scores = front.scores[named]
        low, high = _best_of(result, named, c), int(named[np.argmax(scores[:, c])])
        if objective.metric == "lag_ms":
            ends.append(f"From the quickest ({_point(result, low)}) to the calmest ({_point(result, high)}).")
        reach = [front.values[low, c], front.values[high, c]]
        text = [words.metric_value(objective.metric, float(v), unit=False) for v in reach]
        rows.append(
            [
                words.metric_label(objective.metric, unit=True),
                *text,
                *_values(front.values[low], space.objectives),
                _parts(result, low),
            ]
        )
    lines += [escape(text) for text in ends]
    head = ["objective", "best on the front", "worst on the front"]
    head += [f"at its best: {words.metric_label(o.metric, unit=True)}" for o in space.objectives]
    lines.append(words.table([*head, "parts at its best"], rows))
    return lines + pictures.show("front")


def _best_of(result: RunResult, named: IntArray, column: int) -> int:
    """Front member that is best in an objective: a shortlisted one where several tie."""
    scores = result.front.scores[named, column]
    tied = named[scores == scores.min()]
    picked = {pick.row for pick in result.shortlist.picks} if isinstance(result.shortlist, Shortlist) else set()
    return int(next((member for member in tied if int(result.front.rows[member]) in picked), tied[0]))


def _parts(result: RunResult, row: int) -> str:
    """The parts of a front member in words."""
    space = result.space
    return words.listed(
        f"{words.knob_label(knob)} {words.setting_label(knob, label)}"
        for knob, label in zip(space.knobs, space.labels(result.front.positions[row]), strict=True)
    )


def _point(result: RunResult, row: int) -> str:
    objectives = result.space.objectives
    values = result.front.values[row]
    return ", ".join(
        f"{words.metric_label(o.metric)} {words.metric_value(o.metric, float(v))}"
        for o, v in zip(objectives, values, strict=True)
    )


def _nothing(result: RunResult, found: NothingFeasible) -> list[str]:
    """No setup keeps every limit: which limits bind, and what comes nearest, without a ranking."""
    total = found.counts.valid
    looked = "setups" if result.exact else "setups the search looked at"
    binding = [(limit, int(n)) for limit, n in zip(found.limits, found.sole_removal, strict=True) if n > 0]
    lines = [
        "### Nothing keeps every limit",
        f"None of the {total:,} {looked} keeps every limit, so nothing is ranked or recommended.",
    ]
    if binding:
        lines.append("These limits bind. Each one, given up alone, would let setups in:")
        lines.append(
            "\n".join(f"- {escape(words.resolved_text(limit))}: {words.count(n, 'setup')}" for limit, n in binding)
        )
    else:
        worst = sorted(zip(found.share, found.limits, strict=True), key=lambda pair: -pair[0])[:3]
        named = words.listed(f"{words.resolved_text(limit)} ({100 * share:.0f} % break it)" for share, limit in worst)
        lines.append(f"No single limit is to blame: at least two would have to give way. Most broken: {escape(named)}.")
    rows = [
        ["-", f"{broken_text(pick, found)} (in all {words.number(float(missed), 1)} felt differences short)"]
        + [*pick.labels, *_values(pick.values, found.objectives)]
        for pick, missed in zip(found.least, found.missed_by, strict=True)
    ]
    lines.append("These miss by least. They break limits and are here to show what to relax, not to be taken:")
    lines.append(words.table(["", "breaks", *_knob_headers(result), *_objective_headers(found.objectives)], rows))
    return lines
