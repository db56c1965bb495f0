"""The first run: six steps from paper to job, each with the raw picture, what is missing in words, and what is already
good.
"""

from __future__ import annotations

import logging
import threading
import time

from PyQt6.QtCore import QRectF, Qt, pyqtSignal
from PyQt6.QtGui import QColor, QFontMetrics, QPainter, QPen, QResizeEvent
from PyQt6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from monitor.engine.engine import Shown
from monitor.engine.webcam import Webcam
from monitor.errors import MonitorError
from monitor.judging.tracking import nozzle_body
from monitor.ui.bench_setup import SetupPage
from monitor.ui.bench_state import tr
from monitor.ui.bench_work import BenchWork
from monitor.ui.guide_nozzle import JobStep, NozzleStep, TrustStep, job_for_nozzle
from monitor.ui.guide_steps import Advice, CameraStep, LensStep, PaperStep, Step
from monitor.ui.raw_view import RawView
from monitor.ui.scroll import Scrolling, lay_scrolling
from monitor.ui.theme import Standing, font, look
from vision.errors import VisionError

__all__ = ["GuidePage"]

log = logging.getLogger("plumeline.bench")
LOOK_EVERY_S = 0.35
DRAW_EVERY_S = 0.1
MISSING_SIZES = "large", "head", "body"
GONE_S = 1.5  # without a picture, before that is said


class GuidePage(QWidget):
    """Leads to a bench that can be worked at; can be left at any time and goes on where it was."""

    to_setup = pyqtSignal()
    to_hot = pyqtSignal()
    _looked = pyqtSignal(int, object)

    def __init__(self, work: BenchWork, setup: SetupPage, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._work, self._setup = work, setup
        folder = work.settings.out / "calibration"
        body = nozzle_body(job_for_nozzle(setup.draft))
        self.paper, self.camera, self.lens = PaperStep(), CameraStep(body), LensStep(folder)
        self.nozzle, self.trust, self.job = NozzleStep(setup.draft, folder), TrustStep(setup.draft,
                                                                                       folder), JobStep(setup.draft)
        self.steps: tuple[Step, ...] = (self.paper, self.camera, self.lens, self.nozzle, self.trust, self.job)
        self._busy, self._next_look_s, self._next_draw_s, self._pictured_s = threading.Event(), 0.0, 0.0, 0.0
        self._looked.connect(self._take)
        self._lay_out()
        self._connect()
        self._take_calibrations()
        self.go_to(self._first_open())

    def show_state(self, shown: Shown) -> None:
        """Show the raw picture, and look at it in a thread of its own."""
        now_s = time.monotonic()
        if shown.arrival is None:
            if now_s - self._pictured_s > GONE_S:
                self.say_missing(tr("no picture: {}").format(shown.trouble))
            return
        self._pictured_s = now_s
        image = shown.arrival.frame.image
        if now_s >= self._next_draw_s:
            self._next_draw_s = now_s + DRAW_EVERY_S
            self.view.show_picture(image)
        if now_s < self._next_look_s or self._busy.is_set():
            return
        self._next_look_s = now_s + LOOK_EVERY_S
        self._busy.set()
        n = self.stack.currentIndex()
        threading.Thread(target=self._look, args=(n, image.copy(), shown.bench), name="look", daemon=True).start()

    def go_to(self, n: int) -> None:
        """Show a step."""
        self.stack.setCurrentIndex(n)
        self._take_calibrations()
        self.say_missing(tr("looking …"))
        self.good.setText("")
        self.view.show_points(None)
        self._show_list()

    def close_down(self) -> None:
        """End what runs in the background."""
        for step in self.steps:
            step.close_down()

    def _look(self, n: int, image, bench) -> None:
        try:
            advice = self.steps[n].look(image, bench)
        except (OSError, ValueError, MonitorError, VisionError) as fault:
            advice = Advice(str(fault))
        except Exception as fault:
            log.exception("a look failed")
            advice = Advice(tr("the picture could not be judged ({})").format(type(fault).__name__))
        finally:
            self._busy.clear()
        self._looked.emit(n, advice)

    def _take(self, n: int, advice: Advice) -> None:
        step = self.steps[n]
        step.is_done = step.is_done or advice.is_done
        if hasattr(step, "go_on"):
            step.go_on()
        if n == self.stack.currentIndex():
            self.say_missing(advice.missing or tr("Done. Go on with the next step."))
            self.good.setText("\n".join(advice.good))
            self.view.show_points(advice.points_px)
        self._show_list()

    def say_missing(self, text: str) -> None:
        """In the largest type that takes a third of the page at most."""
        for size in MISSING_SIZES:
            face = font(size, bold=True)
            width = max(self.missing.width(), 160)
            wrapped = QFontMetrics(face).boundingRect(0, 0, width, 0, Qt.TextFlag.TextWordWrap.value, text)
            if wrapped.height() <= self.height() / 3 and wrapped.width() <= width:
                break
        self.missing.setFont(face)
        self.missing.setText(text)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.say_missing(self.missing.text())

    def _show_list(self) -> None:
        now = self.stack.currentIndex()
        for n, (button, step) in enumerate(zip(self.buttons, self.steps, strict=True)):
            button.setChecked(n == now)
            button.tell(step.is_done)
        self.next.setEnabled(now < len(self.steps) - 1)
        self.next.setProperty("main", "true" if self.steps[now].is_done else "false")
        self.next.style().polish(self.next)
        self.before.setEnabled(now > 0)

    def _first_open(self) -> int:
        return next((n for n, step in enumerate(self.steps) if not step.is_done), len(self.steps) - 1)

    def _take_calibrations(self) -> None:
        """What is calibrated already, here or elsewhere."""
        camera, nozzle = self._setup.camera, self._setup.nozzle_path
        self.camera.camera = self.nozzle.camera = self.trust.camera = camera
        self.trust.nozzle_path = nozzle
        self.lens.is_done = self.lens.is_done or camera is not None
        self.nozzle.is_done = self.nozzle.is_done or nozzle is not None
        self.job.is_done = self._work.inputs is not None
        if camera is not None:
            self.paper.is_done = self.camera.is_done = True

    def _connect(self) -> None:
        self.camera.chosen.connect(lambda camera: self._work.use_source(Webcam(camera)))
        self.lens.calibrated.connect(self._setup.use_camera)
        self.nozzle.calibrated.connect(self._setup.use_nozzle)
        for step in (self.lens, self.nozzle, self.trust):
            step.moved_on.connect(self._when_moved_on)
        self.job.is_ready = lambda: self._work.inputs is not None
        self.job.mark.clicked.connect(self.to_setup)
        self.job.work.clicked.connect(self.to_hot)

    def _when_moved_on(self) -> None:
        self._take_calibrations()
        self._show_list()

    def _lay_out(self) -> None:
        self.view = RawView()
        whole, middle = QVBoxLayout(), QHBoxLayout()
        whole.addLayout(self._step_row())
        middle.addWidget(self.view, 3)
        middle.addLayout(self._side(), 2)
        whole.addLayout(middle, 1)
        lay_scrolling(self, whole)

    def _step_row(self) -> QHBoxLayout:
        """The steps by name, above; and the pages they show, one at a time."""
        self.stack = _OneOf()
        self.buttons = [_StepButton(f"{n}  {step.title}") for n, step in enumerate(self.steps, 1)]
        row = QHBoxLayout()
        for n, button in enumerate(self.buttons):
            self.steps[n].box.addStretch(1)
            self.stack.addWidget(self.steps[n])
            button.clicked.connect(lambda _=False, k=n: self.go_to(k))
            row.addWidget(button)
        return row

    def _side(self) -> QVBoxLayout:
        """Beside the picture: what is missing, what is good, the step's own page, and the way on."""
        self.missing, self.good = QLabel(), QLabel()
        self.missing.setAccessibleName(tr("what is missing"))
        self.good.setAccessibleName(tr("what is already good"))
        for said in (self.missing, self.good):
            said.setWordWrap(True)
            said.setTextFormat(Qt.TextFormat.PlainText)
            said.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.missing.setMinimumHeight(80)
        page, inner = QVBoxLayout(), QWidget()
        page.addWidget(self.missing)
        page.addWidget(self.good)
        page.addWidget(self.stack, 1)
        inner.setLayout(page)
        area = Scrolling(inner)
        area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        side = QVBoxLayout()
        side.addWidget(area, 1)
        side.addLayout(self._ways_on())
        return side

    def _ways_on(self) -> QHBoxLayout:
        self.before, self.next = QPushButton(tr("Back")), QPushButton(tr("Next step"))
        self.before.clicked.connect(lambda: self.go_to(self.stack.currentIndex() - 1))
        self.next.clicked.connect(lambda: self.go_to(self.stack.currentIndex() + 1))
        row = QHBoxLayout()
        row.addWidget(self.before)
        row.addStretch(1)
        row.addWidget(self.next)
        return row


class _OneOf(QWidget):
    """Shows one of several pages, and asks for the room of that one alone."""

    def __init__(self) -> None:
        super().__init__()
        self._pages, self._now = QVBoxLayout(self), 0
        self._pages.setContentsMargins(0, 0, 0, 0)

    def addWidget(self, page: QWidget) -> None:
        page.setVisible(self._pages.count() == self._now)
        self._pages.addWidget(page)

    def currentIndex(self) -> int:
        return self._now

    def setCurrentIndex(self, n: int) -> None:
        self._now = n
        for k in range(self._pages.count()):
            self._pages.itemAt(k).widget().setVisible(k == n)


class _StepButton(QPushButton):
    """A step's name with a drawn shape: a disc when it is done, else a ring."""

    def __init__(self, text: str) -> None:
        super().__init__("      " + text)
        self.setCheckable(True)
        self._is_done, self._text = False, text
        self.setAccessibleName(text)

    def tell(self, is_done: bool) -> None:
        self._is_done = is_done
        self.setAccessibleDescription(tr("done") if is_done else tr("open"))
        self.update()

    def paintEvent(self, event: object) -> None:
        super().paintEvent(event)
        painter = QPainter(self)
        side = 14.0
        box = QRectF(12, (self.height() - side) / 2, side, side)
        if self._is_done:
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setPen(QPen(QColor(look().accent_ink), 1.5))
            painter.setBrush(look().fill(Standing.GOOD))
            painter.drawEllipse(box)
        else:
            ring = QColor(look().accent_ink if self.isChecked() else look().soft_ink)
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setPen(QPen(ring, 2))
            painter.drawEllipse(box)
        painter.end()
