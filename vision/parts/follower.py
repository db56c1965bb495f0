"""All watched parts of a board: motion, events, and the pictures before and after."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from vision import rigid
from vision.camera.model import CameraModel
from vision.camera.sources import brightness
from vision.parts.events import PartEventDetector
from vision.parts.motion import PartWatcher
from vision.parts.place import AROUND_MM, PartSpec
from vision.parts.spots import SpotWatcher
from vision.types import BenchPose, FloatArray, Frame, PartEvent, VisionResult

__all__ = ["PartFollower"]

_PICTURE_EVERY_S = 0.5  # of a part that rests [convention]
_PICTURE_PX = 200  # of a picture: its sides [convention]


@dataclass
class _Album:
    """The last looks at one part that rested, the older first."""

    t_s: list[float] = field(default_factory=list)
    pictures: list[np.ndarray] = field(default_factory=list)

    def keep(self, t_s: float, picture: np.ndarray) -> None:
        self.t_s, self.pictures = [*self.t_s, t_s][-4:], [*self.pictures, picture][-4:]

    def before(self, t_s: float) -> np.ndarray | None:
        earlier = [p for t, p in zip(self.t_s, self.pictures, strict=True) if t < t_s]
        return earlier[-1] if earlier else None


class PartFollower:
    """Watches parts; feed it each frame with what vision made of it.

    Parameters
    ----------
    camera : CameraModel
    board_top_mm : float
    target : PartSpec
        The part that is worked on: its joints are meant to melt.
    neighbours : list of PartSpec
    reach_mm : float
        How far around the target small things that nobody marked are watched, too.
    """

    def __init__(
        self,
        camera: CameraModel,
        board_top_mm: float,
        target: PartSpec,
        neighbours: list[PartSpec],
        reach_mm: float = 0.0,
    ) -> None:
        self._camera, self._top_mm, self._specs = camera, board_top_mm, [target, *neighbours]
        self._watcher = PartWatcher(camera, board_top_mm, self._specs)
        self._detectors = [PartEventDetector(float(np.ptp(spec.outline_mm, axis=0).max()), spec is target)
                           for spec in self._specs]
        self._albums = [_Album() for _ in self._specs]
        self._spots = SpotWatcher(camera, board_top_mm, self._specs, reach_mm) if reach_mm > 0 else None
        self._spot_album = _Album()

    def warm_up(self) -> None:
        """Compile what the first frames need; changes nothing."""
        self._watcher.warm_up()
        if self._spots is not None:
            self._spots.warm_up()

    def step(self, frame: Frame, seen: VisionResult) -> VisionResult:
        """The same result with the parts in it."""
        motions = self._watcher.step(frame, seen.bench, seen.board_shift)
        events: list[PartEvent] = []
        for spec, motion, detector, album in zip(self._specs, motions, self._detectors, self._albums, strict=True):
            found = detector.step(motion)
            is_due = motion.is_measured and frame.t_s - (album.t_s[-1] if album.t_s else -np.inf) >= _PICTURE_EVERY_S
            if not isinstance(seen.bench, BenchPose) or not (found or is_due):
                events += found
                continue
            picture = self._picture(frame.image, seen.bench, spec, seen.board_shift)
            events += [replace(e, before=album.before(e.t_start_s), after=picture) for e in found]
            if is_due:
                album.keep(frame.t_s, picture)
        if self._spots is not None and isinstance(seen.bench, BenchPose):
            events += self._unmarked(self._spots, frame, seen.bench, seen.board_shift)
        return replace(seen, parts=motions, part_events=tuple(events))

    def _unmarked(
        self, spots: SpotWatcher, frame: Frame, bench: BenchPose, board_shift: FloatArray
    ) -> list[PartEvent]:
        """What moved around the target that nobody marked."""
        found, album = spots.step(brightness(frame), frame.t_s, bench.cam_from_bench, board_shift), self._spot_album
        is_due = frame.t_s - (album.t_s[-1] if album.t_s else -np.inf) >= _PICTURE_EVERY_S
        if not (found or is_due):
            return []
        picture = self._picture(frame.image, bench, spots.around, board_shift)
        found = [replace(e, before=album.before(e.t_start_s), after=picture) for e in found]
        if is_due:
            album.keep(frame.t_s, picture)
        return found

    def _picture(self, image: np.ndarray, bench: BenchPose, spec: PartSpec, board_shift: FloatArray) -> np.ndarray:
        """The part's place from above, north up."""
        outline = np.asarray(spec.outline_mm)
        centre, half = (outline.min(0) + outline.max(0)) / 2, float(np.ptp(outline, axis=0).max()) / 2 + AROUND_MM
        c, s = np.cos(board_shift[2]), np.sin(board_shift[2])
        square = centre + half * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
        corners = np.column_stack(
            [square @ np.array([[c, s], [-s, c]]) + board_shift[:2], np.full(4, self._top_mm + spec.height_mm)]
        )
        px = self._camera.project(rigid.apply(bench.cam_from_bench, corners))
        if not np.isfinite(px).all():
            return np.zeros((_PICTURE_PX, _PICTURE_PX, 3), np.uint8)
        flat = (_PICTURE_PX - 1) * np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
        return cv2.warpPerspective(image, cv2.getPerspectiveTransform(px.astype(np.float32), flat),
                                   (_PICTURE_PX, _PICTURE_PX))
