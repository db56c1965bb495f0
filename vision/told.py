"""What is told of a filter's state: place, direction and their covariance, live and two-sided."""

from __future__ import annotations

from vision.chart import axis_of, axis_spread
from vision.kalman import ToolState, smooth
from vision.types import FloatArray

__all__ = ["told", "smoothed"]

# of the filter's variance, what heights have shown: in 45 runs over rendered clips, forwards and backwards, begun at different
# pictures, bands of 90 % held 89 % with it
_AS_MEASURED = 0.55


def told(state: ToolState) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Tip (3,) [mm], jet direction (3,), covariance (6, 6), bench frame."""
    axis = axis_of(state.mean[3:5])
    spread = axis_spread(axis)
    return state.mean[:3].copy(), axis, spread @ (_AS_MEASURED * state.cov[:5, :5] + state.steady_cov) @ spread.T


def smoothed(states: list[ToolState]) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Two-sided estimates of one unbroken track, as `told` gives them."""
    return [told(s) for s in smooth(states)]
