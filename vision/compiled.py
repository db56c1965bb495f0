"""Compiled functions that are kept on disk where there is room for them, and work without: slower to start, said
once.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import numba

__all__ = ["njit", "put"]

Function = Callable[..., Any]
_told = [False]


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


@njit(cache=True, nogil=True)
def put(values, out):
    """out[:] = values, both of one length: in compiled code an assignment to a slice brings along, wherever it stands,
    the text of what went wrong, copying for what overlaps, and half a second of compiling."""
    for k in range(len(out)):
        out[k] = values[k]


def _tell() -> None:
    if not _told[0] and sys.stderr is not None:
        print(  # noqa: T201  a word to the user, once
            "plumeline: no folder can be written to for compiled code, so every start takes longer; name one in "
            "NUMBA_CACHE_DIR", file=sys.stderr)
    _told[0] = True
