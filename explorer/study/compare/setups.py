"""Two setups side by side: every metric, what differs in parts and work, and the limits each keeps in its own study.

The two may stand in different studies: other ground, other parts in the box, another car. Phases and knobs are matched
by name; what has no partner is named and not compared. Every difference is the second less the first, so exchanging the
two turns every sign.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.felt import felt_step
from explorer.domain.space import FloatArray, Knob, Space
from explorer.model.metrics import Metric, describe
from explorer.study.everything.evaluate import MetricTable, fault_words, table_of
from explorer.study.everything.limits import ResolvedLimit, margins

FELT = 0.5
"""Below this many felt differences a difference is called none."""


@dataclass(frozen=True)
class Line:
    """One metric of both. `a` and `b` in `unit`, `difference` b less a, `resolutions` the same in felt differences.

    `better` is "a" or "b" where the catalogue says which way is better and the difference can be felt, else "". A code
    (`state` and the like) has its words in `word_a` and `word_b`; its difference says only whether they differ.
    """

    metric: str
    label: str
    unit: str
    a: float
    b: float
    difference: float
    resolutions: float
    better: str
    word_a: str = ""
    word_b: str = ""


@dataclass(frozen=True)
class PartLine:
    """One knob that stands differently: labels `a` and `b`, `minutes` to change it (the longer of both studies) [min].

    A knob that only one study has holds "" for the other and costs nothing.
    """

    knob: str
    a: str
    b: str
    minutes: float


@dataclass(frozen=True)
class Comparison:
    """Two setups. `name_a`, `name_b` name their studies; `lines` every metric both have; `parts` what differs.

    `minutes` of work from one to the other [min]; `only_a`, `only_b` phases and `knobs_only_a`, `knobs_only_b` knobs
    without a partner, the knobs with their label; `other_numbers` knobs that carry the same label in both and yet give
    the model other numbers (another car, or another part of that name). `kept_a`, `kept_b` say that every limit of its
    own study is kept, `broken_a`, `broken_b` which are not. `better_a`, `better_b` count lines.
    """

    name_a: str
    name_b: str
    labels_a: tuple[str, ...]
    labels_b: tuple[str, ...]
    lines: tuple[Line, ...]
    parts: tuple[PartLine, ...]
    minutes: float
    only_a: tuple[str, ...]
    only_b: tuple[str, ...]
    knobs_only_a: tuple[PartLine, ...]
    knobs_only_b: tuple[PartLine, ...]
    other_numbers: tuple[str, ...]
    kept_a: bool
    kept_b: bool
    broken_a: tuple[str, ...]
    broken_b: tuple[str, ...]

    @property
    def better_a(self) -> int:
        """Lines on which the first is better."""
        return sum(line.better == "a" for line in self.lines)

    @property
    def better_b(self) -> int:
        """Lines on which the second is better."""
        return sum(line.better == "b" for line in self.lines)


@dataclass(frozen=True)
class LevelLine:
    """One knob that both studies have: its levels in one only, and in both, as labels. A range counts as one level."""

    knob: str
    only_a: tuple[str, ...]
    only_b: tuple[str, ...]
    both: tuple[str, ...]


@dataclass(frozen=True)
class StudyComparison:
    """Two studies: their baselines, the knobs that only one has, and the levels of those that both have."""

    baselines: Comparison
    knobs_only_a: tuple[str, ...]
    knobs_only_b: tuple[str, ...]
    levels: tuple[LevelLine, ...]


def compare(
    space_a: Space,
    positions_a: FloatArray,
    space_b: Space,
    positions_b: FloatArray,
    limits_a: tuple[ResolvedLimit, ...] = (),
    limits_b: tuple[ResolvedLimit, ...] = (),
) -> Comparison:
    """Setup `positions_a` (knobs,) of one study beside `positions_b` (knobs,) of another or the same.

    Raises ModelError when the model has no answer for one of the two, SpaceError for positions of the wrong length.
    """
    table_a, table_b = _one(space_a, positions_a, "first"), _one(space_b, positions_b, "second")
    shared = [name for name in table_a.columns if name in table_b.columns]
    values_a, values_b = table_a.row(0), table_b.row(0)
    broken_a, broken_b = _broken(limits_a, table_a), _broken(limits_b, table_b)
    parts, alone_a, alone_b = _parts(space_a, table_a.positions[0], space_b, table_b.positions[0])
    return Comparison(
        name_a=space_a.name,
        name_b=space_b.name,
        labels_a=space_a.labels(table_a.positions[0]),
        labels_b=space_b.labels(table_b.positions[0]),
        lines=tuple(_line(name, values_a[name], values_b[name]) for name in shared),
        parts=parts,
        minutes=float(sum(part.minutes for part in parts)),
        only_a=tuple(name for name in space_a.phase_names if name not in space_b.phase_names),
        only_b=tuple(name for name in space_b.phase_names if name not in space_a.phase_names),
        knobs_only_a=alone_a,
        knobs_only_b=alone_b,
        other_numbers=_other_numbers(space_a, table_a.positions[0], space_b, table_b.positions[0]),
        kept_a=not broken_a,
        kept_b=not broken_b,
        broken_a=broken_a,
        broken_b=broken_b,
    )


def compare_studies(
    space_a: Space,
    space_b: Space,
    limits_a: tuple[ResolvedLimit, ...] = (),
    limits_b: tuple[ResolvedLimit, ...] = (),
) -> StudyComparison:
    """Two studies as a whole: baseline beside baseline, and what only one has in its box. Raises like `compare`."""
    one, other = np.array(space_a.baseline), np.array(space_b.baseline)
    knobs_b = {knob.name: knob for knob in space_b.knobs}
    return StudyComparison(
        baselines=compare(space_a, one, space_b, other, limits_a, limits_b),
        knobs_only_a=tuple(name for name in space_a.knob_names if name not in knobs_b),
        knobs_only_b=tuple(name for name in space_b.knob_names if name not in space_a.knob_names),
        levels=tuple(_levels(knob, knobs_b[knob.name]) for knob in space_a.knobs if knob.name in knobs_b),
    )


def _one(space: Space, positions: FloatArray, which: str) -> MetricTable:
    """The one-row table of a setup."""
    place = np.asarray(positions, dtype=np.float64)
    if place.shape != (len(space.knobs),):
        raise SpaceError(f"the {which} setup needs {len(space.knobs)} positions, not {place.shape}")
    table = table_of(space, place[None, :])
    if not table.valid[0]:
        word = fault_words(space, place[None, :])[0] or "no reason given"
        raise ModelError(f"the model has no answer for the {which} setup ({space.name}): {word}")
    return table


def _broken(limits: tuple[ResolvedLimit, ...], table: MetricTable) -> tuple[str, ...]:
    return tuple(one.text for one, margin in zip(limits, margins(limits, table)[0], strict=True) if margin < 0.0)


def _line(name: str, a: float, b: float) -> Line:
    metric = describe(name)
    difference = b - a
    resolutions = difference / felt_step(name, metric.resolution)
    better = ""
    if metric.direction != 0 and abs(resolutions) > FELT:
        better = "b" if difference * metric.direction > 0.0 else "a"
    label = f"{name.split('.', 1)[0]}: {metric.label}" if "." in name else metric.label
    words = _word(metric, a), _word(metric, b)
    return Line(name, label, metric.unit, a, b, difference, resolutions, better, *words)


def _word(metric: Metric, value: float) -> str:
    return metric.codes[int(value)] if metric.codes else ""


def _parts(
    space_a: Space, one: FloatArray, space_b: Space, other: FloatArray
) -> tuple[tuple[PartLine, ...], tuple[PartLine, ...], tuple[PartLine, ...]]:
    """What differs, and what only the first and only the second has."""
    labels_a = dict(zip(space_a.knob_names, space_a.labels(one), strict=True))
    labels_b = dict(zip(space_b.knob_names, space_b.labels(other), strict=True))
    parts = tuple(
        PartLine(knob.name, labels_a[knob.name], labels_b[knob.name], max(knob.minutes, partner.minutes))
        for knob, at, partner, place in _shared(space_a, one, space_b, other)
        if not _same_part(knob, at, partner, place)
    )
    alone_a = tuple(PartLine(name, label, "", 0.0) for name, label in labels_a.items() if name not in labels_b)
    alone_b = tuple(PartLine(name, "", label, 0.0) for name, label in labels_b.items() if name not in labels_a)
    return parts, alone_a, alone_b


def _shared(
    space_a: Space, one: FloatArray, space_b: Space, other: FloatArray
) -> list[tuple[Knob, float, Knob, float]]:
    """Knobs that both have, each with where it stands."""
    found = {knob.name: (knob, float(at)) for knob, at in zip(space_b.knobs, other, strict=True)}
    pairs = zip(space_a.knobs, one, strict=True)
    return [(knob, float(at), *found[knob.name]) for knob, at in pairs if knob.name in found]


def _same_part(one: Knob, at: float, other: Knob, place: float) -> bool:
    """The same place on the axis where one of the two is a range, else the same label."""
    if one.continuous or other.continuous:
        return bool(np.isclose(one.value_at(at), other.value_at(place), rtol=1e-12, atol=0.0))
    return _same(one.label_at(at), other.label_at(place))


def _other_numbers(space_a: Space, one: FloatArray, space_b: Space, other: FloatArray) -> tuple[str, ...]:
    """Knobs that stand at the same label in both and set other numbers."""
    vector_a, vector_b = space_a.parameters(one[None, :])[0], space_b.parameters(other[None, :])[0]
    return tuple(
        knob.name
        for knob, at, partner, place in _shared(space_a, one, space_b, other)
        if _same_part(knob, at, partner, place)
        and (
            knob.slots != partner.slots
            or not np.allclose(vector_a[list(knob.slots)], vector_b[list(partner.slots)], rtol=1e-9, atol=0.0)
        )
    )


def _same(one: str, other: str) -> bool:
    """The same label, or the same number written in another way."""
    if one == other:
        return True
    try:
        return float(one) == float(other)
    except ValueError:
        return False


def _levels(one: Knob, other: Knob) -> LevelLine:
    a, b = _labels(one), _labels(other)
    only_a = tuple(label for label in a if not any(_same(label, known) for known in b))
    only_b = tuple(label for label in b if not any(_same(label, known) for known in a))
    return LevelLine(one.name, only_a, only_b, tuple(label for label in a if label not in only_a))


def _labels(knob: Knob) -> tuple[str, ...]:
    return (f"{knob.values[0]:g} to {knob.values[1]:g}",) if knob.continuous else knob.labels
