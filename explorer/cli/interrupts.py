"""Ctrl-C ends the program within two seconds, a second one at once, whatever it is doing.

Python raises KeyboardInterrupt between two of its own steps only; a compiler or a solver may keep it from there for
many seconds. So the system's signal also wakes a thread that ends the process when it has not ended by itself. That
loses nothing: every kept answer is on the disk before the next one is begun (`kept`).
"""

from __future__ import annotations

import os
import signal
import sys
import threading

from explorer.cli.terminal import INTERRUPTED, INTERRUPTED_WORDS

GRACE = 1.0
"""From the first Ctrl-C to the end of a process that does not end by itself. [s]"""


def end_promptly() -> None:
    """Watch for Ctrl-C from now to the end of the process. Call it once, in the main thread."""
    read, write = os.pipe()
    os.set_blocking(write, False)
    signal.set_wakeup_fd(write, warn_on_full_buffer=False)
    threading.Thread(target=_watch, args=(read,), daemon=True, name="interrupts").start()
    sys.unraisablehook = _unraised


def _unraised(fault: sys.UnraisableHookArgs) -> None:
    """Tell what could not be raised, but not Ctrl-C: in a compiler's callback it is lost, and `_end` speaks for it."""
    if not issubclass(fault.exc_type, KeyboardInterrupt):
        sys.__unraisablehook__(fault)


def _watch(pipe: int) -> None:
    seen = 0
    while numbers := os.read(pipe, 64):
        for number in numbers:
            if number != signal.SIGINT:
                continue
            seen += 1
            if seen > 1:
                os._exit(INTERRUPTED)
            late = threading.Timer(GRACE, _end)
            late.daemon = True
            late.start()


def _end() -> None:
    if sys.stderr.isatty():
        os.write(2, b"\x1b[?25h\n")  # a progress bar hides the cursor
    os.write(2, (INTERRUPTED_WORDS + "\n").encode())
    os._exit(INTERRUPTED)
