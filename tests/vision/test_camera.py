"""The camera against OpenCV's own projection, and against itself there and back."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from tests.vision.drawn import CAMERA
from vision.camera.model import CameraModel, load_camera, save_camera
from vision.errors import CalibrationError

POINTS = np.random.default_rng(0).uniform([-150, -80, 250], [150, 80, 450], (200, 3))


def test_points_land_where_opencv_puts_them():
    expected, _ = cv2.projectPoints(POINTS, np.zeros(3), np.zeros(3), CAMERA.camera_matrix_px.copy(),
                                    CAMERA.distortion.copy())

    assert_allclose(CAMERA.project(POINTS), expected.reshape(-1, 2), atol=1e-9)


@given(st.floats(0, 1279), st.floats(0, 719))
def test_a_ray_projects_back_to_its_pixel(u, v):
    assert_allclose(CAMERA.project(CAMERA.rays(np.array([[u, v]]))), [[u, v]], atol=1e-6)


def test_the_slopes_are_those_of_small_steps():
    _, jac = CAMERA.project_with_jacobian(POINTS)

    for k, step in enumerate(1e-4 * np.eye(3)):
        assert_allclose(jac[:, :, k], (CAMERA.project(POINTS + step) - CAMERA.project(POINTS - step)) / 2e-4, atol=1e-7)


def test_a_point_behind_the_camera_has_no_pixel():
    assert np.isnan(CAMERA.project(np.array([[1.0, 1.0, -5.0]]))).all()


def test_strong_barrel_distortion_does_not_fold_far_points_back_into_view():
    camera = CameraModel([[500, 0, 320], [0, 500, 240], [0, 0, 1]], [-0.3, 0, 0, 0, 0], (640, 480))
    x = camera.project(np.stack([np.linspace(0, 5, 300), np.zeros(300), np.ones(300)], 1))[:, 0]

    assert np.all(np.diff(x) > 0)


def test_half_the_size_sees_the_same_rays():
    corner = np.array([[99.5, 49.5]])  # the corner of four pixels stays one
    assert_allclose(CAMERA.scaled(0.5).rays(np.array([[49.5, 24.5]])), CAMERA.rays(corner), atol=1e-9)


def test_a_saved_camera_is_read_back_whole(tmp_path):
    camera = CameraModel(CAMERA.camera_matrix_px, CAMERA.distortion, (1280, 720), 0.1, 0.7, np.diag(np.arange(1.0, 9)),
                         16.4, 0.3)
    save_camera(tmp_path / "camera.toml", camera)
    back = load_camera(tmp_path / "camera.toml")

    assert back.calibration_id == camera.calibration_id
    assert_allclose(back.parameter_cov, camera.parameter_cov)
    assert (back.rms_px, back.focal_sigma_px) == (0.1, 0.7)
    assert (back.readout_ms, back.readout_sigma_ms, back.readout_s) == (16.4, 0.3, pytest.approx(0.0164))


@pytest.mark.parametrize(("text", "named"), [
    ("distortion = [0,0,0,0,0]", "camera_matrix_px"), ("= 3", "not a camera calibration"),
    ("image_size_px=[9,9]\ndistortion=[0,0,0,0,nan]\ncamera_matrix_px=[[1,0,1],[0,1,1],[0,0,1]]", "distortion"),
    ("image_size_px=[9,9]\ndistortion=[0,0,0,0,0]\ncamera_matrix_px=[[-1,0,1],[0,1,1],[0,0,1]]", "fx, fy > 0"),
    ("image_size_px=[9,9]\nfocal=3\ndistortion=[0,0,0,0,0]\ncamera_matrix_px=[[1,0,1],[0,1,1],[0,0,1]]",
     "unknown focal"),
])
def test_a_bad_calibration_names_its_file_and_key(tmp_path, text, named):
    path = tmp_path / "camera.toml"
    path.write_text(text)

    with pytest.raises(CalibrationError, match=named) as caught:
        load_camera(path)
    assert str(path) in str(caught.value)


def test_a_picture_of_another_size_is_refused():
    with pytest.raises(CalibrationError, match="calibrated at 1280 x 720"):
        CAMERA.check_picture(1920, 1080)
