"""Where a part is looked for: its points, the board around it, its edge, and their way into a slanted picture."""

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from shapely import Point, Polygon

from vision.camera.model import CameraModel
from vision.parts.place import PartSpec, make_frame, make_place, outside_mm, windows_of

TURNED = np.array([[12.0, 3.0], [20.0, 9.0], [17.0, 13.0], [9.0, 7.0]])  # 10 x 5 mm, turned, not square to the bench
SPEC = PartSpec("U3", TURNED, 1.8)
OTHER = np.array([[22.0, 4.0], [27.0, 4.0], [27.0, 9.0], [22.0, 9.0]])
CAMERA = CameraModel(np.array([[1400.0, 0, 610], [0, 1420, 350], [0, 0, 1]]), np.zeros(5), (1280, 720))
TURN, SHIFT_MM = Rotation.from_rotvec([2.9, 0.35, 0.3]).as_matrix(), np.array([-14.0, 9.0, 330.0])
POSE = np.block([[TURN, SHIFT_MM[:, None]], [np.zeros((1, 3)), np.ones((1, 1))]])
BOARD = np.array([3.0, -2.0, 0.2])


@pytest.fixture(scope="module")
def place():
    return make_place(SPEC, [OTHER], 3.0)


def away(points, outline=TURNED):
    shape = Polygon(outline)
    return np.array([shape.exterior.distance(Point(p)) * (-1 if shape.contains(Point(p)) else 1) for p in points])


def test_distances_from_an_outline_are_negative_inside():
    points = np.random.default_rng(2).uniform([5, 0], [25, 16], (60, 2))

    np.testing.assert_allclose(outside_mm(TURNED, points), away(points), atol=1e-4)


def test_a_part_s_centre_and_size_are_those_of_its_outline(place):
    np.testing.assert_allclose(place.centre_mm, [14.5, 8.0])
    assert place.size_mm == pytest.approx(10.0, abs=1e-3)


def test_its_face_is_covered_a_pixel_apart_with_its_rim(place):
    found = away(place.top_mm + place.centre_mm)

    assert found.max() <= 0.5 + 1e-4 and found.max() > 0.3  # 1.5 px
    assert len(place.top_mm) == pytest.approx(Polygon(TURNED).buffer(0.5).area * 9, rel=0.05)


def test_the_board_around_begins_clear_of_what_its_sides_may_hide(place):
    found = away(place.ring_mm + place.centre_mm)

    least, width = 0.5 + 0.7 * 1.8, 2.5 + 0.35 * 10.0
    assert least - 1e-4 <= found.min() < least + 0.4 and least + width - 0.6 < found.max() <= least + width + 1e-4


def test_the_board_around_leaves_out_other_parts(place):
    assert away(place.ring_mm + place.centre_mm, OTHER).min() > 0.5 - 1e-4
    assert len(make_place(SPEC, [], 3.0).ring_mm) <= 500


def test_many_points_are_thinned_to_a_bound():
    fine = make_place(SPEC, [], 12.0)

    assert 600 < len(fine.top_mm) <= 900 and 330 < len(fine.ring_mm) <= 500


def test_the_board_around_is_told_by_eighths_of_a_turn(place):
    angle = np.degrees(np.arctan2(place.ring_mm[:, 1], place.ring_mm[:, 0])) % 360

    assert (place.sector == (angle // 45).astype(int)).all()
    assert place.in_sector == tuple((place.sector == k).sum() for k in range(8))


def test_pairs_face_each_other_across_the_edge(place):
    inner, outer = place.inner_mm + place.centre_mm, place.outer_mm + place.centre_mm

    np.testing.assert_allclose(np.hypot(*(outer - inner).T), 1.0)  # 3 px
    np.testing.assert_allclose(away(outer), 0.5, atol=1e-4)
    assert (away(inner) < 0).all() and away((inner + outer) / 2).max() < 1e-5
    assert len(inner) == 2 * (20 + 10)  # along each side every 1.5 px


def test_points_reach_no_further_than_a_place_says(place):
    assert place.reach_mm == pytest.approx(np.abs(place.ring_mm).max())


def test_surroundings_reach_beyond_the_longer_side():
    frame = make_frame(SPEC, 6.0)

    assert (frame.reach_mm, frame.size_mm) == (11.5, 23.0) and frame.centre_mm.tolist() == [14.5, 8.0]


def seen_px(points_mm, height_mm):
    """Points on the moved board, through the pinhole's definition."""
    moved = points_mm @ Rotation.from_rotvec([0, 0, BOARD[2]]).as_matrix()[:2, :2].T + BOARD[:2]
    x = np.column_stack([moved, np.full(len(moved), height_mm)]) @ TURN.T + SHIFT_MM
    return np.stack([610 + 1400 * x[:, 0] / x[:, 2], 350 + 1420 * x[:, 1] / x[:, 2]], -1)


def test_a_window_holds_the_part_and_takes_points_of_both_faces_to_their_pixels(place):
    window, = windows_of(CAMERA, POSE, [place], 1.6, BOARD)
    x, y, width, height = window.box

    for points, to_px, z in ((place.top_mm, window.top_px, 3.4), (place.ring_mm, window.ring_px, 1.6)):
        expected = seen_px(points + place.centre_mm, z)
        found = cv2.perspectiveTransform(points[:, None], to_px)[:, 0] + [x, y]
        np.testing.assert_allclose(found, expected, atol=0.01)
        assert (expected > [x + 3, y + 3]).all() and (expected < [x + width - 4, y + height - 4]).all()
    assert width < 300 and height < 300


def test_a_window_tells_the_scale_of_the_upper_face(place):
    window, = windows_of(CAMERA, POSE, [place], 1.6, BOARD)

    corners = seen_px(place.centre_mm + np.array([[0, 0], [1, 0], [0, 1.0]]), 3.4)
    assert window.px_per_mm == pytest.approx(np.sqrt(abs(np.linalg.det(corners[1:] - corners[0]))), rel=0.02)


def test_a_part_whose_middle_is_out_of_the_picture_has_no_window(place):
    there = windows_of(CAMERA, POSE, [place, make_frame(PartSpec("far", TURNED + 400.0, 1.0), 2.0)], 1.6, BOARD)

    assert there[0] is not None and there[1] is None


def test_a_window_at_the_picture_s_rim_is_cut_there(place):
    small = CameraModel(np.array([[1400.0, 0, 20], [0, 1420, 25], [0, 0, 1]]), np.zeros(5), (1280, 720))

    x, y, _, _ = windows_of(small, POSE, [place], 1.6, BOARD)[0].box

    assert (x, y) == (0, 0)
