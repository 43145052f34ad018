"""Tyres and bumps: load variation on a rough road, the mean of the force law over it, the lean of a steered wheel.

Variances on a rough road after Thompson (1976) with the road spectrum of ISO 8608; bump grip is integrated numerically.
"""

from __future__ import annotations

import math
import warnings
from typing import Any

import numpy as np
from scipy.integrate import IntegrationWarning, quad
from scipy.special import erfcx

from twin.car import Axle, Car
from twin.path import root

REFERENCE_WAVENUMBER = 0.1
"""n_0 of ISO 8608, cycles per metre."""


def quarter_car(k: float, mass: float, unsprung: float, k_t: float, c: float, s: float) -> tuple[float, float, float]:
    """Variances of tyre load, body acceleration and suspension travel of a quarter car (Thompson 1976).

    `s` is the intensity of the white-noise road velocity.
    """
    both = mass + unsprung
    load = (
        s
        / (2.0 * c)
        * (
            k**2 * both**3 / mass**2
            - 2.0 * k * k_t * unsprung * both / mass
            + k_t**2 * unsprung
            + k_t * c**2 * both**2 / mass**2
        )
    )
    acceleration = s / 2.0 * (k_t * c / mass**2 + k**2 * both / (c * mass**2))
    return load, acceleration, s * both / (2.0 * c)


def bumps(car: Car, axle: Axle, v: float) -> tuple[float, float, float]:
    """RMS tyre load, body acceleration and suspension travel of an axle: half heave, half roll (ISO 8608 road)."""
    s = 2.0 * math.pi**2 * REFERENCE_WAVENUMBER**2 * car.p["roughness"] * v
    half = 0.5 * axle.sprung
    gyration = car.p["roll_inertia"] / car.sprung
    in_roll = half * 4.0 * gyration / axle.track**2
    heave = quarter_car(axle.wheel_rate, half, axle.unsprung, axle.tyre_rate, axle.damping, s)
    roll = quarter_car(axle.wheel_rate + axle.bar_rate, in_roll, axle.unsprung, axle.tyre_rate, axle.damping, s)
    load, acceleration, travel = (math.sqrt(0.5 * a + 0.5 * b) for a, b in zip(heave, roll, strict=True))
    return load, acceleration, travel


def _log_rectified_mean(x: float) -> float:
    """log of E[max(0, x + N(0, 1))]."""
    density = -0.5 * x * x - 0.5 * math.log(2.0 * math.pi)
    mills = math.sqrt(0.5 * math.pi) * float(erfcx(abs(x) / math.sqrt(2.0)))
    if x <= 0.0:
        return density + math.log1p(x * mills)
    tail = math.exp(density)
    return math.log(tail + x * (1.0 - tail * mills))


def underlying_mean(ratio: float) -> float:
    """Mean x of a unit Gaussian Z with E[max(0, Z)] = ratio."""
    target = math.log(ratio)
    return root(lambda x: _log_rectified_mean(x) - target, -40.0, ratio + 1.0)


def bump_factor(load: float, deviation: float, sensitivity: float) -> float:
    """Mean of the concave force law over the load variation, mean load kept, relative to the steady force."""
    if deviation <= 0.0:
        return 1.0
    ratio = load / deviation
    if load <= 0.0 or math.log(ratio) <= _log_rectified_mean(-39.0):
        return 0.0
    power = 1.0 - sensitivity
    x = underlying_mean(ratio)
    norm = 1.0 / math.sqrt(2.0 * math.pi)
    exp = math.exp
    options: dict[str, Any] = {"epsabs": 1e-300, "epsrel": 2e-14, "limit": 200}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", IntegrationWarning)
        if x > 10.0:

            def bulk(w: float) -> float:
                return w**power * exp(-0.5 * (w - x) ** 2)

            total = norm * (quad(bulk, x - 9.5, x, **options)[0] + quad(bulk, x, x + 9.5, **options)[0])
        else:
            far = x + math.sqrt(x * x + 90.0)
            middle = max(x, 0.25 * far)

            def smooth(w: float) -> float:
                return exp(-0.5 * (w - x) ** 2 + 0.5 * shift)

            shift = x * x if x < 0.0 else 0.0
            near = quad(smooth, 0.0, middle, weight="alg", wvar=(power, 0.0), **options)[0]
            rest = quad(lambda w: w**power * smooth(w), middle, far, **options)[0]
            total = norm * exp(-0.5 * shift) * (near + rest)
    return total / ratio**power


def steered_lean(lean0: float, steer: float, caster: float, kingpin: float, side: float) -> float:
    """Lean of a steered wheel: its spin axis turned about the kingpin by Rodrigues' formula.

    `side` is +1 on the left (inner) and -1 on the right (outer); lean is positive to the left.
    """
    axis = np.array([-math.tan(caster), -side * math.tan(kingpin), 1.0])
    axis /= math.sqrt(float(axis @ axis))
    spin = np.array([0.0, math.cos(lean0), -math.sin(lean0)])
    turned = (
        spin * math.cos(steer) + np.cross(axis, spin) * math.sin(steer) + axis * (axis @ spin) * (1 - math.cos(steer))
    )
    return -math.asin(float(turned[2]))
