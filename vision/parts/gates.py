"""What readings must pass: how far a shift must go to be one, and how like its reference a thing must be to be seen."""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np

from vision.types import FloatArray

__all__ = ["AGAIN_S", "AT_REST", "CONTRAST_GREY", "FLOOR_PX", "LEAST_POINTS", "STAYS_S", "STILL_GREY", "Least",
           "Likeness"]


class Fitted(Protocol):
    """One fit of a patch, or the fits of many."""

    @property
    def share(self) -> float | FloatArray:
        """Of the points that fit [-]."""

    @property
    def alike(self) -> float | FloatArray:
        """Correlation coefficient [-]."""

    @property
    def gain(self) -> float | FloatArray:
        """Brightness over the reference's [-]."""


class Least(NamedTuple):
    """A shift is one when it passes each of these: [mm]; in the picture [px]; in its own sigmas [-]."""

    mm: float
    px: float
    sigmas: float

    def at(self, px_per_mm: float, sigma_mm: float) -> float:
        """What it must pass [mm] at a scale, with a sigma."""
        return max(self.mm, self.px / px_per_mm, self.sigmas * sigma_mm)

    def each(self, px_per_mm: float, sigma_mm: FloatArray) -> FloatArray:
        """The same with several sigmas."""
        return np.maximum(self.at(px_per_mm, 0.0), self.sigmas * sigma_mm)


class Likeness(NamedTuple):
    """A thing is seen when so many of its points fit [-], its grey levels correlate so well [-], and it is not so many
    times brighter or darker than its reference [-]."""

    share: float
    alike: float
    gain: float = 3.0

    def holds(self, fit: Fitted) -> np.ndarray | bool:
        """Whether it does, for each fit."""
        is_alike = (fit.share >= self.share) & (fit.alike >= self.alike)
        return is_alike & (fit.gain * self.gain > 1.0) & (fit.gain < self.gain)


AT_REST = Least(0.03, 0.0, 2.0)  # within which readings count as at rest [convention]
# of a shift's sigma: 0.01 mm at 3.8 px a mm [measured: tests.benchmarks.registration]
FLOOR_PX = 0.04
STILL_GREY = 4.0  # mean change of grey levels that still counts as none [convention]
CONTRAST_GREY = 8.0  # grey levels of a contrast that shows something [convention]
STAYS_S = 0.4  # for which a first view, or a place come to, must not change [convention]
AGAIN_S = 3.0  # for which what lies around is not seen, after which a new reference is taken [convention]
LEAST_POINTS = 5  # of a picture, by which a side or an edge can be told [convention]
