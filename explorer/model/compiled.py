"""How functions that only other compiled functions call are compiled."""

from numba import njit

inner = njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
"""As elsewhere in this package, without the entry points for Python, a quarter of the cold compile time, and not kept
on disk: the kernel that is kept holds all it calls.

Call such a function from compiled code only: from Python, with compilation on, it ends the process without a message.
"""

woven = njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True, forceinline=True)
"""As `inner`, laid into its callers: a path's constants are forty lanes, which a call would copy every time."""
