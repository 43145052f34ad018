"""One setup first, in every output of a run, and the record beside it from the run's own tables."""

from __future__ import annotations

import html
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

import explorer
from explorer.cli.commands import app
from explorer.report import figure_data
from explorer.study.compare.runs import KEPT_SHARE

CONFIGS = Path(__file__).parents[2] / "configs"
KNOBS = ("front_bar", "rear_bar", "front_spring", "rear_spring")
UNITS = ("mm", "mm", "N/mm", "N/mm")
STUDY = """
name = "small"
car = "cars/heron_2wd.toml"
surface = "surfaces/dusty.toml"
seed = 7

[knobs.front_bar]
parts = ["none", "1.0", "1.2", "1.4"]
tolerance_pct = 8
minutes = 4

[knobs.rear_bar]
parts = ["none", "1.0", "1.2", "1.4"]
tolerance_pct = 8
minutes = 4

[knobs.front_spring]
parts = ["0.55", "0.70"]
tolerance_pct = 5

[knobs.rear_spring]
parts = ["0.47"]

[baseline]
front_bar = "1.2"
rear_bar = "1.2"
front_spring = "0.70"
rear_spring = "0.47"

[liked.carpet]
surface = "surfaces/carpet.toml"
setup = { front_bar = "1.2", rear_bar = "1.2" }

[[limits]]
metric = "hairpin.roll_deg"
at_most = 0.15
relative_to = "baseline"
reason = "not more roll than now"

[method]
build_samples = 16

[uncertainty]
scenarios = 64
"""
LESS_BALANCE = '\n[[wishes]]\nmetric = "sweep.balance_pct"\nnear = -2\nrelative_to = "baseline"\n'
AS_NOW = "".join(
    f'\n[[wishes]]\nmetric = "{metric}"\nnear = 0\nrelative_to = "baseline"\nprice = 3\n'
    for metric in ("sweep.balance_pct", "sweep.roll_deg", "lag_ms")
)
SEEN = '[[seen]]\nsetup = {}\nphase = "sweep"\nfeel = "pushed"\n'
CASES = {
    "wishes": LESS_BALANCE,
    "no wishes": "",
    "as it is": AS_NOW,
    "practice": LESS_BALANCE + '\n[practice]\nfile = "seen.toml"\n',
}
PICTURE = b"\x89PNG\r\n\x1a\npicture"


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, str]]:
    """Folder and words of the terminal of each run, made when first asked for; only the figures are left out."""
    made: dict[str, tuple[Path, str]] = {}

    class Runs(dict[str, tuple[Path, str]]):
        def __missing__(self, name: str) -> tuple[Path, str]:
            folder = tmp_path_factory.mktemp("headline")
            for part in ("cars", "surfaces", "tyres"):
                shutil.copytree(CONFIGS / part, folder / part)
            (folder / "study.toml").write_text(STUDY + CASES[name], encoding="utf-8")
            (folder / "seen.toml").write_text(SEEN, encoding="utf-8")
            with (
                mock.patch("explorer.report.document.all_figures", lambda result, progress=None: {"front": PICTURE}),
                mock.patch("explorer.report.pit_sheet_pdf.pit_sheet_pdf", lambda *parts: b"%PDF-sheet"),
            ):
                words = ["run", str(folder / "study.toml"), "--out", str(folder / "out"), "--quiet"]
                found = CliRunner().invoke(app, words, env={"COLUMNS": "80"})
            assert found.exit_code == 0, found.output
            self[name] = folder / "out", found.output
            return self[name]

    return Runs(made)


def facts_of(folder: Path) -> dict[str, Any]:
    def never(text: str) -> None:
        raise AssertionError(f"{text} in headline.json")

    found: dict[str, Any] = json.loads((folder / "headline.json").read_text("utf-8"), parse_constant=never)
    return found


def bare(text: str) -> str:
    """A cell as letters: no tags, no marks of a part that changes, no unit."""
    plain = html.unescape(re.sub(r"<[^>]*>", "", text)).replace("\u00a0", " ").replace("**", "").replace("\\", "")
    return re.sub(r" (mm|N/mm)$", "", plain.strip())


def in_document(text: str) -> tuple[str, ...]:
    """The setup that report.md would take."""
    number = re.search(r"If you take one, take number (\d+)", text)
    assert number is not None
    row = re.search(rf"^\| {number[1]} \|(.*)\|$", text[number.end() :], re.MULTILINE)
    assert row is not None
    return tuple(bare(cell) for cell in row[1].split(" | ")[1:5])


def in_page(code: str) -> tuple[str, ...]:
    """The setup on the ticket of report.html."""
    ticket = code[code.index('class="ticket"') :]
    ticket = ticket[: ticket.index("</dl>")]
    return tuple(bare(re.sub(r"<small>.*?</small>", "", part)) for part in re.findall(r"<dd>(.*?)</dd>", ticket))


def on_sheet(code: str) -> tuple[str, ...]:
    """The setup in the column of the pit sheet that it says to take."""
    said = re.search(r"Take (setup \d+)\.", code)
    assert said is not None
    table = code[code.index('<table class="setups') :]
    rows = re.findall(r"<tr>(.*?)</tr>", table[: table.index("</table>")])
    heads = [bare(cell) for cell in re.findall(r"<th[^>]*>(.*?)</th>", rows[0])]
    column = heads.index(said[1]) - 1
    return tuple(bare(re.findall(r"<td[^>]*>(.*?)</td>", row)[column]) for row in rows[1:5])


def in_terminal(text: str, today: dict[str, str]) -> tuple[str, ...]:
    """The setup that the end of a run names, worked out from the changes that it tells."""
    told = " ".join(text.split())
    block = told[told.index(" 1. ") :]
    change = re.search(r"change: (.*?)(?: \([\d.]+ minutes\)| wish:| loss over| response lag)", block)
    assert change is not None
    found = dict(today)
    for knob, unit in zip(KNOBS, UNITS, strict=True):
        step = re.search(rf"{knob.replace('_', ' ')} (\S+)(?: {unit})? to (\S+)", change[1])
        if step is not None:
            assert step[1] == found[knob]
            found[knob] = step[2].rstrip(";")
    return tuple(found.values())


@pytest.mark.parametrize("case", CASES)
def test_every_output_names_the_same_setup_first(runs: dict[str, tuple[Path, str]], case: str) -> None:
    """Catches a report that takes the nominal setup, a sheet or a terminal with a list of its own, numbers that mean
    another setup in another output, sentences that differ."""
    folder, terminal = runs[case]
    facts = facts_of(folder)
    wanted = tuple(facts["take"]["setup"].values())
    assert tuple(facts["take"]["setup"]) == KNOBS
    document = (folder / "report.md").read_text("utf-8")
    page = (folder / "report.html").read_text("utf-8")
    sheet = (folder / "pit_sheet.html").read_text("utf-8")
    assert in_document(document) == wanted
    assert in_page(page) == wanted
    assert on_sheet(sheet) == wanted
    assert in_terminal(terminal, facts["today"]["setup"]) == wanted
    for stem in ("shortlist", "plan_shortlist"):
        table = pd.read_csv(folder / "tables" / f"{stem}.csv", dtype=str)
        assert tuple(table.loc[0, list(KNOBS)]) == wanted, stem
    plain = " ".join(terminal.split())
    for place, line in enumerate(facts["words"]):
        assert line in document.replace("\\", "") and line in plain
        if place:  # the first tells the parts, which stand on the page's ticket
            assert html.escape(line, quote=False) in page.replace("&#x27;", "'")
    assert ("Leave the car as it is" in page) == (wanted == tuple(facts["today"]["setup"].values()))
    assert (wanted == ("1.2", "1.2", "0.70", "0.47")) == (case == "as it is")


@pytest.mark.parametrize("case", CASES)
def test_the_record_follows_from_the_run_s_own_tables(runs: dict[str, tuple[Path, str]], case: str) -> None:
    """Catches a field of the record of another setup, of another belief or of fewer scenarios than the table's."""
    folder, _ = runs[case]
    facts = facts_of(folder)
    table = pd.read_csv(folder / "tables" / "plan_setups.csv", dtype=dict.fromkeys(KNOBS, str), keep_default_na=False)
    metrics = list(facts["take"]["objectives"])
    kept = [name for name in table.columns if name.startswith("share kept ")]
    assert len(kept) == 1 and len(table) == facts["candidates"] and facts["out_of"] == 32

    def row(setup: dict[str, str]) -> pd.Series:
        found = table[(table[list(KNOBS)] == pd.Series(setup)).all(axis=1)]
        assert len(found) == 1
        return found.iloc[0]

    def close(value: float) -> Any:
        return pytest.approx(float(value), rel=1e-6, abs=1e-9)

    for one in (facts["take"], facts["today"], facts["safest"], *facts["feel_the_same"]):
        own = row(one["setup"])
        assert one["chance"] == close(own[KEPT_SHARE]) and one["chance_error"] == close(own["share error"])
        assert one["loss"] == close(own["expected loss"]) and one["loss_error"] == close(own["expected loss error"])
        assert one["weakest_kept"] == close(min(own[name] for name in kept))
        for metric in metrics:
            assert one["objectives"][metric] == close(own[f"{metric} mean"])
            assert one["objectives_error"][metric] == close(own[f"{metric} mean error"])
    take, today = row(facts["take"]["setup"]), row(facts["today"]["setup"])
    assert list(facts["today"]["setup"].values()) == ["1.2", "1.2", "0.70", "0.47"]
    gain = facts["gain_over_today"]
    assert gain["chance"] == close(take[KEPT_SHARE] - today[KEPT_SHARE])
    assert gain["loss"] == close(take["expected loss"] - today["expected loss"])
    assert gain["loss"] == close(-today["loss over the headline"])
    assert gain["loss_error"] == close(today["loss over the headline error"])
    for metric in metrics:
        if metric != "lift_margin_pct":  # counted only as far as anyone notices
            assert gain["objectives"][metric] == close(take[f"{metric} mean"] - today[f"{metric} mean"])
    assert facts["safest"]["chance"] == close(table[KEPT_SHARE].max())
    minutes = sum(
        {"front_bar": 4, "rear_bar": 4}.get(knob, 5)
        for knob in KNOBS
        if facts["take"]["setup"][knob] != facts["today"]["setup"][knob]
    )
    assert facts["take"]["minutes"] == minutes and facts["today"]["minutes"] == 0
    able = table[table[KEPT_SHARE] >= facts["bar"] - 2 * table["share error"] - 1e-9]
    assert facts["bar"] == 0.9 and not facts["note"] and facts["take"]["setup"] in able[list(KNOBS)].to_dict("records")
    least = table.loc[able["expected loss"].idxmin()]
    apart = take["expected loss"] - least["expected loss"]
    assert apart <= 0.1 + 2.0 * max(least["loss over the headline error"], 0.0) + 1e-9
    for one in facts["feel_the_same"]:
        own = row(one["setup"])
        error = own["loss over the headline error"]
        assert abs(own["loss over the headline"]) <= max(0.1, 2.0 * error) + 1e-9
    assert facts["nothing"] == 0.0 and facts["scenarios"] <= 64 and 0.0 < facts["effective"] <= 64.0 + 1e-6


def test_a_study_without_wishes_speaks_of_none(runs: dict[str, tuple[Path, str]]) -> None:
    """Catches a headline that meets wishes better which nobody stated."""
    folder, terminal = runs["no wishes"]
    facts = facts_of(folder)
    assert facts["take"]["setup"] != facts["today"]["setup"]
    for text in (terminal, *facts["words"], (folder / "report.md").read_text("utf-8")):
        assert not re.search(r"\bwish(es)?\b", text, re.IGNORECASE)


def test_practice_is_told(runs: dict[str, tuple[Path, str]]) -> None:
    """Catches practice passed over in the headline."""
    folder, _ = runs["practice"]
    said = [line for line in facts_of(folder)["words"] if line.startswith("Practice change")]
    assert len(said) == 1 and not [line for line in facts_of(runs["wishes"][0])["words"] if "ractice" in line]


def test_what_the_limits_cost_is_drawn_from_the_record(tmp_path: Path) -> None:
    """Catches a picture of another setup's chance, marks off their setups, and one of shares that do not differ."""
    for part in ("cars", "surfaces", "tyres"):
        shutil.copytree(CONFIGS / part, tmp_path / part)
    (tmp_path / "study.toml").write_text(STUDY + LESS_BALANCE, encoding="utf-8")
    run = explorer.run(tmp_path / "study.toml", assumptions=False)
    plan, take, today = run.result.plan, run.headline["take"], run.headline["today"]
    assert plan is not None and "chance" in figure_data.figure_stems(run.result)
    drawing = figure_data.chance_drawing(run.result)
    assert len(drawing.points) == len(plan.robust.share) and len(drawing.marks) == len(plan.shortlist.picks) + 1
    assert drawing.marks[0] == ("1", pytest.approx((take["loss"], 100.0 * take["chance"])))
    assert drawing.marks[-1] == ("B", pytest.approx((today["loss"], 100.0 * today["chance"])))
    alike = replace(plan.robust, share=np.ones(len(plan.robust.share)))
    same = replace(run.result, plan=replace(plan, decision=replace(plan.decision, robust=alike)))
    assert "chance" not in figure_data.figure_stems(same)
