"""What became of the faults: counts and scores with intervals, and the page and tables in `results/mutation`."""

from __future__ import annotations

import math
import tomllib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.mutation.judge import Judges, Verdict
from tests.mutation.mutants import LEFT_OUT, ROOT, Mutant, mutants_of

EQUIVALENT = Path(__file__).with_name("equivalent.toml")
GOAL = 0.85


@dataclass(frozen=True)
class Score:
    """Faults asked about and what became of them; those that nobody can see stand apart."""

    asked: int
    killed: int
    timeout: int
    survived: int
    uncovered: int
    equivalent: int

    @property
    def seen(self) -> int:
        """Killed, or stopped because a test never came to an end."""
        return self.killed + self.timeout

    @property
    def share(self) -> float:
        """Seen share of those that can be seen; 1 where there are none."""
        return self.seen / (self.asked - self.equivalent) if self.asked > self.equivalent else 1.0

    @property
    def raw(self) -> float:
        """Seen share of all that were asked about, excused or not."""
        return self.seen / self.asked if self.asked else 1.0

    def interval(self) -> tuple[float, float]:
        """95 % interval of the share (Wilson 1927): what a sample of all faults of these files says about all."""
        return wilson(self.seen, self.asked - self.equivalent)


def wilson(hits: int, count: int, z: float = 1.959964) -> tuple[float, float]:
    """Wilson's interval of a share.

    >>> low, high = wilson(85, 100)
    >>> round(low, 3), round(high, 3)
    (0.767, 0.907)
    """
    if count == 0:
        return 0.0, 1.0
    share, spread = hits / count, z * z / count
    middle = (share + spread / 2.0) / (1.0 + spread)
    half = z * math.sqrt(share * (1.0 - share) / count + spread / (4.0 * count)) / (1.0 + spread)
    return middle - half, middle + half


def reasons(path: Path = EQUIVALENT) -> list[dict[str, str]]:
    """Entries of `equivalent.toml`: `file`, `function`, `before`, `after`, `why` and `reason`; without `after`, or
    without both, every fault there is meant. `why` is "same" where every answer stays what it is, "steps" where only
    the work changes that leads to it, "chosen" where a number was chosen and nothing says that another is wrong."""
    return tomllib.loads(path.read_text(encoding="utf-8")).get("equivalent", [])


def reason_for(mutant: Mutant, entries: Sequence[dict[str, str]]) -> str | None:
    """Why a fault cannot be seen, in words, where an entry says so."""
    found = _entry_for(mutant, entries)
    return found["reason"] if found else None


def why_of(mutant: Mutant, entries: Sequence[dict[str, str]]) -> str | None:
    """Why a fault cannot be seen, in a word, where an entry says so."""
    found = _entry_for(mutant, entries)
    return found["why"] if found else None


def _entry_for(mutant: Mutant, entries: Sequence[dict[str, str]]) -> dict[str, str] | None:
    for entry in entries:
        where = entry["file"] == mutant.file and entry["function"] == mutant.function
        kind = entry.get("kind", mutant.kind) == mutant.kind
        text = entry.get("before", mutant.before) == mutant.before and entry.get("after", mutant.after) == mutant.after
        if where and kind and text:
            return entry
    return None


def stale(entries: Sequence[dict[str, str]], mutants: Sequence[Mutant]) -> list[str]:
    """Entries that no fault fits: the code they were written about has changed."""
    gone = [entry for entry in entries if not any(_entry_for(one, [entry]) for one in mutants)]
    return [f"{entry['file']} {entry['function'] or '(module)'}: {entry['before']}" for entry in gone]


def score_of(verdicts: Sequence[Verdict], entries: Sequence[dict[str, str]]) -> Score:
    """Counts of some verdicts. A fault that an entry calls equivalent and a test has seen counts as seen."""
    equivalent = [v for v in verdicts if v.verdict in ("survived", "uncovered") and reason_for(v.mutant, entries)]
    left = Counter(v.verdict for v in verdicts if v not in equivalent)
    return Score(len(verdicts), left["killed"], left["timeout"], left["survived"], left["uncovered"], len(equivalent))


def module_rows(verdicts: Sequence[Verdict], made: dict[str, int], entries: Sequence[dict[str, str]]) -> list[Any]:
    """One row per file, and one for all: what `tables/modules.csv` holds."""
    rows = []
    for file in [*sorted(made), "all"]:
        mine = [v for v in verdicts if file in ("all", v.mutant.file)]
        score = score_of(mine, entries)
        low, high = score.interval()
        rows.append({
            "module": file, "made": sum(made.values()) if file == "all" else made[file], "asked": score.asked,
            "killed": score.killed, "timeout": score.timeout, "survived": score.survived,
            "uncovered": score.uncovered, "equivalent": score.equivalent,
            "score_pct": 100.0 * score.share, "low_pct": 100.0 * low, "high_pct": 100.0 * high,
        })  # fmt: skip
    return rows


def mutant_rows(verdicts: Sequence[Verdict], entries: Sequence[dict[str, str]]) -> list[Any]:
    """One row per fault, in the order of the source."""
    ordered = sorted(verdicts, key=lambda v: (v.mutant.file, v.mutant.number))
    return [
        {
            "module": v.mutant.file, "function": v.mutant.function, "line": v.mutant.line, "kind": v.mutant.kind,
            "before": v.mutant.before, "after": v.mutant.after, "verdict": v.verdict, "by": v.by,
            "equivalent": (v.verdict in ("survived", "uncovered") and reason_for(v.mutant, entries)) or "",
        }
        for v in ordered
    ]  # fmt: skip


def page(
    verdicts: Sequence[Verdict],
    made: dict[str, int],
    judges: dict[str, Judges],
    entries: Sequence[dict[str, str]],
    facts: Any,
) -> str:
    """The outcome in words: counts, scores per file, the faults that nobody saw, and what was no judge."""
    rows = module_rows(verdicts, made, entries)
    whole, everything = rows[-1], score_of(verdicts, entries)
    excuses = Counter(why_of(v.mutant, entries) for v in verdicts if v.verdict in ("survived", "uncovered"))
    lines = [
        "# Faults that the tests see",
        "",
        f"Of {whole['made']:,} faults that can be put into the model and the study one at a time, "
        f"{whole['asked']:,} drawn by seed {facts['seed']} were tried: {whole['killed']} killed, "
        f"{whole['timeout']} never came to an end, {whole['survived']} survived, {whole['uncovered']} are in code that "
        f"no judge calls, {whole['equivalent']} cannot be seen: {excuses['same']} change no answer, {excuses['steps']} "
        f"only the work that leads to it, {excuses['chosen']} are numbers that were chosen, not found (each with its "
        "reason in `tests/mutation/equivalent.toml`).",
        "",
        f"**Seen: {whole['score_pct']:.1f} %** of those that can be seen, {100 * everything.raw:.1f} % of all tried "
        f"(95 % interval of the first {whole['low_pct']:.1f} to {whole['high_pct']:.1f}; goal {100 * GOAL:.0f} %). "
        f"{facts['minutes']:.0f} minutes of a core, {facts['jobs']} at a time, "
        f"{sum(len(one.seconds) for one in judges.values())} tests as judges.",
        "",
        "Faults in the model were judged with the model in plain Python, those in the study with the compiled model. "
        "Left out: " + "; ".join(f"`{name}` ({why})" for name, why in LEFT_OUT.items()) + ".",
        "",
        "| module | made | tried | killed | no end | survived | uncovered | equivalent | seen |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for row in rows:
        if row["asked"]:
            lines.append(
                f"| {row['module'].removeprefix('explorer/')} | {row['made']:,} | {row['asked']} | {row['killed']} | "
                f"{row['timeout']} | {row['survived']} | {row['uncovered']} | {row['equivalent']} | "
                f"{row['score_pct']:.0f} % |"
            )
    kinds = Counter(v.mutant.kind for v in verdicts)
    lines += ["", "| kind of fault | tried | seen |", "| --- | ---: | ---: |"]
    for kind in sorted(kinds):
        score = score_of([v for v in verdicts if v.mutant.kind == kind], entries)
        lines.append(f"| {kind} | {score.asked} | {100.0 * score.share:.0f} % |")
    for title, wanted in (("Survivors", ("survived",)), ("In code that no judge calls", ("uncovered",))):
        listed = [v for v in verdicts if v.verdict in wanted and not reason_for(v.mutant, entries)]
        lines += ["", f"## {title}", ""]
        ordered = sorted(listed, key=lambda v: (v.mutant.file, v.mutant.number))
        lines += [
            f"- {v.mutant.file}:{v.mutant.line} {v.mutant.function or '(module)'}: `{v.mutant.before}` -> "
            f"`{v.mutant.after}`"
            for v in ordered
        ] or ["None."]
    lines += ["", "## Excuses that fit nothing any more", ""]
    every = [mutant for file in sorted({entry["file"] for entry in entries} & set(made)) for mutant in mutants_of(file)]
    mine = [entry for entry in entries if entry["file"] in made or not (ROOT / entry["file"]).exists()]
    lines += [f"- {text}" for text in stale(mine, every)] or ["None."]
    for room, one in judges.items():
        lines += ["", f"## No judge of {room}", ""]
        lines += [f"- `{test}`: {why[:160]}" for test, why in sorted(one.unfit.items())] or ["Every test is one."]
    return "\n".join(lines) + "\n"


def write(
    folder: Path, verdicts: Sequence[Verdict], made: dict[str, int], judges: dict[str, Judges], facts: dict[str, Any]
) -> Path:
    """Page and tables into a folder, in place of an earlier outcome; returns the page's path."""
    import pandas as pd

    from explorer.runs.artefacts import RunFolder

    entries = reasons()
    run = RunFolder(folder, overwrite=True)
    run.csv("modules", pd.DataFrame(module_rows(verdicts, made, entries)))
    run.csv("mutants", pd.DataFrame(mutant_rows(verdicts, entries)))
    run.text("report.md", page(verdicts, made, judges, entries, facts))
    run.finish({"study": "mutation", **facts})
    return folder / "report.md"


def default_folder() -> Path:
    """Where the outcome goes."""
    return ROOT / "results" / "mutation"
