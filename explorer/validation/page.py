"""The page of the proof: our numbers beside numbers from elsewhere, worst first, nothing left out in silence."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from explorer.report import words
from explorer.report.words import escape
from explorer.validation.results import Comparison, ProofSection

SHOWN = 6
"""Comparisons shown per section in the page; the CSV holds all."""

INTRODUCTION = (
    "Nobody should have to trust this program. Every number of ours below stands beside one that comes from somewhere "
    "else: a multibody simulator, a frame solver, a control library, other statistics, published values. A bar is the "
    "largest difference that passes."
)


def comparisons_table(sections: Sequence[ProofSection]) -> pd.DataFrame:
    """Every comparison of every section, one row each; `bar` is missing where none is set."""
    rows = [
        {
            "section": section.stem,
            "case": one.case,
            "quantity": one.quantity,
            "unit": one.unit,
            "ours": one.ours,
            "other": one.other,
            "difference": one.difference,
            "bar": one.bar if math.isfinite(one.bar) else None,
            "passed": one.passed if math.isfinite(one.bar) else None,
        }
        for section in sections
        for one in section.comparisons
    ]
    names = ["section", "case", "quantity", "unit", "ours", "other", "difference", "bar", "passed"]
    return pd.DataFrame(rows, columns=names).astype({"bar": "Float64", "passed": "boolean"})


def section_table(section: ProofSection) -> pd.DataFrame:
    """A section's own table, in words."""
    return pd.DataFrame([list(row) for row in section.rows], columns=list(section.head))


def verdict(section: ProofSection) -> str:
    """How many comparisons lie within their bar."""
    judged = [one for one in section.comparisons if math.isfinite(one.bar)]
    if not judged:
        return "no bar, figures only"
    good = sum(one.passed for one in judged)
    return f"{good:,} of {len(judged):,} within the bar"


def summary(sections: Sequence[ProofSection]) -> str:
    """One row per section, with its facts: what the front page shows."""
    rows = [
        [
            section.title,
            section.source,
            verdict(section),
            "; ".join(f"{what}: {value}" for what, value in section.facts),
        ]
        for section in sections
    ]
    return words.table(["what", "against", "checks", "in numbers"], rows)


def page(sections: Sequence[ProofSection], quick: bool, drawn: Sequence[str]) -> str:
    """The whole page in markdown; `drawn` names the pictures that exist."""
    lines = ["# Proof", INTRODUCTION]
    if quick:
        lines.append("This is the quick run: fewer cases than the full proof.")
    missed = sum(len(section.failed) for section in sections)
    total = sum(math.isfinite(one.bar) for section in sections for one in section.comparisons)
    lines.append(
        f"**All {total:,} checks that have a bar lie within it.**"
        if not missed
        else f"**{missed:,} of {total:,} checks lie outside their bar.** They are listed first in their sections."
    )
    lines += ["## Summary", summary(sections)]
    for section in sections:
        lines += _section(section, drawn)
    lines.append("Every comparison: [comparisons.csv](tables/comparisons.csv).")
    return "\n\n".join(lines) + "\n"


def _section(section: ProofSection, drawn: Sequence[str]) -> list[str]:
    lines = [f"## {escape(section.title)}", escape(section.claim), f"Against: {escape(section.source)}."]
    if section.facts:
        lines.append("\n".join(f"- {escape(what)}: {escape(value)}" for what, value in section.facts))
    shown = sorted(section.comparisons, key=_nearness)[:SHOWN]
    if shown:
        lines.append(f"{verdict(section).capitalize()}. The nearest to it:" if _has_bar(section) else "Largest first:")
        rows = [
            [
                one.case,
                one.quantity,
                _number(one.ours, one.unit),
                _number(one.other, one.unit),
                f"{one.difference:+.2g}",
                f"{one.bar:.2g}" if math.isfinite(one.bar) else "-",
                "" if one.passed else "outside",
            ]
            for one in shown
        ]
        head = ["case", "quantity", "ours", "other", "difference", "bar", ""]
        lines.append(words.table(head, rows, right=(2, 3, 4, 5)))
    if section.rows:
        lines.append(words.table(section.head, section.rows))
    if section.notes:
        lines += ["What falls short or needs saying:", "\n".join(f"- {escape(note)}" for note in section.notes)]
    for drawing in section.drawings:
        if drawing.stem in drawn:
            lines.append(f"![{escape(drawing.title)}](figures/{drawing.stem}.png)")
    return lines


def _has_bar(section: ProofSection) -> bool:
    return any(math.isfinite(one.bar) for one in section.comparisons)


def _nearness(one: Comparison) -> tuple[float, float]:
    """Outside first, then the share of the bar used up, then the size of the difference."""
    if not math.isfinite(one.difference):
        return (-math.inf, 0.0)
    share = abs(one.difference) / one.bar if one.bar > 0.0 else math.inf if one.difference else 0.0
    return (-share, -abs(one.difference))


def _number(value: float, unit: str) -> str:
    return f"{value:.6g} {unit}".strip()
