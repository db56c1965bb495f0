"""Guides the taking of calibration photographs: what is in view, whether it is new and still, which view is missing."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.bench.mat import Mat
from vision.calibrate.lens import CharucoTarget, View, find_target
from vision.types import FloatArray

__all__ = ["LENS_BOARD", "CameraGuide", "Guidance", "ENOUGH"]

LENS_BOARD = CharucoTarget((9, 6), 25.0, 18.0, "DICT_5X5_100")  # the one that is printed
ENOUGH = 15
STILL_PX = 1.5  # mean move of the corners between two looks
NEW_SHARE = 0.06  # of the picture's width: mean move from every photograph taken
NEW_LEAN_RAD = np.radians(12.0)
TILT_RAD = np.radians(20.0)
EACH_SIDE = 2
_LEANS = {"left": (-1, 0), "right": (1, 0), "up": (0, -1), "down": (0, 1)}
_CORNERS = {"top left": (0, 0), "top right": (1, 0), "bottom left": (0, 1), "bottom right": (1, 1)}


@dataclass(frozen=True)
class Guidance:
    """What one look says.

    Attributes
    ----------
    points_px : array (n, 2) or None
        The target's corners in the picture.
    is_taken : bool
        Whether this look is worth a photograph.
    advice : str
        The one thing to do next.
    n_taken : int
    missing : tuple of str
        Views that are still missing.
    """

    points_px: FloatArray | None
    is_taken: bool
    advice: str
    n_taken: int
    missing: tuple[str, ...]


class CameraGuide:
    """Keeps account of the views; `look` with every picture that there is time for."""

    def __init__(self, target: CharucoTarget | Mat) -> None:
        self._target = target
        self._before: View | None = None
        self._taken: list[tuple[View, FloatArray]] = []
        self._size = (1, 1)

    @property
    def n_taken(self) -> int:
        """How many photographs were taken."""
        return len(self._taken)

    def look(self, image: np.ndarray, insist: bool = False, may_take: bool = True) -> Guidance:
        """Judge a picture; with `insist` it is taken if only the target is found."""
        self._size = image.shape[1::-1]
        view = find_target(image, self._target)
        if view is None:
            self._before = None
            return self._say(None, False, "hold the target into view, whole and well lit")
        moved = _moved(view, self._before)
        self._before = view
        if not insist:
            if moved > STILL_PX:
                return self._say(view, False, "hold still")
            if not self._is_new(view):
                return self._say(view, False, "")
        if not may_take:
            return self._say(view, False, "still, and new: take it")
        self._taken.append((view, _normal(view, self._size)))
        return self._say(view, True, "taken")

    def _is_new(self, view: View) -> bool:
        """Whether every photograph taken shows the target elsewhere or leaning another way."""
        normal = _normal(view, self._size)
        return all(_moved(view, old) >= NEW_SHARE * self._size[0] or float(normal @ other) < np.cos(NEW_LEAN_RAD)
                   for old, other in self._taken)

    def missing(self) -> tuple[str, ...]:
        """Views that are still missing, in words."""
        if not self._taken:
            return ("the target near each corner of the picture, and leaning each way",)
        points = np.concatenate([v.points_px for v, _ in self._taken]) / self._size
        bare = [name for name, at in _CORNERS.items() if np.sum(np.all(abs(points - at) < 0.25, axis=1)) < 4]
        normals = np.array([n for _, n in self._taken])
        flat = [name for name, (x, y) in _LEANS.items()
                if np.sum(normals[:, 0] * x + normals[:, 1] * y > np.sin(TILT_RAD)) < EACH_SIDE]
        out = [f"hold the target into the picture's {name} corner" for name in bare]
        out += [f"lean the target so that it faces {name}" for name in flat]
        if not out and len(self._taken) < ENOUGH:
            out.append(f"{ENOUGH - len(self._taken)} more, each a little different")
        return tuple(out)

    def _say(self, view: View | None, is_taken: bool, advice: str) -> Guidance:
        missing = self.missing()
        text = advice or (missing[0] if missing else "enough: calibrate now")
        return Guidance(None if view is None else view.points_px, is_taken, text, len(self._taken), missing)


def _moved(view: View, other: View | None) -> float:
    """Mean distance of the corners that both views have [px]; inf when they have too few."""
    if other is None:
        return np.inf
    places = {tuple(mm): px for mm, px in zip(np.round(other.points_mm, 3), other.points_px, strict=False)}
    pairs = [(px, places[key]) for px, key in zip(view.points_px, map(tuple, np.round(view.points_mm, 3)), strict=False)
             if key in places]
    return float(np.mean([np.hypot(*(a - b)) for a, b in pairs])) if len(pairs) >= 4 else np.inf


def _normal(view: View, size: tuple[int, int]) -> FloatArray:
    """Which way the target faces, roughly: for a camera with a usual angle of view; towards the camera is -z."""
    matrix = np.array([[1.1 * size[0], 0, size[0] / 2], [0, 1.1 * size[0], size[1] / 2], [0, 0, 1]])
    flat = np.column_stack([view.points_mm[:, :2], np.zeros(len(view.points_mm))])
    done, turn, _ = cv2.solvePnP(flat, view.points_px, matrix, None, flags=cv2.SOLVEPNP_IPPE)
    if not done:
        return np.array([0.0, 0.0, -1.0])
    normal = cv2.Rodrigues(turn)[0][:, 2]
    return -normal * np.sign(normal[2] or 1.0)
