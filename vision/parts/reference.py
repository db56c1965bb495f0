"""The reference of a thing: views of it that were alike for a while, with which later ones are compared."""

from __future__ import annotations

from typing import Generic, TypeVar

import numpy as np

from vision.parts.gates import STAYS_S, STILL_GREY
from vision.parts.patch import grey_at
from vision.types import FloatArray

__all__ = ["ReferenceViews", "grey_around", "slopes_of"]

_FIRST_FRAMES = 8  # that a first view takes at least, however slow the camera [convention]

Kept = TypeVar("Kept")


class ReferenceViews(Generic[Kept]):
    """Gathers views in order of time, each with what is kept of it."""

    def __init__(self) -> None:
        self._views: list[tuple[float, FloatArray, Kept]] = []

    def clear(self) -> None:
        """Begin again."""
        self._views = []

    def take(self, t_s: float, grey: FloatArray, kept: Kept) -> list[Kept] | None:
        """Take one view in; what was kept of all of them once they have been alike for long enough, else None.

        Parameters
        ----------
        grey : array
            Grey levels, by which views are alike; of another shape than the first ones it begins again.
        """
        if self._views:
            first = self._views[0][1]
            if grey.shape != first.shape or np.abs(grey - first).mean() > STILL_GREY:
                self.clear()
        self._views.append((t_s, grey, kept))
        if t_s - self._views[0][0] < STAYS_S or len(self._views) < _FIRST_FRAMES:
            return None
        return [kept for _, _, kept in self._views]


def grey_around(
    picture: np.ndarray, px_from_mm: FloatArray, points_mm: FloatArray, px_per_mm: float
) -> FloatArray:
    """Grey levels at points, then half a pixel along +x, -x, +y, -y from them, (5, n); as `grey_at` gives them."""
    off = 0.5 / px_per_mm
    steps = ((0.0, 0.0), (off, 0.0), (-off, 0.0), (0.0, off), (0.0, -off))
    return np.array([grey_at(picture, px_from_mm, points_mm, np.array([*step, 0.0])) for step in steps])


def slopes_of(views: FloatArray, px_per_mm: float) -> FloatArray:
    """Change of grey level per mm along x and y, (2, n), from several `grey_around` (frames, 5, n)."""
    return (views[:, 1:5:2] - views[:, 2:5:2]).mean(0) * px_per_mm
