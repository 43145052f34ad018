"""Made-up runs for the pit sheet: stops and ladders by hand, and a sheet with far too much on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from report import sample_run

from explorer.domain.space import Knob, Space
from explorer.study.everything.shortlist import Shortlist
from explorer.study.pits.ladder import Ladder, Rung
from explorer.study.pits.symptoms import Roles, Symptom
from explorer.study.plan.change_plan import Change, ChangePlan, Stop
from explorer.study.results import RunResult

LONG = "a very long name for a part that somebody wrote with care"


def stop(space: Space, at: tuple[float, ...], to: tuple[float, ...], reaches: str, **more: object) -> Stop:
    """The stop that turns one setup into another."""
    changes = tuple(
        Change(knob.name, knob.label_at(old), knob.label_at(new), knob.minutes)
        for knob, old, new in zip(space.knobs, at, to, strict=True)
        if old != new
    )
    work = sum(change.minutes for change in changes)
    place = np.array(to)
    made = Stop(changes, place, space.labels(place), reaches, work, False, True, ())
    return replace(made, **more)  # type: ignore[arg-type]


def changes(result: RunResult) -> ChangePlan:
    """Setup 2 of the sample first, by way of a setup that breaks a limit, then setup 1."""
    space = result.space
    stops = (
        stop(space, (1.0, 1.0), (1.0, 2.0), "setup 2"),
        stop(space, (1.0, 2.0), (2.0, 2.0), "", broken=(sample_run.LIMITS[0].text,)),
        stop(space, (2.0, 2.0), (3.0, 2.0), "setup 1", too_long=True),
    )
    stops = tuple(replace(one, run_at=15.0 * number) for number, one in enumerate(stops, start=1))
    return ChangePlan(stops, (1, 0), ("setup 1", "setup 2"), 14.0, 20.0, 6.0, 15.0, 0, ())


def rung(knob: Knob, old: int, new: int, **more: object) -> Rung:
    """A swap that cures something."""
    made = Rung(
        ((knob.name, knob.labels[old], knob.labels[new]),), new - old, knob.minutes, 1.0, 0.25, True, False, 1.0, (),
        (), 0, np.zeros(2),
    )  # fmt: skip
    return replace(made, **more)  # type: ignore[arg-type]


def ladder(words: str, rungs: tuple[Rung, ...]) -> Ladder:
    """The swaps against one thing a driver says."""
    roles = Roles("", "", "", "hairpin", "sweep", sample_run.PHASES)
    return Ladder(Symptom("key", words, "balance", "%", 0.5, 1.0, True), roles, -1.0, (), rungs, (), 0, (), 1, 0, "")


def ladders() -> tuple[Ladder, ...]:
    """One with three cures, of which two are shown, and one without any."""
    bar, spring = sample_run.BAR, sample_run.SPRING
    cured = (
        rung(bar, 1, 2, share=0.8),
        rung(spring, 1, 0, broken=(sample_run.LIMITS[0].text,)),
        rung(bar, 1, 3),
    )
    return (
        ladder("the car pushes on power", cured),
        ladder("the car skips over bumps", (rung(bar, 1, 0, cures=False),)),
    )


def crowded(
    setups: int = 5, knobs: int = 8, stops: int = 40, symptoms: int = 10, long: str = LONG
) -> tuple[RunResult, ChangePlan, tuple[Ladder, ...]]:
    """Long labels everywhere, every part changed at every setup, stops by the dozen."""
    parts = tuple(
        Knob(
            f"{long}_{k}", "mm", tuple(f"{long} no {n}" for n in range(setups + 1)),
            tuple(float(n) for n in range(setups + 1)), (0,), ((0.0,),) * (setups + 1), minutes=7.5,
        )
        for k in range(knobs)
    )  # fmt: skip
    base = sample_run.run()
    start = (0.0,) * knobs
    space = replace(base.space, name=long * 3, car=long * 2, surface=long, knobs=parts, baseline=start)
    assert isinstance(base.shortlist, Shortlist)
    picks = []
    for n in range(1, setups + 1):
        at = np.full(knobs, float(n))
        swaps = space.changes(at)
        picks.append(
            replace(
                base.shortlist.picks[0], positions=at, labels=space.labels(at), reason=f"lowest {long} {n}",
                changes=swaps, minutes=7.5 * knobs,
            )
        )  # fmt: skip
    way = tuple(
        stop(space, start, (float(n % setups + 1),) * knobs, f"setup {n % setups + 1}", broken=(long, long))
        for n in range(stops)
    )
    names = tuple(f"setup {n}" for n in range(1, setups + 1))
    plan = ChangePlan(way, tuple(range(setups)), names, 600.0, 700.0, 100.0, 15.0, 0, ())
    cures = tuple(
        ladder(f"{long} {n}", tuple(rung(parts[k % knobs], 0, 1, share=0.5, broken=(long,)) for k in range(2)))
        for n in range(symptoms)
    )
    return replace(base, space=space, shortlist=replace(base.shortlist, picks=tuple(picks))), plan, cures
