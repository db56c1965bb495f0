"""The bench without the tool: composed from photographs, checked against a frame, kept up to date while the tool moves."""

from __future__ import annotations

import cv2
import numpy as np

__all__ = ["compose_bench"]


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
