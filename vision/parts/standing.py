"""Whether a small part stands on its short side: it then hides board beside its place that was bare before."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision import rigid
from vision.camera.model import CameraModel
from vision.parts.gates import LEAST_POINTS
from vision.parts.patch import grey_at
from vision.parts.place import PartSpec, Window
from vision.types import FloatArray

__all__ = ["Standing", "make_standing"]

_LONGEST_MM = 5.0  # parts that the surface of molten solder can lift [convention]
_CLEAR_MM = 0.25  # from the lying part's picture: with twice as much nothing is left of a chip's side [convention]
# of grey levels, and of each: more than a faint shadow that went with the part [convention]
_CHANGED_GREY, _CHANGED_SHARE = 14.0, 0.2


@dataclass(frozen=True)
class Standing:
    """Board beside a part, for each short side on which it may stand: what the standing part would hide, and what not.

    Attributes
    ----------
    points_mm : array, shape (n, 2)
        On the board, from the part's centre.
    hidden : tuple of bool arrays, shape (n,)
        One for each side.
    grey : array, shape (n,)
        When it lay.
    """

    points_mm: FloatArray
    hidden: tuple[np.ndarray, ...]
    grey: FloatArray

    def share(self, picture: np.ndarray, window: Window, shift: FloatArray, gain: float) -> float:
        """How much more of what a standing part would hide has changed than of the rest, the likelier side, -1 to 1;
        nan when there is too little to tell by."""
        now = grey_at(picture, window.ring_px, self.points_mm, shift)
        changed = np.abs(now - gain * self.grey) > _CHANGED_GREY + _CHANGED_SHARE * gain * self.grey
        rest = ~np.any(self.hidden, axis=0)
        shares = [
            float(changed[side].mean() - changed[rest].mean())
            for side in self.hidden
            if side.sum() >= LEAST_POINTS and rest.sum() >= LEAST_POINTS
        ]
        return max(shares, default=np.nan)


def make_standing(
    camera: CameraModel, pose: FloatArray, spec: PartSpec, board_top_mm: float, picture: np.ndarray, window: Window
) -> Standing | None:
    """What to look at, from the picture in which the part lies; None for a part that does not stand up."""
    corners = cv2.boxPoints(cv2.minAreaRect(np.asarray(spec.outline_mm, np.float32))).astype(float)
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    if max(sides) > _LONGEST_MM or max(sides) < 1.3 * min(sides):
        return None
    outline = np.asarray(spec.outline_mm)
    centre, reach = (outline.min(0) + outline.max(0)) / 2, max(sides) + 0.7
    x, y = np.meshgrid(*(np.arange(-reach - max(sides) / 2, reach + max(sides) / 2, 0.7 / window.px_per_mm),) * 2)
    points = np.stack([x.ravel(), y.ravel()], 1)
    at = np.column_stack([points + centre, np.full(len(points), board_top_mm)])
    px = camera.project(rigid.apply(pose, at))
    lying = _hull(camera, pose, corners, board_top_mm, spec.height_mm)
    beside = _away(lying, px) > _CLEAR_MM * window.px_per_mm
    hidden = []
    for i in np.argsort(sides)[:2]:
        a, b, inwards = corners[i], corners[(i + 1) % 4], corners[(i + 2) % 4] - corners[(i + 1) % 4]
        depth = inwards / max(np.linalg.norm(inwards), 1e-9) * spec.height_mm
        hidden.append(
            _away(_hull(camera, pose, np.array([a, b, b + depth, a + depth]), board_top_mm, max(sides)), px) < 0.0
        )
    grey = grey_at(picture, window.ring_px, points, np.zeros(3))
    kept = beside & np.isfinite(grey)
    return Standing(points[kept], tuple(h[kept] for h in hidden), grey[kept])


def _hull(
    camera: CameraModel, pose: FloatArray, base_mm: FloatArray, board_top_mm: float, height_mm: float
) -> np.ndarray:
    """Picture of an upright box over a base."""
    both = np.vstack([np.column_stack([base_mm, np.full(len(base_mm), board_top_mm + z)]) for z in (0.0, height_mm)])
    return cv2.convexHull(camera.project(rigid.apply(pose, both)).astype(np.float32))


def _away(hull: np.ndarray, px: FloatArray) -> FloatArray:
    return np.array([-cv2.pointPolygonTest(hull, (float(u), float(v)), True) for u, v in px])
