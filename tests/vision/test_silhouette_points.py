"""Points of an outline against the geometry of cones, SciPy's rotations and hulls, and small steps of the pose."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from tests.vision.drawn import CAMERA
from vision.nozzle.body import NozzleBody, ToolPose, axis_frame, body_from_measures, roll_of, sideways_of
from vision.nozzle.silhouette import (
    STEP,
    _convex,
    _uncovered,
    bend_direction,
    coarseness,
    moved_pose,
    moved_poses,
    outline,
    tool_hull,
    turned,
)

BENT = body_from_measures([(4.0, 0.0), (4.2, 21.0), (9.0, 30.0), (11.0, 31.5), (11.0, 44.0)],
                          [(13.0, 46.0), (15.0, 80.0)], bend_deg=35.0, tube_length_mm=25.0)
TUBE = body_from_measures([(6.0, 0.0), (6.0, 32.0)], [])
CONE = body_from_measures([(5.0, 0.0), (9.0, 32.0)], [])
POSES = [(4.0, -7.0, 310.0, 0.7, 0.3, 0.4), (-20.0, 12.0, 340.0, 2.2, -1.1, 2.6), (11.0, 6.0, 290.0, 1.3, 2.5, -1.2)]


def _pose(x, y, z, lean, turn, roll):
    axis = np.array([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)])
    return ToolPose(np.array([x, y, z]), axis, roll)


POSES = [_pose(*numbers) for numbers in POSES]


def _axes(body, pose):
    """Of each slice: direction away from the outlet, and the point where it would be at distance 0."""
    up = -pose.axis
    side = sideways_of(pose.axis, pose.roll_rad)
    after = np.cos(body.bend_rad) * up + np.sin(body.bend_rad) * side
    bend = pose.tip_mm + body.bend_at_mm * up
    return [(after, bend - body.bend_at_mm * after) if body.bend_rad and f.kind == "handle" else (up, pose.tip_mm)
            for f in body.frusta]


def _rings_px(body, pose, n, phase=0.0):
    """Pictures of the circles that bound each slice, (2 n, 2) each."""
    angle, out = np.linspace(0, 2 * np.pi, n, endpoint=False)[:, None] + phase, []
    for piece, (u, origin) in zip(body.frusta, _axes(body, pose), strict=True):
        a, b = axis_frame(u)
        around = np.cos(angle) * a + np.sin(angle) * b
        out.append(CAMERA.project(np.concatenate([origin + s * u + r * around for s, r in (
            (piece.start_mm, piece.start_radius_mm), (piece.end_mm, piece.end_radius_mm))])))
    return out


@pytest.mark.parametrize("pose", POSES)
def test_long_edges_lie_on_the_surface_where_it_is_seen_edge_on(pose):
    out = outline(CAMERA, BENT, pose, 1.3)

    for part, (piece, (u, origin)) in enumerate(zip(BENT.frusta, _axes(BENT, pose), strict=True)):
        at = out.at((out.part == part) & (np.abs(out.side) == 1))
        slope = (piece.end_radius_mm - piece.start_radius_mm) / (piece.end_mm - piece.start_mm)
        away = at.point_cam_mm - origin
        radial = away - (away @ u)[:, None] * u
        radius = piece.start_radius_mm + slope * (at.along_mm - piece.start_mm)
        assert_allclose(away @ u, at.along_mm, atol=1e-9)
        assert_allclose(np.linalg.norm(radial, axis=1), radius, rtol=1e-12)
        normal = radial / radius[:, None] - slope * u
        assert_allclose((normal * at.point_cam_mm).sum(1), 0.0, atol=1e-9)
        assert np.all(np.sign(np.cross(u, origin) @ radial.T) == at.side)  # counted from the far side


def test_long_edges_are_sampled_at_even_steps_the_handle_s_more_coarsely():
    out = outline(CAMERA, CONE, POSES[0], 1.5)

    for side in (-1, 1):
        at = out.at(out.side == side)
        assert_allclose(at.along_mm, (np.arange(21) + 0.5) * 32 / 21, atol=1e-9)  # 32 mm / 1.5 mm: 21 steps
        assert_allclose(at.mm_per_sample, 32 / 21)
    assert coarseness(BENT).tolist() == [1.0, 1.0, 1.0, 1.0, 1.5]


def test_a_short_slice_has_two_samples_a_side():
    out = outline(CAMERA, body_from_measures([(5.0, 0.0), (5.5, 2.0)], []), POSES[2], 3.0)

    assert [(out.side == side).sum() for side in (-1, 1)] == [2, 2]


@pytest.mark.parametrize("pose", POSES)
@pytest.mark.parametrize("body", [CONE, body_from_measures([(9.0, 0.0), (5.0, 32.0)], [])])
def test_the_outline_of_one_slice_goes_round_the_hull_of_its_circles(body, pose):
    ring = _rings_px(body, pose, 720)[0]
    hull = ConvexHull(ring)

    out = outline(CAMERA, body, pose, 1.0)

    away_px = (hull.equations[:, :2] @ out.px.T + hull.equations[:, 2:]).max(0)
    assert np.abs(away_px).max() < 0.02
    gaps_px = np.linalg.norm(ring[hull.vertices][:, None] - out.px, axis=2).min(1)
    assert gaps_px.max() < 2.2  # nearly 3 px a sample


@pytest.mark.parametrize("pose", POSES)
@pytest.mark.parametrize("body", [TUBE, *(body_from_measures([(r, 0.0), (14.0 - r, 32.0)], []) for r in (5.0, 9.0))])
def test_normals_of_a_slice_point_out_of_its_picture(body, pose):
    hull = ConvexHull(_rings_px(body, pose, 720)[0])

    out = outline(CAMERA, body, pose, 1.0)

    beyond = out.px + 0.5 * out.normal_px
    assert_allclose((hull.equations[:, :2] @ beyond.T + hull.equations[:, 2:]).max(0), 0.5, atol=0.02)
    assert_allclose(np.linalg.norm(out.normal_px, axis=1), 1.0, rtol=1e-9)


@pytest.mark.parametrize("step_mm, lean", [(1.0, 0.7), (1.0, 2.2), (0.3, 1.3), (20.0, 1.3)])
def test_rims_are_sampled_along_their_arcs(step_mm, lean):
    out = outline(CAMERA, CONE, _pose(4.0, -7.0, 310.0, lean, 0.3, 0.4), step_mm)
    u, origin = _axes(CONE, _pose(4.0, -7.0, 310.0, lean, 0.3, 0.4))[0]

    for part, s, r in ((-1, 0.0, 5.0), (0, 32.0, 9.0)):
        at = out.at((out.side == 0) & (out.part == part))
        assert_allclose(np.linalg.norm(at.point_cam_mm - origin - s * u, axis=1), r, rtol=1e-9)
        assert_allclose(at.along_mm, s)
        turn = 2 * np.arcsin(np.linalg.norm(np.diff(at.point_cam_mm, axis=0), axis=1) / (2 * r))
        assert_allclose(turn * r, at.mm_per_sample[0], rtol=1e-9)
        assert len(at.px) == min(max(round(at.mm_per_sample.sum() / step_mm), 5), 24)


@pytest.mark.parametrize("pose", POSES)
def test_points_move_along_their_normals_as_the_jacobian_says(pose):
    before = outline(CAMERA, BENT, pose, 2.0)
    small = np.array([1e-3, 1e-3, 1e-3, 1e-5, 1e-5, 1e-5])

    for k in range(6):
        step = np.where(np.arange(6) == k, small, 0.0)
        ends = [outline(CAMERA, BENT, moved_pose(pose, way * step), 2.0).px for way in (1, -1)]
        moved = ((ends[0] - ends[1]) * before.normal_px).sum(1) / (2 * small[k])
        assert_allclose(moved, before.jacobian[:, k], atol=2e-3 * np.abs(before.jacobian[:, k]).max() + 1e-4)


def test_only_what_lies_behind_the_bend_moves_when_the_tool_rolls():
    out = outline(CAMERA, BENT, POSES[0], 2.0)

    assert np.all((out.jacobian[:, 5] != 0) == (out.part == 4))


@pytest.mark.parametrize("pose", POSES)
def test_the_picture_of_a_limb_moves_with_growth_as_it_says(pose):
    grown = body_from_measures([(5.0 + 0.01 * np.hypot(1, 1 / 8), 0.0), (9.0 + 0.01 * np.hypot(1, 1 / 8), 32.0)], [])
    before, after = (outline(CAMERA, body, pose, 2.0) for body in (CONE, grown))  # by 0.01 mm square to the surface
    limb = before.side != 0

    moved_px = ((after.px - before.px) * before.normal_px).sum(1)[limb]

    assert_allclose(moved_px / 0.01, before.px_per_mm[limb], rtol=2e-3)


@pytest.mark.parametrize("pose", POSES)
def test_a_rim_grows_square_to_itself_and_to_the_line_of_sight(pose):
    out = outline(CAMERA, CONE, pose, 1.0)
    u, origin = _axes(CONE, pose)[0]

    for s in (0.0, 32.0):
        at = out.at((out.side == 0) & (out.along_mm == s))
        radial = at.point_cam_mm - origin - s * u
        growth = np.cross(np.cross(u, radial), at.point_cam_mm)
        growth /= np.linalg.norm(growth, axis=1)[:, None]
        moved_px = CAMERA.project(at.point_cam_mm + 1e-4 * growth) - CAMERA.project(at.point_cam_mm - 1e-4 * growth)
        assert_allclose(np.abs((moved_px * at.normal_px).sum(1)) / 2e-4, at.px_per_mm, rtol=1e-5)


@pytest.mark.parametrize("pose", POSES)
def test_slices_are_seen_as_hulls_of_their_circles(pose):
    hulls = tool_hull(CAMERA, BENT, pose)

    for hull, ring in zip(hulls, _rings_px(BENT, pose, 24), strict=True):
        expected = ConvexHull(ring)
        assert_allclose(np.sort(hull, axis=0), np.sort(ring[expected.vertices], axis=0), atol=1e-9)
        x, y = hull.T
        assert 0.5 * (x @ np.roll(y, -1) - y @ np.roll(x, -1)) == pytest.approx(expected.volume)  # counter-clockwise


def test_a_hull_leaves_out_what_lies_within_and_between():
    points = np.random.default_rng(5).normal(0, 10, (60, 2))
    points[7] = 0.5 * (points[3] + points[4])

    hull = _convex(points)

    vertices = points[ConvexHull(points).vertices]  # counter-clockwise too
    first = np.argmin(vertices[:, 0])
    assert_allclose(hull, np.roll(vertices, -first, 0), atol=0.0)


def test_points_over_another_slice_s_picture_are_left_out_or_are_steps():
    rng = np.random.default_rng(6)
    rings = rng.normal(0, 9, (3, 48, 2)) + np.array([[0, 0], [14, 3], [30, -2]])[:, None]
    px = rng.uniform([-35, -35], [65, 35], (6000, 2))
    labels = np.stack([rng.integers(-1, 3, 6000), rng.integers(-1, 2, 6000), np.zeros(6000, int)], 1)
    before = rng.random(6000) < 0.4
    out = np.array([(h.equations[:, :2] @ px.T + h.equations[:, 2:]).max(0) for h in map(ConvexHull, rings)])
    expected, steps = np.ones(6000, bool), np.zeros(6000, bool)
    for k, (part, side, _) in enumerate(labels):
        for i in set(range(3)) - {max(part, 0)}:
            if before[k] and i <= part:
                steps[k] |= bool(out[i, k] < -0.5)
            else:
                expected[k] &= bool(out[i, k] > (0.5 if side == 0 else -0.3))
    told = labels.copy()

    keep = _uncovered(px, told, before, rings)

    assert_allclose(keep, expected)
    assert_allclose(told[keep, 1], np.where(steps, STEP, labels[:, 1])[keep])


@pytest.mark.parametrize("pose", POSES)
def test_vectors_and_poses_turn_as_scipy_turns_them(pose):
    step = np.array([0.7, -0.4, 1.1, 0.3, -0.2, 0.5])
    a, b = axis_frame(pose.axis)
    tilt = Rotation.from_rotvec(step[3] * a + step[4] * b)
    axis = tilt.apply(pose.axis)
    side = Rotation.from_rotvec(step[5] * axis).apply(tilt.apply(sideways_of(pose.axis, pose.roll_rad)))

    after, (tips, axes, sides) = moved_pose(pose, step), moved_poses(pose.tip_mm, pose.axis, pose.roll_rad,
                                                                     np.stack([0 * step, step]))

    assert_allclose(after.tip_mm, pose.tip_mm + step[:3])
    assert_allclose(after.axis, axis, atol=1e-12)
    assert_allclose(sideways_of(after.axis, after.roll_rad), side, atol=1e-12)
    assert_allclose([tips[1], axes[1], sides[1]], [pose.tip_mm + step[:3], axis, side], atol=1e-12)
    assert_allclose([tips[0], axes[0]], [pose.tip_mm, pose.axis], atol=1e-12)


def test_a_vector_turns_about_any_axis_and_not_at_all_by_nothing():
    rotation, vector = np.array([0.4, -1.1, 0.7]), np.array([2.0, 0.5, -1.3])

    assert_allclose(turned(vector, rotation), Rotation.from_rotvec(rotation).apply(vector), atol=1e-12)
    assert_allclose(turned(vector, 0 * rotation), vector, atol=0.0)


@pytest.mark.parametrize("axis", [(0.6, 0.48, 0.64), (-0.6, 0.0, 0.8), (0.96, 0.0, -0.28), (-0.9, 0.3, 0.316)])
def test_a_frame_completes_its_axis_to_a_right_handed_one(axis):
    axis = np.array(axis) / np.linalg.norm(axis)

    a, b = axis_frame(axis)

    assert_allclose(np.array([axis, a, b]) @ np.array([axis, a, b]).T, np.eye(3), atol=1e-12)
    assert_allclose(np.cross(axis, a), b, atol=1e-12)
    assert a[0 if abs(axis[0]) < 0.8 else 1] == 0.0  # square to that axis of the camera which it is least along


@pytest.mark.parametrize("roll_rad", [-2.9, -0.4, 1.2, 3.0])
def test_a_roll_is_told_by_the_direction_that_it_brings_about(roll_rad):
    axis = POSES[1].axis
    a, _ = axis_frame(axis)

    sideways = sideways_of(axis, roll_rad)

    assert_allclose(sideways, Rotation.from_rotvec(roll_rad * axis).apply(a), atol=1e-12)
    assert roll_of(axis, sideways) == pytest.approx(roll_rad)


def test_a_bent_handle_leaves_to_its_side():
    pose = POSES[1]

    direction = bend_direction(BENT, pose)

    side = np.cross(-pose.axis, sideways_of(pose.axis, pose.roll_rad))
    assert_allclose(direction, Rotation.from_rotvec(np.radians(35) * side).apply(-pose.axis), atol=1e-12)
    assert_allclose(bend_direction(CONE, pose), -pose.axis)


def test_a_tool_seen_along_its_axis_has_no_limbs():
    pose = ToolPose(np.array([0.0, 0.0, 300.0]), np.array([0.0, 0.0, 1.0]))

    assert len(outline(CAMERA, NozzleBody(CONE.frusta, 1.0, 0.0), pose).px) == 0


FRONT_MM = 23.75


def test_a_crease_is_a_step_only_where_the_surface_ahead_of_it_is_turned_away():
    flared = body_from_measures([(4.0, 0.0), (4.0, 20.0), (11.0, FRONT_MM), (11.0, 45.0)], [])
    pose = _pose(5.0, -8.0, 330.0, 1.0, 0.4, 0.0)  # the jet points away from the camera
    u, origin = _axes(flared, pose)[2]

    step = outline(CAMERA, flared, pose, 1.0)
    step = step.at(step.side == STEP)

    def turned_away(radial):  # of the cone's normal, 1 long outwards, along the line of sight, 1 deep
        point = origin + FRONT_MM * u + 11.0 * radial
        return (radial - 7.0 / (FRONT_MM - 20.0) * u) @ point / point[2]

    assert set(step.along_mm) == {FRONT_MM} and set(step.part) == {2}
    nearest = -(origin - (origin @ u) * u)
    nearest /= np.linalg.norm(nearest)
    radials = (step.point_cam_mm - origin - FRONT_MM * u) / 11.0
    angles = np.arctan2(radials @ np.cross(u, nearest), radials @ nearest)
    for way in (-1, 1):
        innermost = way * np.min(way * angles[way * angles > 0])
        before = innermost - way * step.mm_per_sample[0] / 11.0
        assert turned_away(Rotation.from_rotvec(innermost * u).apply(nearest)) > 0.1
        assert turned_away(Rotation.from_rotvec(before * u).apply(nearest)) <= 0.1


def test_a_handle_s_front_rim_and_limbs_are_its_own():
    out = outline(CAMERA, BENT, POSES[2], 2.0)
    limb, rim = (out.at((out.part == 4) & which) for which in (out.side == 1, (out.side == 0) | (out.side == STEP)))

    assert_allclose(limb.mm_per_sample, 34 / 11)  # 34 mm in steps of 3 mm
    assert len(rim.px) > 5 and set(rim.along_mm) == {46.0}
