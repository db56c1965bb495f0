"""The fortieth board in the window: found, shown, taken with one key, back at the work; refused without a reference."""

import numpy as np
import pytest
from PyQt6.QtCore import Qt

from monitor.setup.placing import Placement
from tests.ui.test_bench_window import WAIT_MS, make, press


def open_saved(window, path):
    window.setup.save_job(path)
    return window.setup.draft.marks()[0].corners_mm


def test_a_job_without_a_picture_is_not_guessed_at(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False, page="hot")
    open_saved(window, tmp_path / "job.toml")
    press(qtbot, window, Qt.Key.Key_F6)

    assert "no reference picture" in window.banner.text()


@pytest.mark.slow
def test_a_saved_job_keeps_a_picture_and_its_marks_are_placed_by_two_presses(qtbot, tmp_path):
    window = make(qtbot, tmp_path)
    qtbot.waitUntil(lambda: window.setup.view._image is not None, timeout=WAIT_MS)
    before = open_saved(window, tmp_path / "job.toml")
    assert (tmp_path / "job.reference.npz").is_file()

    window.show_page(window.hot)
    press(qtbot, window, Qt.Key.Key_F6)
    qtbot.waitUntil(lambda: window.setup.placer.placement is not None or "not placed" in window.banner.text(),
                    timeout=WAIT_MS)
    assert window.pages.currentWidget() is window.setup and len(window.setup.view.proposal) == 3
    press(qtbot, window, Qt.Key.Key_F6)

    assert window.pages.currentWidget() is window.hot and window.setup.view.proposal == []
    np.testing.assert_allclose(window.setup.draft.marks()[0].corners_mm, before, atol=0.3)  # it did not move
    window.close()


def test_marks_and_job_move_together_and_can_be_undone(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    before = np.array(window.setup.draft.marks()[0].corners_mm)
    quarter = Placement(np.array([[0.0, -1.0], [1.0, 0.0]]), np.array([5.0, 2.0]), 60, 0.2)
    window.setup.placer._key = "F6"
    window.setup.placer._show(quarter)
    press(qtbot, window, Qt.Key.Key_F6)

    np.testing.assert_allclose(window.work.job.target.outline_mm, before @ quarter.turn.T + (5, 2), atol=0.02)
    window.setup.undo.click()
    np.testing.assert_allclose(window.work.job.target.outline_mm, before, atol=0.01)


def test_escape_leaves_the_marks(qtbot, tmp_path):
    window = make(qtbot, tmp_path, start=False)
    window.setup.placer._key = "F6"
    window.setup.placer._show(Placement(np.eye(2), np.array([5.0, 2.0]), 60, 0.2))
    qtbot.keyClick(window.setup.view, Qt.Key.Key_Escape)

    assert window.setup.placer.placement is None and window.setup.view.proposal == []
    assert not window.setup.draft.is_changed
