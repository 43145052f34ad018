"""What a search found, and how it stands against the exact front."""

from __future__ import annotations

from dataclasses import dataclass

from explorer.domain.space import FloatArray, IntArray
from explorer.study.everything.evaluate import MetricTable
from explorer.study.everything.front import Front
from explorer.study.everything.limits import LimitCounts


@dataclass(frozen=True)
class LocalSearch:
    """How far the changes of one and two knobs came: `looked` setups of a `budget`.

    `standing` setups stand for the front's points or come nearest to a wish (where nothing keeps the limits: they miss
    by least), and `ties` feel like one of those; on so many every change was tried. `jumping`: knobs with many places
    are changed by 1, 2, 4, ... of them only.
    """

    looked: int
    budget: int
    standing: int
    standing_tried: int
    ties: int
    ties_tried: int
    jumping: bool


@dataclass(frozen=True)
class SearchResult:
    """What a search of a space found among the setups it `looked` at, each once.

    `table` holds the candidates with all metrics, best first (see `candidates`); `front` numbers its rows and is the
    front of all setups looked at. `counts` of the limits and `asked_by_level` per knob (levels,) are over all of them,
    `failed` (setups, knobs) those that the model could not answer. `forbidden` setups were proposed but break a rule
    and were not evaluated; `generations`, `asked` and `repeats` are of NSGA-II, `local` of the changes after it.
    """

    table: MetricTable
    front: Front
    looked: int
    counts: LimitCounts
    asked_by_level: tuple[IntArray, ...]
    failed: FloatArray
    generations: int
    asked: int
    repeats: int
    forbidden: int
    local: LocalSearch

    def candidates(self, most: int) -> FloatArray:
        """Positions of the best setups looked at, to ask again in many scenarios. (setups, knobs)

        By turns from two orders: how many fronts have to be taken away before a setup is on one, and the loss of the
        wishes. Setups that break a limit come after all that keep them, those that miss by least first.
        """
        return self.table.positions[:most]


@dataclass(frozen=True)
class Agreement:
    """A search held against the exact front.

    `recall`: share of the exact front's distinct points that were found; `setup_recall`: share of its setups, ties
    included; `hypervolume_ratio`: found over exact, normalised by the exact front, reference 1.1.
    """

    recall: float
    setup_recall: float
    hypervolume_ratio: float
