"""A nozzle's profile as a job tells it, from pictures of it lying on the mat; checked against one calliper figure."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from vision.calibrate.profile import LaidView, fit_profile, outline_px, turn_rad
from vision.camera.model import CameraModel
from vision.errors import CalibrationError
from vision.types import BenchPose, FloatArray

__all__ = ["NOTHING_LIES", "VIEWS", "LaidPictures", "ProfileFound", "measure_profile"]

VIEWS = 4
NOTHING_LIES = "nothing lies on the mat that was not there before"
LEAST_TURN_RAD = math.radians(50.0)  # from every picture before
AGREES = 0.05  # of the outer diameter
WORST_RMS_PX = 1.0  # outlines that one resting body cannot have drawn
TUBE_SHARE = 0.06  # by which the tube's radius may change along it
THICK_SHARE = 0.85  # of the greatest radius, from where on it is the handle


@dataclass(frozen=True)
class ProfileFound:
    """What the outlines say, or why they say nothing.

    Attributes
    ----------
    profile_mm, handle_mm : tuple of (radius, distance from the outlet)
        Straight pieces; empty when there is nothing to be told.
    tube_length_mm, diameter_mm, diameter_sigma_mm : float
    corner_sigma_mm : float
        1 sigma of the worst known corner of the profile.
    reason : str
        One line: the comparison with the calliper, or why the outlines are refused.
    """

    profile_mm: tuple[tuple[float, float], ...]
    handle_mm: tuple[tuple[float, float], ...]
    tube_length_mm: float
    diameter_mm: float
    diameter_sigma_mm: float
    corner_sigma_mm: float
    reason: str


class LaidPictures:
    """Collects outlines of the nozzle, each turned well away from those before."""

    def __init__(self, camera: CameraModel, empty: np.ndarray) -> None:
        self._camera, self.empty = camera, empty
        self.views: list[LaidView] = []
        self._turns: list[float] = []

    @property
    def is_complete(self) -> bool:
        """Whether there are enough."""
        return len(self.views) >= VIEWS

    def take(self, bench: BenchPose, image: np.ndarray, outer_diameter_mm: float) -> str:
        """Keep the picture's outline; "" or why not, NOTHING_LIES as long as nothing has come."""
        edge = outline_px(self.empty, image)
        if edge is None:
            return NOTHING_LIES
        view = LaidView(bench.cam_from_bench, edge)
        try:
            turn = turn_rad(self._camera, view, outer_diameter_mm)
        except CalibrationError as fault:
            return str(fault)
        if any(abs(math.remainder(turn - before, math.tau)) < LEAST_TURN_RAD for before in self._turns):
            return "seen like this already: turn it by a quarter on the mat"
        self.views.append(view)
        self._turns.append(turn)
        return ""


def measure_profile(camera: CameraModel, views: Sequence[LaidView], outer_diameter_mm: float,
                    told: Callable[[float], None] = lambda share: None) -> ProfileFound:
    """Radius along the nozzle from outlines of one camera that stood still; `told` takes the share that is done."""
    told(0.1)
    try:
        fit = fit_profile(camera, list(views), outer_diameter_mm)
    except CalibrationError as fault:
        return _refused(str(fault))
    told(1.0)
    words = (f"the outline says {fit.diameter_mm:.1f} mm (1 sigma {fit.diameter_sigma_mm:.1f}), the calliper "
             f"{outer_diameter_mm:.1f} mm")
    off = abs(fit.diameter_mm - outer_diameter_mm)
    if off > max(AGREES * outer_diameter_mm, 2 * fit.diameter_sigma_mm) or fit.rms_px > WORST_RMS_PX:
        return _refused(f"{words}, edges fit to {fit.rms_px:.1f} px: a shadow, a hand, or another nozzle? Soften the "
                        "lamp and lay it again, alone", fit.diameter_mm, fit.diameter_sigma_mm)
    profile, handle = _split(fit.corners_mm)
    return ProfileFound(profile, handle, _tube_length_mm(fit.corners_mm), fit.diameter_mm, fit.diameter_sigma_mm,
                        float(fit.sigma_mm.max()), f"{words}: they agree; steps to {fit.sigma_mm.max():.1f} mm")


def _refused(reason: str, diameter_mm: float = math.nan, sigma_mm: float = math.nan) -> ProfileFound:
    return ProfileFound((), (), math.nan, diameter_mm, sigma_mm, math.nan, reason)


def _tube_length_mm(corners: FloatArray) -> float:
    """Up to where the radius leaves the outlet's."""
    off = np.flatnonzero(np.abs(corners[:, 0] / corners[0, 0] - 1) > TUBE_SHARE)
    return round(float(corners[max(off[0] - 1, 1) if len(off) else -1, 1]), 1)


def _split(corners: FloatArray) -> tuple[tuple[tuple[float, float], ...], tuple[tuple[float, float], ...]]:
    """Metal before, handle behind: split where it is nearly at its thickest, at a ledge if there is one."""
    points = [(round(float(r), 2), round(float(s), 2)) for r, s in corners]
    if len(points) < 3:
        return tuple(points), ()
    thick = next(k for k, (r, _) in enumerate(points) if r > THICK_SHARE * corners[:, 0].max())
    thick = min(max(thick, 1), len(points) - 2)
    rise, run = np.subtract(points[thick], points[thick - 1])
    is_ledge = thick > 1 and rise > run
    return tuple(points[:thick if is_ledge else thick + 1]), tuple(points[thick:])
