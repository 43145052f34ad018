"""What a proof returns: comparisons and plain facts, with data for drawings. Frozen, no heavy imports."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from explorer.domain.errors import ExplorerError
from explorer.report.drawing import Drawing


@dataclass(frozen=True)
class Comparison:
    """One number of ours beside one from elsewhere.

    `case` says where it was taken, `quantity` what it is, both in words; `ours`, `other` and `bar` are in `unit`; `bar`
    is the largest difference that passes, infinite where none is set.
    """

    case: str
    quantity: str
    unit: str
    ours: float
    other: float
    bar: float = math.inf

    @property
    def difference(self) -> float:
        """Ours less the other's, in `unit`."""
        return self.ours - self.other

    @property
    def passed(self) -> bool:
        """True where the difference is within the bar; a number that is not finite never passes."""
        return math.isfinite(self.difference) and abs(self.difference) <= self.bar


@dataclass(frozen=True)
class ProofSection:
    """One question of the proof.

    `stem` names its files, `title` and `claim` say in words what is shown, `source` against what (with the published
    source where there is one). `facts` are (what, value in words) for the summary; `notes` say what falls short;
    `head` and `rows` are one further table in words, empty for none.
    """

    stem: str
    title: str
    claim: str
    source: str
    comparisons: tuple[Comparison, ...]
    facts: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    drawings: tuple[Drawing, ...] = ()

    @property
    def failed(self) -> tuple[Comparison, ...]:
        """Comparisons outside their bar."""
        return tuple(one for one in self.comparisons if not one.passed)


def attempted(stem: str, title: str, make: Callable[[], ProofSection]) -> ProofSection:
    """A section, or where it cannot be computed one that says why and counts as missed."""
    try:
        return make()
    except ExplorerError as fault:
        return ProofSection(
            stem=stem,
            title=title,
            claim="This part could not be computed.",
            source="nothing, for want of our own numbers",
            comparisons=(Comparison("the whole part", "computed", "parts", 0.0, 1.0, 0.0),),
            notes=(f"{fault}.",),
        )
