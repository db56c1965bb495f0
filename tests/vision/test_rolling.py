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
from vision.fit.pose import Picture, fit_pose
from vision.fit.rounds import Travel
from vision.nozzle.body import ToolPose, hold_of
from vision.nozzle.silhouette import moved_pose
from vision.track.following import Follower, NozzleModel
from vision.track.kalman import N_POSE, condition, predict, start_state
from vision.track.measurement import bench_chart
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


def _off(picture, travel):
    true = _pose(T_S)
    fit = fit_pose(CAMERA, TOOL, picture, true, EDGES, travel=travel)
    return np.linalg.norm(fit.pose.tip_mm - true.tip_mm), np.degrees(np.arccos(fit.pose.axis @ true.axis))


def test_a_moving_tool_is_where_it_is_when_the_middle_row_is_read(rolled):
    known = Travel(_rates(T_S), np.zeros((6, 6)), 0.008, READOUT_S)

    off_mm, off_deg = _off(rolled, known)

    assert off_mm < 0.5 and off_deg < 0.25
    assert _off(rolled, known._replace(readout_s=0.0))[1] > 4 * off_deg


def test_rates_go_with_the_pose_as_the_filter_s_own_covariance_has_it():
    follower = Follower(CAMERA, NozzleModel(TOOL, EDGES), 0.0)
    motion = follower._motion
    before = start_state(0.0, bench_chart(_pose(0.0), BENCH), 0.01 * np.eye(6), motion)
    ahead = predict(before, 0.04, motion)
    step = np.array([0.4, -0.3, 0.5, 0.002, -0.001, 0.0])

    prior, travel = follower._expected(ahead, BENCH)

    moved = bench_chart(moved_pose(prior.pose, step), BENCH)
    after = condition(ahead, np.arange(N_POSE), moved, 1e-9 * np.eye(6)).mean
    later = moved_pose(moved_pose(prior.pose, step), 1e-3 * (travel.rates + travel.faster @ step))
    assert_allclose((bench_chart(later, BENCH) - moved)[:5] / 1e-3, after[N_POSE:N_POSE + 5], atol=0.02, rtol=0.01)


@pytest.mark.parametrize(("close", "is_tried"), [(0.62, True), (0.71, True), (0.73, False)])
def test_a_fit_that_explains_less_than_usual_is_tried_from_further_away(monkeypatch, close, is_tried):
    qualities, starts = iter([close, 0.85, 0.1]), []

    def fit(*_, spreads_px, **__):
        starts.append(spreads_px[0])
        quality = next(qualities)
        return SimpleNamespace(quality=quality, score=quality)

    monkeypatch.setattr(vision.track.following, "fit_pose", fit)
    usual = SimpleNamespace(is_smoky=False, quality=0.8)

    found, _ = Follower(CAMERA, NozzleModel(TOOL, EDGES), 0.0)._fit_from(usual, None, None, None, None)

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
