"""A nudged board on drawn pictures."""

from functools import lru_cache

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.vision.drawn import CAMERA, frame, looking_down, picture, sheet
from vision.bench.board import BoardFollower, rigid_shift
from vision.types import BenchPose

POSE = looking_down()
BENCH = BenchPose(0.0, POSE, np.eye(6) * 1e-8, 14, 0.1)


def drawn(dx_mm=0.0, dy_mm=0.0, turn_rad=0.0):
    """Picture of a speckled board on the mat, moved about the bench's origin; no other part of the mat moves."""
    import cv2
    top, bare = sheet(with_board=True), sheet()
    h, w = top.shape
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    middle = np.array([(w - 1) / 2, (h - 1) / 2])
    turn = np.array([[c, s], [-s, c]])  # rows run down
    matrix = np.column_stack([turn, middle - turn @ middle + (10 * dx_mm, -10 * dy_mm)])
    moved = cv2.warpAffine(top, matrix, (w, h), borderValue=230)
    print_ = bare.copy()
    print_[400:1600, 500:2300] = moved[400:1600, 500:2300]
    return picture(POSE, print_=print_, noise=0)


@lru_cache
def still():
    """Not drawn before a test asks for it: both processes read this file, one runs it."""
    return drawn()


def watched(pictures):
    """Shift and events after pictures a third of a second apart."""
    follower = BoardFollower(CAMERA, 0.0, np.zeros(2), reach_mm=40.0)
    rng, events = np.random.default_rng(0), []
    for i, grey in enumerate(pictures):
        seen = np.clip(grey + rng.normal(0, 3, grey.shape), 0, 255).astype(np.uint8)
        events += follower.step(frame(seen, i / 3), BENCH)[1]
    return follower.shift, events


@pytest.mark.parametrize("move", [(1.5, -0.8, 0.0), (0.3, 0.2, 0.03), (-4.0, 5.0, 0.08)])
def test_a_nudge_is_measured_and_reported_once(move):
    shift, events = watched([still()] * 3 + [drawn(*move)] * 3)

    assert [e.kind for e in events] == ["board_moved"]
    assert_allclose(shift, move, atol=0.08)


def test_a_board_at_rest_is_not_moved():
    shift, events = watched([still()] * 6)

    assert not events and not shift.any()


def test_a_hand_over_half_the_board_is_no_nudge():
    hand = still().copy()
    hand[:, 640:] = 130
    other = still().copy()
    other[380:, :] = 90

    assert not watched([still(), hand, other, hand, other])[1]


def test_a_shadow_and_drifting_exposure_are_no_nudge():
    dark = still() * 0.7
    dark[:, 600:] *= 0.5

    assert not watched([still(), dark, dark, still() * 0.6, still() * 0.8])[1]


def test_one_odd_measurement_is_no_nudge():
    assert not watched([still(), still(), drawn(3.0, 0.0, 0.0), still(), still()])[1]


def test_a_nudge_and_a_nudge_back_are_two_events():
    there = drawn(2.0, 1.0, 0.0)
    shift, events = watched([still()] * 2 + [there] * 3 + [still()] * 3)

    assert len(events) == 2
    assert_allclose(shift, 0, atol=0.08)


def test_a_shift_is_found_among_wrong_points():
    rng = np.random.default_rng(1)
    start = rng.uniform(-40, 40, (80, 2))
    c, s = np.cos(0.05), np.sin(0.05)
    now = start @ np.array([[c, s], [-s, c]]) + (3.0, -2.0)
    now[:35] += rng.uniform(-20, 20, (35, 2))

    assert_allclose(rigid_shift(start, now, 0.3).shift, [3.0, -2.0, 0.05], atol=0.02)


def test_two_points_five_millimetres_apart_tell_a_shift_and_nearer_ones_do_not():
    for far, tells in ((1.0, True), (0.99, False)):
        start = np.array([[0.0, 0.0], [3.0, 4.0]]) * far
        found = rigid_shift(start, start + [2.0, -1.0], 0.5)
        assert (found is not None) is tells
    assert_allclose(rigid_shift(np.array([[0.0, 0.0], [3.0, 4.0]]), np.array([[2.0, -1.0], [5.0, 3.0]]), 0.5).shift,
                    [2.0, -1.0, 0.0], atol=1e-9)


@pytest.mark.parametrize(("reach_mm", "turn_rad", "is_moved"), [
    (35.0, 0.0119, False), (35.0, 0.0123, True), (70.0, 0.0059, False), (70.0, 0.0062, True)])
def test_a_board_has_turned_when_a_corner_of_the_watched_square_is_0_6_mm_away(reach_mm, turn_rad, is_moved):
    board = BoardFollower(CAMERA, 0.0, np.zeros(2), reach_mm)

    assert board._differs(np.array([0.0, 0.0, turn_rad]), np.zeros(3), 0.6) == is_moved
