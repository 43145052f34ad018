"""How far a front hangs on where rounding starts.

Dominance by felt steps is not transitive: a little worse, and a little worse again, is felt in the end. So objectives
are rounded to bins, and where the bins start is a convention.
"""

from __future__ import annotations

import numpy as np

from explorer.domain.space import FloatArray, Objective
from explorer.study.everything.front import Front, nondominated, scores_of

OFFSETS = 20
"""Starts of the bins that are tried, evenly over one bin."""


def stay_share(front: Front, values: FloatArray) -> FloatArray:
    """In what share of `OFFSETS` starts of the bins each member stays on the front. (members,)

    `values` (rows, objectives) of every setup that may be on it, in edge units.
    """
    live = [place for place, one in enumerate(front.objectives) if one.metric not in front.dropped]
    objectives = tuple(front.objectives[place] for place in live)
    total = np.zeros(len(front))
    for offset in range(OFFSETS):
        both = np.concatenate([front.values, values])[:, live] + _start(objectives, offset / OFFSETS)
        scores = scores_of(both, objectives)
        best = np.unique(scores[nondominated(scores)], axis=0)
        total += (scores[: len(front), None] == best[None]).all(axis=2).any(axis=1)
    return total / OFFSETS


def _start(objectives: tuple[Objective, ...], share: float) -> FloatArray:
    return np.array([share * objective.resolution for objective in objectives])
