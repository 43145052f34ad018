"""Limits made into numbers: what bound each stands for, by how much a setup keeps or breaks it, and which ones bind.

Amounts are counted in the metric's own resolution (the difference nobody can feel), so that limits on different
metrics can be added up and compared.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import BoolArray, FloatArray, IntArray, Limit, Space
from explorer.model.metrics import describe
from explorer.study.everything.evaluate import MetricTable, reason_of, table_of

SLACK = 1e-9
"""A limit missed by less than this share of a resolution is kept: that is rounding, not a fault of the setup."""


@dataclass(frozen=True)
class ResolvedLimit:
    """A limit with its bound as a number in the metric's unit.

    `sense` is "at_least" or "at_most"; `resolution` is the metric's, same unit; `text` says it in words.
    """

    metric: str
    sense: str
    bound: float
    text: str
    resolution: float
    reason: str = ""


@dataclass(frozen=True)
class LimitCounts:
    """How a table stands against its limits.

    `broken[i]`: valid setups that break limit i; `only[i]`: those that break nothing else, so limit i alone keeps
    them out (it binds). `valid`, `feasible`, `invalid` count setups.
    """

    limits: tuple[ResolvedLimit, ...]
    broken: IntArray
    only: IntArray
    valid: int
    feasible: int
    invalid: int


def resolve_limits(space: Space) -> tuple[ResolvedLimit, ...]:
    """Every limit of the study with its bound worked out.

    A bound relative to "baseline" is the baseline's own metric plus the value; one relative to a `Reference` is that
    setup's metric on the reference's surface and phases plus the value.

    Raises SpaceError for an unknown metric or reference, or for two limits that no setup can keep together;
    ModelError when the model has no answer for the baseline or the reference.
    """
    tables: dict[str, MetricTable] = {}
    resolved = tuple(_resolve(space, limit, tables) for limit in space.limits)
    for low in resolved:
        for high in resolved:
            if low.metric == high.metric and (low.sense, high.sense) == ("at_least", "at_most"):
                if low.bound > high.bound:
                    raise SpaceError(f"these limits contradict each other: {low.text}; {high.text}")
    return resolved


def _resolve(space: Space, limit: Limit, tables: dict[str, MetricTable]) -> ResolvedLimit:
    entry = describe(limit.metric)
    if limit.sense not in ("at_least", "at_most"):
        raise SpaceError(f"limit on {limit.metric}: {limit.sense!r} is neither at_least nor at_most")
    bound, source = limit.value, ""
    if limit.relative_to:
        if limit.relative_to not in tables:
            tables[limit.relative_to] = anchor(space, limit.relative_to)
        own = float(tables[limit.relative_to].column(limit.metric)[0])
        bound = own + limit.value
        source = f" ({limit.relative_to} {own:.4g} {'-' if limit.value < 0 else '+'} {abs(limit.value):.4g})"
    if not np.isfinite(bound):
        raise SpaceError(f"limit on {limit.metric}: the bound is not a finite number")
    text = f"{limit.metric} {limit.sense.replace('_', ' ')} {bound:.4g} {entry.unit}".rstrip() + source
    return ResolvedLimit(limit.metric, limit.sense, bound, text, entry.resolution, limit.reason)


def anchor(space: Space, name: str) -> MetricTable:
    """The one-row table of the baseline or of a reference on its own surface."""
    if name == "baseline":
        table = table_of(space, np.array([space.baseline], dtype=np.float64))
    else:
        found = [reference for reference in space.references if reference.name == name]
        if not found:
            known = ", ".join(["baseline", *(reference.name for reference in space.references)])
            raise SpaceError(f"a limit or wish is relative to {name!r}, which is not defined; defined: {known}")
        reference = found[0]
        there = replace(space, base=reference.base, phase_names=reference.phase_names, phases=reference.phases)
        table = table_of(there, np.array([reference.positions], dtype=np.float64))
    if not table.valid[0]:
        why = reason_of(table.space, table.positions[0])
        raise ModelError(f"the model has no answer for {name}, so nothing can be set relative to it: {why}")
    return table


def margins(limits: tuple[ResolvedLimit, ...], table: MetricTable) -> FloatArray:
    """Signed distance to each limit in resolutions, positive where kept. Shape (rows, limits).

    Rows that the model could not answer hold -inf: never kept.
    """
    result = np.empty((len(limits), len(table)))  # limit by limit: several times faster
    for own, limit in zip(result, limits, strict=True):
        sign = 1.0 if limit.sense == "at_least" else -1.0
        own[:] = sign * (table.column(limit.metric) - limit.bound) / limit.resolution
    np.putmask(result, (result < 0.0) & (result > -SLACK), 0.0)
    result[:, ~table.valid] = -np.inf
    return result.T


def violations(limits: tuple[ResolvedLimit, ...], table: MetricTable) -> FloatArray:
    """Amount by which each limit is broken, in resolutions, 0 where kept. Shape (rows, limits), inf where invalid."""
    return np.maximum(-margins(limits, table), 0.0)


def feasible(limits: tuple[ResolvedLimit, ...], table: MetricTable) -> BoolArray:
    """Setups that the model answered and that keep every limit. Shape (rows,)."""
    return table.valid & (margins(limits, table) >= 0.0).all(axis=1)


def count_limits(limits: tuple[ResolvedLimit, ...], table: MetricTable) -> LimitCounts:
    """How many valid setups break each limit, and how many break it alone."""
    return counts_of(limits, margins(limits, table) < 0.0, table.valid)


def counts_of(limits: tuple[ResolvedLimit, ...], broken: BoolArray, valid: BoolArray) -> LimitCounts:
    """As `count_limits`, of setups that break the limits marked in `broken` (rows, limits); `valid` (rows,)."""
    broken = broken[valid]
    faults = broken.sum(axis=1)
    return LimitCounts(
        limits=limits,
        broken=broken.sum(axis=0).astype(np.int64),
        only=(broken & (faults == 1)[:, None]).sum(axis=0).astype(np.int64),
        valid=int(valid.sum()),
        feasible=int((faults == 0).sum()),
        invalid=int((~valid).sum()),
    )
