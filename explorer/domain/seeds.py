"""One integer in the study, one seed per stage and metric: never 0, which some libraries read as "no seed"."""

from __future__ import annotations

import numpy as np

SEARCH, SOBOL, SHAPLEY, BUILDS, MAPS, SCENARIOS, LEARNING, WORTH, THINNING, SCREEN, TOLERANCE, SAMPLE = range(1, 13)
"""Stage numbers; adding one never changes the seeds of the others."""


def stage_seed(seed: int, stage: int) -> int:
    """Seed of one stage, 1 to 2**32 - 1, from the study's integer (numpy SeedSequence).

    >>> stage_seed(0, SEARCH) == stage_seed(0, SEARCH) != stage_seed(0, SOBOL)
    True
    """
    state = np.random.SeedSequence([abs(int(seed)), stage]).generate_state(1)[0]
    return int(state) % (2**32 - 1) + 1
