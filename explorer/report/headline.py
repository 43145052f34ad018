"""The headline in words, and as plain facts: every output says these, and nothing else, of the setup it names first."""

from __future__ import annotations

from typing import Any

import numpy as np

from explorer.domain.space import Space
from explorer.model.metrics import describe
from explorer.report import words
from explorer.study.everything.limits import ResolvedLimit
from explorer.study.plan.decision import Practised
from explorer.study.plan.headline import Against, Headline, Standing
from explorer.study.plan.plan import Plan
from explorer.study.plan.rules import Box, Side


def parts_text(space: Space, labels: tuple[str, ...]) -> str:
    """Every part of a setup: "front bar 1.1 mm, rear bar 1.2 mm"."""
    return ", ".join(
        f"{words.knob_label(knob)} {words.setting_label(knob, label)}"
        for knob, label in zip(space.knobs, labels, strict=True)
    )


def chance_text(chance: float, error: float, scenarios: int) -> str:
    """A share of scenarios with its standard error: "all 4,096 scenarios", "97.9 ± 0.2 % of 4,096 scenarios"."""
    if chance >= 1.0 - 1e-9:
        return f"all {scenarios:,} scenarios"
    if chance <= 1e-9:
        return f"none of {scenarios:,} scenarios"
    if chance > 0.9995:
        return f"over 99.9 % of {scenarios:,} scenarios"
    places = 1 if error < 0.005 else 0
    said = f"{words.number(100.0 * chance, places)} ± {words.number(100.0 * error, max(places, 1))}"
    return f"{said} % of {scenarios:,} scenarios"


def headline_lines(plan: Plan, space: Space) -> list[str]:
    """What is said of the setup to take, a sentence or two a line; nothing where there is none."""
    one = plan.decision.headline
    if one is None:
        return []
    lines = [_work(one, space), _sure(one, plan.limits)]
    lines += [_gain(one, space)] if not one.stays else []
    lines += [_equal(one, space)] if one.equal else []
    lines += [_impossible(one, plan.limits)] if one.nothing > 0.0 else []
    lines += [f"{one.note[:1].upper()}{one.note[1:]}."] if one.note else []
    if plan.decision.practised is not None:
        lines.append(practice_text(plan.decision.practised, one, space))
    return [*lines, next_text(plan, space)]


def next_text(plan: Plan, space: Space) -> str:
    """What to do next, with what to take after each answer; or that nothing would change the choice."""
    best = plan.next_action
    if best is None:
        text = "Next: no single run and no reading would better the choice by what anyone feels."
        if plan.telling:
            name = words.input_label(plan.telling[0])
            text += f" The {name} would, were it known exactly; none of them tells it well enough."
        return text
    where = f"fit {words.changes_text(space, best.changes)} and drive two laps" if best.changes else "drive two laps"
    does = f"{where}, {best.what}" if best.positions else best.what
    takes = {tuple(setup): [] for _, _, setup in best.answers}  # type: dict[tuple[float, ...], list[str]]
    for answer, _, setup in best.answers:
        takes[tuple(setup)].append(answer)
    now = plan.decision.headline.take.labels if plan.decision.headline is not None else ()
    said = []
    for place, answers in takes.items():
        other = differing_text(space, now, space.labels(np.array(place)))
        said.append(f"if {' or '.join(answers)} take {f'the same with {other}' if other else 'this setup'}")
    gain = f"{words.with_error(best.gain, best.error, 2)} {unit_text(space)} in {best.minutes:g} minutes"
    return f"Next: {does}; {'; '.join(said)}: worth {gain}."


def _work(one: Headline, space: Space) -> str:
    if one.stays:
        return "The car stays as it is: no setup in the box is better by more than anyone feels."
    return f"From the car of today: {words.changes_text(space, one.take.changes)} ({one.take.minutes:g} minutes)."


def _sure(one: Headline, limits: tuple[ResolvedLimit, ...]) -> str:
    """How sure the limits are, beside the car of today and the safest of all."""
    take, today, safest = one.take, one.today, one.safest
    if not limits:
        return "The study sets no limit."
    text = f"It keeps every limit in {chance_text(take.chance, take.chance_error, one.scenarios)}"
    text += " of what nobody knows and of parts as they are built"
    if not one.stays and today.chance == take.chance:
        text += "; so does the car of today"
    elif not one.stays:
        text += f"; the car of today in {chance_text(today.chance, today.chance_error, one.scenarios)}"
    if safest.chance > take.chance + 2.0 * (take.chance_error + safest.chance_error):
        text += f"; the safest of all in {chance_text(safest.chance, safest.chance_error, one.scenarios)}"
    text += "."
    if take.chance < 1.0 - 1e-9 and take.weakest >= 0:
        limit = limits[take.weakest]
        kept = chance_text(take.weakest_kept, take.chance_error, one.scenarios)
        text += f" First to give way: {words.resolved_text(limit)}, kept in {kept}."
    return text


def _gain(one: Headline, space: Space) -> str:
    """What it makes of the car of today, in felt differences; what is inside the error is no difference."""
    gain, felt = one.gain, one.gain.felt(space)
    said = []
    if gain.less_loss:
        said.append(f"it {nearer_text(space, words.with_error(-gain.loss, gain.loss_error, 2))}")
    for sign, word in ((1, "better"), (-1, "worse")):
        said += [_step(space, gain, place, word) for place, way in enumerate(felt) if way == sign]
    if not said and not gain.safer:
        return f"Against the car of today nobody will feel it: {one.take.minutes:g} minutes buy {_nothing(one, space)}."
    same = [words.metric_label(space.objectives[place].metric) for place, way in enumerate(felt) if way == 0]
    said += [f"{words.listed(same)} {'feels' if len(same) == 1 else 'feel'} the same"] if same else []
    return f"Against the car of today: {'; '.join(said)}."


def nearer_text(space: Space, amount: str = "") -> str:
    """That less is lost, and by how much: of the wishes, or without any of the best of every objective."""
    if space.wishes:
        return "meets the wishes better" + (f" by {amount} {unit_text(space)}" if amount else "")
    return "comes nearer to the best of every objective" + (f" by {amount} {unit_text(space)}" if amount else "")


def unit_text(space: Space) -> str:
    """What a loss is counted in."""
    return "felt differences" if space.wishes else "felt differences or tenths of what they trade"


def _step(space: Space, gain: Against, place: int, word: str) -> str:
    """ "response lag 8.1 ± 0.1 ms more (worse)"."""
    metric = space.objectives[place].metric
    entry = describe(metric)
    step, error = float(gain.objectives[place]), float(gain.objectives_error[place])
    amount = f"{words.with_error(abs(step), error, words.decimals(entry.resolution))} {entry.unit}".rstrip()
    return f"{words.metric_label(metric)} {amount} {'more' if step > 0.0 else 'less'} ({word})"


def _nothing(one: Headline, space: Space) -> str:
    """The largest of the differences that nobody feels."""
    shares = [
        abs(float(step)) / objective.resolution
        for objective, step in zip(space.objectives, one.gain.objectives, strict=True)
    ]
    place = int(np.argmax(shares))
    metric = space.objectives[place].metric
    return f"{words.metric_value(metric, float(one.gain.objectives[place]), sign=True)} of {words.metric_label(metric)}"


def _equal(one: Headline, space: Space) -> str:
    told = [differing_text(space, one.take.labels, other.labels) for other in one.equal[:3]]
    more = len(one.equal) - len(told)
    text = "A driver cannot tell it from the one with " + "; with ".join(told)
    return text + (f"; and {words.count(more, 'other')}." if more else ".")


def where_lines(plan: Plan, space: Space) -> list[str]:
    """Which setup of the shortlist to take where, and where each breaks a limit; rules with what they catch."""
    found, lines = plan.decision, []
    numbers = {pick.row: rank for rank, pick in enumerate(found.shortlist.picks, start=1)}
    for one in found.covers:
        if one.row in numbers:
            said = f"Setup {numbers[one.row]} {nearer_text(space)} than those before it in {_tenths(one.better)}"
            lines.append(f"{said}{_rule(one.where, plan, 'take it', 'these')}")
    for pick, box in zip(found.shortlist.picks, found.failing, strict=True):
        if box is not None:
            said = f"Setup {numbers[pick.row]} breaks a limit in {_tenths(box.happens)}"
            lines.append(f"{said}{_rule(box, plan, 'it does', 'its failures')}")
    for again in found.again:
        lines.append(f"Setup {again.pick + 1} brings a complaint back: {again.text}, in {_tenths(again.share)}.")
    return lines


def _tenths(share: float) -> str:
    return f"{100.0 * share:.0f} % of the scenarios"


def _rule(box: Box | None, plan: Plan, does: str, what: str) -> str:
    if box is None or box.density < 0.5:
        return "; no rule of three numbers tells where."
    sides = [_side(side, plan) for side in box.sides]
    right = f"right {10.0 * box.density:.0f} times in 10"
    return f": {does} where {words.listed(sides)} ({100.0 * box.coverage:.0f} % of {what}, {right})."


def _side(side: Side, plan: Plan) -> str:
    unknown = plan.draws.unknowns[side.unknown]
    name = words.input_label(unknown.key)
    return f"{name} is {'above' if side.above else 'below'} {side.value:.3g} {unknown.unit}".rstrip()


def differing_text(space: Space, one: tuple[str, ...], other: tuple[str, ...]) -> str:
    """The parts in which another setup differs: "front bar 1.0 mm"."""
    return ", ".join(
        f"{words.knob_label(knob)} {words.setting_label(knob, label)}"
        for knob, label, own in zip(space.knobs, other, one, strict=True)
        if label != own
    )


def _impossible(one: Headline, limits: tuple[ResolvedLimit, ...]) -> str:
    share = chance_text(one.nothing, one.nothing_error, one.scenarios)
    text = f"In {share} none of the {one.candidates} setups looked at longest keeps every limit."
    if max(one.given_up, default=0.0) > 0.0:
        place = int(np.argmax(one.given_up))
        rest = chance_text(one.given_up[place], one.nothing_error, one.scenarios)
        text += f" Without the limit {words.resolved_text(limits[place])} one would in {rest}."
    return text


def practice_text(one: Practised, told: Headline, space: Space) -> str:
    """Whether practice changed the setup to take."""
    if not one.changed:
        return "Practice changes nothing here: the setup to take is the one of before."
    before = differing_text(space, told.take.labels, space.labels(one.before))
    gain = f" It {nearer_text(space, words.with_error(one.gain, one.error, 2))}." if one.gain > 0.0 else ""
    return f"Practice changed the setup to take; before it had {before}.{gain}"


def headline_facts(plan: Plan, space: Space) -> dict[str, Any]:
    """The record as plain facts for `headline.json` and `--json`; empty where nothing keeps every limit anywhere."""
    one = plan.decision.headline
    if one is None:
        return {}
    names = [objective.metric for objective in space.objectives]

    def stands(setup: Standing) -> dict[str, Any]:
        facts: dict[str, Any] = {"setup": dict(zip(space.knob_names, setup.labels, strict=True))}
        for name in ("minutes", "chance", "chance_error", "loss", "loss_error", "weakest_kept"):
            facts[name] = getattr(setup, name)
        facts["weakest_limit"] = plan.limits[setup.weakest].text if setup.weakest >= 0 else ""
        facts["objectives"] = dict(zip(names, map(float, setup.objectives), strict=True))
        facts["objectives_error"] = dict(zip(names, map(float, setup.objectives_error), strict=True))
        return facts

    gain: dict[str, Any] = {name: getattr(one.gain, name) for name in ("chance", "chance_error", "loss", "loss_error")}
    gain["objectives"] = dict(zip(names, map(float, one.gain.objectives), strict=True))
    gain["objectives_error"] = dict(zip(names, map(float, one.gain.objectives_error), strict=True))
    facts = {
        "take": stands(one.take),
        "today": stands(one.today),
        "gain_over_today": gain,
        "safest": stands(one.safest),
        "feel_the_same": [stands(other) for other in one.equal],
        "words": headline_lines(plan, space),
    }
    facts["given_up"] = {limit.text: share for limit, share in zip(plan.limits, one.given_up, strict=True)}
    for name in ("bar", "note", "nothing", "nothing_error", "candidates", "out_of", "scenarios", "effective"):
        facts[name] = getattr(one, name)
    return facts
