"""A wish: what the driver would like, met as nearly as can be, where a limit is kept or the setup is out."""

from __future__ import annotations

from dataclasses import dataclass

SENSES = ("at_least", "at_most", "near")


@dataclass(frozen=True)
class Wish:
    """A soft target on a metric or on a knob; exactly one of `metric` and `knob` is not "".

    `sense` is one of `SENSES`. `value` is in the unit of the metric or of the knob's axis: the target itself, or what
    is added to the own value of the setup that `relative_to` names ("baseline" or a `Reference`); with `share` it is
    multiplied by that own value instead. `felt` is the difference that a driver feels, same unit: the unit of the loss.
    `price` weighs one felt difference.
    """

    metric: str
    knob: str
    sense: str
    value: float
    felt: float
    price: float = 1.0
    share: bool = False
    relative_to: str = ""
    reason: str = ""
