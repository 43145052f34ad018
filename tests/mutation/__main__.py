"""The command: watch the tests, draw faults, let the tests judge them, write what came of it."""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from pathlib import Path


def main() -> int:
    """0 when the share seen reaches the goal, 1 when not."""
    asked = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    asked.add_argument("--minutes", type=float, default=20.0, help="of one core, watching the tests included")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--jobs", type=int, default=1, help="workers at a time")
    asked.add_argument("--only", default="", help="files whose name holds this")
    asked.add_argument("--out", type=Path, default=None)
    asked.add_argument("--overwrite", action="store_true", help="replace the finished outcome in the folder")
    options = asked.parse_args()
    if os.environ.get("PYTHONHASHSEED") != "0":  # these are read when Python and the libraries start
        one = dict.fromkeys(("NUMBA_NUM_THREADS", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")
        command = [sys.executable, "-m", "tests.mutation", *sys.argv[1:]]
        os.execve(sys.executable, command, os.environ | one | {"PYTHONHASHSEED": "0"})

    from tests.mutation import judge, mutants, outcome, workers

    folder = options.out or outcome.default_folder()
    if (folder / "run.json").exists() and not options.overwrite:  # before the work, not after it
        print(f"{folder} holds a finished run: --overwrite makes it again, --out names another folder", file=sys.stderr)
        return 2
    judge.preload()
    files = mutants.files_of(options.only)
    faults = mutants.drawn(files, options.seed)
    if not faults:
        print(f"no file of the model or the study holds {options.only!r}", file=sys.stderr)
        return 2
    rooms = sorted({fault.file.rpartition("/")[0] for fault in faults})
    judges = {
        room: judge.watch_tests(judge.PATHS[room], options.jobs, compiled=room != "explorer/model") for room in rooms
    }
    for room, found in judges.items():
        print(f"{room}: {len(found.seconds)} judges, {len(found.unfit)} tests are none", flush=True)
    verdicts = []
    try:
        for verdict in judge.judged(faults, judges, options.jobs, 60.0 * options.minutes):
            verdicts.append(verdict)
            if verdict.verdict in ("survived", "uncovered"):
                print(f"{len(verdicts)}: {verdict.verdict} {verdict.mutant}", flush=True)
    except KeyboardInterrupt:
        print("stopped: what was found so far is written", file=sys.stderr)
    facts = {"seed": options.seed, "jobs": options.jobs, "minutes": round(workers.used() / 60.0, 1)}
    made = Counter(fault.file for fault in faults)
    path = outcome.write(folder, verdicts, dict(made), judges, facts)
    score = outcome.score_of(verdicts, outcome.reasons())
    low, high = score.interval()
    print(f"{score}; seen {100 * score.share:.1f} % ({100 * low:.1f} to {100 * high:.1f}); {path}")
    return 0 if score.share >= outcome.GOAL else 1


if __name__ == "__main__":
    sys.exit(main())
