"""Brings video pictures to the window from a thread of its own: the newest wish wins, and each comes with its true
time.
"""

from __future__ import annotations

import contextlib
import logging
import threading
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from PyQt6.QtCore import QObject, pyqtSignal
from PyQt6.QtGui import QImage

from monitor.errors import MonitorError
from monitor.job import Job
from monitor.recording.reader import CAMERA, Recording
from monitor.review.laid_over import LaidOver
from monitor.review.matching import lateness_s, row_at
from monitor.review.overlay import draw_frame, marks_of
from monitor.review.playback import Playback
from monitor.review.proxy import FAR_FRAMES, Proxy, needs_proxy
from monitor.ui.review_loupe import loupe_picture
from vision.camera.model import CameraModel, load_camera
from vision.errors import VisionError
from vision.types import FloatArray

__all__ = ["FrameBringer"]


@dataclass(frozen=True)
class _Wish:
    t_s: float
    is_marked: bool
    zoom: int = 1


class FrameBringer(QObject):
    """Shows frames of one recording.

    Signals: `opened` with the times of all frames [s] (an array), `shown` with the frame's index, its time and the
    picture, `failed` with one line.
    """

    opened = pyqtSignal(object)
    shown = pyqtSignal(int, float, QImage)
    failed = pyqtSignal(str)

    def __init__(self, recording: Recording, job: Job, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._recording, self._job = recording, job
        self._wanted = threading.Condition()
        self._wish: _Wish | None = None
        self._is_over = False
        self._centre_mm: FloatArray | None = None  # where the loupe was
        self.laid: LaidOver | None = None  # a pass drawn over this one
        self._thread = threading.Thread(target=self._run, name="review frames", daemon=True)

    def start(self) -> FrameBringer:
        """Open the video; nothing is shown before the first wish."""
        self._thread.start()
        return self

    def show(self, t_s: float, is_marked: bool = True, zoom: int = 1) -> None:
        """Wish for the frame on show at a time, with the measurement drawn in or without, and as a loupe sees it or
        whole; replaces an older wish."""
        with self._wanted:
            self._wish = _Wish(t_s, is_marked, zoom)
            self._wanted.notify()

    def close(self) -> None:
        """End the thread and let go of the file."""
        with self._wanted:
            self._is_over = True
            self._wanted.notify()
        if self._thread.is_alive():
            self._thread.join(10.0)

    def _run(self) -> None:
        try:
            self._serve()
        except (VisionError, MonitorError, OSError) as fault:
            self._tell("failed", str(fault))
        except Exception as fault:  # a thread's fault must reach the person, not end unseen
            logging.getLogger("plumeline").exception("a fault while showing the video")
            self._tell("failed", f"the video cannot be shown ({type(fault).__name__}: {fault})")

    def _serve(self) -> None:
        camera = load_camera(self._recording.folder / CAMERA)
        with Playback(self._recording.video) as playback, self._stand_in(playback) as proxy:
            trace_s = self._recording.frames["t_s"]
            times_s = playback.times_s + lateness_s(playback, trace_s)
            self._tell("opened", times_s)
            while (wish := self._next()) is not None:
                try:
                    index = playback.index_at(wish.t_s - times_s[0])
                    row = row_at(trace_s, times_s, index)
                    if proxy is not None and playback.n_to_decode(index) > FAR_FRAMES:
                        quick = proxy.picture(index)
                        if quick is not None:
                            self._tell("shown", index, float(times_s[index]), self._picture(quick, row, camera, wish))
                            if self._is_wished():
                                continue  # the hand is still moving: the next picture before this one's finish
                    image = playback.frame(index).image
                except VisionError as fault:
                    self._tell("failed", str(fault))
                    continue
                self._tell("shown", index, float(times_s[index]), self._picture(image, row, camera, wish))

    @contextlib.contextmanager
    def _stand_in(self, playback: Playback) -> Iterator[Proxy | None]:
        """What makes jumps quick in a video with far-apart key frames; None where it needs none."""
        if not needs_proxy(playback):
            yield None
            return
        with contextlib.closing(Proxy(playback.path, len(playback)).start()) as proxy:
            yield proxy

    def _is_wished(self) -> bool:
        with self._wanted:
            return self._wish is not None or self._is_over

    def _next(self) -> _Wish | None:
        with self._wanted:
            while self._wish is None and not self._is_over:
                self._wanted.wait()
            wish, self._wish = self._wish, None
            return None if self._is_over else wish

    def _picture(self, image: np.ndarray, row: int | None, camera: CameraModel, wish: _Wish) -> QImage:
        image = np.ascontiguousarray(image)
        marks = marks_of(self._recording, row, self.laid) if row is not None else None
        if wish.is_marked and marks is not None:
            draw_frame(image, camera, self._job, marks)
        if wish.zoom > 1 and marks is not None:
            image, self._centre_mm = loupe_picture(image, camera, self._job, marks, wish.zoom, self._centre_mm)
        if wish.is_marked and marks is None:
            cv2.putText(image, "this frame was not analysed", (18, 40), cv2.FONT_HERSHEY_SIMPLEX, 1.0, (255, 255, 255),
                        2)
        height, width = image.shape[:2]
        return QImage(image.data, width, height, image.strides[0], QImage.Format.Format_BGR888).copy()

    def _tell(self, name: str, *values: object) -> None:
        try:
            getattr(self, name).emit(*values)
        except RuntimeError:
            pass  # the window is gone already
