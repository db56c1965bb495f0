"""The scale on which the spread of each measure is even: factors for times and heat, angles for shares."""

from __future__ import annotations

import numpy as np

from vision.types import FloatArray

__all__ = ["from_scale", "to_scale"]

_BY_FACTORS = {"dwell_s", "height_sd_mm", "energy_j", "energy_even_j"}
_SHARES = {"coverage"}
_LEAST = 1e-6


def to_scale(key: str, values: FloatArray | float) -> FloatArray:
    """Values of a measure on its even scale: logarithm, arcsine of the root (Bartlett 1947), or as they are."""
    values = np.asarray(values, dtype=float)
    if key in _BY_FACTORS:
        return np.log(np.maximum(values, _LEAST))
    return np.arcsin(np.sqrt(np.clip(values, 0.0, 1.0))) if key in _SHARES else values


def from_scale(key: str, values: FloatArray | float) -> FloatArray:
    """Back to the measure's own unit."""
    values = np.asarray(values, dtype=float)
    if key in _BY_FACTORS:
        return np.exp(values)
    return np.sin(np.clip(values, 0.0, np.pi / 2)) ** 2 if key in _SHARES else values
