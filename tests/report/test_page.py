"""The page: one file, the answer first, the same numbers as the tables, and no name that breaks it."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import shlex
from dataclasses import replace
from decimal import ROUND_HALF_UP, Decimal
from html.parser import HTMLParser

import numpy as np
import pytest
from report import page_runs, sample_run

from explorer.report import sections, tables, words
from explorer.report.page import report_page
from explorer.report.page.car import BAR_HEIGHT, ENLARGED, heaviest
from explorer.report.page.maps import plain_maps
from explorer.report.page.markup import Html, tag
from explorer.report.page.prose import passages
from explorer.report.page.setups import MOST_ROWS, drawn_setups, set_line, shortened, thinning_text
from explorer.report.words import flat
from explorer.runs.csv_text import number_text

EVERY = [sample_run.run, sample_run.nothing, sample_run.ruled, sample_run.sampled, page_runs.hostile, page_runs.failing]


class Page(HTMLParser):
    """A page taken apart: elements with their attributes, visible text, contents of scripts."""

    def __init__(self, code: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.scripts: list[tuple[dict[str, str | None], str]] = []
        self._inside = ""
        self.feed(code)
        self.close()
        self.text = " ".join("".join(self.words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag in ("script", "style"):
            self._inside = tag
            if tag == "script":
                self.scripts.append((dict(attrs), ""))
        elif tag in ("td", "th", "p", "li", "dt", "dd", "h1", "h2", "h3", "option", "text"):
            self.words.append(" ")

    def handle_endtag(self, tag: str) -> None:
        if tag == self._inside:
            self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside == "script":
            attributes, code = self.scripts[-1]
            self.scripts[-1] = (attributes, code + data)
        elif not self._inside:
            self.words.append(data)


def page(result: object) -> Page:
    return Page(report_page(result))  # type: ignore[arg-type]


def test_the_answer_comes_first_and_names_setup_knobs_and_the_trade() -> None:
    """Catches a page whose answer stands below its method, or that leaves out one of its three parts."""
    text = page(sample_run.run()).text
    wanted = ("take number 2", "soft | <b> =x", "Which knob matters most", "front bar 97 %", "What it trades")
    places = [text.index(part) for part in wanted]
    assert max(places) < text.index("The setups side by side")


def test_the_trade_says_which_way_each_objective_moves() -> None:
    """Catches a gain called a cost: setup 1 has 23 ms and 7 %, setup 2 has 27 ms and 14 %."""
    picks = sample_run.run().shortlist.picks  # type: ignore[union-attr]
    lag, grip = picks[0].values - picks[1].values
    assert lag < 0 and grip < 0
    said = f"{words.metric_value('lag_ms', -lag)} less response lag, but {words.metric_value('grip_margin_pct', -grip)}"
    assert f"{said} less grip margin" in page(sample_run.run()).text


@pytest.mark.parametrize("make", [sample_run.run, sample_run.nothing, page_runs.hostile, page_runs.big])
def test_the_shortlist_is_that_of_the_table(make) -> None:
    """Catches a page that rounds, reorders or loses a setup of shortlist.csv."""
    result = make()
    frame = tables.shortlist_table(result)
    found: dict[str, list[str]] = {}
    for _, attributes in page(result).elements:
        column = attributes.get("data-column")
        if column is not None:
            found.setdefault(column, []).append(attributes["data-value"] or "")
    wanted = [*(k.name for k in result.space.knobs), *(o.metric for o in result.space.objectives), "minutes"]
    assert sorted(found) == sorted(wanted)
    for column in wanted:
        values = frame[column].tolist()
        if isinstance(values[0], str):
            assert found[column] == values
        else:
            assert [number_text(float(v)) for v in found[column]] == [number_text(float(v)) for v in values]


@pytest.mark.parametrize("make", EVERY)
def test_nothing_is_asked_of_a_network(make) -> None:
    """Catches an address in an attribute, a policy that would allow one, and a script the policy would stop."""
    whole = page(make())
    for kind, attributes in whole.elements:
        for key in ("src", "href", "action", "srcset", "data", "poster"):
            value = attributes.get(key)
            assert value is None or value.startswith(("#", "data:")), (kind, key, value)
    policy = next(a["content"] for k, a in whole.elements if k == "meta" and "Content-Security-Policy" in a.values())
    assert policy is not None and policy.startswith("default-src 'none';") and "connect-src" not in policy
    run_ones = [code for attributes, code in whole.scripts if attributes.get("type") is None]
    hashes = {base64.b64encode(hashlib.sha256(code.encode()).digest()).decode() for code in run_ones}
    assert len(run_ones) == 2 and hashes == set(re.findall(r"'sha256-([^']+)'", policy))


def test_a_full_page_stays_under_eight_megabytes() -> None:
    """Catches a page that grows with the space: 5,400 setups here, 3,000 drawn."""
    assert len(report_page(page_runs.big()).encode()) < 8_000_000


def test_hostile_names_show_as_text_and_run_nothing() -> None:
    """Catches a name that ends a script, opens an element, becomes an attribute or turns the line around."""
    code = report_page(page_runs.hostile())
    whole = Page(code)
    assert len(whole.scripts) == 3
    for kind, attributes in whole.elements:
        assert kind not in ("img", "iframe", "object") and not [key for key in attributes if key.startswith("on")]
    for name in (page_runs.KNOB, page_runs.SPRING, page_runs.STUDY):
        assert flat(name) in whole.text
    assert flat(page_runs.LEVEL) in whole.text and "<b onclick=hit()>pin: roll angle" in whole.text
    assert "\u202e" not in whole.text and "\u2028" not in whole.text and "\\" not in whole.text
    data = next(code for attributes, code in whole.scripts if attributes.get("id") == "data")
    assert "<" not in data and "\u2028" not in data
    knobs = json.loads(data)["knobs"]
    assert knobs[0]["name"] == words.spaced(page_runs.KNOB) and knobs[1]["levels"][1] == flat(page_runs.LEVEL)


@pytest.mark.parametrize("make", [sample_run.run, page_runs.hostile])
def test_a_copied_line_gives_the_setup_back(make) -> None:
    """Catches a line the command would read as another setup, or that a shell would take apart."""
    space = make().space
    for place in range(space.size):
        positions = space.positions(place, place + 1)[0]
        parts = shlex.split(set_line(space, positions))
        assert parts[::2] == ["--set"] * len(space.knobs)
        choices = {
            knob: part.removeprefix(f"{knob}=") for knob, part in zip(space.knob_names, parts[1::2], strict=True)
        }
        assert list(space.setup(choices)) == list(positions)


def test_a_big_space_is_thinned_and_says_so_with_both_numbers() -> None:
    """Catches a page that draws everything, thins in silence, loses front members or draws others each time."""
    result = page_runs.big()
    drawn = drawn_setups(result)
    assert len(drawn) == MOST_ROWS and drawn.total == 5400
    front = {tuple(p) for p in result.front.positions}
    assert {tuple(p) for p in drawn.table.positions[drawn.front]} == front
    named = [m for m in drawn.marks if m]
    assert named == ["1", "2", "B"]
    said = thinning_text(result, drawn)
    assert "3,000 of 5,400 setups are drawn" in said and said in page(result).text
    assert (drawn_setups(result).table.positions == drawn.table.positions).all()
    assert len({tuple(p) for p in drawn.table.positions}) == len(drawn)


def test_a_small_space_is_drawn_whole() -> None:
    """Catches a setup drawn twice or left out, and words of thinning where there was none."""
    drawn = drawn_setups(sample_run.run())
    assert len(drawn) == 12 == drawn.total and not drawn.thinned
    assert "Every setup with an answer is drawn: 12 setups." in page(sample_run.run()).text


def test_without_kept_metrics_only_the_answered_setups_are_drawn() -> None:
    """Catches a page that says "every setup" where the run kept its front only."""
    result = sample_run.run(whole=None, setups=5_000_000)
    assert "it looked at 5,000,000" in thinning_text(result, drawn_setups(result))


def test_nothing_feasible_recommends_nothing() -> None:
    """Catches a page that ranks setups that break limits, or hides which limits bind."""
    whole = page(sample_run.nothing())
    assert "Nothing keeps every limit" in whole.text and "hairpin: roll angle at most 3 deg: 6 setups" in whole.text
    assert "take number" not in whole.text and "Take this" not in whole.text
    assert "miss 1" in whole.text and "not to be taken" in whole.text
    assert drawn_setups(sample_run.nothing()).marks[0] == "m1"


def test_failures_are_counted_and_not_drawn() -> None:
    """Catches failed setups dropped in silence, or drawn with the zeros that stand in their place."""
    result = page_runs.failing()
    drawn = drawn_setups(result)
    assert drawn.table.valid.all() and len(drawn) == 10
    lost = replace(result, baseline=replace(result.baseline, valid=np.array([False])))
    assert "B" not in drawn_setups(replace(lost, whole=lost.table.take(np.arange(4, 12)))).marks
    assert "no answer" in page(lost).text
    assert "no answer for 2 of 12 setups" in page(result).text and "no root (2)" in page(result).text


@pytest.mark.parametrize("make", EVERY)
def test_every_page_carries_cautions_limits_and_the_report_s_words(make) -> None:
    """Catches a page without the safety words, or that says other things than report.md."""
    result = make()
    text = page(result).text
    for passage in (*words.CAUTIONS, *words.MODEL_LIMITS):
        assert " ".join(passage.split()) in text
    for section in (sections.limits, sections.failures, sections.assumptions, sections.method):
        for piece in passages(section(result, sections.Pictures(result, ()))):
            assert Page(piece.code).text in text


@pytest.mark.parametrize("make", EVERY)
def test_headings_go_down_one_step_and_places_have_one_name(make) -> None:
    """Catches a heading order that a screen reader trips over, doubled ids, and contents that lead nowhere."""
    whole = page(make())
    levels = [int(kind[1]) for kind, _ in whole.elements if re.fullmatch(r"h[1-6]", kind)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after - before <= 1 for before, after in zip(levels, levels[1:], strict=False))
    ids = [a["id"] for _, a in whole.elements if a.get("id")]
    assert len(ids) == len(set(ids))
    targets = [(a["href"] or "")[1:] for kind, a in whole.elements if kind == "a"]
    assert targets and set(targets) <= set(ids)


def test_the_plan_stands_below_the_answer() -> None:
    """Catches a plan that is left out, or that comes before the answer or after the method."""
    code = report_page(replace(sample_run.run(), plan_note="bar & spring"))
    text = Page(code).text
    assert "bar & spring" in text and '<a href="#plan">' in code
    assert (
        text.index("Which knob matters most")
        < text.index("bar & spring")
        < text.index("Bold parts differ from the baseline. setup 1 2")
    )


def test_plain_maps_hold_what_the_kept_setups_say() -> None:
    """Catches a map with its axes exchanged or with another knob away from the baseline."""
    result = page_runs.mapped()
    found = plain_maps(result)
    assert len(found) == 3 * 2
    whole, space = result.whole, result.space
    assert whole is not None
    for one in found:
        x, y = space.knob_index(one.x), space.knob_index(one.y)
        for row in range(len(one.y_labels)):
            for column in range(len(one.x_labels)):
                setup = np.array(space.baseline)
                setup[x] = space.knobs[x].position_of(one.x_labels[column])
                setup[y] = space.knobs[y].position_of(one.y_labels[row])
                assert one.values[row, column] == whole.column(one.metric)[space.row_of(setup)]
        assert not one.feasible[one.broken >= 0].any() and (one.feasible | (one.broken >= 0)).all()
    assert not plain_maps(sample_run.run(whole=None))


def test_the_car_is_drawn_from_the_numbers_of_its_setup() -> None:
    """Catches a bar out of scale, a body that leans into the turn, and a wheel turned the wrong way."""
    base = sample_run.run()
    table = base.table
    values = table.values.copy()
    for column, value in {
        "sweep.front_inner_load_n": 1.0, "sweep.front_outer_load_n": 4.0, "sweep.roll_deg": 2.0,
        "sweep.front_outer_inclination_deg": 3.0, "sweep.state": 1.0, "sweep.limited_by": 2.0,
    }.items():  # fmt: skip
        values[:, table.columns.index(column)] = value
    whole = type(table)(table.space, table.positions, table.columns, values, table.valid)
    result = sample_run.run(table=whole, whole=whole)
    assert heaviest(drawn_setups(result)) == 4.0
    code = report_page(result)
    bars = {
        m[2]: float(m[1]) for m in re.finditer(r'height="([\d.]+)" data-bar="(front_\w+)"', code.split("hairpin</")[0])
    }
    assert bars["front_outer_load_n"] == BAR_HEIGHT and bars["front_inner_load_n"] == BAR_HEIGHT / 4
    assert f'data-turn="roll_deg" transform="rotate({ENLARGED * 2:.2f} ' in code
    assert f'data-turn="front_outer_inclination_deg" transform="rotate({-ENLARGED * 3:.2f} ' in code
    assert "stands on inner wheel up. What ends the corner: rollover." in Page(code).text


def test_the_same_run_gives_the_same_bytes() -> None:
    """Catches a page with a clock, a random draw without its seed, or an order that hangs on a set."""
    assert report_page(page_runs.big()) == report_page(page_runs.big())


def test_only_finished_html_is_left_as_it_is() -> None:
    """Catches a helper that trusts a plain string."""
    assert tag("p", "<b>", Html("<i></i>")).code == "<p>&lt;b&gt;<i></i></p>"


def test_numbers_of_the_script_round_as_the_tables_do() -> None:
    """Catches a value rounded twice: 82.2494 kept as 82.25 would be listed as 82.3 beside a table that says 82.2."""
    rng = np.random.default_rng(5)
    for value in [
        82.2494,
        12.2499,
        65.4999,
        0.0501,
        *rng.normal(0.0, 100.0, 5000),
        *np.round(rng.normal(0, 9, 500), 3),
    ]:
        for places in (0, 1, 2):
            for more in (0, 1):
                short = Decimal(repr(shortened(float(value), places, more)))
                listed = short.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)
                assert float(listed) == round(float(value), places)
