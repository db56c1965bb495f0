"""Comments of a review: written at the cursor or over the span, saved at once, each change to be taken back."""

from __future__ import annotations

import os
from collections.abc import Callable

from PyQt6.QtCore import QObject, pyqtSignal

from monitor.errors import MonitorError
from monitor.recording.comments import Comment, CommentBook, comments_of, save_comments
from monitor.recording.reader import TRACE, Recording
from monitor.ui.review_cursor import Cursor
from monitor.ui.review_keys import tr
from monitor.ui.review_panels import CommentsPanel
from monitor.ui.review_timeline import Timeline

__all__ = ["CommentsAtCursor"]


class CommentsAtCursor(QObject):
    """Keeps the comments of the recording; mark, undo and redo are commands of the window.

    Signals: changed, told (one line for the user), asked (the panel is to be shown).
    """

    changed, asked = pyqtSignal(), pyqtSignal()
    told = pyqtSignal(str)

    def __init__(self, parent: QObject, cursor: Cursor, timeline: Timeline, panel: CommentsPanel) -> None:
        super().__init__(parent)
        self.book = CommentBook()
        self._recording: Recording | None = None
        self._cursor, self._timeline, self._panel = cursor, timeline, panel
        panel.added.connect(self._add)
        panel.rewritten.connect(lambda c, text: self._edit(lambda: self.book.rewrite(c, text)))
        panel.removed.connect(lambda c: self._edit(lambda: self.book.remove(c)))
        panel.undo_asked.connect(self.undo)
        panel.redo_asked.connect(self.redo)

    def set_recording(self, recording: Recording) -> None:
        """Another recording, with its comments."""
        self._recording, self.book = recording, CommentBook(comments_of(recording))
        folder = recording.folder
        is_writable = os.access(folder, os.W_OK) and os.access(folder / TRACE, os.W_OK)
        self._panel.set_writable("" if is_writable else tr("This recording may only be read."))

    def mark(self) -> None:
        """Go and write a comment about the cursor or the span."""
        self._cursor.pause()
        self.asked.emit()
        self._panel.begin()

    def undo(self) -> None:
        """Take the last change of the comments back."""
        self._edit(lambda: self.book.undo())

    def redo(self) -> None:
        """Make it again."""
        self._edit(lambda: self.book.redo())

    def _add(self, text: str, author: str) -> None:
        start, end = self._timeline.span or (self._cursor.t_s, None)
        self._edit(lambda: self.book.add(Comment(start, text, author, end)))

    def _edit(self, change: Callable[[], object]) -> None:
        """Change the comments and save them at once."""
        if self._recording is None:
            return
        try:
            change()
            save_comments(self._recording.folder, self.book.comments)
            self.told.emit(tr("saved"))
        except MonitorError as fault:
            self.told.emit(str(fault))
        self.changed.emit()
