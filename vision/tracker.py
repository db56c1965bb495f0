"""Follows the nozzle from frame to frame: start, follow, lose, find again."""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from vision.background import MASK_SCALE, BenchView
from vision.belief import CLEAR_QUALITY, FIND_QUALITY, SURE_QUALITY, TOLD_SIGMA_MM, Belief
from vision.board import BoardFollower
from vision.carried import BenchCarrier, BenchRelief, bench_now
from vision.chart import pose_of
from vision.edge_bias import DEFAULT_BIAS, EdgeBias, edge_offsets
from vision.edges import STRAY_LIGHT
from vision.find import DRAFT_STEP_MM, IN_PART, alike, habit, is_other_thing, poses_near, share_in_view
from vision.fit import Picture, PoseFit, PosePrior, Travel, fit_pose
from vision.judge import WELL_QUALITY, Judge, is_jump
from vision.kalman import N_MOVING, N_POSE, Motion, ToolState, calmness, condition, gate, predict, start_state
from vision.metal import METAL_EARNS, looks_like
from vision.nozzle import Hold, NozzleBody, ToolPose, hold_of
from vision.observed import bench_chart, chart_turn, observation
from vision.searching import SEARCH_S, Search, Searcher
from vision.shutter import Shutter
from vision.silhouette import tool_hull
from vision.told import steady, told
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

_FOLLOW_QUALITY, _LOW_QUALITY = 0.22, 0.15  # share of the outline that must agree; when little of it is in view
_GOOD_QUALITY = 0.7
_QUICK_QUALITY = 0.65  # so good that no look further around is needed
_DOUBT_QUALITY, _DOUBT_S = 0.35, 0.5
# share of the outline in the picture from which on the pose can stand without its past; and the noise of the colours of a tool
# not seen in part: they come at half the size, and mixed with brightness, so that edges lie elsewhere in them
_WHOLE, _PALE = 0.35, 1.3
_CLEARER = 1.3  # a fit so much better than what was believed of late may jump
_STIRS = 20.5  # chi-square of 5 degrees of freedom, 99.9 %: the hand is calm no more
_CALM_KEEPS, _CALM_SCORE = 0.7, 1.0  # a hand is calm when the last few pictures say so
_JUMPS = 5  # so many jumps in a row mean that the track was wrong, not the picture
_COAST_S = 0.2
_BORDER = 0.06  # of the picture's width and height, in which an outlet may have left unseen
_LOST_S = 0.4
_RETURNS_S, _RETURNS_PX = 1.0, 60.0  # a tool that was lost so shortly before, and is found so near, need not be confirmed again
_SECOND_LOOK_S = 1.0  # a pose that explains less than usual may be a near miss: now and then, look whether another explains more
_EARLY_LOOK_S = 0.3  # the same while a track is young
_FOLLOW_UP_S, _FOLLOW_UPS = 0.05, 3  # a search's answer is followed through the pictures since, though not through all
_CATCH_UP_EVERY_S = 0.1  # while a doubtful fit holds
_THOROUGH_EVERY_S = 0.1  # all ways are tried, even though one does as well as usual
_AS_USUAL = 0.9
# a pose found anew replaces a doubtful one when it explains its picture so much better, and on the mean the newest too; so much
# when the track is younger than that
_BETTER, _BETTER_YOUNG, _YOUNG_S = 1.15, 1.05, 1.0
_GRIP_S, _GRIP_FRAMES = 5.0, 15  # a hand that led the tool for so many frames holds it alike for so long
_SMOKE_EARNS = 1.3  # a picture is taken for smoky only when that explains it so much better
_FAST_MM_S = np.array([150.0, 0.0, 0.0])  # of the tool that warms up
_RECENT_S = 0.1  # a frame so long ago tells how fast the tool moves
_SMOKE = 0.12  # sigma of the brightness that smoke lays over the bench
# ways to fit: how far edges may be from where they are expected, round by round, and the veil
_WAYS = ((2.5, 1.0), STRAY_LIGHT), ((5.0, 2.0, 1.0), STRAY_LIGHT), ((5.0, 2.0, 1.0), _SMOKE)


@dataclass(frozen=True)
class NozzleModel:
    """A nozzle as the tracker needs it: its body, where its edges appear, the bench it was calibrated over, the pose (camera from
    bench) at which that is seen so (without one the camera is taken to stand where it stood), how it is held, how its metal looks."""

    body: NozzleBody
    bias: dict[tuple[str, bool], EdgeBias] = field(default_factory=lambda: dict(DEFAULT_BIAS))
    bench: np.ndarray | None = None
    bench_pose: FloatArray | None = None
    holds: tuple[Hold, ...] = ()
    metal_look: FloatArray | None = None


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
        For a search's answer when it is due, and for the first one's on the spot, so that every machine gives the same; else
        a late answer counts from a later frame on, and no frame is held up.
    """

    def __init__(self, camera, bench_follower, nozzle: NozzleModel, board_top_mm: float, board: BoardFollower | None = None,
                 waits: bool = True):
        cv2.setNumThreads(1)
        self._waits = waits
        self._board, self._relief = board, BenchRelief(camera, board_top_mm, board)
        self._camera, self._bench, self._nozzle = camera, bench_follower, nozzle
        self._body = nozzle.body
        self._motion = Motion(*edge_offsets(nozzle.body, nozzle.bias))
        self._judge = Judge(self._motion, board_top_mm)
        self._view: BenchView | None = None
        self._carrier: BenchCarrier | None = None
        self._state: ToolState | None = None
        self._last: ToolState | None = None  # that was believed
        self._searcher = Searcher(camera, nozzle.body, board_top_mm, nozzle.bias, FIND_QUALITY)
        self._search: Search | None = None
        self._belief, self._t_seen_s = Belief(), np.nan
        self._t_find_s = self._t_sure_s = self._t_caught_up_s = self._t_thorough_s = -np.inf
        self._way, self._usual_quality, self._believed_quality = 0, 1.0, 0.0
        self._look = nozzle.metal_look  # of the metal, in the light of now
        self._jumps = 0
        self._is_calm, self._calm_score = False, 0.0
        self._last_hold: Hold | None = None
        self._t_hold_s = -np.inf
        self._dt_s, self._t_s = 1 / 30, np.nan
        self._shutter = Shutter()

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
        view.learn(image, None)
        picture, twin = Picture(image, view.light, view.known, view.noise), copy(self)
        twin._measure(picture, bench, 0.0)
        fit = fit_pose(self._camera, self._body, picture, pose, self._nozzle.bias)
        if fit is not None:
            twin._advance(fit, bench, 0.0)
            twin._track_on(picture, bench, 0.03)
            twin._tool_mask(bench, image.shape)
            Shutter().see(0.0, self._camera, self._body, picture, fit.pose, _FAST_MM_S)
        self._bench.warm_up()

    def step(self, frame: Frame) -> VisionResult:
        """Measure one frame and bring the track up to its time."""
        if frame.t_s > self._t_s:
            self._dt_s = min(frame.t_s - self._t_s, 0.1)
        self._t_s = frame.t_s
        bench, events = self._bench.step(frame)
        if isinstance(bench, PoseMiss):
            shift = np.zeros(3) if self._board is None else self._board.shift
            return VisionResult(frame.index, frame.t_s, bench, NozzleMiss(frame.t_s, bench.reason),
                                self._coast(frame.t_s, bench.reason), shift, events)
        if self._view is None:
            light, cast = bench_now(self._relief, self._nozzle.bench, self._nozzle.bench_pose, frame.image, bench.cam_from_bench)
            self._view = BenchView(frame.image, light)
            if self._look is not None and self._view.is_given:  # before another bench nothing tells the light
                self._look = self._look + cast
            self._carrier = BenchCarrier(self._relief, self._view, bench)
        self._carrier.step(bench)
        picture = Picture(frame.image, self._view.light, self._view.known, self._view.noise)
        fit = self._measure(picture, bench, frame.t_s)
        if fit is None:
            seen = NozzleMiss(frame.t_s, "nozzle not recognised")
            track = self._coast(frame.t_s, seen.reason, self._is_there_yet(bench, frame.t_s))
        else:
            seen, track = self._advance(fit, bench, frame.t_s)
            if track.status is TrackStatus.TRACKING and fit.quality > SURE_QUALITY:
                self._shutter.see(frame.t_s, self._camera, self._body, picture, fit.pose, self._velocity_mm_s(bench))
        mask = self._tool_mask(bench, frame.image.shape)
        self._view.learn(frame.image, mask)
        shift, moved = self._board_shift(frame, bench, mask)
        return VisionResult(frame.index, frame.t_s, bench, seen, track, shift, (*events, *moved))

    @property
    def state(self) -> ToolState | None:
        """The filter's pose and rates after the last frame, for `smoothed`; None when that frame did not show the tool."""
        s = self._state
        if s is None or s.t_s != self._t_s:
            return None
        return ToolState(s.t_s, s.mean[:N_MOVING].copy(), s.cov[:N_MOVING, :N_MOVING].copy(), s.rest, s.steady_cov, s.is_calm)

    def _board_shift(self, frame: Frame, bench: BenchPose, mask: np.ndarray | None) -> tuple[FloatArray, tuple[BenchEvent, ...]]:
        """How far the board was moved, and events; the stored bench follows."""
        if self._board is None:
            return np.zeros(3), ()
        before = self._board.shift
        shift, moved = self._board.step(frame, bench, mask)
        if moved:
            self._carrier.slide(frame.image, mask, before, shift)
        return shift, moved

    def _measure(self, picture: Picture, bench: BenchPose, t_s: float) -> PoseFit | None:
        """The best pose for this picture: from the track if possible, else from a search's answer."""
        fit, is_sure = self._track_on(picture, bench, t_s)
        search = self._search
        if is_sure and search is None:
            return fit
        if search is None:
            if t_s - self._t_find_s < SEARCH_S:
                return fit
            is_first = self._t_find_s == -np.inf
            search = self._begin_search(picture, bench, t_s, fit)
            if not (is_first and self._waits):
                return fit
            self._t_find_s -= SEARCH_S  # nothing goes on yet that could not wait for this one, nor for the next
        elif not search.is_due(t_s, self._waits):
            search.keep(picture, bench, t_s)
            return fit
        self._search = None
        found, better = search.answer.result(), self._better()
        if found is None or self._judge.merit(found, search.bench) < better * search.rival_merit or not (
                self._judge.is_possible(found, search.bench, search.ways)
                and self._is_convincing(found, search.bench, CLEAR_QUALITY, search.ways)):
            if fit is None and search.t_s < t_s:
                self._begin_search(picture, bench, t_s, None)
            return fit
        before = copy(self)
        self._state = None  # what was believed until now did not lead here
        if search.ways is self._nozzle.holds:  # nor did the hold
            self._last_hold = None
        if search.t_s == t_s:
            return found
        self._advance(found, search.bench, search.t_s)
        step_s = max(_FOLLOW_UP_S, (t_s - search.t_s) / _FOLLOW_UPS)
        for later in search.later:
            if later[2] - self._t_seen_s > step_s:
                caught_up, _ = self._track_on(*later)
                if caught_up is not None:
                    self._advance(caught_up, *later[1:])
        now, _ = self._track_on(picture, bench, t_s)
        was_told = before._belief.t_told_s >= before._t_seen_s
        if fit is not None and (now is None or self._judge.merit(now, bench) < self._judge.merit(fit, bench)
                                or (was_told and self._jumps_to(now, bench, t_s))
                                or self._judge.merit(found, search.bench) * self._judge.merit(now, bench)
                                < better**2 * search.rival_merit * self._judge.merit(fit, bench)):
            self.__dict__.update(before.__dict__)
            return fit
        if fit is not None and now is not None and alike(fit.pose, now.pose):  # the same tool, and as well known as before
            self._belief = self._belief.continued(before._belief)
        return now

    def _track_on(self, picture: Picture, bench: BenchPose, t_s: float) -> tuple[PoseFit | None, bool]:
        """A fit near the track, followed or caught up with, and whether it needs no search."""
        if self._state is None or t_s - self._t_seen_s >= _LOST_S:
            return None, False
        prior = self._prior(predict(self._state, t_s, self._motion), bench)
        share = share_in_view(self._camera, self._body, prior.pose)
        is_low = share < _WHOLE
        if share > IN_PART:
            picture = replace(picture, noise=_paled(picture.noise))
        fit, prior = self._keep_up(picture, bench, t_s, prior, is_low)
        is_new = self._belief.is_new
        enough = SURE_QUALITY if is_new else _QUICK_QUALITY if is_low else _DOUBT_QUALITY
        quality = 0.0 if fit is None else fit.quality
        is_due = is_new or t_s - self._t_caught_up_s > _CATCH_UP_EVERY_S or (fit is None and not is_low)
        if quality <= enough and is_due:
            self._t_caught_up_s = t_s
            other = self._catch_up(picture, bench, t_s, prior)
            is_better = other is not None and (fit is None or other.merit > fit.merit)
            if is_better and self._is_convincing(other, bench, FIND_QUALITY, self._ways()) and (
                    not is_low or other.quality > _CLEARER * quality or not self._is_low(other.pose)):
                fit = other
        if fit is not None and self._belief.is_untold:
            fit = replace(fit, is_metal=looks_like(self._camera, self._body, picture, fit.pose, self._look))
            if is_other_thing(self._camera, self._body, fit):
                self._state, fit = None, None  # what began with a bit of something at the border has come in, and is no nozzle
        if is_new and fit is not None and fit.quality < CLEAR_QUALITY * (METAL_EARNS if fit.is_metal else 1.0):
            fit = None  # of two or three sightings one that explains little would make the track
        return fit, fit is not None and not self._needs_search(fit, is_low, t_s)

    def _keep_up(self, picture: Picture, bench: BenchPose, t_s: float, prior: PosePrior,
                 is_low: bool) -> tuple[PoseFit | None, PosePrior]:
        """A fit near where the tool is expected, and what was expected.

        When little of it is in view, its lean can hardly be told from its height, and the past carries more of the answer: all
        the more while the hand is calm, until the picture says otherwise.
        """
        least_quality = _LOW_QUALITY if is_low else _FOLLOW_QUALITY
        self._is_calm = is_low and self._calm_score > _CALM_SCORE
        if self._is_calm:
            ahead = predict(self._state, t_s, self._motion, is_calm=True)
            calm_prior = self._prior(ahead, bench)
            fit = self._follow(picture, bench, t_s, calm_prior, calm_prior.pose, least_quality)
            if fit is not None and gate(ahead, *observation(fit, bench, t_s, self._body)[1:]) < _STIRS:
                return fit, calm_prior
            self._is_calm, self._calm_score = False, 0.0
        return self._follow(picture, bench, t_s, prior, prior.pose, least_quality), prior

    def _jumps_to(self, fit: PoseFit, bench: BenchPose, t_s: float) -> bool:
        """Whether a fit lies where the track does not lead."""
        ahead = predict(self._state, t_s, self._motion, self._is_calm)
        return is_jump(ahead, *observation(fit, bench, t_s, self._body)[1:])

    def _is_back(self, fit: PoseFit, bench: BenchPose, t_s: float) -> bool:
        """Whether a fit shows a tool where one that was believed was lost a moment ago."""
        if self._last is None or t_s - self._last.t_s > _RETURNS_S:
            return False
        ends_px = self._camera.project(np.stack([self._in_camera(self._last, bench).tip_mm, fit.pose.tip_mm]))
        return bool(np.linalg.norm(ends_px[1] - ends_px[0]) < _RETURNS_PX)

    def _is_low(self, pose: ToolPose) -> bool:
        """Whether too little of the tool is in view for the pose to stand without its past."""
        return share_in_view(self._camera, self._body, pose) < _WHOLE

    def _begin_search(self, picture: Picture, bench: BenchPose, t_s: float, rival: PoseFit | None) -> Search:
        """Look for the tool everywhere in this picture, beside what else goes on."""
        # a track that is doubted although all of the tool is in view may have told a wrong hold
        ways = self._nozzle.holds if rival is not None and not self._is_low(rival.pose) else self._ways()
        self._search = self._searcher.begin(picture, bench, t_s, 0.0 if rival is None else self._judge.merit(rival, bench), ways, self._look)
        self._t_find_s = t_s
        return self._search

    def _follow(self, picture: Picture, bench: BenchPose, t_s: float, prior: PosePrior, start: ToolPose,
                least_quality: float = _FOLLOW_QUALITY) -> PoseFit | None:
        """Fit from a start near the track; None when the picture does not agree with it."""
        best, most = None, 0.0
        is_thorough = self._t_s - self._t_thorough_s > _THOROUGH_EVERY_S
        # between thorough looks, through smoke first as long as that served best
        for way in sorted(range(len(_WAYS)), key=lambda w: not is_thorough and w != self._way):
            spreads_px, veil = _WAYS[way]
            fit = fit_pose(self._camera, self._body, picture, start, self._nozzle.bias, prior=prior, spreads_px=spreads_px,
                           travel=self._travel(bench, t_s), veil=veil)
            if fit is not None and fit.quality > least_quality and self._judge.is_possible(fit, bench, self._ways()):
                earned = fit.merit if veil == STRAY_LIGHT else fit.merit / _SMOKE_EARNS
                if best is None or earned > most:
                    best, best_way, most = fit, way, earned
                enough = SURE_QUALITY if len(spreads_px) == 3 else _QUICK_QUALITY
                if best.quality > (enough if is_thorough else min(enough, _AS_USUAL * self._usual_quality)):
                    break
        if is_thorough:
            self._t_thorough_s = self._t_s
        if best is not None:
            self._way = best_way if _WAYS[best_way][1] == _SMOKE else 0
            self._usual_quality += 0.1 * (best.quality - self._usual_quality)
        return best

    def _catch_up(self, picture: Picture, bench: BenchPose, t_s: float, prior: PosePrior) -> PoseFit | None:
        """The best fit from other starts around the track."""
        wide = PosePrior(prior.pose, prior.offset_px, prior.cov * 4.0)
        spread = np.minimum(np.sqrt(np.diag(wide.cov)[:6]), [15.0, 15.0, 15.0, 0.1, 0.1, 0.1])
        drafts = []
        for start in poses_near(self._camera, self._body, picture, prior.pose, spread):
            draft = fit_pose(self._camera, self._body, picture, start, self._nozzle.bias, prior=wide, spreads_px=(5.0, 2.0),
                             step_mm=DRAFT_STEP_MM, travel=self._travel(bench, t_s), is_exact=False)
            if draft is not None:
                drafts.append(draft)
        return self._follow(picture, bench, t_s, wide, max(drafts, key=lambda d: d.merit).pose) if drafts else None

    def _travel(self, bench: BenchPose, t_s: float) -> Travel:
        """Of the outlet while the shutter is open."""
        if self._state is None:
            return Travel(np.zeros(3), np.zeros(3), 0.0)
        open_s, since_s = self._shutter.open_s, t_s - self._state.t_s
        return Travel(self._velocity_mm_s(bench) * open_s, self._in_camera(self._state, bench).tip_mm,
                      open_s / since_s if 0.0 < since_s < _RECENT_S else 0.0)

    def _velocity_mm_s(self, bench: BenchPose) -> FloatArray:
        """Of the outlet, camera frame (3,)."""
        return bench.cam_from_bench[:3, :3] @ self._state.mean[N_POSE:N_POSE + 3]

    def _needs_search(self, fit: PoseFit, is_low: bool, t_s: float) -> bool:
        """Whether the fits explain so little, or have done so for so long, that looking elsewhere is worth the time."""
        if is_low:
            return fit.quality < FIND_QUALITY
        is_stale = t_s - max(self._t_sure_s, self._t_find_s) > _DOUBT_S
        soon_s = min(_SECOND_LOOK_S, max(_EARLY_LOOK_S, 0.5 * self._belief.sightings * self._dt_s))  # half the track's age
        if self._belief.is_unsure(t_s):
            soon_s = 0.0
        return is_stale or (fit.quality < self._good_quality(t_s) and t_s - self._t_find_s > soon_s)

    def _good_quality(self, t_s: float) -> float:
        """That from which on no better pose is looked for."""
        return WELL_QUALITY if self._belief.is_unsure(t_s) else _GOOD_QUALITY

    def _better(self) -> float:
        """How much more a pose found anew must explain than the track's."""
        return _BETTER_YOUNG if self._belief.sightings * self._dt_s < _YOUNG_S else _BETTER

    def _ways(self) -> tuple[Hold, ...]:
        """How the tool may be held now: as a moment ago, else as in the photographs."""
        return (self._last_hold,) if self._is_held() else self._nozzle.holds

    def _is_convincing(self, fit: PoseFit, bench: BenchPose, least_quality: float, ways: tuple[Hold, ...]) -> bool:
        """Whether a pose found beside the track explains enough; one held quite unlike a moment ago must explain more."""
        usual = habit(fit.pose, ways, bench.cam_from_bench) if self._is_held() else 1.0
        return fit.quality * np.sqrt(usual) > least_quality

    def _is_clearer(self, fit: PoseFit) -> bool:
        """Whether a fit explains so much more than those believed of late that it may jump."""
        if self._belief.is_new:
            return fit.quality > max(FIND_QUALITY, self._believed_quality)
        return fit.quality > max(SURE_QUALITY, _CLEARER * self._believed_quality)

    def _is_held(self) -> bool:
        """Whether it was in the hand a moment ago, and how is known."""
        return self._last_hold is not None and self._t_s - self._t_hold_s < _GRIP_S

    def _prior(self, ahead: ToolState, bench: BenchPose) -> PosePrior:
        """The predicted state as a fit's prior, in the camera frame."""
        pose = self._in_camera(ahead, bench)
        to_steps = np.linalg.inv(chart_turn(pose, bench, self._body))
        sites = np.r_[:N_POSE, N_MOVING:len(ahead.mean)]
        cov = ahead.cov[np.ix_(sites, sites)].copy()
        cov[:6] = to_steps @ cov[:6]
        cov[:, :6] = cov[:, :6] @ to_steps.T
        return PosePrior(pose, ahead.mean[N_MOVING:], cov)

    def _advance(self, fit: PoseFit, bench: BenchPose, t_s: float) -> tuple[NozzleObservation | NozzleMiss, NozzleTrack]:
        """Take a fit into the track."""
        seen, alone, alone_cov = observation(fit, bench, t_s, self._body)
        known = self._state is not None and t_s - self._t_seen_s < _LOST_S
        was_vague = known and self._belief.t_vague_s == self._t_seen_s
        if known:
            ahead = predict(self._state, t_s, self._motion, self._is_calm)
            if is_jump(ahead, alone, alone_cov):
                if not was_vague and self._jumps < _JUMPS and not self._is_clearer(fit):
                    self._jumps += 1
                    return seen, self._coast(t_s, "nozzle seems to jump", is_there=True)
                known = False
            else:
                self._calm_score = _CALM_KEEPS * self._calm_score + calmness(self._state, t_s, alone, alone_cov)
        turn = chart_turn(fit.pose, bench, self._body)
        mean = np.concatenate([bench_chart(fit.pose, bench), fit.offset_px])
        cov = fit.cov.copy()
        cov[:6] = turn @ cov[:6]
        cov[:, :6] = cov[:, :6] @ turn.T
        sites = np.where(fit.sites < 6, fit.sites, fit.sites - 6 + N_MOVING)
        if known:
            mean[5] = ahead.mean[5] + (mean[5] - ahead.mean[5] + np.pi) % (2 * np.pi) - np.pi
            self._state = condition(ahead, sites, mean, cov)
        else:
            self._state = condition(start_state(t_s, mean[:6], 1e4 * np.eye(6), self._motion), sites, mean, cov)
            if was_vague:
                self._belief = replace(self._belief, is_untold=True)  # where it jumped to
            else:
                self._belief = self._belief.begun(t_s, fit.quality, self._is_back(fit, bench, t_s))
            self._believed_quality, self._calm_score = fit.quality, 0.0
        self._believed_quality += 0.3 * (fit.quality - self._believed_quality)
        doubt_cov = (self._judge.doubt(fit) - 1.0) * self._state.cov[:5, :5]
        way_mm = self._velocity_mm_s(bench) * self._shutter.open_s
        self._state = replace(self._state, steady_cov=steady(turn[:5] @ fit.offsets_cov @ turn[:5].T, way_mm) + doubt_cov)
        self._jumps = 0
        self._t_seen_s = t_s
        self._belief = self._belief.sighted(fit.quality, fit.is_metal is True)
        if not self._belief.is_new:
            self._last = self._state
        if fit.quality > SURE_QUALITY:
            self._t_sure_s = t_s
            if self._belief.sightings > _GRIP_FRAMES:
                self._last_hold, self._t_hold_s = hold_of(fit.pose, bench.cam_from_bench), t_s
        track = self._track(TrackStatus.TRACKING, "")
        is_little_seen = self._is_low(fit.pose)
        lean_rad = float(np.sqrt(np.linalg.eigvalsh(track.cov[3:, 3:])[-1]))
        self._belief, status, reason = self._belief.judged(t_s, float(np.sqrt(track.cov[2, 2])), lean_rad, is_little_seen)
        return seen, replace(track, status=status, reason=reason, t_seen_s=self._belief.t_told_s)

    def _coast(self, t_s: float, reason: str, is_there: bool = False) -> NozzleTrack:
        """What is told when the picture says nothing of use; of a believed tool that is there, wherever it is, just that."""
        if self._state is not None and t_s - self._t_seen_s <= _COAST_S and self._belief.t_told_s >= self._t_seen_s:
            track = self._track(TrackStatus.COASTING, reason, predict(self._state, t_s, self._motion, self._is_calm))
            if track.cov[2, 2] < TOLD_SIGMA_MM**2:
                return track
        if self._state is not None and t_s - self._t_seen_s > _LOST_S:
            self._state = None
        nan3, status = np.full(3, np.nan), TrackStatus.VAGUE if is_there and not self._belief.is_new else TrackStatus.LOST
        return NozzleTrack(t_s, status, nan3, nan3, nan3, np.full((6, 6), np.nan), self._belief.t_told_s, reason)

    def _is_there_yet(self, bench: BenchPose, t_s: float) -> bool:
        """Whether a tool that is not recognised was seen a moment ago, too far inside the picture to have left."""
        if self._state is None or t_s - self._t_seen_s > _COAST_S:
            return False
        tip_mm = self._in_camera(predict(self._state, t_s, self._motion, self._is_calm), bench).tip_mm
        at = self._camera.project(tip_mm[None])[0] / self._camera.image_size_px
        return bool(((at > _BORDER) & (at < 1.0 - _BORDER)).all())

    def _track(self, status: TrackStatus, reason: str, state: ToolState | None = None) -> NozzleTrack:
        s = state or self._state
        tip_mm, axis, cov = told(s)
        return NozzleTrack(s.t_s, status, tip_mm, s.mean[6:9].copy(), axis, cov, self._t_seen_s, reason)

    def _in_camera(self, state: ToolState, bench: BenchPose) -> ToolPose:
        return ToolPose(*pose_of(state.mean[:N_POSE], bench.cam_from_bench))

    def _tool_mask(self, bench: BenchPose, shape) -> np.ndarray | None:
        """Where the tool may be, at 1 / MASK_SCALE of the picture's size; None when nothing is known of it."""
        if self._state is None:
            return None
        mask = np.zeros((shape[0] // MASK_SCALE, shape[1] // MASK_SCALE), np.uint8)
        for hull in tool_hull(self._camera, self._body, self._in_camera(self._state, bench)):
            cv2.fillConvexPoly(mask, np.round((hull + 0.5) / MASK_SCALE - 0.5).astype(np.int32), 255)
        return cv2.dilate(mask, np.ones((5, 5), np.uint8))


def _paled(noise: tuple[float, float, float]) -> tuple[float, float, float]:
    """Noise of a picture whose colours count for little."""
    brightness, blue, red = noise
    return brightness, max(blue, _PALE), max(red, _PALE)
