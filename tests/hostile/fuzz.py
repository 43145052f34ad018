"""Hundreds of thousands of broken studies through the door: `python tests/hostile/fuzz.py COUNT [FIRST] [WORKERS]`.

A finding names its number: `through(broken(number))` asks it again.
"""

from __future__ import annotations

import sys
import tempfile
import time
import tomllib
import traceback
from collections import Counter
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

from door import ask, in_depth, put, through
from mutations import broken, texts

from explorer.inputs import source

BATCH = 500
DEEP_EVERY = 400
"""One in so many numbers is asked everything, where its study can be read."""


def one(number: int) -> tuple[str, str, float]:
    """(what came of it, the finding in words or "", seconds)."""
    try:
        answer = through(broken(number))
        if answer.study is not None and number % DEEP_EVERY == 0:
            in_depth(answer.study)
            return "asked everything", "", answer.seconds
        return f"exit {answer.code}", "", answer.seconds
    except Exception as fault:
        place = traceback.extract_tb(fault.__traceback__)[-1]
        return (
            "finding",
            f"{number}: {type(fault).__name__} at {place.filename}:{place.lineno}: {str(fault)[:300]}",
            0.0,
        )


def batch(first: int) -> tuple[Counter[str], list[str], float]:
    """`BATCH` inputs: how they ended, the findings, and the slowest answer [s]."""
    answers = [one(number) for number in range(first, first + BATCH)]
    return Counter(kind for kind, _, _ in answers), [told for _, told, _ in answers if told], max(a[2] for a in answers)


def warm() -> None:
    """The compiled model loaded before anything is timed. Most files of an input are as shipped: the two pure functions
    that take them apart remember a few texts, which halves the work and changes nothing."""
    tomllib.loads = lru_cache(maxsize=64)(tomllib.loads)  # type: ignore[assignment]
    source.key_lines = lru_cache(maxsize=64)(source.key_lines)  # type: ignore[assignment]
    ask(put(dict(texts("starter")), Path(tempfile.mkdtemp())))


def fuzz(count: int, first: int = 0, workers: int = 2) -> tuple[Counter[str], list[str], float]:
    """`count` inputs on worker processes: how they ended, the findings, and the slowest answer [s]."""
    ends: Counter[str] = Counter()
    findings: list[str] = []
    slowest = 0.0
    with get_context("spawn").Pool(workers, warm, maxtasksperchild=40) as pool:
        for counted, told, slow in pool.imap_unordered(batch, range(first, first + count, BATCH)):
            ends += counted
            findings += told
            slowest = max(slowest, slow)
            if sum(ends.values()) % (20 * BATCH) == 0:
                print(f"{sum(ends.values()):,} inputs, {len(findings)} findings", flush=True)
            for line in told:
                print(line, flush=True)
    return ends, findings, slowest


def main() -> int:
    """Report count, ends, findings and time."""
    given = [int(text) for text in sys.argv[1:]]
    count, first, workers = (given + [0, 0, 2][len(given) :])[:3]
    if not count:
        print(__doc__)
        return 2
    begun = time.monotonic()
    ends, findings, slowest = fuzz(count, first, workers)
    spent = time.monotonic() - begun
    print(f"{sum(ends.values()):,} inputs in {spent:.0f} s, slowest {slowest:.2f} s: {dict(ends)}")
    print(f"{len(findings)} findings")
    return 1 if findings else 0


if __name__ == "__main__":
    raise SystemExit(main())
