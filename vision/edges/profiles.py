"""How edges look in cuts of a picture: a blurred step, at rest or travelling while the shutter is open, tabled once for
all.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from vision.compiled import njit
from vision.edges.cuts import CutGrid
from vision.types import FloatArray

__all__ = ["BLUR_PX", "SAMPLING_PX", "COLOUR_BLUR_PX", "FINE", "LANES", "FLAT_LANES", "EdgeTables", "tables_of",
           "profile_of"]

# of a sharp edge in a camera's picture, lens, pixel and compression together [common practice, no source]
BLUR_PX = 0.8
SAMPLING_PX = 6.0 ** -0.5  # blur that reading between pixels adds: sigma of a triangle two pixels wide [derived]
COLOUR_BLUR_PX = 0.9  # that colours have beside that of brightness: codecs keep them at half the size [trial]
FINE = 6  # edges are tried at this part of the samples' distance [convention]
# half a rough window, beside the way of what travels; and how far edges are found at least [convention]
_ROUGH_PX, _LEAST_REACH_PX = 2.5, 3.0


class _Steps(NamedTuple):
    """Pixels from one to the next that are tabled, and which steps are."""

    px: float
    first: int
    last: int


_BLURS, _TRAVELS = _Steps(0.025, 25, 160), _Steps(0.25, 1, 56)  # travels while the shutter is open [convention]

# Sums over a window are of products of what a sample carries (`likelihood.weigh`) and what an edge gives it
# (_blurred_edge), lane by lane:    0- 3  w b, w                               times q (1 - q)           2, 3    w v, w
# times q    4- 5  w b b, w b                           times (1 - q) (1 - q)     6, 7    w b v, w v        times 1 - q
#    8-10  w b of either colour, and w          times q (1 - q)           11-13   w v of them, w    times q
#   14     w b b of both                        times (1 - q) (1 - q)     15      w b v of both     times 1 - q
#   16-18  w b, w v, w                          times r (1 - q), r, r (1 - q)
#   19-20  w, w                                 times r q, r r
#   21-26  w b and w v of either colour, w, w   times r (1 - q), r, r q, r r
#   27     w v v of all, not for an edge
# where w is the sample's weight, b the background, v the picture, q the share of the inside and r the depth into it;
# brightness first, then the colours, whose edge is softer. Few wide lanes are several times as fast as many single
# sums.
LANES, FLAT_LANES = 28, 16  # the flat ones have no r


def _blurred_edge(x_px: FloatArray, blur_px: float, travel_px: float) -> FloatArray:
    """What an edge at 0 gives to samples at x, shape (..., LANES)."""
    with np.errstate(under="ignore"):
        (q, r), (cq, cr) = (_share_and_depth(x_px, b, travel_px)
                            for b in (blur_px, math.hypot(blur_px, COLOUR_BLUR_PX)))
        o, co, none = 1 - q, 1 - cq, np.zeros_like(q)
        return np.stack([q * o, q * o, q, q, o * o, o * o, o, o, *[cq * co] * 3, *[cq] * 3, co * co, co, r * o, r,
                         r * o, r * q, r * r, *[cr * co] * 2, *[cr] * 2, cr * cq, cr * cr, none], -1)


def _share_and_depth(x_px: FloatArray, blur_px: float, travel_px: float) -> tuple[FloatArray, FloatArray]:
    """Share of the inside in samples at x from an edge about 0, and the depth into it: the share of all that lies
    further out, summed. While the shutter is open the edge goes evenly from one side of 0 to the other."""
    if travel_px == 0.0:
        return _sums_of_share(x_px, blur_px)[:2]
    (_, before, far_before), (_, after, far_after) = (_sums_of_share(x_px + travel, blur_px)
                                                      for travel in (-travel_px / 2, travel_px / 2))
    return (before - after) / travel_px, (far_before - far_after) / travel_px


def _sums_of_share(x_px: FloatArray, blur_px: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Share of the inside at x from a resting edge at 0, its integral from x outwards, and that one's."""
    z = x_px / blur_px
    share, bell = ndtr(-z), np.exp(-0.5 * z ** 2) / np.sqrt(2 * np.pi)
    return share, blur_px * (bell - z * share), 0.5 * blur_px ** 2 * ((z ** 2 + 1) * share - z * bell)


class EdgeTables(NamedTuple):
    """What edges look like on a grid of m samples, for every blur that is tried, then for every way that they may
    travel.

    Attributes
    ----------
    step_px : float
    offsets_px : array, shape (m,)
        Positions of the samples.
    flank : array, shape (blurs,), int
        Samples of the rough window on either side of the edge: as many, since a lopsided one favours edges away from
        the truth.
    rough : array, shape (blurs, samples, LANES)
        A blurred edge along the rough window.
    clear : array, shape (blurs,), int
        The first sample of that window where it has ended.
    fine : array, shape (blurs, FINE, 2 m + 1, LANES)
        The same along a cut, in steps and at FINE places between them.
    blurs : array, shape (blurs,)
        Their sigmas, reading included.
    half_travels_px : array, shape (blurs,)
        How far they go from the middle of their way; 0 of those at rest.
    """

    step_px: float
    offsets_px: np.ndarray
    flank: np.ndarray
    rough: np.ndarray
    clear: np.ndarray
    fine: np.ndarray
    blurs: np.ndarray
    half_travels_px: np.ndarray


@lru_cache
def tables_of(grid: CutGrid) -> EdgeTables:
    """The tables for a grid."""
    off, step = grid.offsets_px, grid.step_px
    m = len(off)
    profiles = [(_BLURS.px * k, 0.0) for k in range(_BLURS.first, _BLURS.last + 1)]
    profiles += [(math.hypot(BLUR_PX, SAMPLING_PX), _TRAVELS.px * k) for k in range(_TRAVELS.first, _TRAVELS.last + 1)]
    blurs = np.array([math.hypot(blur, travel / math.sqrt(12)) for blur, travel in profiles])
    half_travels = np.array([travel / 2 for _, travel in profiles])
    flank = np.round(np.minimum(_ROUGH_PX + half_travels, max(off[-1] - _LEAST_REACH_PX, _ROUGH_PX))
                     / step).astype(np.int64)
    rough = np.zeros((len(profiles), 2 * flank.max() + 1, LANES))
    for its, profile, n in zip(rough, profiles, flank, strict=True):
        its[:2 * n + 1] = _blurred_edge(np.arange(-n, n + 1) * step, *profile)
    clear = np.minimum(flank + np.round(1.5 * blurs / step).astype(np.int64), 2 * flank - 1)
    between = np.arange(FINE)[:, None] * step / FINE
    fine = np.array([_blurred_edge(np.arange(-m, m + 1) * step - between, *profile) for profile in profiles])
    return EdgeTables(step, off, flank, rough, clear, fine, blurs, half_travels)


@njit(cache=True, nogil=True)
def profile_of(blur_px, travel_px):
    """Which of the tables' edges has that blur in the picture, or, where it travels at all, goes so far."""
    travel = round(travel_px / _TRAVELS.px)
    if travel > 0:
        return _BLURS.last - _BLURS.first + min(travel, _TRAVELS.last)
    return min(max(round(math.hypot(blur_px, SAMPLING_PX) / _BLURS.px), _BLURS.first), _BLURS.last) - _BLURS.first
