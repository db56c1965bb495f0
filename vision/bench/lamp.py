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
_DARK = 0.02  # linear light of a pixel below which it tells no ratio: a grey level is a twentieth of it [derived]
_LEAST_PIXELS = 12  # of a row that tell its light [convention]
# share by which rows must change, on the mean, from one picture to the next for a lamp that flickers: a middle of 100
# pixels is known to a quarter of it [derived]
_FLICKERS = 0.015
_LEAST_GAIN = 0.05  # darker pictures, or rows, are taken to be so bright: what they show is noise [convention]
_FLICKER_LASTS = 30  # pictures without it, after which a lamp does not flicker any more [convention]


class Lamp:
    """Of one camera over one bench.

    Attributes
    ----------
    gain : array, shape (h,), float32
        Light of each row over that of the stored bench.
    """

    def __init__(self, height_px: int) -> None:
        self.gain = np.ones(height_px, np.float32)
        self._before: FloatArray | None = None
        self._steady_for = _FLICKER_LASTS

    @property
    def flickers(self) -> bool:
        """Whether rows change from picture to picture as no shadow does."""
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
        rows, whole = _ratios(image, light, known, np.zeros((1, 1), np.uint8) if tool is None else tool)
        if not whole > 0.0:
            return
        own = np.where(rows > 0.0, rows, np.nan) / whole  # rows without light tell nothing
        if self._before is not None:
            change = np.abs(own / self._before - 1.0)
            both = np.isfinite(change)
            is_even = both.sum() < len(own) // 4 or np.median(change[both]) < _FLICKERS
            self._steady_for = self._steady_for + 1 if is_even else 0
        self._before = own
        at = np.flatnonzero(np.isfinite(rows))
        if self.flickers and len(at):
            self.gain = np.interp(np.arange(len(self.gain)), _PITCH_PX * (at + 0.5), rows[at]).astype(np.float32)
        else:
            self.gain = np.full(len(self.gain), whole, np.float32)
        self.gain = np.maximum(self.gain, np.float32(_LEAST_GAIN))


@njit(cache=True, nogil=True)
def _ratios(image: np.ndarray, light: np.ndarray, known: np.ndarray, tool: np.ndarray) -> tuple[FloatArray, float]:
    """Middle ratio of picture over bench in some rows, nan where too few pixels tell it, and in the whole picture."""
    h, w = known.shape
    n = h // _PITCH_PX
    rows, ratio = np.full(n, np.nan), np.empty(w // _PITCH_PX + 1)
    every, total = np.empty(n * len(ratio)), 0
    for i in range(n):
        y, count = _PITCH_PX * i + _PITCH_PX // 2, 0
        for x in range(_PITCH_PX // 2, w, _PITCH_PX):
            is_free = tool[y * tool.shape[0] // h, x * tool.shape[1] // w] == 0
            old = light[y, x, 0] + light[y, x, 1] + light[y, x, 2]
            if known[y, x] > 0 and is_free and old > 3.0 * _DARK:
                now = LINEAR[image[y, x, 0]] + LINEAR[image[y, x, 1]] + LINEAR[image[y, x, 2]]
                ratio[count] = now / old
                every[total] = ratio[count]
                count += 1
                total += 1
        if count > _LEAST_PIXELS:
            rows[i] = np.median(ratio[:count])
    return rows, np.median(every[:total]) if total > _LEAST_PIXELS else np.nan
