"""One pass over every setup in chunks: the same answers as with everything in memory, whatever the chunks."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import numba
import numpy as np
import pytest
from study_same import assert_same_pass, files_of, in_chunks

from explorer.domain.errors import SpaceError
from explorer.domain.space import Limit, Objective, Rule, Space
from explorer.inputs.load import load_study
from explorer.study.everything.columns import ColumnStore
from explorer.study.everything.evaluate import evaluate_all
from explorer.study.everything.front import pareto_front
from explorer.study.everything.limits import count_limits, feasible, resolve_limits
from explorer.study.everything.shortlist import NothingFeasible, Shortlist, make_shortlist
from explorer.study.everything.stream import one_by_one, stream
from explorer.study.questions.exact import exact_indices, step_effects

ASKED = ("lag_ms", "grip_margin_pct", "lift_margin_pct")
STUDY = Path(__file__).parents[3] / "configs" / "2wd_dusty.toml"


@pytest.fixture
def dusty(bars_and_springs: Space) -> Space:
    """Under a rule: some 1,400 setups."""
    rule = Rule("too stiff", (("front_bar", ("2.2", "2.4")),), (("front_spring", ("0.55",)),))
    return dataclasses.replace(bars_and_springs, rules=(rule,))


def shuffled(ranges, work):
    """Parts in any order, as from several machines."""
    parts = [work(start, stop) for start, stop in ranges]
    return [parts[k] for k in np.random.default_rng(3).permutation(len(parts))]


@pytest.fixture
def threads() -> Iterator[None]:
    """Puts the number of threads back."""
    before = numba.get_num_threads()
    yield
    numba.set_num_threads(before)


def test_a_pass_finds_what_the_whole_table_holds(dusty: Space) -> None:
    """Catches members lost or kept too long at a chunk's edge, counts that miss a chunk, and columns off by a row.
    Seen red: `keep` in `Running.add` worked out over the new rows only."""
    limits = resolve_limits(dusty)
    table = evaluate_all(dusty)
    good = feasible(limits, table)
    front = pareto_front(table, good)
    found = stream(dusty, limits, ASKED, chunk=97)
    assert found.setups == len(table) == dusty.size < dusty.full_size
    np.testing.assert_array_equal(found.front.positions, front.positions)
    np.testing.assert_array_equal(found.front.values, front.values)
    np.testing.assert_array_equal(found.front.group, front.group)
    np.testing.assert_array_equal(found.front.named, front.named)
    counts = count_limits(limits, table)
    np.testing.assert_array_equal(found.counts.broken, counts.broken)
    np.testing.assert_array_equal(found.counts.only, counts.only)
    assert (found.counts.feasible, found.counts.valid, found.counts.invalid) == (counts.feasible, counts.valid, 0)
    for name in ASKED:
        np.testing.assert_array_equal(found.store.column(name), table.column(name))
    for column, knob in enumerate(dusty.knobs):
        for level in range(knob.size):
            here = table.positions[:, column] == level
            assert found.setups_by_level[column][level] == here.sum()
            assert found.feasible_by_level[column][level] == (here & good).sum()
    whole = make_shortlist(table, limits, front)
    streamed = make_shortlist(found.table, limits, found.front, found.counts)
    assert isinstance(whole, Shortlist) and isinstance(streamed, Shortlist)
    assert [pick.labels for pick in whole.picks] == [pick.labels for pick in streamed.picks]
    assert whole.feasible == streamed.feasible
    exact = exact_indices(table, ASKED)
    np.testing.assert_array_equal(exact_indices(found.store, ASKED).shapley, exact.shapley)
    np.testing.assert_array_equal(step_effects(found.store, ASKED).absolute, step_effects(table, ASKED).absolute)


def test_neither_chunks_nor_order_nor_threads_change_a_byte(dusty: Space, threads: None) -> None:
    """Catches a merge that depends on who comes first, and a kernel whose answer for one setup depends on the setups
    beside it. One setup at a time, odd sizes, powers of 2 and all at once. Seen red: the front's rows not sorted in
    `Running.finish`."""
    limits = resolve_limits(dusty)
    numba.set_num_threads(1)
    one = stream(dusty, limits, ASKED, keep_all=True, chunk=97)
    assert len(one.front) > 1
    for count, chunk in ((1, 1), (1, 1 << 20), (2, 7), (2, 61), (2, 256), (2, 1000)):
        numba.set_num_threads(min(count, numba.config.NUMBA_NUM_THREADS))
        maker = shuffled if chunk in (7, 256) else one_by_one
        assert_same_pass(one, stream(dusty, limits, ASKED, keep_all=True, chunk=chunk, maker=maker))


def test_the_comparison_sees_one_bit(dusty: Space) -> None:
    """Catches a comparison of passes that lets anything through: a last bit, a member, a count."""
    limits = resolve_limits(dusty)
    one, other = (stream(dusty, limits, ASKED, keep_all=True) for _ in range(2))
    assert_same_pass(one, other)
    assert other.whole is not None
    other.whole.values[5, 3] = np.nextafter(other.whole.values[5, 3], np.inf)
    with pytest.raises(AssertionError, match="whole.values"):
        assert_same_pass(one, other)
    fewer = dataclasses.replace(one.front, named=~one.front.named)
    with pytest.raises(AssertionError, match="front.named"):
        assert_same_pass(one, dataclasses.replace(one, front=fewer))
    miscounted = dataclasses.replace(one.counts, feasible=one.counts.feasible + 1)
    with pytest.raises(AssertionError, match="counts.feasible"):
        assert_same_pass(one, dataclasses.replace(one, counts=miscounted))


def test_tables_are_the_same_files_whatever_the_chunks_and_threads(dusty: Space, threads: None) -> None:
    """Catches rounding in a table that depends on the order of a sum over chunks."""
    whole = load_study(STUDY)
    study = dataclasses.replace(whole, space=dusty)
    numba.set_num_threads(1)
    one = files_of(study)
    assert {"front", "limits", "shortlist", "sensitivity", "levels", "metrics"} <= set(one)
    for count, chunk in ((1, 89), (2, 1 << 20), (2, 250)):
        numba.set_num_threads(min(count, numba.config.NUMBA_NUM_THREADS))
        other = files_of(study, in_chunks(chunk))
        assert one == other, [name for name in one if one[name] != other.get(name)]


def test_nothing_feasible_keeps_the_nearest_misses(dusty: Space) -> None:
    """Catches a chunk's nearest miss lost in the merge. Seen red: `least_violating` over the new rows only."""
    tight = dataclasses.replace(
        dusty, limits=(Limit("lag_ms", "at_most", 20.0), Limit("grip_margin_pct", "at_least", 14.0))
    )
    limits = resolve_limits(tight)
    whole = make_shortlist(evaluate_all(tight), limits)
    found = stream(tight, limits, ASKED, chunk=53, maker=shuffled)
    streamed = make_shortlist(found.table, limits, found.front, found.counts)
    assert isinstance(whole, NothingFeasible) and isinstance(streamed, NothingFeasible)
    assert [pick.labels for pick in whole.least] == [pick.labels for pick in streamed.least]
    np.testing.assert_allclose(whole.missed_by, streamed.missed_by, rtol=1e-12)
    np.testing.assert_array_equal(whole.sole_removal, streamed.sole_removal)
    assert len(found.front) == 0


def test_columns_on_disk_are_those_in_memory(dusty: Space, monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches blocks written at the wrong place and scratch files left behind."""
    limits = resolve_limits(dusty)
    held = stream(dusty, limits, ASKED).store
    monkeypatch.setattr("explorer.study.everything.stream.ColumnStore", lambda *a: ColumnStore(*a, memory_bytes=0))
    spilled = stream(dusty, limits, ASKED, chunk=100, maker=shuffled).store
    assert spilled.on_disk and not held.on_disk
    for name in ASKED:
        np.testing.assert_array_equal(spilled.column(name), held.column(name))
    np.testing.assert_array_equal(exact_indices(spilled, ASKED).shapley, exact_indices(held, ASKED).shapley)
    files = spilled._paths()
    assert all(path.exists() for path in files)
    spilled.close()
    assert not any(path.exists() for path in files)
    with pytest.raises(SpaceError, match="was not kept"):
        held.column("bite_pct")


def test_setups_without_an_answer_are_counted_and_named(dusty: Space) -> None:
    """Catches failures that vanish between chunks."""
    column = dusty.knob_index("rear_spring")
    spring = dataclasses.replace(dusty.knobs[column], settings=(*dusty.knobs[column].settings[:-1], (0.0,)))
    broken = dataclasses.replace(dusty, knobs=(*dusty.knobs[:column], spring, *dusty.knobs[column + 1 :]))
    found = stream(broken, resolve_limits(broken), ASKED, chunk=71, maker=shuffled)
    third = found.setups_by_level[column][-1]
    assert found.counts.invalid == third == found.failed_by_level[column][-1] > 0
    assert found.failed_words == (("a wheel rate or tyre rate is not above zero", int(third)),)
    assert len(found.failed_examples) == 5 and all("rear_spring=0.61" in text for text in found.failed_examples)
    assert int((~found.store.valid).sum()) == third


def test_the_pass_says_how_far_it_is(dusty: Space) -> None:
    """Catches progress that counts rows from the start of each chunk."""
    steps: list[tuple[str, int, int]] = []
    stream(dusty, resolve_limits(dusty), (), progress=lambda *step: steps.append(step), chunk=97)
    done = [now for _, now, _ in steps]
    assert done == [min(97 * (k + 1), dusty.size) for k in range(len(done))] and done[-1] == dusty.size


@pytest.mark.parametrize("chunk", [97, 1365])
def test_a_saturated_objective_drops_out_of_the_pass(dusty: Space, chunk: int) -> None:
    """Catches members that tie once an objective is saturated lost at a chunk's edge, and saturation judged by
    chunk."""
    objectives = (Objective("lag_ms", -1, 500.0), Objective("grip_margin_pct", 1, 0.5))
    dusty = dataclasses.replace(dusty, objectives=objectives)
    limits = resolve_limits(dusty)
    table = evaluate_all(dusty)
    whole = pareto_front(table, feasible(limits, table))
    found = stream(dusty, limits, (), chunk=chunk)
    assert whole.dropped == found.front.dropped == ("lag_ms",)
    np.testing.assert_array_equal(found.front.positions, whole.positions)
    assert (found.front.scores[:, 0] == 0.0).all() and len(whole) > len(np.unique(whole.scores, axis=0))
