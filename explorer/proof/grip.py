"""Mean grip under load variation, integrated by QUADPACK, and what a plain truncated normal would say instead."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import ndtr

from explorer.model.tyre import bump_factor, bump_table
from explorer.proof.results import Comparison, Drawing, ProofSection, Series
from explorer.study.evaluate import Progress

QUADRATURE = 1e-8
"""Largest difference that passes, as a share of the factor."""
SENSITIVITIES = (0.05, 0.10, 0.15, 0.20, 0.25, 0.30)
SHOWN_SENSITIVITY = 0.15
CLASS_C_RATIO = 1.727
"""Load variation over standing load of the reference quarter car on class C ground at 6 m/s, 6.7687 N / 3.92 N."""


def _normal(z: float) -> float:
    return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


def power_mean(place: float, power: float) -> float:
    """`E[max(0, u + Z)^p]` of a standard normal Z by QUADPACK: an algebraic end at zero (QAWS), then the rest."""
    low, high = max(place - 12.0, 0.0), max(place, 0.0) + 12.0
    split = 0.5 * (low + high) if low > 0.0 else min(1.0, 0.5 * high)
    tight = {"epsabs": 0.0, "epsrel": 1e-12, "limit": 400}
    if low > 0.0:
        first = quad(lambda z: z**power * _normal(z - place), low, split, **tight)[0]
    else:
        first = quad(lambda z: _normal(z - place), 0.0, split, weight="alg", wvar=(power, 0.0), **tight)[0]
    return first + quad(lambda z: z**power * _normal(z - place), split, high, **tight)[0]


def placed(ratio: float) -> float:
    """Where the normal's centre must lie, in standard deviations, so that the mean of `max(0, .)` is `1/ratio`."""

    def gap(place: float) -> float:
        return place * float(ndtr(place)) + _normal(place) - 1.0 / ratio

    return float(brentq(gap, -8.0, 1.0 / ratio + 1.0, xtol=1e-15, rtol=1e-15))


def quadrature_factor(ratio: float, sensitivity: float) -> float:
    """Mean of the force law over the load variation, the mean load kept, as a share of its value at the mean load."""
    return power_mean(placed(ratio), 1.0 - sensitivity) * ratio ** (1.0 - sensitivity)


def cut_factor(ratio: float, sensitivity: float) -> float:
    """The wrong model: a normal about the mean load, what lies below zero counted as no load. Its mean load rises."""
    return power_mean(1.0 / ratio, 1.0 - sensitivity) * ratio ** (1.0 - sensitivity)


def truncated_factor(ratio: float, sensitivity: float) -> float:
    """The wrong model, worse: what lies below zero is thrown away and the rest scaled up."""
    return cut_factor(ratio, sensitivity) / float(ndtr(1.0 / ratio))


def gains_from(factor: Callable[[float, float], float], sensitivity: float) -> float:
    """Load variation over mean load from which a model makes bumps add grip."""
    return float(brentq(lambda ratio: factor(ratio, sensitivity) - 1.0, 0.2, 5.0, xtol=1e-10))


def grip_section(quick: bool, progress: Progress | None = None) -> ProofSection:
    """Our mean grip factor against quadrature, and what a plain truncated normal would say."""
    ratios = np.geomspace(0.05, 5.0, 9 if quick else 41)
    sensitivities = SENSITIVITIES[1::2] if quick else SENSITIVITIES
    comparisons = []
    for k, sensitivity in enumerate(sensitivities):
        table = bump_table(sensitivity)
        for ratio in ratios.tolist():
            mine = float(bump_factor(4.0, 4.0 * ratio, sensitivity, table))
            other = quadrature_factor(ratio, sensitivity)
            case = f"load sensitivity {sensitivity:.2f}, variation {ratio:.3g} of the mean load"
            comparisons.append(Comparison(case, "mean grip factor", "", mine, other, QUADRATURE * other))
        if progress is not None:
            progress("grip over bumps", k + 1, len(sensitivities))
    worst = max(abs(one.difference / one.other) for one in comparisons)
    kept = max(abs(power_mean(placed(ratio), 1.0) * ratio - 1.0) for ratio in ratios.tolist())
    shown = (0.1, 0.3, 0.5, 1.0, CLASS_C_RATIO, 3.0, 5.0)
    n = SHOWN_SENSITIVITY
    table = bump_table(n)

    def our_factor(ratio: float) -> float:
        return float(bump_factor(4.0, 4.0 * ratio, n, table))

    rows = tuple(
        (f"{r:g}", f"{our_factor(r):.4f}", f"{cut_factor(r, n):.4f}", f"{truncated_factor(r, n):.4f}") for r in shown
    )
    fine = np.geomspace(0.05, 5.0, 41)
    lines = (
        ("mean load kept (ours)", our_factor),
        ("normal cut off at zero load", lambda r: cut_factor(r, n)),
        ("truncated normal", lambda r: truncated_factor(r, n)),
    )
    return ProofSection(
        stem="proof_grip_over_bumps",
        title="Mean grip under load variation",
        claim="Load is a normal cut off at zero, placed so that its mean stays; the force law's mean over it.",
        source="scipy quadrature (QUADPACK)",
        comparisons=tuple(comparisons),
        facts=(
            ("largest difference", f"{worst:.1e} of the factor in {len(comparisons)} cases"),
            ("mean load in the quadrature", f"kept to {kept:.0e}"),
            (
                "a plain truncated normal makes bumps add grip",
                f"{100.0 * (truncated_factor(CLASS_C_RATIO, n) - 1.0):+.0f} % where the load varies by 1.73 times its "
                f"mean (class C ground at 6 m/s), {100.0 * (cut_factor(CLASS_C_RATIO, n) - 1.0):+.0f} % if only cut "
                f"off at zero; ours {100.0 * (our_factor(CLASS_C_RATIO) - 1.0):+.1f} %",
            ),
            (
                "from which variation on it adds grip",
                f"{gains_from(truncated_factor, n):.2f} of the mean load (truncated), {gains_from(cut_factor, n):.2f} "
                "(cut off)",
            ),
        ),
        notes=(
            "A normal about the mean load, cut off at zero, has a mean load above the car's weight: the road would "
            "carry more than the car. That is why ours is moved until the mean is right.",
        ),
        head=("load variation / mean load", "ours", "normal cut off at zero", "truncated normal"),
        rows=rows,
        drawings=(
            Drawing(
                stem="proof_grip_over_bumps",
                title=f"Mean grip factor, load sensitivity {n:g}",
                x_label="load variation over mean load [-]",
                y_label="grip over grip on smooth ground [-]",
                kind="lines",
                series=tuple(
                    Series(label=label, x=fine, y=np.array([model(r) for r in fine.tolist()])) for label, model in lines
                ),
            ),
        ),
    )
