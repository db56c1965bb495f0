"""Every command of the bench window with its key; a foot pedal sends one, and all can be changed."""

from __future__ import annotations

from collections.abc import Callable

from PyQt6.QtCore import QSettings, Qt
from PyQt6.QtGui import QAction, QKeySequence
from PyQt6.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QKeySequenceEdit,
    QLabel,
    QVBoxLayout,
    QWidget,
)

from monitor.ui.bench_state import tr
from monitor.ui.scroll import Scrolling

__all__ = ["COMMANDS", "bind", "KeysDialog"]

LEAST_FIELD_PX = 110
FRAME_PX = 60  # that a window's frame and a desktop's own bars take of a screen

# name: (what it does, key)
COMMANDS: dict[str, tuple[str, str]] = {
    "start_stop": ("begin or end the recording", "Space"),
    "setpoint_up": ("setpoint 10 °C up", "Up"),
    "setpoint_down": ("setpoint 10 °C down", "Down"),
    "airflow_up": ("airflow 5 L/min up", "Right"),
    "airflow_down": ("airflow 5 L/min down", "Left"),
    "setpoint_exact": ("type the setpoint", "T"),
    "put_aside": ("put the top warning aside for ten minutes", "W"),
    "take_back": ("take all warnings back", "Shift+W"),
    "reference": ("hear the height to hold", "H"),
    "next_map": ("map over the picture: none, dwell, heat", "M"),
    "near": ("whole picture, or near the work", "Z"),
    "coaching": ("next way of coaching (between recordings)", "C"),
    "guide": ("take the last pass as a guide, or be led no longer", "G"),
    "guide_file": ("choose a guide", "Shift+G"),
    "place": ("place the marks on the next board, then take them", "F6"),
    "mark": ("mark this moment", "K"),
    "seen_molten": ("the joints are molten: I see it", "Y"),
    "still_solid": ("the joints are still solid: it did not give", "N"),
    "unmark_joints": ("take the last word on the joints back", "U"),
    "open_last": ("open the last recording", "Ctrl+O"),
    "page_guide": ("first run", "F5"),
    "page_setup": ("set up", "F2"),
    "page_hot": ("hot work", "F3"),
    "glance": ("at a glance, on a second screen", "F4"),
    "theme": ("light, dark, as the system", "F9"),
    "full_screen": ("full screen", "F11"),
    "keys": ("these keys", "F1"),
}


def bind(window: QWidget, acts: dict[str, Callable[[], None]], settings: QSettings) -> dict[str, QAction]:
    """Make an action for every command, with the user's key or the usual one."""
    actions = {}
    for name, (text, key) in COMMANDS.items():
        action = QAction(tr(text), window)
        action.setShortcut(QKeySequence(str(settings.value(f"keys/{name}", key))))
        action.setShortcutContext(Qt.ShortcutContext.WindowShortcut)
        action.triggered.connect(lambda _=False, act=acts[name]: act())
        window.addAction(action)
        actions[name] = action
    return actions


class KeysDialog(QDialog):
    """Shows all keys, and takes others."""

    def __init__(self, actions: dict[str, QAction], settings: QSettings, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr("Keys"))
        self._actions, self._settings = actions, settings
        form, inner = QFormLayout(), QWidget()
        self.edits: dict[str, QKeySequenceEdit] = {}
        for name, action in actions.items():
            edit = QKeySequenceEdit(action.shortcut())
            edit.setMaximumSequenceLength(1)
            edit.setAccessibleName(action.text())
            edit.setMinimumWidth(LEAST_FIELD_PX)
            self.edits[name] = edit
            form.addRow(action.text(), edit)
        inner.setLayout(form)
        form.setRowWrapPolicy(QFormLayout.RowWrapPolicy.WrapLongRows)
        area = Scrolling(inner)
        area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._message = QLabel()
        self._message.setWordWrap(True)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Save | QDialogButtonBox.StandardButton.Cancel)
        buttons.accepted.connect(self._save)
        buttons.rejected.connect(self.reject)
        whole = QVBoxLayout(self)
        whole.addWidget(QLabel(tr("A foot pedal sends a key: press it in the field of what it should do.")))
        whole.addWidget(area, 1)
        whole.addWidget(self._message)
        whole.addWidget(buttons)
        screen = self.screen()
        if screen is not None:
            room = screen.availableGeometry()
            self.resize(min(520, room.width() - FRAME_PX), min(620, room.height() - FRAME_PX))  # the keys scroll

    def _save(self) -> None:
        keys = {name: edit.keySequence().toString() for name, edit in self.edits.items()}
        used = [k for k in keys.values() if k]
        twice = sorted({k for k in used if used.count(k) > 1})
        if twice:
            self._message.setText(tr("{} would do two things; give each its own key").format(", ".join(twice)))
            return
        for name, key in keys.items():
            self._actions[name].setShortcut(QKeySequence(key))
            self._settings.setValue(f"keys/{name}", key)
        self.accept()
