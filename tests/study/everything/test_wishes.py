"""Wishes: targets, shortfalls, the loss, and the order they give the shortlist."""

from __future__ import annotations

import dataclasses
from itertools import product

import numpy as np
import pytest
import study_toy as toy

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import Limit, Reference, Rule, Space
from explorer.domain.wishes import Wish
from explorer.model.car.slots import SLOTS
from explorer.study.everything.evaluate import evaluate_all, table_of
from explorer.study.everything.limits import feasible, resolve_limits
from explorer.study.everything.shortlist import NothingFeasible, Shortlist, make_shortlist
from explorer.study.everything.stream import Streamed, stream
from explorer.study.everything.wishes import (
    LOSS_STEP,
    best_rows,
    losses,
    resolve_wishes,
    shortfalls,
    wish_lines,
)
from explorer.study.questions.search import search_space

GROUND = 9
"""Slot that stands for the ground: 0 where the liked setup was driven, 1 here."""

FORMULAS = {
    "lag_ms": lambda p: 100 - 5 * p[:, 0] - 4 * p[:, 1],
    "grip_margin_pct": lambda p: 20 + p[:, 1] - p[:, 0],
    "lift_margin_pct": lambda p: 10 + 2 * p[:, 2] - p[:, 1],
    "sweep.roll_deg": lambda p: 5 - 0.5 * p[:, 0] - 0.2 * p[:, 1] - 2.0 * p[:, GROUND],
    "sweep.balance_pct": lambda p: 2 + p[:, 1] - p[:, 2],
}


def study(*wishes: Wish, limits: tuple[Limit, ...] = (), rules: tuple[Rule, ...] = (), **settings: object) -> Space:
    """Three knobs of 5 levels; the setup (2, 1, 0) is liked where the ground is 0."""
    where = toy.space(
        [toy.knob(i, range(5), minutes=float(i + 1)) for i in range(3)],
        objectives=(toy.LAG, toy.GRIP, toy.LIFT),
        limits=limits,
        rules=rules,
        baseline=(2.0, 1.0, 0.0),
        **settings,
    )
    where = dataclasses.replace(where, phases=np.array([[2.0, 0.0, 0.5, 0.0, 0.0, 1.0, 1.0]]))
    here = np.zeros(len(SLOTS))
    here[GROUND] = 1.0
    liked = Reference("home", "club", (2.0, 1.0, 0.0), where.base, where.phase_names, where.phases)
    return dataclasses.replace(where, base=here, references=(liked,), wishes=wishes)


ROLL = Wish("sweep.roll_deg", "", "at_least", 0.75, 0.25, 1.0, True, "home")
BALANCE = Wish("sweep.balance_pct", "", "near", 1.0, 1.0, 0.3, False, "home")
LAG = Wish("lag_ms", "", "at_most", 88.0, 5.0, 0.2)
PART = Wish("", "k0", "near", 0.0, 1.0, 0.05, False, "home")
ALL = (ROLL, BALANCE, LAG, PART)


def naive(row: dict[str, float], place: np.ndarray) -> tuple[list[float], float]:
    """Shortfalls and loss of one setup by hand: liked roll 3.8, balance 3, k0 at 2."""
    short = [
        max(0.0, 0.75 * 3.8 - row["sweep.roll_deg"]) / 0.25,
        abs(row["sweep.balance_pct"] - 4.0) / 1.0,
        max(0.0, row["lag_ms"] - 88.0) / 5.0,
        abs(place[0] - 2.0),
    ]
    return short, sum(price * amount for price, amount in zip((1.0, 0.3, 0.2, 0.05), short, strict=True))


def first_by_hand(space: Space) -> int:
    """Row of the feasible setup of least rounded loss; fewest changes, least work and first where they tie."""
    table = evaluate_all(space)
    good = feasible(resolve_limits(space), table)
    keys = []
    for row in range(len(table)):
        _, loss = naive(table.row(row), table.positions[row])
        changes = int((table.positions[row] != np.array(space.baseline)).sum())
        work = float(space.minutes(table.positions[row][None])[0])
        keys.append((not good[row], np.floor(loss / LOSS_STEP + 0.5), changes, work, row))
    return min(keys)[-1]


def test_targets_by_hand(use_model):
    """Catches a share added instead of multiplied, an offset from the wrong surface, and a bound taken for relative."""
    use_model(FORMULAS)
    roll, balance, lag, part = resolve_wishes(study(*ALL))
    assert roll.own == pytest.approx(3.8) and roll.target == pytest.approx(0.75 * 3.8) and roll.share == 0.75
    assert balance.own == pytest.approx(3.0) and balance.target == pytest.approx(4.0) and balance.share is None
    assert lag.own is None and lag.target == 88.0 and lag.unit == "ms"
    assert part.own == 2.0 and part.target == 2.0 and part.knob == "k0"


def test_loss_of_every_setup_by_hand(use_model):
    """Catches a shortfall beyond the target counted, a felt difference or a price left out, and a wish read off another
    column."""
    use_model(FORMULAS)
    space = study(*ALL)
    table = evaluate_all(space)
    wishes = resolve_wishes(space)
    short, loss = shortfalls(wishes, table), losses(wishes, table)
    for row in range(len(table)):
        amounts, total = naive(table.row(row), table.positions[row])
        np.testing.assert_allclose(short[row], amounts, atol=1e-9)
        assert loss[row] == pytest.approx(total)
    assert (short == 0.0).any(axis=0).all() and (short > 0.0).any(axis=0).all()
    lines = wish_lines(wishes, table.take(np.array([0])))
    assert (
        lines[0].value == pytest.approx(3.0) and lines[0].share == pytest.approx(3.0 / 3.8) and lines[3].share is None
    )


def test_a_continuous_knob_counts_in_its_unit(use_model):
    """Catches the place within a range taken for the value."""
    use_model(FORMULAS)
    space = study(Wish("", "k1", "near", 30.0, 10.0))
    knobs = (space.knobs[0], toy.knob(1, (20.0, 40.0), continuous=True), space.knobs[2])
    space = dataclasses.replace(space, knobs=knobs, baseline=(2.0, 0.0, 0.0), references=())
    table = table_of(space, np.array([[0.0, 0.25, 0.0], [0.0, 0.5, 0.0]]))
    assert shortfalls(resolve_wishes(space), table)[:, 0] == pytest.approx([0.5, 0.0])


def test_setups_without_an_answer_are_never_wished(use_model):
    """Catches zeros of an unanswered setup taken for its metrics."""
    use_model(FORMULAS, valid=lambda p: (p[:, GROUND] == 0) | (p[:, 0] > 0))
    space = study(*ALL)
    table = evaluate_all(space)
    assert np.isinf(losses(resolve_wishes(space), table)[~table.valid]).all() and not table.valid.all()


@pytest.mark.parametrize(
    "limits", [(), (Limit("lag_ms", "at_most", 92.0),), (Limit("sweep.roll_deg", "at_most", 2.4),)]
)
def test_the_first_pick_is_the_feasible_setup_of_least_loss(use_model, limits):
    """Catches a wish that outweighs a limit, an order by something else, and picks after the first that are not those
    off the front."""
    use_model(FORMULAS)
    space = study(*ALL, limits=limits)
    wishes, resolved = resolve_wishes(space), resolve_limits(space)
    table = evaluate_all(space)
    plain = make_shortlist(table, resolved)
    found = make_shortlist(table, resolved, wishes=wishes)
    assert isinstance(found, Shortlist) and isinstance(plain, Shortlist)
    first = found.picks[0]
    assert first.row == first_by_hand(space) and "wished" in first.kinds and "wishes" in first.reason
    assert first.loss == pytest.approx(losses(wishes, table)[first.row]) and len(first.wishes) == 4
    assert len(found.picks) == len({pick.row for pick in found.picks}) <= space.settings.shortlist_size
    rest = [pick.row for pick in found.picks[1:]]
    assert rest == [pick.row for pick in plain.picks if pick.row != first.row][: len(rest)] and rest
    assert all("wished" not in pick.kinds for pick in found.picks[1:])


def test_nothing_changes_without_wishes(use_model):
    """Catches a shortlist that another code path gives."""
    use_model(FORMULAS)
    space = study()
    found = make_shortlist(evaluate_all(space), ())
    assert isinstance(found, Shortlist) and resolve_wishes(space) == () and found.out_of_reach == ()
    assert all(pick.loss == 0.0 and pick.wishes == () and "wished" not in pick.kinds for pick in found.picks)


def test_ties_go_to_less_work(use_model):
    """Catches a difference below a tenth of a felt one that sends a crew to work."""
    use_model({**FORMULAS, "sweep.balance_pct": lambda p: 3.0 + 0.02 * p[:, 0]})
    space = study(Wish("sweep.balance_pct", "", "near", 3.0, 1.0))
    found = make_shortlist(evaluate_all(space), (), wishes=resolve_wishes(space))
    assert isinstance(found, Shortlist) and found.picks[0].changes == () and found.picks[0].loss > 0.0


def test_what_cannot_be_had_is_said_with_what_comes_nearest(use_model):
    """Catches a wish out of reach passed over in silence, and one called out of reach that a setup with another fault
    meets."""
    use_model(FORMULAS)
    space = study(dataclasses.replace(ROLL, value=0.9), Wish("lag_ms", "", "at_most", 70.0, 5.0, 0.01))
    wishes = resolve_wishes(space)
    found = make_shortlist(evaluate_all(space), (), wishes=wishes)
    assert isinstance(found, Shortlist)
    (gone,) = found.out_of_reach
    assert gone.line.wish.metric == "sweep.roll_deg" and gone.line.value == pytest.approx(3.0)
    assert gone.line.missed == pytest.approx((0.9 * 3.8 - 3.0) / 0.25) and gone.line.share == pytest.approx(3.0 / 3.8)
    assert gone.changes == (("k0", "2", "0"), ("k1", "1", "0"))
    assert found.picks[0].wishes[1].missed > 0.0  # the lag is had elsewhere, so it is no wish out of reach
    limits = (Limit("lag_ms", "at_most", 1.0),)
    strict = dataclasses.replace(space, limits=limits)
    none = make_shortlist(evaluate_all(space), resolve_limits(strict), wishes=wishes)
    assert isinstance(none, NothingFeasible) and all(pick.loss > 0.0 and pick.wishes for pick in none.least)


@pytest.mark.parametrize("chunk", [1, 7, 64, 1000])
def test_a_pass_in_chunks_finds_the_same_first_pick(use_model, chunk):
    """Catches the setup of least loss lost in a merge, or kept though a better one came."""
    use_model(FORMULAS)
    space = study(*ALL, limits=(Limit("lag_ms", "at_most", 92.0),), rules=(Rule("no", (("k2", ("1",)),)),))
    wishes, limits = resolve_wishes(space), resolve_limits(space)
    passed: Streamed = stream(space, limits, (), chunk=chunk, wishes=wishes)
    whole = make_shortlist(evaluate_all(space), limits, wishes=wishes)
    found = make_shortlist(passed.table, limits, passed.front, passed.counts, wishes)
    assert isinstance(found, Shortlist) and isinstance(whole, Shortlist)
    for one, other in zip(found.picks, whole.picks, strict=True):
        assert one.labels == other.labels and one.loss == other.loss and one.kinds == other.kinds
    assert [one.line for one in found.out_of_reach] == [one.line for one in whole.out_of_reach]
    assert len(passed.front) == len(stream(space, limits, (), chunk=chunk).front)


def test_best_rows_against_brute_force(use_model):
    """Catches an order that is not total: any split gives the best of the whole."""
    use_model(FORMULAS)
    space = study(*ALL)
    wishes, table = resolve_wishes(space), evaluate_all(space)
    short = shortfalls(wishes, table)
    rows = np.arange(len(table))
    whole = best_rows(space, wishes, table.positions, rows, short)
    assert len(whole) == 5
    rng = np.random.default_rng(5)
    for _ in range(20):
        mask = rng.random(len(rows)) < 0.5
        halves = (rows[mask], rows[~mask])
        bests = [half[best_rows(space, wishes, table.positions[half], half, short[half])] for half in halves]
        both = np.unique(np.concatenate(bests))
        assert (both[best_rows(space, wishes, table.positions[both], both, short[both])] == whole).all()
    assert len(best_rows(space, wishes, table.positions[:0], rows[:0], short[:0])) == 0


@pytest.mark.parametrize("continuous", [False, True])
def test_a_search_ends_where_no_single_change_betters_the_loss(use_model, continuous):
    """Catches wishes that a search knows nothing of: its trials are a small part of the space."""
    use_model(FORMULAS)
    space = study(*ALL, method="sampled", search_trials=16, search_population=8)
    if continuous:
        knobs = (*space.knobs[:2], toy.knob(2, (0.0, 4.0), continuous=True))
        space = dataclasses.replace(space, knobs=knobs)
    wishes = resolve_wishes(space)
    found = search_space(space, (), wishes=wishes)
    listed = make_shortlist(found.table, (), found.front, wishes=wishes)
    assert isinstance(listed, Shortlist)
    last = np.linspace(0, 1, 81) if continuous else np.arange(5.0)
    every = table_of(space, np.array(list(product(range(5), range(5), last)), dtype=np.float64))
    best = min(naive(every.row(row), every.positions[row])[1] for row in range(len(every)))
    assert listed.picks[0].loss == pytest.approx(best, abs=LOSS_STEP)
    assert len({row.tobytes() for row in found.table.positions}) == len(found.table)


def test_wrong_wishes(use_model):
    """Catches a share of nothing, an unknown reference, and a setup without an answer taken for a target."""
    use_model({**FORMULAS, "sweep.balance_pct": lambda p: -1.0 + 0.0 * p[:, 0]})
    with pytest.raises(SpaceError, match="share of -1.*no meaning"):
        resolve_wishes(study(dataclasses.replace(BALANCE, share=True)))
    with pytest.raises(SpaceError, match="'away'.*baseline, home"):
        resolve_wishes(study(dataclasses.replace(BALANCE, relative_to="away")))
    with pytest.raises(SpaceError, match="none of at_least"):
        resolve_wishes(study(dataclasses.replace(BALANCE, sense="about")))
    use_model(FORMULAS, valid=lambda p: p[:, GROUND] > 0)
    with pytest.raises(ModelError, match="no answer for home"):
        resolve_wishes(study(ROLL))
