"""How functions are compiled: those that Python calls, and those that only other compiled functions call."""

import zlib
from collections.abc import Callable
from typing import Any

import llvmlite.binding as llvm
import numba

from explorer.model import CACHE_FOLDER


def njit(*, cache: bool = False, **options: Any) -> Callable[..., Any]:
    """As numba's decorator; `cache=True` keeps a function on disk only where there is a folder of this user alone."""
    return numba.njit(cache=cache and CACHE_FOLDER is not None, **options)


inner = njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True)
"""As elsewhere in this package, without the entry points for Python, a quarter of the cold compile time, and not kept
on disk: the kernel that is kept holds all it calls.

Call such a function from compiled code only: from Python, with compilation on, it ends the process without a message.
"""

woven = njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True, forceinline=True)
"""As `inner`, laid into its callers: a path's constants are forty lanes, which a call would copy every time."""

spliced = njit(error_model="numpy", inline="always")
"""As `woven`, but laid into its one caller before compilation: a large function is then optimised once, not twice."""


def processor() -> str:
    """The processor that functions are compiled for: another one may round a last digit differently."""
    return f"{llvm.get_host_cpu_name()} with {hash_of_features()}"


def hash_of_features() -> str:
    """The processor's abilities as one short number.

    >>> len(hash_of_features())
    8
    """
    return f"{zlib.crc32(llvm.get_host_cpu_features().flatten().encode()):08x}"
