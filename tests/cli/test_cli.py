"""The command line as a user meets it: exit codes, located messages, no traceback, same seed same bytes."""

from __future__ import annotations

import io
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from importlib import metadata
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from explorer.cli import terminal
from explorer.cli.commands import app
from explorer.cli.terminal import Progress, print_summary
from explorer.report.looks import BETTER, WORSE, bar, bare, look, wide
from explorer.runs.artefacts import changed_files

CONFIGS = Path(__file__).parents[2] / "configs"
RUNNER = CliRunner()
SHORT_SEARCH = "\n[method]\nsearch_trials = 40\nsearch_population = 8\nsearch_budget = 2000\n"


def cut_down(tmp_path: Path) -> Path:
    """The dusty two-wheel-drive study cut down to a few setups."""
    shutil.copytree(CONFIGS / "cars", tmp_path / "cars")
    shutil.copytree(CONFIGS / "surfaces", tmp_path / "surfaces")
    shutil.copytree(CONFIGS / "tyres", tmp_path / "tyres")
    text = (CONFIGS / "2wd_dusty.toml").read_text(encoding="utf-8")
    start, end = text.index("# The car stays level"), text.index("[baseline]")
    text = text[:start] + text[end:]  # the rules name levels that go
    text = text.replace('parts = "all"', 'parts = ["none", "1.0", "1.2", "1.4"]')
    text = text.replace("values = [20, 22, 24]", "values = [20, 22]")
    text = text.replace('front_bar = "1.1", rear_bar = "1.3"', 'front_bar = "1.2", rear_bar = "1.2"')  # levels left
    path = tmp_path / "study.toml"
    path.write_text(text + "\n[uncertainty]\nscenarios = 16\n", encoding="utf-8")  # sure enough here
    return path


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """`cut_down`, free to be broken."""
    return cut_down(tmp_path)


def call(*words: object) -> tuple[int, str]:
    result = RUNNER.invoke(app, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


BROKEN = {
    "misspelt key": ("tolerance_pct = 8", "tolerence_pct = 8", "tolerence_pct"),
    "unknown part": ('"1.2", "1.4"]', '"1.2", "9.9"]', "9.9"),
    "empty knob": ('parts = ["none", "1.0", "1.2", "1.4"]', "parts = []", "empty list"),
    "contradictory limits": (
        'metric = "clearance_mm"\nat_least = 0',
        'metric = "clearance_mm"\nat_least = 0\nat_most = -3',
        "can both be met",
    ),
    "not a number": ("at_least = 0\n", "at_least = nan\n", "at_least"),
    "unknown metric": ('metric = "clearance_mm"', 'metric = "clearence_mm"', "clearence_mm"),
    "unknown wish": ('metric = "hairpin.roll_deg"', 'metric = "hairpin.rol_deg"', "hairpin.rol_deg"),
    "two targets": ("near = 0", "near = 0\nat_least = 1", "exactly one"),
    "unknown baseline level": ('rear_bar = "1.2"', 'rear_bar = "1.3"', "1.3"),
}


@pytest.mark.parametrize("fault", sorted(BROKEN))
def test_bad_study_is_located(study: Path, fault: str) -> None:
    """Catches a fault that passes in silence, a traceback, or a message without file and line."""
    old, new, told = BROKEN[fault]
    text = study.read_text(encoding="utf-8")
    assert old in text
    study.write_text(text.replace(old, new, 1), encoding="utf-8")
    code, output = call("check", study)
    assert code == 2
    assert told in output and "study.toml:" in output


def test_negative_mass_and_bad_bytes(study: Path) -> None:
    """Catches a car that weighs less than nothing, and a decoding traceback."""
    car = study.parent / "cars" / "heron_2wd.toml"
    good = car.read_bytes()
    car.write_bytes(good.replace(b"total_g = 1580", b"total_g = -1580"))
    code, output = call("check", study)
    assert code == 2 and "total_g" in output and "heron_2wd.toml:" in output
    car.write_bytes(good)
    study.write_bytes(b"\xff\xfe" + study.read_bytes())
    code, output = call("check", study)
    assert code == 2 and "UTF-8" in output


def test_show_is_one_json_object(study: Path) -> None:
    """Catches NaN in the output and a --set that is ignored."""
    code, output = call("show", study, "--json", "--set", "front_bar=none")
    answer = json.loads(output)
    assert code == 0 and answer["setup"]["front_bar"] == "none"
    assert answer["metrics"]["sweep.state"] == "four wheels"
    assert call("show", study, "--set", "front_bar=7")[0] == 2


def test_run_leaves_everything_and_repeats_byte_for_byte(ran: tuple[Path, Path, Result], tmp_path: Path) -> None:
    """Catches a missing file, an unlisted one, and any order or seed that is not fixed."""
    study, first, _ = ran
    code, output = call("run", study, "--out", tmp_path / "again")
    assert code == 0, output
    contents = []
    for out in (first, tmp_path / "again"):
        assert changed_files(out) == ()
        contents.append({p.name: p.read_bytes() for p in sorted((out / "tables").iterdir())})
    assert contents[0] == contents[1]
    wanted = {"front.csv", "sensitivity.csv", "sensitivity_pairs.csv", "one_change.csv", "shortlist.csv"}
    assert wanted | {"metrics.parquet"} <= set(contents[0])
    assert "run.json" in {p.name for p in first.iterdir()}
    assert list((first / "figures").glob("map_*.png"))
    code, found = answer_of("compare", first, tmp_path / "again", "--json")
    assert code == 0 and len(found["shortlist"]["both"]) > 0 and not found["shortlist"]["only_first"]
    assert found["first"]["counts"]["setups"] > 0 and found["index"] == "shapley"
    assert found["shifts"] == found["inputs"] == found["versions"] == []
    assert found["first"]["axle"] == "wishbone" and found["one_axle_law"]


def test_nothing_feasible_exits_3(study: Path) -> None:
    """Catches a ranking of setups that break a limit."""
    text = study.read_text(encoding="utf-8").replace("at_least = 0\n", "at_least = 4000\n")
    study.write_text(text, encoding="utf-8")
    assert call("shortlist", study)[0] == 3


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.toml")), ids=lambda path: path.stem)
def test_every_config_loads(path: Path) -> None:
    """Catches a demo file that went stale."""
    code, output = call("check", path)
    assert code == 0, output


def test_sampled_path(study: Path) -> None:
    """The forced search states its recall of the exact front; catches a search called exact."""
    text = study.read_text(encoding="utf-8")
    text += '\n[method]\nmethod = "sampled"\nsearch_trials = 100\nsearch_population = 20\n'
    text += "search_budget = 2000\nsobol_budget = 4000\n"
    study.write_text(text, encoding="utf-8")
    code, output = call("search", study)
    assert code == 0 and "of the exact front's points" in output


# ---- a command line that is a pleasure


def answer_of(*words: object) -> tuple[int, dict]:
    """Exit code and the one JSON value on standard output; a number that is not finite is an error."""
    result = RUNNER.invoke(app, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception

    def never(text: str) -> None:
        raise AssertionError(f"{text} in the output")

    return result.exit_code, json.loads(result.stdout, parse_constant=never)


def bars_only(study: Path) -> Path:
    """16 setups."""
    text = study.read_text(encoding="utf-8")
    for name in ("front_spring", "rear_spring", "front_ride_height_mm", "rear_ride_height_mm"):
        text = re.sub(rf"\[knobs\.{name}\]\n(.+\n)+", "", text)
        text = re.sub(rf"^{name} = .*\n", "", text, flags=re.MULTILINE)
        text = re.sub(rf'\[\[wishes\]\]\nknob = "{name}"\n(.+\n)+', "", text)
    study.write_text(text, encoding="utf-8")
    car = study.parent / "cars" / "heron_2wd.toml"
    fitted = 'front_spring = "0.70"\nrear_spring = "0.47"\nfront_tyre = "race"'
    car.write_text(car.read_text(encoding="utf-8").replace('front_tyre = "race"', fitted), encoding="utf-8")
    return study


@pytest.fixture
def small(study: Path) -> Path:
    """`bars_only`, free to be broken."""
    return bars_only(study)


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Result]:
    """The study of `bars_only`, the folder of its run, and what that said; for reading only."""
    study = bars_only(cut_down(tmp_path_factory.mktemp("ran")))
    out = study.parent / "out"
    return study, out, RUNNER.invoke(app, ["run", str(study), "--out", str(out), "--json", "--quiet"])


def test_every_table_is_json_too(small: Path) -> None:
    """Catches NaN, an NA that is no JSON, progress mixed into the answer, and a command without its --json."""
    code, found = answer_of("rank", small, "--json")
    assert code == 0 and {"metric", "knob", "total"} <= set(found["sensitivity"][0])
    assert any(row["shapley_low"] is None for row in found["sensitivity"])
    code, found = answer_of("shortlist", small, "--json")
    assert code == 0 and found["setups"] == 16 and found["shortlist"][0]["rank"] == 1
    code, found = answer_of("map", small, "front_bar", "rear_bar", "hairpin.balance_pct", "--json")
    assert code == 0 and len(found["cells"]) == 16 and found["others"] == "baseline"
    code, found = answer_of("compare", small, "--with", "front_bar=none", "--json")
    assert code == 0 and found["parts"][0]["knob"] == "front_bar"
    code, found = answer_of("next", small, "--json")
    assert code == 0 and found


def test_search_and_next_are_json_too(small: Path) -> None:
    """Catches a front without the words on how good the search was, and a ladder with arrays in it."""
    text = small.read_text(encoding="utf-8") + SHORT_SEARCH
    small.write_text(text, encoding="utf-8")
    code, found = answer_of("search", small, "--json")
    assert code == 0 and found["front"] and 0.0 < found["agreement"]["recall"] <= 1.0
    symptom = next(iter(answer_of("next", small, "--json")[1]))
    code, found = answer_of("next", small, "--symptom", symptom, "--nominal", "--json")
    assert code == 0 and found["setup"]["front_bar"] == "1.2"


def test_the_plan_is_json_too(small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches a plan that only a person can read; the plan itself is made elsewhere and takes its time."""
    import pandas as pd

    from explorer import api

    class Made:
        tables = {"plan_shortlist": pd.DataFrame({"setup": [1], "share": [float("nan")]})}
        found = True

    monkeypatch.setattr(api, "plan", lambda study, progress, maker: Made())
    code, found = answer_of("plan", small, "--json")
    assert code == 0 and found == {"plan_shortlist": [{"setup": 1, "share": None}]}
    Made.found = False
    assert answer_of("plan", small, "--json")[0] == 3


def test_run_ends_with_what_it_wrote(ran: tuple[Path, Path, Result], capsys: pytest.CaptureFixture[str]) -> None:
    """Catches a summary of files that are not there, files that it forgets, and progress that --quiet lets through."""
    small, out, result = ran
    assert result.exit_code == 0 and result.stderr == ""
    found = json.loads(result.stdout)
    told = {Path(path) for paths in found["written"].values() for path in paths}
    there = {path for path in out.rglob("*") if path.is_file() and path.name != "run.json"}
    assert told == there and out / "report.md" in told
    assert found["counts"]["setups"] == 16 and found["seconds_in_all"] > 0.0 and found["shortlist"]
    sizes = sum(path.stat().st_size for path in there)
    assert sum(found["bytes"].values()) == sizes
    print_summary(found)
    text = capsys.readouterr().out
    assert "16 setups" in text and "longest: " in text
    for kind, paths in found["written"].items():
        assert re.search(rf"^{kind} +{len(paths)} ", text, re.MULTILINE)
    result = RUNNER.invoke(app, ["rank", str(small)])
    assert "every setup: 16 of 16" in result.stderr and "every setup" not in result.stdout


def test_check_tells_derived_numbers_and_odd_ones(study: Path) -> None:
    """Catches a slip of unit that check lets pass, one without its line and key, and one that is refused."""
    code, found = answer_of("check", study, "--json")
    assert code == 0 and found["warnings"] == [] and found["setups"] == 16 * 9 * 4
    assert all(one["usual"] for one in found["numbers"])
    car = study.parent / "cars" / "heron_2wd.toml"
    good = car.read_text(encoding="utf-8")
    surface = study.parent / "surfaces" / "dusty.toml"
    slips = {
        "wire_mm = 1.2": ("wire_mm = 2.1", "parts.front_bars[5].wire_mm"),
        "wheelbase_mm = 283": ("wheelbase_mm = 113", "geometry.wheelbase_mm"),
        "rate_n_per_mm = 0.70": ("rate_n_per_mm = 7.0", "rate_n_per_mm (0.70)"),
        "tyre_squash_mm = 2.6": ("tyre_squash_mm = 0.26", "front.tyre_squash_mm"),
    }
    for old, (new, key) in slips.items():
        text = good.replace(old, new, 1)
        car.write_text(text, encoding="utf-8")
        code, found = answer_of("check", study, "--json")
        line = next(number for number, row in enumerate(text.splitlines(), start=1) if row.split("#")[0].strip() == new)
        assert code == 0
        assert [(w["line"], w["key"].endswith(key)) for w in found["warnings"]] == [(line, True)], (key, found)
        assert found["warnings"][0]["file"].endswith("heron_2wd.toml")
        odd = [one["key"] for one in found["numbers"] if not one["usual"]]
        assert ("front_ride_frequency_hz" in odd) == (key.startswith("rate"))
    code, output = call("check", study)
    assert code == 0 and "warning: " in output and "look odd" in output
    car.write_text(good, encoding="utf-8")
    text = surface.read_text(encoding="utf-8")
    for old, new, key, hint in (
        ("grip_share = 0.75", "speed_m_per_s = 9", "phases[2].speed_m_per_s", "km/h"),
        ("radius_m = 0.9", "radius_m = 90", "phases[2].radius_m", "typed in cm?"),
        ("longitudinal_share = 0.25", "longitudinal_share = 0.8", "phases[4].grip_share", "together"),
    ):
        surface.write_text(text.replace(old, new), encoding="utf-8")
        _, found = answer_of("check", study, "--json")
        assert [w["key"] for w in found["warnings"]] == [key] and found["warnings"][0]["line"]
        assert hint in found["warnings"][0]["allowed"]


def test_version_and_schema(tmp_path: Path) -> None:
    """Catches a version written twice, and a schema command that writes nothing an editor can read."""
    code, output = call("--version")
    assert code == 0 and output.strip() == f"setup-space {metadata.version('setup-space-explorer')}"
    code, output = call("schema", tmp_path / "made")
    assert code == 0 and sorted(path.stem for path in (tmp_path / "made").iterdir()) == [
        "car.schema",
        "practice.schema",
        "study.schema",
        "surface.schema",
        "tyre.schema",
    ]
    assert call("schema", tmp_path / "made" / "car.schema.json")[0] == 2


def test_help_says_who_runs_code_on_a_cluster() -> None:
    """Catches a port opened without a word about what it lets in."""
    readme = (CONFIGS.parent / "README.md").read_text(encoding="utf-8")
    assert "whoever reaches the Dask scheduler runs code as the user" in " ".join(readme.split())
    for command in ("run", "plan"):
        said = " ".join(call(command, "--help")[1].split())
        assert said.count("Whoever reaches the scheduler runs code as the user") == 2


def test_shell_completes_command_names() -> None:
    """Catches a program name under which the shell's completion finds nothing."""
    asked = {"_SETUP_SPACE_COMPLETE": "complete_bash", "COMP_WORDS": "setup-space sh", "COMP_CWORD": "1"}
    done = subprocess.run(
        [sys.executable, "-m", "explorer"], env=os.environ | asked, capture_output=True, text=True, timeout=600
    )
    assert done.stdout.split() == ["show", "shortlist"]


@pytest.mark.parametrize(("pages", "told"), [("cp1252", "?? K\u00e4fer"), ("ascii:strict", "?? K?fer")])
def test_a_console_prints_names_it_has_no_letters_for(study: Path, tmp_path: Path, pages: str, told: str) -> None:
    """Catches a traceback, after all work is done, where a name or a path has letters that the console lacks."""
    car = study.parent / "cars" / "heron_2wd.toml"
    text = car.read_text(encoding="utf-8")
    car.write_text(re.sub("(?m)^name = .*$", 'name = "\u6771\u4eac K\u00e4fer"', text, count=1), encoding="utf-8")
    home = tmp_path / "gr\u00f6\u00dfe"
    shutil.copytree(study.parent, home, ignore=shutil.ignore_patterns(home.name))

    def said(*words: object) -> tuple[int, str, str]:
        command = [sys.executable, "-m", "explorer", *map(str, words)]
        asked = {"PYTHONIOENCODING": pages, "PYTHONUTF8": "0"}
        done = subprocess.run(command, env=os.environ | asked, capture_output=True, timeout=600)
        page = pages.split(":")[0]
        return done.returncode, done.stdout.decode(page), done.stderr.decode(page)

    code, output, remarks = said("check", home / study.name)
    assert code == 0 and told in output and "Traceback" not in remarks
    code, output, remarks = said("new", home / "new")
    assert code == 0 and len(output.splitlines()) == 6 and "Traceback" not in remarks
    (home / study.name).write_text("nonsense = 1", encoding="utf-8")
    code, output, remarks = said("check", home / study.name)
    assert code == 2 and "nonsense" in remarks and "Traceback" not in remarks


class Clock:
    """A clock that is put forward by hand."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def test_progress_on_a_pipe(capsys: pytest.CaptureFixture[str]) -> None:
    """Catches a line per step, no line for minutes, a wrong time left, an end told twice."""
    clock = Clock()
    with Progress(clock=clock) as progress:
        for step in range(0, 101):
            progress("every setup", 10 * step, 1000)
            clock.now += 0.25
        progress("every setup", 1000, 1000)
        progress("search", 5, 10)
        progress("every setup", 1, 2)
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == "every setup: 0 of 1,000"
    assert lines[1] == "every setup: 400 of 1,000, 40 per second, 15.0 s left"
    assert lines[2] == "every setup: 800 of 1,000, 40 per second, 5.0 s left"
    assert lines[3:] == ["every setup: 1,000 of 1,000 in 25.0 s", "search: 0 of 10", "every setup: 0 of 2"]
    with Progress(quiet=True, clock=clock) as progress:
        progress("every setup", 1, 2)
    assert capsys.readouterr().err == ""


def test_progress_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches a bar without its rate or time left, and a stage that replaces the one before."""
    from io import StringIO

    from rich.console import Console

    class Terminal(StringIO):
        def isatty(self) -> bool:
            return True

    screen = Terminal()
    monkeypatch.setattr("sys.stderr", screen)
    clock = Clock()
    with Progress(clock=clock) as progress:
        bar = progress._bar
        monkeypatch.setattr(bar, "get_time", clock)
        progress("every setup", 0, 1000)
        for step in range(1, 6):
            clock.now += 1.0
            progress("every setup", 100 * step, 1000)
        paper = StringIO()
        Console(file=paper, width=120).print(bar.get_renderable())
        progress("search", 1, 4)
        assert [(task.description, task.completed, task.total) for task in bar.tasks] == [
            ("every setup", 500, 1000),
            ("search", 1, 4),
        ]
    text = paper.getvalue()
    assert "500/1000" in text and "100/s" in text and "0:00:05" in text and "left" in text


def test_wishes_are_said_wherever_a_setup_is_shown(ran: tuple[Path, Path, Result]) -> None:
    """Catches a wish that is missed without a word: on the terminal, in the report, on the page and on the pit
    sheet."""
    small, out, _ = ran
    code, output = call("shortlist", small, "--quiet")
    assert code == 0 and "loss" in output and "comes nearest to the wishes" in output
    lines = " ".join(output.split())
    assert re.search(r"wish: hairpin: roll angle at least 0.8 of that of carpet .*: (met|not met)", lines)
    code, output = call("show", small, "--set", "front_bar=1.4", "--set", "rear_bar=1.4")
    lines = " ".join(output.split())
    assert code == 0 and re.search(r"wish: hairpin: roll angle .* not met, \d\.\d\d deg short at .* of it", lines)
    assert re.search(r"wish: front bar near 1.20 mm \(from carpet\): not met, 0.20 mm over", lines)
    report = (out / "report.md").read_text(encoding="utf-8")
    assert "## Wishes" in report and "Setup 1, hairpin: roll angle" in report and "(loss " in report
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Setup 1, hairpin: roll angle" in page and 'id="wishes"' in page
    assert "<td" in page and "wishes" in (out / "pit_sheet.html").read_text(encoding="utf-8")
    head = (out / "tables" / "wishes.csv").read_text(encoding="utf-8").splitlines()[0]
    assert head.startswith("setup,wish,metric,knob,sense,target,value,unit,short,short_in_felt")
    assert ",loss" in (out / "tables" / "front.csv").read_text(encoding="utf-8").splitlines()[0]


def test_no_word_of_wishes_without_any(small: Path, tmp_path: Path) -> None:
    """Catches a study without wishes that reads otherwise than before."""
    text = small.read_text(encoding="utf-8")
    start, end = text.index("# What the driver wants"), text.index("# Limits are few")
    small.write_text(text[:start] + text[end:], encoding="utf-8")
    out = tmp_path / "out"
    assert call("run", small, "--out", out, "--quiet")[0] == 0
    for path in out.rglob("*"):
        if path.suffix in (".md", ".csv", ".html") and path.name != "report.html":
            assert not re.search(r"\b[Ww]ish(es)?\b", path.read_text(encoding="utf-8")), path


ASKED = (
    ["shortlist"],
    ["show", "--set", "rear_bar=1.4", "--words"],
    ["rank"],
    ["check"],
    ["search"],
    ["compare", "--with", "rear_bar=1.4", "--all"],
    ["map", "front_bar", "rear_bar", "hairpin.balance_pct"],
    ["next", "--symptom", "hairpin-push", "--nominal"],
)


@pytest.mark.parametrize("asked", ASKED, ids=lambda asked: asked[0])
def test_every_answer_fits_its_terminal_and_is_plain_on_a_pipe(asked: list[str], small: Path) -> None:
    """Catches a line that is wider than the terminal, numbers that depend on its width, and colour on a pipe."""
    small.write_text(small.read_text(encoding="utf-8") + SHORT_SEARCH, encoding="utf-8")
    numbers = []
    for width in (60, 80, 120):
        env = {"COLUMNS": str(width), "FORCE_COLOR": "1"}
        text = RUNNER.invoke(app, [asked[0], str(small), *asked[1:]], env=env).stdout
        assert text.strip() and max(map(wide, text.splitlines())) <= width
        assert all(letter.isprintable() or letter == "\n" for letter in text)
        assert all("\ue000" > letter or letter > "\uf8ff" for letter in text)
        numbers.append(sorted(re.findall(r"\d+(?:\.\d+)?", text)))
    if asked[0] not in ("map", "search"):  # a table that is split tells its first column again, a level or a setup
        assert set(numbers[0]) == set(numbers[1]) == set(numbers[2]) and numbers[0]


def test_a_terminal_gets_bold_and_colour_and_without_colour_the_same_words(monkeypatch) -> None:
    """Catches looks that never reach a terminal, colour in spite of NO_COLOR, and a mark left in the text."""
    from rich.console import Console

    told = f"{look('strong', 'take')} 3.4{look('good', BETTER)} {look('faint', '2.1*')}"
    texts = []
    for asked in ("", "1"):
        monkeypatch.setenv("NO_COLOR", asked)
        paper = io.StringIO()
        terminal.draw_looks(told, Console(file=paper, force_terminal=True, color_system="truecolor", highlight=False))
        texts.append(paper.getvalue())
    assert "\x1b[1mtake" in texts[0] and "36m" in texts[0] and "36m" not in texts[1]
    assert all(re.sub(r"\x1b\[[\d;]*m", "", text) == f"{bare(told)}\n" for text in texts)


def test_signs_that_a_terminal_lacks_become_others(monkeypatch, capsys) -> None:
    """Catches question marks for arrows on an old console, and a name that steers the terminal."""
    monkeypatch.setattr("sys.stdout", io.TextIOWrapper(io.BytesIO(), encoding="cp1252"))
    terminal.say(f"3.4{BETTER} {bar(1.0, 3)} \x1b[2J")
    sys.stdout.seek(0)
    assert sys.stdout.read() == "3.4+ ### [2J\n"


def test_the_shortlist_is_told_as_the_report_tells_it(small: Path, tmp_path: Path) -> None:
    """Catches a terminal that rounds otherwise than the report, setups out of order, and no word of the main one."""
    text = RUNNER.invoke(app, ["shortlist", str(small)], env={"COLUMNS": "120"}).stdout
    blocks = text.split("\n\n")
    assert blocks[2].startswith("1. comes nearest to the wishes") and "change: " in blocks[2]
    assert "wish: hairpin" in blocks[2] and "take number 1" in blocks[1] and blocks[0].startswith("Take setup 1.")
    table = next(block for block in blocks if "response lag, ms" in block).splitlines()
    result = RUNNER.invoke(app, ["run", str(small), "--out", str(tmp_path / "out"), "--quiet"])
    assert result.exit_code == 0 and result.stdout.splitlines()[-1].startswith(
        f"open {tmp_path / 'out' / 'report.html'}"
    )
    report = (tmp_path / "out" / "report.md").read_text(encoding="utf-8").splitlines()
    head = next(n for n, line in enumerate(report) if line.startswith("| setup | why |"))
    titles = [title.strip().partition(" (")[0] for title in report[head].strip("|").split("|")]
    picks = [[cell.strip() for cell in line.strip("|").split("|")] for line in report[head + 2 :]]
    picks = picks[: next(n for n, cells in enumerate(picks) if len(cells) < 3)]
    found = 0
    for line in table[1:]:
        for place, title in enumerate(titles):
            if place > 1 and re.sub(r" \(.*?\)", "", line).startswith(f"{title} " if "," in title else f"{title}, "):
                cells = line.translate(str.maketrans("", "", BETTER + WORSE)).split()[-len(picks) - 1 : -1]
                assert cells == [pick[place] for pick in picks], title
                found += 1
    assert found == len(titles) - 2


def test_show_tells_every_metric_and_what_it_means(small: Path) -> None:
    """Catches a metric that `show` leaves out, and a number without its explanation."""
    from explorer.report.glossary import glossary

    assert "driver" not in RUNNER.invoke(app, ["show", str(small)]).stdout
    text = RUNNER.invoke(app, ["show", str(small), "--words"], env={"COLUMNS": "80"}).stdout
    numbers, _, told = text.partition("what the numbers mean:")
    for line in glossary():
        assert line.label.partition(", ")[0] in numbers, line.name
        assert line.felt in " ".join(told.split()), line.name


def test_seen_notes_a_report_and_takes_it_out(small: Path) -> None:
    """Catches words that the shell splits lost, a file that undo does not empty, and facts unlike the text."""
    code, found = answer_of("seen", small, "hairpin", "pushed", "--set", "rear_bar=1.0", "--json")
    assert code == 0 and found["total"] == 1 and found["reports"][0]["seen"] == "hairpin, rear_bar 1.0: pushed"
    assert Path(found["file"]).read_text(encoding="utf-8").count("[[seen]]") == 1
    code, text = call("seen", small, "better than front_bar=none")
    assert code == 0 and "understood: baseline: better than front_bar none" in text and "setup-space run" in text
    code, text = call("seen", small, "hairpn pushed")
    assert code == 2 and "did you mean hairpin" in text
    for words in (("--undo", "hairpin pushed"), ()):
        code, text = call("seen", small, *words)
        assert code == 2 and "--undo" in text
    assert [call("seen", small, "--undo")[0] for _ in range(3)] == [0, 0, 2]


def test_next_takes_several_symptoms_and_the_time_left(small: Path) -> None:
    """Catches the last of several symptoms answered alone, and a change offered that takes longer than there is."""
    words = ("--symptom", "slow", "--symptom", "hairpin-push", "--minutes", "5", "--nominal")
    code, found = answer_of("next", small, *words, "--json")
    assert code == 0 and found["symptom"]["key"] == "slow + hairpin-push" and found["too_long"] > 0
    assert max(rung["minutes"] for rung in found["rungs"]) <= 5.0
    text = call("next", small, *words)[1]
    assert "slow to respond; the car will not rotate" in text and "what everybody does first" in text


@pytest.mark.parametrize("words", ["show {}", "seen {} hairpin pushed", "next {} --symptom slow"])
def test_the_pit_table_waits_for_no_library_that_it_does_not_need(small: Path, words: str) -> None:
    """Catches tables, drawing and search loaded for one line of answer: they take longer than the answer."""
    heavy = "('pandas', 'matplotlib', 'optuna', 'SALib', 'pyarrow.dataset', 'distributed')"
    code = (
        "import sys; from explorer.cli.commands import app; "
        f"app({words.format(small).split()!r}, standalone_mode=False); "
        f"late = [name for name in {heavy} if name in sys.modules]; assert not late, late"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr


def test_a_shell_completes_from_the_study(small: Path) -> None:
    """Catches a completion that knows no study, the levels of another knob, and a traceback at the tab key."""

    def offered(*words: str) -> list[str]:
        line = shlex.join(["setup-space", *words[:-1]]) + " " + words[-1]
        env = {"_SETUP_SPACE_COMPLETE": "complete_bash", "COMP_WORDS": line, "COMP_CWORD": str(len(words))}
        result = RUNNER.invoke(app, [], env=env, prog_name="setup-space")
        assert "Traceback" not in result.output
        return result.stdout.split()

    study = str(small)
    assert offered("show", study, "--set", "front_b") == ["front_bar="]
    assert offered("show", study, "--set", "front_bar=1.") == ["front_bar=1.0", "front_bar=1.2", "front_bar=1.4"]
    assert offered("map", study, "rear_b") == ["rear_bar"]
    assert offered("map", study, "front_bar", "rear_bar", "hairpin.bal") == ["hairpin.balance_pct"]
    assert "hairpin-push" in offered("next", study, "--symptom", "hair")
    assert offered("show", "nowhere.toml", "--set", "front_b") == []
    cut = {"COMP_WORDS": f"setup-space show {study} --set front_bar = 1.", "COMP_CWORD": "6"}
    cut |= {"_SETUP_SPACE_COMPLETE": "complete_bash"}
    command = [sys.executable, "-m", "explorer"]
    done = subprocess.run(command, env=os.environ | cut, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["1.0", "1.2", "1.4"]
