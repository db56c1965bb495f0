"""The bench pose on drawn pictures with the truth known, and on one rendered by a path tracer."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.vision.drawn import CAMERA, PHOTOS, frame, looking_down, picture, sheet
from vision import rigid
from vision.bench.follower import BenchFollower, bench_pose
from vision.bench.mat import standard_mat
from vision.camera.model import CameraModel
from vision.errors import CalibrationError
from vision.types import BenchPose, PoseMiss

MAT = standard_mat()
TIP_MM = np.array([20.0, -10.0, 12.0])


def tip_error_mm(found: BenchPose, true):
    """How far off the bench coordinates of a point over the target come out."""
    return rigid.apply(rigid.inverse(found.cam_from_bench), rigid.apply(true, TIP_MM)) - TIP_MM


@pytest.mark.parametrize("place", [(0, -190, 330, 0), (120, -150, 330, 15), (-60, 90, 380, -30)])
def test_a_point_over_the_target_is_placed_within_a_twentieth_of_a_millimetre(place):
    true = looking_down(*place)

    assert_allclose(tip_error_mm(bench_pose(CAMERA, MAT, picture(true)), true), 0, atol=0.05)


def test_a_rendered_bench_is_placed_within_a_tenth_of_a_millimetre():
    # truth: the renderer's camera, see tests/data/photos/ORIGIN.md
    camera = CameraModel([[1010, 0, 645.7], [0, 1010, 355.8], [0, 0, 1]], [0.06, -0.11, 0.0008, -0.0005, 0.02],
                         (1280, 720))
    rotation = np.array([[0.99879284, 0.0, -0.04912096], [0.02234671, -0.89052602, 0.45438314],
                         [-0.04374349, -0.45493232, -0.88945101]])
    true = rigid.transform(rotation, -rotation @ [15, 160, 305])
    found = bench_pose(camera, MAT, cv2.imread(str(PHOTOS / "rendered" / "bench.jpg"), cv2.IMREAD_GRAYSCALE))

    assert_allclose(tip_error_mm(found, true), 0, atol=0.1)


def test_markers_that_look_smaller_than_they_are_leave_the_pose_alone():
    true = looking_down()
    thinner = cv2.dilate(sheet(), np.ones((7, 7), np.uint8))  # white takes 0.3 mm, 0.7 px, of every black edge

    assert_allclose(tip_error_mm(bench_pose(CAMERA, MAT, picture(true, print_=thinner)), true), 0, atol=0.05)


def test_the_pose_is_as_uncertain_as_it_says():
    nees = []
    for seed in range(6):
        pose = looking_down(*np.random.default_rng(seed).uniform([-60, -220, 300, -20], [60, -150, 380, 20]))
        found = bench_pose(CAMERA, MAT, picture(pose, seed=seed))
        off = rigid.difference(pose, found.cam_from_bench)
        nees.append(off @ np.linalg.solve(found.cov, off) / 6)

    assert np.mean(nees) < 1.5  # never bolder than the truth; the shared part is kept for real prints and codecs


def test_hidden_markers_do_not_disturb_the_pose():
    true = looking_down()
    grey = picture(true)
    grey[:, :520] = 120

    found = bench_pose(CAMERA, MAT, grey)

    assert found.n_markers < 11
    assert_allclose(tip_error_mm(found, true), 0, atol=0.15)


def test_no_mat_is_a_reason_not_an_error():
    missed = bench_pose(CAMERA, MAT, np.full((720, 1280), 120, np.uint8))

    assert isinstance(missed, PoseMiss) and missed.reason == "no mat in view"


def test_a_picture_of_another_size_is_refused():
    with pytest.raises(CalibrationError, match="640 x 480"):
        bench_pose(CAMERA, MAT, np.zeros((480, 640), np.uint8))


def followed(pictures):
    """Poses and events of a follower that is given these pictures at 30 a second."""
    follower = BenchFollower(CAMERA, MAT)
    steps = [follower.step(frame(grey, i / 30)) for i, grey in enumerate(pictures)]
    return [pose for pose, _ in steps], [event for _, events in steps for event in events]


def noisy(grey, n, seed=0):
    rng = np.random.default_rng(seed)
    return [np.clip(grey + rng.normal(0, 3, grey.shape), 0, 255).astype(np.uint8) for _ in range(n)]


def test_a_camera_at_rest_gives_no_event():
    poses, events = followed(noisy(picture(looking_down()), 12))

    assert not events and all(isinstance(p, BenchPose) for p in poses)


def test_standing_still_makes_the_pose_steadier_than_one_frame():
    grey = picture(looking_down(), noise=0)
    together = [followed(noisy(grey, 10, seed))[0][-1].cam_from_bench[2, 3] for seed in range(6)]
    alone = [followed(noisy(grey, 1, seed))[0][-1].cam_from_bench[2, 3] for seed in range(6)]

    assert np.std(together) < 0.7 * np.std(alone)


@pytest.mark.parametrize("place", [(2, -189, 330, 0), (15, -185, 335, 2), (60, -150, 320, 10)])
def test_a_bumped_camera_is_reported_once_and_absorbed_at_once(place):
    after = looking_down(*place)
    poses, events = followed(noisy(picture(looking_down()), 5) + noisy(picture(after), 6))

    assert [e.kind for e in events] == ["camera_moved"]
    assert_allclose(tip_error_mm(poses[5], after), 0, atol=0.15)


def test_a_new_focus_of_a_fifth_of_a_percent_is_noticed_within_a_few_frames():
    matrix = CAMERA.camera_matrix_px.copy()
    matrix[[0, 1], [0, 1]] *= 1.002
    refocused = CameraModel(matrix, CAMERA.distortion, CAMERA.image_size_px)
    before, after = picture(looking_down()), picture(looking_down(), camera=refocused)
    _, events = followed(noisy(before, 5) + noisy(after, 5))

    assert [e.kind for e in events] == ["camera_moved"]
    assert "grew by +0.2" in events[0].detail or "grew by +0.19" in events[0].detail


def test_a_hand_over_part_of_the_mat_is_no_bump():
    grey = picture(looking_down())
    covered = []
    for i, one in enumerate(noisy(grey, 14)):
        one[200:, 80 * i:80 * i + 400] = 110
        covered.append(one)

    assert not followed(covered)[1]


def test_a_mat_that_goes_and_comes_back_is_reported_both_times():
    grey = noisy(picture(looking_down()), 20)
    dark = [np.full_like(grey[0], 60)] * 5
    poses, events = followed(grey[:4] + dark + grey[4:])

    assert [e.kind for e in events] == ["mat_lost", "mat_found"]
    assert isinstance(poses[5], PoseMiss) and isinstance(poses[-1], BenchPose)


def test_a_single_frame_gone_astray_is_no_bump():
    still = noisy(picture(looking_down()), 10)
    still[5] = picture(looking_down(10, -190, 330))

    assert not followed(still)[1]
