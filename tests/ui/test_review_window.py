"""The review window as a person uses it: opened, walked through by keys and mouse, commented, asked what if."""

import os
import sqlite3
import subprocess
import sys

import numpy as np
import pytest
from PyQt6.QtCore import QEvent, QMimeData, QPoint, QPointF, QSettings, Qt, QUrl
from PyQt6.QtGui import QDropEvent, QWheelEvent
from PyQt6.QtWidgets import QApplication, QComboBox, QDoubleSpinBox, QListWidget, QPlainTextEdit, QPushButton

from monitor.cli.main import main
from monitor.recording.comments import comments_of
from monitor.recording.reader import open_recording
from monitor.review.matching import lateness_s, row_at
from monitor.review.playback import Playback
from monitor.review.report import report_html
from monitor.review.traces import Happening
from monitor.ui.review_keys import COMMANDS, KeysDialog, settings
from monitor.ui.review_lanes import BarLane, lanes_of
from monitor.ui.review_window import ReviewWindow
from tests.monitor.made_recording import make_recording
from tests.monitor.numbered import read_number, uneven_times, write_numbered

WAIT_MS = 10_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return make_recording(tmp_path_factory.mktemp("window") / "lesson", heat=True, video=True).folder


@pytest.fixture
def window(qtbot, folder, tmp_path):
    QSettings.setPath(QSettings.Format.IniFormat, QSettings.Scope.UserScope, str(tmp_path / "config"))
    made = ReviewWindow()
    qtbot.addWidget(made)
    made.show()
    made.activateWindow()
    made.open_folder(folder)
    qtbot.waitUntil(lambda: not made.video.image.isNull(), timeout=WAIT_MS)
    made.timeline.setFocus()
    made.marks.setChecked(False)  # so that the frames' numbers can be read
    return made


def press(qtbot, window, key, modifier=Qt.KeyboardModifier.NoModifier):
    qtbot.keyClick(QApplication.focusWidget() or window, key, modifier)


def shown_number(window) -> int:
    image = window.video.image.convertToFormat(window.video.image.Format.Format_BGR888)
    rows = np.frombuffer(image.constBits().asarray(image.sizeInBytes()), np.uint8).reshape(image.height(), -1)
    return read_number(rows[:, :3 * image.width()].reshape(image.height(), image.width(), 3))


def wait_for_frame(qtbot, window, index):
    qtbot.waitUntil(lambda: f"frame {index}," in window.video.caption, timeout=WAIT_MS)
    qtbot.waitUntil(lambda: shown_number(window) == index, timeout=WAIT_MS)


def test_the_verdict_is_the_first_thing_to_be_read(window):
    assert window.verdict.text().startswith("Pass 1: hovered 12")


def test_right_and_left_step_exactly_one_frame(qtbot, window):
    for key, index in ((Qt.Key.Key_Right, 1), (Qt.Key.Key_Right, 2), (Qt.Key.Key_Right, 3), (Qt.Key.Key_Left, 2)):
        press(qtbot, window, key)
        wait_for_frame(qtbot, window, index)


def test_end_shows_the_last_frame_and_home_the_first(qtbot, window):
    press(qtbot, window, Qt.Key.Key_End)
    wait_for_frame(qtbot, window, 129)

    press(qtbot, window, Qt.Key.Key_Home)
    wait_for_frame(qtbot, window, 0)


def test_shift_right_goes_a_second_on(qtbot, window):
    press(qtbot, window, Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)

    wait_for_frame(qtbot, window, 20)


def test_down_and_up_walk_from_event_to_event(qtbot, window):
    press(qtbot, window, Qt.Key.Key_Down)
    assert window.t_s == pytest.approx(0.5)
    press(qtbot, window, Qt.Key.Key_Down)
    assert window.t_s == pytest.approx(4.0)
    press(qtbot, window, Qt.Key.Key_Up)
    assert window.t_s == pytest.approx(0.5)


def test_a_click_on_the_timeline_moves_picture_and_cursor_together(qtbot, window):
    place = QPoint(round(window.timeline.x_of(3.02)), window.timeline.height() // 2)
    qtbot.mouseClick(window.timeline, Qt.MouseButton.LeftButton, pos=place)

    wait_for_frame(qtbot, window, 60)
    assert window.t_s == pytest.approx(3.02, abs=0.05)


def test_space_plays_and_pauses(qtbot, window):
    press(qtbot, window, Qt.Key.Key_Space)
    qtbot.waitUntil(lambda: window.t_s > 0.3, timeout=WAIT_MS)
    press(qtbot, window, Qt.Key.Key_Space)
    stopped = window.t_s

    qtbot.wait(60)
    assert window.t_s == stopped


def test_j_plays_backwards_and_k_stops(qtbot, window):
    press(qtbot, window, Qt.Key.Key_End)
    press(qtbot, window, Qt.Key.Key_J)
    qtbot.waitUntil(lambda: window.t_s < 6.2, timeout=WAIT_MS)
    press(qtbot, window, Qt.Key.Key_K)

    assert 0 < window.t_s < 6.2 and window.cursor.speed == 0


def test_the_wheel_zooms_and_keeps_the_moment_under_the_pointer(window):
    x = window.timeline.x_of(4.0)
    before = window.timeline.view
    event = QWheelEvent(QPointF(x, 50), window.timeline.mapToGlobal(QPointF(x, 50)), QPoint(), QPoint(0, 240),
                        Qt.MouseButton.NoButton, Qt.KeyboardModifier.NoModifier, Qt.ScrollPhase.NoScrollPhase, False)
    QApplication.sendEvent(window.timeline, event)

    assert window.timeline.time_at(x) == pytest.approx(4.0, abs=1e-6)
    assert np.diff(window.timeline.view) < 0.8 * np.diff(before)


def test_no_less_than_one_frame_comes_into_view(qtbot, window):
    for _ in range(40):
        press(qtbot, window, Qt.Key.Key_Plus)

    assert np.diff(window.timeline.view)[0] == pytest.approx(0.05, abs=0.002)  # the clip has 20 frames a second


def test_dragging_moves_the_view_and_f_brings_everything_back(qtbot, window):
    whole = window.timeline.view
    press(qtbot, window, Qt.Key.Key_Plus)
    zoomed = window.timeline.view
    qtbot.mousePress(window.timeline, Qt.MouseButton.LeftButton, pos=QPoint(600, 60))
    qtbot.mouseMove(window.timeline, QPoint(400, 60))
    qtbot.mouseRelease(window.timeline, Qt.MouseButton.LeftButton, pos=QPoint(400, 60))
    assert window.timeline.view[0] > zoomed[0]

    press(qtbot, window, Qt.Key.Key_F)
    assert window.timeline.view == pytest.approx(whole)


def test_brackets_make_a_span_whose_map_shows_the_time_under_the_jet(qtbot, window):
    window.go_to(0.4)
    press(qtbot, window, Qt.Key.Key_BracketLeft)
    window.go_to(2.2)
    press(qtbot, window, Qt.Key.Key_BracketRight)
    assert window.timeline.span == (pytest.approx(0.4), pytest.approx(2.2))

    window.tabs.setCurrentWidget(window.maps)
    qtbot.waitUntil(lambda: not window.maps.image.isNull(), timeout=WAIT_MS)
    assert "0.40 to 2.20 s" in window.maps.words


def test_a_comment_is_typed_saved_undone_and_made_again(qtbot, window, folder):
    window.go_to(1.0)
    press(qtbot, window, Qt.Key.Key_M)
    qtbot.keyClicks(QApplication.focusWidget(), "j k l [ lower here")  # letters that are commands elsewhere
    qtbot.keyClick(QApplication.focusWidget(), Qt.Key.Key_Return, Qt.KeyboardModifier.ControlModifier)
    assert [(c.t_s, c.text) for c in comments_of(open_recording(folder))] == [(1.0, "j k l [ lower here")]

    window.timeline.setFocus()
    press(qtbot, window, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert comments_of(open_recording(folder)) == ()
    press(qtbot, window, Qt.Key.Key_Y, Qt.KeyboardModifier.ControlModifier)
    assert len(comments_of(open_recording(folder))) == 1
    press(qtbot, window, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)


def test_space_on_a_button_presses_it_and_does_not_play(qtbot, window):
    window.marks.setFocus()
    qtbot.keyClick(window.marks, Qt.Key.Key_Space)

    assert window.marks.isChecked() and window.cursor.speed == 0


def test_another_pass_runs_beside_from_the_same_contact(qtbot, window, folder):
    window.other.lay_beside(1, folder, 2)
    qtbot.waitUntil(lambda: "+0.00 s from contact" in window.other.video.caption, timeout=WAIT_MS)
    assert window.t_s == pytest.approx(0.5) and "frame 80," in window.other.video.caption  # pass 2 begins at 4.0 s

    press(qtbot, window, Qt.Key.Key_Right)
    qtbot.waitUntil(lambda: "frame 81," in window.other.video.caption, timeout=WAIT_MS)
    wait_for_frame(qtbot, window, 11)


def test_a_what_if_is_worked_out_beside_the_recording_and_said_in_a_sentence(qtbot, window):
    window.tabs.setCurrentWidget(window.what_if)
    window.what_if.setpoint.setValue(430)
    qtbot.mouseClick(window.what_if.run, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: window.what_if.words.text().startswith("With 430 C"), timeout=WAIT_MS)
    assert "J instead of" in window.what_if.words.text()

    qtbot.mouseClick(window.what_if.reset, Qt.MouseButton.LeftButton)
    assert window.what_if.setpoint.value() == 360


def test_a_what_if_can_be_cancelled(qtbot, window):
    window.what_if.setpoint.setValue(410)
    window.what_if.work_out()
    window.what_if.wait.cancel()

    qtbot.waitUntil(lambda: "Cancelled" in window.what_if.words.text(), timeout=WAIT_MS)


def test_a_dropped_file_of_a_recording_opens_it(qtbot, window, tmp_path):
    other = make_recording(tmp_path / "other", duration_s=2.0).folder
    data = QMimeData()
    data.setUrls([QUrl.fromLocalFile(str(other / "trace.sqlite"))])
    window.dropEvent(QDropEvent(QPointF(50, 50), Qt.DropAction.CopyAction, data, Qt.MouseButton.LeftButton,
                                Qt.KeyboardModifier.NoModifier, QEvent.Type.Drop))
    qtbot.waitUntil(lambda: window.windowTitle().startswith("other"), timeout=WAIT_MS)

    assert [str(n) for n in settings().value("recent")][0] == str(other)


def test_a_recording_without_its_video_is_still_reviewed(qtbot, window, tmp_path):
    bare = make_recording(tmp_path / "bare", duration_s=2.0).folder
    window.open_folder(bare)
    qtbot.waitUntil(lambda: window.windowTitle().startswith("bare"), timeout=WAIT_MS)

    press(qtbot, window, Qt.Key.Key_Right)
    assert window.t_s == pytest.approx(0.05)


def test_something_that_is_no_recording_is_said_in_one_line(qtbot, window, tmp_path):
    window.open_folder(tmp_path)
    qtbot.waitUntil(lambda: "no recording there" in window.message.text(), timeout=WAIT_MS)

    assert window.recording is not None  # what was open stays open


def test_a_key_can_be_changed_and_is_remembered(qtbot, window):
    dialog = KeysDialog(window)
    qtbot.addWidget(dialog)
    dialog._fields["mark"].setKeySequence("Ctrl+M")
    dialog._save()

    assert settings().value("keys/mark") == "Ctrl+M"


def test_a_key_given_twice_is_refused(qtbot, window):
    dialog = KeysDialog(window)
    qtbot.addWidget(dialog)
    dialog._fields["mark"].setKeySequence("K")
    dialog._save()

    assert "two commands" in dialog._message.text() and settings().value("keys/mark") is None


def test_every_command_is_a_method_and_stands_in_a_menu(window):
    assert all(callable(window.command(c.name)) for c in COMMANDS)
    assert {c.name for c in COMMANDS} == set(window.actions_by_name)


def test_every_control_has_a_name_for_a_screen_reader(window):
    own = [w for panel in (window.happenings, window.comments, window.maps, window.what_if)
           for kind in (QPushButton, QDoubleSpinBox, QComboBox, QListWidget, QPlainTextEdit)
           for w in panel.findChildren(kind)]
    nameless = [w for w in own if not w.accessibleName() and not (isinstance(w, QPushButton) and w.text())]

    assert len(own) > 15 and nameless == []


def test_the_report_is_written_from_the_window(qtbot, window, tmp_path):
    window.save_report(tmp_path / "lesson.html")
    qtbot.waitUntil(lambda: (tmp_path / "lesson.html").is_file(), timeout=WAIT_MS)

    assert "Hot-air work on U7" in (tmp_path / "lesson.html").read_text()


@pytest.mark.parametrize("begun_late_s", [0.0, 0.8])
def test_a_video_that_began_late_still_shows_each_moment_at_its_time(tmp_path, begun_late_s):
    times = uneven_times(40) + begun_late_s
    with Playback(write_numbered(tmp_path / "late.mkv", times, "mjpeg")) as playback:
        trace = uneven_times(40) + begun_late_s  # as a live recording counts

        assert playback.times_s + lateness_s(playback, trace) == pytest.approx(times, abs=0.002)


def test_a_clip_whose_stamps_begin_anywhere_counts_from_its_first_frame(tmp_path):
    with Playback(write_numbered(tmp_path / "clip.mkv", uneven_times(40) + 0.8, "mjpeg")) as playback:
        assert lateness_s(playback, uneven_times(40)) == 0.0  # as a measured clip counts


def test_a_frame_that_was_not_analysed_gets_no_measurement_of_another():
    times = np.arange(20) / 20
    trace = times[[0, 7, 19]]  # the analysis was busy in between

    assert [row_at(trace, times, i) for i in (0, 1, 6, 7, 8, 19)] == [0, None, None, 1, None, 2]


def test_a_name_that_looks_like_markup_is_shown_as_it_is(window):
    assert all(label.textFormat() is Qt.TextFormat.PlainText
               for label in (window.verdict, window.message, window.what_if.words))


def test_a_recording_that_is_gone_stays_in_the_list_but_cannot_be_chosen(qtbot, window, tmp_path):
    settings().setValue("recent", [str(tmp_path / "gone"), str(window.recording.folder)])
    window.recent_menu.aboutToShow.emit()

    assert [a.isEnabled() for a in window.recent_menu.actions()] == [False, True]
    assert "not there" in window.recent_menu.actions()[0].text()


def test_the_command_says_in_one_line_what_is_no_recording(qapp, tmp_path, capsys):
    assert main(["review", str(tmp_path)]) == 3
    assert "no recording there" in capsys.readouterr().err


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="elsewhere there is always a screen")
def test_without_a_screen_the_command_ends_with_one_line(tmp_path, folder):
    bare = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")}
    done = subprocess.run([sys.executable, "-m", "monitor.cli", "review", str(folder)], env=bare, capture_output=True,
                          text=True, timeout=60, check=False)

    assert done.returncode == 4 and done.stderr.startswith("plumeline: no screen") and done.stderr.count("\n") == 1


def test_a_recording_without_a_single_frame_still_opens_and_reports(qtbot, window, tmp_path):
    empty = make_recording(tmp_path / "empty", duration_s=1.0, video=True).folder
    with sqlite3.connect(empty / "trace.sqlite") as db:
        db.execute("DELETE FROM frames")
    window.open_folder(empty)
    qtbot.waitUntil(lambda: window.windowTitle().startswith("empty"), timeout=WAIT_MS)
    qtbot.waitUntil(lambda: len(window.cursor.times_s) == 20, timeout=WAIT_MS)
    window.timeline.setFocus()
    press(qtbot, window, Qt.Key.Key_Right)

    assert window.t_s == pytest.approx(0.05)
    assert "<svg" in report_html(open_recording(empty))


def test_warnings_that_overlap_get_rows_of_their_own(window):
    both = [Happening(1.0, 3.0, "warning", "drift: aimed at connector", "drift"),
            Happening(2.0, 4.0, "warning", "too far: 32 mm", "too_far")]
    rows = [lane for lane in lanes_of(window._traces, window.job, both) if isinstance(lane, BarLane) and lane.bars]

    assert [(lane.title, len(lane.bars)) for lane in rows] == [("drift", 1), ("too far", 1)]


def test_a_new_recording_begins_without_the_span_of_the_last(qtbot, window, tmp_path):
    window.span_pass()
    bare = make_recording(tmp_path / "bare", duration_s=2.0).folder
    window.open_folder(bare)
    qtbot.waitUntil(lambda: window.windowTitle().startswith("bare"), timeout=WAIT_MS)

    assert window.timeline.span is None
    window.tabs.setCurrentWidget(window.maps)
    assert "1.95 s" in window.maps.words  # the whole of it


def test_tables_are_written_from_the_window(qtbot, window, tmp_path):
    window.save_tables(tmp_path / "tables")
    qtbot.waitUntil(lambda: "tables in" in window.message.text(), timeout=WAIT_MS)

    assert {"track.csv", "track.parquet", "about.json"} <= {p.name for p in (tmp_path / "tables").iterdir()}
