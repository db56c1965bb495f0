"""Recordings made by the tests: a nozzle led along a path over a video whose frames carry their numbers."""

from __future__ import annotations

import numpy as np

from monitor.engine.rerun import finish_recording
from monitor.heat.estimate import HeatEstimator
from monitor.judging.exposure import heat_setup
from monitor.judging.pipeline import Judge
from monitor.recording.reader import Recording, open_recording
from monitor.recording.recorder import Origin, Recorder
from tests.monitor.make import JOB_TEXT, hover, job
from tests.monitor.numbered import write_numbered
from vision.camera.model import CameraModel, save_camera

RATE_HZ = 20.0


def two_passes(t: float):
    """12 mm over U7 from 0.5 to 2 s, away to the right, 9 mm over U7 from 4 to 5.5 s, then up and away."""
    if 0.5 <= t < 2.0:
        return 0.0, 0.0, 12.0
    if 4.0 <= t < 5.5:
        return 1.0, 0.0, 9.0
    return (40.0, 0.0, 12.0) if t < 4.0 else (0.0, 0.0, 45.0)


def make_recording(folder, path=two_passes, duration_s: float = 6.5, *, heat: bool = False, video: bool = False,
                   operator: str = "", rate_hz: float = RATE_HZ) -> Recording:
    """A recording of a nozzle that points straight down and follows a path t -> (x, y, height) [mm] or None."""
    origin = Origin(JOB_TEXT, "# camera\n", "# nozzle\n", operator=operator)
    if video:
        times = np.arange(int(duration_s * rate_hz)) / rate_hz
        clip = write_numbered(folder.with_name(folder.name + "_clip.mkv"), times, "libx264", (640, 480), {"g": "30"})
        origin = Origin(JOB_TEXT, _camera_text(folder), "# nozzle\n", clip, copy_video=True, operator=operator)
    model = HeatEstimator(heat_setup(job()))
    judge = Judge(job(), model if heat else None)
    with Recorder(folder, origin) as recorder:
        for result in hover(judge, (duration_s, path), rate_hz=rate_hz):
            recorder.add(result)
        finish_recording(recorder, judge, model)
    return open_recording(folder)


def _camera_text(folder) -> str:
    matrix = np.array([[500.0, 0, 319.5], [0, 500.0, 239.5], [0, 0, 1]])
    path = folder.with_name(folder.name + "_camera.toml")
    save_camera(path, CameraModel(matrix, np.zeros(5), (640, 480), 0.1, 0.5, np.eye(8) * 1e-6))
    return path.read_text(encoding="utf-8")
