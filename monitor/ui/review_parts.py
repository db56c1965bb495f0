"""Parts and joints at the review's cursor: the person's word on the joints, and a part before and after."""

from __future__ import annotations

from collections.abc import Callable

from PyQt6.QtCore import Qt
from PyQt6.QtGui import QPixmap
from PyQt6.QtWidgets import QDialog, QDialogButtonBox, QGridLayout, QLabel, QVBoxLayout, QWidget

from monitor.errors import MonitorError
from monitor.judging.marks import MARK_WORDS, MOLTEN, SOLID
from monitor.recording.marks import add_mark, take_back_last
from monitor.recording.reader import Recording
from monitor.review.traces import part_title
from monitor.ui.review_cursor import Cursor
from monitor.ui.review_keys import settings, tr

__all__ = ["PartPictures", "PartsAtCursor", "nearest_event"]

SIDE_PX = 320


class PartsAtCursor:
    """Marks joints and shows parts where the cursor is; its methods are commands of the window.

    Parameters
    ----------
    window : QWidget
        With `recording`, `say` and `_refresh`.
    """

    def __init__(self, window: QWidget, cursor: Cursor, refresh: Callable[[], None]) -> None:
        self._window, self._cursor, self._refresh = window, cursor, refresh

    def seen_molten(self) -> None:
        """The joints are molten at the cursor."""
        self._mark(MOLTEN)

    def still_solid(self) -> None:
        """The joints are still solid at the cursor."""
        self._mark(SOLID)

    def unmark_joints(self) -> None:
        """Take the last word on the joints back."""
        self._do(lambda recording: take_back_last(recording) and tr("taken back"))

    def show_part(self) -> None:
        """The part event nearest to the cursor, before and after."""
        recording = self._window.recording
        event = None if recording is None else nearest_event(recording, self._cursor.t_s)
        if event is None:
            self._window.say(tr("no part moved in this recording"))
            return
        self._cursor.pause()
        dialog = PartPictures(event, self._window)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.open()

    def _mark(self, kind: str) -> None:
        author = str(settings().value("author", ""))
        self._do(
            lambda recording: (
                add_mark(recording, self._cursor.t_s, kind, author)
                and tr("{}; it counts when the recording is judged again").format(tr(MARK_WORDS[kind]))
            )
        )

    def _do(self, act: Callable[[Recording], str | None]) -> None:
        if self._window.recording is None:
            return
        try:
            self._window.say(act(self._window.recording) or tr("nothing to take back"))
        except MonitorError as fault:
            self._window.say(str(fault))
        self._refresh()


def nearest_event(recording: Recording, t_s: float) -> dict | None:
    """The part event nearest to a moment; None when there is none."""
    return min(recording.part_events, key=lambda e: abs(e["t_start_s"] - t_s), default=None)


class PartPictures(QDialog):
    """A part before and after, side by side at one scale."""

    def __init__(self, event: dict, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr("Part, before and after"))
        title = QLabel(tr("{:.2f} s: {}").format(event["t_s"], part_title(event)))
        title.setTextFormat(Qt.TextFormat.PlainText)
        grid = QGridLayout()
        for column, (key, word) in enumerate((("before", tr("before")), ("after", tr("after")))):
            picture = QLabel()
            picture.setAccessibleName(word)
            pixels = QPixmap()
            if event[key] is not None and pixels.loadFromData(event[key]):
                picture.setPixmap(
                    pixels.scaled(
                        SIDE_PX, SIDE_PX, Qt.AspectRatioMode.KeepAspectRatio, Qt.TransformationMode.SmoothTransformation
                    )
                )
            else:
                picture.setText(tr("no picture"))
            grid.addWidget(picture, 0, column)
            grid.addWidget(QLabel(word), 1, column, Qt.AlignmentFlag.AlignHCenter)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        buttons.rejected.connect(self.reject)
        whole = QVBoxLayout(self)
        whole.addWidget(title)
        whole.addLayout(grid)
        whole.addWidget(buttons)
