"""A nozzle's profile from its outline, on drawn pictures of a body of revolution that lies on the mat."""

import cv2
import numpy as np
import pytest

from monitor.setup.profile import measure_profile
from vision.camera.model import CameraModel
from vision.types import BenchPose

BODY = np.array([[4.0, 0.0], [4.0, 30.0], [9.0, 38.0], [9.0, 52.0], [13.0, 53.0], [13.0, 75.0]])  # radius, distance
CAMERA = CameraModel(np.array([[1350.0, 0, 640], [0, 1350.0, 360], [0, 0, 1]]), np.zeros(5), (1280, 720))


def bench(tilt_deg=30.0, away_mm=450.0):
    a = np.radians(tilt_deg)
    turn = np.array([[1, 0, 0], [0, -np.cos(a), -np.sin(a)], [0, np.sin(a), -np.cos(a)]])
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = turn, (0, 0, away_mm)
    return BenchPose(0.0, pose, np.eye(6) * 1e-6, 14, 0.2)


def pictures(where, turn_deg=35.0, radius_mm=4.0, seed=1):
    """The bench without the nozzle and with it: every circle of the body filled, which draws its true silhouette."""
    rng = np.random.default_rng(seed)
    covered = np.zeros((4 * 720, 4 * 1280), np.uint8)  # drawn finely, since OpenCV fills the pixels of the edge too
    a = np.radians(turn_deg)
    along, across = np.array([np.cos(a), np.sin(a), 0.0]), np.array([-np.sin(a), np.cos(a), 0.0])
    start = np.array([-25.0, -20.0, radius_mm])
    angle = np.linspace(0, 2 * np.pi, 90)
    for s in np.arange(0.0, 75.0, 0.1):
        r = np.interp(s, BODY[:, 1], BODY[:, 0])
        ring = start + s * along + r * (np.cos(angle)[:, None] * across + np.sin(angle)[:, None] * (0, 0, 1.0))
        px = CAMERA.project(ring @ where.cam_from_bench[:3, :3].T + where.cam_from_bench[:3, 3])
        cv2.fillPoly(covered, [np.round(4 * px + 1.5).astype(np.int32)], 255)
    share = cv2.resize(covered, (1280, 720), interpolation=cv2.INTER_AREA)[..., None] / 255
    empty = np.full((720, 1280, 3), 205.0)
    laid = empty + share * (np.array([90.0, 95.0, 100.0]) - empty)
    noisy = [np.clip(p + rng.normal(0, 2.0, p.shape), 0, 255).astype(np.uint8) for p in (empty, laid)]
    return noisy[0], noisy[1]


@pytest.mark.parametrize("turn_deg, tilt_deg", [(35.0, 30.0), (-60.0, 20.0), (90.0, 40.0)])
def test_the_outline_gives_the_radii(turn_deg, tilt_deg):
    where = bench(tilt_deg)
    found = measure_profile(CAMERA, where, *pictures(where, turn_deg), 8.0)

    assert found.diameter_mm == pytest.approx(8.0, abs=0.6) and "agree" in found.reason
    assert found.tube_length_mm == pytest.approx(30.0, abs=2.0)
    points = np.array([*found.profile_mm, *found.handle_mm])
    # the step at 52 hides a little of what lies behind it
    at = np.array([2.0, 8.0, 14.0, 20.0, 26.0, 34.0, 40.0, 60.0, 64.0])
    np.testing.assert_allclose(np.interp(at, points[:, 1], points[:, 0]), np.interp(at, BODY[:, 1], BODY[:, 0]),
                               atol=1.0)


def test_a_calliper_figure_that_disagrees_refuses_the_outline():
    where = bench()
    found = measure_profile(CAMERA, where, *pictures(where), 10.0)

    assert found.profile_mm == () and "calliper 10.0 mm" in found.reason


def test_nothing_on_the_mat_is_said():
    where = bench()
    empty, _ = pictures(where)

    assert "nothing lies" in measure_profile(CAMERA, where, empty, empty, 8.0).reason
