"""Cuts of a picture: light along short lines across its edges, as a camera gives it and as brightness and colours."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.compiled import njit
from vision.types import FloatArray

__all__ = ["LINEAR", "NO_TONE", "CutGrid", "linear_light", "to_opponent", "brightest", "is_inside", "sample_cuts",
           "sample_along"]


@dataclass(frozen=True)
class CutGrid:
    """Sample positions along each cut: from -reach_px (inside) to +reach_px (outside) in steps of step_px.

    By default about as far apart as an edge is soft: nearer samples cost more and tell hardly more [convention].
    """

    reach_px: float
    step_px: float = 0.75

    @property
    def offsets_px(self) -> FloatArray:
        """Positions, shape (m,) [px]."""
        n = round(self.reach_px / self.step_px)
        return np.arange(-n, n + 1, dtype=float) * self.step_px


def _tone_table() -> np.ndarray:
    v = np.arange(256) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


LINEAR = _tone_table()  # IEC 61966-2-1 (sRGB): a camera's real curve is near it
NO_TONE = np.zeros(0, np.float32)


def linear_light(image: np.ndarray) -> np.ndarray:
    """Picture in linear light, float32 in 0..1; blur mixes light, not grey levels, so edges are fitted here."""
    return cv2.LUT(image, LINEAR)


@njit(cache=True, nogil=True)
def to_opponent(light, noise):
    """Blue, green and red (n, 3, m) to brightness, blue over the mean of the others, and red over green, in place and
    returned.

    The channels share most of their noise; these three hardly do, and colours have least of it: grey metal stands out
    from a brown bench as bright as itself. Colours come in units that give them the brightness's noise.

    Parameters
    ----------
    noise : tuple of float
        Scatter of the three, in any unit.
    """
    blue, red = noise[0] / noise[1], noise[0] / noise[2]
    for i in range(light.shape[0]):
        for j in range(light.shape[2]):
            b, g, r = light[i, 0, j], light[i, 1, j], light[i, 2, j]
            light[i, 0, j], light[i, 1, j], light[i, 2, j] = (b + g + r) / 3, (b - 0.5 * (g + r)) * blue, (r - g) * red
    return light


def brightest(light: np.ndarray) -> np.ndarray:
    """The largest of three channels; several times faster than max along so short an axis."""
    return np.maximum(np.maximum(light[..., 0], light[..., 1]), light[..., 2])


@njit(cache=True, nogil=True)
def is_inside(px, shape, margin_px):
    """Which points (n, 2) lie further than that inside a picture of that height and width, shape (n,)."""
    out = np.empty(len(px), np.bool_)
    for i in range(len(px)):
        out[i] = (margin_px < px[i, 0] < shape[1] - 1 - margin_px) and (margin_px < px[i, 1] < shape[0] - 1 - margin_px)
    return out


def sample_cuts(image: np.ndarray, centre_px: FloatArray, normal_px: FloatArray, offsets_px: FloatArray) -> np.ndarray:
    """Linear light along cuts, shape (n, channels, m), float32; beyond the picture its border goes on.

    Parameters
    ----------
    image : array, shape (h, w, channels)
        uint8 as the camera gives it, or float32 already in linear light.
    centre_px, normal_px : array, shape (n, 2)
    offsets_px : array, shape (m,)
        Positions along the normal.
    """
    one = np.ones(len(centre_px), np.int64)
    return sample_along(image, LINEAR if image.dtype == np.uint8 else NO_TONE, centre_px, normal_px, offsets_px, one)


@njit(cache=True, nogil=True, error_model="numpy")
def sample_along(image, table, centre, normal, offsets, lines):
    """`sample_cuts` for compiled code, each cut the mean of some parallel lines a pixel apart; the table is LINEAR for
    pictures of uint8, NO_TONE for linear light."""
    h, w, channels = image.shape
    n, m = len(centre), len(offsets)
    out = np.zeros((n, channels, m), np.float32)
    for i in range(n):
        part = np.float32(1.0 / lines[i])
        for k in range(lines[i]):
            aside = k - 0.5 * (lines[i] - 1)
            left, top = centre[i, 0] - aside * normal[i, 1], centre[i, 1] + aside * normal[i, 0]
            for j in range(m):
                x = min(max(left + offsets[j] * normal[i, 0], 0.0), w - 1.001)
                y = min(max(top + offsets[j] * normal[i, 1], 0.0), h - 1.001)
                x0, y0 = int(x), int(y)
                fx, fy = np.float32(x - x0), np.float32(y - y0)
                lower_right = part * fx * fy
                upper_right, lower_left = part * fx - lower_right, part * fy - lower_right
                upper_left = part - upper_right - lower_left - lower_right
                upper, lower = image[y0], image[y0 + 1]
                for c in range(channels):
                    a, b, d, e = upper[x0, c], upper[x0 + 1, c], lower[x0, c], lower[x0 + 1, c]
                    if len(table):
                        out[i, c, j] += (upper_left * table[int(a)] + upper_right * table[int(b)]
                                         + lower_left * table[int(d)] + lower_right * table[int(e)])
                    else:
                        out[i, c, j] += upper_left * a + upper_right * b + lower_left * d + lower_right * e
    return out
