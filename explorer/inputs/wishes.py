"""The wishes of a study file: soft targets, checked one by one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from explorer.domain.felt import felt_step
from explorer.domain.space import Knob
from explorer.domain.wishes import Wish
from explorer.inputs.fields import show
from explorer.inputs.source import Source, near
from explorer.inputs.tables import WishTable
from explorer.inputs.toml_lines import KeyPath
from explorer.model.metrics import describe, metric_columns

TARGETS = ("at_least", "at_most", "near", "at_least_share", "at_most_share")
LARGEST_TARGET = 1e9
FELT_RANGE = (1e-6, 1e6)
"""Least and largest felt difference, over the usual one of the metric or the span of the knob."""

PRICES = (1e-6, 1e6)


class WishReader:
    """Reads [[wishes]]; faults go to the study's source.

    `known` says whether a metric stands for something (and notes it if not), `knob_of` finds a knob (None where it is
    not there, noted too), `liked` holds the phases of each liked setup's surface by its name, `names` all liked setups.
    """

    def __init__(
        self,
        study: Source,
        known: Callable[[KeyPath, str], bool],
        knob_of: Callable[[str, KeyPath], Knob | None],
        liked: Mapping[str, tuple[str, ...]],
        names: list[str],
    ) -> None:
        self._study, self._known, self._knob_of, self._liked, self._names = study, known, knob_of, liked, names

    def read(self, entries: list[tuple[KeyPath, Any]]) -> tuple[Wish, ...]:
        """The wishes without a fault."""
        found = []
        for path, raw in entries:
            table = self._study.check(WishTable, raw, path)
            wish = None if table is None else self._wish(path, table)
            if wish is not None:
                found.append(wish)
        return tuple(found)

    def _wish(self, path: KeyPath, table: WishTable) -> Wish | None:
        target = self._target(path, table)
        usual = self._usual(path, table)
        bound = self._reference(path, table, usual is not None)
        if target is None or usual is None or not bound:
            return None
        key, value = target
        felt = usual if table.felt is None else table.felt
        if not FELT_RANGE[0] * usual <= felt <= FELT_RANGE[1] * usual:
            allowed = f"{FELT_RANGE[0] * usual:g} to {FELT_RANGE[1] * usual:g}"
            self._study.report((*path, "felt"), show(felt), f"allowed: {allowed}")
            return None
        if not PRICES[0] <= table.price <= PRICES[1]:
            self._study.report((*path, "price"), show(table.price), f"allowed: {PRICES[0]:g} to {PRICES[1]:g}")
            return None
        return Wish(
            metric=table.metric or "",
            knob=table.knob or "",
            sense=key.removesuffix("_share"),
            value=value,
            felt=felt,
            price=table.price,
            share=key.endswith("_share"),
            relative_to=table.relative_to,
            reason=table.reason,
        )

    def _target(self, path: KeyPath, table: WishTable) -> tuple[str, float] | None:
        """The one target and its value."""
        given = [(key, float(getattr(table, key))) for key in TARGETS if getattr(table, key) is not None]
        if len(given) != 1:
            found = " and ".join(key for key, _ in given) or "no target"
            self._study.report(path, found, f"exactly one of {', '.join(TARGETS)}")
            return None
        key, value = given[0]
        if abs(value) > LARGEST_TARGET:
            self._study.report((*path, key), show(value), f"at most {LARGEST_TARGET:g} in size")
            return None
        if key.endswith("_share") and not table.relative_to:
            self._study.report(
                path, f"{key} without relative_to", 'relative_to = "baseline" or the NAME of a [liked.NAME]'
            )
            return None
        return key, value

    def _usual(self, path: KeyPath, table: WishTable) -> float | None:
        """The usual felt difference of what the wish is about; None, and noted, where it is about nothing."""
        if (table.metric is None) == (table.knob is None):
            found = "both metric and knob" if table.metric else "neither metric nor knob"
            self._study.report(path, found, "one of metric and knob")
            return None
        if table.metric is not None:
            if not self._known(path, table.metric):
                return None
            entry = describe(table.metric)
            if entry.codes:
                self._study.report((*path, "metric"), show(table.metric), "a quantity: this metric names a state")
                return None
            return felt_step(table.metric, entry.resolution)
        knob = self._knob_of(str(table.knob), (*path, "knob"))
        if knob is None:
            return None
        if table.felt is None:
            unit = knob.unit or "places in the list of its levels"
            self._study.report((*path, "felt"), "", f"this key is needed for a knob: a step of it, in {unit}")
            return None
        return max(abs(knob.values[-1] - knob.values[0]), table.felt)

    def _reference(self, path: KeyPath, table: WishTable, known: bool) -> bool:
        """Whether the setup named by relative_to has what the wish is about, where that is `known`."""
        name = table.relative_to
        if not name or name == "baseline":
            return True
        if name not in self._names:
            hint = near(name, ["baseline", *self._names])
            self._study.report((*path, "relative_to"), show(name), f'"baseline" or the NAME of a [liked.NAME]; {hint}')
            return False
        there = tuple(phase for phase in self._liked.get(name, ()) if phase.strip())
        if known and table.metric is not None and there and table.metric not in metric_columns(there):
            allowed = f"a phase that the surface of liked.{name} has too: {', '.join(there)}"
            self._study.report((*path, "metric"), show(table.metric), allowed)
            return False
        return True
