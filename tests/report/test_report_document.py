"""The report: a tired reader finds the answer, every number says what it is, and no name breaks the page."""

import re
from dataclasses import replace

import numpy as np
import pytest
from report.sheet_runs import changes
from sample_run import nothing, ruled, run, sampled

from explorer.domain.unknowns import Unknown
from explorer.report import document, figure_data, tables, words
from explorer.report.plan_sections import _belief, stops
from explorer.study.results import Failures


def flat(text: str) -> str:
    return " ".join(text.split())


def test_the_answer_comes_first_and_names_setups_knobs_and_the_trade():
    """Catches a report whose answer stands below its method, or that leaves one of the three out."""
    text = document.report(run())
    places = [text.index(part) for part in ("Take these 2 setups", "Which knob matters", "What the front offers")]
    assert places == sorted(places) and places[-1] < text.index("## Limits")
    assert "| 1 | lowest response lag | 1.4 | 0.72 | 23.0 | 7.0 |" in text
    assert "**response lag**: front bar (97 %) of its variance. One step of the front bar moves it by 2.00 ms" in text
    assert "From the quickest (response lag 23.0 ms" in text and "to the calmest (response lag 27.0 ms" in text
    assert "55.0 % keep every limit. Build it with care" in text
    assert "The baseline itself has response lag 27.5 ms" in text


@pytest.mark.parametrize("make", [run, nothing, ruled, sampled])
def test_every_report_carries_cautions_and_model_limits(make):
    """Catches a report without the safety words or without what the model leaves out."""
    text = document.report(make())
    for passage in (*words.CAUTIONS, *words.MODEL_LIMITS):
        assert passage in text
    for needed in (
        "quasi-static",
        "LiPo",
        "attended",
        "hands, hair and clothing",
        "Nobody is on the track",
    ):
        assert needed in text
    for needed in (
        "licensed practice",
        "venue",
        "organiser",
        "one thing at a time",
        "slowly first",
        "does not promise",
    ):
        assert needed in text


@pytest.mark.parametrize("make", [run, nothing, ruled, sampled])
def test_every_link_points_at_a_file_of_the_run(make):
    """Catches a picture that was never drawn and a table that was never written."""
    result = make()
    text = document.report(result)
    linked = set(re.findall(r"\]\(figures/([^)]+)\.png\)", text))
    assert linked == set(figure_data.figure_stems(result))
    assert set(re.findall(r"\]\(tables/([^)]+)\.csv\)", text)) <= set(tables.all_tables(result))


def test_pictures_that_were_not_drawn_are_not_linked():
    """Catches a dead link when a caller leaves pictures out."""
    assert "figures/" not in document.report(run(), ())
    assert re.findall(r"figures/(\w+)\.png", document.report(run(), ("front",))) == ["front"]


@pytest.mark.parametrize("make", [run, nothing, ruled, sampled])
def test_no_name_breaks_a_table(make):
    """Catches a part called "soft | <b> newline =x" that adds a cell, a line or a tag."""
    text = document.report(make())
    assert "<b>" not in text.replace(r"\<b\>", "")
    block: list[int] = []
    for line in [*text.splitlines(), ""]:
        if line.startswith("|"):
            block.append(len(re.findall(r"(?<!\\)\|", line)))
        else:
            assert len(set(block)) <= 1
            block = []
    assert text.startswith("# club \\| night")


def test_indices_say_what_they_depend_on():
    """Catches indices without the caveat on levels and limits, or estimates called exact."""
    text = flat(document.report(run()))
    assert "depends on the levels listed" in text and "Limits do not change the population" in text
    assert "There is no sampling error" in text
    assert "| response lag | front bar | 0.968 | 0.968 | 0.968 | 2.00 ms | 0.500 ms |" in text
    guess = flat(document.report(sampled()))
    assert "no sampling error" not in guess and "95 % intervals" in guess and "0.968 ± 0.040" in guess
    assert "budget ran out" in guess and "cannot be told from none" in guess


def test_rules_leave_shapley_only_and_say_why():
    """Catches first-order indices given for dependent knobs."""
    text = flat(document.report(ruled()))
    assert "Only Shapley effects are given. The reason: compatibility rules make the knobs dependent" in text
    assert re.search(r"\| response lag \| front bar \| - \| - \| 0\.\d{3} \|", text)
    assert r"no thick bar \| with 0.45" in text


def test_a_search_is_never_called_exact_and_states_its_recall():
    """Catches a search passed off as the exact front."""
    text = flat(document.report(sampled()))
    assert "found 90.0 % of its distinct points" in text and "97.0 % of its hypervolume" in text
    assert text.count("not exact: better setups may exist. No single or double change") == 2
    assert "The front is exact" not in text and "are exact for the model" not in text
    assert "Every one of the" not in text


def test_nothing_feasible_names_what_binds_and_ranks_nothing():
    """Catches a recommendation of a setup that breaks a limit."""
    text = document.report(nothing())
    assert "Nothing keeps every limit" in text and "nothing is ranked" in text
    assert "- hairpin: roll angle at most 3 deg: 6 setups" in text
    assert "hairpin: roll angle at most 3 deg, by 1.00" in text
    assert "### Take" not in text and "What the front offers" not in text
    free = nothing()
    no_single = replace(free.shortlist, sole_removal=np.zeros(2, dtype=np.int64))
    assert "at least two would have to give way" in document.report(replace(free, shortlist=no_single))


def test_limits_show_how_many_meet_them():
    """Catches the complement of the share, and a relative bound without its origin."""
    text = document.report(run())
    assert r"| hairpin: roll angle at most 3 deg | - | 9 (75.0 %) | 2 | drivers \| say |" in text
    assert "| clearance (worst phase) at least 2 mm | 0.5 mm above the baseline's | 8 (66.7 %) | 3 |" in text
    assert "6 of 12 setups (50.0 %) keep every limit" in text


def test_failures_are_counted_and_listed():
    """Catches setups that vanish without a word."""
    assert "None. The model answered for every setup" in document.report(run())
    failures = Failures(3, ("front_bar=1.4 | x",), (("front_bar", "1.4", 0.25),), (("it did not settle", 3),))
    text = document.report(run(failures=failures))
    assert "no answer for 3 of 12 setups" in text and r"- front\_bar=1.4 \| x" in text
    assert "| front bar | 1.4 | 25.0 % |" in text and "Why: it did not settle (3)." in text


def test_assumptions_that_matter_come_first():
    """Catches an assumption that changes the advice kept quiet, and one that does not shown as if it did."""
    text = document.report(run())
    start = r"| grip \| level | 0.9 to 1.1 | 0.30 | 50 % | 0 % |"
    assert start + " front bar 1.0 mm to none | high end: nothing keeps every limit |" in text
    assert "These cost the shortlist nothing: yaw inertia." in text and "all 12 setups" in text
    assert "figures/assumptions.png" in text
    silent = document.report(run(assumed=None, assumed_note="too many knobs"))
    assert "Not answered: too many knobs." in silent and "figures/assumptions.png" not in silent


def test_missing_indices_say_why():
    """Catches an empty section where the model failed somewhere."""
    text = document.report(run(indices=None, steps=None, indices_note="the model has no answer for 3 setups"))
    assert text.count("the model has no answer for 3 setups") == 2
    assert "figures/sensitivity.png" not in text


def test_assumptions_and_single_changes_are_listed():
    """Catches an assumed input kept quiet, and a step without answer shown as zero."""
    text = document.report(run())
    assert r"| caster, deg | 20 | ± 2 | typical \| kit |" in text
    for note in ("breaks the limit on hairpin: roll angle", "the model has no answer", "a rule forbids it"):
        assert note in text
    assert re.search(r"\| front bar 1.0 mm to 1.2 mm \| 4 \| -2.0 \|", text)


def test_the_same_run_gives_the_same_report():
    """Catches timings or dates in the report."""
    assert document.report(run()) == document.report(run(timings=(("front", 9.9),)))


def test_a_knob_close_to_another_is_not_called_first():
    """Catches a ranking claimed from overlapping intervals."""
    result = sampled()
    wide = np.full(result.indices.total.shape, 0.6)
    text = document.report(replace(result, indices=replace(result.indices, total_interval=wide)))
    assert "too close to call" in text and "too close to call" not in document.report(result)


def test_the_first_lines_say_which_one_to_take_and_what_it_leaves_of_the_wishes():
    """Catches a list of setups that does not say where to begin."""
    text = document.report(run())
    assert text.index("**If you take one, take number 2**: highest grip.") < text.index("| setup | why |")


def test_stops_have_no_empty_column():
    """Catches a column of remarks where there is nothing to mind, and remarks lost where there is."""
    result = run()
    found = changes(result)
    minded = stops(found, "", result.limits, result.space)[1]
    quiet = tuple(replace(one, too_long=False, broken=()) for one in found.stops)
    plain = stops(replace(found, stops=quiet), "", result.limits, result.space)[1]
    assert "| mind |" in minded and "longer than the time between runs" in minded
    assert plain.splitlines()[0] == "| stop | change | minutes | reaches |" and len(plain.splitlines()) == 5


def test_a_belief_is_no_finer_than_its_spread():
    """Catches "-7.83e-07 ± 0.004": digits that the spread does not bear."""
    grip = Unknown("grip", "", (0,), (1.0,), (0.1,), (0.5,), (2.0,), "normal", True, "")
    assert [_belief(grip, *pair) for pair in ((-7.83e-07, 0.004), (1.374, 0.151), (45.61, 1.9))] == [
        "0 ± 0.004",
        "1.37 ± 0.15",
        "45.6 ± 1.9",
    ]


def test_a_front_of_one_point_has_no_reach():
    """Catches "from the quickest to the calmest" between a setup and itself."""
    result = run()
    one = result.front.group == result.front.group[0]
    only = {name: getattr(result.front, name)[one] for name in ("rows", "positions", "values", "scores", "named")}
    front = replace(result.front, group=np.zeros(int(one.sum()), dtype=np.int64), **only)
    text = document.report(replace(result, front=front))
    assert (
        "One point is best in every objective, as far as anyone can feel: response lag 23.0 ms" in text
        and "best on the front" not in text
    )
    assert "best on the front" in document.report(result)
