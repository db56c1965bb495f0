"""The camera with a generic lens: against OpenCV, the radial function's own rise and fall, and limits of its file."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.vision.drawn_tool import projected
from vision.camera.lens import pixel
from vision.camera.model import CameraModel, load_camera, save_camera
from vision.errors import CalibrationError

MATRIX = np.array([[900.0, 0, 633.0], [0, 880.0, 371.0], [0, 0, 1]])
LENS = np.array([-0.11, 0.07, 0.004, -0.003, 0.05])
GENERIC = CameraModel(MATRIX, LENS, (1280, 720), 0.2, 0.7)
POINTS = np.random.default_rng(0).uniform([-150, -120, 250], [150, 120, 450], (60, 3))


def _folding(k1, k2, k3, p1=0.0, p2=0.0):
    return CameraModel([[500, 0, 320], [0, 510, 240], [0, 0, 1]], [k1, k2, p1, p2, k3], (640, 480))


def test_a_generic_lens_puts_points_where_opencv_does():
    px, jac = cv2.projectPoints(POINTS, np.zeros(3), np.zeros(3), MATRIX, LENS)
    jac = jac.reshape(-1, 2, jac.shape[1])[:, :, 3:6]

    assert_allclose(GENERIC.project(POINTS), px.reshape(-1, 2), atol=1e-9)
    assert_allclose(GENERIC.project_with_jacobian(POINTS)[1], jac, atol=1e-9)
    assert_allclose(projected(POINTS, GENERIC.lens)[0], px.reshape(-1, 2), atol=1e-9)
    assert_allclose(projected(POINTS, GENERIC.lens)[1], jac, atol=1e-9)
    assert_allclose(GENERIC.project(POINTS[0]), px[0, 0], atol=1e-9)


def test_pixels_look_where_opencv_says():
    px = np.random.default_rng(1).uniform([0, 0], [1279, 719], (60, 2))

    rays = GENERIC.rays(px)

    assert_allclose(cv2.projectPoints(rays, np.zeros(3), np.zeros(3), MATRIX, LENS)[0][:, 0], px, atol=1e-6)
    assert_allclose(rays[:, 2], 1.0, atol=0.0)
    assert_allclose(GENERIC.rays(px[7]), rays[7], atol=1e-12)


@pytest.mark.parametrize("z_mm", [0.0, -3.0])
def test_only_what_lies_before_the_camera_has_a_pixel(z_mm):
    px = GENERIC.project(np.array([[4.0, -2.0, z_mm], [4.0, -2.0, 0.5]]))

    assert np.isnan(px[0]).all() and np.isfinite(px[1]).all()


@pytest.mark.parametrize("k", [(-0.3, 0.0, 0.0), (0.1, -0.2, 0.0), (0.2, 0.1, -0.05), (-1.2, 0.5, -0.02)])
def test_the_fold_is_where_the_radial_function_stops_to_rise(k):
    r = np.linspace(0, 3, 300_001)
    image = r * (1 + k[0] * r**2 + k[1] * r**4 + k[2] * r**6)
    first = np.argmax(np.diff(image) < 0)

    edge, image_of_edge = _folding(*k).fold

    assert edge == pytest.approx(r[first], abs=3e-5)
    assert image_of_edge == pytest.approx(image[first], abs=1e-8)


@pytest.mark.parametrize("k", [(0.0, 0.0, 0.0), (0.1, 0.0, 0.0), (-0.1, 0.2, 0.0), (0.1, 0.05, 0.01)])
def test_a_radial_function_that_always_rises_has_no_fold(k):
    assert _folding(*k).fold == (np.inf, np.inf)


def test_beyond_the_fold_points_go_straight_on_from_its_image():
    camera, way = _folding(-0.3, 0.02, -0.01), np.array([0.6, 0.8])
    edge, image_of_edge = camera.fold
    radii = edge * np.array([0.7, 1.0, 1.3, 2.5])

    px = camera.project(np.column_stack([radii[:, None] * way, np.ones(4)]))

    inner = radii[0] * (1 - 0.3 * radii[0]**2 + 0.02 * radii[0]**4 - 0.01 * radii[0]**6)
    expected = np.array([inner, *(image_of_edge + radii[1:] - edge)])[:, None] * way
    assert_allclose(px, expected * [500, 510] + [320, 240], atol=1e-6)


def test_compiled_code_goes_on_beyond_the_fold_as_the_camera_does():
    camera = _folding(-0.3, 0.02, -0.01, 0.003, -0.002)
    far = np.array([[1.6, 0.3, 1.1], [-3.0, 2.0, 0.9], [0.2, -0.3, 1.0]])

    assert_allclose([pixel(*p, camera.lens) for p in far], camera.project(far), atol=1e-6)


def test_no_ray_lies_beyond_the_fold():
    camera = _folding(-0.3, 0.0, 0.0)
    edge, image_of_edge = camera.fold
    px = np.array([320, 240]) + np.array([500, 510]) * np.array([[0.6, 0.8]]) * image_of_edge

    rays = camera.rays(np.concatenate([px + [-9.0, -12.0], px + [9.0, 12.0]]))

    assert np.hypot(*rays[0, :2]) < edge
    assert np.isnan(rays[1, :2]).all()


def test_a_resized_picture_s_pixels_are_those_of_the_whole_one_resized():
    small = GENERIC.scaled(0.4)

    assert_allclose(small.project(POINTS), (GENERIC.project(POINTS) + 0.5) * 0.4 - 0.5, atol=1e-9)
    assert small.image_size_px == (512, 288)
    assert_allclose([small.rms_px, small.focal_sigma_px, small.focal_px], [0.08, 0.28, 356.0])


@pytest.mark.parametrize("size", [(1279, 720), (1280, 721)])
def test_pictures_of_another_width_or_height_are_refused(size):
    GENERIC.check_picture(1280, 720)

    with pytest.raises(CalibrationError, match="calibrated at 1280 x 720"):
        GENERIC.check_picture(*size)


def test_equal_cameras_have_equal_names_and_others_other_ones():
    ids = [CameraModel(m, d, s).calibration_id for m, d, s in (
        (MATRIX, LENS, (1280, 720)), (MATRIX + 0.0, LENS + 0.0, (1280, 720)), (MATRIX, 2 * LENS, (1280, 720)),
        (MATRIX, LENS, (1280, 721)))]

    assert ids[0] == ids[1] and len(set(ids)) == 3 and len(ids[0]) == 12


@pytest.mark.parametrize(("row", "column", "value"), [(0, 0, 0.0), (1, 1, -5.0), (0, 1, 0.1), (1, 0, 0.1), (2, 0, 1e-3),
                                                      (2, 1, 1e-3), (2, 2, 2.0)])
def test_a_matrix_that_is_none_of_a_pinhole_is_refused(row, column, value):
    matrix = MATRIX.copy()
    matrix[row, column] = value

    with pytest.raises(CalibrationError, match="camera_matrix_px"):
        CameraModel(matrix, LENS, (1280, 720))


@pytest.mark.parametrize("size", [(1280,), (1280, 0), (1280, 720, 3), (-1, 5)])
def test_a_size_is_a_width_and_a_height(size):
    with pytest.raises(CalibrationError, match="image_size_px"):
        CameraModel(MATRIX, LENS, size)


@pytest.mark.parametrize("values", [{"distortion": np.zeros(4)}, {"parameter_cov": np.eye(7)},
                                    {"distortion": np.array([0, np.inf, 0, 0, 0])}, {"distortion": "wide"}])
def test_numbers_of_another_shape_are_refused(values):
    with pytest.raises(CalibrationError, match=next(iter(values))):
        CameraModel(**{"camera_matrix_px": MATRIX, "distortion": LENS, "image_size_px": (1280, 720)} | values)


def _file(tmp_path, **values):
    """A calibration with some of its values replaced."""
    good = {"image_size_px": [1000, 500], "camera_matrix_px": [[900, 0, 500], [0, 900, 250], [0, 0, 1]],
            "distortion": [0.1, 0, 0, 0, 0], "rms_px": 0.3, "focal_sigma_px": 0.7}
    path = tmp_path / "camera.toml"
    path.write_text("".join(f"{key} = {value}\n" for key, value in (good | values).items()))
    return path


def _matrix(fx=900.0, fy=900.0, cx=500.0, cy=250.0):
    return [[fx, 0, cx], [0, fy, cy], [0, 0, 1]]


ALLOWED = [{"image_size_px": [16, 20_000], "camera_matrix_px": _matrix(fx=2000.0, fy=2000.0)},
           {"camera_matrix_px": _matrix(fx=100.0)}, {"camera_matrix_px": _matrix(fy=100_000.0)},
           {"camera_matrix_px": _matrix(cx=-1000.0)}, {"camera_matrix_px": _matrix(cy=2000.0)},
           {"distortion": [1000, -1000, 0, 0, 0]}, {"rms_px": 0.001}, {"rms_px": 100.0}, {"focal_sigma_px": 900.0},
           {"focal_sigma_px": 0.0091}, {"parameter_cov": np.diag(np.arange(1.0, 9)).tolist()},
           {"readout_ms": 70.0, "readout_sigma_ms": 0.0}, {"readout_ms": -70.0}]


@pytest.mark.parametrize("values", ALLOWED)
def test_a_calibration_at_the_limits_of_what_cameras_have_is_read(tmp_path, values):
    assert load_camera(_file(tmp_path, **values)).calibration_id


def _cov(change):
    cov = np.diag(np.arange(1.0, 9))
    for (i, j), value in change.items():
        cov[i, j] = value
    return {"parameter_cov": cov.tolist()}


REFUSED = [({"image_size_px": [15, 500]}, "image_size_px"), ({"image_size_px": [20_001, 500]}, "image_size_px"),
           ({"image_size_px": [1000, 500.0]}, "image_size_px"), ({"image_size_px": "[1000, true]"}, "image_size_px"),
           ({"camera_matrix_px": _matrix(fx=99.0)}, "fx"), ({"camera_matrix_px": _matrix(fy=100_001.0)}, "fy"),
           ({"camera_matrix_px": _matrix(cx=-1001.0)}, "cx"), ({"camera_matrix_px": _matrix(cy=2001.0)}, "cy"),
           ({"distortion": [0, 0, 0, 0, -1001]}, "distortion"), ({"rms_px": 0.0009}, "rms_px"),
           ({"rms_px": 101.0}, "rms_px"), ({"focal_sigma_px": 0.0089}, "focal_sigma_px"),
           ({"focal_sigma_px": 901.0}, "focal_sigma_px"), (_cov({(2, 2): 0.0}), "not a covariance"),
           ({"readout_ms": 70.1}, "readout_ms"), ({"readout_ms": -70.1}, "readout_ms"),
           ({"readout_sigma_ms": -0.1}, "readout_sigma_ms"), (_cov({(0, 1): 0.5}), "not symmetric"),
           (_cov({(0, 1): 1.6, (1, 0): 1.6}), "eigenvalue")]


@pytest.mark.parametrize(("values", "named"), REFUSED)
def test_a_calibration_beyond_those_limits_is_refused(tmp_path, values, named):
    path = _file(tmp_path, **values)

    with pytest.raises(CalibrationError, match=named) as caught:
        load_camera(path)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize(("told", "mean_s", "sigma_s"), [
    ((np.nan, np.nan), 0.0, 0.005), ((16.0, np.nan), 0.016, 0.0005), ((16.0, 0.3), 0.016, 0.0003),
    ((0.0, 0.0), 0.0, 1e-6)])
def test_a_readout_that_is_not_told_may_be_a_webcam_s_and_one_that_is_has_its_sigma(told, mean_s, sigma_s):
    camera = CameraModel(MATRIX, LENS, (1280, 720), readout_ms=told[0], readout_sigma_ms=told[1])

    assert (camera.readout_s, camera.readout_sigma_s) == pytest.approx((mean_s, sigma_s))


def test_what_is_not_known_of_a_camera_is_not_written(tmp_path):
    save_camera(tmp_path / "camera.toml", CameraModel(MATRIX, LENS, (1280, 720)))
    back = load_camera(tmp_path / "camera.toml")

    assert "rms" not in (text := (tmp_path / "camera.toml").read_text()) and "readout" not in text
    assert np.isnan([back.readout_ms, back.readout_sigma_ms]).all() and back.readout_s == 0.0
    assert np.isnan([back.rms_px, back.focal_sigma_px]).all() and back.parameter_cov is None
    assert_allclose(back.camera_matrix_px, MATRIX)
