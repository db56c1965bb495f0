"""A tool that moves while the rows of a picture are read one after the other, in light that flickers."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

import vision.track.following
from tests.vision.drawn import CAMERA
from tests.vision.drawn_tool import TOOL
from tests.vision.drawn_webcam import CAM_FROM_BENCH, FRAME_S, Webcam, bench_light, frame, frames, tool_in_bench
from vision.bench.follower import BenchFollower
from vision.bench.mat import standard_mat
from vision.fit.bias import DEFAULT_BIAS, EdgeBias
from vision.fit.pose import Picture, Rounds, fit_pose, inside_picture, weak_prior
from vision.fit.rounds import Travel
from vision.nozzle.body import ToolPose, hold_of
from vision.nozzle.silhouette import moved_pose, outline
from vision.track.following import Follower, NozzleModel
from vision.track.kalman import N_POSE, condition, predict, start_state
from vision.track.measurement import bench_chart
from vision.track.readout import Readout
from vision.track.tracker import Tracker
from vision.types import BenchPose, TrackStatus

EDGES = {key: EdgeBias(0.0, 0.1) for key in DEFAULT_BIAS}
BENCH = BenchPose(0.0, CAM_FROM_BENCH, 1e-8 * np.eye(6), 14, 0.1)
READOUT_S, T_S = 0.03, 11 / 30


def _pose(t_s):
    tip, axis = (CAM_FROM_BENCH[:3, :3] @ v for v in tool_in_bench(t_s))
    return ToolPose(tip + CAM_FROM_BENCH[:3, 3], axis)


def _rates(t_s):
    """Steps a second, from the drawing's own motion."""
    a, b, h = _pose(t_s - 1e-4), _pose(t_s + 1e-4), 2e-4
    turn = (b.axis - a.axis) / h
    unit = [moved_pose(_pose(t_s), np.eye(6)[k] * 1e-5).axis for k in (3, 4)]
    onto = np.stack([(u - _pose(t_s).axis) / 1e-5 for u in unit], 1)
    return np.concatenate([(b.tip_mm - a.tip_mm) / h, np.linalg.lstsq(onto, turn, rcond=None)[0], [0.0]])


def _bench():
    """The bare bench's light as the program has it."""
    return (bench_light()[..., None] * np.ones(3)).astype(np.float32)


@pytest.fixture(scope="module")
def rolled():
    """A picture in which the tool moves at 100 mm/s, and the bench behind it."""
    image = frame(Webcam(readout_s=READOUT_S), round(T_S / FRAME_S), np.random.default_rng(0)).image
    return Picture(image, _bench(), np.full(image.shape[:2], 255, np.uint8))


def _fit_moving(picture, travel):
    return fit_pose(CAMERA, TOOL, picture, _pose(T_S), EDGES,
                    prior=replace(weak_prior(TOOL, EDGES, _pose(T_S)), travel=travel))


def _off(picture, travel):
    true = _pose(T_S)
    fit = _fit_moving(picture, travel)
    return np.linalg.norm(fit.pose.tip_mm - true.tip_mm), np.degrees(np.arccos(fit.pose.axis @ true.axis))


def test_a_moving_tool_is_where_it_is_when_the_middle_row_is_read(rolled):
    known = Travel(_rates(T_S), np.zeros((6, 6)), 0.008, READOUT_S, 1e-12)

    off_mm, off_deg = _off(rolled, known)

    assert off_mm < 0.5 and off_deg < 0.25
    assert _off(rolled, known._replace(readout_s=0.0))[1] > 4 * off_deg


def test_a_tool_that_is_sheared_tells_the_readout(rolled):
    prior = weak_prior(TOOL, EDGES, _pose(T_S), tip_mm=0.1, turn_rad=5e-4, roll_rad=1e-3)

    for guess_s in (0.0, 0.05):
        travel = Travel(_rates(T_S), np.zeros((6, 6)), 0.008, guess_s, 0.05**2)
        fit = fit_pose(CAMERA, TOOL, rolled, _pose(T_S), EDGES, prior=replace(prior, travel=travel),
                       rounds=Rounds((5.0, 2.0, 1.0)))
        sigma_s = fit.readout_information**-0.5

        assert sigma_s < 0.012
        assert abs(fit.readout_score * sigma_s**2 - READOUT_S) < 3 * sigma_s


def test_a_pose_is_known_less_well_where_the_readout_is_not_known(rolled):
    told, untold = (_fit_moving(rolled, Travel(_rates(T_S), np.zeros((6, 6)), 0.008, READOUT_S, sigma_s**2))
                    for sigma_s in (1e-6, 0.01))

    assert np.trace(untold.alone_cov[3:5, 3:5]) > 1.3 * np.trace(told.alone_cov[3:5, 3:5])
    assert np.trace(untold.cov[3:5, 3:5]) > 1.3 * np.trace(told.cov[3:5, 3:5])


def test_rows_before_and_after_the_middle_one_are_told_by_the_tool_s_own(rolled):
    fit = _fit_moving(rolled, Travel(_rates(T_S), np.zeros((6, 6)), 0.008, READOUT_S, 1e-12))
    out = inside_picture(outline(CAMERA, TOOL, _pose(T_S), step_mm=0.8), rolled.image.shape)

    assert fit.row_share == pytest.approx(CAMERA.row_share(out.px[:, 1]).mean(), abs=0.02)


def _says(readout_s, sigma_s):
    return SimpleNamespace(readout_information=sigma_s**-2, readout_score=readout_s * sigma_s**-2)


def _combined(*of):
    """Mean and sigma of independent values with sigmas."""
    weights = [sigma_s**-2 for _, sigma_s in of]
    return sum(w * value_s for w, (value_s, _) in zip(weights, of, strict=True)) / sum(weights), sum(weights) ** -0.5


def test_a_picture_long_after_the_one_before_counts_whole():
    readout = Readout(0.004, 0.008)

    readout.see(_says(0.015, 0.005), 1.0)

    assert (readout.value_s, np.sqrt(readout.var_s2)) == pytest.approx(_combined((0.004, 0.008), (0.015, 0.005)))


def test_pictures_that_follow_closely_count_for_their_time():
    readout = Readout(0.004, 0.008)

    for _ in range(6):  # a thirtieth of a second apart, as one
        readout.see(_says(0.02, 0.01), 1 / 30)

    assert (readout.value_s, np.sqrt(readout.var_s2)) == pytest.approx(_combined((0.004, 0.008), (0.02, 0.01)))


def test_a_tool_that_is_taken_to_rest_tells_nothing_of_the_readout(rolled):
    readout = Readout(0.004, 0.008)

    readout.see(fit_pose(CAMERA, TOOL, rolled, _pose(T_S), EDGES), 1 / 30)

    assert (readout.value_s, readout.var_s2) == pytest.approx((0.004, 0.008**2), rel=1e-6)


@pytest.mark.slow
def test_a_readout_that_the_camera_s_file_does_not_tell_is_learned_from_the_tool():
    nozzle = NozzleModel(TOOL, EDGES, _bench(), holds=(hold_of(_pose(0.2), CAM_FROM_BENCH),))
    tracker = Tracker(CAMERA, BenchFollower(CAMERA, standard_mat()), nozzle, 0.0)
    before_s = np.sqrt(tracker._follower.readout.var_s2)

    for taken, _, _ in frames(Webcam(readout_s=0.016), 44, phase=2.0):
        tracker.step(taken)

    found = tracker._follower.readout
    assert np.sqrt(found.var_s2) < 0.8 * before_s
    assert 0.004 < found.value_s < 0.016  # on its way from 0


def test_where_the_tool_s_rows_are_not_the_middle_ones_its_way_by_the_readout_s_doubt_is_in_the_band(rolled):
    follower = Follower(CAMERA, NozzleModel(TOOL, EDGES), 0.0)
    ahead = start_state(0.0, bench_chart(_pose(T_S), BENCH), 0.01 * np.eye(6), follower._motion)
    ahead.mean[N_POSE:N_POSE + 5] = [80.0, -50.0, 20.0, 0.3, -0.2]
    fit = fit_pose(CAMERA, TOOL, rolled, _pose(T_S), EDGES, prior=follower._expected(ahead, BENCH))
    fit = replace(fit, row_share=0.3)

    follower.readout.var_s2 = 0.0
    told = follower._conditioned(ahead, fit, BENCH)
    follower.readout.var_s2 = 0.01**2
    untold = follower._conditioned(ahead, fit, BENCH)

    rates, cov = told.mean[N_POSE:N_POSE + 5], told.cov[N_POSE:N_POSE + 5, N_POSE:N_POSE + 5]
    assert_allclose(untold.steady_cov - told.steady_cov, (0.3 * 0.01)**2 * (np.outer(rates, rates) + cov), rtol=1e-6,
                    atol=1e-12)


def test_rates_go_with_the_pose_as_the_filter_s_own_covariance_has_it():
    follower = Follower(CAMERA, NozzleModel(TOOL, EDGES), 0.0)
    motion = follower._motion
    before = start_state(0.0, bench_chart(_pose(0.0), BENCH), 0.01 * np.eye(6), motion)
    ahead = predict(before, 0.04, motion)
    step = np.array([0.4, -0.3, 0.5, 0.002, -0.001, 0.0])

    prior = follower._expected(ahead, BENCH)
    travel = prior.travel

    moved = bench_chart(moved_pose(prior.pose, step), BENCH)
    after = condition(ahead, np.arange(N_POSE), moved, 1e-9 * np.eye(6)).mean
    later = moved_pose(moved_pose(prior.pose, step), 1e-3 * (travel.rates + travel.faster @ step))
    assert_allclose((bench_chart(later, BENCH) - moved)[:5] / 1e-3, after[N_POSE:N_POSE + 5], atol=0.02, rtol=0.01)


@pytest.mark.parametrize(("close", "is_tried"), [(0.62, True), (0.71, True), (0.73, False)])
def test_a_fit_that_explains_less_than_usual_is_tried_from_further_away(monkeypatch, close, is_tried):
    qualities, starts = iter([close, 0.85, 0.1]), []

    def fit(*_, rounds, **__):
        starts.append(rounds.spreads_px[0])
        quality = next(qualities)
        return SimpleNamespace(quality=quality, score=quality)

    monkeypatch.setattr(vision.track.following, "fit_pose", fit)
    usual = SimpleNamespace(is_smoky=False, quality=0.8)

    found, _ = Follower(CAMERA, NozzleModel(TOOL, EDGES), 0.0)._fit_from(usual, None, None, None)

    assert (found.quality, starts) == ((0.85, [2.5, 5.0]) if is_tried else (close, [2.5]))


@pytest.mark.slow
def test_a_track_through_rolled_flickering_pictures_is_right_to_a_third_of_a_millimetre():
    webcam = Webcam(readout_s=0.016, open_s=0.004, flicker_hz=100, flicker=0.4, steps=(1.0, 0.7, 1.25))
    light = _bench()
    camera = replace(CAMERA, readout_ms=1e3 * webcam.readout_s)
    nozzle = NozzleModel(TOOL, EDGES, light, holds=(hold_of(_pose(0.2), CAM_FROM_BENCH),))
    tracker = Tracker(camera, BenchFollower(camera, standard_mat()), nozzle, 0.0)

    off, sigma = [], []
    for taken, tip_mm, _ in frames(webcam, 26, phase=2.0):
        track = tracker.step(taken).track
        if track.status is TrackStatus.TRACKING:
            off.append(track.tip_mm[2] - tip_mm[2])
            sigma.append(np.sqrt(track.cov[2, 2]))

    assert len(off) > 12
    assert np.sqrt(np.mean(np.square(off))) < 0.33
    assert np.all(np.abs(off) < 3 * np.array(sigma))
