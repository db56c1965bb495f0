"""The one way in which monitor compiles functions."""

from vision.compiled import Apart, njit

__all__ = ["Apart", "njit"]
