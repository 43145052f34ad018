"""Names and labels that would do something elsewhere: formulas, markup, escape codes, paths. Refused, or only shown."""

from __future__ import annotations

import csv
import io
import json
import re
import unicodedata
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest
from door import csv_bytes
from hostile.desk import Edit
from typer.testing import CliRunner

from explorer.cli.commands import app
from explorer.domain.errors import ConfigError
from explorer.inputs.load import load_study
from explorer.runs.csv_text import cell_text

BARS = ("=1+1", "\uff1d1+1", "@SUM(A1)", "soft;=1+1")
REARS = ("+cmd|' /C calc'!A0", "-2+3", 'a|b`c`"x"', "<script>alert(7)</script>")
NAMES = {
    "car.toml": "=HYPERLINK(1) <img src=x onerror=alert(7)> | **bold** \u0645\u0642\u062f\u0645 \U0001f3ce",
    "surface.toml": "@x </title><script>alert(7)</script> `code` | [a](javascript:alert(7))",
}
REASON = "-1 <b onclick=alert(7)>; =2+5 | `x`"
CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
FORMULA = tuple("=+-@")


def quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


@pytest.fixture
def dressed(folder: Path, edit: Edit) -> Path:
    """The starter study with a few setups, every label, name and reason hostile, as far as they may be."""
    study = (folder / "study.toml").read_text(encoding="utf-8")
    study = (
        study[: study.index("[[rules]]")] + study[study.index("# What to trade") :] if "[[rules]]" in study else study
    )
    for _ in ("front_spring", "rear_spring"):
        study = study.replace('["soft", "medium", "hard"]', '["medium", "hard"]', 1)
    study = study.replace("values = [20, 22, 24]", "values = [22]").replace(
        "from = 20\nto = 24\nstep = 2", "values = [22]"
    )
    study = re.sub(r'reason = "[^"]*"', f"reason = {quoted(REASON)}", study, count=1)
    car = (folder / "car.toml").read_text(encoding="utf-8")
    for end, labels in (("front", BARS), ("rear", REARS)):
        old = ["none", "1.0", "1.2", "1.4"]
        box = car.index(f"[[parts.{end}_bars]]")
        head, boxes = car[:box], car[box:]
        for plain, label in zip(old, labels, strict=True):
            boxes = boxes.replace(
                f'label = "{plain}"\n', f"label = {quoted(label)}\n" + "none = true\n" * (plain == "none"), 1
            )
        car = head + boxes
        car = car.replace(f'{end}_bar = "1.2"', f"{end}_bar = {quoted(labels[2])}")
        study = study.replace(f'{end}_bar = "1.2"', f"{end}_bar = {quoted(labels[2])}")
        study = re.sub(
            rf'(\[knobs.{end}_bar\]\nparts = )(\[[^\]]*\]|"all")',
            lambda found, labels=labels: found[1] + "[" + ", ".join(map(quoted, labels)) + "]",
            study,
        )
    (folder / "study.toml").write_text(study, encoding="utf-8")
    (folder / "car.toml").write_text(
        re.sub(r'(\[car\]\nname = )"[^"]*"', lambda m: m[1] + quoted(NAMES["car.toml"]), car), encoding="utf-8"
    )
    surface = (folder / "surface.toml").read_text(encoding="utf-8")
    surface = re.sub(r'(\[surface\]\nname = )"[^"]*"', lambda m: m[1] + quoted(NAMES["surface.toml"]), surface)
    (folder / "surface.toml").write_text(surface, encoding="utf-8")
    return folder / "study.toml"


class Tags(HTMLParser):
    """Elements that would do something, and attributes that would."""

    def __init__(self) -> None:
        super().__init__()
        self.acts: list[str] = []
        self._script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._script = tag == "script" and dict(attrs).get("type") != "application/json"
        self.acts += [name for name, value in attrs if name.startswith("on") or "javascript:" in (value or "")]
        self.acts += [tag] if tag in ("img", "iframe", "object", "embed") and "alert(7)" in str(attrs) else []

    def handle_endtag(self, tag: str) -> None:
        self._script = False

    def handle_data(self, data: str) -> None:
        if self._script and "alert(7)" in data:
            self.acts.append("script")


def runs_in_a_spreadsheet(cell: str) -> bool:
    """Whether a spreadsheet would take a cell for a formula, wide letters and leading spaces included."""
    text = unicodedata.normalize("NFKC", cell).strip()
    if not text.startswith(FORMULA):
        return False
    return not re.fullmatch(r"[-+]?[\d.]+(e[-+]?\d+)?", text)


@pytest.mark.parametrize(
    "text",
    [*BARS, *REARS[:2], REASON, *NAMES.values(), " =1", "\u3000\uff1d1", "\ufe66 1", "\t=1", "\n=1", "\uff0b1+a",
     "\uff0d1+a", "\uff201", "a; =1", "a;\uff1d1", "a\t=1", "a;+b", "a;-b", "+1-a", "-1\n=1", "=", "@"],
)  # fmt: skip
def test_no_cell_runs(text: str) -> None:
    """Catches: an equals sign behind a space, a wide letter, a semicolon or a line break."""
    written = csv_bytes(pd.DataFrame({text: [text, "plain"], "n": [1.5, -1.5]})).decode("utf-8")
    for separator in (",", ";"):
        for row in csv.reader(io.StringIO(written), delimiter=separator):
            assert not [cell for cell in row if runs_in_a_spreadsheet(cell)], row


def test_numbers_and_plain_text_stay_as_they_are() -> None:
    """Catches: a remedy that spoils what was well."""
    for text in ("-1.5", "+3", "1e-3", "a - b; 2", "roll; -3 % of it", "x=1", "mail@home", "1.2 mm", "a;b"):
        assert cell_text(text) == text


@pytest.mark.filterwarnings("ignore:Glyph:UserWarning")
def test_a_real_run_with_hostile_names(dressed: Path, tmp_path: Path) -> None:
    """Catches: a table written without disarming, a cell that a semicolon makes, markup in a page, a broken table."""
    out = tmp_path / "out"
    before = set(tmp_path.rglob("*"))
    result = CliRunner().invoke(app, ["run", str(dressed), "--out", str(out), "--quiet"])
    assert result.exit_code in (0, 3), result.output
    assert all(path.is_relative_to(out) for path in tmp_path.rglob("*") if path not in before)
    assert not CONTROL.search(result.output.replace("\r", ""))
    seen = set()
    for path in sorted((out / "tables").glob("*.csv")):
        text = path.read_text(encoding="utf-8")
        for separator in (",", ";"):
            for row in csv.reader(io.StringIO(text), delimiter=separator):
                assert not [cell for cell in row if runs_in_a_spreadsheet(cell)], (path.name, row)
        seen |= {cell for row in csv.reader(io.StringIO(text)) for cell in row}
    for label in (*BARS, *REARS):
        assert cell_text(label) in seen, label
    for name in ("report.html", "pit_sheet.html"):
        page = (out / name).read_text(encoding="utf-8")
        tags = Tags()
        tags.feed(page)
        assert tags.acts == [] and "alert(7)" in page, (name, tags.acts)
        assert name == "report.html" or not CONTROL.search(page)  # the drawing library in it has one of its own
    report = (out / "report.md").read_text(encoding="utf-8")
    assert not CONTROL.search(report) and not re.search(r"(?<!\\)(<script|\]\(javascript)", report)
    wide = 0
    for line in report.splitlines():
        bars = len(re.findall(r"(?<!\\)\|", line))
        wide = 0 if not line.startswith("|") else wide or bars
        assert not line.startswith("|") or bars == wide, line


def test_other_commands_say_the_names_and_no_more(dressed: Path) -> None:
    """Catches: a command that prints a name raw where it would steer the terminal, or as JSON that is none."""
    for words in (["check"], ["show"], ["shortlist", "--quiet"], ["compare"]):
        result = CliRunner().invoke(app, [words[0], str(dressed), *words[1:]])
        assert result.exit_code in (0, 3) and not CONTROL.search(result.output), words
    result = CliRunner().invoke(app, ["check", str(dressed), "--json"])
    assert json.loads(result.stdout)["car"] == NAMES["car.toml"]


STEERING = {
    "escape": "\\u001b[2J",
    "bell": "a\\u0007",
    "8-bit escape": "\\u009b31m",
    "tab": "\\t=1+1",
    "newline": "a\\n=1+1",
    "carriage return": "a\\rb",
    "backspace": "a\\b\\b",
    "delete": "a\\u007f",
    "line mark": "a\\u2028b",
    "right to left": "\\u202e21",
    "isolate": "\\u2066a",
    "nul": "a\\u0000b",
}
FIELDS = {
    "label": ("car.toml", 'label = "1.4"'),
    "car": ("car.toml", 'name = "Starter car, two-wheel drive (invented)"'),
    "surface": ("surface.toml", 'name = "Starter surface, medium grip (invented)"'),
    "study": ("study.toml", 'name = "starter"'),
    "reason": ("study.toml", "reason = "),
    "level": ("study.toml", 'front_bar = "1.2"'),
    "file": ("study.toml", 'car = "car.toml"'),
}


@pytest.mark.parametrize("mark", sorted(STEERING))
@pytest.mark.parametrize("field", sorted(FIELDS))
def test_what_steers_a_terminal_is_refused_and_not_repeated(folder: Path, edit: Edit, field: str, mark: str) -> None:
    """Catches: a control character in any name, and a message that hands it to the terminal."""
    name, old = FIELDS[field]
    text = (folder / name).read_text(encoding="utf-8")
    line = next(one for one in text.split("\n") if one.startswith(old) or one.lstrip().startswith(old))
    edit(name, line, old.split(" = ")[0] + f' = "x{STEERING[mark]}y"')
    if field == "reason" and mark in ("tab", "newline", "carriage return", "line mark"):
        load_study(folder / "study.toml")  # white space in a remark becomes one space
        return
    with pytest.raises(ConfigError) as caught:
        load_study(folder / "study.toml")
    told = [one for one in caught.value.problems if one.key.endswith(old.split(" = ")[0])]
    assert told and all(one.line for one in told)
    assert not CONTROL.search(str(caught.value).replace("\n", ""))


def test_odd_keys_are_told_in_plain_letters(folder: Path) -> None:
    """Catches: a key, a liked name or a file's own name that reaches the terminal as it is."""
    study = folder / "study.toml"
    text = study.read_text(encoding="utf-8")
    study.write_text(
        text + '\n["\\u001b[31m"]\n[knobs."\\u009b1m"]\n[liked."\\u001b[2J"]\nsurface = "surface.toml"\n',
        encoding="utf-8",
    )
    result = CliRunner().invoke(app, ["check", str(study)])
    assert result.exit_code == 2 and not CONTROL.search(result.output) and "\\x1b[31m" in result.output
    odd = folder / "st\x1b[2Judy.toml"
    odd.write_text("name = 1\n", encoding="utf-8")
    result = CliRunner().invoke(app, ["check", str(odd)])
    assert result.exit_code == 2 and not CONTROL.search(result.output)


@pytest.mark.parametrize(
    "name",
    ["../x", "/tmp/x", "a/b", "a\\\\b", "..", ".", ".hidden", "", "   ", "con", "NUL", "Lpt1", "x" * 81, "\U0001f3ce",
     "\u00e9" * 80 + "x", "\u4e2d" * 80, "a:b", "a*b", "~", "$HOME", "-rf", "a\\u0000b", "a\\u202eb"],
)  # fmt: skip
def test_names_that_would_leave_the_results_folder_are_refused(
    folder: Path, edit: Edit, tmp_path: Path, name: str
) -> None:
    """Catches: a study's name that becomes a path, a device, a hidden folder, or one no disk takes."""
    edit("study.toml", 'name = "starter"', f'name = "{name}"')
    result = CliRunner().invoke(app, ["check", str(folder / "study.toml")])
    assert result.exit_code == 2 and "study.toml:" in result.output and " name:" in result.output


def test_a_run_writes_in_its_own_folder_only(dressed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches: files beside the results folder where its name comes from the study: 180 bytes, written from right to
    left."""
    from explorer.report import document, page

    monkeypatch.setattr(document, "all_figures", lambda result, progress=None: {})
    monkeypatch.setattr(page, "report_page", lambda *rest, **more: "<html></html>")
    name = "\u0645\u0642" * 40
    dressed.write_text(dressed.read_text(encoding="utf-8").replace('"starter"', f'"{name}"'), encoding="utf-8")
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    before = set(tmp_path.rglob("*"))
    result = CliRunner().invoke(app, ["run", str(dressed), "--quiet"])
    assert result.exit_code in (0, 3), result.output
    fresh = {path for path in tmp_path.rglob("*") if path not in before and path.is_file()}
    assert here / "results" / name / "run.json" in fresh
    assert all(path.is_relative_to(here / "results" / name) for path in fresh)
