"""What a study may read: ordinary files of a sane size in its own folder and below it, unless told otherwise."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest
from typer.testing import CliRunner

from explorer import api
from explorer.cli.commands import app
from explorer.domain.errors import ConfigError, Problem
from explorer.inputs import source
from explorer.inputs.load import load_study
from explorer.inputs.source import SIZE_LIMIT

CONFIGS = Path(__file__).parents[2] / "configs"
REFERENCES = {
    "car": ('car = "car.toml"', "car = {}"),
    "surface": ('surface = "surface.toml"', "surface = {}"),
    "liked.elsewhere.surface": ("[baseline]", "[liked.elsewhere]\nsurface = {}\n[baseline]"),
    "practice.file": ("[baseline]", "[practice]\nfile = {}\n[baseline]"),
}
"""Every key of a study that names a file: what stands there, and what is put in its place."""


def problems(folder: Path, **how: bool) -> list[Problem]:
    with pytest.raises(ConfigError) as caught:
        load_study(folder / "study.toml", **how)
    return caught.value.problems


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Real paths of every file that is opened by the reader."""
    seen: list[str] = []
    real = os.open

    def watch(path: str, *rest: int) -> int:
        seen.append(str(path))
        return real(path, *rest)

    monkeypatch.setattr(source.os, "open", watch)
    return seen


@pytest.mark.parametrize("key", sorted(REFERENCES))
@pytest.mark.parametrize("way", ["above", "absolute", "link", "folder link", "dots"])
def test_nothing_outside_is_opened(folder, edit, opened, key, way):
    """Catches: a reference that is not fenced, links not followed before judging, a secret read and then refused."""
    old, new = REFERENCES[key]
    secret = folder.parent / "secret.toml"
    secret.write_text('password = "hunter2"\n', encoding="utf-8")
    (folder / "link.toml").symlink_to(secret)
    (folder / "linked").symlink_to(folder.parent)
    name = {
        "above": "../secret.toml",
        "absolute": str(secret),
        "link": "link.toml",
        "folder link": "linked/secret.toml",
        "dots": "./nowhere/../../team/../secret.toml",
    }[way]
    edit("study.toml", old, new.format(f'"{name}"'))
    found = [one for one in problems(folder) if one.key == key]
    assert len(found) == 1 and "outside" in found[0].found and "--allow-outside" in found[0].allowed
    assert found[0].line > 0 and Path(found[0].file).name == "study.toml"
    assert str(secret) not in opened and all("hunter2" not in str(one) for one in problems(folder))
    problems(folder, allow_outside=True)
    assert str(secret) in opened


def test_what_lies_outside_is_not_even_looked_for(folder, edit):
    """Catches: a message that tells whether a file is there."""
    edit("study.toml", 'car = "car.toml"', 'car = "../missing.toml"')
    missing = problems(folder)[0]
    (folder.parent / "missing.toml").write_text("", encoding="utf-8")
    assert problems(folder)[0] == missing


def test_a_link_inside_and_a_folder_that_is_a_link_are_fine(folder, edit, tmp_path):
    """Catches: links refused as such; a study in a linked folder whose own files count as outside."""
    (folder / "cars").mkdir()
    (folder / "car.toml").rename(folder / "cars" / "one.toml")
    (folder / "car.toml").symlink_to(folder / "cars" / "one.toml")
    load_study(folder / "study.toml")
    (tmp_path / "alias").symlink_to(folder)
    load_study(tmp_path / "alias" / "study.toml")
    edit("study.toml", 'car = "car.toml"', 'car = "cars/../cars/one.toml"')
    load_study(folder / "study.toml")


def test_the_flag_stands_before_any_command(folder, edit):
    """Catches: a command that forgets the flag, or reads outside without it; the API without its way."""
    outside = folder.parent / "car.toml"
    (folder / "car.toml").rename(outside)
    edit("study.toml", 'car = "car.toml"', 'car = "../car.toml"')
    study = str(folder / "study.toml")
    for words in (["check", study], ["show", study, "--json"], ["compare", study]):
        refused = CliRunner().invoke(app, words)
        assert refused.exit_code == 2 and "study.toml:" in refused.output and "outside" in refused.output
        assert CliRunner().invoke(app, ["--allow-outside", *words]).exit_code == 0
    with pytest.raises(ConfigError):
        api.load(study)
    assert api.load(study, allow_outside=True).car_name.startswith("Starter car")


def test_shipped_studies_stay_inside():
    """Catches: a demo that needs the flag."""
    for path in sorted(CONFIGS.glob("*.toml")):
        for file in load_study(path).files:
            assert source.within(file.path, str(CONFIGS))


@pytest.mark.parametrize("kind", ["pipe", "device", "folder", "socket", "kernel", "huge", "loop"])
def test_only_ordinary_files_are_opened(folder, edit, opened, kind, monkeypatch):
    """Catches: a reader that hangs on a pipe or never ends on a device; a big file read before it is refused."""
    odd = folder / "odd.toml"
    if kind == "pipe":
        os.mkfifo(odd)
    elif kind == "device":
        odd.symlink_to("/dev/zero")
    elif kind == "folder":
        odd.mkdir()
    elif kind == "socket":
        monkeypatch.chdir(folder)
        socket.socket(socket.AF_UNIX).bind("odd.toml")
    elif kind == "kernel":
        odd.symlink_to("/proc/self/environ")
    elif kind == "loop":
        odd.symlink_to(odd)
    else:
        with odd.open("wb") as stream:
            stream.truncate(SIZE_LIMIT + 1)
    for old, new in REFERENCES.values():
        text = (folder / "study.toml").read_text(encoding="utf-8")
        edit("study.toml", old, new.format('"odd.toml"'))
        found = problems(folder, allow_outside=True)
        assert any("odd.toml" in one.found and one.line for one in found), [str(one) for one in found]
        (folder / "study.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError):
        load_study(odd)
    assert not [path for path in opened if path.endswith("odd.toml") or path.startswith(("/dev", "/proc"))]


def test_a_file_swapped_after_it_was_judged_is_not_followed(folder, monkeypatch):
    """Catches: a link put in place between the look and the opening, and a size believed from the first look."""
    car = folder / "car.toml"
    real = source.ordinary

    def judged_then_swapped(path, root=None):
        found = real(path, root)
        if Path(found).name == "car.toml":
            car.unlink()
            car.symlink_to("/etc/hostname")
        return found

    monkeypatch.setattr(source, "ordinary", judged_then_swapped)
    assert any("car.toml" in one.file and "readable" in one.allowed for one in problems(folder))


def test_many_big_files_are_refused_by_their_sum(folder, edit):
    """Catches: fifty surfaces of a megabyte each, parsed one after the other."""
    lines = []
    filler = "# " + "x" * 90 + "\n"
    surface = (folder / "surface.toml").read_text(encoding="utf-8")
    for number in range(4):
        (folder / f"s{number}.toml").write_text(surface + filler * 9_000, encoding="utf-8")
        lines.append(f'[liked.l{number}]\nsurface = "s{number}.toml"\n')
    edit("study.toml", "[baseline]", "".join(lines) + "[baseline]")
    assert any("too much to read" in one.found and one.line for one in problems(folder))
