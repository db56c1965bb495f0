"""The camera's faults are named as they are seen, and a good view is called good; the mat itself can calibrate the
lens.
"""

import cv2
import numpy as np
import pytest

from monitor.judging.tracking import nozzle_body
from monitor.setup.camera_check import MEMORY, CameraCheck, _edge_width_px, _side, guessed_camera
from tests.engine.make import SAMPLE, sample_inputs
from vision.bench.follower import marker_dictionary
from vision.bench.mat import standard_mat
from vision.calibrate.lens import calibrate_camera
from vision.camera.model import CameraModel
from vision.camera.sources import open_video


@pytest.fixture(scope="module")
def picture():
    """The sample's first picture."""
    with open_video(SAMPLE / "clip.mp4") as video:
        return next(iter(video)).image


@pytest.fixture
def check():
    return CameraCheck(standard_mat(), nozzle_body(sample_inputs().job))


def test_a_good_view_has_no_fault(check, picture):
    report = check.look(picture)

    assert report.is_usable and not report.faults and "sharp" in report.good and "bright enough" in report.good


@pytest.mark.parametrize("spoil, word", [
    (lambda p: (p * 0.15).astype(np.uint8), "too dark"), (lambda p: cv2.GaussianBlur(p, (0, 0), 3.0), "blurred"),
    (lambda p: cv2.circle(p.copy(), (640, 380), 90, (255, 255, 255), -1), "glare"),
    (lambda p: cv2.rectangle(p.copy(), (0, 0), (1280, 200), (120, 120, 120), -1), "hidden"),
    (lambda p: np.full_like(p, 120), "markers are not seen")])
def test_a_fault_is_named(check, picture, spoil, word):
    report = check.look(spoil(picture))

    assert not report.is_usable and any(word in fault for fault in report.faults)


def test_brightness_that_moves_by_itself_is_named(check, picture):
    for k in range(MEMORY):
        report = check.look((picture * (0.85 if k % 2 else 1.0)).astype(np.uint8))

    assert any("changes by itself" in fault for fault in report.faults)


def drawn(camera, pose):
    """The mat as a camera sees it, from its print."""
    mat, scale = standard_mat(), 8.0
    size = np.array(mat.sheet_size_mm)
    sheet = np.full((round(size[1] * scale), round(size[0] * scale)), 235, np.uint8)
    for i, centre in zip(mat.ids, mat.centres_mm, strict=True):
        marker = cv2.aruco.generateImageMarker(marker_dictionary(mat.dictionary), int(i),
                                               round(mat.marker_size_mm * scale))
        x, y = np.round((centre * (1, -1) + size / 2 - mat.marker_size_mm / 2) * scale).astype(int)
        sheet[y:y + len(marker), x:x + len(marker)] = marker
    corners = np.array([(-size[0], size[1], 0), (size[0], size[1], 0), (size[0], -size[1], 0),
                        (-size[0], -size[1], 0)]) / 2
    there = camera.project(corners @ pose[:3, :3].T + pose[:3, 3]).astype(np.float32)
    here = np.array([(0, 0), (sheet.shape[1], 0), sheet.shape[::-1], (0, sheet.shape[0])], np.float32) - 0.5
    return cv2.GaussianBlur(cv2.warpPerspective(sheet, cv2.getPerspectiveTransform(here, there), (1280, 720),
                                                flags=cv2.INTER_AREA, borderValue=90), (0, 0), 0.7)


def pose_of(turn, away_mm):
    pose = np.eye(4)
    pose[:3, :3] = cv2.Rodrigues(np.radians(np.array(turn, float)))[0] @ np.diag([1.0, -1.0, -1.0])
    pose[:3, 3] = (0, 0, away_mm)
    return pose


@pytest.mark.parametrize("turn, word", [((3, 2, 0), "straight down"), ((65, 0, 0), "too flat")])
def test_a_view_too_steep_or_too_flat_is_named(check, turn, word):
    camera = CameraModel(np.array([[1280.0, 0, 639.5], [0, 1280.0, 359.5], [0, 0, 1]]), np.zeros(5), (1280, 720))
    report = check.look(cv2.cvtColor(drawn(camera, pose_of(turn, 520.0)), cv2.COLOR_GRAY2BGR))

    assert any(word in fault for fault in report.faults), report


def test_a_camera_far_away_says_what_that_costs(check):
    camera = CameraModel(np.array([[1280.0, 0, 639.5], [0, 1280.0, 359.5], [0, 0, 1]]), np.zeros(5), (1280, 720))
    near, far = (check.look(cv2.cvtColor(drawn(camera, pose_of((30, 0, 0), mm)), cv2.COLOR_GRAY2BGR))
                 for mm in (450.0, 900.0))

    assert far.height_sigma_mm > 2 * near.height_sigma_mm  # it goes with more than the distance, by geometry
    assert any("a third nearer" in fault and "mm" in fault for fault in far.faults) and far.is_usable


def test_the_mat_itself_calibrates_the_lens_with_an_honest_sigma(tmp_path):
    camera = CameraModel(np.array([[1210.0, 0, 645.0], [0, 1210.0, 352.0], [0, 0, 1]]), np.zeros(5), (1280, 720))
    rng, paths = np.random.default_rng(3), []
    turns = [(35, 0, 0), (-35, 0, 10), (0, 35, 0), (0, -35, 0), (25, 25, 0), (-25, 25, 5), (25, -25, 0), (-30, -20, 0),
             (5, 0, 30), (40, 5, 0)]
    for n, turn in enumerate(turns):
        pose = pose_of(turn, 430.0 + 15 * n)
        pose[:2, 3] = rng.uniform(-25, 25, 2)
        image = np.clip(drawn(camera, pose) + rng.normal(0, 2.0, (720, 1280)), 0, 255).astype(np.uint8)
        paths.append(tmp_path / f"{n}.png")
        cv2.imwrite(str(paths[-1]), image)
    found = calibrate_camera(paths, standard_mat())

    assert found.verdict.is_usable and found.camera.focal_sigma_px < 0.003 * 1210
    assert abs(found.camera.focal_px - 1210.0) < 3.5 * found.camera.focal_sigma_px


@pytest.mark.parametrize("sigma_px", [0.8, 1.5, 2.4])
def test_edges_are_as_wide_as_their_blur_from_a_tenth_to_nine_tenths(sigma_px):
    sheet = np.full((200, 240), 220.0)
    sheet[60:140, 80:160] = 30.0
    sheet = cv2.GaussianBlur(sheet, (0, 0), sigma_px).astype(np.uint8)
    square = np.array([[[79.5, 59.5], [159.5, 59.5], [159.5, 139.5], [79.5, 139.5]]])

    # a blurred step is a normal law: its tenths lie 1.2816 sigmas off the middle; read every quarter of a pixel
    assert _edge_width_px(sheet, square) == pytest.approx(2 * 1.2816 * sigma_px + 0.25, abs=0.3)


def test_without_contrast_there_is_no_edge_to_judge():
    assert np.isnan(_edge_width_px(np.full((200, 240), 100, np.uint8), np.array([[[80.0, 60], [160, 60], [160, 140],
                                                                                  [80, 140]]])))


@pytest.mark.parametrize(("centre", "words"), [
    ((0, 0), "in the middle"), ((-31, 0), "on the left"), ((31, 0), "on the right"), ((30, 25), "in the middle"),
    ((0, 26), "at the top"), ((0, -26), "at the bottom"), ((-40, -40), "at the bottom on the left")])
def test_where_markers_are_hidden_is_said_in_words(centre, words):
    assert _side(np.array(centre)) == words


@pytest.mark.parametrize(("lean_deg", "says"), [(14, "14 degrees"), (30, "looks down at 30 degrees"),
                                                (60, "60 degrees")])
def test_the_lean_is_that_of_the_view_to_the_mat(check, lean_deg, says):
    camera = CameraModel(np.array([[1280.0, 0, 639.5], [0, 1280.0, 359.5], [0, 0, 1]]), np.zeros(5), (1280, 720))
    report = check.look(cv2.cvtColor(drawn(camera, pose_of((lean_deg, 0, 0), 480.0)), cv2.COLOR_GRAY2BGR), camera)

    assert any(says in line for line in (*report.faults, *report.good)), report


def test_a_camera_that_is_not_known_is_taken_for_a_usual_one():
    camera = guessed_camera((1920, 1080))

    assert camera.camera_matrix_px[:2, 2].tolist() == [959.5, 539.5]  # the middle of the picture
    assert camera.camera_matrix_px[0, 0] == camera.camera_matrix_px[1, 1]
    field_deg = 2 * np.degrees(np.arctan(960 / camera.camera_matrix_px[0, 0]))
    assert 50 < field_deg < 75  # across; common practice, no source
