"""Setups in every scenario: figures, their errors, shares and fronts against counting by hand."""

from dataclasses import replace

import numba
import numpy as np
import pytest
import scenario_toy as toys
import study_toy as toy

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import Limit, Rule
from explorer.domain.unknowns import FIGURES, Planning
from explorer.domain.wishes import Wish
from explorer.model.car.slots import SLOT
from explorer.study.everything.evaluate import evaluate_all, nominal
from explorer.study.everything.front import pareto_front
from explorer.study.everything.limits import feasible, resolve_limits
from explorer.study.everything.stream import one_by_one
from explorer.study.plan import scenario_pass
from explorer.study.plan.headline import chosen
from explorer.study.plan.robust import eligible, robust_front, robust_of
from explorer.study.plan.robust_shortlist import robust_shortlist
from explorer.study.plan.scenario_pass import ask, outcomes_of, question
from explorer.study.plan.scenarios import bounds_in, draw, draws_at, weighted
from explorer.study.plan.split import split_of
from explorer.study.questions.assumptions import thinned_space

LIMITS = (
    Limit("sweep.roll_deg", "at_most", 4.5),
    Limit("clearance_mm", "at_least", -0.5, "baseline"),
)
FORMULAS = {
    "lag_ms": lambda p: 20 - p[:, 0] * p[:, 10] + 0.3 * p[:, 1] * p[:, 11],
    "grip_margin_pct": lambda p: 30 - np.abs(p[:, 0] - 3 * p[:, 11]) - 0.7 * p[:, 2] * p[:, 10],
    "sweep.roll_deg": lambda p: 3 * p[:, 10] + p[:, 1] + 0.4 * p[:, 2],
    "clearance_mm": lambda p: 8 * p[:, 11] - p[:, 0] - p[:, 2],
}


def study(limits=LIMITS, spread=1.0, **more):
    rule = Rule("does not fit", when=(("k0", ("4",)),), only=(("k1", ("0", "1", "2")),))
    where = toy.space([toy.knob(0, range(5)), toy.knob(1, range(4)), toy.knob(2, range(4))], rules=(rule,),
                      limits=limits, baseline=(1.0, 2.0, 2.0), **more)  # fmt: skip
    return toys.with_unknowns(where, toys.unknown(10, 1.0, 0.6 * spread), toys.unknown(11, 1.0, 0.5 * spread, "normal"))


def asked_all(where, draws, **more):
    """Every setup of a space in every scenario."""
    return outcomes_of(question(where, draws), where.positions(0, where.size), **more)


def uneven(where, count=16, seed=3):
    return weighted(draw(where, count), np.random.default_rng(seed).random(count) ** 2)


def by_hand(where, draws, q):
    """The same figures, one setup and one scenario after the other in plain Python."""
    columns = ["lag_ms", "grip_margin_pct", "sweep.roll_deg", "clearance_mm"]
    x = np.zeros((where.size, 12))
    x[:, :3] = toy.inputs(where)
    base = x[where.row_of(np.array(where.baseline))]
    cases = []
    for u, v in draws.numbers:
        row, own = x.copy(), base.copy()[None]
        row[:, 10], row[:, 11], own[:, 10], own[:, 11] = u, v, u, v
        value = np.stack([FORMULAS[name](row) for name in columns], axis=1)
        keeps = np.stack([value[:, 2] <= 4.5, value[:, 3] >= FORMULAS["clearance_mm"](own)[0] - 0.5 - 1e-12], axis=1)
        cases.append((value[:, :2], keeps))
    weights, size = draws.weights, where.size
    way = np.array([-1.0, 1.0])
    mean, low, worst, regret = (np.zeros((size, 2)) for _ in range(4))
    share, each, on_front = np.zeros(size), np.zeros((size, 2)), np.zeros(size)
    for i in range(size):
        for j in range(2):
            own = [(way[j] * value[i, j], w) for (value, _), w in zip(cases, weights, strict=True)]
            mean[i, j] = way[j] * sum(v * w for v, w in own)
            worst[i, j] = way[j] * min(v for v, _ in own)
            total = 0.0
            for v, w in sorted(own):
                total += w
                if total >= q:
                    low[i, j] = way[j] * v
                    break
            for value, keeps in cases:
                rivals = [way[j] * value[k, j] for k in range(size) if keeps[k].all()]
                if rivals:
                    regret[i, j] = max(regret[i, j], max(rivals) - way[j] * value[i, j])
        for (value, keeps), w in zip(cases, weights, strict=True):
            share[i] += w * keeps[i].all()
            each[i] += w * keeps[i]
            score = -way * np.floor(value / 0.5 + 0.5)
            good = [k for k in range(size) if keeps[k].all()]
            beaten = any((score[k] <= score[i]).all() and (score[k] < score[i]).any() for k in good)
            on_front[i] += w * (keeps[i].all() and not beaten)
    empty = sum(not keeps.all(axis=1).any() for _, keeps in cases)
    return {"mean": mean, "quantile": low, "worst": worst, "regret": regret}, share, each, on_front, empty


def test_figures_and_shares_are_those_counted_by_hand(monkeypatch):
    """Catches: a quantile on the wrong side, unweighted or interpolated; the worst case of the wrong direction; regret
    against setups that break a limit, or against another scenario's best; shares without weights; a front taken
    without rounding, before the limits, or at the best guess; a baseline's bound at the best guess; rule-breaking rows
    counted in."""
    toys.install(monkeypatch, FORMULAS)
    where = study()
    draws = uneven(where)
    found = robust_of(where, asked_all(where, draws), 0.2)
    figures, share, each, on_front, empty = by_hand(where, draws, 0.2)
    for name, wanted in figures.items():
        np.testing.assert_allclose(found.figure(name), wanted, atol=1e-12, err_msg=name)
    np.testing.assert_allclose(found.share, share, atol=1e-12)
    np.testing.assert_allclose(found.share_by_limit, each, atol=1e-12)
    np.testing.assert_allclose(found.front_share, on_front, atol=1e-12)
    assert found.nothing == empty > 0 and found.answered.all() and found.unanswered == 0
    assert 0.0 < found.share.max() < 1.0 and 0.0 < on_front.max() and len(np.unique(on_front)) > 3
    table = evaluate_all(replace(where, unknowns=()))
    np.testing.assert_allclose(found.figure("nominal")[:, 0], table.column("lag_ms"))


def test_regret_counts_only_rivals_that_keep_every_limit_there(monkeypatch):
    """Catches: a regret that forgets feasibility: setup 2 has the least lag but breaks the limit when the unknown is
    high, and nothing keeps it when it is higher still, which must be counted and not regretted."""
    toys.install(monkeypatch, {"lag_ms": lambda p: 10 - 4 * p[:, 0], "sweep.roll_deg": lambda p: p[:, 0] + p[:, 10]})
    space = toy.space([toy.knob(0, range(3))], objectives=(toy.LAG,), limits=(Limit("sweep.roll_deg", "at_most", 3.0),))
    where = toys.with_unknowns(space, toys.unknown(10, 2.0, 2.0))
    found = robust_of(where, asked_all(where, draws_at(where, np.array([[0.49], [0.9]]), np.array([3.0, 1.0]))), 0.5)
    np.testing.assert_allclose(found.figure("regret")[:, 0], [4.0, 0.0, 0.0])
    assert found.nothing == 1 and found.nothing_weight == pytest.approx(0.25)
    np.testing.assert_allclose(found.share, [0.75, 0.75, 0.0])
    alone = robust_of(where, asked_all(where, draws_at(where, np.array([[0.9]]), np.ones(1))))
    assert alone.nothing == 1 and not alone.figure("regret").any()
    with pytest.raises(SpaceError, match="regret"):
        robust_front(alone, where, "regret", bar=0.0)
    empty = robust_shortlist(alone, where, on="worst")
    assert empty.picks == () and "in any scenario" in empty.note and len(robust_front(alone, where)) == 0
    nothing = draws_at(where, np.array([[0.9]]), np.ones(1))
    assert chosen(where, asked_all(where, nothing), alone) == -1


@pytest.mark.parametrize(("direction", "wanted"), [(1, 1.0), (-1, 4.0)])
def test_the_quantile_is_reached_from_the_worse_end(monkeypatch, direction, wanted):
    """Catches: the first value *above* q at a tie, which would ask for more than a share q to be worse, and the two
    directions counted differently. Five equal scenarios, q = 0.2: the worst value itself."""
    toys.install(monkeypatch, {"roll_damping_ratio": lambda p: p[:, 10] + p[:, 0]})
    goal = replace(toy.LAG, metric="roll_damping_ratio", direction=direction, resolution=0.1)
    where = toys.with_unknowns(
        toy.space([toy.knob(0, range(2))], objectives=(goal,)), toys.unknown(10, 2.5, 2.5)
    )  # fmt: skip
    draws = draws_at(where, np.array([[0.2], [0.8], [0.4], [0.6], [0.5]]), np.ones(5))
    found = robust_of(where, asked_all(where, draws), 0.2)
    assert found.figure("quantile")[0, 0] == pytest.approx(wanted) == pytest.approx(found.figure("worst")[0, 0])
    assert robust_of(where, asked_all(where, draws), 0.3).figure("quantile")[0, 0] != pytest.approx(wanted)


def test_scenarios_of_weight_zero_are_neither_asked_nor_counted(monkeypatch):
    """Catches: a worst case or a regret in a scenario that observations have ruled out."""
    world = toys.install(monkeypatch, FORMULAS)
    where = study()
    draws = draw(where, 8)
    weights = np.array([1.0, 0, 2, 0, 0, 3, 0, 0])
    found = robust_of(where, asked_all(where, weighted(draws, weights)))
    assert world.scenarios == 4  # with the one at the best guesses
    few = robust_of(where, asked_all(where, draws_at(where, draws.points[weights > 0], weights[weights > 0])))
    assert np.array_equal(found.figures, few.figures) and np.array_equal(found.front_share, few.front_share)


def test_without_spread_every_figure_is_the_nominal_one(monkeypatch):
    """Catches: scenarios that move something of their own, and a robust front that is not the study's own front when
    everything is known."""
    toys.install(monkeypatch, FORMULAS)
    where = study(spread=0.0)
    found = robust_of(where, asked_all(where, draw(where, 4)))
    for name in FIGURES[1:-1]:
        np.testing.assert_allclose(found.figure(name), found.figure("nominal"), rtol=1e-14)
    table = evaluate_all(where)
    good = feasible(resolve_limits(where), table)
    assert np.array_equal(found.share == 1.0, good) and 0 < good.sum() < len(good)
    known = pareto_front(table, good)
    for name in ("nominal", "worst", "quantile"):
        front = robust_front(found, where, name)
        assert np.array_equal(front.rows, known.rows) and np.array_equal(front.group, known.group)
    np.testing.assert_allclose(found.front_share, np.isin(np.arange(len(table)), known.rows), atol=1e-15)


def test_a_setup_without_an_answer_has_the_worst_of_the_others_there(monkeypatch):
    """Catches: zeros of an unanswered scenario in the worst case or the mean (the best lag of all), a limit called
    kept there, such a setup on the front of that scenario, one scenario without an answer that shuts a setup out, and
    one without an answer at the best guesses that is picked."""
    unsure = {"lag_ms": lambda p: 5 + p[:, 0], "grip_margin_pct": lambda p: 1 + p[:, 0]}
    toys.install(monkeypatch, unsure, valid=lambda p: (p[:, 0] < 2) | (p[:, 10] < 1.1))
    limits = (Limit("lag_ms", "at_most", 100.0),)
    space = toy.space([toy.knob(0, range(3)), toy.knob(1, range(2))], limits=limits)
    where = toys.with_unknowns(space, toys.unknown(10, 1.0, 0.5))
    two = draws_at(where, np.array([[0.2], [0.7]]), np.array([1.0, 3.0]))
    outcomes = asked_all(where, two)
    found = robust_of(where, outcomes)
    bad = where.positions(0, 6)[:, 0] == 2
    assert found.answered.all() and found.unanswered == 2 and np.isfinite(found.figures).all()
    # lag: 7 where it answers, and 6, the largest of the others, where it does not; grip 3 and 1, the smallest
    np.testing.assert_allclose(found.figure("mean")[bad], [[0.25 * 7 + 0.75 * 6, 0.25 * 3 + 0.75 * 1]] * 2)
    np.testing.assert_allclose(found.figure("worst")[bad], [[7.0, 1.0]] * 2)
    np.testing.assert_allclose(found.share, np.where(bad, 0.25, 1.0))
    np.testing.assert_allclose(found.share_by_limit[:, 0], np.where(bad, 0.25, 1.0))
    np.testing.assert_allclose(found.front_share, np.where(bad, 0.25, 1.0))
    asked = question(where, two)
    assert split_of(asked, where.positions(0, 6), ask(asked, where.positions(0, 6), 1)).left_out == 2
    toys.install(monkeypatch, unsure, valid=lambda p: (p[:, 0] < 2) | (p[:, 10] < 0.9))
    found = robust_of(where, asked_all(where, two))
    assert np.array_equal(found.answered, ~bad)
    assert not np.isin(robust_front(found, where, "mean", bar=0.0).rows, np.flatnonzero(bad)).any()
    toys.install(monkeypatch, unsure, valid=lambda p: p[:, 10] < 0.9)
    with pytest.raises(ModelError, match="no setup has an answer at the best guesses"):
        robust_of(where, asked_all(where, two))
    asked = question(where, two)
    with pytest.raises(ModelError, match="no setup has an answer in every scenario"):
        split_of(asked, where.positions(0, 6), ask(asked, where.positions(0, 6), 1))


def test_a_scenario_without_a_baseline_counts_nothing_and_is_named(monkeypatch):
    """Catches: a bound of zero for a baseline without an answer, the other weights not scaled up, the loss hidden."""
    where = study()
    draws = uneven(where)
    row = where.baseline

    def answered(p):
        return ~((p[:, 0] == row[0]) & (p[:, 1] == row[1]) & (p[:, 2] == row[2]) & (p[:, 10] > 1.4))

    lost = draws.numbers[:, 0] > 1.4
    toys.install(monkeypatch, FORMULAS, answered)
    found = robust_of(where, asked_all(where, draws))
    assert len(found.lost) == lost.sum() > 0 and found.lost_weight == pytest.approx(draws.weights[lost].sum())
    left = draws_at(where, draws.points[~lost], draws.weights[~lost])
    toys.install(monkeypatch, FORMULAS)
    np.testing.assert_allclose(found.figures, robust_of(where, asked_all(where, left)).figures, atol=1e-12)
    assert found.weights.sum() == pytest.approx(1.0) and bounds_in(where, left).valid.all()


def test_the_shortlist_is_of_the_front_and_says_what_it_holds(monkeypatch):
    """Catches: picks below the bar or off the front, figures of another setup, regret taken as better when larger, a
    bar that nobody keeps passed over in silence."""
    toys.install(monkeypatch, FORMULAS)
    where = replace(study(), planning=Planning(quantile=0.25))
    draws = uneven(where)
    found = robust_of(where, asked_all(where, draws))
    assert found.quantile == 0.25
    for on in FIGURES:
        for bar in (None, 0.3):
            front, listed = robust_front(found, where, on, bar), robust_shortlist(found, where, on=on, bar=bar)
            level = 0.75 if bar is None else bar
            among = found.share >= level - 2 * np.sqrt(found.share * (1 - found.share) * np.sum(draws.weights**2))
            assert among.any() and listed.bar == level and listed.groups == front.groups
            assert not listed.note and listed.eligible == among.sum() < where.size
            way = np.array([-1.0, -1.0]) if on == "regret" else np.array([-1.0, 1.0])
            score = -way * np.floor(found.figure(on) / 0.5 + 0.5)
            rows = np.flatnonzero(among)
            best = [
                i for i in rows if not any((score[k] <= score[i]).all() and (score[k] < score[i]).any() for k in rows)
            ]
            assert sorted(front.rows) == best
            assert {pick.row for pick in listed.picks} <= set(best) and len(listed.picks) >= 1
            for pick in listed.picks:
                assert np.array_equal(pick.figures, found.figures[:, pick.row])
                assert pick.labels == where.labels(where.positions_of(np.array([pick.row]))[0])
                assert pick.share == found.share[pick.row] and pick.front_share == found.front_share[pick.row]
                assert np.array_equal(pick.share_by_limit, found.share_by_limit[pick.row])
                assert pick.changes == where.changes(pick.positions) and pick.minutes == 5.0 * len(pick.changes)
                assert pick.ties == (score[best] == score[pick.row]).all(axis=1).sum()
    reasons = "; ".join(pick.reason for pick in robust_shortlist(found, where, on="regret").picks)
    assert "least regret in response lag" in reasons and "lowest" not in reasons and "highest" not in reasons
    assert "worst scenario" in robust_shortlist(found, where, on="worst").picks[0].reason
    where = study((replace(LIMITS[0], value=3.0), LIMITS[1]))
    found = robust_of(where, asked_all(where, uneven(where)))
    strict = robust_shortlist(found, where, on="worst", bar=1.0)
    assert "no setup keeps every limit in 100 %" in strict.note and strict.picks
    # where the bar is lowered, the setup that keeps its limits most often is never missing
    assert max(pick.share for pick in strict.picks) == found.share[found.answered].max()
    short = robust_shortlist(found, where, on="worst", bar=1.0, size=2)
    assert len(short.picks) <= 2 and max(pick.share for pick in short.picks) == found.share[found.answered].max()
    assert len(robust_shortlist(found, where, on="mean", bar=0.0, size=2).picks) <= 2


@pytest.fixture(scope="module")
def real(bars_and_springs):
    slots = [SLOT[name] for name in ("grip", "load_sensitivity", "cg_height")]
    unknowns = tuple(
        toys.unknown(slot, float(bars_and_springs.base[slot]), 0.1 * float(bars_and_springs.base[slot]), law,
                     of_surface=slot == slots[0])
        for slot, law in zip(slots, ("lognormal", "normal", "uniform"), strict=True)
    )  # fmt: skip
    return replace(thinned_space(bars_and_springs, 60), unknowns=unknowns)


def test_neither_chunks_nor_threads_change_a_bit(real, monkeypatch):
    """Catches: sums whose order hangs on the chunk or on which comes back first, a best kept per chunk, a race between
    threads."""
    draws = uneven(real, 8)

    def answer(chunk, threads, maker=one_by_one):
        before = numba.get_num_threads()
        numba.set_num_threads(threads)
        asked, positions = question(real, draws), real.positions(0, real.size)
        monkeypatch.setattr(scenario_pass, "BLOCK_BYTES", chunk * 8 * 9 * asked.numbers_of_a_row)
        try:
            outcomes = outcomes_of(asked, positions, maker=maker)
        finally:
            numba.set_num_threads(before)
        found, split = robust_of(real, outcomes), split_of(asked, positions, outcomes.told)
        return [
            found.figures, found.errors, found.share, found.share_by_limit, found.front_share, found.loss, split.mean,
            split.variance, split.knobs, split.unknowns, split.both, *split.kept_by_level,
            *(pick.figures for pick in robust_shortlist(found, real).picks),
        ]  # fmt: skip

    made = []

    def backwards(ranges, work):
        made.append(list(ranges))
        return [work(start, stop) for start, stop in made[-1][::-1]]

    whole = answer(1_000, 1)
    most = numba.config.NUMBA_NUM_THREADS
    for chunk, threads, maker in ((11, most, backwards), (37, 1, backwards), (1_000, most, one_by_one)):
        for one, other in zip(whole, answer(chunk, threads, maker), strict=True):
            assert one.tobytes() == other.tobytes()
    assert [len(ranges) for ranges in made] == [-(-real.size // 11), -(-real.size // 37)]
    assert 0.0 < whole[2].max() and np.ptp(whole[2]) > 0.1


def test_a_real_study_keeps_the_limits_its_table_keeps(real):
    """Catches: verdicts of the pass by another rule than the study's own, in the scenario that moves nothing."""
    exact = tuple(replace(knob, tolerance_absolute=0.0, tolerance_relative=0.0) for knob in real.knobs)
    still = replace(real, unknowns=(), knobs=exact)
    outcomes = asked_all(still, draw(still, 64))
    good = feasible(resolve_limits(still), evaluate_all(still))
    asked = question(real, draw(real, 8))
    assert np.array_equal(ask(asked, real.positions(0, real.size), 0, 1).good[0], good)
    assert len(outcomes.weights) == 1 and 0 < good.sum() < len(good)
    assert np.array_equal(outcomes.told.good[0], good)
    assert np.array_equal(outcomes.told.values[0], outcomes.nominal) and len(nominal().weights) == 1


def test_what_cannot_be_answered_is_refused(monkeypatch):
    """Catches: a study without objectives, no setup at all, a figure or quantile made up."""
    toys.install(monkeypatch, FORMULAS)
    where = study()
    with pytest.raises(SpaceError, match="no setup"):
        outcomes_of(question(where, draw(where, 4)), np.zeros((0, 3)))
    with pytest.raises(SpaceError, match="no objective"):
        question(replace(where, objectives=()), draw(where, 4))
    found = robust_of(where, asked_all(where, draw(where, 4)))
    with pytest.raises(SpaceError, match="'median'.*nominal"):
        robust_front(found, where, "median")
    with pytest.raises(SpaceError, match="between 0 and 1"):
        robust_front(found, where, bar=1.5)
    for q in (0.0, 0.7):
        with pytest.raises(SpaceError, match="quantile"):
            robust_of(where, asked_all(where, draw(where, 4)), q)


def test_the_headline_heads_the_shortlist(monkeypatch):
    """Catches: a list that forgets the setup chosen, names it twice or with another's figures, a list longer than
    asked for, and the safest setup pushed off it."""
    toys.install(monkeypatch, FORMULAS)
    wish = Wish("lag_ms", "", "near", 4.0, 1.0)
    where = replace(study(), planning=Planning(quantile=0.25), wishes=(wish,))
    outcomes = asked_all(where, uneven(where))
    found = robust_of(where, outcomes)
    for bar in (0.3, 0.5, 1.0):
        plain = robust_shortlist(found, where, on="mean", bar=bar)
        among, _, note = eligible(found, bar)
        for row in (chosen(where, outcomes, found, bar), int(np.flatnonzero(among)[0]), plain.picks[0].row):
            listed = robust_shortlist(found, where, row, on="mean", bar=bar)
            first = listed.picks[0]
            assert first.kinds[0] == "headline" and first.row == row and "wishes" in first.reason
            assert first.loss == found.loss[row] and first.loss_error == found.loss_error[row]
            assert np.array_equal(first.figures, found.figures[:, row])
            assert all(len(pick.wishes) == 1 for pick in listed.picks)
            assert len({pick.row for pick in listed.picks}) == len(listed.picks) <= where.settings.shortlist_size
            assert ["headline" in pick.kinds for pick in listed.picks] == [True] + [False] * (len(listed.picks) - 1)
            if note:
                assert max(pick.share for pick in listed.picks) == found.share.max()


def test_nobody_regrets_a_margin_above_the_noticed(monkeypatch):
    """Catches: regret counted in lift margins that nobody notices."""
    toys.install(monkeypatch, {"lift_margin_pct": lambda p: 20.0 + 100.0 * p[:, 0] + 0.0 * p[:, 10]})
    space = toy.space([toy.knob(0, range(3))], objectives=(toy.LIFT,))
    where = toys.with_unknowns(space, toys.unknown(10, 2.0, 2.0))
    found = robust_of(where, asked_all(where, draws_at(where, np.array([[0.5]]), np.ones(1))))
    np.testing.assert_allclose(found.figure("regret")[:, 0], [5.0, 0.0, 0.0])
