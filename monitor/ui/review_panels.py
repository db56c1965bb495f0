"""The panels beside the picture: what happened, comments, and maps of a span."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from PyQt6.QtCore import QRectF, Qt, QTimer, pyqtSignal
from PyQt6.QtGui import QImage, QPainter
from PyQt6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QPlainTextEdit,
    QProgressBar,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from monitor.job import Job
from monitor.recording.comments import LONGEST_TEXT, Comment
from monitor.recording.reader import Recording
from monitor.review.charts import board_photo, map_figure, png_of
from monitor.review.traces import Happening, dwell_in, heating_in
from monitor.ui.fields import Choice
from monitor.ui.review_keys import settings, tr
from monitor.ui.review_task import Task
from monitor.ui.theme import look

__all__ = ["HappeningsPanel", "CommentsPanel", "MapsPanel", "WaitBar"]

SHOWN_AFTER_MS = 300  # what is done sooner needs no bar
SIGNS = {"pass": "\u25cf", "warning": "\u25b2", "event": "\u25c6", "part": "\u25a0", "gap": "\u2502",
         "comment": "\u270e"}


class WaitBar(QWidget):
    """How far long work is, with a button to end it; hidden while nothing runs."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._bar, self._stop, self._task = QProgressBar(), QPushButton(tr("Cancel")), None
        self._bar.setRange(0, 1000)
        self._stop.clicked.connect(self.cancel)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self._bar, 1)
        layout.addWidget(self._stop)
        self.hide()

    @property
    def is_busy(self) -> bool:
        """Whether work is under way."""
        return self._task is not None

    def run(self, work: Callable, done: Callable, failed: Callable[[str], None],
            cancelled: Callable[[], None] = lambda: None) -> None:
        """Start work; what ran before is cancelled."""
        self.cancel()
        task = self._task = Task(work, self)
        begun = time.monotonic()
        task.progressed.connect(lambda share: self._tell(share, time.monotonic() - begun))
        for signal, then in ((task.done, done), (task.failed, failed)):
            signal.connect(lambda *result, then=then, task=task: self._end(task, then, result))
        self._cancelled = cancelled
        self._bar.setValue(0)
        task.start()
        QTimer.singleShot(SHOWN_AFTER_MS, self._show_if_busy)

    def cancel(self) -> None:
        """End the work that runs; its result is not waited for."""
        if self._task is not None:
            self._task.cancel()
            self._end(self._task, self._cancelled, ())

    def _tell(self, share: float, spent_s: float) -> None:
        """How far it is, and how long it will still take once that can be said."""
        self._bar.setValue(round(1000 * share))
        left = spent_s * (1 - share) / share if share > 0 else 0.0
        self._bar.setFormat(f"%p %   {tr('about {s:.0f} s left').format(s=left)}" if spent_s > 2 else "%p %")

    def _show_if_busy(self) -> None:
        self.setVisible(self._task is not None)

    def _end(self, task: Task, then: Callable, result: tuple) -> None:
        if task is self._task:
            self._task = None
            self.hide()
            then(*result)


class HappeningsPanel(QWidget):
    """All that happened, in order; choosing one goes there."""

    chosen = pyqtSignal(float)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._kinds, self._list = Choice(), QListWidget()
        self._kinds.setAccessibleName(tr("What to list"))
        self._list.setAccessibleName(tr("What happened"))
        self._list.setWordWrap(True)
        for text, kinds in ((tr("Everything"), None), (tr("Passes"), ("pass",)), (tr("Warnings"), ("warning",)),
                            (tr("Comments"), ("comment",)), (tr("Other events"), ("event", "gap"))):
            self._kinds.addItem(text, kinds)
        self._kinds.currentIndexChanged.connect(self._fill)
        self._list.itemActivated.connect(self._go)
        self._list.itemClicked.connect(self._go)
        layout = QVBoxLayout(self)
        layout.addWidget(self._kinds)
        layout.addWidget(self._list, 1)
        self._found: Sequence[Happening] = ()

    def set_happenings(self, found: Sequence[Happening]) -> None:
        """What to list."""
        self._found = found
        self._fill()

    def _fill(self) -> None:
        kinds = self._kinds.currentData()
        self._list.clear()
        for h in self._found:
            if kinds is None or h.kind in kinds:
                until = f" \u2013 {h.t_end_s:.2f}" if h.t_end_s > h.t_s else ""
                item = QListWidgetItem(f"{SIGNS[h.kind]}  {h.t_s:.2f}{until} s   {h.title}")
                item.setData(Qt.ItemDataRole.UserRole, h.t_s)
                self._list.addItem(item)
        if not self._list.count():
            self._list.addItem(tr("nothing of this kind"))

    def _go(self, item: QListWidgetItem) -> None:
        t_s = item.data(Qt.ItemDataRole.UserRole)
        if t_s is not None:
            self.chosen.emit(float(t_s))


class CommentsPanel(QWidget):
    """Comments at their times. Signals what the user wants; it keeps nothing itself."""

    added = pyqtSignal(str, str)  # text, author
    rewritten = pyqtSignal(object, str)
    removed = pyqtSignal(object)
    chosen = pyqtSignal(float)
    undo_asked = pyqtSignal()
    redo_asked = pyqtSignal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._list, self._text, self._author = QListWidget(), QPlainTextEdit(), QLineEdit()
        self._where = QLabel()
        self._where.setWordWrap(True)
        self._where.setTextFormat(Qt.TextFormat.PlainText)
        self._list.setWordWrap(True)
        self._list.setAccessibleName(tr("Comments"))
        self._text.setAccessibleName(tr("New comment"))
        self._text.setPlaceholderText(tr("What should be seen here?  Ctrl+Enter adds it."))
        self._text.setMaximumHeight(110)
        self._text.setTabChangesFocus(True)
        self._author.setPlaceholderText(tr("your code"))
        self._author.setAccessibleName(tr("Your code, not your name"))
        self._author.setMaxLength(20)
        self._author.setText(str(settings().value("author", "")))
        self._author.textEdited.connect(lambda text: settings().setValue("author", text))
        self._buttons = {name: QPushButton(text) for name, text in (
            ("add", tr("Add")), ("rewrite", tr("Change")), ("remove", tr("Remove")), ("undo", tr("Undo")),
            ("redo", tr("Redo")))}
        self._buttons["add"].setProperty("main", True)
        self._lay_out()
        self._buttons["add"].clicked.connect(self.add)
        self._buttons["rewrite"].clicked.connect(self._rewrite)
        self._buttons["remove"].clicked.connect(lambda: self._chosen() and self.removed.emit(self._chosen()))
        self._buttons["undo"].clicked.connect(self.undo_asked)
        self._buttons["redo"].clicked.connect(self.redo_asked)
        self._list.currentItemChanged.connect(self._show)
        self._list.itemClicked.connect(lambda item: self.chosen.emit(item.data(Qt.ItemDataRole.UserRole).t_s))
        self._text.installEventFilter(self)

    def _lay_out(self) -> None:
        layout, entry, row = QVBoxLayout(self), QHBoxLayout(), QHBoxLayout()
        entry.addWidget(self._author, 1)
        entry.addWidget(self._buttons["add"], 1)
        for name in ("rewrite", "remove", "undo", "redo"):
            row.addWidget(self._buttons[name])
        layout.addWidget(self._list, 1)
        layout.addLayout(row)
        layout.addWidget(self._where)
        layout.addWidget(self._text)
        layout.addLayout(entry)

    def eventFilter(self, watched: object, event) -> bool:
        if watched is self._text and event.type() == event.Type.KeyPress and event.key() in (
                Qt.Key.Key_Return, Qt.Key.Key_Enter) and event.modifiers() & Qt.KeyboardModifier.ControlModifier:
            self.add()
            return True
        return super().eventFilter(watched, event)

    def set_comments(self, comments: Sequence[Comment], can_undo: bool, can_redo: bool) -> None:
        """What to list, and whether changes can be taken back and made again."""
        self._list.clear()
        for c in comments:
            until = f" \u2013 {c.t_end_s:.2f}" if c.t_end_s is not None else ""
            author = f"  ({c.author})" if c.author else ""
            item = QListWidgetItem(f"{c.t_s:.2f}{until} s{author}\n{c.text}")
            item.setData(Qt.ItemDataRole.UserRole, c)
            self._list.addItem(item)
        self._buttons["undo"].setEnabled(can_undo)
        self._buttons["redo"].setEnabled(can_redo)
        self._show()

    def set_place(self, t_s: float, span: tuple[float, float] | None) -> None:
        """The moment or span that a new comment would be about."""
        self._where.setText(tr("About {a:.2f} to {b:.2f} s:").format(a=span[0], b=span[1]) if span
                            else tr("About {t:.2f} s:").format(t=t_s))

    def set_writable(self, reason: str) -> None:
        """Say why nothing can be written; "" when it can."""
        for widget in (self._text, self._author, self._buttons["add"]):
            widget.setEnabled(not reason)
        if reason:
            self._text.setPlaceholderText(reason)

    def begin(self) -> None:
        """Go to where a new comment is typed."""
        self._text.setFocus(Qt.FocusReason.ShortcutFocusReason)

    def add(self) -> None:
        """Add what was typed."""
        text = self._text.toPlainText().strip()
        if not text:
            self.begin()
            return
        self.added.emit(text[:LONGEST_TEXT], self._author.text().strip())
        self._text.clear()

    def _chosen(self) -> Comment | None:
        item = self._list.currentItem()
        return None if item is None else item.data(Qt.ItemDataRole.UserRole)

    def _show(self, *_: object) -> None:
        for name in ("rewrite", "remove"):
            self._buttons[name].setEnabled(self._chosen() is not None)

    def _rewrite(self) -> None:
        """Take the text field's words for the chosen comment; with an empty field, bring its words there first."""
        comment, text = self._chosen(), self._text.toPlainText().strip()
        if comment is None:
            return
        if text:
            self.rewritten.emit(comment, text[:LONGEST_TEXT])
            self._text.clear()
        else:
            self._text.setPlainText(comment.text)
            self.begin()


class MapsPanel(QWidget):
    """Where the jet was, or what it heated, within the span."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._which, self._wait, self._picture, self._words = Choice(), WaitBar(), _Picture(), QLabel()
        self._which.setAccessibleName(tr("Which map"))
        self._which.addItem(tr("Time under the jet"), "dwell")
        self._which.addItem(tr("Estimated rise of the board's top"), "heating")
        self._which.currentIndexChanged.connect(self.draw)
        self._words.setWordWrap(True)
        self._words.setTextFormat(Qt.TextFormat.PlainText)
        layout = QVBoxLayout(self)
        for widget in (self._which, self._wait):
            layout.addWidget(widget)
        layout.addWidget(self._picture, 1)
        layout.addWidget(self._words)
        self._recording: Recording | None = None
        self._job: Job | None = None
        self._span = (0.0, 0.0)
        self._shown: tuple | None = None

    @property
    def image(self) -> QImage:
        """The map as drawn last."""
        return self._picture.image

    @property
    def words(self) -> str:
        """What stands under it."""
        return self._words.text()

    def set_recording(self, recording: Recording, job: Job) -> None:
        """What the maps are of."""
        self._wait.cancel()
        self._recording, self._job, self._shown = recording, job, None

    def set_span(self, start_s: float, end_s: float) -> None:
        """The time that the map is about; drawn when the panel is in view."""
        self._span = (start_s, end_s)
        if self.isVisible():
            self.draw()

    def showEvent(self, event: object) -> None:
        self.draw()

    def draw(self) -> None:
        """Compute and draw the map, unless it is there already."""
        wanted = (self._which.currentData(), self._span, look().is_dark)
        if self._recording is None or self._shown == wanted:
            return
        self._shown = wanted
        recording, job, (kind, (start, end), _) = self._recording, self._job, wanted
        ink, ground = look().ink, look().panel

        def work(tell: Callable[[float], None]) -> bytes:
            is_time = kind == "dwell"
            found = dwell_in(recording, job, start, end) if is_time else heating_in(recording, job, start, end, tell)
            label = tr("jet over the spot, s") if is_time else tr("rise of the board's top, K (estimate)")
            figure = map_figure(job, found, label, board_photo(recording), recording.picture_extent_mm, ink=ink,
                                ground=ground)
            figure.set_size_inches(3.9, 3.7)
            return png_of(figure, 200)
        self._words.setText(tr("{a:.2f} to {b:.2f} s").format(a=start, b=end))
        self._wait.run(work, self._picture.show_png, self._words.setText, self._forget)

    def _forget(self) -> None:
        self._shown = None
        self._words.setText(tr("cancelled"))


class _Picture(QWidget):
    """A picture in proportion."""

    def __init__(self) -> None:
        super().__init__()
        self.image = QImage()
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(240, 160)

    def show_png(self, png: bytes) -> None:
        self.image = QImage.fromData(png)
        self.update()

    def paintEvent(self, event: object) -> None:
        if self.image.isNull():
            return
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        size = self.image.size().scaled(self.size(), Qt.AspectRatioMode.KeepAspectRatio)
        painter.drawImage(QRectF((self.width() - size.width()) / 2, 0, size.width(), size.height()), self.image)
        painter.end()
