"""Which of many curves lie in the middle and which stand out: band depth and the boxplot built on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.types import FloatArray

__all__ = ["ENVELOPE_FROM", "FLAGS_FROM", "Envelope", "band_depth", "envelope"]

ENVELOPE_FROM, FLAGS_FROM = 10, 20  # curves; fewer make no honest envelope, no honest flag


@dataclass(frozen=True)
class Envelope:
    """Functional boxplot of curves on one axis.

    Attributes
    ----------
    depth : array, shape (n,)
        Of each curve [-]; the deepest is the most usual.
    middle : int
        Index of the deepest curve.
    low, high : array, shape (m,)
        Envelope of the deeper half; nan under 10 curves.
    fence_low, fence_high : array, shape (m,)
        That envelope widened by 1.5 times its width on either side.
    outside : tuple of int
        Curves that leave the fences; none flagged under 20 curves.
    """

    depth: FloatArray
    middle: int
    low: FloatArray
    high: FloatArray
    fence_low: FloatArray
    fence_high: FloatArray
    outside: tuple[int, ...]


def band_depth(curves: FloatArray) -> FloatArray:
    """Modified band depth with bands of two curves.

    Parameters
    ----------
    curves : array, shape (n, m)
        n >= 2 curves at m places; no nan.

    Returns
    -------
    array, shape (n,)
        Mean share of the axis on which a curve lies inside the band of two others or itself [-].

    Notes
    -----
    Lopez-Pintado and Romo, JASA 104 (2009) 718, by the ranks of Sun, Genton and Nychka, Stat 1 (2012) 68.
    """
    curves = np.asarray(curves, dtype=float)
    n = len(curves)
    below = np.array([(curves < c).sum(0) for c in curves])
    above = np.array([(curves > c).sum(0) for c in curves])
    pairs = n * (n - 1) / 2
    # a pair misses the curve only when both of its curves lie strictly on one side
    missed = (below * (below - 1) + above * (above - 1)) / 2
    return (1 - missed / pairs).mean(axis=1)


def envelope(curves: FloatArray) -> Envelope:
    """Functional boxplot (Sun and Genton, J. Comput. Graph. Stat. 20 (2011) 316).

    Parameters
    ----------
    curves : array, shape (n, m)
    """
    curves = np.asarray(curves, dtype=float)
    n, m = curves.shape
    depth = band_depth(curves) if n > 1 else np.ones(n)
    order = np.argsort(-depth, kind="stable")
    low = high = np.full(m, np.nan)
    outside: tuple[int, ...] = ()
    if n >= ENVELOPE_FROM:
        half = curves[order[:(n + 1) // 2]]
        low, high = half.min(0), half.max(0)
    reach = 1.5 * (high - low)
    if n >= FLAGS_FROM:
        out = ((curves < low - reach) | (curves > high + reach)).any(axis=1)
        outside = tuple(int(i) for i in np.flatnonzero(out))
    return Envelope(depth, int(order[0]), low, high, low - reach, high + reach, outside)
