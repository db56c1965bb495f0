"""The bench window: set up, and hot work; the one place where keys, pages and the running session meet."""

from __future__ import annotations

import gc
import logging
import math
import time
from collections.abc import Callable

from PyQt6.QtCore import QSettings, Qt, QTimer
from PyQt6.QtGui import QCloseEvent, QGuiApplication, QResizeEvent
from PyQt6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QMainWindow,
    QPushButton,
    QSizePolicy,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from monitor.cost import Delays
from monitor.engine.engine import Ended
from monitor.engine.feedback import Mode
from monitor.ui.bench_asks import ask_guide, ask_setpoint, change_guide, put_aside
from monitor.ui.bench_close import CloseDialog
from monitor.ui.bench_glance import GlanceView
from monitor.ui.bench_hot import HotPage
from monitor.ui.bench_keys import KeysDialog, bind
from monitor.ui.bench_said import SaidAtBench
from monitor.ui.bench_setup import SetupPage
from monitor.ui.bench_shapes import record_dot
from monitor.ui.bench_state import tr
from monitor.ui.bench_warnings import MachineStrip, machine_lines
from monitor.ui.bench_work import AIRFLOW_STEP_L_MIN, SETPOINT_STEP_C, BenchWork
from monitor.ui.guide_page import GuidePage
from monitor.ui.theme import font, glance_px, look, looks

__all__ = ["BenchWindow"]

BEAT_MS = 10
NARROW_PX = 900  # below it the bar leaves the keys out of its names
TIDY_ALL_EVERY = 60
NOTICE_S = 12.0
HOT_ONLY = ("start_stop", "setpoint_up", "setpoint_down", "airflow_up", "airflow_down", "setpoint_exact", "put_aside",
            "take_back",
            "reference", "next_map", "near", "coaching", "guide", "guide_file", "mark", "seen_molten",
            "still_solid", "unmark_joints")
log = logging.getLogger("plumeline.bench")


class BenchWindow(QMainWindow):
    """Watch, warn, record.

    Parameters
    ----------
    work : BenchWork
        Not yet started; the window starts it when shown with `start`.
    settings : QSettings
    open_recording : callable
        Opens a finished recording, given its folder.

    Attributes
    ----------
    asks : bool
        Whether closing asks about a recording that runs and a job that is not saved.
    """

    def __init__(self, work: BenchWork, settings: QSettings,
                 open_recording: Callable[[object], None] = lambda folder: None, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle("Plumeline[*]")
        self.work, self._settings, self._open_recording = work, settings, open_recording
        self.asks = False
        self.paint_delays, self.holds = Delays(), Delays()
        self.hot = HotPage(work, self.paint_delays.add)
        self.setup = SetupPage(work)
        self.pages = QStackedWidget()
        self.guide, self.glance = GuidePage(work, self.setup), GlanceView(self)
        for page in (self.guide, self.setup, self.hot):
            self.pages.addWidget(page)
        self._build_bar()
        self._marks = SaidAtBench(work, self.tell)
        self.actions_by_name = bind(self, self._acts(), settings)
        self._connect()
        self._notice_until_s, self._session_from_s = 0.0, 0.0
        self._newest, self._page_before = None, self.hot
        self._made_s, self.first_height_s = time.monotonic(), math.nan
        self._make_clocks()
        self.resize(1280, 720)
        self._dress()
        self.show_page(self.hot if work.inputs is not None else self.guide)

    def _connect(self) -> None:
        self.setup.placer.proposed.connect(self._when_proposed)
        self.setup.placer.taken.connect(lambda: self.show_page(self._page_before))
        self.setup.draft.undo_stack.cleanChanged.connect(self._show_unsaved)
        self.guide.to_setup.connect(self._mark_parts)
        self.guide.to_hot.connect(lambda: self.show_page(self.hot))
        self.work.shown.connect(self._take, Qt.ConnectionType.QueuedConnection)
        self.work.ended.connect(self._when_ended)
        self.work.session_changed.connect(self._when_session)
        for changed in (self.work.station_changed, self.work.watching_changed, self.work.job_changed):
            changed.connect(self._show_bar)
        self.work.notice.connect(self.tell)
        looks().changed.connect(self._dress)

    def _make_clocks(self) -> None:
        """The beat shows how long the window was held up; the slow clock keeps the bar and the memory tidy."""
        self._beat_s, self._n_tidied = time.perf_counter(), 0
        self._beat, self._clock = QTimer(self), QTimer(self)
        self._beat.setTimerType(Qt.TimerType.PreciseTimer)
        self._beat.timeout.connect(self._note_beat)
        self._clock.timeout.connect(self._show_bar)
        self._clock.timeout.connect(self._tidy)

    def start(self) -> None:
        """Start the engine and the window's own clocks."""
        QGuiApplication.processEvents()  # the window is drawn before the work begins
        gc.collect()
        gc.freeze()
        gc.disable()  # only this thread may free what belongs to windows; see _tidy
        self.work.engine.start()
        self._beat_s = time.perf_counter()
        self._beat.start(BEAT_MS)
        self._clock.start(500)

    def show_page(self, page: QWidget) -> None:
        """Go to a page."""
        self.pages.setCurrentWidget(page)
        for button, its_page in self._to_pages:
            button.setChecked(page is its_page)
        if page is self.guide:
            self.guide.go_to(self.guide.stack.currentIndex())
        for name in HOT_ONLY:  # arrows and letters belong to what is typed on the other page
            self.actions_by_name[name].setEnabled(page is self.hot)
        if page is self.hot:
            if not self.work.is_running:
                self.hot.begin()
                if self._newest is not None:  # else the first picture is shown before a tracker is made
                    self.work.watch()
            self.hot.setFocus()
        else:
            self.work.unwatch()
        self._show_bar()

    def tell(self, text: str) -> None:
        """A line for the user that goes away by itself."""
        self._notice_until_s = time.monotonic() + NOTICE_S
        self.banner.setText(text)
        self.banner.setVisible(bool(text))
        log.info("%s", text)

    def stats(self) -> dict:
        """What the window and the engine cost."""
        return {"arrival_to_paint_ms": self.paint_delays.percentiles_ms(),
                "window_held_ms": self.holds.percentiles_ms(),
                "platform": QGuiApplication.platformName(),
                "first_height_s": None if math.isnan(self.first_height_s) else round(self.first_height_s, 2),
                **self.work.engine.stats()}

    def resizeEvent(self, event: QResizeEvent) -> None:
        face = font("body", tabular=True)
        face.setPixelSize(glance_px(self.height()))
        self.bar_text.setFont(face)
        super().resizeEvent(event)
        self._show_bar()

    def closeEvent(self, event: QCloseEvent) -> None:
        """Never lose a recording: it is finished before the window goes. Asks once where something would be lost or
        broken off.
        """
        if self.asks and (self.setup.draft.is_changed or self.work.is_running):
            event.ignore()
            self._ask_close()
            return
        self._beat.stop()
        self._clock.stop()
        self.setup.close_down()
        self.guide.close_down()
        self.glance.close()
        self.work.stop()
        gc.enable()
        gc.unfreeze()
        event.accept()

    def _mark_parts(self) -> None:
        self.show_page(self.setup)
        self.setup.tabs.setCurrentWidget(self.setup.form)
        self.tell(tr("drag a rectangle over the part to be worked on, then over what must stay cool"))

    def _show_unsaved(self, is_clean: bool) -> None:
        self.setWindowModified(not is_clean)

    def _ask_close(self) -> None:
        dialog = CloseDialog(self.work.is_running, self.setup.draft.is_changed, self)
        dialog.finished.connect(lambda _: self._when_answered(dialog.answer))
        dialog.open()

    def _when_answered(self, answer: str) -> None:
        if answer == "save":
            self.setup.save_job()
        if answer == "leave":
            self.setup.draft.forget()
        if answer == "leave" or (answer == "save" and not self.setup.draft.is_changed):
            self.asks = False
            self.close()

    def _take(self) -> None:
        shown = self.work.newest()
        if shown is None:
            return
        if math.isnan(self.first_height_s) and shown.moment is not None and shown.moment.result.exposure.observed:
            self.first_height_s = time.monotonic() - self._made_s
        self._newest = shown if shown.arrival is not None else self._newest
        if self.glance.isVisible():
            self.glance.show_state(shown, self.work.is_running)
        if self.pages.currentWidget() is self.hot:
            self.hot.show_state(shown)
            if self._newest is not None and not self.work.is_running and not self.work.is_watching:
                self.work.watch()
        else:
            self.pages.currentWidget().show_state(shown)
            self.hot.hear_told()
        self.machine.tell(machine_lines(shown, self.work.player.trouble if self.work.player is not None else ""))

    def _when_session(self, is_running: bool) -> None:
        if is_running:
            self._session_from_s = time.monotonic()
            self.hot.begin()
            self.show_page(self.hot)
        else:
            self.setup.take_job_over()  # what was changed meanwhile counts from now on
            if self.pages.currentWidget() is self.hot:
                self.hot.begin(keeps_summary=True)
                self.work.watch()
        self._show_bar()

    def _when_ended(self, ended: Ended) -> None:
        if ended.folder is not None and not ended.fault:
            key = self.actions_by_name["open_last"].shortcut().toString()
            self.tell(tr("recorded: {} ({} opens it)").format(ended.folder, key))

    def _tidy(self) -> None:
        """Collect garbage here, a little at a time: another thread that did would free parts of windows under Qt's
        feet.
        """
        self._n_tidied += 1
        gc.collect(2 if self._n_tidied % TIDY_ALL_EVERY == 0 else 1)

    def _note_beat(self) -> None:
        now_s = time.perf_counter()
        self.holds.add(max(0.0, now_s - self._beat_s - BEAT_MS / 1000))
        self._beat_s = now_s
        if self.banner.isVisible() and time.monotonic() > self._notice_until_s:
            self.banner.setVisible(False)

    def _build_bar(self) -> None:
        self.to_guide, self.to_setup, self.to_hot = QPushButton(), QPushButton(), QPushButton()
        self._to_pages = ((self.to_guide, self.guide), (self.to_setup, self.setup), (self.to_hot, self.hot))
        for button, page in self._to_pages:
            button.setCheckable(True)
            button.clicked.connect(lambda _=False, p=page: self.show_page(p))
        self.begin_button = QPushButton()
        self.begin_button.setProperty("main", "true")
        self.begin_button.clicked.connect(self.work.toggle)
        self.keys_button = QPushButton()
        self.keys_button.clicked.connect(self._show_keys)
        for button in (self.to_guide, self.to_setup, self.to_hot, self.begin_button, self.keys_button):
            button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.bar_text, self.dot = QLabel(), QLabel()
        self.bar_text.setFont(font("body", tabular=True))
        self.bar_text.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.banner, self.machine = QLabel(), MachineStrip()
        self.banner.setWordWrap(True)
        self.banner.setTextFormat(Qt.TextFormat.PlainText)
        self.banner.setVisible(False)
        bar = QHBoxLayout()
        for widget in (self.to_guide, self.to_setup, self.to_hot, self.begin_button):
            bar.addWidget(widget)
        bar.addSpacing(12)
        bar.addWidget(self.dot)
        bar.addWidget(self.bar_text, 1)
        bar.addWidget(self.keys_button)
        whole, inner = QVBoxLayout(), QWidget()
        whole.setContentsMargins(8, 6, 8, 6)
        whole.addLayout(bar)
        whole.addWidget(self.banner)
        whole.addWidget(self.pages, 1)
        whole.addWidget(self.machine)
        inner.setLayout(whole)
        self.setCentralWidget(inner)

    def _show_bar(self, _: object = None) -> None:
        running, is_narrow = self.work.is_running, self.width() < NARROW_PX
        for button, text in ((self.to_guide, tr("First run (F5)")), (self.to_setup, tr("Set up (F2)")),
                             (self.to_hot, tr("Hot work (F3)")), (self.keys_button, tr("Keys (F1)"))):
            button.setText(text.partition(" (")[0] if is_narrow else text)
            button.setToolTip(text)
        key = self.actions_by_name["start_stop"].shortcut().toString() if hasattr(self, "actions_by_name") else ""
        begin = tr("Begin ({})") if is_narrow else tr("Begin recording ({})")
        self.begin_button.setText((tr("End ({})") if running else begin).format(key))
        self.dot.setPixmap(record_dot(running and self.work.settings.records, 16, self.devicePixelRatioF(), look()))
        self.begin_button.setEnabled(self.work.inputs is not None)  # before that the first run has the say
        parts = []
        if running:
            past = int(time.monotonic() - self._session_from_s)
            told = tr("recording {}:{:02d}").format(past // 60,
                                                    past % 60) if self.work.settings.records else tr("not recorded")
            parts.append(told if self.work.engine.session is not None else tr("getting ready"))
        elif self.work.is_watching:
            parts.append(tr("watching: not recorded, no sound"))
        if self.work.job is not None:
            parts.append(tr("set {:.0f} °C, {:.0f} L/min").format(self.work.setpoint_c, self.work.airflow_l_min))
        coach = self.work.coach
        probe = tr(" (muted probe)") if running and coach is not None and coach.is_probe else ""
        parts.append(tr("coaching: {}").format(tr(self.work.settings.mode.value)) + probe)
        if running and coach is not None and coach.stage_words:
            parts.insert(0, coach.stage_words)
        text = "    ".join(parts)
        self.bar_text.setToolTip(text)
        room = self.bar_text.width() if self.isVisible() else 10_000
        self.bar_text.setText(self.bar_text.fontMetrics().elidedText(text, Qt.TextElideMode.ElideRight, room))

    def _dress(self, _: object = None) -> None:
        """Only when the look changes: a style sheet makes Qt lay the window out anew."""
        shade = look()
        self.banner.setStyleSheet(f"background: {shade.panel}; border: 1px solid {shade.line}; padding: 5px;")

    def _acts(self) -> dict[str, Callable[[], None]]:
        work = self.work
        return {
            "start_stop": work.toggle,
            "setpoint_up": lambda: work.turn_setpoint(work.setpoint_c + SETPOINT_STEP_C),
            "setpoint_down": lambda: work.turn_setpoint(work.setpoint_c - SETPOINT_STEP_C),
            "airflow_up": lambda: work.turn_airflow(work.airflow_l_min + AIRFLOW_STEP_L_MIN),
            "airflow_down": lambda: work.turn_airflow(work.airflow_l_min - AIRFLOW_STEP_L_MIN),
            "setpoint_exact": lambda: ask_setpoint(self, work),
            "put_aside": lambda: put_aside(self, work, self.hot.top_warning(), self.tell),
            "take_back": work.unshelve_all,
            "reference": work.sound_reference, "next_map": self._next_map, "near": self.hot.picture.toggle_near,
            "coaching": self._next_mode, "guide": lambda: change_guide(work, self.tell),
            "guide_file": lambda: ask_guide(self, work, self.tell),
            "mark": self._marks.mark, "seen_molten": self._marks.molten, "still_solid": self._marks.solid,
            "unmark_joints": self._marks.take_back, "open_last": self._open_last,
            "page_guide": lambda: self.show_page(self.guide), "page_setup": lambda: self.show_page(self.setup),
            "page_hot": lambda: self.show_page(self.hot),
            "place": self._place, "glance": self._toggle_glance, "theme": self._next_theme,
            "full_screen": self._toggle_full, "keys": self._show_keys,
        }

    def _next_map(self) -> None:
        names = {"": tr("no map"), "dwell": tr("map: dwell"), "heat": tr("map: board top (estimate)")}
        self.tell(names[self.work.next_map()])

    def _next_mode(self) -> None:
        if self.work.is_running:
            self.tell(tr("the way of coaching stays while a recording runs"))
            return
        from dataclasses import replace

        modes = list(Mode)
        following = modes[(modes.index(self.work.settings.mode) + 1) % len(modes)]
        self.work.settings = replace(self.work.settings, mode=following)
        self._show_bar()

    def _open_last(self) -> None:
        if self.work.is_running or self.work.last_folder is None:
            self.tell(tr("end the recording first") if self.work.is_running else tr("nothing was recorded yet"))
            return
        self._open_recording(self.work.last_folder)

    def _next_theme(self) -> None:
        choices = ("system", "light", "dark")
        looks().choose(choices[(choices.index(looks().choice) + 1) % 3])
        self._settings.setValue("theme", looks().choice)

    def _place(self) -> None:
        """First press: find the board and show its marks; second: take them, and back to the work."""
        if self.work.is_running:
            self.tell(tr("end the recording first"))
            return
        key = self.actions_by_name["place"].shortcut().toString()
        self._page_before = self.pages.currentWidget() if self.setup.placer.placement is None else self._page_before
        self.setup.place(self._newest, key)

    def _when_proposed(self, outlines: list) -> None:
        if outlines:
            self.show_page(self.setup)

    def _toggle_glance(self) -> None:
        if self.glance.isVisible():
            self.glance.close()
            return
        if self._newest is not None:  # else it is empty until the next picture
            self.glance.show_state(self._newest, self.work.is_running)
        self.glance.open_on(self)

    def _toggle_full(self) -> None:
        self.showNormal() if self.isFullScreen() else self.showFullScreen()

    def _show_keys(self) -> None:
        dialog = KeysDialog(self.actions_by_name, self._settings, self)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.open()
