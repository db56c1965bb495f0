"""A loupe over the video: what lies round the nozzle's foot, seen straight from above, two to six times as large."""

from __future__ import annotations

import numpy as np
from PyQt6.QtCore import QObject, pyqtSignal
from PyQt6.QtWidgets import QToolButton, QWidget

from monitor.engine.straighten import Sheet, straighten
from monitor.job import SHEET_MM, Job
from monitor.review.overlay import FrameMarks
from monitor.ui.review_keys import tr
from vision.camera.model import CameraModel
from vision.types import BenchPose, FloatArray

__all__ = ["ZOOMS", "Loupe", "loupe_picture"]

ZOOMS = (1, 2, 3, 4, 6)  # 1: the camera's own picture
WIDE_PX, ASPECT = 1280, 16 / 9


class Loupe(QObject):
    """How much the loupe enlarges; a button shows it and changes it. Emits `changed`."""

    changed = pyqtSignal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.zoom = 1
        self.button = QToolButton()
        self.button.setCheckable(True)
        self.button.clicked.connect(self.loupe)
        self._name()

    def loupe(self) -> None:
        """The next enlargement, and after the last none again."""
        self.zoom = ZOOMS[(ZOOMS.index(self.zoom) + 1) % len(ZOOMS)]
        self._name()
        self.changed.emit()

    def _name(self) -> None:
        text = tr("Loupe off") if self.zoom == 1 else tr("Loupe {}×").format(self.zoom)
        self.button.setText(text)
        self.button.setAccessibleName(text)
        self.button.setChecked(self.zoom > 1)


def loupe_picture(image: np.ndarray, camera: CameraModel, job: Job, marks: FrameMarks, zoom: int,
                  centre_mm: FloatArray | None) -> tuple[np.ndarray, FloatArray | None]:
    """The straightened part of a picture round the nozzle's aim, and its middle; the picture itself when it has no
    pose.

    Parameters
    ----------
    centre_mm : array, shape (2,), or None
        Where the loupe was, for a frame in which the nozzle is not measured; None for the middle of the target.
    """
    if marks.cam_from_bench is None or zoom <= 1:
        return image, centre_mm
    if marks.seen and np.isfinite(marks.aim_mm).all():
        centre_mm = marks.aim_mm
    elif centre_mm is None:
        centre_mm = np.mean(job.target.outline_mm, axis=0)
    width = SHEET_MM[0] / zoom
    height = width / ASPECT
    left, bottom = centre_mm[0] - width / 2, centre_mm[1] - height / 2
    pose = BenchPose(0.0, marks.cam_from_bench, np.eye(6), 0, 0.0)
    sheet = Sheet((left, left + width, bottom, bottom + height), job.board.top_height_mm, WIDE_PX / width)
    flat = straighten(image, camera, pose, sheet, np.zeros(3))
    return np.ascontiguousarray(flat), centre_mm
