"""The bench straightened onto the board's plane for marking, its map kept while nothing moves, and the corners seen in
it.
"""

from __future__ import annotations

import cv2
import numpy as np

from monitor.job import SHEET_MM
from vision.types import BenchPose

__all__ = ["Straight", "picture_corners"]

PX_PER_MM = 4.0
COARSE = 8  # the map is computed at every so many pixels, and filled in between
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
            self._map = _coarse_map(camera, self._pose, top_mm)
        return cv2.remap(image, *self._map, cv2.INTER_LINEAR)


def _coarse_map(camera, pose: np.ndarray, top_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Where each pixel of the straightened sheet lies in the picture; exact at every eighth, straight between."""
    nx, ny = (round(s * PX_PER_MM) for s in SHEET_MM)
    cols, rows = np.arange(0, nx + COARSE, COARSE), np.arange(0, ny + COARSE, COARSE)
    x, y = -SHEET_MM[0] / 2 + (cols + 0.5) / PX_PER_MM, SHEET_MM[1] / 2 - (rows + 0.5) / PX_PER_MM
    flat = np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)
    bench_mm = np.column_stack([flat, np.full(len(flat), top_mm)])
    px = np.nan_to_num(camera.project(bench_mm @ pose[:3, :3].T + pose[:3, 3]), nan=-1e4).reshape(len(rows), len(cols),
                                                                                                  2)
    fine = np.stack(np.meshgrid(np.arange(nx) / COARSE, np.arange(ny) / COARSE), -1).astype(np.float32)
    whole = cv2.remap(px.astype(np.float32), fine[..., 0], fine[..., 1], cv2.INTER_LINEAR)
    return np.ascontiguousarray(whole[..., 0]), np.ascontiguousarray(whole[..., 1])


def picture_corners(flat: np.ndarray) -> np.ndarray:
    """Strong corners in the straightened picture, in mm on the bench."""
    grey = cv2.GaussianBlur(cv2.cvtColor(flat, cv2.COLOR_BGR2GRAY), (0, 0), 1.0)
    found = cv2.goodFeaturesToTrack(grey, 400, 0.02, 6)
    if found is None:
        return np.zeros((0, 2))
    px = found.reshape(-1, 2)
    return np.column_stack([(px[:, 0] + 0.5) / PX_PER_MM - SHEET_MM[0] / 2, SHEET_MM[1] / 2
                            - (px[:, 1] + 0.5) / PX_PER_MM])
