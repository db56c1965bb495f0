"""Guided calibration: what is said, what is taken, and what is refused. Boards drawn by OpenCV, leaned by a pinhole of
our own.
"""

import csv

import cv2
import numpy as np
import pytest

from monitor.setup.camera_guide import CameraGuide
from monitor.setup.nozzle_guide import STEPS, NozzleGuide, judge_nozzle
from vision.calibrate.lens import CharucoTarget
from vision.calibrate.nozzle_file import NozzleCalibration
from vision.types import BenchPose, PoseMiss

TARGET = CharucoTarget((9, 6), 25.0, 18.0, "DICT_5X5_100")
SIZE, FOCAL = (640, 480), 704.0
SEEN = BenchPose(0.0, np.eye(4), np.eye(6), 14, 0.2)


def view(lean_deg=(0.0, 0.0), at_mm=(0.0, 0.0), far_mm=420.0):
    """The board leaned about its own upright and level axes; positive leans turn its face to the right and
    downwards.
    """
    board = cv2.aruco.CharucoBoard((9, 6), 25.0, 18.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100))
    flat = board.generateImage((900, 600))
    turn = cv2.Rodrigues(np.array([0.0, -np.radians(lean_deg[0]),
                                   0.0]))[0] @ cv2.Rodrigues(np.array([np.radians(lean_deg[1]), 0, 0]))[0]
    corners = np.array([[-112.5, -75, 0], [112.5, -75, 0], [112.5, 75, 0], [-112.5, 75, 0]]) @ turn.T + [*at_mm, far_mm]
    there = FOCAL * corners[:, :2] / corners[:, 2:] + np.array(SIZE) / 2
    here = np.array([[0, 0], [900, 0], [900, 600], [0, 600]], np.float32)
    matrix = cv2.getPerspectiveTransform(here, there.astype(np.float32))
    grey = cv2.warpPerspective(flat, matrix, SIZE, flags=cv2.INTER_AREA, borderValue=200)
    return cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)


def held(guide, **where):
    """Hold the board still there for three looks; the last word, and whether one was taken."""
    looks = [guide.look(view(**where)) for _ in range(3)]
    return looks[-1], any(g.is_taken for g in looks)


def test_without_a_target_it_is_asked_for():
    assert "target into view" in CameraGuide(TARGET).look(np.full((480, 640, 3), 90, np.uint8)).advice


def test_a_still_board_is_taken_at_the_second_look():
    guide = CameraGuide(TARGET)
    assert [guide.look(view()).is_taken for _ in range(4)] == [False, True, False, False]


def test_a_moving_board_is_not_taken():
    guide = CameraGuide(TARGET)
    looks = [guide.look(view(at_mm=(4.0 * i, 0.0))) for i in range(6)]

    assert not any(g.is_taken for g in looks) and looks[-1].advice == "hold still"


def test_the_same_view_is_taken_once_and_a_new_one_again():
    guide = CameraGuide(TARGET)
    held(guide)
    _, again = held(guide, at_mm=(1.0, 1.0))
    _, new = held(guide, at_mm=(60.0, 30.0), far_mm=500.0)

    assert not again and new and guide.n_taken == 2


def test_insisting_takes_what_is_there():
    guide = CameraGuide(TARGET)
    assert guide.look(view(), insist=True).is_taken and guide.look(view(), insist=True).is_taken


def test_nothing_is_taken_by_itself_when_that_was_not_asked():
    guide = CameraGuide(TARGET)
    assert not any(guide.look(view(), may_take=False).is_taken for _ in range(4))


@pytest.mark.parametrize("name, lean", [("right", (35, 0)), ("left", (-35, 0)), ("down", (0, 35)), ("up", (0, -35))])
def test_a_lean_that_was_shown_twice_is_no_longer_missing(name, lean):
    guide = CameraGuide(TARGET)
    held(guide)
    before = any(name in m for m in guide.missing() if "faces" in m)
    for x in (-20.0, 30.0):
        held(guide, lean_deg=lean, at_mm=(x, 0.0))

    assert before and not any(f"faces {name}" in m for m in guide.missing())


def test_the_corner_that_stayed_bare_is_named():
    guide = CameraGuide(TARGET)
    for x in (-110.0, 110.0):
        held(guide, at_mm=(x, 85.0), far_mm=430.0)

    bare = [m for m in guide.missing() if "corner" in m]
    assert any("top left" in m for m in bare) and not any("bottom" in m for m in bare)


def test_touch_photographs_are_taken_step_by_step_and_listed(tmp_path):
    guide = NozzleGuide(tmp_path)
    image = np.zeros((90, 160, 3), np.uint8)
    for _ in STEPS[:3]:
        guide.look(image, SEEN)
        assert guide.take(image, SEEN) == ""
    guide.take(image, SEEN, height_mm=14.5)

    with (tmp_path / "heights.csv").open() as handle:
        rows = list(csv.DictReader(handle))
    assert [(r["over"], float(r["height_above_it_mm"])) for r in rows] == [("board", 0), ("board", 5), ("board", 10),
                                                                           ("board", 14.5)]
    assert all((tmp_path / r["file"]).is_file() for r in rows)


def test_a_photograph_without_the_mat_is_refused(tmp_path):
    guide = NozzleGuide(tmp_path)
    image, miss = np.zeros((90, 160, 3), np.uint8), PoseMiss(0.0, "hidden")

    assert "mat is not seen" in guide.take(image, miss) and guide.n_taken == 0 and "hidden" in guide.look(image, miss)


def test_the_last_photograph_can_be_taken_back(tmp_path):
    guide = NozzleGuide(tmp_path)
    image = np.zeros((90, 160, 3), np.uint8)
    guide.take(image, SEEN)
    guide.take_back()

    assert guide.n_taken == 0 and guide.step == STEPS[0] and not list(tmp_path.glob("*.png"))


def test_it_asks_to_hold_still_while_the_picture_changes(tmp_path):
    guide = NozzleGuide(tmp_path)
    rng = np.random.default_rng(0)
    said = [guide.look(np.full((90, 160, 3), shade, np.uint8), SEEN) for shade in rng.integers(0, 255, 5)]

    assert set(said) == {"hold still"}


@pytest.mark.parametrize("rms, found, usable", [(0.3, 10, True), (0.8, 8, True), (1.4, 10, False), (0.3, 5, False),
                                                (float("nan"), 10, False)])
def test_a_bad_nozzle_calibration_is_refused_with_its_reason(rms, found, usable):
    made = NozzleCalibration("cam", 8.0, 0.0, {}, rms, found, np.zeros((2, 2), np.uint8))
    verdict = judge_nozzle(made, 10)

    assert verdict.is_usable is usable and verdict.reason.startswith("usable" if usable else "refused")
