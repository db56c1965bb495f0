"""Measures the height of a nozzle that stands still, from one photograph of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.bench.background import BenchView
from vision.fit.pose import Picture, Rounds, fit_pose
from vision.nozzle.body import ToolPose
from vision.nozzle.silhouette import moved_pose
from vision.track.find import Sought, find_tool
from vision.track.metal import metal_appearance
from vision.types import BenchPose, FloatArray

__all__ = ["GaugeMiss", "GaugeReading", "read_gauge"]

_FITS = 20  # most of them: there is time [convention]
_HEIGHTS_MM = (2.0, 6.0, 10.0, 15.0, 20.0, 26.0, 34.0, 45.0)  # begun at: close enough that none is missed [convention]
_LEAST_QUALITY = 0.6  # a pose that explains less of the outline may be another tool [convention]


@dataclass(frozen=True)
class GaugeReading:
    """Height of the outlet's centre over a surface, by its edges alone, and its 1-sigma spread; pose in the camera
    frame; and how the metal looks, as `metal_appearance` tells it."""

    height_mm: float
    sigma_mm: float
    pose: ToolPose
    metal_appearance: FloatArray


@dataclass(frozen=True)
class GaugeMiss:
    """Why there is no reading; is_bench_changed when the bench picture no longer fits."""

    reason: str
    is_bench_changed: bool = False


def read_gauge(sought: Sought, image: np.ndarray, bench: BenchPose,
               bench_light: np.ndarray) -> GaugeReading | GaugeMiss:
    """Height of the nozzle in a photograph; what it stands on is not told to the fit.

    Parameters
    ----------
    sought : Sought
        The nozzle before this photograph's bench; heights count from its `board_top_mm`.
    image : array, shape (h, w, 3), uint8
    bench : BenchPose
        Of this photograph.
    bench_light : array, shape (h, w, 3), float32
        The bench without the tool as seen from this pose, linear light.
    """
    view = BenchView(image, bench_light)
    if not view.is_given:
        return GaugeMiss("the bench does not look as in the bench picture: camera, light or board have changed",
                         is_bench_changed=True)
    picture = Picture(image, view.light, view.known, view.noise)
    camera, body = sought.camera, sought.body
    start = find_tool(sought, picture, _LEAST_QUALITY, heights_mm=_HEIGHTS_MM, most=_FITS)
    fit = start and fit_pose(camera, body, picture, start.pose, sought.bias, rounds=Rounds((2.0, 1.0)))
    if fit is None or fit.quality < _LEAST_QUALITY:
        return GaugeMiss("the nozzle is not recognised: it must stand free, its metal in view, no hand before it; a "
                         "shiny one is hard to see and better matt")
    pose = moved_pose(fit.pose, fit.alone_step)
    up, origin = bench.cam_from_bench[:3, 2], bench.cam_from_bench[:3, 3]
    lever = np.concatenate([np.cross(up, pose.tip_mm), -up])  # of the height, per turn and shift of the bench
    variance = up @ fit.alone_cov[:3, :3] @ up + lever @ bench.cov @ lever
    return GaugeReading(_over(pose.tip_mm, up, origin) - sought.board_top_mm, float(np.sqrt(max(variance, 0.0))), pose,
                        metal_appearance(camera, body, picture, pose))


def _over(tip_mm: FloatArray, up: FloatArray, origin: FloatArray) -> float:
    return float(up @ (tip_mm - origin))
