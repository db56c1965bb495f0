"""The stored picture of the bench follows the camera when that is bumped or focuses anew."""

from __future__ import annotations

import cv2
import numpy as np

from vision import rigid
from vision.background import BenchView
from vision.bench import seen_before
from vision.board import BoardFollower
from vision.camera import CameraModel
from vision.types import BenchPose, FloatArray

__all__ = ["BenchCarrier"]

_CARRIED_PX = 0.3  # mean shift of the bench in the picture; less is left to the view's own learning
_STILL_S = 0.5  # moves that follow each other sooner are one
_PITCH_PX = 8  # of the pixels whose way is computed; it changes slowly across the picture
_WATCHED_MM = np.array([[x, y, 0.0] for x in (-100, 0, 100) for y in (-70, 0, 70)])


class BenchCarrier:
    """Redraws a bench's view for where the camera stands now.

    All of one move is drawn from the picture before it, so that nothing is smoothed or lost twice; when a frame had gone
    astray, the view is as it was.

    Parameters
    ----------
    camera : CameraModel
    board_top_mm : float
        Height of the board's top face over the mat.
    view : BenchView
    pose : BenchPose
        Of the mat, as the view shows it.
    board : BoardFollower, optional
        Tells where the board is seen; all else is taken for the mat.
    """

    def __init__(self, camera: CameraModel, board_top_mm: float, view: BenchView, pose: BenchPose, board: BoardFollower | None):
        self._camera, self._board_top_mm, self._board, self._view = camera, board_top_mm, board, view
        self._then, self._kept = pose, (view.light, view.known)
        self._now, self._now_px = pose, self._seen(pose)
        self._t_moved_s = -np.inf

    def step(self, pose: BenchPose) -> None:
        """Let the view show the bench as seen from this pose."""
        now_px = self._seen(pose)
        shift_px = np.linalg.norm(now_px - self._now_px, axis=1)
        if not shift_px[np.isfinite(shift_px)].mean() > _CARRIED_PX:
            return
        if pose.t_s - self._t_moved_s > _STILL_S:
            self._then, self._kept = self._now, (self._view.light, self._view.known)
        self._now, self._now_px, self._t_moved_s = pose, now_px, pose.t_s
        seen_px = self._before(pose, 0.0)
        if self._board is not None:
            on_board = self._board.region(pose, seen_px.shape) > 0
            seen_px[on_board] = self._before(pose, self._board_top_mm)[on_board]
        self._view.redraw(*self._kept, seen_px)

    def _seen(self, pose: BenchPose) -> FloatArray:
        return self._camera.project(rigid.apply(pose.cam_from_bench, _WATCHED_MM))

    def _before(self, pose: BenchPose, height_mm: float) -> FloatArray:
        """Where each pixel's point of a plane was seen before the move, shape (h, w, 2), float32 [px]; nan where nowhere."""
        w, h = self._camera.image_size_px
        columns, rows = -(-w // _PITCH_PX), -(-h // _PITCH_PX)
        x, y = np.meshgrid((np.arange(columns) + 0.5) * w / columns - 0.5, (np.arange(rows) + 0.5) * h / rows - 0.5)
        mesh = np.stack([x.ravel(), y.ravel()], 1)
        way = seen_before(self._camera, self._then.cam_from_bench, pose.cam_from_bench, mesh, height_mm) - mesh
        way = cv2.resize(way.reshape(rows, columns, 2).astype(np.float32), (w, h), interpolation=cv2.INTER_LINEAR)
        x, y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
        return way + np.stack([x, y], 2)
