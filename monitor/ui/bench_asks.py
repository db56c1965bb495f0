"""Small questions at the bench that stop nothing: a setpoint to type, a reason for putting a warning aside."""

from __future__ import annotations

from collections.abc import Callable

from PyQt6.QtCore import Qt
from PyQt6.QtWidgets import QInputDialog, QWidget

from monitor.judging.alerts import Priority, TechniqueWarning
from monitor.ui.bench_state import tr
from monitor.ui.bench_work import BenchWork

__all__ = ["ask_setpoint", "put_aside"]


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
