"""The mat's layout, and faults in its file."""

import pytest
from numpy.testing import assert_allclose

from tests.vision.drawn import CAMERA, looking_down, picture
from vision import rigid
from vision.bench.follower import find_markers
from vision.bench.mat import load_mat, standard_mat
from vision.errors import CalibrationError

GOOD = ('dictionary = "DICT_APRILTAG_36h11"\nsheet_size = [100, 80]\nmarker_size = 10\n'
        'markers = [[0, -20, 10], [1, 20, 10]]\n')


def test_a_markers_corners_begin_at_its_top_left_and_run_clockwise():
    corners = standard_mat().corners_mm(2)  # centre (0, 84), 20 mm

    assert_allclose(corners, [[-10, 94, 0], [10, 94, 0], [10, 74, 0], [-10, 74, 0]])


def test_the_detector_finds_corners_in_the_mats_order():
    pose, mat = looking_down(), standard_mat()
    found = find_markers(picture(pose), mat)

    assert len(found) == 14
    for i, corners_px in found.items():
        # sides are 40 px long
        assert_allclose(corners_px, CAMERA.project(rigid.apply(pose, mat.corners_mm(i))), atol=3.0)


def test_a_layout_is_read(tmp_path):
    (tmp_path / "mat.toml").write_text(GOOD)
    mat = load_mat(tmp_path / "mat.toml")

    assert mat.sheet_size_mm == (100.0, 80.0) and mat.ids.tolist() == [0, 1]


@pytest.mark.parametrize(("old", "new", "named"), [
    ("marker_size = 10", "marker_size = -1", "marker_size"), ("[1, 20, 10]", "[0, 20, 10]", "ids must be different"),
    ("[1, 20, 10]", "[1, 49, 10]", "outside the sheet"), ("[1, 20, 10]", "[1, 20]", "markers"),
    ("DICT_APRILTAG_36h11", "QR", "dictionary"), ("marker_size = 10", "size = 10", "missing marker_size; unknown size"),
])
def test_a_bad_layout_names_the_key(tmp_path, old, new, named):
    (tmp_path / "mat.toml").write_text(GOOD.replace(old, new))

    with pytest.raises(CalibrationError, match=named):
        load_mat(tmp_path / "mat.toml")
