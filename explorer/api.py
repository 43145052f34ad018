"""The program from Python: ask a study everything in one call, and take the answers as tables.

    import explorer
    run = explorer.run("configs/2wd_dusty.toml")
    run.shortlist

Errors are those of `explorer.domain.errors`: ConfigError lists every fault of the files with its line, SpaceError and
ModelError say what cannot be asked or answered.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from explorer.domain.space import Space
from explorer.flow.checked import Checked, OneSetup, check, one_setup, spoken
from explorer.flow.seen import Noted
from explorer.inputs.load import LoadedStudy, load_study
from explorer.model.metrics import describe
from explorer.report import plan_sections, plan_tables, tables
from explorer.report.answers import Answer
from explorer.report.headline import headline_facts, headline_lines
from explorer.report.words import escape, map_stems
from explorer.study.everything.evaluate import Progress, evaluate_all
from explorer.study.everything.shortlist import NothingFeasible
from explorer.study.everything.stream import PartMaker, one_by_one
from explorer.study.pits.carry_over import CarryOver
from explorer.study.plan.plan import Plan
from explorer.study.results import RunResult


@dataclass(frozen=True)
class Run:
    """Every answer to one study. Tables are pandas DataFrames, made when first asked for, units in their column names
    or beside them; `result` holds the same answers as frozen dataclasses, `study` the study as it was read."""

    study: LoadedStudy
    result: RunResult

    def __repr__(self) -> str:
        kept = f"{self.result.counts.feasible:,} keep every limit, {len(self.result.front):,} on the front"
        return f"<Run of {self.space.name}: {self.result.setups:,} setups, {kept}>"

    @property
    def space(self) -> Space:
        """Knobs, rules, objectives and limits."""
        return self.study.space

    @property
    def feasible(self) -> bool:
        """Whether any setup keeps every limit; if not, `shortlist` holds the nearest misses."""
        return not isinstance(self.result.shortlist, NothingFeasible)

    @property
    def headline(self) -> dict[str, Any]:
        """The setup to take, how sure that is and what it gains over the car of today: what `headline.json` holds.
        Empty where nothing keeps every limit in any scenario, or no plan was made."""
        plan = self.result.plan
        return {} if plan is None else headline_facts(plan, self.space)

    @cached_property
    def shortlist(self) -> pd.DataFrame:
        """A handful of setups to take, best first: why, parts, objectives, room to each limit, minutes of work."""
        return tables.shortlist_table(self.result)

    @cached_property
    def front(self) -> pd.DataFrame:
        """Setups that nothing beats on every objective; ties share a `point`."""
        found = self.result
        return tables.front_table(found.table, found.front, found.limits, found.wishes, found.stays)

    @cached_property
    def sensitivity(self) -> pd.DataFrame:
        """Which knob matters for which metric, one row per pair: indices, effect per step and per minute of work.

        Empty where there are no indices; `result.indices_note` then says why.
        """
        indices = self.result.indices
        return pd.DataFrame() if indices is None else tables.sensitivity_table(indices, self.result.steps)

    @cached_property
    def setups(self) -> pd.DataFrame:
        """Every setup with every metric (those a search looked at, where the space cannot be listed); `valid` is False,
        and the metrics zero, where the model has no answer. Evaluated again where the run did not keep them."""
        whole = self.result.whole
        if whole is None and self.space.exhaustive:
            whole = evaluate_all(self.space)
        return tables.metrics_table(self.result.table if whole is None else whole, self.result.wishes)

    @cached_property
    def baseline(self) -> pd.DataFrame:
        """Every metric of the setup on the car now: metric, value, unit. Codes are in words."""
        found = self.result.baseline
        values = found.row(0) if found.valid[0] else {}
        rows = [
            {"metric": name, "value": spoken(name, value), "unit": describe(name).unit}
            for name, value in values.items()
        ]
        return pd.DataFrame(rows, columns=["metric", "value", "unit"])

    @cached_property
    def one_change(self) -> pd.DataFrame:
        """What each single step from the baseline does to each metric."""
        return tables.one_change_table(self.result.one_change)

    @cached_property
    def limits(self) -> pd.DataFrame:
        """How many setups meet each limit, and how many only that one keeps out."""
        return tables.limits_table(self.result.counts)

    @cached_property
    def assumptions(self) -> pd.DataFrame:
        """What each assumed number does to the indices and the shortlist; empty where that was not asked."""
        assumed = self.result.assumed
        return pd.DataFrame() if assumed is None else tables.assumptions_table(assumed)

    @cached_property
    def maps(self) -> dict[str, pd.DataFrame]:
        """Maps by name, one row per cell."""
        found = self.result.maps
        return {stem: tables.map_table(one, self.space) for stem, one in zip(map_stems(found), found, strict=True)}

    @cached_property
    def plan(self) -> dict[str, pd.DataFrame]:
        """Tables of the plan under uncertainty by name, and of the liked feel carried over; empty where the study asks
        for neither, or where `result.plan_note` says why there is no plan."""
        found = {} if self.result.plan is None else plan_tables.plan_tables(self.result.plan, self.space)
        return found | plan_tables.carried_tables(self.result.carried, self.space)

    @cached_property
    def checked(self) -> Checked:
        """Numbers that follow from the baseline beside what is usual, and numbers that look like a slip of unit."""
        return check(self.study)

    def write(self, folder: Path | str, overwrite: bool = False) -> Path:
        """Write report, tables and figures as `setup-space run` does; returns the folder.

        Raises ArtefactError when the folder cannot be used, or holds a run and `overwrite` is not wanted.
        """
        from explorer.flow import run_study

        return run_study.write(self.study, self.result, Path(folder), overwrite)


@dataclass(frozen=True)
class PlanAnswer:
    """The plan alone, and the setups that carry a liked feel over (None where the study names none)."""

    space: Space
    plan: Plan
    carried: CarryOver | None

    @cached_property
    def tables(self) -> dict[str, pd.DataFrame]:
        """The plan's tables by name."""
        return plan_tables.plan_tables(self.plan, self.space) | plan_tables.carried_tables(self.carried, self.space)

    @property
    def text(self) -> str:
        """The plan in the words of the report."""
        first = headline_lines(self.plan, self.space)
        said = ["## Take setup 1", *(escape(line) for line in first)] if first else []
        said += plan_sections.plan_report(self.plan, self.space)
        if self.carried is not None:
            said += plan_sections.carried_report(self.carried, self.plan.limits, self.space)
        return "\n\n".join(said)

    @property
    def found(self) -> bool:
        """Whether any setup can be taken."""
        return bool(self.plan.shortlist.picks)


def load(study: Path | str | LoadedStudy, *, allow_outside: bool = False) -> LoadedStudy:
    """A study with its car and surface files, read and checked. Raises ConfigError with every fault and its line.

    The files must lie in the study's folder or below it unless `allow_outside`.
    """
    return study if isinstance(study, LoadedStudy) else load_study(study, allow_outside=allow_outside)


def run(
    study: Path | str | LoadedStudy,
    *,
    assumptions: bool = True,
    plan: bool = True,
    progress: Progress | None = None,
) -> Run:
    """Ask every question of a study file: what `setup-space run` does, without writing anything.

    `assumptions=False` leaves out what each assumed number does, `plan=False` the plan under uncertainty.
    `progress(stage, done, total)` is called as it goes.

    Raises ConfigError for faults of the files, SpaceError or ModelError where a question cannot be answered at all;
    setups without an answer are counted in `Run.result.failures`.
    """
    from explorer.flow import pipeline

    loaded = load(study)
    return Run(loaded, pipeline.answer(loaded, progress, assumptions=assumptions, plans=plan))


def plan(
    study: Path | str | LoadedStudy, *, progress: Progress | None = None, maker: PartMaker = one_by_one
) -> PlanAnswer:
    """Only the plan of a study: what to take whatever the grip is, what to measure first, what to change when.

    `maker` says where every setup is asked in every scenario, as `pipeline.parts_from` hands it out: here by default.
    """
    from explorer.flow import pipeline

    loaded = load(study)
    return PlanAnswer(loaded.space, *pipeline.planned(loaded, progress, maker))


def show(study: Path | str | LoadedStudy, choices: dict[str, str] | None = None) -> OneSetup:
    """Every metric of one setup: the baseline with the named knobs at the named levels.

    Raises SpaceError for an unknown knob or level or a setup that a rule forbids, ModelError where there is no answer.
    """
    return one_setup(load(study).space, choices)


def next(
    study: Path | str | LoadedStudy,
    symptoms: str | tuple[str, ...],
    choices: dict[str, str] | None = None,
    *,
    minutes: float | None = None,
    nominal: bool = False,
) -> pd.DataFrame:
    """What to change against one symptom or several, best first, from the baseline with the named knobs set: as
    `setup-space next`. With `minutes` left only what fits; over what is not known unless `nominal`.

    Raises SpaceError for an unknown symptom, knob or level, ModelError where there is no answer.
    """
    from explorer.flow.next_change import next_change

    return plan_tables.ladder_table((next_change(load(study), symptoms, choices or {}, minutes, nominal),))


def seen(
    study: Path | str | LoadedStudy, words: str = "", choices: dict[str, str] | None = None, *, undo: bool = False
) -> Noted:
    """Put what a driver says of the baseline with the named knobs set into the study's practice file, or take the last
    report out: as `setup-space seen`. `load` the study again to go on with it.

    Raises SpaceError for words that are not understood, ConfigError where the report does not fit the study.
    """
    from explorer.flow import seen as noting

    loaded = load(study)
    return noting.undo(loaded) if undo else noting.add(loaded, words, choices or {})


def map(
    study: Path | str | LoadedStudy,
    x: str,
    y: str,
    metric: str,
    *,
    best: bool = False,
    progress: Progress | None = None,
) -> pd.DataFrame:
    """A metric over two knobs, one row per cell; the others at the baseline, or at their `best`."""
    from explorer.flow import pipeline

    return tables.map_table(pipeline.one_map(load(study), x, y, metric, "best" if best else "baseline", progress))


def compare(
    first: Path | str,
    second: Path | str | None = None,
    choices: dict[str, str] | None = None,
    others: dict[str, str] | None = None,
    *,
    every: bool = False,
) -> Answer:
    """Two setups of one study or two, or two finished runs by their folders: `text` to read, `facts` to go on with.

    Raises as `explorer.flow.comparing.compared`.
    """
    from explorer.flow.comparing import compared

    return compared(Path(first), None if second is None else Path(second), choices or {}, others or {}, every)


def resume(study: Path | str | LoadedStudy, folder: Path | str, *, progress: Progress | None = None) -> Run:
    """Go on with the unfinished run in a folder, or start one there, and write it, as `setup-space run --resume`; its
    answers.

    Raises ArtefactError where the folder holds a finished run, or one that was made of other inputs.
    """
    from explorer.flow import pipeline, run_study

    loaded = load(study)
    _, result = run_study.run_study(loaded, Path(folder), resume=True, progress=progress)
    return Run(loaded, pipeline.answer(loaded, progress) if result is None else result)
