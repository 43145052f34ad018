"""The page of the proof: misses come first and nothing is left out in silence."""

from __future__ import annotations

import math

import numpy as np

from explorer.domain.errors import ModelError
from explorer.report import figures
from explorer.report.drawing import Drawing, Series
from explorer.validation import page
from explorer.validation.results import Comparison, ProofSection, attempted

GOOD = Comparison("level car", "roll", "deg", 2.0, 2.01, 0.02)
BAD = Comparison("car | past lift", "roll", "deg", 3.0, 3.5, 0.06)
LOOSE = Comparison("leaning wheels", "roll", "deg", 3.0, 3.3)
SECTION = ProofSection(
    "bodies",
    "Roll <and> loads",
    "The model's roll is that of a multibody car.",
    "a simulator",
    (GOOD, BAD, LOOSE),
    facts=(("worst roll", "0.5 deg"),),
    notes=("one car | differs",),
    head=("what", "how much"),
    rows=(("shear", "0.1 %"),),
    drawings=(Drawing("proof_roll", "roll", "ours, deg", "theirs, deg", "points",
                      (Series("cars", np.array([1.0, 2.0]), np.array([1.0, 2.1])),), diagonal=True),),
)  # fmt: skip


def test_a_difference_that_is_not_a_number_never_passes() -> None:
    """Catches NaN counted as agreement. Seen red: `not abs(...) > bar` in `Comparison.passed`."""
    assert not Comparison("x", "y", "", math.nan, 1.0, 0.1).passed
    assert not Comparison("x", "y", "", math.nan, 1.0).passed
    assert GOOD.passed and not BAD.passed and LOOSE.passed
    assert SECTION.failed == (BAD,)


def test_misses_are_headlined_and_come_first() -> None:
    """Catches a page that says all is well, and a miss below the rows that are shown."""
    many = ProofSection("a", "A", "c", "s", (GOOD,) * 20 + (BAD,))
    text = page.page((many,), quick=False, drawn=())
    assert "**1 of 21 checks lie outside their bar.**" in text
    assert text.index("past lift") < text.index("level car")
    assert "20 of 21 within the bar" in text
    clean = page.page((ProofSection("a", "A", "c", "s", (GOOD, LOOSE)),), quick=True, drawn=())
    assert "**All 1 checks that have a bar lie within it.**" in clean and "quick run" in clean


def test_page_holds_claim_facts_notes_table_and_picture() -> None:
    """Catches a section whose shortfall is dropped, and markup in a name that breaks the page."""
    text = page.page((SECTION,), quick=False, drawn=("proof_roll",))
    assert "multibody car" in text and "- worst roll: 0.5 deg" in text and r"one car \| differs" in text
    assert "| shear | 0.1 % |" in text and "figures/proof_roll.png" in text and "Roll <and>" not in text
    assert "figures/proof_roll.png" not in page.page((SECTION,), quick=False, drawn=())


def test_table_holds_every_comparison() -> None:
    """Catches rows dropped and a missing bar written as infinity."""
    frame = page.comparisons_table((SECTION, SECTION))
    assert len(frame) == 6 and frame["passed"].isna().sum() == 2 and frame["bar"].isna().sum() == 2
    assert frame["difference"].tolist()[1] == -0.5


def test_drawing_is_the_same_every_time() -> None:
    """Catches a picture that depends on the run."""
    once, again = (figures.draw_comparison(SECTION.drawings[0]) for _ in range(2))
    assert once == again and once[:4] == b"\x89PNG"


def test_a_part_that_cannot_be_computed_is_missed_not_left_out() -> None:
    """Catches a proof that stops at one fault, and one that drops the part in silence. Seen red: a section without
    comparisons handed back."""

    def fails() -> ProofSection:
        raise ModelError("no answer for 4 setups")

    section = attempted("proof_sampling", "Exact indices", fails)
    assert len(section.failed) == 1 and "no answer for 4 setups" in section.notes[0]
    assert attempted("bodies", "", lambda: SECTION) is SECTION
    assert "1 of 1 checks lie outside" in page.page((section,), quick=False, drawn=())
