"""The track through drawn pictures: a tool comes in, is searched for beside the frames, followed, and leaves."""

import threading
import time
from copy import copy
from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

import vision.find
import vision.searching
import vision.shutter
import vision.tracker
from tests.vision.drawn_tool import CAMERA, TOOL, as_camera
from tests.vision.test_find import ALL_KNOWN, CAM_FROM_BENCH, DRAWN_EDGES, _bench, _tool, _with_tool
from vision import rigid
from vision.belief import CLEAR_QUALITY
from vision.fit import Picture, fit_pose
from vision.nozzle import hold_of
from vision.silhouette import moved_pose
from vision.tracker import NozzleModel, Tracker
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
    """The bench in linear light, and 26 frames."""
    rng = np.random.default_rng(4)
    bench = _bench(rng)
    empty = [as_camera(bench + rng.normal(0, 0.005, bench.shape)) for _ in range(2)]
    images = [_with_tool(bench, _pose(i), rng) if COMES_IN <= i < LEAVES else empty[i % 2] for i in range(26)]
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


def test_nothing_is_seen_before_the_tool_comes_in(tracks):
    assert all(t.status is TrackStatus.LOST for t in tracks[:COMES_IN])


def test_a_search_that_takes_longer_than_its_frames_changes_nothing(scene, tracks, monkeypatch):
    at_once = vision.searching.find_tool

    def slowly(*args, **options):
        time.sleep(0.25)
        return at_once(*args, **options)

    monkeypatch.setattr(vision.searching, "find_tool", slowly)

    for slow, quick in zip(_tracks(scene), tracks):
        np.testing.assert_array_equal(slow.tip_mm, quick.tip_mm)
        np.testing.assert_array_equal(slow.cov, quick.cov)


def test_a_search_in_vain_is_followed_by_the_next_as_soon_as_its_answer_counts(scene, monkeypatch):
    _, frames = scene
    looked_at = []
    monkeypatch.setattr(vision.searching, "find_tool", lambda *args, **_: looked_at.append(args[2].image))

    _tracks(scene)

    order = [next(f.index for f in frames if f.image is image) for image in looked_at]
    assert order[:4] == [0, 1, 5, 9]  # the first is waited for on the spot, later ones for 0.12 s, four frames


def test_live_a_late_answer_holds_up_no_frame_not_even_the_first_and_still_counts(scene, monkeypatch):
    at_once, may_end = vision.searching.find_tool, threading.Event()

    def after_a_while(*args, **options):
        may_end.wait(20)
        return at_once(*args, **options)

    bench, frames = scene
    nozzle = NozzleModel(TOOL, DRAWN_EDGES, bench, holds=(hold_of(_pose(0), CAM_FROM_BENCH),))
    tracker = Tracker(CAMERA, StillBench(), nozzle, 0.0, waits=False)
    monkeypatch.setattr(vision.searching, "find_tool", after_a_while)
    before = [tracker.step(frame).track.status for frame in frames[COMES_IN:12]]
    may_end.set()
    tracker._search.answer.result(20)
    after = tracker.step(frames[12]).track

    assert set(before) == {TrackStatus.LOST}
    assert np.linalg.norm(after.tip_mm - CAM_FROM_BENCH[:3, :3].T @ (_pose(12).tip_mm - CAM_FROM_BENCH[:3, 3])) < 2.0


def test_a_search_that_found_elsewhere_is_not_believed_when_the_newest_picture_says_otherwise(scene, tracks, monkeypatch):
    rightly, n_found = vision.searching.find_tool, 0

    def elsewhere(*args, **options):
        nonlocal n_found
        fit = rightly(*args, **options)
        n_found += fit is not None
        return fit if n_found < 2 else replace(fit, pose=moved_pose(fit.pose, np.array([30.0, 0, 0, 0, 0, 0])), quality=1.0)

    monkeypatch.setattr(vision.searching, "find_tool", elsewhere)
    monkeypatch.setattr(Tracker, "_needs_search", lambda *_: True)
    monkeypatch.setattr(vision.tracker, "_GOOD_QUALITY", 1.1)
    both = [(d, t) for d, t in zip(_tracks(scene), tracks) if d.is_seen and t.is_seen]

    assert n_found > 1 and len(both) > 8
    assert all(np.linalg.norm(d.tip_mm - t.tip_mm) < 3.0 for d, t in both)


def test_the_stored_bench_lies_where_a_bumped_camera_sees_it_at_once(scene):
    bench, frames = scene
    turned = rigid.transform(rigid.exp_rotation(np.array([0.006, 0.008, 0.0])), np.zeros(3))  # by 9 px
    k = CAMERA.camera_matrix_px
    aside = cv2.warpPerspective(bench, k @ turned[:3, :3] @ np.linalg.inv(k), (1280, 720), flags=cv2.INTER_CUBIC)

    class BumpedBench(StillBench):
        def step(self, frame):
            pose, events = super().step(frame)
            return replace(pose, cam_from_bench=turned @ CAM_FROM_BENCH) if frame.index == 3 else pose, events

    tracker = Tracker(CAMERA, BumpedBench(), NozzleModel(TOOL, DRAWN_EDGES, bench), 0.0)
    for frame in [*frames[:3], Frame(3, 3 / RATE_HZ, as_camera(aside))]:
        tracker.step(frame)

    whole = np.s_[20:-20, 20:-20]
    assert np.abs(bench - aside)[whole].mean() > 0.02
    assert np.abs(tracker._view.light - aside)[whole].mean() < 0.005


@pytest.mark.parametrize("sightings, is_metal, is_believed", [(1.0, None, False), (1.0, False, False), (1.0, True, True), (20.0, None, True)])
def test_a_fit_that_explains_little_leads_an_old_track_but_no_new_one_of_other_metal(scene, monkeypatch, sightings, is_metal,
                                                                                     is_believed):
    monkeypatch.setattr(vision.tracker, "looks_like", lambda *_: is_metal)
    monkeypatch.setattr(vision.tracker, "is_other_thing", lambda *_: False)
    bench, frames = scene
    tracker = Tracker(CAMERA, StillBench(), NozzleModel(TOOL, DRAWN_EDGES, bench), 0.0)
    picture = Picture(frames[10].image, bench, ALL_KNOWN)
    here, _ = StillBench().step(frames[10])
    fit = fit_pose(CAMERA, TOOL, picture, _pose(10), DRAWN_EDGES)
    tracker._advance(fit, here, 0.0)
    tracker._belief = replace(tracker._belief, sightings=sightings)
    poor = replace(fit, quality=CLEAR_QUALITY - 0.02)
    monkeypatch.setattr(tracker, "_follow", lambda *_: poor)
    monkeypatch.setattr(tracker, "_catch_up", lambda *_: None)

    led, _ = tracker._track_on(picture, here, 1 / RATE_HZ)

    assert (led and led.pose) is (poor.pose if is_believed else None)


def _tracking(scene, holds=(), n=6):
    """A tracker that has believed the same fit for some frames, that fit with its picture, and the bench's pose."""
    bench, frames = scene
    tracker = Tracker(CAMERA, StillBench(), NozzleModel(TOOL, DRAWN_EDGES, bench, holds=holds), 0.0)
    picture, (here, _) = Picture(frames[10].image, bench, ALL_KNOWN), StillBench().step(frames[10])
    fit = fit_pose(CAMERA, TOOL, picture, _pose(10), DRAWN_EDGES)
    for k in range(n):
        tracker._t_s = k / RATE_HZ
        tracker._advance(fit, here, tracker._t_s)
    return tracker, fit, picture, here


def test_a_bench_stored_in_other_light_is_taken_in_that_of_now_and_so_is_the_look_of_the_metal(scene):
    bench, frames = scene
    tint, look = np.array([0.75, 0.7, 0.6], np.float32), np.array([0.0, 0.1, -2.0])
    tracker = Tracker(CAMERA, StillBench(), NozzleModel(TOOL, DRAWN_EDGES, bench / tint, metal_look=look), 0.0)

    tracker.step(frames[0])

    assert np.abs(tracker._view.light / bench - 1).mean() < 0.05
    np.testing.assert_allclose(tracker._look - look, [np.log(0.75 / 0.7), np.log(0.6 / 0.7), np.log(0.7)], atol=0.05)


def test_before_another_bench_than_the_stored_one_the_look_of_the_metal_is_left_alone(scene):
    bench, frames = scene
    look, another = np.array([0.0, 0.1, -2.0]), np.ascontiguousarray(bench[::-1, ::-1] ** 2)
    tracker = Tracker(CAMERA, StillBench(), NozzleModel(TOOL, DRAWN_EDGES, another, metal_look=look), 0.0)

    tracker.step(frames[0])

    assert not tracker._view.is_given and tracker._look is look


@pytest.mark.parametrize("was_told", [False, True])
def test_a_track_that_turns_out_to_be_of_another_colour_is_dropped_unless_its_height_was_told(scene, monkeypatch, was_told):
    monkeypatch.setattr(vision.find, "share_in_view", lambda *_: 0.5)  # not all of its shape
    bench, frames = scene
    grey = np.array([0.0, 0.0, np.log(0.2)])  # the tool is drawn red
    tracker = Tracker(CAMERA, StillBench(), NozzleModel(TOOL, DRAWN_EDGES, bench, metal_look=grey), 0.0)
    picture, (here, _) = Picture(frames[10].image, bench, ALL_KNOWN), StillBench().step(frames[10])
    tracker._advance(fit_pose(CAMERA, TOOL, picture, _pose(10), DRAWN_EDGES), here, 0.0)
    tracker._belief = replace(tracker._belief, sightings=5.0, is_untold=not was_told)
    tracker._t_s = 1 / RATE_HZ

    fit, _ = tracker._track_on(picture, here, tracker._t_s)

    assert (fit is not None, tracker._state is not None) == (was_told, was_told)


@pytest.mark.parametrize("aside_mm, after_s, is_believed", [(5.0, 0.6, True), (60.0, 0.6, False), (5.0, 1.5, False)])
def test_a_tool_back_where_it_was_lost_a_moment_ago_need_not_be_confirmed_again(scene, aside_mm, after_s, is_believed):
    tracker, fit, _, here = _tracking(scene, n=20)
    lost_s, tracker._state = tracker._t_s, None
    again = replace(fit, pose=moved_pose(fit.pose, np.array([aside_mm, 0, 0, 0, 0, 0])))

    tracker._advance(again, here, lost_s + after_s)

    assert tracker._belief.is_new is not is_believed


@pytest.mark.parametrize("sigma_mm, status", [(3.0, TrackStatus.COASTING), (9.0, TrackStatus.LOST)])
def test_a_height_that_is_hardly_foretold_is_not_told(scene, sigma_mm, status):
    tracker, _, _, _ = _tracking(scene, n=20)
    cov = np.zeros_like(tracker._state.cov)
    cov[2, 2] = sigma_mm**2
    tracker._state = replace(tracker._state, cov=cov)

    assert tracker._coast(tracker._t_s + 1e-3, "hidden").status is status


def _measured_with_an_answer(tracker, picture, here, monkeypatch, rival, found, now):
    """What is believed when a search that began beside a rival's fit found another, that `now` comes of."""
    t_s = tracker._t_s
    monkeypatch.setattr(vision.searching, "find_tool", lambda *_, **__: found)
    tracker._begin_search(picture, here, t_s, rival)
    tracker._t_s = t_s + 0.15
    answers = iter([(rival, False), (now, True)])
    monkeypatch.setattr(tracker, "_track_on", lambda *_: next(answers))
    return tracker._measure(picture, here, tracker._t_s)


@pytest.mark.parametrize("sightings, replaces", [(6.0, True), (60.0, False)])
def test_a_young_track_gives_way_to_a_pose_that_explains_a_little_more(scene, monkeypatch, sightings, replaces):
    tracker, fit, picture, here = _tracking(scene, n=20)
    tracker._belief = replace(tracker._belief, sightings=sightings)
    rival = replace(fit, quality=0.6, pose=moved_pose(fit.pose, np.array([0.0, 0, 8.0, 0, 0, 0])))
    better = replace(fit, quality=0.66)  # by a tenth

    assert (_measured_with_an_answer(tracker, picture, here, monkeypatch, rival, better, better) is better) is replaces


def test_one_good_picture_does_not_cancel_a_second_look(scene, monkeypatch):
    tracker, fit, picture, here = _tracking(scene, n=20)
    rival, better = replace(fit, quality=0.6), replace(fit, quality=0.9)
    monkeypatch.setattr(vision.searching, "find_tool", lambda *_, **__: better)
    tracker._begin_search(picture, here, tracker._t_s, rival)
    good = replace(fit, quality=0.8)
    monkeypatch.setattr(tracker, "_track_on", lambda *_: (good, True))
    tracker._t_s += 1 / RATE_HZ

    assert tracker._measure(picture, here, tracker._t_s) is good
    assert tracker._search is not None


def test_a_search_that_takes_very_long_keeps_few_pictures_from_all_its_time(scene):
    _, _, picture, here = _tracking(scene)
    search = vision.searching.Search(0.0, here, None, 0.0, ())

    for k in range(1, 300):
        search.keep(picture, here, k / RATE_HZ)
    times_s = [t_s for _, _, t_s in search.later]

    assert len(times_s) < 20 and times_s == sorted(times_s)
    assert times_s[0] < 0.1 and times_s[-1] > 9.5


@pytest.mark.parametrize("strain, lower_mm, replaces", [(0.0, 0.0, False), (2.0, 0.0, True), (0.0, 60.0, True)])
def test_a_pose_gives_way_to_one_as_good_when_it_is_strained_or_below_the_board(scene, monkeypatch, strain, lower_mm, replaces):
    tracker, fit, picture, here = _tracking(scene, n=20)
    below = moved_pose(fit.pose, np.append(-lower_mm * CAM_FROM_BENCH[:3, 2], np.zeros(3)))
    away = tracker._motion.offset_px + strain * np.sqrt(np.diag(tracker._motion.offset_cov))
    rival = replace(fit, pose=below, offset_px=away[fit.sites[6:] - 6])
    other = replace(fit, offset_px=tracker._motion.offset_px[fit.sites[6:] - 6])

    assert (_measured_with_an_answer(tracker, picture, here, monkeypatch, rival, other, other) is other) is replaces


def test_the_sigma_of_a_strained_pose_grows_with_its_strain(scene):
    tracker, fit, _, here = _tracking(scene, n=20)
    tracker._shutter = SimpleNamespace(open_s=0.0)
    more = []
    for strain in (1.5, 4.5):
        twin = copy(tracker)
        away = tracker._motion.offset_px + strain * np.sqrt(np.diag(tracker._motion.offset_cov))
        twin._advance(replace(fit, quality=0.9, offset_px=away[fit.sites[6:] - 6]), here, 20 / RATE_HZ)
        more.append(twin._state.steady_cov[2, 2])

    assert more[1] - more[0] == pytest.approx((3.0**2 - 1.0) * twin._state.cov[2, 2], rel=0.02)  # three times the sigma


@pytest.mark.parametrize("is_told, replaces", [(True, False), (False, True)])
def test_a_told_track_is_not_given_up_for_a_pose_that_does_not_lead_on(scene, monkeypatch, is_told, replaces):
    tracker, fit, picture, here = _tracking(scene, n=20)
    if not is_told:
        tracker._belief = replace(tracker._belief, t_told_s=-1.0)
    rival, better = replace(fit, quality=0.5), replace(fit, quality=0.8)
    leapt = replace(better, pose=moved_pose(fit.pose, np.array([250.0, 0, 0, 0, 0, 0])))

    assert (_measured_with_an_answer(tracker, picture, here, monkeypatch, rival, better, leapt) is leapt) is replaces


@pytest.mark.parametrize("is_low, reason", [(True, "too little of the nozzle in view"), (False, "the nozzle is seen too faintly to tell its height")])
def test_a_height_that_is_hardly_known_is_not_told(scene, monkeypatch, is_low, reason):
    tracker, fit, _, here = _tracking(scene)
    _, told = tracker._advance(fit, here, 0.35)
    vague = np.zeros_like(fit.cov)
    vague[:3, :3] = 9.0**2 * np.outer(CAM_FROM_BENCH[:3, 2], CAM_FROM_BENCH[:3, 2])  # along the vertical
    tracker._state = None
    monkeypatch.setattr(tracker, "_is_low", lambda *_: is_low)

    tracker._advance(replace(fit, cov=fit.cov + vague), here, 0.4)
    tracker._belief = replace(tracker._belief, sightings=4.0)
    _, vaguely = tracker._advance(replace(fit, cov=fit.cov + vague), here, 0.4 + 1 / RATE_HZ)

    assert told.is_seen and not vaguely.is_seen
    assert vaguely.status is TrackStatus.VAGUE
    assert vaguely.reason == reason


def test_a_height_that_was_vague_is_told_when_it_has_been_good_for_a_while(scene):
    tracker, fit, _, here = _tracking(scene)
    tracker._belief = replace(tracker._belief, t_vague_s=0.3)

    soon, later = (tracker._advance(fit, here, t_s)[1] for t_s in (0.4, 0.65))

    assert (soon.status, soon.reason) == (TrackStatus.VAGUE, "the height has not settled yet")
    assert (later.status, later.reason) == (TrackStatus.TRACKING, "")


def test_where_a_vague_nozzle_goes_unseen_is_not_guessed_and_its_age_counts_from_what_was_told(scene):
    tracker, fit, _, here = _tracking(scene)
    told = tracker._advance(fit, here, 0.4)[1]
    tracker._belief = replace(tracker._belief, t_vague_s=0.55)
    vague = tracker._advance(fit, here, 0.6)[1]
    gone = tracker._coast(0.65, "hidden")

    assert (told.status, vague.status, gone.status) == (TrackStatus.TRACKING, TrackStatus.VAGUE, TrackStatus.LOST)
    assert vague.t_seen_s == gone.t_seen_s == 0.4 and np.isnan(gone.tip_mm).all()


@pytest.mark.parametrize("is_vague", [True, False])
def test_a_vague_nozzle_may_jump_to_where_it_is_seen_and_another_may_not(scene, is_vague):
    tracker, fit, _, here = _tracking(scene, n=20)
    far = replace(fit, pose=moved_pose(fit.pose, np.array([0.0, 0, 40.0, 0, 0, 0])), quality=0.5)
    if is_vague:
        tracker._belief = replace(tracker._belief, t_vague_s=tracker._t_seen_s)

    _, track = tracker._advance(far, here, tracker._t_seen_s + 1 / RATE_HZ)

    assert track.status is (TrackStatus.VAGUE if is_vague else TrackStatus.COASTING)


@pytest.mark.parametrize("sightings, status", [(20, TrackStatus.VAGUE), (1, TrackStatus.LOST)])
def test_a_nozzle_that_seems_to_jump_long_after_it_was_told_is_seen_unless_it_is_new(scene, sightings, status):
    tracker, fit, _, here = _tracking(scene, n=20)
    tracker._belief = replace(tracker._belief, sightings=sightings, t_told_s=tracker._t_seen_s - 0.3)
    far = replace(fit, pose=moved_pose(fit.pose, np.array([0.0, 0, 40.0, 0, 0, 0])), quality=0.5)

    _, track = tracker._advance(far, here, tracker._t_seen_s + 1 / RATE_HZ)

    assert track.status is status
    assert np.isnan(track.tip_mm).all()


@pytest.mark.parametrize("aside_mm, status", [(0.0, TrackStatus.VAGUE), (400.0, TrackStatus.LOST)])
def test_a_tool_whose_height_was_not_told_is_still_there_a_moment_later_unless_it_may_have_left(scene, aside_mm, status):
    tracker, _, _, here = _tracking(scene, n=20)
    tracker._belief = replace(tracker._belief, sightings=20, t_told_s=tracker._t_seen_s - 0.3)
    mean = tracker._state.mean.copy()
    mean[0] += aside_mm
    tracker._state = replace(tracker._state, mean=mean)

    soon_s, late_s = tracker._t_seen_s + 1 / RATE_HZ, tracker._t_seen_s + 0.25
    track = tracker._coast(soon_s, "hidden", tracker._is_there_yet(here, soon_s))

    assert track.status is status
    assert np.isnan(track.tip_mm).all()
    assert tracker._coast(late_s, "hidden", tracker._is_there_yet(here, late_s)).status is TrackStatus.LOST


def test_what_learns_the_shutter_is_ready_before_the_first_frame(scene, monkeypatch):
    used, original = [], vision.shutter.misfits_by_travel
    monkeypatch.setattr(vision.shutter, "misfits_by_travel", lambda *a: used.append(1) or original(*a))

    Tracker(CAMERA, StillBench(), NozzleModel(TOOL, DRAWN_EDGES, scene[0]), 0.0).warm_up()

    assert used


@pytest.mark.parametrize("turn_rad, is_followed", [(0.012, True), (0.2, False)])
def test_a_direction_a_little_beyond_its_sigma_is_followed_and_one_far_off_is_not(scene, turn_rad, is_followed):
    tracker, fit, _, here = _tracking(scene, n=20)
    sure = replace(fit, quality=0.6, alone_step=np.zeros(6), alone_cov=np.diag([0.05, 0.05, 0.5, 0.001, 0.001, 0.1]) ** 2)
    turned = replace(sure, pose=moved_pose(fit.pose, np.array([0.0, 0, 0, turn_rad, 0, 0])))

    _, track = tracker._advance(turned, here, 20 / RATE_HZ)

    assert track.is_seen is is_followed


@pytest.mark.parametrize("sightings, is_checked", [(4.0, True), (200.0, False)])
def test_a_fair_fit_is_checked_soon_while_the_track_is_young(scene, sightings, is_checked):
    tracker, fit, _, _ = _tracking(scene)
    tracker._belief = replace(tracker._belief, sightings=sightings)
    tracker._t_find_s, tracker._t_sure_s = 0.8, 1.2

    assert tracker._needs_search(replace(fit, quality=0.6), False, 1.2) is is_checked


@pytest.mark.parametrize("t_s, is_checked", [(0.3, True), (1.2, False)])
def test_a_fair_fit_is_checked_at_once_when_its_track_has_just_begun(scene, t_s, is_checked):
    tracker, fit, _, _ = _tracking(scene)
    tracker._belief = replace(tracker._belief, sightings=200.0)
    tracker._t_find_s, tracker._t_sure_s = t_s - 0.2, t_s

    assert tracker._needs_search(replace(fit, quality=0.74), False, t_s) is is_checked


@pytest.mark.parametrize("is_low", [False, True])
def test_what_a_doubted_track_told_of_the_hold_binds_no_search_but_in_a_low_view(scene, monkeypatch, is_low):
    photographed = (hold_of(_tool(0, 0, 10, 20, 60), CAM_FROM_BENCH),)
    tracker, fit, picture, here = _tracking(scene, photographed, n=20)
    monkeypatch.setattr(vision.searching, "find_tool", lambda *_, **options: options["holds"])
    monkeypatch.setattr(tracker, "_is_low", lambda *_: is_low)

    holds = tracker._begin_search(picture, here, 0.7, fit).answer.result(20)

    assert holds == ((tracker._last_hold,) if is_low else photographed)


@pytest.mark.parametrize("holds", [(), None])
def test_a_pose_held_unlike_the_track_may_replace_it_when_it_explains_more(scene, monkeypatch, holds):
    tracker, fit, picture, here = _tracking(scene, (hold_of(_pose(10), CAM_FROM_BENCH),) if holds is None else holds, n=20)
    wrong = moved_pose(_pose(10), np.array([0.0, 0, 0, 0.7, 0, 0]))  # 40 degrees
    tracker._last_hold = hold_of(wrong, CAM_FROM_BENCH)
    doubtful = replace(fit, pose=wrong, quality=0.4)
    monkeypatch.setattr(vision.searching, "find_tool", lambda *_, **__: fit)
    tracker._begin_search(picture, here, 0.7, doubtful)
    tracker._t_s = 0.85
    monkeypatch.setattr(tracker, "_track_on", lambda *_: (fit if tracker._last_hold is None else doubtful, False))

    assert tracker._measure(picture, here, 0.85) is fit


def test_the_same_tool_found_anew_need_not_be_confirmed_again(scene, monkeypatch):
    tracker, fit, picture, here = _tracking(scene, n=20)
    fit = replace(fit, quality=0.48)  # not so clear that one or two sightings are enough
    doubtful = replace(fit, pose=moved_pose(fit.pose, np.array([0.0, 0, 8.0, 0, 0, 0])), quality=0.4)
    monkeypatch.setattr(vision.searching, "find_tool", lambda *_, **__: fit)
    tracker._begin_search(picture, here, 0.7, doubtful)
    tracker._t_s = 0.85
    answers = iter([(doubtful, False), (fit, True)])
    monkeypatch.setattr(tracker, "_track_on", lambda *_: next(answers))

    found = tracker._measure(picture, here, 0.85)
    _, track = tracker._advance(found, here, 0.85)

    assert found is fit and track.status is TrackStatus.TRACKING
