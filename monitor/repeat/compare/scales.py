"""The scale on which the spread of each measure is even: factors for times, heat and for what a sweep misses."""

from __future__ import annotations

import numpy as np

from vision.types import FloatArray

__all__ = ["from_scale", "to_scale"]

_BY_FACTORS = {"dwell_s", "height_sd_mm", "energy_j", "energy_even_j"}
_SHARES = {"coverage"}
_LEAST = 1e-6
_MISSED = 0.01  # added to the missed share: a sweep that misses nothing, or one cell, is much the same


def to_scale(key: str, values: FloatArray | float) -> FloatArray:
    """Values of a measure on its even scale: logarithm, or as they are; rising with the values."""
    values = np.asarray(values, dtype=float)
    if key in _BY_FACTORS:
        return np.log(np.maximum(values, _LEAST))
    return -np.log(1.0 - np.clip(values, 0.0, 1.0) + _MISSED) if key in _SHARES else values


def from_scale(key: str, values: FloatArray | float) -> FloatArray:
    """Back to the measure's own unit."""
    values = np.asarray(values, dtype=float)
    if key in _BY_FACTORS:
        return np.exp(values)
    return 1.0 + _MISSED - np.exp(-values) if key in _SHARES else values
