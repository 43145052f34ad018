"""Made-up runs that are hard on a page: hostile names, more setups than are drawn, setups without an answer."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np
from report import sample_run

from explorer.study.everything.evaluate import MetricTable
from explorer.study.everything.front import pareto_front
from explorer.study.everything.limits import count_limits, feasible
from explorer.study.everything.shortlist import Shortlist
from explorer.study.questions.exact import exact_indices
from explorer.study.results import Failures, RunResult

KNOB = "</script><script>window.hit=1</script>"
SPRING = '"שלום" onload=x 🛞'
LEVEL = "soft \u202e<img src=x onerror=window.hit=1>\u2028 'its' & $HOME"
PHASE = "<b onclick=hit()>pin"
STUDY = "club </title><script>window.hit=1</script> night"
HOSTILE = (KNOB, SPRING, LEVEL, PHASE, STUDY)
_NAMES = {"front_bar": KNOB, "rear_spring": SPRING, sample_run.HOSTILE: LEVEL, "hairpin": PHASE, "club | night": STUDY}


def renamed(value: Any) -> Any:
    """A result with every name in it exchanged for a hostile one."""
    if isinstance(value, str):
        if value.startswith("hairpin."):
            return PHASE + value.removeprefix("hairpin")
        return _NAMES.get(value, value)
    if isinstance(value, tuple):
        return tuple(renamed(one) for one in value)
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{field.name: renamed(getattr(value, field.name)) for field in fields(value)})
    return value


def hostile() -> RunResult:
    """The sample run with hostile names everywhere."""
    found: RunResult = renamed(sample_run.run())
    return found


def big(levels: int = 90, others: int = 60) -> RunResult:
    """A run over `levels` x `others` setups, more than are drawn."""
    bar = replace(
        sample_run.BAR,
        labels=tuple(f"{1 + n / 100:g}" for n in range(levels)),
        values=tuple(1 + n / 100 for n in range(levels)),
        settings=((0.0,),) * levels,
    )
    spring = replace(
        sample_run.SPRING,
        labels=tuple(f"s{n}" for n in range(others)),
        values=tuple(float(n) for n in range(others)),
        settings=((0.0,),) * others,
    )
    return over(sample_run.table(sample_run.space((bar, spring))))


def over(whole: MetricTable) -> RunResult:
    """A run that kept every setup of a table, with two setups of its front as the shortlist and no maps."""
    front = pareto_front(whole, feasible(sample_run.LIMITS, whole))
    counts = count_limits(sample_run.LIMITS, whole)
    start = np.array([whole.space.row_of(np.asarray(whole.space.baseline))])
    picks = tuple(
        sample_run.pick(whole, int(row), "chosen", kinds, 1.0)
        for row, kinds in zip(front.rows[front.named][:2], (("extreme",), ("balanced",)), strict=True)
    )
    return replace(
        sample_run.run(),
        space=whole.space,
        table=whole,
        whole=whole,
        setups=len(whole),
        baseline=whole.take(start),
        counts=counts,
        indices=exact_indices(whole, ("lag_ms", "grip_margin_pct")),
        steps=None,
        front=front,
        shortlist=Shortlist(whole.space.objectives, sample_run.LIMITS, picks, counts.feasible, front.groups),
        maps=(),
        levels=None,
    )


def failing() -> RunResult:
    """The sample run where the model had no answer for the last two setups but one."""
    base = sample_run.run()
    valid = base.table.valid.copy()
    valid[[9, 10]] = False
    table = replace(base.table, valid=valid, values=np.where(valid[:, None], base.table.values, 0.0))
    failures = Failures(2, ("front_bar=1.4: no root",), (("front_bar", "1.4", 0.67),), (("no root", 2),))
    return replace(base, table=table, whole=table, failures=failures)


def mapped() -> RunResult:
    """The sample run over three knobs, all of whose setups were kept, with no map asked for."""
    whole = sample_run.table(
        sample_run.space((sample_run.BAR, sample_run.SPRING, sample_run.HEIGHT), baseline=(1.0, 1.0, 1.0))
    )
    values = whole.values.copy()
    values[:, whole.columns.index("lag_ms")] += 7.0 * whole.positions[:, 2]
    return over(replace(whole, values=values))
