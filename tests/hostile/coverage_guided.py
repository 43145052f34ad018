"""Coverage-guided bytes through the door: `python tests/hostile/coverage_guided.py [CORPUS] [-max_total_time=S]`.

Needs the extra `fuzz`. The first byte chooses the file, the rest is what stands in it; the other files are the shipped
ones. The corpus starts from those.
"""

from __future__ import annotations

import importlib
import pkgutil
import sys
import tempfile
from pathlib import Path

import atheris

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

import explorer.model

for module in pkgutil.walk_packages(explorer.model.__path__, "explorer.model."):
    importlib.import_module(module.name)  # compiled functions cannot be instrumented

with atheris.instrument_imports(
    include=["explorer.inputs.load", "explorer.domain.space", "explorer.flow.checked", "tomllib"]
):
    from door import through
    from mutations import texts, used

SET = "plan_turf"


def places() -> list[str]:
    """Files of the study, the study first."""
    import tomllib

    files = texts(SET)
    return used(tomllib.loads(files["study.toml"].decode()), dict(files))


PLACES = places()
FILES = {place: texts(SET)[place] for place in PLACES}


def target(data: bytes) -> None:
    """One input."""
    if data:
        through(FILES | {PLACES[data[0] % len(PLACES)]: data[1:]})


def main() -> None:
    """Fuzz; libFuzzer ends the process, with a code other than 0 at the first finding."""
    with tempfile.TemporaryDirectory() as folder:
        for number, place in enumerate(PLACES):
            (Path(folder) / str(number)).write_bytes(bytes([number]) + FILES[place])
        through(FILES)  # compiled and loaded before anything is timed
        atheris.Setup([sys.argv[0], *sys.argv[1:], folder], target)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
