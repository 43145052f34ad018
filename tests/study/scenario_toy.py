"""A toy world with things that nobody knows: formulas that are asked once per scenario."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import study_toy as toy

from explorer.domain.space import Space
from explorer.domain.unknowns import Unknown


class World(toy.Model):
    """As `study_toy.Model`, but moves the slots of each scenario first; counts the scenarios asked for."""

    scenarios = 0

    def __call__(self, parameters, phases, slots, factor, offset):
        self.scenarios = len(factor)
        answers = []
        for scale, shift in zip(factor, offset, strict=True):
            moved = parameters.copy()
            for column, slot in enumerate(slots):
                moved[:, slot] = moved[:, slot] * scale[column] + shift[column]
            answers.append(super().__call__(moved, phases, slots, factor, offset))
        return np.concatenate([values for values, _ in answers]), np.concatenate([valid for _, valid in answers])


def install(monkeypatch, formulas, valid=None) -> World:
    """Put a world in place of the kernel."""
    world = World(formulas, valid)
    monkeypatch.setattr("explorer.study.everything.evaluate.evaluate_parameters", world)
    return world


def unknown(slot: int | Sequence[int], best: float, spread: float, law: str = "uniform", **more) -> Unknown:
    """An unknown that moves one slot, or several alike."""
    slots = (slot,) if isinstance(slot, int) else tuple(slot)
    n = len(slots)
    entry = {
        "key": f"u{slots[0]}", "unit": "", "slots": slots, "values": (best,) * n, "spread": (spread,) * n,
        "low": (-np.inf,) * n, "high": (np.inf,) * n, "law": law, "of_surface": True, "reason": "made up",
    }  # fmt: skip
    return Unknown(**(entry | more))


def with_unknowns(space: Space, *unknowns: Unknown) -> Space:
    """The space with these unknowns, its base holding their best guesses."""
    base = space.base.copy()
    for one in unknowns:
        base[list(one.slots)] = one.values
    return dataclasses.replace(space, unknowns=unknowns, base=base)
