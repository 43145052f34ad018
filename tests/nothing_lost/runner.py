"""Runs the small study in processes that can be killed: started once, it loads everything and then forks a child for
each line of JSON it reads, and answers with a line that says how the child ended.

`out` the folder; `resume`, `overwrite`; `kill_at` N: the child kills itself with SIGKILL around the Nth operation on
the disk (before it where `before`, else after it), `kinds` says which are counted; `fail_at` N: that operation is
refused with `error`; `kill_after_cpu_s`: the system kills it with SIGPROF once it has used so many seconds of a core.
The answer holds `signal` or `exit`, `cpu_s` (seconds of a core), `error` (what the child raised), `told` (its remarks)
and the `operations` it did.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from nothing_lost import small_run  # noqa: E402

from explorer.domain.errors import ExplorerError  # noqa: E402
from explorer.flow import run_study  # noqa: E402, F401
from explorer.inputs.load import LoadedStudy, load_study  # noqa: E402
from explorer.runs import disk  # noqa: E402
from explorer.study.everything.evaluate import table_of  # noqa: E402


class Operations:
    """Counts what is done to the disk, and lets one operation go wrong."""

    def __init__(self, wish: dict[str, Any]) -> None:
        self.done = 0
        self._wish = wish
        for name in wish.get("kinds", ("put", "sync", "rename")):
            setattr(disk, name, self._counted(getattr(disk, name)))

    def _counted(self, real: Any) -> Any:
        def operation(*words: Any) -> Any:
            self.done += 1
            wish = self._wish
            if self.done == wish.get("fail_at"):
                raise OSError(wish["error"], os.strerror(wish["error"]))
            struck = self.done == wish.get("kill_at")
            if struck and wish.get("before"):
                os.kill(os.getpid(), signal.SIGKILL)
            found = real(*words)
            if struck:
                os.kill(os.getpid(), signal.SIGKILL)
            return found

        return operation


def child(study: LoadedStudy, wish: dict[str, Any], answers: int) -> None:
    operations = Operations(wish)
    told: list[str] = []
    told_of: dict[str, Any] = {"error": ""}
    if "kill_after_cpu_s" in wish:
        signal.signal(signal.SIGPROF, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_PROF, max(wish["kill_after_cpu_s"], 1e-4))
    try:
        how = {name: bool(wish.get(name)) for name in ("resume", "overwrite")}
        small_run.run(study, Path(wish["out"]), tell=told.append, **how)
    except ExplorerError as fault:
        told_of["error"] = str(fault)
    os.write(answers, json.dumps(told_of | {"operations": operations.done, "told": told}).encode())
    os._exit(0)


def serve(study: LoadedStudy) -> None:
    for line in sys.stdin:
        wish = json.loads(line)
        read, write = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(read)
            child(study, wish, write)
        os.close(write)
        text = b""
        while block := os.read(read, 65536):
            text += block
        os.close(read)
        _, status, used = os.wait4(pid, 0)
        ended = {"signal": os.WTERMSIG(status)} if os.WIFSIGNALED(status) else {"exit": os.WEXITSTATUS(status)}
        spent = {"cpu_s": used.ru_utime + used.ru_stime}
        print(json.dumps({**ended, **spent, **(json.loads(text) if text else {})}), flush=True)


if __name__ == "__main__":
    loaded = load_study(sys.argv[1])
    table_of(loaded.space, loaded.space.positions(0, 1))  # compiled code is loaded once, before the forks
    print("ready", flush=True)
    serve(loaded)
