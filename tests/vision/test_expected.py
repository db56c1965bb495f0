"""Expected spread of the height: what geometry says it must do."""

from __future__ import annotations

from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.benchmarks.accuracy import expected
from vision.camera.model import CameraModel
from vision.fit.bias import DEFAULT_BIAS, EdgeBias, n_groups
from vision.fit.expected import ExpectedEdges, expected_spread
from vision.nozzle.body import ToolPose, body_from_measures

TUBE = body_from_measures([(4.0, 0.0), (4.0, 300.0)], [])  # leaves the picture at its top
UP = np.array([0.0, -1.0, 0.0])


def from_the_side(distance_mm, focal_px, *, bias_px=1e-4, edge_sigma_px=0.35, tip=(0.0, 14.0), slope_px=1e-4):
    """A bare tube that stands upright before a level camera; its edges may seem turned by slope_px at their ends."""
    camera = CameraModel(np.array([[focal_px, 0, 640], [0, focal_px, 360], [0, 0, 1.0]]), np.zeros(5), (1281, 721))
    bias = {key: EdgeBias(0.0, bias_px) for key in DEFAULT_BIAS}
    pose = ToolPose(np.array([*tip, distance_mm]), np.array([0.0, 1.0, 0.0]))
    with patch("vision.fit.expected.slope_variances", lambda body: np.full(n_groups(body), slope_px**2)):
        return expected_spread(camera, TUBE, pose, UP, ExpectedEdges(bias, True, edge_sigma_px))


def test_distance_along_the_line_of_sight_follows_the_width_of_the_tube():
    spread = from_the_side(300.0, 1000.0)

    # w = f d / Z: sigma_Z = Z sigma_w / w at the middle of what is seen; a lean free to the tool makes it twice at its
    # end
    width_px, pieces = 1000.0 * 8.0 / 300.0, (360 * 0.3 + 14.0) / 2.4  # pieces of 2.4 mm that are alike
    middle_mm = 300.0 * (0.35 * np.sqrt(2 / pieces)) / width_px
    # straight-line fit: sigma at the end is twice that of the mean
    assert middle_mm < spread.along_mm < 2.2 * middle_mm


def test_width_of_the_tube_in_the_picture_is_that_of_a_pinhole():
    assert from_the_side(300.0, 1000.0).width_px == pytest.approx(1000.0 * 8.0 / 300.0, rel=0.01)


@given(st.floats(200, 500), st.floats(1.05, 1.5))
@settings(max_examples=15)
def test_nearer_is_never_worse(distance_mm, factor):
    assert expected(distance_mm=distance_mm).height_mm < expected(distance_mm=distance_mm * factor).height_mm


@given(st.floats(0.1, 0.6))
@settings(max_examples=10)
def test_spread_grows_with_the_scatter_of_the_edges(sigma_px):
    once, twice = (from_the_side(300.0, 1000.0, edge_sigma_px=s).along_mm for s in (sigma_px, 2 * sigma_px))

    assert twice == pytest.approx(2 * once, rel=0.02)  # linear least squares, the offsets known


def test_unsure_edges_set_a_floor_that_no_sharpness_goes_below():
    sharp = from_the_side(300.0, 1000.0, bias_px=0.3, edge_sigma_px=0.01)

    floor_mm = 300.0 * 0.3 * np.sqrt(2) / (1000.0 * 8.0 / 300.0)  # both sides unsure by 0.3 px, pinhole geometry
    assert 0.3 * floor_mm < sharp.along_mm < floor_mm  # the outlet's rim tells the width a second time


def test_edges_that_may_seem_turned_leave_the_width_of_the_outlet_less_sure():
    straight, turned = (from_the_side(300.0, 1000.0, edge_sigma_px=0.05, slope_px=s).along_mm for s in (1e-4, 0.1))

    # both sides wrong by 0.1 px at the outlet, pinhole geometry; the lean takes up a part of it
    most_mm = 300.0 * 0.1 * np.sqrt(2) / (1000.0 * 8.0 / 300.0)
    assert 0.2 * most_mm < np.sqrt(turned**2 - straight**2) < most_mm


def test_more_pixels_tell_more():
    assert expected(size="1080p").height_mm < 0.75 * expected(size="720p").height_mm


def test_looking_from_the_side_tells_more_of_the_height_than_from_above():
    heights = [expected(angle_deg=a).height_mm for a in (20, 40, 60)]

    assert heights == sorted(heights, reverse=True)


def test_tool_out_of_the_picture_tells_nothing():
    spread = from_the_side(300.0, 1000.0, tip=(4000.0, 0.0))

    assert np.isinf(spread.height_mm) and spread.width_px == 0
