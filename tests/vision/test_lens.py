"""The lens of compiled code against OpenCV's projection, and against the camera beyond the fold."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.vision.drawn import CAMERA
from tests.vision.drawn_tool import projected
from vision.camera.lens import mean_shift_px, pixels
from vision.camera.model import CameraModel

POINTS = np.random.default_rng(0).uniform([-150, -80, 250], [150, 80, 450], (50, 3))


@pytest.fixture(scope="module")
def by_opencv():
    """Pixels, and their change with a shift of the points."""
    k, d = CAMERA.camera_matrix_px.copy(), CAMERA.distortion.copy()
    px, jac = cv2.projectPoints(POINTS, np.zeros(3), np.zeros(3), k, d)
    return px.reshape(-1, 2), jac.reshape(-1, 2, jac.shape[1])[:, :, 3:6]


def test_points_land_where_opencv_puts_them(by_opencv):
    assert_allclose(projected(POINTS, CAMERA.lens)[0], by_opencv[0], atol=1e-9)


def test_pixels_move_with_points_as_opencv_says(by_opencv):
    assert_allclose(projected(POINTS, CAMERA.lens)[1], by_opencv[1], atol=1e-9)


def test_beyond_the_fold_it_goes_on_as_the_camera_does():
    barrel = CameraModel([[500, 0, 320], [0, 500, 240], [0, 0, 1]], [-0.3, 0, 0, 0, 0], (640, 480))
    far = np.array([[1.6, 0.3, 1.0], [-3.0, 2.0, 1.0]])

    assert_allclose(projected(far, barrel.lens)[0], barrel.project(far), atol=1e-6)


def _turned_about_y(angle_rad, shift_mm):
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[c, 0, s, shift_mm], [0, 1, 0, -2.0], [-s, 0, c, 5.0], [0, 0, 0, 1]])


def _by_opencv(pose):
    k, d = CAMERA.camera_matrix_px.copy(), CAMERA.distortion.copy()
    return cv2.projectPoints(POINTS, cv2.Rodrigues(pose[:3, :3])[0], pose[:3, 3], k, d)[0].reshape(-1, 2)


def test_points_of_another_frame_land_where_opencv_puts_them_and_none_from_behind():
    pose, behind = _turned_about_y(0.1, 3.0), np.array([[10.0, 5.0, -300.0]])

    px = pixels(np.concatenate([POINTS, behind]), pose, CAMERA.lens)

    assert_allclose(px[:-1], _by_opencv(pose), atol=1e-3)  # of single precision
    assert np.isnan(px[-1]).all()


def test_a_shift_in_the_picture_is_the_mean_over_the_points_before_the_camera():
    poses, behind = [_turned_about_y(0.1, 3.0), _turned_about_y(0.11, 3.4)], np.array([[10.0, 5.0, -300.0]])
    far_px = np.linalg.norm(_by_opencv(poses[1]) - _by_opencv(poses[0]), axis=1)

    found = mean_shift_px(np.concatenate([POINTS, behind]), *poses, CAMERA.lens)

    assert found == pytest.approx(far_px.mean(), rel=1e-9)
    assert np.isnan(mean_shift_px(behind, *poses, CAMERA.lens))
