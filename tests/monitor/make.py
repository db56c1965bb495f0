"""Hand-made jobs, tracks and vision results for the monitor's tests."""

from __future__ import annotations

import math

import numpy as np

from monitor.job import Job, parse_job
from vision.types import BenchPose, NozzleMiss, NozzleTrack, PoseMiss, TrackStatus, VisionResult

JOB_TEXT = """
[board]
top_height_mm = 6.0
[target]
name = "U7"
outline_mm = [[-5, -5], [5, -5], [5, 5], [-5, 5]]
[[neighbour]]
name = "connector"
outline_mm = [[10, -3], [16, -3], [16, 3], [10, 3]]
[nozzle]
outer_diameter_mm = 8.0
bore_diameter_mm = 6.8
tube_length_mm = 28.0
profile_mm = [[4, 0], [4, 28], [9, 36]]
handle_mm = [[13, 50], [14.5, 58]]
[station]
setpoint_c = 360
airflow_l_min = 30
[limits]
height_mm = [5, 25]
dwell_s = 4
"""
DOWN = np.array([0.0, 0.0, -1.0])
NAN3 = np.full(3, np.nan)


def job() -> Job:
    """A board 6 mm over the mat, a 10 mm target at the origin, a connector 10 mm to its right."""
    return parse_job(JOB_TEXT)


def track(t_s: float, tip_mm=None, axis=DOWN, sigma_mm: float = 0.5, t_seen_s: float = math.nan,
          speed_mm_s=(0.0, 0.0, 0.0)) -> NozzleTrack:
    """A measured track, or a lost one when there is no tip."""
    if tip_mm is None:
        return NozzleTrack(t_s, TrackStatus.LOST, NAN3, NAN3, NAN3, np.full((6, 6), np.nan), t_seen_s, "hidden")
    cov = np.diag([sigma_mm**2] * 3 + [1e-4] * 3)
    return NozzleTrack(t_s, TrackStatus.TRACKING, np.array(tip_mm, float), np.array(speed_mm_s, float),
                       np.array(axis, float), cov, t_s)


def result(index: int, seen: NozzleTrack, *, mat: bool = True, shift=(0.0, 0.0, 0.0), events=()) -> VisionResult:
    """One frame's vision result around a track."""
    pose = np.eye(4)
    pose[2, 3] = 400.0
    bench = BenchPose(seen.t_s, pose, np.eye(6) * 1e-6, 14, 0.2) if mat else PoseMiss(seen.t_s, "no markers found")
    return VisionResult(index, seen.t_s, bench, NozzleMiss(seen.t_s, ""), seen, np.array(shift), tuple(events))


def hover(judge, path, rate_hz: float = 30.0, sigma_mm: float = 0.5):
    """Feed a path t -> (x, y, height over the board) or None through a judge; gives all its results."""
    duration_s, where = path
    out, t_seen = [], math.nan
    for i in range(int(duration_s * rate_hz)):
        t = i / rate_hz
        place = where(t)
        tip = None if place is None else (place[0], place[1], place[2] + 6.0)
        t_seen = t if tip is not None else t_seen
        out.append(judge.step(result(i, track(t, tip, sigma_mm=sigma_mm, t_seen_s=t_seen))))
    return out


def warnings_of(results, kind: str):
    """All warnings of one kind that were raised."""
    return [w for r in results for w in r.started if w.kind == kind]
