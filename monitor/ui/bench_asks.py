"""Small questions at the bench that stop nothing: a setpoint to type, a reason for putting a warning aside, a guide."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PyQt6.QtCore import Qt
from PyQt6.QtWidgets import QFileDialog, QInputDialog, QWidget

from monitor.errors import MonitorError
from monitor.judging.alerts import Priority, TechniqueWarning
from monitor.recording.guide_file import load_guide
from monitor.ui.bench_state import tr
from monitor.ui.bench_work import BenchWork

__all__ = ["ask_guide", "ask_setpoint", "change_guide", "put_aside"]


def ask_setpoint(parent: QWidget, work: BenchWork) -> None:
    """Type a setpoint."""
    dialog = QInputDialog(parent)
    dialog.setInputMode(QInputDialog.InputMode.IntInput)
    dialog.setLabelText(tr("station setpoint [°C]"))
    dialog.setIntRange(50, 600)
    dialog.setIntValue(round(work.setpoint_c) if work.setpoint_c == work.setpoint_c else 350)
    dialog.intValueSelected.connect(lambda value: work.turn_setpoint(float(value)))
    dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
    dialog.open()


def put_aside(parent: QWidget, work: BenchWork, warning: TechniqueWarning | None, tell: Callable[[str], None]) -> None:
    """Shelve a warning; one that protects the work wants a reason."""
    if warning is None:
        return
    if warning.priority is not Priority.HIGH:
        work.shelve(warning)
        return
    dialog = QInputDialog(parent)
    dialog.setLabelText(tr("why may “{}” be put aside?").format(tr(warning.action)))
    dialog.textValueSelected.connect(
        lambda text: work.shelve(warning, text) if text.strip() else tell(tr("not put aside: no reason was given")))
    dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
    dialog.open()


def change_guide(work: BenchWork, tell: Callable[[str], None]) -> None:
    """Be led along the last pass, or no longer when there is a guide already."""
    try:
        work.use_guide(work.last_pass() if work.guide is None else None)
    except MonitorError as fault:
        tell(str(fault))


def ask_guide(parent: QWidget, work: BenchWork, tell: Callable[[str], None]) -> None:
    """Choose a guide's file."""
    name, _ = QFileDialog.getOpenFileName(parent, tr("Choose a guide"), str(work.settings.out), "TOML (*.toml)")
    if not name:
        return
    try:
        work.use_guide(load_guide(Path(name)))
    except MonitorError as fault:
        tell(str(fault))
