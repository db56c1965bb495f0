"""The review window: picture, timeline, events, comments, maps and what-if around one cursor."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from PyQt6.QtCore import QEvent, Qt
from PyQt6.QtGui import QAction, QImage
from PyQt6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QCheckBox,
    QComboBox,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QMainWindow,
    QMenu,
    QSplitter,
    QTabWidget,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from monitor.errors import MonitorError
from monitor.job import Job, load_job, parse_job
from monitor.recording.reader import JOB, TRACE, Recording, open_recording
from monitor.review.traces import Traces, after, before, happenings_of, traces_of
from monitor.review.verdict import verdict
from monitor.review.whatif import WhatIf, keep_what_if
from monitor.ui.review_comments import CommentsAtCursor
from monitor.ui.review_cursor import Cursor
from monitor.ui.review_frames import FrameBringer
from monitor.ui.review_icons import transport_icon
from monitor.ui.review_keys import COMMANDS, KeysDialog, keys_of, settings, tr
from monitor.ui.review_lanes import JudgedAgain, lanes_of
from monitor.ui.review_loupe import Loupe
from monitor.ui.review_other import OtherPass
from monitor.ui.review_outputs import ask_report, ask_tables, report_of, tables_of
from monitor.ui.review_panels import CommentsPanel, HappeningsPanel, MapsPanel, WaitBar
from monitor.ui.review_parts import PartsAtCursor
from monitor.ui.review_recent import fill_recent, remember
from monitor.ui.review_span import SpanAtCursor
from monitor.ui.review_task import collector_paused
from monitor.ui.review_timeline import Timeline
from monitor.ui.review_video import VideoView
from monitor.ui.review_whatif import WhatIfPanel
from monitor.ui.scroll import LEAST_WINDOW, Scrolling
from monitor.ui.theme import font, looks

__all__ = ["ReviewWindow", "show_review"]

TRANSPORT = ("to_start", "previous_event", "step_back", "play_or_pause", "step_forward", "next_event", "to_end")


def show_review(folder: Path | None, theme: str, language: str = "system") -> int:
    """Show the window, with a recording when one is named, until it is closed; gives the application's exit code."""
    from monitor.ui.app import application

    app = application(theme=theme, language=language)
    window = ReviewWindow()
    window.show()
    if folder is not None:
        window.open_folder(folder)
    return app.exec()


class ReviewWindow(QMainWindow):
    """Reviews one recording at a time; every command of `review_keys.COMMANDS` is a method of the window, of its
    cursor, of its span or of its timeline, with the command's name."""

    def __init__(self) -> None:
        super().__init__()
        self.recording: Recording | None = None
        self.job: Job | None = None
        self._traces: Traces | None = None
        self._found, self._again = (), None
        self._bringer: FrameBringer | None = None
        self._make_widgets()
        self._lay_out()
        self._make_actions()
        self._connect()
        self.setAcceptDrops(True)
        self.setMinimumSize(*LEAST_WINDOW)
        self.resize(1366, 768)
        self._name_window()

    # --- building

    def _make_widgets(self) -> None:
        self.video, self.timeline = VideoView(tr("this pass")), Timeline()
        self.cursor = Cursor(self)
        self.other = OtherPass(self, self.cursor, self._refresh)
        self.span, self.parts = SpanAtCursor(self.cursor, self.timeline), PartsAtCursor(self, self.cursor,
                                                                                        self._refresh)
        self.happenings, self.comments = HappeningsPanel(), CommentsPanel()
        self.said = CommentsAtCursor(self, self.cursor, self.timeline, self.comments)
        self.maps, self.what_if = MapsPanel(), WhatIfPanel()
        self.verdict, self.message, self.wait = QLabel(), QLabel(), WaitBar()
        self.verdict.setWordWrap(True)
        for label in (self.verdict, self.message):
            label.setTextFormat(Qt.TextFormat.PlainText)  # names may look like markup
        self.verdict.setFont(font("body"))
        self.verdict.setText(tr("Open a recording, or drop its folder here."))
        self.marks = QCheckBox(tr("Measurement over the video"))
        self.marks.setChecked(True)
        self.speed, self.loupe = QLabel(), Loupe(self)

    def _lay_out(self) -> None:
        self.tabs = QTabWidget()
        for panel, name in ((self.happenings, tr("Events")), (self.comments, tr("Comments")), (self.maps, tr("Maps")),
                            (self.what_if, tr("What if"))):
            self.tabs.addTab(panel, name)
        self.tabs.setMinimumWidth(330)
        pictures, left, whole = QSplitter(), QSplitter(Qt.Orientation.Vertical), QSplitter()
        for view in (self.video, self.other.video):
            pictures.addWidget(view)
        lower = QWidget()
        self._transport = QHBoxLayout()
        self._transport.setSpacing(3)
        column = QVBoxLayout(lower)
        column.setContentsMargins(0, 0, 0, 0)
        column.addLayout(self._transport)
        column.addWidget(self.timeline, 1)
        left.addWidget(pictures)
        left.addWidget(lower)
        left.setSizes([300, 400])
        whole.addWidget(left)
        whole.addWidget(self.tabs)
        whole.setStretchFactor(0, 1)
        whole.setSizes([1000, 350])
        central = QWidget()
        layout = QVBoxLayout(central)
        layout.setContentsMargins(8, 6, 8, 4)
        layout.addWidget(self.verdict)
        layout.addWidget(self.wait)
        layout.addWidget(whole, 1)
        central.setMinimumWidth(900)
        self.setCentralWidget(Scrolling(central))
        self.statusBar().addWidget(self.message, 1)

    def _make_actions(self) -> None:
        self.actions_by_name: dict[str, QAction] = {}
        menus: dict[str, QMenu] = {}
        for command in COMMANDS:
            menu = menus.get(command.menu) or menus.setdefault(command.menu, self.menuBar().addMenu(tr(command.menu)))
            action = QAction(tr(command.text), self)
            action.setShortcuts(keys_of(command))
            action.triggered.connect(lambda _=False, name=command.name: self.command(name)())
            menu.addAction(action)
            self.addAction(action)
            self.actions_by_name[command.name] = action
            if command.name == "open":
                self.recent_menu = menu.addMenu(tr("Opened lately"))
                self.recent_menu.aboutToShow.connect(lambda: fill_recent(self.recent_menu, self.open_folder))
        for name in TRANSPORT:
            button = QToolButton()
            button.setDefaultAction(self.actions_by_name[name])
            button.setToolTip(f"{button.text()} ({self.actions_by_name[name].shortcut().toString()})")
            button.setAccessibleName(button.text())
            self._transport.addWidget(button)
        self._draw_icons()
        self._transport.addWidget(self.speed)
        self._transport.addStretch(1)
        self._transport.addWidget(self.loupe.button)
        self._transport.addWidget(self.marks)

    def command(self, name: str) -> Callable[[], None]:
        """What carries out a command: a method of the window, the cursor, the span or the timeline."""
        holder = next(h for h in (self, self.cursor, self.span, self.timeline, self.parts, self.other, self.loupe,
                                  self.said) if name in vars(type(h)) or name == "close")
        return getattr(holder, name)

    def _draw_icons(self, *_: object) -> None:
        for name in TRANSPORT:
            sign = ("pause" if self.cursor.speed else "play") if name == "play_or_pause" else name
            self.actions_by_name[name].setIcon(transport_icon(sign))

    def _connect(self) -> None:
        looks().changed.connect(self._draw_icons)
        self.timeline.moved.connect(self.go_to)
        self.timeline.spanned.connect(self._span_changed)
        self.happenings.chosen.connect(self.go_to)
        self.comments.chosen.connect(self.go_to)
        self.said.changed.connect(self._refresh)
        self.said.told.connect(self.say)
        self.said.asked.connect(lambda: self.tabs.setCurrentWidget(self.comments))
        self.what_if.found.connect(self._what_if_found)
        self.what_if.kept.connect(self._keep_what_if)
        self.marks.toggled.connect(self._ask_pictures)
        self.loupe.changed.connect(self._ask_pictures)
        self.cursor.moved.connect(self._follow)
        self.cursor.speed_changed.connect(self._show_speed)

    # --- opening

    def open(self) -> None:
        """Ask for a recording."""
        folder = QFileDialog.getExistingDirectory(self, tr("Open a recording"), str(settings().value("folder", "")))
        if folder:
            self.open_folder(Path(folder))

    def open_folder(self, folder: Path) -> None:
        """Open a recording beside the window; it stays usable meanwhile."""
        def work(tell: Callable[[float], None]) -> tuple:
            with collector_paused():
                recording = open_recording(folder)
            job = parse_job(recording.job_text, str(folder / JOB))
            return recording, job, traces_of(recording, job), verdict(recording, job)
        self.say(tr("Opening {name}...").format(name=folder.name))
        self.wait.run(work, lambda result: self._opened(*result), self.say)

    def _opened(self, recording: Recording, job: Job, traces: Traces, sentence: str) -> None:
        self._close_video()
        self.recording, self.job, self._traces = recording, job, traces
        self.said.set_recording(recording)
        self._again = None
        self.verdict.setText(sentence)
        self.cursor.set_times(traces.t_s)
        self.maps.set_recording(recording, job)
        self._refresh()
        self.timeline.set_whole(self.cursor.start_s, self.cursor.end_s, self.cursor.frame_s)
        self.what_if.set_recording(recording, job)
        self._open_video()
        remember(recording.folder)
        self._name_window()
        self.say("")
        self.cursor.to_start()

    def _open_video(self) -> None:
        if self.recording.video is None:
            self.video.show_message(tr("The video is not here: it was linked, not copied, and has moved. "
                                       "All that was measured can still be reviewed."))
            return
        self._bringer = bringer = FrameBringer(self.recording, self.job, self)
        bringer.opened.connect(self._video_opened)
        bringer.shown.connect(self._show_picture)
        bringer.failed.connect(self.video.show_message)
        bringer.start()

    def _video_opened(self, times_s: np.ndarray) -> None:
        if self.sender() is not self._bringer:
            return
        self.cursor.set_times(times_s)
        self.timeline.widen(self.cursor.start_s, self.cursor.end_s, self.cursor.frame_s)

    def _close_video(self) -> None:
        self.cursor.pause()
        self.other.end_comparing()
        if self._bringer is not None:
            self._bringer.close()
            self._bringer = None

    def closeEvent(self, event: object) -> None:
        for waiting in self.findChildren(WaitBar):
            waiting.cancel()
        self._close_video()
        super().closeEvent(event)

    def dragEnterEvent(self, event) -> None:
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dropEvent(self, event) -> None:
        paths = [Path(url.toLocalFile()) for url in event.mimeData().urls() if url.isLocalFile()]
        if paths:
            self.take(paths[0])
            event.acceptProposedAction()

    def take(self, path: Path) -> None:
        """Open what was dropped: a recording, anything inside one, or a job for the what-if."""
        folder = path if path.is_dir() else path.parent
        if (folder / TRACE).is_file():
            self.open_folder(folder)
        elif path.suffix == ".toml" and self.recording is not None:
            try:
                self.what_if.set_from_job(load_job(path))
            except MonitorError as fault:
                self.say(str(fault))
                return
            self.tabs.setCurrentWidget(self.what_if)
        else:
            words = tr("{name}: no recording; a clip is first measured with `plumeline analyse`")
            self.say(words.format(name=path.name))

    # --- the cursor

    @property
    def t_s(self) -> float:
        """Where the cursor is [s]."""
        return self.cursor.t_s

    def go_to(self, t_s: float) -> None:
        """Put the cursor somewhere; picture, curves and panels follow."""
        self.cursor.go_to(t_s)

    def _follow(self, t_s: float) -> None:
        self.timeline.set_cursor(t_s)
        self.comments.set_place(t_s, self.timeline.span)
        self._ask_pictures()

    def _ask_pictures(self) -> None:
        if self._bringer is not None:
            self._bringer.show(self.t_s, self.marks.isChecked(), self.loupe.zoom)
        self.other.show_at(self.t_s, self.marks.isChecked(), self.loupe.zoom)

    def _show_picture(self, index: int, t_s: float, image: QImage) -> None:
        if self.sender() is self._bringer:
            self.video.show_frame(image, tr("frame {i}, {t:.3f} s{contact}").format(i=index, t=t_s,
                                                                                    contact=self.since_contact(t_s)))

    def since_contact(self, t_s: float) -> str:
        """How long after contact a moment is, in words; empty between passes."""
        begun = [p for p in self.recording.passes if p["t_start_s"] <= t_s <= p["t_end_s"] + 1.0]
        return tr(", {t:+.2f} s from contact").format(t=t_s - begun[-1]["t_start_s"]) if begun else ""

    def _show_speed(self, speed: float) -> None:
        self.speed.setText(f"{speed:+g}\u00d7" if speed else "")
        self.actions_by_name["play_or_pause"].setIcon(transport_icon("pause" if speed else "play"))

    def next_event(self) -> None:
        """To what begins next."""
        self._jump(after(self._found, self.t_s))

    def previous_event(self) -> None:
        """To what began last."""
        self._jump(before(self._found, self.t_s))

    def _jump(self, happening: object) -> None:
        if happening is None:
            self.say(tr("nothing more in that direction"))
            return
        self.cursor.pause()
        self.go_to(happening.t_s)
        self.say(f"{happening.t_s:.2f} s: {happening.title}")

    def span_pass(self) -> None:
        """The span over the pass at the cursor, or the nearest."""
        number = self.nearest_pass()
        if number is not None:
            found = next(p for p in self.recording.passes if p["number"] == number)
            self.timeline.set_span((found["t_start_s"], found["t_end_s"]))

    def nearest_pass(self) -> int | None:
        """Number of the pass at the cursor, or nearest to it; None without one, and then that is said."""
        passes = self.recording.passes if self.recording is not None else []
        if not passes:
            self.say(tr("there is no pass in this recording"))
            return None
        return min(passes, key=lambda p: max(p["t_start_s"] - self.t_s, self.t_s - p["t_end_s"], 0.0))["number"]

    def _span_changed(self, span: tuple[float, float] | None) -> None:
        self.comments.set_place(self.t_s, span)
        self.maps.set_span(*(span or (self.cursor.start_s - 1.0, self.cursor.end_s)))

    def toggle_marks(self) -> None:
        """Measurement over the video, or not."""
        self.marks.toggle()

    # --- what if

    def _what_if_found(self, found: WhatIf | None) -> None:
        self._again = found
        self._refresh()

    def _keep_what_if(self, found: WhatIf) -> None:
        try:
            keep_what_if(self.recording.folder, self.recording, found)
            self.say(tr("the report will show it"))
        except MonitorError as fault:
            self.say(str(fault))

    # --- report and tables

    def write_report(self) -> None:
        """Ask where the report goes, and write it."""
        if self.recording is not None and (path := ask_report(self, self.recording)) is not None:
            self.save_report(path)

    def save_report(self, path: Path) -> None:
        """Write the report as HTML or PDF, by its name's ending."""
        folder = self.recording.folder
        self.wait.run(lambda tell: report_of(folder, path), self.say, self.say)

    def write_tables(self) -> None:
        """Ask where the tables go, and write them."""
        if self.recording is not None and (folder := ask_tables(self, self.recording)) is not None:
            self.save_tables(folder)

    def save_tables(self, folder: Path) -> None:
        """Write CSV and Parquet."""
        recording = self.recording
        self.wait.run(lambda tell: tables_of(recording, folder), self.say, self.say)

    # --- odds and ends

    def show_keys(self) -> None:
        """All commands with their keys, to be changed."""
        if KeysDialog(self).exec():
            for command in COMMANDS:
                self.actions_by_name[command.name].setShortcuts(keys_of(command))

    def say(self, text: str) -> None:
        """A line at the window's foot."""
        self.message.setText(text)

    def _refresh(self) -> None:
        """Redraw all that depends on the recording, its comments, the other pass and the what-if."""
        comments = self.said.book.comments
        self._found = happenings_of(self.recording, comments)
        self.happenings.set_happenings(self._found)
        self.comments.set_comments(comments, self.said.book.can_undo, self.said.book.can_redo)
        beside, again = self.other.beside, self._again
        other = None if beside is None else (beside.name, beside.traces, beside.shift_s)
        if self._bringer is not None:
            self._bringer.laid = self.other.laid
        judged = None if again is None else JudgedAgain(again.traces, happenings_of(again.again))
        self.timeline.set_lanes(lanes_of(self._traces, self.job, self._found, other, judged, self.other.curves()))

    def _name_window(self) -> None:
        name = tr("Review") if self.recording is None else f"{self.recording.folder.name} \u2013 {tr('Review')}"
        self.setWindowTitle(name)

    def event(self, event: QEvent) -> bool:
        """Keys that the control in use needs for itself stay with it: Space presses a button, arrows walk a list."""
        if event.type() == QEvent.Type.ShortcutOverride:
            used = self.focusWidget()
            takes_space = isinstance(used, (QAbstractButton, QComboBox, QAbstractItemView))
            takes_arrows = isinstance(used, (QComboBox, QAbstractItemView))
            key = event.key()
            if (takes_space and key == Qt.Key.Key_Space) or (takes_arrows and key in (Qt.Key.Key_Up, Qt.Key.Key_Down)):
                event.accept()
                return True
        return super().event(event)
