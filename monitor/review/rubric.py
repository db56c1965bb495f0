"""A teacher's own thresholds against each pass: met, not met, or not to be told with the camera's doubt."""

from __future__ import annotations

import enum
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from monitor.job import Criterion, Job
from monitor.recording.reader import Recording

__all__ = ["Mark", "Met", "marks_of"]

Z90 = 1.645
UNITS = {"height_mean_mm": "mm", "height_sd_mm": "mm", "dwell_s": "s", "tilt_mean_deg": "degrees",
         "energy_j": "J (estimate)",
         "in_limits": "%", "coverage": "%", "evenness": "%"}


class Met(enum.StrEnum):
    """What can be said of a threshold."""

    YES = "met"
    NO = "not met"
    OPEN = "cannot be told"


@dataclass(frozen=True)
class Mark:
    """One threshold and one pass.

    Attributes
    ----------
    number : int
        Of the pass.
    name : str
        Of the threshold.
    met : Met
    words : str
        The value with its doubt against what was asked for.
    t_s, frame : float, int or None
        The moment that shows it best; None where no single moment does.
    """

    number: int
    name: str
    met: Met
    words: str
    t_s: float | None = None
    frame: int | None = None


def marks_of(recording: Recording, job: Job) -> list[Mark]:
    """Every threshold of the job's rubric for every pass, in order of pass; empty without a rubric."""
    return [_mark(recording, p, c, job) for p in recording.passes for c in job.rubric]


def _mark(recording: Recording, p: dict[str, Any], c: Criterion, job: Job) -> Mark:
    low, value, high = _band(recording, p, c.measure, job)
    if not math.isfinite(value):
        return Mark(p["number"], c.name, Met.OPEN, f"not known, asked for {_asked(c)}")
    if low >= c.least and high <= c.most:
        met = Met.YES
    elif high < c.least or low > c.most:
        met = Met.NO
    else:
        met = Met.OPEN
    doubt = "" if high - low < 1e-9 else f" ({_show(c.measure, low)} to {_show(c.measure, high)})"
    words = f"{_show(c.measure, value)}{doubt} {UNITS[c.measure]}, asked for {_asked(c)}"
    return Mark(p["number"], c.name, met, words, *_moment(recording, p, c, value))


def _band(recording: Recording, p: dict[str, Any], measure: str, job: Job) -> tuple[float, float, float]:
    """Value of a pass with the ends of its 90 % band, as far as camera and estimate leave it in doubt."""
    if measure == "height_mean_mm":
        half = Z90 * _number(p["height_sigma_mm"])
        return p[measure] - half, p[measure], p[measure] + half
    if measure == "energy_j":
        return _number(p["energy_low_j"]), _number(p["energy_j"]), _number(p["energy_high_j"])
    if measure == "dwell_s":  # what was not seen within the pass may have been dwell
        return p[measure], p[measure], p[measure] + _number(p["unseen_s"])
    if measure == "in_limits":
        return _inside(recording, p, job)
    value = math.degrees(_number(p["tilt_mean_rad"])) if measure == "tilt_mean_deg" else _number(p[measure])
    return value, value, value


def _inside(recording: Recording, p: dict[str, Any], job: Job) -> tuple[float, float, float]:
    """Share of the dwell at an allowed height, had all heights been read too low or too high by their common error."""
    f, (low, high) = recording.frames, job.limits.height_mm
    pick = (f["t_s"] >= p["t_start_s"]) & (f["t_s"] <= p["t_end_s"]) & (f["seen"] > 0) & np.isfinite(f["height_mm"])
    value = _number(p["in_limits"])
    if not pick.any():
        return value, value, value
    height, half = f["height_mm"][pick], Z90 * f["height_sigma_mm"][pick]
    base = ((height >= low) & (height <= high)).mean()
    shares = [value + ((height + s * half >= low) & (height + s * half <= high)).mean() - base for s in (-1, 0, 1)]
    return max(0.0, min(shares)), value, min(1.0, max(shares))


def _moment(recording: Recording, p: dict[str, Any], c: Criterion, value: float) -> tuple[float | None, int | None]:
    """The frame of the pass that shows a height or a tilt best: the one farthest to the side of the value."""
    column = {"height_mean_mm": "height_mm", "height_sd_mm": "height_mm", "in_limits": "height_mm",
              "tilt_mean_deg": "tilt_rad"}.get(c.measure)
    if column is None:
        return None, None
    f = recording.frames
    at = np.flatnonzero((f["t_s"] >= p["t_start_s"]) & (f["t_s"] <= p["t_end_s"]) & (f["seen"] > 0)
                        & np.isfinite(f[column]))
    if not len(at):
        return None, None
    away = np.abs(f[column][at] - np.median(f[column][at])) if c.measure in ("height_sd_mm", "in_limits") else (
        f[column][at] * (-1 if value < c.least else 1))
    best = int(at[int(np.argmax(away))])
    return float(f["t_s"][best]), int(f["frame"][best])


def _asked(c: Criterion) -> str:
    low, high = (_show(c.measure, v) for v in (c.least, c.most))
    if math.isinf(c.most):
        return f"at least {low}"
    return f"at most {high}" if math.isinf(c.least) else f"{low} to {high}"


def _show(measure: str, value: float) -> str:
    return f"{100 * value:.0f}" if UNITS[measure] == "%" else f"{value:.1f}"


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)
