"""A poisoned model: no NaN or infinity reaches a dominance or sensitivity routine; setups without an answer are counted
and listed with the levels most tied to them, never dropped. Each guard is also taken away, and the check then fails."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from explorer.cli import commands, run_commands
from explorer.domain.errors import ModelError
from explorer.domain.space import Space
from explorer.domain.unknowns import Planning
from explorer.flow import pipeline
from explorer.inputs.load import LoadedStudy, load_study
from explorer.model.car.car import FAULTS
from explorer.model.kernel import evaluate_with_faults
from explorer.model.metrics import metric_columns
from explorer.report import document
from explorer.study.everything import evaluate, front, stream
from explorer.study.everything.evaluate import MetricTable, evaluate_positions
from explorer.study.plan import robust, robust_shortlist, scenario_pass, scenarios
from explorer.study.plan.scenarios import Draws, draw
from explorer.study.questions import exact, sobol
from explorer.study.results import Failures
from tests.measured import MEASURED

STUDY = MEASURED / "study.toml"
TURF = Path(__file__).parents[2] / "configs" / "2wd_turf.toml"
KNOBS = ("front_bar", "rear_bar", "front_spring")
KNOB, LEVEL = "front_bar", "1.8"
FAULT = 6

FEW = {
    "search_trials": 60, "search_population": 20, "search_budget": 2_000,
    "sobol_start": 64, "sobol_budget": 4_000, "build_samples": 8,
}  # fmt: skip


def small(study: LoadedStudy, **settings: object) -> LoadedStudy:
    """Bars and front springs of a study, the rest as the baseline has it, without limits: 75 setups."""
    space = study.space
    keep = [space.knob_index(name) for name in KNOBS]
    cut = replace(
        space,
        knobs=tuple(space.knobs[column] for column in keep),
        rules=(),
        limits=(),
        wishes=(),
        baseline=tuple(space.baseline[column] for column in keep),
        base=space.parameters(np.array([space.baseline]))[0],
        settings=replace(space.settings, **(FEW | settings)),
    )
    return replace(study, space=cut)


@pytest.fixture
def study() -> LoadedStudy:
    found = small(load_study(STUDY))
    return replace(found, space=replace(found.space, planning=replace(found.space.planning, scenarios=16)))


Cells = Callable[[np.ndarray], np.ndarray]


def at_level(space: Space) -> Cells:
    """Rows of parameter vectors that stand at the poisoned level."""
    knob = space.knobs[space.knob_index(KNOB)]
    rate = knob.settings[int(knob.position_of(LEVEL))][0]
    return lambda vectors: vectors[:, knob.slots[0]] == rate


def poison(monkeypatch: pytest.MonkeyPatch, cells: Cells, number: float | None, column: str = "sweep.roll_deg") -> None:
    """Wrap the kernel where the studies call it: in the chosen cells `number` stands in one column, or, where it is
    None, there is no answer."""

    def poisoned(vectors, phases, *cases):
        values, faults = evaluate_with_faults(vectors, phases, *cases)
        rows = cells(vectors)
        if number is None:
            values[:, rows], faults[:, rows] = 0.0, FAULT
        else:
            names = metric_columns(tuple(f"p{index}" for index in range(len(phases))))
            place = names.index(column.replace("sweep", "p0"))
            values[:, rows, place] = number
        return values, faults

    def answered(vectors, phases, *cases):
        values, faults = poisoned(vectors, phases, *cases)
        return values, faults == 0

    monkeypatch.setattr(evaluate, "evaluate_with_faults", poisoned)
    monkeypatch.setattr(evaluate, "evaluate_parameters", answered)


@pytest.fixture
def met(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the routines that were handed a number that is not finite."""
    seen: list[str] = []

    def watch(module: object, name: str) -> None:
        work = getattr(module, name)

        def watched(values, *rest, **more):
            if not np.isfinite(np.asarray(values, dtype=float)).all():
                seen.append(name)
            return work(values, *rest, **more)

        monkeypatch.setattr(module, name, watched)

    watch(exact, "variance_parts")
    watch(front.moocore, "is_nondominated")
    watch(front.moocore, "hypervolume")
    return seen


# ---- numbers that are not finite


def asked_all(space: Space, draws: Draws) -> scenario_pass.Outcomes:
    """Every setup in every scenario."""
    return scenario_pass.outcomes_of(scenario_pass.question(space, draws), space.positions(0, space.size))


DOORS: dict[str, Callable[[LoadedStudy], object]] = {
    "run": pipeline.answer,
    "rank": pipeline.sensitivity,
    "search": pipeline.searched,
    "plan": lambda study: pipeline.planned(replace(study, space=replace(study.space, planning=Planning(scenarios=8)))),
    "map": lambda study: pipeline.one_map(study, "front_bar", "rear_bar", "lag_ms"),
    "run, searched": lambda study: pipeline.answer(small(study, method="sampled")),
    "indices, sampled": lambda study: sobol.sampled_indices(study.space, ("lag_ms",)),
    "scenarios": lambda study: asked_all(study.space, draw(study.space, 8)),
}


def refused(study: LoadedStudy, door: str) -> None:
    """Fails unless the door raises ModelError about the number."""
    try:
        DOORS[door](study)
    except ModelError as fault:
        assert "not finite" in str(fault)
    else:
        raise AssertionError(f"{door} answered")


@pytest.mark.parametrize("door", sorted(DOORS))
@pytest.mark.parametrize("number", [np.nan, np.inf, -np.inf])
def test_a_number_that_is_not_finite_stops_every_question(monkeypatch, study, met, door, number):
    """Catches: a question with its own way to the model, and a NaN handed to dominance, hypervolume or variance."""
    poison(monkeypatch, at_level(study.space), number)
    refused(study, door)
    assert met == []


def unguarded(space, positions, scenarios=None, parameters=None):
    """`evaluate_positions` without its guard."""
    cases = evaluate.nominal() if scenarios is None else scenarios
    vectors = space.parameters(positions) if parameters is None else parameters
    return evaluate.evaluate_parameters(vectors, space.phases, cases.slots, cases.factor, cases.offset)


@pytest.mark.parametrize("door", ["run", "rank", "scenarios"])
def test_without_the_guard_the_check_above_fails(monkeypatch, study, door):
    """The guard taken away: the same check is red, so it is the guard that it checks."""
    poison(monkeypatch, at_level(study.space), np.nan, "bite_pct")
    for module in (evaluate, stream, scenario_pass, scenarios):
        if hasattr(module, "evaluate_positions"):
            monkeypatch.setattr(module, "evaluate_positions", unguarded)
    if door == "rank":  # its second guard as well
        monkeypatch.setattr(exact, "checked", lambda values, name: values)
        monkeypatch.setattr(exact, "is_constant", lambda values: False)
    elif door == "run":
        monkeypatch.setattr(pipeline, "_indices", lambda *_: (None, "left out"))
        monkeypatch.setattr(pipeline, "step_effects", lambda *_: None)
    with np.errstate(all="ignore"), pytest.raises(AssertionError, match="answered"):
        refused(study, door)


def test_the_later_guards_stand_alone(monkeypatch, study, met):
    """Catches: a front or an index that trusts the first guard: each refuses the number itself."""
    table = evaluate.evaluate_all(study.space)
    values = table.values.copy()
    values[3, table.columns.index("lag_ms")] = np.nan
    torn = MetricTable(table.space, table.positions, table.columns, values, table.valid)
    with pytest.raises(ModelError, match="not finite"):
        exact.exact_indices(torn, ("lag_ms",))
    with pytest.raises(ModelError, match="not finite"):
        front.pareto_front(torn)
    with pytest.raises(ModelError, match="not finite"):
        front.hypervolume(values[:, table.columns.index("lag_ms")][:, None])
    assert met == []


def test_a_run_that_meets_one_writes_nothing_and_exits_4(monkeypatch, tmp_path, study):
    """Catches: a results folder that looks finished, an exit code of 0, a traceback."""
    from typer.testing import CliRunner

    poison(monkeypatch, at_level(study.space), np.nan)
    monkeypatch.setattr(run_commands, "load", lambda path: study)
    result = CliRunner().invoke(commands.app, ["run", str(STUDY), "--out", str(tmp_path / "out")])
    assert result.exit_code == 4 and "not finite" in result.output
    assert not (tmp_path / "out" / "run.json").exists()


# ---- setups without an answer


def counted(study: LoadedStudy, result) -> None:
    """Fails unless the setups without an answer are counted, listed by level and nowhere on the front or shortlist."""
    space = study.space
    column = space.knob_index(KNOB)
    place = space.knobs[column].position_of(LEVEL)
    lost = int(result.search.asked_by_level[column][int(place)]) if result.search else space.size // 5
    failures = result.failures
    assert lost > 0 and failures.count == lost, (failures.count, lost)
    assert failures.reasons == ((FAULTS[FAULT], lost),)
    assert failures.tied[0] == (KNOB, LEVEL, 1.0) and all(share < 1.0 for _, _, share in failures.tied[1:])
    assert failures.examples and all(f"{KNOB}={LEVEL}" in text for text in failures.examples)
    assert result.counts.invalid == lost and result.counts.valid == result.setups - lost
    assert not (result.front.positions[:, column] == place).any()
    assert not any(pick.positions[column] == place for pick in result.shortlist.picks)
    report = " ".join(document.report(result, ()).split())
    assert f"no answer for {lost:,} of {result.setups:,} setups" in report and FAULTS[FAULT] in report
    assert f"| {KNOB.replace('_', ' ')} | {LEVEL} | 100.0 % |" in report


def test_failures_are_counted_and_listed(monkeypatch, study):
    """Catches: failures dropped in silence or put on the front (their zeros are the least lag there is), indices over
    a grid with holes."""
    poison(monkeypatch, at_level(study.space), None)
    result = pipeline.answer(study, assumptions=False, plans=False)
    counted(study, result)
    assert result.indices is None and "no answer for 15 of 75 setups" in result.indices_note and result.steps is None


def test_a_search_counts_them_too(monkeypatch, study):
    """Catches: a search that counts only what it answered, or takes the zeros for the best setup of all."""
    searched = small(study, method="sampled")
    poison(monkeypatch, at_level(study.space), None)
    counted(searched, pipeline.answer(searched, assumptions=False, plans=False))


def all_valid(table: MetricTable) -> MetricTable:
    """A table that takes its zeros for answers."""
    return replace(table, valid=np.ones(len(table), dtype=bool))


def no_levels(space: Space, positions: np.ndarray) -> tuple[np.ndarray, ...]:
    """Every level counted once, wherever the setups stand."""
    return tuple(np.ones(knob.size, dtype=np.int64) for knob in space.knobs)


BROKEN: dict[str, tuple[tuple[object, str, object], ...]] = {
    "front": (
        (stream, "feasible", lambda limits, table: np.ones(len(table), dtype=bool)),
        (stream, "pareto_front", lambda table, among, **how: front.pareto_front(all_valid(table), among, **how)),
    ),
    "count": ((pipeline, "failures_of", lambda found: Failures(0)),),
    "words": ((stream, "fault_words", lambda space, positions: ("",) * len(positions)),),
    "levels": ((stream, "by_level", no_levels),),
}
"""The front has two guards, one per chunk and one over all; each alone holds."""


@pytest.mark.parametrize("guard", sorted(BROKEN))
def test_each_guard_is_needed(monkeypatch, study, guard):
    """A guard taken away: the check of the counts is red."""
    poison(monkeypatch, at_level(study.space), None)
    for patch in BROKEN[guard]:
        monkeypatch.setattr(*patch)
    with pytest.raises(AssertionError):
        counted(study, pipeline.answer(study, assumptions=False, plans=False))


def test_indices_need_their_guard(monkeypatch, study):
    """`refuse_invalid` taken away: indices come out of zeros."""
    poison(monkeypatch, at_level(study.space), None)
    monkeypatch.setattr(exact, "refuse_invalid", lambda valid: None)
    assert pipeline.answer(study, assumptions=False, plans=False).indices is not None


def test_a_plan_counts_setups_lost_in_one_scenario(monkeypatch, study):
    """Catches: a setup picked on the scenarios it has an answer in, one that is not counted as unanswered, and zeros in
    its figures: where it has no answer it has the worst of the others and keeps no limit."""
    space = study.space
    draws = draw(space, 8)
    cells = at_level(space)
    unasked = ~asked_all(space, draws).told.answered.all(axis=0)
    real = evaluate.evaluate_parameters
    lost_in: list[int] = []

    def in_some_scenarios(vectors, phases, slots, factor, offset):
        values, valid = real(vectors, phases, slots, factor, offset)
        if len(factor) > 1:
            rows = cells(vectors)
            for case in lost_in:
                values[case, rows], valid[case, rows] = 0.0, False
        return values, valid

    monkeypatch.setattr(evaluate, "evaluate_parameters", in_some_scenarios)
    lost_in[:] = [4]
    outcomes = asked_all(space, draws)
    found = robust.robust_of(space, outcomes)
    column = space.knob_index(KNOB)
    place = space.knobs[column].position_of(LEVEL)
    level = space.positions(0, space.size)[:, column] == place
    assert level.sum() == 15
    lost = level | unasked  # some that the model cannot answer in one of these scenarios, poisoned or not
    assert found.unanswered == lost.sum() < len(lost) and found.answered.all()
    assert np.isfinite(found.figures).all() and found.share[level].max() <= 1.0 - outcomes.weights[3] + 1e-12
    told = outcomes.told
    worst = (told.values * [float(o.direction) for o in space.objectives])[3][told.answered[3]].min(axis=0)
    mean = np.abs(worst[0]) / 8.0 + told.values[np.arange(8) != 3][:, level, 0].sum(axis=0) / 8.0
    whole = told.answered[np.arange(8) != 3][:, level].all(axis=0)
    np.testing.assert_allclose(found.figure("mean")[level, 0][whole], mean[whole])
    lost_in[:] = [0]  # at the best guesses
    found = robust.robust_of(space, asked_all(space, draws))
    assert np.array_equal(~found.answered, level)
    assert all(pick.positions[column] != place for pick in robust_shortlist.robust_shortlist(found, space).picks)
    assert not (robust.robust_front(found, space).positions[:, column] == place).any()


def test_run_json_and_exit_code_tell_of_them(monkeypatch, tmp_path, study):
    """Catches: a run.json that says nothing is missing, and a run with holes that exits 0."""
    from typer.testing import CliRunner

    poison(monkeypatch, at_level(study.space), None)
    monkeypatch.setattr(run_commands, "load", lambda path: study)
    monkeypatch.setattr(document, "all_figures", lambda result, progress=None: {})
    result = CliRunner().invoke(commands.app, ["run", str(STUDY), "--out", str(tmp_path / "out"), "--quiet"])
    assert result.exit_code == 4 and "no answer for 15 setups" in result.output, result.output
    assert json.loads((tmp_path / "out" / "run.json").read_text())["counts"]["invalid"] == 15
    assert "15 of 75 setups" in (tmp_path / "out" / "report.md").read_text(encoding="utf-8")


def test_where_nothing_is_answered_the_reason_is_told(monkeypatch, study):
    """Catches: a traceback or a bare 'nothing found' where every setup fails."""
    from typer.testing import CliRunner

    poison(monkeypatch, lambda vectors: np.ones(len(vectors), dtype=bool), None)
    for case in (study, small(study, method="sampled")):
        monkeypatch.setattr(commands, "load", lambda path, case=case: case)
        for words in ("shortlist", "search"):
            result = CliRunner().invoke(commands.app, [words, str(STUDY), "--quiet"])
            assert isinstance(result.exception, SystemExit), result.exception
            assert result.exit_code == 4 and FAULTS[FAULT] in result.output, (words, result.output)


@pytest.mark.xfail(reason="since a car that snaps over counts as rolled over, no such car is known; find one")
def test_the_kernel_itself_hands_out_no_such_number():
    """Catches: a car on its side whose margins are no numbers called a bug, or let through; it is a setup without an
    answer, with its reason."""
    space = load_study(TURF).space
    from explorer.model.car.slots import SLOT

    vectors = space.parameters(space.positions_of(np.linspace(0, space.size - 1, 3000).astype(np.int64)))
    vectors[:, SLOT["cg_height"]] = 0.290
    case = evaluate.nominal()
    values, faults = evaluate_with_faults(vectors, space.phases, case.slots, case.factor, case.offset)
    assert np.isfinite(values).all() and (values[faults != 0] == 0.0).all()
    assert 7 in faults and "not a finite number" in FAULTS[7]
    evaluate_positions(space, space.positions(0, 4), parameters=vectors[:4])
