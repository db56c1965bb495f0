"""Pieces of the lens calibration: slopes, covariance, outliers and what is missing, on corners of a known camera."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from vision import rigid
from vision.calibrate.lens import (
    CalibrationVerdict,
    View,
    _camera_with_sigma,
    _missing_views,
    _parameter_rows,
    _solve,
    _solve_without_outliers,
    _Solved,
)
from vision.camera.model import CameraModel
from vision.errors import CalibrationError

SIZE = (1280, 720)
CAMERA = CameraModel(np.array([[1210.0, 0, 652.0], [0, 1210.0, 341.0], [0, 0, 1]]),
                     np.array([0.11, -0.23, 0.002, -0.001, 0.05]), SIZE)
BOARD = np.stack([*np.meshgrid(np.arange(9) * 14.0, np.arange(6) * 14.0), np.zeros((6, 9))], -1).reshape(-1, 3)
TURNS = [(-0.6, 0.1, 0.2), (0.6, 0.0, -0.1), (0.1, 0.6, 0.3), (0.0, -0.6, -0.2), (0.4, 0.4, 1.2), (-0.4, 0.45, -1.0),
         (0.35, -0.5, 2.0), (-0.5, -0.3, 0.4), (0.05, 0.02, 0.1), (0.5, 0.2, -2.1)]
PLACES = [(0, 0), (-35, 20), (40, 15), (-30, -25), (35, -20), (10, 30), (-45, 0), (45, 5), (0, -30), (20, 0)]


def poses():
    """Of boards that lie with their middle here and there before the camera."""
    out = []
    for k, (turn, (x, y)) in enumerate(zip(TURNS, PLACES, strict=True)):
        r = Rotation.from_rotvec(turn).as_matrix()
        out.append(rigid.transform(r, np.array([x, y, 250.0 + 12 * k]) - r @ BOARD.mean(0)))
    return out


def views(noise_px=0.2, seed=4):
    rng = np.random.default_rng(seed)
    return [View(f"v{i}", BOARD, CAMERA.project(rigid.apply(p, BOARD)) + rng.normal(0, noise_px, (len(BOARD), 2)))
            for i, p in enumerate(poses())]


def changed(camera, k, h):
    """A camera with one of f, cx, cy, k1, k2, p1, p2, k3 changed; f keeps the pixels' aspect."""
    matrix, distortion = camera.camera_matrix_px.copy(), camera.distortion.copy()
    if k == 0:
        matrix[1, 1] *= (matrix[0, 0] + h) / matrix[0, 0]
        matrix[0, 0] += h
    elif k < 3:
        matrix[k - 1, 2] += h
    else:
        distortion[k - 3] += h
    return CameraModel(matrix, distortion, SIZE)


def slope(function, h):
    return (function(h) - function(-h)) / (2 * h)


STEPS = (1e-2, 1e-2, 1e-2, 1e-5, 1e-5, 1e-6, 1e-6, 1e-5)


def test_pixels_change_with_the_lens_as_small_steps_show():
    cam = rigid.apply(poses()[4], BOARD)
    expected = np.stack([slope(lambda h, k=k: changed(CAMERA, k, h).project(cam).ravel(), STEPS[k])
                         for k in range(8)], -1)

    np.testing.assert_allclose(_parameter_rows(CAMERA, cam), expected, rtol=1e-4, atol=1e-5)


def test_the_covariance_is_that_of_all_parameters_and_poses_at_once():
    seen = views()
    solved = _solve(seen, SIZE, True)
    camera = _camera_with_sigma(seen, solved, SIZE)

    n, rows, rest, by_view = len(BOARD) * 2, [], [], []
    for i, pose in enumerate(solved.poses):
        block = np.zeros((n, 8 + 6 * len(seen)))
        cam = rigid.apply(pose, BOARD)
        for k in range(8):
            block[:, k] = slope(lambda h, k=k, cam=cam: changed(camera, k, h).project(cam).ravel(), STEPS[k])
        for k in range(6):
            block[:, 8 + 6 * i + k] = slope(lambda h, k=k, pose=pose: camera.project(
                rigid.apply(rigid.moved(pose, h * np.eye(6)[k]), BOARD)).ravel(), 1e-6 if k < 3 else 1e-4)
        rows.append(block)
        rest.append((seen[i].points_px - camera.project(cam)).ravel())
    dense, left = np.concatenate(rows), np.concatenate(rest)
    scale = np.linalg.norm(dense, axis=0)
    inverse = np.linalg.inv((dense / scale).T @ (dense / scale)) / np.outer(scale, scale)
    by_corner = (inverse * (left @ left) / (len(left) - 8 - 6 * len(seen)))[:8, :8]
    for block, r in zip(rows, rest, strict=True):
        by_view.append((inverse @ block.T @ r)[:8])
    shared = sum(np.outer(s, s) for s in by_view) * len(seen) / (len(seen) - 4)

    expected = by_corner * max(1.0, shared[0, 0] / by_corner[0, 0])
    np.testing.assert_allclose(np.sqrt(np.diag(camera.parameter_cov)), np.sqrt(np.diag(expected)), rtol=0.02)
    np.testing.assert_allclose(camera.parameter_cov[0] / camera.focal_sigma_px**2, expected[0] / expected[0, 0],
                               rtol=0.05, atol=1e-6)
    assert camera.focal_sigma_px == pytest.approx(np.sqrt(expected[0, 0]), rel=0.02)
    assert camera.rms_px == pytest.approx(np.sqrt(left @ left / (len(left) / 2)))


def test_the_camera_lies_within_its_sigma():
    seen = views()
    camera = _camera_with_sigma(seen, _solve(seen, SIZE, True), SIZE)

    assert 0 < abs(camera.focal_px - 1210) < 3 * camera.focal_sigma_px < 6
    assert np.abs(camera.camera_matrix_px[:2, 2] - [652, 341]).max() < 3 * np.sqrt(camera.parameter_cov[1, 1])


def test_corners_far_off_are_left_out_and_a_view_of_few_is_too():
    seen = views()
    seen[2].points_px[7] += [9.0, -4.0]
    seen[5].points_px[5:] += [0.0, 40.0] * np.random.default_rng(1).normal(size=(len(BOARD) - 5, 2))

    kept, _ = _solve_without_outliers(seen, SIZE, True)

    found = {v.name: v.points_px.tolist() for v in kept}
    assert seen[2].points_px[7].tolist() not in found["v2"] and len(found.get("v5", [])) < 15
    others = [len(corners) for name, corners in found.items() if name != "v5"]
    assert len(others) == 9 and sum(others) > 0.97 * 9 * len(BOARD)


def test_corners_of_no_camera_are_refused():
    rng = np.random.default_rng(2)
    wild = [View(v.name, v.points_mm, v.points_px + rng.standard_cauchy((len(BOARD), 2)) * 60) for v in views()]

    with pytest.raises(CalibrationError, match=r"do not (fit|determine)"):
        _solve_without_outliers(wild, SIZE, True)


def lying(turns, n=15):
    """Views whose corners fill the picture, with poses of these turns."""
    grid = np.stack(np.meshgrid(np.linspace(20, 1260, 8), np.linspace(20, 700, 6)), -1).reshape(-1, 2)
    some = [turns[i % len(turns)] for i in range(n)]
    looks_up = np.diag([1.0, -1.0, -1.0])  # the board's face towards the camera
    return ([View(str(i), np.zeros((48, 3)), grid) for i in range(n)],
            _Solved(0.2, np.eye(3), np.zeros(5),
                    [rigid.transform(Rotation.from_rotvec(t).as_matrix() @ looks_up, np.array([0, 0, 300.0]))
                     for t in some]))


ALL_WAYS = [(0.6, 0, 0), (-0.6, 0, 0), (0, 0.6, 0), (0, -0.6, 0)]


def test_a_complete_set_misses_nothing():
    assert _missing_views(*lying(ALL_WAYS), SIZE) == ()


def test_eleven_photographs_are_few_and_twelve_are_not():
    assert _missing_views(*lying(ALL_WAYS, 11), SIZE) == ("only 11 photographs show the target well: take 15 to 25",)
    assert _missing_views(*lying(ALL_WAYS, 12), SIZE) == ()


@pytest.mark.parametrize(("k", "way"), [(0, "down"), (1, "up"), (2, "left"), (3, "right")])
def test_the_way_that_the_target_never_faced_is_named(k, way):
    # turned about the picture's x by a positive angle, a face that looks at the camera looks down in the picture:
    # its normal (0, 0, -1) becomes (0, sin, -cos), and y points down
    missing, = _missing_views(*lying([t for i, t in enumerate(ALL_WAYS) if i != k]), SIZE)

    assert missing == f"the target hardly faced {way}: tilt it 30 to 45 degrees that way"


@pytest.mark.parametrize(("corner", "name"), [((0, 0), "top left"), ((1, 0), "top right"), ((0, 1), "bottom left"),
                                              ((1, 1), "bottom right")])
def test_a_corner_of_the_picture_that_stayed_bare_is_named(corner, name):
    seen, solved = lying(ALL_WAYS)
    far = np.abs(seen[0].points_px / SIZE - corner).max(1) >= 0.25
    bare = [View(v.name, v.points_mm[far], v.points_px[far]) for v in seen]

    assert _missing_views(bare, solved, SIZE) == (
        f"no corner of the target was near the picture's {name}: hold it there",)


@pytest.mark.parametrize(("share", "is_usable", "missing", "says"), [
    (0.0021, True, (), "focal length known to 0.21 % from 16 photographs; views complete"),
    (0.2, False, ("tilt it",),
     "focal length not known from 16 photographs (0.3 %, and tilted views, are needed); tilt it"),
])
def test_the_verdict_says_how_well_the_focal_length_is_known(share, is_usable, missing, says):
    assert CalibrationVerdict(is_usable, share, 16, 800, 3, missing).sentence() == says
