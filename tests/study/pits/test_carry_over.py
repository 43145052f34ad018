"""The feel of a liked setup carried to another surface, beside brute force in plain Python."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import study_toy as toy

from explorer.domain.errors import ModelError, SpaceError
from explorer.domain.space import Limit, Reference, Rule, Space
from explorer.domain.unknowns import Planning
from explorer.domain.wishes import Wish
from explorer.model.car.slots import SLOT, SLOTS
from explorer.model.metrics import describe, metric_columns
from explorer.study.everything.evaluate import MetricTable, evaluate_all, table_of
from explorer.study.everything.limits import feasible, resolve_limits
from explorer.study.pits.carry_over import FAR, CarryOver, carry_over
from explorer.study.pits.feel import feel_columns, wanted_feel


def at_home(space: Space, positions: np.ndarray) -> Space:
    """The study with one liked setup, on this very surface."""
    liked = Reference("home", "here", tuple(positions), space.base, space.phase_names, space.phases)
    return dataclasses.replace(space, references=(liked,), planning=Planning(carry_over="home"))


def same(one: CarryOver, other: CarryOver) -> bool:
    """Equal to the last bit."""

    def plain(found: CarryOver) -> str:
        return repr(dataclasses.asdict(found))

    return plain(one) == plain(other)


@pytest.mark.parametrize("row", [0, 700, 1520])
def test_the_same_surface_gives_the_liked_setup_back(bars_and_springs, row):
    """Catches a reference asked on the wrong surface or with its knobs in another order, and a distance that is not 0
    for the same feel."""
    there = bars_and_springs.positions_of(np.array([row]))[0]
    found = carry_over(at_home(bars_and_springs, there))
    np.testing.assert_array_equal(found.closest[0].positions, there)
    assert found.closest[0].distance == 0.0 and found.closest[0].from_liked == ()
    assert found.closest[0].minutes_from_liked == 0.0 and found.closest[0].given_up == ()
    assert found.out_of_reach == () and found.closest[1].distance > 0.0
    assert all(line.missed == 0.0 and line.share == 0.0 for line in found.closest[0].feel)
    assert found.exact and found.asked == bars_and_springs.size and found.name == "home"


FELT_HERE = {"balance_pct": 1.0, "roll_deg": 0.3, "lift_margin_pct": 2.0, "lag_ms": 5.0, "bite_n": 0.2}
WEIGHT = {"balance_pct": 0.03, "roll_deg": 1.0, "lift_margin_pct": 1.0, "lag_ms": 0.1, "bite_n": 0.1}


def feel_by_hand(now: dict[str, float], then: dict[str, float], allowed: float) -> dict[str, float]:
    """What a driver misses, metric by metric, in felt differences."""
    missed = {}
    for name in then:
        stem = name.rsplit(".", 1)[-1]
        if stem == "lift_margin_pct":
            missed[name] = min(0.0, min(now[name], 25.0) - min(then[name], 25.0)) / FELT_HERE[stem]
        else:
            wanted = then[name] * allowed if stem == "bite_n" else then[name]
            missed[name] = (now[name] - wanted) / FELT_HERE[stem]
    return missed


def test_brute_force_over_a_small_space(bars_and_springs):
    """Catches a metric left out, a wrong felt difference or weight, an order that is not by distance, twins that feel
    the same listed twice, limits of the wrong study, and work counted from the wrong setup. From carpet to dusty."""
    space = bars_and_springs
    limits = resolve_limits(space)
    liked = space.references[0]
    there = dataclasses.replace(space, base=liked.base, phase_names=liked.phase_names, phases=liked.phases)
    home = table_of(there, np.array([liked.positions])).row(0)
    table = evaluate_all(space)
    response = "bite_n" if "bite_n" in home else "lag_ms"
    stems = ("balance_pct", "roll_deg", "lift_margin_pct")
    names = [response, *(f"{phase}.{stem}" for phase in space.phase_names for stem in stems)]
    then = {name: home[name] for name in names}
    allowed = space.base[SLOT["grip"]] / liked.base[SLOT["grip"]]
    assert 0.4 < allowed < 0.9
    price = {name: WEIGHT[name.rsplit(".", 1)[-1]] for name in names}
    ranked = []
    good = feasible(limits, table)
    for row in range(len(table)):
        assert table.valid[row]
        now = table.row(row)
        missed = feel_by_hand(now, then, allowed)
        squares = sum(price[name] * missed[name] ** 2 for name in names)
        distance = math.sqrt(squares / sum(price.values()))
        differs = [k for k in range(len(space.knobs)) if table.positions[row][k] != liked.positions[k]]
        work = sum(space.knobs[k].minutes for k in differs)
        felt = {name: FELT_HERE[name.rsplit(".", 1)[-1]] for name in names}
        capped = {name: min(now[name], 25.0) if "lift" in name else now[name] for name in names}
        rounded = tuple(math.floor(capped[name] / felt[name] + 0.5) for name in names)
        ranked.append((round(distance, 9), len(differs), work, row, rounded, missed))
    ranked.sort(key=lambda one: one[:4])

    def naive(allowed: np.ndarray) -> list:
        seen, chosen = set(), []
        for one in ranked:
            if allowed[one[3]] and one[4] not in seen and len(chosen) < 7:
                seen.add(one[4])
                chosen.append(one)
        return chosen

    found = carry_over(space, limits, liked.name, size=7)
    assert found.kept == good.sum() and set(found.feel) == set(names) == set(feel_columns(space.phase_names))
    for listed, chosen in ((found.closest, naive(np.ones(len(table), bool))), (found.closest_kept, naive(good))):
        assert len(listed) == len(chosen)
        for one, (distance, _, work, row, _, missed) in zip(listed, chosen, strict=True):
            np.testing.assert_array_equal(one.positions, table.positions[row])
            assert one.distance == pytest.approx(distance, rel=1e-8) and one.minutes_from_liked == pytest.approx(work)
            assert one.minutes == space.minutes(one.positions[None, :])[0]
            assert {line.metric: line.missed for line in one.feel} == pytest.approx(missed)
            assert sum(line.share for line in one.feel) == pytest.approx(1.0)
            assert one.kept == good[row] == (not one.broken)
            assert set(one.given_up) == {name for name, m in missed.items() if abs(m) > 2}
    least = {name: min((abs(one[5][name]), one[3]) for one in ranked) for name in names}
    wanted = {name for name, (off, _) in least.items() if off > 2}
    assert {one.metric for one in found.out_of_reach} == wanted and wanted
    for one in found.out_of_reach:
        assert one.nearest == pytest.approx(table.row(least[one.metric][1])[one.metric])
        assert abs(one.missed) == pytest.approx(least[one.metric][0])


@pytest.mark.parametrize("chunk", [1, 97, 760])
def test_chunks_change_nothing(bars_and_springs, chunk):
    """Catches a chunk's best lost in the merge, or sums whose rounding hangs on the chunk."""
    keep = dataclasses.replace(
        bars_and_springs,
        knobs=tuple(dataclasses.replace(k, labels=k.labels[:4], values=k.values[:4], settings=k.settings[:4]) for k in
                    bars_and_springs.knobs),
        rules=(Rule("no", ((bars_and_springs.knobs[0].name, bars_and_springs.knobs[0].labels[1:2]),)),),
        baseline=(0.0,) * 4,
        limits=(Limit("hairpin.roll_deg", "at_most", 2.4),),
    )  # fmt: skip
    keep = at_home(keep, np.array([2.0, 3.0, 1.0, 0.0]))
    keep = dataclasses.replace(keep, base=keep.base * np.where(np.arange(len(SLOTS)) == SLOT["grip"], 1.1, 1.0))
    limits = resolve_limits(keep)
    whole = carry_over(keep, limits)
    assert 0 < whole.kept < whole.asked == keep.size
    assert same(carry_over(keep, limits, chunk=chunk), whole)


def there_and_here(rules: tuple[Rule, ...] = (), **more: object) -> Space:
    """Toy: slot 5 is the ground, 0 where the setup (2, 1) is liked and 1 here."""
    where = toy.space(
        [toy.knob(0, (0, 1, 2, 3), minutes=4.0), toy.knob(1, (0, 1, 2), minutes=3.0)],
        rules=rules,
        baseline=(1.0, 1.0),
        limits=[Limit("sweep.balance_pct", "at_most", 5.5)],
        **more,
    )
    ground = np.zeros(len(SLOTS))
    ground[5] = 1.0
    liked = Reference("club", "carpet", (2.0, 1.0), where.base, where.phase_names, where.phases)
    return dataclasses.replace(where, base=ground, references=(liked,))


GROUND = {
    "sweep.balance_pct": lambda p: 4 + p[:, 0] + p[:, 5],
    "sweep.roll_deg": lambda p: 3 + 0.3 * p[:, 1] - 1.8 * p[:, 5],
}
ALL_PRICES = 0.1 + 0.03 + 1.0 + 1.0
"""Of the response, balance, roll and lift margin in one phase."""


def test_what_cannot_be_had_is_said(use_model):
    """Catches a metric called out of reach because the nearest setup gives it up, and one that no setup brings near
    passed over. Balance can be had with one step less; roll stays 5 felt differences off or more."""
    use_model(GROUND)
    where = there_and_here()
    found = carry_over(where, resolve_limits(where), "club")
    first = found.closest[0]
    assert first.labels == ("1", "2") and first.distance == pytest.approx(5 / math.sqrt(ALL_PRICES))
    assert first.changes == (("k1", "1", "2"),) and first.minutes == 3.0
    assert first.from_liked == (("k0", "2", "1"), ("k1", "1", "2")) and first.minutes_from_liked == 7.0
    (gone,) = found.out_of_reach
    assert (gone.metric, gone.then, gone.nearest) == ("sweep.roll_deg", pytest.approx(3.3), pytest.approx(1.8))
    assert gone.missed == pytest.approx(-5)
    assert first.given_up == ("sweep.roll_deg",) and not first.kept and "balance" in first.broken[0]
    assert found.cannot_be_had and found.closest[0].distance > FAR
    kept = found.closest_kept[0]
    assert kept.labels == ("0", "2") and kept.kept and kept.given_up == ("sweep.roll_deg",)
    assert found.kept == 3 and len(found.closest) == 5 and len(found.closest_kept) == 3
    strict = dataclasses.replace(where, limits=(Limit("sweep.balance_pct", "at_most", 1.0),))
    none = carry_over(strict, resolve_limits(strict), "club")
    assert none.closest_kept == () and "no setup here keeps every limit" in none.notes


def test_twins_that_feel_the_same_are_listed_once(use_model):
    """Catches a list filled with setups that nobody could tell apart; the nearest stands for all."""
    formulas = {
        "sweep.balance_pct": lambda p: 4 + p[:, 0] + 0.01 * (p[:, 1] - 1),
        "sweep.roll_deg": lambda p: 3 - 3.0 * p[:, 5],
    }
    use_model(formulas)
    found = carry_over(there_and_here(), (), "club")
    assert [one.labels for one in found.closest] == [("2", "1"), ("1", "2"), ("3", "0"), ("0", "2")]
    assert found.asked == 12


@pytest.mark.parametrize(("home", "here"), [(60.0, 30.0), (15.0, 200.0)])
def test_a_lift_margin_that_nobody_notices_counts_for_nothing(use_model, home, here):
    """Catches the distance made of lift margins: much in hand there or here, or more here than there, is not missed."""
    use_model({"sweep.lift_margin_pct": lambda p: home + (here - home) * p[:, 5]})
    assert carry_over(there_and_here(), (), "club").closest[0].distance == 0.0


def test_a_wheel_that_comes_nearer_to_lifting_is_missed(use_model):
    """Catches a lift margin that never counts."""
    use_model({"sweep.lift_margin_pct": lambda p: 40.0 - 35.0 * p[:, 5]})
    (line,) = (line for line in carry_over(there_and_here(), (), "club").closest[0].feel if "lift" in line.metric)
    assert line.missed == pytest.approx((5.0 - 25.0) / 2.0) and line.share == pytest.approx(1.0)


def test_bite_is_compared_with_what_the_surface_allows(use_model, monkeypatch):
    """Catches transfer in newtons held against another surface as it is: half the grip allows half of it."""
    columns = tuple(dict.fromkeys((*metric_columns(toy.PHASES), "bite_n")))
    monkeypatch.setattr("explorer.study.pits.feel.metric_columns", lambda phases: columns)
    monkeypatch.setattr("explorer.study.pits.feel.describe", lambda name: describe(name.replace("bite_n", "bite_pct")))
    assert feel_columns(("sweep",))[0] == "bite_n"
    where = there_and_here()
    base, home = where.base.copy(), where.references[0].base.copy()
    base[SLOT["grip"]], home[SLOT["grip"]] = 0.6, 1.2
    where = dataclasses.replace(where, base=base, references=(dataclasses.replace(where.references[0], base=home),))

    def table(space: Space, positions: np.ndarray) -> MetricTable:
        values = np.zeros((len(positions), len(columns)))
        values[:, columns.index("bite_n")] = 3.0
        return MetricTable(space, positions, columns, values, np.ones(len(positions), dtype=bool))

    monkeypatch.setattr("explorer.study.pits.feel.table_of", table)
    wanted, _ = wanted_feel(where, where.references[0])
    assert wanted.then[0] == 3.0 and wanted.wanted[0] == 1.5


def test_wishes_about_parts_keep_the_liked_ones(use_model):
    """Catches a feel bought with parts that the study wishes to keep: 3 steps of k0 for a tenth of a felt
    difference."""
    use_model({"sweep.roll_deg": lambda p: 3.0 + 0.01 * p[:, 0] - 0.03 * p[:, 5]})
    where = there_and_here()
    assert carry_over(where, (), "club").closest[0].labels[0] == "3"
    keep = Wish("", "k0", "near", 0.0, 1.0, 1.0, False, "club")
    assert carry_over(dataclasses.replace(where, wishes=(keep,)), (), "club").closest[0].labels[0] == "2"


def test_setups_without_an_answer_and_forbidden_ones_take_no_part(use_model):
    """Catches the zeros of an unanswered setup taken for its feel, and a forbidden setup offered."""
    use_model(GROUND, valid=lambda p: (p[:, 5] < 1) | (p[:, 1] > 0))
    where = there_and_here(rules=(Rule("no", (("k0", ("1",)),)),))
    phases = np.array([[2.0, 0.0, 0.5, 0.0, 0.0, 1.0, 1.0]])
    liked = dataclasses.replace(where.references[0], phases=phases)
    where = dataclasses.replace(where, phases=phases, references=(liked,))
    found = carry_over(where, (), "club")
    assert found.asked == 9 and found.failed == 3 and len(found.failed_examples) == 3
    assert "3 of 9 setups have no answer" in found.notes
    assert found.closest[0].labels == ("2", "2") and found.closest[0].distance > 0
    assert not any(one.labels[0] == "1" or one.labels[1] == "0" for one in found.closest)
    use_model(GROUND, valid=lambda p: p[:, 5] < 1)
    with pytest.raises(ModelError, match="any of the 9"):
        carry_over(where, (), "club")
    use_model(GROUND, valid=lambda p: p[:, 5] > 0)
    with pytest.raises(ModelError, match="no answer for club on carpet"):
        carry_over(where, (), "club")


def test_phases_are_paired_by_name(bars_and_springs):
    """Catches phases paired by place, and one without a partner compared or dropped without a word."""
    start = np.array(bars_and_springs.baseline)
    order = [2, 0, 3]
    liked = Reference(
        "away", "there", tuple(start), bars_and_springs.base, ("entry", "sweep", "loop"), bars_and_springs.phases[order]
    )
    space = dataclasses.replace(bars_and_springs, references=(liked,))
    found = carry_over(space, (), "away")
    assert (
        found.phases == ("sweep", "entry") and found.only_there == ("loop",) and found.only_here == ("hairpin", "exit")
    )
    assert found.closest[0].distance == 0.0 and len(found.feel) == 1 + 2 * 3
    np.testing.assert_array_equal(found.closest[0].positions, start)
    assert sum("left out" in note for note in found.notes) == 2


def test_a_space_that_is_not_listed_is_asked_at_candidates(use_model):
    """Catches a claim of exactness over drawn setups, candidates that a rule forbids or that are listed twice, and a
    draw that changes from call to call."""
    use_model(GROUND)
    where = there_and_here()
    ranged = dataclasses.replace(
        where, knobs=(where.knobs[0], toy.knob(1, (0.0, 2.0), continuous=True)), baseline=(1.0, 0.5)
    )
    ranged = dataclasses.replace(ranged, references=(dataclasses.replace(where.references[0], positions=(2.0, 0.5)),))
    found = carry_over(ranged, (), "club", size=2)
    assert not found.exact and "not all there are" in found.notes[-1]
    assert found.closest[0].labels[0] == "1"
    assert found.closest[0].distance == pytest.approx(5 / math.sqrt(ALL_PRICES), rel=1e-2)
    assert same(found, carry_over(ranged, (), "club", size=2))
    rows = np.array([[3.0, 1.0], [0.0, 1.0], [0.0, 1.0]])
    given = carry_over(ranged, (), "club", candidates=rows)
    assert given.asked == 2 and len(given.closest) == 2 and not given.exact
    sampled = there_and_here(method="sampled")
    assert carry_over(sampled, (), "club").asked == 12


def test_wrong_questions(use_model):
    """Catches a name that is not there answered with another setup."""
    use_model(GROUND)
    where = there_and_here()
    with pytest.raises(SpaceError, match="no liked setup is named.*club"):
        carry_over(where)
    with pytest.raises(SpaceError, match="'pub'; this study has: club"):
        carry_over(where, (), "pub")
    with pytest.raises(SpaceError, match="1 or more"):
        carry_over(where, (), "club", size=0)
    with pytest.raises(SpaceError, match="candidates"):
        carry_over(where, (), "club", candidates=np.zeros((3, 1)))
