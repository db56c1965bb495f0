"""Compiled functions that are kept on disk where there is room for them, and work without: slower to start, said
once. And what makes numba start faster, and its code run faster.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import numba
from numba.core.compiler import CompilerBase, DefaultPassBuilder

__all__ = ["Apart", "njit", "put"]

Function = Callable[..., Any]
_announced = [False]


def njit(**options: Any) -> Callable[[Function], Function]:
    """As numba's own; where neither the package nor the home can be written to, what is compiled is not kept."""
    def compiled(function: Function) -> Function:
        try:
            return numba.njit(**options)(function)
        except RuntimeError as fault:
            if "locator" not in str(fault):
                raise
            _tell()
            return numba.njit(**{name: value for name, value in options.items() if name != "cache"})(function)
    return compiled


class Apart(CompilerBase):
    """A pipeline for functions of which no array that they write to overlaps another that they are given.

    Without that promise every inner loop first compares the addresses of all its arrays: a fifth of the time where
    loops are short. The results are the same to the last bit. Use as `njit(pipeline_class=Apart)`.
    """

    def define_pipelines(self) -> list[Any]:
        """Numba's own, with the promise."""
        self.state.flags.noalias = True
        return [DefaultPassBuilder.define_nopython_pipeline(self.state)]


def _tell() -> None:
    if not _announced[0] and sys.stderr is not None:
        print(  # noqa: T201  a word to the user, once
            "plumeline: no folder can be written to for compiled code, so every start takes longer; name one in "
            "NUMBA_CACHE_DIR", file=sys.stderr)
    _announced[0] = True


@njit(cache=True, nogil=True)
def put(values, out):
    """out[:] = values, both of one length: in compiled code an assignment to a slice brings along, wherever it stands,
    the text of what went wrong, copying for what overlaps, and half a second of compiling."""
    for k in range(len(out)):
        out[k] = values[k]


def _start_without_blas() -> None:
    """Keep numba from loading scipy.linalg at its start, a fifth of a second: only np.cov in compiled code asks for it
    beforehand. What needs it later loads it then.
    """
    blas = "scipy.linalg.cython_blas"
    if blas in sys.modules:
        return
    sys.modules[blas] = None  # type: ignore[assignment]  # importing it fails, which numba allows for
    try:
        import numba.np.arraymath  # noqa: F401
    finally:
        del sys.modules[blas]


_start_without_blas()
