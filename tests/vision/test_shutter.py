"""How long the shutter was open, told from a drawn tool that moves meanwhile."""

import cv2
import numpy as np
import pytest

from tests.vision.drawn_tool import CAMERA, OUTSIDE, TOOL, as_camera, drawn_exactly, independent
from vision.fit.pose import Picture
from vision.nozzle.body import ToolPose
from vision.track.shutter import Shutter, is_telling

AXIS = np.array([0.05, -0.75, 0.66]) / np.linalg.norm([0.05, -0.75, 0.66])
VELOCITY_MM_S = np.array([85.0, 0.0, 0.0])
KNOWN = np.full((720, 1280), 255, np.uint8)


def _pose(way_s):
    return ToolPose(np.array([0.0, 0.0, 350.0]) + VELOCITY_MM_S * way_s, AXIS)


def _picture(open_s, pace=1.0, soft_px=0.0):
    """A tool that is at its place at 0 s, halfway of the time for which it is seen; by a lens that blurs it more."""
    ways_s = ((np.arange(9) + 0.5) / 9 - 0.5) * open_s * pace
    light = np.mean([drawn_exactly(_pose(way_s), rows=4) for way_s in ways_s], 0)
    light = cv2.GaussianBlur(light, (0, 0), soft_px) if soft_px else light
    light = light + 0.5 * np.random.default_rng(1).normal(0, 0.01, light.shape)
    return Picture(as_camera(light), np.full(light.shape, OUTSIDE, np.float32), KNOWN, independent(0.5))


@pytest.mark.parametrize("open_s", [0.004, 0.012, 0.028])
def test_the_time_for_which_a_shutter_is_open_is_learned_from_a_tool_that_moves_fast(open_s):
    shutter, picture = Shutter(CAMERA, TOOL), _picture(open_s)
    for t_s in np.arange(6) * 0.2:
        shutter.see(t_s, picture, _pose(0.0), VELOCITY_MM_S, 0.0)

    assert shutter.open_s == pytest.approx(open_s, abs=0.003)


@pytest.mark.parametrize("soft_px", [0.0, 1.0])
@pytest.mark.parametrize("open_s", [0.012, 0.033])
def test_a_shutter_s_time_is_told_by_a_hand_s_pace_too_whatever_softens_edges_at_rest(open_s, soft_px):
    shutter = Shutter(CAMERA, TOOL)
    pictures = [(pace, _picture(open_s, pace, soft_px)) for pace in (0.3, 0.45, 0.6)]
    for i in range(9):
        pace, picture = pictures[i % 3]
        shutter.see(0.2 * i, picture, _pose(0.0), pace * VELOCITY_MM_S, 0.0)

    assert shutter.open_s == pytest.approx(open_s, abs=0.005)


def test_a_tool_that_hardly_moves_tells_nothing_of_the_shutter():
    shutter, picture = Shutter(CAMERA, TOOL), _picture(0.0)
    usual_s = shutter.open_s

    shutter.see(0.0, picture, _pose(0.0), 0.1 * VELOCITY_MM_S, 0.0)

    assert shutter.open_s == usual_s


def test_pictures_that_follow_at_once_tell_the_same_again_and_count_once():
    once, often, picture = Shutter(CAMERA, TOOL), Shutter(CAMERA, TOOL), _picture(0.028)
    once.see(0.0, picture, _pose(0.0), VELOCITY_MM_S, 0.0)
    for t_s in (0.0, 0.01, 0.02, 0.03):
        often.see(t_s, picture, _pose(0.0), VELOCITY_MM_S, 0.0)

    assert often.open_s == once.open_s


@pytest.mark.parametrize(("speed_px_s", "n", "tells"), [
    (70.0, 8, True), (-250.0, 8, True), (250.0, 7, False), (50.0, 60, False), (500.0, 60, False)])
def test_eight_edges_that_are_neither_slow_nor_too_fast_tell_of_the_shutter(speed_px_s, n, tells):
    assert is_telling(np.r_[np.full(n, speed_px_s), np.zeros(30)]) is tells
