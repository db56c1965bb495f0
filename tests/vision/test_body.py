"""The nozzle's body from its measures, and how it was held."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.transform import Rotation

from vision.errors import GeometryError
from vision.nozzle.body import (
    Frustum,
    Hold,
    NozzleBody,
    ToolPose,
    body_from_measures,
    distinct_holds,
    hold_of,
    sideways_of,
)

CAM_FROM_BENCH = np.eye(4)
CAM_FROM_BENCH[:3, :3] = Rotation.from_rotvec([2.1, -0.7, 0.4]).as_matrix()
CAM_FROM_BENCH[:3, 3] = [12.0, -30.0, 330.0]


def test_a_body_is_sliced_between_its_measures():
    body = body_from_measures([(4.0, 0.0), (4.5, 28.0), (9.0, 36.0), (11.0, 36.0), (11.5, 50.0)],
                              [(13.0, 50.0), (14.0, 70.0)], bend_deg=30.0)

    assert body.frusta == (Frustum("tube", 0.0, 28.0, 4.0, 4.5), Frustum("cone", 28.0, 36.0, 4.5, 9.0),
                           Frustum("collar", 36.0, 50.0, 11.0, 11.5), Frustum("handle", 50.0, 70.0, 13.0, 14.0))
    assert (body.bend_at_mm, body.bend_rad) == (28.0, pytest.approx(np.pi / 6))


def test_a_bend_lies_where_the_tube_is_said_to_end():
    assert body_from_measures([(4.0, 0.0), (4.0, 28.0)], [], 20.0, 21.5).bend_at_mm == 21.5


@pytest.mark.parametrize("end_radius_mm, kind", [(5.4, "cone"), (5.6, "collar"), (7.4, "collar"), (7.6, "cone")])
def test_what_grows_or_narrows_by_more_than_a_seventh_of_its_length_is_a_cone(end_radius_mm, kind):
    body = body_from_measures([(4.0, 0.0), (4.0, 10.0), (6.5, 10.0), (end_radius_mm, 16.4)], [])

    assert body.frusta[1].kind == kind  # 0.15 of 6.4 mm


@pytest.mark.parametrize("profile", [[(0.0, 0.0), (4.0, 9.0)], [(4.0, 0.0), (-1.0, 9.0)], [(4.0, 9.0), (4.0, 8.0)], [],
                                     [(4.0, 3.0)], [(4.0, 3.0), (5.0, 3.0)]])
def test_a_body_needs_radii_and_distances_that_go_up(profile):
    with pytest.raises(GeometryError, match="nozzle profile"):
        body_from_measures(profile, [])


@pytest.mark.parametrize("bend_rad, is_bent", [(0.0, False), (1e-7, False), (0.1, True), (-0.1, True)])
def test_a_tool_is_bent_when_its_roll_can_be_seen(bend_rad, is_bent):
    assert NozzleBody((), 20.0, bend_rad).is_bent is is_bent


def test_a_hold_is_the_pose_of_the_bench_and_gives_it_back():
    axis = np.array([0.48, -0.6, 0.64])
    pose = ToolPose(np.array([3.0, -9.0, 310.0]), axis, 1.3)

    hold = hold_of(pose, CAM_FROM_BENCH)
    back = hold.pose_at(pose.tip_mm, CAM_FROM_BENCH)

    assert_allclose(hold.axis, Rotation.from_rotvec([-2.1, 0.7, -0.4]).apply(axis), atol=1e-12)
    assert_allclose(hold.sideways, Rotation.from_rotvec([-2.1, 0.7, -0.4]).apply(sideways_of(axis, 1.3)), atol=1e-12)
    assert_allclose([*back.tip_mm, *back.axis, back.roll_rad], [3.0, -9.0, 310.0, *axis, 1.3], atol=1e-12)


@pytest.mark.parametrize("turn_deg, about, n", [(11.5, 0, 1), (12.5, 0, 2), (11.5, 2, 1), (12.5, 2, 2)])
def test_holds_that_differ_by_less_than_twelve_degrees_are_one(turn_deg, about, n):
    turn = Rotation.from_rotvec(np.radians(turn_deg) * np.eye(3)[about])
    first = Hold(np.array([0.0, 0.0, 1.0]), np.array([1.0, 0.0, 0.0]))

    kept = distinct_holds([first, Hold(turn.apply(first.axis), turn.apply(first.sideways)), first])

    assert len(kept) == n and kept[0] is first


def test_equal_bodies_are_one_to_what_is_kept_for_them():
    one, same, other = (body_from_measures([(4.0, 0.0), (radius_mm, 28.0)], []) for radius_mm in (4.5, 4.5, 4.6))

    assert len({one, same, other}) == 2
