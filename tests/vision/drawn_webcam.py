"""Drawn recordings of a hand that moves a tool over the mat, as webcams take them: rows read one after the other, light
that flickers with the mains, an exposure that steps, a focus that breathes; the truth is known for the time at which
the middle row is seen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from tests.vision.drawn import CAMERA, looking_down, mat_light, sheet
from tests.vision.drawn_tool import INSIDE, TOOL, as_camera, painted, spans
from vision.camera.model import CameraModel
from vision.edges.likelihood import noise_sigma
from vision.edges.profiles import BLUR_PX
from vision.nozzle.body import ToolPose
from vision.nozzle.silhouette import tool_hull
from vision.types import FloatArray, Frame

__all__ = ["CAM_FROM_BENCH", "FRAME_S", "TOOL_TINT", "Webcam", "bench_light", "frame", "frames", "tool_in_bench",
           "waved"]

CAM_FROM_BENCH = looking_down(y_mm=-190.0, z_mm=330.0)
FRAME_S = 1 / 30
TOOL_TINT = np.array([0.8, 1.0, 1.1])  # of the metal, blue, green, red
_NOISE = 0.7  # share of a webcam's noise
_FINE = 4  # rows drawn of each row of the picture
_BAND = 4  # rows of the picture that are drawn as if seen at one time
_FURTHEST_PX = 40  # that the tool moves while a picture is taken
_SHUTTERS = 3  # moments of which an open shutter's picture is the mean


@dataclass(frozen=True)
class Webcam:
    """What a webcam does to its picture.

    Attributes
    ----------
    readout_s : float
        From the first row's exposure to the last row's.
    open_s : float
        For which each row is exposed.
    flicker_hz, flicker : float
        Of the light, and its depth: its greatest over its mean, less 1.
    steps : tuple of float
        Exposures, in turn, each for a third of a second.
    breathing : float
        Share by which the focal length goes up and down, in 2.5 s.
    """

    readout_s: float = 0.0
    open_s: float = 0.008
    flicker_hz: float = 0.0
    flicker: float = 0.0
    steps: tuple[float, ...] = (1.0,)
    breathing: float = 0.0


def tool_in_bench(t_s: float, phase: float = 0.0) -> tuple[FloatArray, FloatArray]:
    """Outlet (3,) [mm] and direction of the jet (3,), bench frame, of a hand that strokes about 14 mm over the mat."""
    w = 2 * np.pi * t_s
    tip = np.array([16 * np.sin(0.9 * w + phase), 7 * np.sin(1.3 * w + 1.0 + 2 * phase),
                    14.0 + 4 * np.sin(0.7 * w + 2.0 + phase)])
    lean = np.array([0.10 * np.sin(0.5 * w + phase) - 0.6, 0.08 * np.sin(0.6 * w) - 0.25, -1.0])
    return tip, lean / np.linalg.norm(lean)


def bench_light(camera: CameraModel = CAMERA) -> np.ndarray:
    """The bare mat in linear light (h, w), float32."""
    return (0.8 * mat_light(CAM_FROM_BENCH, camera, sheet(with_board=True))).astype(np.float32)


def frames(webcam: Webcam, n: int, seed: int = 0, phase: float = 0.0,
           first_tool: int = 3) -> Iterator[tuple[Frame, FloatArray, FloatArray]]:
    """Frames with the outlet and direction, bench frame, at the time of each: of its middle row's middle exposure. The
    tool is there from frame `first_tool` on."""
    rng = np.random.default_rng(seed)
    for index in range(n):
        yield (frame(webcam, index, rng, phase, index >= first_tool), *tool_in_bench(index * FRAME_S, phase))


def frame(webcam: Webcam, index: int, rng, phase: float = 0.0, with_tool: bool = True) -> Frame:
    """One of them."""
    t_s = index * FRAME_S
    light = _light_of(webcam, _breathed(webcam.breathing * np.sin(2 * np.pi * t_s / 2.5)), t_s, phase, with_tool)
    light *= webcam.steps[int(3 * t_s) % len(webcam.steps)]
    light += _NOISE * noise_sigma(light) * rng.normal(0, 1, light.shape).astype(np.float32)
    image = as_camera(light)
    return Frame(index, t_s, image, "drawn", cv2.cvtColor(image, cv2.COLOR_BGR2GRAY))


def waved(readout_s: float, n: int, reach_mm: float = 30.0, seed: int = 0) -> Iterator[Frame]:
    """Frames of the mat moved to and fro below a camera that reads its rows within that time."""
    h = CAMERA.image_size_px[1]
    rng = np.random.default_rng(seed)
    for index in range(n):
        t_s = index * FRAME_S
        row_s = t_s + readout_s * ((np.arange(2 * h) + 0.5) / (2 * h) - 0.5)
        slid_mm = reach_mm * np.sin(2 * np.pi * np.stack([0.8 * row_s, 0.6 * row_s + 1.0 / (2 * np.pi)]))
        light = mat_light(CAM_FROM_BENCH, CAMERA, sheet(), slid_mm)
        grey = 255 * light ** (1 / 2.2) + rng.normal(0, 2.0, light.shape)
        grey = np.clip(grey, 0, 255).round().astype(np.uint8)
        yield Frame(index, t_s, np.repeat(grey[..., None], 3, 2), "drawn", grey)


def _breathed(share: float) -> CameraModel:
    """The camera with its focal length longer by that share."""
    if share == 0.0:
        return CAMERA
    k = CAMERA.camera_matrix_px.copy()
    k[[0, 1], [0, 1]] *= 1.0 + share
    return CameraModel(k, CAMERA.distortion, CAMERA.image_size_px)


@lru_cache(2)
def _bench_of(focal_px: float) -> np.ndarray:
    return bench_light(_breathed(focal_px / CAMERA.focal_px - 1.0))


def _light_of(webcam: Webcam, camera: CameraModel, t_s: float, phase: float, with_tool: bool) -> np.ndarray:
    """Linear light (h, w, 3): the mean of a few moments while the shutter is open."""
    w, h = camera.image_size_px
    row_s = t_s + webcam.readout_s * ((np.arange(h) + 0.5) / h - 0.5)
    cover, ink = np.zeros((h, w), np.float32), np.zeros((h, w), np.float32)
    for later_s in webcam.open_s * ((np.arange(_SHUTTERS) + 0.5) / _SHUTTERS - 0.5) if with_tool else ():
        for total, one in zip((cover, ink), _drawn(camera, row_s + later_s, phase), strict=True):
            total += one / _SHUTTERS
    fine = row_s[:, None] + webcam.open_s * ((np.arange(16) + 0.5) / 16 - 0.5)
    lamp = 1.0 + webcam.flicker * np.cos(2 * np.pi * webcam.flicker_hz * fine).mean(1, keepdims=True)
    bench, lamp = _bench_of(camera.focal_px).astype(np.float32), lamp.astype(np.float32)
    return (lamp * bench * (1.0 - cover))[..., None] + (lamp * ink)[..., None] * TOOL_TINT.astype(np.float32)


def _pose(t_s: float, phase: float) -> ToolPose:
    tip, axis = (CAM_FROM_BENCH[:3, :3] @ v for v in tool_in_bench(t_s, phase))
    return ToolPose(tip + CAM_FROM_BENCH[:3, 3], axis)


def _drawn(camera: CameraModel, row_s: FloatArray, phase: float) -> tuple[np.ndarray, np.ndarray]:
    """How much of each pixel (h, w) the tool covers, and the light of that, each row at its own time; exact along x."""
    w, h = camera.image_size_px
    cover, ink = np.zeros((h * _FINE, w), np.float32), np.zeros((h * _FINE, w), np.float32)
    edge = np.arange(w + 1) - 0.5
    there = np.concatenate(tool_hull(camera, TOOL, _pose(row_s.mean(), phase)))[:, 1]
    for first in range(0, h, _BAND):
        if not there.min() - _FURTHEST_PX < first < there.max() + _FURTHEST_PX:
            continue
        at_y = (np.arange(first * _FINE, (first + _BAND) * _FINE) + 0.5) / _FINE - 0.5
        ends = spans(camera, _pose(row_s[first:first + _BAND].mean(), phase), at_y, 120)
        for k in np.flatnonzero((ends[..., 0] < ends[..., 1]).any(1)):
            for out, levels in ((cover, np.ones(len(INSIDE))), (ink, INSIDE)):
                out[first * _FINE + k] = painted(edge, ends[k], levels)
    blur = float(np.sqrt(BLUR_PX**2 - 1 / 12))  # averaging over a pixel blurs by so much itself
    return tuple(cv2.GaussianBlur(x.reshape(h, _FINE, w).mean(1), (0, 0), blur) for x in (cover, ink))
