"""The board seen straight from above: the camera's picture mapped onto the board's top plane."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from monitor.judging.exposure import onto_now
from vision.camera.model import CameraModel
from vision.types import BenchPose, FloatArray

__all__ = ["Sheet", "straighten", "plane_map", "board_picture", "PX_PER_MM"]

PX_PER_MM = 8.0
COARSE = 8  # the map is computed at every so many pixels, and filled in between: it bends by less than 0.01 px there
Extent = tuple[float, float, float, float]


@dataclass(frozen=True)
class Sheet:
    """A level part of the bench as a picture from above shows it.

    Attributes
    ----------
    extent_mm : tuple
        Left, right, bottom, top.
    top_mm : float
        Height over the mat.
    px_per_mm : float
    """

    extent_mm: Extent
    top_mm: float
    px_per_mm: float = PX_PER_MM


def straighten(image: np.ndarray, camera: CameraModel, bench: BenchPose, sheet: Sheet,
               board_shift: FloatArray) -> np.ndarray:
    """Picture of the board's top plane, +x to the right and +y up, in the job's board coordinates.

    Parameters
    ----------
    image : array, shape (h, w, 3), uint8
        As it came, still distorted.
    camera : CameraModel
    bench : BenchPose
    sheet : Sheet
    board_shift : array, shape (3,)
        Of the board since the start.

    Returns
    -------
    array, shape (rows, columns, 3), uint8
        What the camera did not see is black.
    """
    places = plane_map(camera, bench.cam_from_bench, sheet, board_shift)
    return cv2.remap(image, *places, cv2.INTER_AREA if sheet.px_per_mm < 4 else cv2.INTER_LINEAR)


def plane_map(camera: CameraModel, cam_from_bench: FloatArray, sheet: Sheet,
              board_shift: FloatArray) -> tuple[np.ndarray, np.ndarray]:
    """Columns and rows of the picture, each (rows, columns), in which the pixels of such a straightened picture lie."""
    (left, right, bottom, top), px_per_mm = sheet.extent_mm, sheet.px_per_mm
    nx, ny = (math.ceil((b - a) * px_per_mm) for a, b in ((left, right), (bottom, top)))
    columns, rows = np.arange(0, nx + COARSE, COARSE), np.arange(0, ny + COARSE, COARSE)
    x, y = left + (columns + 0.5) / px_per_mm, top - (rows + 0.5) / px_per_mm
    flat = onto_now(np.stack(np.meshgrid(x, y), -1).reshape(-1, 2), board_shift)
    bench_mm = np.column_stack([flat, np.full(len(flat), sheet.top_mm)])
    px = camera.project(bench_mm @ cam_from_bench[:3, :3].T + cam_from_bench[:3, 3])
    px = np.nan_to_num(px, nan=-1e4).reshape(len(rows), len(columns), 2).astype(np.float32)
    across, down = np.meshgrid(*(np.arange(n, dtype=np.float32) / COARSE for n in (nx, ny)))
    u, v = (cv2.remap(np.ascontiguousarray(px[..., k]), across, down, cv2.INTER_LINEAR) for k in (0, 1))
    return u, v


def board_picture(views: list[np.ndarray]) -> np.ndarray:
    """The board without the tool: the median of straightened pictures spread over the recording."""
    rows = list(views)
    for k in range(len(rows)):  # sorted by exchanging neighbours, whole pictures at a time: sooner done than by pixels
        for i in range(k % 2, len(rows) - 1, 2):
            rows[i], rows[i + 1] = np.minimum(rows[i], rows[i + 1]), np.maximum(rows[i], rows[i + 1])
    low, high = rows[(len(rows) - 1) // 2], rows[len(rows) // 2]
    return low + (high - low) // 2  # their mean, without leaving 8 bits
