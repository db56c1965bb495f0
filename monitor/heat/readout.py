"""Reads a region's hottest point between the cells of a face, so that it hardly hangs on where they lie."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = ["Readout", "readout"]

FloatArray = NDArray[np.float64]

ALONG_RIM, ACROSS = 32, 5  # points on the rim, and in each direction within; a region is hottest where the jet is near


@dataclass(frozen=True)
class Readout:
    """The four cells around every point, flat, and their weights, each (4, points)."""

    cells: NDArray[np.int64]
    weights: FloatArray

    def hottest(self, face_c: FloatArray) -> FloatArray:
        """Highest temperature of a face (cells, members) over the points, shape (members,) [C]."""
        return np.einsum("kp,kpm->pm", self.weights, face_c[self.cells]).max(axis=0)


def readout(polygon: shapely.Polygon, x_m: FloatArray, y_m: FloatArray) -> Readout:
    """Points on the rim of a region and within it, on a grid of cell centres; beyond the outermost ones they count."""
    rim = [polygon.exterior.interpolate(share, normalized=True) for share in np.arange(ALONG_RIM) / ALONG_RIM]
    x1, y1, x2, y2 = polygon.bounds
    inner = shapely.points(*np.meshgrid(np.linspace(x1, x2, ACROSS + 2)[1:-1], np.linspace(y1, y2, ACROSS + 2)[1:-1]))
    points = np.concatenate([shapely.get_coordinates(rim), shapely.get_coordinates(inner[polygon.contains(inner)])])
    (i, along), (j, across) = _between(x_m, points[:, 0]), _between(y_m, points[:, 1])
    cells = [(j + dj) * x_m.size + i + di for dj in (0, 1) for di in (0, 1)]
    weights = [wy * wx for wy in (1 - across, across) for wx in (1 - along, along)]
    return Readout(np.array(cells), np.array(weights))


def _between(centres_m: FloatArray, at_m: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """The cell before every coordinate, and how far on the way to the next it lies."""
    k = np.clip(np.searchsorted(centres_m, at_m) - 1, 0, max(centres_m.size - 2, 0))
    step = centres_m[np.minimum(k + 1, centres_m.size - 1)] - centres_m[k]
    return k, np.clip((at_m - centres_m[k]) / np.where(step > 0, step, 1.0), 0.0, 1.0)
