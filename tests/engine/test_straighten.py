"""The board from straight above, seen by a camera that is rolled, leaning and distorting, on a board that is not flat
on
the mat and has moved.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from monitor.engine.straighten import Sheet, board_picture, plane_map, straighten
from vision.camera.model import CameraModel
from vision.types import BenchPose

MATRIX = np.array([[900.0, 0, 400], [0, 880.0, 290], [0, 0, 1]])
LENS = np.array([-0.12, 0.05, 0.001, -0.002, 0.0])
CAMERA = CameraModel(MATRIX, LENS, (800, 600))
TOP_MM, EXTENT_MM = 8.0, (-30.0, 20.0, -15.0, 25.0)


def pose(roll_deg: float) -> np.ndarray:
    """cam_from_bench of a camera 350 mm away, looking down at 30 degrees from the vertical."""
    turn = Rotation.from_euler("zx", [roll_deg, 180 - 30], degrees=True).as_matrix()
    out = np.eye(4)
    out[:3, :3], out[:3, 3] = turn, (4.0, -3.0, 350.0)
    return out


def spotted(cam_from_bench: np.ndarray, bench_mm: np.ndarray) -> np.ndarray:
    """A picture with one soft spot where OpenCV's own projection puts a point."""
    turn, shift = cv2.Rodrigues(cam_from_bench[:3, :3])[0], cam_from_bench[:3, 3]
    (u, v), = cv2.projectPoints(bench_mm.reshape(1, 3), turn, shift, MATRIX, LENS)[0].reshape(-1, 2)
    x, y = np.meshgrid(np.arange(800), np.arange(600))
    grey = 255 * np.exp(-((x - u) ** 2 + (y - v) ** 2) / (2 * 3.0**2))
    return np.repeat(grey[..., None], 3, 2).astype(np.uint8)


def place_mm(flat: np.ndarray, px_per_mm: float) -> np.ndarray:
    """Where the spot lies in a straightened picture: centre of its light."""
    light = flat[..., 0].astype(float)
    rows, columns = np.indices(light.shape)
    row, column = (rows * light).sum() / light.sum(), (columns * light).sum() / light.sum()
    left, _, _, top = EXTENT_MM
    return np.array([left + (column + 0.5) / px_per_mm, top - (row + 0.5) / px_per_mm])


@pytest.mark.parametrize("roll_deg", [0.0, 35.0, -120.0])
@pytest.mark.parametrize("px_per_mm", [3.0, 8.0])
def test_a_spot_on_the_board_lies_where_it_is_however_the_camera_is_rolled(roll_deg, px_per_mm):
    view = pose(roll_deg)
    image = spotted(view, np.array([-12.0, 9.0, TOP_MM]))

    flat = straighten(image, CAMERA, BenchPose(0.0, view, np.eye(6), 9, 0.1), Sheet(EXTENT_MM, TOP_MM, px_per_mm),
                      np.zeros(3))

    assert flat.shape == (40 * px_per_mm, 50 * px_per_mm, 3)
    assert_allclose(place_mm(flat, px_per_mm), [-12, 9], atol=0.15)


def test_a_spot_keeps_its_place_on_a_board_that_was_turned_and_pushed():
    turn = 0.3
    now = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ [10.0, -5.0] + [6.0, 4.0]
    image = spotted(pose(35.0), np.array([*now, TOP_MM]))

    flat = straighten(image, CAMERA, BenchPose(0.0, pose(35.0), np.eye(6), 9, 0.1), Sheet(EXTENT_MM, TOP_MM),
                      np.array([6.0, 4.0, turn]))

    assert_allclose(place_mm(flat, 8.0), [10, -5], atol=0.15)


def test_a_spot_on_the_mat_is_not_taken_for_one_on_the_board():
    image = spotted(pose(0.0), np.array([0.0, 5.0, 0.0]))

    flat = straighten(image, CAMERA, BenchPose(0.0, pose(0.0), np.eye(6), 9, 0.1), Sheet(EXTENT_MM, TOP_MM),
                      np.zeros(3))

    assert np.linalg.norm(place_mm(flat, 8.0) - [0, 5]) == pytest.approx(TOP_MM * np.tan(np.radians(30)), abs=0.6)


@pytest.mark.parametrize("px_per_mm", [3.0, 8.0])
def test_every_pixel_is_taken_where_opencv_s_own_projection_has_it(px_per_mm):
    view, turn = pose(35.0), 0.1

    u, v = plane_map(CAMERA, view, Sheet(EXTENT_MM, TOP_MM, px_per_mm), np.array([1.0, 2.0, turn]))

    rows, columns = np.indices(u.shape)
    x, y = EXTENT_MM[0] + (columns + 0.5) / px_per_mm, EXTENT_MM[3] - (rows + 0.5) / px_per_mm
    now = np.stack([np.cos(turn) * x - np.sin(turn) * y + 1.0, np.sin(turn) * x + np.cos(turn) * y + 2.0,
                    np.full(x.shape, TOP_MM)], -1).reshape(-1, 3)
    true = cv2.projectPoints(now, cv2.Rodrigues(view[:3, :3])[0], view[:3, 3], MATRIX, LENS)[0].reshape(-1, 2)
    assert_allclose(np.stack([u, v], -1).reshape(-1, 2), true, atol=0.01)


@pytest.mark.parametrize(("levels", "middle"), [((10, 12, 240), 12), ((240, 9, 30, 14), 22), ((7, 8), 7),
                                                ((255, 254), 254), ((80,), 80), ((5, 9, 1, 200, 3, 120, 8), 8)])
def test_the_board_picture_is_what_most_views_agree_on(levels, middle):
    views = [np.full((4, 5, 3), level, np.uint8) for level in levels]

    assert (board_picture(views) == middle).all()
