"""The baseline in the compare window: passes left out, a new beginning, taken back; undone and made again."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PyQt6.QtCore import QObject, QSettings, pyqtSignal
from PyQt6.QtGui import QAction, QKeySequence
from PyQt6.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QFileDialog,
    QFormLayout,
    QLabel,
    QLineEdit,
    QMenu,
    QVBoxLayout,
    QWidget,
)

from monitor.errors import MonitorError
from monitor.repeat.compare.baseline import BEGUN_ANEW, LEFT_OUT, TAKEN_BACK, BaselineBook
from monitor.repeat.compare.passes import Pass
from monitor.ui.compare_table import tr

__all__ = ["Baseline", "ReasonDialog"]

TITLES = {LEFT_OUT: "Leave {} out", BEGUN_ANEW: "Begin anew at {}", TAKEN_BACK: "Take back what was decided on {}"}
MEANS = {LEFT_OUT: "It is shown, and judged no longer.",
         BEGUN_ANEW: "After a deliberate change: this pass and those after it count, those before it no longer.",
         TAKEN_BACK: "Both stay in the record."}


class ReasonDialog(QDialog):
    """Asks why, and who decides; both go into the record."""

    def __init__(self, what: str, label: str, by: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr(TITLES[what]).format(label))
        self.why, self.by = QLineEdit(), QLineEdit(by)
        self.why.setAccessibleName(tr("why"))
        self.by.setAccessibleName(tr("who decides (a code)"))
        form = QFormLayout()
        form.addRow(tr("why"), self.why)
        form.addRow(tr("who decides (a code)"), self.by)
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel)
        self.buttons.accepted.connect(self.accept)
        self.buttons.rejected.connect(self.reject)
        means = QLabel(tr(MEANS[what]))
        means.setWordWrap(True)
        whole = QVBoxLayout(self)
        whole.addWidget(means)
        whole.addLayout(form)
        whole.addWidget(self.buttons)
        for field in (self.why, self.by):
            field.textChanged.connect(self._check)
        self._check()
        self.resize(460, self.sizeHint().height())

    def _check(self) -> None:
        self.buttons.button(QDialogButtonBox.StandardButton.Ok).setEnabled(
            bool(self.why.text().strip() and self.by.text().strip()))


class Baseline(QObject):
    """Decides about passes, in a record; `changed` when the comparison must be made anew.

    Parameters
    ----------
    window : QWidget
    path : Path, optional
        Of the record; asked for with the first decision when not given.
    chosen : callable
        Gives the chosen pass, or None.
    say : callable
        Takes one line for the person.
    settings : QSettings, optional
        Remembers who decides.

    Raises
    ------
    InputError
        When the file is no such record.
    """

    changed = pyqtSignal()

    def __init__(self, window: QWidget, path: Path | None, chosen: Callable[[], Pass | None],
                 say: Callable[[str], None], settings: QSettings | None = None) -> None:
        super().__init__(window)
        self._window, self._chosen, self._say = window, chosen, say
        self._settings = settings or QSettings("plumeline", "compare")
        self.book = BaselineBook(path) if path is not None else None
        self.actions: dict[str, QAction] = {}
        for name, text, keys, act in (
                (LEFT_OUT, tr("&Leave the chosen pass out..."), "Ctrl+L", lambda: self._ask(LEFT_OUT)),
                (BEGUN_ANEW, tr("&Begin anew at the chosen pass..."), "Ctrl+B", lambda: self._ask(BEGUN_ANEW)),
                (TAKEN_BACK, tr("&Take back what was decided on it..."), "Ctrl+T", lambda: self._ask(TAKEN_BACK)),
                ("undo", tr("&Undo"), QKeySequence.StandardKey.Undo, self.undo),
                ("redo", tr("&Redo"), QKeySequence.StandardKey.Redo, self.redo)):
            self.actions[name] = action = QAction(text, window)
            action.setShortcut(QKeySequence(keys))
            action.triggered.connect(act)
        self.show_possible()

    def fill(self, menu: QMenu) -> None:
        """Put the commands into a menu."""
        for name, action in self.actions.items():
            if name == "undo":
                menu.addSeparator()
            menu.addAction(action)

    def show_possible(self) -> None:
        """Grey out what cannot be done now."""
        for name in (LEFT_OUT, BEGUN_ANEW, TAKEN_BACK):
            self.actions[name].setEnabled(self._chosen() is not None)
        self.actions["undo"].setEnabled(self.book is not None and self.book.can_undo)
        self.actions["redo"].setEnabled(self.book is not None and self.book.can_redo)

    def decide(self, what: str, p: Pass, why: str, by: str) -> None:
        """Write a decision into the record."""
        if self.book is None and not self._ask_path():
            return
        self._settings.setValue("by", by)
        self._do(lambda: self.book.decide(what, p, why, by), f"{p.label} {tr(what)}")

    def undo(self) -> None:
        """As if the last decision had not been made."""
        self._do(lambda: self.book.undo(), tr("undone"))

    def redo(self) -> None:
        """Make it again."""
        self._do(lambda: self.book.redo(), tr("made again"))

    def _ask(self, what: str) -> None:
        p = self._chosen()
        if p is None:
            return
        dialog = ReasonDialog(what, p.label, str(self._settings.value("by", "")), self._window)
        if dialog.exec():
            self.decide(what, p, dialog.why.text(), dialog.by.text())

    def _ask_path(self) -> bool:
        """Where the record is kept; no when that was not said."""
        dialog = QFileDialog(self._window, tr("Where the record of the baseline is kept"))
        dialog.setAcceptMode(QFileDialog.AcceptMode.AcceptSave)
        dialog.setOption(QFileDialog.Option.DontConfirmOverwrite)  # a record that is there is gone on with
        dialog.setNameFilter("TOML (*.toml)")
        dialog.setDefaultSuffix("toml")
        dialog.selectFile("baseline.toml")
        if not dialog.exec():
            return False
        return self.open(Path(dialog.selectedFiles()[0]))

    def open(self, path: Path) -> bool:
        """Go on with a record; no when it is none, and that is said."""
        try:
            self.book = BaselineBook(path)
        except MonitorError as fault:
            self._say(str(fault))
            return False
        return True

    def _do(self, act: Callable[[], object], told: str) -> None:
        try:
            act()
        except (MonitorError, OSError) as fault:
            self._say(str(fault))
            return
        self._say(f"{told} ({self.book.path.name})")
        self.changed.emit()
        self.show_possible()
