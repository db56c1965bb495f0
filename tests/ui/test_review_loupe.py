"""The loupe: straight from above, follows the nozzle's aim, stays where it was while nothing is measured."""

from types import SimpleNamespace

import numpy as np
import pytest
from PyQt6.QtCore import QRectF
from PyQt6.QtWidgets import QApplication

from monitor.review.overlay import FrameMarks
from monitor.ui.review_lanes import Curve, CurveLane
from monitor.ui.review_loupe import WIDE_PX, ZOOMS, Loupe, loupe_picture
from monitor.ui.review_timeline import Timeline
from monitor.ui.review_window import ReviewWindow
from monitor.ui.theme import font
from tests.engine.make import sample_inputs

NAN = np.full(3, np.nan)


def seen(aim_mm, pose):
    return FrameMarks(pose, NAN, NAN, np.array(aim_mm, float), np.zeros(3), True, [])


@pytest.fixture(scope="module")
def bench():
    """Camera, job, and a pose 400 mm above the mat, with a picture that is white at one place of the board."""
    inputs = sample_inputs()
    pose = np.diag([1.0, -1.0, -1.0, 1.0])
    pose[2, 3] = 400.0
    image = np.zeros((720, 1280, 3), np.uint8)
    spot = inputs.camera.project(np.array([[20.0, 10.0, 6.0]]) @ pose[:3, :3].T + pose[:3, 3])[0]
    x, y = np.round(spot).astype(int)
    image[y - 4:y + 5, x - 4:x + 5] = 255
    return inputs.camera, inputs.job, pose, image


@pytest.mark.parametrize("zoom", ZOOMS[1:])
def test_the_aim_is_in_the_middle_however_much_it_enlarges(bench, zoom):
    camera, job, pose, image = bench
    flat, centre = loupe_picture(image, camera, job, seen((20.0, 10.0), pose), zoom, None)
    rows, columns = np.nonzero(flat[..., 0] > 128)

    assert flat.shape[1] == pytest.approx(WIDE_PX, abs=2) and tuple(centre) == (20.0, 10.0)
    assert (columns.mean(), rows.mean()) == (pytest.approx(flat.shape[1] / 2, abs=6 * zoom),
                                             pytest.approx(flat.shape[0] / 2, abs=6 * zoom))


def test_what_is_enlarged_more_looks_larger(bench):
    camera, job, pose, image = bench
    areas = [(loupe_picture(image, camera, job, seen((20.0, 10.0), pose), z, None)[0][..., 0] > 128).sum()
             for z in (2, 4)]

    assert areas[1] == pytest.approx(4 * areas[0], rel=0.1)


def test_it_stays_where_it_was_while_the_nozzle_is_not_seen(bench):
    camera, job, pose, image = bench
    unseen = FrameMarks(pose, NAN, NAN, np.full(2, np.nan), np.zeros(3), False, [])
    _, centre = loupe_picture(image, camera, job, unseen, 3, np.array([7.0, -2.0]))

    assert tuple(centre) == (7.0, -2.0)


def test_without_the_mat_the_picture_stays_as_it_is(bench):
    camera, job, _, image = bench
    whole, _ = loupe_picture(image, camera, job, seen((0, 0), None), 4, None)

    assert whole is image


def test_the_button_goes_through_all_enlargements_and_off_again(qtbot):
    loupe = Loupe()
    said = []
    for _ in ZOOMS:
        loupe.button.click()
        said.append(loupe.button.text())

    assert said == ["Loupe 2×", "Loupe 3×", "Loupe 4×", "Loupe 6×", "Loupe off"]


@pytest.mark.parametrize("size", [(900, 600), (1280, 720), (960, 540), (853, 480)])
def test_the_review_fits_a_small_screen(qtbot, size):
    window = ReviewWindow()
    qtbot.addWidget(window)
    window.resize(*size)
    window.show()

    assert (window.width(), window.height()) == size


@pytest.mark.parametrize("size", [(960, 540), (911, 512)])
def test_the_timeline_s_foot_is_seen_on_a_small_screen(qtbot, size):
    window = ReviewWindow()
    qtbot.addWidget(window)
    window.verdict.setText("Pass 1: hovered 12.0 mm for 1.5 s over U7, about 9.0 J into the part in that time. " * 3)
    window.resize(*size)
    window.show()
    QApplication.processEvents()
    foot = window.timeline.mapTo(window, window.timeline.rect().bottomLeft()).y()

    assert foot <= window.statusBar().y()


@pytest.mark.parametrize("high_mm", [26.0, 45.0, 60.0])
@pytest.mark.parametrize("height_px", [190, 320])
def test_the_height_lane_has_a_scale_that_can_be_read(qtbot, monkeypatch, high_mm, height_px):
    t_s = np.linspace(0.0, 6.0, 60)
    curve = Curve("", t_s, np.repeat(np.full((60, 1), high_mm), 3, axis=1))
    timeline, drawn = Timeline(), []
    qtbot.addWidget(timeline)
    timeline.resize(900, height_px)
    timeline.set_whole(0.0, 6.0, 0.05)
    timeline.set_lanes([CurveLane("height", "mm", (curve,), (5.0, 25.0), 2.2)])
    painter = SimpleNamespace(drawText=lambda *told: drawn.append(told[-1]), setPen=lambda *_: None,
                              drawLine=lambda *_: None, setFont=lambda *_: None, font=lambda: font("small"))
    timeline._draw_scale(painter, *timeline._lanes[0].span, QRectF(60, 10, 800, height_px / 5))

    assert len(drawn) >= 2 and drawn[0] == "0"
