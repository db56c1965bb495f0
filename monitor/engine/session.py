"""One piece of hot work from start to end: pipeline, trace, video, coaching and alarm kept in step, frame by frame.

A frame takes two steps, which two threads may share: `see` measures the tool, `judge_sighting` does all the rest while
the next frame is measured. Everything but `see` belongs to the thread that judges. Whatever fails around it, trace and
warnings go on.
"""

from __future__ import annotations

import datetime
import logging
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from monitor.engine.analyse import Inputs
from monitor.engine.annunciator import Alarm, Annunciator
from monitor.engine.capture import Capture
from monitor.engine.feedback import Coach, Mode
from monitor.engine.leading import GuideNow, Leader
from monitor.engine.picture_check import PictureCheck
from monitor.engine.rerun import finish_recording, keep_calibration
from monitor.engine.source import Arrival
from monitor.engine.straighten import Sheet, board_picture, straighten
from monitor.engine.teaching import teach
from monitor.engine.video_writer import VIDEO, VideoWriter
from monitor.engine.views import Views
from monitor.heat.estimate import HeatEstimator
from monitor.heat.melt import LAW
from monitor.job import Job
from monitor.judging.alerts import Reading, TechniqueWarning
from monitor.judging.exposure import heat_setup
from monitor.judging.guide_pass import GuidePass
from monitor.judging.marks import JointMark
from monitor.judging.pipeline import FrameResult, Judge, Pipeline, ToolState, TrackerLike
from monitor.judging.technique import PassSummary, work_grid
from monitor.judging.tracking import make_part_follower
from monitor.recording.folder import GUIDE
from monitor.recording.guide_file import save_guide
from monitor.recording.recorder import RESERVE_BYTES, Origin, PassNote, Recorder
from monitor.sound.tones import MELTED, REFERENCE, WARNING_PATTERNS, Cue
from vision.types import BenchPose, Frame, NozzleMiss, NozzleTrack, PoseMiss, TrackStatus, VisionResult

__all__ = ["Keep", "Session", "Moment", "PassTold", "Sighting"]

CLOCK_EVERY_S = 60.0
LOWEST_FREE_BYTES = 200 << 20
NO_PICTURE_S = 0.3
BETWEEN_FRAMES_S = 1e-4  # after the last frame judged, before the next
log = logging.getLogger("plumeline.session")


@dataclass(frozen=True)
class PassTold:
    """A finished pass with how it was coached, how much of it lay in the band [-], and how it followed the guide."""

    summary: PassSummary
    note: PassNote
    in_band_share: float
    guide_words: str = ""


@dataclass(frozen=True)
class Sighting:
    """A frame in which the tool was measured, on its way to be judged.

    Attributes
    ----------
    frame : Frame
        Its time and index count from the session's first.
    seen : VisionResult
    arrived_s : float
        On the monotonic clock.
    n_dropped : int
        Frames left out until then.
    """

    frame: Frame
    seen: VisionResult
    arrived_s: float
    n_dropped: int


@dataclass(frozen=True)
class Moment:
    """All that a session has to say after one frame."""

    result: FrameResult
    alarm: Alarm
    pass_told: PassTold | None
    notices: tuple[str, ...]
    guide: GuideNow | None = None  # with a guide only


@dataclass(frozen=True)
class Keep:
    """Where a session is recorded: the recording's final name; whether with its picture; and what is left of the disk.

    Attributes
    ----------
    reserve_bytes : int
        Held back, so that the trace can be closed on a full disk.
    operator : str
        A code.
    teaches : bool
        Whether seen melts are kept on the shelf for the next jobs; not for work that is only played.
    """

    folder: Path
    video: bool = True
    reserve_bytes: int = RESERVE_BYTES
    operator: str = ""
    teaches: bool = False


class Session:
    """Takes arrivals to moments, and records them.

    Parameters
    ----------
    inputs : Inputs
        Job and calibrations, with their exact text.
    tracker : TrackerLike
    coach : Coach
    keep : Keep, optional
        None records nothing.
    guide : GuidePass, optional
        To be led along in passes that are coached, and kept with the recording.
    say : callable, optional
        Takes every Cue.
    """

    def __init__(self, inputs: Inputs, tracker: TrackerLike, coach: Coach, keep: Keep | None, *,
                 guide: GuidePass | None = None, say: Callable[[Cue], None] = lambda cue: None) -> None:
        self.inputs, self.coach, self.annunciator = inputs, coach, Annunciator()
        self.heat = HeatEstimator(heat_setup(inputs.job), inputs.heat)
        parts = make_part_follower(inputs.camera, inputs.job) if inputs.camera is not None else None
        self.pipeline = Pipeline(inputs.job, tracker, self.heat, parts)
        self._say, self._keep = say, keep
        self.recorder = self._make_recorder(keep) if keep is not None else None
        size_px = inputs.camera.image_size_px if inputs.camera is not None else None
        self.writer: VideoWriter | None = None
        if self.recorder is not None and keep is not None and keep.video:
            self.writer = VideoWriter(self.recorder.part / VIDEO, size_px=size_px)
        self._first: Arrival | None = None
        self._last: FrameResult | None = None
        self._t_frame_s = 0.0
        self._last_arrived_s = self._next_clock_s = -math.inf
        self._n_dropped_before = 0
        self._in_pass = self._had_picture = True
        self._views = Views(size_px)
        self._check = PictureCheck()
        _warm_up(inputs.job)
        self._troubles: dict[str, str] = {}
        self._marks: list[JointMark] = []
        self._leader = Leader(guide, inputs.job) if guide is not None else None
        if guide is not None and self.recorder is not None:
            save_guide(guide, self.recorder.part / GUIDE)

    @property
    def judge(self) -> Judge:
        """What gives frames their meaning."""
        return self.pipeline.judge

    def see(self, arrival: Arrival, capture: Capture, n_dropped: int) -> Sighting:
        """Measure the tool in one frame."""
        if self._first is None:
            self._first, self._n_dropped_before = arrival, n_dropped
            self._begin_video(arrival, capture)
        frame = replace(arrival.frame, t_s=arrival.frame.t_s - self._first.frame.t_s,
                        index=arrival.frame.index - self._first.frame.index)
        return Sighting(frame, self.pipeline.tracker.step(frame), arrival.arrived_s, n_dropped)

    def judge_sighting(self, sighting: Sighting, extra: tuple[Reading, ...] = ()) -> Moment:
        """Judge and record what was seen in one frame."""
        frame = sighting.frame
        self._note_drops(frame.t_s, sighting.n_dropped)
        changes = tuple(Reading("camera_moved", "picture", 1.0, 0.0, math.nan, math.nan, detail=words)
                        for words in self._check.look(frame.image, frame.t_s))
        for change in changes:
            self._event(frame.t_s, "picture_changed", change.detail)
        result = self.judge.step(self.pipeline.watch_parts(frame, sighting.seen), (*extra, *changes))
        self._last_arrived_s = sighting.arrived_s
        if self.recorder is not None and isinstance(result.vision.bench, BenchPose):
            self._views.offer(frame.t_s, frame.image, result.vision.bench, result.vision.board_shift)
        if not self._had_picture:
            self._event(frame.t_s, "camera_back", "the picture is back; check the view and the calibration")
        self._had_picture = True
        return self._conclude(result, sighting.arrived_s, has_frame=True)

    def blank(self, now_s: float, why: str, extra: tuple[Reading, ...] = ()) -> Moment | None:
        """Tell the rules that there is no picture; None before the first frame."""
        if self._last is None:
            return None
        gap_s = now_s - self._last_arrived_s
        t_s = max(self._t_frame_s + gap_s, self._last.t_s)
        if self._had_picture:
            self._event(t_s, "camera_lost", why)
        self._had_picture = False
        missing = Reading("no_picture", "camera", gap_s - NO_PICTURE_S, 0.0, gap_s, NO_PICTURE_S, detail=why)
        result = self.judge.step(_nothing_seen(self._last.vision, t_s, why), (*extra, missing))
        return self._conclude(result, math.nan, has_frame=False)

    def is_past(self, t_s: float) -> bool:
        """Whether a frame of that time is behind what was already judged (a stall that was told as a loss)."""
        return self._last is not None and t_s <= self._last.t_s

    def turn_station(self, setpoint_c: float | None = None, airflow_l_min: float | None = None) -> None:
        """The user turned a knob of the station: counts from the next frame on, and is kept with its time."""
        self.judge.set_station(setpoint_c, airflow_l_min)
        if self.recorder is not None:
            self.recorder.add_station(self.now_s + BETWEEN_FRAMES_S, setpoint_c, airflow_l_min)

    def shelve(self, warning: TechniqueWarning, reason: str = "") -> None:
        """Put a warning aside; InputError when that needs a reason."""
        put = self.annunciator.shelve(warning, self.now_s, reason=reason)
        self._event(self.now_s, "shelved",
                    f"{put.kind} {put.region} until {put.until_s:.1f} s: {put.reason or 'no reason given'}")

    def unshelve(self, kind: str, region: str) -> None:
        """Take a warning back."""
        self.annunciator.unshelve(kind, region)
        self._event(self.now_s, "unshelved", f"{kind} {region}")

    def note(self, kind: str, detail: str) -> None:
        """Keep something that the user or the equipment did, with its time."""
        self._event(self.now_s, kind, detail)

    def mark_joints(self, kind: str) -> None:
        """The person sees the joints molten, or finds them still solid; counts from the next frame on."""
        mark = JointMark(self.now_s, kind, self._keep.operator if self._keep is not None else "", _utc_now())
        self._marks.append(mark)
        self.judge.mark(mark)
        if self.recorder is not None:
            self.recorder.add_mark(mark)

    def undo_mark(self) -> None:
        """Take the last mark back; nothing when there is none."""
        if not self._marks:
            return
        mark = self._marks.pop()
        self.judge.unmark(mark)
        if self.recorder is not None:
            self.recorder.undo_mark(mark, _utc_now())

    @property
    def now_s(self) -> float:
        """Time of the last frame judged, from the session's first."""
        return self._last.t_s if self._last is not None else 0.0

    def finish(self, capture: Capture | None = None) -> Path | None:
        """End the work; gives the recording's folder."""
        if capture is not None:
            capture.every = None
        if self.writer is not None:
            self.writer.finish()
        if self.recorder is None:
            self.judge.finish()
            return None
        if self._last is not None:
            try:
                self._add_the_end(self.recorder)
            except Exception:  # whatever is wrong with the end, what was recorded is kept
                log.exception("%s: the end could not be added", self.recorder.part)
        return self.recorder.close()

    def _add_the_end(self, recorder: Recorder) -> None:
        """What can only be said at the end: the open pass, standing warnings, maps, the board's picture."""
        self._clock(self.now_s)
        last_pass = self.judge.finish()
        if last_pass is not None:
            recorder.add_pass(last_pass, self._note())
            self._guide_words(last_pass)
        finish_recording(recorder, self.judge, self.heat)
        self._add_picture(recorder)
        if self._keep is not None and self._keep.teaches:
            teach(self.heat.learner.lessons, self.inputs.job, recorder.key)

    def _make_recorder(self, keep: Keep) -> Recorder:
        bench = self.inputs.nozzle_path.with_suffix(".bench.jpg")
        origin = Origin(self.inputs.job_text, self.inputs.camera_text, self.inputs.nozzle_text, operator=keep.operator,
                        bench_picture=bench if bench.is_file() else None, video_name=VIDEO if keep.video else "")
        recorder = Recorder(keep.folder, origin, live=True, reserve_bytes=keep.reserve_bytes)
        keep_calibration(recorder.part, self.inputs.heat)
        return recorder

    def _begin_video(self, arrival: Arrival, capture: Capture) -> None:
        """The first frame sets time zero for trace and video alike."""
        if self.writer is not None:
            self.writer.line.put(arrival)
            self.writer.start()
            capture.every = self.writer.line

    def _conclude(self, result: FrameResult, arrived_s: float, has_frame: bool) -> Moment:
        """Record, sound and tell one result."""
        alarm = self.annunciator.step(result.t_s, result.started, result.standing)
        height_mm = result.exposure.height_mm if result.exposure.observed else math.nan
        error, guide = self.coach.step(result.exposure.dt_s, height_mm, result.in_pass), None
        if self._leader is not None:
            guide = self._leader.step(result.exposure, result.in_pass, self.judge.technique.pass_time_s(result.t_s),
                                      self._is_led)
            error = self._leader.tone(guide) if self.coach.is_coached else math.nan
        told = self._end_pass(result.pass_ended) if result.pass_ended is not None else None
        if self.recorder is not None:
            self.recorder.add(result, told.note if told else None, has_frame=has_frame)
        starts = tuple(WARNING_PATTERNS[p] for p in alarm.sounds)
        if _is_melt_told(result):
            starts = (MELTED, *starts)
        if result.in_pass and not self._in_pass and self.coach.is_coached:
            starts = (*starts, REFERENCE)
        is_lost = result.state == ToolState.NOT_SEEN or not has_frame
        self._say(Cue(error, starts, is_lost, arrived_s))
        self._in_pass, self._last = result.in_pass, result
        self._t_frame_s = result.t_s if has_frame else self._t_frame_s
        if result.t_s >= self._next_clock_s:
            self._next_clock_s = result.t_s + CLOCK_EVERY_S
            self._clock(result.t_s)
        return Moment(result, alarm, told, self._notices(), guide)

    def _end_pass(self, ended: PassSummary) -> PassTold:
        return PassTold(ended, self._note(), self.coach.end_pass(), self._guide_words(ended))

    def _note(self) -> PassNote:
        """How the pass was coached; one that was led by eye alone had help too."""
        note = self.coach.note()
        return replace(note, coached=True) if self._is_led else note

    @property
    def _is_led(self) -> bool:
        """Whether the hand is shown the guide; in a muted probe, and where coaching fades, it is not."""
        return self._leader is not None and (self.coach.is_coached or self.coach.mode is Mode.MUTED)

    def _guide_words(self, ended: PassSummary) -> str:
        """How a pass was held to the guide; kept in the trace, empty without a guide."""
        if self._leader is None:
            return ""
        words = self._leader.words(ended.t_end_s - ended.t_start_s)
        self._event(ended.t_end_s, "guide", f"pass {ended.number}: {words}; the guide was {self._leader.guide.name}")
        return words

    def _notices(self) -> tuple[str, ...]:
        """What does not work around the work, for the banner; each change is kept in the trace."""
        now = {"trace": self.recorder.trouble if self.recorder else "", "video": self.writer.trouble if self.writer
               else ""}
        for name, text in now.items():
            if text != self._troubles.get(name, ""):
                self._event(self.now_s, f"{name}_trouble", text or f"{name} is written again")
        self._troubles = now
        return tuple(f"{name}: {text}" for name, text in now.items() if text)

    def _note_drops(self, t_s: float, n_dropped: int) -> None:
        new = n_dropped - self._n_dropped_before
        self._n_dropped_before = n_dropped
        if new > 0 and self.recorder is not None:
            self.recorder.add_drop(t_s, new, "the analysis was busy")

    def _event(self, t_s: float, kind: str, detail: str) -> None:
        if self.recorder is not None:
            self.recorder.add_event(t_s, kind, detail)

    def _clock(self, t_s: float) -> None:
        """Tie the session's time to the wall clock, which may jump."""
        self._event(t_s, "clock", f"utc {_utc_now()}, monotonic {time.monotonic():.3f} s")

    def _add_picture(self, recorder: Recorder) -> None:
        """The board's picture for the report, straightened from the views kept."""
        if not self._views or self.inputs.camera is None:
            return
        extent, top_mm = work_grid(self.inputs.job).extent_mm, self.inputs.job.board.top_height_mm
        flat = [straighten(image, self.inputs.camera, bench, Sheet(extent, top_mm), shift)
                for image, bench, shift in self._views]
        done, data = cv2.imencode(".png", board_picture(flat))
        try:
            if done:
                recorder.add_picture(data.tobytes(), extent)
        except OSError as fault:
            log.warning("no picture of the board kept: %s", fault)


def _is_melt_told(result: FrameResult) -> bool:
    """Whether this frame shows the joints molten."""
    return any(lesson.sight.told_by == "camera" and LAW[lesson.sight.kind].is_above for lesson in result.lessons)


def _utc_now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="milliseconds")


def _warm_up(job: Job) -> None:
    """Take the slow first steps of the heat model and the rules before the work, not in it."""
    judge = Judge(job, HeatEstimator(heat_setup(job)))
    aim = np.mean(job.target.outline_mm, axis=0)
    tip = np.array([*aim, job.board.top_height_mm + sum(job.limits.height_mm) / 2])
    for i in range(3):
        t_s = i / 30
        track = NozzleTrack(t_s, TrackStatus.TRACKING, tip, np.zeros(3), np.array([0.0, 0.0, -1.0]), np.eye(6) * 1e-4,
                            t_s)
        judge.step(VisionResult(i, t_s, PoseMiss(t_s, ""), NozzleMiss(t_s, ""), track))


def _nothing_seen(last: VisionResult, t_s: float, why: str) -> VisionResult:
    """A vision result of no picture at all."""
    nan3 = np.full(3, np.nan)
    track = NozzleTrack(t_s, TrackStatus.LOST, nan3, nan3, nan3, np.full((6, 6), np.nan), last.track.t_seen_s, why)
    return VisionResult(last.frame_index, t_s, PoseMiss(t_s, why), NozzleMiss(t_s, why), track, last.board_shift)
