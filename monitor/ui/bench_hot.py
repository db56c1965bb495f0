"""The hot-work page: picture, one large state, height, limits or the last pass's summary, warnings. No mouse needed."""

from __future__ import annotations

import math
import queue
import time
from collections import deque
from collections.abc import Callable

from PyQt6.QtCore import Qt
from PyQt6.QtGui import QResizeEvent
from PyQt6.QtWidgets import QHBoxLayout, QStackedWidget, QVBoxLayout, QWidget

from monitor.engine.annunciator import Alarm
from monitor.engine.engine import Shown
from monitor.engine.leading import GuideNow
from monitor.judging.alerts import EQUIPMENT, MACHINE, TechniqueWarning
from monitor.judging.watch_rules import part_words
from monitor.ui.bench_guide_pass import GuidePassPanel
from monitor.ui.bench_panels import HeightPanel, Heights, LimitsPanel, StatePanel, SummaryPanel
from monitor.ui.bench_picture import PictureView
from monitor.ui.bench_state import (
    big_state,
    getting_ready,
    height_words,
    joint_words,
    limit_rows,
    next_limit,
    summarise,
    tr,
)
from monitor.ui.bench_warnings import WarningLines, warning_lines
from monitor.ui.bench_work import BenchWork
from monitor.ui.scroll import lay_scrolling

__all__ = ["HotPage"]

SLOW_EVERY_S = 0.25  # figures that change slowly are not worth a repaint in every frame
MAP_EVERY_S = 1.0
BETWEEN_PASSES, LONGEST_PASS = 300, 10_800  # frames of height that are kept: ten seconds, and six minutes


class HotPage(QWidget):
    """What the person at the bench sees while it is hot.

    Parameters
    ----------
    work : BenchWork
    on_painted : callable
        Takes each frame's delay from arrival to paint [s].
    """

    def __init__(self, work: BenchWork, on_painted: Callable[[float], None], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._work = work
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.picture, self.state = PictureView(on_painted), StatePanel()
        self.height, self.limits, self.summary = HeightPanel(), LimitsPanel(), SummaryPanel()
        self.guide_pass, self.warnings = GuidePassPanel(), WarningLines()
        self.lower = QStackedWidget()
        self.lower.addWidget(self.limits)
        self.lower.addWidget(self.summary)
        self._lay_out()
        self._heights: deque[tuple[float, float]] = deque(maxlen=LONGEST_PASS)
        self._raised: list[TechniqueWarning] = []
        self._next_slow_s = self._next_map_s = 0.0
        self._was_in_pass = False
        self.alarm = Alarm()
        self.n_passes_told = 0

    def begin(self, keeps_summary: bool = False) -> None:
        """A session begins: forget what was before; the last pass's summary may stay until the next one."""
        self._heights.clear()
        self._raised.clear()
        self.n_passes_told = 0
        if not keeps_summary:
            self.lower.setCurrentWidget(self.limits)
        if self.state.told is None:
            self.state.tell(getting_ready())
        self._show_height(None)
        self._show_limits(None)
        self.picture.camera = self._work.inputs.camera if self._work.inputs else None
        self.picture.job = self._work.job
        self.picture.look_anew()

    def show_state(self, shown: Shown) -> None:
        """Take the newest state."""
        self.picture.layer = self._work.layer
        self.picture.show_frame(shown)
        told = big_state(shown, self._work.is_running)
        self.state.tell(told)
        moment, now_s = shown.moment, time.monotonic()
        result = moment.result if moment is not None else None
        if moment is not None:
            self.alarm = moment.alarm
            self.hear_told()  # before the heights of its pass are let go
            if result.in_pass and not self._was_in_pass:
                self.lower.setCurrentWidget(self.limits)
            self._was_in_pass = result.in_pass
            self._note_height(result)
        self._show_height(result, moment.guide if moment is not None else None)
        if now_s >= self._next_slow_s:
            self._next_slow_s = now_s + SLOW_EVERY_S
            self._show_limits(result)
            self.warnings.tell(warning_lines(self.alarm, result.t_s) if result is not None else [])
        if self._work.map_kind and now_s >= self._next_map_s:
            self._next_map_s = now_s + MAP_EVERY_S
            self._work.renew_map()

    def hear_told(self) -> None:
        """Take every start of a warning and every end of a pass, however many frames were skipped."""
        while True:
            try:
                moment = self._work.engine.told.get_nowait()
            except queue.Empty:
                return
            self._raised = [*self._raised, *moment.result.started][-50:]
            for event in moment.result.vision.part_events:
                self._work.notice.emit(f"{event.name} {part_words(event)}")
            if moment.pass_told is not None:
                self._tell_pass(moment.pass_told)

    def _note_height(self, result) -> None:
        now = result.exposure
        self._heights.append((result.t_s, now.height_mm if now.observed else math.nan))
        while not result.in_pass and len(self._heights) > BETWEEN_PASSES:
            self._heights.popleft()

    def _show_height(self, result, guide: GuideNow | None = None) -> None:
        job = self._work.job
        self.guide_pass.setVisible(self._work.guide is not None)
        self.guide_pass.tell(guide)
        if job is None:
            return
        figure, band = height_words(result)
        now = result.exposure if result is not None and result.exposure.observed else None
        silent = self._work.coach.band_mm if self._work.coach is not None else job.limits.height_mm
        heights = Heights(now.height_mm if now else math.nan, now.height_sigma_mm if now else math.nan,
                          guide.point.height_mm if guide is not None and guide.is_shown and not guide.is_over
                          else math.nan)
        self.height.tell(figure, band, heights, job.limits.height_mm, silent)

    def _show_limits(self, result) -> None:
        job, heat = self._work.job, result.heat if result is not None else None
        if job is None:
            return
        session = self._work.engine.session
        limits = session.judge.limits_c() if session is not None else {}
        joint, reason = joint_words(heat)
        station = tr("{:.0f} °C, {:.0f} L/min").format(self._work.setpoint_c, self._work.airflow_l_min)
        self.limits.tell(next_limit(heat, job.target.name), joint, reason,
                         limit_rows(heat, limits, job.neighbour_names, job.target.name), station)

    def _tell_pass(self, told) -> None:
        raised = [w for w in self._raised if w.t_start_s >= told.summary.t_start_s]
        self._raised.clear()
        self.n_passes_told += 1
        self.summary.tell(summarise(told, self._work.job, list(self._heights), self._work.coach.band_mm, raised))
        self.lower.setCurrentWidget(self.summary)

    def top_warning(self) -> TechniqueWarning | None:
        """The most urgent warning shown, of the work before the equipment and the machine."""
        shown = sorted(self.alarm.shown, key=lambda w: (w.kind in MACHINE, w.kind in EQUIPMENT))
        return shown[0] if shown else None

    def _lay_out(self) -> None:
        left = QVBoxLayout()
        left.addWidget(self.picture, 1)
        left.addWidget(self.warnings)
        right = QVBoxLayout()
        right.addWidget(self.state, 3)
        right.addWidget(self.height, 3)
        right.addWidget(self.guide_pass, 2)
        right.addWidget(self.lower, 5)
        whole = QHBoxLayout()
        whole.setContentsMargins(6, 6, 6, 6)
        whole.addLayout(left, 3)
        whole.addLayout(right, 2)
        lay_scrolling(self, whole)
        self.guide_pass.hide()  # until there is one

    def resizeEvent(self, event: QResizeEvent) -> None:
        self.warnings.fit(self.window().height())
        super().resizeEvent(event)
