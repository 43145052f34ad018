"""What a search found, and how it stands against the exact front."""

from __future__ import annotations

from dataclasses import dataclass

from explorer.study.everything.evaluate import MetricTable
from explorer.study.everything.front import Front


@dataclass(frozen=True)
class SearchResult:
    """What a search of a space found: `table` holds every setup evaluated, once; `front` is the best of them.

    `forbidden` setups were proposed but break a rule and were not evaluated.
    """

    table: MetricTable
    front: Front
    generations: int
    asked: int
    repeats: int
    forbidden: int
    feasible: int


@dataclass(frozen=True)
class Agreement:
    """A search held against the exact front.

    `recall`: share of the exact front's distinct points that were found; `setup_recall`: share of its setups, ties
    included; `hypervolume_ratio`: found over exact, normalised by the exact front, reference 1.1.
    """

    recall: float
    setup_recall: float
    hypervolume_ratio: float
