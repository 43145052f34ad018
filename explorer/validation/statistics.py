"""Our statistics beside other statistics: sampling at rising size, coverage of intervals, Shapley by its definition,
fronts by comparing every pair, searches against analytic hypervolumes, published indices.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable

import numpy as np
import scipy.stats

from explorer.domain.space import FloatArray, Knob, Objective, Rule, Settings, Space
from explorer.model.car.slots import SLOTS
from explorer.model.metrics import metric_columns
from explorer.report.drawing import Drawing, Series
from explorer.study.everything.evaluate import MetricTable, Progress, evaluate_all
from explorer.study.everything.front import hypervolume, nondominated
from explorer.study.questions.assumptions import thinned_space
from explorer.study.questions.exact import exact_indices
from explorer.study.questions.search import search_function
from explorer.study.questions.sensitivity import Sensitivity
from explorer.study.questions.sobol import sampled_indices, unit_to_positions
from explorer.validation.results import Comparison, ProofSection, attempted

SEED = 20_261
SETUPS = 1_000
"""Size of the space the sampling is judged on: small enough to know exactly, real enough to matter."""

SLOPE_ROOM = 0.4
"""Errors must fall like N to the power -0.8 give or take this: independent points give -0.5, smooth functions on a
scrambled Sobol sequence nearly -1."""

PUBLISHED_ERROR, PUBLISHED_SIZE = 0.02, 4096
"""Error that a textbook estimator is allowed at this N (Saltelli et al. 2008, Ishigami's function)."""

LEAST_WIDTH = 1e-4
"""An index whose interval is narrower than this is nothing: rounding decides whether it holds."""


def statistics_sections(
    space: Space, quick: bool = False, progress: Progress | None = None
) -> tuple[ProofSection, ...]:
    """Every statistical question of the proof, on a thinned version of the study handed in."""
    small = thinned_space(space, SETUPS)
    small = dataclasses.replace(small, rules=(), settings=dataclasses.replace(small.settings, method="auto"))
    steps: tuple[tuple[str, str, Callable[[], ProofSection]], ...] = (
        ("proof_sampling", "Exact indices", lambda: sampling_section(small, quick)),
        ("proof_coverage", "Confidence intervals", lambda: coverage_section(small, quick)),
        ("proof_shapley", "Shapley effects", lambda: shapley_section(small, quick)),
        ("proof_fronts", "Pareto fronts", lambda: fronts_section(quick)),
        ("proof_searches", "Search", lambda: searches_section(quick)),
        ("proof_published", "Published indices", lambda: published_section(quick)),
    )
    found = []
    for done, step in enumerate(steps, start=1):
        found.append(attempted(*step))
        if progress is not None:
            progress("statistics", done, len(steps))
    return tuple(found)


def _objectives(space: Space) -> tuple[str, ...]:
    return tuple(objective.metric for objective in space.objectives)


def _sampled(space: Space, base: int, seed: int) -> Sensitivity:
    """Indices from exactly `base` base points."""
    settings = dataclasses.replace(
        space.settings, sobol_start=base, sobol_tolerance=1e9, sobol_budget=base * (2 * len(space.knobs) + 2)
    )
    return sampled_indices(dataclasses.replace(space, seed=seed, settings=settings), _objectives(space))


def scipy_indices(table: MetricTable, base: int, seed: int) -> tuple[FloatArray, FloatArray]:
    """First-order and total indices by scipy.stats on the same model, read from its table. (objectives, knobs) each."""
    space = table.space
    columns = np.stack([table.column(name) for name in _objectives(space)])
    shape = tuple(knob.size for knob in space.knobs)

    def model(x: FloatArray) -> FloatArray:
        positions = unit_to_positions(space, x.T).astype(np.int64)
        result: FloatArray = columns[:, np.ravel_multi_index(tuple(positions.T), shape)]
        return result

    found = scipy.stats.sobol_indices(
        func=model, n=base, dists=[scipy.stats.uniform()] * len(space.knobs), rng=np.random.default_rng(seed)
    )
    return np.atleast_2d(found.first_order), np.atleast_2d(found.total_order)


def sampling_section(space: Space, quick: bool = False) -> ProofSection:
    """Exact indices against sampling at rising size: the error falls as it should."""
    table = evaluate_all(space)
    exact = exact_indices(table, _objectives(space))
    assert exact.first is not None and exact.total is not None
    sizes = [2**power for power in (range(6, 10) if quick else range(6, 13))]
    seeds = 2 if quick else 3
    comparisons, series, facts = [], [], []
    for name in ("SALib, through the project's own path", "scipy.stats"):
        errors = []
        for base in sizes:
            worst = []
            for seed in range(1, seeds + 1):
                if name == "scipy.stats":
                    first, total = scipy_indices(table, base, seed)
                else:
                    found = _sampled(space, base, seed)
                    assert found.first is not None and found.total is not None
                    first, total = found.first, found.total
                worst.append(max(np.abs(first - exact.first).max(), np.abs(total - exact.total).max()))
            errors.append(float(np.mean(worst)))
        slope = float(np.polyfit(np.log(sizes), np.log(errors), 1)[0])
        comparisons.append(
            Comparison(name, "power of N at which the largest error falls", "-", slope, -0.8, SLOPE_ROOM)
        )
        bar = PUBLISHED_ERROR * math.sqrt(PUBLISHED_SIZE / sizes[-1])
        comparisons.append(Comparison(name, f"largest error at N = {sizes[-1]:,}", "-", errors[-1], 0.0, bar))
        series.append(Series(name, np.array(sizes, dtype=float), np.array(errors)))
        facts.append((f"error at N = {sizes[-1]:,} by {name}", f"{errors[-1]:.1g}, falling like N^{slope:.2f}"))
    return ProofSection(
        stem="proof_sampling",
        title="Exact indices",
        claim=f"First-order and total indices over {len(table):,} setups: what sampling converges to.",
        source="SALib and scipy.stats.sobol_indices at rising N (Saltelli et al. 2010; scrambled Sobol points)",
        comparisons=tuple(comparisons),
        facts=tuple(facts),
        notes=(
            "The bar on the power is -0.8 plus or minus 0.4: independent points would give -0.5, a smooth function on "
            "Sobol points nearly -1; one that jumps between parts lies between. The bar on the error is "
            f"{PUBLISHED_ERROR:g} at N = {PUBLISHED_SIZE:,}, as for Ishigami's function; it goes like 1/sqrt(N).",
        ),
        drawings=(
            Drawing("proof_sampling", "Largest error of any index", "base points N", "largest error", "lines",
                    tuple(series), log=True),
        ),
    )  # fmt: skip


def coverage_of(space: Space, exact: Sensitivity, base: int, runs: int) -> tuple[FloatArray, list[str]]:
    """Share of 95 % intervals that hold the exact value, over seeds, for every index that is something: (indices,), and
    their names. First-order, total and pair indices."""
    upper = np.triu_indices(len(space.knobs), 1)

    def flat(first: FloatArray | None, total: FloatArray | None, pairs: FloatArray | None) -> FloatArray:
        assert first is not None and total is not None and pairs is not None
        rows: FloatArray = np.concatenate([first, total, pairs[:, upper[0], upper[1]]], axis=1)
        return rows

    truth = flat(exact.first, exact.total, exact.pairs)
    held, width = np.zeros_like(truth), np.zeros_like(truth)
    for seed in range(1, runs + 1):
        found = _sampled(space, base, 1000 + seed)
        half = flat(found.first_interval, found.total_interval, found.pairs_interval)
        held += np.abs(flat(found.first, found.total, found.pairs) - truth) <= half
        width += half / runs
    knobs = space.knob_names
    kinds = [*(f"{k}, first order" for k in knobs), *(f"{k}, total" for k in knobs)]
    kinds += [f"{knobs[a]} with {knobs[b]}, pair" for a, b in zip(*upper, strict=True)]
    names = [f"{metric}, {kind}" for metric in _objectives(space) for kind in kinds]
    shown = (width > LEAST_WIDTH).ravel()
    return held.ravel()[shown] / runs, [name for name, there in zip(names, shown, strict=True) if there]


def coverage_section(space: Space, quick: bool = False) -> ProofSection:
    """How often a 95 % interval holds the exact value, over seeds, with binomial bounds: at the default size, and what
    half of it would do."""
    exact = exact_indices(evaluate_all(space), _objectives(space))
    default = Settings().sobol_start
    runs, base = (20, 64) if quick else (100, default)
    low = float(scipy.stats.binom.ppf(0.00005, runs, 0.95)) / runs
    shares, names = coverage_of(space, exact, base, runs)
    comparisons = [
        Comparison(name, "share of intervals that hold it", "-", float(share), 0.95, max(0.95 - low, 0.05) + 1e-9)
        for name, share in zip(names, shares, strict=True)
    ]
    facts = [
        ("share that hold, over all indices", f"{100 * shares.mean():.1f} %"),
        ("lowest of any index", f"{100 * shares.min():.0f} % ({names[int(shares.argmin())]})"),
    ]
    if not quick:
        fewer, labels = coverage_of(space, exact, base // 2, runs)
        lowest = f"{100 * fewer.min():.0f} % ({labels[int(fewer.argmin())]}), over all {100 * fewer.mean():.1f} %"
        facts.append((f"lowest at N = {base // 2}, below the default", lowest))
    return ProofSection(
        stem="proof_coverage",
        title="Confidence intervals",
        claim=f"The 95 % intervals of the sampled indices hold the exact value as often as they claim ({runs} seeds, "
        f"N = {base}).",
        source=f"exact indices of the same space; {100 * low:.0f} % is the binomial bound for {runs} draws at 95 %",
        comparisons=tuple(comparisons),
        facts=tuple(facts),
        notes=(
            "The intervals count points as independent. From N = 512 on points of a Sobol sequence err less, so a "
            "share above 95 % is to be expected; below that some intervals are too narrow, and a study whose budget "
            "stops it there should not trust them. An index whose interval is narrower than "
            f"{LEAST_WIDTH:g} is left out.",
        ),
    )


def brute_shapley(positions: FloatArray, values: FloatArray) -> FloatArray:
    """Shapley effects by definition: over all orders of the knobs, `Var(E[Y | X_u])` by grouping rows. (knobs,)."""
    knobs = positions.shape[1]
    known: dict[frozenset[int], float] = {frozenset(): 0.0}
    for size in range(1, knobs + 1):
        for chosen in itertools.combinations(range(knobs), size):
            _, group = np.unique(positions[:, chosen], axis=0, return_inverse=True)
            group = group.ravel()
            means = np.bincount(group, values) / np.bincount(group)
            known[frozenset(chosen)] = float(np.mean((means[group] - values.mean()) ** 2))
    result = np.zeros(knobs)
    orders = list(itertools.permutations(range(knobs)))
    for order in orders:
        for place, knob in enumerate(order):
            before = frozenset(order[:place])
            result[knob] += known[before | {knob}] - known[before]
    whole: FloatArray = result / len(orders) / values.var()
    return whole


def shapley_section(space: Space, quick: bool = False) -> ProofSection:
    """Shapley effects sum to one and follow their definition, with and without rules between knobs."""
    base = space.parameters(np.array([space.baseline]))[0]
    few = dataclasses.replace(
        space,
        knobs=space.knobs[:4],
        baseline=space.baseline[:4],
        base=base,
        references=(),
        limits=(),
        objectives=space.objectives,
    )
    first, second = few.knobs[0], few.knobs[1]
    rule = Rule(
        "a thick bar only with a thick one", ((first.name, first.labels[-2:]),), ((second.name, second.labels[-2:]),)
    )
    comparisons = []
    largest = 0.0
    for label, study in (("independent knobs", few), ("knobs under a rule", dataclasses.replace(few, rules=(rule,)))):
        table = evaluate_all(study)
        found = exact_indices(table, _objectives(study))
        assert found.shapley is not None
        for m, metric in enumerate(_objectives(study)):
            other = brute_shapley(table.positions, table.column(metric))
            case = f"{label}, {metric}"
            comparisons.append(
                Comparison(case, "sum of the Shapley effects", "-", float(found.shapley[m].sum()), 1.0, 1e-10)
            )
            for k, knob in enumerate(study.knob_names):
                ours = float(found.shapley[m, k])
                comparisons.append(Comparison(case, f"Shapley effect of {knob}", "-", ours, float(other[k]), 1e-9))
                largest = max(largest, abs(ours - float(other[k])))
            if found.first is not None and found.total is not None:
                inside = (found.first[m] <= found.shapley[m] + 1e-12) & (found.shapley[m] <= found.total[m] + 1e-12)
                comparisons.append(
                    Comparison(case, "knobs with first <= Shapley <= total", "knobs", float(inside.sum()),
                               float(len(inside)), 0.0)
                )  # fmt: skip
    return ProofSection(
        stem="proof_shapley",
        title="Shapley effects",
        claim="They sum to one and equal the average over all orders of the knobs, also under a rule.",
        source="their definition, by grouping rows for every set of knobs (Owen 2014; Song, Nelson and Staum 2016)",
        comparisons=tuple(comparisons),
        facts=(("largest difference", f"{largest:.0e}"),),
    )


def brute_front(scores: FloatArray) -> FloatArray:
    """Which points no other point beats, every pair compared; ties stay. (points,)."""
    keep = np.ones(len(scores), dtype=bool)
    for k, point in enumerate(scores):
        beaten = (scores <= point).all(axis=1) & (scores < point).any(axis=1)
        keep[k] = not beaten.any()
    return keep


def grid_hypervolume(scores: FloatArray, reference: int) -> float:
    """Unit cells of an integer grid that some point dominates, counted one by one."""
    axes = scores.shape[1]
    cells = np.stack(np.meshgrid(*[np.arange(reference)] * axes, indexing="ij"), axis=-1).reshape(-1, axes)
    covered = np.zeros(len(cells), dtype=bool)
    for point in scores:
        covered |= (point <= cells).all(axis=1)
    return float(covered.sum())


def fronts_section(quick: bool = False) -> ProofSection:
    """Fronts and hypervolumes on random integer grids full of ties."""
    rng = np.random.default_rng(SEED)
    comparisons = []
    for axes in range(2, 7):
        grids = 20 if quick else 200
        wrong, off = 0, 0.0
        for _ in range(grids):
            levels = int(rng.integers(2, 7))
            scores = rng.integers(0, levels, (int(rng.integers(1, 120)), axes)).astype(float)
            ours = nondominated(scores)
            wrong += int((ours != brute_front(scores)).sum())
            if axes <= 4:
                off = max(off, abs(hypervolume(scores, float(levels)) - grid_hypervolume(scores, levels)))
        case = f"{axes} objectives, {grids} grids"
        comparisons.append(Comparison(case, "points judged differently", "points", float(wrong), 0.0, 0.0))
        if axes <= 4:
            comparisons.append(Comparison(case, "largest difference of a hypervolume", "-", off, 0.0, 1e-9))
    return ProofSection(
        stem="proof_fronts",
        title="Pareto fronts",
        claim="The front keeps exactly the points that no other beats, ties and repeats included.",
        source="comparing every pair; hypervolume by counting grid cells",
        comparisons=tuple(comparisons),
        facts=(("points judged differently", f"{sum(int(c.ours) for c in comparisons if c.unit == 'points')}"),),
    )


def _zdt(second: Callable[[FloatArray], FloatArray]) -> Callable[[FloatArray], tuple[FloatArray, FloatArray]]:
    def batch(x: FloatArray) -> tuple[FloatArray, FloatArray]:
        g = 1.0 + 9.0 * x[:, 1:].mean(axis=1)
        return np.stack([x[:, 0], g * second(x[:, 0] / g)], axis=1), np.zeros((len(x), 0))

    return batch


def _dtlz2(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    g = 1.0 + ((x[:, 2:] - 0.5) ** 2).sum(axis=1)
    a, b = x[:, 0] * np.pi / 2, x[:, 1] * np.pi / 2
    sphere = np.stack([np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)], axis=1)
    return g[:, None] * sphere, np.zeros((len(x), 0))


def searches_section(quick: bool = False) -> ProofSection:
    """The project's own search on problems whose front is known in closed form."""
    trials = 3_000 if quick else 6_000
    least = {"ZDT1": 0.90, "ZDT2": 0.85, "DTLZ2": 0.85} if quick else {"ZDT1": 0.98, "ZDT2": 0.97, "DTLZ2": 0.92}
    problems = (
        ("ZDT1", _zdt(lambda r: 1.0 - np.sqrt(r)), 6, 2, 1.1**2 - 1.0 / 3.0),
        ("ZDT2", _zdt(lambda r: 1.0 - r**2), 6, 2, 1.1**2 - 2.0 / 3.0),
        ("DTLZ2", _dtlz2, 5, 3, 1.1**3 - math.pi / 6.0),
    )
    comparisons, facts = [], []
    for name, batch, variables, objectives, whole in problems:
        found = search_function(
            batch, ((0.0, 1.0, False),) * variables, objectives, trials=trials, population=60, seed=SEED
        )
        reached = hypervolume(found.objectives, 1.1) / whole
        comparisons.append(
            Comparison(name, f"share of the analytic hypervolume after {trials:,} points", "-", reached, 1.0,
                       1.0 - least[name])
        )  # fmt: skip
        facts.append((name, f"{100 * reached:.1f} %"))
    return ProofSection(
        stem="proof_searches",
        title="Search",
        claim="The multi-objective search reaches fronts known in closed form (reference point 1.1 on every axis).",
        source="Zitzler, Deb and Thiele (2000) for ZDT1 and ZDT2; Deb, Thiele, Laumanns and Zitzler (2002) for DTLZ2",
        comparisons=tuple(comparisons),
        facts=tuple(facts),
        notes=(
            "The problems have 6, 6 and 5 variables, fewer than the 30, 30 and 12 of the papers.",
            "A search never finds all of it: shares below 1 are its nature, and the reason for exhausting the box.",
        ),
    )


def formula_table(values: list[FloatArray], formula: Callable[[FloatArray], FloatArray]) -> MetricTable:
    """A whole grid of a formula, in the lag column, as the exact indices take it."""
    knobs = tuple(
        Knob(
            f"x{k + 1}", "", tuple(f"{v:.12g}" for v in levels), tuple(levels), (k,), tuple((float(v),) for v in levels)
        )
        for k, levels in enumerate(values)
    )
    space = Space(
        name="formula", car="", surface="", seed=1, knobs=knobs, rules=(), limits=(), baseline=(0.0,) * len(knobs),
        objectives=(Objective("lag_ms", -1, 0.5),), base=np.zeros(len(SLOTS)), phase_names=("one",),
        phases=np.zeros((1, 7)),
    )  # fmt: skip
    positions = space.positions(0, space.size)
    columns = metric_columns(("one",))
    x = np.stack([levels[positions[:, k].astype(int)] for k, levels in enumerate(values)], axis=1)
    table = np.zeros((len(positions), len(columns)))
    table[:, columns.index("lag_ms")] = formula(x)
    return MetricTable(space, positions, columns, table, np.ones(len(positions), dtype=bool))


def midpoints(low: float, high: float, count: int) -> FloatArray:
    """Middles of `count` equal parts of an interval."""
    result: FloatArray = low + (high - low) * (np.arange(count) + 0.5) / count
    return result


def published_section(quick: bool = False) -> ProofSection:
    """Ishigami's and Sobol's functions through the exact path, levels at the middles of equal parts."""
    comparisons = []
    count = 32 if quick else 96
    angles = [midpoints(-math.pi, math.pi, count)] * 3
    found = exact_indices(
        formula_table(
            angles, lambda x: np.sin(x[:, 0]) + 7.0 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])
        ),
        ("lag_ms",),
    )
    assert found.first is not None and found.total is not None
    bar = 20.0 / count**2
    for k, (first, total) in enumerate(
        ((0.3139051911, 0.5575888552), (0.4424111448, 0.4424111448), (0.0, 0.2436836641))
    ):
        comparisons.append(Comparison(f"Ishigami, x{k + 1}", "first order", "-", float(found.first[0, k]), first, bar))
        comparisons.append(Comparison(f"Ishigami, x{k + 1}", "total", "-", float(found.total[0, k]), total, bar))
    comparisons.append(Comparison("Ishigami", "variance", "-", float(found.variance[0]), 13.84458794, 60.0 * bar))
    a = np.array([0.0, 0.5, 3.0, 9.0, 99.0, 99.0])
    levels = 6 if quick else 8
    found = exact_indices(
        formula_table([midpoints(0.0, 1.0, levels)] * 6, lambda x: np.prod((np.abs(4 * x - 2) + a) / (1 + a), axis=1)),
        ("lag_ms",),
    )
    assert found.first is not None and found.total is not None
    # with L levels at the middles each factor's variance is (1 - 1/L^2) of the continuous one when L divides by 4
    shrink = _factor_variance(levels)
    parts = shrink / (1.0 + a) ** 2
    variance = float(np.prod(1.0 + parts) - 1.0)
    for k in range(6):
        others = float(np.prod(np.delete(1.0 + parts, k)))
        comparisons.append(
            Comparison(f"g-function, x{k + 1}", "first order", "-", float(found.first[0, k]), parts[k] / variance, 1e-9)
        )
        comparisons.append(
            Comparison(
                f"g-function, x{k + 1}", "total", "-", float(found.total[0, k]), parts[k] * others / variance, 1e-9
            )
        )
    worst = max(abs(one.difference) for one in comparisons if one.quantity != "variance")
    return ProofSection(
        stem="proof_published",
        title="Published indices",
        claim="Ishigami's function and Sobol's g-function through the exact path.",
        source="Ishigami and Homma (1990); Saltelli et al. (2008, 2010), formulas",
        comparisons=tuple(comparisons),
        facts=(("largest difference of an index", f"{worst:.1e}"),),
        notes=(
            f"Levels stand at the middles of {count} equal parts; the difference to the continuous Ishigami values "
            "falls with the square of that. The g-function is held against its formula for the levels listed.",
        ),
    )


def _factor_variance(levels: int) -> float:
    """Variance of |4 x - 2| over the middles of equal parts of 0 to 1, about a mean of 1 per factor."""
    values = np.abs(4.0 * midpoints(0.0, 1.0, levels) - 2.0)
    return float(values.var() / values.mean() ** 2)
