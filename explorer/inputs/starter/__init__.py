"""The starter files of `setup-space new`: a car in which nothing is measured yet, an invented surface and tyre, a
study, a plan and a practice file, all commented; with what a racer has at hand put in."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory

from explorer.domain.errors import ConfigError, Problem

STARTER_FILES = ("car.toml", "surface.toml", "study.toml", "tyre.toml", "plan.toml", "practice.toml")
"""Written side by side; study and plan name the car and the surface, the surface its tyre, the plan the practice."""

BOXES = {
    "front_bars": "wire_mm",
    "rear_bars": "wire_mm",
    "front_springs": "rate_n_per_mm",
    "rear_springs": "rate_n_per_mm",
}
"""Boxes of parts that may be given as a list of sizes, and what a size is."""


@dataclass(frozen=True)
class AtHand:
    """What anyone has; what is left out stays typical. Readings of a scale under each end [g], lengths [mm] for both
    ends or (front, rear), `boxes` by the names of `BOXES`: wires [mm] and rates [N/mm] as they are written."""

    drive: str = ""
    total_g: float | None = None
    front_g: float | None = None
    rear_g: float | None = None
    wheelbase_mm: float | None = None
    track_mm: tuple[float, ...] = ()
    ride_height_mm: tuple[float, ...] = ()
    boxes: dict[str, tuple[str, ...]] = field(default_factory=dict)


def write_starter(directory: Path | str, at_hand: AtHand | None = None) -> tuple[Path, ...]:
    """Write the starter files into a directory, made if it is missing, and return their paths.

    Nothing is overwritten: raises ConfigError, before anything is written, when a file of that name is there, when the
    directory cannot be used, and where what is at hand is no car.
    """
    folder = Path(directory)
    targets = tuple(folder / name for name in STARTER_FILES)
    texts = starter_texts(at_hand or AtHand())
    if at_hand is not None:
        _refuse_faults(folder, texts)
    try:
        taken = [target for target in targets if target.exists() or target.is_symlink()]
        if taken:
            allowed = "nothing is overwritten: move it away or name another directory"
            raise ConfigError([Problem(str(target), 0, "", "there already", allowed) for target in taken])
        folder.mkdir(parents=True, exist_ok=True)
        for target in targets:
            with target.open("xb") as stream:
                stream.write(texts[target.name].encode("utf-8"))
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise ConfigError([Problem(str(folder), 0, "", reason, "a directory that can be written")]) from error
    return targets


def starter_texts(at_hand: AtHand) -> dict[str, str]:
    """File name -> text, with what is at hand in place of the word or the example.

    Raises ConfigError for a reading that says nothing by itself.
    """
    found = {
        name: (files(__name__) / name).read_text(encoding="utf-8") for name in STARTER_FILES if name != "plan.toml"
    }
    car, study = found["car.toml"], found["study.toml"]
    if at_hand.drive:
        car = _put(car, "car", "drive", f'"{at_hand.drive}"')
    for (table, key), value in _measured(at_hand).items():
        car = _put(car, table, key, f"{value:.6g}")
    for end, height in zip(("front", "rear"), _both(at_hand.ride_height_mm), strict=False):
        low, high = f"{height - 2.0:g}", f"{height + 2.0:g}"
        knob = f"knobs.{end}_ride_height_mm"
        if end == "front":
            study = _put(study, knob, "values", f"[{low}, {height:g}, {high}]")
        else:
            study = _put(_put(study, knob, "from", low), knob, "to", high)
            study = study.replace(
                'when = { rear_ride_height_mm = ["20"] }', f'when = {{ rear_ride_height_mm = ["{low}"] }}'
            )
        study = _put(study, "baseline", f"{end}_ride_height_mm", f"{height:g}")
    for box, sizes in at_hand.boxes.items():
        place, now = box.removesuffix("s"), sizes[len(sizes) // 2]
        car = _put(_boxed(car, box, sizes), "fitted", place, f'"{now}"')
        study = _put(study, "baseline", place, f'"{now}"')
        if box == "rear_springs":
            study = study.replace('never = { rear_spring = ["0.39"] }', f'never = {{ rear_spring = ["{sizes[0]}"] }}')
            if len(sizes) == 1:
                study = re.sub(r"\[\[rules\]\]\n(?:.+\n)+", "", study)
    plan = study.replace('name = "starter"', 'name = "starter-plan"', 1)
    more = (files(__name__) / "plan_tables.toml").read_text(encoding="utf-8")
    return found | {"car.toml": car, "study.toml": study, "plan.toml": plan + more}


def _measured(at_hand: AtHand) -> dict[tuple[str, str], float]:
    """Table and key of the car file -> number."""
    total, front, rear = at_hand.total_g, at_hand.front_g, at_hand.rear_g
    if (front is None) != (rear is None) and total is None:
        raise ConfigError([Problem("", 0, "--front-g, --rear-g", "one reading alone", "the other end's, or --total-g")])
    if front is not None and rear is not None and total is None:
        total = front + rear
    found = {("mass", "total_g"): total, ("geometry", "wheelbase_mm"): at_hand.wheelbase_mm}
    if front is not None and rear is not None and front + rear > 0.0:
        found["mass", "front_weight_share_pct"] = 100.0 * front / (front + rear)
    elif total and front is not None:
        found["mass", "front_weight_share_pct"] = 100.0 * front / total
    elif total and rear is not None:
        found["mass", "front_weight_share_pct"] = 100.0 * (1.0 - rear / total)
    for key, given in (("track_mm", at_hand.track_mm), ("ride_height_mm", at_hand.ride_height_mm)):
        found |= {(end, key): value for end, value in zip(("front", "rear"), _both(given), strict=False)}
    return {place: value for place, value in found.items() if value is not None}


def _both(values: tuple[float, ...]) -> tuple[float, ...]:
    return values * 2 if len(values) == 1 else values


def _put(text: str, table: str, key: str, value: str) -> str:
    """A text with another value of a key in a table; the comment after it stays."""
    pattern = rf'(^\[{re.escape(table)}\][^\n]*\n(?:(?!\[)[^\n]*\n)*?{key} = )("[^"\n]*"|\[[^\]\n]*\]|[^\s#]+)'
    found, times = re.subn(pattern, lambda m: m[1] + value, text, count=1, flags=re.M)
    assert times == 1, (table, key)
    return found


def _boxed(text: str, box: str, sizes: tuple[str, ...]) -> str:
    """A car file with a box of these sizes; "none" stays a part of a box of bars."""
    entry = rf'\[\[parts\.{box}\]\]\nlabel = "[^"\n]*"\n(?:{BOXES[box]} = .*\n)?\n?'
    first = re.search(entry, text)
    assert first is not None, box
    lines = [f'[[parts.{box}]]\nlabel = "none"\n\n'] if box.endswith("bars") else []
    lines += [f'[[parts.{box}]]\nlabel = "{size}"\n{BOXES[box]} = {float(size):g}\n\n' for size in sizes]
    rest = re.sub(entry, "", text[first.start() :])
    return (text[: first.start()] + "".join(lines) + rest).rstrip("\n") + "\n"


def _refuse_faults(folder: Path, texts: dict[str, str]) -> None:
    """Read the files as they would stand. Raises ConfigError with everything wrong, at its place in them."""
    from explorer.inputs.load import load_study  # it reads what is written here

    with TemporaryDirectory() as room:
        for name, text in texts.items():
            (Path(room) / name).write_text(text, encoding="utf-8")
        try:
            load_study(Path(room) / "plan.toml")
        except ConfigError as fault:
            problems = [replace(one, file=str(folder / Path(one.file).name)) for one in fault.problems]
            raise ConfigError(problems) from None
