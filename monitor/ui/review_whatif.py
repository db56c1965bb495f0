"""The panel that asks: what would have come out with other settings?"""

from __future__ import annotations

from collections.abc import Callable

from PyQt6.QtCore import Qt, pyqtSignal
from PyQt6.QtWidgets import (
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QListWidget,
    QListWidgetItem,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from monitor.errors import MonitorError
from monitor.heat.alloy import alloy_names
from monitor.job import PROTECTION_NEEDS, Job, ProtectionMeasure
from monitor.recording.reader import Recording
from monitor.review.whatif import MOST_HIGHER_MM, Change, WhatIf, changed_job, what_if
from monitor.ui.fields import Choice, Number
from monitor.ui.review_keys import tr
from monitor.ui.review_panels import WaitBar

__all__ = ["WhatIfPanel"]

UNITS = {"gap_mm": ("mm", 0.0, 50.0, 3.0), "mass_g": ("g", 0.1, 5000.0, 20.0), "temp_c": ("C", 20.0, 300.0, 120.0)}


class WhatIfPanel(QWidget):
    """Settings to change, and the difference that they would have made.

    Signals: `found` with a WhatIf, or None when it is taken back; `kept` with a WhatIf that shall go into the report.
    """

    found = pyqtSignal(object)
    kept = pyqtSignal(object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._recording: Recording | None = None
        self._job: Job | None = None
        self._last: WhatIf | None = None
        self.setpoint = _spin(50, 600, 5, " C", tr("Station setpoint"))
        self.airflow = _spin(1, 250, 1, " L/min", tr("Airflow"))
        self.higher = _spin(-MOST_HIGHER_MM, MOST_HIGHER_MM, 1, " mm", tr("Nozzle higher by"))
        self.alloy = Choice()
        self.alloy.setAccessibleName(tr("Alloy"))
        self.alloy.addItems(alloy_names())
        self.protections = _Protections()
        self.words, self.wait = QLabel(tr("Change a setting, then work it out.")), WaitBar()
        self.words.setWordWrap(True)
        self.words.setTextFormat(Qt.TextFormat.PlainText)
        self.words.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse
                                           | Qt.TextInteractionFlag.TextSelectableByKeyboard)
        self.run, self.reset, self.keep = (QPushButton(t) for t in (tr("Work it out"), tr("As recorded"),
                                                                    tr("Into the report")))
        self.run.setProperty("main", True)
        self.run.clicked.connect(self.work_out)
        self.reset.clicked.connect(self.take_back)
        self.keep.clicked.connect(lambda: self._last and self.kept.emit(self._last))
        self._lay_out()

    def _lay_out(self) -> None:
        inner, form, row = QWidget(), QFormLayout(), QHBoxLayout()
        for label, field in ((tr("Setpoint"), self.setpoint), (tr("Airflow"), self.airflow),
                             (tr("Nozzle higher by"), self.higher), (tr("Alloy"), self.alloy)):
            form.addRow(label, field)
        form.addRow(self.protections)
        for button in (self.run, self.reset, self.keep):
            row.addWidget(button)
        column = QVBoxLayout(inner)
        column.addLayout(form)
        column.addLayout(row)
        column.addWidget(self.wait)
        column.addWidget(self.words)
        column.addStretch(1)
        scroll = QScrollArea(widgetResizable=True)
        scroll.setFrameShape(QScrollArea.Shape.NoFrame)
        scroll.setWidget(inner)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(scroll)

    def set_recording(self, recording: Recording, job: Job) -> None:
        """What is judged again; the fields show its settings."""
        self._recording, self._job = recording, job
        self.take_back()

    def set_from_job(self, job: Job) -> None:
        """Take the settings of another job file."""
        self.setpoint.setValue(job.station.setpoint_c)
        self.airflow.setValue(job.station.airflow_l_min)
        self.alloy.setCurrentText(job.solder.alloy)
        self.protections.set_job(job)

    def take_back(self) -> None:
        """Back to what was recorded."""
        self.wait.cancel()
        if self._job is None:
            return
        self.set_from_job(self._job)
        self.higher.setValue(0.0)
        self._last = None
        self.keep.setEnabled(False)
        self.words.setText(tr("Change a setting, then work it out."))
        self.found.emit(None)

    def change(self) -> Change:
        """What the fields ask for; what equals the recording is left out."""
        station, solder = self._job.station, self._job.solder
        measures = self.protections.measures()
        return Change(
            None if self.setpoint.value() == station.setpoint_c else self.setpoint.value(),
            None if self.airflow.value() == station.airflow_l_min else self.airflow.value(), self.higher.value(),
            None if self.alloy.currentText() == solder.alloy else self.alloy.currentText(),
            None if measures == self._job.protection else measures)

    def work_out(self) -> None:
        """Judge the recording again, beside the window."""
        if self._recording is None:
            return
        change, recording, job = self.change(), self._recording, self._job
        if change == Change():
            self.words.setText(tr("Nothing is different from the recording yet."))
            return
        try:
            changed_job(job, change)
        except MonitorError as fault:
            self.words.setText(str(fault))
            return
        self.words.setText(tr("Working it out..."))

        def work(tell: Callable[[float], None]) -> WhatIf:
            return what_if(recording, job, change, tell)
        self.wait.run(work, self._show, self.words.setText,
                      lambda: self.words.setText(tr("Cancelled; nothing was changed.")))

    def _show(self, found: WhatIf) -> None:
        self._last = found
        self.keep.setEnabled(True)
        self.words.setText(found.sentence)
        self.found.emit(found)


class _Protections(QWidget):
    """The job's measures to be kept or left out, and new ones."""

    def __init__(self) -> None:
        super().__init__()
        self._list, self._kind, self._where = QListWidget(), Choice(), Choice()
        self._value = _spin(0, 5000, 1, "", tr("Measure's value"))
        self._list.setMaximumHeight(90)
        self._list.setAccessibleName(tr("Protections; checked ones are used"))
        self._kind.setAccessibleName(tr("Kind of protection"))
        self._where.setAccessibleName(tr("Where it is"))
        for kind in PROTECTION_NEEDS:
            self._kind.addItem(tr(kind.replace("_", " ")), kind)
        self._kind.currentIndexChanged.connect(self._fit_value)
        add = QPushButton(tr("Add"))
        add.setAccessibleName(tr("Add this protection"))
        add.clicked.connect(self._add)
        row, below = QHBoxLayout(), QHBoxLayout()
        row.addWidget(self._kind, 1)
        row.addWidget(self._where, 1)
        below.addWidget(self._value, 1)
        below.addWidget(add, 1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(QLabel(tr("Protections")))
        layout.addWidget(self._list)
        layout.addLayout(row)
        layout.addLayout(below)
        self._fit_value()

    def set_job(self, job: Job) -> None:
        """List a job's measures, all used."""
        self._list.clear()
        self._where.clear()
        self._where.addItem(tr("whole board"), None)
        for name, region in zip(job.neighbour_names, job.neighbour, strict=True):
            self._where.addItem(name, region.outline_mm)
        for measure in job.protection:
            self._append(measure, tr("as in the job"))

    def measures(self) -> tuple[ProtectionMeasure, ...]:
        """The checked ones."""
        items = [self._list.item(i) for i in range(self._list.count())]
        return tuple(i.data(Qt.ItemDataRole.UserRole) for i in items if i.checkState() is Qt.CheckState.Checked)

    def _fit_value(self) -> None:
        needs = PROTECTION_NEEDS[self._kind.currentData()]
        self._value.setEnabled(bool(needs))
        if needs:
            unit, low, high, usual = UNITS[needs[0]]
            self._value.setRange(low, high)
            self._value.setSuffix(f" {unit}")
            self._value.setValue(usual)

    def _add(self) -> None:
        kind = self._kind.currentData()
        values = {key: self._value.value() for key in PROTECTION_NEEDS[kind]}
        self._append(ProtectionMeasure(kind=kind, outline_mm=self._where.currentData(), **values),
                     self._where.currentText())

    def _append(self, measure: ProtectionMeasure, where: str) -> None:
        value = "".join(f", {getattr(measure, key):g} {UNITS[key][0]}" for key in PROTECTION_NEEDS[measure.kind])
        item = QListWidgetItem(f"{tr(measure.kind.replace('_', ' '))}{value} ({where})")
        item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
        item.setCheckState(Qt.CheckState.Checked)
        item.setData(Qt.ItemDataRole.UserRole, measure)
        self._list.addItem(item)


def _spin(low: float, high: float, step: float, suffix: str, name: str) -> Number:
    made = Number()
    made.setRange(low, high)
    made.setSingleStep(step)
    made.setDecimals(1)
    made.setSuffix(suffix)
    made.setAccessibleName(name)
    return made
