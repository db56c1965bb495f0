"""The first look at a thing: pictures of it that were alike for a while, with which later ones are compared."""

from __future__ import annotations

from typing import Generic, TypeVar

import numpy as np

from vision.parts.patch import look_at
from vision.types import FloatArray

__all__ = ["FirstLook", "looks_around", "slopes_of"]

_FIRST_S, _FIRST_FRAMES = 0.4, 8  # for which, and in so many pictures, nothing must change [convention]
_STILL_GREY = 4.0  # mean change of grey levels that still counts as none [convention]

Kept = TypeVar("Kept")


class FirstLook(Generic[Kept]):
    """Gathers looks in order of time, each with what is kept of it."""

    def __init__(self) -> None:
        self._looks: list[tuple[float, FloatArray, Kept]] = []

    def clear(self) -> None:
        """Begin again."""
        self._looks = []

    def take(self, t_s: float, grey: FloatArray, kept: Kept) -> list[Kept] | None:
        """Take one look in; what was kept of all of them once they have been alike for long enough, else None.

        Parameters
        ----------
        grey : array
            Grey levels, by which looks are alike; of another shape than the first ones it begins again.
        """
        if self._looks:
            first = self._looks[0][1]
            if grey.shape != first.shape or np.abs(grey - first).mean() > _STILL_GREY:
                self.clear()
        self._looks.append((t_s, grey, kept))
        if t_s - self._looks[0][0] < _FIRST_S or len(self._looks) < _FIRST_FRAMES:
            return None
        return [kept for _, _, kept in self._looks]


def looks_around(
    picture: np.ndarray, px_from_mm: FloatArray, points_mm: FloatArray, px_per_mm: float
) -> FloatArray:
    """Grey levels at points, then half a pixel along +x, -x, +y, -y from them, (5, n); as `look_at` gives them."""
    off = 0.5 / px_per_mm
    ways = ((0.0, 0.0), (off, 0.0), (-off, 0.0), (0.0, off), (0.0, -off))
    return np.array([look_at(picture, px_from_mm, points_mm, np.array([*way, 0.0])) for way in ways])


def slopes_of(looks: FloatArray, px_per_mm: float) -> FloatArray:
    """Change of grey level per mm along x and y, (2, n), from several `looks_around` (frames, 5, n)."""
    return (looks[:, 1:5:2] - looks[:, 2:5:2]).mean(0) * px_per_mm
