"""Follows the nozzle from frame to frame: start, follow, lose, find again."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from vision.background import BenchView
from vision.edges import linear_light
from vision.find import distance_field, find_tool, fit_quality, search_near, settle_on_mask, tool_masks
from vision.fit import DEFAULT_BIAS, EdgeBias, Picture, PoseFit, fit_pose, inside_picture
from vision.kalman import ToolState, gate, predict, start_state, update
from vision.nozzle import Hold, NozzleBody, ToolPose, axis_frame
from vision.silhouette import outline, tool_hull
from vision.types import (
    BenchPose, FloatArray, Frame, NozzleMiss, NozzleObservation, NozzleTrack, PoseMiss, TrackStatus, VisionResult,
)

__all__ = ["NozzleModel", "Tracker"]

_FOLLOW_QUALITY, _SURE_QUALITY, _FIND_QUALITY = 0.25, 0.5, 0.45  # share of the outline that must agree
_WHOLE_CUTS = 130
_DOUBT_QUALITY, _DOUBT_S = 0.35, 0.5
_GATE = 25.0  # chi-square of 5 degrees of freedom, 99.99 %
_JUMPS = 5  # so many jumps in a row mean that the track was wrong, not the picture
_HOLD_COS = np.cos(np.deg2rad(25.0))  # a hand turns the tool no further than this from the ways it held it before
_USEFUL_SIGMA_MM = 8.0
_COAST_S = 0.2
_LOST_S = 0.4
_FIND_EVERY_S = 0.15


@dataclass(frozen=True)
class NozzleModel:
    """A nozzle as the tracker needs it: its body, where its edges appear, and the bench it was calibrated over."""

    body: NozzleBody
    bias: dict[tuple[str, bool], EdgeBias] = field(default_factory=lambda: dict(DEFAULT_BIAS))
    bench: np.ndarray | None = None
    holds: tuple[Hold, ...] = ()


class Tracker:
    """One camera, one mat, one nozzle; feed frames in order of time."""

    def __init__(self, camera, bench_follower, nozzle: NozzleModel, board_top_mm: float):
        cv2.setNumThreads(1)
        self._camera, self._bench, self._nozzle, self._board_top_mm = camera, bench_follower, nozzle, board_top_mm
        self._body = nozzle.body
        self._view: BenchView | None = None
        self._state: ToolState | None = None
        self._roll_rad = 0.0
        self._bias_cov = np.zeros((5, 5))
        self._t_seen_s = np.nan
        self._t_find_s = self._t_sure_s = -np.inf
        self._jumps = 0

    def step(self, frame: Frame) -> VisionResult:
        """Measure one frame and bring the track up to its time."""
        bench, events = self._bench.step(frame)
        if isinstance(bench, PoseMiss):
            return VisionResult(frame.index, frame.t_s, bench, NozzleMiss(frame.t_s, bench.reason), self._coast(frame.t_s, bench.reason), events=events)
        light = linear_light(frame.image)
        if self._view is None:
            self._view = BenchView(light, self._nozzle.bench)
        picture = Picture(light, self._view.light, self._view.known)
        fit = self._measure(picture, bench, frame.t_s)
        if fit is None:
            reason = "nozzle not recognised"
            track = self._coast(frame.t_s, reason)
            self._view.learn(light, self._tool_mask(bench, light.shape) if track.status is not TrackStatus.LOST else None)
            return VisionResult(frame.index, frame.t_s, bench, NozzleMiss(frame.t_s, reason), track, events=events)
        observation = _to_bench(fit, bench, frame.t_s)
        track = self._advance(fit, observation, bench, frame.t_s)
        self._view.learn(light, self._tool_mask(bench, light.shape))
        return VisionResult(frame.index, frame.t_s, bench, observation, track, events=events)

    def _measure(self, picture: Picture, bench: BenchPose, t_s: float) -> PoseFit | None:
        """The best pose for this picture: followed if possible, else caught up with on the mask, else found anew."""
        ahead, masks = None, None
        if self._state is not None and t_s - self._t_seen_s < _LOST_S:
            ahead = self._pose_in_camera(predict(self._state, t_s), bench)
            fit = self._follow(picture, bench, t_s, ahead, 1.0)
            if fit is not None and fit_quality(fit) > _DOUBT_QUALITY:
                return fit
            masks = tool_masks(picture.light, picture.background, picture.known)
            spread = np.sqrt(np.diag(self._prior(t_s, bench)))
            near = search_near(self._camera, self._body, picture, ahead, spread * [1, 1, 1, 1, 1, 0])
            settled = [settle_on_mask(self._camera, self._body, distance_field(mask), ahead) for mask in masks]
            for start in near[:2] + [s[1] for s in settled if s is not None]:
                other = self._follow(picture, bench, t_s, start, 4.0)
                if other and (fit is None or _merit(other) > _merit(fit)):
                    fit = other
            if fit is not None and not self._is_stale(fit, t_s):
                return fit
        if t_s - self._t_find_s < _FIND_EVERY_S:
            return fit if ahead is not None else None
        self._t_find_s = t_s
        masks = masks or tool_masks(picture.light, picture.background, picture.known)
        found = find_tool(
            self._camera, self._body, picture, bench.cam_from_bench, self._board_top_mm, masks, self._nozzle.bias,
            _FIND_QUALITY, holds=self._nozzle.holds, starts=(ahead,) if ahead is not None else (),
        )
        if ahead is not None and fit is not None and (found is None or _merit(found) < 1.3 * _merit(fit)):
            return fit
        return found if found is not None and found.n_cuts > _WHOLE_CUTS and self._is_possible(found, bench) else None

    def _follow(self, picture: Picture, bench: BenchPose, t_s: float, start: ToolPose, slack: float) -> PoseFit | None:
        """Fit from a start near the track, sharp first and then as blurred by motion; None when neither agrees with it."""
        best = None
        prior = slack * self._prior(t_s, bench)
        if len(inside_picture(outline(self._camera, self._body, start, step_mm=0.6), picture.light.shape).px) < _WHOLE_CUTS:
            # little of the tool is in the picture: its lean cannot be told from its height, and a hand keeps it a while
            prior = np.minimum(prior, np.diag([9.0, 9.0, 36.0, 0.015**2, 0.015**2, 0.01]))
        for blur_px in (0.8, 2.2):
            fit = fit_pose(
                self._camera, self._body, picture, start, self._nozzle.bias, spreads_px=(3.0, 1.5, 1.0), prior_cov=prior,
                blur_px=blur_px,
            )
            # a tool mostly out of the picture shows few edges; the track then carries more of the answer
            least = _FOLLOW_QUALITY if fit is not None and fit.n_cuts > _WHOLE_CUTS else 0.4 * _FOLLOW_QUALITY
            if fit is not None and fit_quality(fit) > least and self._is_possible(fit, bench):
                if best is None or _merit(fit) > 1.1 * _merit(best):
                    best = fit
            if best is not None and fit_quality(best) > _SURE_QUALITY:
                break
        return best

    def _is_stale(self, fit: PoseFit, t_s: float) -> bool:
        """Whether the fit has been so doubtful for so long that looking elsewhere is worth the time."""
        if fit_quality(fit) > _DOUBT_QUALITY:
            self._t_sure_s = t_s
        return t_s - self._t_sure_s > _DOUBT_S

    def _is_possible(self, fit: PoseFit, bench: BenchPose) -> bool:
        up = bench.cam_from_bench[:3, 2]
        height = float(up @ (fit.pose.tip_mm - bench.cam_from_bench[:3, 3])) - self._board_top_mm
        sigma = float(np.sqrt(up @ fit.cov[:3, :3] @ up))
        axis = bench.cam_from_bench[:3, :3].T @ fit.pose.axis
        as_held = not self._nozzle.holds or max(float(axis @ h.axis) for h in self._nozzle.holds) > _HOLD_COS
        return -6.0 - 2 * sigma < height < 100.0 and sigma < _USEFUL_SIGMA_MM and float(up @ fit.pose.axis) < -0.25 and as_held

    def _prior(self, t_s: float, bench: BenchPose) -> FloatArray:
        """How far the pose can be from the prediction: the filter's spread, widened, and never too narrow to catch up."""
        cov5 = predict(self._state, t_s).cov[:5, :5]
        r = bench.cam_from_bench[:3, :3]
        tip = np.diag(r @ cov5[:3, :3] @ r.T)
        return np.diag([*(2 * tip + 2.0**2), *np.full(2, 2 * cov5[3:, 3:].trace() + 0.03**2), 0.1])

    def _advance(self, fit: PoseFit, seen: NozzleObservation, bench: BenchPose, t_s: float) -> NozzleTrack:
        measured = np.concatenate([seen.tip_bench_mm, seen.axis_bench[:2]])
        noise = _bench_cov(fit.cov_noise, fit, bench)
        shared = _bench_cov(fit.cov, fit, bench) - noise
        # edge offsets change slowly: part of them is new in every frame, part never averages out
        noise = noise + 0.3 * shared
        known = self._state is not None and t_s - self._t_seen_s < _LOST_S
        if known:
            ahead = predict(self._state, t_s)
            if gate(ahead, measured, noise + shared) > _GATE and self._jumps < _JUMPS:
                self._jumps += 1
                return self._coast(t_s, "nozzle seems to jump")
            known = self._jumps < _JUMPS
        self._state = update(ahead, measured, noise) if known else start_state(t_s, measured, noise)
        self._bias_cov = 0.8 * shared + np.diag([0.05**2, 0.05**2, 0.15**2, 1e-6, 1e-6])
        self._jumps = 0
        self._roll_rad = fit.pose.roll_rad
        self._t_seen_s = t_s
        if fit_quality(fit) > _DOUBT_QUALITY:
            self._t_sure_s = t_s
        return self._track(TrackStatus.TRACKING, "")

    def _coast(self, t_s: float, reason: str) -> NozzleTrack:
        if self._state is None or t_s - self._t_seen_s > _COAST_S:
            nan3 = np.full(3, np.nan)
            if self._state is not None and t_s - self._t_seen_s > _LOST_S:
                self._state = None
            return NozzleTrack(t_s, TrackStatus.LOST, nan3, nan3, nan3, np.full((6, 6), np.nan), self._t_seen_s, reason)
        ahead = predict(self._state, t_s)
        return self._track(TrackStatus.COASTING, reason, ahead)

    def _track(self, status: TrackStatus, reason: str, state: ToolState | None = None) -> NozzleTrack:
        s = state or self._state
        axis = np.array([s.mean[3], s.mean[4], -np.sqrt(max(1e-6, 1 - s.mean[3] ** 2 - s.mean[4] ** 2))])
        spread = np.zeros((6, 5))
        spread[:5, :5] = np.eye(5)
        spread[5, 3:5] = -axis[:2] / axis[2]
        cov = spread @ (s.cov[:5, :5] + self._bias_cov) @ spread.T
        return NozzleTrack(s.t_s, status, s.mean[:3].copy(), s.mean[5:8].copy(), axis, cov, self._t_seen_s, reason)

    def _pose_in_camera(self, state: ToolState, bench: BenchPose) -> ToolPose:
        r, t = bench.cam_from_bench[:3, :3], bench.cam_from_bench[:3, 3]
        xy = state.mean[3:5]
        axis = np.array([xy[0], xy[1], -np.sqrt(max(1e-6, 1 - xy @ xy))])
        return ToolPose(r @ state.mean[:3] + t, r @ axis / np.linalg.norm(axis), self._roll_rad)

    def _tool_mask(self, bench: BenchPose, shape) -> np.ndarray | None:
        if self._state is None:
            return None
        mask = np.zeros(shape[:2], np.uint8)
        for hull in tool_hull(self._camera, self._nozzle.body, self._pose_in_camera(self._state, bench)):
            cv2.fillConvexPoly(mask, np.round(hull).astype(np.int32), 255)
        return cv2.dilate(mask, np.ones((9, 9), np.uint8))


def _merit(fit: PoseFit) -> float:
    return fit_quality(fit) * np.sqrt(fit.n_edges)


def _to_bench(fit: PoseFit, bench: BenchPose, t_s: float) -> NozzleObservation:
    r, t = bench.cam_from_bench[:3, :3], bench.cam_from_bench[:3, 3]
    axis = r.T @ fit.pose.axis
    cov5 = _bench_cov(fit.cov, fit, bench)
    spread = np.zeros((6, 5))
    spread[:5, :5] = np.eye(5)
    spread[5, 3:5] = -axis[:2] / axis[2]
    return NozzleObservation(t_s, r.T @ (fit.pose.tip_mm - t), axis, spread @ cov5 @ spread.T, fit.chi2_dof)


def _bench_cov(cov: FloatArray, fit: PoseFit, bench: BenchPose) -> FloatArray:
    """Covariance (5, 5) of (tip, axis x and y) in the bench frame from that of the fit's steps."""
    r = bench.cam_from_bench[:3, :3]
    a, b = axis_frame(fit.pose.axis)
    j = np.zeros((5, 6))
    j[:3, :3] = r.T
    j[3:, 3] = (r.T @ np.cross(a, fit.pose.axis))[:2]
    j[3:, 4] = (r.T @ np.cross(b, fit.pose.axis))[:2]
    return j @ cov @ j.T
