"""Whether the circuit board was nudged: its own picture against the one first seen, in the straightened top view."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from vision.camera.lens import pixels
from vision.camera.model import CameraModel
from vision.camera.sources import brightness
from vision.types import BenchEvent, BenchPose, FloatArray, Frame

__all__ = ["BoardFollower", "rigid_shift"]

# of the straightened picture: points so near to a shift speak for it, measurements so near confirm each other
# [convention]
_PITCH_MM = 0.4
_EVERY_S = 0.3  # between two looks [convention]
# of the watched square, centre or corner: less is not told from noise, shadow and compression [trial]
_MOVED_MM = 0.6
_LEAST_POINTS = 16  # for a shift [convention]
_MAX_POINTS = 150  # followed, for the time that takes [convention]


class BoardFollower:
    """Watches the board around one place.

    Parameters
    ----------
    camera : CameraModel
    board_top_mm : float
        Height of the board's top face over the mat.
    centre_mm : array, shape (2,)
        What to watch around, bench frame: the target's centre.
    reach_mm : float
        Half the side of the watched square; it should show the board rather than the mat.
    """

    def __init__(self, camera: CameraModel, board_top_mm: float, centre_mm: FloatArray, reach_mm: float = 35.0):
        self._camera = camera
        self._centre_mm, self._reach_mm, self._top_mm = np.asarray(centre_mm, float), reach_mm, board_top_mm
        side = round(2 * reach_mm / _PITCH_MM)
        steps = (np.arange(side) - (side - 1) / 2) * _PITCH_MM
        x, y = np.meshgrid(self._centre_mm[0] + steps, self._centre_mm[1] - steps)  # rows run towards the operator
        self._grid_mm = np.stack([x.ravel(), y.ravel(), np.full(x.size, board_top_mm)], 1)
        self._side = side
        self._first: tuple[np.ndarray, np.ndarray] | None = None
        self._pending: FloatArray | None = None
        self._shift = np.zeros(3)
        self._t_s = -np.inf

    @property
    def shift(self) -> FloatArray:
        """How far the board lies from where it first lay, shape (3,): x, y [mm], turn about the bench's origin
        [rad].
        """
        return self._shift.copy()

    def region(self, cam_from_bench: FloatArray, shape) -> np.ndarray:
        """Mask (h, w), uint8, of the watched square in a picture of that shape, at a pose (4, 4)."""
        corners = self._grid_mm[[0, self._side - 1, -1, -self._side]]
        px: np.ndarray = pixels(corners, cam_from_bench, self._camera.lens)
        out = np.zeros(shape[:2], np.uint8)
        if np.isfinite(px).all():
            cv2.fillConvexPoly(out, np.round(px).astype(np.int32), 255)
        return out

    def step(self, frame: Frame, bench: BenchPose, tool: np.ndarray | None = None) -> tuple[FloatArray,
                                                                                            tuple[BenchEvent, ...]]:
        """The board's shift at this frame, and an event when it was moved.

        Parameters
        ----------
        tool : array, or None
            Nonzero where the tool covers the picture, of its shape or a part of that; it only helps.
        """
        if frame.t_s - self._t_s < _EVERY_S:
            return self.shift, ()
        self._t_s = frame.t_s
        view, free = self._straighten(brightness(frame), bench, tool)
        if self._first is None:
            points = cv2.goodFeaturesToTrack(view, _MAX_POINTS, 0.02, 2.0 / _PITCH_MM, mask=free, blockSize=7)
            if points is not None and len(points) >= 2 * _LEAST_POINTS:
                self._first = view, points.reshape(-1, 2)
            return self.shift, ()
        found = self._measure(view, free, *self._first)
        events = () if found is None else self._events_of(found, frame.t_s)
        return self.shift, events

    def _straighten(self, grey: np.ndarray, bench: BenchPose, tool):
        """The watched square from above with its local contrast evened out, and where it is in the picture and free."""
        at = pixels(self._grid_mm, bench.cam_from_bench, self._camera.lens).reshape(self._side, self._side, 2)
        at = np.nan_to_num(at, copy=False, nan=-1e4)
        view = cv2.remap(grey, at, None, cv2.INTER_LINEAR)  # type: ignore[call-overload]  # its stub wants two
        view = view.astype(np.float32)
        h, w = grey.shape
        free = cv2.inRange(at, (8.0, 8.0), (w - 9.0, h - 9.0))
        if tool is not None:
            scale = np.float32(tool.shape[1] / w)
            covered = (tool > 0).astype(np.uint8)
            at = (at + 0.5) * scale - 0.5
            covered = cv2.remap(covered, at, None, cv2.INTER_NEAREST)  # type: ignore[call-overload]  # as above
            free[cv2.dilate(covered, np.ones((15, 15), np.uint8)) > 0] = 0
        view -= cv2.GaussianBlur(view, (0, 0), 8.0)  # exposure and soft shadows go
        spread = np.sqrt(cv2.GaussianBlur(view * view, (0, 0), 8.0)) + 4.0
        return np.clip(128 + 40 * view / spread, 0, 255).astype(np.uint8), free

    def _measure(self, view: np.ndarray, free: np.ndarray, old_view: np.ndarray, old: np.ndarray) -> FloatArray | None:
        """Shift (3,) of the board from the first view and its points (n, 2), or None when too little of it is seen."""
        old_mm = self._to_mm(old)
        best, best_count = None, 0
        for guess in self._guesses():
            start = self._to_view(_moved(old_mm, guess)).astype(np.float32)
            new, ok = _follow(old_view, view, old.astype(np.float32), start)
            seat = np.clip(new.round().astype(int), 0, self._side - 1)
            ok &= free[seat[:, 1], seat[:, 0]] > 0
            fit = rigid_shift(old_mm[ok], self._to_mm(new[ok]), _PITCH_MM) if ok.sum() >= _LEAST_POINTS else None
            if fit is not None and fit.n_agreeing > best_count:
                best, best_count = fit.shift, fit.n_agreeing
            if best_count >= 0.5 * len(old):
                break
        return best if best_count >= _LEAST_POINTS else None

    def _guesses(self):
        yield self._shift
        if self._pending is not None:
            yield self._pending

    def _events_of(self, found: FloatArray, t_s: float) -> tuple[BenchEvent, ...]:
        """Believe a move once two measurements in a row agree on it."""
        if not self._differs(found, self._shift, _MOVED_MM):
            self._pending = None
            return ()
        agreed = self._pending is not None and not self._differs(found, self._pending, _PITCH_MM)
        if not agreed:
            self._pending = found
            return ()
        before, self._shift, self._pending = self._shift, found, None
        moved = float(np.linalg.norm(self._at_centre(found) - self._at_centre(before)))
        turned = float(np.degrees(found[2] - before[2]))
        return (BenchEvent(t_s, "board_moved",
                           f"the board moved by {moved:.1f} mm and turned by {turned:+.1f} degrees; "
                                               "the regions move with it"),)

    def _differs(self, a: FloatArray, b: FloatArray, by_mm: float) -> bool:
        """Whether the watched square's centre is apart, or a corner turned about it by more than a move is."""
        apart = float(np.linalg.norm(self._at_centre(a) - self._at_centre(b)))
        return apart > by_mm or abs(a[2] - b[2]) * math.sqrt(2.0) * self._reach_mm > _MOVED_MM

    def _at_centre(self, shift: FloatArray) -> FloatArray:
        return _moved(self._centre_mm[None], shift)[0]

    def _to_mm(self, px: FloatArray) -> FloatArray:
        return self._centre_mm + (px - (self._side - 1) / 2) * (_PITCH_MM, -_PITCH_MM)

    def _to_view(self, mm: FloatArray) -> FloatArray:
        return (mm - self._centre_mm) / (_PITCH_MM, -_PITCH_MM) + (self._side - 1) / 2


@dataclass(frozen=True)
class RigidShift:
    """A plane's shift (x, y [mm], turn about the origin [rad]) and how many points agree with it."""

    shift: FloatArray
    n_agreeing: int


def rigid_shift(start_mm: FloatArray, now_mm: FloatArray, within_mm: float) -> RigidShift | None:
    """The shift that most points agree on.

    Parameters
    ----------
    start_mm, now_mm : arrays, shape (n, 2)
        The same points before and after; up to about half may be wrong.
    within_mm : float
        How near a point must come to agree.

    Returns
    -------
    RigidShift or None
        now = R(turn) start + (x, y); None when no two points agree on one.
    """
    rng = np.random.default_rng(0)
    best = np.zeros(len(start_mm), bool)
    for i, j in rng.integers(len(start_mm), size=(200, 2)):
        a, b = start_mm[j] - start_mm[i], now_mm[j] - now_mm[i]
        if np.hypot(*a) < 5.0 or abs(np.hypot(*b) - np.hypot(*a)) > 2 * within_mm:
            continue
        turn = np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b)
        guess = np.array([*(now_mm[i] - _turned(start_mm[i], turn)), turn])
        near = np.linalg.norm(_moved(start_mm, guess) - now_mm, axis=1) < within_mm
        best = near if near.sum() > best.sum() else best
        if best.mean() > 0.8:
            break
    if best.sum() < 2:
        return None
    for _ in range(3):
        shift = _procrustes(start_mm[best], now_mm[best])
        near = np.linalg.norm(_moved(start_mm, shift) - now_mm, axis=1) < within_mm
        best = near if near.sum() >= 2 else best
    return RigidShift(shift, int(best.sum()))


def _follow(old_view: np.ndarray, view: np.ndarray, old: np.ndarray,
            start: np.ndarray) -> tuple[FloatArray, np.ndarray]:
    """Points followed from one view to another and back; those that do not come back are not sound."""
    new, ok = _flow(old_view, view, old.reshape(-1, 1, 2), start.reshape(-1, 1, 2).copy())
    back, ok_back = _flow(view, old_view, new, old.reshape(-1, 1, 2).copy())
    new, back = new.reshape(-1, 2).astype(float), back.reshape(-1, 2)
    sound = (np.ravel(ok) > 0) & (np.ravel(ok_back) > 0) & (np.linalg.norm(back - old, axis=1) < 0.5)
    return new, sound


def _flow(a: np.ndarray, b: np.ndarray, points: np.ndarray, start: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 1, 2) of one view in another, looked for from a start, and which were found."""
    found, ok, _ = cv2.calcOpticalFlowPyrLK(a, b, points, start, winSize=(21, 21), maxLevel=3,
                                            flags=cv2.OPTFLOW_USE_INITIAL_FLOW)
    return found, ok


def _turned(points: FloatArray, turn_rad: float) -> FloatArray:
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    return points @ np.array([[c, s], [-s, c]])


def _moved(points_mm: FloatArray, shift: FloatArray) -> FloatArray:
    return _turned(points_mm, shift[2]) + shift[:2]


def _procrustes(start_mm: FloatArray, now_mm: FloatArray) -> FloatArray:
    """Least squares rigid shift of the plane."""
    a, b = start_mm - start_mm.mean(0), now_mm - now_mm.mean(0)
    turn = float(np.arctan2(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), np.sum(a * b)))
    return np.array([*(now_mm.mean(0) - _turned(start_mm.mean(0), turn)), turn])
