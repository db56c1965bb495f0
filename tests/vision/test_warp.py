"""The bench's view after the camera was bumped, against pictures drawn from where the camera then stands."""

from functools import lru_cache

import cv2
import numpy as np
import pytest

from tests.vision.drawn import CAMERA, looking_down, picture, sheet
from vision import rigid
from vision.bench.background import MASK_SCALE, BenchView
from vision.bench.board import BoardFollower
from vision.bench.warp import BenchRelief, BenchWarper
from vision.edges.cuts import linear_light
from vision.types import BenchPose

BEFORE, AFTER = looking_down(), looking_down(12, -186, 334, 1.5)
BOARD_TOP_MM, REACH_MM = 8.0, 25.0


def at(pose, t_s):
    return BenchPose(t_s, pose, np.eye(6) * 1e-8, 14, 0.1)


def seen_from(pose, height_mm=0.0):
    """Picture (h, w, 3) of the speckled sheet, lifted to that height."""
    lifted = pose @ rigid.transform(np.eye(3), np.array([0, 0, height_mm]))
    return np.repeat(picture(lifted, print_=sheet(with_board=True), noise=0)[..., None], 3, 2)


def warper_and_view(pose, picture_, board=None):
    view = BenchView(picture_)
    return BenchWarper(BenchRelief(CAMERA, BOARD_TOP_MM, board), view, at(pose, 0.0)), view


def off_px(view, picture_, where):
    """How far the view lies from a picture, by phase correlation of a part of both (rows, columns)."""
    window = cv2.createHanningWindow((where[1].stop - where[1].start, where[0].stop - where[0].start), cv2.CV_32F)
    (x, y), _ = cv2.phaseCorrelate(*(a[where][..., 1].copy() for a in (view.light, linear_light(picture_))), window)
    return np.hypot(x, y)


PARTS = [(slice(y, y + 180), slice(x, x + 240)) for y in (150, 380) for x in (260, 560, 800)]


@pytest.fixture(scope="module")
def before():
    return seen_from(BEFORE)


@pytest.fixture(scope="module")
def after():
    return seen_from(AFTER)


def test_a_view_lies_on_the_new_picture_at_once_when_the_camera_is_bumped(before, after):
    warper, view = warper_and_view(BEFORE, before)
    bumped_by = max(off_px(view, after, part) for part in PARTS)

    warper.step(at(AFTER, 1.0))

    assert bumped_by > 5
    assert max(off_px(view, after, part) for part in PARTS) < 0.1


def test_a_view_follows_a_camera_that_creeps(before, after):
    warper, view = warper_and_view(BEFORE, before)
    shift = rigid.difference(AFTER, BEFORE)

    for k in range(1, 101):
        warper.step(at(rigid.moved(BEFORE, shift * k / 100), k / 10))

    assert max(off_px(view, after, part) for part in PARTS) < 0.35


def test_what_comes_into_the_picture_with_a_bump_is_not_known(before):
    warper, view = warper_and_view(BEFORE, before)
    turned = rigid.transform(rigid.exp_rotation(np.array([0, 0.1, 0])), np.zeros(3)) @ BEFORE  # by 90 px

    warper.step(at(turned, 1.0))

    assert (view.known[:, :80] == 0).all() != (view.known[:, -80:] == 0).all()
    assert (view.known[:, 110:-110] > 0).mean() > 0.95


def test_a_view_is_as_it_was_when_a_pose_had_gone_astray(before):
    warper, view = warper_and_view(BEFORE, before)
    light = view.light.copy()

    warper.step(at(looking_down(80, -150, 300, 20), 1.0))
    astray = np.abs(view.light - light).max()
    warper.step(at(BEFORE, 1.1))

    assert astray > 0.3
    np.testing.assert_allclose(view.light, light, atol=1e-3)
    assert (view.known[2:-2, 2:-2] > 0).mean() > 0.999


def test_the_board_is_carried_at_its_height():
    here, there = looking_down(), looking_down(60, -150, 320, 5)
    board = BoardFollower(CAMERA, BOARD_TOP_MM, np.zeros(2), REACH_MM)
    warper, view = warper_and_view(here, seen_from(here, BOARD_TOP_MM), board)
    flat_warper, flat_view = warper_and_view(here, seen_from(here, BOARD_TOP_MM))
    now = seen_from(there, BOARD_TOP_MM)

    warper.step(at(there, 1.0))
    flat_warper.step(at(there, 1.0))

    rows, columns = np.nonzero(board.region(there, now.shape))
    inner = (slice(int(np.quantile(rows, 0.3)), int(np.quantile(rows, 0.7))),
             slice(int(np.quantile(columns, 0.3)), int(np.quantile(columns, 0.7))))
    assert off_px(flat_view, now, inner) > 1.0
    assert off_px(view, now, inner) < 0.1


STILL, SHIFT = (0.0, 0.0, 0.0), (3.0, -2.0, 0.03)


@lru_cache
def nudged(shift):
    """Picture (h, w, 3) of a speckled board on the bare mat, moved about the bench's origin."""
    top, print_ = sheet(with_board=True), sheet().copy()
    h, w = top.shape
    c, s = np.cos(shift[2]), np.sin(shift[2])
    middle, turn = np.array([(w - 1) / 2, (h - 1) / 2]), np.array([[c, s], [-s, c]])  # rows run down
    moved = cv2.warpAffine(top, np.column_stack([turn, middle - turn @ middle + (10 * shift[0], -10 * shift[1])]),
                           (w, h), borderValue=230)
    print_[400:1600, 500:2300] = moved[400:1600, 500:2300]
    return np.repeat(picture(BEFORE, print_=print_, noise=0)[..., None], 3, 2)


def slid(tool=None):
    """A view after the board was nudged, of which a square is watched that is smaller than the board."""
    view = BenchView(nudged(STILL))
    board = BoardFollower(CAMERA, 0.0, np.zeros(2), REACH_MM)
    now = nudged(SHIFT).copy()
    if tool is not None:
        now[np.kron(tool, np.ones((MASK_SCALE, MASK_SCALE), bool)) > 0] = 255
    BenchWarper(BenchRelief(CAMERA, 0.0, board), view, at(BEFORE, 0.0)).slide(now, tool, np.zeros(3), np.array(SHIFT))
    return view, board


def test_a_nudged_board_is_where_it_lies_now_even_beyond_what_is_watched_and_the_mat_beneath_stays():
    view, _ = slid()

    off = np.abs(view.light[..., 1] - linear_light(nudged(SHIFT))[..., 1])
    assert np.abs(linear_light(nudged(STILL)) - linear_light(nudged(SHIFT))).max(2)[view.known > 0].max() > 0.2
    assert (off[view.known > 0] < 0.05).mean() > 0.999
    assert (view.known > 0).mean() > 0.98


def test_what_a_nudged_board_uncovers_is_not_taken_for_board():
    view, _ = slid()
    before, after = nudged(STILL)[..., 1] / 255, nudged(SHIFT)[..., 1] / 255
    uncovered = cv2.erode(((after > 0.85) & (np.abs(before - after) > 0.3)).astype(np.uint8),
                          np.ones((5, 5), np.uint8)) > 0

    assert uncovered.sum() > 20
    assert ((view.known[uncovered] == 0) | (np.abs(view.light[uncovered][:, 1] - after[uncovered] ** 2.2) < 0.08)).all()


def test_a_board_is_nudged_behind_the_tool_too():
    tool = np.zeros((720 // MASK_SCALE, 1280 // MASK_SCALE), np.uint8)
    tool[80:105, 155:170] = 255
    view, board = slid(tool)
    hidden = (np.kron(tool, np.ones((MASK_SCALE, MASK_SCALE))) > 0) & (board.region(BEFORE, view.known.shape) > 0)

    truth, unmoved = (linear_light(nudged(shift))[hidden][:, 1] for shift in (SHIFT, STILL))
    assert np.abs(unmoved - truth).mean() > 0.1
    assert np.abs(view.light[hidden][:, 1] - truth).mean() < 0.02
    assert (view.known[hidden] == 128).all()
