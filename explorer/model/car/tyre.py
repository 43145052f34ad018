"""Lateral capacity of a tyre and of an axle, and the yaw moment of a leaning driven axle.

Constants of small foam-filled tyres are assumptions: what is published on small cars is for rubber tyres on hard floors
and says nothing on lean. The load law is the usual power law (Milliken & Milliken, Race Car Vehicle Dynamics, ch. 2,
shows its size for large tyres).
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr

from explorer.model.car.slots import SLOT
from explorer.model.machine.compiled import inner, njit
from explorer.model.machine.lane_math import exponential, hyperbolic_tangent, logarithm, square_root
from explorer.model.machine.lanes import value_at, where

_N, _F0 = SLOT["load_sensitivity"], SLOT["reference_load"]
_SHIFT, _SHIFT_LEAN = SLOT["patch_shift"], SLOT["patch_lean"]
_RATIO = SLOT["longitudinal_grip_ratio"]
_C_EXP, _CAMBER = SLOT["cornering_exponent"], SLOT["camber_stiffness"]
_GRIP, _STIFF_EXP = SLOT["grip"], SLOT["stiffness_grip_exponent"]

TABLE_LOW, TABLE_HIGH, TABLE_STEPS_PER_UNIT = -12.0, 6.0, 96
"""Range and density of the bump table in `ln(mean load / RMS load variation)`."""


class Tyre(NamedTuple):
    """Tyre constants that both axles share; the others are in `car.Axle`. SI.

    `stiffness_scale` is `(grip/1.0)^e`, by which cornering and camber stiffness go with the surface's grip. A brush
    tyre at small slip would have e = 0 (Pacejka, Tyre and Vehicle Dynamics, ch. 3); drivers call low grip lazy (common
    practice, no source), and nothing is published for small tyres: e is an unknown.
    """

    load_sensitivity: float
    reference_load: float
    patch_shift: float
    patch_lean: float
    longitudinal_ratio: float
    cornering_exponent: float
    camber_stiffness: float
    stiffness_scale: float


@inner
def tyre_at(parameters):
    """Tyre constants from a parameter vector, or from vectors side by side (`lanes.value_at`)."""
    return Tyre(
        load_sensitivity=value_at(parameters, _N),
        reference_load=value_at(parameters, _F0),
        patch_shift=value_at(parameters, _SHIFT),
        patch_lean=value_at(parameters, _SHIFT_LEAN),
        longitudinal_ratio=value_at(parameters, _RATIO),
        cornering_exponent=value_at(parameters, _C_EXP),
        camber_stiffness=value_at(parameters, _CAMBER),
        stiffness_scale=exponential(value_at(parameters, _STIFF_EXP) * logarithm(value_at(parameters, _GRIP))),
    )


@njit(cache=True, error_model="numpy")
def inclination_share(off):
    """`1/(1 + x^2)` of how many widths an inclination is off the best. [-]

    >>> round(float(inclination_share(1.0)), 12)
    0.5
    """
    return 1.0 / (1.0 + off * off)


@njit(cache=True, error_model="numpy")
def inclination_factor(lean, best_lean, lean_width):
    """Share of the peak force left at an inclination: `1/(1 + ((lean - best)/width)^2)`. [-]

    >>> round(float(inclination_factor(0.3, 0.1, 0.2)), 12)
    0.5
    """
    return inclination_share((lean - best_lean) / lean_width)


@njit(cache=True, error_model="numpy")
def peak_force(grip, reference_load, load_sensitivity, load, factor):
    """Peak lateral force `mu F_0 (F/F_0)^(1-n)` times `factor` (inclination and bumps); zero without load. [N]"""
    if load <= 0.0:
        return 0.0
    return grip * reference_load * (load / reference_load) ** (1.0 - load_sensitivity) * factor


@njit(cache=True, error_model="numpy")
def patch_offset(lean, patch_shift, patch_lean):
    """Sideways shift of the contact patch, positive into the turn: `e_max tanh(lean/gamma_e)`. [m]"""
    return patch_shift * hyperbolic_tangent(lean / patch_lean)


@njit(cache=True, error_model="numpy")
def friction_ellipse(lateral_peak, longitudinal_force, longitudinal_ratio):
    """Lateral force left beside a longitudinal one, `sqrt(P_y^2 - (F_x/ratio)^2)`, where the longitudinal peak is
    `ratio P_y`; zero when the longitudinal force exceeds that (Gillespie, ch. 10; Milliken & Milliken, ch. 2). [N]

    >>> round(float(friction_ellipse(1.0, 0.6, 1.0)), 12)
    0.8
    """
    share = longitudinal_force / longitudinal_ratio
    square = lateral_peak * lateral_peak - share * share
    return square_root(where(square > 0.0, square, 0.0))


SENSITIVITY_LOW, SENSITIVITY_HIGH, SENSITIVITY_NODES = 0.0, 1.0, 20
"""Load sensitivities between which `bump_tables` interpolates, and at how many Chebyshev points."""


@lru_cache(maxsize=1)
def _bump_quadrature() -> tuple[NDArray[np.float64], ...]:
    """What every bump table shares: `u` (steps,), `ln z`, `z - u` and the weighted density (steps, nodes), mean load
    over spread (steps,). Gauss-Legendre over `z = w^4`, which takes the root at zero away."""
    y = np.linspace(TABLE_LOW, TABLE_HIGH, int((TABLE_HIGH - TABLE_LOW) * TABLE_STEPS_PER_UNIT) + 1)
    u = np.where(y > 0.0, np.exp(np.minimum(y, TABLE_HIGH)), -np.sqrt(np.maximum(-2.0 * y, 0.0)))
    for _ in range(200):
        density = np.exp(-0.5 * u * u) / math.sqrt(2.0 * math.pi)
        mean = _normal_mean(u, density)
        step = (np.log(mean) - y) * mean / np.exp(log_ndtr(u))
        u = u - np.clip(step, -1.0, 1.0)
        if np.max(np.abs(step) / (1.0 + np.abs(u))) < 1e-15:
            break
    nodes, weights = np.polynomial.legendre.leggauss(240)
    low = np.maximum(u - 10.0, 0.0) ** 0.25
    high = np.maximum(u + 10.0, 10.0) ** 0.25
    w = low[:, None] + (high - low)[:, None] * 0.5 * (nodes + 1.0)[None, :]
    z = w**4
    measure = 4.0 * w**3 * weights * 0.5 * (high - low)[:, None]
    density = np.exp(-0.5 * (z - u[:, None]) ** 2) / math.sqrt(2.0 * math.pi) * measure
    return u, np.log(z), (z - u[:, None]) * density, density, (z * density).sum(axis=1)


@lru_cache(maxsize=256)
def bump_table(load_sensitivity: float) -> NDArray[np.float64]:
    """Mean grip under load variation as a table: rows over `y = ln(F/s)`, columns `ln(ratio)` and its slope in y.

    The wheel load is `max(0, Z)`, `Z` normal with spread `s`, placed so that its *mean* is `F` also when the wheel
    leaves the ground; the ratio is `E[max(0, Z)^p] / F^p`, `p = 1 - n`. With `Z = s (u + standard normal)` the mean
    load is `s (u Phi(u) + phi(u))`. Read-only and kept.
    """
    power = 1.0 - load_sensitivity
    u, log_z, leaning, density, first = _bump_quadrature()
    force = np.exp(power * log_z)
    moment = (force * density).sum(axis=1)
    slope = (force * leaning).sum(axis=1) / moment * first / ndtr(u) - power
    table = np.stack([np.log(moment) - power * np.log(first), slope], axis=1)
    table.setflags(write=False)
    return table


@lru_cache(maxsize=1)
def _node_tables() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Chebyshev points of load sensitivity (nodes,) and their tables (nodes, steps, 2)."""
    angle = (2.0 * np.arange(SENSITIVITY_NODES) + 1.0) * math.pi / (2.0 * SENSITIVITY_NODES)
    middle, half = 0.5 * (SENSITIVITY_LOW + SENSITIVITY_HIGH), 0.5 * (SENSITIVITY_HIGH - SENSITIVITY_LOW)
    nodes = middle + half * np.cos(angle)
    return nodes, np.stack([bump_table(float(node)) for node in nodes])


def bump_tables_at(load_sensitivities: NDArray[np.float64]) -> NDArray[np.float64]:
    """One bump table per load sensitivity, (kinds,) -> (kinds, steps, 2), by barycentric interpolation between tables
    at Chebyshev points (Berrut & Trefethen, SIAM Review 46, 2004, 501-517).

    The mean of `Z^p` is analytic in p above -1, so the interpolation converges fast: it is held to 1e-12 by a test. A
    table depends on its own load sensitivity alone, bit for bit.
    """
    nodes, tables = _node_tables()
    place = np.arange(SENSITIVITY_NODES)
    own = (-1.0) ** place * np.sin((2.0 * place + 1.0) * math.pi / (2.0 * SENSITIVITY_NODES))
    flat = tables.reshape(SENSITIVITY_NODES, -1)
    found = np.empty((len(load_sensitivities), *tables.shape[1:]))
    for kind, sensitivity in enumerate(load_sensitivities):
        away = sensitivity - nodes
        share = (away == 0.0).astype(np.float64) if (away == 0.0).any() else own / away
        found[kind] = (share / share.sum() @ flat).reshape(tables.shape[1:])
    return found


def _normal_mean(u: NDArray[np.float64], density: NDArray[np.float64]) -> NDArray[np.float64]:
    """`u Phi(u) + phi(u)`, by its asymptotic series far below zero where the two terms cancel."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        v = 1.0 / (u * u)
        series = density * v * (1.0 - 3.0 * v * (1.0 - 5.0 * v * (1.0 - 7.0 * v * (1.0 - 9.0 * v * (1.0 - 11.0 * v)))))
    return np.where(u < -12.0, series, u * ndtr(u) + density)


@inner
def hermite(share, low, low_slope, high, high_slope):
    """Cubic over one step of the bump table from the values and slopes at its ends."""
    s, rest, h = share, 1.0 - share, 1.0 / TABLE_STEPS_PER_UNIT
    value = (1.0 + 2.0 * s) * rest * rest * low + s * rest * rest * h * low_slope
    return value + s * s * (3.0 - 2.0 * s) * high - s * s * rest * h * high_slope


@inner
def bump_log(y, load_sensitivity, table):
    """Logarithm of the mean grip left under load variation, `y` the logarithm of mean load over RMS variation. [-]

    Reads `bump_table` by cubic Hermite interpolation; beyond its top `1 - n (1-n)/2 (s/F)^2`, the second-order term.
    """
    if y >= TABLE_HIGH:
        return np.log1p(-0.5 * load_sensitivity * (1.0 - load_sensitivity) * np.exp(-2.0 * y))
    if y <= TABLE_LOW:
        return table[0, 0] + table[0, 1] * (y - TABLE_LOW)
    place = (y - TABLE_LOW) * TABLE_STEPS_PER_UNIT
    k = min(int(place), table.shape[0] - 2)
    s = place - k
    return hermite(s, table[k, 0], table[k, 1], table[k + 1, 0], table[k + 1, 1])


@njit(cache=True, error_model="numpy")
def bump_factor(load, load_rms, load_sensitivity, table):
    """Mean of the concave force law over the load variation, as a share of its value at the mean load. [-]"""
    if load_rms <= 0.0 or load <= 0.0:
        return 1.0
    return np.exp(bump_log(np.log(load / load_rms), load_sensitivity, table))
