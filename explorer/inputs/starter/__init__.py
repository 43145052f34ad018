"""The starter files of `setup-space new`: a commented car, tyre, surface and study, all numbers invented."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from explorer.domain.errors import ConfigError, Problem

STARTER_FILES = ("car.toml", "surface.toml", "study.toml", "tyre.toml")
"""Written side by side; the study names the car and the surface, the surface its tyre."""


def write_starter(directory: Path | str) -> tuple[Path, ...]:
    """Write the starter files into a directory, made if it is missing, and return their paths.

    Nothing is overwritten: raises ConfigError, before anything is written, when a file of that name is there, and
    when the directory cannot be used.
    """
    folder = Path(directory)
    targets = tuple(folder / name for name in STARTER_FILES)
    try:
        taken = [target for target in targets if target.exists() or target.is_symlink()]
        if taken:
            allowed = "nothing is overwritten: move it away or name another directory"
            raise ConfigError([Problem(str(target), 0, "", "there already", allowed) for target in taken])
        folder.mkdir(parents=True, exist_ok=True)
        for name, target in zip(STARTER_FILES, targets, strict=True):
            with target.open("xb") as stream:
                stream.write((files(__name__) / name).read_bytes())
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ConfigError([Problem(str(folder), 0, "", reason, "a directory that can be written")]) from error
    return targets
