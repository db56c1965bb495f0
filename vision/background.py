"""The bench without the tool: composed from photographs, checked against a frame, kept up to date while the tool moves."""

from __future__ import annotations

import cv2
import numpy as np
from numba import njit

from vision.edges import LINEAR, linear_light

__all__ = ["compose_bench", "BenchView", "MASK_SCALE"]

MASK_SCALE = 4  # masks of the tool are drawn at this part of the picture's size


def compose_bench(groups: list[list[np.ndarray]]) -> np.ndarray:
    """The bench's picture from photographs in which the tool stands at a few places.

    Parameters
    ----------
    groups : list of lists of arrays, shape (h, w, 3), float32
        Linear light; one list for each place of the tool, at least two places, the camera at rest.

    Returns
    -------
    array, shape (h, w, 3), float32
        Where the groups disagree, the one that varies least around there: a held tool is never quite still.
    """
    middles = [np.median(np.stack(g), axis=0).astype(np.float32) for g in groups]
    spreads = []
    for g, m in zip(groups, middles):
        dev = np.mean([np.abs(im - m).max(2) for im in g], axis=0)
        small = cv2.resize(dev.astype(np.float32), None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
        spreads.append(cv2.GaussianBlur(small, (0, 0), 5.0))
    best = np.argmin(np.stack(spreads), axis=0).astype(np.float32)
    h, w = middles[0].shape[:2]
    choice = cv2.resize(best, (w, h), interpolation=cv2.INTER_NEAREST).astype(int)
    out = middles[0].copy()
    for i, m in enumerate(middles):
        out[choice == i] = m[choice == i]
    both = np.max([np.abs(m - middles[0]).max(2) for m in middles], axis=0) < 0.02
    out[both] = np.mean([m[both] for m in middles], axis=0)
    return out


class BenchView:
    """What the bench looks like behind the tool, learned while it runs.

    Each frame visits one band of rows. A pixel that agrees with the stored bench (but for exposure and shadow) is
    averaged in; one that has shown something else, unmoving, for several visits is taken over.

    Attributes
    ----------
    light : array, shape (h, w, 3), float32
    known : array, shape (h, w), uint8
        255 where the bench has been seen.
    """

    _BANDS = 6
    _PATIENCE, _PATIENCE_GIVEN = 4, 50  # visits, 0.2 s apart at 30 frames a second: a hand held still must not become bench

    def __init__(self, first: np.ndarray, bench: np.ndarray | None = None):
        h, w = first.shape[:2]
        light = linear_light(first)
        self.exposure = 1.0
        self._turn = 0
        self.is_given = bench is not None and bench.shape == first.shape and self._agreement(light, bench) > 0.5
        self.light = bench.copy() if self.is_given else light.copy()
        self.known = np.full((h, w), 255, np.uint8)
        self._candidate = first.copy()
        self._age = np.zeros((h, w), np.uint8)

    def forget(self, region: np.ndarray) -> None:
        """Mark pixels (mask, h x w, nonzero) as never seen."""
        self.known[region > 0] = 0

    def warp(self, now_from_then: np.ndarray) -> None:
        """Carry the bench along when the camera moved: homography (3, 3) from old to new pixels of the mat's plane."""
        h, w = self.known.shape
        self.light = cv2.warpPerspective(self.light, now_from_then, (w, h), flags=cv2.INTER_LINEAR)
        self.known = cv2.warpPerspective(self.known, now_from_then, (w, h), flags=cv2.INTER_NEAREST)

    def learn(self, frame: np.ndarray, tool: np.ndarray | None) -> None:
        """Take in one band of rows of a frame (h, w, 3), uint8, leaving out the tool.

        Parameters
        ----------
        tool : array, shape (h // MASK_SCALE, w // MASK_SCALE), uint8, or None
            Nonzero where the tool may be.
        """
        h, w = frame.shape[:2]
        first, last = self._turn * h // self._BANDS, (self._turn + 1) * h // self._BANDS
        self._turn = (self._turn + 1) % self._BANDS
        mask = np.zeros((h // MASK_SCALE, w // MASK_SCALE), np.uint8) if tool is None else tool
        patience = self._PATIENCE_GIVEN if self.is_given else self._PATIENCE
        now, old = _learn(frame, self.light, self.known, self._candidate, self._age, mask, first, last,
                          LINEAR, self.exposure, patience)
        if old > 1.0:
            self.exposure += 0.1 * (min(max(now / old, 0.5), 2.0) - self.exposure)

    @staticmethod
    def _agreement(first: np.ndarray, bench: np.ndarray) -> float:
        a, b = first[4::8, 4::8].reshape(-1, 3), bench[4::8, 4::8].reshape(-1, 3)
        gain = np.median(a.sum(1) / np.maximum(b.sum(1), 1e-3))
        near = np.abs(a - gain * b).max(1) < 0.02 + 0.12 * np.sqrt(np.maximum(b[:, 1], 0))
        return float(near.mean())


@njit(cache=True)
def _learn(frame, bench, known, candidate, age, tool, first, last, linear, exposure, patience):
    """One visit to rows first..last; sums of light, now and as stored, of the pixels that agree."""
    w = frame.shape[1]
    sum_now = sum_old = 0.0
    for y in range(first, last):
        row = min(y // MASK_SCALE, tool.shape[0] - 1)
        for x in range(w):
            free = tool[row, min(x // MASK_SCALE, tool.shape[1] - 1)] == 0
            now_b, now_g, now_r = linear[frame[y, x, 0]], linear[frame[y, x, 1]], linear[frame[y, x, 2]]
            old_b, old_g, old_r = bench[y, x, 0], bench[y, x, 1], bench[y, x, 2]
            tolerance = 0.012 + 0.10 * np.sqrt(now_g)
            scaled = max(abs(now_b - exposure * old_b), abs(now_g - exposure * old_g), abs(now_r - exposure * old_r))
            agrees = free and known[y, x] > 0 and scaled < tolerance
            if agrees:
                sum_now += now_b + now_g + now_r
                sum_old += old_b + old_g + old_r
                if max(abs(now_b - old_b), abs(now_g - old_g), abs(now_r - old_r)) < tolerance:
                    bench[y, x, 0] = old_b + 0.1 * (now_b - old_b)
                    bench[y, x, 1] = old_g + 0.1 * (now_g - old_g)
                    bench[y, x, 2] = old_r + 0.1 * (now_r - old_r)
            still = True
            for c in range(3):
                still = still and abs(linear[frame[y, x, c]] - linear[candidate[y, x, c]]) < tolerance
            if not still:
                for c in range(3):
                    candidate[y, x, c] = frame[y, x, c]
            age[y, x] = min(age[y, x] + 1, 250) if still and free and not agrees else 0
            if age[y, x] >= patience:
                for c in range(3):
                    bench[y, x, c] = linear[candidate[y, x, c]]
                known[y, x] = 255
    return sum_now, sum_old
