"""What a fit says in the bench frame, where tracks are kept."""

from __future__ import annotations

import numpy as np

from vision.fit.pose import PoseFit
from vision.nozzle.body import NozzleBody, ToolPose, sideways_of
from vision.nozzle.silhouette import moved_pose
from vision.track.chart import axis_of, axis_spread, chart_of, chart_of_steps
from vision.types import BenchPose, FloatArray, NozzleObservation

__all__ = ["bench_chart", "chart_turn", "observation"]


def bench_chart(pose: ToolPose, bench: BenchPose) -> FloatArray:
    """A pose in the camera frame as outlet [mm], jet direction's x and y [-] and turn [rad] in the bench frame, shape
    (6,).
    """
    return chart_of(pose.tip_mm, pose.axis, sideways_of(pose.axis, pose.roll_rad), bench.cam_from_bench)


def chart_turn(pose: ToolPose, bench: BenchPose, body: NozzleBody) -> FloatArray:
    """How `bench_chart` changes with the six steps of `moved_pose`, shape (6, 6)."""
    return chart_of_steps(pose.tip_mm, pose.axis, pose.roll_rad, bench.cam_from_bench, body.is_bent)


def observation(fit: PoseFit, bench: BenchPose, t_s: float, body: NozzleBody) -> tuple[NozzleObservation, FloatArray,
                                                                                       FloatArray]:
    """What this frame alone says; also as tip and axis x, y (5,) with covariance (5, 5)."""
    size = max(1.0, np.abs(fit.alone_step[:3]).max() / 40.0, np.abs(fit.alone_step[3:]).max() / 0.4)
    pose = moved_pose(fit.pose, fit.alone_step / size)
    turn = chart_turn(pose, bench, body)[:5]
    cov, mean = turn @ fit.alone_cov @ turn.T, bench_chart(pose, bench)[:5]
    axis = axis_of(mean[3:])
    spread = axis_spread(axis)
    return NozzleObservation(t_s, mean[:3], axis, spread @ cov @ spread.T, fit.chi2_dof), mean, cov
