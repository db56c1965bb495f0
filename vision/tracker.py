"""Follows the nozzle from frame to frame: start, follow, lose, find again."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from vision.background import BenchView
from vision.edges import linear_light
from vision.find import distance_field, find_tool, fit_quality, settle_on_mask, tool_masks
from vision.fit import DEFAULT_BIAS, EdgeBias, Picture, PoseFit, fit_pose
from vision.kalman import ToolState, gate, predict, start_state, update
from vision.nozzle import NozzleBody, ToolPose
from vision.silhouette import tool_hull
from vision.types import (
    BenchPose, FloatArray, Frame, NozzleMiss, NozzleObservation, NozzleTrack, PoseMiss, TrackStatus, VisionResult,
)

__all__ = ["NozzleModel", "Tracker"]

_FOLLOW_QUALITY = 0.42
_GATE = 30.0  # chi-square of 5 degrees of freedom far beyond 99.9 %: jumps are judged by the picture, not by the filter
_COAST_S = 0.2
_LOST_S = 0.4
_FIND_EVERY_S = 0.15


@dataclass(frozen=True)
class NozzleModel:
    """A nozzle as the tracker needs it: its body, where its edges appear, and the bench it was calibrated over."""

    body: NozzleBody
    bias: dict[tuple[str, bool], EdgeBias] = field(default_factory=lambda: dict(DEFAULT_BIAS))
    bench: np.ndarray | None = None


class Tracker:
    """One camera, one mat, one nozzle; feed frames in order of time."""

    def __init__(self, camera, bench_follower, nozzle: NozzleModel, board_top_mm: float):
        cv2.setNumThreads(1)
        self._camera, self._bench, self._nozzle, self._board_top_mm = camera, bench_follower, nozzle, board_top_mm
        self._view: BenchView | None = None
        self._state: ToolState | None = None
        self._roll_rad = 0.0
        self._bias_cov = np.zeros((5, 5))
        self._t_seen_s = np.nan
        self._t_find_s = -np.inf
        self._misses_in_row = 0

    def step(self, frame: Frame) -> VisionResult:
        """Measure one frame and bring the track up to its time."""
        bench, events = self._bench.step(frame)
        if isinstance(bench, PoseMiss):
            return VisionResult(frame.index, frame.t_s, bench, NozzleMiss(frame.t_s, bench.reason), self._coast(frame.t_s, bench.reason), events=events)
        light = linear_light(frame.image)
        if self._view is None:
            self._view = BenchView(light, self._nozzle.bench)
        picture = Picture(light, self._view.light, self._view.known, 0.02)
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
        camera, body, bias = self._camera, self._nozzle.body, self._nozzle.bias
        ahead = None
        if self._state is not None and t_s - self._t_seen_s < _LOST_S:
            ahead = self._pose_in_camera(predict(self._state, t_s), bench)
            fit = fit_pose(camera, body, picture, ahead, bias, spreads_px=(3.0, 1.5, 1.0))
            if self._is_good(fit, bench):
                return fit
        if t_s - self._t_find_s < _FIND_EVERY_S and ahead is None:
            return None
        masks = tool_masks(picture.light, picture.background, picture.known)
        if ahead is not None:
            for mask in masks:
                settled = settle_on_mask(camera, body, distance_field(mask), ahead)
                fit = settled and fit_pose(camera, body, picture, settled[1], bias, spreads_px=(4.0, 2.0, 1.0))
                if self._is_good(fit, bench, 0.1):
                    return fit
        if t_s - self._t_find_s < _FIND_EVERY_S:
            return None
        self._t_find_s = t_s
        starts = (ahead,) if ahead is not None else ()
        fit = find_tool(camera, body, picture, bench.cam_from_bench, self._board_top_mm, masks, bias, 0.55, starts=starts)
        return fit if self._is_good(fit, bench) else None

    def _is_good(self, fit: PoseFit | None, bench: BenchPose, more: float = 0.0) -> bool:
        if fit is None or fit_quality(fit) < _FOLLOW_QUALITY + more:
            return False
        up = bench.cam_from_bench[:3, 2]
        height = float(up @ (fit.pose.tip_mm - bench.cam_from_bench[:3, 3])) - self._board_top_mm
        sigma = float(np.sqrt(up @ fit.cov[:3, :3] @ up))
        return height > -6.0 - 2 * sigma and sigma < 12.0 and float(up @ fit.pose.axis) < -0.25

    def _advance(self, fit: PoseFit, seen: NozzleObservation, bench: BenchPose, t_s: float) -> NozzleTrack:
        measured = np.concatenate([seen.tip_bench_mm, seen.axis_bench[:2]])
        noise = _bench_cov(fit.cov_noise, fit, bench)
        self._bias_cov = np.maximum(0, 1) * (_bench_cov(fit.cov, fit, bench) - noise) + np.diag([0.05**2, 0.05**2, 0.15**2, 1e-6, 1e-6])
        fresh = self._state is None or t_s - self._t_seen_s > _LOST_S
        if not fresh:
            ahead = predict(self._state, t_s)
            fresh = gate(ahead, measured, noise + self._bias_cov) > _GATE * (1 + self._misses_in_row)
            self._state = start_state(t_s, measured, noise) if fresh else update(ahead, measured, noise)
        else:
            self._state = start_state(t_s, measured, noise)
        self._roll_rad = fit.pose.roll_rad
        self._t_seen_s, self._misses_in_row = t_s, 0
        return self._track(TrackStatus.TRACKING, "")

    def _coast(self, t_s: float, reason: str) -> NozzleTrack:
        self._misses_in_row += 1
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
    from vision.nozzle import axis_frame

    r = bench.cam_from_bench[:3, :3]
    a, b = axis_frame(fit.pose.axis)
    j = np.zeros((5, 6))
    j[:3, :3] = r.T
    j[3:, 3] = (r.T @ np.cross(a, fit.pose.axis))[:2]
    j[3:, 4] = (r.T @ np.cross(b, fit.pose.axis))[:2]
    return j @ cov @ j.T
