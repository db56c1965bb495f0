"""Whether a tool is there at all: other things, a parked tool, one below the board, in drawn pictures and as odds."""

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

import vision.track.tracker
from tests.vision.drawn_tool import CAMERA, TOOL, as_camera
from tests.vision.test_find import ALL_KNOWN, CAM_FROM_BENCH, DRAWN_EDGES, _bench, _tool, _with_tool
from tests.vision.test_tracker import RATE_HZ, StillBench
from vision.fit.bias import n_groups
from vision.fit.pose import Picture, fit_pose
from vision.nozzle.body import body_from_measures, hold_of
from vision.track.estimate import status_of
from vision.track.evidence import log_likelihood_ratio, log_odds_right
from vision.track.hypothesis import (
    LOG_HIDDEN,
    Hypothesis,
    compete,
    is_outdone,
    probabilities,
    share_for_new,
    updated_log_odds,
)
from vision.track.kalman import Motion, start_state
from vision.track.prior import log_prior
from vision.track.tracker import NozzleModel, Tracker
from vision.types import BenchPose, Frame, TrackStatus

BAR = body_from_measures([(4.0, 0.0), (4.0, 200.0)], [(4.0, 200.0), (4.0, 210.0)])
SEEN = {TrackStatus.TRACKING, TrackStatus.VAGUE, TrackStatus.COASTING}
RNG = np.random.default_rng(8)
BENCH = _bench(RNG)


def _followed(images, board_top_mm=0.0, hold=_tool(0, 0, 15, 35, 90)):
    tracker = Tracker(
        CAMERA,
        StillBench(),
        NozzleModel(TOOL, DRAWN_EDGES, BENCH, holds=(hold_of(hold, CAM_FROM_BENCH),)),
        board_top_mm,
    )
    return [tracker.step(Frame(i, i / RATE_HZ, image)).track for i, image in enumerate(images)]


def _painted(index, mask, light):
    share = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), 0.8)[..., None]
    noise = np.random.default_rng(index).normal(0, 0.005, BENCH.shape)
    return as_camera(BENCH * (1 - share) + np.array(light) * share + noise)


def _is_outlet_inside(pose):
    at = CAMERA.project(pose.tip_mm[None])[0]
    return bool(((at > 0) & (at < CAMERA.image_size_px)).all())


def _bar(index):
    return _with_tool(BENCH, _tool(-20 + index, 5, 15, 35, 90), np.random.default_rng(index), body=BAR)


def _cable(index):
    x = np.linspace(0, 1, 30)
    curve = np.stack([700 + 5 * index + 120 * np.sin(3 * x), 330 + 420 * x], 1)
    return _painted(
        index,
        cv2.polylines(np.zeros((720, 1280), np.uint8), [curve.astype(np.int32)], False, 255, 22),
        (0.01, 0.01, 0.012),
    )


def _hand(index):
    mask = cv2.ellipse(np.zeros((720, 1280), np.uint8), (640 + 6 * index, 600), (110, 150), 0, 0, 360, 255, -1)
    for k in range(4):
        cv2.line(mask, (560 + 50 * k + 6 * index, 520), (545 + 55 * k + 6 * index, 340 + 20 * abs(k - 1)), 255, 34)
    return _painted(index, mask, (0.12, 0.2, 0.42))


@pytest.mark.parametrize("thing", [_bar, _cable, _hand], ids=["bar as wide as the tube", "cable", "hand"])
def test_another_thing_over_the_board_is_never_reported_as_the_nozzle(thing):
    tracks = _followed([thing(i) for i in range(14)])

    assert not any(t.status in SEEN for t in tracks)


def test_a_tool_that_was_seen_to_leave_is_not_behind_the_hand_that_comes_next():
    poses = [_tool(8 * max(i - 12, 0), 5, 15, 35, 90) for i in range(60)]
    leaving = [_with_tool(BENCH, pose, np.random.default_rng(i)) for i, pose in enumerate(poses)
               if _is_outlet_inside(pose)]

    tracks = _followed([*leaving, *(_hand(i) for i in range(15))])

    assert tracks[len(leaving) - 1].status is TrackStatus.TRACKING and tracks[-1].status is TrackStatus.GONE


def test_a_tool_that_left_while_too_little_of_it_was_seen_to_tell_its_height_has_left(monkeypatch):
    poses = [_tool(8 * max(i - 12, 0), 5, 15, 35, 90) for i in range(60)]
    leaving = [_with_tool(BENCH, pose, np.random.default_rng(i)) for i, pose in enumerate(poses)
               if _is_outlet_inside(pose)]
    told, asked = vision.track.tracker.status_of, iter(range(99))
    monkeypatch.setattr(vision.track.tracker, "status_of", lambda *args: (
        told(*args) if next(asked) < 12 else (TrackStatus.VAGUE, "")))

    tracks = _followed([*leaving, *(_hand(i) for i in range(15))])

    assert tracks[len(leaving) - 1].status is TrackStatus.VAGUE and tracks[-1].status is TrackStatus.GONE


def test_a_tool_at_rest_may_be_behind_the_hand_that_comes_next():
    resting = [_with_tool(BENCH, _tool(0, 5, 15, 35, 90), np.random.default_rng(i)) for i in range(12)]

    tracks = _followed([*resting, *(_hand(i) for i in range(15))])

    assert tracks[len(resting) - 1].status is TrackStatus.TRACKING and tracks[-1].status is not TrackStatus.GONE


def test_a_tool_that_is_laid_down_is_reported_without_a_height():
    tilts_deg = [35] * 9 + list(np.linspace(37, 70, 14)) + [70] * 3
    poses = [_tool(-10, 5, 15, tilt, 90) for tilt in tilts_deg]

    tracks = _followed([_with_tool(BENCH, pose, np.random.default_rng(i)) for i, pose in enumerate(poses)])

    assert any(t.status is TrackStatus.TRACKING for t in tracks[:9])
    assert not any(t.status is TrackStatus.TRACKING for t in tracks[-3:])
    assert tracks[-1].reason == "the nozzle lies parked"


def test_a_tool_tilted_by_45_degrees_and_more_is_measured_as_well_as_one_tilted_less():
    off_mm = {True: [], False: []}
    for tilt, azimuth in ((28, 70), (40, 110), (46, 110), (50, 70), (55, 110)):
        pose = _tool(-5, 5, 15, tilt, azimuth)
        tracks = _followed([_with_tool(BENCH, pose, np.random.default_rng(i)) for i in range(9)])[-3:]
        assert all(t.status is TrackStatus.TRACKING for t in tracks)
        assert all(abs(t.tip_mm[2] - 15) < 3 * np.sqrt(t.cov[2, 2]) for t in tracks)
        off_mm[tilt > 45] += [t.tip_mm[2] - 15 for t in tracks]

    steep, other = (np.sqrt(np.mean(np.square(off_mm[is_steep]))) for is_steep in (True, False))
    assert steep < 1.2 * other


def test_a_height_below_the_board_is_not_told():
    tracks = _followed(
        [_with_tool(BENCH, _tool(-10, 5, 15, 35, 90), np.random.default_rng(i)) for i in range(10)], board_top_mm=40.0
    )

    assert not any(t.status is TrackStatus.TRACKING for t in tracks)


@pytest.fixture(scope="module")
def drawn_fit():
    pose = _tool(-10, 5, 15, 35, 90)
    return fit_pose(CAMERA, TOOL, Picture(_with_tool(BENCH, pose, RNG), BENCH, ALL_KNOWN), pose, DRAWN_EDGES)


def test_edges_that_appear_two_sigmas_from_where_this_nozzle_s_do_speak_against_a_pose_by_two_nats(drawn_fit):
    fit = replace(drawn_fit, offset_px=np.full(len(drawn_fit.offset_px), 0.4))
    group = fit.label[fit.good][0]
    usual = np.full(n_groups(TOOL), 0.4)
    other = usual + 0.2 * (np.arange(len(usual)) == group)

    as_usual, off = (log_prior(fit, BenchPose(0.0, CAM_FROM_BENCH, 1e-8 * np.eye(6), 14, 0.1), 0.0,
                               Motion(offset_px, 0.01 * np.eye(len(usual))), ()) for offset_px in (usual, other))

    assert as_usual - off == pytest.approx(2.0)


def test_the_picture_of_the_whole_tool_speaks_for_it(drawn_fit):
    assert log_likelihood_ratio(TOOL, drawn_fit) > 10.0


@pytest.mark.parametrize("tube_only, low, high", [(True, 0.0, 3.0), (False, -20.0, -4.0)])
def test_tube_and_end_alone_hardly_tell_a_nozzle_from_a_bar_and_no_cone_behind_them_speaks_against_one(
    drawn_fit, tube_only, low, high
):
    is_tube = drawn_fit.label // 2 < 8  # the outlet's rim, and the first part
    if tube_only:  # the rest is out of view
        fit = replace(drawn_fit, label=drawn_fit.label[is_tube], good=np.ones(is_tube.sum(), bool))
    else:
        fit = replace(drawn_fit, good=is_tube)

    assert low <= log_likelihood_ratio(TOOL, fit) <= high


def test_a_picture_that_speaks_against_a_pose_may_hide_the_tool_and_one_that_speaks_for_it_counts_for_its_time():
    assert updated_log_odds(0.0, -50.0, 1.0) == pytest.approx(LOG_HIDDEN)
    assert 0.0 < updated_log_odds(0.0, 6.0, 0.03) < updated_log_odds(0.0, 6.0, 0.1) < 6.0


@pytest.mark.parametrize(("log_ratio", "elsewhere", "of"), [(-1.0, 16, 78), (1.0, 10, 67), (3.0, 8, 59), (5.0, 5, 72),
                                                            (7.5, 5, 227), (11.0, 2, 197), (16.0, 0, 215)])
def test_fits_end_elsewhere_as_often_as_touch_photographs_show(log_ratio, elsewhere, of):
    """Counts of tests.benchmarks.optima over seven recordings' photographs; binomial, three sigmas."""
    expected = of / (1 + np.exp(log_odds_right(log_ratio)))

    assert abs(elsewhere - expected) < 3 * np.sqrt(expected) + 1


def test_pictures_close_to_each_other_tell_the_same_of_a_place_again():
    one, later = log_odds_right(4.0), log_odds_right(4.0, log_odds_right(4.0), 1 / 6)

    assert later - one == pytest.approx((log_odds_right(5.0) - one) * 4 / 6)
    assert log_odds_right(-6.0, later) < one < later


def test_no_number_of_pictures_makes_a_place_surer_than_the_best_one_does():
    odds = log_odds_right(12.0)
    for _ in range(100):
        odds = log_odds_right(12.0, odds, 0.2)

    assert odds == log_odds_right(20.0) < 9.0


def _at(z_mm, log_odds, track, fit=SimpleNamespace(n_edges=60, chi2_dof=1.0)):
    state = start_state(
        0.0,
        np.array([0.0, 0, z_mm, 0.1, 0.5, 0]),
        0.25 * np.eye(6) * np.array([1, 1, 1, 1e-4, 1e-4, 1]),
        Motion(np.zeros(2), np.eye(2)),
        track,
    )
    return Hypothesis(state, log_odds, 0.0, float(track), 0.0, fit, 0.0, 0.7, 8.0)


def test_like_hypotheses_become_the_one_that_was_followed_longest_and_unlike_ones_stay_apart():
    kept = compete([_at(10.0, 1.0, 1), _at(10.3, 2.0, 2), _at(30.0, 0.0, 3)], 0.0)

    assert [h.state.track for h in kept] == [1, 3]
    assert kept[0].log_odds == pytest.approx(np.log(np.e + np.e**2))


def test_the_odds_of_a_pose_found_anew_are_a_share_of_what_is_left_and_of_what_is_followed():
    before = [_at(10.0, 3.0, 1)]

    p = probabilities([*before, _at(30.0, share_for_new(before), 2)])

    assert p[2] == pytest.approx(0.1 / 1.1)
    assert p.sum() == pytest.approx(1.0)


def test_in_time_any_tool_may_have_left():
    sure = [_at(10.0, 20.0, 1)]

    after = [probabilities(compete(sure, dt_s))[0] for dt_s in (0.03, 1.0, 3.0)]

    assert after[0] < after[1] < after[2] and after[1] == pytest.approx(0.1)


def test_of_two_poses_the_one_with_smaller_residuals_gains_and_whether_a_tool_is_there_stays_open():
    good, poor = (SimpleNamespace(n_edges=60, chi2_dof=chi2) for chi2 in (0.8, 1.6))

    both, alone = (
        compete([_at(10.0, 1.0, 1, poor), _at(30.0, 1.0, 2, good)], 0.1),
        compete([_at(10.0, 1.0, 1, poor)], 0.1),
    )

    assert [h.state.track for h in both] == [2, 1]
    assert alone[0].log_odds == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize(
    "probability, height_mm, height_sigma_mm, tilt_deg, status",
    [
        (0.99, 10.0, 1.0, 30, TrackStatus.TRACKING),
        (0.99, 10.0, 8.0, 30, TrackStatus.VAGUE),
        (0.99, 10.0, 1.0, 65, TrackStatus.VAGUE),
        (0.99, -4.0, 1.0, 30, TrackStatus.VAGUE),
        (0.7, 10.0, 1.0, 30, TrackStatus.VAGUE),
        (0.3, 10.0, 1.0, 30, TrackStatus.TENTATIVE),
    ],
)
def test_what_is_reported_goes_by_probability_sigma_tilt_and_height(
    probability, height_mm, height_sigma_mm, tilt_deg, status
):
    axis = np.array([0.0, np.sin(np.radians(tilt_deg)), -np.cos(np.radians(tilt_deg))])
    cov = np.diag([1.0, 1.0, height_sigma_mm**2, 1e-4, 1e-4, 1e-4])

    assert status_of(probability, height_mm, axis, cov)[0] is status


@pytest.mark.parametrize(("log_odds", "has_left", "status"), [
    (-0.2, True, TrackStatus.GONE), (-0.2, False, TrackStatus.TENTATIVE), (0.2, True, TrackStatus.VAGUE)])
def test_a_tool_that_has_left_is_away_until_one_is_likelier_than_none(log_odds, has_left, status):
    tracker = Tracker(CAMERA, StillBench(), NozzleModel(TOOL), 0.0)
    tracker._hypotheses, tracker._t_reported_s, tracker._is_bare = [_at(20.0, log_odds, 1)], -1.0, has_left

    assert tracker._report(BenchPose(0.0, np.eye(4), 1e-6 * np.eye(6), 14, 0.1), 0.0).status is status


@pytest.mark.parametrize(("sigma_mm", "is_inside"), [(1.0, True), (60.0, False)])
def test_an_outlet_whose_way_is_hardly_known_may_have_left_from_the_middle_of_the_picture(sigma_mm, is_inside):
    tracker, h = Tracker(CAMERA, StillBench(), NozzleModel(TOOL), 0.0), _at(0.0, 3.0, 1)
    size_px = np.array(CAMERA.image_size_px)
    tip_mm = np.append((0.75 * size_px - CAMERA.camera_matrix_px[:2, 2]) / CAMERA.focal_px * 200.0, 200.0)
    cov = h.state.cov.copy()
    cov[:3, :3] = sigma_mm**2 * np.eye(3)  # a quarter of the height, 180 px, from the rim: 36 mm at that distance
    tracker._hypotheses = [replace(h, state=replace(h.state, cov=cov, mean=np.append(tip_mm, h.state.mean[3:])))]

    assert tracker._is_inside(BenchPose(0.0, np.eye(4), 1e-6 * np.eye(6), 14, 0.1), 0.0) is is_inside


def test_a_new_pose_that_its_picture_makes_less_likely_than_one_in_fifty_beside_another_is_not_followed():
    # it begins with a tenth of all odds: one in fifty is a picture that speaks five times as much for the other
    followed = replace(_at(10.0, 2.0, 0), log_ratio=10.0)

    assert is_outdone(replace(_at(40.0, -2.3, 1), log_ratio=10.0 - np.log(5.5)), followed)
    assert not is_outdone(replace(_at(40.0, -2.3, 1), log_ratio=10.0 - np.log(4.5)), followed)
