"""Finding the tool by what is new in the picture, and the bench that it is compared with."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.ndimage import distance_transform_edt

import vision.track.find
from tests.vision.drawn_tool import CAMERA, TOOL, as_camera
from vision.bench.background import BLOCK_PX, MASK_SCALE, BenchView, compose_bench
from vision.edges.likelihood import noise_sigma
from vision.fit.bias import DEFAULT_BIAS, EdgeBias
from vision.fit.pose import Picture, Plane, fit_pose
from vision.nozzle.body import ToolPose, body_from_measures, hold_of
from vision.nozzle.silhouette import moved_pose, tool_hull
from vision.track.coarse import direction_of
from vision.track.find import Sought, _around, _axes, _lifted, find_poses, find_tool, poses_near
from vision.track.novelty import ANGLES, HALF, new_edges, tool_mask

# looking straight down from 400 mm: x right, y away from the operator, z up
CAM_FROM_BENCH = np.array([[1.0, 0, 0, 0], [0, -1, 0, 0], [0, 0, -1, 400], [0, 0, 0, 1]])
DRAWN_EDGES = {key: EdgeBias(0.0, 0.1) for key in DEFAULT_BIAS}
ALL_KNOWN = np.full((720, 1280), 255, np.uint8)


def _bench(rng):
    """A light bench with a dark checker, as print has it."""
    tiles = np.indices((720, 1280)).sum(0) // 40 % 2
    return np.repeat(np.where(tiles, 0.5, 0.12)[..., None], 3,
                     2).astype(np.float32) + rng.uniform(0, 0.01, (720, 1280, 1)).astype(np.float32)


def _with_tool(bench, pose, rng, scale=4, body=TOOL):
    """The tool over the bench, drawn four times too large and averaged down, with noise."""
    cover = np.zeros((720 * scale, 1280 * scale), np.uint8)
    for hull in tool_hull(CAMERA, body, pose):
        cv2.fillConvexPoly(cover, np.round(((hull + 0.5) * scale - 0.5) * 16).astype(np.int32), 255, shift=4)
    share = cv2.resize(cover, (1280, 720), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    share = cv2.GaussianBlur(share, (0, 0), 0.8)[..., None]
    return as_camera(bench * (1 - share) + np.array([0.03, 0.05, 0.25]) * share + rng.normal(0, 0.005, bench.shape))


def _tool(tip_x_mm, tip_y_mm, height_mm, tilt_deg, azimuth_deg):
    tilt, azimuth = np.radians([tilt_deg, azimuth_deg])
    axis = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), -np.cos(tilt)])
    tip = CAM_FROM_BENCH[:3, :3] @ [tip_x_mm, tip_y_mm, height_mm] + CAM_FROM_BENCH[:3, 3]
    return ToolPose(tip, CAM_FROM_BENCH[:3, :3] @ axis)


def test_a_shaded_bench_has_no_new_edges():
    rng = np.random.default_rng(0)
    bench = _bench(rng)
    shade = np.linspace(0.6, 1.0, 1280, dtype=np.float32)[None, :, None]
    picture = Picture(as_camera(bench * shade + rng.normal(0, 0.003, bench.shape)), bench, ALL_KNOWN)

    assert np.mean(new_edges(picture).distance_px.min(0) < 1) < 0.002


def test_print_seen_half_a_pixel_aside_softer_and_through_stray_light_is_neither_new_nor_a_thing():
    rng = np.random.default_rng(0)
    tiles = np.indices((720, 1280)).sum(0) // 16 % 2
    bench = np.repeat(np.where(tiles, 0.75, 0.015).astype(np.float32)[..., None], 3, 2)
    bench = cv2.GaussianBlur(bench, (0, 0), 0.8)
    aside = cv2.warpAffine(bench, np.array([[1.0, 0, 0.5], [0, 1, 0.0]]), (1280, 720), flags=cv2.INTER_CUBIC,
                           borderMode=cv2.BORDER_REPLICATE)
    seen = cv2.GaussianBlur(aside, (0, 0), 0.5) + 0.01
    picture = Picture(as_camera(seen + rng.normal(0, 0.003, bench.shape)), bench, ALL_KNOWN)

    assert np.mean(new_edges(picture).distance_px.min(0) < 1) < 0.001
    assert not tool_mask(picture)[0].any()


def test_what_the_picture_lacks_of_the_bench_makes_no_new_edges():
    rng = np.random.default_rng(0)
    empty = np.full((720, 1280, 3), 0.4, np.float32)
    bench = empty.copy()
    bench[200:500, 300:340] = 0.1  # a hand's shadow that was there when the bench was stored

    seen, lacking = (np.mean(new_edges(Picture(as_camera(now + rng.normal(0, 0.003, now.shape)), then,
                                               ALL_KNOWN)).distance_px.min(0) < 1)
                     for now, then in ((bench, empty), (empty, bench)))

    assert seen > 0.001 and lacking == 0


def _sought(held=None):
    """The drawn tool; known to be held as in that pose, if one is given."""
    return Sought(CAMERA, TOOL, CAM_FROM_BENCH, 0.0, DRAWN_EDGES, () if held is None else (hold_of(held,
                                                                                                   CAM_FROM_BENCH),))


@pytest.mark.parametrize("in_view_mm", [8, 12, 25])
def test_a_tool_that_has_hardly_come_in_is_found_where_it_is_seen(in_view_mm):
    rng = np.random.default_rng(3)
    border_mm = 360 * 385 / 900  # what the camera sees at the height of the outlet
    bench, pose = _bench(rng), _tool(15, in_view_mm - border_mm, 15, 35, 90)

    fit = find_tool(_sought(pose), Picture(_with_tool(bench, pose, rng), bench, ALL_KNOWN))

    assert fit is not None
    assert np.linalg.norm(CAMERA.project(fit.pose.tip_mm[None]) - CAMERA.project(pose.tip_mm[None])) < 6


def test_new_edges_tell_how_far_away_they_are_as_far_as_is_looked():
    rng = np.random.default_rng(5)
    bench = _bench(rng)
    picture = Picture(_with_tool(bench, _tool(-10, 5, 12, 35, 90), rng), bench, ALL_KNOWN)

    for field in new_edges(picture).distance_px:
        away = HALF * distance_transform_edt(field > 0)
        assert (field == 0).any() and (field >= away - 1e-3).all()
        np.testing.assert_allclose(field[away <= 6], away[away <= 6], rtol=1e-6)


@given(st.floats(-1, 1), st.floats(-1, 1))
def test_a_normal_and_its_opposite_belong_to_the_nearest_of_the_directions(x, y):
    assume(np.hypot(x, y) > 1e-3)
    steps = np.arctan2(y, x) * ANGLES / np.pi
    assume(abs(steps % 1 - 0.5) > 1e-6)

    assert direction_of(x, y) == direction_of(-x, -y) == round(steps) % ANGLES


@pytest.mark.parametrize("away", [(9.0, 0, 3, 0.03, 0, 0), (-6, 7, -4, 0, 0.05, 0)])
def test_a_pose_that_was_left_behind_is_led_back_to_the_tool(away):
    rng = np.random.default_rng(6)
    bench, pose = _bench(rng), _tool(-10, 5, 12, 35, 90)
    picture = Picture(_with_tool(bench, pose, rng), bench, ALL_KNOWN)
    start = moved_pose(pose, np.array(away))

    near = poses_near(CAMERA, TOOL, picture, start, np.array([8, 8, 8, 0.08, 0.08, 0.01]))

    off_px = [np.linalg.norm(CAMERA.project(p.tip_mm[None]) - CAMERA.project(pose.tip_mm[None])) for p in near]
    assert min(off_px) < 0.25 * np.linalg.norm(CAMERA.project(start.tip_mm[None]) - CAMERA.project(pose.tip_mm[None]))


def _found_beside_a_rival(monkeypatch, rival, **options):
    """What a search gives when one of its drafts lies in the pose that `rival` makes of another, and a full fit of each
    explains as much as the other and stays where it is.
    """
    rng = np.random.default_rng(1)
    bench, pose = _bench(rng), _tool(-10, 5, 12, 35, 90)
    picture, n_drafts, n_full = Picture(_with_tool(bench, pose, rng), bench, ALL_KNOWN), 0, 0

    def as_well(camera, body, seen, start, *args, **options):
        nonlocal n_drafts, n_full
        if options["rounds"].reach_px > 9.0:
            fit = fit_pose(camera, body, seen, start, *args, **options)
            n_drafts += fit is not None
            return replace(fit, pose=rival(pose)) if n_drafts == 2 else fit
        n_full += 1
        fit = fit_pose(camera, body, seen, pose, *args, **options)
        return replace(fit, pose=start, quality=0.55)

    monkeypatch.setattr(vision.track.find, "fit_pose", as_well)
    found = find_tool(_sought(), picture, **options)
    assert n_full >= 2
    return found


@pytest.mark.parametrize("is_photograph", [True, False])
def test_two_places_that_explain_a_picture_alike_are_not_told_apart_but_by_a_known_height(monkeypatch, is_photograph):
    plane = Plane(-CAM_FROM_BENCH[:3, 2], 388.0, 5.0) if is_photograph else None

    found = _found_beside_a_rival(monkeypatch, lambda p: moved_pose(p, np.array([40.0, 0, 0, 0, 0, 0])), plane=plane)

    assert (found is not None) == is_photograph


@pytest.mark.parametrize("share, aside_mm, is_found", [(0.4, 0.0, True), (0.4, 30.0, False), (1.0, 0.0, False)])
def test_a_tool_seen_in_part_is_found_when_only_how_near_it_is_cannot_be_told(monkeypatch, share, aside_mm, is_found):
    monkeypatch.setattr(vision.track.find, "share_in_view", lambda *_: share)

    def nearer(pose):
        return ToolPose(0.92 * pose.tip_mm + np.array([aside_mm, 0.0, 0.0]), pose.axis, pose.roll_rad)  # by 30 mm

    assert (_found_beside_a_rival(monkeypatch, nearer) is not None) == is_found


def test_directions_near_like_holds_are_tried_once_and_none_is_far_from_one_that_is():
    hold, leaning = (hold_of(_tool(0, 0, 15, tilt, 90), CAM_FROM_BENCH) for tilt in (20, 33))

    axes = np.array(_axes((hold, hold, leaning)))

    assert len(_axes((hold, hold))) == len(_axes((hold,))) == 13
    assert 13 < len(axes) < 26
    near = np.array([one.axis for known in (hold, leaning) for one in _around(known)])
    assert ((near @ axes.T).max(1) > np.cos(np.deg2rad(5.01))).all()


def test_drafts_that_end_in_one_place_are_fitted_in_full_once(monkeypatch):
    rng = np.random.default_rng(1)
    bench, pose = _bench(rng), _tool(-10, 5, 12, 35, 90)
    drafts, full = [], []

    def noted(camera, body, picture, start, *args, **options):
        fit, rounds = fit_pose(camera, body, picture, start, *args, **options), options["rounds"]
        if rounds.reach_px > 9.0 and fit is not None:
            drafts.append(fit.pose)
        elif not rounds.is_exact:
            full.append(start)
        return fit

    monkeypatch.setattr(vision.track.find, "fit_pose", noted)
    found = find_poses(_sought(pose), Picture(_with_tool(bench, pose, rng), bench, ALL_KNOWN))

    at_the_tool = [p for p in drafts if np.linalg.norm(p.tip_mm - pose.tip_mm) < 1.5]
    assert len(at_the_tool) > 1  # else there was nothing to do
    assert len([p for p in full if np.linalg.norm(p.tip_mm - pose.tip_mm) < 1.5]) == 1
    assert np.linalg.norm(found[0].pose.tip_mm - pose.tip_mm) < 0.5


def test_a_pose_below_the_board_is_brought_up_where_it_is_seen():
    below = _tool(20, -10, -40, 30, 80)

    lifted = _lifted(below, CAM_FROM_BENCH, 1.6)

    np.testing.assert_allclose(CAMERA.project(lifted.tip_mm[None]), CAMERA.project(below.tip_mm[None]), atol=1e-6)
    assert 400 - lifted.tip_mm[2] - 1.6 == pytest.approx(25)  # the camera stands 400 mm over the bench


def test_a_pose_a_little_below_the_board_is_left_alone():
    pose = _tool(20, -10, -5, 30, 80)

    assert _lifted(pose, CAM_FROM_BENCH, 1.6) is pose


@pytest.mark.parametrize("place", [(-10, 5, 12, 35, 90), (30, -20, 4, 25, 110), (0, 20, 30, 40, 70)])
def test_the_tool_is_found_without_a_start(place):
    rng = np.random.default_rng(1)
    bench, pose = _bench(rng), _tool(*place)

    fit = find_tool(_sought(), Picture(_with_tool(bench, pose, rng), bench, ALL_KNOWN))

    assert fit is not None
    across = fit.pose.tip_mm[:2] / fit.pose.tip_mm[2] - pose.tip_mm[:2] / pose.tip_mm[2]
    assert np.hypot(*across) * 400 < 1.0
    assert abs(fit.pose.tip_mm[2] - pose.tip_mm[2]) < 10
    assert fit.pose.axis @ pose.axis > np.cos(np.radians(5))


@pytest.mark.parametrize("place", [(-10, 5, 12, 35, 90), (30, -20, 4, 25, 110), (0, 20, 30, 40, 70)])
def test_a_tube_that_mirrors_the_bench_at_its_limbs_is_found_no_further_away(place):
    rng = np.random.default_rng(1)
    bench, pose = _bench(rng), _tool(*place)
    seen = body_from_measures([(2.9, 0.0), (2.9, 28.0), (7.9, 36.0), (11.0, 37.0), (11.0, 50.0)],
                              [(13.0, 50.0), (14.0, 70.0)])

    fit = find_tool(_sought(pose), Picture(_with_tool(bench, pose, rng, body=seen), bench, ALL_KNOWN))

    # as wide a tube as is seen would be 150 mm away
    assert fit is not None and abs(fit.pose.tip_mm[2] - pose.tip_mm[2]) < 4


@pytest.mark.parametrize("share, turn_rad", [(0.2, 0.09), (0.6, 0.18), (1.0, 0.3)])
def test_the_less_of_the_tool_is_in_view_the_less_it_may_be_held_unlike_before(monkeypatch, share, turn_rad):
    rng = np.random.default_rng(1)
    bench, pose, priors = _bench(rng), _tool(-10, 5, 12, 35, 90), []
    monkeypatch.setattr(vision.track.find, "share_in_view", lambda *_: share)
    monkeypatch.setattr(vision.track.find, "fit_pose", lambda *_, prior, **__: priors.append(prior))

    find_tool(_sought(pose), Picture(_with_tool(bench, pose, rng), bench, ALL_KNOWN))

    assert priors and all(np.sqrt(p.cov[3, 3]) == pytest.approx(turn_rad) for p in priors)


def test_nothing_is_found_on_an_empty_bench():
    rng = np.random.default_rng(2)
    bench = _bench(rng)

    assert find_tool(Sought(CAMERA, TOOL, CAM_FROM_BENCH, 0.0),
                     Picture(as_camera(bench + rng.normal(0, 0.005, bench.shape)), bench, ALL_KNOWN)) is None


def test_a_hold_gives_back_the_pose_it_came_from():
    pose = moved_pose(_tool(0, 0, 10, 30, 80), np.array([1.0, -2, 3, 0.02, -0.03, 0.7]))

    again = hold_of(pose, CAM_FROM_BENCH).pose_at(pose.tip_mm, CAM_FROM_BENCH)

    np.testing.assert_allclose(again.axis, pose.axis, atol=1e-12)
    assert np.cos(again.roll_rad - pose.roll_rad) == pytest.approx(1.0)


def _photographs():
    """Two places of the tool, three photographs each; a hand lies in the lower right corner in all of them and moves a
    little.
    """
    rng = np.random.default_rng(3)
    bench = _bench(rng)
    groups = []
    for left in (100, 600):
        group = []
        for k in range(3):
            light = bench + rng.normal(0, 0.004, bench.shape).astype(np.float32)
            light[200 + 12 * k:420 + 12 * k, left:left + 200] = 0.8
            light[480 + 20 * k:720, 900 + 17 * k
                  + left // 5:1200] = 0.05 + 0.2 * ((np.indices((240 - 20 * k, 300 - 17 * k - left // 5)).sum(0) // 9
                                                     + k) % 2)[..., None]
            group.append(light)
        groups.append(group)
    return bench, groups


def test_the_bench_is_composed_from_where_the_tool_is_not():
    bench, groups = _photographs()

    composed = compose_bench(groups)

    known = composed.max(2) > 0
    assert known[:400].mean() > 0.97
    assert np.median(np.abs(composed - bench)[:400][known[:400]]) < 0.01


def test_blocks_never_seen_without_a_hand_stay_unknown_through_a_jpeg():
    _, groups = _photographs()
    composed = compose_bench(groups)
    assert not composed[600:680, 1100:1180].any()

    data = cv2.imencode(".jpg", as_camera(composed), [cv2.IMWRITE_JPEG_QUALITY, 93])[1]
    again = cv2.imdecode(data, cv2.IMREAD_COLOR)

    black = composed.max(2) == 0
    assert black.any() and black.sum() % BLOCK_PX == 0
    assert (again[black].max() <= 2) and (again[~black].reshape(-1, 3).max(1) > 2).mean() > 0.999


def test_a_bench_learns_what_it_had_not_seen():
    rng = np.random.default_rng(4)
    bench = _bench(rng)
    given = bench.copy()
    given[320:480, 320:480] = 0.0
    view = BenchView(as_camera(bench), given)
    assert (view.known[330:470, 330:470] == 0).all()

    images = [as_camera(bench + rng.normal(0, 0.006, bench.shape)) for _ in range(20)]
    for image in 10 * images:
        view.learn(image, None)

    assert (view.known[330:470, 330:470] == 128).mean() > 0.95
    assert np.median(np.abs(view.light - bench)[330:470, 330:470]) < 0.01


def test_the_noise_is_that_beside_the_tool_and_counts_for_more_where_neighbours_share_it():
    rng = np.random.default_rng(4)
    bench = np.full((720, 1280, 3), 0.3)
    tool = np.zeros((720 // MASK_SCALE, 1280 // MASK_SCALE), np.uint8)
    tool[60:120, 140:180] = 255
    smooth = cv2.GaussianBlur(rng.normal(0, 1, (720, 1280)), (0, 0), 0.7)
    noises = []
    alike = 0.5 * np.sqrt(4 * np.pi * 0.7**2)  # a Gaussian-smoothed field's errors add up over 4 pi s^2 pixels; by hand
    white, grey, blue = rng.normal(0, 1, (720, 1280)), np.ones(3), np.array([3.0, 0, 0])
    for pattern, channels in ((white, grey), (smooth / smooth.std(), grey), (white, blue)):
        beside = np.zeros((720, 1280))
        beside[200:520, 520:760] = 1.0  # elsewhere a codec has smoothed it away
        off = 0.5 * noise_sigma(0.3) * beside * pattern
        view = BenchView(as_camera(bench), bench.astype(np.float32))
        image = as_camera(bench + off[..., None] * channels)
        for _ in range(500):
            view.learn(image, tool)
            view.light[:] = bench  # or it would be learned
        noises.append(view.noise)

    (apart, *colours), (shared, *_), (_, bluish, reddish) = noises
    assert apart == pytest.approx(0.6 * 0.5, rel=0.1)  # six tenths count as each cut's own
    assert 1.2 * apart < shared < alike / 0.5 * apart
    assert colours == [0.6, 0.6]  # none in the picture: what shades and mirrored surroundings change them by
    assert bluish > 2 * apart and reddish == 0.6
