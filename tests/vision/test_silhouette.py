"""The outline of a tube, a blurred edge, and the pose that both together give back."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

import vision.fit.pose
from tests.vision.drawn_tool import CAMERA, TOOL, as_camera, drawn_exactly, independent
from vision.edges.cuts import CutGrid, sample_cuts
from vision.edges.profiles import SAMPLING_PX
from vision.edges.search import Softness, Tolerance, find_edges
from vision.fit.bias import DEFAULT_BIAS, EdgeBias, group_of, n_groups, slope_variances, travel_variances
from vision.fit.pose import Picture, Rounds, Travel, fit_pose, inside_picture, weak_prior
from vision.nozzle.body import ToolPose, body_from_measures
from vision.nozzle.silhouette import STEP, moved_pose, outline, tool_hull
from vision.track.kalman import Motion, ToolState, condition, predict, smooth, start_state, with_modes

TUBE = body_from_measures([(4.0, 0.0), (4.0, 30.0)], [])


def _pose(x, y, z, lean, turn):
    axis = np.array([np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)])
    return ToolPose(np.array([x, y, z]), axis)


@settings(max_examples=40)
@given(st.floats(-60, 60), st.floats(-40, 40), st.floats(250, 500), st.floats(0.6, 1.4), st.floats(0, 6.28))
def test_two_edges_of_a_tube_give_back_its_axis_in_closed_form(x, y, z, lean, turn):
    # A tube's two silhouette planes touch it: d ~ n1 x n2 and rho = 2 r / |n1 + n2| (plane geometry, derived by hand).
    pose = _pose(x, y, z, lean, turn)
    out = outline(CAMERA, TUBE, pose)
    normals = []
    for side in (-1, 1):
        rays = CAMERA.rays(out.px[out.side == side])
        normals.append(np.linalg.svd(rays)[2][-1])
    middle = CAMERA.rays(CAMERA.project((pose.tip_mm - 15 * pose.axis)[None]))[0]
    n1, n2 = (n * np.sign(n @ middle) for n in normals)

    d = np.cross(n1, n2) / np.linalg.norm(np.cross(n1, n2))
    rho = 2 * 4.0 / np.linalg.norm(n1 + n2)

    assert abs(d @ pose.axis) == pytest.approx(1.0, abs=1e-6)
    foot = pose.tip_mm - (pose.tip_mm @ pose.axis) * pose.axis
    assert rho == pytest.approx(np.linalg.norm(foot), rel=1e-3)


def test_outline_moves_with_the_pose_as_its_jacobian_says():
    pose, step = _pose(5.0, 3.0, 350.0, 0.9, 1.0), np.array([0.05, -0.04, 0.2, 0.001, -0.0008, 0.0])
    before, after = outline(CAMERA, TUBE, pose), outline(CAMERA, TUBE, moved_pose(pose, step))
    long_edge = before.side != 0

    moved = np.einsum("ni,ni->n", after.px[long_edge] - before.px[long_edge], before.normal_px[long_edge])

    np.testing.assert_allclose(moved, before.jacobian[long_edge] @ step, atol=0.01)


def _blurred_step(at_px, inside, outside, noise, rng, blur_px=np.hypot(0.8, SAMPLING_PX)):
    """Cuts across an edge, by default one that a camera blurs by 0.8 px, and reading between its pixels by SAMPLING_PX
    more.
    """
    off = CutGrid(9.0).offsets_px
    from scipy.special import erf

    share = 0.5 - 0.5 * erf((off - at_px) / (blur_px * np.sqrt(2)))
    cut = (share * inside + (1 - share) * outside)[None, None] * np.ones((200, 3, 1))
    return (cut + rng.normal(0, noise, cut.shape)).astype(np.float32)


def test_places_go_from_end_to_end_of_a_side_and_from_a_rim_s_middle_to_its_ends():
    out = outline(CAMERA, TOOL, _pose(0, 0, 350, 0.85, -1.5))
    tube, rim = (out.part == 0) & (out.side == 1), out.part == -1

    np.testing.assert_allclose(out.place[tube], (out.along_mm[tube] - 14.0) / 14.0, atol=1e-9)  # a tube of 28 mm
    middle = len(out.place[rim]) // 2
    assert out.place[rim][middle] < -0.9 and out.place[rim][[0, -1]].min() > 0.7
    assert (np.diff(out.place[rim])[:middle - 1] < 0).all() and (np.diff(out.place[rim])[middle + 1:] > 0).all()


@pytest.mark.parametrize("at_px", [-1.3, 0.0, 0.4, 2.1])
@pytest.mark.parametrize(("inside", "outside"), [(0.1, 0.5), (0.2, 0.05)])
def test_a_blurred_edge_is_found_where_it_was_put(at_px, inside, outside):
    cuts = _blurred_step(at_px, inside, outside, 0.003, np.random.default_rng(2))
    back = np.full_like(cuts, outside)

    edges = find_edges(cuts, back, CutGrid(9.0), Softness(0.8), 3.0)

    assert np.nanmedian(edges.offset_px) == pytest.approx(at_px, abs=0.006)
    assert np.nanmean(edges.lighter == (outside > inside)) > 0.95


@pytest.mark.parametrize(("inside", "outside"), [(0.1, 0.5), (0.08, 0.45)])
def test_an_edge_without_noise_is_not_drawn_to_its_lighter_side(inside, outside):
    off, at_px = CutGrid(9.0).offsets_px, np.arange(40)[:, None] / 320
    cuts = inside + (outside - inside) * ndtr((off - at_px) / np.hypot(0.8, SAMPLING_PX))
    cuts = np.repeat(cuts[:, None], 3, axis=1).astype(np.float32)

    edges = find_edges(cuts, np.full_like(cuts, outside), CutGrid(9.0), Softness(0.8), 3.0)

    np.testing.assert_allclose(edges.offset_px, at_px[:, 0], atol=5e-4)


@pytest.mark.parametrize(("at_px", "is_there"), [(-50.0, False), (0.0, True)])
def test_an_edge_explains_a_cut_far_better_than_bare_bench_does_where_there_is_one(at_px, is_there):
    cuts = _blurred_step(at_px, 0.1, 0.3, 0.01, np.random.default_rng(3), blur_px=0.8)
    edges = find_edges(cuts, np.full_like(cuts, 0.3), CutGrid(9.0), Softness(0.8), 100.0,
                       Tolerance(noise=independent(1.0)))

    assert np.median(edges.gain) > 150 if is_there else np.median(edges.gain) < 40


@pytest.mark.parametrize("turn_deg", [0, 17, 45, 80])
@pytest.mark.parametrize("at_px", [0.0, 0.3, 0.7])
def test_an_edge_read_from_a_quiet_picture_is_met_at_any_angle(turn_deg, at_px):
    normal = np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    y, x = np.mgrid[:80, :80]
    away_px = (x - 40) * normal[0] + (y - 40) * normal[1] - at_px
    light = 0.1 + 0.3 * ndtr(away_px / 0.8)  # a Gaussian line spread; scipy
    along = np.linspace(-20, 20, 21)[:, None] * normal[::-1] * [-1, 1]
    cuts = sample_cuts(as_camera(light[..., None] * np.ones(3)), 40.0 + along, np.tile(normal, (21, 1)),
                       CutGrid(9.0).offsets_px)

    edges = find_edges(cuts, np.full_like(cuts, 0.4), CutGrid(9.0), Softness(0.8), 3.0,
                       Tolerance(noise=independent(0.25)))

    assert np.isfinite(edges.offset_px).all()  # a blur that does not fit would be taken for something in the way
    # along a row of pixels all cuts read them at the same places, and err alike
    assert abs(edges.offset_px.mean() - at_px) < (0.03 if turn_deg else 0.07)


def _drawn(pose, rng, scale=4, tool=0.08, blur_px=0.7):
    """A dark tool on a light bench, drawn four times too large and averaged down, with noise."""
    shape = (720 * scale, 1280 * scale)
    mask = np.zeros(shape, np.uint8)
    for hull in tool_hull(CAMERA, TOOL, pose):
        cv2.fillConvexPoly(mask, np.round(((hull + 0.5) * scale - 0.5) * 16).astype(np.int32), 255, shift=4)
    cover = cv2.resize(mask, (1280, 720), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    cover = cv2.GaussianBlur(cover, (0, 0), blur_px)[..., None]
    light = 0.45 * (1 - cover) + tool * cover * np.ones(3, np.float32)
    return as_camera(light + rng.normal(0, 0.01, light.shape))


@pytest.mark.parametrize("seed", range(4))
def test_the_pose_of_a_drawn_tool_comes_back_within_its_sigma(seed):
    rng = np.random.default_rng(seed)
    pose = _pose(*rng.uniform([-20, -20, 330], [20, 20, 380]), rng.uniform(0.6, 1.1), rng.uniform(-1.9, -1.2))
    clean = drawn_exactly(pose)
    image = as_camera(clean + rng.normal(0, 0.01, clean.shape))
    bench = np.full(image.shape, 0.45, np.float32)
    sharp = {key: EdgeBias(0.0, 0.05) for key in DEFAULT_BIAS}
    start = moved_pose(pose, np.array([0.8, -0.8, 5.0, 0.03, -0.03, 0.0]))

    fit = fit_pose(CAMERA, TOOL, Picture(image, bench, np.full((720, 1280), 255, np.uint8)), start, sharp)

    error = fit.pose.tip_mm - pose.tip_mm
    assert np.all(np.abs(error) < 4 * np.sqrt(np.diag(fit.cov)[:3]) + 0.05)
    assert np.linalg.norm(error) < 3.5  # one per cent of the distance
    assert fit.pose.axis @ pose.axis > np.cos(np.deg2rad(1.5))


@pytest.mark.parametrize("seed", range(4))
def test_a_tool_little_darker_than_the_bench_and_smeared_by_a_codec_comes_back_within_a_wider_sigma(seed):
    rng = np.random.default_rng(seed)
    pose = _pose(*rng.uniform([-20, -20, 330], [20, 20, 380]), rng.uniform(0.6, 1.1), rng.uniform(-1.9, -1.2))
    bench, sharp = np.full((720, 1280, 3), 0.45, np.float32), {key: EdgeBias(0.0, 0.05) for key in DEFAULT_BIAS}
    start = moved_pose(pose, np.array([0.3, -0.3, 2.0, 0.01, -0.01, 0.0]))

    def measured(**looks):
        return fit_pose(CAMERA, TOOL, Picture(_drawn(pose, rng, **looks), bench, np.full((720, 1280), 255, np.uint8)),
                        start, sharp)

    clear, faint = measured(), measured(tool=0.32, blur_px=1.8)

    assert faint.alone_cov[2, 2] > 2 * clear.alone_cov[2, 2]
    assert np.all(np.abs(faint.pose.tip_mm - pose.tip_mm) < 3 * np.sqrt(np.diag(faint.cov)[:3]))


@pytest.mark.parametrize("lean", [0.7, 0.85, 1.0])
def test_blur_does_not_pull_a_rim_inwards(lean):
    # a disc's edge blurred by s lies s^2 / (2 r) inside it, to first order: 0.03 px and more at this outlet; worked out
    # by hand
    rng = np.random.default_rng(3)
    pose, clean = _pose(0, 0, 350, lean, -1.5), drawn_exactly(_pose(0, 0, 350, lean, -1.5))
    loose, known = {key: EdgeBias(0.0, 0.3) for key in DEFAULT_BIAS}, np.full((720, 1280), 255, np.uint8)
    tight = weak_prior(TOOL, loose, pose, tip_mm=1e-4, turn_rad=1e-6, roll_rad=1e-6)
    picture = Picture(as_camera(clean + rng.normal(0, 0.003, clean.shape)), np.full(clean.shape, 0.45, np.float32),
                      known, independent(0.25))

    fit = fit_pose(CAMERA, TOOL, picture, pose, loose, prior=tight, rounds=Rounds((1.0,)))

    assert abs(np.mean(fit.edge_px[(fit.label == group_of(-1, 0, True)) & fit.good])) < 0.015


def test_a_shoulder_before_the_bench_is_no_step_and_its_front_before_the_cone_is():
    pose = _pose(0, 0, 350, 0.85, -1.5)
    slices = tool_hull(CAMERA, TOOL, pose)
    out = outline(CAMERA, TOOL, pose)
    front = (out.part == 3) & (np.abs(out.along_mm - 37.0) < 0.01) & (np.abs(out.side) != 1)
    beyond = out.px[front] + 1.5 * out.normal_px[front]
    on_metal = np.array([any(cv2.pointPolygonTest(np.float32(s), tuple(p), False) > 0 for s in slices[:2])
                         for p in beyond.tolist()])

    assert on_metal.any() and not on_metal.all()
    assert np.all((out.side[front] == STEP) == on_metal)


@pytest.mark.parametrize("seed", range(3))
def test_a_quiet_picture_in_which_edges_hardly_scatter_is_believed_more_and_rightly(seed):
    rng = np.random.default_rng(seed)
    pose = _pose(*rng.uniform([-20, -20, 330], [20, 20, 380]), rng.uniform(0.7, 1.0), rng.uniform(-1.9, -1.2))
    bench, known = np.full((720, 1280, 3), 0.45, np.float32), {key: EdgeBias(0.0, 0.05) for key in DEFAULT_BIAS}
    clean = drawn_exactly(pose)
    picture = Picture(as_camera(clean + rng.normal(0, 0.01, clean.shape)), bench, np.full((720, 1280), 255, np.uint8),
                      independent(0.36))

    exact, usual = (fit_pose(CAMERA, TOOL, picture, pose, known, rounds=Rounds(is_exact=is_exact))
                    for is_exact in (True, False))

    assert exact.cov[2, 2] < 0.7 * usual.cov[2, 2]
    assert np.all(np.abs(exact.pose.tip_mm - pose.tip_mm) < 3 * np.sqrt(np.diag(exact.cov)[:3]) + 0.02)


def test_sides_may_seem_turned_in_the_last_word_on_a_pose_and_not_where_poses_are_compared(monkeypatch):
    pose = _pose(0, 0, 350, 0.85, -1.5)
    picture = Picture(as_camera(drawn_exactly(pose)), np.full((720, 1280, 3), 0.45, np.float32),
                      np.full((720, 1280), 255, np.uint8))

    def variance(slope_px, is_exact):
        monkeypatch.setattr("vision.fit.pose.slope_variances", lambda body: np.full(n_groups(body), slope_px**2))
        return fit_pose(CAMERA, TOOL, picture, pose, rounds=Rounds((1.0,), is_exact=is_exact)).alone_cov[2, 2]

    assert variance(0.4, True) > 1.2 * variance(1e-4, True)
    assert variance(0.4, False) == variance(1e-4, False)


def test_each_edge_is_told_by_its_place_on_its_side(monkeypatch):
    pose, told = _pose(0, 0, 350, 0.85, -1.5), []
    picture = Picture(as_camera(drawn_exactly(pose)), np.full((720, 1280, 3), 0.45, np.float32),
                      np.full((720, 1280), 255, np.uint8))
    spread_of = vision.fit.pose.spread_of
    monkeypatch.setattr("vision.fit.pose.spread_of", lambda rows, *rest: told.append(rows.along)
                        or spread_of(rows, *rest))

    fit_pose(CAMERA, TOOL, picture, pose, rounds=Rounds((1.0,)))

    np.testing.assert_allclose(told[0], inside_picture(outline(CAMERA, TOOL, pose, 0.8), (720, 1280)).place, atol=1e-9)


def test_offsets_change_less_where_it_is_lighter_outside():
    variances = slope_variances(TOOL)

    assert variances[group_of(0, 1, True)] == pytest.approx(0.12**2)
    assert variances[group_of(0, 1, False)] == pytest.approx(0.35**2)


def test_an_edge_that_travels_is_known_less_well_in_the_last_word_on_a_pose():
    pose = _pose(0, 0, 350, 0.85, -1.5)
    picture = Picture(as_camera(drawn_exactly(pose)), np.full((720, 1280, 3), 0.45, np.float32),
                      np.full((720, 1280), 255, np.uint8))

    def variance(speed_mm_s, is_exact):
        travel = Travel(np.array([speed_mm_s, 0, 0, 0, 0, 0]), np.zeros((6, 6)), 0.01, 0.0, 1e-12)
        prior = replace(weak_prior(TOOL, DEFAULT_BIAS, pose), travel=travel)
        return fit_pose(CAMERA, TOOL, picture, pose, prior=prior, rounds=Rounds((1.0,), is_exact=is_exact)).cov[2, 2]

    assert variance(150.0, True) > 1.15 * variance(1.0, True)
    assert travel_variances(TOOL)[group_of(0, 1, True)] == pytest.approx(0.07**2)
    assert travel_variances(TOOL)[group_of(0, 1, False)] == pytest.approx(0.10**2)


def test_no_pose_is_made_up_where_there_is_no_tool():
    bench = np.full((720, 1280, 3), 0.45, np.float32)
    image = as_camera(bench + np.random.default_rng(0).normal(0, 0.01, bench.shape))

    fit = fit_pose(CAMERA, TOOL, Picture(image, bench, np.full((720, 1280), 255, np.uint8)),
                   _pose(0, 0, 350, 0.9, -1.5))

    assert fit is None or fit.n_edges < 30


MOTION = Motion(np.zeros(2), np.eye(2))
POSE_SITES = np.arange(6)


def test_filter_over_a_gap_grows_less_certain():
    state = start_state(0.0, np.array([0.0, 0, 20, 0, 0, 0]), 0.25 * np.eye(6), MOTION)
    for k in range(1, 20):
        state = _seen(predict(state, k / 30, MOTION), np.array([0.0, 0, 20, 0, 0, 0]), 0.25)

    assert predict(state, state.t_s + 0.3, MOTION).cov[2, 2] > 3 * state.cov[2, 2]


def test_a_tool_that_is_not_measured_goes_on_at_first_and_then_comes_to_rest():
    state = start_state(0.0, np.zeros(6), np.eye(6), MOTION)
    state.mean[6] = 100.0  # mm/s along x
    soon, later, much_later = (predict(state, t, MOTION) for t in (0.01, 3.0, 6.0))

    assert soon.mean[0] == pytest.approx(1.0, rel=0.05)
    assert later.mean[0] < 100.0 and abs(later.mean[6]) < 1.0
    assert much_later.mean[0] == pytest.approx(later.mean[0], rel=0.01)


@pytest.mark.parametrize("dt_s", [0.01, 0.1, 0.4])
def test_what_is_not_known_of_a_moving_tool_stays_a_covariance(dt_s):
    state = predict(start_state(0.0, np.zeros(6), 1e-9 * np.eye(6), MOTION), dt_s, MOTION)

    assert np.linalg.eigvalsh(state.cov).min() > -1e-9


def _held_still():
    """The state after half a second in which the tool was seen at one place."""
    state = start_state(0.0, np.array([0.0, 0, 20, 0, 0, 0]), 0.04 * np.eye(6), MOTION)
    for k in range(1, 16):
        pose = np.array([0.0, 0, 20, 0, 0, 0])
        state = with_modes(_seen(predict(state, k / 30, MOTION), pose, 0.04), state, pose[:5], 0.04 * np.eye(5))
    return state


@pytest.mark.parametrize(("moved_mm", "likeliest"), [(0.0, {0}), (1.5, {1, 2}), (12.0, {2})])
def test_a_hand_that_rests_is_told_from_one_that_works_and_one_that_travels(moved_mm, likeliest):
    state = _held_still()

    for k in range(1, 4):
        measured = np.array([moved_mm * (1 if k % 2 else -0.5), 0, 20, 0, 0, 0])
        ahead = predict(state, state.t_s + 1 / 30, MOTION)
        state = with_modes(_seen(ahead, measured, 0.04), state, measured[:5], 0.04 * np.eye(5))

    assert state.modes.argmax() in likeliest
    assert state.modes.sum() == pytest.approx(1.0)


def test_what_a_resting_hand_holds_is_known_for_longer():
    state = _held_still()
    rests, travels = (predict(replace(state, modes=np.eye(3)[mode]), state.t_s + 0.1, MOTION) for mode in (0, 2))

    np.testing.assert_array_equal(rests.mean, travels.mean)
    assert 2 * np.sqrt(rests.cov[2, 2]) < np.sqrt(travels.cov[2, 2])


def _seen(state, pose, variance):
    """The state after an independent measurement, by the textbook's formula in information form."""
    inner = state.cov[:6, :6]
    cov = np.linalg.inv(np.linalg.inv(inner) + np.eye(6) / variance)
    return condition(state, POSE_SITES, cov @ (np.linalg.solve(inner, state.mean[:6]) + pose / variance), cov)


def test_conditioning_is_the_kalman_update():
    # Kalman gain K = P H' (H P H' + R)^-1, e.g. Bar-Shalom, Li, Kirubarajan, "Estimation with Applications to
    # Tracking", 5.2
    rng = np.random.default_rng(1)
    root = rng.normal(0, 1, (13, 13))
    before = ToolState(0.0, rng.normal(0, 1, 13), root @ root.T + np.eye(13), np.zeros(2), np.zeros((5, 5)))
    pose = rng.normal(0, 1, 6)
    gain = before.cov[:, :6] @ np.linalg.inv(before.cov[:6, :6] + 0.5 * np.eye(6))

    after = _seen(before, pose, 0.5)

    np.testing.assert_allclose(after.mean, before.mean + gain @ (pose - before.mean[:6]), atol=1e-9)
    np.testing.assert_allclose(after.cov, before.cov - gain @ before.cov[:6], atol=1e-9)


def test_smoothing_backwards_is_never_less_certain_than_the_filter():
    rng = np.random.default_rng(5)
    states = [start_state(0.0, np.zeros(6), np.eye(6), MOTION)]
    for k in range(1, 30):
        states.append(_seen(predict(states[-1], k / 30, MOTION), rng.normal(0, 1, 6), 1.0))

    for live, later in zip(states, smooth(states), strict=False):
        assert np.all(np.diag(later.cov)[:5] <= np.diag(live.cov)[:5] + 1e-9)


def _entry_mm(ray, pose, radius_mm):
    """Where a line of sight through the camera's centre enters an endless cylinder about the axis; nan where it
    misses.
    """
    across = ray - (ray @ pose.axis) * pose.axis
    foot = pose.tip_mm - (pose.tip_mm @ pose.axis) * pose.axis
    a, b, c = across @ across, -across @ foot, foot @ foot - radius_mm**2
    return (-b - np.sqrt(b * b - a * c)) / a if b * b > a * c else np.nan


def test_the_near_rim_of_a_ledge_is_an_edge_against_the_metal_ahead_of_it():
    pose = _pose(0.0, 0.0, 350.0, 0.7, -1.5)  # the jet points away from the camera

    out = outline(CAMERA, TOOL, pose)

    front = (out.side == STEP) & (out.along_mm == 50.0)
    assert front.sum() > 10
    for point in out.point_cam_mm[front]:
        ray = point / np.linalg.norm(point)
        collar = ray * _entry_mm(ray, pose, 11.0)
        assert 37.0 < (pose.tip_mm - collar) @ pose.axis < 50.0  # the line of sight would go on to the collar
        assert np.linalg.norm(collar) > np.linalg.norm(point)


def test_no_rim_stands_before_the_metal_when_the_jet_points_at_the_camera():
    assert not (outline(CAMERA, TOOL, _pose(0.0, 0.0, 350.0, 2.4, -1.5)).side == STEP).any()


def test_a_crease_whose_both_sides_are_seen_is_no_edge():
    grip = body_from_measures([(4.0, 0.0), (4.0, 30.0)], [(12.0, 30.0), (13.0, 45.0), (12.0, 60.0)])

    out = outline(CAMERA, grip, _pose(0.0, 0.0, 350.0, 0.7, -1.5))

    assert set(out.along_mm[out.side == STEP]) == {30.0}
