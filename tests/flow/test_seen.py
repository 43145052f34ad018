"""A driver's words into the practice file: what is understood, what is refused, and that nothing is lost."""

from __future__ import annotations

import datetime
import os
import random
import shutil
from pathlib import Path

import pytest

from explorer.domain.errors import ArtefactError, ConfigError, ExplorerError, SpaceError
from explorer.flow import seen
from explorer.inputs.load import LoadedStudy, load_study
from explorer.inputs.practice import reports_in
from explorer.inputs.said import completions, entries_from, entry_text, vocabulary
from explorer.inputs.source import Source
from explorer.runs import disk

CONFIGS = Path(__file__).parents[2] / "configs"
NOON = datetime.datetime(2026, 5, 2, 12, 0)


@pytest.fixture(scope="module")
def turf() -> LoadedStudy:
    return load_study(CONFIGS / "plan_turf.toml")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The shipped studies, to write beside."""
    return Path(shutil.copytree(CONFIGS, tmp_path / "configs"))


UNDERSTOOD = {
    "hairpin pushed": {"phase": "hairpin", "feel": "pushed"},
    "Pushed, in the hairpin!": {"phase": "hairpin", "feel": "pushed"},
    "the car will not turn in at the hairpin": {"phase": "hairpin", "feel": "pushed"},
    "loose on power": {"phase": "exit", "feel": "rotated"},
    "a bit loose under braking": {"phase": "entry", "feel": "rotated"},
    "sweep neutral": {"phase": "sweep", "feel": "neutral"},
    "circle 21,6 km/h left": {"phase": "sweep", "speed_km_per_h": 21.6, "turn": "left"},
    "circle 4.5 m 6 m/s +- 0.1": {"phase": "sweep", "speed_m_per_s": 6.0, "radius_m": 4.5, "error_m_per_s": 0.1},
    "8.6 m/s2 in the sweep \u00b1 0.3": {"phase": "sweep", "lateral_m_per_s2": 8.6, "error_m_per_s2": 0.3},
    "rolled 2.4 in the sweep": {"phase": "sweep", "roll_deg": 2.4},
    "inner rear lifted in the hairpin": {"phase": "hairpin", "lifted": "rear"},
    "front stayed down on power": {"phase": "exit", "stayed_down": "front"},
    "rear did not lift in the sweep": {"phase": "sweep", "stayed_down": "rear"},
    "touched": {"touched": True},
    "never touched in the sweep": {"phase": "sweep", "touched": False},
    "bump ruler 4 mm": {"unknown": "bump_height_mm", "value": 4.0},
    "front camber gain 0.12 deg/mm": {"unknown": "front_camber_gain_deg_per_mm", "value": 0.12},
    "grip 1.3 error 0.05": {"unknown": "grip", "value": 1.3, "error": 0.05},
    "better than front_bar=none": {"better_than": "front_bar none"},
    "hairpin better than before": {"phase": "hairpin", "better_than": "before"},
    "as good as baseline": {"as_good_as": "baseline"},
    "lap 17.8 s was 18.1 s with front_bar=none": {"lap_s": 17.8, "other_lap_s": 18.1, "than": "front_bar none"},
}


@pytest.mark.parametrize("words", UNDERSTOOD)
def test_words_are_understood(words: str, turf: LoadedStudy) -> None:
    """Catches a word that means another kind, phase, end or number, and a comparison with the wrong setup."""
    space = turf.space
    own, before = space.named({"rear_bar": "1.0"}), space.named({"rear_bar": "0.8"})
    setups = {"front_bar none": own | {"front_bar": "none"}, "before": before, "baseline": space.named({})}
    (entry,) = entries_from(words, space, own, before)
    wanted = {key: setups.get(str(value), value) for key, value in UNDERSTOOD[words].items()}
    assert entry == {"setup": own} | wanted


def test_worse_is_better_turned_round(turf: LoadedStudy) -> None:
    """Catches "worse than before" written down as better."""
    own, before = turf.space.named({"rear_bar": "1.0"}), turf.space.named({})
    (entry,) = entries_from("worse than before in the sweep", turf.space, own, before)
    assert entry == {"setup": before, "phase": "sweep", "better_than": own}


REFUSED = {
    "hairpn pushed": "did you mean hairpin",
    "hairpin pushd": "did you mean pushed",
    "pushed": "in which phase: sweep, hairpin",
    "hairpin not pushed": "'not' was not understood",
    "no longer loose on power": "'no' was not understood",
    "neutral but loose on power": "'loose' was not understood",
    "loose in the hairpin on power": "'power' was not understood",
    "lifted in the hairpin": "which one",
    "better": "than which setup",
    "better than last": "no report before",
    "hairpin pushed rear_bar=1.0": "--set KNOB=LEVEL",
    "lovely": "'lovely' was not understood",
}


@pytest.mark.parametrize("words", REFUSED)
def test_what_is_not_understood_is_refused(words: str, turf: LoadedStudy) -> None:
    """Catches a report half understood: a denial read as its opposite, a second complaint dropped, a guess."""
    with pytest.raises(SpaceError, match=REFUSED[words]):
        entries_from(words, turf.space, turf.space.named({}))


def test_a_report_goes_to_the_end_and_comes_out_again(folder: Path) -> None:
    """Catches a file written anew (comments, spacing and order lost), a report under the wrong setup, an undo that
    takes more or less than the last one; also with the line ends of Windows and without a last one."""
    study, practice = folder / "plan_turf.toml", folder / "practice" / "turf_saturday.toml"
    plain = practice.read_bytes()
    for old in (plain, plain.replace(b"\n", b"\r\n"), plain + b"# mine\n"):
        practice.write_bytes(old)
        loaded = load_study(study)
        found = seen.add(loaded, "hairpin pushed", {"rear_bar": "1.0"}, NOON)
        assert practice.read_bytes().startswith(old) and practice.read_bytes().count(b"[[seen]]") == found.total == 8
        assert (b"\r\n" in old) == (b"\n" not in practice.read_bytes().replace(b"\r\n", b""))
        assert found.reports[0].text == "hairpin, rear_bar 1.0: pushed"
        assert b"2026-05-02T12:00:00" in practice.read_bytes()
        seen.add(load_study(study), "circle left 21 km/h right 22 km/h", {}, NOON)
        assert len(seen.undo(load_study(study)).reports) == 2
        assert seen.undo(load_study(study)).reports[0].text == "hairpin, rear_bar 1.0: pushed"
        assert practice.read_bytes() == old
        with pytest.raises(SpaceError, match="by hand"):
            seen.undo(load_study(study))
        assert practice.read_bytes() == old
    practice.write_bytes(plain.rstrip())
    seen.add(load_study(study), "touched", {}, NOON)
    seen.undo(load_study(study))
    assert practice.read_bytes().rstrip() == plain.rstrip()


def test_undo_leaves_alone_what_was_edited_since(folder: Path) -> None:
    """Catches a comment, a number or an entry of the user's taken out with the report before it."""
    study, practice = folder / "plan_turf.toml", folder / "practice" / "turf_saturday.toml"
    for edit in (b"# my note\n", b'remark = "really" # mine\n', b'[[seen]]\nphase = "sweep"\nfeel = "neutral"\n'):
        seen.add(load_study(study), "hairpin pushed", {}, NOON)
        written = practice.read_bytes() + edit
        practice.write_bytes(written)
        with pytest.raises(SpaceError, match="by hand"):
            seen.undo(load_study(study))
        assert practice.read_bytes() == written
        practice.write_bytes(written.removesuffix(edit))
        seen.undo(load_study(study))


def test_a_study_without_a_practice_file_gets_one_by_rule(folder: Path) -> None:
    """Catches a file that is written where the study does not look for it."""
    study = folder / "2wd_turf.toml"
    assert load_study(study).space.planning.seen == ()
    found = seen.add(load_study(study), "better than front_bar=none", {"rear_bar": "1.0"}, NOON)
    assert found.path == folder / "practice" / "2wd_turf.toml" and found.path.is_file()
    loaded = load_study(study)
    assert [one.text for one in loaded.space.planning.seen] == [found.reports[0].text]
    assert "practice was read from practice/2wd_turf.toml, found beside the study" in loaded.space.notes
    assert any(Path(file.path) == found.path for file in loaded.files)
    assert "better than front_bar none, rear_bar 1.0" in found.reports[0].text
    seen.undo(loaded)
    with pytest.raises(SpaceError, match="no report"):
        seen.undo(load_study(study))


def test_a_changed_baseline_does_not_change_what_was_driven(folder: Path) -> None:
    """Catches a setup written as what differs from a baseline that the user moves on between heats."""
    study = folder / "2wd_turf.toml"
    before = seen.add(load_study(study), "hairpin pushed", {}, NOON).reports[0].positions
    text = study.read_text(encoding="utf-8")
    study.write_text(text.replace('front_bar = "1.2"', 'front_bar = "1.0"', 1), encoding="utf-8")
    loaded = load_study(study)
    assert loaded.space.baseline != before and loaded.space.planning.seen[0].positions == before


DAMAGED = {
    "torn": b'[[seen]]\nphase = "sw',
    "bytes": b"[[seen]]\n\xff\xfe",
    "closed list": b'seen = [{ phase = "sweep", feel = "pushed" }]\n',
    "other table": b"[results]\na = 1\n",
    "too deep": b"seen = " + b"[" * 200 + b"]" * 200,
    "a bad entry": b'[[seen]]\nphase = "sweep"\nfeel = "great"\n',
}


@pytest.mark.parametrize("case", DAMAGED)
def test_a_damaged_file_is_told_and_kept(folder: Path, case: str) -> None:
    """Catches a report put behind damage, damage written over, and a traceback; the place is told."""
    study, practice = folder / "2wd_turf.toml", folder / "practice" / "2wd_turf.toml"
    practice.write_bytes(DAMAGED[case])
    for work in (lambda: seen.add(load_study(study), "hairpin pushed", {}, NOON), lambda: seen.undo(load_study(study))):
        with pytest.raises(ExplorerError) as caught:
            work()
        assert practice.read_bytes() == DAMAGED[case] and "2wd_turf.toml" in str(caught.value)
    assert sorted(os.listdir(practice.parent)) == ["2wd_turf.toml", "turf_saturday.toml"]


@pytest.mark.parametrize("kind", ["folder", "link out"])
def test_what_is_no_practice_file_is_not_opened(folder: Path, kind: str) -> None:
    """Catches a folder or a link to elsewhere that is followed and written over."""
    practice = folder / "practice" / "2wd_turf.toml"
    elsewhere = folder.parent / "elsewhere.toml"
    elsewhere.write_text("# somebody else's\n", encoding="utf-8")
    practice.mkdir() if kind == "folder" else practice.symlink_to(elsewhere)
    with pytest.raises(ConfigError):
        seen.add(load_study(folder / "2wd_turf.toml"), "hairpin pushed", {}, NOON)
    assert elsewhere.read_text(encoding="utf-8") == "# somebody else's\n"


def test_a_disk_that_refuses_and_a_second_writer_lose_nothing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Catches half a file after a full disk, scraps left behind, and a report of another window written over."""
    study, practice = folder / "plan_turf.toml", folder / "practice" / "turf_saturday.toml"
    old, loaded = practice.read_bytes(), load_study(study)

    def full(stream: object, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(disk, "put", full)
        with pytest.raises(ArtefactError, match="No space left"):
            seen.add(loaded, "hairpin pushed", {}, NOON)
    assert practice.read_bytes() == old and os.listdir(practice.parent) == [practice.name]
    read = seen._bytes
    calls = iter((old, old + b"# another window\n"))
    monkeypatch.setattr(seen, "_bytes", lambda path: next(calls))
    with pytest.raises(ArtefactError, match="somebody else"):
        seen.add(loaded, "hairpin pushed", {}, NOON)
    assert read(practice) == old


def test_a_report_that_does_not_fit_is_not_written(folder: Path) -> None:
    """Catches words that are understood and make no sense: the same setup, a bump of half a metre, no such unknown."""
    study, practice = folder / "plan_turf.toml", folder / "practice" / "turf_saturday.toml"
    old = practice.read_bytes()
    for words, told in (
        ("better than baseline", "differs"),
        ("bump ruler 400 mm", "thinks possible"),
        ("roll 29 deg in the sweep +- 20", "one standard deviation"),
    ):
        with pytest.raises(ConfigError, match=told):
            seen.add(load_study(study), words, {}, NOON)
        assert practice.read_bytes() == old


def test_any_words_end_in_a_report_or_a_sentence(turf: LoadedStudy) -> None:
    """Catches a traceback, and an entry that is understood and cannot be read back, over words taken at random."""
    space, rng = turf.space, random.Random(1)
    own, before = turf.space.named({"rear_bar": "1.0"}), turf.space.named({})
    odd = ["10.2 km/h", "\u00b1", "+-", "0.3", "rear_bar=1.2", "=", "x=", "not", "in", "'\"", "\\", "\x00", "\n"]
    more = ["[[seen]]", "9" * 400, "front", "left", "lap", "17.8", "was", "18.1", "4 mm", "1.3"]
    words = [*vocabulary(space), *odd, *more]
    read = 0
    for _ in range(3_000):
        said = " ".join(rng.choice(words) for _ in range(rng.randint(1, 5)))
        try:
            entries = entries_from(said, space, own, before)
            text = "\n".join(entry_text(entry, "2026-05-02T10:00:00") for entry in entries)
            assert len(reports_in(Source("words.toml", []), space, text.encode())) == len(entries), said
            read += 1
        except ExplorerError as fault:
            assert str(fault), said
    assert read > 10


def test_the_shell_completes_phases_and_words(folder: Path) -> None:
    """Catches completion that needs a sound study, and words that it offers and the reader does not know."""
    words = completions(str(folder / "2wd_turf.toml"))
    assert {"sweep", "hairpin", "pushed", "loose", "lifted", "better", "circle"} <= set(words)
    assert {"pushed", "loose"} <= set(completions(str(folder / "nowhere.toml")))
    space = load_study(folder / "plan_turf.toml").space
    assert {"hairpin", "grip", "better than"} <= set(vocabulary(space))
