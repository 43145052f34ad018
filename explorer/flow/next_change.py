"""What to change next against what the driver says, without the stages of a run: an answer within a second or two."""

from __future__ import annotations

from explorer.inputs.load import LoadedStudy
from explorer.study.everything.limits import resolve_limits
from explorer.study.pits.ladder import Ladder, ladder


def next_change(
    study: LoadedStudy,
    symptoms: str | tuple[str, ...],
    choices: dict[str, str],
    minutes: float | None = None,
    nominal: bool = False,
) -> Ladder:
    """Changes against one symptom or several from the baseline with some knobs set, over what is not known unless
    `nominal`; with `minutes` left only those that fit.

    Raises SpaceError for an unknown symptom, knob or level, or a setup that a rule forbids.
    """
    space = study.space
    positions = space.built(choices)
    scenarios = None
    if not nominal:
        from explorer.study.plan.plan import LADDER_SCENARIOS, believed  # the plan's parts take their time to load

        scenarios = believed(space, min(space.planning.scenarios, LADDER_SCENARIOS)).scenarios
    return ladder(space, resolve_limits(space), positions, symptoms, scenarios, minutes)
