"""Learning from practice: exact posteriors, reports that pull the right way, and reports that do not fit."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import study_toy as toy
from scipy.special import ndtr, ndtri
from scipy.stats import norm, qmc

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import Space
from explorer.domain.unknowns import Planning, Unknown
from explorer.model.car.slots import PHASE_COLUMNS, SLOT
from explorer.model.metrics import metric_columns
from explorer.study.everything.evaluate import evaluate_positions
from explorer.study.plan import learning
from explorer.study.plan.kinds import KINDS, lift_margin
from explorer.study.plan.learning import effective_number, learn, rejuvenate, reweighted, systematic, weighed
from explorer.study.plan.practice import Predicted, log_likelihoods, predict
from explorer.study.plan.reports import Reading, Report
from explorer.study.plan.scenarios import draw, draws_at, weighted

TRIALS = 100
KIND = {kind.__name__.casefold(): kind for kind in KINDS}


def unknown(key: str, slots: tuple[str, ...], space: Space, share: float) -> Unknown:
    """A normal unknown about the base's own values, half width a share of them."""
    values = tuple(float(space.base[SLOT[name]]) for name in slots)
    return Unknown(
        key, "", tuple(SLOT[name] for name in slots), values, tuple(share * v for v in values),
        tuple(0.2 * v for v in values), tuple(5.0 * v for v in values), "normal", True, "test",
    )  # fmt: skip


@pytest.fixture(scope="module")
def study(bars_and_springs: Space) -> Space:
    """The real study with five unknowns, on a car so tall that inner wheels do lift."""
    base = bars_and_springs.base.copy()
    base[SLOT["cg_height"]] = 0.105
    space = dataclasses.replace(bars_and_springs, base=base)
    found = (
        unknown("grip", ("grip",), space, 0.2),
        unknown("front_grip_ratio", ("front_grip_ratio",), space, 0.08),
        unknown("cg_height_mm", ("cg_height",), space, 0.15),
        unknown("tyre_rate_n_per_mm", ("front_tyre_rate", "rear_tyre_rate"), space, 0.3),
        unknown("roll_centre_height_mm", ("front_roll_centre_height", "rear_roll_centre_height"), space, 0.3),
    )
    return dataclasses.replace(space, unknowns=found)


def seen(space: Space, kind: str, phase: str, setup: dict[str, str] | None = None, **more: object) -> Report:
    """A report with the usual error; `other` as a setup."""
    other = more.pop("other", None)
    values: dict[str, object] = {"error": KIND[kind].usual, "line": 3, **more}
    return KIND[kind](
        phase, tuple(space.setup(setup or {})), f"{kind} in {phase}",
        other=() if other is None else tuple(space.setup(other)), **values,  # type: ignore[arg-type]
    )  # fmt: skip


# ---- weights and drawing anew, without a model


def gaussian(axes: int = 4, seed: int = 1):
    """Linear readings of standard normal unknowns: log-likelihood, exact mean and exact covariance."""
    rng = np.random.default_rng(seed)
    slope, error = rng.normal(size=(3, axes)), np.array([0.5, 0.4, 0.6])
    told = slope @ rng.normal(size=axes) + error * rng.normal(size=3)
    covariance = np.linalg.inv(np.eye(axes) + slope.T @ np.diag(error**-2) @ slope)

    def likelihood(points):
        return -0.5 * (((ndtri(points) @ slope.T - told) / error) ** 2).sum(axis=1)

    return likelihood, covariance @ slope.T @ (told / error**2), covariance


def cube(count: int, axes: int, seed: int = 3) -> np.ndarray:
    return np.clip(qmc.Sobol(axes, seed=seed).random(count), 1e-12, 1.0 - 1e-12)


def test_weights_find_the_exact_posterior() -> None:
    """Catches a wrong sign, a likelihood counted twice and weights that do not sum to one."""
    likelihood, mean, covariance = gaussian()
    points = cube(2**15, 4)
    weights = reweighted(np.full(len(points), 1.0 / len(points)), likelihood(points))
    scores = ndtri(points)
    spread = np.sqrt(np.diag(covariance))
    error = 1.0 / np.sqrt(effective_number(weights))
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)
    assert np.all(np.abs(weights @ scores - mean) < 4.0 * error * spread)
    found = weights @ (scores - weights @ scores) ** 2
    assert found / np.diag(covariance) == pytest.approx(np.ones(4), abs=6.0 * error)


def test_scenarios_drawn_anew_follow_the_exact_posterior() -> None:
    """Catches moves that do not keep the law (a step taken without its shrinking, an acceptance turned round), a stage
    that lets the likelihood in twice, and resampling without moves (the variance is then a point's)."""
    likelihood, mean, covariance = gaussian()
    start = cube(1024, 4)
    found = rejuvenate(start, np.full(1024, 1.0 / 1024), likelihood, np.random.default_rng(8))
    scores, spread = ndtri(found.points), np.sqrt(np.diag(covariance))
    assert len(np.unique(found.points, axis=0)) > 0.99 * 1024
    assert found.stages > 1 and 0.2 < found.acceptance < 0.95
    assert np.all(np.abs(scores.mean(axis=0) - mean) < 0.15 * spread)
    assert scores.var(axis=0) / np.diag(covariance) == pytest.approx(np.ones(4), abs=0.2)


def test_moves_without_likelihood_keep_the_law() -> None:
    """Catches a proposal that shrinks or spreads the scenarios when nothing was seen."""
    points = cube(2048, 3)
    rng = np.random.default_rng(2)
    flat = np.zeros(2048)
    for _ in range(30):
        points, _, moved = learning._move(points, flat, 1.0, lambda there: np.zeros(len(there)), rng)
        assert moved == 2048
    scores = ndtri(points)
    assert scores.mean(axis=0) == pytest.approx(np.zeros(3), abs=0.08)
    assert scores.var(axis=0) == pytest.approx(np.ones(3), abs=0.12)


def test_weights_survive_very_small_likelihoods_and_refuse_none_at_all() -> None:
    """Catches weights taken by plain exponentials: 0/0 below a logarithm of -745."""
    weights = reweighted(np.array([0.5, 0.5, 0.0]), np.array([-2000.0, -2000.0 + np.log(3.0), 0.0]))
    assert weights == pytest.approx([0.25, 0.75, 0.0])
    with pytest.raises(ModelError, match="no scenario explains"):
        reweighted(np.array([1.0, 0.0]), np.array([-np.inf, 0.0]))


def test_systematic_resampling_takes_each_as_often_as_its_weight_says() -> None:
    """Catches an off-by-one in the cumulated weights, and a scenario of weight zero that is taken."""
    weights = np.array([0.0, 0.26, 0.5, 0.24, 0.0])
    counts = np.zeros(5)
    for seed in range(400):
        chosen = systematic(weights, np.random.default_rng(seed))
        one = np.bincount(chosen, minlength=5)
        assert np.all(np.abs(one - 5 * weights) < 1.0)
        counts += one
    assert counts / 400 == pytest.approx(5 * weights, abs=0.1)


# ---- laws of the reports


def test_every_law_sums_to_one_and_a_slip_leaves_a_floor() -> None:
    """Catches a feel whose three answers do not add up, a lost density factor, and a floor of zero."""
    space = toy.space([toy.knob(0, (1.0, 2.0))])
    number = np.linspace(-20.0, 20.0, 41)
    for kind in ("feel", "better"):
        three = [seen(space, kind, "sweep", other={}, value=v).law(number) for v in (-1.0, 0.0, 1.0)]
        assert sum(three) == pytest.approx(np.ones(41)) and min(f.min() for f in three) >= 0.0
    up, down = (seen(space, "lifted", "sweep", what="rear", value=v).law(number) for v in (-1.0, 1.0))
    assert up + down == pytest.approx(np.ones(41)) and np.all(np.diff(up) <= 0.0)
    grid = np.linspace(0.0, 40.0, 4001)
    densities = [seen(space, "lateral", "sweep", value=v).law(np.array([8.0]))[0] for v in grid]
    assert np.sum(densities) * 0.01 == pytest.approx(1.0, abs=1e-9)
    wild = (seen(space, "lateral", "sweep", value=39.0),)
    told = Predicted(np.full((1, 5), 2.0), np.ones((1, 5), dtype=bool))
    assert log_likelihoods(wild, told) == pytest.approx(np.full((1, 5), np.log(0.02 / 40.0)))
    for slip in (0.0, 1.0):
        with pytest.raises(SpaceError, match="nobody is always right"):
            log_likelihoods(wild, told, slip)


def test_one_wild_report_does_not_undo_the_others(study: Space) -> None:
    """Catches a floor of zero: one impossible reading must leave the weights of the other reports as they are."""
    draws = draw(study, 64)
    study = dataclasses.replace(study, planning=Planning(rejuvenate_below=0.0))
    good = (seen(study, "lateral", "sweep", value=7.6, error=0.3),)
    wild = (*good, seen(study, "lateral", "sweep", value=39.0, error=0.1))
    one = learn(study, good, draws)
    two = learn(study, wild, draws)
    assert not two.rejuvenated and two.draws.weights == pytest.approx(one.draws.weights, rel=1e-9)
    assert [c.observations for c in two.contradictions if len(c.observations) == 1] == [(1,)]


def test_lift_margin_of_the_other_end_is_monotone_and_bounded() -> None:
    """Catches a margin of the end that lifts second below that of the first, or above the rollover, or that jumps."""
    inner = np.linspace(5.0, 0.0, 26)
    margin = lift_margin(np.zeros(26, bool), np.full(26, -2.0), np.full(26, 80.0), inner, 10.0 - inner)
    assert np.all(np.diff(margin) <= 1e-12) and margin[0] == 80.0 and margin[-1] == -1.0
    first = lift_margin(np.ones(1, bool), np.array([7.0]), np.array([80.0]), np.zeros(1), np.ones(1))
    assert first[0] == 7.0


# ---- through the model


def test_predictions_are_those_of_the_kernel(study: Space) -> None:
    """Catches a grip level left at its best guess, a speed that is not sqrt(R a), and a better read the wrong way."""
    draws = draw(study, 16)
    thin = {"front_bar": "none"}
    asked = (
        seen(study, "lateral", "sweep", value=8.0),
        seen(study, "speed", "sweep", value=6.0),
        seen(study, "better", "hairpin", thin, other={}),
        seen(study, "roll", "exit", thin, value=2.0),
    )
    told = predict(study, asked, draws.scenarios)
    assert told.answered.all() and told.unanswered == (0, 0, 0, 0)
    columns = metric_columns(study.phase_names)
    values, _ = evaluate_positions(study, np.array([study.baseline, study.setup(thin)]), draws.scenarios)
    grip = draws.numbers[:, 0]
    margin = values[:, 0, columns.index("sweep.grip_margin_pct")]
    phase = study.phases[study.phase_names.index("sweep")]
    assert told.numbers[0] == pytest.approx(phase[2] * grip * 9.80665 * (1.0 + margin / 100.0), rel=1e-12)
    assert told.numbers[1] ** 2 == pytest.approx(phase[0] * told.numbers[0], rel=1e-12)
    hairpin = values[:, :, columns.index("hairpin.grip_margin_pct")]
    assert told.numbers[2] == pytest.approx(hairpin[:, 1] - hairpin[:, 0], abs=1e-12)
    assert told.numbers[3] == pytest.approx(values[:, 1, columns.index("exit.roll_deg")], abs=0.0)


def reports(rng: np.random.Generator, asked: tuple[Report, ...], numbers: np.ndarray) -> tuple[Report, ...]:
    """What an observer with the stated errors would write down, by hand from the laws in words."""
    found = []
    for one, number in zip(asked, numbers, strict=True):
        noisy = number + one.error * rng.standard_normal()
        if isinstance(one, Reading):
            found.append(dataclasses.replace(one, value=float(noisy)))
        elif one.band and abs(noisy) < one.band:
            found.append(dataclasses.replace(one, value=0.0))
        elif noisy >= 0.0 or not one.compares:
            found.append(dataclasses.replace(one, value=float(np.sign(noisy))))
        else:
            found.append(dataclasses.replace(one, positions=one.other, other=one.positions, value=1.0))
    return tuple(found)


def sheet(space: Space, kind: str) -> tuple[Report, ...]:
    """Questions of one kind over setups and phases."""
    setups = ({}, {"front_bar": "none"}, {"rear_bar": "none"}, {"front_bar": "2.4"}, {"rear_bar": "2.4"})
    found = []
    if kind == "known":
        made = KIND[kind]("", (), "read", 1.0)
        return tuple(
            dataclasses.replace(made, error=0.2 * one.spread[0], what=one.key, size=one.high[0] - one.low[0])
            for one in space.unknowns
        )
    for phase in ("",) if KIND[kind].phased is False else space.phase_names:
        for setup in setups:
            if KIND[kind].compares:
                error = 0.3 if kind == "laptime" else KIND[kind].usual  # laps tell little of such small changes
                others = [other for other in setups if other != setup]
                found += [seen(space, kind, phase, setup, other=other, error=error) for other in others]
            elif kind == "lifted":
                found += [seen(space, kind, phase, setup, what=what) for what in ("front", "rear")]
            else:
                found.append(seen(space, kind, phase, setup))
    return tuple(found)


@pytest.mark.parametrize("kind", sorted(KIND))
def test_reports_pull_towards_the_truth_they_came_from(study: Space, kind: str) -> None:
    """Catches a likelihood turned round, for each kind: truths nobody knows, reports with their errors, and the
    weighted distance from the truth, in what is seen and in prior standard deviations, must fall in at least 95 of 100
    trials; with the likelihood turned round it hardly ever does.
    """
    asked = sheet(study, kind)
    draws = draw(study, 256)
    readings = tuple(dataclasses.replace(one, value=1.0) for one in asked)
    told = predict(study, readings, draws.scenarios)
    truths = draws_at(study, np.random.default_rng(17).random((TRIALS, 5)), np.ones(TRIALS))
    true = predict(study, readings, truths.scenarios).numbers
    scale = told.numbers.std(axis=1) + 1e-9
    rng = np.random.default_rng(23)
    nearer = farther = 0
    for trial in range(TRIALS):
        written = reports(rng, asked, true[:, trial])
        swapped = np.array([one.positions != ask.positions for one, ask in zip(written, asked, strict=True)])
        numbers = np.where(swapped[:, None], -told.numbers, told.numbers)
        logs = log_likelihoods(written, Predicted(numbers, told.answered)).sum(axis=0)
        distance = (((told.numbers - true[:, [trial]]) / scale[:, None]) ** 2).mean(axis=0)
        nearer += bool(reweighted(draws.weights, logs) @ distance < draws.weights @ distance)
        farther += bool(reweighted(draws.weights, -logs) @ distance < draws.weights @ distance)
    assert nearer >= 95 and farther <= 20, (nearer, farther)


def test_a_report_that_contradicts_the_truth_takes_weight_from_it(study: Space) -> None:
    """Catches reports that are read but not weighed: a reading four errors off, towards the other scenarios, must take
    weight from the scenario that is true; the right one must give it some."""
    draws = draw(study, 64)
    asked = tuple(dataclasses.replace(one, value=1.0) for kind in ("lateral", "roll") for one in sheet(study, kind)[:3])
    told = predict(study, asked, draws.scenarios)
    right = wrong = 0
    for trial in range(TRIALS):
        true, number = trial % 64, trial % len(asked)
        row, answered = told.numbers[[number]], told.answered[[number]]
        error = float(row.std()) / 3.0
        towards = 1.0 if np.median(row) > row[0, true] else -1.0
        for off in (0.0, 4.0):
            value = float(row[0, true]) + off * towards * error
            written = dataclasses.replace(asked[number], value=value, error=error)
            weights = reweighted(draws.weights, log_likelihoods((written,), Predicted(row, answered))[0])
            right += off == 0.0 and bool(weights[true] > draws.weights[true])
            wrong += off > 0.0 and bool(weights[true] < draws.weights[true])
    assert right >= 95 and wrong >= 95, (right, wrong)


def test_learning_finds_the_grip_and_says_how_it_got_there(study: Space) -> None:
    """Catches beliefs in the wrong unit, scenarios drawn anew that are no longer distinct, and an answer that changes
    from run to run."""
    truth = draws_at(study, np.array([[0.05, 0.5, 0.5, 0.5, 0.5]]), np.ones(1))
    asked = tuple(
        seen(study, kind, phase, value=1.0, error=error)
        for kind, error in (("lateral", 0.15), ("roll", 0.2))
        for phase in study.phase_names
    )
    true = predict(study, asked, truth.scenarios).numbers[:, 0]
    written = tuple(dataclasses.replace(one, value=float(v)) for one, v in zip(asked, true, strict=True))
    draws = draw(study, 64)
    found = learn(dataclasses.replace(study, planning=Planning(rejuvenate_below=0.3)), written, draws)
    assert found.rejuvenated and found.effective_share < 0.3 and found.distinct >= 62
    assert found.draws.weights == pytest.approx(np.full(64, 1.0 / 64))
    best, grip = study.unknowns[0].values[0], float(truth.numbers[0, 0])
    assert found.before.mean[0] == pytest.approx(best, rel=0.01)
    assert found.before.half_width[0] == pytest.approx(0.2 * best, rel=0.1)
    assert abs(found.after.mean[0] - grip) < 0.3 * abs(best - grip)
    assert found.after.half_width[0] < 0.6 * found.before.half_width[0]
    assert found.contradictions == () and found.unanswered == (0,) * len(written)
    again = learn(study, written, draws)
    assert np.array_equal(again.draws.points, found.draws.points)
    only_weighed = learn(dataclasses.replace(study, planning=Planning(rejuvenate_below=0.0)), written, draws)
    assert not only_weighed.rejuvenated and only_weighed.effective == pytest.approx(found.effective)
    assert np.array_equal(only_weighed.draws.points, draws.points)


def test_quick_weights_are_those_of_learning(study: Space) -> None:
    """Catches an answer at the pit table that leans on other beliefs than the plan."""
    written = (seen(study, "lateral", "sweep", value=7.6), seen(study, "touched", "", value=1.0))
    draws = draw(study, 64)
    slow = learn(dataclasses.replace(study, planning=Planning(rejuvenate_below=0.0)), written, draws)
    quick = weighed(study, written, draws)
    assert np.array_equal(quick.weights, slow.draws.weights) and np.ptp(quick.weights) > 0.01
    assert np.array_equal(quick.points, draws.points)


def test_nothing_seen_changes_nothing(study: Space) -> None:
    """Catches weights lost where no observation is given."""
    draws = weighted(draw(study, 8), np.array([1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0]))
    found = learn(study, (), draws)
    assert found.draws is draws and found.effective == pytest.approx(4.0)
    assert np.array_equal(found.before.mean, found.after.mean)


# ---- what does not fit


def test_a_contradictory_pair_is_named_and_a_fitting_sheet_is_not(study: Space) -> None:
    """Catches two reports averaged to a middle that neither says, and alarms where everything fits."""
    study = dataclasses.replace(study, planning=Planning(rejuvenate_below=0.0))
    draws = draw(study, 64)
    low = seen(study, "lateral", "sweep", value=7.4, error=0.15, line=5)
    high = seen(study, "lateral", "sweep", {"front_bar": "1.3"}, value=8.6, error=0.15, line=9)
    found = learn(study, (low, high), draws)
    pairs = [c for c in found.contradictions if c.observations == (0, 1)]
    assert len(pairs) == 1 and pairs[0].probability < 0.1
    assert "line 5" in pairs[0].text and "line 9" in pairs[0].text
    fits = learn(study, (low, dataclasses.replace(high, value=7.5)), draws)
    assert fits.contradictions == ()


@pytest.mark.parametrize(
    ("kind", "one", "two"),
    [
        ("lifted", {"what": "rear", "value": -1.0}, {"what": "rear", "value": 1.0}),
        ("feel", {"value": -1.0}, {"value": 1.0}),
        ("better", {"setup": {"front_bar": "none"}, "other": {}}, {"setup": {}, "other": {"front_bar": "none"}}),
    ],
)
def test_plainly_opposite_reports_are_named(study: Space, kind: str, one: dict, two: dict) -> None:
    """Catches opposite answers to one question that the pair rule misses because the model is sure of one of them."""
    written = tuple(seen(study, kind, "hairpin", **report) for report in (one, two))
    found = learn(study, written, draw(study, 32))
    assert (0, 1) in [c.observations for c in found.contradictions]


def test_the_odd_report_out_is_named_alone(study: Space) -> None:
    """Catches a leave-one-out that leaves nothing out: three readings agree, the fourth does not."""
    values = (6.3, 6.35, 6.25, 7.7)
    written = tuple(
        seen(study, "lateral", "sweep", {"front_bar": bar}, value=v, error=0.2)
        for bar, v in zip(("1.2", "1.3", "1.1", "1.0"), values, strict=True)
    )
    told = predict(study, written, draw(study, 256).scenarios)
    spread = told.numbers.std()
    assert spread > 0.4, "the prior must allow each of them"
    found = learn(study, written, draw(study, 64))
    assert int(np.argmin(found.predicted)) == 3
    assert (3,) in [c.observations for c in found.contradictions]


# ---- a toy model with scenarios


def test_scenarios_without_an_answer_are_counted_and_get_the_floor(monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches a scenario without an answer whose zero is read as a prediction."""
    space = dataclasses.replace(
        toy.space([toy.knob(0, (1.0, 2.0))]),
        unknowns=(Unknown("grip", "", (1,), (1.0,), (0.5,), (0.1,), (3.0,), "uniform", True, "test"),),
    )
    columns = metric_columns(space.phase_names)

    def model(parameters, phases, slots, factor, offset):
        values = np.zeros((len(factor), len(parameters), len(columns)))
        values[:, :, columns.index("sweep.roll_deg")] = factor[:, [0]]
        valid = np.repeat(factor[:, [0]] < 1.25, len(parameters), axis=1)
        values[~valid] = 0.0
        return values, valid

    monkeypatch.setattr("explorer.study.everything.evaluate.evaluate_parameters", model)
    draws = draw(space, 64)
    lost = draws.numbers[:, 0] >= 1.25
    found = learn(space, (seen(space, "roll", "sweep", value=0.0, error=1.0),), draws)
    assert found.unanswered == (int(lost.sum()),) and 0 < lost.sum() < 32
    assert found.log_likelihoods[0, lost] == pytest.approx(np.full(lost.sum(), np.log(0.02 / 30.0)))
    heavier = found.draws.weights[~lost].min() if not found.rejuvenated else 1.0
    assert heavier > 10.0 * found.draws.weights[lost].max()


def test_a_linear_model_gives_the_exact_posterior_end_to_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches an error read as a variance, a lost unit, and a report judged by itself: roll is the unknown itself."""
    best, half = 3.0, 1.0
    space = dataclasses.replace(
        toy.space([toy.knob(0, (1.0, 2.0))]),
        unknowns=(Unknown("x", "", (1,), (best,), (half,), (-9.0,), (9.0,), "normal", True, "test"),),
    )
    columns = metric_columns(space.phase_names)

    def model(parameters, phases, slots, factor, offset):
        values = np.zeros((len(factor), len(parameters), len(columns)))
        values[:, :, columns.index("sweep.roll_deg")] = best * factor[:, [0]]
        return values, np.ones(values.shape[:2], dtype=bool)

    monkeypatch.setattr("explorer.study.everything.evaluate.evaluate_parameters", model)
    written = (seen(space, "roll", "sweep", value=3.4, error=0.5), seen(space, "roll", "sweep", value=3.6, error=0.4))
    precision = 1.0 / 0.25 + 1.0 / 0.25 + 1.0 / 0.16
    mean = (best / 0.25 + 3.4 / 0.25 + 3.6 / 0.16) / precision
    for below in (0.0, 1.0):
        asked = dataclasses.replace(space, planning=Planning(rejuvenate_below=below))
        found = learn(asked, written, draw(space, 1024))
        assert found.rejuvenated == (below == 1.0)
        tolerance = 0.01 if below == 0.0 else 0.05  # the slip's share moves the mean by some thousandths
        assert found.after.mean[0] == pytest.approx(mean, abs=tolerance)
        assert found.after.half_width[0] == pytest.approx(2.0 / np.sqrt(precision), rel=0.1)
    # the second reading given the first: N(3.2, 0.125) and its own error; a report left in itself would give 0.64
    left_out = 2.0 * ndtr(-(3.6 - 3.2) / np.sqrt(0.125 + 0.16))
    assert found.predicted[1] == pytest.approx(left_out, abs=0.02)
    monkeypatch.setattr(learning, "FEWEST", 1e9)  # judged over the scenarios drawn anew, the report divided out
    assert learn(asked, written, draw(space, 1024)).predicted[1] == pytest.approx(left_out, abs=0.05)


def test_observations_that_do_not_fit_the_study_are_refused(study: Space) -> None:
    """Catches a phase or wheel that does not exist read as another one."""
    good = seen(study, "lifted", "sweep", what="rear")
    for bad, word in (
        (dataclasses.replace(good, phase="chicane"), "chicane"),
        (dataclasses.replace(good, what="left"), "left"),
        (KIND["known"]("", (), "a wing", 1.0, 0.1, "wing_mm", 1.0), "wing_mm"),
        (dataclasses.replace(good, positions=(0.0,)), "knobs"),
        (KIND["known"]("", (), "grip", 1.0, 0.0, "grip", 1.0), "above 0"),
    ):
        with pytest.raises(SpaceError, match=word):
            predict(study, (bad,), draw(study, 4).scenarios)


# ---- each kind by hand


def test_laws_by_hand() -> None:
    """Catches an error used as a variance, a band forgotten or laid on one side, and yes read as no: each law by its
    formula, with scipy's own normal law."""
    number, space = np.array([-4.0, -0.5, 1.5, 6.0]), toy.space([toy.knob(0, (1.0, 2.0))])
    for kind in ("lateral", "speed", "roll", "laptime", "known"):
        found = seen(space, kind, "sweep", value=1.2, error=0.7).law(number)
        assert found == pytest.approx(norm.pdf(1.2, number, 0.7))
    for kind, band in (("lifted", 0.0), ("touched", 0.0), ("feel", 2.0), ("better", 1.0)):
        made = seen(space, kind, "sweep", what="rear", error=1.5)
        below, above = norm.cdf(-band, number, 1.5), norm.sf(band, number, 1.5)
        assert dataclasses.replace(made, value=-1.0).law(number) == pytest.approx(below)
        assert dataclasses.replace(made, value=1.0).law(number) == pytest.approx(above)
        if band:
            assert dataclasses.replace(made, value=0.0).law(number) == pytest.approx(1.0 - below - above)


def test_numbers_of_the_newer_kinds_by_hand(study: Space) -> None:
    """Catches a clearance or a margin of the wrong phase, a circle driven at the phase's radius, a lap longer where
    grip is higher or weighed evenly, and an unknown read in SI or at its best guess."""
    draws, thin = draw(study, 16), {"front_bar": "none"}
    phases = study.phases.copy()
    weight = PHASE_COLUMNS.index("weight")
    phases[:, weight] = np.arange(1.0, len(phases) + 1.0)
    study = dataclasses.replace(study, phases=phases)
    asked = (
        seen(study, "touched", ""),
        seen(study, "touched", "exit", thin),
        seen(study, "better", "", thin, other={}),
        seen(study, "laptime", "", thin, other={}),
        seen(study, "speed", "sweep", size=3.0),
        KIND["known"]("", (), "height", 46.0, 1.0, "cg_height_mm", 20.0),
        KIND["known"]("", (), "rate", 3.0, 1.0, "rear_tyre_rate_n_per_mm", 20.0),
    )
    told = predict(study, asked, draws.scenarios)
    columns = metric_columns(study.phase_names)
    values, _ = evaluate_positions(study, np.array([study.baseline, study.setup(thin)]), draws.scenarios)

    def column(name: str, setup: int = 0) -> np.ndarray:
        return values[:, setup, columns.index(name)]

    assert told.numbers[0] == pytest.approx(column("clearance_mm")) and np.ptp(told.numbers[0]) > 0.1
    assert told.numbers[1] == pytest.approx(column("exit.clearance_mm", 1))
    mean = column("mean_grip_margin_pct", 1) - column("mean_grip_margin_pct")
    assert told.numbers[2] == pytest.approx(mean, abs=1e-12)
    share = phases[:, weight] / phases[:, weight].sum()
    paces = [[1 + column(f"{name}.grip_margin_pct", k) / 100 for name in study.phase_names] for k in (1, 0)]
    laps = [sum(s / np.sqrt(one) for s, one in zip(share, pace, strict=True)) for pace in paces]
    assert told.numbers[3] == pytest.approx(50.0 * (laps[0] / laps[1] - 1.0))
    assert np.corrcoef(told.numbers[3], mean)[0, 1] < -0.9
    grip, sweep = draws.numbers[:, 0], phases[study.phase_names.index("sweep")]
    limit = sweep[2] * grip * 9.80665 * (1.0 + column("sweep.grip_margin_pct") / 100.0)
    assert told.numbers[4] ** 2 == pytest.approx(3.0 * limit)
    assert told.numbers[5] == pytest.approx(draws.numbers[:, 2])
    rear = draws.numbers[:, 3] * study.base[SLOT["rear_tyre_rate"]] / study.base[SLOT["front_tyre_rate"]]
    assert told.numbers[6] == pytest.approx(rear)


@pytest.mark.parametrize("kind", sorted(KIND))
def test_the_weight_of_a_planted_scenario_grows(study: Space, kind: str) -> None:
    """Catches reports of a kind that are read and pull nowhere: what each scenario itself would have shown must give it
    more weight than it had, in four of five."""
    asked, draws = sheet(study, kind), draw(study, 64)
    told = predict(study, asked, draws.scenarios)
    grown = 0
    for true in range(64):
        written = []
        for one, number in zip(asked, told.numbers[:, true], strict=True):
            band = 0.0 if isinstance(one, Reading) else one.band
            value = number if isinstance(one, Reading) else float(np.sign(number)) * (abs(number) > band)
            written.append(dataclasses.replace(one, value=float(value)))
        weights = reweighted(draws.weights, log_likelihoods(tuple(written), told).sum(axis=0))
        grown += bool(weights[true] > draws.weights[true])
    assert grown >= 52, grown
