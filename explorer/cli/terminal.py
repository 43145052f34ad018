"""What a person or a program sees of a command: progress, tables, JSON, messages with exit codes."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import re
import shutil
import sys
import textwrap
import time
from collections.abc import Callable, Mapping
from io import TextIOWrapper
from pathlib import Path
from typing import Any

from explorer.domain.errors import ConfigError, ExplorerError, ModelError, SpaceError
from explorer.report.looks import PLAIN, SHADES, WIDTH, bare, pieces, wide

DONE, BAD_INPUT, NOTHING_FEASIBLE, MODEL_FAILED, INTERRUPTED = 0, 2, 3, 4, 130

INTERRUPTED_WORDS = "interrupted; finished results are as they were, and run --resume goes on with an unfinished run"

LINE_EVERY = 10.0
"""On a pipe a stage that is under way says so this often. [s]"""

STEADY_AFTER = 1.0
"""A rate is not told before this much of a stage has passed. [s]"""

PLAN_TABLES = ("plan_", "carry_over")
"""How the names of a plan's tables begin."""


def seconds_text(seconds: float) -> str:
    """A stretch of time as a person says it.

    >>> seconds_text(0.42), seconds_text(75.0), seconds_text(7384.0)
    ('0.4 s', '1 min 15 s', '2 h 3 min')
    """
    if seconds < 60.0:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"


_INKS = ("black on #eef3ea", "black on #cfe0c3", "black on #a3c79a", "black on #6fa878", "white on #3d7a57")
STYLES = {"strong": "bold", "title": "bold", "good": "bold cyan", "bad": "bold yellow", "faint": "dim", "bar": "green"}
STYLES |= {f"shade {n}": _INKS[n] for n in range(SHADES)}
"""How the looks of an answer are drawn. Colour never speaks alone: arrows, brackets and marks say the same."""

_COLUMN = re.compile(r"\s*(\d+\. +|\S.*?\S  +)(?=\S)")
"""What a folded line hangs under: a number with its point, or a first column and its gap."""

_NUMBER = re.compile(r"(?<=\d) (?=[^\s\d/+=*-])")
"""The space between a number and its unit."""


class Progress:
    """How far a stage is, on standard error: a bar with rate and time left on a terminal; on a pipe plain lines at the
    start, at the end and every ten seconds between. Nothing at all when `quiet`."""

    def __init__(self, quiet: bool = False, clock: Callable[[], float] = time.monotonic) -> None:
        self.quiet = quiet
        self._clock = clock
        self._bar: Any = None
        self._task: Any = None
        self._stage = ""
        self._began = self._told = 0.0
        self._over = False

    def __enter__(self) -> Progress:
        if not self.quiet and sys.stderr.isatty():
            self._bar = _bar()
            self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()

    def __call__(self, stage: str, done: int, total: int) -> None:
        if self.quiet:
            return
        begins = stage != self._stage or (self._over and done < total)
        if self._bar is not None:
            if begins:
                self._task = self._bar.add_task(stage, total=total)
            self._bar.update(self._task, completed=done, total=total)
        self._line(stage, done, total, begins)

    def _line(self, stage: str, done: int, total: int, begins: bool) -> None:
        now = self._clock()
        if begins:
            self._stage, self._began, self._told, self._over = stage, now, now, False
            self._say(f"{stage}: 0 of {total:,}")
        if done >= total:
            if not self._over:
                spent = now - self._began
                self._say(f"{stage}: {done:,} of {total:,}" + (f" in {seconds_text(spent)}" if spent >= 1.0 else ""))
            self._over = True
        elif now - self._told >= LINE_EVERY:
            self._told = now
            rate = done / (now - self._began) if now - self._began >= STEADY_AFTER else 0.0
            pace = f", {rate:,.3g} per second, {seconds_text((total - done) / rate)} left" if rate > 0.0 else ""
            self._say(f"{stage}: {done:,} of {total:,}{pace}")

    def _say(self, text: str) -> None:
        if self._bar is None:
            print(text, file=sys.stderr, flush=True)


def _bar() -> Any:
    """The columns of the bar: description, bar, done of total, rate, time spent, time left."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        ProgressColumn,
        Task,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )
    from rich.progress import Progress as Bar
    from rich.text import Text

    class Rate(ProgressColumn):
        """Steps per second."""

        def render(self, task: Task) -> Text:
            speed = task.finished_speed or task.speed
            return Text(f"{speed:,.3g}/s" if speed else "")

    class Left(TimeRemainingColumn):
        """Time left, while a stage that can tell is under way."""

        def render(self, task: Task) -> Text:
            known = task.total is not None and not task.finished
            return super().render(task).append(" left") if known else Text("")

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), Rate(), TimeElapsedColumn(), Left())
    return Bar(*columns, console=Console(stderr=True), transient=True)


def fit_terminal() -> None:
    """Answers are as wide as the terminal, or 80 letters where there is none; never narrower than 40."""
    WIDTH.set(max(40, shutil.get_terminal_size((80, 24)).columns))


def print_any_name() -> None:
    """Let standard output and error print every text: a letter that the console's code page lacks becomes a mark."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="replace" if stream is sys.stdout else "backslashreplace")


def guarded(work: Callable[[], int]) -> int:
    """Run a command; turn every error of ours into a message and an exit code."""
    try:
        return work()
    except ConfigError as fault:
        for problem in fault.problems:
            print(problem, file=sys.stderr)
        print(f"{len(fault.problems)} problem(s) found; nothing was run", file=sys.stderr)
        return BAD_INPUT
    except ModelError as fault:
        print(fault, file=sys.stderr)
        return MODEL_FAILED
    except ExplorerError as fault:
        print(fault, file=sys.stderr)
        return BAD_INPUT
    except KeyboardInterrupt:
        print(INTERRUPTED_WORDS, file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        # the reader has seen enough; keep the interpreter from complaining at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except OSError as fault:
        print(f"cannot read or write: {fault}", file=sys.stderr)
        return BAD_INPUT


def choices(sets: list[str] | None) -> dict[str, str]:
    """Knob -> level from KNOB=LEVEL texts. Raises SpaceError for a text without the mark."""
    found: dict[str, str] = {}
    for text in sets or []:
        knob, mark, level = text.partition("=")
        if not mark:
            raise SpaceError(f"--set {text!r}: write KNOB=LEVEL, for example --set front_bar=1.2")
        found[knob.strip()] = level.strip()
    return found


def plain(value: Any) -> Any:
    """A value as JSON holds it: finite numbers, text, true or false, null for what is missing, lists, dictionaries.

    >>> plain({"a": (1, float("nan")), 2: Path("b/c")})
    {'a': [1, None], '2': 'b/c'}
    """
    if value is None or isinstance(value, (str, bool)):
        return value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if hasattr(value, "tolist"):  # numbers and arrays of numpy
        return plain(value.tolist())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Path):
        return value.as_posix()
    return None if type(value).__name__ in ("NAType", "NaTType") else str(value)


def rows(frame: Any) -> list[dict[str, Any]]:
    """A table as one dictionary per row."""
    names = [str(name) for name in frame.columns]
    columns = [list(frame.iloc[:, place]) for place in range(len(names))]
    return [dict(zip(names, map(plain, row), strict=True)) for row in zip(*columns, strict=True)]


def print_json(value: Any) -> None:
    """One JSON value: nothing in it is NaN or infinite."""
    print(json.dumps(plain(value), indent=2, allow_nan=False), flush=True)


def print_table(frame: Any, name: str, more: Mapping[str, Any] | None = None) -> None:
    """A table as JSON: its rows under `name`, with `more` facts beside it."""
    print_json({**(more or {}), name: rows(frame)})


def say(text: str) -> None:
    """An answer for a person: folded to the terminal's width, its looks drawn on a terminal and dropped on a pipe."""
    lines = "\n".join(folded(line, WIDTH.get()) for line in _harmless(text).split("\n"))
    if not sys.stdout.isatty():
        print(bare(lines), flush=True)
        return
    from rich.console import Console

    draw_looks(lines, Console(highlight=False))
    sys.stdout.flush()


def draw_looks(lines: str, console: Any) -> None:
    """Text with marks on a console of rich, which knows how many colours there are and heeds NO_COLOR."""
    from rich.text import Text

    text = Text()
    for piece, name in pieces(lines):
        text.append(piece, style=STYLES.get(name, ""))
    console.print(text, soft_wrap=True)


def _harmless(text: str) -> str:
    """No letter that steers a terminal, and only signs that it can print."""
    kept = "".join(
        letter for letter in text if letter == "\n" or letter.isprintable() or "\ue000" <= letter <= "\uf8ff"
    )
    try:
        "".join(PLAIN).encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        kept = kept.translate({ord(sign): other for sign, other in PLAIN.items()})
    return kept


def folded(line: str, width: int) -> str:
    """A long line on several, the rest under its text: after a number, a column or a bare indent. Paths, names and a
    number with its unit stay whole.

    >>> folded("  wish: as much roll as at home", 22)
    '  wish: as much roll\\n    as at home'
    """
    if wide(line) <= width:
        return line
    start = line[: len(line) - len(line.lstrip())]
    column = _COLUMN.match(line)
    hang = len(column[0]) if column and len(column[0]) <= width // 2 else len(start) + 2
    text = textwrap.fill(
        _NUMBER.sub("\N{NO-BREAK SPACE}", line.lstrip()),
        width,
        initial_indent=start,
        subsequent_indent=" " * hang,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return text.replace("\N{NO-BREAK SPACE}", " ")


def run_summary(folder: Path, manifest: Mapping[str, Any]) -> dict[str, Any]:
    """What a run wrote, from its `run.json`: paths by kind, counts, seconds by stage and in all."""
    names = sorted(manifest["files"])
    tables = [name for name in names if name.startswith("tables/")]
    plans = [name for name in tables if name.removeprefix("tables/").startswith(PLAN_TABLES)]
    figures = [name for name in names if name.startswith("figures/")]
    kinds = {
        "reports": [name for name in names if name not in tables and name not in figures],
        "tables": [name for name in tables if name not in plans],
        "figures": figures,
        "plan": plans,
    }
    seconds = manifest.get("timings_s", {})
    return {
        "study": manifest.get("study", ""),
        "folder": folder.as_posix(),
        "written": {kind: [(folder / name).as_posix() for name in found] for kind, found in kinds.items() if found},
        "bytes": {
            kind: sum(manifest["files"][name]["bytes"] for name in found) for kind, found in kinds.items() if found
        },
        "counts": manifest.get("counts", {}),
        "seconds": seconds,
        "seconds_in_all": round(sum(seconds.values()), 3),
    }


def print_summary(summary: Mapping[str, Any]) -> None:
    """The end of a run: what was written and where, what was counted, how long it took."""
    counts, folder = summary["counts"], summary["folder"]
    told = ", ".join(f"{number:,} {name.replace('_', ' ')}" for name, number in counts.items())
    slow = sorted(summary["seconds"].items(), key=lambda item: -item[1])[:3]
    say(f"{told}; {seconds_text(summary['seconds_in_all'])}")
    say("longest: " + ", ".join(f"{name} {seconds_text(spent)}" for name, spent in slow))
    print(f"{'written':10s} {'files':>5s} {'kB':>9s}  where")
    for kind, paths in summary["written"].items():
        where = {"tables": f"{folder}/tables", "plan": f"{folder}/tables/plan_*", "figures": f"{folder}/figures"}
        size = summary["bytes"][kind] / 1000.0
        names = ", ".join(path.removeprefix(f"{folder}/") for path in paths)
        say(f"{kind:10s} {len(paths):5d} {size:9,.1f}  {where.get(kind, f'{folder}: {names}')}")
