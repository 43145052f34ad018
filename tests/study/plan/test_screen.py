"""The race in rounds against the full screen: every setup in every scenario of the last round."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace

import numba
import numpy as np
import pytest
import scenario_toy as toys
import study_toy as toy

from explorer.domain.seeds import SCREEN
from explorer.domain.space import Limit, Space
from explorer.domain.wishes import Wish
from explorer.model.car.slots import SLOT
from explorer.study.everything.stream import one_by_one
from explorer.study.plan import screen
from explorer.study.plan.robust import Robust, eligible, robust_of
from explorer.study.plan.scenario_pass import Question, outcomes_of, question
from explorer.study.plan.scenarios import draw
from explorer.study.plan.screen import LEFT, ROUNDS, screened
from explorer.study.questions.assumptions import thinned_space

BAR = 0.9


def asked_of(space: Space) -> Question:
    return question(space, draw(space, ROUNDS[-1], SCREEN))


def full(asked: Question) -> Robust:
    """Every setup in every scenario."""
    space = asked.space
    return robust_of(space, outcomes_of(asked, space.positions(0, space.size)), 1.0 - BAR)


def best_of(robust: Robust) -> np.ndarray:
    """The `LEFT` setups of least loss among those that may be taken."""
    among, _, _ = eligible(robust, BAR)
    order = np.lexsort((np.arange(len(robust.loss)), robust.loss, ~among))
    return order[: min(LEFT, int(among.sum()))]


def noisy(seed: int) -> tuple[Space, dict[str, toy.Formula]]:
    """900 setups whose loss, objectives and limits move with two unknowns, each setup in its own way."""
    rng = np.random.default_rng(seed)
    a, b, c = rng.normal(1.0, 0.4, 3)
    wave = rng.uniform(20.0, 90.0, 3)

    def noise(p: np.ndarray, k: int) -> np.ndarray:
        return np.asarray(np.sin(wave[k] * (p[:, 0] + 1) * p[:, 10] + 7 * wave[k] * (p[:, 1] + 2 * p[:, 2]) * p[:, 11]))

    formulas: dict[str, toy.Formula] = {
        "lag_ms": lambda p: 20 + a * (p[:, 0] - 5 - 3 * p[:, 10]) + 0.3 * b * p[:, 1] + 4.0 * noise(p, 0),
        "grip_margin_pct": lambda p: 30 - np.abs(p[:, 1] - 5 * p[:, 11]) * c + 2.0 * noise(p, 1) - 0.2 * p[:, 2],
        "sweep.roll_deg": lambda p: 2 + 0.2 * p[:, 0] * (1 + p[:, 10]) + 0.1 * p[:, 2] + 0.5 * noise(p, 2),
    }
    wishes = (Wish("lag_ms", "", "near", 18.0, 1.0), Wish("grip_margin_pct", "", "at_least", 31.0, 1.0, price=0.7))
    space = toy.space(
        [toy.knob(0, range(15)), toy.knob(1, range(12)), toy.knob(2, range(5))],
        limits=(Limit("sweep.roll_deg", "at_most", 4.6),), baseline=(3.0, 3.0, 1.0), seed=seed,
    )  # fmt: skip
    space = toys.with_unknowns(space, toys.unknown(10, 0.0, 1.0, "normal"), toys.unknown(11, 1.0, 0.5))
    return replace(space, wishes=wishes), formulas


@pytest.mark.parametrize("seed", range(5))
def test_the_race_keeps_what_the_full_screen_would(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """Catches: setups dropped on a difference within its error, scores that are not held against the baseline in the
    same scenario, sums put with another setup's after a round, a loss of the wrong sign, weights left out."""
    space, formulas = noisy(seed)
    toys.install(monkeypatch, formulas)
    asked = asked_of(space)
    robust = full(asked)
    left = screened(asked, space.size, space.positions_of, BAR)
    best = best_of(robust)
    assert len(best) == LEFT and np.isin(best, left).all()
    assert len(left) < space.size // 5 and np.array_equal(left, np.unique(left))
    assert int(np.argmax(robust.share)) in left or robust.share[left].max() == robust.share.max()


@pytest.mark.parametrize("seed", range(3))
def test_the_race_saves_most_of_the_work(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """Catches a race that drops nothing until its end."""
    space, formulas = noisy(seed)
    world = toys.install(monkeypatch, formulas)
    asked = asked_of(space)
    world.asked.clear()
    screened(asked, space.size, space.positions_of, BAR)
    assert len(world.rows) < 0.5 * space.size * ROUNDS[-1]


@pytest.mark.parametrize("seed", range(3))
def test_setups_just_below_the_bar_crowd_nobody_out(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """Catches a list filled by setups of less loss that keep the limits a little too seldom: the nearer to the limit
    the less the loss, and more setups than are left stand in front of the first that may be taken."""
    toys.install(
        monkeypatch,
        {"lag_ms": lambda p: 60 - p[:, 0] + 0.001 * p[:, 1], "sweep.roll_deg": lambda p: p[:, 0] + 10 * p[:, 10]},
    )
    space = toy.space(
        [toy.knob(0, range(60)), toy.knob(1, range(30))], objectives=(toy.LAG, toy.GRIP), seed=seed,
        limits=(Limit("sweep.roll_deg", "at_most", 40.0),),
    )  # fmt: skip
    space = toys.with_unknowns(space, toys.unknown(10, 0.0, 2.0, "normal"))  # one standard deviation is 10 of the roll
    space = replace(space, wishes=(Wish("lag_ms", "", "at_most", 0.0, 1.0),))
    asked = asked_of(space)
    robust = full(asked)
    left = screened(asked, space.size, space.positions_of, BAR)
    assert np.isin(best_of(robust), left).all()
    sure = np.flatnonzero(robust.share >= BAR)
    assert (robust.loss < robust.loss[sure].min()).sum() > 100  # that many lose less and keep the limit too seldom
    assert sure[np.argmin(robust.loss[sure])] in left


@pytest.mark.parametrize("seed", range(3))
def test_the_race_keeps_the_best_of_a_real_study(bars_and_springs: Space, seed: int) -> None:
    """As above, with the model, builds and wishes relative to the baseline of the scenario."""
    wishes = (
        Wish("sweep.balance_pct", "", "near", 1.0, 1.0, relative_to="baseline"),
        Wish("hairpin.roll_deg", "", "at_most", 0.9, 0.3, share=True, relative_to="baseline"),
    )
    slots = [SLOT[name] for name in ("grip", "load_sensitivity", "cg_height", "front_grip_ratio")]
    unknowns = tuple(
        toys.unknown(slot, float(bars_and_springs.base[slot]), 0.1 * float(bars_and_springs.base[slot]), "normal")
        for slot in slots
    )
    small = thinned_space(bars_and_springs, 160)
    space = replace(small, wishes=wishes, unknowns=unknowns, seed=seed)
    asked = asked_of(space)
    best, left = best_of(full(asked)), screened(asked, space.size, space.positions_of, BAR)
    assert len(best) and np.isin(best, left).all() and len(left) < space.size


def test_neither_chunks_nor_order_nor_threads_change_a_byte(
    monkeypatch: pytest.MonkeyPatch, bars_and_springs: Space
) -> None:
    """Catches sums that hang on the chunk, parts put where they came back instead of where they belong, a race between
    threads: the sums themselves are compared, not only who is left."""
    slot = SLOT["grip"]
    best = float(bars_and_springs.base[slot])
    space = replace(thinned_space(bars_and_springs, 160), unknowns=(toys.unknown(slot, best, 0.1 * best),))
    asked = asked_of(space)
    kept: list[bytes] = []
    left_of = screen._left

    def noting(asked: Question, sums: screen.Sums, told: np.ndarray, bar: float) -> np.ndarray:
        kept.append(b"".join(getattr(sums, name).tobytes() for name in ("weight", "good", "first", "second")))
        return left_of(asked, sums, told, bar)

    monkeypatch.setattr(screen, "_left", noting)

    def backwards(
        ranges: Iterable[tuple[int, int]], work: Callable[[int, int], screen.Sums]
    ) -> Iterator[screen.Sums]:
        parts = list(ranges)
        cut.append(len(parts))
        return iter([work(start, stop) for start, stop in parts[::-1]])

    cut: list[int] = []
    found = []
    before = numba.get_num_threads()
    for size, threads, maker in ((10**9, 1, one_by_one), (3_000_000, before, backwards), (900_000, 1, backwards)):
        monkeypatch.setattr(screen, "BLOCK_BYTES", size)
        numba.set_num_threads(threads)
        try:
            found.append(screened(asked, space.size, space.positions_of, BAR, maker=maker).tobytes())
        finally:
            numba.set_num_threads(before)
    assert found[0] == found[1] == found[2] and kept[0] == kept[1] == kept[2] and max(cut) > 3


def test_a_setup_without_an_answer_is_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches zeros of a setup without an answer taken for the best lag of all, or scenarios of the baseline without an
    answer that shift everybody."""
    space, formulas = noisy(1)
    toys.install(monkeypatch, formulas, valid=lambda p: (p[:, 0] < 12) | (p[:, 10] > 3.0))
    asked = asked_of(space)
    left = screened(asked, space.size, space.positions_of, BAR)
    silent = space.positions(0, space.size)[:, 0] >= 12
    assert len(left) and not silent[left].any()
    assert np.isin(best_of(full(asked)), left).all()


def test_few_setups_and_few_scenarios_are_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches a race that needs more scenarios than there are, or more setups; and told progress beyond the whole."""
    space, formulas = noisy(2)
    toys.install(monkeypatch, formulas)
    tiny = replace(space, knobs=(space.knobs[0], space.knobs[1], replace(space.knobs[2], labels=("0",), values=(0.0,),
                   settings=((0.0,),))), baseline=(3.0, 3.0, 0.0))  # fmt: skip
    told: list[tuple[str, int, int]] = []
    asked = question(tiny, draw(tiny, 8, SCREEN))
    left = screened(asked, 5, tiny.positions_of, BAR, lambda *step: told.append(step))
    assert set(left) <= set(range(5)) and len(left) >= 1
    assert {name for name, _, _ in told} == {"screen, round 1"} and all(done <= total for _, done, total in told)
    known = replace(tiny, unknowns=())
    assert len(screened(question(known, draw(known, 256, SCREEN)), tiny.size, tiny.positions_of, BAR))
