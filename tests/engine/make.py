"""Stand-ins for the live engine's tests: a tracker that knows the truth, drawn cameras, a source with faults."""

from __future__ import annotations

import csv
import threading
import time
from pathlib import Path

import numpy as np

from monitor.engine.analyse import read_inputs
from monitor.engine.source import Arrival, PlayedVideo, SourceLost
from vision.bench.follower import bench_pose
from vision.bench.mat import standard_mat
from vision.camera.sources import brightness
from vision.types import BenchPose, Frame, NozzleMiss, NozzleTrack, TrackStatus, VisionResult

SAMPLE = Path(__file__).resolve().parents[1] / "data" / "sweep"
NAN3 = np.full(3, np.nan)


def sample_inputs():
    """Job and calibrations of a rendered recording: one sweep over U7."""
    return read_inputs(SAMPLE / "clip.mp4", SAMPLE / "job.toml", SAMPLE / "camera.toml", SAMPLE / "nozzle.toml")


class TruthTracker:
    """Gives the sample's true pose for each frame's time, at no cost; the mat is found once."""

    def __init__(self, camera, path: Path = SAMPLE / "truth.csv", sigma_mm: float = 0.5) -> None:
        with path.open() as handle:
            rows = list(csv.DictReader(handle))
        self._t_s = np.array([float(r["t_s"]) for r in rows])
        self._tips = np.array([[float(r[f"tip_{a}_mm"]) for a in "xyz"] for r in rows])
        self._axes = np.array([[float(r[f"axis_{a}"]) for a in "xyz"] for r in rows])
        self._seen = np.array([r["in_view"] == "1" and r["hidden"] == "0" for r in rows])
        self._period_s = self._t_s[-1] + self._t_s[1]
        self._camera, self._bench, self._cov = camera, None, np.diag([sigma_mm**2] * 3 + [1e-4] * 3)
        self._t_seen_s = np.nan

    def step(self, frame: Frame) -> VisionResult:
        t_s = frame.t_s
        if self._bench is None and self._camera is not None:
            self._bench = bench_pose(self._camera, standard_mat(), brightness(frame))
        bench = self._bench if self._bench is not None else BenchPose(t_s, _above(), np.eye(6) * 1e-6, 14, 0.2)
        i = int(np.argmin(abs(self._t_s - t_s % self._period_s)))
        if not self._seen[i]:
            track = NozzleTrack(t_s, TrackStatus.LOST, NAN3, NAN3, NAN3, np.full((6, 6), np.nan), self._t_seen_s,
                                "hidden")
        else:
            self._t_seen_s = t_s
            track = NozzleTrack(t_s, TrackStatus.TRACKING, self._tips[i], np.zeros(3), self._axes[i], self._cov, t_s)
        return VisionResult(frame.index, t_s, bench, NozzleMiss(t_s, ""), track)


class PathTracker:
    """A tool that follows a path t -> (x, y, height over the board) or None, seen or not."""

    def __init__(self, where, board_top_mm: float = 6.0, sigma_mm: float = 0.5, events=()) -> None:
        self._where, self._top, self._events = where, board_top_mm, list(events)
        self._cov, self._t_seen_s = np.diag([sigma_mm**2] * 3 + [1e-4] * 3), np.nan

    def step(self, frame: Frame) -> VisionResult:
        t_s, place = frame.t_s, self._where(frame.t_s)
        bench = BenchPose(t_s, _above(), np.eye(6) * 1e-6, 14, 0.2)
        due = tuple(e for e in self._events if e.t_s <= t_s)
        self._events = [e for e in self._events if e.t_s > t_s]
        if place is None:
            track = NozzleTrack(t_s, TrackStatus.LOST, NAN3, NAN3, NAN3, np.full((6, 6), np.nan), self._t_seen_s,
                                "hidden")
        else:
            self._t_seen_s = t_s
            tip = np.array([place[0], place[1], place[2] + self._top])
            track = NozzleTrack(t_s, TrackStatus.TRACKING, tip, np.zeros(3), np.array([0.0, 0.0, -1.0]), self._cov, t_s)
        return VisionResult(frame.index, t_s, bench, NozzleMiss(t_s, ""), track, np.zeros(3), due)


def _above():
    pose = np.diag([1.0, -1.0, -1.0, 1.0])
    pose[2, 3] = 400.0
    return pose


def picture(kind: str, i: int, size=(320, 240)) -> np.ndarray:
    """A drawn frame: "dark" is still but for a trace of sensor noise, "busy" is all new."""
    rng = np.random.default_rng(i)
    w, h = size
    if kind == "busy":
        return np.kron(rng.integers(0, 255, (h // 8, w // 8, 3), dtype=np.uint8), np.ones((8, 8, 1), np.uint8))
    image = np.full((h, w, 3), 12, np.uint8)
    image[::16, ::16] += rng.integers(0, 3, image[::16, ::16].shape, dtype=np.uint8)
    return image


class DrawnCamera:
    """A camera of drawn frames in real time, with faults at given frames.

    faults: frame number -> ("lost" | "block" | "repeat" | "stall" | "skip", seconds).
    """

    name = "drawn camera"

    def __init__(self, rate_hz: float = 30.0, n: int | None = None, kind: str = "dark", faults=None,
                 size=(320, 240)) -> None:
        self._rate_hz, self._n, self._kind, self._size = rate_hz, n, kind, size
        self._faults = dict(faults or {})
        self._stop = threading.Event()
        self._start_s = None
        self.i, self.n_read = 0, 0
        self._gone_until_s = -np.inf

    def open(self) -> None:
        if time.monotonic() < self._gone_until_s:
            raise SourceLost("drawn camera: not connected")

    def read(self):
        if self._stop.is_set() or (self._n is not None and self.i >= self._n):
            return None
        self._start_s = self._start_s or time.monotonic()
        kind, span_s = self._faults.pop(self.i, ("", 0.0))
        if kind == "lost":
            self._skip(span_s)
            self._gone_until_s = time.monotonic() + span_s
            raise SourceLost("drawn camera: unplugged")
        if kind in ("block", "stall"):
            self._stop.wait(span_s)
            if kind == "block":
                self._skip(0.0)
        if kind == "skip":
            self._skip(span_s)
        if kind == "repeat":
            self._repeat_until_s = time.monotonic() + span_s
            self._repeated = picture(self._kind, self.i, self._size)
        due_s = self._start_s + self.i / self._rate_hz
        self._stop.wait(max(0.0, due_s - time.monotonic()))
        image = picture(self._kind, self.i, self._size)
        if time.monotonic() < getattr(self, "_repeat_until_s", -np.inf):
            image = self._repeated
        frame = Frame(self.i, self.i / self._rate_hz, image, self.name)
        self.i += 1
        self.n_read += 1
        return Arrival(frame, time.monotonic())

    def close(self) -> None:
        self._stop.set()

    def _skip(self, span_s: float) -> None:
        """Count on as if frames had been taken meanwhile."""
        self.i = max(self.i, int((time.monotonic() - self._start_s + span_s) * self._rate_hz) + 1)


class Lockstep:
    """A played video that waits for the analysis, so that nothing is dropped whatever the machine."""

    def __init__(self, path) -> None:
        self._video = PlayedVideo(path, clock=lambda: 0.0, wait=lambda s: None)
        self.name, self.engine, self._stop = self._video.name, None, threading.Event()
        self._n = 0

    def open(self) -> None:
        self._video.open()

    def read(self):
        while self.engine.n_taken < self._n and not self._stop.wait(0.001):
            pass
        arrival = self._video.read()
        self._n += 1
        return None if arrival is None else Arrival(arrival.frame, time.monotonic())

    def close(self) -> None:
        self._stop.set()
        self._video.close()

    def release(self) -> None:
        self._video.release()


def run_lockstep(inputs, clip, tracker, folder, **options) -> Path:
    """A clip through the live engine, every frame of it; gives the recording's folder."""
    from monitor.engine.engine import Engine, Listeners
    from monitor.engine.feedback import Coach
    from monitor.engine.session import Keep, Session

    source, over, ended = Lockstep(clip), threading.Event(), []
    engine = Engine(source, listeners=Listeners(ended=ended.append, source_end=over.set), watch_frozen=False,
                    stall_s=1e9)
    source.engine = engine
    engine.begin_session(lambda: Session(inputs, tracker, Coach(inputs.job.limits), Keep(folder, video=False),
                                         **options))
    engine.start()
    over.wait()
    engine.stop()
    return ended[0].folder
