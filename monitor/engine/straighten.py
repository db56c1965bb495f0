"""The board seen straight from above: the camera's picture mapped onto the board's top plane."""

from __future__ import annotations

import math

import cv2
import numpy as np

from monitor.judging.exposure import onto_now
from vision.camera.model import CameraModel
from vision.types import BenchPose, FloatArray

__all__ = ["straighten", "board_picture", "PX_PER_MM"]

PX_PER_MM = 8.0


def straighten(image: np.ndarray, camera: CameraModel, bench: BenchPose, board_top_mm: float,
               extent_mm: tuple[float, float, float, float], board_shift: FloatArray,
               px_per_mm: float = PX_PER_MM) -> np.ndarray:
    """Picture of the board's top plane, +x to the right and +y up, in the job's board coordinates.

    Parameters
    ----------
    image : array, shape (h, w, 3), uint8
        As it came, still distorted.
    camera : CameraModel
    bench : BenchPose
    board_top_mm : float
    extent_mm : tuple
        Left, right, bottom, top [mm].
    board_shift : array, shape (3,)
        Of the board since the start.

    Returns
    -------
    array, shape (rows, columns, 3), uint8
        What the camera did not see is black.
    """
    left, right, bottom, top = extent_mm
    nx, ny = (math.ceil((b - a) * px_per_mm) for a, b in ((left, right), (bottom, top)))
    x, y = left + (np.arange(nx) + 0.5) / px_per_mm, top - (np.arange(ny) + 0.5) / px_per_mm
    flat = onto_now(np.stack(np.meshgrid(x, y), -1).reshape(-1, 2), board_shift)
    bench_mm = np.column_stack([flat, np.full(len(flat), board_top_mm)])
    pose = bench.cam_from_bench
    px = camera.project(bench_mm @ pose[:3, :3].T + pose[:3, 3]).reshape(ny, nx, 2).astype(np.float32)
    px = np.nan_to_num(px, nan=-1e4)
    return cv2.remap(image, px[..., 0], px[..., 1], cv2.INTER_AREA if px_per_mm < 4 else cv2.INTER_LINEAR)


def board_picture(views: list[np.ndarray]) -> np.ndarray:
    """The board without the tool: the median of straightened pictures spread over the recording."""
    return np.median(np.stack(views), axis=0).astype(np.uint8)
