"""The video with the measurement drawn over it."""

import av
import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from monitor.judging.guide_pass import GuidePoint
from monitor.review.overlay import FrameMarks, draw_frame, marks_of, write_overlay
from tests.monitor.made_recording import make_recording
from tests.monitor.make import job
from vision.camera.model import CameraModel


def frames_of(path):
    with av.open(str(path)) as video:
        return [(f.time, f.to_ndarray(format="bgr24").astype(int)) for f in video.decode(video=0)]


def test_every_frame_keeps_its_time_and_is_drawn_over(tmp_path):
    recording = make_recording(tmp_path / "r", duration_s=2.0, video=True)

    drawn, plain = frames_of(write_overlay(recording, tmp_path / "o.mp4")), frames_of(recording.video)

    np.testing.assert_allclose([t for t, _ in drawn], recording.frames["t_s"], atol=2e-3)
    assert all(np.abs(a - b).max() > 100 for (_, a), (_, b) in zip(drawn, plain, strict=True))


# a camera that looks down at a slant and turned, over a bench with a board that has moved and turned
CAMERA = CameraModel(np.array([[900.0, 0, 330], [0, 920, 235], [0, 0, 1]]), np.zeros(5), (640, 480))
TURN = Rotation.from_rotvec([2.9, 0.4, 0.3]).as_matrix()
POSE = np.block([[TURN, np.array([[6.0], [-4.0], [260.0]])], [np.zeros((1, 3)), np.ones((1, 1))]])
SHIFT = np.array([7.0, -5.0, 0.35])
TIP, AXIS = np.array([4.0, 3.0, 23.0]), np.array([0.35, -0.2, -1.0]) / np.linalg.norm([0.35, -0.2, -1.0])
AIM = np.array([9.5, -1.0])
TARGET, NEIGHBOUR, NOZZLE, AT, GUIDE = (95, 200, 40), (255, 110, 190), (255, 190, 40), (40, 220, 255), (242, 157, 255)


def seen_px(bench_mm):
    """Where a slanted camera sees points of the bench, by the pinhole's definition."""
    x = np.atleast_2d(bench_mm) @ TURN.T + [6.0, -4.0, 260.0]
    return np.stack([330 + 900 * x[:, 0] / x[:, 2], 235 + 920 * x[:, 1] / x[:, 2]], -1)


def along(corners, n=400):
    """Points along a polygon's sides."""
    at = np.linspace(0, len(corners) - 1, n)
    return np.stack([np.interp(at, range(len(corners)), c) for c in np.transpose(corners)], -1)


def moved(points, z):
    """Corners of the job on the board as it lies now, at a height."""
    turned = np.asarray(points, float) @ Rotation.from_rotvec([0, 0, SHIFT[2]]).as_matrix()[:2, :2].T
    return np.column_stack([turned + SHIFT[:2], np.full(len(points), z)])


def circle(centre, radius, normal):
    """37 points round a centre, across a direction; the first one lies anywhere."""
    side = np.linalg.svd(np.reshape(normal, (1, 3)))[2][1:]
    turn = np.linspace(0, 2 * np.pi, 200)
    return centre + radius * (np.cos(turn)[:, None] * side[0] + np.sin(turn)[:, None] * side[1])


def drawn(colour, near=0, **given):
    """Pixels of that colour; thin lines are blended with their dark rim."""
    marks = FrameMarks(**{"cam_from_bench": POSE, "tip_mm": TIP, "axis": AXIS, "aim_mm": AIM, "board_shift": SHIFT,
                          "seen": True, "texts": []} | given)
    image = np.zeros((480, 640, 3), np.uint8)
    draw_frame(image, CAMERA, job(), marks)
    y, x = np.nonzero(np.abs(image.astype(int) - colour).sum(-1) <= near)
    return np.stack([x, y], -1)


def covers(found, points_mm, within=1.6):
    """Whether a drawn line lies all along these points."""
    return (cKDTree(found).query(seen_px(points_mm))[0] < within).all()


@pytest.mark.parametrize(("colour", "outline"), [
    (TARGET, [(-5, -5), (5, -5), (5, 5), (-5, 5), (-5, -5)]),
    (NEIGHBOUR, [(10, -3), (16, -3), (16, 3), (10, 3), (10, -3)])])
def test_regions_are_drawn_where_the_board_lies_now(colour, outline):
    assert covers(drawn(colour, seen=False), along(moved(outline, 6.0)))


def test_the_tube_is_drawn_by_its_rim_its_sides_and_its_axis():
    found = drawn(NOZZLE, 140)
    back, view = TIP - 28.0 * AXIS, TURN.T @ -np.array([6.0, -4.0, 260.0]) - TIP
    across = 4.0 * np.cross(AXIS, view) / np.linalg.norm(np.cross(AXIS, view))

    lines = [circle(TIP, 4.0, AXIS), circle(back, 4.0, AXIS), along([TIP, back]),
             along([TIP + across, back + across]), along([TIP - across, back - across])]
    for line in lines:  # which cross and hide each other here and there
        assert covers(found, line, 3.5) and (cKDTree(found).query(seen_px(line))[0] < 1.6).mean() > 0.94
    far = cKDTree(seen_px(np.concatenate(lines))).query(found)[0]
    assert far.max() < 4.0


def test_the_sides_of_a_tube_near_the_camera_are_those_that_it_sees():
    tip = np.array([-6.0, -25.0, 140.0])
    view = TURN.T @ -np.array([6.0, -4.0, 260.0]) - tip
    across = 4.0 * np.cross(AXIS, view) / np.linalg.norm(np.cross(AXIS, view))

    found = cKDTree(drawn(NOZZLE, 140, tip_mm=tip, aim_mm=np.full(2, np.nan)))

    for side in (across, -across):
        assert np.quantile(found.query(seen_px(along([tip + side, tip + side - 28.0 * AXIS])))[0], 0.9) < 1.2


def test_the_jet_is_drawn_from_the_outlet_to_a_cross_where_it_meets_the_board():
    found, at = drawn(AT, 140), np.array([*AIM, 6.0])

    assert covers(found, along([TIP, at])) and covers(found, at)
    arms = seen_px(at)[0] + np.array([[8, 0], [-8, 0], [0, 8], [0, -8]])
    assert (cKDTree(found).query(arms)[0] < 1.6).all()


@pytest.mark.parametrize("given", [{"seen": False}, {"tip_mm": np.full(3, np.nan)}, {"cam_from_bench": None}])
def test_a_nozzle_that_is_not_seen_is_not_drawn(given):
    assert len(drawn(NOZZLE, **given)) == 0


def test_without_an_aim_there_is_no_cross():
    assert len(drawn(AT, aim_mm=np.array([np.nan, 3.0]))) == 0


def test_the_pass_laid_over_is_dotted_by_its_outlet_its_jet_and_where_that_meets_the_board():
    point = GuidePoint(15.0, 0.5, np.array([2.0, 1.0]), 0.4, np.array([0.3, -0.2]))
    found = drawn(GUIDE, guide=point, seen=False)
    outlet, at = moved([(2.0 - 15 * 0.3, 1.0 + 15 * 0.2)], 21.0)[0], moved([(2.0, 1.0)], 6.0)[0]

    lines = [circle(outlet, 4.0, [0, 0, 1]), circle(at, 3.4, [0, 0, 1]), along([outlet, at])]
    for line in lines:
        far = cKDTree(found).query(seen_px(line))[0]
        assert 0.3 < (far < 2.0).mean() < 1.0  # every second piece
        assert (far < 9.0).all()
    assert cKDTree(seen_px(np.concatenate(lines))).query(found)[0].max() < 3.0


def test_the_state_stands_on_a_strip_and_a_warning_in_a_box_below():
    image = np.zeros((480, 640, 3), np.uint8)
    texts = ["1.00 s", "! too high: go down", "third", "fourth", "! fifth"]

    draw_frame(image, CAMERA, job(), FrameMarks(None, TIP, AXIS, AIM, SHIFT, True, texts))

    box = np.nonzero((image == (60, 60, 235)).all(-1))[0]
    step = int(44 * 480 / 1080 * 1.1) + 4
    assert 8 + step == box.min() and box.max() == 4 + 2 * step  # of four lines the second; the fifth is left out


def test_marks_of_a_frame_say_what_the_trace_says(tmp_path):
    recording = make_recording(tmp_path / "r", duration_s=2.0)
    f = recording.frames
    i = int(np.flatnonzero(f["seen"] > 0)[3])

    marks = marks_of(recording, i)

    height, sigma, tilt = f["height_mm"][i], f["height_sigma_mm"][i], np.degrees(f["tilt_rad"][i])
    assert marks.texts[0] == (f"{f['t_s'][i]:6.2f} s   {f['state'][i]}   {height:.1f} mm (+-{1.645 * sigma:.1f})"
                              f"   tilt {tilt:.0f} deg")
    assert marks.tip_mm.tolist() == [f[f"tip_{a}_mm"][i] for a in "xyz"] and marks.seen
    assert marks.aim_mm.tolist() == [f["aim_x_mm"][i], f["aim_y_mm"][i]]
