"""The bench window as a person uses it: mark a target, start, get a warning, turn the setpoint, stop, open the
recording.
"""

import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from PyQt6.QtCore import QPoint, QSettings, Qt, QTranslator
from PyQt6.QtWidgets import QInputDialog, QLineEdit, QPushButton

from monitor.engine.feedback import Mode
from monitor.engine.source import PlayedVideo
from monitor.engine.webcam import CameraName, Locked
from monitor.recording.reader import open_recording
from monitor.sound.player import Player
from monitor.ui.bench_calibrate import CameraTab
from monitor.ui.bench_keys import COMMANDS, KeysDialog
from monitor.ui.bench_open import open_review
from monitor.ui.bench_state import Told, tr
from monitor.ui.bench_window import BenchWindow
from monitor.ui.bench_work import BenchWork, Settings
from monitor.ui.theme import Standing, looks
from tests.engine.make import SAMPLE, DrawnCamera, PathTracker, sample_inputs

WAIT_MS = 60_000  # a new machine compiles the first time it looks for a mat
OVER_U7 = (6.7, 1.4)  # the middle of the sample's target


def lifted(t):
    """Over the target, then too high."""
    return (*OVER_U7, 18.0 if t < 0.6 else 36.0)


def make(qtbot, folder, where=lifted, *, start=True, inputs="sample", opened=None, page="setup", **options):
    settings = Settings(folder, tracker=lambda inputs: PathTracker(where), films=False, mode=Mode.BAND, **options)
    player = Player(is_muted=True)
    player.start()
    work = BenchWork(PlayedVideo(SAMPLE / "clip.mp4", loop=True), sample_inputs() if inputs else None, settings, player,
                     watch_frozen=False)
    window = BenchWindow(work, QSettings(str(folder / "keys.ini"), QSettings.Format.IniFormat), opened
                         or (lambda folder: None))
    qtbot.addWidget(window)
    window.show_page(getattr(window, page))
    window.show()
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=WAIT_MS)  # keys go to the active window only
    if start:
        window.start()
    return window


@pytest.fixture
def window(qtbot, tmp_path):
    made = make(qtbot, tmp_path)
    yield made
    made.close()


def press(qtbot, window, key, modifier=Qt.KeyboardModifier.NoModifier):
    qtbot.keyClick(window.focusWidget() or window, key, modifier)


def click(qtbot, view, mm):
    qtbot.mouseClick(view, Qt.MouseButton.LeftButton, pos=view.to_widget(mm).toPoint())


def remove_target(window):
    window.setup.table.selectRow(0)
    window.setup.remove.click()


def begin(qtbot, window):
    press(qtbot, window, Qt.Key.Key_F3)
    press(qtbot, window, Qt.Key.Key_Space)
    qtbot.waitUntil(lambda: window.hot.state.told is not None and window.work.engine.session is not None,
                    timeout=WAIT_MS)


def end(qtbot, window):
    press(qtbot, window, Qt.Key.Key_Space)
    qtbot.waitUntil(lambda: not window.work.is_running, timeout=WAIT_MS)


def test_the_theme_changes_by_key(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    before = looks().choice
    window.actions_by_name["theme"].trigger()

    assert looks().choice != before
    looks().choose("light")


@pytest.mark.slow
def test_a_whole_piece_of_work_by_mouse_and_keys(qtbot, tmp_path):
    opened = []
    window = make(qtbot, tmp_path, opened=opened.append)
    view, draft = window.setup.view, window.setup.draft
    qtbot.waitUntil(lambda: view._image is not None, timeout=WAIT_MS)

    remove_target(window)
    view.snaps = False
    for mm in ((2.0, -3.0), (11.0, -3.0), (11.0, 6.0)):
        click(qtbot, view, mm)
    np.testing.assert_allclose(draft.marks()[0].corners_mm, [(2, -3), (11, -3), (11, 6), (2, 6)], atol=0.3)

    begin(qtbot, window)
    qtbot.waitUntil(lambda: window.hot.state.told.word == "Lower the nozzle", timeout=WAIT_MS)
    assert window.hot.state.told.standing is Standing.HEED and window.hot.state.told.arrow == "down"
    press(qtbot, window, Qt.Key.Key_Up)
    qtbot.waitUntil(lambda: window.hot.summary.summary is not None, timeout=WAIT_MS)
    end(qtbot, window)
    press(qtbot, window, Qt.Key.Key_O, Qt.KeyboardModifier.ControlModifier)

    found = open_recording(opened[0])
    assert "too_far" in [w["kind"] for w in found.warnings] and found.station[0]["setpoint_c"] == 370.0
    assert "outline_mm" in found.job_text and found.passes[0]["feedback"] == "outside the band"
    window.close()


@pytest.mark.slow
def test_a_finished_recording_opens_for_review(qtbot, window):
    begin(qtbot, window)
    qtbot.waitUntil(lambda: len(window.hot._heights) > 10, timeout=WAIT_MS)
    end(qtbot, window)

    from monitor.ui.bench_open import _reviews

    open_review(window.work.last_folder)
    qtbot.waitUntil(lambda: _reviews[-1].recording is not None, timeout=WAIT_MS)
    assert _reviews[-1].recording.folder == window.work.last_folder
    _reviews[-1].close()


@pytest.mark.slow
def test_a_warning_is_put_aside_by_key_and_shown_as_such(qtbot, window):
    begin(qtbot, window)
    qtbot.waitUntil(lambda: window.hot.state.told.word == "Lower the nozzle", timeout=WAIT_MS)
    press(qtbot, window, Qt.Key.Key_W)
    qtbot.waitUntil(lambda: "put aside, 10 min left" in window.hot.warnings.words, timeout=WAIT_MS)

    assert window.hot.state.told.word != "Lower the nozzle"
    end(qtbot, window)


@pytest.mark.slow
def test_the_setpoint_can_be_typed_while_recording(qtbot, window):
    begin(qtbot, window)
    press(qtbot, window, Qt.Key.Key_T)
    dialog = window.findChild(QInputDialog)
    dialog.setIntValue(412)
    qtbot.keyClick(dialog, Qt.Key.Key_Return)

    assert window.work.setpoint_c == 412.0 and "412" in window.bar_text.text()
    end(qtbot, window)


def test_the_neighbour_comes_after_the_target(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    view, draft = window.setup.view, window.setup.draft
    remove_target(window)
    view.snaps = False
    for mm in ((2, -3), (11, -3), (11, 6), (20, 10), (24, 10), (24, 14)):
        click(qtbot, view, mm)

    assert [m.is_target for m in draft.marks()] == [True, False, False, False]
    np.testing.assert_allclose(draft.marks()[-1].corners_mm[0], (20, 10), atol=0.3)


def test_a_click_near_a_mark_snaps_to_its_corner(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    view = window.setup.view
    corner = view.draft.marks()[1].corners_mm[0]
    qtbot.mouseMove(view, view.to_widget(corner).toPoint() + QPoint(4, 3))

    np.testing.assert_allclose(view._pointer, corner, atol=1e-6)


def test_a_corner_is_dragged_to_a_new_place(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    view = window.setup.view
    view.snaps = False
    start, goal = view.draft.marks()[0].corners_mm[1], (14.0, -4.0)
    qtbot.mousePress(view, Qt.MouseButton.LeftButton, pos=view.to_widget(start).toPoint())
    qtbot.mouseMove(view, view.to_widget(goal).toPoint())
    qtbot.mouseRelease(view, Qt.MouseButton.LeftButton, pos=view.to_widget(goal).toPoint())

    np.testing.assert_allclose(view.draft.marks()[0].corners_mm[1], goal, atol=0.3)


def test_an_outline_is_drawn_by_keys_alone(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    view = window.setup.view
    window.setup.corners_button.click()
    window.setup.neighbour_button.click()
    view._pointer = np.zeros(2)
    for keys in ((Qt.Key.Key_Return,), (Qt.Key.Key_Right,) * 5 + (Qt.Key.Key_Return,),
                 (Qt.Key.Key_Up,) * 4 + (Qt.Key.Key_Return,)):
        for key in keys:
            qtbot.keyClick(view, key)
    view.finish()

    assert view.draft.marks()[-1].corners_mm == ((0.0, 0.0), (5.0, 0.0), (5.0, 4.0))


def test_undo_and_redo_walk_through_every_change(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    draft = window.setup.draft
    states = [draft.data]
    for i in range(101):
        draft.put("station", "setpoint_c", 200.0 + i)
        states.append(draft.data)
    for state in reversed(states[:-1]):
        window.setup.undo.click()
        assert draft.data == state

    window.setup.redo.click()
    assert draft.get("station", "setpoint_c") == 200.0


def test_corners_are_typed_in_millimetres(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    window.setup.table.item(0, 2).setText("0 0; 8 0; 8 8; 0 8")

    assert window.setup.draft.marks()[0].corners_mm == ((0.0, 0.0), (8.0, 0.0), (8.0, 8.0), (0.0, 8.0))
    assert window.work.job.target.outline_mm[2] == (8.0, 8.0)


def test_a_neighbour_is_put_on_the_underside_and_its_joints_kept_solid_by_ticks(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    table = window.setup.table
    for column in (5, 6):
        box = table.visualItemRect(table.item(1, column))
        table.scrollToItem(table.item(1, column))
        assert not table.item(0, column).flags() & Qt.ItemFlag.ItemIsUserCheckable  # the target is neither
        assert box.isValid()
        table.item(1, column).setCheckState(Qt.CheckState.Checked)

    neighbour = window.work.job.neighbour[0]
    assert neighbour.side == "below" and neighbour.keep_solid
    table.item(1, 5).setCheckState(Qt.CheckState.Unchecked)
    assert window.work.job.neighbour[0].side == "top" and window.work.job.neighbour[0].keep_solid


def typed(window, table, key, text):
    """The field of a value of the job, with that typed into it."""
    editor = window.setup.form.editors[table, key]
    assert isinstance(editor, QLineEdit)
    editor.setText(text)
    editor.editingFinished.emit()
    return editor


def test_slots_are_typed_as_outlines_and_move_with_the_board(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    editor = typed(window, "board", "cutout_mm", "30 -5; 31 -5; 31 5; 30 5 | 30 8; 31 8; 31 9")

    assert window.work.job.board.cutout_mm[1] == ((30.0, 8.0), (31.0, 8.0), (31.0, 9.0))
    window.setup.draft.move_marks(lambda outline: [(x + 2, y) for x, y in outline], "moved")
    assert window.work.job.board.cutout_mm[1][0] == (32.0, 8.0) and "32 8" in editor.text()


def test_a_value_out_of_range_is_told_with_its_key(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    typed(window, "station", "setpoint_c", "3600")

    assert "station.setpoint_c" in window.setup.state.text()
    assert window.work.job.station.setpoint_c == 360.0  # the job in use stays whole


def test_measured_outlet_temperatures_are_typed_in_threes(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    typed(window, "station", "outlet_c", "300 30 276; 400 30 366")
    window.setup.form.editors["target", "ceramic"].setChecked(True)

    assert window.work.job.station.outlet_c == ((300.0, 30.0, 276.0), (400.0, 30.0, 366.0))
    assert window.work.job.target.ceramic


def test_a_job_is_saved_and_opened_again(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    window.setup.draft.put("", "title", "my job")
    window.setup.save_job(tmp_path / "mine.toml")
    window.setup.draft.start_anew()
    window.setup.open_job(tmp_path / "mine.toml")

    assert window.setup.draft.get("", "title") == "my job" and not window.setup.draft.is_changed


def test_unsaved_changes_come_back_after_a_crash(qtbot, tmp_path):
    first = make(qtbot, tmp_path, start=False)
    first.setup.draft.put("", "title", "half done")  # and the program is gone

    second = make(qtbot, tmp_path, start=False, inputs=None)
    assert second.setup.draft.get("", "title") == "half done"
    second.setup.undo.click()
    assert second.setup.draft.get("", "title") == ""


def test_recording_without_a_calibration_says_what_is_missing(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False, inputs=None)
    window.work.begin()

    assert "nozzle calibration" in window.banner.text() and not window.work.is_running


def test_a_bench_is_set_up_from_its_calibrations_and_a_new_job(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False, inputs=None, camera=SAMPLE / "camera.toml",
                  nozzle=SAMPLE / "nozzle.toml")
    assert window.setup.camera is not None and window.work.inputs is None

    window.setup.open_job(SAMPLE / "job.toml")

    assert window.work.job.target.name == "U7" and window.setup.draft.job() == window.work.job


def test_a_height_taken_from_the_plan_is_the_one_to_hold(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    window.setup.plan.start_taken.emit(12.0)
    window.work.begin()

    assert window.work.coach.aim_mm == 12.0 and window.work.coach.band_mm == pytest.approx((10.2, 13.8))  # +- 15 %


def test_little_room_on_the_disk_is_told_before_the_work(qtbot, tmp_path, monkeypatch):
    window = make(qtbot, tmp_path, start=False)
    monkeypatch.setattr("monitor.ui.bench_work.shutil.disk_usage", lambda path: SimpleNamespace(free=50e6))
    window.work.begin()

    assert "only 50 MB are free" in window.banner.text() and window.work.is_running


def test_a_folder_that_may_not_be_written_is_told(qtbot, tmp_path, monkeypatch):
    window = make(qtbot, tmp_path, start=False)
    monkeypatch.setattr("monitor.ui.bench_work.os.access", lambda path, mode: False)
    window.work.begin()

    assert "may not be written" in window.banner.text() and not window.work.is_running


@pytest.mark.slow
def test_a_camera_that_is_pulled_out_is_shown_as_no_picture(qtbot, tmp_path):
    window = make(qtbot, tmp_path)
    window.work.use_source(DrawnCamera(faults={60: ("lost", 60.0)}, size=(1280, 720)))
    begin(qtbot, window)
    qtbot.waitUntil(lambda: window.hot.state.told.word == "No picture", timeout=WAIT_MS)

    assert window.hot.state.told.standing is Standing.UNKNOWN and window.work.is_running
    window.close()
    assert open_recording(window.work.last_folder).meta["state"] == "closed"


def test_letters_typed_in_set_up_turn_no_knob(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    press(qtbot, window, Qt.Key.Key_F2)
    qtbot.keyClick(window.setup.form.title, Qt.Key.Key_Up)
    qtbot.keyClick(window.setup.form.title, Qt.Key.Key_Space)

    assert window.work.setpoint_c == 360.0 and not window.work.is_running


def test_a_key_can_be_given_to_a_foot_pedal(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    dialog = KeysDialog(window.actions_by_name, window._settings, window)
    dialog.edits["start_stop"].setKeySequence("B")
    dialog._save()

    assert window.actions_by_name["start_stop"].shortcut().toString() == "B"
    assert make(qtbot, tmp_path, start=False).actions_by_name["start_stop"].shortcut().toString() == "B"


def test_one_key_cannot_do_two_things(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    dialog = KeysDialog(window.actions_by_name, window._settings, window)
    dialog.edits["next_map"].setKeySequence("Space")
    dialog._save()

    assert "Space" in dialog._message.text() and window.actions_by_name["next_map"].shortcut().toString() == "M"


def test_every_command_has_its_own_key():
    keys = [key for _, key in COMMANDS.values()]
    assert all(keys) and len(set(keys)) == len(keys)


def test_another_camera_is_chosen_in_the_window(qtbot, tmp_path):
    window = make(qtbot, tmp_path)
    before = window.work.engine
    window.work.use_source(PlayedVideo(SAMPLE / "clip.mp4", loop=True))
    qtbot.waitUntil(lambda: window.work.engine.n_analysed > 3, timeout=WAIT_MS)

    assert window.work.engine is not before
    window.close()


def test_a_lock_that_a_camera_ignores_is_shown(qtbot):
    tab = CameraTab(Path(), cameras=[CameraName("Bench Cam", 0)])
    qtbot.addWidget(tab)
    tab.show_locks((Locked("exposure", 100.0, 100.0), Locked("focus", 40.0, 55.0)))

    assert tab.locks.text() == "held: exposure; NOT held, set it by hand: focus"
    with qtbot.waitSignal(tab.camera_chosen) as chosen:
        tab.look_through.click()
    assert chosen.args == [CameraName("Bench Cam", 0)]


class Longer(QTranslator):
    """A made-up language whose every text is 40 % longer and cannot be taken for English; it lives as long as its
    parent, since Qt waits for ever when one is freed while a text is translated.
    """

    def translate(self, context, text, disambiguation=None, n=-1):
        return f"[{text}{'~' * math.ceil(0.4 * len(text))}]"

    def isEmpty(self):
        return False


def test_longer_words_of_another_language_fit(qtbot, qapp, tmp_path):
    language = Longer(qapp)
    qapp.installTranslator(language)
    try:
        window = make(qtbot, tmp_path, start=False)
        window.resize(1366, 768)
        window.hot.state.tell(Told(Standing.HEED, tr("Lower the nozzle"), tr("34 mm over U7, highest allowed 30 mm"),
                                   "down"))
        buttons = [b for b in window.findChildren(QPushButton) if b.isVisible() and b.text()]
    finally:
        qapp.removeTranslator(language)

    assert window.hot.state.told.word.startswith("[") and len(buttons) > 10 and all("~" in b.text() for b in buttons)
    assert all(b.fontMetrics().horizontalAdvance(b.text()) <= b.width() for b in buttons)
    assert window.width() == 1366
