"""What a part that stands on its short side would hide, and which parts can stand at all."""

import numpy as np
import pytest

from vision.camera.model import CameraModel
from vision.parts.place import PartSpec, make_place, windows_of
from vision.parts.standing import Standing, make_standing

CAMERA = CameraModel(np.array([[1400.0, 0, 620], [0, 1400, 350], [0, 0, 1]]), np.zeros(5), (1280, 720))
POSE = np.array([[1.0, 0, 0, -10], [0, -0.9, 0.43589, 4], [0, -0.43589, -0.9, 170], [0, 0, 0, 1]])
PICTURE = np.random.default_rng(3).uniform(60, 200, (400, 400)).astype(np.float32)


def part(length_mm, width_mm, turn=0.4):
    x, y = length_mm / 2, width_mm / 2
    c, s = np.cos(turn), np.sin(turn)
    corners = np.array([[-x, -y], [x, -y], [x, y], [-x, y]]) @ np.array([[c, s], [-s, c]])
    return PartSpec("R1", corners + [12.0, 7.0], 0.6)


def standing(spec):
    window, = windows_of(CAMERA, POSE, [make_place(spec, [], 8.0)], 1.6, np.zeros(3))
    return make_standing(CAMERA, POSE, spec, 1.6, PICTURE, window), window


@pytest.mark.parametrize(("length_mm", "width_mm", "stands"), [
    (3.2, 1.6, True), (4.9, 2.0, True), (5.1, 2.0, False), (2.0, 1.6, False), (2.2, 1.6, True)])
def test_small_oblong_parts_can_stand(length_mm, width_mm, stands):
    assert (standing(part(length_mm, width_mm))[0] is not None) is stands


def test_what_a_standing_part_hides_lies_behind_its_ends_as_the_camera_sees_it():
    found, _ = standing(part(3.2, 1.6, turn=0.0))

    eye = -POSE[:3, :3].T @ POSE[:3, 3]
    away = (np.array([12.0, 7.0]) - eye[:2]) / np.linalg.norm(np.array([12.0, 7.0]) - eye[:2])
    for side in found.hidden:
        assert side.sum() >= 5 and (found.points_mm[side] @ away).mean() > 0.3
    left, right = sorted(found.points_mm[h, 0].mean() for h in found.hidden)
    assert left < -0.5 and right > 0.5


def test_more_of_what_it_hides_must_have_changed_than_of_the_rest():
    points = np.stack(np.meshgrid(np.arange(20.0, 60), np.arange(20.0, 60)), -1).reshape(-1, 2)
    left, right = points[:, 0] < 30, points[:, 0] > 50
    grey = np.full(len(points), 100.0)
    stood = Standing(points, (left, right), grey)
    window = type("W", (), {"ring_px": np.eye(3)})()
    picture = np.full((80, 80), 100.0, np.float32)

    picture[:, :30] = 150.0  # more than 14 levels and a fifth
    picture[:40, 51:] = 150.0
    assert stood.share(picture, window, np.zeros(3), 1.0) == pytest.approx(1.0)
    assert stood.share(picture * 1.3, window, np.zeros(3), 1.3) == pytest.approx(1.0)
    picture[:] = 130.0  # within 14 levels and a fifth
    assert stood.share(picture, window, np.zeros(3), 1.0) == 0.0


def test_too_few_points_tell_nothing():
    points = np.stack(np.meshgrid(np.arange(20.0, 24), np.arange(20.0, 23)), -1).reshape(-1, 2)
    few = Standing(points, (np.arange(12) < 4,), np.full(12, 100.0))

    assert np.isnan(few.share(np.full((80, 80), 200.0, np.float32), type("W", (), {"ring_px": np.eye(3)})(),
                              np.zeros(3), 1.0))
