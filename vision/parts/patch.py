"""A straightened patch of the picture registered against its reference, far below a pixel, whatever its brightness
does.

The patch is a set of points on a level plane. Brightness may change by a factor that varies linearly across it and by
an offset: exposure, soft shadows, thin smoke. Points that do not fit, as under a tool or at a hard shadow, lose their
weight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from vision.compiled import njit
from vision.types import FloatArray

__all__ = ["Patch", "PatchFit", "blurred", "look_at", "make_patch", "register", "search_shift"]

BLUR_PX = 0.8  # before sampling, so that linear interpolation does not shift edges
CORRELATED = (
    4 * math.pi * BLUR_PX**2
)  # pixels that share one error after that blur: equivalent noise area of a Gaussian
_LEAST_GREY = 1.5  # scatter of a blurred grey level about another picture's: coding, rounding
_EDGE_PX = 0.12  # by which edges may differ without being something else: interpolation, sharpening, coding
_OUTLIER = 3.0  # scatters from which a point counts as something else
_ROUNDS = 4
_N = 7  # x, y [mm], turn [rad], gain, its slopes, offset
# what brightness usually does: gain, slopes of it across the patch [-], offset [grey levels]; and the turn [rad]
_PRIOR_SIGMA = np.array([np.inf, np.inf, 0.1, 0.5, 0.25, 0.25, 25.0])


@dataclass(frozen=True)
class Patch:
    """Reference of a patch.

    Attributes
    ----------
    points_mm : array, shape (n, 2)
        From the patch's centre.
    rows : array, shape (n, 7)
        Change of each blurred grey level with x, y [mm], turn [rad], gain (so the grey level itself), two slopes of it,
        offset.
    scatter : array, shape (n,)
        By how much a grey level may differ when nothing changed.
    """

    points_mm: FloatArray
    rows: FloatArray
    scatter: FloatArray


@dataclass(frozen=True)
class PatchFit:
    """Where a patch is now.

    Attributes
    ----------
    shift : array, shape (3,)
        x, y [mm] and turn [rad] about the patch's centre.
    cov : array, shape (3, 3)
    gain : float
        Brightness over that of the reference [-].
    fits : array of bool, shape (n,)
        Which points show what the reference shows.
    alike : float
        Correlation coefficient of all points [-].
    """

    shift: FloatArray
    cov: FloatArray
    gain: float
    fits: np.ndarray
    alike: float

    @property
    def share(self) -> float:
        """Of the points that fit."""
        return float(self.fits.mean())


def blurred(grey: np.ndarray) -> np.ndarray:
    """A picture (h, w), uint8, as `look_at` and `register` want it: float32, blurred by BLUR_PX."""
    return cv2.GaussianBlur(grey.astype(np.float32), (0, 0), BLUR_PX)


def look_at(picture: np.ndarray, px_from_mm: FloatArray, points_mm: FloatArray, shift: FloatArray) -> FloatArray:
    """Grey levels (n,) at points moved by a shift (3,); nan outside. `px_from_mm` is a homography (3, 3)."""
    return _sample(picture, px_from_mm, points_mm, np.asarray(shift, float))


def make_patch(points_mm: FloatArray, looks: FloatArray, slopes: FloatArray, px_per_mm: float) -> Patch:
    """A reference from several looks at it.

    Parameters
    ----------
    looks : array, shape (frames, n)
    slopes : array, shape (2, n)
        Change per mm along x and y.
    """
    grey = looks.mean(0)
    noise = np.maximum(looks.std(0).mean() * 1.5, _LEAST_GREY)
    scatter = np.sqrt(noise**2 + (_EDGE_PX / px_per_mm) ** 2 * (slopes**2).sum(0) + (0.03 * grey) ** 2)
    (x, y), (u, v) = points_mm.T, points_mm.T / max(float(np.abs(points_mm).max()), 1e-3)
    rows = np.stack(
        [-slopes[0], -slopes[1], y * slopes[0] - x * slopes[1], grey, u * grey, v * grey, np.ones_like(grey)], 1
    )
    return Patch(points_mm, rows, scatter)


def register(
    picture: np.ndarray, px_from_mm: FloatArray, patch: Patch, start: FloatArray, gain: float = 1.0
) -> PatchFit:
    """Find the patch near a start (3,); judge `share` and `alike` before using the answer.

    Parameters
    ----------
    picture : array, shape (h, w), float32
        As `blurred` makes it.
    px_from_mm : array, shape (3, 3)
        Homography from the patch's plane, mm from its centre, to pixels.
    gain : float
        Brightness to begin with.
    """
    value, cov, _, rest, alike = _register(
        picture, px_from_mm, patch.points_mm, patch.rows, patch.scatter, np.asarray(start, float), gain, _PRIOR_SIGMA
    )
    return PatchFit(value[:3], cov[:3, :3], float(value[3]), rest < _OUTLIER, float(alike))


def search_shift(
    picture: np.ndarray, px_from_mm: FloatArray, patch: Patch, start: FloatArray, reach_mm: float, step_mm: float
) -> FloatArray:
    """The shift (3,) on a square grid around a start at which the patch is most alike; its turn stays."""
    every = max(1, len(patch.rows) // 300)
    return _search(
        picture,
        px_from_mm,
        patch.points_mm[::every],
        patch.rows[::every, 3],
        np.asarray(start, float),
        reach_mm,
        step_mm,
    )


@njit(cache=True, nogil=True)
def _sample(picture, h, points, shift):
    """Grey levels at moved points, bilinear; nan outside."""
    out = np.empty(len(points))
    c, s = math.cos(shift[2]), math.sin(shift[2])
    rows, columns = picture.shape
    for k in range(len(points)):
        x = c * points[k, 0] - s * points[k, 1] + shift[0]
        y = s * points[k, 0] + c * points[k, 1] + shift[1]
        w = 1.0 / (h[2, 0] * x + h[2, 1] * y + h[2, 2])
        u, v = (h[0, 0] * x + h[0, 1] * y + h[0, 2]) * w, (h[1, 0] * x + h[1, 1] * y + h[1, 2]) * w
        if u >= 0.0 and v >= 0.0 and u < columns - 1 and v < rows - 1:
            i, j = int(v), int(u)
            a, b = v - i, u - j
            out[k] = (1 - a) * ((1 - b) * picture[i, j] + b * picture[i, j + 1]) + a * (
                (1 - b) * picture[i + 1, j] + b * picture[i + 1, j + 1]
            )
        else:
            out[k] = np.nan
    return out


@njit(cache=True, nogil=True)
def _register(picture, h, points, rows, scatter, start, gain, prior_sigma):
    """Reweighted Gauss-Newton with the reference's rows: value (7,), cov (7, 7), weights, residuals in scatters, alike.

    The rows are those of gain one: a step of the shift comes out times the gain.
    """
    n = len(points)
    value, middle = np.zeros(_N), np.zeros(_N)
    value[:3], value[3], middle[3] = start, gain, gain
    weight, rest, miss = np.ones(n), np.full(n, 1e3), np.zeros(n)
    info = 1.0 / prior_sigma**2
    normal, now = np.eye(_N), np.empty(n)
    for turn in range(_ROUNDS):
        now = _sample(picture, h, points, value[:3])
        looser = 7.5 if turn == 0 else 3.75 if turn == 1 else 2.5
        for k in range(n):
            if math.isnan(now[k]):
                rest[k], weight[k], miss[k] = 1e3, 0.0, 0.0
                continue
            miss[k] = now[k] - (value[3] * rows[k, 3] + value[4] * rows[k, 4] + value[5] * rows[k, 5]) - value[6]
            rest[k] = abs(miss[k]) / scatter[k]
            w = 1.0 / (1.0 + (rest[k] / looser) ** 2)
            weight[k] = w * w / (scatter[k] * scatter[k])
        right = _normal_equations(rows, weight, miss, normal)
        for i in range(_N):
            normal[i, i] += info[i] + 1e-9
            right[i] += info[i] * (middle[i] - value[i])
        if turn < _ROUNDS - 1:
            step = np.linalg.solve(normal, right)
            value[:3] += step[:3] / value[3]
            value[3:] += step[3:]
            value[3] = min(max(value[3], 0.1), 4.0)
    kept = total = 0.0
    for k in range(n):
        w = weight[k] * scatter[k] * scatter[k]
        kept += w * min(rest[k], 10.0) ** 2
        total += w
    cov = np.linalg.inv(normal) * max(kept / max(total, 1e-9), 0.05) * CORRELATED
    cov[:3] /= value[3]
    cov[:, :3] /= value[3]
    return value, cov, weight, rest, _alike(now, rows[:, 3])


@njit(cache=True, nogil=True)
def _normal_equations(rows, weight, miss, normal):
    """Fills the normal matrix and gives the right side; a matrix library's threads would cost more than they bring."""
    normal[:], right = 0.0, np.zeros(_N)
    by = np.empty(_N)
    for k in range(len(weight)):
        for i in range(_N):
            by[i] = weight[k] * rows[k, i]
            right[i] += by[i] * miss[k]
            for j in range(i + 1):
                normal[i, j] += by[i] * rows[k, j]
    for i in range(_N):
        for j in range(i):
            normal[j, i] = normal[i, j]
    return right


@njit(cache=True, nogil=True)
def _alike(now, grey):
    """Correlation coefficient, of the points in view."""
    n, a, b = 0, 0.0, 0.0
    for k in range(len(grey)):
        if not math.isnan(now[k]):
            n, a, b = n + 1, a + now[k], b + grey[k]
    if n < 3:
        return 0.0
    a, b = a / n, b / n
    ab = aa = bb = 1e-9
    for k in range(len(grey)):
        if not math.isnan(now[k]):
            x, y = now[k] - a, grey[k] - b
            ab, aa, bb = ab + x * y, aa + x * x, bb + y * y
    return ab / math.sqrt(aa * bb)


@njit(cache=True, nogil=True)
def _search(picture, h, points, grey, start, reach_mm, step_mm):
    best, most = start.copy(), -2.0
    steps = math.ceil(reach_mm / step_mm)
    shift = start.copy()
    for i in range(-steps, steps + 1):
        for j in range(-steps, steps + 1):
            shift[0], shift[1] = start[0] + i * step_mm, start[1] + j * step_mm
            alike = _alike(_sample(picture, h, points, shift), grey)
            if alike > most:
                best, most = shift.copy(), alike
    return best
