"""Stored pictures of the bench follow the camera when that is bumped, focuses anew or was moved since they were
taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision import rigid
from vision.bench.background import BenchView, cast_of, known_of, redrawn_bench, with_cast
from vision.bench.board import BoardFollower
from vision.bench.follower import MOVED_PX, STILL_S, seen_before
from vision.camera.lens import mean_shift_px
from vision.camera.model import CameraModel
from vision.types import BenchPose, FloatArray

__all__ = ["BenchWarper", "BenchRelief", "bench_now"]

_PITCH_PX = 8  # of the pixels whose way is computed; it changes slowly across the picture [convention]
_WATCHED_MM = np.array([[x, y, 0.0] for x in (-100, 0, 100) for y in (-70, 0, 70)])  # [convention]


@dataclass(frozen=True)
class BenchRelief:
    """The bench as two level planes: the board's square, and the mat around it.

    Attributes
    ----------
    camera : CameraModel
    board_top_mm : float
        Height of the board's top face over the mat.
    board : BoardFollower or None
        Tells where the board is in a picture; without one all is mat.
    """

    camera: CameraModel
    board_top_mm: float = 0.0
    board: BoardFollower | None = None

    def is_elsewhere(self, then: FloatArray, now: FloatArray) -> bool:
        """Whether the bench is seen at another place in the picture; poses camera from bench, shape (4, 4)."""
        return mean_shift_px(_WATCHED_MM, then, now, self.camera.lens) > MOVED_PX  # less the view learns by itself

    def seen_before_px(self, then: FloatArray, now: FloatArray) -> np.ndarray:
        """Where at one pose each pixel of the picture at another was seen, shape (h, w, 2), float32; nan where
        nowhere.
        """
        seen_px = self._plane_before_px(then, now, 0.0)
        if self.board is not None:
            on_board = self.board.region(now, seen_px.shape) > 0
            seen_px[on_board] = self._plane_before_px(then, now, self.board_top_mm)[on_board]
        return seen_px

    def slid_before_px(self, pose: FloatArray, before: FloatArray, after: FloatArray) -> np.ndarray:
        """Where each pixel was seen before the board was nudged, were all of the bench at its height and nudged with
        it.

        `before` and `after` are shifts (3,) as `BoardFollower` has them; shape as `seen_before_px`.
        """
        return self._plane_before_px(pose @ _slide(before) @ rigid.inverse(_slide(after)), pose, self.board_top_mm)

    def warped(self, light: np.ndarray, then: FloatArray, now: FloatArray) -> np.ndarray:
        """A bench picture as `compose_bench` makes it, as seen from another pose; black where it was not in view."""
        if not self.is_elsewhere(then, now):
            return light
        return redrawn_bench(light, self.seen_before_px(then, now))

    def _plane_before_px(self, then: FloatArray, now: FloatArray, height_mm: float) -> np.ndarray:
        w, h = self.camera.image_size_px
        columns, rows = -(-w // _PITCH_PX), -(-h // _PITCH_PX)
        x, y = np.meshgrid((np.arange(columns) + 0.5) * w / columns - 0.5, (np.arange(rows) + 0.5) * h / rows - 0.5)
        mesh = np.stack([x.ravel(), y.ravel()], 1)
        shift = seen_before(self.camera, then, now, mesh, height_mm) - mesh
        wide = cv2.resize(shift.reshape(rows, columns, 2).astype(np.float32), (w, h), interpolation=cv2.INTER_LINEAR)
        x, y = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
        return wide + np.stack([x, y], 2)


def bench_now(relief: BenchRelief, light: np.ndarray | None, then: FloatArray | None, image: np.ndarray,
              now: FloatArray) -> tuple[np.ndarray | None, FloatArray]:
    """A stored bench picture as a frame shows it: from where the camera stands now, in the light of now.

    Parameters
    ----------
    light : array, shape (h, w, 3), or None
        As `compose_bench` makes it; one of another size than the frame is left alone.
    then, now : array, shape (4, 4)
        Camera from bench, of the stored picture (None: the camera is taken to stand where it stood) and of the frame.
    image : array, shape (h, w, 3), uint8
        The frame.

    Returns
    -------
    The picture, and the cast that it was given, as `cast_of` tells it.
    """
    if light is None or light.shape != image.shape:
        return light, np.zeros(3)
    if then is not None:
        light = relief.warped(light, then, now)
    cast = cast_of(image, light, known_of(light))
    return with_cast(light, cast), cast


def _slide(shift: FloatArray) -> FloatArray:
    """A board's shift x, y [mm], turn [rad] as a transform (4, 4)."""
    return rigid.transform(rigid.exp_rotation(np.array([0.0, 0.0, shift[2]])), np.array([shift[0], shift[1], 0.0]))


class BenchWarper:
    """Redraws a bench's view for where the camera stands now, and the board lies.

    All of one camera move is drawn from the picture before it, so that nothing is smoothed or lost twice; when a frame
    had gone astray, the view is as it was.

    Parameters
    ----------
    relief : BenchRelief
    view : BenchView
    pose : BenchPose
        Of the mat, as the view shows it.
    """

    def __init__(self, relief: BenchRelief, view: BenchView, pose: BenchPose):
        self._relief, self._view = relief, view
        self._then = self._now = pose.cam_from_bench
        self._kept = view.light, view.known
        self._t_moved_s = -np.inf

    def step(self, pose: BenchPose) -> None:
        """Let the view show the bench as seen from this pose."""
        if not self._relief.is_elsewhere(self._now, pose.cam_from_bench):
            return
        if pose.t_s - self._t_moved_s > STILL_S:
            self._then, self._kept = self._now, (self._view.light, self._view.known)
        self._now, self._t_moved_s = pose.cam_from_bench, pose.t_s
        self._view.redraw(*self._kept, self._relief.seen_before_px(self._then, self._now))

    def slide(self, picture: np.ndarray, tool: np.ndarray | None, before: FloatArray, after: FloatArray) -> None:
        """Let the view's board lie where it was nudged to, from one shift (3,) to another.

        Parameters
        ----------
        picture : array, shape (h, w, 3), uint8
            Of now; it tells what of the bench was nudged.
        tool : array or None
            Where the tool may be, as in `BenchView.learn`; there the watched square counts as nudged.
        """
        board = self._relief.board
        assert board is not None  # it told of the nudge
        slid_px = self._relief.slid_before_px(self._now, before, after)
        self._view.take_over(picture, tool, slid_px, board.region(self._now, slid_px.shape))
        self._then, self._kept = self._now, (self._view.light, self._view.known)
