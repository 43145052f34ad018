"""`report.html`: one file for a finished run that opens from anywhere and asks nothing of a network."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Sequence
from functools import cache
from importlib import resources
from string import Template

from explorer.report import glossary, sections, words
from explorer.report.page import answer, car, heat, maps, views
from explorer.report.page.markup import Html, bullets, data_block, join, name, tag, text
from explorer.report.page.prose import passages
from explorer.report.page.setups import PHASE_STEMS, Drawn, detail_rows, drawn_setups, page_data
from explorer.report.plan_parts import planning_parts
from explorer.report.sections import Pictures
from explorer.report.tables import main_pick
from explorer.report.words import flat
from explorer.study.everything.shortlist import Shortlist
from explorer.study.results import RunResult

Block = tuple[str, str, Html]
"""A section made elsewhere: its anchor, its title, its finished HTML."""

SCRIPTS = ("page.js", "lines.js", "scatter.js", "start.js")
"""Our own scripts in the order they run."""


@cache
def asset(file: str) -> str:
    """A file that comes with this package."""
    return resources.files(__package__).joinpath("assets", file).read_text(encoding="utf-8")


def report_page(result: RunResult) -> str:
    """The page of a finished run: the answer, what follows from it in the pits, then what it rests on."""
    space = result.space
    drawn = drawn_setups(result)
    shown = main_pick(result.shortlist) if isinstance(result.shortlist, Shortlist) else 0
    mark = str(shown + 1) if isinstance(result.shortlist, Shortlist) else "m1"
    row = next((place for place, one in enumerate(drawn.marks) if mark in one.split()), 0)
    content: list[Block] = [
        (anchor, blocks[0].lstrip("# "), join(passages(blocks))) for anchor, blocks in planning_parts(result)
    ]
    content.append(("compare", "The setups side by side", views.compared(result, drawn)))
    if len(drawn):
        content.append(("front", "The front, and what lies around it", views.front_section(result, drawn)))
        content.append(("car", "How the car stands in each corner phase", _car(result, drawn, row)))
    content.append(("knobs", "Which knob moves what", heat.knobs_section(result)))
    content.append(("one-change", "One change at a time", _passage(sections.one_change, result)))
    content.append(("maps", "Maps", maps.maps_section(result)))
    if result.wishes:
        content.append(("wishes", "Wishes", _passage(sections.wishes, result)))
    content.append(("limits", "Limits", _passage(sections.limits, result)))
    content.append(("assumptions", "Assumptions", _assumptions(result)))
    content.append(("checks", "Checks", _checks(result)))
    content.append(("method", "Method", _passage(sections.method, result)))
    content.append(("words", glossary.TITLE, _words()))
    content.append(("model", "Known limits of the model", bullets(words.MODEL_LIMITS)))
    content.append(("cautions", "Cautions", bullets(words.CAUTIONS)))
    data = page_data(result, drawn) if len(drawn) else {}
    if data:
        data |= {
            "shown": row,
            "stemNames": list(PHASE_STEMS),
            "stemFacts": car.stem_facts(),
            "heaviest": car.heaviest(drawn),
            "barHeight": car.BAR_HEIGHT,
        }
        data["enlarged"] = car.ENLARGED
    own = "\n".join(asset(file) for file in SCRIPTS)
    head = asset("head.js")
    size = f"{result.setups:,} setups" + (", all of them" if result.exact else " looked at, not all of them")
    return Template(asset("page.html")).substitute(
        policy=policy(head, own),
        title=text(f"{flat(space.name)}: which setup to take"),
        style=asset("page.css"),
        head=head,
        study=name(space.name),
        where=join([name(space.car), " on ", name(space.surface)]),
        size=text(f"{size}; {words.count(len(space.phase_names), 'corner phase')}; seed {space.seed}"),
        answer=answer.first_screen(result),
        contents=_contents(content),
        sections=join(_section(*block) for block in content),
        data=data_block("data", data),
        script=own,
    )


def policy(*scripts: str) -> str:
    """What the page may do: run these scripts and no other, and connect to nothing."""
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(code.encode()).digest()).decode()}'" for code in scripts
    )
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
        "form-action 'none'"
    )


def _section(anchor: str, title: str, content: Html) -> Html:
    head = tag("summary", tag("h2", title, id=f"{anchor}-title"))
    fold = tag("details", head, content, open=True, class_="fold")
    return tag("section", fold, id=anchor, aria_labelledby=f"{anchor}-title")


def _words() -> Html:
    """What the numbers mean, one entry a metric: a table would hide half of it on a telephone."""
    entries = []
    for line in glossary.glossary():
        unit = "" if line.unit == "-" else f", {line.unit}"
        entries += [
            tag("dt", f"{line.label}{unit} ", tag("code", line.name)),
            tag("dd", f"{line.sign}; {line.felt}"),
        ]
    return join([tag("p", glossary.NOTE), tag("dl", *entries, class_="glossary")])


def _contents(content: Sequence[Block]) -> Html:
    links = [tag("li", tag("a", title, href=f"#{anchor}")) for anchor, title, _ in content]
    return tag("nav", tag("ul", *links), aria_label="Contents", class_="contents")


def _passage(section: Callable[[RunResult, Pictures], list[str]], result: RunResult) -> Html:
    return join(passages(section(result, Pictures(result, ()))))


def _car(result: RunResult, drawn: Drawn, row: int) -> Html:
    """The drawings of the setup shown first, with a choice of the others that carry them."""
    marked = [place for place, mark in enumerate(drawn.marks) if mark and place < detail_rows(result.space, drawn)]
    options = [tag("option", _said(drawn.marks[place]), value=place, selected=place == row) for place in marked]
    chooser = tag("p", tag("label", "Setup ", tag("select", *options, id="car-choice")), class_="live chooser")
    intro = tag(
        "p",
        "Seen from behind in a left turn, so the inner wheels are on the left. Bars are wheel loads, all to one scale. "
        f"Angles are drawn {car.ENLARGED:g} times as large as they are; the degrees are the true ones.",
    )
    title = tag("p", tag("strong", _said(drawn.marks[row]), id="car-name"), ": ",
                tag("span", _parts(result, drawn, row), id="car-parts"), id="car-said", role="status")  # fmt: skip
    return join([intro, chooser, title, car.car_section(result.space, drawn, row)])


def _parts(result: RunResult, drawn: Drawn, row: int) -> Html:
    space = result.space
    labels = space.labels(drawn.table.positions[row])
    parts = [
        join([name(words.knob_label(knob)), " ", name(words.setting_label(knob, label))])
        for knob, label in zip(space.knobs, labels, strict=True)
    ]
    return join(parts, ", ")


def _said(mark: str) -> str:
    """A mark in words: "setup 4", "baseline", "near miss 1"."""
    names = [
        "baseline" if one == "B" else f"near miss {one[1:]}" if one.startswith("m") else f"setup {one}"
        for one in mark.split()
    ]
    return words.listed(names) or "setup without a number"


def _assumptions(result: RunResult) -> Html:
    own = _passage(sections.assumptions, result)
    effects = _passage(sections.assumption_effects, result)
    return join([own, tag("h3", "Which of them would change the advice"), effects])


def _checks(result: RunResult) -> Html:
    parts: list[Html] = [tag("h3", "Setups without an answer"), _passage(sections.failures, result)]
    found = result.agreement
    if found is not None:
        said = (
            f"Held against the exact front, the search found {100 * found.recall:.1f} % of its distinct points, "
            f"{100 * found.setup_recall:.1f} % of its setups and {100 * found.hypervolume_ratio:.1f} % of its "
            "hypervolume."
        )
    elif result.exact:
        said = "Every allowed setup went through the model, so there is no search to check."
    else:
        said = "The search could not be held against an exact front: the space cannot be listed."
    return join([*parts, tag("h3", "Search against the exact front"), tag("p", said)])
