"""What a fit says in the bench frame, where tracks are kept."""

from __future__ import annotations

import numpy as np

from vision.compiled import njit, put
from vision.fit.pose import PoseFit
from vision.nozzle.body import NozzleBody, ToolPose, pose_arrays, roll_of, sideways_of
from vision.nozzle.silhouette import turned_pose
from vision.track.chart import axis_of, axis_spread, chart_of, chart_of_steps
from vision.track.kalman import N_MOVING, N_POSE, N_RATE
from vision.types import BenchPose, FloatArray, NozzleObservation

__all__ = ["bench_chart", "chart_turn", "in_steps", "observation", "turned_cov"]


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
    mean, cov, axis, axis_cov = _seen_alone(pose_arrays(fit.pose), fit.alone_step, fit.alone_cov, bench.cam_from_bench,
                                            body.is_bent)
    return NozzleObservation(t_s, mean[:3], axis, axis_cov, fit.chi2_dof), mean, cov


@njit(cache=True, nogil=True)
def _seen_alone(pose, step, step_cov, cam_from_bench, is_bent):
    """Tip and axis x, y (5,) with covariance (5, 5), and the axis (3,) with that of tip and axis (6, 6), bench frame,
    of a pose after a step with covariance (6, 6); what is longer than a step is shortened."""
    step = step / max(1.0, np.abs(step[:3]).max() / 40.0, np.abs(step[3:]).max() / 0.4)
    tip_mm, (axis, sideways) = pose.tip_mm + step[:3], turned_pose(pose.axis, pose.roll_rad, step)
    turn = chart_of_steps(tip_mm, axis, roll_of(axis, sideways), cam_from_bench, is_bent)
    mean, cov = chart_of(tip_mm, axis, sideways, cam_from_bench), turned_cov(step_cov, turn)
    cov, axis_bench = np.ascontiguousarray(cov[:5, :5]), axis_of(mean[3:5])
    spread = axis_spread(axis_bench)
    return mean[:5].copy(), cov, axis_bench, spread @ cov @ spread.T


@njit(cache=True, nogil=True)
def turned_cov(cov, turn):
    """Covariance (n, n) after the first six entries have been given in other coordinates, which change with them as
    `turn` (6, 6)."""
    n = len(cov)
    rows, out = np.zeros((6, n)), cov.copy()
    for i in range(6):
        for k in range(6):
            for j in range(n):
                rows[i, j] += turn[i, k] * cov[k, j]
    for i in range(n):
        if i < 6:
            put(rows[i], out[i])
        for j in range(6):
            own = rows[i] if i < 6 else cov[i]
            total = 0.0
            for k in range(6):
                total += own[k] * turn[j, k]
            out[i, j] = total
    return out


@njit(cache=True, nogil=True)
def in_steps(mean, cov, turn):
    """A filter's state, whose chart changes with the steps of `moved_pose` as `turn`, as a fit's prior: covariance (6 +
    g, 6 + g) of the steps and the offsets, rates of the steps (6,), and by how much these are other for each step (6,
    6)."""
    n = len(mean) - N_RATE
    kept = np.empty((n, n))
    for i in range(n):
        for j in range(n):
            kept[i, j] = cov[i if i < N_POSE else i + N_RATE, j if j < N_POSE else j + N_RATE]
    chart_rates, chart_faster = np.zeros(N_POSE), np.zeros((N_POSE, N_POSE))
    put(mean[N_POSE:N_MOVING], chart_rates[:N_RATE])
    with_pose = np.linalg.solve(np.ascontiguousarray(cov[:N_POSE, :N_POSE]),
                                np.ascontiguousarray(cov[:N_POSE, N_POSE:N_MOVING]))
    for i in range(N_RATE):
        put(with_pose[:, i], chart_faster[i])
    to_steps = np.linalg.inv(turn)
    return turned_cov(kept, to_steps), to_steps @ chart_rates, to_steps @ chart_faster @ turn
