"""Another pass laid beside the one under review, both counted from contact with the target."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PyQt6.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QFileDialog,
    QFormLayout,
    QLabel,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from monitor.errors import InputError, MonitorError
from monitor.job import Job, parse_job
from monitor.recording.reader import JOB, Recording, open_recording
from monitor.review.traces import Traces, traces_of
from monitor.ui.fields import Choice
from monitor.ui.review_keys import tr

__all__ = ["Beside", "BesideDialog", "pass_numbered", "read_beside"]


@dataclass(frozen=True)
class Beside:
    """Another pass.

    Attributes
    ----------
    shift_s : float
        Its recording's times plus this are the times of the recording under review.
    """

    name: str
    recording: Recording
    job: Job
    traces: Traces
    shift_s: float


def pass_numbered(recording: Recording, number: int) -> dict[str, Any]:
    """One pass of a recording; InputError when there is none of that number."""
    found = next((p for p in recording.passes if p["number"] == number), None)
    if found is None:
        raise InputError(f"{recording.folder}: has no pass {number}; it has {len(recording.passes)}")
    return found


def read_beside(recording: Recording, own_pass: int, folder: Path, other_pass: int) -> Beside:
    """Lay a pass, of the same recording or of another, beside one under review; both begin at the same moment."""
    other = recording if folder == recording.folder else open_recording(folder)
    job = parse_job(other.job_text, str(other.folder / JOB))
    own, theirs = pass_numbered(recording, own_pass), pass_numbered(other, other_pass)
    where = "" if other is recording else f" {tr('of')} {other.folder.name}"
    return Beside(f"{tr('pass')} {other_pass}{where}", other, job, traces_of(other, job), own["t_start_s"]
                  - theirs["t_start_s"])


class BesideDialog(QDialog):
    """Asks which pass to lay beside which."""

    def __init__(self, recording: Recording, own_pass: int, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr("Lay another pass beside"))
        self._recording = recording
        self.folder = recording.folder
        self._own, self._other, self._from = Choice(), Choice(), QLabel(tr("this recording"))
        _fill(self._own, recording.passes)
        self._own.setCurrentIndex(max(0, self._own.findData(own_pass)))
        _fill(self._other, recording.passes)
        if self._own.currentIndex() == self._other.currentIndex() and self._other.count() > 1:
            self._other.setCurrentIndex(0 if self._own.currentIndex() else 1)
        choose = QPushButton(tr("Another recording..."))
        choose.clicked.connect(self._choose)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel)
        buttons.accepted.connect(self.accept)
        buttons.rejected.connect(self.reject)
        form = QFormLayout()
        form.addRow(tr("This pass"), self._own)
        form.addRow(tr("Other pass"), self._other)
        form.addRow(tr("out of"), self._from)
        layout = QVBoxLayout(self)
        layout.addLayout(form)
        layout.addWidget(choose)
        layout.addWidget(buttons)

    @property
    def choice(self) -> tuple[int, Path, int] | None:
        """Own pass, folder, and pass in it; None when there is no pass to choose."""
        own, other = self._own.currentData(), self._other.currentData()
        return None if own is None or other is None else (own, self.folder, other)

    def _choose(self) -> None:
        folder = QFileDialog.getExistingDirectory(self, tr("Another recording"), str(self.folder.parent))
        if not folder:
            return
        try:
            passes = open_recording(folder).passes
        except MonitorError as fault:
            self._from.setText(str(fault))
            return
        self.folder = Path(folder)
        self._from.setText(self.folder.name)
        _fill(self._other, passes)


def _fill(box: Choice, passes: Sequence[dict[str, Any]]) -> None:
    box.clear()
    for p in passes:
        box.addItem(tr("pass {n}: {a:.2f} to {b:.2f} s, {h:.1f} mm").format(
            n=p["number"], a=p["t_start_s"], b=p["t_end_s"], h=p["height_mean_mm"]), p["number"])
