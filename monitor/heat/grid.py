"""Graded one-dimensional grids: fine where asked, growing gently elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["graded_edges", "overlap_share"]

FloatArray = NDArray[np.float64]


def graded_edges(fixed_m: Sequence[float], fine_m: Sequence[tuple[float, float, float]], *, coarsest_m: float,
                 growth: float = 0.3) -> FloatArray:
    """Cell edges that include every fixed coordinate.

    Parameters
    ----------
    fixed_m : sequence of float
        Coordinates that must be edges; the first and last bound the grid [m].
    fine_m : sequence of (from, to, size)
        Wanted cell size within an interval [m].
    coarsest_m : float
        Largest cell size [m].
    growth : float
        Increase of the wanted size per unit of distance from a fine interval [-].
    """
    bounds = np.unique(np.asarray(fixed_m, dtype=float))
    pieces = [bounds[:1]]
    for lo, hi in pairwise(bounds):
        pieces.append(_piece(lo, hi, fine_m, coarsest_m, growth))
    return np.concatenate(pieces)


def overlap_share(edges_m: FloatArray, lo_m: float, hi_m: float) -> FloatArray:
    """Share of each cell that lies between two coordinates, shape (n_cells,) [-]."""
    covered = np.minimum(edges_m[1:], hi_m) - np.maximum(edges_m[:-1], lo_m)
    return np.clip(covered / np.diff(edges_m), 0.0, 1.0)


def _piece(lo: float, hi: float, fine_m: Sequence[tuple[float, float, float]], coarsest_m: float,
           growth: float) -> FloatArray:
    """Edges after lo up to hi, with a constant integral of 1/size from edge to edge."""
    x = np.linspace(lo, hi, 801)
    size = np.full_like(x, coarsest_m)
    for a, b, wanted in fine_m:
        size = np.minimum(size, wanted + growth * np.maximum(np.maximum(a - x, x - b), 0.0))
    count = np.concatenate([[0.0], np.cumsum(np.diff(x) * 0.5 * (1 / size[:-1] + 1 / size[1:]))])
    n_cells = max(1, round(float(count[-1])))
    edges = np.interp(np.linspace(0.0, count[-1], n_cells + 1), count, x)
    edges[-1] = hi
    return edges[1:]
