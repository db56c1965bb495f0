"""The track through drawn pictures: a tool comes in, is searched for beside the frames, followed, and leaves."""

import os
import sys
import threading
import time
from dataclasses import replace

import cv2
import numpy as np
import pytest

import vision.track.following
import vision.track.searching
import vision.track.shutter
import vision.track.tracker
from tests.vision.drawn_tool import CAMERA, TOOL, as_camera
from tests.vision.test_find import CAM_FROM_BENCH, DRAWN_EDGES, _bench, _tool, _with_tool
from vision import rigid
from vision.fit.pose import Picture, fit_pose
from vision.nozzle.body import hold_of
from vision.nozzle.silhouette import moved_pose
from vision.track.evidence import log_likelihood_ratio, log_odds_right
from vision.track.tracker import NozzleModel, Tracker
from vision.types import BenchPose, Frame, TrackStatus

RATE_HZ, COMES_IN, LEAVES = 30.0, 3, 22


class StillBench:
    """A bench whose pose is known."""

    def step(self, frame):
        return BenchPose(frame.t_s, CAM_FROM_BENCH, 1e-8 * np.eye(6), 14, 0.1), ()

    def warm_up(self):
        pass


def _pose(index):
    return _tool(-20 + 1.5 * index, 5, 15, 35, 90)


@pytest.fixture(scope="module")
def scene():
    """The bench in linear light, and 32 frames."""
    rng = np.random.default_rng(4)
    bench = _bench(rng)
    empty = [as_camera(bench + rng.normal(0, 0.005, bench.shape)) for _ in range(2)]
    images = [_with_tool(bench, _pose(i), rng) if COMES_IN <= i < LEAVES else empty[i % 2] for i in range(32)]
    return bench, [Frame(i, i / RATE_HZ, image) for i, image in enumerate(images)]


def _tracks(scene):
    bench, frames = scene
    nozzle = NozzleModel(TOOL, DRAWN_EDGES, bench, holds=(hold_of(_pose(0), CAM_FROM_BENCH),))
    tracker = Tracker(CAMERA, StillBench(), nozzle, 0.0)
    return [tracker.step(frame).track for frame in frames]


@pytest.fixture(scope="module")
def tracks(scene):
    return _tracks(scene)


def test_a_tool_that_comes_in_is_believed_within_a_third_of_a_second(tracks):
    first = next(k for k, t in enumerate(tracks) if t.status is TrackStatus.TRACKING)

    assert COMES_IN < first <= COMES_IN + RATE_HZ / 3


def test_the_track_follows_the_tool_within_its_sigma(tracks):
    seen = [(k, t) for k, t in enumerate(tracks) if t.status is TrackStatus.TRACKING and k < LEAVES]

    assert len(seen) > 8
    for k, track in seen:
        truth = CAM_FROM_BENCH[:3, :3].T @ (_pose(k).tip_mm - CAM_FROM_BENCH[:3, 3])
        error = track.tip_mm - truth
        assert np.all(np.abs(error) < 4 * np.sqrt(np.diag(track.cov)[:3]) + 0.3)


def test_a_tool_that_left_is_not_seen_any_more(tracks):
    assert not any(t.is_seen for t in tracks[LEAVES:])


def test_a_bench_seen_bare_after_the_tool_says_that_it_has_left(tracks):
    assert tracks[-1].status is TrackStatus.GONE


def test_nothing_is_seen_before_the_tool_comes_in(tracks):
    assert all(t.status is TrackStatus.LOST for t in tracks[:COMES_IN])


def test_a_search_that_takes_longer_than_its_frames_changes_nothing(scene, tracks, monkeypatch):
    at_once = vision.track.searching.find_poses

    def slowly(*args, **options):
        time.sleep(0.25)
        return at_once(*args, **options)

    monkeypatch.setattr(vision.track.searching, "find_poses", slowly)

    for slow, quick in zip(_tracks(scene), tracks, strict=False):
        np.testing.assert_array_equal(slow.tip_mm, quick.tip_mm)
        np.testing.assert_array_equal(slow.cov, quick.cov)


def test_a_search_in_vain_is_followed_by_the_next_as_soon_as_its_answer_counts(scene, monkeypatch):
    _, frames = scene
    looked_at = []
    monkeypatch.setattr(vision.track.searching, "find_poses", lambda *args, **_: looked_at.append(args[1].image) or [])

    _tracks(scene)

    order = [next(f.index for f in frames if f.image is image) for image in looked_at]
    assert order[:4] == [0, 1, 3, 5]  # the first is waited for on the spot, later ones for 0.06 s, two frames


def test_live_a_late_answer_holds_up_no_frame_not_even_the_first_and_still_counts(scene, monkeypatch):
    at_once, may_end, has_ended = vision.track.searching.find_poses, threading.Event(), threading.Event()

    def after_a_while(*args, **options):
        may_end.wait(20)
        found = at_once(*args, **options)
        has_ended.set()
        return found

    bench, frames = scene
    nozzle = NozzleModel(TOOL, DRAWN_EDGES, bench, holds=(hold_of(_pose(0), CAM_FROM_BENCH),))
    tracker = Tracker(CAMERA, StillBench(), nozzle, 0.0, waits=False)
    monkeypatch.setattr(vision.track.searching, "find_poses", after_a_while)
    before = [tracker.step(frame).track.status for frame in frames[COMES_IN:12]]
    may_end.set()
    has_ended.wait(60)
    for frame in frames[12:LEAVES]:
        time.sleep(0.1)
        after = tracker.step(frame).track

    assert set(before) == {TrackStatus.LOST}
    assert (
        np.linalg.norm(after.tip_mm - CAM_FROM_BENCH[:3, :3].T @ (_pose(LEAVES - 1).tip_mm - CAM_FROM_BENCH[:3, 3]))
        < 2.0
    )


def test_a_search_that_found_elsewhere_is_not_believed_when_later_pictures_say_otherwise(scene, tracks, monkeypatch):
    rightly, n_found = vision.track.searching.find_poses, 0

    def elsewhere(*args, **options):
        nonlocal n_found
        fits = rightly(*args, **options)
        n_found += bool(fits)
        return (
            fits
            if n_found < 2
            else [replace(fit, pose=moved_pose(fit.pose, np.array([30.0, 0, 0, 0, 0, 0]))) for fit in fits]
        )

    monkeypatch.setattr(vision.track.searching, "find_poses", elsewhere)
    monkeypatch.setattr(vision.track.tracker, "_GOOD_QUALITY", 1.1)  # looks again and again
    both = [(d, t) for d, t in zip(_tracks(scene), tracks, strict=False) if d.is_seen and t.is_seen]

    assert n_found > 1 and len(both) > 8
    assert all(np.linalg.norm(d.tip_mm - t.tip_mm) < 3.0 for d, t in both)


def test_the_stored_bench_lies_where_a_bumped_camera_sees_it_at_once(scene, monkeypatch):
    bench, frames = scene
    turned = rigid.transform(rigid.exp_rotation(np.array([0.006, 0.008, 0.0])), np.zeros(3))  # by 9 px
    k = CAMERA.camera_matrix_px
    aside = cv2.warpPerspective(bench, k @ turned[:3, :3] @ np.linalg.inv(k), (1280, 720), flags=cv2.INTER_CUBIC)

    class BumpedBench(StillBench):
        def step(self, frame):
            pose, events = super().step(frame)
            return replace(pose, cam_from_bench=turned @ CAM_FROM_BENCH) if frame.index == 3 else pose, events

    tracker = Tracker(CAMERA, BumpedBench(), NozzleModel(TOOL, DRAWN_EDGES, bench), 0.0)
    views, view_of = [], vision.track.tracker.BenchView
    monkeypatch.setattr(vision.track.tracker, "BenchView", lambda *a: views.append(view_of(*a)) or views[0])
    for frame in [*frames[:3], Frame(3, 3 / RATE_HZ, as_camera(aside))]:
        tracker.step(frame)

    whole = np.s_[20:-20, 20:-20]
    assert len(views) == 1 and np.abs(bench - aside)[whole].mean() > 0.02
    assert np.abs(views[0].light - aside)[whole].mean() < 0.005


def test_what_learns_the_shutter_is_ready_before_the_first_frame(scene, monkeypatch):
    used, original = [], vision.track.shutter.misfits_by_softness
    monkeypatch.setattr(vision.track.shutter, "misfits_by_softness", lambda *a: used.append(1) or original(*a))

    Tracker(CAMERA, StillBench(), NozzleModel(TOOL, DRAWN_EDGES, scene[0]), 0.0).warm_up()

    assert used


def test_a_search_that_takes_very_long_keeps_few_pictures_from_all_its_time():
    search = vision.track.searching.Search(0.0, None, None, None, 0.0, (), [])

    for k in range(1, 300):
        search.keep(None, None, k / RATE_HZ)
    times_s = [t_s for _, _, t_s in search.later]

    assert len(times_s) < 20 and times_s == sorted(times_s)
    assert times_s[0] < 0.1 and times_s[-1] > 9.5


def _behind_a_hand(image):
    hand = image.copy()
    cv2.ellipse(hand, (650, 420), (260, 240), 0, 0, 360, (130, 160, 205), -1)
    return hand


def test_a_tool_hidden_for_a_moment_is_foretold_and_then_followed_again(scene):
    bench, frames = scene
    hidden = {15, 16}
    nozzle = NozzleModel(TOOL, DRAWN_EDGES, bench, holds=(hold_of(_pose(0), CAM_FROM_BENCH),))
    tracker = Tracker(CAMERA, StillBench(), nozzle, 0.0)

    status = [
        tracker.step(replace(f, image=_behind_a_hand(f.image)) if f.index in hidden else f).track.status
        for f in frames[:LEAVES]
    ]

    assert {status[k] for k in hidden} <= {TrackStatus.COASTING, TrackStatus.VAGUE}
    assert status[14] is status[18] is TrackStatus.TRACKING


def test_a_track_of_another_tool_begins_a_new_stretch_for_the_two_sided_estimate(scene):
    bench, frames = scene
    nozzle = NozzleModel(TOOL, DRAWN_EDGES, bench, holds=(hold_of(_pose(0), CAM_FROM_BENCH),))
    tracker = Tracker(CAMERA, StillBench(), nozzle, 0.0)
    states = []
    for frame in frames[:LEAVES]:
        track = tracker.step(frame).track
        states.append(tracker.state)
        assert (states[-1] is None) or track.status in (TrackStatus.TRACKING, TrackStatus.VAGUE)

    numbers = [s.track for s in states if s is not None]
    assert len(numbers) > 8 and numbers == sorted(numbers)


def test_a_tool_that_is_not_where_it_is_expected_is_looked_for_around_there_ten_times_a_second(scene, monkeypatch):
    bench_light, frames = scene
    looked_at = []
    monkeypatch.setattr(vision.track.following, "poses_near", lambda *args: looked_at.append(t_s) or [])
    follower = vision.track.following.Follower(CAMERA, NozzleModel(TOOL, DRAWN_EDGES, bench_light), 0.0)
    bench, known = StillBench().step(frames[0])[0], np.full((720, 1280), 255, np.uint8)
    seen, empty = (Picture(image, bench_light, known) for image in (frames[LEAVES - 1].image, frames[0].image))
    fit = fit_pose(CAMERA, TOOL, seen, _pose(LEAVES - 1), DRAWN_EDGES)
    h = follower.begin(fit, seen, bench, (), 5.0, 0.0)
    for t_s in np.arange(1, 10) / 30:
        h = replace(follower.step(h, empty, replace(bench, t_s=t_s), ())[0], fit=fit)  # as if it had been seen then

    np.testing.assert_allclose(np.diff(looked_at), 0.1, atol=1e-9)
    assert len(looked_at) == 3


@pytest.fixture(scope="module")
def followed(scene):
    """A follower, the bench's pose, a picture with the tool, one without, and a hypothesis begun at 0 s there."""
    bench_light, frames = scene
    follower = vision.track.following.Follower(CAMERA, NozzleModel(TOOL, DRAWN_EDGES, bench_light), 0.0)
    bench, known = StillBench().step(frames[0])[0], np.full((720, 1280), 255, np.uint8)
    seen, empty = (Picture(image, bench_light, known) for image in (frames[LEAVES - 1].image, frames[0].image))
    fit = fit_pose(CAMERA, TOOL, seen, _pose(LEAVES - 1), DRAWN_EDGES)
    return follower, bench, seen, empty, follower.begin(fit, seen, bench, (), 5.0, 0.0)


def _after(followed, pictures, dt_s=0.04):
    """The hypothesis after these pictures."""
    follower, bench, *_, h = followed
    for i, picture in enumerate(pictures):
        h = follower.step(h, picture, replace(bench, t_s=(i + 1) * dt_s), ())[0]
    return h


@pytest.mark.parametrize(("n_hidden", "begins_s"), [(0, 0.0), (1, 0.0), (2, 0.12)])
def test_a_tool_that_pictures_did_not_show_for_a_tenth_of_a_second_begins_anew(followed, n_hidden, begins_s):
    _, _, seen, empty, _ = followed

    h = _after(followed, [empty] * n_hidden + [seen])

    assert h.fit is not None and h.t_start_s == pytest.approx(begins_s)


@pytest.mark.parametrize(("sigma_mm", "begins_s"), [(3.9, 0.0), (4.1, 0.04)])
def test_a_tool_of_which_the_last_picture_told_too_little_begins_anew(followed, sigma_mm, begins_s):
    follower, bench, seen, _, h = followed
    cov = h.state.cov.copy()
    cov[2, 2] = sigma_mm**2
    vague = replace(h, state=replace(h.state, cov=cov))

    after = follower.step(vague, seen, replace(bench, t_s=0.04), ())[0]

    assert after.fit is not None and after.t_start_s == begins_s


@pytest.mark.parametrize("n_hidden", [0, 2])
def test_the_odds_of_a_place_grow_from_picture_to_picture_and_begin_anew_when_it_is_seen_again(followed, n_hidden):
    _, _, seen, empty, first = followed
    shown = log_likelihood_ratio(TOOL, first.fit)

    h = _after(followed, [empty] * n_hidden + [seen])

    again = log_likelihood_ratio(TOOL, h.fit)
    assert first.log_right == log_odds_right(shown) < 7.0
    assert h.log_right == pytest.approx(log_odds_right(again, first.log_right, 0.2) if n_hidden == 0
                                        else log_odds_right(again))


def test_a_picture_that_hardly_shows_the_outline_is_told_with_a_band_towards_where_the_tool_was_expected(followed,
                                                                                                    monkeypatch):
    follower, bench, seen, _, h = followed
    told = {}
    for log_ratio in (20.0, 0.0):
        monkeypatch.setattr(vision.track.following, "log_likelihood_ratio", lambda *_, ratio=log_ratio: ratio)
        told[log_ratio] = follower.step(h, seen, replace(bench, t_s=0.04), ())[0].state

    ahead = follower.expected(h.state, 0.04)
    share = 1 / (1 + np.e)  # that it ended elsewhere, at a ratio of 1
    away = told[0.0].mean[2] - ahead.mean[2]
    wider = share * (ahead.cov[2, 2] - told[0.0].cov[2, 2] + (1 - share) * away**2)
    grown = (told[0.0].steady_cov - told[20.0].steady_cov)[2, 2]
    assert wider > 0.2 and grown == pytest.approx(wider, rel=0.02)
    np.testing.assert_array_equal(told[0.0].mean, told[20.0].mean)
    np.testing.assert_array_equal(told[0.0].cov, told[20.0].cov)


def test_a_tool_after_a_gap_between_pictures_goes_on(followed):
    h = _after(followed, [followed[2]], dt_s=0.2)

    assert h.fit is not None and h.t_start_s == 0.0


@pytest.mark.parametrize(("n_hidden", "n_looks"), [(0, 0), (2, 1)])
def test_a_tool_that_is_seen_again_is_looked_for_around_there_though_it_looks_well(followed, monkeypatch, n_hidden,
                                                                                   n_looks):
    _, _, seen, empty, _ = followed
    h, looks = _after(followed, [empty] * n_hidden), []
    monkeypatch.setattr(vision.track.following, "poses_near", lambda *args: looks.append(args) or [])

    follower, bench = followed[:2]
    after = follower.step(h, seen, replace(bench, t_s=0.04 * (n_hidden + 1)), ())[0]

    assert after.fit.quality > 0.8 and len(looks) == n_looks


@pytest.mark.parametrize(("log_ratio", "n_looks"), [(0.5, 0), (-0.5, 1)])
def test_a_track_is_looked_for_around_there_when_another_thing_explains_the_picture_better(followed, monkeypatch,
                                                                                           log_ratio, n_looks):
    follower, bench, seen, _, h = followed
    looks = []
    monkeypatch.setattr(vision.track.following, "poses_near", lambda *args: looks.append(args) or [])
    monkeypatch.setattr(vision.track.following, "log_likelihood_ratio", lambda *_: log_ratio)

    follower.step(h, seen, replace(bench, t_s=0.04), ())

    assert len(looks) == n_looks


@pytest.mark.parametrize(("dt_s", "n_looks"), [(1 / 30, 2), (1 / 15, 6), (1 / 10, 6)])
def test_a_slow_camera_s_pictures_leave_time_to_look_around_in_every_one(followed, monkeypatch, dt_s, n_looks):
    follower, bench, seen, empty, h = followed
    looks = []
    monkeypatch.setattr(vision.track.following, "poses_near", lambda *args: looks.append(args) or [])

    for i in range(6):
        h = follower.step(h, empty, replace(bench, t_s=(i + 1) * dt_s), ())[0]

    assert len(looks) == n_looks


@pytest.mark.parametrize(("is_smoky", "n_veiled"), [(False, 3), (True, 9)])
def test_smoke_is_looked_through_ten_times_a_second_and_always_where_there_was_some(followed, monkeypatch, is_smoky,
                                                                                    n_veiled):
    follower, bench, seen, _, h = followed
    fit, veils = h.fit, []

    def badly(camera, body, picture, *args, **options):
        veils.append((t_s, picture.veil))
        return replace(fit, quality=0.5, n_edges=10)

    monkeypatch.setattr(vision.track.following, "fit_pose", badly)
    for t_s in np.arange(1, 10) / 30:
        after = follower.step(replace(h, is_smoky=is_smoky, quality=0.9), seen, replace(bench, t_s=t_s), ())[0]
        h = replace(after, fit=fit, t_seen_s=t_s)

    assert len({t_s for t_s, veil in veils if veil > 0.1}) == n_veiled


@pytest.mark.parametrize(("log_odds", "goes_on"), [(6.0, False), (1.0, True)])
def test_a_search_that_found_nothing_is_repeated_while_the_tool_is_not_surely_known(followed, monkeypatch, log_odds,
                                                                                    goes_on):
    monkeypatch.setattr(vision.track.searching, "find_poses", lambda *_: [])
    _, bench, seen, _, h = followed
    tracker = Tracker(CAMERA, StillBench(), NozzleModel(TOOL, DRAWN_EDGES), 0.0)
    tracker._hypotheses = [replace(h, log_odds=log_odds, quality=0.9)]
    tracker._begin_search(seen, bench, 0.0)

    tracker._take_search(seen, bench, 0.2)

    assert (tracker._search is not None) is goes_on


@pytest.mark.skipif(sys.platform != "linux", reason="only there threads have ranks of their own")
def test_a_first_look_goes_before_a_second_one(scene, monkeypatch):
    ranks = []
    monkeypatch.setattr(vision.track.searching, "find_poses",
                        lambda *_: ranks.append(os.getpriority(os.PRIO_PROCESS, threading.get_native_id())) or [])
    bench_light, frames = scene
    searcher = vision.track.searching.Searcher(CAMERA, TOOL, 0.0, DRAWN_EDGES)
    picture = Picture(frames[0].image, bench_light, np.full((720, 1280), 255, np.uint8))
    bench = StillBench().step(frames[0])[0]

    for is_known in (False, True):
        searcher.begin(picture, bench, 0.0, (), [], is_known).answer.result()

    first, second = ranks
    assert second > first == os.getpriority(os.PRIO_PROCESS, os.getpid())
