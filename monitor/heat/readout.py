"""Reads faces of the board: a region's hottest point between the cells, so that it hardly hangs on where they lie,
and means over cells.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from monitor.compiled import njit

__all__ = ["Readout", "highest", "readout", "weighted", "weighted_product"]

FloatArray = NDArray[np.float64]
# numpy makes copies first: ten times slower. Calls so short keep Python's lock: to get it back may take longer.
_compiled = njit(cache=True, error_model="numpy")

ALONG_RIM, ACROSS = 32, 5  # points on the rim, and in each direction within; a region is hottest where the jet is near


@dataclass(frozen=True)
class Readout:
    """The four cells around every point, flat, and their weights, each (4, points)."""

    cells: NDArray[np.int64]
    weights: FloatArray

    def hottest(self, face_c: FloatArray) -> FloatArray:
        """Highest temperature of a face (cells, members) over the points, shape (members,) [C]."""
        return _hottest(face_c, self.cells, self.weights)


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


@_compiled
def highest(face, cells):
    """Highest value of a face (cells, members) over some of its cells, shape (members,)."""
    out = np.full(face.shape[1], -np.inf)
    for cell in cells:
        for m in range(out.size):
            out[m] = max(out[m], face[cell, m])
    return out


@_compiled
def weighted(face, cells, weights):
    """Weighted sum of a face (cells, members) over some of its cells, shape (members,)."""
    out = np.zeros(face.shape[1])
    for n in range(cells.size):
        for m in range(out.size):
            out[m] += weights[n] * face[cells[n], m]
    return out


@_compiled
def weighted_product(first, second, cells, weights):
    """Weighted sums of a face, and of its product with another, shape (2, members)."""
    out = np.zeros((2, first.shape[1]))
    for n in range(cells.size):
        for m in range(first.shape[1]):
            part = weights[n] * first[cells[n], m]
            out[0, m] += part
            out[1, m] += part * second[cells[n], m]
    return out


@_compiled
def _hottest(face, cells, weights):
    out, here = np.full(face.shape[1], -np.inf), np.empty(face.shape[1])
    for p in range(cells.shape[1]):
        here[:] = 0.0
        for k in range(cells.shape[0]):
            for m in range(out.size):
                here[m] += weights[k, p] * face[cells[k, p], m]
        for m in range(out.size):
            out[m] = max(out[m], here[m])
    return out
