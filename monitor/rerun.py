"""Judges a recording again under another job, from its trace alone: no video, no vision."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

from monitor.commands import exit_code, tell
from monitor.exposure import heat_setup
from monitor.heat.estimate import HeatEstimator
from monitor.heat.fit import Calibration, load_calibration
from monitor.heat.types import HeatInput
from monitor.job import Job, load_job
from monitor.pipeline import Judge
from monitor.recording import CAMERA, NOZZLE, PICTURE, Origin, Recorder, Recording, open_recording
from monitor.technique import GRID_STEP_MM
from vision.types import BenchEvent, BenchPose, NozzleMiss, NozzleTrack, PoseMiss, TrackStatus, VisionResult

__all__ = ["run_rerun", "rerun", "stored_results", "stored_inputs", "finish_recording", "heat_calibration"]


def run_rerun(args: argparse.Namespace) -> int:
    """plumeline rerun"""
    job = load_job(args.job)
    again = rerun(open_recording(args.recording), job, Path(args.job).read_text(encoding="utf-8"), args.out,
                  force=args.force, calibration=heat_calibration(args.heat))
    tell(again, job, args.json)
    return exit_code(again)


def rerun(recording: Recording, job: Job, job_text: str, out: str | Path, *, force: bool = False,
          calibration: Calibration | None = None) -> Recording:
    """Recompute exposure, heat, passes and warnings of a recording under another job.

    The nozzle's track stays as measured; a job with another nozzle needs the clip analysed again.
    """
    texts = [(recording.folder / name).read_text(encoding="utf-8") for name in (CAMERA, NOZZLE)]
    heat = HeatEstimator(heat_setup(job), calibration)
    judge = Judge(job, heat)
    with Recorder(out, Origin(job_text, *texts, video=recording.video), force=force) as recorder:
        for seen in stored_results(recording):
            recorder.add(judge.step(seen))
        finish_recording(recorder, judge, heat)
        picture = recording.folder / PICTURE
        if picture.is_file() and recording.picture_extent_mm is not None:
            recorder.add_picture(picture.read_bytes(), recording.picture_extent_mm)
    return open_recording(out)


def heat_calibration(path: str | None) -> Calibration | None:
    """The heat calibration that --heat names; None without one."""
    return None if path is None else load_calibration(Path(path))


def finish_recording(recorder: Recorder, judge: Judge, heat: HeatEstimator) -> None:
    """Store what can only be said at the end: the open pass, standing warnings, the maps."""
    last_pass = judge.finish()
    if last_pass is not None:
        recorder.add_pass(last_pass)
    for warning in judge.alerts.standing:
        recorder.add_warning(warning)
    left, _, bottom, _ = judge.technique.grid.extent_mm
    recorder.add_map("dwell", "s", left, bottom, GRID_STEP_MM, judge.technique.dwell_map_s)
    x_m, y_m, temp_c = heat.field(1e-3)
    recorder.add_map("board_top", "C", (x_m[0] - 0.5e-3) * 1e3, (y_m[0] - 0.5e-3) * 1e3, 1.0, temp_c)


def stored_results(recording: Recording) -> Iterator[VisionResult]:
    """What vision said of each frame, as the trace keeps it."""
    f = recording.frames
    events = list(recording.events)
    for i, t_s in enumerate(f["t_s"]):
        due = [e for e in events if e["t_s"] <= t_s and e["kind"] != "video"]
        events = [e for e in events if e not in due]
        shift = np.array([f["board_dx_mm"][i], f["board_dy_mm"][i], f["board_turn_rad"][i]])
        yield VisionResult(int(f["frame"][i]), float(t_s), _bench(f, i), NozzleMiss(float(t_s), "not kept for a rerun"),
                           _track(f, i), shift, tuple(BenchEvent(e["t_s"], e["kind"], e["detail"]) for e in due))


def stored_inputs(recording: Recording, job: Job) -> list[HeatInput]:
    """What the heat model was given, frame by frame."""
    caught = _Catcher()
    judge = Judge(job, caught)
    for seen in stored_results(recording):
        judge.step(seen)
    return caught.inputs


class _Catcher:
    """Stands where the heat model stands and keeps what it is given."""

    limits: dict = {}

    def __init__(self) -> None:
        self.inputs: list[HeatInput] = []

    def step(self, inp: HeatInput) -> None:
        self.inputs.append(inp)


def _bench(f: dict[str, np.ndarray], i: int) -> BenchPose | PoseMiss:
    t_s = float(f["t_s"][i])
    if not math.isfinite(f["bench_tz_mm"][i]):
        return PoseMiss(t_s, f["bench_reason"][i])
    pose = np.eye(4)
    pose[:3, :3] = cv2.Rodrigues(np.array([f[f"bench_r{a}_rad"][i] for a in "xyz"]))[0]
    pose[:3, 3] = [f[f"bench_t{a}_mm"][i] for a in "xyz"]
    return BenchPose(t_s, pose, _matrix(f["bench_cov"][i]), int(f["bench_n_markers"][i]), float(f["bench_rms_px"][i]))


def _track(f: dict[str, np.ndarray], i: int) -> NozzleTrack:
    def vector(name: str) -> np.ndarray:
        return np.array([f[name.format(a)][i] for a in "xyz"])
    return NozzleTrack(float(f["t_s"][i]), TrackStatus(f["status"][i]), vector("tip_{}_mm"),
                       vector("velocity_{}_mm_s"), vector("axis_{}"), _matrix(f["track_cov"][i]),
                       float(f["t_seen_s"][i]), f["track_reason"][i])


def _matrix(blob: bytes) -> np.ndarray:
    return np.frombuffer(blob, "<f8").reshape(6, 6) if blob else np.full((6, 6), np.nan)
