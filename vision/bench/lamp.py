"""How bright the bench is now beside its stored picture: a camera's exposure, and the stripes that a lamp on the mains
draws where rows are read one after the other.
"""

from __future__ import annotations

import numpy as np

from vision.compiled import njit
from vision.edges.cuts import LINEAR
from vision.types import FloatArray

__all__ = ["Lamp"]

_PITCH_PX = 8  # between the rows, and the columns, that are looked at [convention]
# linear light of a pixel below which it tells no ratio, and the least gain: a grey level is a twentieth of it [derived]
_DARK = 0.02
_LEAST_PIXELS = 12  # of a row that tell its light [convention]
# share by which rows must change, on the mean, from one picture to the next for a lamp that flickers: a middle of 100
# pixels is known to a quarter of it [derived]
_FLICKERS = 0.015
_FLICKER_LASTS = 30  # pictures without it, after which a lamp does not flicker any more [convention]
# periods of a lamp over a picture: at 100 or 120 Hz, rows read within 15 to 42 ms [derived]
_PERIODS = np.arange(1.5, 5.01, 0.25)
_OF_LAMP = 0.9  # share of rows' variance that one of them explains: of a square wave, an arm's, it is 0.81 [derived]


class Lamp:
    """Of one camera over one bench.

    Attributes
    ----------
    gain : array, shape (h,), float32
        Light of each row over that of the stored bench.
    """

    def __init__(self, height_px: int) -> None:
        self.gain = np.ones(height_px, np.float32)
        self._own = np.full(height_px // _PITCH_PX, np.nan)  # rows' light over the picture's
        self._steady_for = _FLICKER_LASTS

    @property
    def flickers(self) -> bool:
        """Whether rows change from picture to picture, or wave down a picture, as no shadow does."""
        return self._steady_for < _FLICKER_LASTS

    def step(self, image: np.ndarray, light: np.ndarray, known: np.ndarray, tool: np.ndarray | None) -> None:
        """Bring the gain up to a frame; as it was when too little of the bench is seen.

        Parameters
        ----------
        image : array, shape (h, w, 3), uint8
        light, known : arrays
            The stored bench, as `BenchView` has it.
        tool : array, uint8, or None
            Nonzero where the tool may be, in a picture of any size.
        """
        ratios, counts = _ratios(image, light, known, np.zeros((1, 1), np.uint8) if tool is None else tool)
        whole = float(np.nanmedian(ratios)) if counts.sum() > _LEAST_PIXELS else 0.0
        if not whole > 0.0:
            return
        ratios.sort(axis=1)  # by the processor's wide registers, unlike a median of each row in compiled code
        rows = _middles(ratios, counts)
        self._own, is_even = _compared(rows / whole, self._own)
        self._steady_for = self._steady_for + 1 if is_even and not _is_striped(self._own) else 0
        at = np.flatnonzero(np.isfinite(rows))
        if self.flickers and len(at):
            gain = np.interp(np.arange(len(self.gain)), _PITCH_PX * (at + 0.5), rows[at])
            self.gain = np.maximum(gain, _DARK).astype(np.float32)
        else:
            self.gain = np.full(len(self.gain), max(whole, _DARK), np.float32)


def _is_striped(own: FloatArray) -> bool:
    """Whether rows' light waves down the picture as a lamp on the mains makes it: where that keeps time with the
    camera, as 120 Hz do with 30 pictures a second, stripes stand still."""
    at = np.flatnonzero(np.isfinite(own))
    if len(at) < len(own) // 2:
        return False
    y, light = (at + 0.5) / len(own), own[at]
    sloped = light - np.polynomial.Polynomial.fit(y, light, 1)(y)
    if sloped.std() < _FLICKERS:
        return False
    turn = 2 * np.pi * _PERIODS[:, None] * y
    waves = np.stack([np.ones_like(turn), np.broadcast_to(y, turn.shape), np.cos(turn), np.sin(turn)], -1)
    turned = waves.transpose(0, 2, 1)
    fit = np.linalg.solve(turned @ waves, turned @ light[:, None])
    rest = light - (waves @ fit)[..., 0]
    return bool((rest**2).sum(1).min() < (1.0 - _OF_LAMP) * (sloped**2).sum())


@njit(cache=True, nogil=True, error_model="numpy")
def _ratios(image, light, known, tool):
    """Ratios of picture over bench in some rows (n, m), float32, nan after those that are told; and how many are
    (n,)."""
    h, w = known.shape
    n = h // _PITCH_PX
    ratios, counts = np.full((n, w // _PITCH_PX + 1), np.nan, np.float32), np.zeros(n, np.int64)
    for i in range(n):
        y = _PITCH_PX * i + _PITCH_PX // 2
        for x in range(_PITCH_PX // 2, w, _PITCH_PX):
            is_free = tool[y * tool.shape[0] // h, x * tool.shape[1] // w] == 0
            old = light[y, x, 0] + light[y, x, 1] + light[y, x, 2]
            if known[y, x] > 0 and is_free and old > 3.0 * _DARK:
                now = LINEAR[image[y, x, 0]] + LINEAR[image[y, x, 1]] + LINEAR[image[y, x, 2]]
                ratios[i, counts[i]] = now / old
                counts[i] += 1
    return ratios, counts


@njit(cache=True, nogil=True)
def _middles(ratios, counts):
    """Middle of each row of sorted ratios, nan where too few tell it."""
    rows = np.full(len(counts), np.nan)
    for i in range(len(counts)):
        if counts[i] > _LEAST_PIXELS:
            rows[i] = 0.5 * (ratios[i, (counts[i] - 1) // 2] + ratios[i, counts[i] // 2])
    return rows


@njit(cache=True, nogil=True)
def _compared(rows, before):
    """Rows' light over the picture's, nan where there is none, and whether it is as it was before."""
    own, change, n = np.full(len(rows), np.nan), np.empty(len(rows)), 0
    for i in range(len(rows)):
        if rows[i] > 0.0:  # rows without light tell nothing
            own[i] = rows[i]
            if before[i] > 0.0:
                change[n] = abs(rows[i] / before[i] - 1.0)
                n += 1
    return own, n < max(len(rows) // 4, 1) or np.median(change[:n]) < _FLICKERS
