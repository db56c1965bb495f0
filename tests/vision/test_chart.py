"""The filter's coordinates of a pose: there and back, and how they change with a step of the pose."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from vision.nozzle.body import ToolPose, sideways_of
from vision.nozzle.silhouette import moved_pose, turned
from vision.track.chart import axis_of, axis_spread, chart_of, chart_of_steps, pose_of

LOOKS_DOWN = np.eye(4)
LOOKS_DOWN[:3, :3] = Rotation.from_euler("xyz", [2.6, 0.1, 0.4]).as_matrix()
LOOKS_DOWN[:3, 3] = 20.0, -30.0, 400.0
CHARTS = st.tuples(*[st.floats(-60, 60)] * 3, st.floats(-0.6, 0.6), st.floats(-0.6, 0.6),
                   st.floats(-3.0, 3.0)).map(np.array)


def _chart(pose):
    return chart_of(pose.tip_mm, pose.axis, sideways_of(pose.axis, pose.roll_rad), LOOKS_DOWN)


@given(*[st.tuples(*[st.floats(-4, 4)] * 3).map(np.array)] * 2)
def test_a_vector_turns_as_a_reference_library_turns_it(vector, turn):
    assert_allclose(turned(vector, turn), Rotation.from_rotvec(turn).apply(vector), atol=1e-12)  # scipy


@settings(max_examples=60)
@given(CHARTS)
def test_a_pose_is_given_back_by_its_coordinates(chart):
    assert_allclose(_chart(ToolPose(*pose_of(chart, LOOKS_DOWN))), chart, atol=1e-9)


@settings(max_examples=60)
@given(CHARTS)
def test_a_charts_jet_points_down_with_its_x_and_y(chart):
    axis = LOOKS_DOWN[:3, :3].T @ pose_of(chart, LOOKS_DOWN)[1]

    assert_allclose(axis[:2], chart[3:5], atol=1e-12)
    assert axis[2] < 0


@settings(max_examples=40)
@given(CHARTS)
def test_coordinates_change_with_a_step_as_small_steps_show(chart):
    pose, h = ToolPose(*pose_of(chart, LOOKS_DOWN)), 1e-6
    slopes = np.array([(_chart(moved_pose(pose, h * e)) - _chart(moved_pose(pose, -h * e))) / (2 * h)
                       for e in np.eye(6)]).T

    assert_allclose(chart_of_steps(pose.tip_mm, pose.axis, pose.roll_rad, LOOKS_DOWN, True), slopes, atol=1e-4)


def test_a_jet_s_direction_changes_with_its_chart_as_small_steps_show():
    chart, h = np.array([0.31, -0.22]), 1e-6
    slopes = np.stack([(axis_of(chart + step) - axis_of(chart - step)) / (2 * h) for step in h * np.eye(2)], -1)

    found = axis_spread(axis_of(chart))

    assert_allclose(found[3:, 3:], slopes, atol=1e-8)
    assert_allclose(found[:3], np.eye(5)[:3])
    assert (found[3:, :3] == 0).all()


def test_a_chart_beyond_the_horizon_is_drawn_back_to_just_above_it():
    x, y, z = axis_of(np.array([1.5, -2.0]))

    assert_allclose([x, y], 0.999 * np.array([0.6, -0.8]))
    assert_allclose(x * x + y * y + z * z, 1.0)
    assert z < 0


def test_a_turn_is_counted_from_the_bench_s_x():
    chart = np.array([3.0, 4.0, 5.0, 0.0, 0.0, 0.3])

    _, axis, roll = pose_of(chart, LOOKS_DOWN)
    sideways = LOOKS_DOWN[:3, :3].T @ sideways_of(axis, roll)

    assert_allclose(sideways, [np.cos(0.3), -np.sin(0.3), 0.0], atol=1e-12)  # the jet points down


def test_a_straight_tool_s_turn_stays_by_itself():
    pose = ToolPose(*pose_of(np.array([3.0, 4.0, 5.0, 0.2, -0.3, 0.6]), LOOKS_DOWN))
    steps = chart_of_steps(pose.tip_mm, pose.axis, pose.roll_rad, LOOKS_DOWN, False)

    assert_allclose(steps[5], np.eye(6)[5])
    assert_allclose(steps[:5], chart_of_steps(pose.tip_mm, pose.axis, pose.roll_rad, LOOKS_DOWN, True)[:5])
