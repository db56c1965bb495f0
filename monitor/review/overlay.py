"""Draws what was measured over the original video: nozzle, aim, regions and state, with the true time stamps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np

from monitor.errors import InputError
from monitor.files import replace_file
from monitor.job import Job, parse_job
from monitor.judging.exposure import onto_now
from monitor.judging.guide_pass import GuidePoint
from monitor.recording.outputs import check_output, sources_of
from monitor.recording.reader import CAMERA, JOB, Recording
from monitor.review.laid_over import LaidOver, distance_words
from monitor.review.verdict import WARNING_WORDS
from vision.camera.model import CameraModel, load_camera
from vision.camera.sources import open_video
from vision.types import FloatArray

__all__ = ["write_overlay", "draw_frame", "FrameMarks", "marks_of"]

TICKS_PER_S = 90_000
WHITE, INK = (255, 255, 255), (40, 30, 20)
TARGET, NEIGHBOUR, NOZZLE, AIM, ALERT = (95, 200, 40), (255, 110, 190), (255, 190, 40), (40, 220, 255), (60, 60, 235)
GUIDE = (242, 157, 255)
MOST_TEXTS = 4


@dataclass(frozen=True)
class FrameMarks:
    """What is drawn into one frame; everything in the bench frame [mm], nan where not known.

    Attributes
    ----------
    cam_from_bench : array, shape (4, 4), or None
    tip_mm, axis : array, shape (3,)
    aim_mm : array, shape (2,)
    board_shift : array, shape (3,)
    seen : bool
    texts : list of str
        State and warnings; those that start with "!" are warnings.
    guide : GuidePoint or None
        Of a pass that is laid over this one, on the board as it lay at the start.
    """

    cam_from_bench: FloatArray | None
    tip_mm: FloatArray
    axis: FloatArray
    aim_mm: FloatArray
    board_shift: FloatArray
    seen: bool
    texts: list[str]
    guide: GuidePoint | None = None


def write_overlay(recording: Recording, path: Path,
                  progress: Callable[[float, float], None] = lambda a, b: None) -> Path:
    """Write the overlay video (H.264); it appears whole or not at all.

    Raises
    ------
    InputError
        When the recording's video is gone.
    """
    if recording.video is None:
        raise InputError(f"{recording.folder}: its video is gone (it was linked, not copied); put the clip back where "
                         "it was, or analyse it again with --copy-video")
    job = parse_job(recording.job_text, str(recording.folder / JOB))
    camera = load_camera(recording.folder / CAMERA)
    check_output(path, sources_of(recording))
    rows = {int(frame): i for i, frame in enumerate(recording.frames["frame"])}
    with replace_file(path) as part, open_video(recording.video) as video, av.open(str(part.absolute()), "w") as out:
        stream = out.add_stream("libx264", rate=Fraction(30), options={"crf": "21", "preset": "veryfast"})
        stream.width, stream.height = video.size_px[0] // 2 * 2, video.size_px[1] // 2 * 2
        stream.pix_fmt, stream.time_base = "yuv420p", Fraction(1, TICKS_PER_S)
        stream.codec_context.time_base = stream.time_base
        for frame in video:
            image = frame.image.copy()
            if frame.index in rows:
                draw_frame(image, camera, job, marks_of(recording, rows[frame.index]))
            picture = av.VideoFrame.from_ndarray(np.ascontiguousarray(image[:stream.height, :stream.width]),
                                                 "bgr24")
            picture.pts, picture.time_base = round(frame.t_s * TICKS_PER_S), stream.time_base
            out.mux(stream.encode(picture))
            progress(frame.t_s, video.duration_s)
        out.mux(stream.encode(None))
    return path


def marks_of(recording: Recording, i: int, laid: LaidOver | None = None) -> FrameMarks:
    """What the trace says about its i-th frame, and a pass that is laid over it."""
    f = recording.frames
    pose = None
    if np.isfinite(f["bench_tz_mm"][i]):
        pose = np.eye(4)
        pose[:3, :3] = cv2.Rodrigues(np.array([f[f"bench_r{a}_rad"][i] for a in "xyz"]))[0]
        pose[:3, 3] = [f[f"bench_t{a}_mm"][i] for a in "xyz"]
    t, seen = f["t_s"][i], f["seen"][i] > 0
    state = f"{t:6.2f} s   {f['state'][i]}"
    if np.isfinite(f["height_mm"][i]) and seen:
        state += f"   {f['height_mm'][i]:.1f} mm (+-{1.645 * f['height_sigma_mm'][i]:.1f})"
        state += f"   tilt {np.degrees(f['tilt_rad'][i]):.0f} deg"
    texts = [state]
    texts += [f"! {WARNING_WORDS.get(w['kind'], w['kind'])}: {w['action']}" for w in recording.warnings
              if w["t_start_s"] <= t and (w["t_end_s"] is None or t < w["t_end_s"])]
    if laid is not None and (words := distance_words(laid.gap(recording, i), laid.name)):
        texts.insert(1, words)
    return FrameMarks(pose, np.array([f[f"tip_{a}_mm"][i] for a in "xyz"]),
                      np.array([f[f"axis_{a}"][i] for a in "xyz"]), np.array([f["aim_x_mm"][i], f["aim_y_mm"][i]]),
                      np.array([f["board_dx_mm"][i], f["board_dy_mm"][i], f["board_turn_rad"][i]]), bool(seen), texts,
                      None if laid is None else laid.point(float(t)))


def draw_frame(image: np.ndarray, camera: CameraModel, job: Job, marks: FrameMarks) -> None:
    """Draw marks into a BGR picture, in place."""
    if marks.cam_from_bench is not None:
        _draw_regions(image, camera, job, marks, marks.cam_from_bench)
        if marks.guide is not None:
            _draw_guide(image, camera, job, marks, marks.guide, marks.cam_from_bench)
        if marks.seen and np.isfinite(marks.tip_mm).all():
            _draw_nozzle(image, camera, job, marks, marks.cam_from_bench)
    _draw_texts(image, marks.texts)


def _draw_regions(image: np.ndarray, camera: CameraModel, job: Job, marks: FrameMarks, pose: FloatArray) -> None:
    regions = [(job.target.outline_mm, TARGET, job.target.name)]
    regions += [(r.outline_mm, NEIGHBOUR, n) for n, r in zip(job.neighbour_names, job.neighbour, strict=True)]
    for outline, colour, name in regions:
        flat = onto_now(np.array(outline), marks.board_shift)
        px = _project(camera, pose, np.column_stack([flat, np.full(len(flat), job.board.top_height_mm)]))
        _line(image, np.vstack([px, px[:1]]), colour)
        if np.isfinite(px).all():
            _text(image, name, (int(px[:, 0].min()), int(px[:, 1].min()) - 6), 0.45, colour)


def _draw_nozzle(image: np.ndarray, camera: CameraModel, job: Job, marks: FrameMarks, pose: FloatArray) -> None:
    """Outlet rim, the straight tube's two sides and axis, the jet's line to the aim point."""
    tip, axis = marks.tip_mm, marks.axis / np.linalg.norm(marks.axis)
    side = np.cross(axis, [1.0, 0.0, 0.0] if abs(axis[0]) < 0.8 else [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side)
    up = np.cross(axis, side)
    turn = np.linspace(0, 2 * np.pi, 37)[:, None]
    ring = np.cos(turn) * side + np.sin(turn) * up
    radius, length = job.nozzle.outer_diameter_mm / 2, job.nozzle.tube_length_mm
    _line(image, _project(camera, pose, tip + radius * ring), NOZZLE)
    _line(image, _project(camera, pose, tip - length * axis + radius * ring), NOZZLE, 1)
    view = pose[:3, :3].T @ -pose[:3, 3] - tip
    across = np.cross(axis, view)
    width = np.linalg.norm(across)
    across *= radius / width if width > 0 else np.nan  # seen along its axis it has no sides
    for sign in (-1, 1):
        _line(image, _project(camera, pose, np.array([tip + sign * across, tip + sign * across - length * axis])),
              NOZZLE)
    _line(image, _project(camera, pose, np.array([tip, tip - length * axis])), NOZZLE, 1)
    if np.isfinite(marks.aim_mm).all():
        aim = np.array([*marks.aim_mm, job.board.top_height_mm])
        px = _project(camera, pose, np.array([tip, aim]))
        _line(image, px, AIM, 1)
        if np.isfinite(px[1]).all() and (np.abs(px[1]) < 1e5).all():
            centre = tuple(round(v) for v in px[1])
            cv2.drawMarker(image, centre, INK, cv2.MARKER_CROSS, 22, 4, cv2.LINE_AA)
            cv2.drawMarker(image, centre, AIM, cv2.MARKER_CROSS, 20, 2, cv2.LINE_AA)


def _draw_guide(image: np.ndarray, camera: CameraModel, job: Job, marks: FrameMarks, point: GuidePoint,
                pose: FloatArray) -> None:
    """The other pass's outlet, its jet, and where that met the board: rings and a line, dotted."""
    top, tip = job.board.top_height_mm, point.tip_mm
    outlet_at, aim = onto_now(np.array([tip[:2], point.aim_mm]), marks.board_shift)
    turn = np.linspace(0, 2 * np.pi, 37)
    circle = np.stack([np.cos(turn), np.sin(turn)], -1)
    for centre, radius, z in ((outlet_at, job.nozzle.outer_diameter_mm / 2, top + tip[2]),
                              (aim, job.nozzle.bore_diameter_mm / 2, top)):
        px = _project(camera, pose, np.column_stack([centre + radius * circle, np.full(len(turn), z)]))
        for i in range(0, len(turn) - 1, 2):
            _line(image, px[i:i + 2], GUIDE)
    share = np.linspace(0, 1, 16)[:, None]
    px = _project(camera, pose, (1 - share) * [*outlet_at, top + tip[2]] + share * [*aim, top])
    for i in range(0, len(px) - 1, 2):
        _line(image, px[i:i + 2], GUIDE)


def _draw_texts(image: np.ndarray, texts: list[str]) -> None:
    """State on a dark strip at the top, warnings in boxes under it."""
    scale = image.shape[0] / 1080 * 1.1
    step = int(44 * scale) + 4
    for i, text in enumerate(texts[:MOST_TEXTS]):
        is_warning = text.startswith("!")
        (width, _), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, 2)
        cv2.rectangle(image, (8, 8 + i * step), (28 + width, 4 + (i + 1) * step), ALERT if is_warning else INK, -1)
        cv2.putText(image, text, (18, int((i + 0.72) * step) + 6), cv2.FONT_HERSHEY_SIMPLEX, scale, WHITE, 2,
                    cv2.LINE_AA)


def _text(image: np.ndarray, text: str, where: tuple[int, int], scale: float, colour: tuple[int, int, int]) -> None:
    cv2.putText(image, text, where, cv2.FONT_HERSHEY_SIMPLEX, scale, INK, 3, cv2.LINE_AA)
    cv2.putText(image, text, where, cv2.FONT_HERSHEY_SIMPLEX, scale, colour, 1, cv2.LINE_AA)


def _line(image: np.ndarray, px: FloatArray, colour: tuple[int, int, int], width: int = 2) -> None:
    if not np.isfinite(px).all() or (np.abs(px) > 1e5).any():
        return
    points = np.round(px * 16).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(image, [points], False, INK, width + 2, cv2.LINE_AA, shift=4)
    cv2.polylines(image, [points], False, colour, width, cv2.LINE_AA, shift=4)


def _project(camera: CameraModel, pose: FloatArray, bench_mm: FloatArray) -> FloatArray:
    return camera.project(np.atleast_2d(bench_mm) @ pose[:3, :3].T + pose[:3, 3])
