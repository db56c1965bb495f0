"""The bench without the tool: composed from photographs, checked against a frame, kept up to date while the tool moves."""

from __future__ import annotations

import cv2
import numpy as np

__all__ = ["compose_bench", "BenchView"]


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
        self.exposure = 1.0
        self._turn = 0
        if bench is not None and bench.shape == first.shape and self._agreement(first, bench) > 0.5:
            self.light, self.known = bench.copy(), np.full((h, w), 255, np.uint8)
            self.is_given = True
        else:
            self.light, self.known = first.copy(), np.full((h, w), 255, np.uint8)
            self.is_given = False
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
        """Take in one band of rows of a frame (h, w, 3), leaving out the tool (mask, h x w, nonzero)."""
        h = frame.shape[0]
        rows = slice(self._turn * h // self._BANDS, (self._turn + 1) * h // self._BANDS)
        self._turn = (self._turn + 1) % self._BANDS
        now, old, known = frame[rows], self.light[rows], self.known[rows]
        candidate, age = self._candidate[rows], self._age[rows]
        tolerance = 0.012 + 0.10 * np.sqrt(np.maximum(now[..., 1], 0.0))
        same = np.abs(now - self.exposure * old).max(2) < tolerance
        still = np.abs(now - candidate).max(2) < tolerance
        free = np.ones_like(same) if tool is None else tool[rows] == 0
        agree = same & free & (known > 0)
        self.exposure += 0.1 * (self._gain(now[agree][::97], old[agree][::97]) - self.exposure)
        blend = agree & (np.abs(now - old).max(2) < tolerance)
        old[blend] += 0.1 * (now[blend] - old[blend])
        age[:] = np.where(still & free & ~agree, np.minimum(age + 1, 250), 0)
        ready = age >= (self._PATIENCE_GIVEN if self.is_given else self._PATIENCE)
        old[ready] = candidate[ready]
        known[ready] = 255
        fresh = ~still
        candidate[fresh] = now[fresh]
        soft = still & ~fresh
        candidate[soft] += 0.3 * (now[soft] - candidate[soft])

    @staticmethod
    def _gain(now: np.ndarray, old: np.ndarray) -> float:
        if len(now) < 50:
            return 1.0
        return float(np.clip(np.median(now.sum(1) / np.maximum(old.sum(1), 1e-3)), 0.5, 2.0))

    @staticmethod
    def _agreement(first: np.ndarray, bench: np.ndarray) -> float:
        a, b = first[4::8, 4::8].reshape(-1, 3), bench[4::8, 4::8].reshape(-1, 3)
        gain = np.median(a.sum(1) / np.maximum(b.sum(1), 1e-3))
        near = np.abs(a - gain * b).max(1) < 0.02 + 0.12 * np.sqrt(np.maximum(b[:, 1], 0))
        return float(near.mean())
