"""Response, bumps and grip over bumps against independent solvers."""

from __future__ import annotations

import pytest

from explorer.validation.motion import grip_section, motion_sections, quadrature, response_section, truncated


@pytest.mark.parametrize("section", motion_sections(quick=True), ids=lambda section: section.stem)
def test_quick_sections_lie_within_their_bars(section) -> None:
    """Catches a wrong sign in the yaw rows, a lost term of a variance, a bump table that drifts. Seen red, one each:
    `h * u` for `-h * u` in `response_of`; `kt * kt * mu` left out of `tyre_load_variance`; `power` for the slope's
    `- power` in `bump_table`."""
    assert section.comparisons and not section.failed, section.failed[:3]


@pytest.mark.long
def test_full_sections_lie_within_their_bars() -> None:
    """As above, over 200 cars, 60 quarter cars and a long simulation."""
    for section in motion_sections(quick=False):
        assert not section.failed, section.failed[:3]


def test_unstable_cars_are_among_those_compared() -> None:
    """Catches a stability answer that was never put to the test. Seen red: oversteering cars left out of the draw."""
    facts = dict(response_section(quick=True).facts)
    assert "2 of them unstable" in facts["cars"]


def test_the_wrong_model_of_lift_is_told_apart() -> None:
    """A Gaussian cut off at zero keeps more than all of the grip on rough ground; the mean-load-kept one never does.
    Catches a comparison that both models would pass. Seen red: `quadrature` placed at the mean load."""
    assert truncated(2.0, 0.15) > 1.1 and quadrature(2.0, 0.15) < 1.0
    assert all(one.ours < 1.0 for one in grip_section().comparisons)
