"""What is known of a pose before the picture is looked at: hand, bench and nozzle."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import log_ndtr

from vision.fit.pose import PoseFit
from vision.nozzle.body import Hold
from vision.track.find import habit
from vision.track.kalman import Motion
from vision.types import BenchPose, FloatArray

__all__ = ["height_over", "log_prior"]

# by which an outlet may seem lower than the board, beside its own sigma: a rim that rests on it, parts [convention]
_ABOUT_MM = 1.0
_HIGHEST_MM, _HIGH_SIGMA_MM = 100.0, 20.0  # over the board, where a tool is no more at work [convention]
_LEAST_HABIT = np.log(0.02)  # a hand may take the tool quite otherwise [convention]
_LEAST_OFFSETS = np.log(1e-3)  # and edges may lie where they never did [convention]


def height_over(tip_cam_mm: FloatArray, bench: BenchPose, surface_mm: float) -> float:
    """Height [mm] over a level surface of a point (3,) of the camera frame."""
    return float(bench.cam_from_bench[:3, 2] @ (tip_cam_mm - bench.cam_from_bench[:3, 3])) - surface_mm


def log_prior(fit: PoseFit, bench: BenchPose, board_top_mm: float, motion: Motion, holds: tuple[Hold, ...]) -> float:
    """Natural logarithm of how likely a fit's pose and edge offsets are, against usual ones.

    No outlet is below the board, few are far above it; a hand holds the tool as it did before; edges appear where this
    nozzle's do.
    """
    up = bench.cam_from_bench[:3, 2]
    sigma_mm = math.sqrt(up @ fit.cov[:3, :3] @ up + _ABOUT_MM**2)
    height_mm = height_over(fit.pose.tip_mm, bench, board_top_mm)
    above = (
        min(0.0, float(log_ndtr(height_mm / sigma_mm)) + math.log(2.0))
        - 0.5 * (max(height_mm - _HIGHEST_MM, 0.0) / _HIGH_SIGMA_MM) ** 2
    )
    by_hold = max(math.log(max(habit(fit.pose, holds, bench.cam_from_bench), 1e-9)), _LEAST_HABIT)
    groups = fit.sites[6:] - 6
    seen = np.bincount(fit.label, fit.good, len(motion.offset_px))[groups] > 0
    away2 = (fit.offset_px - motion.offset_px[groups]) ** 2 / motion.offset_cov[groups, groups]
    return above + by_hold + max(-0.5 * float((away2[seen] - 1.0).sum()), _LEAST_OFFSETS)
