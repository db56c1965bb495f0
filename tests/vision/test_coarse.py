"""Coarse outlines on fields of edges: against lines and circles worked out with the camera, and edges drawn by hand."""

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose

from vision.camera.model import CameraModel
from vision.fit.pose import Picture
from vision.nozzle.body import Hold, ToolPose, axis_frame, body_from_measures, sideways_of
from vision.nozzle.silhouette import Poses, body_arrays, outline, tool_hull
from vision.track.coarse import (
    CoarseTool,
    EdgeView,
    direction_of,
    reward,
    shares,
    sweep_poses,
    sweep_tube,
    visible_reward,
)
from vision.track.find import (
    _alike_in_picture,
    _around,
    _axes,
    _best_pairs,
    _blows_free,
    _edge_places,
    _height_mm,
    _plausible,
    _region_around,
    _region_of,
    _sideways,
    _unlike,
    habit,
    share_in_view,
)
from vision.track.novelty import NewEdges, new_edges

CAMERA = CameraModel([[900, 0, 640.0], [0, 880, 362.0], [0, 0, 1]], [0.06, -0.11, 0.0008, -0.0005, 0.02], (1280, 720))
BENT = body_from_measures([(4.0, 0.0), (4.2, 21.0), (9.0, 30.0), (11.0, 31.5), (11.0, 44.0)],
                          [(13.0, 46.0), (15.0, 80.0)], bend_deg=35.0, tube_length_mm=25.0)
H, W = 720, 1280


def _pose(x, y, z, lean, turn, roll):
    axis = np.array([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)])
    return ToolPose(np.array([x, y, z]), axis, roll)


POSES = [_pose(4.0, -7.0, 310.0, 0.7, 0.3, 0.4), _pose(-20.0, 12.0, 340.0, 2.2, -1.1, 2.6),
         _pose(11.0, 6.0, 290.0, 1.3, 2.5, -1.2)]


def _fields(seed=1):
    """Distances to edges that change slowly across the picture, unlike for each direction."""
    y, x = np.mgrid[:H // 2, :W // 2]
    waves = np.random.default_rng(seed).uniform(20, 60, (6, 2))
    return np.stack([4.0 + 3.9 * np.sin(x / a) * np.cos(y / b) for a, b in waves]).astype(np.float32)


def _number(normal):
    """Of six directions 30 degrees apart the nearest to a normal or its opposite."""
    return round(np.degrees(np.arctan2(normal[1], normal[0])) / 30) % 6


def _met(a, b, count, fields, alike_px):
    """Length of a line that lies on edges that run alike: of so many places, each the less the further one is."""
    share = 0.0
    for k in range(count):
        x, y = (a + (b - a) * (k + 0.5) / count) // 2
        near = fields[_number([-(b - a)[1], (b - a)[0]]), int(y), int(x)] / alike_px
        share += max(1 - near**2, 0) / count
    return share * np.linalg.norm(b - a)


def _limbs_of(start, end, r0, r1, origin, u):
    """Directions (2, 3), square to the axis, in which a cone's surface is seen edge on, and that between them."""
    slope = (r1 - r0) / (end - start)
    across = origin - (origin @ u) * u
    rho = np.linalg.norm(across)
    away, aside = across / rho, np.cross(u, across) / rho
    cos = np.clip((slope * (origin @ u + start) - r0) / rho, -1, 1)  # (radial - slope u) . point = 0
    half = np.arccos(cos)
    return [np.cos(half) * away + side * np.sin(half) * aside for side in (-1, 1)], away, aside, half


def _reward(body, pose, fields, alike_px, which=slice(None)):
    up = -pose.axis
    after = np.cos(body.bend_rad) * up + np.sin(body.bend_rad) * sideways_of(pose.axis, pose.roll_rad)
    total, before = 0.0, 0.0
    for k, piece in enumerate(body.frusta[which]):
        start, end, r0, r1 = piece.start_mm, piece.end_mm, piece.start_radius_mm, piece.end_radius_mm
        u, origin = up, pose.tip_mm
        if piece.kind == "handle":
            u, origin = after, pose.tip_mm + body.bend_at_mm * (up - after)
        ways, away, aside, half = _limbs_of(start, end, r0, r1, origin, u)
        met = 0.0
        for way in ways:
            ends = CAMERA.project(np.array([origin + start * u + r0 * way, origin + end * u + r1 * way]))
            met += _met(*ends, max(2, int((end - start) / 4)), fields, alike_px)
        if k == 0 or r0 > before:
            is_far = (origin + start * u) @ u > 0  # the front faces us: its far arc bounds it
            first, last = (-half, half) if is_far else (half, 2 * np.pi - half)
            chords = min(max(int((last - first) * r0 / 4), 3), 8)
            angle = np.linspace(first, last, chords + 1)[:, None]
            px = CAMERA.project(origin + start * u + r0 * (np.cos(angle) * away + np.sin(angle) * aside))
            met += sum(_met(a, b, 1, fields, alike_px) for a, b in itertools.pairwise(px))
        before = r1
        total += {"tube": 2.0, "handle": 0.5}.get(piece.kind, 1.0) * met
    return total * pose.tip_mm[2] / CAMERA.camera_matrix_px[0, 0]  # [mm] at the outlet


@pytest.mark.parametrize("alike_px", [3.0, 6.0])
def test_a_reward_is_the_length_of_limbs_and_front_rims_on_edges_that_run_alike(alike_px):
    fields = _fields()
    sides = np.array([sideways_of(p.axis, p.roll_rad) for p in POSES])

    poses = Poses(np.array([p.tip_mm for p in POSES]), np.array([p.axis for p in POSES]), sides)
    worth = reward(CAMERA, BENT, NewEdges(fields), poses, alike_px)

    assert_allclose(worth, [_reward(BENT, pose, fields, alike_px) for pose in POSES], rtol=1e-5)


def test_a_tube_s_sweep_is_the_reward_of_its_limbs():
    fields, slices = _fields(2), body_arrays(BENT)[0]
    tips, axes = np.array([p.tip_mm for p in POSES[:2]]), np.array([p.axis for p in POSES])

    found = sweep_tube(slices[0], tips, axes, CAMERA.lens, fields)

    for i, tip in enumerate(tips):
        for j, axis in enumerate(axes):
            ways, *_ = _limbs_of(0.0, 21.0, 4.0, 4.2, tip, -axis)
            lines = [CAMERA.project(np.array([tip + 4.0 * way, tip - 21 * axis + 4.2 * way])) for way in ways]
            met = sum(_met(*line, 5, fields, 6.0) for line in lines)
            assert found[i, j] == pytest.approx(met * tip[2] / 900, rel=1e-5)


def test_some_slices_are_swept_alone():
    fields, (slices, kinds) = _fields(3), body_arrays(BENT)
    pose = POSES[2]

    worth = sweep_poses(CoarseTool(slices[:2], kinds[:2], shares(BENT)[:2], 0.0, 0.0), pose.tip_mm[None],
                        pose.axis[None], -pose.axis[None], EdgeView(CAMERA.lens, fields, 6.0))

    assert worth[0] == pytest.approx(_reward(BENT, pose, fields, 6.0, slice(2)), rel=1e-5)


@pytest.mark.parametrize("pose", POSES)
def test_what_is_visible_is_rewarded_by_its_share_and_the_root_of_its_length(pose):
    fields = _fields(4)
    out = outline(CAMERA, BENT, pose, 3.0)
    length = np.array([2.0, 1.0, 1.0, 1.0, 0.5, 2.0])[out.part] * out.mm_per_sample  # the rim is part -1
    at = (out.px // 2).astype(int)
    near = np.array([fields[_number(n), y, x] for n, (x, y) in zip(out.normal_px, at, strict=True)]) / 3.0

    worth = visible_reward(CAMERA, BENT, NewEdges(fields), pose)

    assert worth == pytest.approx((length * np.maximum(1 - near**2, 0)).sum() / np.sqrt(length.sum()), rel=1e-6)


def test_outside_the_picture_nothing_is_met():
    away = _pose(400.0, 0.0, 310.0, 0.7, 0.3, 0.4)
    side = sideways_of(away.axis, away.roll_rad)

    poses = Poses(away.tip_mm[None], away.axis[None], side[None])
    assert reward(CAMERA, BENT, NewEdges(0 * _fields()), poses)[0] == 0.0
    assert visible_reward(CAMERA, BENT, NewEdges(0 * _fields()), away) == 0.0


@pytest.mark.parametrize("degrees", [*range(-170, 180, 14)])
def test_a_normal_has_the_number_of_the_direction_next_to_it(degrees):
    normal = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))

    assert direction_of(*normal) == _number(normal)


def _picture(image, known=None):
    bench = np.full((*image.shape[:2], 3), 0.2, np.float32)
    return Picture(image, bench, np.full(image.shape[:2], 255, np.uint8) if known is None else known)


LEVEL = 124  # grey of light 0.2


@pytest.mark.parametrize(("degrees", "numbers"), [(5, {5, 0, 1}), (55, {1, 2, 3}), (100, {2, 3, 4}), (-35, {4, 5, 0})])
def test_a_straight_edge_is_told_to_directions_within_45_degrees_of_its_normal(degrees, numbers):
    y, x = np.mgrid[:80, :100]
    normal = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    away = (x - 50) * normal[0] + (y - 40) * normal[1]
    image = np.repeat(np.where(away > 0, LEVEL, 40)[..., None], 3, 2).astype(np.uint8)

    distance = new_edges(_picture(image)).distance_px

    assert distance.shape == (6, 40, 50)
    middle = distance[:, 12:28, 17:33]
    assert {k for k in range(6) if middle[k].min() < 1} == numbers
    near = np.abs(away[::2, ::2] + 0.5)[12:28, 17:33]
    for k in numbers:
        assert middle[k][near < 0.9].max() <= 3.0
        assert middle[k][near > 12].min() == np.inf


def test_edges_are_looked_for_in_the_region_alone():
    image = np.full((80, 100, 3), LEVEL, np.uint8)
    image[20:60, 30:70] = 40

    part = new_edges(_picture(image), (slice(10, 50), slice(40, 90))).distance_px

    whole = new_edges(_picture(image)).distance_px
    assert (part[:, :5] == np.inf).all() and (part[:, :, :20] == np.inf).all() and (part[:, 25:] == np.inf).all()
    assert_allclose(part[:, 8:20, 24:42], whole[:, 8:20, 24:42])


def test_places_lie_on_a_grid_beside_new_edges_where_something_is():
    fields = np.full((6, 40, 60), np.inf, np.float32)
    fields[3, 12, 21] = fields[0, 30, 2] = 0.0
    mask = np.zeros((20, 30), np.uint8)
    mask[:, 29] = 255  # 25 quarter-size pixels round it count

    assert _edge_places(NewEdges(fields), mask).tolist() == [[45.0, 25.0]]


def test_the_best_pairs_of_a_table_are_its_largest():
    table = np.random.default_rng(2).permutation(35).reshape(5, 7).astype(float)

    rows, columns = _best_pairs(table, 6)

    assert sorted(table[rows, columns]) == [29, 30, 31, 32, 33, 34]
    assert len(_best_pairs(table, 35)[0]) == len(_best_pairs(table, 90)[0]) == 35


def test_poses_are_unlike_when_apart_or_turned():
    tips = np.array([[0.0, 0, 0], [2.0, 2, 0.9], [2.0, 2, 1.1], [0, 0, 0.5], [9.0, 0, 0]])
    axes = np.tile([0.0, 0.0, 1.0], (5, 1))
    axes[3] = [0.0, np.sin(0.15), np.cos(0.15)]  # cosine 0.9888

    assert _unlike(tips, axes, np.array([0, 1, 2, 3, 4]), 5, 3.0).tolist() == [0, 2, 3, 4]
    assert _unlike(tips, axes, np.array([4, 2, 1, 0]), 2, 3.0).tolist() == [4, 2]


def test_without_holds_all_directions_downwards_are_tried():
    axes = np.array(_axes(()))

    assert len(axes) == 5 * 24
    tilts = np.degrees(np.arccos(-axes[:, 2]))
    assert_allclose(np.unique(tilts.round(6)), [4, 16, 28, 40, 52])
    assert_allclose(axes.reshape(5, 24, 3)[..., :2].sum(1), 0.0, atol=1e-9)


HOLD = Hold(np.array([0.48, -0.6, -0.64]), np.array([0.8, 0.6, 0.0375]) / np.hypot(1, 0.0375))  # at right angles


def test_a_hold_s_neighbours_lie_in_two_rings_around_it():
    near = _around(HOLD)

    assert len(near) == 13
    angles = np.degrees([np.arccos(np.clip(h.axis @ HOLD.axis, -1, 1)) for h in near])
    assert_allclose(angles, [0] + [10] * 4 + [20] * 8, atol=1e-6)
    assert_allclose([h.axis @ h.sideways for h in near], 0.0, atol=1e-9)
    offs = np.array([h.axis - HOLD.axis * (h.axis @ HOLD.axis) for h in near])
    assert_allclose(offs.sum(0), 0.0, atol=1e-9)
    assert len(_axes((HOLD, HOLD))) == 13  # what is alike is tried once


def test_a_bent_handle_s_sides_are_those_of_its_holds_or_all_round():
    axis, straight = POSES[0].axis, body_from_measures([(4.0, 0.0), (4.0, 9.0)], [])
    a, b = axis_frame(axis)
    hold = Hold(axis, np.cos(0.9) * a + np.sin(0.9) * b)

    held = [np.arctan2(side @ b, side @ a) for side in _sideways(BENT, axis, (hold,), np.eye(3))]
    free = [(np.arctan2(side @ b, side @ a) + 1e-6) % (2 * np.pi) for side in _sideways(BENT, axis, (), np.eye(3))]

    assert_allclose(held, [0.55, 0.9, 1.25])
    assert_allclose(free, np.radians(np.arange(0, 360, 30)), atol=2e-6)
    assert_allclose(_sideways(straight, axis, (), np.eye(3)), [a])


LEVEL_CAMERA = np.diag([1.0, -1.0, -1.0, 1.0])
LEVEL_CAMERA[2, 3] = 330.0  # looks straight down from there


@pytest.mark.parametrize(("height_mm", "lean", "is_plausible"), [
    (-14.5, 0.3, True), (-15.5, 0.3, False), (69.5, 0.3, True), (70.5, 0.3, False), (20.0, 1.31, True),
    (20.0, 1.33, False)])
def test_a_pose_is_plausible_from_a_little_under_the_board_to_where_tools_work(height_mm, lean, is_plausible):
    pose = ToolPose(np.array([4.0, -7.0, 330 - 8 - height_mm]), np.array([np.sin(lean), 0.0, np.cos(lean)]))

    assert _height_mm(pose, LEVEL_CAMERA, 8.0) == pytest.approx(height_mm)
    assert _plausible(pose, LEVEL_CAMERA, 8.0) is is_plausible


def test_no_tool_is_nearer_to_the_camera_than_half_its_height():
    low = LEVEL_CAMERA.copy()
    low[2, 3] = 118.0  # 110 mm over the board
    poses = [ToolPose(np.array([4.0, -7.0, 110 - height_mm]), np.array([0.0, 0.0, 1.0])) for height_mm in (54.5, 55.5)]

    assert [_plausible(pose, low, 8.0) for pose in poses] == [True, False]


def test_a_hold_is_the_less_a_habit_the_further_it_is_from_those_known():
    bench_axis = np.diag([1.0, -1.0, -1.0]) @ HOLD.axis
    turned_axis = np.cos(0.45) * HOLD.axis + np.sin(0.45) * HOLD.sideways
    pose = ToolPose(np.zeros(3), np.diag([1.0, -1.0, -1.0]) @ turned_axis)

    assert habit(ToolPose(np.zeros(3), bench_axis), (HOLD,), LEVEL_CAMERA) == pytest.approx(1.0)
    other = Hold(-HOLD.axis, HOLD.sideways)
    assert habit(pose, (other, HOLD), LEVEL_CAMERA) == pytest.approx(np.exp(-0.5 * (0.45 / 0.3) ** 2))
    assert habit(pose, (), LEVEL_CAMERA) == 1.0


def test_the_share_in_view_is_that_of_the_outline_inside_the_picture():
    pose = _pose(225.0, -7.0, 310.0, 1.3, 0.0, 0.0)  # at the picture's right edge
    px = outline(CAMERA, BENT, pose, 3.0).px

    inside = (px[:, 0] > 4) & (px[:, 0] < 1275) & (px[:, 1] > 4) & (px[:, 1] < 715)
    assert 0.2 < inside.mean() < 0.9
    assert share_in_view(CAMERA, BENT, pose) == pytest.approx(inside.mean())


@pytest.mark.parametrize(("aside_mm", "is_alike"), [(0.0, True), (4.9, True), (5.6, False)])
def test_poses_look_alike_when_outlet_and_tube_lie_within_fifteen_pixels(aside_mm, is_alike):
    pose = ToolPose(np.array([3.0, -4.0, 310.0]), np.array([0.0, 0.6, 0.8]))
    nearer = ToolPose(0.97 * pose.tip_mm + [0.97 * aside_mm, 0, 0], pose.axis)

    assert _alike_in_picture(CAMERA, pose, nearer) is is_alike  # 15 px are 5.2 mm at 310 mm


@pytest.mark.parametrize(("share", "is_free"), [(0.5, True), (0.9, False)])
def test_a_tool_blows_on_what_is_mostly_bench(share, is_free):
    pose = ToolPose(np.array([-20.0, 3.0, 310.0]), np.array([1.0, 0.0, 0.0]))
    solid = np.zeros((180, 320), np.uint8)
    px = CAMERA.project(pose.tip_mm + np.linspace(0.8, 3.0, 8)[:, None] * 8.0 * pose.axis)
    at = np.round((px + 0.5) / 4 - 0.5).astype(int)[:round(8 * share)]
    solid[at[:, 1], at[:, 0]] = 255

    assert _blows_free(CAMERA, BENT, pose, solid) is is_free


def test_regions_hold_the_tool_and_are_even():
    mask = np.zeros((180, 320), np.uint8)
    mask[60:71, 40:90] = 255

    assert _region_of(mask, (720, 1280)) == (slice(140, 384), slice(60, 460))  # 25 of those pixels more
    assert _region_of(np.full((180, 320), 255, np.uint8), (721, 1281)) == (slice(0, 720), slice(0, 1280))


@pytest.mark.parametrize("pose", POSES)
def test_the_region_around_a_pose_is_its_picture_and_sixty_pixels(pose):
    px = np.concatenate(tool_hull(CAMERA, BENT, pose))

    rows, columns = _region_around(CAMERA, BENT, pose, (720, 1280))

    first, last = np.maximum(px.min(0) - 60, 0), np.minimum(px.max(0) + 60, [1280, 720])
    assert_allclose([columns.start, rows.start], first, atol=3.0)
    bounds = columns.start, columns.stop, rows.start, rows.stop
    assert all(v % 2 == 0 for v in bounds)
    assert columns.stop >= last[0] - 3.0 and rows.stop >= last[1] - 3.0
