"""Short answers for a terminal: a ladder, two setups side by side; each as text and as plain facts for `--json`."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from explorer.domain.space import Space
from explorer.report import words
from explorer.report.looks import BETTER, look
from explorer.report.narrow import table_text
from explorer.study.compare.setups import FELT, Comparison
from explorer.study.pits.ladder import Ladder, Rung

if TYPE_CHECKING:
    import pandas as pd

CURES_SHOWN = 5
"""Cures that a terminal shows."""


@dataclass(frozen=True)
class Answer:
    """`text` for a person, `facts` for a program (strings, numbers, lists, dictionaries)."""

    text: str
    facts: dict[str, Any]


def plain(frame: pd.DataFrame) -> str:
    """A table for a terminal."""
    return table_text([str(name) for name in frame.columns], [[str(cell) for cell in row] for row in frame.to_numpy()])


def rung_text(one: Ladder, place: int, space: Space) -> str:
    """One rung in words: "rear bar 1.2 mm to 1.1 mm (+2.1 %, 4 min)"."""
    rung = one.rungs[place]
    text = _swaps(space, rung)
    amount = words.number(rung.cure, words.decimals(one.symptom.resolution), sign=True)
    text += f" ({amount} {one.symptom.unit}, {rung.minutes:g} min"
    if rung.share < 0.995:
        text += f", right way in {words.percent(rung.share)}"
    if set(rung.broken) - set(one.broken_now):
        text += ", breaks a limit"
    return text + ")"


def ladder_answer(found: Ladder, space: Space, setup: dict[str, str]) -> Answer:
    """What to change next."""
    one = found.symptom
    now = f"{words.number(found.now, words.decimals(one.resolution))} {one.unit}".strip()
    lines = [found.message, f"{one.measure}: {now} now"]
    if found.broken_now:
        lines.append("limits broken now: " + "; ".join(found.broken_now))
    cures = [place for place, rung in enumerate(found.rungs) if rung.cures]
    shown = [place for k, place in enumerate(cures) if k < CURES_SHOWN or found.rungs[place].first]
    for number, place in enumerate(shown, start=1):
        lines += [f"{number:3d}. {rung_text(found, place, space)}", *_besides(found, found.rungs[place])]
    if len(cures) > len(shown):
        lines.append(f"{words.count(len(cures) - len(shown), 'weaker cure')} more: --json lists them")
    for place, rung in enumerate(found.rungs):
        if rung.first and not rung.cures:
            lines += [f"  -  {rung_text(found, place, space)}", "     what everybody does first: no cure by the model"]
            lines += _besides(found, rung)
    spoil = [rung for rung in found.rungs if not rung.cures and not rung.first and rung.cure < -0.5 * one.resolution]
    if spoil:
        lines.append("makes it worse: " + "; ".join(_swaps(space, rung) for rung in spoil))
    if found.left_out:
        lines.append("left out: " + "; ".join(found.left_out))
    if found.too_long:
        lines.append(f"not in the time left: {words.count(found.too_long, 'longer change')}")
    if found.unanswered:
        lines.append(f"{found.unanswered} of {found.scenarios} scenarios have no answer for this setup")
    facts = asdict(found)
    for rung in facts["rungs"]:
        rung["positions"] = [float(v) for v in rung["positions"]]
    return Answer("\n".join(lines), {"setup": setup} | facts)


def _besides(found: Ladder, rung: Rung) -> list[str]:
    """What else a change does, as far as it is felt, and the limits that it breaks."""
    felt = sorted((one for one in rung.side_effects if abs(one.change) >= 1.0), key=lambda one: -abs(one.change))
    lines = []
    for word, sign in (("helps", 1.0), ("costs", -1.0)):
        told = [f"{one.symptom} {one.change:+.1f}" for one in felt if sign * one.change > 0.0]
        if told:
            lines.append(f"     {word} (felt differences): {', '.join(told)}")
    fresh = [text for text in rung.broken if text not in found.broken_now]
    return lines + (["     breaks: " + "; ".join(fresh)] if fresh else [])


def _swaps(space: Space, rung: Rung) -> str:
    return words.changes_text(space, rung.swaps).replace("; ", " and ")


def _better(is_it: bool) -> str:
    return look("good", BETTER) if is_it else " "


def comparison_answer(found: Comparison, every: bool) -> Answer:
    """Two setups side by side; only what can be felt unless `every`."""
    import pandas as pd  # loaded where a table is wanted: it takes a third of a second

    a, b = found.name_a, found.name_b
    if a == b:
        a, b = f"{a} (first)", f"{b} (second)"
    lines = [f"first: {a}; second: {b}"]
    if found.parts:
        rows = [
            {"part": part.knob, "first": part.a, "second": part.b, "minutes": f"{part.minutes:g}"}
            for part in found.parts
        ]
        lines += ["", plain(pd.DataFrame(rows)), f"{found.minutes:g} minutes from one to the other"]
    else:
        lines.append("the same parts")
    for name, alone in (("first", found.knobs_only_a), ("second", found.knobs_only_b)):
        if alone:
            lines.append(f"only the {name} varies: " + ", ".join(f"{one.knob} {one.a or one.b}" for one in alone))
    if found.other_numbers:
        lines.append("same label, other part or car: " + ", ".join(found.other_numbers))
    shown = [one for one in found.lines if every or abs(one.resolutions) > FELT or (one.word_a != one.word_b)]
    rows = [
        {
            "metric": f"{one.label}, {one.unit}" if one.unit else one.label,
            "first": (one.word_a or words.metric_value(one.metric, one.a, unit=False)) + _better(one.better == "a"),
            "second": (one.word_b or words.metric_value(one.metric, one.b, unit=False)) + _better(one.better == "b"),
            "felt differences": "" if one.word_a else f"{one.resolutions:+.1f}",
        }
        for one in shown
    ]
    lines += ["", plain(pd.DataFrame(rows)) if rows else "no metric differs by what anyone can feel"]
    lines += [f"{BETTER} better of the two"] if any(one.better for one in shown) else []
    hidden = len(found.lines) - len(shown)
    if hidden:
        lines.append(f"{words.count(hidden, 'metric')} that nobody can tell apart: --all shows them")
    for name, broken in (("first", found.broken_a), ("second", found.broken_b)):
        lines.append(f"{name}: " + ("breaks " + "; ".join(broken) if broken else "keeps every limit of its study"))
    for name, only in (("first", found.only_a), ("second", found.only_b)):
        if only:
            lines.append(f"phases of the {name} only, not compared: {', '.join(only)}")
    return Answer("\n".join(lines), asdict(found))
