"""Calibrating camera and nozzle step by step: live guidance, a verdict with its reason, and refusal of a bad one."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import cv2
import numpy as np
from PyQt6.QtCore import Qt, pyqtSignal
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

from monitor.engine.engine import Shown
from monitor.engine.webcam import CameraName, Locked, list_cameras
from monitor.setup.camera_guide import CameraGuide, Guidance
from monitor.setup.nozzle import calibrate_nozzle
from monitor.setup.nozzle_guide import NozzleGuide, judge_nozzle
from monitor.ui.bench_draft import JobDraft
from monitor.ui.bench_state import tr
from monitor.ui.bench_task import Task, in_process
from monitor.ui.fields import Choice, Number
from monitor.ui.raw_view import RawView
from monitor.ui.theme import font
from vision.calibrate.lens import CharucoTarget, calibrate_camera
from vision.calibrate.nozzle_file import save_nozzle
from vision.camera.model import CameraModel, save_camera
from vision.errors import VisionError

__all__ = ["CameraTab", "NozzleTab", "camera_words", "solve_camera", "solve_nozzle"]

LOOK_EVERY_S = 0.35
DICTIONARIES = ("DICT_5X5_100", "DICT_4X4_50", "DICT_5X5_50", "DICT_6X6_250", "DICT_APRILTAG_36h11")


class CameraTab(QWidget):
    """From a hand-held target to a camera file."""

    calibrated = pyqtSignal(object)
    camera_chosen = pyqtSignal(object)
    _guided = pyqtSignal(object)

    def __init__(self, folder: Path, cameras: list[CameraName] | None = None, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._cameras = list_cameras() if cameras is None else cameras
        self._folder, self._guide, self._photos = folder, None, []
        self._next_s, self._is_looking, self._insist = 0.0, threading.Event(), False
        self.locks, self.advice, self.verdict = _line("small"), _line("head", True), _line("body")
        self.automatic = QCheckBox(tr("take by itself when still and new"))
        self.automatic.setChecked(True)
        self.view, self.bar = RawView(), QProgressBar()
        whole = QVBoxLayout(self)
        whole.addLayout(self._camera_row())
        whole.addWidget(self.locks)
        whole.addLayout(self._target_form())
        whole.addWidget(self.automatic)
        whole.addLayout(self._buttons())
        _add_outcome(whole, self.advice, self.view, self.verdict, self.bar)
        self.task = _task_of(self)
        self._guided.connect(self._show)
        self._enable()

    def _camera_row(self) -> QHBoxLayout:
        """Which camera, and the way to see through it."""
        self.camera_box, self.look_through = Choice(), QPushButton(tr("Look through it"))
        self.camera_box.addItems([c.name for c in self._cameras] or [tr("no camera found")])
        self.camera_box.setAccessibleName(tr("camera"))
        self.look_through.setEnabled(bool(self._cameras))
        self.look_through.clicked.connect(
            lambda: self.camera_chosen.emit(self._cameras[self.camera_box.currentIndex()]))
        row = QHBoxLayout()
        row.addWidget(self.camera_box, 1)
        row.addWidget(self.look_through)
        return row

    def _target_form(self) -> QFormLayout:
        """The measures of the target that is held into view."""
        self.squares, self.dictionary = QLineEdit("9x6"), Choice()
        self.square, self.marker = _number(25.0, 1, 200), _number(18.0, 1, 199)
        self.dictionary.addItems(DICTIONARIES)
        form = QFormLayout()
        for label, widget in ((tr("squares across x down"), self.squares), (tr("square [mm]"), self.square),
                              (tr("marker [mm]"), self.marker), (tr("markers"), self.dictionary)):
            widget.setAccessibleName(label)
            form.addRow(label, widget)
        return form

    def _buttons(self) -> QHBoxLayout:
        self.begin = QPushButton(tr("Begin"))
        self.take, self.solve = QPushButton(tr("Take now")), QPushButton(tr("Calibrate"))
        self.begin.clicked.connect(self.start)
        self.take.clicked.connect(self._ask_take)
        self.solve.clicked.connect(self.calibrate)
        return _row(self.begin, self.take, self.solve)

    def show_locks(self, locks: tuple[Locked, ...]) -> None:
        """What the driver says of exposure, white balance and focus; the picture is watched besides."""
        loose = [tr(lock.setting) for lock in locks if not lock.is_held]
        held = [tr(lock.setting) for lock in locks if lock.is_held]
        parts = [tr("held: {}").format(", ".join(held))] if held else []
        parts += [tr("NOT held, set it by hand: {}").format(", ".join(loose))] if loose else []
        text = "; ".join(parts)
        if text != self.locks.text():
            self.locks.setText(text)

    def start(self) -> None:
        """Begin a new set of photographs."""
        try:
            across, down = (int(v) for v in self.squares.text().lower().split("x"))
            target = CharucoTarget((across, down), self.square.value(), self.marker.value(),
                                   self.dictionary.currentText())
        except (ValueError, VisionError) as fault:
            self.verdict.setText(tr("the target's measures: {}").format(fault))
            return
        self._target, self._guide, self._photos = target, CameraGuide(target), []
        self.verdict.setText("")
        self.advice.setText(tr("hold the target into view"))
        self._enable()

    def show_state(self, shown: Shown) -> None:
        """Look at a frame when the last look is over."""
        if self._guide is None or shown.arrival is None or self._is_looking.is_set() or time.monotonic() < self._next_s:
            return
        self._next_s = time.monotonic() + LOOK_EVERY_S
        self._is_looking.set()
        insist, self._insist = self._insist, False
        threading.Thread(target=self._look, args=(shown.arrival.frame.image, insist, self.automatic.isChecked()),
                         daemon=True).start()

    def calibrate(self) -> None:
        """Solve for the camera from what was taken."""
        photos, target = list(self._photos), self._target
        self.task.run(in_process(solve_camera, photos, target))

    def _ask_take(self) -> None:
        self._insist = True

    def _look(self, image: np.ndarray, insist: bool, by_itself: bool) -> None:
        """In a thread: find the target, keep the photograph when it is worth it."""
        try:
            guidance = self._guide.look(image, insist, may_take=insist or by_itself)
            if guidance.is_taken:
                done, data = cv2.imencode(".png", image)
                path = self._folder / "camera_photos" / f"{guidance.n_taken:02d}.png"
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(data.tobytes())
                self._photos.append(path)
            self._guided.emit((image, guidance))
        except (OSError, VisionError, cv2.error) as fault:
            self._guided.emit((image, Guidance(None, False, str(fault), len(self._photos), ())))
        finally:
            self._is_looking.clear()

    def _show(self, told) -> None:
        image, guidance = told
        self.advice.setText(tr(guidance.advice))
        self.view.show_picture(image)
        self.view.show_points(guidance.points_px)
        self.verdict.setText(tr("{} photographs; missing: {}").format(guidance.n_taken,
                                                                      "; ".join(map(tr, guidance.missing))
                                                                      or tr("nothing")))
        self._enable()

    def _judge(self, found) -> None:
        verdict = found.verdict
        if not verdict.is_usable:
            self.verdict.setText(tr("refused: {}").format(verdict.sentence()))
            return
        path = self._folder / "camera.toml"
        save_camera(path, found.camera)
        self.verdict.setText(tr("usable: {}; saved as {}").format(verdict.sentence(), path))
        self.calibrated.emit((found.camera, path))

    def _enable(self) -> None:
        self.take.setEnabled(self._guide is not None)
        self.solve.setEnabled(len(self._photos) >= 6)


class NozzleTab(QWidget):
    """From touch photographs to a nozzle file."""

    calibrated = pyqtSignal(object)

    def __init__(self, draft: JobDraft, folder: Path, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._draft, self._folder, self.camera = draft, folder, None
        self.guide: NozzleGuide | None = None
        self._shown: Shown | None = None
        self._next_s = 0.0
        self.advice, self.verdict = _line("head", True), _line("body")
        self.height = _number(0.0, 0, 200)
        self.height.setAccessibleName(tr("height that is really set"))
        self.begin, self.take = QPushButton(tr("Begin")), QPushButton(tr("Take"))
        self.back, self.solve = QPushButton(tr("Take back")), QPushButton(tr("Calibrate"))
        self.begin.clicked.connect(self.start)
        self.take.clicked.connect(self._take)
        self.back.clicked.connect(self._take_back)
        self.solve.clicked.connect(self.calibrate)
        self.view, self.bar = RawView(), QProgressBar()
        whole = QVBoxLayout(self)
        whole.addWidget(_line("small", text=tr("With the station cold. The measures of the nozzle and the board's "
                                               "height must be in the job.")))
        whole.addLayout(_row(self.begin, QLabel(tr("height [mm]")), self.height))
        whole.addLayout(_row(self.take, self.back, self.solve))
        _add_outcome(whole, self.advice, self.view, self.verdict, self.bar)
        self.task = _task_of(self)
        self._enable()

    def start(self) -> None:
        """Begin a new set."""
        if self.camera is None:
            self.verdict.setText(tr("calibrate the camera first"))
            return
        self.guide = NozzleGuide(self._folder / f"touch_{time.strftime('%Y-%m-%d_%H%M%S')}")
        self.verdict.setText("")
        self._enable()

    def show_state(self, shown: Shown) -> None:
        """Say what to do, a few times a second."""
        self._shown = shown
        if self.guide is None or shown.arrival is None or time.monotonic() < self._next_s:
            return
        self._next_s = time.monotonic() + LOOK_EVERY_S
        text = self.guide.look(shown.arrival.frame.image, shown.bench)
        self.advice.setText(f"{min(self.guide.n_taken + 1, len(self.guide.steps))}/{len(self.guide.steps)}: {tr(text)}")
        self.view.show_picture(shown.arrival.frame.image)

    def calibrate(self) -> None:
        """Learn the nozzle's edges from what was taken."""
        job = self._draft.job()
        if job is None:
            self.verdict.setText(self._draft.faults)
            return
        folder, camera = self.guide.folder, self.camera
        self.task.run(in_process(solve_nozzle, folder, job, camera))

    def _take(self) -> None:
        if self.guide is None or self.guide.step is None or self._shown is None or self._shown.arrival is None:
            return
        why = self.guide.take(self._shown.arrival.frame.image, self._shown.bench, self.height.value())
        self.verdict.setText(tr(why) or tr("{} of {} taken").format(self.guide.n_taken, len(self.guide.steps)))
        self._enable()

    def _take_back(self) -> None:
        self.guide.take_back()
        self._enable()

    def _judge(self, found) -> None:
        verdict = judge_nozzle(found, self.guide.n_taken)
        self.verdict.setText(tr(verdict.reason))
        if verdict.is_usable:
            path = self._folder / "nozzle.toml"
            save_nozzle(path, found)
            self.calibrated.emit(path)

    def _enable(self) -> None:
        guide = self.guide
        self.take.setEnabled(guide is not None and guide.step is not None)
        self.back.setEnabled(guide is not None and guide.n_taken > 0)
        self.solve.setEnabled(guide is not None and guide.n_taken >= 4)
        if guide is not None and guide.step is not None:
            self.height.setValue(guide.step.height_mm)
            self.advice.setText(tr(guide.step.words()))


def solve_camera(photos, target, told):
    """In a process of its own."""
    return calibrate_camera(photos, target, progress=lambda done, whole: told(done / max(whole, 1)))


def solve_nozzle(folder, job, camera, told):
    """In a process of its own."""
    return calibrate_nozzle(folder, job, camera, lambda done, whole: told(done / max(whole, 1)))


def _row(*widgets: QWidget) -> QHBoxLayout:
    row = QHBoxLayout()
    for widget in widgets:
        row.addWidget(widget)
    return row


def _add_outcome(whole: QVBoxLayout, advice: QLabel, view: RawView, verdict: QLabel, bar: QProgressBar) -> None:
    """What to do, what is seen, and what came of it: the lower part of both tabs."""
    whole.addWidget(advice)
    whole.addWidget(view, 1)
    whole.addWidget(verdict)
    whole.addWidget(bar)


def _task_of(tab: CameraTab | NozzleTab) -> Task:
    """What solves for the tab in the background: it fills the bar, and ends in a verdict."""
    task = Task(tab)
    task.progress.connect(lambda share: tab.bar.setValue(round(100 * share)))
    task.done.connect(tab._judge)
    task.failed.connect(lambda text: tab.verdict.setText(tr("refused: {}").format(text)))
    return task


def _line(size: str, bold: bool = False, text: str = "") -> QLabel:
    made = QLabel(text)
    made.setFont(font(size, bold=bold))
    made.setWordWrap(True)
    made.setTextFormat(Qt.TextFormat.PlainText)
    return made


def _number(value: float, low: float, high: float) -> Number:
    made = Number()
    made.setRange(low, high)
    made.setDecimals(2)
    made.setValue(value)
    return made


def camera_words(camera: CameraModel | None) -> str:
    """What is known of the camera, in a few words."""
    if camera is None:
        return tr("camera: not calibrated")
    return tr("camera: {} x {} px, focal length to {:.2f} %").format(*camera.image_size_px,
                                                                     100 * camera.focal_sigma_px / camera.focal_px)
