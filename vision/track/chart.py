"""The filter's coordinates of a pose: outlet, the jet direction's x and y, and the turn about it, in the bench
frame.
"""

from __future__ import annotations

import math

import numpy as np

from vision.compiled import njit, put
from vision.nozzle.body import axis_frame, cross, roll_of
from vision.nozzle.silhouette import turned_pose

__all__ = ["axis_of", "axis_spread", "chart_of", "chart_of_steps", "pose_of"]


@njit(cache=True, nogil=True)
def axis_of(xy):
    """Unit vector (3,) that points down with these x and y."""
    size = min(1.0, 0.999 / max(math.hypot(xy[0], xy[1]), 1e-9))
    x, y = xy[0] * size, xy[1] * size
    return np.array([x, y, -math.sqrt(1.0 - x * x - y * y)])


@njit(cache=True, nogil=True)
def axis_spread(axis):
    """Change (6, 5) of (outlet, jet direction) with (outlet, its x and y)."""
    spread = np.zeros((6, 5))
    for k in range(5):
        spread[k, k] = 1.0
    spread[5, 3], spread[5, 4] = -axis[0] / axis[2], -axis[1] / axis[2]
    return spread


@njit(cache=True, nogil=True)
def _at_zero(axis):
    """The direction, square to a nearly vertical axis, from which the turn about it is counted: the bench's x at 0."""
    a = np.array([1.0, 0.0, 0.0]) - axis[0] * axis
    return a / math.sqrt((a * a).sum())


@njit(cache=True, nogil=True)
def chart_of(tip_cam_mm, axis_cam, sideways_cam, cam_from_bench):
    """The six coordinates of a pose that is given in the camera frame by outlet, jet direction and sideways
    direction.
    """
    bench_from_cam = np.ascontiguousarray(cam_from_bench[:3, :3].T)
    axis, sideways = bench_from_cam @ axis_cam, bench_from_cam @ sideways_cam
    a = _at_zero(axis)
    chart = np.empty(6)
    put(bench_from_cam @ (tip_cam_mm - cam_from_bench[:3, 3]), chart[:3])
    put(axis[:2], chart[3:5])
    chart[5] = math.atan2((sideways * cross(axis, a)).sum(), (sideways * a).sum())
    return chart


@njit(cache=True, nogil=True)
def pose_of(chart, cam_from_bench):
    """Outlet (3,), jet direction (3,) and roll of a chart's pose in the camera frame."""
    turn, axis = np.ascontiguousarray(cam_from_bench[:3, :3]), axis_of(chart[3:5])
    a = _at_zero(axis)
    sideways = turn @ (math.cos(chart[5]) * a + math.sin(chart[5]) * cross(axis, a))
    axis_cam = turn @ axis
    return turn @ chart[:3] + cam_from_bench[:3, 3], axis_cam, roll_of(axis_cam, sideways)


@njit(cache=True, nogil=True)
def chart_of_steps(tip_cam_mm, axis_cam, roll_rad, cam_from_bench, is_bent):
    """Change (6, 6) of the chart with the steps of `vision.nozzle.silhouette.moved_pose`.

    A straight tool's turn stays by itself.
    """
    bench_from_cam = np.ascontiguousarray(cam_from_bench[:3, :3].T)
    a, b = axis_frame(axis_cam)
    out = np.zeros((6, 6))
    for k in range(3):
        put(bench_from_cam[k], out[k, :3])
    put((bench_from_cam @ cross(a, axis_cam))[:2], out[3:5, 3])
    put((bench_from_cam @ cross(b, axis_cam))[:2], out[3:5, 4])
    out[5, 5] = 1.0
    if is_bent:
        h, step, rolls = 1e-5, np.zeros(6), np.empty(2)
        for k in (3, 4):
            for i in range(2):
                step[k] = h if i else -h
                axis, sideways = turned_pose(axis_cam, roll_rad, step)
                rolls[i] = chart_of(tip_cam_mm, axis, sideways, cam_from_bench)[5]
            step[k] = 0.0
            out[5, k] = (rolls[1] - rolls[0]) / (2 * h)
    return out
