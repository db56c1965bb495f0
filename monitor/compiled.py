"""The one way in which monitor compiles functions."""

from vision.compiled import njit

__all__ = ["njit"]
