"""The printed bench mat: which markers lie where."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import cv2
import numpy as np

from vision.errors import CalibrationError
from vision.loading import check_keys, read_toml
from vision.types import FloatArray

__all__ = ["Mat", "standard_mat", "load_mat"]


@dataclass(frozen=True)
class Mat:
    """Layout of a mat; bench frame: origin at the sheet's centre on its top face, x right, y to the top edge, z up.

    Attributes
    ----------
    dictionary : str
        Name of the marker dictionary, as OpenCV spells it.
    sheet_size_mm : tuple of float
        Width and height of the sheet.
    marker_size_mm : float
        Side of a marker's black square.
    ids : array of int, shape (n,)
    centres_mm : array, shape (n, 2)
    """

    dictionary: str
    sheet_size_mm: tuple[float, float]
    marker_size_mm: float
    ids: np.ndarray
    centres_mm: FloatArray

    def corners_mm(self, marker_id: int) -> FloatArray:
        """Corners of one marker, shape (4, 3) [mm], z = 0, in the detector's order: from its own top left,
        clockwise.
        """
        where = np.flatnonzero(self.ids == marker_id)
        if len(where) == 0:
            raise KeyError(f"no marker {marker_id} on the mat")
        return self.all_corners_mm[where[0]]

    @property
    def all_corners_mm(self) -> FloatArray:
        """Corners of all markers, shape (n, 4, 3) [mm], in the order of `ids`."""
        half = self.marker_size_mm / 2
        square = half * np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
        flat = self.centres_mm[:, None, :] + square
        return np.concatenate([flat, np.zeros(flat.shape[:2] + (1,))], axis=2)


def standard_mat() -> Mat:
    """The mat that comes with the program."""
    with resources.as_file(resources.files("vision.bench") / "mat.toml") as path:
        return load_mat(path)


def load_mat(path: Path | str) -> Mat:
    """Read a mat's layout.

    Raises
    ------
    CalibrationError
        One line naming the file and the key that is wrong.
    """
    path = Path(path)
    found = read_toml(path, "mat layout")
    check_keys(path, found, {"dictionary", "sheet_size", "marker_size", "markers"})
    name = found["dictionary"]
    if not isinstance(name, str) or not name.startswith("DICT_") or not hasattr(cv2.aruco, name):
        raise CalibrationError(f"{path}: dictionary: {name!r} is not the name of a marker dictionary")
    size, rows = found["marker_size"], found["markers"]
    table = _numbers(path, "markers", rows, (len(rows) if isinstance(rows, list) else 0, 3))
    sheet = _numbers(path, "sheet_size", found["sheet_size"], (2,))
    side = float(_numbers(path, "marker_size", size, ()))
    if side <= 0 or np.any(sheet <= 0) or len(table) < 1:
        raise CalibrationError(f"{path}: sheet_size, marker_size: expected lengths above 0 mm, and at least one marker")
    ids = table[:, 0].astype(int)
    if len(set(ids)) != len(ids) or np.any(ids != table[:, 0]) or np.any(ids < 0):
        raise CalibrationError(f"{path}: markers: ids must be different whole numbers")
    if np.any(np.abs(table[:, 1:]) + side / 2 > sheet / 2):
        raise CalibrationError(f"{path}: markers: a marker lies outside the sheet")
    centres = table[:, 1:].copy()
    ids.flags.writeable = centres.flags.writeable = False
    return Mat(name, (float(sheet[0]), float(sheet[1])), side, ids, centres)


def _numbers(path: Path, key: str, value: object, shape: tuple[int, ...]) -> FloatArray:
    try:
        out = np.array(value, dtype=float)
    except (TypeError, ValueError):
        out = np.array(np.nan)
    if out.shape != shape or not np.all(np.isfinite(out)):
        raise CalibrationError(f"{path}: {key}: expected finite numbers of shape {shape}")
    return out
