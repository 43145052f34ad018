"""From a study's tables to a `Space`: every cross-check between the study, its car and its surfaces."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np

from explorer.domain.felt import felt_step
from explorer.domain.space import Assumption, FloatArray, Knob, Limit, Objective, Reference, Rule, Settings, Space
from explorer.domain.unknowns import how_to_measure
from explorer.inputs.balanced import NotBalanced, balanced_ratio, home_of, reason, report
from explorer.inputs.car_and_surface import CarDefinition, SurfaceDefinition
from explorer.inputs.feasible import refuse_impossible_space
from explorer.inputs.fields import fit_to_print, one_spelling, show
from explorer.inputs.knobs import NUMBER_KNOBS, PART_KNOBS, check_owners, level_at, number_knob, part_knob, position_at
from explorer.inputs.parts_box import part_slots
from explorer.inputs.source import Source, near
from explorer.inputs.tables import (
    KnobTable,
    LikedTable,
    LimitTable,
    MapTable,
    MethodTable,
    ObjectiveTable,
    RuleTable,
    StudyHead,
)
from explorer.inputs.toml_lines import KeyPath
from explorer.inputs.typical import asked_of_levels
from explorer.inputs.tyre import with_tyre
from explorer.inputs.unknowns import planning, split_key, unknowns
from explorer.inputs.wishes import WishReader
from explorer.model.car.slots import SLOT, WISHBONE
from explorer.model.metrics import describe, metric_columns

DEFAULT_OBJECTIVES = (("lag_ms", -1), ("grip_margin_pct", 1), ("lift_margin_pct", 1))
ENTRY_LIMIT = 1_000
"""Most rules, limits, objectives or maps of one study."""

LIKED_LIMIT = 50
"""Most liked setups of one study."""

LARGEST_BOUND = 1e9
"""Largest size of a limit: above it, counted in resolutions, lies no number that a computer holds."""

RESOLUTIONS = (1e-6, 1e6)
"""Least and largest resolution of an objective, over the usual one of its metric."""

Pairs = tuple[tuple[str, tuple[str, ...]], ...]


@dataclass
class StudyBuilder:
    """Builds the space of a study; problems go to the study's source, and `space` then returns None.

    A knob at fault stays in `knobs` as None, so that it is not called unknown elsewhere. `read_surface` reads the
    surface file of a liked setup, for a name and the key it stands at.
    """

    study: Source
    car: CarDefinition
    surface: SurfaceDefinition
    read_surface: Callable[[str, KeyPath], SurfaceDefinition]
    knobs: dict[str, Knob | None] = field(default_factory=dict)

    def space(self, head: StudyHead | None) -> Space | None:
        """Check everything; the space if nothing at all is wrong in any file."""
        self._read_knobs()
        rules = self._rules()
        objectives = self._objectives()
        liked = self._liked()
        limits = self._limits(liked)
        phases = {name: surface.phase_names for name, (_, surface) in liked.items()}
        every = [name for name, _, _ in self.study.members(("liked",))]
        wishes = WishReader(self.study, self._metric, self._knob, phases, every).read(self._entries("wishes"))
        method = self.study.check(MethodTable, self.study.raw.get("method", {}), ("method",))
        maps = self._maps()
        plan = planning(self.study, liked)
        self._fit_parts()
        baseline = self._baseline()
        if not self.car.complete or not self.surface.complete or head is None or method is None or baseline is None:
            return None
        if self.study.problems:
            return None
        knobs = tuple(knob for knob in self.knobs.values() if knob is not None)
        asked = {f.name: getattr(method, f.name) for f in fields(Settings) if f.name != "maps"}
        space = Space(
            name=head.name,
            car=self.car.name,
            surface=self.surface.name,
            seed=head.seed,
            knobs=knobs,
            rules=rules,
            objectives=objectives,
            limits=limits,
            wishes=wishes,
            baseline=baseline,
            base=self._with_surface(self.surface),
            phase_names=self.surface.phase_names,
            phases=self.surface.phases,
            assumptions=self._assumptions(),
            settings=Settings(**asked, maps=maps),
            notes=self.car.notes + self._asked(knobs) + self._tyres(liked),
            axle="wishbone" if self._with_surface(self.surface)[SLOT["axle_law"]] == WISHBONE else "beam",
        )
        space = replace(space, base=space.parameters(np.array([baseline]))[0], planning=plan)
        refuse_impossible_space(self.study, space, [path for path, _ in self._entries("rules")])
        references = tuple(self._reference(space, *item) for item in liked.items())
        space = replace(space, references=references)
        if not self.study.problems:
            space = self._balanced(space, liked)
        here = self._of_this_surface(liked)
        space = replace(space, unknowns=unknowns(self.study, space.base, space.assumptions, knobs, here))
        return None if self.study.problems else space

    # ---- knobs

    def _read_knobs(self) -> None:
        members = self.study.members(("knobs",))
        if not members and not isinstance(self.study.at(("knobs",)), (str, int, float, list)):
            self.study.report(("knobs",), "no knob", "at least one table [knobs.NAME], like [knobs.front_bar]")
        for name, path, raw in members:
            if name not in PART_KNOBS and name not in NUMBER_KNOBS:
                self.study.report(path, "an unknown knob", near(name, PART_KNOBS + tuple(NUMBER_KNOBS)))
                self.knobs[name] = None
                for meant in difflib.get_close_matches(name, PART_KNOBS + tuple(NUMBER_KNOBS), n=1):
                    self.knobs.setdefault(meant, None)
                continue
            table = self.study.check(KnobTable, raw, path)
            if table is None:
                self.knobs[name] = None
            elif name in PART_KNOBS:
                self.knobs[name] = part_knob(self.study, path, name, table, self.car.parts.get(name))
            else:
                self.knobs[name] = number_knob(self.study, path, name, table)
        check_owners(self.study, tuple(knob for knob in self.knobs.values() if knob is not None))
        moving = "ballast_position_mm"
        if self.knobs.get(moving) is not None and self.car.complete and self.car.base[SLOT["ballast_mass"]] <= 0.0:
            self.study.report(("knobs", moving), "a car without ballast", "ballast_g above 0 in the car file")

    def _fit_parts(self) -> None:
        """Put the fitted parts into the base where no knob varies them."""
        for place in PART_KNOBS:
            box = self.car.parts.get(place)
            if box is None:
                continue
            kind = place.split("_")[1]
            if kind == "damper" and (place in self.knobs or box):
                stem = f"{place.split('_')[0]}_damping"
                kept = tuple(item for item in self.car.assumptions if not item.key.startswith(stem))
                self.car.assumptions = kept
            if place in self.knobs:
                continue
            label = self.car.fitted.get(place) or (box[0].label if len(box) == 1 else None)
            if label is None and not box and kind != "spring":
                if kind == "bar":
                    self.car.notes += (f"No {place.replace('_', ' ')} on this car.",)
                continue
            if label is None:
                found = "no part" if not box else f"{len(box)} parts to choose from"
                allowed = (
                    f"a [knobs.{place}] here, or {place} under [fitted] in the car file, with its [[parts.{place}s]]"
                )
                if self.car.complete or not box:
                    self.study.report(("knobs", place), found, allowed)
                continue
            part = next(part for part in box if part.label == label)
            self.car.base[list(part_slots(place))] = part.settings

    # ---- setups and rules

    def _knob(self, name: str, path: KeyPath) -> Knob | None:
        if name not in self.knobs:
            self.study.report(path, "no knob of this study", near(name, self.knobs))
        return self.knobs.get(name)

    def _pairs(self, path: KeyPath, choices: dict[str, tuple[str, ...]] | None) -> Pairs:
        pairs = []
        for name, labels in (choices or {}).items():
            knob = self._knob(name, (*path, name))
            if knob is None:
                continue
            if knob.continuous:
                self.study.report((*path, name), "a continuous knob", "a knob with levels: a rule names levels")
                continue
            for label in labels:
                position_at(self.study, (*path, name), knob, label, label)
            pairs.append((name, labels))
        return tuple(pairs)

    def _entries(self, name: str) -> list[tuple[KeyPath, Any]]:
        entries = self.study.entries((name,))
        if len(entries) > ENTRY_LIMIT:
            self.study.report((name,), f"{len(entries)} entries", f"at most {ENTRY_LIMIT}")
        return entries[:ENTRY_LIMIT]

    def _rules(self) -> tuple[Rule, ...]:
        rules = []
        for path, raw in self._entries("rules"):
            table = self.study.check(RuleTable, raw, path)
            if table is None:
                continue
            when = self._pairs((*path, "when"), table.when)
            key = "only" if table.never is None else "never"
            then = self._pairs((*path, key), table.only if table.never is None else table.never)
            if (table.only is None) == (table.never is None):
                found = "both only and never" if table.only else "neither only nor never"
                self.study.report(path, found, "one of only = { ... } and never = { ... }")
                continue
            for name in sorted({name for name, _ in when} & {name for name, _ in then}):
                self.study.report(
                    (*path, key, name), f"{name} under when as well", "another knob than those under when"
                )
            rules.append(Rule(table.reason, when, then) if key == "only" else Rule(table.reason, when + then))
        return tuple(rules)

    def _setup(self, path: KeyPath, raw: dict[str, Any]) -> dict[str, float]:
        """Position by knob for the levels named in a table."""
        positions = {}
        for name, value in raw.items():
            knob = self._knob(name, (*path, name))
            if knob is None:
                continue
            position = level_at(self.study, (*path, name), knob, value)
            if position is not None:
                positions[name] = position
        return positions

    def _baseline(self) -> tuple[float, ...] | None:
        raw = self.study.at(("baseline",))
        if not isinstance(raw, dict):
            found = "" if raw is None else show(raw)
            self.study.report(
                ("baseline",), found, "this table is needed: the level of every knob that is on the car now"
            )
            return None
        positions = self._setup(("baseline",), raw)
        written = [name for name, _, _ in self.study.members(("knobs",))]
        for name in self.knobs:
            if name not in raw and name in written and name in PART_KNOBS + tuple(NUMBER_KNOBS):
                self.study.report(("baseline", name), "", "this key is needed: the level that is on the car now")
        if any(knob is None for knob in self.knobs.values()) or len(positions) < len(self.knobs):
            return None
        return tuple(positions[name] for name in self.knobs)

    # ---- metrics

    def _metric(self, path: KeyPath, name: str) -> bool:
        """Whether a metric is known; noted if not. Phases of a surface that could not be read pass."""
        columns = metric_columns(self.surface.phase_names)
        if name in columns:
            return True
        phase, dot, stem = name.partition(".")
        if dot and phase not in self.surface.phase_names:
            if not self.surface.phase_names:
                return False
            self.study.report((*path, "metric"), show(name), f"no such phase; {near(phase, self.surface.phase_names)}")
            return False
        wanted = metric_columns(("",))
        stems = [column[1:] for column in wanted if column.startswith(".")]
        if dot:
            self.study.report((*path, "metric"), show(name), f"no such phase metric; {near(stem, stems)}")
            return False
        hint = near(name, [column for column in wanted if not column.startswith(".")])
        if name in stems and self.surface.phase_names:
            hint = f"name a phase too: {self.surface.phase_names[0]}.{name}"
        self.study.report((*path, "metric"), show(name), f"no such metric; {hint}")
        return False

    def _objectives(self) -> tuple[Objective, ...]:
        if self.study.at(("objectives",)) is None:
            return tuple(
                Objective(name, way, felt_step(name, describe(name).resolution)) for name, way in DEFAULT_OBJECTIVES
            )
        objectives: list[Objective] = []
        entries = self._entries("objectives")
        for path, raw in entries:
            table = self.study.check(ObjectiveTable, raw, path)
            if table is None or not self._metric(path, table.metric):
                continue
            metric = describe(table.metric)
            usual = metric.resolution
            if table.resolution is not None and not (
                RESOLUTIONS[0] * usual <= table.resolution <= RESOLUTIONS[1] * usual
            ):
                allowed = f"{RESOLUTIONS[0] * usual:g} to {RESOLUTIONS[1] * usual:g} {metric.unit}".rstrip()
                self.study.report((*path, "resolution"), show(table.resolution), f"allowed: {allowed}")
                continue
            way = metric.direction if table.direction is None else {"lower": -1, "higher": 1}[table.direction]
            if metric.codes:
                self.study.report((*path, "metric"), show(table.metric), "a quantity: this metric names a state")
            elif way == 0:
                self.study.report((*path, "direction"), "", 'this key is needed for this metric: "lower" or "higher"')
            elif table.metric in (known.metric for known in objectives):
                self.study.report((*path, "metric"), show(table.metric), "every metric only once among the objectives")
            else:
                felt = felt_step(table.metric, metric.resolution)
                objectives.append(Objective(table.metric, way, table.resolution or felt))
        if not entries:
            self.study.report(("objectives",), "an empty list", "one or more [[objectives]], or none of it at all")
        return tuple(objectives)

    def _limits(self, liked: dict[str, tuple[LikedTable, SurfaceDefinition]]) -> tuple[Limit, ...]:
        limits: list[Limit] = []
        names = [name for name, _, _ in self.study.members(("liked",))]
        for path, raw in self._entries("limits"):
            table = self.study.check(LimitTable, raw, path)
            if table is None:
                continue
            known = self._metric(path, table.metric)
            if known and describe(table.metric).codes:
                self.study.report((*path, "metric"), show(table.metric), "a quantity: this metric names a state")
            if table.at_least is None and table.at_most is None:
                self.study.report(path, "neither at_least nor at_most", "at_least, at_most or both")
            reference = table.relative_to
            if reference and reference != "baseline" and reference not in names:
                hint = near(reference, ["baseline", *names])
                self.study.report(
                    (*path, "relative_to"), show(reference), f'"baseline" or the NAME of a [liked.NAME]; {hint}'
                )
            elif known and reference in liked:
                # a name that is no name is told at its place
                there = tuple(name for name in liked[reference][1].phase_names if name.strip())
                if there and table.metric not in metric_columns(there):
                    allowed = f"a phase that the surface of liked.{reference} has too: {', '.join(there)}"
                    self.study.report((*path, "metric"), show(table.metric), allowed)
            for sense, value in (("at_least", table.at_least), ("at_most", table.at_most)):
                if value is not None and abs(value) > LARGEST_BOUND:
                    self.study.report((*path, sense), show(value), f"at most {LARGEST_BOUND:g} in size")
                elif value is not None:
                    limit = Limit(table.metric, sense, value, reference, table.reason)
                    self._refuse_contradiction(path, limit, limits)
                    limits.append(limit)
        return tuple(limits)

    def _refuse_contradiction(self, path: KeyPath, limit: Limit, others: list[Limit]) -> None:
        for other in others:
            if (other.metric, other.relative_to) != (limit.metric, limit.relative_to) or other.sense == limit.sense:
                continue
            low, high = (limit, other) if limit.sense == "at_least" else (other, limit)
            if low.value > high.value:
                found = f"at_least {low.value:g} and at_most {high.value:g} on {limit.metric}"
                self.study.report((*path, limit.sense), found, "limits that can both be met")

    def _maps(self) -> tuple[tuple[str, str, str], ...]:
        maps = []
        for path, raw in self._entries("maps"):
            table = self.study.check(MapTable, raw, path)
            if table is None:
                continue
            for key, name in (("x", table.x), ("y", table.y)):
                self._knob(name, (*path, key))
            if table.x == table.y:
                self.study.report((*path, "y"), show(table.y), "another knob than x")
            if self._metric(path, table.metric):
                maps.append((table.x, table.y, table.metric))
        return tuple(maps)

    # ---- liked setups

    def _liked(self) -> dict[str, tuple[LikedTable, SurfaceDefinition]]:
        found: dict[str, tuple[LikedTable, SurfaceDefinition]] = {}
        members = self.study.members(("liked",))
        if len(members) > LIKED_LIMIT:
            self.study.report(("liked",), f"{len(members):,} tables", f"at most {LIKED_LIMIT}")
        for name, path, raw in members[:LIKED_LIMIT]:
            if not fit_to_print(name) or len(name) > 80:
                self.study.report(path, show(name), "a NAME of 1 to 80 characters on one line")
                continue
            table = self.study.check(LikedTable, raw, path)
            twin = next((other for other in found if one_spelling(other) == one_spelling(name)), "")
            if twin:
                self.study.report(path, f"the name of liked.{twin} in another spelling", "every name only once")
            elif name == "baseline":
                self.study.report(path, "the name baseline", "another name: baseline is the setup under [baseline]")
            elif table is not None:
                for knob, labels in table.setup.items():
                    if len(labels) != 1:
                        self.study.report((*path, "setup", knob), show(list(labels)), "one level")
                self._setup((*path, "setup"), {knob: labels[0] for knob, labels in table.setup.items()})
                found[name] = (table, self.read_surface(table.surface, (*path, "surface")))
        return found

    def _reference(self, space: Space, name: str, entry: tuple[LikedTable, SurfaceDefinition]) -> Reference:
        table, surface = entry
        chosen = {knob: labels[0] for knob, labels in table.setup.items()}
        positions = tuple(float(position) for position in space.setup(chosen))
        return Reference(
            name=name,
            surface=surface.name,
            positions=positions,
            base=self._with_surface(surface) if surface.complete else space.base,
            phase_names=surface.phase_names,
            phases=surface.phases,
        )

    # ---- tyres

    def _tyres(self, liked: dict[str, tuple[LikedTable, SurfaceDefinition]]) -> tuple[str, ...]:
        """Which tyre runs on which surface, where a surface says so."""
        surfaces = [self.surface, *(surface for _, surface in liked.values())]
        tyres = {surface.name: surface.tyre.name for surface in surfaces if surface.tyre is not None}
        return (f"Tyres: {'; '.join(f'{tyre} on {name}' for name, tyre in tyres.items())}.",) if tyres else ()

    def _assumptions(self) -> tuple[Assumption, ...]:
        tyre = self.surface.tyre
        of_car = tuple(item for item in self.car.assumptions if not self._levels_count(item))
        return with_tyre(of_car, tyre.assumptions if tyre else ()) + self.surface.assumptions

    def _levels_count(self, item: Assumption) -> bool:
        """Whether a knob sets a number that the car file calls typical: the level is given then."""
        slots = [NUMBER_KNOBS[name][0] for name in self.knobs if name in NUMBER_KNOBS]
        return bool(how_to_measure(item.reason)) and split_key(item.key)[0] in slots

    def _asked(self, knobs: tuple[Knob, ...]) -> tuple[str, ...]:
        """What is asked about levels that such cars do not have."""
        own = [(NUMBER_KNOBS[k.name][0], [one[0] for one in k.settings]) for k in knobs if k.name in NUMBER_KNOBS]
        return tuple(f"Knob: {text}" for slot, levels in own for text in asked_of_levels(slot, levels))

    def _of_this_surface(self, liked: dict[str, tuple[LikedTable, SurfaceDefinition]]) -> frozenset[str]:
        """Slots of a tyre that no liked setup runs on: what is wrong with one tyre says nothing of another."""
        others = [there.tyre for _, there in liked.values()]
        if not others or any(other is self.surface.tyre for other in others):
            return frozenset()
        return frozenset(name for tyre in (self.surface.tyre, *others) if tyre is not None for name in tyre.numbers)

    def _balanced(self, space: Space, liked: dict[str, tuple[LikedTable, SurfaceDefinition]]) -> Space:
        """The space with the ratio of grip found where a surface asks for it; what cannot be had is noted."""
        surfaces = {name: surface for name, (_, surface) in liked.items()}
        for surface in {id(item): item for item in (self.surface, *surfaces.values()) if item.balanced}.values():
            try:
                name = home_of(self.study, space.planning.carry_over, surfaces)
                home = next(item for item in space.references if item.name == name)
                ratio = balanced_ratio(space, surface, self._with_surface(surface), home)
            except NotBalanced as fault:
                report(surface, fault)
                continue
            space = _with_ratio(
                space, surface is self.surface, {n for n in surfaces if surfaces[n] is surface}, ratio, home
            )
        return space

    # ---- the whole

    def _with_surface(self, surface: SurfaceDefinition) -> FloatArray:
        base = self.car.base.copy()
        tyre = surface.tyre.numbers if surface.tyre else {}
        for name, number in (tyre | surface.numbers).items():
            base[SLOT[name]] = number
        return base


def _with_ratio(space: Space, here: bool, liked: set[str], ratio: float, home: Reference) -> Space:
    """The space with a ratio of grip `here`, and on the surfaces of these liked setups."""
    column = SLOT["front_grip_ratio"]

    def put(base: FloatArray) -> FloatArray:
        changed = base.copy()
        changed[column] = ratio
        return changed

    references = tuple(replace(item, base=put(item.base)) if item.name in liked else item for item in space.references)
    space = replace(space, references=references)
    if not here:
        return space
    why = reason(home)
    assumptions = tuple(
        replace(item, value=ratio, reason=f"{why}; {item.reason}") if item.key == "front_grip_ratio" else item
        for item in space.assumptions
    )
    return replace(space, base=put(space.base), assumptions=assumptions)
