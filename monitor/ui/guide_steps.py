"""The steps of the first run: each looks at the raw picture, says the one thing that is missing, and what is already
good.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PyQt6.QtCore import pyqtSignal
from PyQt6.QtWidgets import (
    QCheckBox,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QProgressBar,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from monitor.engine.webcam import list_cameras
from monitor.setup.camera_check import CameraCheck
from monitor.setup.camera_guide import LENS_BOARD, CameraGuide
from monitor.ui.bench_calibrate import solve_camera
from monitor.ui.bench_state import counted, tr
from monitor.ui.bench_task import Task, in_process
from monitor.ui.fields import Choice
from monitor.ui.guide_paper import ask_print, ask_save
from vision.bench.follower import find_markers
from vision.bench.mat import Mat, standard_mat
from vision.calibrate.lens import CharucoTarget
from vision.camera.model import CameraModel, save_camera
from vision.nozzle.body import NozzleBody

__all__ = ["Advice", "CameraStep", "LensStep", "PaperStep", "Step"]

NOTHING = None
ENOUGH_VIEWS = 6


@dataclass(frozen=True)
class Advice:
    """What one look at the picture says.

    Attributes
    ----------
    missing : str
        The one thing to do next; empty when there is none.
    good : tuple of str
    points_px : array, shape (n, 2), or None
        What to show in the picture.
    is_done : bool
    """

    missing: str
    good: tuple[str, ...] = ()
    points_px: np.ndarray | None = None
    is_done: bool = False


class Step(QWidget):
    """One step: its controls, and `look`, which runs in a thread of its own and touches no widget."""

    title = ""
    moved_on = pyqtSignal()  # something was reached that other steps wait for

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.box = QVBoxLayout(self)
        self.box.setContentsMargins(0, 4, 0, 4)
        self.is_done = False

    def look(self, image: np.ndarray, bench: object) -> Advice:
        """Judge a picture."""
        raise NotImplementedError

    def close_down(self) -> None:
        """End what runs in the background."""

    def say(self, *lines: str) -> None:
        """Lines that stand above the controls."""
        for line in lines:
            said = QLabel(line)
            said.setWordWrap(True)
            self.box.addWidget(said)

    def row(self, *widgets: QWidget) -> None:
        """Controls side by side."""
        line = QHBoxLayout()
        for widget in widgets:
            line.addWidget(widget)
        line.addStretch(1)
        self.box.addLayout(line)


class PaperStep(Step):
    """Mat and lens board on paper."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.title = tr("Paper")
        self.say(tr("Two sheets: the mat that lies under the board, and the board for the lens. Print them at 100 %, "
                    "check the "
                    "100 mm lines with a ruler, glue the second one on something stiff."))
        self.page, self.print, self.save = Choice(), QPushButton(tr("Print")), QPushButton(tr("Save as PDF"))
        self.page.addItems(["A4", "Letter"])
        self.page.setAccessibleName(tr("size of the sheets"))
        self.print.clicked.connect(lambda: ask_print(self, self.page.currentText()))
        self.save.clicked.connect(lambda: ask_save(self, self.page.currentText()))
        self.row(self.page, self.print, self.save)

    def look(self, image: np.ndarray, bench: object) -> Advice:
        """Whether the printed mat lies in the picture."""
        found = find_markers(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), standard_mat())
        points = np.concatenate(list(found.values())) if found else NOTHING
        if len(found) < ENOUGH_VIEWS:
            return Advice(tr("lay the printed mat flat under the camera"), (), points)
        return Advice("", (tr("the mat is there: {} of {} markers").format(len(found), len(standard_mat().ids)),),
                      points, True)


class CameraStep(Step):
    """Which camera, and whether it sees the bench well."""

    chosen = pyqtSignal(object)

    def __init__(self, body: NozzleBody, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.title, self.camera = tr("Camera"), None
        self.say(tr("Fix it so that the whole mat is in view, as near as that allows, looking down at 20 to 40 "
                    "degrees. Lock focus "
                    "and exposure; do not touch them again."))
        self.list, self.use = Choice(), QPushButton(tr("Look through it"))
        self.list.setAccessibleName(tr("camera"))
        self.list.setSizeAdjustPolicy(Choice.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.list.setMinimumContentsLength(14)
        self._cameras = list_cameras()
        self.list.addItems([c.name for c in self._cameras] or [tr("no camera found")])
        self.use.setEnabled(bool(self._cameras))
        self.use.clicked.connect(lambda: self.chosen.emit(self._cameras[self.list.currentIndex()]))
        self.row(self.list)
        self.row(self.use)
        self._check = CameraCheck(standard_mat(), body)

    def use_body(self, body: NozzleBody) -> None:
        """The nozzle that heights are to be measured of."""
        self._check = CameraCheck(standard_mat(), body)

    def look(self, image: np.ndarray, bench: object) -> Advice:
        """The faults, the worst first."""
        fits = self.camera is not None and self.camera.image_size_px == image.shape[1::-1]
        report = self._check.look(image, self.camera if fits else None)
        missing = tr(report.faults[0]) if report.faults else ""
        return Advice(missing, tuple(map(tr, report.good)), report.corners_px.reshape(-1, 2), report.is_usable)


class LensStep(Step):
    """Photographs of the lens board, kept by themselves when they add something; solved by itself when none is
    missing.
    """

    calibrated = pyqtSignal(object)

    def __init__(self, folder: Path, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.title, self._folder = tr("Lens"), folder
        self.say(tr("Hold the board for the lens into the picture: near each corner, and leaning each way. Pictures "
                    "are kept by "
                    "themselves; hold still for a moment in each place."))
        self.solve, self.bar, self.verdict = QPushButton(tr("Calibrate with these")), QProgressBar(), QLabel()
        self.verdict.setWordWrap(True)
        self.solve.setEnabled(False)
        self.solve.clicked.connect(self.calibrate)
        self.by_mat = QCheckBox(tr("with the mat itself, on a stiff sheet"))
        self.by_mat.toggled.connect(self._begin)
        self.row(self.solve)
        self.box.addWidget(self.bar)
        self.box.addWidget(self.by_mat)
        self.box.addWidget(self.verdict)
        self._target: CharucoTarget | Mat = LENS_BOARD
        self._guide, self._photos, self._was_complete = CameraGuide(LENS_BOARD), [], False
        self.task = Task(self)
        self.task.progress.connect(lambda share: self.bar.setValue(round(100 * share)))
        self.task.done.connect(self._judge)
        self.task.failed.connect(self._refuse)

    def look(self, image: np.ndarray, bench: object) -> Advice:
        """Keep the picture when it adds something."""
        if self.is_done or self.task.is_running:
            return Advice("" if self.is_done else tr("calibrating; the camera may rest"), self._kept(), NOTHING,
                          self.is_done)
        guidance = self._guide.look(image)
        if guidance.is_taken:
            path = self._folder / "camera_photos" / f"{guidance.n_taken:02d}.png"
            path.parent.mkdir(parents=True, exist_ok=True)
            cv2.imwrite(str(path), image)
            self._photos.append(path)
        points = NOTHING if guidance.points_px is None else guidance.points_px
        return Advice(tr(guidance.advice), self._kept(), points)

    def go_on(self) -> None:
        """In the window's thread, after a look: offer to calibrate, and do so when nothing is missing."""
        self.solve.setEnabled(len(self._photos) >= ENOUGH_VIEWS and not self.task.is_running and not self.is_done)
        if not self._guide.missing() and not self._was_complete:
            self._was_complete = True
            self.calibrate()

    def calibrate(self) -> None:
        """Solve for the camera."""
        self.verdict.setText("")
        self.task.run(in_process(solve_camera, list(self._photos), self._target))

    def _begin(self, by_mat: bool) -> None:
        """Anew, with another target."""
        self._target = standard_mat() if by_mat else LENS_BOARD
        self._guide, self._photos, self._was_complete = CameraGuide(self._target), [], False

    def close_down(self) -> None:
        """End the solving."""
        self.task.end()

    def _kept(self) -> tuple[str, ...]:
        n = len(self._photos)
        return (counted(n, "{} picture kept", "{} pictures kept"),) if n else ()

    def _judge(self, found) -> None:
        verdict = found.verdict
        if not verdict.is_usable:
            self._refuse(verdict.sentence())
            return
        path = self._folder / "camera.toml"
        save_camera(path, found.camera)
        self.is_done = True
        self.verdict.setText(tr("usable: {}").format(verdict.sentence()))
        self.calibrated.emit((found.camera, path))
        self.moved_on.emit()

    def _refuse(self, why: str) -> None:
        self.verdict.setText(tr("refused: {}; more pictures help").format(why))


def field(form: QFormLayout, label: str, text: str, hint: str = "") -> QLineEdit:
    """A field with its name, for people and for screen readers."""
    made = QLineEdit(text)
    made.setPlaceholderText(hint)
    made.setAccessibleName(label)
    form.addRow(label, made)
    return made


def fits(camera: CameraModel | None, image: np.ndarray) -> bool:
    """Whether a calibration is of pictures of this size."""
    return camera is not None and camera.image_size_px == image.shape[1::-1]
