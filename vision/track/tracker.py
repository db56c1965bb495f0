"""Follows the nozzle from frame to frame: hypotheses of where it is, searches for new ones, and what is reported of
them.
"""

from __future__ import annotations

from copy import copy
from dataclasses import replace

import cv2
import numpy as np

from vision.bench.background import MASK_SCALE, BenchView
from vision.bench.board import BoardFollower
from vision.bench.follower import BenchFollower
from vision.bench.warp import BenchRelief, BenchWarper, bench_now
from vision.camera.model import CameraModel
from vision.fit.pose import Picture, fit_pose
from vision.nozzle.body import Hold, ToolPose, hold_of
from vision.nozzle.silhouette import tool_hull
from vision.track.chart import pose_of
from vision.track.estimate import LIKELY, REPORTED_SIGMA_MM, SURE, estimate, spread_over, status_of
from vision.track.find import share_in_view
from vision.track.following import WHOLE, Follower, NozzleModel
from vision.track.hypothesis import LOG_HIDDEN, Hypothesis, compete, probabilities
from vision.track.kalman import N_MOVING, N_POSE, ToolState
from vision.track.measurement import observation
from vision.track.novelty import is_bare
from vision.track.searching import SEARCH_S, Search, Searcher
from vision.types import (
    BenchEvent,
    BenchPose,
    FloatArray,
    Frame,
    NozzleMiss,
    NozzleObservation,
    NozzleTrack,
    PoseMiss,
    TrackStatus,
    VisionResult,
)

__all__ = ["NozzleModel", "Tracker"]

_COAST_S, _LOST_S = 0.2, 0.4  # for which a tool that is not seen is foretold, and looked for where it was [convention]
# of the picture's width and height, and sigmas of where it has come, within which an outlet may have left unseen
# [convention]
_BORDER, _SIGMAS = 0.06, 1.0
_GOOD_QUALITY = 0.7  # share of the outline from which on no other pose is looked for [trial]
# at least so often, and sooner while a track is young, it looks for another [convention]
_SECOND_SEARCH_S, _EARLY_SEARCH_S = 4.0, 0.3
# a search's answer is followed through the pictures since, so far apart and so many, though not through all
# [convention]
_FOLLOW_UP_S, _FOLLOW_UPS = 0.05, 3
_GRIP_S, _GRIP_AGE_S = 5.0, 0.5  # a hand that led the tool for the second holds it alike for the first [convention]
_CLEAR_QUALITY = 0.5  # of a fit that tells how the tool is held, and how long the shutter is open [convention]
_BARE_SHARE = 0.2  # of the tool's own area, that something must cover to be one [convention]
_FAST_MM_S = np.array([150.0, 0.0, 0.0])  # of the tool that warms up [convention]


class Tracker:
    """One camera, one mat, one nozzle; feed frames in order of time.

    Parameters
    ----------
    camera : CameraModel
    bench_follower : BenchFollower
    nozzle : NozzleModel
    board_top_mm : float
        Height of the board's top face over the mat.
    board : BoardFollower, optional
        Without one the board is taken to lie still.
    waits : bool
        For a search's answer when it is due, and for the first one's on the spot, so that every machine gives the same;
        else a late answer counts from a later frame on, and no frame is held up.
    """

    def __init__(self, camera: CameraModel, bench_follower: BenchFollower, nozzle: NozzleModel, board_top_mm: float,
                 board: BoardFollower | None = None, waits: bool = True) -> None:
        cv2.setNumThreads(1)
        self._waits, self._board_top_mm = waits, board_top_mm
        self._board, self._relief = board, BenchRelief(camera, board_top_mm, board)
        self._camera, self._bench, self._nozzle, self._body = camera, bench_follower, nozzle, nozzle.body
        self._view: BenchView | None = None
        self._mask: np.ndarray | None = None
        self._warper: BenchWarper | None = None
        self._follower = Follower(camera, nozzle, board_top_mm)
        self._hypotheses: list[Hypothesis] = []
        self._searcher = Searcher(camera, nozzle.body, board_top_mm, nozzle.bias)
        self._search: Search | None = None
        self._t_search_s = -np.inf
        self._hold: Hold | None = None
        self._t_hold_s = -np.inf
        self._t_s, self._t_reported_s = np.nan, np.nan
        # whether the tool was seen to have left; its pose in the camera frame when it was last told, and its motion
        # when it was last surely seen
        self._is_bare = False
        self._reported_pose: ToolPose | None = None
        self._seen_state: ToolState | None = None

    def warm_up(self) -> None:
        """Load or compile what the first frames need, by finding and following a drawn tool; changes nothing."""
        w, h = self._camera.image_size_px
        from_above = np.diag([1.0, -1.0, -1.0, 1.0])
        from_above[2, 3] = 400.0
        bench = BenchPose(0.0, from_above, 1e-6 * np.eye(6), 0, 0.0)
        pose = ToolPose(np.array([0.0, 0.0, 370.0]), np.array([0.0, -0.6, 0.8]))
        image = np.full((h, w, 3), 60, np.uint8)
        view = BenchView(image.copy())
        for hull in tool_hull(self._camera, self._body, pose):
            cv2.fillConvexPoly(image, np.round(hull).astype(np.int32), (170, 170, 170))
        view.see(image, None)
        view.learn(image, None)
        picture, twin = Picture(image, view.light, view.known, view.noise), copy(self)
        twin._follower = Follower(self._camera, self._nozzle, self._board_top_mm)
        twin._take_search(picture, bench, 0.0)
        fit = fit_pose(self._camera, self._body, picture, pose, self._nozzle.bias)
        if fit is not None:
            first = twin._follower.begin(fit, picture, bench, (), 5.0, 0.0)
            twin._hypotheses = twin._follower.step(first, picture, replace(bench, t_s=0.03), ())
            twin._report(bench, 0.03)
            twin._tool_mask(bench, image.shape)
            twin._follower.shutter.see(0.0, picture, fit.pose, _FAST_MM_S, 0.0)
        self._bench.warm_up()
        if self._board is not None:
            self._board.region(bench.cam_from_bench, image.shape)

    def step(self, frame: Frame) -> VisionResult:
        """Measure one frame and bring the track up to its time."""
        dt_s = frame.t_s - self._t_s if frame.t_s > self._t_s else 0.0
        self._t_s = frame.t_s
        bench, events = self._bench.step(frame)
        if isinstance(bench, PoseMiss):
            shift = np.zeros(3) if self._board is None else self._board.shift
            self._hypotheses = [replace(h, fit=None) for h in self._hypotheses if frame.t_s - h.t_seen_s < _LOST_S]
            return VisionResult(frame.index, frame.t_s, bench, NozzleMiss(frame.t_s, bench.reason),
                                self._coasting(None, frame.t_s, bench.reason), shift, events)
        view, warper = self._bench_seen(frame, bench)
        view.see(frame.image, self._mask)
        picture = Picture(frame.image, view.light, view.known, view.noise, view.gain)
        self._follow(picture, bench, frame.t_s, dt_s)
        self._take_search(picture, bench, frame.t_s)
        track = self._report(bench, frame.t_s)
        seen = self._observation(bench, frame.t_s)
        self._learn(picture, bench, frame.t_s, dt_s, track)
        mask = self._mask = self._tool_mask(bench, frame.image.shape)
        view.learn(frame.image, mask)
        shift, moved = self._board_shift(frame, bench, mask, warper)
        return VisionResult(frame.index, frame.t_s, bench, seen, track, shift, (*events, *moved))

    @property
    def state(self) -> ToolState | None:
        """The filter's pose and rates after the last frame, for `smoothed`; None when that frame did not show the
        tool.
        """
        if not self._is_there(SURE) or self._hypotheses[0].fit is None or self._hypotheses[0].state.t_s != self._t_s:
            return None
        s = self._hypotheses[0].state
        return replace(s, mean=s.mean[:N_MOVING].copy(), cov=s.cov[:N_MOVING, :N_MOVING].copy())

    def _bench_seen(self, frame: Frame, bench: BenchPose) -> tuple[BenchView, BenchWarper]:
        """The bench as it looks now, from where the camera stands now, and what redraws it."""
        if self._view is None or self._warper is None:
            light, cast = bench_now(self._relief, self._nozzle.bench, self._nozzle.bench_pose, frame.image,
                                    bench.cam_from_bench)
            self._view = BenchView(frame.image, light)
            # before another bench nothing tells the light
            if self._follower.appearance is not None and self._view.is_given:
                self._follower.appearance = self._follower.appearance + cast
            self._warper = BenchWarper(self._relief, self._view, bench)
        self._warper.step(bench)
        return self._view, self._warper

    def _board_shift(self, frame: Frame, bench: BenchPose, mask: np.ndarray | None,
                     warper: BenchWarper) -> tuple[FloatArray, tuple[BenchEvent, ...]]:
        """How far the board was moved, and events; the stored bench follows."""
        if self._board is None:
            return np.zeros(3), ()
        before = self._board.shift
        shift, moved = self._board.step(frame, bench, mask)
        if moved:
            warper.slide(frame.image, mask, before, shift)
        return shift, moved

    def _follow(self, picture: Picture, bench: BenchPose, t_s: float, dt_s: float) -> None:
        """Bring all hypotheses up to a picture."""
        holds = self._holds()
        recent = [h for h in self._hypotheses if t_s - h.t_seen_s < _LOST_S]
        followed = [new for h in recent for new in self._follower.step(h, picture, bench, holds)]
        self._hypotheses = compete(followed, dt_s)
        if self._is_there(LIKELY) and self._hypotheses[0].fit is not None:
            self._is_bare = False
        elif not np.isnan(self._t_reported_s) and (
                not self._is_there(LIKELY) or t_s - self._hypotheses[0].t_seen_s > _COAST_S):
            self._is_bare = self._is_bare or self._went_out(bench, t_s) or is_bare(picture,
                                                                                   _BARE_SHARE * self._size_px())
        if self._is_bare:  # a bare bench hides nothing
            self._hypotheses = [h for h in self._hypotheses if h.fit is not None]

    def _take_search(self, picture: Picture, bench: BenchPose, t_s: float) -> None:
        """Begin a search where one is worth its time, or take one's answer when it is due."""
        search, is_waited_for = self._search, False
        if search is None:
            is_waited_for = self._waits and self._t_search_s == -np.inf
            if not self._needs_search(t_s):
                return
            search = self._begin_search(picture, bench, t_s)
            if not is_waited_for:
                return
            self._t_search_s -= SEARCH_S  # nothing goes on yet that could not wait for this one, nor for the next
        search.keep(picture, bench, t_s)
        if search.found is None:
            if not (is_waited_for or search.is_due(t_s, self._waits)):
                return
            found = compete([
                self._follower.begin(fit, search.picture, search.bench, search.holds,
                                     search.prior_log_odds, 1 / 30) for fit in search.answer.result()], 0.0)
            found = [h for h in found if h.log_ratio >= LOG_HIDDEN]  # a pose must be seen where it was found
            search.found = [h for h in found if search.is_new(h, self._hypotheses)]
            search.t_found_s = search.t_s
            if found and not search.found:
                self._search = None
                return
        self._follow_up(search, t_s)
        if search.found and search.t_found_s < t_s:
            return
        self._search = None
        self._hypotheses = compete([*self._hypotheses, *search.found], 0.0)
        if not search.found and search.t_s < t_s and self._needs_search(t_s):
            self._begin_search(picture, bench, t_s)

    def _follow_up(self, search: Search, t_s: float) -> None:
        """Bring a search's answer one picture nearer to now, or two when it is a single one: a frame has no time for
        all of them."""
        for _ in range(2 if search.found and len(search.found) == 1 else 1):
            if not search.found or search.t_found_s >= t_s:
                return
            picture, bench, its_t_s = search.next_picture(max(_FOLLOW_UP_S, (t_s - search.t_s) / _FOLLOW_UPS))
            search.found = compete([new for i, h in enumerate(search.found)
                                    for new in self._follower.step(h, picture, bench, search.holds,
                                                                   searches_around=i == 0)], 0.0)
            search.t_found_s = its_t_s

    def _begin_search(self, picture: Picture, bench: BenchPose, t_s: float) -> Search:
        """Look for the tool everywhere in this picture, beside what else goes on."""
        # a track that is doubted although all of the tool is in view may have told a wrong hold
        is_whole = bool(self._hypotheses) and self._hypotheses[0].fit is not None and self._share(self._hypotheses[0],
                                                                                                  bench) >= WHOLE
        holds = self._nozzle.holds if is_whole else self._holds()
        search = self._search = self._searcher.begin(picture, bench, t_s, holds, self._hypotheses,
                                                     self._is_there(SURE))
        self._t_search_s = t_s
        return search

    def _needs_search(self, t_s: float) -> bool:
        """Whether looking elsewhere is worth the time: always while the tool is not known, now and then when it
        explains less of the picture than a nozzle in full view does.
        """
        since_s = t_s - self._t_search_s
        if since_s < SEARCH_S:
            return False
        if not self._is_there(SURE) or self._hypotheses[0].fit is None:
            return True
        best = self._hypotheses[0]
        age_s = t_s - best.t_start_s
        return best.quality < _GOOD_QUALITY and since_s > min(_SECOND_SEARCH_S, max(_EARLY_SEARCH_S, 0.5 * age_s))

    def _is_there(self, least: float) -> bool:
        """Whether a tool is there with that probability."""
        return bool(self._hypotheses) and 1.0 - probabilities(self._hypotheses)[0] > least

    def _holds(self) -> tuple[Hold, ...]:
        """How the tool may be held now: as a moment ago, else as in the photographs."""
        return (self._hold,) if self._hold is not None and self._t_s - self._t_hold_s < _GRIP_S else self._nozzle.holds

    def _learn(self, picture: Picture, bench: BenchPose, t_s: float, dt_s: float, track: NozzleTrack) -> None:
        """What a clear sight tells beside the pose: of the camera, and how the tool is held."""
        if track.status is not TrackStatus.TRACKING:
            return
        best = self._hypotheses[0]
        if best.fit is not None and best.fit.quality > _CLEAR_QUALITY:
            self._follower.learn(best, best.fit, picture, bench, dt_s)
            if t_s - best.t_start_s > _GRIP_AGE_S:
                self._hold, self._t_hold_s = hold_of(best.fit.pose, bench.cam_from_bench), t_s

    def _observation(self, bench: BenchPose, t_s: float) -> NozzleObservation | NozzleMiss:
        """What this frame alone says of the likeliest hypothesis."""
        if not self._is_there(SURE) or self._hypotheses[0].fit is None:
            return NozzleMiss(t_s, "nozzle not recognised")
        return observation(self._hypotheses[0].fit, bench, t_s, self._body)[0]

    def _report(self, bench: BenchPose, t_s: float) -> NozzleTrack:
        """The track at a frame's time."""
        # that it has left stands until a tool is likelier than none
        is_away = self._is_bare and not self._is_there(LIKELY)
        if is_away or not self._hypotheses or self._hypotheses[0].fit is None:
            return self._coasting(bench, t_s, "nozzle not recognised")
        states = [self._follower.expected(h.state, t_s) for h in self._hypotheses]
        tip_mm, axis, _ = estimate(states[0])
        cov = spread_over(self._hypotheses, states)
        probability = 1.0 - probabilities(self._hypotheses)[0]
        status, reason = status_of(probability, tip_mm[2] - self._board_top_mm, axis, cov)
        if probability > SURE:
            self._seen_state = states[0]
        if status is TrackStatus.TRACKING:
            self._t_reported_s = t_s
            self._reported_pose = self._in_camera(states[0], bench)
        return NozzleTrack(t_s, status, tip_mm, states[0].mean[N_POSE:N_POSE + 3].copy(), axis, cov, self._t_reported_s,
                           reason)

    def _coasting(self, bench: BenchPose | None, t_s: float, reason: str) -> NozzleTrack:
        """What is told when the picture does not show the tool: of one that was told a moment ago where it has come,
        while that is known; of one that is there, wherever it is, just that; of one that has left, that it has."""
        nan3, status = np.full(3, np.nan), TrackStatus.LOST
        if self._is_there(LIKELY) and t_s - self._hypotheses[0].t_seen_s <= _COAST_S and (bench is None
                                                                                          or self._is_inside(bench,
                                                                                                             t_s)):
            states = [self._follower.expected(h.state, t_s) for h in self._hypotheses]
            cov = spread_over(self._hypotheses, states)
            if self._t_reported_s >= self._hypotheses[0].t_seen_s and cov[2, 2] < REPORTED_SIGMA_MM**2:
                tip_mm, axis, _ = estimate(states[0])
                return NozzleTrack(t_s, TrackStatus.COASTING, tip_mm, states[0].mean[N_POSE:N_POSE + 3].copy(), axis,
                                   cov, self._t_reported_s, reason)
            status = TrackStatus.LOST if bench is None else TrackStatus.VAGUE
        elif self._is_bare and not np.isnan(self._t_reported_s):
            status, reason = TrackStatus.GONE, "the nozzle has left"
        return NozzleTrack(t_s, status, nan3, nan3, nan3, np.full((6, 6), np.nan), self._t_reported_s, reason)

    def _is_inside(self, bench: BenchPose, t_s: float) -> bool:
        """Whether the likeliest outlet is too far inside the picture to have left, as far as its way is known."""
        ahead = self._follower.expected(self._hypotheses[0].state, t_s)
        tip_mm, size_px = self._in_camera(ahead, bench).tip_mm, np.array(self._camera.image_size_px)
        sigma_px = self._camera.focal_px / tip_mm[2] * np.sqrt(np.linalg.eigvalsh(ahead.cov[:3, :3])[-1])
        at_px, border_px = self._camera.project(tip_mm[None])[0], np.maximum(_BORDER * size_px, _SIGMAS * sigma_px)
        return bool(((at_px > border_px) & (at_px < size_px - border_px)).all())

    def _went_out(self, bench: BenchPose, t_s: float) -> bool:
        """Whether the outlet was last seen on its way out of the picture, and must have got there: nothing in it hides
        the tool then."""
        if self._seen_state is None:
            return False
        ahead = self._follower.expected(self._seen_state, min(t_s, self._seen_state.t_s + _LOST_S))
        at = self._camera.project(self._in_camera(ahead, bench).tip_mm[None])[0] / self._camera.image_size_px
        return bool(((at < 0.0) | (at > 1.0)).any())

    def _size_px(self) -> float:
        """Of the tool's metal in the picture, when it was last told."""
        hulls = [] if self._reported_pose is None else tool_hull(self._camera, self._body, self._reported_pose)
        return sum(cv2.contourArea(hull.astype(np.float32)) for hull in hulls[:-1])

    def _share(self, h: Hypothesis, bench: BenchPose) -> float:
        return share_in_view(self._camera, self._body, self._in_camera(h.state, bench))

    def _in_camera(self, state: ToolState, bench: BenchPose) -> ToolPose:
        return ToolPose(*pose_of(state.mean[:N_POSE], bench.cam_from_bench))

    def _tool_mask(self, bench: BenchPose, shape: tuple[int, ...]) -> np.ndarray | None:
        """Where the tool may be, at 1 / MASK_SCALE of the picture's size; None when nothing is known of it."""
        if not self._hypotheses:
            return None
        mask = np.zeros((shape[0] // MASK_SCALE, shape[1] // MASK_SCALE), np.uint8)
        for h in self._hypotheses:
            for hull in tool_hull(self._camera, self._body, self._in_camera(h.state, bench)):
                cv2.fillConvexPoly(mask, np.round((hull + 0.5) / MASK_SCALE - 0.5).astype(np.int32), 255)
        return cv2.dilate(mask, np.ones((5, 5), np.uint8))
