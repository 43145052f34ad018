"""Springs and bars against textbook values and an independent frame solution."""

from __future__ import annotations

import math

import numpy as np
import pytest

from explorer.domain.errors import ModelError
from explorer.domain.units import to_si
from explorer.model.car.parts import (
    WIRE_MATERIALS,
    bar_end_rate,
    coil_rate,
    polar_moment,
    second_moment,
    wheel_rate,
    wire_moduli,
)

INCH = 0.0254


def u_bar(diameter: float, *, elastic: float, shear: float, straight: float = 0.08, arm: float = 0.025) -> float:
    """Bar with its bearings at the corners and square arms."""
    return bar_end_rate(
        diameter=diameter,
        straight=straight,
        bearing_span=straight,
        arm=arm,
        lever=arm,
        elastic_modulus=elastic,
        shear_modulus=shear,
    )


def test_moments_of_area() -> None:
    """Shigley table A-18: catches radius for diameter and I and J swapped."""
    assert polar_moment(diameter=0.001) == pytest.approx(9.817477e-14, rel=5e-7)
    assert second_moment(diameter=0.001) == pytest.approx(4.908739e-14, rel=5e-7)
    assert polar_moment(diameter=0.002) == pytest.approx(1.570796e-12, rel=5e-7)
    assert polar_moment(diameter=0.0017) / second_moment(diameter=0.0017) == pytest.approx(2.0, rel=1e-14)


def test_torsion_rate_of_a_straight_wire() -> None:
    """Shigley eq. 4-7, G J/L: catches a wrong power of the diameter in J."""
    assert 81.0e9 * polar_moment(diameter=0.002) / 0.1 == pytest.approx(1.272345, rel=1e-6)


def test_cantilever_rate() -> None:
    """Shigley table A-9, 3 E I/L^3: catches J used for I in bending."""
    assert 3.0 * 196.5e9 * second_moment(diameter=0.002) / 0.03**3 == pytest.approx(17147.86, rel=1e-6)


@pytest.mark.parametrize(
    ("diameter", "elastic", "shear", "rate"),
    [
        (0.0012, 200.0e9, 81.7e9, 568.517),
        (0.0020, 196.5e9, 81.0e9, 4343.380),
        (0.0024, 196.5e9, 81.0e9, 9006.432),
        (0.0020, 203.4e9, 75.8e9, 4122.522),
    ],
)
def test_u_bar_end_rate(diameter: float, elastic: float, shear: float, rate: float) -> None:
    """Castigliano (Shigley section 4-8), checked once with a frame solver: catches a full length twisted per end."""
    assert u_bar(diameter, elastic=elastic, shear=shear) == pytest.approx(rate, rel=2e-6)


def test_bar_rate_goes_with_the_fourth_power() -> None:
    """(2.4/2.0)^4 = 2.0736 at fixed moduli: catches a rate linear in area."""
    thick, thin = (u_bar(d, elastic=196.5e9, shear=81.0e9) for d in (0.0024, 0.0020))
    assert thick / thin == pytest.approx(2.0736, rel=1e-12)


def test_arm_bending_is_a_sixth_of_the_give() -> None:
    """Torsion is 85.3 % of the compliance at d = 2, L = 80, a = 25 mm: catches rigid arms (17 % too stiff)."""
    rigid = 81.0e9 * polar_moment(diameter=0.002) / (0.025**2 * 0.04)
    assert u_bar(0.002, elastic=196.5e9, shear=81.0e9) / rigid == pytest.approx(0.853, abs=1e-3)


def _frame_rate(
    nodes: np.ndarray, supports: tuple[int, int], d: float, elastic: float, shear: float, held: bool = False
) -> float:
    """End rate of a wire through `nodes` (n, 3) by a space frame of straight beams, ends loaded by +1 and -1 N, or with
    the far end `held` and the near one loaded.

    Independent of the formula under test: stiffness matrices of Euler-Bernoulli beams with torsion (Przemieniecki).
    """
    second, count = math.pi * d**4 / 64.0, len(nodes)
    area = math.pi * d**2 / 4.0
    stiffness = np.zeros((6 * count, 6 * count))
    for start in range(count - 1):
        along = nodes[start + 1] - nodes[start]
        length = float(np.linalg.norm(along))
        x = along / length
        y = np.cross([0.0, 0.0, 1.0], x)
        turn = np.kron(np.eye(4), np.array([x, y / np.linalg.norm(y), np.cross(x, y / np.linalg.norm(y))]))
        beam = np.zeros((12, 12))
        for dof, rate in ((0, elastic * area / length), (3, shear * 2.0 * second / length)):
            beam[np.ix_([dof, dof + 6], [dof, dof + 6])] = rate * np.array([[1, -1], [-1, 1]])
        bend = elastic * second / length**3
        h = length
        block = bend * np.array(
            [[12, 6 * h, -12, 6 * h], [6 * h, 4 * h * h, -6 * h, 2 * h * h],
             [-12, -6 * h, 12, -6 * h], [6 * h, 2 * h * h, -6 * h, 4 * h * h]]
        )  # fmt: skip
        beam[np.ix_([1, 5, 7, 11], [1, 5, 7, 11])] += block
        flip = np.array([1, -1, 1, -1])
        beam[np.ix_([2, 4, 8, 10], [2, 4, 8, 10])] += block * np.outer(flip, flip)
        dofs = np.arange(6 * start, 6 * start + 12)
        stiffness[np.ix_(dofs, dofs)] += turn.T @ beam @ turn
    fixed = [6 * node + dof for node in supports for dof in (0, 2)] + [6 * supports[0] + 1]
    # opposite loads leave the middle untwisted; without this the bar may spin
    fixed.append(6 * (count - 1) + 2 if held else 6 * (count // 2) + 4)
    load = np.zeros(6 * count)
    load[2], load[6 * (count - 1) + 2] = 1.0, -1.0
    free = [dof for dof in range(6 * count) if dof not in fixed]
    moved = np.linalg.solve(stiffness[np.ix_(free, free)], load[free])
    up = dict(zip(free, moved, strict=True))
    if not held:
        assert up[2] == pytest.approx(-up[6 * (count - 1) + 2], rel=1e-6)
    return 1.0 / up[2]


@pytest.mark.parametrize(
    ("straight", "span", "arm", "lever"),
    [(0.08, 0.08, 0.025, 0.025), (0.08, 0.05, 0.025, 0.025), (0.06, 0.056, 0.03, 0.025), (0.07, 0.02, 0.04, 0.025)],
)
def test_bar_against_a_space_frame(straight: float, span: float, arm: float, lever: float) -> None:
    """Splayed arms and bearings inside the bends: catches a missing overhang, the span's bending, or a lever taken
    as the arm's length."""
    splay = math.sqrt(arm**2 - lever**2)
    points = [
        (lever, -straight / 2 - splay, 0.0),
        (0.0, -straight / 2, 0.0),
        *([(0.0, -span / 2, 0.0)] if span < straight else []),
        (0.0, 0.0, 0.0),
        *([(0.0, span / 2, 0.0)] if span < straight else []),
        (0.0, straight / 2, 0.0),
        (lever, straight / 2 + splay, 0.0),
    ]
    supports = (2, 4) if span < straight else (1, 3)
    rate = bar_end_rate(
        diameter=0.0018,
        straight=straight,
        bearing_span=span,
        arm=arm,
        lever=lever,
        elastic_modulus=196.5e9,
        shear_modulus=81.0e9,
    )
    assert rate == pytest.approx(_frame_rate(np.array(points), supports, 0.0018, 196.5e9, 81.0e9), rel=1e-6)


def test_coil_spring_of_the_textbook() -> None:
    """Shigley example 10-1, 4.13 lbf/in with D rounded to 0.400 in; 4.11565 unrounded: catches the outside diameter
    taken as the mean one."""
    shear = 11.85e6 * 6894.757293
    wire, active = 0.037 * INCH, 10.5
    printed = coil_rate(wire=wire, mean_diameter=0.400 * INCH, active_coils=active, shear_modulus=shear)
    exact = coil_rate(wire=wire, mean_diameter=0.4005 * INCH, active_coils=active, shear_modulus=shear)
    assert printed / to_si(1.0, "lbf_per_in") == pytest.approx(4.1311, abs=5e-5)
    assert exact == pytest.approx(720.761, abs=1e-3)


def test_metric_coil_spring() -> None:
    """d 1.2, D 14, 6 coils, G 81.7 GPa: 1.286239 N/mm (equation 10-9): catches a lost factor of 8."""
    rate = coil_rate(wire=0.0012, mean_diameter=0.014, active_coils=6.0, shear_modulus=81.7e9)
    assert rate == pytest.approx(1286.239, abs=5e-4)


def test_motion_ratio_counts_twice() -> None:
    """Milliken and Milliken, ch. 16: 1.2 N/mm at 0.6 is 0.432 N/mm: catches the ratio used once."""
    assert wheel_rate(spring_rate=1200.0, motion_ratio=0.6) == pytest.approx(432.0, rel=1e-14)


@pytest.mark.parametrize(
    ("material", "inches", "elastic", "shear"),
    [
        ("A228", 0.031, 203.4, 82.7),
        ("A228", 0.033, 200.0, 81.7),
        ("A228", 0.063, 200.0, 81.7),
        ("A228", 0.064, 196.5, 81.0),
        ("A228", 0.125, 196.5, 81.0),
        ("A228", 0.126, 193.0, 80.0),
        ("A227", 0.020, 198.6, 80.7),
        ("A227", 0.200, 196.5, 78.6),
        ("chrome-vanadium", 0.05, 203.4, 77.2),
        ("17-7PH", 0.05, 203.4, 75.8),
        ("302/304", 0.05, 193.0, 69.0),
    ],
)
def test_moduli_by_diameter(material: str, inches: float, elastic: float, shear: float) -> None:
    """Shigley table 10-5 and wire makers' tables: catches rows shifted by one and E and G swapped."""
    moduli = wire_moduli(material, inches * INCH)
    assert (moduli.elastic / 1e9, moduli.shear / 1e9) == pytest.approx((elastic, shear), rel=1e-12)


def test_gaps_between_printed_rows_take_the_nearer_row() -> None:
    """The table skips 0.032 to 0.033 and 0.063 to 0.064 in: catches 1.60 mm (0.0630 in) taken from the third row."""
    assert wire_moduli("A228", 0.0016).shear == 81.7e9
    assert wire_moduli("A228", 0.0324 * INCH).shear == 82.7e9
    assert wire_moduli("A228", 0.0326 * INCH).shear == 81.7e9
    assert wire_moduli("A228", 0.0636 * INCH).shear == 81.0e9


def test_unknown_material_names_the_known_ones() -> None:
    """Catches a KeyError reaching a user."""
    with pytest.raises(ModelError, match=WIRE_MATERIALS[0]):
        wire_moduli("cheese", 0.001)


@pytest.mark.parametrize(
    ("diameter", "elastic", "shear", "rate"),
    [
        (0.0012, 200.0e9, 81.7e9, 284.259),
        (0.0020, 196.5e9, 81.0e9, 2171.690),
        (0.0024, 196.5e9, 81.0e9, 4503.216),
        (0.0020, 203.4e9, 75.8e9, 2061.261),
    ],
)
def test_one_end_held_feels_half_the_rate(diameter: float, elastic: float, shear: float, rate: float) -> None:
    """One arm's end held, the other pushed: half the rate of opposite ends (statics of a symmetrical bar), here by the
    space frame with the far end fixed. Catches the model's `k_b/2` for one wheel alone."""
    lever, straight = 0.025, 0.08
    nodes = np.array(
        [(lever, -straight / 2, 0.0), (0.0, -straight / 2, 0.0), (0.0, 0.0, 0.0), (0.0, straight / 2, 0.0),
         (lever, straight / 2, 0.0)]
    )  # fmt: skip
    held = _frame_rate(nodes, (1, 3), diameter, elastic, shear, held=True)
    assert held == pytest.approx(rate, rel=2e-6)
    assert held == pytest.approx(0.5 * u_bar(diameter, elastic=elastic, shear=shear), rel=1e-6)
