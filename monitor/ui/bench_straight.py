"""The bench straightened onto the board's plane for marking, its map kept while nothing moves, and the corners seen in
it.
"""

from __future__ import annotations

import cv2
import numpy as np

from monitor.engine.straighten import Sheet, plane_map
from monitor.job import SHEET_MM
from vision.types import BenchPose

__all__ = ["WHOLE_MM", "Straight", "picture_corners"]

WHOLE_MM = (-SHEET_MM[0] / 2, SHEET_MM[0] / 2, -SHEET_MM[1] / 2, SHEET_MM[1] / 2)
PX_PER_MM = 4.0
MOVED_MM = 0.15  # of the mat, before the map is computed anew


class Straight:
    """The bench from above, its map kept while nothing moves."""

    def __init__(self) -> None:
        self._key: tuple | None = None
        self._pose = np.eye(4)
        self._map: tuple[np.ndarray, np.ndarray] | None = None

    def view(self, image: np.ndarray, camera, bench: BenchPose, top_mm: float) -> np.ndarray:
        key = (id(camera), top_mm, image.shape)
        moved = np.abs(bench.cam_from_bench[:3, 3] - self._pose[:3, 3]).max()
        if self._map is None or key != self._key or moved > MOVED_MM:
            self._key, self._pose = key, bench.cam_from_bench.copy()
            self._map = plane_map(camera, self._pose, Sheet(WHOLE_MM, top_mm, PX_PER_MM), np.zeros(3))
        return cv2.remap(image, *self._map, cv2.INTER_LINEAR)


def picture_corners(flat: np.ndarray) -> np.ndarray:
    """Strong corners in the straightened picture, in mm on the bench."""
    grey = cv2.GaussianBlur(cv2.cvtColor(flat, cv2.COLOR_BGR2GRAY), (0, 0), 1.0)
    found = cv2.goodFeaturesToTrack(grey, 400, 0.02, 6)
    if found is None:
        return np.zeros((0, 2))
    px = found.reshape(-1, 2)
    return np.column_stack([(px[:, 0] + 0.5) / PX_PER_MM - SHEET_MM[0] / 2, SHEET_MM[1] / 2
                            - (px[:, 1] + 0.5) / PX_PER_MM])
