"""The bar formula against a frame solver."""

from __future__ import annotations

import dataclasses

import pytest

from explorer.validation.bars import CORNERS, TYPICAL, WIRES, bars_section, frame_rate, shear_share


def test_every_bar_agrees_with_the_frame() -> None:
    """Catches a missing overhang, a lever taken as the arm's length, half a bar twisted for a whole one. Seen red: the
    span's term `reach^2 b/(6 E I)` left out of `bar_end_rate`."""
    section = bars_section(quick=False)
    assert len(section.comparisons) == 2 * len(WIRES) and not section.failed


def test_published_rate_of_the_square_bar() -> None:
    """4343.380 N/m for 2.0 mm A228, 80 mm straight, 25 mm arms (Castigliano, Shigley section 4-8): by the frame.
    Catches a frame built on other lengths. Seen red: the bends set at 0.6 times the bearing span in `path_of`."""
    assert frame_rate(CORNERS) == pytest.approx(4343.380, rel=2e-7)
    assert frame_rate(CORNERS, held=True) == pytest.approx(2171.690, rel=2e-7)


def test_what_is_left_out_has_the_right_sign() -> None:
    """Held slopes, round bends and tipped links stiffen, shear softens. Catches an effect that never reaches the frame.
    Seen red: `hold_slope` not handed to the supports."""
    for wire in TYPICAL:
        rate = wire.rate()
        assert frame_rate(wire, hold_slope=True) > 1.02 * rate
        assert frame_rate(wire, bend_radius=3.0) > 1.005 * rate
        assert frame_rate(wire, link_angle=15.0) > 1.03 * rate
        assert 0.0 < shear_share(wire) < 0.01
    sharp = frame_rate(TYPICAL[0], bend_radius=0.3)
    assert sharp == pytest.approx(TYPICAL[0].rate(), rel=3e-3)


def test_a_wrong_formula_is_found_out() -> None:
    """Control: a bar with its bearings elsewhere is outside the bar of 1e-6."""
    other = dataclasses.replace(TYPICAL[0], span=50.0)
    assert abs(frame_rate(other) / TYPICAL[0].rate() - 1.0) > 1e-3
