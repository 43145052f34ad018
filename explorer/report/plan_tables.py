"""The plan as plain tables, one pure function each."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from explorer.domain.space import Space
from explorer.domain.units import unit_of
from explorer.domain.unknowns import FIGURES
from explorer.report.tables import margin_names, unmet_text
from explorer.study.compare.runs import KEPT_SHARE
from explorer.study.pits.carry_over import CarryOver
from explorer.study.pits.ladder import Ladder
from explorer.study.plan.change_plan import ChangePlan
from explorer.study.plan.decision import Decision
from explorer.study.plan.headline import against
from explorer.study.plan.learning import Learned
from explorer.study.plan.plan import Plan
from explorer.study.plan.split import Split
from explorer.study.results import RunResult

if TYPE_CHECKING:
    import pandas as pd
else:
    from explorer.report.later import pd


def planning_tables(result: RunResult) -> dict[str, pd.DataFrame]:
    """Every CSV of a run's plan, its way through the shortlist and the liked feel, by stem in writing order."""
    found: dict[str, pd.DataFrame] = {}
    if result.plan is not None:
        found |= plan_tables(result.plan, result.space)
    else:
        found["ladder"] = ladder_table(result.ladders)
        if result.visits is not None:
            found["changes"] = changes_table(result.visits)
    return found | carried_tables(result.carried, result.space)


def carried_tables(carried: CarryOver | None, space: Space) -> dict[str, pd.DataFrame]:
    """The liked feel by its stem, nothing where none is carried over."""
    return {} if carried is None else {"carry_over": carry_over_table(carried, space)}


def plan_tables(plan: Plan, space: Space) -> dict[str, pd.DataFrame]:
    """Every CSV of a plan by its stem, in writing order."""
    found = {
        "plan_shortlist": shortlist_table(plan, space),
        "plan_front": front_table(plan, space),
        "plan_setups": setups_table(plan.decision, space),
        "plan_unknowns": unknowns_table(plan),
        "plan_ladder": ladder_table(plan.ladders),
    }
    if plan.split is not None:
        found["plan_knobs_against_unknowns"] = split_table(plan.split)
        found["plan_levels"] = levels_table(plan.split, space)
    if plan.learned is not None:
        found["plan_practice"] = practice_table(plan, plan.learned)
    if plan.changes is not None:
        found["plan_changes"] = changes_table(plan.changes)
    return found


def shortlist_table(plan: Plan, space: Space) -> pd.DataFrame:
    """The plan's setups: parts, every figure of every objective, shares of scenarios, work."""
    rows = []
    names = margin_names(plan.limits)
    for rank, pick in enumerate(plan.shortlist.picks, start=1):
        row: dict[str, object] = {"setup": rank, "why": pick.reason}
        row |= dict(zip(space.knob_names, pick.labels, strict=True))
        for place, objective in enumerate(space.objectives):
            row |= {f"{objective.metric} {name}": pick.figures[n, place] for n, name in enumerate(FIGURES)}
        row |= {KEPT_SHARE: pick.share, "share error": pick.share_error, "share on the front": pick.front_share}
        row |= {
            name.replace("margin ", "share kept "): share
            for name, share in zip(names, pick.share_by_limit, strict=True)
        }
        row |= {"changes": len(pick.changes), "minutes": pick.minutes, "ties": pick.ties}
        row |= {"expected loss": pick.loss, "expected loss error": pick.loss_error}
        if pick.wishes:
            row["wishes"] = unmet_text(pick.wishes, space)
        rows.append(row)
    return pd.DataFrame(rows)


def front_table(plan: Plan, space: Space) -> pd.DataFrame:
    """Members of the front of the figure the plan stands on: point (ties share one), parts, that figure, shares."""
    front, robust = plan.front, plan.robust
    columns: dict[str, object] = {"point": front.group + 1, "named": front.named}
    for column, knob in enumerate(space.knobs):
        columns[knob.name] = [knob.label_at(float(at)) for at in front.positions[:, column]]
    for place, objective in enumerate(space.objectives):
        columns[f"{objective.metric} {plan.planning.shortlist_on}"] = front.values[:, place]
    columns[KEPT_SHARE] = robust.share[front.rows]
    columns["share on the front"] = robust.front_share[front.rows]
    columns["minutes"] = space.minutes(front.positions)
    return pd.DataFrame(columns)


def setups_table(found: Decision, space: Space) -> pd.DataFrame:
    """Every setup that was looked at longest: figures, shares, expected loss, and what it makes of the headline's setup
    in the same scenarios, with standard errors."""
    robust = found.robust
    table: dict[str, object] = {
        knob.name: [knob.label_at(float(at)) for at in robust.positions[:, column]]
        for column, knob in enumerate(space.knobs)
    }
    for place, objective in enumerate(space.objectives):
        for n, name in enumerate(FIGURES):
            table[f"{objective.metric} {name}"] = robust.figures[n, :, place]
            if robust.errors[n].any():
                table[f"{objective.metric} {name} error"] = robust.errors[n, :, place]
    table |= {KEPT_SHARE: robust.share, "share error": robust.share_error}
    table |= {
        name.replace("margin ", "share kept "): robust.share_by_limit[:, place]
        for place, name in enumerate(margin_names(found.asked.limits))
    }
    table |= {"expected loss": robust.loss, "expected loss error": robust.loss_error}
    table["share on the front"] = robust.front_share
    if found.headline is not None:
        row = int(np.flatnonzero((robust.positions == found.headline.take.positions).all(axis=1))[0])
        steps = [against(found.outcomes, space, other, row) for other in range(len(robust.positions))]
        table["loss over the headline"] = [step.loss for step in steps]
        table["loss over the headline error"] = [step.loss_error for step in steps]
    return pd.DataFrame(table)


def unknowns_table(plan: Plan) -> pd.DataFrame:
    """What is not known: best guess, spread, law, belief before and after practice, and what knowing it is worth."""
    rows = []
    asked = {} if plan.worth is None else {plan.worth.keys[one.unknown]: one for one in plan.worth.worth.asked}
    for place, unknown in enumerate(plan.draws.unknowns):
        unit = unit_of(unknown.key)
        factor = unit.factor if unit else 1.0
        row: dict[str, object] = {
            "unknown": unknown.key,
            "unit": unknown.unit,
            "of the surface": unknown.of_surface,
            "best guess": unknown.values[0] / factor,
            "half width": unknown.spread[0] / factor,
            "law": unknown.law,
            "low": unknown.low[0] / factor,
            "high": unknown.high[0] / factor,
        }
        if plan.learned is not None:
            for name, belief in (("before", plan.learned.before), ("after", plan.learned.after)):
                row |= {f"{name} mean": belief.mean[place], f"{name} half width": belief.half_width[place]}
        one = asked.get(unknown.key)
        if one is not None:
            row |= {"worth of knowing": one.held_out, "worth fitted": one.value}
            row |= {"worth low": one.low, "worth high": one.high}
        rows.append(row | {"why": unknown.reason})
    return pd.DataFrame(rows)


def split_table(split: Split) -> pd.DataFrame:
    """Variance of each metric: the knobs' share, the unknowns', and that of both together."""
    columns: dict[str, object] = {
        "metric": list(split.metrics),
        "mean": split.mean,
        "standard deviation": np.sqrt(split.variance),
        "constant": split.constant,
        "knobs": split.knobs,
        "unknowns": split.unknowns,
        "both together": split.both,
    }
    if split.first is not None and split.first_low is not None and split.first_high is not None:
        for place, key in enumerate(split.unknown_keys):
            columns |= {
                f"{key} alone": split.first[:, place],
                f"{key} low": split.first_low[:, place],
                f"{key} high": split.first_high[:, place],
            }
    return pd.DataFrame(columns)


def levels_table(split: Split, space: Space) -> pd.DataFrame:
    """Share of setups and scenarios that keep every limit, at each level of each knob."""
    return pd.DataFrame(
        [
            {"knob": knob.name, "level": label, KEPT_SHARE: float(share)}
            for knob, shares in zip(space.knobs, split.kept_by_level, strict=True)
            for label, share in zip(knob.labels, shares, strict=True)
        ]
    )


def practice_table(plan: Plan, learned: Learned) -> pd.DataFrame:
    """Every report: how likely it is given all the others, and whether it is named as not fitting."""
    odd = {place for one in learned.contradictions for place in one.observations}
    return pd.DataFrame(
        [
            {
                "line": seen.line,
                "seen": seen.text,
                "phase": seen.phase,
                "probability given the others": float(chance),
                "does not fit": place in odd,
                "scenarios without an answer": lost,
            }
            for place, (seen, chance, lost) in enumerate(
                zip(plan.planning.seen, learned.predicted, learned.unanswered, strict=True)
            )
        ]
    )


def changes_table(changes: ChangePlan) -> pd.DataFrame:
    """Pit stops in order, one row per change."""
    return pd.DataFrame(
        [
            {
                "stop": number,
                "knob": change.knob,
                "from": change.old,
                "to": change.new,
                "minutes": change.minutes,
                "minutes of the stop": stop.minutes,
                "minutes until it runs": stop.run_at,
                "longer than the time between runs": stop.too_long,
                "setup reached": stop.reaches,
                "allowed": stop.allowed,
                "limits broken": "; ".join(stop.broken),
            }
            for number, stop in enumerate(changes.stops, start=1)
            for change in stop.changes
        ]
    )


def ladder_table(ladders: tuple[Ladder, ...]) -> pd.DataFrame:
    """Every rung of every symptom, in the order to try them."""
    return pd.DataFrame(
        [
            {
                "symptom": one.symptom.key,
                "measure": one.symptom.measure,
                "unit": one.symptom.unit,
                "now": one.now,
                "rung": place,
                "knob": rung.knob,
                "from": rung.old,
                "to": rung.new,
                "cure": rung.cure,
                "cure per minute": rung.cure_per_minute,
                "cures": rung.cures,
                "share of scenarios": rung.share,
                "minutes": rung.minutes,
                "side effects": "; ".join(f"{s.symptom} {s.change:+.1f}" for s in rung.side_effects),
                "limits broken": "; ".join(rung.broken),
            }
            for one in ladders
            for place, rung in enumerate(one.rungs, start=1)
        ]
    )


def carry_over_table(carried: CarryOver, space: Space) -> pd.DataFrame:
    """Feel then and now of the setups that come closest, one row per setup and metric."""
    return pd.DataFrame(
        [
            {
                "list": kind,
                "setup": rank,
                **dict(zip(space.knob_names, one.labels, strict=True)),
                "distance": one.distance,
                "every limit kept": one.kept,
                "metric": line.metric,
                "unit": line.unit,
                "then": line.then,
                "wanted": line.wanted,
                "now": line.now,
                "missed, felt differences": line.missed,
                "minutes from the baseline": one.minutes,
            }
            for kind, setups in (("closest", carried.closest), ("closest that keeps every limit", carried.closest_kept))
            for rank, one in enumerate(setups, start=1)
            for line in one.feel
        ]
    )
