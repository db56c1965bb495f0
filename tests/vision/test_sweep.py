"""A search led by the edges of a known outline, and which of its poses are one."""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import distance_transform_edt

from tests.vision.drawn_tool import CAMERA, TOOL
from vision import rigid
from vision.fit.bias import DEFAULT_BIAS
from vision.fit.pose import PoseFit, _quality
from vision.nozzle.body import ToolPose, hold_of
from vision.nozzle.silhouette import Poses, outline, tool_hull
from vision.track.coarse import reward, visible_reward
from vision.track.find import Sought, _alike, _hold_prior, _lifted, _same, _settled, _settling_steps, sweep
from vision.track.novelty import CLOSE_PX, NewEdges

TILT = rigid.exp_rotation(np.array([0.25, 0.1, -0.4])) @ np.diag([1.0, -1.0, -1.0])
CAM_FROM_BENCH = rigid.transform(TILT, np.array([6.0, -12.0, 335.0]))
TOP_MM = 6.0


def _tool(x_mm, y_mm, height_mm, lean_deg, azimuth_deg):
    """A pose, camera frame, of an outlet so high over the board."""
    lean, azimuth = np.radians([lean_deg, azimuth_deg])
    axis = -np.array([np.sin(lean) * np.cos(azimuth), np.sin(lean) * np.sin(azimuth), np.cos(lean)])
    return ToolPose(rigid.apply(CAM_FROM_BENCH, np.array([x_mm, y_mm, TOP_MM + height_mm])), TILT @ axis)


def _edges_of(pose):
    """Distances to a pose's outline, by direction, and a mask of what it covers."""
    out, covered = outline(CAMERA, TOOL, pose, 0.2), np.zeros((720, 1280), np.uint8)
    inside = np.all((out.px > 2) & (out.px < [1277, 717]), axis=1)
    at = (out.px[inside] / 2).astype(int)
    number = np.round(np.degrees(np.arctan2(*out.normal_px[inside].T[::-1])) / 30).astype(int) % 6
    fields = np.empty((6, 360, 640), np.float32)
    for k in range(6):
        free = np.ones((360, 640), bool)
        near = np.isin(number, [(k - 1) % 6, k, (k + 1) % 6])
        free[at[near, 1], at[near, 0]] = False
        fields[k] = 2 * distance_transform_edt(free) if near.any() else np.inf
    for hull in tool_hull(CAMERA, TOOL, pose):
        cv2.fillConvexPoly(covered, np.round(hull).astype(np.int32), 255)
    return NewEdges(fields), cv2.resize(covered, (320, 180), interpolation=cv2.INTER_AREA)


TRUE = _tool(-14.0, 9.0, 20.0, 25.0, 50.0)


@pytest.fixture(scope="module")
def edges_and_mask():
    return _edges_of(TRUE)


@pytest.mark.parametrize("is_held", [True, False])
def test_a_sweep_s_best_pose_is_one_near_the_edges_that_are_seen(edges_and_mask, is_held):
    held = ToolPose(TRUE.tip_mm, rigid.exp_rotation(np.array([0.05, -0.04, 0.02])) @ TRUE.axis)
    holds = (hold_of(held, CAM_FROM_BENCH),) if is_held else ()

    poses = sweep(Sought(CAMERA, TOOL, CAM_FROM_BENCH, TOP_MM, holds=holds), *edges_and_mask, most=6)

    assert 1 <= len(poses) <= 6
    worth = [visible_reward(CAMERA, TOOL, edges_and_mask[0], pose) for pose in poses]
    assert worth == sorted(worth, reverse=True)
    assert worth[0] > 0.35 * visible_reward(CAMERA, TOOL, edges_and_mask[0], TRUE)  # drawn edges are narrow: a start
    assert np.linalg.norm(CAMERA.project(poses[0].tip_mm) - CAMERA.project(TRUE.tip_mm)) < 30.0  # two tubes' widths
    for i, one in enumerate(poses):
        assert all(np.linalg.norm(one.tip_mm - p.tip_mm) > 3.0 or one.axis @ p.axis < 0.99 for p in poses[:i])


def test_where_nothing_is_new_there_is_no_pose():
    nothing = NewEdges(np.full((6, 360, 640), np.inf, np.float32)), np.zeros((180, 320), np.uint8)

    assert sweep(Sought(CAMERA, TOOL, CAM_FROM_BENCH, TOP_MM), *nothing) == []


def test_poses_settle_where_their_outlines_meet_the_edges(edges_and_mask):
    off = np.array([[2.0, -1.0, 4.0], [-2.0, 1.5, -5.0]])
    tips, axes = TRUE.tip_mm + off, np.tile(TRUE.axis, (2, 1))
    sideways = np.tile(np.cross(TRUE.axis, [0.0, 1.0, 0.0]), (2, 1))

    settled = _settled(CAMERA, TOOL, edges_and_mask[0], tips.copy(), axes.copy(), sideways.copy())

    before = reward(CAMERA, TOOL, edges_and_mask[0], Poses(tips, axes, sideways), CLOSE_PX)
    after = reward(CAMERA, TOOL, edges_and_mask[0], settled, CLOSE_PX)
    assert (after > 2 * before).all()


def test_poses_settle_in_two_rounds_of_smaller_steps_from_where_they_are():
    bent, straight = _settling_steps(True), _settling_steps(False)

    assert bent[0].shape == (2, 41, 6) and not bent[0][:, 0].any()
    assert_allclose(bent[0][1], 0.4 * bent[0][0])
    assert_allclose(bent[1], [4.0, 2.5])
    assert_allclose(bent[0][0].std(0) / [3, 3, 8, 0.08, 0.08, 0.15], 1.0, atol=0.35)
    assert not straight[0][..., 5].any()


@pytest.mark.parametrize(("away_mm", "turn_deg", "same", "alike"), [
    (2.9, 0.0, True, True), (3.1, 0.0, False, True), (0.0, 8.0, True, True), (0.0, 8.2, False, True),
    (19.9, 19.0, False, True), (20.1, 0.0, False, False), (0.0, 20.5, False, False)])
def test_poses_are_the_same_when_near_and_alike_when_not_quite(away_mm, turn_deg, same, alike):
    other = ToolPose(TRUE.tip_mm + away_mm * np.array([0.6, 0.0, 0.8]),
                     rigid.exp_rotation(np.radians(turn_deg) * np.cross(TRUE.axis, [0.0, 1.0, 0.0])
                                        / np.linalg.norm(np.cross(TRUE.axis, [0.0, 1.0, 0.0]))) @ TRUE.axis)

    assert (_same(TRUE, other), _alike(TRUE, other)) == (same, alike)


def test_a_pose_below_the_board_comes_up_along_its_line_of_sight_to_where_tools_work():
    low = _tool(-14.0, 9.0, -16.0, 25.0, 50.0)

    lifted = _lifted(low, CAM_FROM_BENCH, TOP_MM)

    assert rigid.apply(rigid.inverse(CAM_FROM_BENCH), lifted.tip_mm)[2] == pytest.approx(TOP_MM + 25.0)
    assert_allclose(np.cross(lifted.tip_mm, low.tip_mm), 0.0, atol=1e-9)
    high = _tool(-14.0, 9.0, -14.0, 25.0, 50.0)
    assert _lifted(high, CAM_FROM_BENCH, TOP_MM) is high


def test_a_tool_is_expected_as_it_was_held_most_alike():
    holds = tuple(hold_of(_tool(0.0, 0.0, 20.0, lean, 50.0), CAM_FROM_BENCH) for lean in (5.0, 22.0, 45.0))

    prior, free = (_hold_prior(Sought(CAMERA, TOOL, CAM_FROM_BENCH, TOP_MM, DEFAULT_BIAS, known), TRUE, 0.2)
                   for known in (holds, ()))

    assert_allclose(prior.pose.axis, _tool(0.0, 0.0, 20.0, 22.0, 50.0).axis, atol=1e-9)
    assert_allclose(prior.pose.tip_mm, TRUE.tip_mm)
    assert_allclose(np.diag(prior.cov)[3:5], 0.04)
    assert free.pose is TRUE and np.diag(free.cov)[3] == pytest.approx(0.16)


@pytest.mark.parametrize(("chi2", "expected"), [(1.4, 1.0), (6.0, 0.5)])
def test_quality_is_the_share_that_agrees_tube_and_rim_most_handle_least(chi2, expected):
    groups = np.array([2 * 9 + 1, 2 * 9, 2 * 5, 2 * 1, 2 * 21])  # cone, cone, tube, rim, handle
    good = np.array([True, False, True, False, True])

    quality = _quality(TOOL, groups, SimpleNamespace(good=good, chi2_dof=chi2))

    assert quality == pytest.approx(expected * (1 + 3 + 0.45) / (1 + 1 + 3 + 3 + 0.45))


def test_merit_is_quality_by_how_much_it_rests_on():
    numbers = [np.zeros(0)] * 9
    fit = PoseFit(TRUE, *numbers, 1.0, 0.8, 49, 60, *[np.zeros(0)] * 4)

    assert fit.score == pytest.approx(0.8 * 7)
