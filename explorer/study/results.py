"""The whole answer to a study, as plain frozen results: what the pipeline fills and the report reads."""

from __future__ import annotations

from dataclasses import dataclass

from explorer.domain.space import FloatArray, IntArray, Space
from explorer.study.everything.evaluate import MetricTable
from explorer.study.everything.front import Front
from explorer.study.everything.limits import LimitCounts, ResolvedLimit
from explorer.study.everything.shortlist import NothingFeasible, Shortlist
from explorer.study.everything.wishes import ResolvedWish
from explorer.study.pits.carry_over import CarryOver
from explorer.study.pits.ladder import Ladder
from explorer.study.plan.change_plan import ChangePlan
from explorer.study.plan.plan import Plan
from explorer.study.questions.assumptions import AssumptionEffects
from explorer.study.questions.exact import StepEffects
from explorer.study.questions.maps import MetricMap
from explorer.study.questions.one_change import OneChange
from explorer.study.questions.search_results import Agreement, SearchResult
from explorer.study.questions.sensitivity import Sensitivity


@dataclass(frozen=True)
class Failures:
    """Setups the model could not answer: how many, and the knob levels most tied to them (knob, level, share).

    `reasons` are (what went wrong, setups), most first.
    """

    count: int
    examples: tuple[str, ...] = ()
    tied: tuple[tuple[str, str, float], ...] = ()
    reasons: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True)
class LevelShares:
    """Setups at each level of each knob, and those of them that keep every limit: per knob (levels,)."""

    setups: tuple[IntArray, ...]
    feasible: tuple[IntArray, ...]


@dataclass(frozen=True)
class RunResult:
    """Everything one run found.

    `table` holds the setups that the answers speak of; `setups` were looked at in all, every allowed one when `exact`;
    `whole` holds all metrics of all of them where they were kept; `levels` None for a search. `indices_note` says why
    there are no indices where `indices` is None, `assumed_note` the same of `assumed`. `agreement` holds the search
    against the exact front where both were run. `shortlist` holds the setups of the plan, headline first, where there
    is a plan, and `nominal` those taken at the best guess of every number. `plan` is None where `plan_note` says why;
    `carried` None where the study carries no liked setup over.
    `visits` leads through the shortlist, None where `visits_note` says why or a plan has its own; `ladders` likewise.
    `stays` (members,) is the share of ways to round in which a member stays on the front, None where not every setup
    was kept. `timings` are (stage, seconds).
    """

    space: Space
    exact: bool
    table: MetricTable
    baseline: MetricTable
    limits: tuple[ResolvedLimit, ...]
    counts: LimitCounts
    indices: Sensitivity | None
    indices_note: str
    steps: StepEffects | None
    front: Front
    search: SearchResult | None
    agreement: Agreement | None
    shortlist: Shortlist | NothingFeasible
    nominal: Shortlist | NothingFeasible
    one_change: OneChange
    maps: tuple[MetricMap, ...]
    failures: Failures
    timings: tuple[tuple[str, float], ...]
    assumed: AssumptionEffects | None = None
    assumed_note: str = ""
    setups: int = 0
    whole: MetricTable | None = None
    levels: LevelShares | None = None
    plan: Plan | None = None
    plan_note: str = ""
    carried: CarryOver | None = None
    visits: ChangePlan | None = None
    visits_note: str = ""
    ladders: tuple[Ladder, ...] = ()
    wishes: tuple[ResolvedWish, ...] = ()
    stays: FloatArray | None = None

    @property
    def practised(self) -> bool:
        """Whether practice taught what the best guesses do not hold."""
        return self.plan is not None and self.plan.learned is not None
