"""Takes a recorded clip through the pipeline into a recording on disk."""

from __future__ import annotations

import itertools
import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np

from monitor.engine.rerun import finish_recording, keep_calibration
from monitor.engine.straighten import Sheet, board_picture, straighten
from monitor.errors import InputError
from monitor.files import read_text
from monitor.heat.calibration import Calibration
from monitor.heat.estimate import HeatEstimator
from monitor.job import Job, parse_job
from monitor.judging.exposure import heat_setup
from monitor.judging.pipeline import FrameResult, Pipeline
from monitor.judging.technique import work_grid
from monitor.judging.tracking import make_part_follower, make_tracker
from monitor.recording.attribution import Attribution, attributed
from monitor.recording.reader import Recording, open_recording
from monitor.recording.recorder import Origin, PassNote, Recorder
from vision.bench.follower import bench_pose
from vision.bench.mat import standard_mat
from vision.camera.model import CameraModel, load_camera
from vision.camera.sources import brightness, open_video
from vision.track.estimate import smoothed
from vision.track.kalman import ToolState
from vision.types import BenchPose, Frame

__all__ = ["Filming", "Inputs", "read_inputs", "analyse"]

N_VIEWS = 15
LOOK_FOR_S, LEAST_LOOKS = 4.0, 12  # how long, and at how many pictures at least, the mat is looked for
FIRST_FRAMES = 60  # whose times are looked at before the mat is said to be missing
MAX_GAP_S = 0.3  # a longer gap is a gap in knowledge: the track begins anew
Progress = Callable[[float, float], None]
Turn = tuple[float, float | None, float | None]


@dataclass(frozen=True)
class Inputs:
    """The files that an analysis rests on, read and checked, with their exact text; and the calibration of the heat, if
    there is one."""

    clip: Path
    job: Job
    job_text: str
    camera: CameraModel
    camera_text: str
    nozzle_path: Path
    nozzle_text: str
    job_path: Path | None = None
    heat: Calibration | None = None


@dataclass(frozen=True)
class Filming:
    """How a clip was filmed.

    Attributes
    ----------
    by : Attribution or None
        Who, when and as what; None: when the file says.
    turns : sequence of (time [s], setpoint [C], airflow [L/min])
        When a knob of the station was turned, and to what; None where the knob stayed.
    meta : mapping of str to str
        Kept with the recording beside what it says of itself.
    """

    by: Attribution | None = None
    turns: Sequence[Turn] = ()
    meta: Mapping[str, str] = field(default_factory=dict)


def read_inputs(clip: str | Path, job: str | Path, camera: str | Path, nozzle: str | Path) -> Inputs:
    """Read all inputs before anything is written.

    Raises
    ------
    InputError, VisionError
        One line, naming the file and the key.
    """
    texts = [_text(Path(path), what) for path, what in ((job, "job"), (camera, "camera calibration"),
                                                        (nozzle, "nozzle calibration"))]
    return Inputs(Path(clip), parse_job(texts[0], str(job)), texts[0], load_camera(camera), texts[1], Path(nozzle),
                  texts[2], Path(job))


def analyse(inputs: Inputs, out: str | Path, filming: Filming = Filming(), *, force: bool = False,
            copy_video: bool = False, progress: Progress = lambda done_s, whole_s: None) -> Recording:
    """Measure and judge every frame of a clip; the recording appears under its name when it is whole.

    Raises
    ------
    InputError, VisionError
        When an input cannot be used, the mat is never in view, or the nozzle is never seen.
    EnvironmentFault, OSError
        When the disk refuses.
    """
    job, by = inputs.job, filming.by or attributed(inputs.clip)
    with open_video(inputs.clip) as video:
        inputs.camera.check_picture(*video.size_px, str(inputs.clip))
        _need_mat(inputs)
        heat = HeatEstimator(heat_setup(job), inputs.heat)
        tracker = make_tracker(inputs.camera, inputs.nozzle_path, job)
        pipeline = Pipeline(job, tracker, heat, make_part_follower(inputs.camera, job))
        origin = replace(_origin(inputs), copy_video=copy_video, by=by, meta=filming.meta)
        with Recorder(out, origin, force=force) as recorder:
            keep_calibration(recorder.part, inputs.heat)
            track, views, counts = _Track(), _Views(inputs.camera, job, video.duration_s), _Counts()
            note, due = _note(by), sorted(filming.turns, key=lambda turn: turn[0])
            for frame in video:
                while due and due[0][0] <= frame.t_s:
                    recorder.add_station(*due[0])
                    pipeline.judge.set_station(*due.pop(0)[1:])
                result = pipeline.step(frame)
                recorder.add(result, note)
                track.take(frame.index, tracker.state)
                views.offer(frame, result)
                counts.take(result)
                progress(frame.t_s, video.duration_s)
            counts.check(inputs.clip)
            finish_recording(recorder, pipeline.judge, heat, note)
            track.store(recorder)
            _add_views(recorder, views)
            for sentence in video.report.sentences():
                recorder.add_event(0.0, "video", sentence)
    return open_recording(out)


def _origin(inputs: Inputs) -> Origin:
    bench = inputs.nozzle_path.with_suffix(".bench.jpg")
    return Origin(inputs.job_text, inputs.camera_text, inputs.nozzle_text, inputs.clip,
                  bench_picture=bench if bench.is_file() else None)


def _need_mat(inputs: Inputs) -> None:
    """Look for the mat here and there in the clip, ever closer; without it nothing can be measured, and that is told
    in seconds."""
    n_looks, until_s = 0, time.monotonic() + LOOK_FOR_S
    with open_video(inputs.clip) as video:
        whole_s = video.duration_s if math.isfinite(video.duration_s) else 0.0
        for share in _ever_closer():
            grey = brightness(video.frame_at(share * whole_s))
            if isinstance(bench_pose(inputs.camera, standard_mat(), grey), BenchPose):
                return
            n_looks += 1
            if (n_looks >= LEAST_LOOKS and time.monotonic() > until_s) or (whole_s == 0.0 and n_looks > 1):
                break
    if whole_s > 0.0:
        with open_video(inputs.clip) as video:  # a file whose times are wrong is told as that
            for _ in itertools.islice(video, FIRST_FRAMES):
                pass
        raise InputError(f"{inputs.clip}: the bench mat is in view in none of {n_looks} pictures spread over the clip; "
                         "print it with `plumeline calibrate paper`, lay it under the board and keep its markers in "
                         "view")


def _ever_closer() -> Iterator[float]:
    """0, 1/2, 1/4, 3/4, 1/8 and so on."""
    yield 0.0
    for level in itertools.count(1):
        yield from ((2 * k + 1) / 2**level for k in range(2 ** (level - 1)))


def _note(by: Attribution) -> PassNote | None:
    """A clip filmed as practice or as a probe had no coaching by this program."""
    return PassNote("", 0.0, 0.0, False, by.kind == "probe") if by.kind in ("practice", "probe") else None


class _Track:
    """The unbroken stretches of the track, for the two-sided estimate."""

    def __init__(self) -> None:
        self._stretches: list[list[tuple[int, ToolState]]] = [[]]

    def take(self, frame: int, state: ToolState | None) -> None:
        """One frame's filter state, None where the tool was not measured."""
        last = self._stretches[-1]
        if state is not None and last and (state.t_s - last[-1][1].t_s > MAX_GAP_S or state.track != last[-1][1].track):
            self._stretches.append([])
        if state is not None:
            self._stretches[-1].append((frame, state))

    def store(self, recorder: Recorder) -> None:
        """Write the estimates beside the live ones."""
        for stretch in self._stretches:
            for (frame, _), estimate in zip(stretch, smoothed([state for _, state in stretch]), strict=True):
                recorder.add_smoothed(frame, *estimate)


class _Counts:
    """Whether there was anything to measure."""

    def __init__(self) -> None:
        self.n_frames = self.n_mat = self.n_seen = 0
        self.reasons: dict[str, int] = {}

    def take(self, result: FrameResult) -> None:
        self.n_frames += 1
        self.n_mat += isinstance(result.vision.bench, BenchPose)
        self.n_seen += result.exposure.observed
        if not result.exposure.observed:
            reason = result.exposure.reason
            self.reasons[reason] = self.reasons.get(reason, 0) + 1

    def check(self, clip: Path) -> None:
        if self.n_mat == 0:
            raise InputError(f"{clip}: the bench mat is in view in none of the {self.n_frames} frames; print it with "
                             "`plumeline calibrate paper`, lay it under the board and keep its markers in view")
        if self.n_seen == 0:
            often = max(self.reasons, key=self.reasons.__getitem__)
            raise InputError(f"{clip}: the nozzle was never measured in {self.n_frames} frames (mostly: {often}); "
                             "check that the job's [nozzle] is the one in the picture, and that its calibration is "
                             "this one's")


class _Views:
    """Straightened pictures of the board, spread over the recording."""

    def __init__(self, camera: CameraModel, job: Job, duration_s: float) -> None:
        self._camera, self._top_mm = camera, job.board.top_height_mm
        self.extent_mm = work_grid(job).extent_mm
        self._every_s = duration_s / N_VIEWS if math.isfinite(duration_s) and duration_s > 0 else 1.0
        self._next_s = 0.0
        self.pictures: list[np.ndarray] = []

    def offer(self, frame: Frame, result: FrameResult) -> None:
        bench = result.vision.bench
        if frame.t_s < self._next_s or not isinstance(bench, BenchPose) or len(self.pictures) >= 2 * N_VIEWS:
            return
        self._next_s = frame.t_s + self._every_s
        sheet = Sheet(self.extent_mm, self._top_mm)
        self.pictures.append(straighten(frame.image, self._camera, bench, sheet, result.vision.board_shift))


def _add_views(recorder: Recorder, views: _Views) -> None:
    """Store the board's straightened picture, where the mat was seen."""
    if views.pictures:
        done, data = cv2.imencode(".png", board_picture(views.pictures))
        if done:
            recorder.add_picture(data.tobytes(), views.extent_mm)


def _text(path: Path, what: str) -> str:
    return read_text(path, f"{what} (TOML)", InputError)
