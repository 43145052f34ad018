"""The car in each corner phase, seen from behind: wheel loads as bars, roll and wheel inclinations as angles.

One plain drawing per phase, made for one setup; the page's script fills in another by the same places.
"""

from __future__ import annotations

from typing import Any

from explorer.domain.space import Space
from explorer.model.metrics import describe
from explorer.report import words
from explorer.report.page.markup import Html, join, name, table, tag, text
from explorer.report.page.setups import PHASE_STEMS, Drawn

ENLARGED = 3.0
"""Angles are drawn this much larger than they are."""

BAR_HEIGHT = 40.0
"""Height of the bar of the largest wheel load on the page. [px]"""

WHEEL_X = {"inner": 42.0, "outer": 138.0}
_MIDDLE, _GROUND, _HUB, _BODY = 90.0, 92.0, 70.0, 52.0


def heaviest(drawn: Drawn) -> float:
    """Largest wheel load of any drawn setup, at least 0.1. [N]"""
    loads = [f"{phase}.{stem}" for phase in drawn.table.space.phase_names for stem in PHASE_STEMS if "load" in stem]
    return max(0.1, *(float(drawn.table.column(metric).max()) for metric in loads)) if len(drawn) else 0.1


def stem_facts() -> list[dict[str, Any]]:
    """For each of `PHASE_STEMS`: decimals, unit, and words where it is a code."""
    found = []
    for stem in PHASE_STEMS:
        metric = describe(f"phase.{stem}")
        found.append({"places": words.decimals(metric.resolution), "unit": metric.unit, "codes": list(metric.codes)})
    return found


def car_section(space: Space, drawn: Drawn, row: int) -> Html:
    """Drawings and numbers of one drawn setup in every phase."""
    values = drawn.table.row(row)
    figures = [_phase(space, phase, place, values, heaviest(drawn)) for place, phase in enumerate(space.phase_names)]
    return join([tag("div", *figures, class_="cars"), _numbers(space, values)])


def _phase(space: Space, phase: str, place: int, values: dict[str, float], most: float) -> Html:
    def at(stem: str) -> float:
        return values[f"{phase}.{stem}"]

    views = [_axle(axle, at, most) for axle in ("front", "rear")]
    roll = words.metric_value(f"{phase}.roll_deg", at("roll_deg"))
    stands = words.metric_value(f"{phase}.state", at("state"))
    ends = words.metric_value(f"{phase}.limited_by", at("limited_by"))
    caption = tag(
        "figcaption",
        tag("h3", name(words.spaced(phase))),
        tag("p", "Leans ", tag("b", roll, data_put="roll_deg"), ", stands on ", tag("b", stands, data_put="state"),
            ". What ends the corner: ", tag("b", ends, data_put="limited_by"), "."),
    )  # fmt: skip
    return tag("figure", caption, *views, class_="phase", data_phase=place)


def _axle(axle: str, at: Any, most: float) -> Html:
    parts = [
        f'<svg class="axle" viewBox="0 0 180 166" role="img" aria-label="{axle} axle; numbers in the table below">',
        f'<text class="end" x="90" y="12">{axle} axle</text>',
        f'<line class="ground" x1="8" x2="172" y1="{_GROUND:g}" y2="{_GROUND:g}"/>',
        f'<line class="plumb" x1="{_MIDDLE:g}" x2="{_MIDDLE:g}" y1="22" y2="{_GROUND:g}"/>',
        f'<g data-turn="roll_deg" transform="rotate({ENLARGED * at("roll_deg"):.2f} {_MIDDLE:g} 76)">'
        f'<path class="body" d="M56 66 L60 {_BODY - 4:g} Q62 36 74 34 L106 34 Q118 36 120 {_BODY - 4:g} L124 66 Z"/>'
        f'<line class="mast" x1="{_MIDDLE:g}" x2="{_MIDDLE:g}" y1="22" y2="66"/></g>',
        f'<line class="beam" x1="{WHEEL_X["inner"]:g}" x2="{WHEEL_X["outer"]:g}" y1="{_HUB:g}" y2="{_HUB:g}"/>',
    ]
    for side, x in WHEEL_X.items():
        stem = f"{axle}_{side}"
        load, lean = at(f"{stem}_load_n"), at(f"{stem}_inclination_deg")
        tall = BAR_HEIGHT * max(0.0, load) / most
        load_text = words.metric_value(f"x.{stem}_load_n", load)
        lean_text = words.metric_value(f"x.{stem}_inclination_deg", lean, unit=False, sign=True) + "°"
        parts += [
            f'<g data-turn="{stem}_inclination_deg" transform="rotate({-ENLARGED * lean:.2f} {x:g} {_GROUND:g})">'
            f'<rect class="wheel" x="{x - 9:g}" y="{_HUB - 22:g}" width="18" height="44" rx="5"/></g>',
            f'<text class="lean" x="{x:g}" y="40" data-put="{stem}_inclination_deg">{lean_text}</text>',
            f'<rect class="load" x="{x - 8:g}" y="{_GROUND + 4:g}" width="16" height="{tall:.1f}" '
            f'data-bar="{stem}_load_n"/>',
            f'<text class="load-text" x="{x:g}" y="{_GROUND + 18 + tall:.1f}" '
            f'data-put="{stem}_load_n">{load_text}</text>',
        ]
    parts += [
        f'<text class="side" x="{_MIDDLE:g}" y="{_GROUND + 16:g}">inner | outer</text>',
        "</svg>",
    ]
    return Html("".join(parts))


def _numbers(space: Space, values: dict[str, float]) -> Html:
    head = ["phase", *(text(words.metric_label(f"x.{stem}", unit=True).removeprefix("x: ")) for stem in PHASE_STEMS)]
    rows = [
        [
            name(words.spaced(phase)),
            *(words.metric_value(f"{phase}.{s}", values[f"{phase}.{s}"], unit=False) for s in PHASE_STEMS),
        ]
        for phase in space.phase_names
    ]
    return table(
        "The same in numbers. Inclination is positive into the turn.",
        head,
        rows,
        right=range(1, 13),
        class_="car-numbers",
    )
