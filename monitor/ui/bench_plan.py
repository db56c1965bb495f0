"""The plan beside the marks: what to set for the job as it stands, the moments to know, and what would help."""

from __future__ import annotations

import tempfile
from pathlib import Path

from PyQt6.QtCore import QRect, Qt, pyqtSignal
from PyQt6.QtGui import QFontDatabase, QPainter, QPixmap
from PyQt6.QtWidgets import QHBoxLayout, QLabel, QPlainTextEdit, QProgressBar, QPushButton, QVBoxLayout, QWidget

from monitor.job import Job
from monitor.judging.exposure import heat_setup
from monitor.plan.words import plan_table
from monitor.ui.bench_draft import JobDraft
from monitor.ui.bench_state import tr
from monitor.ui.bench_task import Task, in_process
from monitor.ui.theme import font

__all__ = ["PlanTab"]


class PlanTab(QWidget):
    """Looks for a plan on request, in the background. Emits the height to hold [mm] and the stages taken."""

    start_taken = pyqtSignal(float)
    stages_taken = pyqtSignal(object)  # height [mm], seconds and whether it glides, of each

    def __init__(self, draft: JobDraft, calibration=None, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._draft, self._calibration = draft, calibration
        self.task = Task(self)
        self.task.progress.connect(lambda share: self.bar.setValue(round(100 * share)))
        self.task.done.connect(self._show)
        self.task.failed.connect(self._say)
        self.find, self.stop = QPushButton(tr("What to set")), QPushButton(tr("Stop"))
        self.find.clicked.connect(self.look)
        self.stop.clicked.connect(self.task.cancel)
        self.stop.setEnabled(False)
        self.bar = QProgressBar()
        self.verdict = QLabel(tr("no plan yet"))
        self.verdict.setWordWrap(True)
        self.verdict.setFont(font("body", bold=True))
        self.picture = _Picture()
        self.table = QPlainTextEdit()
        self.table.setReadOnly(True)
        self.table.setFont(QFontDatabase.systemFont(QFontDatabase.SystemFont.FixedFont))
        self.table.setLineWrapMode(QPlainTextEdit.LineWrapMode.NoWrap)
        self.table.setAccessibleName(tr("the plan in words"))
        self.use = QPushButton(tr("Take its setpoint, height and stages"))
        self.use.setEnabled(False)
        self.use.clicked.connect(self._take_start)
        self.plan = None
        row = QHBoxLayout()
        for widget in (self.find, self.stop, self.bar):
            row.addWidget(widget)
        whole = QVBoxLayout(self)
        whole.addLayout(row)
        whole.addWidget(self.verdict)
        whole.addWidget(self.picture, 2)
        whole.addWidget(self.table, 3)
        whole.addWidget(self.use)

    def look(self) -> None:
        """Search with the job as it stands."""
        job = self._draft.job()
        if job is None:
            self._say(self._draft.faults)
            return
        if self.task.run(in_process(_find, job, self._calibration)):
            self.find.setEnabled(False)
            self.stop.setEnabled(True)

    def _show(self, found) -> None:
        self.plan, picture = found
        self._say(self.plan.reason)
        self.table.setPlainText(plan_table(self.plan))
        self.picture.load(picture)
        self.use.setEnabled(self.plan.is_open)

    def _say(self, text: str) -> None:
        self.verdict.setText(text or tr("stopped"))
        self.find.setEnabled(True)
        self.stop.setEnabled(False)
        self.bar.setValue(0)

    def _take_start(self) -> None:
        self._draft.put("station", "setpoint_c", round(self.plan.start.setpoint_c))
        stages = tuple((1e3 * stage.height_m, stage.seconds, stage.glides) for stage in self.plan.start.stages)
        self.start_taken.emit(1e3 * self.plan.start.height_m)
        self.stages_taken.emit(stages if len(stages) > 1 else ())


class _Picture(QWidget):
    """A picture, whole and as large as fits."""

    def __init__(self) -> None:
        super().__init__()
        self._pixmap = QPixmap()
        self.setMinimumHeight(150)
        self.setAccessibleName(tr("the plan as a picture"))

    def load(self, png: bytes) -> None:
        self._pixmap.loadFromData(png)
        self.update()

    def paintEvent(self, _: object) -> None:
        if self._pixmap.isNull():
            return
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        size = self._pixmap.size().scaled(self.size(), Qt.AspectRatioMode.KeepAspectRatio)
        painter.drawPixmap(QRect((self.width() - size.width()) // 2, 0, size.width(), size.height()), self._pixmap)
        painter.end()


def _find(job: Job, calibration, told) -> tuple[object, bytes]:
    """The plan and its picture; what it imports is large, and only this process needs it."""
    from monitor.plan.chart import draw_plan
    from monitor.plan.search import PlanLimits
    from monitor.plan.window import make_plan

    low, high = job.limits.height_mm
    limits = PlanLimits((max(low, 1.0) * 1e-3, high * 1e-3), dwell_s=job.limits.dwell_s)
    plan = make_plan(heat_setup(job), limits, calibration=calibration, progress=told)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plan.png"
        draw_plan(plan, path)
        return plan, path.read_bytes()
