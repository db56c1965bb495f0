"""The frames that show whether a teacher's thresholds were met: round the work, with the measurement drawn in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from monitor.errors import MonitorError
from monitor.job import Job
from monitor.judging.exposure import onto_now
from monitor.recording.reader import CAMERA, Recording
from monitor.review.matching import lateness_s, row_at
from monitor.review.overlay import FrameMarks, draw_frame, marks_of
from monitor.review.playback import Playback
from monitor.review.rubric import Mark, Met
from vision.camera.model import CameraModel, load_camera
from vision.errors import VisionError

__all__ = ["MOST", "RubricPicture", "rubric_pictures"]

MOST = 8  # in one report; what was not met comes first
NEAR_MM, ASPECT, WIDE_PX, LARGEST = 30.0, 4 / 3, 640, 3.0
_FIRST = {Met.NO: 0, Met.OPEN: 1, Met.YES: 2}


@dataclass(frozen=True)
class RubricPicture:
    """One frame.

    Attributes
    ----------
    number, frame, t_s : int, int, float
        Of the pass; of the frame.
    words : str
        What it shows.
    jpeg : bytes
    """

    number: int
    frame: int
    t_s: float
    words: str
    jpeg: bytes


def rubric_pictures(recording: Recording, job: Job, marks: Sequence[Mark]) -> tuple[list[RubricPicture], str]:
    """The frames that the marks point at, and why there are none or not all.

    Parameters
    ----------
    recording : Recording
    job : Job
    marks : sequence of Mark
        As `rubric.marks_of` gives them.
    """
    by_frame: dict[tuple[int, int, float], list[Mark]] = {}
    for m in sorted((m for m in marks if m.frame is not None), key=lambda m: _FIRST[m.met]):
        by_frame.setdefault((m.number, int(m.frame or 0), float(m.t_s or 0.0)), []).append(m)
    if not by_frame:
        return [], ""
    if recording.video is None:
        return [], "The video is not here (it was linked, not copied, and has moved), so its frames cannot be shown."
    chosen = dict(list(by_frame.items())[:MOST])
    try:
        found = _taken(recording, job, chosen)
    except (VisionError, MonitorError, OSError) as fault:
        return [], f"The frames cannot be shown: {fault}"
    left = len(by_frame) - len(chosen)
    return sorted(found, key=lambda p: (p.number, p.t_s)), f"{left} more frames are not shown." if left else ""


def _taken(recording: Recording, job: Job, chosen: dict[tuple[int, int, float], list[Mark]]) -> list[RubricPicture]:
    camera, found = load_camera(recording.folder / CAMERA), []
    trace_s = recording.frames["t_s"]
    with Playback(recording.video or "") as playback:
        times_s = playback.times_s + lateness_s(playback, trace_s)
        for (number, frame, t_s), some in chosen.items():
            index = playback.index_at(t_s - times_s[0])
            row = row_at(trace_s, times_s, index)
            if row is None:
                continue
            marks = marks_of(recording, row)
            image = np.ascontiguousarray(playback.frame(index).image)
            draw_frame(image, camera, job, FrameMarks(**{**vars(marks), "texts": []}))
            done, data = cv2.imencode(".jpg", _near(image, camera, job, marks), [cv2.IMWRITE_JPEG_QUALITY, 85])
            words = "; ".join(f"{m.name}: {m.met.value} ({m.words})" for m in some)
            if done:
                found.append(RubricPicture(number, frame, t_s, words, data.tobytes()))
    return found


def _near(image: np.ndarray, camera: CameraModel, job: Job, marks: FrameMarks) -> np.ndarray:
    """The part of a picture round target and nozzle; all of it where its place is not known."""
    height, width = image.shape[:2]
    if marks.cam_from_bench is None:
        return cv2.resize(image, (WIDE_PX, round(WIDE_PX * height / width)), interpolation=cv2.INTER_AREA)
    flat, top = onto_now(np.array(job.target.outline_mm), marks.board_shift), job.board.top_height_mm
    low, high = flat.min(0) - NEAR_MM, flat.max(0) + NEAR_MM
    corners = [[x, y, top] for x in (low[0], high[0]) for y in (low[1], high[1])]
    points = np.array([*corners, *([marks.tip_mm] if np.isfinite(marks.tip_mm).all() else [])])
    px = camera.project(points @ marks.cam_from_bench[:3, :3].T + marks.cam_from_bench[:3, 3])
    px = px[np.isfinite(px).all(1)]
    if not len(px):
        return image
    span, middle = np.ptp(px, axis=0), (px.min(0) + px.max(0)) / 2
    wide = min(max(span[0], span[1] * ASPECT), width, height * ASPECT)
    left, upper = np.clip(middle - [wide / 2, wide / ASPECT / 2], 0, [width - wide, height - wide / ASPECT]).astype(int)
    part = image[upper:upper + int(wide / ASPECT), left:left + int(wide)]
    scale = min(WIDE_PX / part.shape[1], LARGEST)
    size = (round(part.shape[1] * scale), round(part.shape[0] * scale))
    return cv2.resize(part, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
