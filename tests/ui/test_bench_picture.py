"""The live picture: what is drawn upon it lies where the bench lies now."""

import numpy as np
import pytest
from PyQt6.QtGui import QImage

from monitor.engine.engine import Shown
from monitor.engine.source import Arrival
from monitor.ui.bench_picture import TARGET, PictureView
from tests.engine.make import sample_inputs
from vision.types import BenchPose, Frame

FROM_ABOVE = np.array([[1.0, 0, 0, 0], [0, -1, 0, 0], [0, 0, -1, 400], [0, 0, 0, 1]])
AWAY_MM = 30.0


def marked(job, corners_mm):
    """The job with its target there."""
    return job.model_copy(update={"target": job.target.model_copy(update={"outline_mm": tuple(corners_mm)})})


@pytest.fixture
def view(qtbot):
    made = PictureView()
    qtbot.addWidget(made)
    inputs = sample_inputs()
    made.camera, made.is_near = inputs.camera, False
    made.job = marked(inputs.job, [(-20, -20), (20, -20), (20, 20), (-20, 20)])  # larger than its name
    made.resize(800, 450)  # half of the picture's size
    return made


def target_px(view, shift_mm=0.0, nearer_mm=0.0):
    """Left, top, right and bottom of the target's outline in the widget, with the bench so far to the right and up."""
    pose = FROM_ABOVE.copy()
    pose[0, 3] += shift_mm
    pose[2, 3] -= nearer_mm
    frame = Frame(0, 0.0, np.full((900, 1600, 3), 90, np.uint8))
    view.show_frame(Shown(Arrival(frame, 0.0), BenchPose(0.0, pose, np.eye(6), 14, 0.1), None, "", 0.0))
    image = view.grab().toImage().convertToFormat(QImage.Format.Format_RGB32)
    bgr = np.frombuffer(image.constBits().asstring(image.sizeInBytes()), np.uint8).reshape(image.height(), -1, 4)
    colour = [TARGET.blue(), TARGET.green(), TARGET.red()]
    rows, columns = np.nonzero(np.abs(bgr[..., :3].astype(int) - colour).max(-1) < 12)
    return np.array([columns.min(), rows.min(), columns.max(), rows.max()], float)


def test_outlines_go_along_with_the_bench(view):
    still, moved = target_px(view), target_px(view, AWAY_MM)

    # a pinhole at that distance from the board's top, the picture at half its size
    far_mm = 400.0 - view.job.board.top_height_mm
    away_px = 0.5 * view.camera.focal_px * AWAY_MM / far_mm
    assert moved - still == pytest.approx([away_px, 0.0, away_px, 0.0], abs=2.0)


def test_outlines_grow_as_the_bench_comes_nearer(view):
    far_mm = 400.0 - view.job.board.top_height_mm
    (left, _, right, _), (near_left, _, near_right, _) = target_px(view), target_px(view, nearer_mm=150.0)

    assert (near_right - near_left) / (right - left) == pytest.approx(far_mm / (far_mm - 150.0), rel=0.1)


def test_outlines_of_another_job_are_drawn_anew(view):
    first = target_px(view)
    view.job = marked(view.job, [(x, y + AWAY_MM) for x, y in view.job.target.outline_mm])

    assert target_px(view)[3] < first[3] - 20.0
