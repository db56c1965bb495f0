"""The fortieth board: its marks are placed from the job's reference picture, shown, and taken by the same key."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from PyQt6.QtCore import QObject, pyqtSignal

from monitor.engine.engine import Shown
from monitor.engine.straighten import Sheet, straighten
from monitor.setup.placing import PX_PER_MM, Placement, load_reference, place_marks, reference_of, save_reference
from monitor.ui.bench_draft import JobDraft
from monitor.ui.bench_state import tr
from monitor.ui.bench_straight import WHOLE_MM
from monitor.ui.bench_task import Task
from vision.camera.model import CameraModel
from vision.types import BenchPose

__all__ = ["Placer"]


class Placer(QObject):
    """Looks for the board on the first press of the key, and takes what was shown on the second.

    Signals: told (a line for the user), proposed (outlines in mm, empty when there is nothing to show), taken.
    """

    told = pyqtSignal(str)
    proposed = pyqtSignal(object)
    taken = pyqtSignal()

    def __init__(self, draft: JobDraft, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._draft, self.placement = draft, None
        self.task = Task(self)
        self.task.done.connect(self._show)
        self.task.failed.connect(self.told)

    def press(self, shown: Shown | None, camera: CameraModel | None, key: str) -> None:
        """The key was pressed."""
        if self.placement is not None:
            self._take()
            return
        self._key = key
        reference = load_reference(_beside(self._draft.path)) if self._draft.path is not None else None
        if reference is None:
            self.told.emit(tr("this job has no reference picture; one is kept whenever the job is saved with the mat "
                              "in view"))
        elif camera is None or shown is None or shown.arrival is None or not isinstance(shown.bench, BenchPose):
            self.told.emit(tr("the mat is not seen"))
        else:
            image, bench, top_mm = shown.arrival.frame.image.copy(), shown.bench, self._top_mm
            self.told.emit(tr("looking for the board …"))
            self.task.run(lambda told: place_marks(reference, _sheet(image, camera, bench, top_mm)))

    def drop(self) -> None:
        """Let go of what was proposed."""
        self.placement = None
        self.proposed.emit([])

    def keep_reference(self, shown: Shown | None, camera: CameraModel | None) -> None:
        """Keep the picture of now beside the saved job; nothing without mat or marks."""
        outlines = [np.array(m.corners_mm) for m in self._draft.marks()]
        if self._draft.path is None or camera is None or shown is None or shown.arrival is None or not outlines \
                or not isinstance(shown.bench, BenchPose):
            return
        sheet = _sheet(shown.arrival.frame.image, camera, shown.bench, self._top_mm)
        save_reference(_beside(self._draft.path), reference_of(sheet, outlines))

    @property
    def _top_mm(self) -> float:
        top = self._draft.get("board", "top_height_mm")
        return float(top) if isinstance(top, (int, float)) else 0.0

    def _show(self, placement: Placement) -> None:
        if placement.refused:
            self.told.emit(tr(placement.words()))
            return
        self.placement = placement
        self.proposed.emit([placement.moved(np.array(m.corners_mm)) for m in self._draft.marks()])
        self.told.emit(tr("{}; {} takes the marks as shown, Esc leaves them").format(tr(placement.words()), self._key))

    def _take(self) -> None:
        placement, self.placement = self.placement, None
        self._draft.move_marks(lambda outline: placement.moved(np.array(outline)), tr("place the marks"))
        self.proposed.emit([])
        self.told.emit(tr("marks placed: {}").format(tr(placement.words())))
        self.taken.emit()


def _beside(job: Path) -> Path:
    return job.with_suffix(".reference.npz")


def _sheet(image: np.ndarray, camera: CameraModel, bench: BenchPose, top_mm: float) -> np.ndarray:
    flat = straighten(image, camera, bench, Sheet(WHOLE_MM, top_mm, PX_PER_MM), np.zeros(3))
    return cv2.cvtColor(flat, cv2.COLOR_BGR2GRAY)
