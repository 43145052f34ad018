"""Unit factors against NIST Special Publication 811, appendix B, and the suffix rule."""

from __future__ import annotations

import math

import pytest

from explorer.domain.errors import SpaceError
from explorer.domain.units import UNITS, to_si, unit_of


@pytest.mark.parametrize(
    ("suffix", "si"),
    [
        ("lbf_per_in", 175.1268352),
        ("gf_per_mm", 9.80665),
        ("n_per_mm", 1000.0),
        ("deg", 0.0174532925),
        ("deg_per_mm", 17.4532925),
        ("n_m_per_deg", 57.2957795),
        ("n_per_deg", 57.2957795),
        ("deg_per_g", 0.0174532925 / 9.80665),
        ("mm3", 1e-9),
        ("g_mm2", 1e-9),
        ("g", 1e-3),
        ("km_per_h", 1.0 / 3.6),
    ],
)
def test_factor_from_source(suffix: str, si: float) -> None:
    """NIST SP 811: catches inverted factors, pound for pound-force, and degrees left as degrees."""
    assert to_si(1.0, suffix) == pytest.approx(si, rel=1e-8)


def test_pound_force_per_inch_is_built_from_exact_definitions() -> None:
    """lbf = 4.4482216152605 N and in = 25.4 mm exactly: catches factors rounded to a few digits."""
    assert to_si(1.0, "lbf_per_in") == pytest.approx(4.4482216152605 / 0.0254, rel=1e-15)


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.suffix)
def test_every_suffix_is_found_at_the_end_of_a_key(unit) -> None:
    """Catches a shorter suffix listed first (`_mm` swallowing `n_per_mm`, `_g` swallowing `deg_per_g`)."""
    assert unit_of(f"front_thing_{unit.suffix}") is unit
    assert unit_of(f"hairpin.thing_{unit.suffix}") is unit


@pytest.mark.parametrize("name", ["load_sensitivity", "cornering_exponent", "best_lean", "drag", "item", "rolling"])
def test_a_word_that_only_ends_in_unit_letters_has_no_unit(name: str) -> None:
    """Catches matching without the underscore, where `drag` would be grams and `item` metres."""
    assert unit_of(name) is None


def test_unknown_suffix_is_an_error() -> None:
    """Catches a silent factor of one."""
    with pytest.raises(SpaceError, match="furlong"):
        to_si(1.0, "furlong")
    assert math.isfinite(to_si(1.0, "mm"))
