"""The libraries used plainly, as anyone would who has the vectorised model at hand: nothing of ours in between."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import optuna
from SALib.analyze import sobol as salib_analyze
from SALib.sample import sobol as salib_sample

from explorer.domain.space import FloatArray, Space
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import CHUNK, evaluate_positions, table_of
from explorer.study.everything.front import objective_values
from explorer.study.everything.limits import ResolvedLimit, violations

POPULATION = 50
"""Optuna's own default for NSGA-II."""


def optuna_generations(space: Space, limits: tuple[ResolvedLimit, ...], trials: int) -> tuple[optuna.Study, float]:
    """NSGA-II with its defaults over the levels: whole generations asked, evaluated at once and told, limits as
    constraints. The study, and the CPU time that went into the model [s]."""
    optuna.logging.set_verbosity(optuna.logging.ERROR)
    ways = ["minimize" if objective.direction < 0 else "maximize" for objective in space.objectives]
    sampler = optuna.samplers.NSGAIISampler(population_size=POPULATION, seed=1)
    study, evaluated = optuna.create_study(directions=ways, sampler=sampler), 0.0
    for _ in range(-(-trials // POPULATION)):
        asked = [study.ask() for _ in range(POPULATION)]
        places = [[trial.suggest_int(knob.name, 0, knob.size - 1) for knob in space.knobs] for trial in asked]
        clock = time.process_time()
        table = table_of(space, np.array(places, dtype=np.float64))
        values, broken = objective_values(table).tolist(), violations(limits, table).tolist()
        evaluated += time.process_time() - clock
        for trial, own, amounts in zip(asked, values, broken, strict=True):
            for index, amount in enumerate(amounts):
                trial.set_constraint(f"c{index}", amount)
            study.tell(trial, own)
    return study, evaluated


def salib_indices(
    space: Space, metrics: tuple[str, ...], base: int, second_order: bool
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """SALib's own sample, the model, SALib's own analysis with its default intervals, metric by metric; `base` is a
    power of 2. The analyses, and CPU seconds of the three steps with the number of `setups`."""
    clocks = [time.process_time()]
    problem: dict[str, Any] = {
        "num_vars": len(space.knobs),
        "names": list(space.knob_names),
        "bounds": [[0.0, float(knob.size)] for knob in space.knobs],
    }
    levels = np.array([knob.size for knob in space.knobs]) - 1.0
    sample = salib_sample.sample(problem, base, calc_second_order=second_order, seed=1)
    places: FloatArray = np.minimum(np.floor(sample), levels)
    clocks.append(time.process_time())
    wanted = [metric_columns(space.phase_names).index(name) for name in metrics]
    starts = range(0, len(places), CHUNK)
    values = np.concatenate([evaluate_positions(space, places[s : s + CHUNK])[0][0][:, wanted] for s in starts])
    clocks.append(time.process_time())
    found = [salib_analyze.analyze(problem, own, calc_second_order=second_order, seed=1) for own in values.T]
    clocks.append(time.process_time())
    sampled, evaluated, analysed = np.diff(clocks)
    steps = {"sample_cpu": sampled, "evaluation_cpu": evaluated, "analysis_cpu": analysed, "setups": len(places)}
    return found, steps
