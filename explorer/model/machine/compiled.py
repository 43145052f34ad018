"""How functions are compiled: those that Python calls, and those that only other compiled functions call."""

import zlib
from collections.abc import Callable
from typing import Any

import llvmlite.binding as llvm
import numba
from numba.core.codegen import JITCodeLibrary
from numba.core.compiler import Compiler

from explorer.model import CACHE_FOLDER


class _Linked(JITCodeLibrary):
    """Code that is only ever linked into other code, where it is optimised and made machine code of: done here too,
    as numba does, that takes a third of the cold compile time and changes no byte of an answer."""

    def _optimize_final_module(self):
        pass

    def _finalize_final_module(self):
        self._finalize_dynamic_globals()
        self._finalized = True

    def get_pointer_to_function(self, name):
        self._ensure_finalized()
        return 0

    @property
    def codegen(self):
        return self

    def set_env(self, name, env):
        """There is no machine code to set numba's environment in."""


class _LinkedCompiler(Compiler):
    def define_pipelines(self):
        self.state.library = _Linked(self.state.targetctx.codegen(), self.state.func_id.func_qualname)
        return super().define_pipelines()


def njit(*, cache: bool = False, **options: Any) -> Callable[..., Any]:
    """As numba's decorator; `cache=True` keeps a function on disk only where there is a folder of this user alone."""
    return numba.njit(cache=cache and CACHE_FOLDER is not None, **options)


inner = njit(error_model="numpy", no_cpython_wrapper=True, no_cfunc_wrapper=True, pipeline_class=_LinkedCompiler)
"""As elsewhere in this package, without the entry points for Python, a quarter of the cold compile time, and not kept
on disk: the kernel that is kept holds all it calls.

Call such a function from compiled code only: from Python, with compilation on, it ends the process without a message.
"""

woven = njit(
    error_model="numpy",
    no_cpython_wrapper=True,
    no_cfunc_wrapper=True,
    pipeline_class=_LinkedCompiler,
    forceinline=True,
)
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
