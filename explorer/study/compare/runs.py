"""Two finished runs side by side: what was asked, what matters, what to take, what stands in the way, on which files.

What a run left behind is a `RunRecord`; nothing is evaluated again. Names match metrics, knobs and limits. A setup is
the same in both runs where every knob that both vary stands at the same label. Every difference is the second less the
first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

LARGEST_SHIFTS = 10
"""So many shifts of an index are listed."""

NOTICED = 0.005
"""An index that moved by less than this is the same to a reader."""

KINDS = ("shapley", "total", "first")
"""Kinds of index, the one that keeps its meaning in the most spaces first."""

KEPT_SHARE = "share every limit kept"
"""Column of the share of scenarios in which every limit holds."""


@dataclass(frozen=True)
class Listed:
    """One setup of a list: `labels` by knob, `figures` by metric in the metric's unit, `kind` why it is there."""

    labels: Mapping[str, str]
    figures: Mapping[str, float]
    kind: str


@dataclass(frozen=True)
class LimitRecord:
    """A limit as a run counted it: `text` in words, `bound` in `unit`, `broken` of `setups` with an answer."""

    metric: str
    sense: str
    text: str
    bound: float
    unit: str
    setups: int
    broken: int

    @property
    def share(self) -> float:
        """Share of the setups that break it, 0 to 1."""
        return self.broken / self.setups if self.setups else 0.0


@dataclass(frozen=True)
class PlanRecord:
    """The plan of a run: its `shortlist`, taken on the figure `on`, with every figure as "<metric> <figure>" and the
    share of scenarios that keep every limit; `variance` by metric: the knobs' share, the unknowns' and both's."""

    on: str
    shortlist: tuple[Listed, ...]
    variance: Mapping[str, tuple[float, float, float]]


@dataclass(frozen=True)
class RunRecord:
    """A finished run read back.

    `counts` as in `run.json`; `knobs`, `objectives` by name; `indices` by kind, metric and knob (no entry where there
    is none), `index_method` how they were found, "" without any; `ranges` of the objectives over the front as (lowest,
    highest); `nothing_feasible` says that the shortlist holds setups that miss by least. `inputs` name -> SHA-256.
    `axle` is the law of the axles; a run that does not say knew beams only.
    """

    folder: str
    study: str
    car: str
    surface: str
    seed: int
    method: str
    counts: Mapping[str, int]
    inputs: Mapping[str, str]
    versions: Mapping[str, str]
    knobs: tuple[str, ...]
    objectives: tuple[str, ...]
    indices: Mapping[str, Mapping[str, Mapping[str, float]]]
    index_method: str
    shortlist: tuple[Listed, ...]
    nothing_feasible: bool
    ranges: Mapping[str, tuple[float, float]]
    limits: tuple[LimitRecord, ...]
    plan: PlanRecord | None
    axle: str = "beam"

    @property
    def feasible_share(self) -> float:
        """Share of all setups asked that keep every limit, 0 to 1."""
        return self.counts.get("feasible", 0) / max(1, self.counts.get("setups", 0))


@dataclass(frozen=True)
class Differs:
    """One thing by name with its text in each run, "" where a run has none."""

    name: str
    a: str
    b: str


@dataclass(frozen=True)
class Strongest:
    """The knob that matters most for a metric in each run, with its index; "" and 0 where a run has none."""

    metric: str
    knob_a: str
    index_a: float
    knob_b: str
    index_b: float


@dataclass(frozen=True)
class Shift:
    """An index of one knob for one metric in both runs."""

    metric: str
    knob: str
    a: float
    b: float

    @property
    def change(self) -> float:
        """Second less first."""
        return self.b - self.a


@dataclass(frozen=True)
class Shared:
    """A setup on both lists."""

    a: Listed
    b: Listed


@dataclass(frozen=True)
class Lists:
    """Two lists of setups: in `both`, and in one only. `matched_on` names the knobs that both runs vary."""

    matched_on: tuple[str, ...]
    both: tuple[Shared, ...]
    only_a: tuple[Listed, ...]
    only_b: tuple[Listed, ...]


@dataclass(frozen=True)
class Range:
    """An objective over the front, (lowest, highest) in each run, None where a run does not ask for it."""

    metric: str
    a: tuple[float, float] | None
    b: tuple[float, float] | None


@dataclass(frozen=True)
class LimitPair:
    """A limit in each run, None where a run has none on that metric in that sense."""

    metric: str
    sense: str
    a: LimitRecord | None
    b: LimitRecord | None


@dataclass(frozen=True)
class VariancePair:
    """Where the variance of a metric comes from in each plan: shares of knobs, unknowns, both together."""

    metric: str
    a: tuple[float, float, float]
    b: tuple[float, float, float]


@dataclass(frozen=True)
class PlansCompared:
    """Two plans: the figures their shortlists were taken on, the setups, and the variance of every metric in both."""

    on_a: str
    on_b: str
    setups: Lists
    variance: tuple[VariancePair, ...]


@dataclass(frozen=True)
class RunsCompared:
    """Everything two finished runs differ in.

    `index_kind` is the kind that both hold ("" where they share none); `strongest` per metric of either run, `shifts`
    the largest changes first. `inputs` and `versions` list only what differs; `plans` is None where one run has none.
    """

    a: RunRecord
    b: RunRecord
    knobs_only_a: tuple[str, ...]
    knobs_only_b: tuple[str, ...]
    index_kind: str
    strongest: tuple[Strongest, ...]
    shifts: tuple[Shift, ...]
    shortlist: Lists
    ranges: tuple[Range, ...]
    limits: tuple[LimitPair, ...]
    plans: PlansCompared | None
    inputs: tuple[Differs, ...]
    versions: tuple[Differs, ...]

    @property
    def one_law(self) -> bool:
        """Whether both runs are of one axle law: else their figures differ by the model too."""
        return self.a.axle == self.b.axle


def compare_runs(a: RunRecord, b: RunRecord) -> RunsCompared:
    """Put two finished runs side by side."""
    kind = next((kind for kind in KINDS if a.indices.get(kind) and b.indices.get(kind)), "")
    own, other = a.indices.get(kind, {}), b.indices.get(kind, {})
    knobs = tuple(name for name in a.knobs if name in b.knobs)
    return RunsCompared(
        a=a,
        b=b,
        knobs_only_a=tuple(name for name in a.knobs if name not in b.knobs),
        knobs_only_b=tuple(name for name in b.knobs if name not in a.knobs),
        index_kind=kind,
        strongest=tuple(_strongest(metric, own, other) for metric in _either(own, other)),
        shifts=_shifts(own, other),
        shortlist=matched(a.shortlist, b.shortlist, knobs),
        ranges=tuple(
            Range(metric, a.ranges.get(metric), b.ranges.get(metric)) for metric in _either(a.ranges, b.ranges)
        ),
        limits=_limit_pairs(a.limits, b.limits),
        plans=_plans(a.plan, b.plan, knobs),
        inputs=_differing(a.inputs, b.inputs),
        versions=_differing(a.versions, b.versions),
    )


def matched(a: Sequence[Listed], b: Sequence[Listed], knobs: tuple[str, ...]) -> Lists:
    """Setups of two lists, matched on some knobs, each once, in the order of the first list. Without a knob in common
    nothing is the same."""
    left = list(b)
    both, only_a = [], []
    for one in a:
        partner = next((two for two in left if knobs and _same(one, two, knobs)), None)
        if partner is None:
            only_a.append(one)
        else:
            left.remove(partner)
            both.append(Shared(one, partner))
    return Lists(knobs, tuple(both), tuple(only_a), tuple(left))


def _same(one: Listed, two: Listed, knobs: tuple[str, ...]) -> bool:
    return all(one.labels.get(knob) == two.labels.get(knob) for knob in knobs)


def _either(a: Mapping[str, object], b: Mapping[str, object]) -> tuple[str, ...]:
    """Names of the first, then those that only the second has."""
    return tuple(dict.fromkeys([*a, *b]))


def _strongest(metric: str, a: Mapping[str, Mapping[str, float]], b: Mapping[str, Mapping[str, float]]) -> Strongest:
    knob_a, index_a = _largest(a.get(metric, {}))
    knob_b, index_b = _largest(b.get(metric, {}))
    return Strongest(metric, knob_a, index_a, knob_b, index_b)


def _largest(indices: Mapping[str, float]) -> tuple[str, float]:
    """The knob with the largest index; ties go to the first. ("", 0) without any."""
    return max(indices.items(), key=lambda item: item[1], default=("", 0.0))


def _shifts(a: Mapping[str, Mapping[str, float]], b: Mapping[str, Mapping[str, float]]) -> tuple[Shift, ...]:
    """Indices that moved, largest change first, `LARGEST_SHIFTS` at most."""
    found = [
        Shift(metric, knob, index, b[metric][knob])
        for metric, knobs in a.items()
        for knob, index in knobs.items()
        if knob in b.get(metric, {})
    ]
    moved = [shift for shift in found if abs(shift.change) >= NOTICED]
    return tuple(sorted(moved, key=lambda shift: -abs(shift.change))[:LARGEST_SHIFTS])


def _limit_pairs(a: Sequence[LimitRecord], b: Sequence[LimitRecord]) -> tuple[LimitPair, ...]:
    """Limits by metric and sense; two of the same metric and sense are matched in their order."""
    left = list(b)
    found = []
    for one in a:
        partner = next((two for two in left if (two.metric, two.sense) == (one.metric, one.sense)), None)
        if partner is not None:
            left.remove(partner)
        found.append(LimitPair(one.metric, one.sense, one, partner))
    return (*found, *(LimitPair(two.metric, two.sense, None, two) for two in left))


def _plans(a: PlanRecord | None, b: PlanRecord | None, knobs: tuple[str, ...]) -> PlansCompared | None:
    if a is None or b is None:
        return None
    shared = [name for name in a.variance if name in b.variance]
    variance = tuple(VariancePair(name, a.variance[name], b.variance[name]) for name in shared)
    return PlansCompared(a.on, b.on, matched(a.shortlist, b.shortlist, knobs), variance)


def _differing(a: Mapping[str, str], b: Mapping[str, str]) -> tuple[Differs, ...]:
    return tuple(
        Differs(name, a.get(name, ""), b.get(name, "")) for name in _either(a, b) if a.get(name) != b.get(name)
    )
