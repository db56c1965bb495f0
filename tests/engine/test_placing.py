"""The next board of a kind: marks placed from its picture at true places, and refused when that is not sure."""

import cv2
import numpy as np
import pytest

from monitor.engine.straighten import Sheet, straighten
from monitor.job import SHEET_MM
from monitor.setup.placing import PX_PER_MM, load_reference, place_marks, reference_of, save_reference
from tests.engine.make import SAMPLE, sample_inputs
from vision.bench.follower import bench_pose
from vision.bench.mat import standard_mat
from vision.camera.sources import brightness, open_video

MARKS = [np.array([(2.6, -3.5), (11.6, -2.6), (10.7, 6.3), (1.7, 5.4)]),
         np.array([(16.4, -0.2), (23.3, 0.5), (22.8, 5.5), (15.9, 4.8)])]


@pytest.fixture(scope="module")
def sheet():
    """The sample's bench from above, grey."""
    inputs = sample_inputs()
    with open_video(SAMPLE / "clip.mp4") as video:
        frame = next(iter(video))
    pose = bench_pose(inputs.camera, standard_mat(), brightness(frame))
    extent = (-SHEET_MM[0] / 2, SHEET_MM[0] / 2, -SHEET_MM[1] / 2, SHEET_MM[1] / 2)
    return cv2.cvtColor(straighten(frame.image, inputs.camera, pose, Sheet(extent, 6.0, PX_PER_MM), np.zeros(3)),
                        cv2.COLOR_BGR2GRAY)


def laid_anew(sheet, turn_deg, shift_mm, gain=1.0, noise=3.0, size=1.0):
    """The same board turned and shifted over a bare mat, in other light."""
    matrix = cv2.getRotationMatrix2D(((sheet.shape[1] - 1) / 2, (sheet.shape[0] - 1) / 2), turn_deg, size)
    matrix[:, 2] += np.array([shift_mm[0], -shift_mm[1]]) * PX_PER_MM
    moved = cv2.warpAffine(sheet, matrix, sheet.shape[::-1], flags=cv2.INTER_CUBIC, borderValue=180)
    rng = np.random.default_rng(2)
    return np.clip(gain * moved + rng.normal(0, noise, moved.shape), 0, 255).astype(np.uint8)


def truly(outline, turn_deg, shift_mm):
    a = np.radians(turn_deg)
    return outline @ np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]]).T + shift_mm


@pytest.mark.parametrize("turn_deg, shift_mm, gain", [(0.0, (0.0, 0.0), 1.0), (25.0, (12.0, -7.0), 0.8),
                                                      (-90.0, (-15.0, 10.0), 1.1), (180.0, (5.0, 5.0), 1.0)])
def test_marks_follow_the_board_wherever_it_lies(sheet, turn_deg, shift_mm, gain):
    placed = place_marks(reference_of(sheet, MARKS), laid_anew(sheet, turn_deg, shift_mm, gain))

    assert placed.refused == "" and placed.residual_mm < 0.5
    for outline in MARKS:
        np.testing.assert_allclose(placed.moved(outline), truly(outline, turn_deg, np.array(shift_mm)), atol=0.3)


def test_an_empty_mat_is_refused(sheet):
    assert place_marks(reference_of(sheet, MARKS), np.full_like(sheet, 180)).refused


def test_another_board_is_refused(sheet):
    other = cv2.GaussianBlur(np.random.default_rng(5).integers(0, 255, sheet.shape).astype(np.uint8), (0, 0), 2)

    assert "agree" in place_marks(reference_of(sheet, MARKS), other).refused


def test_a_board_at_another_height_is_refused(sheet):
    assert place_marks(reference_of(sheet, MARKS), laid_anew(sheet, 10.0, (0, 0), size=1.08)).refused


def test_two_boards_side_by_side_are_refused(sheet):
    both = laid_anew(sheet, 0.0, (-45.0, 0.0))
    middle = both.shape[1] // 2
    both[:, middle:] = laid_anew(sheet, 0.0, (45.0, 0.0))[:, middle:]

    assert "two places" in place_marks(reference_of(sheet, MARKS), both).refused


def test_a_reference_is_kept_beside_its_job(sheet, tmp_path):
    reference = reference_of(sheet, MARKS)
    save_reference(tmp_path / "job.reference.npz", reference)
    back = load_reference(tmp_path / "job.reference.npz")

    np.testing.assert_array_equal(back.picture, reference.picture)
    assert back.extent_mm == pytest.approx(reference.extent_mm)
    (tmp_path / "broken.npz").write_bytes(b"no picture")
    assert load_reference(tmp_path / "broken.npz") is None and load_reference(tmp_path / "none.npz") is None
