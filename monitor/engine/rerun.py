"""Judges a recording again under another job, from its trace alone: no video, no vision."""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from monitor.errors import InputError
from monitor.heat.calibration import Calibration, load_calibration, save_calibration
from monitor.heat.estimate import HeatEstimator
from monitor.heat.types import HeatInput
from monitor.job import Job, parse_job
from monitor.judging.exposure import LEVEL_AXIS, heat_setup
from monitor.judging.marks import JointMark
from monitor.judging.pipeline import FrameResult, Judge
from monitor.judging.technique import GRID_STEP_MM
from monitor.recording.attribution import from_meta
from monitor.recording.folder import GUIDE, HEAT
from monitor.recording.reader import CAMERA, JOB, NOZZLE, PICTURE, Recording, open_recording, own_text
from monitor.recording.recorder import Origin, PassNote, Recorder
from monitor.recording.trace_file import LONGEST_GAP_S
from vision.camera.pictures import decoded
from vision.errors import SourceError
from vision.types import (
    BenchEvent,
    BenchPose,
    NozzleMiss,
    NozzleTrack,
    PartEvent,
    PartMotion,
    PoseMiss,
    TrackStatus,
    VisionResult,
)

__all__ = ["HEAT", "calibration_of", "finish_recording", "keep_calibration", "rejudge", "rerun", "stored_inputs",
           "stored_results"]


def rerun(recording: Recording, job: Job, job_text: str, out: str | Path, *, force: bool = False,
          calibration: Calibration | Literal["own"] | None = "own", higher_mm: float = 0.0,
          progress: Callable[[float], None] = lambda share: None) -> Recording:
    """Recompute exposure, heat, passes and warnings of a recording under another job.

    The nozzle's track stays as measured, or is held `higher_mm` higher over the same spot; a job with another nozzle
    needs the clip analysed again. The calibration is the recording's own unless another is given, or none. What
    `progress` raises ends it, and leaves nothing behind.
    """
    camera_text, nozzle_text = (own_text(recording.folder, name) for name in (CAMERA, NOZZLE))
    calibration = calibration_of(recording) if isinstance(calibration, str) else calibration
    heat = HeatEstimator(heat_setup(job), calibration)
    judge = Judge(job, heat)
    origin = Origin(job_text, camera_text, nozzle_text, video=recording.video, source=recording.folder,
                    by=from_meta(recording.meta))
    with Recorder(out, origin, force=force) as recorder:
        keep_calibration(recorder.part, calibration)
        if (recording.folder / GUIDE).is_file():
            shutil.copyfile(recording.folder / GUIDE, recorder.part / GUIDE)
        n_frames = max(1, len(recording.frames["t_s"]))
        for done, result in enumerate(rejudge(recording, judge, higher_mm), 1):
            recorder.add(result)
            progress(done / n_frames)
        finish_recording(recorder, judge, heat)
        for turn in _turns(recording, job):
            recorder.add_station(*turn)
        for m in recording.marks:
            recorder.add_mark(JointMark(m["t_s"], m["kind"], m["author"], m["made_utc"], m["undone_utc"] or ""))
        for drop in recording.drops:
            recorder.add_drop(drop["t_s"], drop["count"], drop["reason"])
        picture = recording.folder / PICTURE
        if picture.is_file() and recording.picture_extent_mm is not None:
            recorder.add_picture(picture.read_bytes(), recording.picture_extent_mm)
    return open_recording(out)


def rejudge(recording: Recording, judge: Judge, higher_mm: float = 0.0) -> Iterator[FrameResult]:
    """What a judge says of each stored frame, with the station's knobs turned as they were turned then.

    A knob that the judge's job sets to another value than the recording's job keeps that value throughout.

    Parameters
    ----------
    higher_mm : float
        Held so much higher over the same spot: the track is shifted along the tool's axis.
    """
    times = recording.frames["t_s"]
    gaps = np.diff(times, prepend=0.0)  # time counts from the recording's start
    if len(gaps) and gaps.max() > LONGEST_GAP_S:
        raise InputError(f"{recording.folder}: nothing is known for {gaps.max():.0f} s before "
                         f"{times[gaps.argmax()]:.0f} s; such "
                         "a gap cannot be judged again")
    turns = _turns(recording, judge.job)
    marks = [JointMark(m["t_s"], m["kind"], m["author"], m["made_utc"]) for m in recording.marks
             if m["undone_utc"] is None]
    for seen in stored_results(recording):
        while turns and turns[0][0] <= seen.t_s:
            judge.set_station(*turns.pop(0)[1:])
        while marks and marks[0].t_s <= seen.t_s:
            judge.mark(marks.pop(0))
        yield judge.step(_lifted(seen, higher_mm) if higher_mm else seen)


def _turns(recording: Recording, job: Job) -> list[tuple[float, float | None, float | None]]:
    """When which knob was turned to what, of those that this job leaves as they were: time, setpoint, airflow."""
    then, now = parse_job(recording.job_text, str(recording.folder / JOB)).station, job.station
    follows_c, follows_flow = then.setpoint_c == now.setpoint_c, then.airflow_l_min == now.airflow_l_min
    found = [(row["t_s"], row["setpoint_c"] if follows_c else None, row["airflow_l_min"] if follows_flow else None)
             for row in recording.station]
    return sorted((turn for turn in found if turn[1:] != (None, None)), key=lambda turn: turn[0])


def keep_calibration(folder: Path, calibration: Calibration | None) -> None:
    """Keep a copy of the heat calibration in a recording, so that it can be judged again as it was."""
    if calibration is not None:
        save_calibration(calibration, folder / HEAT)


def calibration_of(recording: Recording) -> Calibration | None:
    """The heat calibration that a recording was made with; None without one."""
    path = recording.folder / HEAT
    return load_calibration(path) if path.is_file() else None


def finish_recording(recorder: Recorder, judge: Judge, heat: HeatEstimator, note: PassNote | None = None) -> None:
    """Store what can only be said at the end: the open pass, standing warnings, the maps."""
    last_pass = judge.finish()
    if last_pass is not None:
        recorder.add_pass(last_pass, note)
    for warning in judge.alerts.standing:
        recorder.add_warning(warning)
    left, _, bottom, _ = judge.technique.grid.extent_mm
    recorder.add_map("dwell", "s", left, bottom, GRID_STEP_MM, judge.technique.dwell_map_s)
    x_m, y_m, temp_c = heat.field(1e-3)
    recorder.add_map("board_top", "C", (x_m[0] - 0.5e-3) * 1e3, (y_m[0] - 0.5e-3) * 1e3, 1.0, temp_c)


def stored_results(recording: Recording) -> Iterator[VisionResult]:
    """What vision said of each frame, as the trace keeps it."""
    f = recording.frames
    events, part_events = list(recording.events), list(recording.part_events)
    motions = {row["frame"]: row["motions"] for row in recording.parts}
    for i, t_s in enumerate(f["t_s"]):
        due = [e for e in events if e["t_s"] <= t_s and e["kind"] != "video"]
        events = [e for e in events if e not in due]
        told = [e for e in part_events if e["t_s"] <= t_s]
        part_events = part_events[len(told):]
        shift = np.array([f["board_dx_mm"][i], f["board_dy_mm"][i], f["board_turn_rad"][i]])
        yield VisionResult(int(f["frame"][i]), float(t_s), _bench(f, i), NozzleMiss(float(t_s), "not kept for a rerun"),
                           _track(f, i), shift, tuple(BenchEvent(e["t_s"], e["kind"], e["detail"]) for e in due),
                           _motions(float(t_s), motions.get(int(f["frame"][i]), {})), tuple(map(_part_event, told)))


def stored_inputs(recording: Recording, job: Job) -> list[HeatInput]:
    """What the heat model was given, frame by frame."""
    caught = _Catcher()
    for _ in rejudge(recording, Judge(job, caught)):
        pass
    return caught.inputs


class _Catcher:
    """Stands where the heat model stands and keeps what it is given."""

    def __init__(self) -> None:
        self.limits: dict[str, object] = {}
        self.inputs: list[HeatInput] = []

    def step(self, inp: HeatInput) -> None:
        self.inputs.append(inp)


def _lifted(seen: VisionResult, higher_mm: float) -> VisionResult:
    """The tool drawn back along its axis, so that it is higher and points at the same spot; level tools go straight
    up.
    """
    track = seen.track
    if not np.isfinite(track.tip_mm).all():
        return seen
    is_steep = track.axis[2] <= LEVEL_AXIS
    step = track.axis * (higher_mm / track.axis[2]) if is_steep else np.array([0.0, 0.0, higher_mm])
    return replace(seen, track=replace(track, tip_mm=track.tip_mm + step))


def _bench(f: dict[str, np.ndarray], i: int) -> BenchPose | PoseMiss:
    t_s = float(f["t_s"][i])
    if not math.isfinite(f["bench_tz_mm"][i]):
        return PoseMiss(t_s, f["bench_reason"][i])
    pose = np.eye(4)
    pose[:3, :3] = cv2.Rodrigues(np.array([f[f"bench_r{a}_rad"][i] for a in "xyz"]))[0]
    pose[:3, 3] = [f[f"bench_t{a}_mm"][i] for a in "xyz"]
    return BenchPose(t_s, pose, _matrix(f["bench_cov"][i]), int(f["bench_n_markers"][i]), float(f["bench_rms_px"][i]))


def _motions(t_s: float, motions: dict[str, list[Any]]) -> tuple[PartMotion, ...]:
    """How the parts lay in one frame."""
    def number(value: float | None) -> float:
        return math.nan if value is None else float(value)
    return tuple(PartMotion(t_s, name, np.array([number(v) for v in row[:2]]), number(row[2]), number(row[3]),
                            number(row[4]), seen=number(row[5]), is_present=None if row[6] is None else bool(row[6]))
                 for name, row in motions.items())


def _part_event(row: dict[str, Any]) -> PartEvent:
    shift = np.array([math.nan if row[k] is None else row[k] for k in ("dx_mm", "dy_mm")])
    turn, sigma = (math.nan if row[k] is None else row[k] for k in ("turn_rad", "sigma_mm"))
    return PartEvent(row["t_s"], row["t_start_s"], row["part"], row["kind"], shift, turn, sigma,
                     _picture(row["before"]), _picture(row["after"]))


def _picture(data: bytes | None) -> NDArray[np.uint8] | None:
    try:
        return None if data is None else np.asarray(decoded(data, "a part's picture"), np.uint8)
    except SourceError:
        return None


def _track(f: dict[str, np.ndarray], i: int) -> NozzleTrack:
    def vector(name: str) -> np.ndarray:
        return np.array([f[name.format(a)][i] for a in "xyz"])
    return NozzleTrack(float(f["t_s"][i]), TrackStatus(f["status"][i]), vector("tip_{}_mm"),
                       vector("velocity_{}_mm_s"), vector("axis_{}"), _matrix(f["track_cov"][i]),
                       float(f["t_seen_s"][i]), f["track_reason"][i])


def _matrix(blob: bytes) -> np.ndarray:
    return np.frombuffer(blob, "<f8").reshape(6, 6) if blob else np.full((6, 6), np.nan)
