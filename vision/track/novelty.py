"""What of a picture is not the bench: where something is, and the edges that the bench does not have."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.bench.background import MASK_SCALE
from vision.compiled import njit
from vision.edges.cuts import brightest, linear_light
from vision.fit.pose import Picture

__all__ = ["ALIKE_PX", "CLOSE_PX", "HALF", "ANGLES", "NewEdges", "is_bare", "new_edges", "tool_mask"]

_SPECK = 25  # quarter-size pixels below which a piece of the mask is noise [convention]
# edges are looked for at this part of the size, by so many directions, and in the
# logarithm of the light and so much more, which keeps noise in the dark from counting [trial]
HALF, ANGLES, _DARK = 2, 6, 0.04
# share of the bench's own contrast by which picture and bench may differ: neither registration nor sharpness is exact
# [trial]
_EDGE_SHARE = 0.15
_EDGE_SHARE_SMALL = 0.1  # the same in a quarter-size picture [trial]
# an edge of the picture without the bench's is at most so much more than the picture's own: what is missing makes none
# [trial]
_SHOWN = 1.5
# an edge this near speaks for an outline, at first, whence distances are told as far, and of settled poses [trial]
ALIKE_PX, CLOSE_PX = 6.0, 3.0
_AWAY_PX = np.float32(HALF) * np.hypot(*np.mgrid[:ALIKE_PX // HALF + 1, :ALIKE_PX // HALF + 1]).astype(np.float32)


def tool_mask(picture: Picture) -> tuple[np.ndarray, np.ndarray]:
    """Where the picture is neither the bench nor the bench in shadow, quarter size, uint8, 0 or 255: loosely and
    strictly.

    A shadow scales all channels alike, not below about a third, and its strength changes slowly across the picture;
    what does more than that is a thing. The strict mask goes by colour alone and misses grey metal over a white mat;
    the other also takes what is darker or lighter than its surroundings, and sharp shadows with it.
    """
    small = (picture.image.shape[1] // MASK_SCALE, picture.image.shape[0] // MASK_SCALE)
    half = (picture.image.shape[1] // HALF, picture.image.shape[0] // HALF)
    # halved twice: five times as fast as at once
    halved = cv2.resize(picture.image, half, interpolation=cv2.INTER_AREA)
    now = linear_light(cv2.resize(halved, small, interpolation=cv2.INTER_AREA))
    bench = _lit(cv2.resize(picture.background, small, interpolation=cv2.INTER_AREA), picture.gains)
    known = cv2.erode(cv2.resize(picture.known, small, interpolation=cv2.INTER_NEAREST), np.ones((3, 3), np.uint8))
    own = _shade(now, bench)
    around = cv2.medianBlur((np.minimum(own, 1.25) * 200).astype(np.uint8), 25)
    noise = 0.002 + 0.025 * brightest(np.maximum(now, bench)) ** 0.6
    contrast = brightest(cv2.morphologyEx(bench, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)))
    lenient, strict = _unlike_bench(now, bench, known, (own, around), (noise, _EDGE_SHARE_SMALL * contrast))
    return _cleaned(lenient), _cleaned(strict)


@njit(cache=True, nogil=True)
def _shade(now, bench):
    """Light of each pixel (h, w) over the bench's, all channels alike, not below 0."""
    h, w, _ = now.shape
    out = np.empty((h, w), np.float32)
    for y in range(h):
        for x in range(w):
            both = own = np.float32(0.0)
            for c in range(3):
                both += now[y, x, c] * bench[y, x, c]
                own += bench[y, x, c] ** 2
            out[y, x] = both / (own + np.float32(1e-6))
    return out


@njit(cache=True, nogil=True)
def _unlike_bench(now, bench, known, shades, tolerances):
    """Where a picture differs from the bench by more than its noise and a share of the bench's own contrast, loosely
    and strictly, as `tool_mask` tells them, uint8, 0 or 255; before it is cleaned."""
    (own, around), (noise, contrast) = shades, tolerances
    h, w, _ = now.shape
    lenient, strict = np.zeros((h, w), np.uint8), np.zeros((h, w), np.uint8)
    for y in range(h):
        for x in range(w):
            if known[y, x] == 0:
                continue
            shaded = min(max(own[y, x], np.float32(0.4)), np.float32(1.1))
            level = min(max(around[y, x] / np.float32(200.0), np.float32(0.3)), np.float32(1.15))
            by_colour = by_level = np.float32(0.0)
            for c in range(3):
                by_colour = max(by_colour, abs(now[y, x, c] - shaded * bench[y, x, c]))
                by_level = max(by_level, abs(now[y, x, c] - level * bench[y, x, c]))
            if by_colour > 2.5 * noise[y, x] + contrast[y, x]:
                lenient[y, x] = strict[y, x] = 255
            elif by_level > 3.5 * noise[y, x] + contrast[y, x]:
                lenient[y, x] = 255
    return lenient, strict


def _lit(bench: np.ndarray, gain: np.ndarray) -> np.ndarray:
    """A smaller picture of the bench in the light of now, its rows' `gain` as in `Picture`."""
    return bench * np.asarray(cv2.resize(gain, (1, len(bench)), interpolation=cv2.INTER_AREA))[:, :, None]


def is_bare(picture: Picture, least_px: float) -> bool:
    """Whether no one thing as large as that, in pixels, lies over the bench, as far as that is known."""
    _, _, stats, _ = cv2.connectedComponentsWithStats(tool_mask(picture)[0])
    return float(stats[1:, cv2.CC_STAT_AREA].max(initial=0)) * MASK_SCALE**2 < least_px


def _cleaned(mask: np.ndarray) -> np.ndarray:
    closed = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(opened)
    return np.where((stats[:, cv2.CC_STAT_AREA] >= _SPECK)[labels] & (labels > 0), 255, 0).astype(np.uint8)


@dataclass(frozen=True)
class NewEdges:
    """Edges of the picture that the bench does not have.

    Attributes
    ----------
    distance_px : array, shape (6, h / 2, w / 2), float32
        To the nearest edge whose normal lies within 45 degrees of 0, 30, ... 150 degrees, in full-size pixels; inf
        beyond the few pixels that are looked at.
    """

    distance_px: np.ndarray


def new_edges(picture: Picture, region: tuple[slice, slice] | None = None) -> NewEdges:
    """Edges in the ratio of picture and bench: shadows leave soft ones, print and parts of the board none at all.

    Parameters
    ----------
    region : (rows, columns), optional
        The only part of the picture to look at; its bounds are multiples of 2.
    """
    h, w = picture.known.shape
    rows, columns = region or (slice(0, h), slice(0, w))
    half = ((columns.stop - columns.start) // HALF, (rows.stop - rows.start) // HALF)
    now = linear_light(cv2.resize(picture.image[rows, columns], half, interpolation=cv2.INTER_AREA))
    bench = _lit(cv2.resize(picture.background[rows, columns], half, interpolation=cv2.INTER_AREA), picture.gains[rows])
    known = cv2.resize(picture.known[rows, columns], half, interpolation=cv2.INTER_NEAREST)
    known = cv2.erode(known, np.ones((5, 5), np.uint8))
    seen, behind = (cv2.GaussianBlur(np.log(light + _DARK), (0, 0), 0.8) for light in (now, bench))
    gx, gy = _gradient(seen, behind, known)
    edge = cv2.Canny(gx, gy, 350, 900, L2gradient=True)
    fields = np.full((ANGLES, h // HALF, w // HALF), np.inf, np.float32)
    _stamp(edge, gx, gy, fields[:, rows.start // HALF:, columns.start // HALF:][:, :half[1], :half[0]])
    return NewEdges(fields)


@njit(cache=True, nogil=True)
def _gradient(seen, behind, known):
    """Sobel's gradient of the picture over the bench, in thousandths, of the channel in which it is largest.

    What the bench's own edges near by may leave is taken off. Where the bench is not known, that of the picture alone.
    """
    h, w, channels = seen.shape
    gx, gy = np.zeros((h, w), np.int16), np.zeros((h, w), np.int16)
    own = np.zeros((h, w), np.float32)
    for y in range(1, h - 1):
        for x in range(1, w - 1):
            most = np.float32(-1.0)
            for c in range(channels):
                bx = by = sx = sy = np.float32(0.0)
                for k in range(-1, 2):
                    weight = np.float32(2 - k * k)
                    sx += weight * (seen[y + k, x + 1, c] - seen[y + k, x - 1, c])
                    sy += weight * (seen[y + 1, x + k, c] - seen[y - 1, x + k, c])
                    if known[y, x] > 0:
                        bx += weight * (behind[y + k, x + 1, c] - behind[y + k, x - 1, c])
                        by += weight * (behind[y + 1, x + k, c] - behind[y - 1, x + k, c])
                own[y, x] = max(own[y, x], np.sqrt(bx * bx + by * by))
                dx, dy = sx - bx, sy - by
                if dx * dx + dy * dy > most:
                    most = dx * dx + dy * dy
                    shown = min(max(_SHOWN * (sx * dx + sy * dy) / max(most, np.float32(1e-12)), np.float32(0.0)),
                                np.float32(1.0))
                    gx[y, x] = min(max(shown * dx * 1000, -32000), 32000)
                    gy[y, x] = min(max(shown * dy * 1000, -32000), 32000)
    for y in range(1, h - 1):
        for x in range(1, w - 1):
            near = np.float32(0.0)
            for j in range(y - 1, y + 2):
                for i in range(x - 1, x + 2):
                    near = max(near, own[j, i])
            dx, dy = float(gx[y, x]), float(gy[y, x])  # type: ignore[assignment]  # compiled: a double from here on
            remains = max(1.0 - 1000 * _EDGE_SHARE * near / max(np.sqrt(dx * dx + dy * dy), 1.0), 0.0)
            gx[y, x], gy[y, x] = remains * dx, remains * dy
    return gx, gy


@njit(cache=True, nogil=True)
def _stamp(edge, gx, gy, fields):
    """Lower each direction's distances round every edge that has its normal within 45 degrees of it."""
    (h, w), reach = edge.shape, len(_AWAY_PX) - 1
    directions = np.arange(ANGLES) * np.pi / ANGLES
    cos, sin = np.cos(directions), np.sin(directions)
    for y in range(h):
        for x in range(w):
            if edge[y, x] > 0:
                dx, dy = float(gx[y, x]), float(gy[y, x])
                for k in range(ANGLES):
                    along = dx * cos[k] + dy * sin[k]
                    if 2.0 * along * along >= dx * dx + dy * dy:
                        for j in range(max(y - reach, 0), min(y + reach + 1, h)):
                            for i in range(max(x - reach, 0), min(x + reach + 1, w)):
                                fields[k, j, i] = min(fields[k, j, i], _AWAY_PX[abs(j - y), abs(i - x)])
