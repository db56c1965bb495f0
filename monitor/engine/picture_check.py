"""Watches the picture itself for a changed exposure or focus: a camera's word that they are locked is not proof.

Compares with the session's beginning; medians over the picture, so that a hand in it does not count.
"""

from __future__ import annotations

import math

import cv2
import numpy as np

__all__ = ["PictureCheck"]

EVERY_S = 0.4
IN_A_ROW = 3  # looks that must agree
LIGHT_STEP = math.log(1.25)
SHARP_STEP = math.log(2.0)
SMALL_PX = (160, 90)
BLOCKS = 8
DARKEST, BRIGHTEST = 16, 240  # grey levels between which a ratio means something
LEAST_BLOCKS = 6
LEAST_ENERGY = 100.0  # squared grey levels; a sensor's noise stays below


_Look = tuple[np.ndarray, np.ndarray, np.ndarray]  # brightness, fine contrast as a share and by itself


class PictureCheck:
    """One a session; `look` at every frame, it takes its time."""

    def __init__(self) -> None:
        self._next_s = -math.inf
        self._first: _Look | None = None
        self._n_light = self._n_sharp = 0

    def look(self, image: np.ndarray, t_s: float) -> tuple[str, ...]:
        """What has changed, in words; empty mostly. After a word the present picture is the new standard."""
        if t_s < self._next_s:
            return ()
        self._next_s = t_s + EVERY_S
        grey = cv2.extractChannel(image, 1)
        light = cv2.resize(grey, SMALL_PX, interpolation=cv2.INTER_AREA).astype(np.float32)
        sharp, energy = _sharpness(grey, light)
        if self._first is None:
            self._first = light, sharp, energy
            return ()
        brighter, sharper = _compare(self._first, light, sharp)
        self._n_light = self._n_light + 1 if abs(brighter) > LIGHT_STEP else 0
        self._n_sharp = self._n_sharp + 1 if abs(sharper) > SHARP_STEP else 0
        found = []
        if self._n_light >= IN_A_ROW:
            found.append(f"the picture became {_percent(brighter)}: exposure or light has changed")
        if self._n_sharp >= IN_A_ROW:
            found.append(f"the picture became {'sharper' if sharper > 0 else 'less sharp'}: was the camera refocused?")
        if found:
            self._first = light, sharp, energy
            self._n_light = self._n_sharp = 0
        return tuple(found)


def _compare(first: _Look, light: np.ndarray, sharp: np.ndarray) -> tuple[float, float]:
    """Logarithms of how much brighter and sharper it is than at the beginning; 0 where that cannot be said."""
    first_light, first_sharp, energy = first
    usable = (first_light > DARKEST) & (first_light < BRIGHTEST) & (light > 1) & (light < 254)
    brighter = float(np.median(np.log(light[usable] / first_light[usable]))) if usable.mean() > 0.1 else 0.0
    # blocks with something to be sharp about, and not only noise
    marked = (first_sharp > np.median(first_sharp)) & (energy > LEAST_ENERGY)
    if marked.sum() < LEAST_BLOCKS:
        return brighter, 0.0
    return brighter, float(np.median(np.log((sharp[marked] + 1e-6) / (first_sharp[marked] + 1e-6))))


def _sharpness(grey: np.ndarray, light: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Fine contrast of each block: as a share of its brightness squared, and by itself."""
    # CV_32F would take 27 times as long
    fine = cv2.Laplacian(cv2.GaussianBlur(grey, (0, 0), 0.8), cv2.CV_16S, ksize=3)
    energy = _by_block(cv2.resize(cv2.multiply(fine, fine, dtype=cv2.CV_32F), SMALL_PX, interpolation=cv2.INTER_AREA))
    mean = _by_block(light)
    return energy / (mean * mean + 25.0), energy


def _by_block(small: np.ndarray) -> np.ndarray:
    """Means of the blocks; from the small picture in a fifth of the time that they take from the whole one."""
    return cv2.resize(small, (2 * BLOCKS, BLOCKS), interpolation=cv2.INTER_AREA)


def _percent(log_ratio: float) -> str:
    share = 100 * abs(math.expm1(log_ratio))
    return f"{share:.0f} % {'brighter' if log_ratio > 0 else 'darker'}"
