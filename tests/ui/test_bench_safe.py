"""The window opens where the work is, and editing in it is safe: undo from the first change on, no wheel, one question
at the end.
"""

import itertools
import os
import shutil

import pytest
from PyQt6.QtCore import QPoint, QPointF, Qt
from PyQt6.QtGui import QWheelEvent
from PyQt6.QtWidgets import QAbstractSpinBox, QApplication, QComboBox

from monitor.engine.source import PlayedVideo
from monitor.repeat.compare.comparison import compare
from monitor.ui.bench_close import CloseDialog
from monitor.ui.bench_draft import NEW_JOB, JobDraft
from monitor.ui.compare_window import CompareWindow
from monitor.ui.review_window import ReviewWindow
from tests.compare.test_compare import one
from tests.engine.make import SAMPLE
from tests.monitor.make import job
from tests.ui.test_bench_window import OVER_U7, WAIT_MS, begin, end, make


def turn_wheel(widget):
    at = QPointF(widget.rect().center())
    event = QWheelEvent(at, QPointF(widget.mapToGlobal(widget.rect().center())), QPoint(), QPoint(0, -120),
                        Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase, False)
    QApplication.sendEvent(widget, event)


def test_with_a_job_and_calibrations_it_opens_on_hot_work(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False, page="hot")
    first = type(window)(window.work, window._settings)
    qtbot.addWidget(first)

    assert first.pages.currentWidget() is first.hot


def test_without_calibrations_it_opens_on_the_first_run(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False, inputs=None)
    first = type(window)(window.work, window._settings)
    qtbot.addWidget(first)

    assert first.pages.currentWidget() is first.guide


def test_calibrations_and_the_job_of_last_time_open_on_hot_work(qtbot, tmp_path):
    (tmp_path / "calibration").mkdir()
    for name, kept in (("job.toml", "job_in_use.toml"), ("camera.toml", "camera.toml"), ("nozzle.toml", "nozzle.toml")):
        shutil.copy(SAMPLE / name, tmp_path / "calibration" / kept)
    window = make(qtbot, tmp_path, start=False, inputs=None)
    first = type(window)(window.work, window._settings)
    qtbot.addWidget(first)

    assert window.work.job.target.name == "U7" and first.pages.currentWidget() is first.hot


@pytest.mark.slow
def test_the_nozzle_is_measured_before_anything_is_recorded(qtbot, tmp_path):
    window = make(qtbot, tmp_path, lambda t: (*OVER_U7, 18.0), page="hot")
    qtbot.waitUntil(lambda: window.hot.state.told is not None and window.hot.state.told.word == "On target",
                    timeout=WAIT_MS)

    assert not window.work.is_running and "not recorded" in window.bar_text.toolTip()
    assert not list(tmp_path.glob("2*")) and window.stats()["first_height_s"] is not None
    begin(qtbot, window)
    qtbot.waitUntil(lambda: window.work.engine.session is not None and window.work.engine.session.recorder is not None,
                    timeout=WAIT_MS)
    end(qtbot, window)
    assert window.work.last_folder is not None and window.work.is_watching
    window.close()


def test_a_video_begins_again_at_its_end_with_times_that_go_on():
    video = PlayedVideo(SAMPLE / "clip.mp4", loop=True, wait=lambda s: None)
    video.open()
    times = [video.read().frame.t_s for _ in range(140)]  # the clip has 128

    assert all(b > a for a, b in itertools.pairwise(times))
    video.release()


def test_the_very_first_change_can_be_undone(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    window.setup.draft.put("station", "setpoint_c", 222.0)

    assert window.setup.undo.isEnabled()
    window.setup.undo.click()
    assert window.setup.draft.get("station", "setpoint_c") == 360.0 and not window.setup.draft.is_changed


def test_what_is_not_saved_is_said(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    assert "not saved" not in window.setup.state.text() and not window.isWindowModified()
    window.setup.draft.put("station", "setpoint_c", 222.0)

    assert "not saved" in window.setup.state.text() and window.isWindowModified()


def test_a_new_job_can_be_undone_with_its_file(qtbot, tmp_path):
    draft = JobDraft()
    draft.load((SAMPLE / "job.toml").read_text(), SAMPLE / "job.toml", as_first=True)
    before = draft.data
    draft.start_anew()
    assert draft.data == NEW_JOB and draft.path is None

    draft.undo_stack.undo()
    assert draft.data == before and draft.path == SAMPLE / "job.toml" and not draft.is_changed


def test_opening_another_job_can_be_undone(qtbot, tmp_path):
    draft = JobDraft()
    draft.put("station", "setpoint_c", 222.0)
    draft.load((SAMPLE / "job.toml").read_text(), SAMPLE / "job.toml")
    assert not draft.is_changed

    draft.undo_stack.undo()
    assert draft.get("station", "setpoint_c") == 222.0 and draft.path is None and draft.is_changed


def compare_window():
    found = compare([one(k, height=15.0 + 0.1 * k) for k in range(4)], job())
    return CompareWindow(found, lambda rules, reference: found)


@pytest.mark.parametrize("which", ["bench", "review", "compare"])
def test_the_wheel_never_changes_a_field(qtbot, tmp_path, which):
    made = {"bench": lambda: make(qtbot, tmp_path, start=False), "review": ReviewWindow, "compare": compare_window}
    window = made[which]()
    qtbot.addWidget(window)
    fields = [f for f in window.findChildren((QComboBox, QAbstractSpinBox))
              if not isinstance(f.parent(), QAbstractSpinBox)]
    assert fields
    for field in fields:
        if isinstance(field, QComboBox) and field.count() < 2:
            field.addItems(["a", "b"])
        before = field.currentIndex() if isinstance(field, QComboBox) else field.text()
        field.setFocus()
        turn_wheel(field)
        assert (field.currentIndex() if isinstance(field, QComboBox)
                else field.text()) == before, field.accessibleName()


def test_what_was_changed_while_recording_counts_afterwards(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    window.work.is_running = True
    window.setup.draft.put("limits", "height_mm", [7.0, 21.0])
    assert window.work.job.limits.height_mm == (6.0, 30.0) and "next recording" in window.setup.state.text()

    window.work.is_running = False
    window.work.session_changed.emit(False)
    assert window.work.job.limits.height_mm == (7.0, 21.0)


def ask(qtbot, window):
    window.asks = True
    window.close()
    return window.findChild(CloseDialog)


def test_closing_asks_once_about_changes(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    window.setup.draft.put("station", "setpoint_c", 222.0)
    dialog = ask(qtbot, window)

    assert window.isVisible() and "not saved" in dialog.findChild(type(window.banner)).text()
    dialog.leave.click()
    assert not window.isVisible()


def test_staying_keeps_the_window_and_its_changes(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    window.setup.draft.put("station", "setpoint_c", 222.0)
    ask(qtbot, window).stay.click()

    assert window.isVisible() and window.setup.draft.is_changed
    window.asks = False


def test_nothing_to_lose_is_not_asked_about(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)

    assert ask(qtbot, window) is None and not window.isVisible()


def test_a_job_that_is_no_plain_file_is_refused_in_one_line_and_the_present_one_stays(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    before, said = window.setup.draft.get("target", "name"), []
    window.work.notice.connect(said.append)
    os.mkfifo(tmp_path / "job.toml")

    window.setup.open_job(tmp_path / "job.toml")

    assert len(said) == 1 and "no plain file" in said[0] and "\n" not in said[0]
    assert window.setup.draft.get("target", "name") == before
