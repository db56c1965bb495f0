"""The lens of compiled code against OpenCV's projection, and against the camera beyond the fold."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.vision.drawn import CAMERA
from vision.camera.lens import lens_of, project
from vision.camera.model import CameraModel

POINTS = np.random.default_rng(0).uniform([-150, -80, 250], [150, 80, 450], (50, 3))


@pytest.fixture(scope="module")
def by_opencv():
    """Pixels, and their change with a shift of the points."""
    k, d = CAMERA.camera_matrix_px.copy(), CAMERA.distortion.copy()
    px, jac = cv2.projectPoints(POINTS, np.zeros(3), np.zeros(3), k, d)
    return px.reshape(-1, 2), jac.reshape(-1, 2, jac.shape[1])[:, :, 3:6]


def test_points_land_where_opencv_puts_them(by_opencv):
    assert_allclose([project(p, lens_of(CAMERA))[0] for p in POINTS], by_opencv[0], atol=1e-9)


def test_pixels_move_with_points_as_opencv_says(by_opencv):
    assert_allclose([project(p, lens_of(CAMERA))[1] for p in POINTS], by_opencv[1], atol=1e-9)


def test_beyond_the_fold_it_goes_on_as_the_camera_does():
    barrel = CameraModel([[500, 0, 320], [0, 500, 240], [0, 0, 1]], [-0.3, 0, 0, 0, 0], (640, 480))
    far = np.array([[1.6, 0.3, 1.0], [-3.0, 2.0, 1.0]])

    assert_allclose([project(p, lens_of(barrel))[0] for p in far], barrel.project(far), atol=1e-6)
