"""What is reported of the hypotheses: whether a tool is there, where it is, and how well that is known."""

from __future__ import annotations

import numpy as np
from scipy.special import expit

from vision.compiled import njit
from vision.track.chart import axis_of, axis_spread
from vision.track.hypothesis import Hypothesis, probabilities
from vision.track.kalman import ToolState, smooth
from vision.types import FloatArray, TrackStatus

__all__ = ["LIKELY", "SURE", "REPORTED_SIGMA_MM", "estimate", "is_known", "status_of", "smoothed", "spread_over",
           "steady"]

SURE, LIKELY = 0.95, 0.5  # probability from which on its numbers are reported, and that a tool is there [convention]
# of height and direction (2 degrees), up to which they are reported [convention]
REPORTED_SIGMA_MM, REPORTED_LEAN_RAD = 4.0, 0.035
_PARKED_COS = np.cos(np.deg2rad(60.0))  # of the tilt, beyond which a tool lies and does not blow down [convention]
_BELOW_SIGMAS = 2.0  # beneath the board's top, from where on a height is not one [convention]

# of the filter's variance, what heights have shown: in 45 runs over rendered clips, forwards and backwards, begun at
# different pictures, bands of 90 % hold 90 to 98 % with it, and 0.24 % lie beyond three sigmas [measured:
# tests.benchmarks.starts]
_AS_MEASURED = 0.4
# at first errors are more alike from picture to picture than the filter takes them to be, while the same part of the
# tube is all that is seen: in 27 runs over rendered clips, begun at different pictures, the squares of heights' errors
# over those stated were up to three times as large, and fell within that time [measured: tests.benchmarks.starts]
_AT_FIRST, _AT_FIRST_S = 2.0, 0.3
# what callipers, the board's thickness and the touch photographs leave, alike in all frames: outlet [mm], direction [-]
# [convention]
_STEADY_COV = np.diag([0.15, 0.15, 0.22, 0.0022, 0.0022]) ** 2
# of the edges' offsets: what of them is alike in all frames (the rest changes with light and place) [trial]
_STEADY_SHARE = 0.11
# of an outlet, for its way while the shutter is open: of a fast one heights were off alike through some pictures
# [trial]
_TRAVEL_COV = np.diag([0.4, 0.4, 0.4, 0.0, 0.0]) ** 2

# of outlet [mm] and direction [-], where a fit ended elsewhere than in the tool's own place [measured:
# tests.benchmarks.optima, touch photographs]
_ELSEWHERE_COV = np.diag([4.0, 4.0, 7.0, 0.1, 0.1]) ** 2


def steady(offsets_cov: FloatArray, travel2_mm2: float) -> FloatArray:
    """What no number of frames takes away, for `ToolState.steady_cov` (5, 5): from the covariance that not knowing
    where edges appear gives a pose, (5, 5) bench chart, and the mean square of the outlet's way while the shutter is
    open."""
    return _STEADY_COV + _STEADY_SHARE * offsets_cov + _TRAVEL_COV * travel2_mm2


def estimate(state: ToolState) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Tip (3,) [mm], jet direction (3,), covariance (6, 6), bench frame."""
    return _estimate(state.mean, state.cov, state.steady_cov)


@njit(cache=True, nogil=True)
def _estimate(mean, cov, steady_cov):
    axis = axis_of(mean[3:5])
    spread = axis_spread(axis)
    return mean[:3].copy(), axis, spread @ (_AS_MEASURED * cov[:5, :5] + steady_cov) @ spread.T


def is_known(state: ToolState) -> bool:
    """Whether a state's height would be known well enough to be reported, did its last picture show it well."""
    return bool(state.cov[2, 2] <= REPORTED_SIGMA_MM**2)


def spread_over(hypotheses: list[Hypothesis], states: list[ToolState]) -> FloatArray:
    """Covariance (6, 6) about the first state's tip and direction, over all hypotheses with these states of now: two
    modes make a wide band, and so does a track that has just begun."""
    weights = probabilities(hypotheses)[1:]
    tip, axis, _ = estimate(states[0])
    total = np.zeros((6, 6))
    for h, weight, state in zip(hypotheses, weights / weights.sum(), states, strict=True):
        other_tip, other_axis, cov = estimate(state)
        d = np.concatenate([other_tip - tip, other_axis - axis])
        young = np.exp(-(h.t_seen_s - h.t_start_s) / _AT_FIRST_S)
        spread = axis_spread(other_axis)
        elsewhere = expit(-h.log_right) * spread @ _ELSEWHERE_COV @ spread.T
        total += weight * ((1.0 + _AT_FIRST * young) * cov + elsewhere + np.outer(d, d))
    return total


def status_of(probability: float, height_mm: float, axis: FloatArray, cov: FloatArray) -> tuple[TrackStatus, str]:
    """What is reported of a tool that this picture shows, and why no more.

    Parameters
    ----------
    probability : float
        That a tool is there.
    height_mm : float
        Of the outlet over the board.
    axis, cov
        As `estimate` has them.
    """
    if probability < LIKELY:
        return TrackStatus.TENTATIVE, ""
    if probability < SURE:
        return TrackStatus.VAGUE, "it is not yet clear that this is the nozzle"
    if -axis[2] < _PARKED_COS:
        return TrackStatus.VAGUE, "the nozzle lies parked"
    height_sigma_mm, lean_sigma_rad = np.sqrt(cov[2, 2]), np.sqrt(np.linalg.eigvalsh(cov[3:, 3:])[-1])
    if height_sigma_mm > REPORTED_SIGMA_MM or lean_sigma_rad > REPORTED_LEAN_RAD:
        return TrackStatus.VAGUE, "too little of the nozzle is seen to tell its height"
    if height_mm < -_BELOW_SIGMAS * height_sigma_mm:
        return TrackStatus.VAGUE, "the nozzle seems to be below the board"
    return TrackStatus.TRACKING, ""


def smoothed(states: list[ToolState]) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Two-sided estimates of one unbroken track, as `estimate` gives them."""
    return [estimate(s) for s in smooth(states)]
