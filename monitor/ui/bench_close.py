"""The one question before the window closes: a recording that runs, a job that is not saved."""

from __future__ import annotations

from PyQt6.QtCore import Qt
from PyQt6.QtWidgets import QDialog, QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from monitor.ui.bench_state import tr

__all__ = ["CloseDialog"]


class CloseDialog(QDialog):
    """Asks; `answer` is then "save", "leave" (without saving) or "stay"."""

    def __init__(self, is_recording: bool, is_changed: bool, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr("Close?"))
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.answer = "stay"
        lines = [tr("A recording runs; closing ends it, and keeps it.")] if is_recording else []
        lines += [tr("The job has changes that are not saved.")] if is_changed else []
        said = QLabel("\n".join(lines))
        said.setWordWrap(True)
        self.stay, self.save = QPushButton(tr("Stay")), QPushButton(tr("Save the job and close"))
        self.leave = QPushButton(tr("Close without saving") if is_changed else tr("End it and close"))
        self.save.setVisible(is_changed)
        row = QHBoxLayout()
        row.addStretch(1)
        for button, answer in ((self.stay, "stay"), (self.leave, "leave"), (self.save, "save")):
            button.clicked.connect(lambda _=False, a=answer: self._take(a))
            row.addWidget(button)
        self.stay.setDefault(True)
        whole = QVBoxLayout(self)
        whole.addWidget(said)
        whole.addLayout(row)

    def _take(self, answer: str) -> None:
        self.answer = answer
        self.accept()
