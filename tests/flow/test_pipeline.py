"""What the pipeline says of setups without an answer."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from explorer.flow.pipeline import failures_of
from explorer.inputs.load import load_study
from explorer.model.car.slots import SLOT
from explorer.study.everything.stream import stream
from explorer.study.questions.search import search_space

CONFIGS = Path(__file__).parents[2] / "configs"


def test_failures_carry_their_reason_and_place():
    """Catches holes in the table that nobody counts, blames the wrong knob or explains."""
    space = load_study(CONFIGS / "2wd_turf.toml").space
    column = space.knob_index("rear_spring")
    spring = space.knobs[column]
    assert spring.slots == (SLOT["rear_spring_rate"],)
    spring = dataclasses.replace(spring, settings=(*spring.settings[:-1], (0.0,)))  # a spring that holds nothing
    keep = (space.knob_index("front_bar"), column)
    knobs = tuple(spring if k == column else space.knobs[k] for k in keep)
    base = space.parameters(np.array([space.baseline]))[0]
    held = tuple(space.baseline[k] for k in keep)
    small = dataclasses.replace(space, knobs=knobs, rules=(), wishes=(), baseline=held, base=base)
    passed, bars = stream(small, (), ()), small.knobs[0].size
    with passed.store:
        for found in (failures_of(passed), failures_of(search_space(small, ()))):
            assert found.count == bars and len(found.examples) == 5
            assert found.reasons == (("a wheel rate or tyre rate is not above zero", bars),)
            assert found.examples[0].endswith("a wheel rate or tyre rate is not above zero")
            assert found.tied[0] == ("rear_spring", spring.labels[-1], 1.0)
    whole = stream(dataclasses.replace(small, knobs=(space.knobs[keep[0]],), baseline=held[:1]), (), ())
    with whole.store:
        assert failures_of(whole).count == 0
