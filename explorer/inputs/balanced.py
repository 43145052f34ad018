"""The ratio of front to rear grip of a surface on which the liked setup is as balanced in the sweep as at home.

A driver picks tyres until the car is balanced where it is fast. Without this, one tyre here and another at home bring
an offset of balance that nobody chose. Home is the surface of the setup that the study carries over, or of its only
liked setup.
"""

from __future__ import annotations

import numpy as np

from explorer.domain.errors import ModelError
from explorer.domain.space import FloatArray, Reference, Space
from explorer.inputs.car_and_surface import SurfaceDefinition
from explorer.inputs.source import Source
from explorer.inputs.tables import BALANCED, SurfaceHead
from explorer.inputs.toml_lines import KeyPath
from explorer.model.car.slots import SLOT
from explorer.model.metrics import metric_columns

SWEEP = "sweep"
"""The phase in which the setup shall be balanced alike."""

KEY: KeyPath = ("surface", "front_grip_ratio")
ASKED = 64
"""Ratios tried at once."""

DIGITS = 4
"""Digits kept behind the point: less is a hundredth of a point of balance."""


class NotBalanced(Exception):
    """No such ratio; the words say what was found and what is allowed."""

    def __init__(self, found: str, allowed: str) -> None:
        super().__init__(f"{found}; {allowed}")
        self.found, self.allowed = found, allowed


def home_of(study: Source, carry_over: str, references: dict[str, SurfaceDefinition]) -> str:
    """Name of the liked setup whose surface is home. `references`: surface by name of the liked setup.

    Raises NotBalanced where the study does not say, or where home asks for balance itself.
    """
    names = [carry_over] if carry_over in references else list(references)
    if len(names) != 1:
        found = f'"{BALANCED}" with {"several liked setups" if names else "no liked setup"} in {study.path}'
        raise NotBalanced(
            found, "one [liked.NAME] there, or [carry_over] from = NAME, to say where home is; or a number"
        )
    if references[names[0]].balanced:
        raise NotBalanced(f'"{BALANCED}" on the surface of liked.{names[0]}', "a number: home is what others follow")
    return names[0]


def balance_at(space: Space, base: FloatArray, names: tuple[str, ...], phases: FloatArray, setup: FloatArray) -> float:
    """Balance of a setup in the sweep [%]. Raises NotBalanced where there is none."""
    return float(_balances(space, base, names, phases, setup, np.array([base[SLOT["front_grip_ratio"]]]))[0])


def _balances(
    space: Space, base: FloatArray, names: tuple[str, ...], phases: FloatArray, setup: FloatArray, ratios: FloatArray
) -> FloatArray:
    """Balance in the sweep at each ratio, NaN where the model has no answer. (ratios,) -> (ratios,) [%]"""
    if SWEEP not in names:
        raise NotBalanced(f"phases {', '.join(names)}", f'a phase "{SWEEP}" here and at home, or a number')
    from explorer.model.kernel import evaluate_parameters  # takes a second to load: only where it is asked

    table = np.repeat(space.parameters(setup[None, :], base), len(ratios), axis=0)
    table[:, SLOT["front_grip_ratio"]] = ratios
    none = np.zeros(0, dtype=np.int64)
    try:
        values, valid = evaluate_parameters(table, phases, none, np.ones((1, 0)), np.zeros((1, 0)))
    except ModelError as error:
        raise NotBalanced(f'"{BALANCED}": {error}', "a number") from error
    found: FloatArray = values[0][:, metric_columns(names).index(f"{SWEEP}.balance_pct")]
    return np.where(valid[0], found, np.nan)


def balanced_ratio(space: Space, surface: SurfaceDefinition, base: FloatArray, home: Reference) -> float:
    """Front over rear grip of a surface on which the home's setup is as balanced in the sweep as at home. [-]

    `base` is the parameter vector on that surface. Found between neighbours of a fan of ratios, each fan finer. Raises
    NotBalanced with what was found.
    """
    setup = np.array(home.positions)
    target = balance_at(space, home.base, home.phase_names, home.phases, setup)
    limits = SurfaceHead.quantities()["front_grip_ratio"]
    low, high = limits.low, limits.high
    off = np.empty(0)
    for _ in range(5):
        ratios = np.linspace(low, high, ASKED)
        off = _balances(space, base, surface.phase_names, surface.phases, setup, ratios) - target
        crossing = np.flatnonzero((off[:-1] <= 0.0) & (off[1:] > 0.0))
        if not len(crossing):
            break
        nearest = int(crossing[np.argmin(np.abs(ratios[crossing] - 1.0))])
        low, high = float(ratios[nearest]), float(ratios[nearest + 1])
    else:
        return round(0.5 * (low + high), DIGITS)
    known = off[np.isfinite(off)] + target
    span = f"{known.min():.3g} to {known.max():.3g} % of balance there" if len(known) else "no answer there"
    found = f'"{BALANCED}": {target:.3g} % at home, {span} at ratios {limits.span("")}'
    raise NotBalanced(found, f"a number, or another tyre or another setup liked on {home.surface}")


def reason(home: Reference) -> str:
    """Why the ratio is what it is, for the list of assumptions."""
    return f"found: as balanced in the sweep with the setup liked on {home.surface} (liked.{home.name}) as there"


def report(surface: SurfaceDefinition, fault: NotBalanced) -> None:
    """Note at the surface's file that there is no such ratio."""
    if surface.source is not None:
        surface.source.report(KEY, fault.found, fault.allowed)
