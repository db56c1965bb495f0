"""What a pose is worth, going by what is known beforehand of nozzle, hand and bench; the picture's own say is in `PoseFit`."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from vision.belief import TOLD_SIGMA_MM
from vision.fit import PoseFit
from vision.kalman import Motion, ToolState, gate
from vision.nozzle import Hold
from vision.types import BenchPose, FloatArray

__all__ = ["WELL_QUALITY", "Judge", "is_jump"]

WELL_QUALITY = 0.77  # below it a pose's sigma grows, as the cube of how much quality lacks
_STRAINED = 1.5  # sigmas that edges are away from usual above which a pose's sigma grows alike
_LOWEST_MM, _HIGHEST_MM = -6.0, 100.0  # over the board: where an outlet is
_BELOW = 0.7  # what a pose that is lower counts among others
_LEAST_DOWN = 0.25  # of the jet's direction, downwards
_HOLD_COS = np.cos(np.deg2rad(30.0))  # a hand turns the tool no further than this from the ways it held it before
_GATE = 25.0  # chi-square of 5 degrees of freedom, 99.99 %
# what one frame's own covariance leaves out, for the gate: whole sides are off alike, from frame to frame differently
_JITTER_COV = np.diag([0.4, 0.4, 1.0, 0.008, 0.008]) ** 2


@dataclass(frozen=True)
class Judge:
    """Of one nozzle over one bench: where its edges usually appear, and the height of the board's top face over the mat."""

    motion: Motion
    board_top_mm: float

    @cached_property
    def _sigma_px(self) -> FloatArray:
        return np.sqrt(np.diag(self.motion.offset_cov))

    def height_mm(self, fit: PoseFit, bench: BenchPose) -> float:
        """Of the outlet over the board."""
        return float(bench.cam_from_bench[:3, 2] @ (fit.pose.tip_mm - bench.cam_from_bench[:3, 3])) - self.board_top_mm

    def merit(self, fit: PoseFit, bench: BenchPose) -> float:
        """For choosing among poses: less below the board, and when edges appear where this nozzle's hardly do."""
        usual = 1.0 if self.height_mm(fit, bench) > _LOWEST_MM else _BELOW
        return usual * fit.merit / max(1.0, fit.strain(self.motion.offset_px, self._sigma_px))

    def doubt(self, fit: PoseFit) -> float:
        """How many times as large as stated the variance of a pose is, 1 or more: what of the outline speaks against it does so in
        the next frames too; a hand always hides a part."""
        strain = fit.strain(self.motion.offset_px, self._sigma_px)
        return max(WELL_QUALITY / fit.quality, 1.0) ** 3 * max(strain / _STRAINED, 1.0) ** 2

    def is_possible(self, fit: PoseFit, bench: BenchPose, ways: tuple[Hold, ...]) -> bool:
        """Whether a hand that holds the tool in one of those ways can hold it so, over this board."""
        up = bench.cam_from_bench[:3, 2]
        sigma = float(np.sqrt(up @ fit.cov[:3, :3] @ up))
        axis = bench.cam_from_bench[:3, :3].T @ fit.pose.axis
        as_held = not ways or max(float(axis @ h.axis) for h in ways) > _HOLD_COS
        unsure = 2 if sigma < TOLD_SIGMA_MM else 5  # a height that is not told may be further off than it seems
        return (_LOWEST_MM - unsure * sigma < self.height_mm(fit, bench) < _HIGHEST_MM
                and float(up @ fit.pose.axis) < -_LEAST_DOWN and as_held)


def is_jump(ahead: ToolState, alone: FloatArray, alone_cov: FloatArray) -> bool:
    """Whether what a picture says alone, a tip and direction (5,) with covariance (5, 5), lies where the filter does not lead."""
    return gate(ahead, alone, alone_cov + _JITTER_COV) > _GATE
