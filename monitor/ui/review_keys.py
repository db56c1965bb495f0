"""The review window's commands and their keys: defaults, what the user changed, and the list that F1 shows."""

from __future__ import annotations

from dataclasses import dataclass

from PyQt6.QtCore import QCoreApplication, QSettings, Qt
from PyQt6.QtGui import QKeySequence
from PyQt6.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QKeySequenceEdit,
    QLabel,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

__all__ = ["COMMANDS", "Command", "KeysDialog", "keys_of", "settings", "tr"]


def tr(text: str) -> str:
    """A text of this window in the user's language."""
    return QCoreApplication.translate("review", text)


def settings() -> QSettings:
    """Where the window keeps what the user chose."""
    return QSettings(QSettings.Format.IniFormat, QSettings.Scope.UserScope, "plumeline", "review")


@dataclass(frozen=True)
class Command:
    """One thing that the window can do.

    Attributes
    ----------
    name : str
        Also the name of the method of the window, its cursor or its timeline.
    text : str
        For menus and tool tips.
    keys : tuple of str
        By default.
    menu : str
    """

    name: str
    text: str
    keys: tuple[str, ...]
    menu: str


COMMANDS = (
    Command("open", "Open a recording...", ("Ctrl+O",), "Recording"),
    Command("compare_with", "Lay another pass beside...", ("Ctrl+P",), "Recording"),
    Command("lay_guide_over", "Lay the guide over this pass", ("G",), "Recording"),
    Command("make_guide", "Make this pass a guide...", ("Ctrl+G",), "Recording"),
    Command("end_comparing", "Take the other pass away", (), "Recording"),
    Command("write_report", "Write the report...", ("Ctrl+R",), "Recording"),
    Command("write_tables", "Write tables...", ("Ctrl+E",), "Recording"),
    Command("close", "Close", ("Ctrl+W",), "Recording"),
    Command("undo", "Undo", ("Ctrl+Z",), "Comments"),
    Command("redo", "Redo", ("Ctrl+Shift+Z", "Ctrl+Y"), "Comments"),
    Command("mark", "Comment on this moment or span", ("M",), "Comments"),
    Command("seen_molten", "Joints seen molten here", ("Y",), "Joints"),
    Command("still_solid", "Joints still solid here", ("N",), "Joints"),
    Command("unmark_joints", "Take the last word on the joints back", ("U",), "Joints"),
    Command("show_part", "The part before and after", ("B",), "Joints"),
    Command("play_or_pause", "Play or pause", ("Space",), "Go"),
    Command("step_forward", "One frame forward", ("Right",), "Go"),
    Command("step_back", "One frame back", ("Left",), "Go"),
    Command("second_forward", "One second forward", ("Shift+Right",), "Go"),
    Command("second_back", "One second back", ("Shift+Left",), "Go"),
    Command("to_start", "To the start", ("Home",), "Go"),
    Command("to_end", "To the end", ("End",), "Go"),
    Command("faster_back", "Play backwards, faster each time", ("J",), "Go"),
    Command("pause", "Pause", ("K",), "Go"),
    Command("faster_forward", "Play forwards, faster each time", ("L",), "Go"),
    Command("next_event", "To the next event", ("Down",), "Go"),
    Command("previous_event", "To the previous event", ("Up",), "Go"),
    Command("span_from", "Span begins here", ("[",), "Span"),
    Command("span_to", "Span ends here", ("]",), "Span"),
    Command("span_none", "No span", ("Escape",), "Span"),
    Command("span_pass", "Span over the pass at the cursor", ("P",), "Span"),
    Command("zoom_in", "Closer", ("+", "="), "View"),
    Command("zoom_out", "Farther", ("-",), "View"),
    Command("pan_left", "Move the view back", ("Ctrl+Left",), "View"),
    Command("pan_right", "Move the view on", ("Ctrl+Right",), "View"),
    Command("zoom_fit", "The whole recording", ("F",), "View"),
    Command("zoom_span", "The span", ("S",), "View"),
    Command("toggle_marks", "Measurement over the video", ("O",), "View"),
    Command("loupe", "Loupe: 2, 3, 4, 6 times, off", ("X",), "View"),
    Command("show_keys", "Keys...", ("F1",), "Help"),
)


def keys_of(command: Command) -> list[QKeySequence]:
    """The keys in use for a command."""
    chosen = settings().value(f"keys/{command.name}")
    texts = command.keys if chosen is None else (str(chosen),) if chosen else ()
    return [QKeySequence(text) for text in texts]


class KeysDialog(QDialog):
    """Lists every command with its key and lets the key be changed; an empty field has no key."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr("Keys"))
        self._fields: dict[str, QKeySequenceEdit] = {}
        form = QFormLayout()
        for command in COMMANDS:
            field = QKeySequenceEdit((keys_of(command) or [QKeySequence()])[0])
            field.setMaximumSequenceLength(1)
            field.setClearButtonEnabled(True)
            field.setAccessibleName(tr(command.text))
            self._fields[command.name] = field
            form.addRow(tr(command.text), field)
        inner = QWidget()
        inner.setLayout(form)
        scroll = QScrollArea(widgetResizable=True)
        scroll.setWidget(inner)
        self._message = QLabel()
        self._message.setWordWrap(True)
        self._message.setTextFormat(Qt.TextFormat.PlainText)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Save | QDialogButtonBox.StandardButton.Cancel
                                   | QDialogButtonBox.StandardButton.RestoreDefaults)
        buttons.accepted.connect(self._save)
        buttons.rejected.connect(self.reject)
        buttons.button(QDialogButtonBox.StandardButton.RestoreDefaults).clicked.connect(self._restore)
        layout = QVBoxLayout(self)
        for widget in (QLabel(tr("The wheel zooms at the pointer, dragging moves the view, dragging with Shift makes a "
                                 "span.")),
                       scroll, self._message, buttons):
            layout.addWidget(widget)
        self.resize(520, 620)

    def _restore(self) -> None:
        for command in COMMANDS:
            self._fields[command.name].setKeySequence(QKeySequence(command.keys[0] if command.keys else ""))

    def _save(self) -> None:
        taken: dict[str, str] = {}
        portable = QKeySequence.SequenceFormat.PortableText
        for command in COMMANDS:
            text = self._fields[command.name].keySequence().toString(portable)
            if text and text in taken:
                self._message.setText(tr("{key} is given to two commands: {one} and {other}").format(
                    key=text, one=tr(taken[text]), other=tr(command.text)))
                self._fields[command.name].setFocus(Qt.FocusReason.OtherFocusReason)
                return
            taken[text] = command.text
        store = settings()
        for command in COMMANDS:
            text = self._fields[command.name].keySequence().toString(portable)
            default = QKeySequence(command.keys[0] if command.keys else "").toString(portable)
            store.remove(f"keys/{command.name}") if text == default else store.setValue(f"keys/{command.name}", text)
        self.accept()
