"""Calibration on photographs whose camera is known from elsewhere (tests/data/photos/ORIGIN.md)."""

import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.vision.drawn import PHOTOS
from vision import rigid
from vision.calibrate.lens import CharucoTarget, ChessboardTarget, calibrate_camera, find_target
from vision.camera.model import CameraModel
from vision.errors import CalibrationError

CHESSBOARD = sorted((PHOTOS / "chessboard").glob("*.jpg"))
RENDERED = sorted((PHOTOS / "rendered").glob("[01]*.jpg"))
TARGET = CharucoTarget((9, 6), 25.0, 18.0, "DICT_5X5_100")


@pytest.fixture(scope="module")
def chessboard():
    return calibrate_camera(CHESSBOARD, ChessboardTarget((9, 6), 25.0))


@pytest.fixture(scope="module")
def rendered():
    return calibrate_camera(RENDERED, TARGET)


def test_the_chessboard_photographs_give_the_published_camera(chessboard):
    # left_intrinsics.yml of OpenCV's sample data: f 535.92, centre (342.28, 235.57)
    k = chessboard.camera.camera_matrix_px

    assert_allclose(k[0, 0], 535.92, rtol=0.01)
    assert_allclose(k[:2, 2], [342.28, 235.57], atol=5)
    assert chessboard.camera.rms_px <= 0.25


def test_the_focal_length_of_a_known_camera_lies_within_three_sigma(rendered):
    camera = rendered.camera

    assert abs(camera.focal_px - 1010) < 3 * camera.focal_sigma_px
    assert camera.focal_sigma_px < 0.001 * 1010


def test_the_centre_of_a_known_camera_lies_within_three_sigma(rendered):
    k, sigma = rendered.camera.camera_matrix_px, np.sqrt(np.diag(rendered.camera.parameter_cov))

    assert np.all(np.abs(k[:2, 2] - [645.7, 355.8]) < 3 * sigma[1:3])


def test_the_same_photographs_give_the_same_camera_to_the_last_digit(rendered):
    for _ in range(3):
        cv2.setNumThreads(4)

        again = calibrate_camera(RENDERED, TARGET).camera

        np.testing.assert_array_equal(again.camera_matrix_px, rendered.camera.camera_matrix_px)


def test_every_corner_of_a_photographed_charuco_board_is_found_and_fits_the_published_camera():
    # tutorial_camera_charuco.yml of OpenCV's tutorials
    camera = CameraModel([[452.51072219637672, 0, 317.70297317353277], [0, 456.76707935146891, 277.75155919135995],
                          [0, 0, 1]],
                         [0.12136925618707872, -1.0854664722560681, 1.1786843796668460e-04, -4.6240686046485508e-04,
                          2.9542589406810080],
                         (640, 480))
    view = find_target(cv2.imread(str(PHOTOS / "aruco" / "choriginal.jpg")),
                       CharucoTarget((5, 7), 40.0, 20.0, "DICT_6X6_250"))
    _, turn, shift = cv2.solvePnP(view.points_mm, view.points_px, camera.camera_matrix_px.copy(),
                                  camera.distortion.copy())
    pose = rigid.transform(cv2.Rodrigues(turn)[0], shift)
    off = view.points_px - camera.project(rigid.apply(pose, view.points_mm))

    assert len(view.points_px) == 24
    assert np.sqrt(np.mean(np.sum(off**2, 1))) <= 0.3


def board_picture(legacy, negative):
    board = cv2.aruco.CharucoBoard((6, 4), 30.0, 20.0, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    board.setLegacyPattern(legacy)
    image = board.generateImage((600, 420), marginSize=30)
    return 255 - image if negative else image


@pytest.mark.parametrize("legacy", [False, True])
@pytest.mark.parametrize("negative", [False, True])
def test_boards_of_older_tools_and_inverted_boards_are_read_unasked(legacy, negative):
    view = find_target(board_picture(legacy, negative), CharucoTarget((6, 4), 30.0, 20.0, "DICT_4X4_50"))

    assert view is not None and len(view.points_px) == 15


def test_bad_corners_are_left_out(monkeypatch, chessboard):
    import vision.calibrate.lens as module
    honest = module._find_chessboard

    def with_a_bad_corner(grey, target, name):
        view = honest(grey, target, name)
        view.points_px[7] += (3.0, -2.0)
        return view

    monkeypatch.setattr(module, "_find_chessboard", with_a_bad_corner)
    found = calibrate_camera(CHESSBOARD, ChessboardTarget((9, 6), 25.0))

    assert found.verdict.n_rejected >= len(CHESSBOARD)
    assert abs(found.camera.focal_px - chessboard.camera.focal_px) < chessboard.camera.focal_sigma_px


def test_few_views_are_refused_with_what_to_do():
    with pytest.raises(CalibrationError, match="in 2 of 2 photographs; at least 6"):
        calibrate_camera(CHESSBOARD[:2], ChessboardTarget((9, 6), 25.0))


def test_views_that_all_look_alike_are_refused_and_the_missing_ones_named(tmp_path):
    # the same flat-on view six times over, with fresh noise: nothing fixes the focal length
    image = cv2.imread(str(PHOTOS / "rendered" / "00.jpg"))
    board = cv2.cvtColor(board_picture(False, False), cv2.COLOR_GRAY2BGR)
    rng = np.random.default_rng(0)
    paths = []
    for i in range(7):
        scene = np.full_like(image, 128)
        scene[100 + 4 * i:520 + 4 * i, 300 + 9 * i:900 + 9 * i] = cv2.GaussianBlur(board, (0, 0), 1.0)
        scene = np.clip(scene + rng.normal(0, 4, scene.shape), 0, 255).astype(np.uint8)
        paths.append(tmp_path / f"{i}.png")
        cv2.imwrite(str(paths[-1]), scene)

    with pytest.raises(CalibrationError, match="refused: .*hardly faced left, right, up, down"):
        calibrate_camera(paths, CharucoTarget((6, 4), 30.0, 20.0, "DICT_4X4_50"))


def test_a_complete_set_is_asked_for_where_corners_stay_bare(chessboard):
    assert "near the picture's top left" in chessboard.verdict.sentence()


def test_photographs_of_two_sizes_are_refused():
    with pytest.raises(CalibrationError, match="1280 x 720 px, but .* has 640 x 480"):
        calibrate_camera([CHESSBOARD[0], RENDERED[0]], ChessboardTarget((9, 6), 25.0))


@pytest.mark.parametrize("wrong", [{"marker_mm": 30.0}, {"square_mm": float("nan")}, {"squares": (2, 6)},
                                   {"dictionary": "DICT_X"}])
def test_an_impossible_target_is_refused(wrong):
    with pytest.raises(CalibrationError):
        CharucoTarget(**({"squares": (9, 6), "square_mm": 25.0, "marker_mm": 18.0, "dictionary": "DICT_5X5_100"}
                         | wrong))


def test_six_photographed_markers_are_read():
    # ids as printed in OpenCV's tutorial on marker detection
    from vision.bench.follower import marker_dictionary
    image = cv2.imread(str(PHOTOS / "aruco" / "singlemarkersoriginal.jpg"))
    _, ids, _ = cv2.aruco.ArucoDetector(marker_dictionary("DICT_6X6_250")).detectMarkers(image)

    assert sorted(np.ravel(ids)) == [23, 40, 62, 98, 124, 203]
